"""Posterior + aim -> the next step. The first step is weighed exactly, what follows it by the policy's table.

For every cut on the tool's step the distribution of the next reading is taken from the whole posterior (slope nodes,
bend, execution), the reduced state that would follow is looked up, and the cheapest of finish / read again / cut wins.

Two rules keep the answer sane by construction: a rung of the ladder that holds a lost reed dearer never gives a longer
cut (of the cuts that each rung would have, up to the one in force, the shortest is taken), and a lower ceiling only
ever moves up the ladder.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.base.records import Action
from trimfit.base.units import Interval
from trimfit.planner.aim import Aim, AimPosterior, interval_of
from trimfit.planner.away import at_its_aim
from trimfit.planner.chance_past import chance_over, past_and_short, past_when_next_seen
from trimfit.planner.lip_work import LipPlans
from trimfit.planner.policy_table import (
    LADDER,
    MOST_READINGS,
    PolicyTable,
    ending,
    finish_cost,
    first_rung,
    read_first,
    worth_reading,
)
from trimfit.planner.quantities import CutError, Quantities, even_nodes, nodes, normal_cdf
from trimfit.regression.outputs import Array

LEAST_CEILING = 1e-9
LEAST_CUT_SDS = 2.5
"""A cut shorter than so many of the hand's own errors is none."""
MODEL_DOUBT = 1.4
"""The ceiling is met with this much to spare: no bench is the model, and far out in the tail a chance is right
only to a factor of about so much (reports/playing.md)."""
MOST_UNSURE, MOST_BARRED = 4, 6
"""So many readings of one state are taken because they contradict each other; because they allow no cut. After that the
reed is cut, or left as it is, on what is known: what it may do is in the chances."""
MOST_OVER_LONGEST = 2.0
"""No cut is longer than so many times the longest logged of its type: beyond, the slope is one that nobody has seen.
Where no cut that the hand can hit is so short, the shortest that it can hit is left (`_Weighing.cuts`)."""
FIRST_CUT = 0.8
"""So much of the whole way a cut is reckoned to take where its length is limited and where lip work follows it. First
cuts as advised take less (reports/growth.md)."""
WIDE_NODES = 17
ALIKE = 0.05
"""Costs that differ by less are alike, to the table's exactness."""
VISITS_RUNG = 3
"""Of the ladder: about where a ceiling of 1 % has a reed (see `_lip_plan`)."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What the shop allows: ceiling on the chance of ever going past, the tool's step, the cost of a lost reed.

    longest_mm: the longest cut logged of the reed's type, None where none was.
    """

    chance_past_ceiling: float
    step_mm: float
    lost_minutes: float
    error: CutError
    longest_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Unconfirmed:
    """Another explanation of the latest readings (one was wild, the reed moved): its chance, the posterior if it is
    the true one, and whether it is that the reed moved."""

    chance: float
    posterior: AimPosterior
    moved: bool = False


@dataclass(frozen=True, slots=True)
class Choice:
    """The step chosen, and what is known before and after it. Pitches in cents from 440 Hz.

    chance_good: that the reed is within tolerance after this step; chance_within: at the end, if all further advice is
    followed; chance_past_end: that it is past then; chance_past_now: that it is past as it stands.
    """

    action: Action
    length_mm: float
    lip_strokes: int
    gap_now_cents: Interval
    gap_after_cents: Interval
    meet_mean_cents: float
    meet_sd_cents: float
    chance_past: float
    chance_good: float
    reason: str
    chance_within: float = 0.0
    chance_past_end: float = 0.0
    chance_past_now: float = 0.0


def rung_of(table: PolicyTable, m: float, v: float, s: float, tie: float, rules: Rules) -> int:
    """`rungs_of` for one reed."""
    return int(rungs_of(table, np.array([m]), np.array([v]), np.array([s]), np.array([tie]), rules)[0])


