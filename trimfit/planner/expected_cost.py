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
    wanted: int,
    in_hand: Sequence[float | Array],
    blanks: Sequence[float | Array],
    cost_short: float,
    cost_over: float,
    weight: Array = np.ones(1),
) -> tuple[int, int, float]:
    """How many reeds to work at for so many good ones, those in hand among them; how many of these to start; and the
    chance that all in hand with those started are enough.

    in_hand, blanks: the chance of each reed to be good, by itself; blanks in the order in which they are started, the
    last one standing for all beyond it. Costs: of a good reed wanting, and of one reed more than need be. So many are
    worked at that their chance to be enough reaches the critical ratio. Raises InputError where they never would.

    What all reeds share is laid on nodes: weight (K,), and each chance then (K,), by itself given the node. A reed more
    is needed or too many only where it is good, so that the chance which has to reach the ratio is that of the cases
    in which the next one would be,

        sum_k w_k g_k P(enough | k) / sum_k w_k g_k,

    with one node P(enough). The chance returned is sum_k w_k P(enough | k), which may stay far below the ratio: where
    none of the reeds can be good, no number is enough.
    """
    ratio = critical_ratio(cost_short, cost_over)
    count = np.zeros((max(wanted, 0) + 1, len(weight)))
    count[0] = 1.0
    mine, new = (np.reshape(np.asarray(of, dtype=float), (len(of), len(weight))) for of in (in_hand, blanks))
    worked, started = 0, 0

    def enough(good: Array) -> bool:
        of = weight * good
        return float(count[-1] @ (of / of.sum() if of.any() else weight)) >= ratio

    for good in sorted(mine, key=lambda good: -float(good @ weight)):
        worked += not enough(good)
        count = with_one_more(count, good)
    while not enough(good := new[min(started, len(new) - 1)] if len(new) else np.zeros(len(weight))):
        if not good.any() and started >= len(new):
            raise InputError("none of these would be good", "the chance of a blank to be good")
        count = with_one_more(count, good)
        worked, started = worked + 1, started + 1
    return worked, started, float(count[-1] @ weight)
