"""The historian remembers: state, events and temperatures in one SQLite file; `schema.sql` documents its tables.

Writing: `sampler` makes samples out of scans, `store` takes them from the running service, `pending` holds them until
`database` has written them; there `saved_state` writes the state and `trend` samples, roll-ups and what is thrown away.
Reading, from anywhere: `query` and `trend_query` through `reading`. Around it: `migrations` from earlier schemas,
`backup` and the way back, `aside` for damaged stores, `faults` for what can be wrong.
"""
