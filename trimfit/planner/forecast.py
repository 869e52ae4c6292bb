"""What it takes to work a reed to its end, and what comes of it: the one source of these figures for every verb.

A reed is seen from an aim as eight Gaussian quantities (`planner.aim`). They are reduced to the state of the policy
table, the gap m with variance v, the log spread s of what the way that is left will do and its tie to the gap, and the
table says what its policy takes from there: cuts, readings, the chances of going past and of ending within tolerance,
the last two of the true reed and not of what is read. A reed that waits for a reading is first spread over what that
reading may show,

    m' ~ N(m, v² / (v + r²)),   v' = v r² / (v + r²).

The table is coarse where a slope is hardly known, and knows no limit on a cut's length. Where either shortens the next
cuts, these are taken first, each with its reading (`_short_cuts`), and the table speaks of what follows them.

With a target pitch the lips' small programme (`planner.lip_work`) adds the chance of ending off the pitch, and the
visits and readings that the pitch takes besides. Of several explanations of a reed's latest readings each has its own
figures, and the forecast is their mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from trimfit.planner.aim import Aim, AimPosterior
from trimfit.planner.away import at_its_aim
from trimfit.planner.choice import FIRST_CUT, MOST_OVER_LONGEST, Rules, rungs_of
from trimfit.planner.lip_work import LipPlans, may_meet
from trimfit.planner.policy_table import Costs, PolicyTable, moved, reading_noise
from trimfit.planner.quantities import CutError, Quantities, even_nodes, normal_between, normal_cdf
from trimfit.regression.curve import LEAST_SLOPE_CENTS
from trimfit.regression.outputs import Array

SHOWN = 17
"""What a first reading may show is taken at so many points."""
FAR_SDS = 3.0
HARDLY_KNOWN, CAREFUL_SDS = 0.55, 2.5
"""A slope's log spread from which the table is too coarse (its last point but one); how many such spreads a first cut
then leaves in hand, as the ceiling of 1 % asks for."""
CHANTER_NODES, MOST_SHARED = 61, 0.995
"""The pitch of a chanter is laid on so many points; the reeds' pitches hang together by this correlation at most."""
WANTS_CUTS = 0.5
"""A reed that is expected to want so many cuts yet is not at its end, where its pitch would be known."""
MOST_SHORT = 12
"""So many short cuts are followed at most: by then the limit on length has grown past any blade."""


@dataclass(frozen=True, slots=True)
class Case:
    """One reed seen from one aim. `unread`: its F and E were never read together, so that a reading comes first.
    `longest_mm`: the longest cut logged of its type, None where none was."""

    posterior: AimPosterior
    aim: Aim
    unread: bool = False
    longest_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """What working one reed to its end gives: chances of ending within tolerance (of gap and target pitch) and past it,
    cuts and readings yet to come, the length that has yet to come off (mm). `sharp`: the chance that it is past before
    any cut; `off_pitch`: that it ends off the target pitch, 0 without one, `off_low` under it; `pitch_sd_cents`: how
    well its pitch is known, its chanter's counted in. `bench_minutes`: of cuts and readings; `minutes`: expected cost,
    those that a reed lost or left outside tolerance costs included."""

    good: float
    past: float
    cuts: float
    readings: float
    need_mm: float
    sharp: float
    off_pitch: float
    bench_minutes: float
    minutes: float
    off_low: float = 0.0
    pitch_sd_cents: float = 0.0


