"""Every action once from the command line, on a running daemon, with the exit codes that the README names."""

import json
import os
import socket
from pathlib import Path

import pytest

from controller.cli import main
from tests.cli_terminal import FAULTY, NO_DAEMON, Terminal
from tests.runtime.daemons import CONE_COOLER, NODE_HEATER, Cellar, Daemon, example_site, operator, until
from tests.servers import Mosquitto


@pytest.mark.servers
def test_every_action_of_a_batch(
    tmp_path: Path, server: Mosquitto, cellar: Cellar, capsys: pytest.CaptureFixture[str]
) -> None:
    site = example_site(tmp_path, server.port)
    with Daemon(site) as daemon:
        daemon.wait_until_scanning()
        brewer = Terminal(site, capsys)
        assert "has no batch" in brewer.is_refused("setpoint|pilot-20|18 C")
        assert "no vessel 'fv9'" in brewer.is_refused("hold|fv9")
        assert "known are" in brewer.is_refused("start|pilot-20|--batch|Pale|--profile|no-such-thing")
        started = brewer.does("start|pilot-20|--batch|Pale|--profile|clean-ale|--og|12.4 P|--volume|5 gal")
        assert started == "Pale follows Clean ale"
        assert "expected to be 'held', but it is running" in brewer.is_refused("hold|pilot-20|--expects|held")
        assert brewer.does("confirm|pilot-20").startswith("confirmed: Is the wort aerated")
        assert brewer.does("hold|pilot-20|--expects|running").startswith("held")
        assert brewer.does("setpoint|pilot-20|66 F") == "setpoint 18.9 °C"
        assert "hard limits of 1.0 to 32.0 °C" in brewer.is_refused("setpoint|pilot-20|-1C")
        assert brewer.does("resume|pilot-20").startswith("running")
        assert brewer.does("og|pilot-20|1.052") == "OG 1.052"
        assert brewer.does("gravity|pilot-20|5.3 P") == "gravity 1.021"
        assert "above the OG" in brewer.is_refused("gravity|pilot-20|1.090")
        assert brewer.does("stop|pilot-20").startswith("stopped")
        assert brewer.does("acknowledge|pilot-20|prompt") == "acknowledged: prompt"
        assert "no alarm to acknowledge" in brewer.is_refused("acknowledge|pilot-20")
        assert "will drift toward the room's 20.0 °C" in brewer.is_refused("abort|pilot-20")
        assert brewer.does("abort|pilot-20|--sure") == "aborted: everything off"
        assert daemon.status()["vessels"]["pilot-20"]["state"] == "aborted"
        assert "out of service" in brewer.does("packaged|pilot-20")
        vessel = daemon.status()["vessels"]["pilot-20"]
        assert (vessel["batch"], vessel["in_service"]) == (None, False)


@pytest.mark.servers
def test_a_batch_that_goes_its_own_way(
    tmp_path: Path,
    server: Mosquitto,
    cellar: Cellar,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "240")
    site = example_site(tmp_path, server.port)
    with Daemon(site) as daemon:
        daemon.wait_until_scanning()
        brewer = Terminal(site, capsys)
        assert brewer.does("service|keg-50|out") == "keg-50 is out of service"
        assert "out of service already" in brewer.is_refused("service|keg-50|out")
        assert brewer.does("service|keg-50|in") == "keg-50 is in service"

        begun = "start|pilot-20|--batch|Pale|--profile|clean-ale|--og|1.050|--volume|20 L|--step|%s|--gravity|1.030"
        assert "no step 'nap'" in brewer.is_refused(begun % "nap")
        assert brewer.does(begun % "primary").endswith("from the step 'primary' on")
        # 1.050 and 1.030 are 12.4 and 7.6 °P (ASBC tables, from memory): (12.4 - 7.6) / 12.4
        assert "39 % apparent attenuation" in brewer.does("status|pilot-20")
        assert "has no time to extend" in brewer.is_refused("extend|pilot-20|12 h")
        assert "say so again with --sure" in brewer.is_refused("skip|pilot-20|--to|crash")
        expected = brewer.is_refused("skip|pilot-20|--to|diacetyl rest|--expects|running/rise")
        assert "but it is running/primary" in expected
        assert brewer.does("skip|pilot-20|--to|diacetyl rest").endswith("diacetyl rest begins")
        assert brewer.does("extend|pilot-20|1 d").startswith("diacetyl rest lasts 24.0 h longer: 3.0 d in all")
        assert "back to the beginning of primary" in brewer.does("back|pilot-20|--to|primary")
        assert "the outputs rest unless" in brewer.does("quiet|pilot-20|--for|6 h|--drift|0.5 K")
        assert brewer.does("quiet|pilot-20|--end") == "the quiet hours are over"
        assert "no quiet hours to end" in brewer.is_refused("quiet|pilot-20|--end")
        assert "is in pilot-20 already" in brewer.is_refused("move|pilot-20|--to|pilot-20")
        assert "Pale moved to keg-50" in brewer.does("move|pilot-20|--to|keg-50|--expects|running/primary")
        assert "has no batch" in brewer.is_refused("gravity|pilot-20|1.020")

        detail = brewer.does("status|keg-50")
        for text in ("Pale: running", "primary", "cooler off", "keg-50/side good", "OG 1.050", "profile clean-ale"):
            assert text in detail
        assert json.loads(brewer.does("status|keg-50|--json"))["batch"]["name"] == "Pale"
        code, out, err = brewer.says("status|keg-05")
        assert (code, out) == (FAULTY, "")
        assert err == 'found the vessel "keg-05"; right would be keg-50; nothing was changed'


