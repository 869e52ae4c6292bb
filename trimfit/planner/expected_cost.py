"""What an amount costs when the need is uncertain: too little can be mended, too much cannot.

Small pure functions on floats; the need is normal with a mean and a standard deviation in the same unit as the
amount (mm, as a rule). Costs are per unit of amount, in any one currency (minutes, here).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

from trimfit.base.errors import InputError

__all__ = [
    "best_amount",
    "best_amount_linex",
    "critical_ratio",
    "expected_cost",
    "fuse",
    "least_expected_cost",
    "reeds_to_start",
]

_NORMAL = NormalDist()


def critical_ratio(cost_short: float, cost_over: float) -> float:
    """The chance of going over at which an amount is best: short / (short + over), both costs per unit.

    The best amount is this quantile of the need. Raises InputError unless both costs are above zero.
    """
    if not (cost_short > 0.0 and cost_over > 0.0 and math.isfinite(cost_short + cost_over)):
        raise InputError("costs of falling short and of going over must be above zero", "costs")
    return cost_short / (cost_short + cost_over)


def best_amount(mean: float, sd: float, cost_short: float, cost_over: float) -> float:
    """The amount of least expected cost for a normal need: `mean + sd · z(critical ratio)`.

    Under the mean when going over is the dear side, as with a cut that cannot be undone. Source: the newsvendor
    identity, Cachon & Terwiesch, Matching Supply with Demand, chapter 12.
    """
    return mean + sd * _NORMAL.inv_cdf(critical_ratio(cost_short, cost_over))


def expected_cost(amount: float, mean: float, sd: float, cost_short: float, cost_over: float) -> float:
    """Expected cost of an amount against a normal need: `short E(need − amount)⁺ + over E(amount − need)⁺`."""
    critical_ratio(cost_short, cost_over)
    if sd < 0.0:
        raise InputError("a standard deviation below zero", "sd")
    if sd == 0.0:
        return cost_short * max(mean - amount, 0.0) + cost_over * max(amount - mean, 0.0)
    z = (amount - mean) / sd
    short = sd * (_NORMAL.pdf(z) - z * (1.0 - _NORMAL.cdf(z)))
    return cost_short * short + cost_over * (short + amount - mean)


def least_expected_cost(sd: float, cost_short: float, cost_over: float) -> float:
    """Expected cost at the best amount, `(short + over) · sd · φ(z)`: what not knowing the need costs."""
    return (cost_short + cost_over) * sd * _NORMAL.pdf(_NORMAL.inv_cdf(critical_ratio(cost_short, cost_over)))


def best_amount_linex(mean: float, sd: float, steepness: float) -> float:
    """The amount of least expected loss `exp(a e) − a e − 1`, e = amount − need: `mean − a sd² / 2`.

    `steepness` a > 0 makes going over dear at an exponential rate. Source: Zellner, JASA 81 (1986) 446.
    """
    return mean - 0.5 * steepness * sd * sd


def reeds_to_start(wanted: int, share_good: float, cost_short: float, cost_over: float) -> tuple[int, float]:
    """How many reeds to start for so many good ones, and the chance that they are enough.

    Each is good with the chance `share_good`, by itself; costs are of a good reed wanting and of one more reed started.
    Reeds beyond the wanted number until so many are good are negative binomial, its distribution function an incomplete
    beta (Johnson, Kemp & Kotz, 2005, Univariate Discrete Distributions, ch. 5); the best number is its quantile at the
    critical ratio. Raises InputError for a share not above 0.
    """
    from scipy.special import betainc  # (scipy.stats takes half a second to load)

    ratio = critical_ratio(cost_short, cost_over)
    if not 0.0 < share_good <= 1.0:
        raise InputError("none of these would be good", "the share of good reeds")
    if wanted <= 0 or share_good == 1.0:
        return max(wanted, 0), 1.0

    def enough(spare: int) -> float:
        return float(betainc(wanted, spare + 1, share_good))

    spare = next(n for n in (2**power for power in range(64)) if enough(n) >= ratio)
    low = -1
    while spare - low > 1:
        middle = (spare + low) // 2
        low, spare = (low, middle) if enough(middle) >= ratio else (middle, spare)
    return wanted + spare, enough(spare)


def fuse(values: Sequence[float], variances: Sequence[float]) -> tuple[float, float]:
    """Independent measurements of one thing joined by inverse-variance weights: (value, variance).

    Raises InputError for no values, unequal lengths, or a variance that is not above zero.
    """
    if not values or len(values) != len(variances) or any(not variance > 0.0 for variance in variances):
        raise InputError("each measurement needs a variance above zero", "fuse")
    weights = [1.0 / variance for variance in variances]
    total = math.fsum(weights)
    return math.fsum(w * v for w, v in zip(weights, values, strict=True)) / total, 1.0 / total
