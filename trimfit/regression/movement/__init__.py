"""Reeds that move by themselves: the process, sudden jumps, and readings that are wrong."""