def rungs_of(table: PolicyTable, m: Array, v: Array, s: Array, tie: Array, rules: Rules) -> NDArray[np.intp]:
    """The least rung (n,) at or over the shop's own cost whose chance of ever going past is under the ceiling.

    m, v, s, tie (n,): reduced states. The chance that the reed is past now is not held against a cut, nor what it does
    by itself between visits (`planner.policy_table`).
    """
    first = first_rung(rules.lost_minutes)
    if table.costs.beyond_sd_cents:
        # what is not known of a chanter that is away is no risk of the cut: its price alone decides
        return np.full(len(m), first, dtype=np.intp)
    # the reed as it was when new decides too, so that the risk is one for its life and not one for each cut
    new = np.minimum(m, -8.0 * table.costs.tolerance_cents), np.maximum(s, 0.15)
    ties = np.stack([np.zeros_like(tie), tie])
    corners = table.corners(np.stack([new[0], m]), np.stack([v, v]), np.stack([new[1], s]), ties)
    over_now = table.at(table.past_now()[None], 0, corners)
    out = np.full(len(m), len(LADDER) - 1, dtype=np.intp)
    for rung in reversed(range(first, len(LADDER))):
        chance = table.at(table.past, rung, corners) - table.at(table.by_itself, rung, corners) - over_now
        chance = chance.max(axis=0)
        out[MODEL_DOUBT * chance <= rules.chance_past_ceiling] = rung
    return out


class _Future:
    """What follows each of some cuts (n,) with `lip` strokes and the reading after it, on any rung."""

    def __init__(self, posterior: AimPosterior, table: PolicyTable, length: Array, lip: float, error: CutError) -> None:
        whole_posterior, posterior = posterior, posterior.known()
        worked = (length > 0) | (lip > 0)
        mean, variance = posterior.after(length, lip, error)
        mean = mean - posterior.stop_cents
        noise = np.where(worked, posterior.reading_sd_cents, posterior.again_sd_cents) ** 2
        jumped = np.where(worked, posterior.wait_jump, posterior.again_jump)
        variance = variance + np.where(worked, 0.0, posterior.again_var[0])[:, None]
        way_next = [part[:, None, None] for part in posterior.way_left(length, lip, error)]
        self.table = table
        self.parts = []
        for share, jump_var, (eta, weight) in (
            (1.0 - jumped, 0.0, nodes(3) if worked.any() else even_nodes(WIDE_NODES)),
            (jumped, float(posterior.jump_var[0]), even_nodes(WIDE_NODES)),
        ):
            if not share.any():
                continue
            centre = mean @ posterior.weight
            spread = mean - centre[:, None]
            whole = variance + jump_var
            total = whole @ posterior.weight + (spread**2) @ posterior.weight
            gain, v_next = total / (total + noise), total * noise / (total + noise)
            surprise = spread[:, :, None] + np.sqrt(whole + noise[:, None])[:, :, None] * eta[None, None, :]
            m_next = centre[:, None, None] + gain[:, None, None] * surprise
            corners = table.corners(m_next, v_next[:, None, None], *way_next)
            self.parts.append((share, corners, posterior.weight[None, :, None] * weight[None, None, :]))
        self.moves_past = np.zeros(len(length))
        if variance.size and (posterior.moves if worked.any() else posterior.again_var[0] > 0.0):
            self.moves_past = _moves_past(whole_posterior, worked, length, lip, error, table.costs.tolerance_cents)

    def cost(self, rung: int) -> Array:
        """Expected minutes (n,) from then on; what goes past by itself costs what it costs the shop, on every rung."""
        return self._mean(self.table.value, rung) - self.moves_past * (LADDER[rung] - self.table.costs.lost_minutes)

    def cuts(self, rung: int) -> Array:
        """Expected further cuts (n,)."""
        return self._mean(self.table.cuts, rung)

    def within(self, rung: int) -> Array:
        """Chance (n,) of ending within tolerance."""
        return self._mean(self.table.within, rung)

    def past(self, rung: int) -> Array:
        """Chance (n,) of ending past."""
        return self._mean(self.table.past, rung)

    def _mean(self, what: Array, rung: int) -> Array:
        out: Array = np.zeros(1)
        for share, corners, weight in self.parts:
            out = out + share * (self.table.at(what, rung, corners) * weight).sum(axis=(1, 2))
        return out


