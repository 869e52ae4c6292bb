"""The policy's own moves at many reduced states at once, from its table by one look ahead: what playing it out takes.

The same look that `choose` takes for one reed on its whole posterior, but on the reduced posterior throughout.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trimfit.planner.policy_solver import WIDE_NODES
from trimfit.planner.policy_table import (
    LADDER,
    LEAVE,
    PolicyTable,
    again_variance,
    ending,
    finish_cost,
    idle_variance,
    jumps,
    moved,
    moves_past,
    read_first,
    worth_reading,
)
from trimfit.planner.quantities import even_nodes, nodes

Array = NDArray[np.float64]


def moves(table: PolicyTable, rung: int, m: Array, v: Array, s: Array, tie: Array) -> tuple[NDArray[np.intp], Array]:
    """The policy's move at many reduced states (n,): 0 finish, 1 read again, 2 cut; and the cut in cents (n,)."""
    costs = table.costs
    xi, slope_weight = even_nodes(9)
    cut = np.maximum(-costs.tolerance_cents * LEAVE[None, :] - m[:, None] - costs.wait_mean_cents, 0.0)
    cut = np.concatenate([np.zeros((len(m), 1)), cut], axis=1)
    factor = np.exp(s[:, None] * xi[None, :] - 0.5 * s[:, None] ** 2) - 1.0
    shared = (tie * np.sqrt(v))[:, None] * xi
    inner = (v * (1.0 - tie**2))[:, None] + (cut * costs.cut_fraction) ** 2
    inner = inner + np.where(cut > 0, costs.cut_constant_cents**2, 0.0)
    slope = cut[:, :, None] * factor[:, None, :] + shared[:, None, :]
    settled, noise = np.where(cut > 0, costs.wait_mean_cents, 0.0), costs.reading_sd_cents**2
    grown = moves_past((m[:, None] + cut)[:, :, None] + slope, inner[:, :, None], cut[:, :, None], costs) @ slope_weight
    ahead = costs.reading_minutes - grown * (LADDER[rung] - costs.lost_minutes)
    chance = jumps(cut, costs)
    for share, jump_var, (eta, eta_weight) in (
        (1.0 - chance, 0.0, nodes(3)),
        (chance, costs.jump_sd_cents**2, even_nodes(WIDE_NODES)),
    ):
        if not share.any():
            continue
        big, *narrowed = moved(v[:, None], s[:, None], tie[:, None], cut, costs, jump_var)
        if jump_var:  # so wide beside all else that the slope's spread is one more part of it
            surprise, xi_weight = np.sqrt(big + noise)[:, :, None, None] * eta, np.ones(1)
        else:
            spread = np.sqrt(inner + noise + idle_variance(cut, costs))
            surprise, xi_weight = slope[..., None] + spread[:, :, None, None] * eta, slope_weight
        m_next = (m[:, None] + cut + settled)[:, :, None, None] + (big / (big + noise))[:, :, None, None] * surprise
        corners = table.corners(m_next, *(part[:, :, None, None] for part in narrowed))
        values = table.at(table.value, rung, corners)
        ahead = ahead + share * np.einsum("ncxe,x,e->nc", values, xi_weight, eta_weight)
    each = ahead[:, 1:] + np.where(cut[:, 1:] > 0, costs.cut_minutes, np.inf)
    past, short, under = ending(costs, m, v)
    done = finish_cost(past, short, costs, rung, under)
    read = np.where(worth_reading(m, v, s, tie, costs, moved_var=again_variance(costs)), ahead[:, 0], np.inf)
    best = np.argmin(each, axis=1)
    least = each[np.arange(len(m)), best]
    worked = np.where(read_first(read, least, costs), 1, 2)
    action = np.where(done <= np.minimum(read, least), 0, worked).astype(np.intp)
    return action, np.where(action == 2, cut[np.arange(len(m)), best + 1], 0.0)
