"""`pick`: which blanks of the stock to start an order with, and putting them to it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from trimfit.base.errors import InputError, command, short
from trimfit.base.natural_order import as_counted
from trimfit.base.normal import Z90, hz_interval
from trimfit.base.plain_words import MOST_NAMED, away_words, chance_words
from trimfit.base.records import Order, ReedHistory
from trimfit.log.journal import Journal
from trimfit.planner.aim import Aim
from trimfit.planner.away import (
    MOST_SENT,
    OnPitch,
    enough_sent,
    reeds_to_send,
    shares_sent,
    spaced_aims,
    standing,
)
from trimfit.planner.expected_cost import reeds_to_start
from trimfit.planner.forecast import Forecast, good_on_nodes, mixed, on_pitch
from trimfit.planner.quantities import Quantities
from trimfit.planner.reasons import FEW_REEDS, WIDE_TOLERANCES, basis
from trimfit.review.results import hours_words
from trimfit.session.evidence import grounds
from trimfit.session.open_log import Bench, Seen
from trimfit.session.order_progress import chanter_word, order_named, order_progress, too_little_known
from trimfit.session.reed_forecasts import forecast_of, still_wanted
from trimfit.session.session import Session
from trimfit.verbs.ask import see_all, suits
from trimfit.verbs.log import log_reed, strike
from trimfit.verbs.wording import spread

SHOWN_BEYOND, SHOWN_WITHOUT_NUMBER = 6, 20
HARDLY = 0.05
"""A reed less likely than this to end good is allotted to nobody, and picked last."""
SHARP = 0.5
SURELY_OFF = 0.99
PITCH_OPEN = "whether it will meet at the pitch asked for is not known yet"
LEAST_GOOD, LEAST_SHARE = 0.05, 1e-3
LIKELY, FEW_GOOD = 0.5, 0.25
Foreseen = tuple[Seen, Forecast]
"""A reed, and what working it to its end gives."""


@dataclass(frozen=True, slots=True)
class Pick:
    """One blank for an order. `length_mm`, `trims`: yet to come off; a guess where `cuts_known` is False.

    `crow_hz`: as last read, None if it never was; `remark`: what `why` says beyond length
    and cuts; `order`: the order it belongs to already, if any, and `started`: it is in work for this one, so that it is
    no free blank; `minutes`: expected cost, what a reed lost or left outside tolerance costs included, and the chance
    that it is of another weight."""

    reed: str
    length_mm: float
    trims: float
    chance_good: float
    crow_hz: float | None
    why: str
    reed_type: str = ""
    batch: str = ""
    order: str | None = None
    remark: str = ""
    minutes: float = 0.0
    weight: str | None = None
    started: bool = False
    cuts_known: bool = True


@dataclass(frozen=True, slots=True)
class Picked:
    """The blanks for an order, the least expected cost first; how many it still wants beyond those in work for it
    (None: no number was said); what to know about all of them; what it needs (None: no number, or no blank)."""

    order: Order
    blanks: tuple[Pick, ...]
    wanted: int | None
    notes: tuple[str, ...]
    need: Need | None = None

    @property
    def to_start(self) -> int | None:
        """`Need.to_start`."""
        return self.need.to_start if self.need is not None else None

    def shortage(self) -> str:
        """How many the order is short, and how many to start, in words."""
        return self.need.words() if self.need is not None else "the order names no number"

    def free(self) -> list[Pick]:
        """The blanks that may still be put to the order: those in work for it already are left out."""
        return [one for one in self.blanks if not one.started]

    def counted(self) -> str:
        """`76 free blanks, and 6 in work for it that were not cut yet`."""
        free = len(self.free())
        own = len(self.blanks) - free
        also = f", and {own} in work for it that {'was' if own == 1 else 'were'} not cut yet" if own else ""
        return f"{free or 'no'} free blank{'s' * (free > 1)}{also}"

    def start_and_shown(self, *, everything: bool = False) -> tuple[int | None, Sequence[Pick]]:
        """How many free blanks to start (None: not known, or hardly any would be good), and the blanks to show: some
        more free ones than are wanted, or all."""
        start = self.to_start
        most = SHOWN_WITHOUT_NUMBER if self.wanted is None else max(self.wanted, start or 0) + SHOWN_BEYOND
        free = self.free()
        shown_all = everything or len(free) <= most
        return start, self.blanks if shown_all else self.blanks[: self.blanks.index(free[most])]


@dataclass(frozen=True, slots=True)
class Sending:
    """For a chanter that is away: how many reeds to send, the chance that as many as wanted are good there, within
    tolerance and on the pitch ordered, and that one is, and the gaps there that each is worked to, cents, flattest
    first. good, past: the shares of these reeds that end good there and past it, each with the standard deviation by
    which it scatters; supposed: that it is away is only supposed."""

    reeds: int
    chance_enough: float
    chance_one: float
    aims_cents: tuple[float, ...]
    good: tuple[float, float]
    past: tuple[float, float]
    supposed: bool = False

    @property
    def expected_within(self) -> float:
        """How many of the reeds are expected good there."""
        return self.reeds * self.good[0]


@dataclass(frozen=True, slots=True)
class Need:
    """How many reeds to work at for as many good ones as an order still wants (`wanted`), `in_hand` among them, and the
    chance that so many are enough. `to_start`, `chance_enough`: None where hardly any would be good, where too little
    is known to say (`unknown`: why, and what to do first), or where the chanter is thought to meet so far off the pitch
    ordered that no number makes it likely (`pitch_doubt`). `chance_fail`: that one or more of those in hand
    fail, or where none is, of as many as are wanted. `free_blanks`: those that may be started (None: not counted);
    `past`: of those in hand, past already. `minutes`: of work at all these, and with what lost reeds cost."""

    wanted: int
    in_hand: int
    blanks: int
    to_start: int | None
    chance_enough: float | None
    chance_fail: float = 1.0
    sending: Sending | None = None
    unknown: str = ""
    free_blanks: int | None = None
    past: int = 0
    minutes: tuple[float, float] = (0.0, 0.0)
    pitch_doubt: str = ""

    def hours(self) -> str:
        """`run_hours` of these reeds; empty where it is not known how many to start."""
        return "" if self.to_start is None else run_hours(*self.minutes, self.in_hand, self.to_start)

    def words(self) -> str:
        """How many reeds the order is short, and how many to start: `you are 3 short; expect some of the 16 in hand to
        fail: start 10`. That some fail is expected where that is likelier than not; else its chance is said."""
        lacking = max(self.wanted - self.in_hand, 0)
        if not self.wanted:
            return "none is wanted"
        past = f", {self.past} of them past already" if self.past else ""
        said = f"you are {lacking} short" if lacking else f"{self.in_hand} in hand for {self.wanted}{past}"
        if self.unknown or self.pitch_doubt:
            said += f"; {self.unknown or self.pitch_doubt}"
        elif self.sending is not None:
            away = away_words(supposed=self.sending.supposed)
            said += f"; its chanter {away}, so that {self.sending.reeds} would be sent in all"
            said += ", the most that trimfit considers" if self.sending.reeds == MOST_SENT else ""
            gone = f" ({self.past} of the {self.in_hand} in hand past already)"
            said += gone if self.past and lacking else ""
        elif self.to_start is None:
            said += "; hardly any of these would be good"
        elif self.to_start > lacking:
            past = f" ({self.past} past already)" if self.past and lacking else ""
            of = f" of the {self.in_hand} in hand{past}" if self.in_hand else ""
            who, fail = ("the one in hand", "fails") if self.in_hand == 1 else (f"one or more{of}", "fail")
            who, fail = ("the first", "fails") if not self.in_hand and self.wanted == 1 else (who, fail)
            expected = who if self.in_hand == 1 else f"some{of}"
            chance = f"with a chance of {chance_words(self.chance_fail)} {who} {fail}"
            said += f"; expect {expected} to fail" if self.chance_fail > LIKELY else f"; {chance}"
        return f"{said}: {self.start_words()}" if self.to_start else said

    def start_words(self) -> str:
        """`start 5`, and where fewer blanks are free, `start 5, of which 4 are free`."""
        start, free = self.to_start or 0, self.free_blanks
        if free is None or free >= start:
            return f"start {start}"
        return f"start {start}, of which {free or 'none'} {'are' if free > 1 else 'is'} free"


def run_hours(work_minutes: float, cost_minutes: float, in_hand: int, to_start: int) -> str:
    """`3.9 hours of work, 5.7 with what lost reeds cost, for 16 in hand and 7 to start`."""
    begun = f"{in_hand} in hand and " if in_hand else ""
    return f"{hours_words(work_minutes, cost_minutes)}, for {begun}{to_start} to start"


def run_minutes(bench: Bench, run: Sequence[Forecast], sent: Sending | None = None) -> tuple[float, float]:
    """Minutes of cuts and readings for all reeds of a run, and with what those lost or left outside tolerance cost.
    sent: they are sent together, but for those past already, so that their shares are these and not each reed's own."""
    work = sum(one.bench_minutes for one in run)
    if sent is None:
        return work, sum(one.minutes for one in run)
    short, cost = max(1.0 - sent.good[0] - sent.past[0], 0.0), bench.settings
    lost = sum(one.sharp > SHARP for one in run)
    past = lost + (len(run) - lost) * sent.past[0]
    return work, work + past * cost.cost_lost_minutes + (len(run) - lost) * short * cost.cost_flat_minutes


