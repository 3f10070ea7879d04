"""The store: what the service keeps, on SQLite or PostgreSQL.

`engine` opens a database and hands out sessions; `records` are the values that go in and out; `sites`, `joints`,
`forecasts` and `plans` hold every query, as functions that take a session. Only the edge (a request, a job, a command)
opens a session, so that one piece of work is one transaction. `tables` and `packing` are the store's own.
"""
