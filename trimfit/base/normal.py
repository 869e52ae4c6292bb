"""The standard normal distribution: the ends of 90 % intervals."""

from __future__ import annotations

from trimfit.base.pitch import hz_from_cents
from trimfit.base.units import Interval

Z90 = 1.6448536269514722
"""Its upper 5 per cent point: half of a 90 % interval in standard deviations (any table of it)."""


def interval(mean: float, sd: float) -> Interval:
    """The mean with the ends of its 90 % interval, in the unit of both."""
    return Interval(mean, mean - Z90 * sd, mean + Z90 * sd)


def hz_interval(mean_cents: float, sd_cents: float) -> Interval:
    """A pitch in Hz with the ends of its 90 % interval, of its mean and standard deviation in cents from 440 Hz."""
    return Interval(*(hz_from_cents(mean_cents + side * Z90 * sd_cents) for side in (0.0, -1.0, 1.0)))
