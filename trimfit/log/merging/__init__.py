"""Logs of several benches made one: merge, conflicts, rename."""
