"""The historian remembers: state, events and trends in one SQLite file; `schema.sql` documents its tables.

`sampler` makes minutes out of scans, `store` takes them from the running service, `pending` holds them until
`database` has written them, `query` reads from anywhere, `faults` says what can be wrong.
"""