def to_send(reeds: Sequence[Foreseen]) -> list[Foreseen]:
    """Of some reeds for a chanter that is away those that are not past there already."""
    return [pair for pair in reeds if pair[1].sharp <= SHARP]


def with_more_such(reeds: Sequence[Forecast], count: int) -> list[Forecast]:
    """The first so many of some reeds, and where there are fewer, their mean for each of the rest."""
    first = list(reeds[:count])
    return [*first, *[mixed([1.0 / len(first)] * len(first), first)] * (count - len(first))] if first else []


def sending_of(
    bench: Bench, order: Order, reeds: Sequence[Foreseen], wanted: int, count: int | None = None
) -> Sending | None:
    """How many reeds to send such as these, the likeliest to be good first, and further ones like the last; count: so
    many are sent. None for a chanter at hand."""
    aims = [bench.aim(seen, order) for seen, _ in reeds]
    posteriors = [bench.posterior(seen, aim) for (seen, _), aim in zip(reeds, aims, strict=True)]
    if not posteriors[0].beyond_sd_cents:
        return None
    known = Quantities.of([one.known() for one in posteriors])
    now = known.mean[:, 0], np.sqrt(np.maximum(known.cov[:, 0, 0], 1e-6))
    of = max(wanted, 1)
    on, weight = on_pitch([one for _, one in reeds], chanter_pitch(bench, order, reeds[0][0])[1])
    pitch: OnPitch = on.mean(axis=0), weight
    # as `Bench.aim` has them: no more than are wanted stop where each by itself does
    alone = count is not None and count <= of
    each = [(seen.type_code, one) for (seen, _), one in zip(reeds, posteriors, strict=True)]
    off, law = bench.sending_law(each, aims[0].tolerance_cents, spaced=not alone)
    if alone:
        toward = (posteriors[-1].stop_cents + off,) * (count or 0)
    else:
        toward = reeds_to_send(of, *law, now, pitch=pitch)[0] if count is None else spaced_aims(count, of, *law)[0]
    ends, reach = standing(toward, now, aims[0].tolerance_cents)
    stops = tuple(aim - off for aim in toward)
    enough, one = (float(enough_sent(ends, least, *law, reach, pitch) @ weight) for least in (of, 1))
    good, past = shares_sent(ends, *law, reach, pitch)
    return Sending(len(stops), enough, one, stops, good, past, bench.at_hand.supposed_away(order.chanter))


