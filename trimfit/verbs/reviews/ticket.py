"""`review ticket`: the card that goes with a reed, from the log to its files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace as changed
from pathlib import Path

import numpy as np

from trimfit.base.answers import Advice
from trimfit.base.errors import InputError, unwritable
from trimfit.base.iso_dates import own_minute, text_of
from trimfit.base.natural_order import as_counted
from trimfit.base.normal import interval
from trimfit.base.pitch import NOTES, OUTPUT_WORDS, hz_from_cents
from trimfit.regression.outputs import GAP, Array
from trimfit.review.results import Ticket, TicketNote
from trimfit.review.safe_names import file_stems
from trimfit.session.evidence import gap_readings
from trimfit.session.open_log import Bench, Seen
from trimfit.session.order_progress import order_named
from trimfit.session.own_lines import aims_air, in_aims_air
from trimfit.session.session import Session
from trimfit.verbs.ask import advise, as_left
from trimfit.verbs.reviews.chanter_notes import tape_words, tapes_of_chanter
from trimfit.verbs.reviews.reed_in_time import hz_spans
from trimfit.verbs.wording import in_all

WORK = ("trim", "read-again")
"""Actions of advice that leave work to do."""

NO_REED = "no reed to write a ticket of", "", "name reeds, or an order that has reeds"


def ticket_of(bench: Bench, seen: Seen, advice: Advice) -> Ticket:
    """The card that goes with a reed: what its readings in its chanter say of it, at the pressure that its order asks
    for, else at the shop's usual one, as `ask` has it.

    A note that was never read of this reed is left out, and so are a pressure and a warmth that nobody logged. For a
    chanter that is away: what was read in the one at hand, and what F less E should be there. Where F and E were not
    read in it, what its other readings predict.
    """
    order_s = bench.aim(seen)
    away = order_s.chanter if order_s.worked_in is not None else None
    if away in {r.record.chanter for r in gap_readings(seen.history.readings, bench.model)}:
        # read in the very chanter before that left the bench: what was read there stands
        away, order_s = None, changed(order_s, worked_in=None)
    if away is not None:
        order_s = changed(order_s, chanter=order_s.worked_in, worked_in=None)
    record, order = seen.history.reed.record, seen.history.order
    mine = [r for r in seen.history.readings if r.record.notes_hz and r.record.chanter == order_s.chanter]
    last = mine[-1] if mine else None
    read_kpa = last.record.pressure_kpa if last is not None else None
    # what was read at a pressure nobody wrote down cannot be taken to the order's
    no_kpa = last is not None and read_kpa is None
    aim = changed(order_s, pressure_kpa=None) if no_kpa else order_s
    kpa, deg_c = aims_air(seen, aim)
    mean, cov = _outputs(seen, seen.state.design(seen.removed_mm, seen.lip_strokes, aim.chanter, kpa, deg_c))
    spans = hz_spans(mean, cov)
    ever = {note for r in mine for note in r.record.notes_hz}
    times = [one.at_s for one in seen.history.trims] + [one.at_s for one in seen.history.events]
    worked_s = max(times, default=-math.inf)
    latest = [math.nan] * (len(NOTES) + 1)
    for found in (in_aims_air(bench, seen, aim, r.record) for r in mine if r.at_s > worked_s):
        latest = [new if math.isfinite(new) else old for new, old in zip(found, latest, strict=True)]
    notes = tuple(
        TicketNote(note, hz_from_cents(latest[k]) if math.isfinite(latest[k]) else None, spans[k])
        for k, note in enumerate(NOTES, 1)
        if note in ever
    )
    known = advice.gap_read and {"e", "f"} <= ever
    gap = advice.gap_now_cents if known else None
    if known and away is None and aim != order_s:
        gap = interval(float(GAP @ mean), math.sqrt(max(float(GAP @ cov @ GAP), 0.0)))
    unread_by = None
    if not known and away is None and aim.chanter is not None and seen.history.readings:
        crow_alone = not any(r.record.notes_hz for r in seen.history.readings)
        gap, unread_by = advice.gap_now_cents, "its crow" if crow_alone else "its other readings"
    here = advice.here["gap_now_cents"] if known and advice.here is not None else None
    target = hz_from_cents(order_s.target_cents) if order_s.target_cents is not None else None
    meets = advice.meet_pitch_hz if known or unread_by else None
    cautions = _work_left(advice)
    if last is None and aim.chanter is not None:
        cautions.append("no note of it was read in this chanter yet")
    elif last is not None:
        cautions += _read_off(notes, bench.settings.tolerance_hz)
        cautions += ["its last reading was marked as doubtful"] if last.doubts else []
        if no_kpa and order_s.pressure_kpa is not None:
            cautions.append(f"the order is for {order_s.pressure_kpa:.1f} kPa; at which it was read, nobody wrote down")
    cautions += [f"in this chanter {tape_words(*tape)}" for tape in tapes_of_chanter(bench.model, away or aim.chanter)]
    has_crow = any(r.record.crow_hz for r in seen.history.readings)
    return Ticket(
        reed=record.reed,
        reed_type=record.reed_type,
        batch=record.batch,
        order=order.order if order is not None else None,
        chanter=away or aim.chanter,
        read_at=own_minute(last.record.taken_at) if last is not None else None,
        readings=len(seen.history.readings),
        meet_pitch_hz=meets,
        aim_hz=target or (meets.mean if meets is not None else None) if away is None else None,
        target_pitch_hz=target,
        gap_cents=gap,
        tolerance_hz=bench.settings.tolerance_hz,
        crow_hz=spans[0] if has_crow else None,
        pressure_kpa=kpa if read_kpa is not None else aim.pressure_kpa,
        temperature_c=deg_c if last is not None and last.record.temperature_c is not None else None,
        notes=notes,
        cautions=tuple(cautions),
        read_kpa=read_kpa,
        read_c=last.record.temperature_c if last is not None else None,
        read_in=aim.chanter if away is not None and last is not None else None,
        gap_here_cents=here,
        chance_within=None if advice.action in WORK else advice.chance_within,
        chance_past=None if advice.action in WORK else advice.chance_past,
        low_g_ratio=float(bench.scale["low_g"]),
        unread_by=unread_by,
        ordered_kpa=order.pressure_kpa if order is not None else None,
        unfinished=_unfinished(advice),
    )


def ticket_as_left(bench: Bench, seen: Seen) -> Ticket:
    """`ticket_of` a reed, as it was when it left where it was called good or lost; what happened to it since its last
    reading is said."""
    then, left = as_left(bench, seen)
    card = ticket_of(then, left, advise(then, left))
    read_s = max((one.at_s for one in left.history.readings), default=math.inf)
    since = [one.record for one in seen.history.events if one.at_s > read_s]
    said = [f"not read since: {one.event} ({own_minute(one.at)})" for one in since]
    return changed(card, cautions=(*said, *card.cautions))


def _outputs(seen: Seen, design: Array) -> tuple[Array, Array]:
    """Mean (10,) and covariance (10, 10) of the outputs under a design (10, d), over all explanations of the latest
    readings, as the answers' gap is; cents."""
    states = [(1.0 - sum(one.chance for one in seen.explanations), seen.state)]
    states += [(one.chance, one.state) for one in seen.explanations]
    parts = [(share, *state.outputs(design)) for share, state in states]
    mean = sum((share * one for share, one, _ in parts), np.zeros(len(design)))
    each = (share * (cov + np.outer(one - mean, one - mean)) for share, one, cov in parts)
    return mean, sum(each, np.zeros((len(design), len(design))))


