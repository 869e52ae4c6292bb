"""The log: typed text, the append-only journal, the CSV folder."""