def chanter_pitch(bench: Bench, order: Order, reed: Seen) -> tuple[float, float]:
    """`ChantersAtHand.meets` for an order that names a pitch: of such a reed's aim. (0, 0) for any other."""
    return bench.at_hand.meets(bench.aim(reed, order)) if order.target_pitch_hz is not None else (0.0, 0.0)


def _pitch_doubt(bench: Bench, order: Order, reed: Seen, run: Sequence[Forecast], enough: float) -> str:
    """That more reeds hardly help, where most of a run's fails would be off the pitch ordered, and either as many as
    pay are likely not enough (their chance: enough), or fewer than FEW_GOOD would be good, or fewer than half where the
    chanter's pitch is hardly known, or few reeds of the type are: where it is thought to meet, and what to do. Empty
    elsewhere, and where it is well known to meet at that pitch."""
    if not run or order.target_pitch_hz is None:
        return ""
    good = sum(one.good for one in run) / len(run)
    off = sum(one.off_pitch for one in run) / len(run)
    if off <= 0.5 * (1.0 - good):
        return ""
    (mean, sd), aim = chanter_pitch(bench, order, reed), bench.aim(reed, order)
    elsewhere = abs(mean - (aim.target_cents or 0.0)) > aim.tolerance_cents
    hardly_known = sd > aim.tolerance_cents
    few_read = reed.reeds_of_type < FEW_REEDS
    unlikely = enough < LIKELY and (elsewhere or hardly_known)
    if not (unlikely or (elsewhere and good < FEW_GOOD) or ((hardly_known or few_read) and good < LIKELY)):
        return ""
    asked = f"{order.target_pitch_hz:.1f} Hz"
    within_hz = f"within {bench.settings.tolerance_hz:g} Hz"
    if not (elsewhere or hardly_known):
        return (
            f"more reeds hardly help: it is not known {within_hz} yet where these reeds meet in "
            f"{short(order.chanter)}, and {asked} are asked for: finish one first, which tells more, or leave the "
            "pitch out of the order"
        )
    mean_hz, ends = spread(hz_interval(mean, sd), 1).split(" ", 1)
    first = ""
    if sd > 0.5 * aim.tolerance_cents:
        chanter = bench.at_hand.chanter(order.chanter)
        first = "finish one reed there, which tells it, or "
        if bench.at_hand.worked_in(order.chanter) is not None:
            told = chanter is not None and chanter.meeting_pitch_hz is not None
            first = "have one reed read there, or " if told else "ask its owner where they do, or "
    there = f"in {short(order.chanter)} a usual reed is predicted to meet"
    thought = f"more reeds hardly help: {there} at {mean_hz} Hz {ends}"
    if not elsewhere:
        return f"{thought}, and {asked} are asked for {within_hz}: {first}leave the pitch out of the order"
    return f"{thought}, and the order asks for {asked}: {first}change the pitch ordered or the chanter"


