"""Where a line reaches a threshold, and how sure: the gap that closes as length comes off.

Lines come as a level (at zero removed) and a slope; where they were fitted is not asked.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError

__all__ = [
    "CrossingPosterior",
    "MeetingPoint",
    "crossing_posterior",
    "crossings",
    "meeting_point",
    "propagate",
    "root_limits",
]

Array = npt.NDArray[np.float64]


def crossings(level: npt.ArrayLike, slope: npt.ArrayLike, threshold: float, *, rising: bool = True) -> Array:
    """The amounts at which lines `level + slope · amount` reach the threshold, one a unit, shape of the arguments.

    0 where a line is there already, infinity where it never arrives. `rising` False: the quantity falls to the
    threshold from above, as E does.
    """
    sign = 1.0 if rising else -1.0
    need = sign * (threshold - np.asarray(level, dtype=np.float64))
    rate = sign * np.asarray(slope, dtype=np.float64)
    need, rate = np.broadcast_arrays(need, rate)
    out = np.full(need.shape, np.inf)
    np.divide(need, rate, out=out, where=rate > 0.0)
    return np.where(need <= 0.0, 0.0, out)


@dataclass(frozen=True, slots=True)
class CrossingPosterior:
    """The posterior of an amount still needed: its median and a central interval (infinite where it may never be
    reached), the chance that the threshold is passed already, and the chance that it is never reached."""

    median: float
    low: float
    high: float
    chance_already: float
    chance_never: float


@lru_cache(maxsize=4)
def _legendre(n_nodes: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    return np.asarray(nodes), np.asarray(weights)


def _phi(z: Array) -> Array:
    """Normal distribution function, elementwise."""
    from scipy.special import ndtr

    return np.asarray(ndtr(z), dtype=np.float64)


def _chance_not_reached(amount: float, need: float, rate: float, var: tuple[float, float, float]) -> float:
    """P(need > 0 and need > rate · amount) for a jointly normal need and rate; `var` is (need, covariance, rate).

    Quadrature over the need, split where the inner step of the rate's distribution stands.
    """
    need_sd = math.sqrt(var[0])
    rate_slope = var[1] / var[0] if var[0] > 0.0 else 0.0
    rate_sd = math.sqrt(max(var[2] - rate_slope * var[1], 0.0))
    if need_sd == 0.0:
        if need <= 0.0:
            return 0.0
        spare = need - rate * amount
        wide = rate_sd * amount
        return float(_phi(np.array(spare / wide))) if wide > 0.0 else float(spare > 0.0)
    low, high = max(0.0, need - 9.0 * need_sd), need + 9.0 * need_sd
    if high <= 0.0:
        return 0.0
    # The rate falls short of n / amount; as a function of n that step stands at `at`, `width` wide.
    gain = 1.0 - rate_slope * amount
    width = abs(rate_sd * amount / gain) if gain else math.inf
    at = (rate - rate_slope * need) * amount / gain if gain else math.inf
    marks = [at + spread * width for spread in (-8.0, -2.5, 0.0, 2.5, 8.0)] if math.isfinite(at + width) else []
    marks += [need + spread * need_sd for spread in (-3.0, 0.0, 3.0)]
    edges = np.unique(np.clip([low, *marks, high], low, high))
    nodes, weights = _legendre(24)
    half = 0.5 * np.diff(edges)[:, None]
    n = 0.5 * (edges[:-1] + edges[1:])[:, None] + half * nodes
    mean_rate = rate + rate_slope * (n - need)
    spare = n - mean_rate * amount
    wide = rate_sd * amount
    inner = _phi(spare / wide) if wide > 0.0 else (spare > 0.0).astype(np.float64)
    density = np.exp(-0.5 * ((n - need) / need_sd) ** 2) / (need_sd * math.sqrt(2.0 * math.pi))
    return float(min(max((half * weights * inner * density).sum(), 0.0), 1.0))


def _checked(mean: npt.ArrayLike, covariance: npt.ArrayLike, size: int) -> tuple[Array, Array]:
    centre, spread = np.asarray(mean, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    if centre.shape != (size,) or spread.shape != (size, size):
        raise InputError(f"a belief of {size} values needs shapes ({size},) and ({size}, {size})", "belief")
    if not (np.isfinite(centre).all() and np.isfinite(spread).all() and (np.diag(spread) >= 0.0).all()):
        raise InputError("a belief must be finite, with variances not below zero", "belief")
    return centre, spread


def crossing_posterior(
    mean: npt.ArrayLike, covariance: npt.ArrayLike, threshold: float, *, rising: bool = True, share: float = 0.9
) -> CrossingPosterior:
    """The amount at which an uncertain line reaches the threshold, exactly, from a joint normal level and slope.

    mean: (2,), level and slope; covariance: (2, 2). The amount is a ratio of normals, cut at 0 where the line is
    already there: its quantiles are found from its distribution function by quadrature, never from a mean and a
    standard deviation, which it need not have.
    """
    centre, spread = _checked(mean, covariance, 2)
    sign = 1.0 if rising else -1.0
    need, rate = sign * (threshold - centre[0]), sign * centre[1]
    var = (float(spread[0, 0]), float(-spread[0, 1]), float(spread[1, 1]))

    def reached(amount: float) -> float:
        return 1.0 - _chance_not_reached(amount, float(need), float(rate), var)

    already = reached(0.0)
    # The limit of `reached` for ever larger amounts: all but a need above zero with a slope that never closes it.
    scale = max(abs(float(need)) + 9.0 * math.sqrt(var[0]), 1e-12) / max(abs(float(rate)), math.sqrt(var[2]), 1e-12)
    at_last = reached(1e6 * scale)

    def quantile(chance: float) -> float:
        if chance <= already:
            return 0.0
        if chance >= at_last:
            return math.inf
        low, high = 0.0, scale
        while reached(high) < chance:
            low, high = high, 2.0 * high
        for _ in range(200):
            middle = 0.5 * (low + high)
            if high - low <= 1e-12 * high or middle in (low, high):
                break
            low, high = (middle, high) if reached(middle) < chance else (low, middle)
        return 0.5 * (low + high)

    tail = 0.5 * (1.0 - share)
    return CrossingPosterior(quantile(0.5), quantile(tail), quantile(1.0 - tail), already, max(1.0 - at_last, 0.0))


def root_limits(
    mean: npt.ArrayLike, covariance: npt.ArrayLike, threshold: float, *, share: float = 0.9
) -> tuple[float, float]:
    """Fieller's limits for the amount at which `level + slope · amount` equals the threshold.

    All amounts at which the threshold lies within the line's own interval; (−inf, inf) when the slope's sign is
    not settled at this share. Closed form, either direction. Source: Fieller, J. R. Stat. Soc. B 16 (1954) 175.
    """
    from statistics import NormalDist

    centre, spread = _checked(mean, covariance, 2)
    z2 = NormalDist().inv_cdf(0.5 + 0.5 * share) ** 2
    need, rate = threshold - float(centre[0]), float(centre[1])
    square = rate**2 - z2 * float(spread[1, 1])
    middle = need * rate + z2 * float(spread[0, 1])
    if square <= 0.0:
        return -math.inf, math.inf
    root = math.sqrt(max(middle**2 - square * (need**2 - z2 * float(spread[0, 0])), 0.0))
    return (middle - root) / square, (middle + root) / square


def propagate(
    function: Callable[[Array], npt.ArrayLike], mean: npt.ArrayLike, covariance: npt.ArrayLike
) -> tuple[Array, Array]:
    """Value (n_outputs,) and covariance (n_outputs, n_outputs) of a function of correlated, uncertain inputs.

    First order: the Jacobian by central differences, a small part of each input's standard deviation wide. The law
    of propagation of uncertainty, JCGM 100:2008 (GUM), section 5.2 and annex H.2.
    """
    size = np.asarray(mean, dtype=np.float64).size
    centre, spread = _checked(mean, covariance, size)
    value = np.atleast_1d(np.asarray(function(centre), dtype=np.float64))
    jacobian = np.zeros((value.size, size))
    for column, sd in enumerate(np.sqrt(np.diag(spread))):
        if sd == 0.0:
            continue
        step = np.zeros(size)
        step[column] = 1e-3 * sd
        ahead, behind = np.asarray(function(centre + step)), np.asarray(function(centre - step))
        jacobian[:, column] = (ahead - behind) / (2.0 * step[column])
    return value, jacobian @ spread @ jacobian.T


@dataclass(frozen=True, slots=True)
class MeetingPoint:
    """Where F and E meet: the length still to come off in mm, the pitch there as low A in cents from 440 Hz,
    and their covariance (2, 2) in that order."""

    length_mm: float
    pitch_cents: float
    covariance: Array


def meeting_point(mean: npt.ArrayLike, covariance: npt.ArrayLike) -> MeetingPoint:
    """The meeting point of two uncertain lines, F and E as low A, to first order.

    mean: (4,), F's level and slope, then E's, in cents and cents per mm; covariance: (4, 4). Raises InputError
    where F does not rise against E, since such lines do not meet ahead.
    """
    centre, _ = _checked(mean, covariance, 4)
    if not centre[1] > centre[3]:
        raise InputError("F does not rise against E", "meeting point", "log a reading after a cut")

    def meet(state: Array) -> Array:
        length = (state[2] - state[0]) / (state[1] - state[3])
        return np.array([length, state[0] + state[1] * length])

    value, spread = propagate(meet, mean, covariance)
    return MeetingPoint(float(value[0]), float(value[1]), spread)
