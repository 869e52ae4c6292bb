"""The second aim, target pitch, and the second control, the lips: what is to be gained by strokes and by readings.

Let delta be the meeting pitch less the target (cents), or the pitch as it is once the gap is closed, posterior
N(delta, sigma²); a stroke moves it by l, ± what is not known of that (what strokes do to the type, and to
this reed), and cannot be put back. A reading of error r takes sigma² to 1/(1/sigma² + 1/r²).
Over the next few readings this is a small dynamic programme on a grid of delta,

    W_j(delta) = q_j D_j + (1 - q_j) min( outside P(|delta + sigma_j xi| > tolerance), reading + E W_{j+1},
                                          visit + reading + S'_j ),
    D_j = min( S_j, reading + E D_{j+1} ),      S_j = min_k E W_{j+1} after k strokes,

with q_j the chance that the gap wants another cut by then in any case, taken as what is left of the expected cuts,
between 0 and 1. Strokes done on a visit that cuts cost no visit of their own, so they are not hurried while more such
visits are to come, and not put off when none is; such a visit may wait for a reading that tells how many strokes there
should be (D). A stroke may close the gap too: S'_j has only the few for
which a gap that is closed already leaves room, so closely as j readings will have it known. Of the three a reading is
taken where it costs hardly more than a visit (`policy_table.read_first`). sigma_j follows from the joint posterior,
reading by reading, with the cuts that are to come between them (`Quantities.meeting_sd_path`). Solved anew for each
question with a target, for all reeds of a stock at once; `choose` adds it to the gap's cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from trimfit.base.normal import Z90
from trimfit.planner.policy_table import Costs, read_first
from trimfit.planner.quantities import CutError, Quantities, even_nodes, nodes, normal_cdf
from trimfit.regression.outputs import Array

MOST_STROKES = 10
"""On one visit: what so many have done is seen before more are done."""
LEVELS = 6
LEAST_STROKE_CENTS = 0.02
ROOM_TOLERANCES, ROOM_SDS = 0.6, 2.5
"""Strokes may bring the gap so many tolerances over zero, and no nearer to past than so many of its sd."""
WORTH_READING = 0.9
SURE, HARDLY_CHEAPER = 0.9, 0.8
HALF_GRID, WIDE_NODES = 60, 33
ENDS, READS, WORKS = 0, 1, 2
"""What is done with a pitch on no visit that is made anyway: left as it is, read again, worked on."""
CHUNK = 48
"""So many reeds at once: their values stay in the processor's cache."""