def need_of(
    bench: Bench, order: Order, wanted: int, own: Sequence[Foreseen], free: Sequence[Forecast], best_free: Seen | None
) -> Need:
    """The number that pays, where an order a reed short costs what a reed handed over outside tolerance does, and a
    reed too many its own time at the bench. own: the reeds in hand for it; free: the blanks that may be started, in
    that order, and the first of them; where there is none, such a reed as is yet to be made stands for them.

    For a chanter that is away, what is not known of it is the same for all reeds: they are not good one by one, and so
    many are sent. So is, where a pitch is ordered, the pitch of any chanter (`good_on_nodes`). Where too little is
    known to play a run out, no number is said, as `rehearse` says none.
    """
    likeliest_first = sorted(own, key=lambda pair: -pair[1].good)
    in_hand, found = len(own), [one for _, one in likeliest_first]
    if unknown := too_little_known(bench.journal, order):
        return Need(wanted, in_hand, in_hand, None, None, unknown="; ".join(unknown))
    free_blanks = len(free)
    if not free:
        best_free = new_reed(bench, order, [seen for seen, _ in own])
        free = forecast_of(bench, [(best_free, bench.aim(best_free, order))])
    next_one = [(seen, free[0]) for seen in (best_free,) if seen]
    like_these = likeliest_first or next_one
    past = sum(one.sharp > SHARP for one in found)
    sending = sending_of(bench, order, [*to_send(likeliest_first), *next_one], wanted)
    run = [*found, *with_more_such(free, max(wanted - in_hand, 0))]
    if sending is not None:
        to_start = max(sending.reeds - in_hand + past, 0)
        enough = sending.chance_enough
        if doubt := _pitch_doubt(bench, order, like_these[0][0], run, enough):
            return Need(wanted, in_hand, in_hand, None, None, free_blanks=free_blanks, pitch_doubt=doubt)
        cost = run_minutes(bench, [*found, *with_more_such(free, to_start)], sending)
        worked = sending.reeds + past
        return Need(
            wanted, in_hand, worked, to_start, enough, 1.0, sending, free_blanks=free_blanks, past=past, minutes=cost
        )
    short = max(bench.settings.cost_outside_minutes, 1.0)
    minutes = max(float(np.mean([one.bench_minutes for one in free or found])), 0.1)
    good, weight = good_on_nodes([*found, *free], chanter_pitch(bench, order, like_these[0][0])[1])
    each = list(np.minimum(good, 1.0 - LEAST_SHARE))
    mine, blanks = each[:in_hand], each[in_hand:]
    # where the stock ends, the next ones are like its usual blank, or without one like a new reed
    blanks.append(sum(blanks) / len(blanks))
    if float(blanks[0] @ weight) < LEAST_GOOD and float(sum(mine) @ weight if mine else 0.0) < wanted:
        doubt = _pitch_doubt(bench, order, like_these[0][0], run, 0.0)
        return Need(wanted, in_hand, in_hand, None, None, free_blanks=free_blanks, pitch_doubt=doubt)
    worked, to_start, enough = reeds_to_start(wanted, mine, blanks, short, minutes, weight)
    if doubt := _pitch_doubt(bench, order, like_these[0][0], run, enough):
        return Need(wanted, in_hand, in_hand, None, None, free_blanks=free_blanks, pitch_doubt=doubt)
    of_all = mine or [blanks[min(i, len(blanks) - 1)] for i in range(wanted)]
    all_good = float(math.prod(of_all) @ weight) if of_all else 1.0
    cost = run_minutes(bench, [*found, *with_more_such(free, to_start)])
    return Need(
        wanted, in_hand, worked, to_start, enough, 1.0 - all_good, free_blanks=free_blanks, past=past, minutes=cost
    )


