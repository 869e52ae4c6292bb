"""How many reeds to start, where one too few and one too many cost differently. Costs in minutes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from trimfit.base.errors import InputError
from trimfit.regression.outputs import Array


def critical_ratio(cost_short: float, cost_over: float) -> float:
    """The chance of going over at which an amount is best: short / (short + over), both costs per unit.

    The best amount is this quantile of the need. Raises InputError unless both costs are above zero.
    """
    if not (cost_short > 0.0 and cost_over > 0.0 and math.isfinite(cost_short + cost_over)):
        raise InputError("costs of falling short and of going over must be above zero", "costs")
    return cost_short / (cost_short + cost_over)


def with_one_more(count: Array, good: Array) -> Array:
    """How many reeds are good, with one more that is so with the chance `good` (…, n), by itself of the others.

    count (…, m + 1, n): the chances of 0 to m good ones, the last place for m and all above (Poisson binomial law:
    Wang, 1993, Statistica Sinica 3, 295).
    """
    up = count * good[..., None, :]
    out = count - up
    out[..., 1:, :] += up[..., :-1, :]
    out[..., -1, :] += up[..., -1, :]
    return np.asarray(out)


def reeds_to_start(
    wanted: int, in_hand: Sequence[float], blanks: Sequence[float], cost_short: float, cost_over: float
) -> tuple[int, int, float]:
    """How many reeds to work at for so many good ones, those in hand among them; how many of these to start; and the
    chance that all in hand with those started are enough.

    in_hand, blanks: the chance of each reed to be good, by itself; blanks in the order in which they are started, the
    last one standing for all beyond it. Costs: of a good reed wanting, and of one reed more than need be. So many are
    worked at that their chance to be enough reaches the critical ratio. Raises InputError where they never would.
    """
    ratio = critical_ratio(cost_short, cost_over)
    count = np.zeros((max(wanted, 0) + 1, 1))
    count[0] = 1.0
    worked, started = 0, 0
    for good in sorted(in_hand, reverse=True):
        worked += float(count[-1, 0]) < ratio
        count = with_one_more(count, np.array([good]))
    while float(count[-1, 0]) < ratio:
        good = blanks[min(started, len(blanks) - 1)] if blanks else 0.0
        if good <= 0.0 and started >= len(blanks):
            raise InputError("none of these would be good", "the chance of a blank to be good")
        count = with_one_more(count, np.array([good]))
        worked, started = worked + 1, started + 1
    return worked, started, float(count[-1, 0])