def _unfinished(advice: Advice) -> bool:
    """Whether a reed at the bench is not to be sent as it is: work is left to do. One that left the bench has none."""
    return advice.action in WORK and advice.outcome not in ("good", "lost")


def _work_left(advice: Advice) -> list[str]:
    """What the card warns of: work that is not done, or that the reed is no use to this order. Of one that left the
    bench nothing of what work was left there, and of none where the bench is to stop: both are no use to its player."""
    if advice.outcome == "good" or (advice.outcome == "lost" and advice.action not in ("past", "no-fit")):
        return []
    reason, _, _ = (advice.reason or advice.why).partition("stop at ")
    said = "; ".join(part for part in (reason.removesuffix("; "), *advice.notes) if part)
    if advice.action == "trim":
        work = [f"next cut {advice.length_mm:.2f} mm"] if advice.length_mm else []
        work += [f"lip strokes: {advice.lip_strokes}"] if advice.lip_strokes else []
        return [f"work is not done: {' and '.join(work)}{in_all(advice)}"]
    if advice.action == "read-again":
        return [f"work is not done: {said}"]
    return [said] if advice.action in ("past", "no-fit") else []


def _read_off(notes: Sequence[TicketNote], tolerance_hz: float) -> list[str]:
    """A word where E or F was last read elsewhere than all readings together say: of each how far, as low A."""
    both = [one for one in notes if one.note in ("e", "f")]
    if not any(one.is_odd(tolerance_hz) for one in both):
        return []
    off = [(OUTPUT_WORDS[one.note], one.off_hz(tolerance_hz)) for one in both]
    said = [f"{name} {abs(hz):.1f} Hz {'higher' if hz > 0 else 'lower'}" for name, hz in off if hz]
    return [f"as low A, last read {' and '.join(said)} than expected: read it again"]