class LipPlans:
    """Costs in minutes of the pitch as known, of n reeds each with a target: of leaving it, of reading again, of
    strokes."""

    def __init__(
        self,
        seen: Quantities,
        target_cents: Array,
        tolerance_cents: Array,
        costs: Costs,
        error: CutError,
        cut_mm: Array,
        cuts_left: Array,
    ) -> None:
        """cut_mm (n,): the cut that the gap alone would have made now (0: none); cuts_left (n, 2): how many more it is
        expected to want, after a visit now and after a reading alone."""
        self.seen, self.target_cents, self.tolerance_cents = seen, target_cents, tolerance_cents
        self.costs, self.error, self.cut_mm, self.cuts_left = costs, error, cut_mm, cuts_left
        mean, self.sd = seen.meeting()
        self.need_mm = seen.need_mm()
        # with the gap closed no cut brings the reed back to the meeting point: it keeps the pitch it has
        self.off = np.where(self.need_mm > 0.0, mean, seen.mean[:, 4]) - target_cents
        self.per_stroke = seen.meeting(1.0)[0] - mean
        row = np.zeros(seen.mean.shape)
        row[:, 3], row[:, 7] = -seen.mean[:, 5] / np.maximum(seen.mean[:, 1], 1.0), 1.0
        self.stroke_sd = np.sqrt(np.maximum((row[:, None, :] @ seen.cov @ row[:, :, None])[:, 0, 0], 0.0))
        self.anyway = np.minimum(cuts_left[:, 1], 1.0)
        self.reach = np.maximum(np.abs(self.off) + 4.0 * self.sd, 4.0 * tolerance_cents)
        size = np.abs(self.per_stroke)
        # how far strokes would have to take it; what seems to lie on the side where they lead away may yet turn out
        # to lie on the other
        way = -np.sign(self.per_stroke) * self.off
        helps = (size > LEAST_STROKE_CENTS) & ((way > 0.0) | (way + 2.0 * self.sd > tolerance_cents))
        whole = np.ceil((way + 2.0 * self.sd + tolerance_cents) / np.where(helps, size, 1.0))
        self.most = np.where(helps, np.minimum(whole, MOST_STROKES), 0.0).astype(np.intp)

    def rows(self, which: NDArray[np.bool_]) -> LipPlans:
        """Of some of the reeds."""
        parts = (self.target_cents[which], self.tolerance_cents[which], self.costs, self.error)
        return LipPlans(self.seen.rows(which), *parts, self.cut_mm[which], self.cuts_left[which])

    def _room(self, gap: Array, variance: Array, readings: int = 0) -> NDArray[np.intp]:
        """How many strokes (n,) the gap has room for after so many readings, where each of them closes it too."""
        per_stroke = self.seen.mean[:, 3]
        sd = 1.0 / np.sqrt(1.0 / variance + readings / self.seen.reading_sd_cents**2)
        room = np.minimum(ROOM_TOLERANCES * self.tolerance_cents, self.tolerance_cents - ROOM_SDS * sd) - gap
        strokes = np.floor(room / np.maximum(per_stroke, 1e-6))
        allowed: NDArray[np.intp] = np.where(per_stroke > 0.0, np.clip(strokes, 0, self.most), self.most).astype(
            np.intp
        )
        return allowed

    @cached_property
    def _gap(self) -> tuple[Array, Array]:
        return self.seen.mean[:, 0], np.maximum(self.seen.cov[:, 0, 0], 1e-6)

    @cached_property
    def most_now(self) -> NDArray[np.intp]:
        """Strokes (n,) for which the gap has room now."""
        return self._room(*self._gap)

    @cached_property
    def late_reading(self) -> NDArray[np.intp]:
        """Strokes (n, LEVELS) for which the gap has room after so many readings, from here."""
        gap, variance = self._gap
        each = [self._room(np.maximum(gap, 0.0), variance, readings) for readings in range(LEVELS)]
        return np.stack(each, axis=1)

    @cached_property
    def late_visit(self) -> NDArray[np.intp]:
        """The same where a cut over the whole way comes first."""
        variance = self.seen.known().gap_variance(self.need_mm, self.error)
        each = [self._room(np.zeros(len(variance)), variance, readings) for readings in range(LEVELS)]
        return np.stack(each, axis=1)

    @cached_property
    def by_reading(self) -> Array:
        """How well the pitch is known (n, LEVELS + 1) after a reading alone, which may tell next to nothing from here,
        and after each later reading, with the cuts that the gap is likely to want coming before those."""
        return self._known(after=1, wanted=self.anyway >= 0.5)

    @cached_property
    def by_visit(self) -> Array:
        """The same where cuts come first: one of them comes nearer the meeting point, where a reading tells the pitch
        plainly."""
        return self._known(after=0, wanted=np.ones(len(self.off), dtype=np.bool_))

    def _known(self, after: int, wanted: NDArray[np.bool_]) -> Array:
        """How well the pitch is known after each of LEVELS readings where the cuts, if `wanted` (n,), come after so
        many of them."""
        lengths = np.zeros((len(self.off), LEVELS))
        lengths[:, after] = np.where(wanted, self.cut_mm, 0.0)
        lengths[:, after + 1] = np.where(wanted, np.maximum(self.need_mm - self.cut_mm, 0.0), 0.0)
        return self.seen.meeting_sd_path(lengths, self.error)

    @cached_property
    def after_reading(self) -> Array:
        """What follows one more reading (n, 4) by the best course: minutes, chance of ending off the pitch, visits for
        the lips alone, and readings for the pitch."""
        none = np.zeros(len(self.off), dtype=np.intp)
        return self._after(self.by_reading, self.late_reading, self.cuts_left[:, 1], none)[1]

    @cached_property
    def after_visit(self) -> tuple[Array, Array]:
        """Minutes (n, strokes) after a visit that is made anyway, by the best course after it, infinitely many where
        more strokes are done than are of use; and what follows (n, 4) the best number for which there is room now."""
        return self._after(self.by_visit, self.late_visit, self.cuts_left[:, 0], self.most_now)

    def _after(
        self, sigma: Array, late: NDArray[np.intp], cuts_left: Array, room: NDArray[np.intp]
    ) -> tuple[Array, Array]:
        """Minutes (n, strokes), and what follows (n, 4) the best of no more than `room` (n,) strokes, where the
        posterior narrows as `sigma` (n, LEVELS + 1) says, reading by reading, `late` (n, LEVELS) strokes have room
        then, and the gap wants `cuts_left` (n,) more cuts."""
        minutes, out = np.full((len(self.off), MOST_STROKES + 1), np.inf), np.zeros((len(self.off), 4))
        # where no stroke helps, readings change nothing: what is expected of the pitch is what is known now
        out[:, 0], out[:, 1] = self.outside * self.costs.outside_minutes, self.outside
        minutes[:, 0] = out[:, 0]
        order = np.argsort(self.most, kind="stable")
        order = order[self.most[order] > 0]
        for of in np.array_split(order, max(-(-len(order) // CHUNK), 1)):
            if len(of):
                course = _Course(self, of, sigma[of], late[of], cuts_left[of])
                first = _Step(self, of, sigma[of, 0], sigma[of, 1], int(room[of].max()))
                each = first.at_once(course.minutes)
                minutes[of, : first.strokes] = each
                allowed = np.arange(first.strokes) <= room[of, None]
                best = np.argmin(np.where(allowed, each, np.inf), axis=1)
                out[of] = course.followed(first.laid(best))
        return minutes, out

    @cached_property
    def outside(self) -> Array:
        """Chance (n,) that the meeting pitch lies outside tolerance if the lips are left alone.

        A reed that is handed over sounds at its own gap, and not at the meeting point: that is `outside_now`.
        """
        t = self.tolerance_cents
        return normal_cdf((self.off - t) / self.sd) + normal_cdf((-self.off - t) / self.sd)

    @cached_property
    def outside_now(self) -> Array:
        """Chance (n,) that the reed, handed over as it is, is off the pitch."""
        return self.seen.pitch_outside(self.target_cents, self.tolerance_cents)

    def leave(self) -> Array:
        """Minutes (n,) expected to be lost to the pitch if the reed is handed over as it is."""
        return self.outside_now * self.costs.outside_minutes

    def read(self) -> Array:
        """The same after one more reading and the best from then on."""
        cost = self.after_reading[:, 0]
        # a reading that tells next to nothing, and makes no room for a stroke, only puts off what is to be done
        tells = self.by_reading[:, 1] < WORTH_READING * self.by_reading[:, 0]
        tells |= (self.anyway < 0.5) & (self.late_reading[:, 1] > self.most_now)
        if tells.all():
            return cost
        strokes = self.after_visit[1][:, 0]
        alone = np.minimum(self.leave(), self.costs.cut_minutes + self.costs.reading_minutes + strokes)
        return np.where(tells, cost, np.maximum(cost, self.anyway * strokes + (1.0 - self.anyway) * alone))

    def outlook(self, to_read: NDArray[np.bool_]) -> Array:
        """Chance of ending off the pitch, visits for the lips alone and readings for the pitch (n, 3), by the best
        course.

        to_read (n,): a reading is to come before anything else, and is counted already.
        """
        then = self.after_reading
        if not to_read.all():
            visit, anyway, left = self.after_visit[1], self.anyway[:, None], np.zeros((len(self.off), 4))
            left[:, 0], left[:, 1] = self.outside * self.costs.outside_minutes, self.outside
            read = np.array([self.costs.reading_minutes, 0.0, 0.0, 1.0])
            work = np.array([self.costs.cut_minutes, 0.0, 1.0, 0.0])
            again, worked = then + read, visit + work + read
            alone = _cheaper(left, worked)
            first = (again[:, 0] < left[:, 0]) & read_first(again[:, 0], worked[:, 0], self.costs)
            best = anyway * _cheaper(visit, again) + (1.0 - anyway) * np.where(first[:, None], again, alone)
            then = np.where(to_read[:, None], then, best)
        return then[:, 1:]

    def stroke(self, allowed: Sequence[int] = range(MOST_STROKES + 1)) -> tuple[int, float]:
        """Of the first reed: the best number of strokes, of those `allowed`, for a visit that is made anyway, and the
        minutes then."""
        after = self.after_visit[0][0, : int(self.most_now[0]) + 1]
        best = min((k for k in allowed if k < len(after)), key=lambda k: float(after[k]))
        return best, float(after[best])

    @property
    def out_of_reach(self) -> NDArray[np.bool_]:
        """Whether the pitch (n,) is off and neither the lips nor another reading is likely to mend it."""
        off = self.outside >= SURE
        if off.any():
            off &= np.minimum(self.read(), self.after_visit[1][:, 0]) > HARDLY_CHEAPER * self.costs.outside_minutes
        return off


def may_meet(off_cents: Array, sd_cents: Array, tolerance_cents: Array) -> NDArray[np.bool_]:
    """Whether the 90 % interval of a pitch so far off the target (n,) reaches into tolerance of it."""
    return np.asarray(np.abs(off_cents) - Z90 * sd_cents <= tolerance_cents)


class _Level(NamedTuple):
    """One level of the course at each point (m, grid): after so many readings, and what is best from there."""

    step: _Step
    outside: Array
    """Chance that the pitch, as far as it is known there, is outside tolerance."""
    with_cut: NDArray[np.intp]
    """Strokes that go with a cut that is due."""
    waits: NDArray[np.bool_]
    """Whether a cut that is due first waits for a reading."""
    alone: NDArray[np.intp]
    """Strokes in a visit for the lips alone, where that is what is done."""
    what: NDArray[np.intp]
    """READS, WORKS or ENDS, where no cut is due."""


class _Course:
    """The best course of some reeds on the grid, reading by reading: W_1 in minutes (m, grid), solved backward; what is
    done at each level, by which a chance laid on the grid is followed to its end."""

    def __init__(
        self, plans: LipPlans, of: NDArray[np.intp], sigma: Array, late: NDArray[np.intp], cuts_left: Array
    ) -> None:
        self.plans, self.cuts_left, costs = plans, cuts_left, plans.costs
        grid = plans.reach[of, None] * np.linspace(-1.0, 1.0, 2 * HALF_GRID + 1)

        def outside(sd: Array) -> Array:
            over = normal_cdf((grid - plans.tolerance_cents[of, None]) / sd[:, None])
            return over + over[:, ::-1]

        self.levels: list[_Level] = []
        self.at_end = outside(sigma[:, LEVELS])
        self.minutes = self.at_end * costs.outside_minutes
        room = np.arange(int(plans.most[of].max()) + 1)[None, :, None]
        due = np.full(grid.shape, np.inf)
        for level in range(LEVELS - 1, 0, -1):
            step = _Step(plans, of, sigma[:, level], sigma[:, level + 1], int(plans.most[of].max()))
            each = step.shifted(self.minutes)
            best = alone = np.argmin(each, axis=1)
            least = least_alone = _picked(each, best)
            if (late[:, level] < plans.most[of]).any():
                each = np.where(room <= late[:, level, None, None], each, np.inf)
                alone = np.argmin(each, axis=1)
                least_alone = _picked(each, alone)
            off = outside(sigma[:, level])
            left, read = off * costs.outside_minutes, each[:, 0] + costs.reading_minutes
            visit = least_alone + costs.cut_minutes + costs.reading_minutes
            again = (read < left) & read_first(read, visit, costs)
            what = np.where(again, READS, np.where(left <= visit, ENDS, WORKS))
            # a cut that is due may wait for a reading, which tells what strokes should go with it; not for the last one
            waits = due
            if level < LEVELS - 1:
                look = _Step(plans, of, sigma[:, level], sigma[:, level + 1], 0)
                waits = costs.reading_minutes + look.shifted(due)[:, 0]
            wait, due = waits < least, np.minimum(waits, least)
            anyway = self._anyway(level)
            self.minutes = anyway * due + (1.0 - anyway) * np.where(again, read, np.minimum(left, visit))
            self.levels.append(_Level(step, off, best, wait, np.where(what == WORKS, alone, 0), what))

    def _anyway(self, level: int) -> Array:
        return np.clip(self.cuts_left - (level - 1), 0.0, 1.0)[:, None]

    def followed(self, chance: Array) -> Array:
        """What follows (m, 4) where the pitch lies on the grid with this chance (m, grid)."""
        costs, out = self.plans.costs, np.zeros((len(chance), 4))
        due = np.zeros_like(chance)
        for readings, level in enumerate(reversed(self.levels), 1):
            cut = self._anyway(readings) * chance
            free, cut = chance - cut, cut + due
            waits = np.where(level.waits, cut, 0.0)
            cut = cut - waits
            goes = np.where(level.what == ENDS, 0.0, free)
            out[:, 1] += ((free - goes) * level.outside).sum(axis=1)
            out[:, 2] += np.where(level.what == WORKS, free, 0.0).sum(axis=1)
            out[:, 3] += goes.sum(axis=1) + waits.sum(axis=1)
            chance = level.step.moved(cut, level.with_cut) + level.step.moved(goes, level.alone)
            due = level.step.moved(waits, np.zeros_like(level.with_cut))
        out[:, 1] += ((chance + due) * self.at_end).sum(axis=1)
        visits = out[:, 2] * costs.cut_minutes + out[:, 3] * costs.reading_minutes
        out[:, 0] = out[:, 1] * costs.outside_minutes + visits
        return out


class _Step:
    """Strokes (0 to the most of any) and one reading, for some of the reeds: where they take a pitch.

    From off the target by delta to delta + k l + sd_k eta: on five nodes of eta on the grid, which is even, so that
    each node shifts the values on it by so many of its steps, and a share of the next; from where the pitch is now, of
    which little may be known yet, on so many that no step of a chance falls between two.
    """

    def __init__(self, plans: LipPlans, of: NDArray[np.intp], sd_now: Array, sd_then: Array, most: int) -> None:
        self.plans, self.of, self.strokes = plans, of, most + 1
        strokes = np.arange(self.strokes)
        learned = np.maximum(sd_now**2 - sd_then**2, 0.0)
        step = (HALF_GRID / plans.reach[of])[:, None]
        self.mean = (plans.per_stroke[of, None] * strokes) * step
        self.sd = np.sqrt(learned[:, None] + (plans.stroke_sd[of, None] * strokes) ** 2) * step
        self.barred = np.where(strokes > plans.most[of, None], np.inf, 0.0)
        eta, self.weight = nodes(5)
        steps = self.mean[:, :, None] + self.sd[:, :, None] * eta
        whole = np.floor(steps)
        self.share = steps - whole
        self.whole = np.clip(whole, -2 * HALF_GRID - 1, 2 * HALF_GRID + 1).astype(np.intp)

    def _from_now(self) -> tuple[NDArray[np.intp], Array, Array]:
        """Where the pitch comes to lie (m, strokes, nodes): the grid's point below, the share of the one above, and
        the nodes' weights."""
        eta, weight = even_nodes(WIDE_NODES)
        here = HALF_GRID * (self.plans.off / self.plans.reach)[self.of] + HALF_GRID
        place = here[:, None, None] + self.mean[:, :, None] + self.sd[:, :, None] * eta
        place = np.clip(place, 0.0, 2.0 * HALF_GRID)
        low = np.minimum(place.astype(np.intp), 2 * HALF_GRID - 1)
        return low, place - low, weight

    def at_once(self, minutes: Array) -> Array:
        """Expected minutes (m, strokes) from where the pitch is now; minutes (m, grid)."""
        low, share, weight = self._from_now()
        row = np.arange(len(self.of))[:, None, None]
        return ((1.0 - share) * minutes[row, low] + share * minutes[row, low + 1]) @ weight + self.barred

    def laid(self, strokes: NDArray[np.intp]) -> Array:
        """The chance (m, grid) of where the pitch lies after so many strokes (m,) from where it is now."""
        every, shares, weight = self._from_now()
        row = np.arange(len(strokes))
        low, share = every[row, strokes], shares[row, strokes]
        to = np.stack([low, low + 1])
        rows = np.broadcast_to(row[:, None], to.shape)
        return _summed(rows, to, np.stack([1.0 - share, share]) * weight, len(strokes))

    def shifted(self, minutes: Array) -> Array:
        """Expected minutes (m, strokes, grid) on the whole grid; minutes (m, grid), held at their ends beyond it."""
        size = minutes.shape[1]
        padded = np.concatenate(
            [np.repeat(minutes[:, :1], size + 1, 1), minutes, np.repeat(minutes[:, -1:], size + 1, 1)], axis=1
        )
        windows = sliding_window_view(padded.reshape(-1), size + 1)
        first = np.arange(len(minutes))[:, None] * padded.shape[1] + size + 1
        out = np.zeros((len(minutes), self.strokes, size)) + self.barred[:, :, None]
        for node, weight in enumerate(self.weight):
            found = windows[first + self.whole[:, :, node]]
            upper = weight * self.share[:, :, node, None]
            out += (weight - upper) * found[..., :-1]
            out += upper * found[..., 1:]
        return out

    def moved(self, chance: Array, strokes: NDArray[np.intp]) -> Array:
        """Where a chance (m, grid) comes to lie after so many strokes (m, grid) at each point and a reading."""
        row, place = np.nonzero(chance > 0.0)
        worked = strokes[row, place]
        upper = self.share[row, worked]
        low = place[:, None] + self.whole[row, worked]
        part = chance[row, place][:, None] * self.weight
        last = chance.shape[1] - 1
        to = np.stack([np.clip(low, 0, last), np.clip(low + 1, 0, last)])
        rows = np.broadcast_to(row[:, None], to.shape)
        return _summed(rows, to, np.stack([(1.0 - upper) * part, upper * part]), len(chance))


def _summed(row: NDArray[np.intp], place: NDArray[np.intp], chance: Array, count: int) -> Array:
    """Chances laid on the grid (count, grid): so much of it (any shape) at each of these rows and places."""
    size = 2 * HALF_GRID + 1
    laid = np.bincount((row * size + place).reshape(-1), chance.reshape(-1), minlength=count * size)
    return laid.reshape(count, size).astype(np.float64)


def _picked(each: Array, which: NDArray[np.intp]) -> Array:
    """Of options (m, k, grid) at each point the one numbered (m, grid)."""
    return np.asarray(np.take_along_axis(each, which[:, None], axis=1)[:, 0])


def _cheaper(first: Array, second: Array) -> Array:
    """Of two options (…, 4) each time the one of fewer minutes."""
    return np.where(first[..., :1] <= second[..., :1], first, second)
