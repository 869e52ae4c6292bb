"""What it takes to work a reed to its end, and what comes of it: the one source of these figures for every verb.

A reed is seen from an aim as eight Gaussian quantities (`planner.aim`). They are reduced to the state of the policy
table, the gap m with variance v, the log spread s of what the way that is left will do and its tie to the gap, and the
table says what its policy takes from there: cuts, readings, the chances of going past and of ending within tolerance,
the last two of the true reed and not of what is read. A reed that waits for a reading is first spread over what that
reading may show,

    m' ~ N(m, v² / (v + r²)),   v' = v r² / (v + r²).

Cuts that the limit on their length shortens (`choice.limited_cuts`) come on top, each with its reading.

With a target pitch the lips' small programme (`planner.lip_work`) adds the chance of ending off the pitch, and the
visits and readings that the pitch takes besides. Of several explanations of a reed's latest readings each has its own
figures, and the forecast is their mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from trimfit.planner.aim import LEAST_NEED_MM, Aim, AimPosterior, even_nodes, normal_cdf, way_left
from trimfit.planner.choice import FIRST_CUT, Rules, at_its_aim, limited_cuts, rungs_of
from trimfit.planner.lip_work import LipPlan
from trimfit.planner.policy_table import Costs, PolicyTable
from trimfit.regression.curve import bent_mm, slope_at, straight_mm

__all__ = ["Case", "Forecast", "forecasts", "mixed"]

Array = NDArray[np.float64]
SHOWN = 17
"""What a first reading may show is taken at so many points."""
LEAST_SLOPE_CENTS = 5.0
MOST_NEED_MM = 12.0
FAR_SDS = 3.0


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
    any cut; `off_pitch`: that it ends off the target pitch, 0 without one. `bench_minutes`: of cuts and readings;
    `minutes`: expected cost, those that a reed lost or left outside tolerance costs included."""

    good: float
    past: float
    cuts: float
    readings: float
    need_mm: float
    sharp: float
    off_pitch: float
    bench_minutes: float
    minutes: float


@dataclass(frozen=True, slots=True)
class _Stack:
    """The eight quantities of n cases: mean (n, 8), cov (n, 8, 8), curve (n, Q), and (n,) each what is off, the most
    that may be, the error of the next gap reading, where the work goes toward, and what no reading can tell."""

    mean: Array
    cov: Array
    curve: Array
    removed_mm: Array
    most_removed_mm: Array
    reading_sd_cents: Array
    stop_cents: Array
    beyond_sd_cents: Array

    def need_mm(self) -> Array:
        """`AimPosterior.need_mm` of each (n,)."""
        gap, slope, bend = self.mean[:, 0] - self.stop_cents, self.mean[:, 1], self.mean[:, 2]
        now = bent_mm(self.removed_mm, self.curve)
        tangent = slope + 2.0 * bend * now
        steep = slope_at(self.removed_mm, self.curve)
        most = np.minimum(4.0 * -gap / np.maximum(tangent * steep, LEAST_SLOPE_CENTS), MOST_NEED_MM)
        inside = tangent**2 - 4.0 * bend * gap
        below = np.where(inside >= 0.0, tangent + np.sqrt(np.maximum(inside, 0.0)), 0.0)
        ends = now - 2.0 * gap / np.where(below > 0.0, below, 1.0)
        there = straight_mm(ends, self.curve) - self.removed_mm
        need: Array = np.where(below > 0.0, np.minimum(there, most), most)
        return np.where(gap >= 0.0, 0.0, need)

    def way_left(self, need_mm: Array, first: NDArray[np.bool_]) -> tuple[Array, Array]:
        """`AimPosterior.way_now` of each (n,); where a first reading comes, `way_left` after it."""
        now = bent_mm(self.removed_mm, self.curve)
        then = bent_mm(self.removed_mm + np.maximum(need_mm, LEAST_NEED_MM), self.curve)
        cut, rest = np.zeros((len(now), 8)), np.zeros((len(now), 8))
        cut[:, 0], rest[:, 1], rest[:, 2] = 1.0, then - now, then**2 - now**2
        noise = np.where(first, self.reading_sd_cents**2, np.inf)
        return way_left(cut, rest, self.mean, self.cov, np.zeros(len(now)), noise)


def _stacked(cases: Sequence[Case]) -> _Stack:
    posteriors = [case.posterior for case in cases]
    return _Stack(
        np.stack([one.mean for one in posteriors]),
        np.stack([one.cov for one in posteriors]),
        np.stack([one.curve for one in posteriors]),
        np.array([one.removed_mm for one in posteriors]),
        np.array([case.aim.most_removed_mm for case in cases]),
        np.array([one.reading_sd_cents for one in posteriors]),
        np.array([one.stop_cents for one in posteriors]),
        np.array([one.beyond_sd_cents for one in posteriors]),
    )


