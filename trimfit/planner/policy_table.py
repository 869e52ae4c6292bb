"""The decision over all remaining steps, solved on a reduced posterior and kept as a table.

Reduced state: the gap's posterior mean m (cents) and variance v; slope known up to a factor of log spread s; and the
correlation k of the gap with the log of that factor. After a cut both hang on the same two readings: one that showed
the gap too high shows the slope too high as well, so that the next cut is less sure than v and s alone would say, and
reading once more mends both. A cut that is expected to move the gap by D moves it by
D e^{s xi - s²/2} (1 + f eta) + a eta'; then a reading of error r is taken and the state is updated as the joint
Gaussian of (gap, log slope) says, with c = k s sqrt(v) their covariance before::

    V = v + 2 c D + D² ((e^{s²} - 1) + f²) + a²     T = c + D s²
    gain = V / (V + r²)    v' = V r² / (V + r²)     s'² = s² - T² / (V + r²)    c' = T r² / (V + r²)
    m' = m + D + gain (y - m - D)

(the product of two small variances, D² f² (e^{s²} - 1), is left out of V; v', s' and k' do not depend on the reading,
so only m' is random.) From one visit to the next the reed moves by itself
besides: w² after a cut, u² before a reading without one, are added to V, and after a cut its mean settling to m'. With
the chance p it jumps meanwhile, and then j² is added too: the next state is a mixture of the two, the reading taken to
show which it was. A reed handed over now is spared that, so that one that moves much is handed over sooner. Actions:
finish, at the cost of a lost reed times the chance of being past, and of one outside tolerance times the chance of
being short; read again; cut by D. With the cost per cut and per reading this is a dynamic programme,

    J = min( finish, cost_read + E J(m', v', s', k'), min_D cost_cut + cost_read + E J(m', v', s', k') ),

solved by policy iteration on a grid (Bertsekas, 2017, Dynamic Programming and Optimal Control, vol. 1, ch. 4: the
posterior as state) in `planner.policy_solver`. What is cut cannot be put back: where reading again costs hardly more
than the cheapest cut, the policy reads (`read_first`; where a reed moves until it is read again, or its chanter is
away, only where that costs no more); J does not count what that adds. Beside J the chance of ever going past under the
policy is carried, and how much of it is what the reed does by itself. The chance of being past
changes in expectation by nothing at a reading, and else by

    P(m + D φ > t) - P(m > t)  at a cut,    d = P(m + D φ + movement > t) - P(m + D φ > t)  from it to the next visit,

φ being the slope's factor, so that the chance of ending past is what it is now, plus the sum over all cuts of the
first, plus the sum of the d. A ceiling can hold what cuts do. It cannot hold the d: a reed lies on the bench between
visits whether it is cut or not, and all that lowers them is handing it over short. So the ceiling is on the chance less
the d, met by a ladder of costs of a lost reed: the least rung at or over the shop's own cost whose chance is under the
ceiling is used (a Lagrangian; cf. Altman, 1999, Constrained Markov Decision Processes). What moves past by itself costs
what a lost reed costs the shop, on every rung.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import LogError, command
from trimfit.planner.quantities import MOST_TIE, normal_cdf
from trimfit.regression.outputs import Array

LADDER = (30.0, 60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3840.0)
"""Rungs: costs of a lost reed in minutes. The shop's own cost says where on the ladder to begin."""
LEAST_GAIN, LEAST_OWN = 0.05, 0.1
"""Shares of a variance: what a reading must take off to be worth while (`worth_reading`), and what is left to a gap
beside the error that its sitting shares, however well it is known (`reading_noise`)."""
MOST_READINGS = 3
"""So many readings of one state are taken to know it better."""
READ_FIRST = 0.08
"""A reed is read again rather than cut where that costs so much more at most: what is cut cannot be put back. A
judgement; what comes of it is in reports/playing.md."""
LEAVE = np.array([-0.25, 0.0, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.5, 8.5, 11.0, 15.0])
"""Cuts on the grid aim at leaving the gap so many tolerances under zero."""


