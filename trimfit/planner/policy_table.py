"""The decision over all remaining steps, solved on a reduced posterior and kept as a table.

Reduced state: the gap's posterior mean m (cents) and variance v, and slope known up to a factor of log spread s. A cut
that is expected to move the gap by D moves it by D e^{s xi - s²/2} (1 + f eta) + a eta'; then a reading of error r is
taken and m, v, s are updated as the joint Gaussian of (gap, log slope) says::

    V = v + D² ((e^{s²} - 1) + f²) + a²     c = D s²
    gain = V / (V + r²)    v' = V r² / (V + r²)    s'² = s² - c² / (V + r²)    m' = m + D + gain (y - m - D)

(v' and s' do not depend on the reading, so only m' is random.) From one visit to the next the reed moves by itself
besides: w² after a cut, u² before a reading without one, are added to V, and after a cut its mean settling to m'. With
the chance p it jumps meanwhile, and then j² is added too: the next state is a mixture of the two, the reading taken to
show which it was. A reed handed over now is spared that, so that one that moves much is handed over sooner. Actions:
finish, at the cost of a lost reed times the chance of being past, and of one outside tolerance times the chance of
being short; read again; cut by D. With the cost per cut and per reading this is a dynamic programme,

    J(m, v, s) = min( finish, cost_read + E J(m', v', s), min_D cost_cut + cost_read + E J(m', v', s') ),

solved by value iteration on a grid (Bertsekas, 2017, Dynamic Programming and Optimal Control, vol. 1, ch. 4: the
posterior as state). Beside J the chance of ever going past under the minimising actions is carried, and how much of it
is what the reed does by itself. The chance of being past changes in expectation by nothing at a reading, and else by

    P(m + D f > t) - P(m > t)  at a cut,    d = P(m + D f + movement > t) - P(m + D f > t)  from it to the next visit,

so that the chance of ending past is what it is now, plus the sum over all cuts of the first, plus the sum of the d. A
ceiling can hold what cuts do. It cannot hold the d: a reed lies on the bench between visits whether it is cut or not,
and all that lowers them is handing it over short. So the ceiling is on the chance less the d, met by a ladder of costs
of a lost reed: the least rung at or over the shop's own cost whose chance is under the ceiling is used (a Lagrangian;
cf. Altman, 1999, Constrained Markov Decision Processes). What moves past by itself costs what a lost reed costs the
shop, on every rung.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import LogError
from trimfit.planner.aim import even_nodes, nodes, normal_cdf

__all__ = [
    "LADDER",
    "Costs",
    "LookAhead",
    "PolicyTable",
    "ending",
    "finish_cost",
    "first_rung",
    "moved",
    "moves",
    "solve",
    "table_from_bytes",
    "table_to_bytes",
    "worth_reading",
]

Array = NDArray[np.float64]
LADDER = (30.0, 60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3840.0)
"""Rungs: costs of a lost reed in minutes. The shop's own cost says where on the ladder to begin."""
SWEEPS = 12
LEAST_GAIN = 0.05
SETTLED_MINUTES = 0.003
WIDE_NODES = 33
"""What a reading of a reed that may stand anywhere shows is laid on so many points: with few of them a chance of being
past came out a fifth too high."""
LEAVE = np.array([-0.25, 0.0, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.5, 8.5, 11.0, 15.0])
"""Cuts on the grid aim at leaving the gap so many tolerances under zero."""


@dataclass(frozen=True, slots=True)
class Costs:
    """Shop settings in minutes, what the bench can do, how reeds move between visits; tolerance and errors in cents.

    wait_mean_cents, wait_sd_cents: from a cut to the next reading, with wait_jump the chance of a jump; again_sd_cents,
    again_jump: before a reading with no work; jump_sd_cents: how far it jumps. lost_minutes: what a reed costs that
    went past by itself. For a chanter that is away (`planner.away`) also `beyond_sd_cents`, what is not known of the
    gap there however well it is read here; `stop_cents`, the gap there that the work goes toward; `rise_minutes`, what
    each cent costs by which the reed arrives flatter than the tolerance, `outside_minutes` being the cost of arriving
    flat at all.
    """

    cut_minutes: float
    reading_minutes: float
    outside_minutes: float
    tolerance_cents: float
    reading_sd_cents: float
    cut_fraction: float
    cut_constant_cents: float
    wait_mean_cents: float = 0.0
    wait_sd_cents: float = 0.0
    again_sd_cents: float = 0.0
    wait_jump: float = 0.0
    again_jump: float = 0.0
    jump_sd_cents: float = 0.0
    lost_minutes: float = 120.0
    beyond_sd_cents: float = 0.0
    stop_cents: float = 0.0
    rise_minutes: float = 0.0

    @property
    def moves(self) -> bool:
        """Whether reeds move at all from one visit to the next."""
        moving = self.wait_mean_cents, self.wait_sd_cents, self.again_sd_cents, self.wait_jump, self.again_jump
        return any(moving)