def _moves_past(
    posterior: AimPosterior,
    worked: NDArray[np.bool_],
    length: Array,
    lip: float,
    error: CutError,
    tolerance_cents: float,
) -> Array:
    """By how much the chance of being past grows by itself (n,) from each cut, or none, to the next visit."""
    mean, variance = posterior.at_once().after(length, lip, error)
    over, moved = (mean - tolerance_cents), np.where(worked, posterior.wait_var[0], posterior.again_var[0])[:, None]
    later = over + np.where(worked, posterior.wait_mean[0], 0.0)[:, None]
    jumped = np.where(worked, posterior.wait_jump, posterior.again_jump)[:, None]
    grown = (1.0 - jumped) * normal_cdf(later / np.sqrt(variance + moved)) - normal_cdf(over / np.sqrt(variance))
    if jumped.any():
        grown += jumped * normal_cdf(later / np.sqrt(variance + moved + posterior.jump_var[0]))
    return np.asarray(grown @ posterior.weight)


def _cheapest(minutes: Array, moves: bool) -> int:
    """Which of some cuts (n,), shorter ones first, costs least; of those that cost alike the longest, if the reed
    moves until its next visit: a short cut would keep it on the bench for many visits more, until it happens to read
    right."""
    least = float(minutes.min())
    return int(np.flatnonzero(minutes <= least + ALIKE * moves * abs(least))[-1 if moves else 0])


def _outside(off_cents: float, sd_cents: float, tolerance_cents: float) -> float:
    """Chance that a normal value lies farther from zero than the tolerance."""
    ends = (np.array([off_cents, -off_cents]) - tolerance_cents) / max(sd_cents, 1e-9)
    return float(normal_cdf(ends).sum())


def _lip_plan(
    posterior: AimPosterior, aim: Aim, table: PolicyTable, error: CutError, able: Array, again: _Future
) -> LipPlans | None:
    """What the pitch wants, where the gap alone would have this visit and so many more: strokes then cost no visit.
    None without a target.

    Of how many there will be only a rough number is wanted, and it is taken on one rung for all: were it to follow
    ceiling or cost, a lower ceiling could have other strokes done, and with them a longer cut.
    """
    costs = table.costs
    if aim.target_cents is None:
        return None
    length, after = 0.0, 0.0
    if len(able):
        cut = _Future(posterior, table, able, 0.0, error)
        best = int(np.argmin(cut.cost(VISITS_RUNG)))
        length, after = float(able[best]), float(cut.cuts(VISITS_RUNG)[best])
    left = np.array([[after, float(again.cuts(VISITS_RUNG)[0])]])
    asked = np.array([aim.target_cents]), np.array([aim.tolerance_cents])
    return LipPlans(Quantities.of([posterior]), *asked, costs, error, np.array([length]), left)