@dataclass(frozen=True, slots=True)
class Costs:
    """Shop settings in minutes, what the bench can do, how reeds move between visits; tolerance and errors in cents.

    wait_mean_cents, wait_sd_cents: from a cut to the next reading, with wait_jump the chance of a jump; again_sd_cents,
    again_jump: before a reading with no work; jump_sd_cents: how far it jumps. lost_minutes: what a reed costs that
    went past by itself; sitting_sd_cents: of the error that the readings of one sitting share, 0 where the next one is
    of another sitting. For a chanter that is away (`planner.away`) also `beyond_sd_cents`, what is not known of the
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
    sitting_sd_cents: float = 0.0

    @property
    def moves(self) -> bool:
        """Whether reeds move at all from one visit to the next."""
        moving = self.wait_mean_cents, self.wait_sd_cents, self.again_sd_cents, self.wait_jump, self.again_jump
        return any(moving)


@dataclass(frozen=True, slots=True)
class PolicyTable:
    """J (rungs, m, v, s, tie) in minutes; of the same shape past, the chance of ending past, by_itself, how much of
    that is movement between visits, cuts and readings, those expected yet, and within, the chance of ending within
    tolerance. m is the gap less `costs.stop_cents`; tie, the correlation of the gap with the log slope."""

    costs: Costs
    m: Array
    log_v: Array
    s: Array
    tie: Array
    value: Array
    past: Array
    cuts: Array
    within: Array
    readings: Array
    by_itself: Array

    def past_now(self) -> Array:
        """The chance of being past of a reed handed over now (m, v, s, tie)."""
        past = ending(self.costs, self.m[:, None], np.exp(self.log_v)[None, :])[0]
        return np.broadcast_to(past[:, :, None, None], self.value.shape[1:])

    def look(self, what: Array, rung: int, m: Array, v: Array, s: Array, tie: Array) -> Array:
        """Interpolate one of the table's arrays at states (any equal shapes), linear in each, held at the edges."""
        return self.at(what, rung, self.corners(m, v, s, tie))

    def corners(self, m: Array, v: Array, s: Array, tie: Array) -> list[tuple[NDArray[np.intp], Array]]:
        """Where states (broadcast against each other) lie in the table: sixteen corners and their weights."""
        corners: list[tuple[NDArray[np.intp], Array]] = [(np.zeros((), dtype=np.intp), np.ones(()))]
        # the gap last: it alone spreads, so that the other three are laid out once for all that a reading may show
        stride = 1
        sides = ((self.tie, tie), (self.s, s), (self.log_v, np.log(np.maximum(v, 1e-9))), (self.m, m))
        for grid, values in sides:
            at, share = bracket(grid, values)
            corners = [
                (index + (at + side) * stride, weight * part)
                for index, weight in corners
                for side, part in ((0, 1.0 - share), (1, share))
            ]
            stride *= len(grid)
        return corners

    @staticmethod
    def at(what: Array, rung: int, corners: list[tuple[NDArray[np.intp], Array]]) -> Array:
        """One of the table's arrays at such corners."""
        flat = what[rung].reshape(-1)
        out: Array = flat[corners[0][0]] * corners[0][1]
        for index, weight in corners[1:]:
            out = out + flat[index] * weight
        return out


def bracket(grid: Array, x: Array) -> tuple[NDArray[np.intp], Array]:
    """Between which points of a grid values lie (any shape): the lower one's index, and the share of the upper one."""
    x = np.clip(x, grid[0], grid[-1])
    i = np.searchsorted(grid[1:-1], x)
    return i, (x - grid[i]) / (grid[i + 1] - grid[i])


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
    return np.asarray(past * LADDER[rung] + short * costs.outside_minutes + costs.rise_minutes * under_cents)


def moved(
    v: Array, s: Array, tie: Array, cut_cents: Array, costs: Costs, jump_var: float = 0.0
) -> tuple[Array, Array, Array, Array]:
    """Variance of the gap after a cut, and v', s' and the tie after the reading that follows (shapes broadcast).

    jump_var: of a jump before that reading, cents²; none without.
    """
    spread = np.expm1(s**2)
    constant = np.where(cut_cents > 0, costs.cut_constant_cents**2, 0.0)
    known = tie * np.sqrt(v) * s
    big = v + 2.0 * known * cut_cents + cut_cents**2 * (spread + costs.cut_fraction**2)
    big = big + constant + idle_variance(cut_cents, costs) + jump_var
    noise = reading_noise(v, cut_cents, costs)
    tied = known + cut_cents * s**2
    v_next = big * noise / (big + noise)
    s_next = np.sqrt(np.maximum(s**2 - tied**2 / (big + noise), 1e-6))
    tie_next = np.clip(tied * noise / (big + noise) / (np.sqrt(v_next) * s_next), 0.0, MOST_TIE)
    return big, v_next, s_next, tie_next