@dataclass(frozen=True, slots=True)
class PolicyTable:
    """J (rungs, m, v, s) in minutes; of the same shape past, the chance of ending past, by_itself, how much of that is
    movement between visits, cuts and readings, those expected yet, and within, the chance of ending within tolerance. m
    is the gap less `costs.stop_cents`."""

    costs: Costs
    m: Array
    log_v: Array
    s: Array
    value: Array
    past: Array
    cuts: Array
    within: Array
    readings: Array
    by_itself: Array

    def past_now(self) -> Array:
        """The chance of being past of a reed handed over now (m, v, s)."""
        past = ending(self.costs, self.m[:, None], np.exp(self.log_v)[None, :])[0]
        return np.broadcast_to(past[:, :, None], self.value.shape[1:])

    def look(self, what: Array, rung: int, m: Array, v: Array, s: Array) -> Array:
        """Interpolate one of the table's arrays at states (any equal shapes), trilinear, held at the edges."""
        return self.at(what, rung, self.corners(m, v, s))

    def corners(self, m: Array, v: Array, s: Array) -> list[tuple[NDArray[np.intp], Array]]:
        """Where states (broadcast against each other) lie in the table: eight corners and their weights."""
        return _corners(self.m, self.log_v, self.s, m, np.log(np.maximum(v, 1e-9)), s)

    @staticmethod
    def at(what: Array, rung: int, corners: list[tuple[NDArray[np.intp], Array]]) -> Array:
        """One of the table's arrays at such corners."""
        flat = what[rung].reshape(-1)
        out: Array = flat[corners[0][0]] * corners[0][1]
        for index, weight in corners[1:]:
            out = out + flat[index] * weight
        return out


def _bracket(grid: Array, x: Array) -> tuple[NDArray[np.intp], Array]:
    x = np.clip(x, grid[0], grid[-1])
    i = np.clip(np.searchsorted(grid, x) - 1, 0, len(grid) - 2)
    return i, (x - grid[i]) / (grid[i + 1] - grid[i])


def _corners(
    m_grid: Array, v_grid: Array, s_grid: Array, m: Array, log_v: Array, s: Array
) -> list[tuple[NDArray[np.intp], Array]]:
    i, a = _bracket(m_grid, m)
    j, b = _bracket(v_grid, log_v)
    k, c = _bracket(s_grid, s)
    nv, ns = len(v_grid), len(s_grid)
    out = []
    for di, wi in ((0, 1 - a), (1, a)):
        for dj, wj in ((0, 1 - b), (1, b)):
            for dk, wk in ((0, 1 - c), (1, c)):
                out.append((((i + di) * nv + j + dj) * ns + k + dk, wi * wj * wk))
    return out


def first_rung(lost_minutes: float) -> int:
    """The least rung of the ladder at or over the shop's cost of a lost reed."""
    return next((i for i, minutes in enumerate(LADDER) if minutes >= lost_minutes), len(LADDER) - 1)


def ending(costs: Costs, m: Array, v: Array) -> tuple[Array, Array, Array]:
    """Handed over now: chance of being past, chance of being short, and expected cents under the tolerance.

    m, v (any shape): the gap, less the one worked toward, and its variance as far as readings can take it away. Under
    the tolerance only where that costs anything: `sd (phi(z) + z Phi(z))`, z from the tolerance's lower end.
    """
    sd = np.sqrt(v + costs.beyond_sd_cents**2)
    gap = m + costs.stop_cents
    past = normal_cdf((gap - costs.tolerance_cents) / sd)
    z = (-costs.tolerance_cents - gap) / sd
    short = normal_cdf(z)
    if not costs.rise_minutes:
        return past, short, np.zeros_like(short)
    return past, short, sd * (np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) + z * short)


