"""The append-only log: one SQLite file, its entries, settings and queries."""