def reading_noise(v: Array, cut_cents: Array, costs: Costs) -> Array:
    """Variance (cents²) of the error of the reading that follows a cut, or none (any shapes, broadcast).

    The readings of one sitting share an error of variance w². A gap known to v by such readings holds u = v - w² of
    what each has for itself, of variance n = r² - w²; one more leaves w² + u n / (u + n), which is what a reading with
    an error of its own, of variance v (w² (u + n) + u n) / u², would leave.
    """
    whole = costs.reading_sd_cents**2
    shared = costs.sitting_sd_cents**2
    own, rest = whole - shared, np.maximum(v - shared, LEAST_OWN * v)
    again = v * (shared * (rest + own) + rest * own) / rest**2
    return np.asarray(np.where(cut_cents > 0, whole, np.maximum(again, whole) if shared else whole))


def idle_variance(cut_cents: Array, costs: Costs) -> Array:
    """Variance (cents²) of what the reed moves by itself before the reading that follows a cut, or none (any shape)."""
    return np.asarray(np.where(cut_cents > 0, costs.wait_sd_cents**2, costs.again_sd_cents**2))


def jumps(cut_cents: Array, costs: Costs) -> Array:
    """Chance of a jump before the reading that follows a cut, or none (any shape)."""
    return np.asarray(np.where(cut_cents > 0, costs.wait_jump, costs.again_jump))


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


def again_variance(costs: Costs) -> float:
    """Variance (cents²) of what the reed moves before a reading with no work, a jump counted by its chance."""
    return costs.again_sd_cents**2 + costs.again_jump * costs.jump_sd_cents**2


def worth_reading(
    m: Array,
    v: Array,
    s: Array,
    tie: Array,
    costs: Costs,
    reading_sd_cents: float | None = None,
    moved_var: float = 0.0,
) -> NDArray[np.bool_]:
    """Whether a reading with no work before it tells something that the next cut would not (shapes broadcast).

    What it takes off the variance that a cut over the whole way would leave, slope and blade counted, must be
    LEAST_GAIN of that at least: far from the end where a reed's slope is hardly known, reading the same state once more
    only puts the cut off. reading_sd_cents: of that reading, the shop's usual without; moved_var: how far the reed has
    moved by itself until then. A gap that is known as well as MOST_READINGS readings tell it is not read again.
    """
    noise = reading_noise(v, np.zeros(1), costs) if reading_sd_cents is None else reading_sd_cents**2
    way = np.maximum(-m, 0.0)
    known = way * tie * np.sqrt(v) * s
    gained = (v + moved_var + known) ** 2 / (v + moved_var + noise) - moved_var
    ahead = v + 2.0 * known + way**2 * (np.expm1(s**2) + costs.cut_fraction**2) + costs.cut_constant_cents**2
    vague = MOST_READINGS * (v + moved_var) > costs.reading_sd_cents**2
    return np.asarray((gained >= LEAST_GAIN * ahead) & vague)


def read_first(reading: Array, least: Array, costs: Costs) -> NDArray[np.bool_]:
    """Whether a reed is read again rather than cut: where that costs hardly more.

    reading, least (any shape): expected minutes of reading again and of the cheapest way. Not where a reed moves until
    then, which is a risk of its own, nor for a chanter that is away, of which most that is not known stays so.
    """
    more = 0.0 if again_variance(costs) or costs.beyond_sd_cents else READ_FIRST
    return np.asarray(reading <= (1.0 + more) * least)


def state_grids(costs: Costs) -> tuple[Array, Array, Array, Array]:
    """The points at which a policy is solved: m (cents), log v (of cents²), s and tie."""
    t = costs.tolerance_cents
    near = np.concatenate([np.arange(-2.5, 1.51, 0.125), [1.75, 2.0]]) * t
    far = [40.0, 30.0, 23.0, 18.0, 14.0, 12.5, 11.0, 10.0, 9.0, 8.25, 7.5, 6.85, 6.2, 5.7, 5.2, 4.8, 4.4, 4.05, 3.7]
    far += [3.45, 3.2, 3.0, 2.8, 2.65]
    beyond = t * np.array([2.6, 4.0, 8.0])
    v = costs.reading_sd_cents**2 * np.array([0.2, 0.45, 0.75, 1.0, 2.5, 8.0, 30.0])
    s = np.array([0.01, 0.04, 0.08, 0.12, 0.18, 0.25, 0.34, 0.55, 1.30])
    return np.concatenate([-t * np.array(far), near, beyond]), np.log(v), s, np.array([0.0, 0.7])


_GRIDS, _TABLES = ("m", "log_v", "s", "tie"), ("value", "past", "cuts", "within", "readings", "by_itself")


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
        raise LogError("the plan kept in the log cannot be read", "the log", f"run {command('learn')}") from error