def ticket_picture(session: Session, reed: str) -> bytes:
    """The reed's card as PNG. InputError for a reed that the log does not know."""
    from trimfit.review.ticket import pdf_and_png

    record = session.journal.of_reed(reed).reed.record
    session.fit_if_due()
    bench = session.bench()
    seen = bench.see_reed(record)
    return pdf_and_png(ticket_as_left(bench, seen))[1]


def write_tickets(
    session: Session, reeds: Sequence[str], folder: Path, *, order: str | None = None, at_s: float | None = None
) -> dict[str, list[Path]]:
    """Write the tickets (A6) of reeds, and of an order's reeds but those lost or put to stock: by reed, PDF and PNG.

    at_s: as of that moment (seconds since 1970 UTC), as for `ask.ask_reed`; now if not said.

    InputError for a reed or an order that the log does not know, or where there is no reed to write one of.
    """
    from trimfit.review import ticket

    names = [session.journal.reed_named(reed).reed for reed in reeds]
    session.fit_if_due()
    bench = session.bench(at_s)
    names = list(dict.fromkeys(names + (tickets_of(session, order, at_s) if order is not None else [])))
    if not names:
        raise InputError(NO_REED[0], order or "", NO_REED[2])
    stems = file_stems(names)
    seen: dict[str, Seen] = {}
    out = {}
    for done, name in enumerate(names):
        if len(names) > 1:
            session.progress("writing tickets", done, len(names))
        if name not in seen:
            record = bench.journal.reed_named(name)
            seen |= bench.see_batch(record.reed_type, record.batch, only=names)
        found = ticket_as_left(bench, seen[name])
        try:
            out[name] = ticket.write(folder, found, stems[name])
        except OSError as error:
            raise unwritable(folder, error) from error
    if len(names) > 1:
        session.progress("writing tickets", len(names), len(names))
    return out


def tickets_of(session: Session, order: str, at_s: float | None = None) -> list[str]:
    """The reeds that an order's tickets are of, counted up: all but those lost or put to stock.

    at_s: as of that moment. InputError for an order that the log does not know.
    """
    journal = session.journal
    wanted = order_named(journal, order).order
    names = [reed for reed, of in journal.columns("reed", ["reed", "order"]) if of == wanted]
    day = None if at_s is None else text_of(at_s)[:10]
    kept = [
        history.reed.record.reed
        for history in journal.of_reeds(names, until_s=at_s)
        if day is None or (history.reed.record.made_on or "") <= day
        if history.outcome is None or history.outcome.record.outcome == "good"
    ]
    return sorted(kept, key=as_counted)