class _Weighing:
    """One reed's choice in work: what is known of it, over all explanations of its latest readings, and what it may do.

    m, v, s, tie: its reduced state; rung: of the ladder; again: what follows a reading with no work before it; doubt:
    the chance of the other explanations.
    """

    def __init__(
        self, posterior: AimPosterior, aim: Aim, table: PolicyTable, rules: Rules, others: Sequence[Unconfirmed]
    ) -> None:
        self.posterior, self.aim, self.table, self.rules, self.others = posterior, aim, table, rules, others
        self.costs, self.error, self.tolerance = table.costs, rules.error, aim.tolerance_cents
        self.away = table.costs.beyond_sd_cents > 0.0
        self.m, self.v = float(posterior.mean[0]) - posterior.stop_cents, max(float(posterior.cov[0, 0]), 1e-6)
        self.s, self.tie = posterior.way_now()
        self.rung = rung_of(table, self.m, self.v, self.s, self.tie, rules)
        self.again = self.future(0.0, 0)
        self.doubt = sum(other.chance for other in others)
        self.gap_now = self.gap(posterior, 0.0, 0)

    def future(self, lengths: Array | float, lip: int) -> _Future:
        """What follows cuts (n,) mm with so many strokes."""
        return _Future(self.posterior, self.table, np.atleast_1d(lengths), float(lip), self.error)

    def mixed(self, likeliest: Array, each: Sequence[Array]) -> Array:
        """A chance as it is stated: the mean over all explanations."""
        out = (1.0 - self.doubt) * likeliest
        for other, chance in zip(self.others, each, strict=True):
            out = out + other.chance * chance
        return out

    def gap(self, likeliest: AimPosterior, length: float, lip: int) -> Interval:
        """The gap (90 %) after a cut and strokes, over all explanations."""
        seen = [(1.0 - self.doubt, likeliest), *((other.chance, other.posterior) for other in self.others)]
        parts = [(share, *one.outcomes(np.array([length]), float(lip), self.error)) for share, one in seen]
        return interval_of(
            np.concatenate([share * weight[0] for share, weight, _, _ in parts]),
            np.concatenate([mean[0] for _, _, mean, _ in parts]),
            np.concatenate([variance[0] for _, _, _, variance in parts]),
        )

    def handed_over(self, seen: AimPosterior) -> tuple[float, float, float]:
        """Chances of past and of short now, and the cents under tolerance, as the table prices them."""
        if not self.away:
            over, short = past_and_short(seen, self.tolerance, np.zeros(1), 0.0, self.error)
            return float(over[0]), float(short[0]), 0.0
        gap, variance = np.array(float(seen.mean[0]) - self.posterior.stop_cents), np.array(float(seen.cov[0, 0]))
        over, short, under = ending(self.costs, gap, variance)
        return float(over), float(short), float(under)

    def past_now(self) -> float:
        """The chance that the reed is past as it stands, over all explanations."""
        likeliest, *each = (np.array(self.handed_over(one)[0]) for one in self._seen())
        return float(self.mixed(likeliest, each))

    def _seen(self) -> list[AimPosterior]:
        return [self.posterior, *(other.posterior for other in self.others)]

    def _ends(self, seen: AimPosterior, length: float, lip: int) -> Array:
        """Chances of being past and of being short right after it, and of being past when it is next seen (3,)."""
        over, under = past_and_short(seen.at_once(), self.tolerance, np.array([length]), float(lip), self.error)
        return np.array([over[0], under[0], past_when_next_seen(seen, self.tolerance, length, float(lip), self.error)])

    def at_stake(self, length: float, lip: int, *, last: bool) -> float:
        """Minutes that the other explanations would cost, at this rung, over those counted already."""
        likeliest, cost = self._ends(self.posterior, length, lip), 0.0
        for other in self.others:
            past, short, _ = np.maximum(self._ends(other.posterior, length, lip) - likeliest, 0.0)
            left = float(short) * self.costs.outside_minutes if last else 0.0
            cost += other.chance * (float(past) * LADDER[self.rung] + left)
        return cost

    def allowed(self, lengths: Array, lip: int, *, borne_out: bool = False) -> NDArray[np.bool_]:
        """Which cuts (n,) the ceiling allows, whatever is cheapest: no single one takes more of a chance than the reed
        may in all its life. borne_out: as if a further reading agreed with the likeliest explanation.

        For a chanter that is away the price alone decides (`rungs_of`), with one exception: the first cut of a type
        that nobody has cut yet keeps to the ceiling too, on the chance of going over the gap that the work stops at by
        more than the tolerance.
        """
        every, limit = [self.posterior] if borne_out else self._seen(), self.tolerance
        if self.away and self.rules.longest_mm is not None:
            return np.ones(len(lengths), dtype=np.bool_)
        if self.away:
            every, limit = [seen.known() for seen in every], self.posterior.stop_cents + self.tolerance
        likeliest, *each = (chance_over(seen.at_once(), limit, lengths, float(lip), self.error) for seen in every)
        chance = self.mixed(likeliest, each) if each else likeliest
        return np.asarray(MODEL_DOUBT * chance <= max(self.rules.chance_past_ceiling, LEAST_CEILING))

    def answer(self, action: Action, reason: str, length: float = 0.0, lip: int = 0) -> Choice:
        """The step, and what is known after it."""
        posterior, each = self.posterior, [self._ends(seen, length, lip) for seen in self._seen()]
        past, under, stated = (float(chance) for chance in self.mixed(each[0], each[1:]))
        pitch = posterior.meeting(float(lip))
        on_pitch = 1.0 - posterior.pitch_outside(self.aim, length, float(lip), self.error)
        good = max(0.0, 1.0 - past - under) * on_pitch
        within, past_end = good, past
        if action in ("trim", "read-again"):
            ahead = self.future(length, lip) if length or lip else self.again
            within, past_end = float(ahead.within(self.rung)[0]), float(ahead.past(self.rung)[0])
            if posterior.spaced:
                within, past_end = at_its_aim(within, past_end, posterior, self.costs)
            if self.aim.target_cents is not None:
                within *= 1.0 - _outside(pitch[0] - self.aim.target_cents, pitch[1], self.tolerance)
        if self.others:  # past by another explanation is past too, and stays so
            within, past_end = min(within, 1.0 - stated), max(past_end, stated)
        after = self.gap(posterior, length, lip)
        now = stated
        if length or lip:
            likeliest, *others = (self._ends(seen, 0.0, 0)[2:] for seen in self._seen())
            now = float(self.mixed(likeliest, others)[0])
        return Choice(action, length, lip, self.gap_now, after, *pitch, stated, good, reason, within, past_end, now)

    def cuts(self) -> tuple[Array, bool, bool]:
        """Cuts on the tool's step (n,) that the hand can hit, the blade has, and the type's longest allows; whether the
        blade is too short for one that is wanted; whether that limit shortens any."""
        posterior, rules, lowest = self.posterior, self.rules, self.gap_now.low
        if self.away:
            lowest = self.gap(posterior.known(), 0.0, 0).low
        slope_now = max(float(posterior.mean[1]), 5.0) * posterior.steep
        room = max(self.aim.most_removed_mm - posterior.removed_mm, 0.0)
        most = math.floor(room / rules.step_mm + 1e-9)
        wanted = math.ceil(2.5 * max(posterior.stop_cents - lowest, self.tolerance) / slope_now / rules.step_mm) + 2
        lengths = np.asarray(np.arange(0, min(most, wanted) + 1) * rules.step_mm, dtype=np.float64)
        able = lengths[lengths > LEAST_CUT_SDS * self.error.sd_mm(lengths)]
        longest = wanted * rules.step_mm
        bladed = most < wanted and longest > LEAST_CUT_SDS * float(self.error.sd_mm(np.array(longest)))
        if rules.longest_mm is None:
            return able, bladed, False
        near = able <= MOST_OVER_LONGEST * rules.longest_mm + 1e-9
        return (able[near] if near.any() else able[:1]), bladed, not near.all()


