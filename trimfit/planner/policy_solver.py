"""The policy's table of one set of costs, solved: the programme and its state are those of `planner.policy_table`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
from trimfit.planner.quantities import even_nodes, nodes
from trimfit.regression.outputs import Array

SWEEPS, STEPS_FOLLOWED, MOST_STEPS = 12, 4, 12
WIDE_NODES = 33
"""What a reading of a reed that may stand anywhere shows is laid on so many points: with few of them a chance of being
past came out a fifth too high."""
SETTLED_MINUTES, SETTLED_CHANCE = 0.003, 1e-4


def solve(costs: Costs) -> PolicyTable:
    """Policy iteration on the reduced posterior for every rung of the ladder at once, from the shop's own cost on.

    The rungs below it, which nobody asks for, are its copies.
    """
    grids = state_grids(costs)
    m, log_v, s, tie = (axis.reshape(-1) for axis in np.meshgrid(*grids, indexing="ij"))
    v = np.exp(log_v)
    first = first_rung(costs.lost_minutes)
    rungs = range(first, len(LADDER))
    past, short, under = ending(costs, m, v)
    may_read = worth_reading(m, v, s, tie, costs, moved_var=again_variance(costs))
    whole_cuts = np.maximum(-costs.tolerance_cents * LEAVE[:, None] - m - costs.wait_mean_cents, 0.0)
    # a visit: a reading alone (way 0) or one of the cuts, in one of the states
    way, of = np.nonzero(np.vstack([may_read, whole_cuts > 0]))
    cut = np.vstack([np.zeros_like(m), whole_cuts])[way, of]
    visit = np.full((1 + len(LEAVE), len(m)), -1)
    visit[way, of] = np.arange(len(cut))
    state = m[of], v[of], s[of], tie[of]
    leads = list(_leads(costs, grids, state, cut))
    grown = _grown(costs, state, cut)
    # what moves past by itself costs what a lost reed costs the shop, on every rung
    less = grown[:, None] * (np.array(LADDER[first:]) - costs.lost_minutes)
    minutes = costs.reading_minutes + np.where(cut > 0, costs.cut_minutes, 0.0)[:, None] - less
    finish = np.stack([finish_cost(past, short, costs, rung, under) for rung in rungs], axis=1)
    value, ahead = finish, np.full((*visit.shape, len(rungs)), np.inf)
    for _ in range(SWEEPS):
        ahead[way, of] = minutes + _after(leads, value, len(cut))
        best = np.argmin(ahead, axis=0)
        least = np.take_along_axis(ahead, best[None], axis=0)[0]
        before, value = value, np.minimum(least, finish)
        chosen = np.where(least < finish, visit[best, np.arange(len(m))[:, None]], -1)
        if float(np.max(np.abs(value - before))) < SETTLED_MINUTES:
            break
        value = _followed(leads, chosen, minutes[..., None], value[..., None], STEPS_FOLLOWED, 0.0)[..., 0]
    chosen = np.where((chosen >= 0) & read_first(ahead[0], least, costs), visit[0][:, None], chosen)
    # of each state: chances of ending past and within tolerance, cuts, readings, what it moves past by itself
    ends = np.stack([past, 1.0 - past - short, *np.zeros((3, len(m)))], axis=1)
    count = np.stack([*np.zeros((2, len(cut))), cut > 0, np.ones_like(cut), grown], axis=1)
    carried = np.repeat(ends[:, None], len(rungs), axis=1)
    carried = _followed(leads, chosen, count[:, None], carried, MOST_STEPS, SETTLED_CHANCE)

    def laid(values: Array) -> Array:
        every: Array = np.concatenate([values[:1]] * first + [values]).reshape(-1, *map(len, grids))
        return every

    chance, inside, cuts, read, by_itself = (laid(part) for part in carried.T)
    return PolicyTable(costs, *grids, laid(value.T), chance, cuts, inside, read, by_itself)


def _grown(costs: Costs, state: tuple[Array, ...], cut: Array) -> Array:
    """By how much the chance of being past grows (r,) from a cut (r,), or none, until the next visit."""
    m, v, s, tie = state
    xi, weight = even_nodes(11)
    right_after = m[:, None] + cut[:, None] * np.exp(s[:, None] * xi - 0.5 * s[:, None] ** 2)
    right_after = right_after + (tie * np.sqrt(v))[:, None] * xi
    variance = v * (1.0 - tie**2) + (cut * costs.cut_fraction) ** 2
    variance = variance + np.where(cut > 0, costs.cut_constant_cents**2, 0.0)
    grown: Array = moves_past(right_after, variance[:, None], cut[:, None], costs) @ weight
    return grown


@dataclass(frozen=True, slots=True)
class _Lead:
    """Where visits (r,) lead that leave v', s' and the tie between the same points of their grids.

    These are one value a visit, and m' alone spreads: on_m (r, M) is its law on the grid, share (r, C) what each of
    the C corners around the other three has of it, states (M, C) the numbers of these states.
    """

    visits: NDArray[np.intp]
    states: NDArray[np.intp]
    on_m: Array
    share: Array


def _after(leads: Sequence[_Lead], values: Array, visits: int) -> Array:
    """What is expected after each of so many visits (visits, k) of values of the states (n, k)."""
    out = np.zeros((visits, values.shape[1]))
    for lead in leads:
        at_corners = lead.on_m @ values[lead.states].reshape(len(lead.states), -1)
        out[lead.visits] += np.einsum("rc,rck->rk", lead.share, at_corners.reshape(*lead.share.shape, -1))
    return out


def _followed(
    leads: Sequence[_Lead], chosen: NDArray[np.intp], more: Array, values: Array, most: int, settled: float
) -> Array:
    """Values of the states (n, rungs, q) after so many of the visits chosen there (n, rungs; -1: none), or fewer where
    none changes by more than `settled`. What each of every visit adds to them: more (visits, rungs or 1, q)."""
    taken = np.unique(chosen[chosen >= 0])
    number = np.full(len(more), -1)
    number[taken] = np.arange(len(taken))
    kept = [(lead, number[lead.visits] >= 0) for lead in leads]
    follow = [
        _Lead(number[lead.visits[at]], lead.states, lead.on_m[at], lead.share[at]) for lead, at in kept if at.any()
    ]
    go, at = chosen[..., None] >= 0, number[chosen][..., None]
    for _ in range(most if len(taken) else 0):
        after = _after(follow, values.reshape(len(values), -1), len(taken)).reshape(-1, *values.shape[1:])
        before, values = values, np.where(go, np.take_along_axis(more[taken] + after, at, axis=0), values)
        if float(np.max(np.abs(values - before))) < settled:
            break
    return values


def _leads(costs: Costs, grids: tuple[Array, ...], state: tuple[Array, ...], cut: Array) -> Iterator[_Lead]:
    """Where cuts (r,), or readings alone, in states m, v, s, tie (r,) lead: without a jump, and with one."""
    jumped = jumps(cut, costs) if costs.jump_sd_cents else np.zeros_like(cut)
    shape = [len(grid) for grid in grids]
    states = np.arange(np.prod(shape)).reshape(shape)
    for some, chance, jump_var in (
        (cut > 0, 1.0 - jumped, 0.0),
        (cut == 0, 1.0 - jumped, 0.0),
        (jumped > 0, jumped, costs.jump_sd_cents**2),
    ):
        rows = np.flatnonzero(some)
        _, v, s, tie = (part[rows] for part in state)
        _, v_next, *others = moved(v, s, tie, cut[rows], costs, jump_var)
        at, upper = zip(*map(bracket, grids[1:], (np.log(v_next), *others)), strict=True)
        sides = [np.stack([1.0 - b, b], axis=1) for b in upper]
        share = np.einsum("r,ri,rj,rk->rijk", chance[rows], *sides).reshape(len(rows), 8)
        cell = np.ravel_multi_index(at, shape[1:])
        for first in np.unique(cell, return_index=True)[1]:
            beside = tuple(slice(j[first], j[first] + 2) for j in at)
            alike = np.flatnonzero(cell == cell[first])
            visits = rows[alike]
            on_m = _on_m(costs, grids[0], tuple(part[visits] for part in state), cut[visits], jump_var)
            yield _Lead(visits, states[:, *beside].reshape(shape[0], -1), on_m, share[alike])


def _on_m(costs: Costs, grid: Array, state: tuple[Array, ...], cut: Array, jump_var: float) -> Array:
    """The law of m' on its grid (r, M): after cuts (r,), or readings alone, with a jump of this variance or none."""
    m, v, s, tie = state
    big, *_ = moved(v, s, tie, cut, costs, jump_var)
    noise = reading_noise(v, cut, costs)
    if jump_var or not cut.any():  # no slope to spread over, or a jump so wide that it is one more part of it
        far, weight = even_nodes(WIDE_NODES)
        surprise = np.sqrt(big + noise)[:, None] * far
    else:
        xi, wx = even_nodes(11)
        # what a reading shows spreads wider where the reed moves: coarse nodes put chances of past half too high
        eta, we = nodes(9 if costs.wait_sd_cents > 0.0 or costs.again_sd_cents > 0.0 else 5)
        factor = np.exp(s[:, None] * xi - 0.5 * s[:, None] ** 2) - 1.0
        inner = v * (1.0 - tie**2) + (cut * costs.cut_fraction) ** 2 + noise
        inner = inner + costs.cut_constant_cents**2 + idle_variance(cut, costs)
        slope = cut[:, None] * factor + (tie * np.sqrt(v))[:, None] * xi
        surprise = (slope[:, :, None] + np.sqrt(inner)[:, None, None] * eta).reshape(len(m), -1)
        weight = np.outer(wx, we).reshape(-1)
    settled = np.where(cut > 0, costs.wait_mean_cents, 0.0)
    at, share = bracket(grid, (m + cut + settled)[:, None] + (big / (big + noise))[:, None] * surprise)
    lower = (np.arange(len(m))[:, None] * len(grid) + at).reshape(-1)
    size = len(m) * len(grid)
    on_m = np.bincount(lower, (weight * (1.0 - share)).reshape(-1), size)
    on_m += np.bincount(lower + 1, (weight * share).reshape(-1), size)
    return np.asarray(on_m, dtype=np.float64).reshape(-1, len(grid))
