"""The SQLite store: results, outbox, raw traces."""
