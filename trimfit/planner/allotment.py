"""Which reed for which order, at the least expected cost in all: an exact assignment.

Each order wants so many reeds; a reed goes to one order at most; a place left empty has a price. That is the linear
assignment problem with a row for each reed, a column for each place, and a row for leaving each place empty. It is
solved exactly by `scipy.optimize.linear_sum_assignment` (Crouse, 2016, IEEE Trans. Aerosp. Electron. Syst. 52, 1679:
shortest augmenting paths), and for whole numbers of reeds no mixture of assignments is cheaper (Birkhoff's theorem).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trimfit.regression.outputs import Array


def assigned(cost: Array, wanted: Sequence[int], empty_minutes: float) -> tuple[list[int | None], float]:
    """Which order (its column) each reed goes to, None for a reed that is spare, and what all of it costs.

    cost (reeds, orders): minutes of a reed in an order; infinite where it may not go there. wanted (orders,): places of
    each order; empty_minutes: the price of each place left empty.
    """
    from scipy.optimize import linear_sum_assignment

    reeds, orders = cost.shape
    place_of = np.repeat(np.arange(orders), np.asarray(wanted, dtype=np.intp))
    places = len(place_of)
    # more than any whole assignment may cost: a forbidden pair is never better than an empty place
    finite = cost[np.isfinite(cost)]
    never = 1.0 + (reeds + places) * (abs(empty_minutes) + (float(np.abs(finite).max()) if len(finite) else 0.0))
    square = np.full((reeds + places, places), float(empty_minutes))
    square[:reeds] = np.where(np.isfinite(cost), cost, never)[:, place_of]
    rows, columns = linear_sum_assignment(square)
    out: list[int | None] = [None] * reeds
    for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
        if row < reeds:
            out[row] = int(place_of[column])
    return out, float(square[rows, columns].sum())