def new_reed(bench: Bench, order: Order, like: Sequence[Seen] = ()) -> Seen:
    """A reed yet to be made for an order: of the type that most of some reeds are, else of the one best known."""
    kinds = Counter(seen.history.reed.record.reed_type for seen in like)
    best = bench.model.coding.types[int(np.argmax(bench.model.reeds))]
    return bench.fresh(kinds.most_common(1)[0][0] if kinds else best, order)


def stock_for(
    journal: Journal, order: Order, until_s: float | None = None, *, begun: bool = False
) -> list[ReedHistory]:
    """Untrimmed blanks that are free for this order: without an order, or with this one, or put to stock, and of no
    other weight than it asks for.

    until_s: as the log stood at that instant. begun: reeds of the stock that were cut, too.
    """
    free = [h for h in journal.blanks(until_s=until_s) if h.reed.record.order in (None, order.order)]
    stored = sorted(
        {reed for reed, outcome in journal.columns("outcome", ["reed", "outcome"]) if outcome == "to-stock"}
    )
    if stored:
        free += [
            h
            for h in journal.of_reeds(stored, until_s=until_s)
            if h.outcome is not None and h.outcome.record.outcome == "to-stock" and (begun or not h.trims)
        ]
    return [h for h in free if of_weight(h, order)]


def of_weight(history: ReedHistory, order: Order) -> bool:
    """Whether a reed is of no other weight than the order asks for."""
    return order.weight is None or history.reed.record.weight in (None, order.weight)


def offered_by(forecast: Forecast, minutes: float, reed: str) -> tuple[object, ...]:
    """A key that puts reeds in the order in which they are offered: those hardly good last, then by expected minutes.
    Of the same minutes the one with less to come off stands first, then by names. Minutes and lengths are compared as
    they are shown, whole minutes and hundredths of a millimetre, so that what is read is in order."""
    return forecast.good < HARDLY, round(minutes, 0), round(forecast.need_mm, 2), as_counted(reed)


def cheapest_first(free: Sequence[Foreseen]) -> tuple[list[Forecast], Seen | None]:
    """The forecasts of blanks in the order in which they are offered, and the first of the blanks."""
    ordered = sorted(free, key=lambda pair: offered_by(pair[1], pair[1].minutes, pair[0].name))
    return [one for _, one in ordered], ordered[0][0] if ordered else None


def seen_of(bench: Bench, histories: list[ReedHistory], order: Order) -> list[Seen]:
    """The posterior of these reeds, the order's chanter among those asked about."""
    return list(see_all(bench, histories, [order.chanter], step="looking through the stock"))


def pick(session: Session, order_name: str, *, at_s: float | None = None) -> list[Pick]:
    """Untrimmed blanks of the stock for an order, best first; those already too sharp for its chanter last.

    at_s: as of that moment, as for `ask.ask_reed`. InputError for an order the log does not know.
    """
    return list(picked(session, order_name, at_s=at_s).blanks)


