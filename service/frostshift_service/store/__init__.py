"""The store: tables, queries, migrations."""
