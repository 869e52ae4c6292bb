"""A chanter that is away: which answer of its owner's would narrow it most, and the letter that asks for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from trimfit.base.errors import InputError, command, short, unwritable
from trimfit.base.natural_order import as_counted
from trimfit.base.normal import Z90
from trimfit.base.pitch import hz_from_cents, hz_width_cents
from trimfit.base.plain_words import plain_name
from trimfit.base.records import Chanter, Order, ReedHistory
from trimfit.planner.aim import AimPosterior
from trimfit.review.customer_letter import Sent, letter, names_words
from trimfit.review.results import ChanterMap
from trimfit.review.safe_names import file_stem, refuse_link
from trimfit.session.evidence import crow_at_stop, gap_readings
from trimfit.session.open_log import Bench
from trimfit.session.order_progress import came_back, order_named
from trimfit.session.session import Session
from trimfit.verbs.pick import ranked, seen_of, stock_for

MOST_ASKED, HARDLY, LITTLE = 20, 0.97, 0.85
"""So many chanters are asked about; an answer that leaves so much of the spread narrows nothing, or tells little."""
WIDE_TOLERANCES = 2.0
"""A gap there known to no better than this many tolerances (nine in ten) is worth a reed sent and read there first."""
PLAYERS_KPA = 0.8
"""How far players differ from the bench in how hard they blow (sd, kPa; assumed)."""


@dataclass(frozen=True, slots=True)
class Narrowing:
    """What one answer would do: the standard deviation of the gap there that no work at the bench takes away, cents,
    as it is and with the answer, for a fresh reed of `reed_type`. `answer`: crow, reed type of the crow, pitch, gauge
    or pressure; empty where nothing is left to ask for."""

    answer: str
    gap_sd_cents: float
    gap_sd_then_cents: float
    reed_type: str = ""

    @property
    def is_little(self) -> bool:
        """Whether the answer alone leaves most of the spread."""
        return self.gap_sd_then_cents > LITTLE * self.gap_sd_cents

    def words(self) -> str:
        """`ask for the crow: for a fresh cane reed ± 9 cents of gap there (nine in ten) become ± 5`; of an answer that
        tells little, `no answer helps much now, and a reed sent and read there would; the best is the gauge: …`."""
        now, then = Z90 * self.gap_sd_cents, Z90 * self.gap_sd_then_cents
        digits = 0 if round(now) != round(then) else 1
        reed = f"for a fresh {plain_name(self.reed_type)} reed " if self.reed_type else ""
        become = f"{reed}± {now:.{digits}f} cents of gap there (nine in ten) become ± {then:.{digits}f}"
        if self.is_little:
            best = f"the best is the {self.answer}: {become}"
            return f"no answer helps much now, and a reed sent and read there would; {best}"
        return f"ask for the {self.answer}: {become}"


def narrows(asked: list[Narrowing]) -> bool:
    """Whether any answer would narrow the chanter. asked: most telling first."""
    return bool(asked) and asked[0].gap_sd_then_cents <= HARDLY * asked[0].gap_sd_cents


def told_most(asked: list[Narrowing]) -> str:
    """The best question first, and what its answer would do, in words."""
    first = asked[0]
    if not narrows(asked):
        of = f" for {plain_name(first.reed_type)} reeds" if first.reed_type else ""
        known = f"its gap there is known to ± {Z90 * first.gap_sd_cents:.1f} cents (nine in ten){of}"
        return f"{known}; nothing that its owner can tell would narrow that by much: a reed sent and read there would"
    return first.words()


def owners_answers(session: Session, found: Sequence[ChanterMap] = ()) -> dict[str, list[Narrowing]]:
    """What to ask the owner of each chanter that is away and has an order, by chanter; MOST_ASKED of them at most.

    found: chanters with what `pick` says of the stock for them: an order that has no reed in work is asked about for
    such a reed as is first there, as `rehearse` asks for it; without, for the type that the shop knows best.
    """
    bench, known = session.bench(), session.journal.orders()
    orders = {order.chanter: order for order in known.values()}
    shown = {one.chanter: one for one in found}
    orders |= {name: known[one.stock_for] for name, one in shown.items() if one.stock_for in known}
    out = {}
    for name in [one for one in sorted(orders) if bench.at_hand.worked_in(one) is not None][:MOST_ASKED]:
        reeds = _in_work(bench, orders[name]) or session.journal.of_reeds(
            shown[name].suits[:1] if name in shown else ()
        )
        out[name] = what_to_ask(bench, name, usual_type(bench, reeds), orders[name])
    return out


def supposed_away(session: Session, chanters: Iterable[str]) -> list[str]:
    """Those of some chanters that are away only as far as nobody said where they are."""
    at_hand = session.bench().at_hand
    return [name for name in chanters if at_hand.supposed_away(name)]


def what_to_ask(bench: Bench, chanter: str, reed_type: str, order: Order | None = None) -> list[Narrowing]:
    """What would narrow a chanter that is away, most telling first, or how well it is known where nothing is left to
    ask for; empty for one that is at hand.

    Worked out for a fresh reed of a type. How much an answer tells hardly hangs on what it says: for crow and pitch the
    ones expected are taken, for the gauge the median of the shop's.
    """
    wanted = order or Order("", chanter)
    now = _seen_with(bench, wanted, reed_type, None)
    if not now.beyond_sd_cents:
        return []
    record = bench.at_hand.chanter(chanter) or Chanter(chanter)
    gauges = sorted(one.bore_gauge_mm for one in bench.journal.chanters().values() if one.bore_gauge_mm)
    # a cent of gap for each kPa that the player blows harder than the bench
    per_kpa = _seen_with(bench, replace(wanted, pressure_kpa=bench.settings.bench_pressure_kpa + 1.0), reed_type, None)
    base = _seen_with(bench, replace(wanted, pressure_kpa=bench.settings.bench_pressure_kpa), reed_type, None)
    blown = abs(float(per_kpa.mean[0] - base.mean[0])) * PLAYERS_KPA if wanted.pressure_kpa is None else 0.0
    whole = (now.beyond_sd_cents**2 + blown**2) ** 0.5
    supposed: dict[str, Chanter] = {}
    if not record.working_crow_hz:
        crow = _crow_hz(bench, wanted, reed_type)
        supposed["crow"] = replace(record, working_crow_hz=crow, working_crow_type=reed_type)
    elif not _has_type(bench, record.working_crow_type) and np.count_nonzero(bench.model.reeds) > 1:
        supposed["reed type of the crow"] = replace(record, working_crow_type=reed_type)
    if not record.meeting_pitch_hz:
        supposed["pitch"] = replace(record, meeting_pitch_hz=hz_from_cents(now.meeting()[0]))
    if not record.bore_gauge_mm and gauges:
        supposed["gauge"] = replace(record, bore_gauge_mm=gauges[len(gauges) // 2])
    found = [
        Narrowing(
            word, whole, (_seen_with(bench, wanted, reed_type, one).beyond_sd_cents ** 2 + blown**2) ** 0.5, reed_type
        )
        for word, one in supposed.items()
    ]
    if wanted.pressure_kpa is None:
        found.append(Narrowing("pressure", whole, now.beyond_sd_cents, reed_type))
    found = found or [Narrowing("", whole, whole, reed_type)]
    return sorted(found, key=lambda one: one.gap_sd_then_cents)


def _has_type(bench: Bench, reed_type: str | None) -> bool:
    """Whether the log has a reed of a type, learned of or not."""
    return reed_type in bench.model.coding.types or (reed_type,) in bench.journal.columns("reed", ["reed_type"])


def _seen_with(bench: Bench, order: Order, reed_type: str, record: Chanter | None) -> AimPosterior:
    """A fresh reed of a type seen from an order, its chanter known as `record` says (None: as the log says)."""
    if record is not None:
        bench = copy(bench)
        bench.at_hand = bench.at_hand.supposing(record)
    seen = bench.fresh(reed_type, order)
    return bench.posterior(seen, bench.aim(seen, order))


def _crow_hz(bench: Bench, order: Order, reed_type: str) -> float:
    """The crow that a fresh reed of a type is expected to have where its gap closes there."""
    seen = bench.fresh(reed_type, order)
    aim = bench.aim(seen, order)
    return hz_from_cents(crow_at_stop(seen, bench.posterior(seen, aim), aim.worked_in or order.chanter)[1])


def first_ask(bench: Bench, order: Order, reed_type: str) -> str:
    """What to ask the customer of an order whose chanter is away before reeds are made for it, for a fresh reed of a
    type; where no answer would narrow much that is wide, that a reed sent there would. Empty for a chanter at hand."""
    if bench.at_hand.worked_in(order.chanter) is None:
        return ""
    asked = what_to_ask(bench, order.chanter, reed_type, order)
    helps, text = helps_most(bench, order, asked), command("review", "ticket", "--letter", order.order)
    if helps == "answer":
        return f"First ask the player: {text}. Above all {told_most(asked)}."
    if not helps:
        return ""
    sent = sent_of(bench, order)
    if sent.unread:
        first = f"Before more are made, have {names_words(sent.unread)} read there"
    else:
        first = f"Before many are made, send {'another' if sent.read or sent.came_back else 'one'}"
    return f"{first}: {told_most(asked)}. The letter that asks for it: {text}"


def sent_of(bench: Bench, order: Order) -> Sent:
    """An order's reeds that left as good, by what became of them."""
    unread, read, back = [], [], []
    for history in bench.journal.of_reeds(bench.journal.reeds_of_order(order.order), until_s=bench.until_s):
        outcome = history.outcome
        if outcome is None or outcome.record.outcome != "good":
            continue
        name, returned = history.reed.record.reed, came_back(history)
        there = [one for one in gap_readings(history.readings, bench.model) if one.record.chanter == order.chanter]
        back += [name] if returned else []
        if any(one.at_s >= outcome.at_s for one in there):
            read.append(name)
        elif not returned:
            unread.append(name)
    return Sent(*(sorted(names, key=as_counted) for names in (unread, read, back)))