def finish_cost(past: Array, short: Array, costs: Costs, rung: int, under_cents: Array | float = 0.0) -> Array:
    """Expected minutes of handing the reed over now: chances of being past and of being short (any shape), and how far
    it is expected to lie under the tolerance."""
    cost: Array = past * LADDER[rung] + short * costs.outside_minutes + costs.rise_minutes * under_cents
    return cost


def moved(
    m: Array, v: Array, s: Array, cut_cents: Array, costs: Costs, jump_var: float = 0.0
) -> tuple[Array, Array, Array]:
    """Variance of the gap after a cut, and v', s' after the reading that follows (shapes broadcast).

    jump_var: of a jump before that reading, cents²; none without.
    """
    spread = np.expm1(s**2)
    constant = np.where(cut_cents > 0, costs.cut_constant_cents**2, 0.0)
    big = v + cut_cents**2 * (spread + costs.cut_fraction**2) + constant + idle_variance(cut_cents, costs) + jump_var
    noise = costs.reading_sd_cents**2
    tied = cut_cents * s**2
    v_next = big * noise / (big + noise)
    s_next = np.sqrt(np.maximum(s**2 - tied**2 / (big + noise), 1e-6))
    return big, v_next, s_next


def idle_variance(cut_cents: Array, costs: Costs) -> Array:
    """Variance (cents²) of what the reed moves by itself before the reading that follows a cut, or none (any shape)."""
    out: Array = np.where(cut_cents > 0, costs.wait_sd_cents**2, costs.again_sd_cents**2)
    return out


def jumps(cut_cents: Array, costs: Costs) -> Array:
    """Chance of a jump before the reading that follows a cut, or none (any shape)."""
    out: Array = np.where(cut_cents > 0, costs.wait_jump, costs.again_jump)
    return out


def moves_past(mean: Array, variance: Array, cut_cents: Array, costs: Costs) -> Array:
    """By how much the chance of being past grows while the reed lies after a cut, or none (any shapes, broadcast).

    mean, variance: of the gap right after it, less the one worked toward.
    """
    if not costs.moves:
        return np.zeros(np.broadcast_shapes(mean.shape, variance.shape, cut_cents.shape))
    over = mean + costs.stop_cents - costs.tolerance_cents
    variance = variance + costs.beyond_sd_cents**2
    later = over + np.where(cut_cents > 0, costs.wait_mean_cents, 0.0)
    whole = variance + idle_variance(cut_cents, costs)
    jumped = jumps(cut_cents, costs)
    out: Array = (1.0 - jumped) * normal_cdf(later / np.sqrt(whole)) - normal_cdf(over / np.sqrt(variance))
    if costs.jump_sd_cents:
        out = out + jumped * normal_cdf(later / np.sqrt(whole + costs.jump_sd_cents**2))
    return out


def _again_variance(costs: Costs) -> float:
    """Variance (cents²) of what the reed moves before a reading with no work, a jump counted by its chance."""
    return costs.again_sd_cents**2 + costs.again_jump * costs.jump_sd_cents**2


def worth_reading(
    m: Array, v: Array, s: Array, costs: Costs, reading_sd_cents: float | None = None, moved_var: float = 0.0
) -> NDArray[np.bool_]:
    """Whether a reading with no work before it tells something that the next cut would not (shapes broadcast).

    It takes v² / (v + r²) off the variance of the gap. Beside the variance that a cut over the whole way would leave,
    slope and blade counted, that must be LEAST_GAIN at least: far from the end where a reed's slope is hardly known,
    reading the same state once more only puts the cut off. reading_sd_cents: of that reading, the shop's usual without;
    moved_var: how far the reed has moved by itself until then.
    """
    noise = (costs.reading_sd_cents if reading_sd_cents is None else reading_sd_cents) ** 2
    gained = v - (v + moved_var) * noise / (v + moved_var + noise)
    way = np.minimum(m, 0.0) ** 2
    ahead = v + way * (np.expm1(s**2) + costs.cut_fraction**2) + costs.cut_constant_cents**2
    found: NDArray[np.bool_] = gained >= LEAST_GAIN * ahead
    return found


def _grids(costs: Costs) -> tuple[Array, Array, Array]:
    t = costs.tolerance_cents
    near = np.concatenate([np.arange(-2.5, 1.51, 0.125), [1.75, 2.0]]) * t
    far = -t * np.array([40.0, 30.0, 23.0, 18.0, 14.0, 11.0, 9.0, 7.5, 6.2, 5.2, 4.4, 3.7, 3.2, 2.8])
    beyond = t * np.array([2.6, 4.0, 8.0])
    v = costs.reading_sd_cents**2 * np.array([0.15, 0.3, 0.5, 0.75, 1.0, 2.5, 8.0, 30.0])
    s = np.array([0.01, 0.03, 0.06, 0.10, 0.15, 0.21, 0.28, 0.40, 0.60, 0.90, 1.30])
    return np.concatenate([far, near, beyond]), np.log(v), s


