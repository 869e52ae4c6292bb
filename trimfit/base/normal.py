"""The standard normal distribution: what the ends of intervals are made of."""

from __future__ import annotations

Z90 = 1.6448536269514722
"""Its upper 5 per cent point: half of a 90 % interval in standard deviations (any table of it)."""
