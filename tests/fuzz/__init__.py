"""Any bytes at every parser that faces a file or the network: a value, or a refusal in the project's own type.

Never another exception, and never without bounds of time and memory. Which test throws what at which parser:

| parser | faces | refuses with | fuzzed in |
|---|---|---|---|
| `yaml_lines`, site file, profile | a person's file | `FileFaults` | `tests/config/test_any_file.py` |
| `quantities` | values of those files | `Wrong` | `tests/fuzz/test_files.py` |
| secrets files, environment | the site file's neighbours | `FileFaults` | `tests/fuzz/test_files.py` |
| certificates and keys | the site file's neighbours | `TlsFileFault` | `tests/field/test_tls.py` |
| `codec`, `saved_state` | the store's state | `ValueError`, `HistoryError` | `tests/fuzz/test_files.py` |
| the store itself | the disk | moved aside, `HistoryError` | `tests/historian/test_store_troubles.py` |
| a backup | a file of the person's choice | `HistoryError` | `tests/fuzz/test_files.py` |
| `positions` | a file in memory | None | `tests/fuzz/test_files.py`, `tests/historian/test_positions.py` |
| `outbox_file` | the state directory | moved aside | `tests/fuzz/test_files.py`, `tests/hmi/test_outbox.py` |
| `decode`, `inbox` | MQTT readings | `Refusal` | `tests/fuzz/test_messages.py`, `tests/control/test_decode.py` |
| `own_topics`, `operators` | MQTT `set` topics | an answer | `tests/fuzz/test_messages.py`, `test_own_topics.py` |
| the driver's claim, response topics | MQTT | not obeyed | `tests/fuzz/test_messages.py` |
| `operator_socket` | users of the machine | {"error"} | `tests/fuzz/test_socket_and_http.py` |
| `operator_client` | what answers at the socket | `NoDaemon` | `tests/fuzz/test_socket_and_http.py` |
| `web` | the network | a status of HTTP | `tests/fuzz/test_socket_and_http.py` |
| words of `log` and `export` | a terminal | exit code 2 | `tests/fuzz/test_command_words.py` |
| actions | all of the above | "refused" | `tests/control/test_operate_machine.py`, `test_any_input.py` |
"""
