"""How many reeds to start, where one too few and one too many cost differently. Costs in minutes."""

from __future__ import annotations

import math

from trimfit.base.errors import InputError


def critical_ratio(cost_short: float, cost_over: float) -> float:
    """The chance of going over at which an amount is best: short / (short + over), both costs per unit.

    The best amount is this quantile of the need. Raises InputError unless both costs are above zero.
    """
    if not (cost_short > 0.0 and cost_over > 0.0 and math.isfinite(cost_short + cost_over)):
        raise InputError("costs of falling short and of going over must be above zero", "costs")
    return cost_short / (cost_short + cost_over)


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
