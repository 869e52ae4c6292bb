"""The policy's table of one set of costs, solved: the programme and its state are those of `planner.policy_table`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trimfit.planner.aim import even_nodes, nodes
from trimfit.planner.policy_table import (
    LADDER,
    LEAVE,
    Costs,
    PolicyTable,
    again_variance,
    bracket,
    ending,
    finish_cost,
    first_rung,
    idle_variance,
    jumps,
    moved,
    moves_past,
    read_first,
    reading_noise,
    state_grids,
    worth_reading,
)

if TYPE_CHECKING:
    from scipy import sparse

__all__ = ["solve"]

Array = NDArray[np.float64]
SWEEPS, STEPS_FOLLOWED, MOST_STEPS = 12, 4, 12
WIDE_NODES = 33
"""What a reading of a reed that may stand anywhere shows is laid on so many points: with few of them a chance of being
past came out a fifth too high."""
SETTLED_MINUTES, SETTLED_CHANCE = 0.003, 1e-4


def solve(costs: Costs) -> PolicyTable:
    """Policy iteration on the reduced posterior for every rung of the ladder at once, from the shop's own cost on.

    The rungs below it, which nobody asks for, are its copies.
    """
    from scipy import sparse

    grids = state_grids(costs)
    m, log_v, s, tie = (axis.reshape(-1) for axis in np.meshgrid(*grids, indexing="ij"))
    v = np.exp(log_v)
    n = len(m)
    first = first_rung(costs.lost_minutes)
    rungs = range(first, len(LADDER))
    past, short, under = ending(costs, m, v)
    may_read = worth_reading(m, v, s, tie, costs, moved_var=again_variance(costs))
    none = np.zeros(n)
    whole_cuts = [np.maximum(-costs.tolerance_cents * rest - m - costs.wait_mean_cents, 0.0) for rest in LEAVE]
    state = m, v, s, tie
    ways = [(none, may_read), *((cut, cut > 0) for cut in whole_cuts)]
    step = sparse.vstack([_transition(costs, grids, state, cut, may) for cut, may in ways], format="csr")
    grown = np.concatenate([_grown(costs, state, cut) for cut, _ in ways]).astype(np.float32)
    visit = costs.cut_minutes + costs.reading_minutes
    price = [
        np.where(may_read, costs.reading_minutes, np.inf),
        *(np.where(cut > 0, visit, np.inf) for cut in whole_cuts),
    ]
    # what moves past by itself costs what a lost reed costs the shop, on every rung
    less = (grown[:, None] * (np.array(LADDER[first:]) - costs.lost_minutes)).astype(np.float32)
    minutes = np.concatenate(price).astype(np.float32)[:, None] - less
    finish = np.stack([finish_cost(past, short, costs, rung, under) for rung in rungs], axis=1)
    value = finish.astype(np.float32)
    chosen: list[NDArray[np.intp]] = []
    for _ in range(SWEEPS):
        ahead = (step @ _beside(value, step) + minutes).reshape(-1, n, len(rungs))
        at = np.argmin(ahead, axis=0)
        least = np.take_along_axis(ahead, at[None], axis=0)[0]
        change = float(np.max(np.abs(np.minimum(least, finish) - value)))
        chosen = [np.where(least[:, k] < finish[:, k], at[:, k], -1) for k in range(len(rungs))]
        value = np.minimum(least, finish).astype(np.float32)
        if change < SETTLED_MINUTES:
            break
        for rung, way in enumerate(chosen):
            go, follow, which = _followed(step, way)
            for _ in range(STEPS_FOLLOWED):
                value[go, rung] = minutes[which, rung] + follow @ _beside(value[:, rung], step)
    first_read = read_first(ahead[0], least, costs)
    chosen = [np.where((way > 0) & first_read[:, k], 0, way) for k, way in enumerate(chosen)]
    # of each state: chances of ending past and within tolerance, cuts, readings, what it moves past by itself
    ends = np.stack([past, 1.0 - past - short, none, none, none], axis=1).astype(np.float32)
    carried = np.repeat(ends[None], len(rungs), axis=0)
    for rung, way in enumerate(chosen):
        go, follow, which = _followed(step, way)
        count = np.zeros((len(go), ends.shape[1]), dtype=np.float32)
        count[:, 2], count[:, 3], count[:, 4] = which >= n, 1.0, grown[which]
        for _ in range(MOST_STEPS):
            before = carried[rung, go]
            carried[rung, go] = count + follow @ _beside(carried[rung], step)
            if float(np.max(np.abs(carried[rung, go] - before), initial=0.0)) < SETTLED_CHANCE:
                break
    shape = tuple(len(grid) for grid in grids)

    def laid(values: NDArray[np.float32]) -> Array:
        every: Array = np.concatenate([values[:1]] * first + [values]).astype(np.float64).reshape(-1, *shape)
        return every

    chance, inside, cuts, read, by_itself = (laid(carried[:, :, part]) for part in range(ends.shape[1]))
    return PolicyTable(costs, *grids, laid(value.T), chance, cuts, inside, read, by_itself)


def _grown(costs: Costs, state: tuple[Array, Array, Array, Array], cut: Array) -> Array:
    """By how much the chance of being past grows (n,) from a cut (n,), or none, until the next visit."""
    m, v, s, tie = state
    xi, weight = even_nodes(11)
    right_after = m[:, None] + cut[:, None] * np.exp(s[:, None] * xi - 0.5 * s[:, None] ** 2)
    right_after = right_after + (tie * np.sqrt(v))[:, None] * xi
    variance = v * (1.0 - tie**2) + (cut * costs.cut_fraction) ** 2
    variance = variance + np.where(cut > 0, costs.cut_constant_cents**2, 0.0)
    grown: Array = moves_past(right_after, variance[:, None], cut[:, None], costs) @ weight
    return grown


def _followed(step: sparse.csr_matrix, way: NDArray[np.intp]) -> tuple[Any, sparse.csr_matrix, Any]:
    """The states that do not end under a policy, where it takes each of them, and the rows of `step` that say so.

    way (n,): the number of each state's action, -1 where it ends.
    """
    go = np.flatnonzero(way >= 0)
    which = way[go] * len(way) + go
    return go, step[which], which


def _transition(
    costs: Costs,
    grids: tuple[Array, ...],
    state: tuple[Array, Array, Array, Array],
    whole_cut: Array,
    may: NDArray[np.bool_],
) -> sparse.csr_matrix:
    """(n, n): where a cut (n,), or a reading alone, takes each state m, v, s, tie (n,); nowhere where it may not.

    (n, 2 n) where reeds jump: without a jump and, beside it, with one.
    """
    from scipy import sparse

    whole = _step(costs, grids, state, whole_cut, may, 0.0)
    if not costs.jump_sd_cents * max(costs.wait_jump, costs.again_jump):
        return whole
    jumped = jumps(whole_cut, costs).astype(np.float32)
    with_jump = _step(costs, grids, state, whole_cut, may & (jumped > 0.0), costs.jump_sd_cents**2)
    for step, chance in ((whole, 1.0 - jumped), (with_jump, jumped)):
        step.data *= np.repeat(chance, np.diff(step.indptr))
    return sparse.hstack([whole, with_jump], format="csr")


def _beside(values: NDArray[np.float32], step: sparse.csr_matrix) -> NDArray[np.float32]:
    """Values of states (n, …) as `step` takes them: once, or where reeds jump once for each half of its columns."""
    return values if step.shape[1] == len(values) else np.concatenate([values, values])


def _step(
    costs: Costs,
    grids: tuple[Array, ...],
    state: tuple[Array, Array, Array, Array],
    whole_cut: Array,
    may: NDArray[np.bool_],
    jump_var: float,
) -> sparse.csr_matrix:
    """`_transition` with a jump of this variance, or none. v', s' and the tie are one value a row, m' alone spreads."""
    from scipy import sparse

    of = np.flatnonzero(may)
    m, v, s, tie = (part[of] for part in state)
    cut, every = whole_cut[of], len(may)
    big, *narrowed = moved(v, s, tie, cut, costs, jump_var)
    noise = reading_noise(v, cut, costs)
    gain = big / (big + noise)
    if jump_var or not cut.any():  # no slope to spread over, or a jump so wide that it is one more part of it
        far, weight_of = even_nodes(WIDE_NODES)
        surprise, weight = (np.sqrt(big + noise)[:, None] * far)[:, None, :], weight_of[None, None, :]
    else:
        xi, wx = even_nodes(11)
        # what a reading shows spreads wider where the reed moves: coarse nodes put chances of past half too high
        eta, we = nodes(9 if costs.wait_sd_cents > 0.0 or costs.again_sd_cents > 0.0 else 5)
        factor = np.exp(s[:, None] * xi - 0.5 * s[:, None] ** 2) - 1.0
        inner = v * (1.0 - tie**2) + (cut * costs.cut_fraction) ** 2 + noise
        inner = inner + np.where(cut > 0, costs.cut_constant_cents**2, 0.0) + idle_variance(cut, costs)
        slope = cut[:, None] * factor + (tie * np.sqrt(v))[:, None] * xi
        surprise = slope[:, :, None] + np.sqrt(inner)[:, None, None] * eta
        weight = wx[None, :, None] * we[None, None, :]
    settled = np.where(cut > 0, costs.wait_mean_cents, 0.0)
    m_next = (m + cut + settled)[:, None, None] + gain[:, None, None] * surprise
    m_grid, *others = grids
    at, share = bracket(m_grid, m_next)
    width, rows = len(m_grid), np.arange(len(of))[:, None, None] * len(m_grid)
    size = len(of) * width
    laid_on = np.bincount((rows + at).reshape(-1), (weight * (1 - share)).reshape(-1), minlength=size)
    laid_on += np.bincount((rows + at + 1).reshape(-1), (weight * share).reshape(-1), minlength=size)
    kept = np.flatnonzero(laid_on > 1e-7)
    row, m_at = np.divmod(kept, width)
    corners: list[tuple[Any, Any]] = [(m_at, laid_on[kept])]
    for grid, values in zip(others, (np.log(narrowed[0]), *narrowed[1:]), strict=True):
        j, b = bracket(grid, values)
        corners = [
            (place * len(grid) + (j + side)[row], part * (b if side else 1.0 - b)[row])
            for place, part in corners
            for side in (0, 1)
        ]
    columns = np.stack([place for place, _ in corners], axis=1).astype(np.int32)
    data = np.stack([part for _, part in corners], axis=1).astype(np.float32)
    filled = np.zeros(every, dtype=np.int64)
    filled[of] = np.bincount(row, minlength=len(of))
    ends = np.r_[0, len(corners) * np.cumsum(filled)].astype(np.int32)
    return sparse.csr_matrix((data.reshape(-1), columns.reshape(-1), ends), shape=(every, every))
