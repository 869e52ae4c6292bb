"""Benchmarks: ratios to a named yardstick in the same run. Off by default; `python -m tests.speed` prints the table."""