def forecasts(cases: Sequence[Case], table: PolicyTable, rules: Rules) -> list[Forecast]:
    """What working each reed to its end gives, all reeds of one policy table at once.

    Without a target pitch this is a few array operations for all cases, so that a stock against all orders is one call.
    """
    if not cases:
        return []
    costs, error = table.costs, rules.error
    seen = Quantities.of([case.posterior for case in cases])
    most_mm = np.array([case.aim.most_removed_mm for case in cases])
    beyond_sd = np.sqrt(np.maximum(seen.beyond[:, 0, 0], 0.0))
    m, v = seen.mean[:, 0] - seen.stop_cents, np.maximum(seen.cov[:, 0, 0], 1e-6)
    # nobody cuts a reed whose gap is vaguer than the table reaches: a reading comes first
    first = np.array([case.unread for case in cases]) | (v > np.exp(table.log_v[-1]))
    need = seen.need_mm()
    spread, tie = seen.way_left(need, first)
    noise = seen.reading_sd_cents**2
    told = np.where(first, v * v / (v + noise), 0.0)
    left = np.where(first, v * noise / (v + noise), v)
    slope = np.maximum(seen.mean[:, 1], LEAST_SLOPE_CENTS)
    longest = np.array([case.longest_mm or math.inf for case in cases]) * slope
    x, weight = even_nodes(SHOWN)
    begin = m[:, None] + np.sqrt(told)[:, None] * x  # what a first reading shows, by itself
    known = (np.broadcast_to(part[:, None], begin.shape) for part in (left, spread, tie, longest))
    short, end, left, s, tie, later = _short_cuts(costs, begin, *known)
    centre = SHOWN // 2
    rung = rungs_of(table, end[:, centre], left[:, centre], s[:, centre], tie[:, centre], rules)
    then, then_weight = even_nodes(SHOWN) if later.any() else (np.zeros(1), np.ones(1))
    shown = end[..., None] + np.sqrt(later)[..., None] * then
    corners = table.corners(shown, left[..., None], s[..., None], tie[..., None])

    def ahead(what: Array) -> Array:
        flat, start = what.reshape(-1), rung[:, None, None] * what[0].size
        return np.asarray(sum(flat[start + at] * share for at, share in corners) @ then_weight @ weight)

    need_sd = np.sqrt(v) / slope + need * np.minimum(spread, 1.0)
    fits = normal_cdf((most_mm - seen.removed_mm - need) / np.maximum(need_sd, 1e-3))
    sharp = normal_cdf((seen.mean[:, 0] - costs.tolerance_cents) / np.hypot(np.sqrt(v), beyond_sd))
    good, past, cuts, readings = (ahead(what) for what in (table.within, table.past, table.cuts, table.readings))
    short = short @ weight
    for i in [i for i, case in enumerate(cases) if case.posterior.spaced]:
        good[i], past[i] = at_its_aim(float(good[i]), float(past[i]), cases[i].posterior, costs)
    good, cuts, readings = good * fits, cuts + short, readings + short + first
    # what is past stays past; of a vague gap the points above may fall wide of that chance
    past = np.maximum(past, sharp)
    good = np.minimum(good, 1.0 - past)
    (off, visits, looks, low, pitch_sd), never = _pitch(cases, first, seen, costs, error, need, cuts)
    good = good * (1.0 - off)
    past = np.where(never, sharp, past)
    cuts, readings = np.where(never, 0.0, cuts + visits), np.where(never, first, readings + looks)
    bench = cuts * costs.cut_minutes + readings * costs.reading_minutes
    missed = np.maximum(1.0 - good - past, 0.0)
    minutes = bench + past * rules.lost_minutes + missed * costs.outside_minutes
    columns = good, past, cuts, readings, need, sharp, off, bench, minutes, low, pitch_sd
    return [Forecast(*row) for row in np.stack(columns, axis=1).tolist()]