def helps_most(bench: Bench, order: Order, asked: Sequence[Narrowing]) -> str:
    """What would narrow the chanter of an order most: an `answer` of its owner's, a `reed` sent and read there, or
    nothing that is worth waiting for (empty). asked: what may be asked, most telling first."""
    if asked and not asked[0].is_little:
        return "answer"
    tolerance = hz_width_cents(bench.settings.tolerance_hz, order.target_pitch_hz or 470.0)
    return "reed" if asked and Z90 * asked[0].gap_sd_cents > WIDE_TOLERANCES * tolerance else ""


def letter_for(session: Session, order_name: str) -> str:
    """The text to send to an order's customer: what to measure, most telling first, and how.

    InputError for an order that the log does not know, and for one whose chanter is at hand.
    """
    order = order_named(session.journal, order_name)
    session.fit_if_due()
    bench = session.bench()
    if bench.at_hand.worked_in(order.chanter) is None:
        what = f"its chanter {short(order.chanter)} is at hand"
        remedy = f"a letter is for one that is away: {command('log', 'chanter', order.chanter, '--at-hand', 'no')}"
        if bench.at_hand.supposed_away(order.chanter):
            what = (
                f"no reed was read in its chanter {short(order.chanter)}, nor in any other, and nobody said where it is"
            )
        elif bench.at_hand.away(order.chanter):
            what, remedy = "no chanter is at hand to work in", "read a reed in one first"
        raise InputError(what, f"order {short(order.order)}", remedy)
    reed_type = usual_type(bench, _in_work(bench, order) or _offered_first(bench, order))
    asked = what_to_ask(bench, order.chanter, reed_type, order)
    tolerance = hz_width_cents(bench.settings.tolerance_hz, order.target_pitch_hz or 470.0)
    answers = [one.answer for one in asked if one.answer]
    helps = helps_most(bench, order, asked)
    return letter(order.order, order.chanter, answers, tolerance, helps, sent_of(bench, order))