def forecasts(cases: Sequence[Case], table: PolicyTable, rules: Rules) -> list[Forecast]:
    """What working each reed to its end gives, all reeds of one policy table at once.

    Without a target pitch this is a few array operations for all cases, so that a stock against all orders is one call.
    """
    if not cases:
        return []
    stack = _stacked(cases)
    first = np.array([case.unread for case in cases])
    m, v = stack.mean[:, 0] - stack.stop_cents, np.maximum(stack.cov[:, 0, 0], 1e-6)
    need = stack.need_mm()
    s, tie = stack.way_left(need, first)
    noise = stack.reading_sd_cents**2
    x, weight = even_nodes(SHOWN)
    shown = m[:, None] + np.where(first, np.sqrt(v * v / (v + noise)), 0.0)[:, None] * x
    left = np.where(first, v * noise / (v + noise), v)
    rung = rungs_of(table, m, left, s, tie, rules)
    corners = table.corners(shown, left[:, None], s[:, None], tie[:, None])

    def ahead(what: Array) -> Array:
        flat, start = what.reshape(-1), rung[:, None] * what[0].size
        return np.asarray(sum(flat[start + at] * share for at, share in corners) @ weight)

    slope = np.maximum(stack.mean[:, 1], LEAST_SLOPE_CENTS)
    need_sd = np.sqrt(v) / slope + need * np.minimum(s, 1.0)
    fits = normal_cdf((stack.most_removed_mm - stack.removed_mm - need) / np.maximum(need_sd, 1e-3))
    sd = np.hypot(np.sqrt(v), stack.beyond_sd_cents)
    sharp = normal_cdf((stack.mean[:, 0] - table.costs.tolerance_cents) / sd)
    good, past, cuts, readings = (ahead(what) for what in (table.within, table.past, table.cuts, table.readings))
    limited = np.array([limited_cuts(mm, case.longest_mm) for mm, case in zip(need, cases, strict=True)])
    cuts, readings = cuts + limited, readings + limited + first
    columns = [values.tolist() for values in (good * fits, past, cuts, readings, need, sharp)]
    return [_whole(case, row, table, rules) for case, row in zip(cases, zip(*columns, strict=True), strict=True)]


def _whole(case: Case, of_gap: Sequence[float], table: PolicyTable, rules: Rules) -> Forecast:
    """The forecast from that of the gap alone (the first six of its fields), with what a target pitch adds to it."""
    good, past, cuts, readings, need, sharp = of_gap
    costs, off = table.costs, 0.0
    if case.posterior.spaced:
        good, past = at_its_aim(case.posterior, costs.tolerance_cents)
    if case.aim.target_cents is not None:
        found = _pitch(case, costs, rules, need, cuts)
        if found is None:
            off, past, cuts, readings = 1.0, sharp, 0.0, float(case.unread)
        else:
            off, cuts, readings = found[0], cuts + found[1], readings + found[2]
        good *= 1.0 - off
    bench = cuts * costs.cut_minutes + readings * costs.reading_minutes
    missed = max(1.0 - good - past, 0.0)
    minutes = bench + past * rules.lost_minutes + missed * costs.outside_minutes
    return Forecast(good, past, cuts, readings, need, sharp, off, bench, minutes)


def _pitch(case: Case, costs: Costs, rules: Rules, need_mm: float, cuts: float) -> tuple[float, float, float] | None:
    """Chance of ending off the target pitch, visits and readings that it takes; None where it is out of reach."""
    (mean, sd), target = case.posterior.meeting(), case.aim.target_cents or 0.0
    per_stroke = case.posterior.meeting(1.0)[0] - mean
    if abs(mean - target) > case.aim.tolerance_cents + FAR_SDS * sd and (mean - target) * per_stroke >= 0.0:
        return None  # so surely off it, on the side where strokes lead away, that the programme need not be solved
    plan = LipPlan(case.posterior, case.aim, costs, rules.error, FIRST_CUT * need_mm, (max(cuts - 1.0, 0.0), cuts))
    return None if plan.out_of_reach else plan.outlook(read_first=case.unread)


def mixed(shares: Sequence[float], parts: Sequence[Forecast]) -> Forecast:
    """The mean of forecasts with these shares (that sum to 1)."""
    if len(parts) == 1:
        return parts[0]
    names = [field.name for field in fields(Forecast)]
    return Forecast(
        *(sum(share * getattr(one, name) for share, one in zip(shares, parts, strict=True)) for name in names)
    )