_GRIDS, _TABLES = ("m", "log_v", "s"), ("value", "past", "cuts", "within", "readings", "by_itself")


def table_to_bytes(table: PolicyTable) -> bytes:
    """The table as bytes, to be stored: a line of JSON with costs and grids, then the rest as little-endian singles."""
    head = {name: getattr(table, name).tolist() for name in _GRIDS}
    head["costs"] = [getattr(table.costs, name) for name in table.costs.__slots__]
    body = b"".join(np.ascontiguousarray(getattr(table, name), dtype="<f4").tobytes() for name in _TABLES)
    return json.dumps(head).encode() + b"\n" + body


def table_from_bytes(data: bytes) -> PolicyTable:
    """`table_to_bytes` read back. Raises LogError for bytes of another format (the plan is then solved anew)."""
    line, _, body = data.partition(b"\n")
    try:
        head = json.loads(line)
        grids = [np.array(head[name], dtype=np.float64) for name in _GRIDS]
        tables = np.frombuffer(body, dtype="<f4").astype(np.float64)
        tables = tables.reshape(len(_TABLES), len(LADDER), *(len(grid) for grid in grids))
        return PolicyTable(Costs(*map(float, head["costs"])), *grids, *tables)
    except (ValueError, KeyError, TypeError) as error:
        raise LogError("the plan kept in the log cannot be read", "the log", "run `trimfit learn`") from error