@pytest.mark.servers
def test_manual_moves_the_outputs_as_the_readme_says_and_the_status_tells_all(
    tmp_path: Path,
    server: Mosquitto,
    cellar: Cellar,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "240")
    site = example_site(tmp_path, server.port)
    with Daemon(site) as daemon:
        daemon.wait_until_scanning()
        brewer = Terminal(site, capsys)
        for vessel in ("cone-120", "pilot-20"):
            brewer.does(f"start|{vessel}|--batch|Water|--setpoint|18 C|--volume|20 L")
        assert brewer.does("mode|cone-120|manual|--output|-100%|--for|5 min") == "manual -100% for 0.1 h, then auto"
        assert brewer.does("mode|pilot-20|manual|--output|100 %|--for|5 min") == "manual +100% for 0.1 h, then auto"
        until(lambda: cellar.is_on(CONE_COOLER) and cellar.is_on(NODE_HEATER), "pump and heater")
        assert brewer.does("mode|cone-120|off") == "mode off: nobody regulates this vessel now"
        until(lambda: not cellar.is_on(CONE_COOLER), "the pump's off")
        assert brewer.does("mode|pilot-20|auto") == "mode auto"
        cellar.worts["cone-120"] = -127.0
        until(lambda: daemon.status()["vessels"]["cone-120"]["signals"]["cone-120/well"]["status"] == "failure", "F")

        table = brewer.does("status")
        for text in ("cone-120", "Water: stopped, off", "failure, probe disconnected", "20.0 °C"):
            assert text in table
        status = json.loads(brewer.does("status|--json"))
        assert set(status["vessels"]) == {"cone-120", "keg-50", "pilot-20"}
        assert status["recent"]


@pytest.mark.servers
def test_only_the_owner_and_the_group_may_open_the_operators_socket_and_rubbish_on_it_is_answered(
    tmp_path: Path, server: Mosquitto
) -> None:
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        daemon.wait_until_scanning()
        path = tmp_path / "state" / "operator.sock"
        assert path.stat().st_mode & 0o777 == 0o660
        for line, answer in (
            (b"hello\n", "one line of JSON"),
            (b"[" * 60_000 + b"\n", "one line of JSON"),
            (b"7\n", "a JSON object"),
            (b'{"do": "hold"}\n', "the texts id, vessel and do"),
            (b'{"id": "1", "vessel": "keg-50", "do": "mode", "arguments": {"duty": NaN}}\n', "texts or numbers"),
            (b"x" * 70_000 + b"\n", "at most 64 KiB"),
        ):
            with socket.socket(socket.AF_UNIX) as terminal:
                terminal.settimeout(20)
                terminal.connect(str(path))
                terminal.sendall(line)
                assert answer in json.loads(terminal.makefile().readline())["error"]
        with socket.socket(socket.AF_UNIX) as idle:  # somebody who only sits there does not hold up the end
            idle.connect(str(path))
            assert daemon.end() == 0
        assert not path.exists()
        assert "Traceback" not in daemon.log()


def test_without_a_daemon_the_exit_code_is_3_and_the_text_says_where_it_was_sought(tmp_path: Path) -> None:
    for words in (("status",), ("hold", "keg-50")):
        missing = operator(*words, site=example_site(tmp_path, 1))
        assert missing.returncode == NO_DAEMON
        assert "no daemon listens at" in missing.stderr
        assert str(tmp_path / "state" / "operator.sock") in missing.stderr


@pytest.mark.parametrize(
    ("line", "right"),
    [
        ("setpoint|keg-50|18 K", '"19 C"'),
        ("setpoint|keg-50|0.5 K", '"19 C"'),
        ("setpoint|keg-50|warm", '"19 C"'),
        ("mode|keg-50|manual|--output|much|--for|5 min", '"-100 %"'),
        ("mode|keg-50|manual|--output|nan%|--for|5 min", '"-100 %"'),
        ("mode|keg-50|manual|--output|-200%|--for|5 min", '"-100 %"'),
        ("mode|keg-50|manual|--output|-50%|--for|soon", '"36 h"'),
        ("gravity|keg-50|1021", "1.050"),
        ("start|keg-50|--batch|Pale|--setpoint|18 C|--volume|23", "a unit is needed"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_what_would_be_right(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str, right: str
) -> None:
    code, out, err = Terminal(example_site(tmp_path, 1), capsys).says(line)
    assert (code, out) == (FAULTY, "")
    assert right in err
    assert err.endswith("nothing was changed")


def test_faults_of_a_file_or_of_the_words_have_exit_code_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    broken = tmp_path / "site.yaml"
    broken.write_text("site: cellar\nunits: C\n")
    for words in (["check", "--site", str(broken)], ["run", "--site", str(broken)], ["status", "--site", str(broken)]):
        assert main(words) == FAULTY
        assert str(broken) in capsys.readouterr().err
    for words in (["brew"], ["mode", "keg-50", "sideways"], ["demo", "--days", "0"], ["demo", "--speed", "nan"]):
        with pytest.raises(SystemExit) as refusal:
            main(words)
        assert refusal.value.code == FAULTY


def test_a_command_that_does_not_say_which_daemon_is_a_fault_of_the_words() -> None:
    lost = operator("status")
    assert lost.returncode == FAULTY
    assert "--site FILE or --socket PATH" in lost.stderr
    assert os.linesep.join(lost.stderr.splitlines()[1:]) == ""
