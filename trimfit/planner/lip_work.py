"""The second aim, target pitch, and the second control, the lips: what is to be gained by strokes and by readings.

Let delta be the meeting pitch less the target (cents), or the pitch as it is once the gap is closed, posterior
N(delta, sigma²); a stroke moves it by l, ± what is not known of that (what strokes do to the type, and to
this reed), and cannot be put back. A reading of error r takes sigma² to 1/(1/sigma² + 1/r²).
Over the next few readings this is a small dynamic programme on a grid of delta,

    W_j(delta) = q_j S_j + (1 - q_j) min( outside P(|delta + sigma_j xi| > tolerance), reading + E W_{j+1},
                                          visit + reading + S'_j ),      S_j = min_k E W_{j+1} after k strokes,

with q_j the chance that the gap wants another cut by then in any case: strokes done on a visit that cuts cost no visit
of their own, so they are not hurried while more such visits are to come, and not put off when none is. A stroke may
close the gap too: S'_j has only the few for which a gap that is closed already leaves room, so closely as j readings
will have it known. sigma_j follows from the joint posterior, cut by cut (`AimBelief.meeting_sd_path`). Solved anew for
each question with a target (some milliseconds); `choose` adds it to the gap's cost.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from trimfit.planner.aim import Aim, AimPosterior, CutError, nodes, normal_cdf
from trimfit.planner.policy_table import Costs

__all__ = ["LEAST_STROKE_CENTS", "LipPlan"]

Array = NDArray[np.float64]
MOST_STROKES = 10
"""On one visit: what so many have done is seen before more are done."""
LEVELS = 6
LEAST_STROKE_CENTS = 0.02
ROOM_TOLERANCES, ROOM_SDS = 0.6, 2.5
"""Strokes may bring the gap so many tolerances over zero, and no nearer to past than so many of its sd."""
WORTH_READING = 0.9


class LipPlan:
    """Costs in minutes of the pitch as known: of leaving it, of reading again, of strokes. 0 without a target."""

    def __init__(
        self,
        posterior: AimPosterior,
        aim: Aim,
        costs: Costs,
        error: CutError,
        cut_mm: float = 0.0,
        cuts_left: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        """cut_mm: the cut that the gap alone would have made now (0: none); cuts_left: how many more it is expected to
        want, after a visit now and after a reading alone."""
        self.aim, self.costs = aim, costs
        mean, self.sd = posterior.meeting()
        # with the gap closed no cut brings the reed back to the meeting point: it keeps the pitch it has
        end = mean if posterior.need_mm() > 0.0 else float(posterior.mean[4])
        self.off = 0.0 if aim.target_cents is None else end - aim.target_cents
        self.per_stroke = posterior.meeting(1.0)[0] - mean
        share = float(posterior.mean[5]) / max(float(posterior.mean[1]), 1.0)
        row = np.array([0.0, 0.0, 0.0, -share, 0.0, 0.0, 0.0, 1.0])
        self.stroke_sd = math.sqrt(max(float(row @ posterior.cov @ row), 0.0))
        self.anyway = min(cuts_left[1], 1.0)
        self.strokes, self.outside_now = np.zeros(1), posterior.pitch_outside(aim, 0.0, 0.0, error)
        self.most_now, self.late_visit, self.late_reading = 0, [0] * LEVELS, [0] * LEVELS
        if aim.target_cents is None:
            return
        t = aim.tolerance_cents
        reach = max(abs(self.off) + 4.0 * self.sd, 4.0 * t)
        self.grid = np.linspace(-reach, reach, 121)
        if abs(self.per_stroke) > LEAST_STROKE_CENTS and self.off * self.per_stroke < 0:
            most = min(math.ceil((abs(self.off) + 2.0 * self.sd + t) / abs(self.per_stroke)), MOST_STROKES)
            self.strokes = np.arange(0.0, max(most, 0) + 1.0)
            self._room(posterior, error)
        # A visit that cuts comes nearer the meeting point, where a reading tells the pitch plainly; a reading alone
        # tells what it can from here, and may tell next to nothing.
        whole_way = [cut_mm, max(posterior.need_mm() - cut_mm, 0.0)]
        self.by_visit = posterior.meeting_sd_path(whole_way + [0.0] * (LEVELS - 2), error)
        self.by_reading = posterior.meeting_sd_path([0.0] * LEVELS, error)
        self.after_visit = self._chain(self.by_visit, self.late_visit, cuts_left[0])
        self.after_reading = self._chain(self.by_reading, self.late_reading, cuts_left[1])

    def _room(self, posterior: AimPosterior, error: CutError) -> None:
        """How many strokes the gap has room for, where each of them closes it too: now; and once it is closed, after
        so many readings, `late_visit` where a cut over the whole way comes first, `late_reading` from here."""
        t, per_stroke = self.aim.tolerance_cents, float(posterior.mean[3])
        most = len(self.strokes) - 1

        def strokes(gap: float, variance: float, readings: int = 0) -> int:
            if per_stroke <= 0.0:
                return most
            sd = 1.0 / math.sqrt(1.0 / variance + readings / posterior.reading_sd_cents**2)
            room = min(ROOM_TOLERANCES * t, t - ROOM_SDS * sd) - gap
            return min(max(math.floor(room / per_stroke), 0), most)

        gap, variance = float(posterior.mean[0]), max(float(posterior.cov[0, 0]), 1e-6)
        cut = posterior.gap_variance(posterior.need_mm(), error)
        self.most_now = strokes(gap, variance)
        self.late_visit = [strokes(0.0, cut, readings) for readings in range(LEVELS)]
        self.late_reading = [strokes(max(gap, 0.0), variance, readings) for readings in range(LEVELS)]

    def _chain(self, sigma: list[float], late: list[int], cuts_left: float) -> Array:
        """What follows (grid, 4) when the posterior narrows as `sigma` says, reading by reading, and the gap wants more
        cuts: minutes W_1, chance of ending off the pitch, visits for the lips alone, and readings for the pitch."""
        value = self._left(self.grid, sigma[LEVELS])
        for level in range(LEVELS - 1, 0, -1):
            ahead = self._ahead(self.grid, self.strokes, sigma[level], sigma[level + 1], value)
            done = _cheaper(self._left(self.grid, sigma[level]), ahead[:, 0] + self._step(visit=False))
            alone = _cheapest(ahead[:, : late[level] + 1]) + self._step(visit=True)
            anyway = min(max(cuts_left - (level - 1), 0.0), 1.0)
            value = anyway * _cheapest(ahead) + (1.0 - anyway) * _cheaper(done, alone)
        return value

    def _step(self, *, visit: bool) -> Array:
        """What a reading, or a visit for the lips with the reading after it, adds (4,) to what follows."""
        costs = self.costs
        minutes = costs.reading_minutes + (costs.cut_minutes if visit else 0.0)
        return np.array([minutes, 0.0, float(visit), 1.0])

    def _left(self, off: Array, sd: float) -> Array:
        """What follows (n, 4) where the lips and the reed are left as they are."""
        minutes = self._leave(off, sd)
        out = np.zeros((len(off), 4))
        out[:, 0], out[:, 1] = minutes, minutes / max(self.costs.outside_minutes, 1e-9)
        return out

    def _leave(self, off: Array, sd: float) -> Array:
        t = self.aim.tolerance_cents
        outside: Array = normal_cdf((off - t) / sd) + normal_cdf((-off - t) / sd)
        return outside * self.costs.outside_minutes

    def _ahead(self, off: Array, strokes: Array, sd_now: float, sd_then: float, value: Array) -> Array:
        """Expected values (n, strokes, 4) after strokes and one reading, from offsets (n,)."""
        eta, weight = nodes(5)
        learned = max(sd_now**2 - sd_then**2, 0.0)
        sd = np.sqrt(learned + (self.stroke_sd * strokes) ** 2)
        there = off[:, None, None] + (self.per_stroke * strokes)[None, :, None] + sd[None, :, None] * eta[None, None, :]
        place = np.clip((there - self.grid[0]) / (self.grid[1] - self.grid[0]), 0.0, len(self.grid) - 1.0)
        low = np.minimum(place.astype(np.intp), len(self.grid) - 2)
        share = (place - low) * weight
        mean: Array = np.einsum("nse,nsec->nsc", weight - share, value[low])
        mean = mean + np.einsum("nse,nsec->nsc", share, value[low + 1])
        return mean

    @property
    def outside(self) -> float:
        """Chance that the meeting pitch lies outside tolerance if the lips are left alone; 0 without a target.

        A reed that is handed over sounds at its own gap, and not at the meeting point: that is `outside_now`.
        """
        if self.aim.target_cents is None:
            return 0.0
        return float(self._leave(np.array([self.off]), self.sd)[0]) / max(self.costs.outside_minutes, 1e-9)

    def leave(self) -> float:
        """Minutes expected to be lost to the pitch if the reed is handed over as it is."""
        return self.outside_now * self.costs.outside_minutes

    def read(self) -> float:
        """The same after one more reading and the best from then on."""
        if self.aim.target_cents is None:
            return 0.0
        now, then = self.by_reading[0], self.by_reading[1]
        cost = float(self._after_reading()[0])
        if then < WORTH_READING * now or (self.anyway < 0.5 and self.late_reading[1] > self.most_now):
            return cost
        # a reading that tells next to nothing, and makes no room for a stroke, only puts off what is to be done
        strokes = self.stroke()[1]
        alone = min(self.leave(), self.costs.cut_minutes + self.costs.reading_minutes + strokes)
        return max(cost, self.anyway * strokes + (1.0 - self.anyway) * alone)

    def stroke(self, allowed: Sequence[int] = range(MOST_STROKES + 1)) -> tuple[int, float]:
        """The best number of strokes, of those `allowed`, for a visit that is made anyway, and the minutes then."""
        if self.aim.target_cents is None:
            return 0, 0.0
        after = self._after_visit()[: self.most_now + 1, 0]
        best = min((k for k in allowed if k < len(after)), key=lambda k: float(after[k]))
        return best, float(after[best])

    def outlook(self, *, read_first: bool) -> tuple[float, float, float]:
        """Chance of ending off the pitch, visits for the lips alone and readings for the pitch, by the best course.

        read_first: a reading is to come before anything else, and is counted already.
        """
        if self.aim.target_cents is None:
            return 0.0, 0.0, 0.0
        then = self._after_reading()
        if not read_first:
            visit = self._after_visit()[: self.most_now + 1]
            done = _cheaper(self._left(np.array([self.off]), self.sd)[0], then + self._step(visit=False))
            alone = _cheapest(visit) + self._step(visit=True)
            then = self.anyway * _cheapest(visit) + (1.0 - self.anyway) * _cheaper(done, alone)
        return float(then[1]), float(then[2]), float(then[3])

    def _after_visit(self) -> Array:
        now, then = self.by_visit[0], self.by_visit[1]
        after: Array = self._ahead(np.array([self.off]), self.strokes, now, then, self.after_visit)[0]
        return after

    def _after_reading(self) -> Array:
        now, then = self.by_reading[0], self.by_reading[1]
        after: Array = self._ahead(np.array([self.off]), np.zeros(1), now, then, self.after_reading)[0, 0]
        return after

    @property
    def out_of_reach(self) -> bool:
        """Whether the pitch is off and neither the lips nor another reading is likely to mend it."""
        if self.aim.target_cents is None or self.outside < 0.9:
            return False
        return min(self.read(), self.stroke()[1]) > 0.8 * self.costs.outside_minutes


def _cheapest(options: Array) -> Array:
    """Of options (…, m, 4) each time the one of least minutes (…, 4)."""
    best = np.argmin(options[..., 0], axis=-1)
    out: Array = np.take_along_axis(options, best[..., None, None], axis=-2)[..., 0, :]
    return out


def _cheaper(first: Array, second: Array) -> Array:
    """Of two options (…, 4) each time the one of fewer minutes."""
    return np.where(first[..., :1] <= second[..., :1], first, second)