def picked(session: Session, order_name: str, *, at_s: float | None = None) -> Picked:
    """`pick`, with how many the order still wants and what is to be known of all its blanks."""
    journal = session.journal
    order = order_named(journal, order_name)
    (progress,) = [one for one in order_progress(journal, "0000-00-00", at_s) if one.order == order.order]
    wanted = None if progress.wanted is None else max(progress.wanted - progress.in_work, 0)
    stock = stock_for(journal, order, at_s)
    if not stock and wanted is None:
        return Picked(order, (), wanted, ())
    session.fit_if_due()
    bench = session.bench(at_s)
    pairs = [(seen, bench.aim(seen, order)) for seen in seen_of(bench, stock, order)]
    unread = chanter_word(bench, order.chanter)
    found_of = forecast_of(bench, pairs)
    started = seen_of(bench, in_work(journal, order, at_s), order)
    mine = {seen.name for seen in started}
    need = None
    if progress.wanted is not None:
        own = forecast_of(bench, [(seen, bench.aim(seen, order)) for seen in started])
        free = [(seen, one) for (seen, _), one in zip(pairs, found_of, strict=True) if seen.name not in mine]
        need = need_of(bench, order, progress.wanted, list(zip(started, own, strict=True)), *cheapest_first(free))
    blanks = _ranked(bench, order, pairs, found_of, mine)
    notes = [note for note in (unread, each_alone(bench, [order])) if note]
    return Picked(order, blanks, wanted, tuple(notes), need)


def each_alone(bench: Bench, orders: Sequence[Order]) -> str:
    """That the chances of single reeds are not those of the reeds sent, for orders whose chanters are away; empty where
    there is none."""
    away = [one for one in orders if bench.at_hand.worked_in(one.chanter) is not None]
    if not away:
        return ""
    named = ", ".join(short(one.order) for one in away[:MOST_NAMED])
    named += f" and {len(away) - MOST_NAMED} more" * (len(away) > MOST_NAMED)
    alone = f"{named}: the chance to end good is of one reed by itself"
    if len(away) == 1 and too_little_known(bench.journal, away[0]):
        return f"{alone}, not of reeds sent together"
    rehearsed = command("rehearse", away[0].order if len(away) == 1 else "ORDER")
    return f"{alone}; of reeds sent together, each worked to its stop: {rehearsed}"


def ranked(bench: Bench, order: Order, reeds: Sequence[Seen]) -> tuple[Pick, ...]:
    """These reeds, its chanter among those asked about, as `pick` has them for an order."""
    pairs = [(seen, bench.aim(seen, order)) for seen in reeds]
    return _ranked(bench, order, pairs, forecast_of(bench, pairs))


def _ranked(
    bench: Bench,
    order: Order,
    pairs: Sequence[tuple[Seen, Aim]],
    found_of: Sequence[Forecast],
    mine: Collection[str] = (),
) -> tuple[Pick, ...]:
    """Blanks in the order in which they are offered. mine: those in work for the order already."""
    stock = stock_for(bench.journal, Order("", ""), bench.until_s) if order.weight is not None else []
    known = [h.reed.record.weight for h in stock if h.reed.record.weight]
    out: list[tuple[tuple[object, ...], Pick]] = []
    for (seen, aim), forecast in zip(pairs, found_of, strict=True):
        record = seen.history.reed.record
        known_cuts = cuts_known(bench, seen, aim, forecast)
        text, remark = promise(bench, seen, aim, forecast, known_cuts)
        unknown = order.weight is not None and record.weight is None
        if unknown:
            remark = "; ".join(part for part in (f"nobody said whether it is {order.weight}", remark) if part)
        found = Pick(
            seen.name,
            round(forecast.need_mm, 3),
            cuts_of(forecast),
            forecast.good,
            last_crow_hz(seen.history),
            "; ".join(part for part in (text, remark) if part),
            record.reed_type,
            record.batch,
            record.order,
            remark,
            forecast.minutes + weight_minutes(bench, record.weight, order.weight, known),
            record.weight,
            seen.name in mine,
            known_cuts,
        )
        out.append((offered_by(forecast, found.minutes, seen.name), found))
    return tuple(found for _, found in sorted(out, key=lambda pair: pair[0]))


def last_crow_hz(history: ReedHistory) -> float | None:
    """A reed's crow as last read, None if it never was."""
    return next((one.record.crow_hz for one in reversed(history.readings) if one.record.crow_hz), None)