def write_letter(folder: Path, order_name: str, text: str) -> Path:
    """Write the text for an order as `letter-ORDER.txt` into `folder`, made if needed. InputError where it cannot."""
    path = folder / f"letter-{file_stem(order_name)}.txt"
    refuse_link(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{text}\n", encoding="utf-8")
    except OSError as error:
        raise unwritable(path, error) from error
    return path


def usual_type(bench: Bench, reeds: Sequence[ReedHistory]) -> str:
    """The type that most of some reeds are; without reeds that which the shop knows best."""
    if reeds:
        return Counter(one.reed.record.reed_type for one in reeds).most_common(1)[0][0]
    types = bench.model.coding.types
    return types[max(range(len(types)), key=lambda code: float(bench.model.reeds[code]))]


def _in_work(bench: Bench, order: Order) -> list[ReedHistory]:
    return bench.journal.of_reeds(bench.journal.reeds_of_order(order.order), open_only=True)


def _offered_first(bench: Bench, order: Order) -> list[ReedHistory]:
    """The blank of the stock that `pick` offers first for an order; none where the stock is empty."""
    stock = stock_for(bench.journal, order, bench.until_s)
    picks = ranked(bench, order, seen_of(bench, stock, order)) if stock else ()
    return bench.journal.of_reeds([one.reed for one in picks[:1]])