def solve(costs: Costs) -> PolicyTable:
    """Value iteration on the reduced posterior for every rung of the ladder at once."""
    from scipy import sparse

    m_grid, lv_grid, s_grid = _grids(costs)
    m, lv, s = (a.reshape(-1) for a in np.meshgrid(m_grid, lv_grid, s_grid, indexing="ij"))
    v = np.exp(lv)
    n = len(m)
    t = costs.tolerance_cents
    past, short, under = ending(costs, m, v)
    leave = t * LEAVE
    all_m, all_v, all_s = m, v, s
    xi, wx = even_nodes(11)
    # what a reading shows spreads wider where the reed moves: coarse nodes put chances of going past half too high
    eta, we = nodes(9 if costs.wait_sd_cents > 0.0 or costs.again_sd_cents > 0.0 else 5)
    far, wf = even_nodes(WIDE_NODES)

    def transition(whole_cut: Array, may: NDArray[np.bool_]) -> sparse.csr_matrix:
        """(n, n): where each state goes; nowhere where it may not."""
        whole = step(whole_cut, may, 0.0)
        if not costs.jump_sd_cents or not jumps(whole_cut, costs).any():
            return whole
        jumped = jumps(whole_cut, costs)
        with_jump = step(whole_cut, may, costs.jump_sd_cents**2)
        return sparse.diags_array(1.0 - jumped) @ whole + sparse.diags_array(jumped) @ with_jump

    def step(whole_cut: Array, may: NDArray[np.bool_], jump_var: float) -> sparse.csr_matrix:
        """The same, with a jump of this variance or none. v' and s' are one value a row, m' alone spreads."""
        of = np.flatnonzero(may)
        m, v, s, cut = (values[of] for values in (all_m, all_v, all_s, whole_cut))
        n = len(of)
        big, v_next, s_next = moved(m, v, s, cut, costs, jump_var)
        noise = costs.reading_sd_cents**2
        gain = big / (big + noise)
        settled = np.where(cut > 0, costs.wait_mean_cents, 0.0)
        if jump_var or not cut.any():  # no slope to spread over, or a jump so wide that it is one more part of it
            surprise = (np.sqrt(big + noise)[:, None] * far)[:, None, :]
            share_of = wf[None, None, :]
        else:
            factor = np.exp(s[:, None] * xi[None, :] - 0.5 * s[:, None] ** 2)
            inner = v + (cut * costs.cut_fraction) ** 2 + np.where(cut > 0, costs.cut_constant_cents**2, 0.0) + noise
            inner = inner + idle_variance(cut, costs)
            surprise = (cut[:, None] * (factor - 1.0))[:, :, None] + np.sqrt(inner)[:, None, None] * eta[None, None, :]
            share_of = wx[None, :, None] * we[None, None, :]
        m_next = (m + cut + settled)[:, None, None] + gain[:, None, None] * surprise
        weight = np.broadcast_to(share_of, m_next.shape)
        at, share = _bracket(m_grid, m_next)
        width = len(m_grid)
        row = np.arange(n)[:, None, None] * width
        laid_on = np.bincount((row + at).reshape(-1), (weight * (1 - share)).reshape(-1), minlength=n * width)
        laid_on += np.bincount((row + at + 1).reshape(-1), (weight * share).reshape(-1), minlength=n * width)
        kept = np.flatnonzero(laid_on > 1e-9)
        rows, m_at = np.divmod(kept, width)
        j, b = _bracket(lv_grid, np.log(v_next))
        k, c = _bracket(s_grid, s_next)
        nv, ns = len(lv_grid), len(s_grid)
        cols = np.empty((len(kept), 4), dtype=np.int32)
        data = np.empty((len(kept), 4))
        for corner, (dj, dk) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
            cols[:, corner] = (m_at * nv + (j + dj)[rows]) * ns + (k + dk)[rows]
            data[:, corner] = laid_on[kept] * ((b if dj else 1 - b) * (c if dk else 1 - c))[rows]
        filled = np.zeros(len(all_m), dtype=np.int64)
        filled[of] = np.bincount(rows, minlength=n)
        ends = np.r_[0, 4 * np.cumsum(filled)].astype(np.int32)
        return sparse.csr_matrix((data.reshape(-1), cols.reshape(-1), ends), shape=(len(all_m), len(all_m)))

    def lies(cut: Array) -> tuple[Array, Array]:
        """By how much the chance of being past grows until the next visit (n,), and what it is priced less (n, rungs)
        than the rung has it."""
        right_after = m[:, None] + cut[:, None] * np.exp(s[:, None] * xi - 0.5 * s[:, None] ** 2)
        variance = v + (cut * costs.cut_fraction) ** 2 + np.where(cut > 0, costs.cut_constant_cents**2, 0.0)
        grown = moves_past(right_after, variance[:, None], cut[:, None], costs) @ wx
        return grown, grown[:, None] * (np.array(LADDER) - costs.lost_minutes)

    may_read = worth_reading(m, v, s, costs, moved_var=_again_variance(costs))
    again = transition(np.zeros(n), may_read)
    cuts = []
    allowed = []
    idle = [lies(np.zeros(n))]
    for rest in leave:
        cut = np.maximum(-rest - m - costs.wait_mean_cents, 0.0)
        cuts.append(transition(cut, cut > 0))
        idle.append(lies(cut))
        allowed.append(cut > 0)
    finish = np.stack([finish_cost(past, short, costs, rung, under) for rung in range(len(LADDER))], axis=1)
    value = finish.copy()
    # carried along (n, 5, rungs): chances of ending past and within tolerance, cuts, readings, what it moves past
    none = np.zeros(n)
    ended = np.repeat(np.stack([past, 1.0 - past - short, none, none, none], axis=1)[:, :, None], len(LADDER), axis=2)
    carried = ended
    for _ in range(SWEEPS):
        options = [finish, np.where(may_read[:, None], costs.reading_minutes + again @ value - idle[0][1], np.inf)]
        options += [
            np.where(ok[:, None], costs.cut_minutes + costs.reading_minutes + then @ value - less, np.inf)
            for then, ok, (_, less) in zip(cuts, allowed, idle[1:], strict=True)
        ]
        best = np.argmin(np.stack(options), axis=0)
        new_value = np.min(np.stack(options), axis=0)
        followed = ended.copy()
        for number, (then, (grown, _)) in enumerate(zip([again, *cuts], idle, strict=True), 1):
            chosen = best == number
            rows = np.flatnonzero(chosen.any(axis=1))
            if len(rows):
                ahead = (then[rows] @ carried.reshape(n, -1)).reshape(len(rows), *carried.shape[1:])
                ahead[:, 2] += 1.0 if number > 1 else 0.0
                ahead[:, 3] += 1.0
                ahead[:, 4] += grown[rows, None]
                followed[rows] = np.where(chosen[rows][:, None, :], ahead, followed[rows])
        settled = float(np.max(np.abs(new_value - value))) < SETTLED_MINUTES
        value, carried = new_value, followed
        if settled:
            break
    shape = (len(m_grid), len(lv_grid), len(s_grid))

    def laid(a: Array) -> Array:
        return np.stack([a[:, rung].reshape(shape) for rung in range(len(LADDER))])

    chance, inside, count, read, by_itself = (laid(carried[:, part]) for part in range(5))
    return PolicyTable(costs, m_grid, lv_grid, s_grid, laid(value), chance, count, inside, read, by_itself)