def _short_cuts(
    costs: Costs, m: Array, v: Array, s: Array, tie: Array, longest: Array
) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Cuts that have to be shorter than the table would have them, each with its reading: how many (…), and the reduced
    state m, v, s, tie (…) after them, with the variance (…) that their readings show of m.

    longest (…): the longest cut logged of the type, in cents of its mean slope, infinite where none was. No cut is
    more than MOST_OVER_LONGEST times it; and none goes so far that a slope CAREFUL_SDS over its mean would take the
    reed past. That the table's own cuts do too, but where a slope is hardly known, for which it is too coarse: there
    this shortens a cut as the longest one does.
    """
    count, shown = np.zeros(m.shape), np.zeros(m.shape)
    for _ in range(MOST_SHORT):
        careful = (costs.tolerance_cents - m) * np.exp(-CAREFUL_SDS * s)
        own = np.where(s > HARDLY_KNOWN, -FIRST_CUT * m, np.minimum(-FIRST_CUT * m, careful))
        most = np.minimum(MOST_OVER_LONGEST * longest, np.where(s > HARDLY_KNOWN, careful, np.inf))
        cut = np.where(most < own, most, 0.0)
        short = cut > 0.0
        if not short.any():
            break
        big, *after = moved(v, s, tie, cut, costs)
        shown = shown + np.where(short, big**2 / (big + reading_noise(v, cut, costs)), 0.0)
        v, s, tie = (np.where(short, new, old) for new, old in zip(after, (v, s, tie), strict=True))
        m, count = m + np.where(short, cut + costs.wait_mean_cents, 0.0), count + short
        longest = np.where(short, np.where(np.isinf(longest), cut, np.maximum(longest, cut)), longest)
    return count, m, v, s, tie, shown


def _pitch(
    cases: Sequence[Case],
    unread: NDArray[np.bool_],
    seen: Quantities,
    costs: Costs,
    error: CutError,
    need_mm: Array,
    cuts: Array,
) -> tuple[Array, NDArray[np.bool_]]:
    """Chance of ending off the target pitch, visits and readings that it takes, the chance of ending under it, and the
    pitch's standard deviation (5, n), all 0 without a target; and where it is out of reach (n,), so that the chance is
    1. unread (n,): which are read before anything else. A reed that wants cuts and may yet meet there by what is known
    is not out of reach, dear as the work may seem: it is worked on (`session.evidence.decide`).

    A pitch that misses on the side where strokes lead is mended by none: of the chance to end off the target that side
    is as likely as it is now, and the other one the rest.
    """
    out, never = np.zeros((len(cases), 5)), np.zeros(len(cases), dtype=np.bool_)
    asked = np.array([i for i, case in enumerate(cases) if case.aim.target_cents is not None], dtype=np.intp)
    if not len(asked):
        return out.T, never
    target = np.array([cases[i].aim.target_cents for i in asked.tolist()], dtype=np.float64)
    tolerance = np.array([cases[i].aim.tolerance_cents for i in asked.tolist()])
    first = unread[asked]
    left = np.stack([np.maximum(cuts[asked] - 1.0, 0.0), cuts[asked]], axis=1)
    plans = LipPlans(seen.rows(asked), target, tolerance, costs, error, FIRST_CUT * need_mm[asked], left)
    # so surely off it, on the side where strokes lead away, that the programme need not be solved
    mean, sd = plans.seen.meeting()
    far = (np.abs(mean - target) > tolerance + FAR_SDS * sd) & ((mean - target) * plans.per_stroke >= 0.0)
    never[asked[far]] = True
    worked_on = may_meet(mean - target, sd, tolerance) & (cuts[asked] >= WANTS_CUTS)
    # of a reed that is to be read first, that reading tells whether the pitch is out of reach
    for part, read in ((~far & first, False), (~far & ~first, True)):
        if part.any():
            some = plans.rows(part)
            out[asked[part], :3] = some.outlook(first[part])
            if read:
                never[asked[part]] = some.out_of_reach & ~worked_on[part]
    out[never, :3] = 1.0, 0.0, 0.0
    off = out[asked, 0]
    side = np.minimum(normal_cdf((np.sign(plans.per_stroke) * plans.off - tolerance) / sd), off)
    out[asked, 3] = np.where(plans.per_stroke > 0.0, off - side, side)
    out[asked, 4] = sd
    return out.T, never


def on_pitch(parts: Sequence[Forecast], chanter_sd_cents: float) -> tuple[Array, Array]:
    """Chance (n, K) of each reed to end on the pitch ordered, given where its chanter's pitch lies on nodes, and their
    weights (K,). chanter_sd_cents: of that pitch, which all the reeds share; given it they are so each by itself.
    Without a pitch ordered there is one node, and the chance is 1.

    Of sd the whole of a reed's pitch, s that of the chanter's, the part shared is s, and of a reed that is known better
    than its chanter, having been read in it, sd² / s: the correlation is c = min(s, sd² / s) / sd. The reed is on pitch
    between two quantiles of its own pitch, q_low = `off_low` and q_high = q_low + 1 - `off_pitch`; with z the
    chanter's, standard normal,

        P(on | z) = Phi((x(q_high) - c z) / sqrt(1 - c²)) - Phi((x(q_low) - c z) / sqrt(1 - c²)),   x = Phi^-1,

    of which the mean over z is 1 - `off_pitch`.
    """
    sd = np.array([one.pitch_sd_cents for one in parts])
    if not sd.any():
        return np.ones((len(parts), 1)), np.ones(1)
    z, weight = even_nodes(CHANTER_NODES)
    low, off = (np.array([getattr(one, name) for one in parts]) for name in ("off_low", "off_pitch"))
    sd = np.maximum(sd, 1e-6)
    share = np.minimum(np.minimum(chanter_sd_cents, sd**2 / max(chanter_sd_cents, 1e-6)) / sd, MOST_SHARED)[:, None]
    grid = np.linspace(-6.0, 6.0, 1201)
    below, above = (np.interp(at, normal_cdf(grid), grid)[:, None] for at in (low, low + 1.0 - off))
    own = np.sqrt(1.0 - share**2)
    return normal_between((below - share * z) / own, (above - share * z) / own), weight


def good_on_nodes(parts: Sequence[Forecast], chanter_sd_cents: float) -> tuple[Array, Array]:
    """Chance (n, K) of each reed to end good given where its chanter's pitch lies, and weights (K,), as `on_pitch`."""
    on, weight = on_pitch(parts, chanter_sd_cents)
    good, off = (np.array([getattr(one, name) for one in parts]) for name in ("good", "off_pitch"))
    return np.where(off < 1.0, np.minimum(good / np.maximum(1.0 - off, 1e-9), 1.0), 0.0)[:, None] * on, weight


def mixed(shares: Sequence[float], parts: Sequence[Forecast]) -> Forecast:
    """The mean of forecasts with these shares (that sum to 1)."""
    if len(parts) == 1:
        return parts[0]
    names = [field.name for field in fields(Forecast)]
    return Forecast(
        *(sum(share * getattr(one, name) for share, one in zip(shares, parts, strict=True)) for name in names)
    )