def weight_minutes(bench: Bench, reed: str | None, order: str | None, known: Sequence[str]) -> float:
    """What a reed's weight costs in an order, minutes: nothing where it is the one asked for, or none is; infinite
    where it is another; of a reed of no weight that chance of being another, by the reeds of the stock that have one,
    times the cost of a reed left outside tolerance."""
    if order is None or reed == order:
        return 0.0
    if reed is not None:
        return float("inf")
    share = sum(one == order for one in known) / len(known) if known else 0.5
    return (1.0 - share) * bench.settings.cost_outside_minutes


def in_work(journal: Journal, order: Order, until_s: float | None = None) -> list[ReedHistory]:
    """The reeds of an order that have not left the bench; until_s: as the log stood at that instant."""
    waiting = journal.of_reeds(None, open_only=True, until_s=until_s)
    return [h for h in waiting if h.order is not None and h.order.order == order.order]


def cuts_of(forecast: Forecast) -> float:
    """How many cuts a reed takes; of one too sharp none."""
    return forecast.cuts if forecast.sharp <= SHARP else 0.0


def cuts_known(bench: Bench, seen: Seen, aim: Aim, forecast: Forecast) -> bool:
    """Whether it is known how many cuts a reed takes: of one too sharp, and where `ask` knows it too."""
    return forecast.sharp > SHARP or still_wanted(bench.posterior(seen, aim), aim) is not None


def pitch_open(forecast: Forecast, aim: Aim) -> bool:
    """Whether a reed for a pitch ordered may meet anywhere yet (`reasons.WIDE_TOLERANCES`)."""
    wide = Z90 * forecast.pitch_sd_cents > WIDE_TOLERANCES * aim.tolerance_cents
    return aim.target_cents is not None and wide


def promise(bench: Bench, seen: Seen, aim: Aim, forecast: Forecast, known: bool) -> tuple[str, str]:
    """What a reed of the stock promises for an aim, in words: length and cuts (empty where none will do), and what
    else is to be known. known: as `cuts_known` has it."""
    ground = grounds(bench, seen, aim)
    remarks, text = [], ""
    if forecast.sharp > SHARP:
        other = suits(bench, seen, aim)
        remarks.append(f"already too sharp for {aim.chanter}" + (f"; {other}" if other else ""))
    elif forecast.off_pitch > SURELY_OFF:
        remarks.append("would meet off the pitch asked for, and the lips do not reach")
    elif forecast.cuts < SHARP and ground.gap_read:
        stands = "where its work stops" if aim.worked_in else "at its meeting point as it is"
        remarks.append(f"{stands}: ask after it, nothing may need to come off")
    elif not known:
        remarks.append("how much has to come off is not known")
    else:
        text = f"about {forecast.need_mm:.2f} mm to come off in {max(forecast.cuts, 1.0):.1f} cuts"
    if max(forecast.sharp - SHARP, forecast.off_pitch - SURELY_OFF) <= 0.0 and pitch_open(forecast, aim):
        remarks.append(PITCH_OPEN)
    leans = basis(replace(ground, chanter_unread=""))
    return text, "; ".join([*remarks, *([leans] if leans else [])])


def take(session: Session, found: Picked, count: int) -> list[str]:
    """Put the first `count` of the free blanks to the order, as log entries; their names. InputError for more than
    there are."""
    free = found.free()
    if count > len(free):
        where = f"order {short(found.order.order)}"
        if not free:
            raise InputError("no blank is free", where, "first log reeds that have no order")
        raise InputError(f"only {len(free)} blank{' is' if len(free) == 1 else 's are'} free", where, "take fewer")
    return put_to(session, [(one.reed, found.order.order) for one in free[:count]])


def put_to(session: Session, pairs: Sequence[tuple[str, str]]) -> list[str]:
    """Put reeds to orders, (reed, order) each, in one transaction; the names of those that were not in theirs before.
    A reed put to stock counts again."""
    names = []
    with session.journal.writing():
        for reed, order in pairs:
            history = session.journal.of_reed(reed)
            if history.outcome is not None:
                strike(session, history.outcome.entry, why=f"taken from stock for {order}")
            if history.reed.record.order != order:
                log_reed(session, reed, {"order": order})
            if history.outcome is not None or history.reed.record.order != order:
                names.append(reed)
    return names
