"""One log opened for questions: the fitted model, the settings, and the posterior about each reed asked after, batch
by batch."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from copy import copy
from dataclasses import dataclass, replace
from itertools import compress
from typing import TYPE_CHECKING

import numpy as np

from trimfit.base.pitch import OUTPUTS, cents_from_440, hz_width_cents
from trimfit.base.progress import Progress, quiet
from trimfit.base.records import Logged, Order, Reed, ReedHistory, Settings
from trimfit.planner.aim import Aim, AimPosterior, see_each
from trimfit.planner.away import SendingLaw, away_costs, left_from_far, spaced_aims
from trimfit.planner.choice import Rules, Unconfirmed
from trimfit.planner.policy_table import Costs, PolicyTable
from trimfit.regression.chanters.kinds import ChanterFacts, facts_of
from trimfit.regression.chanters.sent_reeds import SentReed
from trimfit.regression.design import base_weight, work_before
from trimfit.regression.fitting.bounds import MOST_MET
from trimfit.regression.movement.explanations import Explanation, explained, latest_sitting
from trimfit.regression.movement.process import settling
from trimfit.regression.posterior.reed import Moment, ReedState, batch_states, known_coding
from trimfit.regression.readings.rows import DAY_S, made_day, taken_before
from trimfit.session.chanters_at_hand import ChantersAtHand, SentAway, sent_away
from trimfit.session.fit import rows_in_fit
from trimfit.session.pace import days_to_next
from trimfit.session.policies import Policies, costs_of, cut_error_of

if TYPE_CHECKING:
    from trimfit.log.journal import Journal
    from trimfit.regression.fitted_model import FittedModel

FE = [OUTPUTS.index("f"), OUTPUTS.index("e")]
LONGEST_MM = 8.0
"""The most that may come off a blade whose length nobody gave."""
SAME_STOP_CENTS = 0.5
"""Stops that lie nearer to each other are called the same."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One reed as the log knows it at a moment: its history, state, what is off it, how much its type is known by.

    explanations: what else its latest readings may mean (`regression.movement.explanations`); the state is that of the
    likeliest.
    """

    history: ReedHistory
    state: ReedState
    removed_mm: float
    lip_strokes: float
    type_code: int
    reeds_of_type: int
    low_weight: tuple[str, ...]
    explanations: tuple[Explanation, ...] = ()

    @property
    def name(self) -> str:
        """The reed's name."""
        return self.history.reed.record.reed