def choose(
    posterior: AimPosterior,
    aim: Aim,
    table: PolicyTable,
    rules: Rules,
    others: Sequence[Unconfirmed] = (),
    readings: int = 0,
) -> Choice:
    """The next step for one reed. Never a cut that is negative, off the tool's step, or past the blade's limit.

    others: other explanations of the latest readings. The reed is read again where what they put at stake, at the price
    that the chosen rung sets on a lost reed, is more than a reading costs. Chances and intervals are those of the
    mixture of all explanations. readings: of the gap, since the last work: a state is not read for ever.
    """
    reed = _Weighing(posterior, aim, table, rules, others)
    costs, rung, again, zero = table.costs, reed.rung, reed.again, np.zeros(1)
    past_now, short_now, under_now = reed.handed_over(posterior)
    moved = max((other.chance for other in others if other.moved), default=0.0) > 0.5 * reed.doubt
    unsure = "moved" if moved else "alone"
    past_mixed = reed.past_now()
    if past_mixed > 0.5:
        if reed.doubt > 0.02 and past_mixed < 0.95:
            return reed.answer("read-again", unsure)
        noise_doubt = reed.v > 0.5 * posterior.again_sd_cents**2 and past_now < 0.9
        return reed.answer("read-again", "past?") if noise_doubt else reed.answer("past", "past")
    able, bladed, held = reed.cuts()
    lips = _lip_plan(posterior, aim, table, rules.error, able, again)
    if lips is not None and lips.out_of_reach[0]:
        return reed.answer("no-fit", "pitch")
    lip, pitch_then = lips.stroke() if lips is not None else (0, 0.0)
    # where no cut that the hand can hit is short enough, it is not the blade that ends the work
    far = float(normal_cdf(np.array((-reed.tolerance - reed.m) / math.sqrt(reed.v)))) if reed.away else short_now
    if not len(able) and far > 0.5 and bladed:
        return reed.answer("no-fit", "blade")
    cuts = able[reed.allowed(able, lip)] if len(able) else able
    # by themselves so many strokes as the ceiling allows, be they fewer than would go with a cut
    strokes, pitch_stroked, pitch_now, pitch_read = 0, 0.0, 0.0, 0.0
    if lips is not None:
        strokes, pitch_stroked = lips.stroke([k for k in range(lip + 1) if k == 0 or reed.allowed(zero, k)[0]])
        pitch_now, pitch_read = float(lips.leave()[0]), float(lips.read()[0])
    # where one reading allows no cut, and would if a second one agreed, that second one may be worth its minutes
    barred = bool(others) and len(able) > 0 and not len(cuts) and bool(reed.allowed(able, lip, borne_out=True).any())
    gap, variance, spread, tie = (np.array(part) for part in (reed.m, reed.v, reed.s, reed.tie))
    moves_var = float(posterior.again_var[0])
    useful = worth_reading(gap, variance, spread, tie, costs, posterior.again_sd_cents, moves_var)
    may_read = (barred and readings < MOST_BARRED) or (bool(useful) and readings < MOST_READINGS)
    lips_only = reed.future(0.0, strokes) if strokes else None
    cut = reed.future(cuts, lip) if len(cuts) else None
    visit = costs.cut_minutes + costs.reading_minutes
    done = float(finish_cost(np.array(past_now), np.array(short_now), costs, rung, under_now))
    options = [("finished", 0.0, done + pitch_now)]
    if lips_only is not None:
        options.append(("lip", 0.0, visit + float(lips_only.cost(rung)[0]) + pitch_stroked))
    if cut is not None:
        shortest = min(float(cuts[_cheapest(visit + cut.cost(step), posterior.moves)]) for step in range(rung + 1))
        options.append(("trim", shortest, visit + float(cut.cost(rung).min()) + pitch_then))
    if may_read:
        options.append(("read-again", 0.0, costs.reading_minutes + float(again.cost(rung)[0]) + pitch_read))
    if held and cut is not None and short_now > 0.5:
        # dear as it may be to come near in such steps: a reed that is short is not done for a limit of ours
        del options[0]
    name, length, least = min(options, key=lambda option: option[2])
    # a reading goes first where it is hardly dearer: by the gap alone, which what is expected for the pitch would drown
    pitch_part = {"trim": pitch_then, "lip": pitch_stroked}.get(name, 0.0)
    again_part, least_part = options[-1][2] - pitch_part, least - pitch_part
    if name in ("trim", "lip") and may_read and read_first(np.array(again_part), np.array(least_part), costs):
        name, length, least = options[-1]
    length = round(round(length / rules.step_mm) * rules.step_mm, 6)
    lip = {"trim": lip, "lip": strokes}.get(name, 0)
    price = costs.reading_minutes
    if posterior.again_var[0] > 0.0:  # the reed moves until then, which puts at risk what could be had now
        price += max(float(again.cost(rung)[0]) + pitch_read - least, 0.0)
    if readings < MOST_UNSURE and reed.at_stake(length, lip, last=name == "finished") > price:
        return reed.answer("read-again", unsure)
    if name in ("trim", "lip"):
        return reed.answer("trim", "trim", length, lip)
    if name == "read-again":
        return reed.answer("read-again", unsure if barred else "vague")
    if lips is not None and lips.outside_now[0] > 0.9:
        return reed.answer("no-fit", "pitch")
    return reed.answer("finished", "good")
