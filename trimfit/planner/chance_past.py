"""The chance of going past with a cut, and what follows from it: how much has yet to come off.

Under the posterior seen from the aim (`planner.aim`) the gap after a cut is a mixture of normals, so that every chance
here is a weighted sum of normal tails.
"""

from __future__ import annotations

import math

import numpy as np

from trimfit.base.units import Interval
from trimfit.planner.aim import AimPosterior
from trimfit.planner.quantities import MOST_NEED_MM, CutError, normal_cdf
from trimfit.regression.outputs import Array

NEED_POINTS = 241
SHORT_STEP_CENTS, SHORT_STEPS = 0.25, 240
UNLIKELY = 0.05
"""A gap that closes with less of a chance than this is said not to close: the side of a 90 % interval."""


def chance_over(posterior: AimPosterior, limit_cents: float, length_mm: Array, lip: float, error: CutError) -> Array:
    """Chance (n,) that the true gap is over `limit_cents` after cuts (n,) mm and `lip` strokes."""
    weight, mean, variance = posterior.outcomes(length_mm, lip, error)
    return np.asarray((weight * normal_cdf((mean - limit_cents) / np.sqrt(variance))).sum(axis=1))


def past_and_short(
    posterior: AimPosterior, tolerance_cents: float, length_mm: Array, lip: float, error: CutError
) -> tuple[Array, Array]:
    """Chances (n,) that the true gap is over the tolerance, and that it is under it, after cuts and strokes."""
    weight, mean, variance = posterior.outcomes(length_mm, lip, error)
    sd = np.sqrt(variance)
    past, not_short = (
        (weight * normal_cdf((mean + side) / sd)).sum(axis=1) for side in (-tolerance_cents, tolerance_cents)
    )
    return past, 1.0 - not_short


def past_when_next_seen(
    posterior: AimPosterior, tolerance_cents: float, length_mm: float, lip: float, error: CutError
) -> float:
    """The chance of going past that goes with a cut and `lip` strokes.

    A reed that is within tolerance after it is done: it leaves the bench, and what it does then is no part of the
    chance. One that is short stays, and may be past by the next visit. With x the gap right after the cut, u how
    far it moves until then, and t the tolerance, that is P(x > t) + P(x < -t, x + u > t).
    """
    soon, length = posterior.at_once(), np.array([length_mm])
    chance = float(chance_over(soon, tolerance_cents, length, lip, error)[0])
    if soon is posterior or not (length_mm or lip):
        return chance
    weight, mean, variance = soon.outcomes(length, lip, error)
    ends = -tolerance_cents - SHORT_STEP_CENTS * np.arange(SHORT_STEPS + 1.0)[::-1]
    short = np.diff(weight[0] @ normal_cdf((ends - mean[0][:, None]) / np.sqrt(variance[0])[:, None]))
    over = 0.5 * (ends[1:] + ends[:-1]) + posterior.wait_mean[0] - tolerance_cents
    later = np.zeros(SHORT_STEPS)
    for share, jump_var in ((1.0 - posterior.wait_jump, 0.0), (posterior.wait_jump, float(posterior.jump_var[0]))):
        later += share * normal_cdf(over / math.sqrt(posterior.wait_var[0] + jump_var + 1e-9))
    return chance + float(short @ later)


def _closed(posterior: AimPosterior, lengths: Array) -> Array:
    """The chance (n,) that the gap is over where the work goes toward once lengths (n,) mm, shorter ones first, are
    off, or was before."""
    chance = chance_over(posterior.known().at_once(), posterior.stop_cents, lengths, 0.0, CutError(0.0, 0.0))
    return np.maximum.accumulate(chance)


def can_close(posterior: AimPosterior, room_mm: float) -> bool:
    """Whether a length that the blade has (room_mm) may bring the gap to where the work goes toward, lips left
    alone."""
    lengths = np.linspace(0.0, min(room_mm, MOST_NEED_MM), NEED_POINTS)
    return float(_closed(posterior, lengths)[-1]) >= UNLIKELY


def length_wanted(posterior: AimPosterior, room_mm: float = math.inf) -> Interval | None:
    """Length that has yet to come off, in all, until F and E read the same, or as the work goes toward: mm, 90 %,
    and no more than the blade has (room_mm). None where that is no estimate: where the mean is the end of all lengths
    that were looked at, the blade's or MOST_NEED_MM, and where it most likely closes nothing (the curve turns before).

    The chance that no more than a length is wanted is the chance that the gap is over that once it is off, so that
    the ends are read off `chance_over` (lips left alone, the blade taken as true).
    """
    middle = posterior.need_mm()
    if middle > 0.0 and middle >= min(room_mm, MOST_NEED_MM):
        return None
    lengths = np.linspace(0.0, min(3.0 * middle + 0.3, MOST_NEED_MM), NEED_POINTS)
    chance = _closed(posterior, lengths)
    if chance[-1] < 0.5:
        return None
    low, high = (float(lengths[min(int(np.searchsorted(chance, p)), NEED_POINTS - 1)]) for p in (0.05, 0.95))
    return Interval(*(min(length, room_mm) for length in (middle, min(low, middle), max(high, middle))))