class Bench:
    """A log's posteriors as of a moment, under a fitted model. Reads the batches asked after; never the whole log.

    at_s: the moment asked about (seconds since 1970 UTC). Where it is given, `until_s` is the same, and no entry of a
    later instant is looked at; what a type does rests on the last fit all the same, which may know later readings.
    Without it the moment is now, and every entry counts, one too that lies ahead (the clock of another bench, a slip):
    the answer says so (`evidence.grounds`).
    """

    def __init__(
        self,
        journal: Journal,
        model: FittedModel,
        policies: Policies,
        progress: Progress = quiet,
        *,
        at_s: float | None = None,
    ) -> None:
        from trimfit.base.iso_dates import now_s

        self.journal, self.model, self.policies, self.tell = journal, model, policies, progress
        self.until_s = at_s
        self.at_s = now_s() if at_s is None else at_s
        self.settings = journal.settings()
        self.scale = journal.scale()
        self.at_hand = ChantersAtHand(journal, self.model)
        self.readings_each = 1
        self._cuts_mm: dict[str, list[float]] = {}
        self._spaced: dict[str, dict[str, float]] = {}
        self._came: dict[str, list[SentAway]] = {}
        self._asked: dict[tuple[str, str], Collection[str] | None] = {}
        self._elsewhere: tuple[tuple[str, ...], dict[str, Seen]] = (), {}

    def as_of(self, at_s: float) -> Bench:
        """The same log as of another moment, with the same fit; no entry of a later instant is looked at."""
        other = copy(self)
        other.at_s = other.until_s = at_s
        other._asked, other._elsewhere, other._spaced, other._cuts_mm = {}, ((), {}), {}, {}
        other._came = {}
        return other

    def type_code(self, reed_type: str) -> int:
        """The type's code in the fitted model; one past the last for a type it does not know."""
        types = self.model.coding.types
        return types.index(reed_type) if reed_type in types else len(types)

    def cuts_mm(self, reed_type: str) -> list[float]:
        """The latest cuts of a type's reeds, mm."""
        if reed_type not in self._cuts_mm:
            self._cuts_mm[reed_type] = self.journal.latest_amounts("length_mm", reed_type, until_s=self.until_s)
        return self._cuts_mm[reed_type]

    def longest_cut_mm(self, reed_type: str) -> float | None:
        """The longest of those that look like no slip; None where none was logged."""
        from trimfit.entry.checks import without_slips

        return max(without_slips(self.cuts_mm(reed_type)), default=None)

    def policy(self, type_code: int, posterior: AimPosterior | None = None) -> PolicyTable:
        """The type's policy; that for a chanter that is away, where the posterior about a reed is given and says so."""
        return self.policies.of(self._costs(type_code, posterior))

    def _costs(self, type_code: int, posterior: AimPosterior | None) -> Costs:
        settings = self.settings
        costs = costs_of(self.model, type_code, settings, self.readings_each)
        if posterior is None or not posterior.beyond_sd_cents:
            return costs
        # one of several spaced aims is worked to as closely as a tolerance asks, however little is known of all
        sd = min(posterior.beyond_sd_cents, costs.tolerance_cents) if posterior.spaced else posterior.beyond_sd_cents
        return away_costs(costs, sd, settings.cost_lost_minutes, settings.cost_flat_minutes)

    def under(self, settings: Settings, readings_each: int = 1) -> Bench:
        """The same log under other settings, or with so many readings of each state."""
        other = copy(self)
        other.settings, other.readings_each = settings, readings_each
        return other

    def fresh(self, reed_type: str, order: Order) -> Seen:
        """A reed of a batch never seen of this type, for an order."""
        reed = Reed("", reed_type, "")
        history = ReedHistory(Logged("", 0, 0.0, reed), order=order)
        return self.see_histories(reed_type, [history], [order.chanter])[""]

    def rules(self) -> Rules:
        """The shop's rules for a choice."""
        s = self.settings
        return Rules(s.chance_past_ceiling, s.tool_step_mm, s.cost_lost_minutes, cut_error_of(self.model, s))

    def see_batch(
        self, reed_type: str, batch: str, chanters: Sequence[str] = (), *, only: Collection[str] | None = None
    ) -> dict[str, Seen]:
        """The posterior of each reed of a batch, by name: all of them, or `only` those named.

        `chanters` may be asked about besides those met.
        """
        self._asked[reed_type, batch] = only
        return self.see_histories(reed_type, self.histories_of(reed_type, batch), chanters, only=only)

    def histories_of(self, reed_type: str, batch: str) -> list[ReedHistory]:
        """The histories of a batch's reeds as of the moment."""
        return self.journal.of_batch(reed_type, batch, until_s=self.until_s)

    def see_reed(self, reed: Reed, chanters: Sequence[str] = ()) -> Seen:
        """The posterior of one reed, given all readings of its batch."""
        return self.see_batch(reed.reed_type, reed.batch, chanters, only=[reed.reed])[reed.reed]

    def see_elsewhere(self, reed: Reed, chanters: Sequence[str]) -> Seen:
        """One reed with other chanters asked about. The reeds of its batch that were asked after with it are worked out
        with it, and kept until another batch's are: what costs is the batch."""
        key = (reed.reed_type, reed.batch, *chanters)
        if self._elsewhere[0] != key or reed.reed not in self._elsewhere[1]:
            only = {reed.reed, *(self._asked.get((reed.reed_type, reed.batch)) or ())}
            histories = self.histories_of(reed.reed_type, reed.batch)
            self._elsewhere = key, self.see_histories(reed.reed_type, histories, chanters, only=only)
        return self._elsewhere[1][reed.reed]

    def see_histories(
        self,
        reed_type: str,
        histories: Sequence[ReedHistory],
        chanters: Sequence[str] = (),
        *,
        only: Collection[str] | None = None,
    ) -> dict[str, Seen]:
        """The reeds of one batch, or `only` those named, given all their histories."""
        code = self.type_code(reed_type)
        types = self.model.coding.types
        coding = known_coding(self.model, types if code < len(types) else (*types, reed_type))
        wanted = {name for name in chanters if name}
        for history in histories:
            wanted |= {r.record.chanter for r in history.readings if r.record.chanter}
            if history.order is not None:
                wanted.add(history.order.chanter)
        wanted |= {name for name in map(self.at_hand.worked_in, sorted(wanted)) if name}
        sent = {name: self._sent(name) for name in sorted(wanted) if self.at_hand.worked_in(name)}
        wanted |= {one.read_in for reeds in sent.values() for one in reeds}
        names = (*coding.chanters, *sorted(wanted - set(coding.chanters)))
        if len(wanted) > MOST_MET:
            # of very many those that are asked after: each other one that counts is met in the rows below
            asked = [h for h in histories if only is None or h.reed.record.reed in only]
            last = {h.readings[-1].record.chanter for h in asked if h.readings}
            ordered = {h.order.chanter for h in asked if h.order is not None}
            wanted = {name for name in {*chanters, *last, *ordered} if name}
            wanted |= {name for name in map(self.at_hand.worked_in, sorted(wanted)) if name}
        records = {name: self.at_hand.chanter(name) for name in wanted}
        facts = {names.index(name): facts_of(record) for name, record in records.items() if record is not None}
        for name, reeds in sent.items():
            if reeds:
                evidence = tuple(self._as_evidence(one, names) for one in reeds)
                facts[names.index(name)] = replace(facts.get(names.index(name), ChanterFacts()), sent=evidence)
        coding = replace(coding, away=tuple(sorted(number for number, fact in facts.items() if fact.away)))
        rows, _, in_fit = rows_in_fit(self.model, histories, code, names, self.scale)
        wanted_reed = np.array([only is None or name in only for name in rows.reeds], dtype=bool)
        now = self._moment(histories)
        states, blank, weighed = batch_states(
            self.model,
            rows,
            coding,
            code,
            in_fit=in_fit,
            extra_chanters=[names.index(name) for name in wanted],
            chanter_names=names,
            facts=facts,
            only=wanted_reed,
            now=now,
        )
        by_reed = dict(zip(compress(rows.reeds, wanted_reed), states, strict=True))
        number = {name: i for i, name in enumerate(rows.reeds)}
        # of F and E alone, which the answers are about; what a reading counts for by itself says nothing against it
        low = (np.isfinite(rows.y) & (weighed.weight < 0.5 * base_weight(rows, coding)))[:, FE].any(axis=1)
        read = sum(1 for h in histories if any(r.record.notes_hz for r in h.readings))
        known = max(int(self.model.reeds[code]) if code < len(types) else 0, read)
        out = {}
        for history in histories:
            name = history.reed.record.reed
            if only is not None and name not in only:
                continue
            length, strokes = taken_before(history)
            mine = tuple(str(rows.label[i]) for i in np.flatnonzero(low) if rows.reeds[rows.reed_code[i]] == name)
            state = by_reed.get(name, blank)
            others: tuple[Explanation, ...] = ()
            if name in number:
                place = number[name]
                # after an event the level may be anywhere: whether the reading before was wild changes nothing
                stands = not now.event[place]
                latest = latest_sitting(state, weighed, coding, names, place, now.settle[place]) if stands else None
                state, others = explained(state, latest, self.model.wild_share)
            out[name] = Seen(history, state, length, strokes, code, known, mine, others)
        return out

    def _sent(self, chanter: str) -> list[SentAway]:
        """What came of reeds sent to a chanter that is away."""
        if chanter not in self._came:
            self._came[chanter] = sent_away(self.journal, chanter, self.until_s)
        return self._came[chanter]

    def _as_evidence(self, sent: SentAway, names: Sequence[str]) -> SentReed:
        types = self.model.coding.types
        ratio = self.model.coding.slope_ratio
        return SentReed(
            names.index(sent.read_in) if sent.read_in in names else -1,
            float(ratio[types.index(sent.reed_type)]) if sent.reed_type in types else 1.0,
            sent.gap_cents,
            sent.came,
            hz_width_cents(self.settings.tolerance_hz, 470.0),
        )

    def _moment(self, histories: Sequence[ReedHistory]) -> Moment:
        """The moment asked about, for the reeds of a batch that were read, and for one that was not."""
        days: list[float] = []
        settle: list[np.ndarray] = []
        unsettled: list[np.ndarray] = []
        event: list[bool] = []
        blank, blank_unsettled = np.zeros(2), np.zeros(2)
        for history in histories:
            last = history.readings[-1].at_s if history.readings else -np.inf
            day = max(last, self.at_s) / DAY_S
            works = work_before([day], [trim.at_s / DAY_S for trim in history.trims])
            made = np.array([made_day(history.reed.record.made_on)])
            there, yet = (one[0] for one in settling(np.array([day]), made, np.array(works)))
            if history.readings:
                days.append(day)
                settle.append(there)
                unsettled.append(yet)
                event.append(any(one.at_s > last for one in history.events))
            else:
                blank, blank_unsettled = there, yet
        now, yet = (np.array(values).reshape(-1, 2) for values in (settle, unsettled))
        return Moment(np.array(days), now, yet, blank, blank_unsettled, np.array(event, dtype=bool))

    def aim(self, seen: Seen, order: Order | None = None) -> Aim:
        """What the reed is for: its order's chanter, pitch and pressure, else the chanter it was last read on."""
        order = order or seen.history.order
        chanter = order.chanter if order is not None else self.last_chanter(seen)
        target = order.target_pitch_hz if order is not None else None
        blade = seen.history.reed.record.blade_mm
        worked_in = self.at_hand.worked_in(chanter, self.last_chanter(seen)) if order is not None else None
        aim = Aim(
            chanter,
            order.pressure_kpa if order is not None else None,
            cents_from_440(target) if target else None,
            hz_width_cents(self.settings.tolerance_hz, target or 470.0),
            max(blade - self.settings.least_blade_mm, 0.0) if blade else LONGEST_MM,
            worked_in=worked_in,
        )
        if order is None or worked_in is None or seen.history.reed.record.order != order.order:
            return aim
        if order.order not in self._spaced:
            self._spaced[order.order] = {}  # while they are worked out each reed is seen by itself
            self._spaced[order.order] = self._aims_of(order)
        stops = self._spaced[order.order]
        if seen.name not in stops:
            return aim
        mine = stops[seen.name]
        alike = sum(abs(stop - mine) < SAME_STOP_CENTS for stop in stops.values())
        return replace(aim, spaced_cents=mine, stop_shared=(alike, len(stops)))

    def _aims_of(self, order: Order) -> dict[str, float]:
        """The gaps there (cents) that the reeds of an order are worked to whose chanter is away, by reed: spaced where
        more are put to it than it wants, else none. The reed that is farthest on has the sharpest."""
        names = self.journal.reeds_of_order(order.order)
        if not order.quantity or len(names) <= order.quantity:
            return {}
        kept = [
            history
            for history in self.journal.of_reeds(names, until_s=self.until_s)
            if history.outcome is None or history.outcome.record.outcome == "good"
        ]
        if len(kept) <= order.quantity:
            return {}
        seen: dict[str, Seen] = {}
        for reed_type, batch in sorted({(h.reed.record.reed_type, h.reed.record.batch) for h in kept}):
            only = [h.reed.record.reed for h in kept]
            seen |= self.see_histories(reed_type, self.histories_of(reed_type, batch), [order.chanter], only=only)
        aims_each = {name: self.aim(one, order) for name, one in seen.items()}
        found = {name: self.posterior(one, aims_each[name]) for name, one in seen.items()}
        tolerance = next(iter(aims_each.values())).tolerance_cents
        off, law = self.sending_law([(seen[name].type_code, one) for name, one in found.items()], tolerance)
        aims, _ = spaced_aims(len(found), int(order.quantity), *law)
        on = sorted(found, key=lambda name: (float(found[name].mean[0]), name))
        return {name: aim - off for name, aim in zip(on, aims, strict=True)}

    def sending_law(
        self, reeds: Sequence[tuple[int, AimPosterior]], tolerance_cents: float, *, spaced: bool = True
    ) -> tuple[float, SendingLaw]:
        """How reeds end that are sent to a chanter that is away: how far off the gap that each is worked toward, in the
        mean over them, cents, and the law of those ends. reeds: of each its type's code and posterior; spaced: each is
        worked toward a gap of its own."""
        left = [left_from_far(self.policy(code, replace(one, spaced=spaced)), one.way_now()[0]) for code, one in reeds]
        off, own_var = np.mean([(mean, sd**2) for mean, sd in left], axis=0)
        beyond = max(one.beyond_sd_cents for _, one in reeds)
        return float(off), (round(beyond, 1), round(float(np.sqrt(own_var)), 2), round(tolerance_cents, 2))

    @staticmethod
    def last_chanter(seen: Seen) -> str | None:
        """The chanter of the last reading that names one."""
        return next((r.record.chanter for r in reversed(seen.history.readings) if r.record.chanter), None)

    def posterior(self, seen: Seen, aim: Aim) -> AimPosterior:
        """The reed's posterior seen from an aim."""
        return self.posteriors(seen, [aim])[0]

    def others(self, seen: Seen, aim: Aim) -> list[Unconfirmed]:
        """The other explanations of the reed's latest readings, seen from an aim."""
        return [
            Unconfirmed(one.chance, self.posteriors(seen, [aim], one.state)[0], one.moved) for one in seen.explanations
        ]

    def posteriors(self, seen: Seen, aims: Sequence[Aim], state: ReedState | None = None) -> list[AimPosterior]:
        """The reed's posterior seen from each of some aims; state: by another explanation of its latest readings."""
        state = state or seen.state
        if self.readings_each > 1:
            state = replace(state, noise_cov=state.noise_cov / self.readings_each)
        # a reed that has lain can be read at once; one that was just read, only when it is in hand again
        again_days = days_to_next(seen.history, self.model.again_days, work=False) if state.idle_days == 0.0 else 0.0
        wait_days = days_to_next(seen.history, self.model.wait_days, work=True)
        found = see_each(state, aims, seen.removed_mm, seen.lip_strokes, wait_days, again_days)
        return [self._whole(posterior, seen, aim) for posterior, aim in zip(found, aims, strict=True)]

    def _whole(self, posterior: AimPosterior, seen: Seen, aim: Aim) -> AimPosterior:
        """With what is known of the chanter's pitch besides, and where the work goes toward."""
        hint = self.at_hand.pitch_hint(aim, seen.type_code)
        if not posterior.beyond_sd_cents:
            return replace(posterior, hint=hint) if hint[1] else posterior
        posterior = replace(posterior, hint=hint)
        if aim.spaced_cents is not None:
            return replace(posterior, stop_cents=aim.spaced_cents, spaced=True)
        return replace(posterior, stop_cents=self._costs(seen.type_code, posterior).stop_cents)
