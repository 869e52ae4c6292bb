"""What a chanter asks for: the pitch at which F and E meet in it, and the crow that reeds of a type have there.

A reading at some gap foretells the meeting point by the type's learned ratios (cents of pitch, or of crow, for each
cent of gap); the further from it, the less it says, since a reed's own ratio differs from its type's. So each reading
counts by the variance

    Var = reading error of the value + ratio² · reading error of the gap + (own · ratio' · gap)²

(`own`: how far a reed's ratio strays), readings of one reed are taken together, and reeds are pooled with the scatter
between reeds (random effects; DerSimonian & Laird, Controlled Clinical Trials 7 (1986) 177), that scatter being held to
what is usual by as much as a few reeds would: a chanter known from two readings gets a wide answer, not none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trimfit.pitch import hz_from_cents
from trimfit.units import Interval

__all__ = ["Pooled", "at_meeting", "crow_asked", "hz_interval", "meeting_pitch", "pooled", "reed_means", "stray"]

Array = npt.NDArray[np.float64]
Z90 = 1.6448536269514722
USUAL_PITCH_SD_CENTS = 3.0
"""How far reeds of one make move a chanter's meeting pitch ("a hertz or two"): common practice, no source."""
USUAL_CROW_SD_CENTS = 18.0
SEED_REEDS = 3.0
OWN_PITCH, OWN_CROW = 0.12, 0.25
"""How far a reed's own course strays from its type's: cents of pitch a cent of gap, and share of the crow's ratio."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """A pooled value: mean and variance of it, the scatter between reeds (a standard deviation), how many reeds."""

    mean: float
    var: float
    between_sd: float
    reeds: int


def at_meeting(
    value: Array, gap: Array, ratio: Array, value_var: Array, gap_var: Array, own: Array
) -> tuple[Array, Array]:
    """A value (n,) taken along `ratio` (n,) to gap zero, and its variance; all in cents. `own`: cents a cent of gap."""
    return value - ratio * gap, value_var + ratio**2 * gap_var + (own * gap) ** 2


def reed_means(value: Array, var: Array, reed: npt.NDArray[np.intp]) -> tuple[Array, Array, npt.NDArray[np.intp]]:
    """Readings of each reed taken together: value, variance and code of each reed, in the order of the codes."""
    codes, back = np.unique(reed, return_inverse=True)
    weight = np.bincount(back, 1.0 / var)
    return np.bincount(back, value / var) / weight, 1.0 / weight, codes.astype(np.intp)


def pooled(value: Array, var: Array, *, usual_sd: float) -> Pooled | None:
    """Pool reeds' values (n,) with variances (n,); None without a reed. A value far out (5 sd about the median) is left
    out: a reading on another chanter than was written."""
    if not len(value):
        return None
    spread = np.sqrt(var + usual_sd**2)
    near = np.abs(value - np.median(value)) <= 5.0 * spread
    value, var = value[near], var[near]
    w = 1.0 / var
    mean = float((w @ value) / w.sum())
    free = float(len(value) - 1)
    scale = float(w.sum() - (w**2).sum() / w.sum())
    found = max((float(w @ (value - mean) ** 2) - free) / scale, 0.0) if free and scale > 1e-12 else 0.0
    between = (free * found + SEED_REEDS * usual_sd**2) / (free + SEED_REEDS)
    w = 1.0 / (var + between)
    return Pooled(float((w @ value) / w.sum()), 1.0 / float(w.sum()), math.sqrt(between), len(value))


def meeting_pitch(
    pitch: Array, gap: Array, ratio: Array, pitch_var: Array, gap_var: Array, reed: npt.NDArray[np.intp]
) -> Pooled | None:
    """A chanter's meeting pitch from readings of E and F in it (n,), cents from 440 Hz."""
    value, var = at_meeting(pitch, gap, ratio, pitch_var, gap_var, np.full(len(pitch), OWN_PITCH))
    mean, spread, _ = reed_means(value, var, reed)
    return pooled(mean, spread, usual_sd=USUAL_PITCH_SD_CENTS)


def crow_asked(
    crow: Array, gap: Array, ratio: Array, crow_var: Array, gap_var: Array, reed: npt.NDArray[np.intp]
) -> Pooled | None:
    """The crow at the meeting point of one type's reeds in a chanter, from readings (n,) with crow and gap, cents."""
    value, var = at_meeting(crow, gap, ratio, crow_var, gap_var, OWN_CROW * ratio)
    mean, spread, _ = reed_means(value, var, reed)
    return pooled(mean, spread, usual_sd=USUAL_CROW_SD_CENTS)


def hz_interval(found: Pooled) -> Interval:
    """90 % interval in Hz of a pooled value in cents from 440 Hz."""
    half = Z90 * math.sqrt(found.var)
    return Interval(hz_from_cents(found.mean), hz_from_cents(found.mean - half), hz_from_cents(found.mean + half))


def stray(one: Pooled, other: Pooled) -> bool:
    """Whether two pooled values lie further apart than 1 cent and than their errors allow (about 1 in 100)."""
    apart = abs(one.mean - other.mean)
    return apart > max(1.0, 2.58 * math.sqrt(one.var + other.var))