class LookAhead:
    """One step ahead at many reduced states (n,), for any rung: what finishing, reading again and cutting would cost.

    The same look that `choose` takes for one reed on its whole posterior, but on the reduced posterior throughout.
    """

    def __init__(self, table: PolicyTable, m: Array, v: Array, s: Array) -> None:
        costs = table.costs
        t = costs.tolerance_cents
        self.xi_weight = even_nodes(9)[1]
        xi = even_nodes(9)[0]
        cut = np.maximum(-t * LEAVE[None, :] - m[:, None] - costs.wait_mean_cents, 0.0)
        cut = np.concatenate([np.zeros((len(m), 1)), cut], axis=1)
        factor = np.exp(s[:, None] * xi[None, :] - 0.5 * s[:, None] ** 2) - 1.0
        inner = v[:, None] + (cut * costs.cut_fraction) ** 2 + np.where(cut > 0, costs.cut_constant_cents**2, 0.0)
        settled = np.where(cut > 0, costs.wait_mean_cents, 0.0)
        noise = costs.reading_sd_cents**2
        chance = jumps(cut, costs)
        self.parts = []
        for share, jump_var, (eta, eta_weight) in (
            (1.0 - chance, 0.0, nodes(3)),
            (chance, costs.jump_sd_cents**2, even_nodes(WIDE_NODES)),
        ):
            if not share.any():
                continue
            big, v_next, s_next = moved(m[:, None], v[:, None], s[:, None], cut, costs, jump_var)
            gain = big / (big + noise)
            if jump_var:  # so wide beside all else that the slope's spread is one more part of it
                surprise, xi_weight = np.sqrt(big + noise)[:, :, None, None] * eta, np.ones(1)
            else:
                spread = np.sqrt(inner + noise + idle_variance(cut, costs))
                surprise = cut[:, :, None, None] * factor[:, None, :, None] + spread[:, :, None, None] * eta
                xi_weight = self.xi_weight
            m_next = (m[:, None] + cut + settled)[:, :, None, None] + gain[:, :, None, None] * surprise
            corners = table.corners(m_next, v_next[:, :, None, None], s_next[:, :, None, None])
            self.parts.append((share, corners, xi_weight[:, None] * eta_weight))
        self.table, self.cut = table, cut
        self.may_read = worth_reading(m, v, s, costs, moved_var=_again_variance(costs))
        self.ends = ending(costs, m, v)
        right_after = (m[:, None] + cut)[:, :, None] + cut[:, :, None] * factor[:, None, :]
        self.grown = moves_past(right_after, inner[:, :, None], cut[:, :, None], costs) @ self.xi_weight

    def costs(self, rung: int) -> tuple[Array, Array, Array]:
        """Minutes (n,) of finishing, (n,) of reading again and (n, cuts) of each cut; inf where there is none."""
        costs = self.table.costs
        ahead = costs.reading_minutes - self.grown * (LADDER[rung] - costs.lost_minutes)
        for share, corners, weight in self.parts:
            ahead = ahead + share * np.einsum("ncxe,xe->nc", self.table.at(self.table.value, rung, corners), weight)
        cuts = ahead[:, 1:] + np.where(self.cut[:, 1:] > 0, costs.cut_minutes, np.inf)
        past, short, under = self.ends
        return finish_cost(past, short, costs, rung, under), np.where(self.may_read, ahead[:, 0], np.inf), cuts


def moves(table: PolicyTable, rung: int, m: Array, v: Array, s: Array) -> tuple[NDArray[np.intp], Array]:
    """The policy's move at many reduced states (n,): 0 finish, 1 read again, 2 cut; and the cut in cents (n,)."""
    ahead = LookAhead(table, m, v, s)
    done, read, cuts = ahead.costs(rung)
    best = np.argmin(cuts, axis=1)
    least = cuts[np.arange(len(m)), best]
    action = np.where(done <= np.minimum(read, least), 0, np.where(read <= least, 1, 2)).astype(np.intp)
    return action, np.where(action == 2, ahead.cut[np.arange(len(m)), best + 1], 0.0)
