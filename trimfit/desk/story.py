"""One reed's whole story, its picture's findings, and the ticket that goes with it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trimfit.answers import Advice
from trimfit.desk.own_lines import OwnLines, aims_air, in_aims_air, own_lines
from trimfit.records import Event, Outcome, Trim
from trimfit.review.findings import FanPoint, ReedStory, StoryPoint, Ticket, TicketNote
from trimfit.units import Interval

if TYPE_CHECKING:
    from trimfit.desk.beliefs import Bench, Seen
    from trimfit.plan.belief import Aim
    from trimfit.records import Reading

__all__ = [
    "ReedReview",
    "StoryEntry",
    "review_reed",
    "story_of",
    "ticket_of",
    "write_ticket",
    "write_tickets",
]

Tell = Callable[[str, int, int], None]
Z90 = 1.6448536269514722
FAN_POINTS = 13
SHORTEST_FAN_MM = 0.12
SHORT_ID = 10


def _quiet(step: str, done: int, whole: int) -> None:
    return None


@dataclass(frozen=True, slots=True)
class StoryEntry:
    """One thing that was logged of a reed. `struck`: why it was taken back, None if it stands; `short`: as much of the
    entry's id as names it alone."""

    at: str
    what: str
    said: str
    entry: str
    gap_cents: float | None = None
    removed_mm: float | None = None
    doubts: tuple[str, ...] = ()
    struck: str | None = None
    short: str = ""


@dataclass(frozen=True, slots=True)
class ReedReview:
    """One reed: who it is, what happened to it in order of time, where it stands, what to do next.

    own_lines: what its own readings say by themselves, beside the advice that leans on all its kin.
    """

    reed: str
    reed_type: str
    batch: str
    made_on: str | None
    order: str | None
    chanter: str | None
    blade_mm: float | None
    removed_mm: float
    lip_strokes: float
    outcome: str | None
    events: tuple[StoryEntry, ...]
    advice: Advice
    own_lines: OwnLines | None = None


def review_reed(path: Path, reed: str, tell: Tell = _quiet) -> ReedReview:
    """A reed's whole story, struck entries included. InputError for a reed that the log does not know."""
    from trimfit.bench.struck import struck_of_reed
    from trimfit.desk.advise import advise

    with _bench(path, tell) as bench:
        seen = _seen(bench, reed)
        record = seen.history.reed.record
        struck = struck_of_reed(bench.journal, record.reed)
        events = _events(bench, seen)
        for one in struck:
            events.append((one.at_s, 3, StoryEntry(one.at, one.kind, _words(one.record), one.entry, struck=one.why)))
        in_time = [event for _, _, event in sorted(events, key=lambda e: (e[0], e[1], e[2].entry))]
        outcome = seen.history.outcome
        return ReedReview(
            reed=record.reed,
            reed_type=record.reed_type,
            batch=record.batch,
            made_on=record.made_on,
            order=record.order,
            chanter=bench.aim(seen).chanter,
            blade_mm=record.blade_mm,
            removed_mm=seen.removed_mm,
            lip_strokes=seen.lip_strokes,
            outcome=outcome.record.outcome if outcome is not None else None,
            events=tuple(replace(event, short=_short(bench, event.entry)) for event in in_time),
            advice=advise(bench, seen),
            own_lines=own_lines(bench, seen, bench.aim(seen)),
        )


class _bench:
    """A log opened for one question: `with _bench(path, tell) as bench`."""

    def __init__(self, path: Path, tell: Tell) -> None:
        from trimfit.bench.journal import Journal

        self.journal, self.tell = Journal(path), tell

    def __enter__(self) -> Bench:
        from trimfit.desk.beliefs import Bench

        return Bench(self.journal.__enter__(), self.tell)

    def __exit__(self, *error: Any) -> None:
        self.journal.__exit__(*error)


def _seen(bench: Bench, reed: str) -> Seen:
    return bench.see_reed(bench.journal.of_reed(reed).reed.record)


def _events(bench: Bench, seen: Seen) -> list[tuple[float, int, StoryEntry]]:
    from trimfit.learn.histories import reading_cents, taken_before
    from trimfit.pitch import OUTPUTS

    e, f = OUTPUTS.index("e"), OUTPUTS.index("f")
    history = seen.history
    out: list[tuple[float, int, StoryEntry]] = []
    for reading in history.readings:
        cents = reading_cents(reading.record, bench.scale)
        gap = cents[f] - cents[e]
        removed, _ = taken_before(history, reading)
        doubts = (
            *reading.doubts,
            *(["counts for less: nothing else bears it out"] if reading.entry in seen.low_weight else []),
        )
        taken = StoryEntry(
            reading.record.taken_at,
            "reading",
            _words(reading.record),
            reading.entry,
            gap if gap == gap else None,
            removed,
            tuple(doubts),
        )
        out.append((reading.at_s, 0, taken))
    for trim in history.trims:
        t = trim.record
        out.append((trim.at_s, 1, StoryEntry(t.done_at, "trim", _words(t), trim.entry, doubts=tuple(trim.doubts))))
    for event in history.events:
        h = event.record
        out.append((event.at_s, -1, StoryEntry(h.at, "event", _words(h), event.entry, doubts=tuple(event.doubts))))
    names = ["entry", "at_s", "reed", "at", "outcome", "remark"]
    stands = history.outcome.entry if history.outcome is not None else ""
    for entry, at_s, *values in bench.journal.columns("outcome", names, reeds=[seen.name]):
        outcome = Outcome(*values)
        later = "" if entry == stands else "; a later one stands"
        out.append((at_s, 2, StoryEntry(outcome.at, "outcome", _words(outcome) + later, entry)))
    return out


def _short(bench: Bench, entry: str) -> str:
    """As much of an entry's id as names it alone in the log, and no less than ten letters."""
    from trimfit.errors import InputError

    for length in range(SHORT_ID, len(entry)):
        try:
            bench.journal.find(entry[:length])
        except InputError:
            continue
        return entry[:length]
    return entry


def _words(record: Reading | Trim | Event | Outcome) -> str:
    """What was logged, in words."""
    if isinstance(record, Trim):
        parts = [f"{record.length_mm:g} mm"] if record.length_mm else []
        if record.lip_strokes:
            parts.append(f"{record.lip_strokes:g} lip stroke{'' if record.lip_strokes == 1 else 's'}")
        asked = f" ({record.asked_mm:g} mm asked for)" if record.asked_mm is not None else ""
        said = (" and ".join(parts) or "nothing") + asked
    elif isinstance(record, Event):
        said = record.event
    elif isinstance(record, Outcome):
        said = record.outcome
    else:
        return _reading_words(record)
    return f"{said}: {record.remark}" if record.remark else said


def _reading_words(reading: Reading) -> str:
    from trimfit.pitch import NOTES, crow_label

    parts = [f"crow {crow_label(reading.crow_hz)}"] if reading.crow_hz else []
    parts += [f"{note.replace('_', ' ')} {reading.notes_hz[note]:g}" for note in NOTES if note in reading.notes_hz]
    if reading.g_octave_hz:
        parts.append(f"G octave {reading.g_octave_hz:g}")
    if reading.chanter:
        parts.append(f"in {reading.chanter}")
    for value, unit in ((reading.pressure_kpa, "kPa"), (reading.temperature_c, "°C")):
        if value is not None:
            parts.append(f"{value:g} {unit}")
    if reading.remark:
        parts.append(f"({reading.remark})")
    return ", ".join(parts)


def story_of(bench: Bench, seen: Seen, advice: Advice | None) -> ReedStory:
    """What the picture of a reed shows: E and F as read, taken to the aim's air, and the belief's fan forward."""
    from trimfit.pitch import hz_from_cents, hz_width_cents

    aim = bench.aim(seen)
    record = seen.history.reed.record
    order = seen.history.order
    return ReedStory(
        reed=record.reed,
        reed_type=record.reed_type,
        batch=record.batch,
        chanter=aim.chanter,
        order=order.order if order is not None else None,
        removed_mm=seen.removed_mm,
        tolerance_hz=bench.settings.tolerance_hz,
        points=tuple(_points(bench, seen, aim)),
        fan=tuple(_fan(seen, aim, hz_width_cents(bench.settings.tolerance_hz, 470.0))),
        advice=advice,
        meet_pitch_hz=advice.meet_pitch_hz if advice is not None else None,
        target_pitch_hz=hz_from_cents(aim.target_cents) if aim.target_cents is not None else None,
        conditions=_conditions(seen, aim),
    )


def _conditions(seen: Seen, aim: Aim) -> str:
    """The pressure and warmth that readings are taken to, as far as any of them names one."""
    logged = [r.record for r in seen.history.readings]
    kpa, deg_c = aims_air(seen, aim)
    said = [f"{kpa:.1f} kPa"] if any(r.pressure_kpa is not None for r in logged) else []
    said += [f"{deg_c:.1f} °C"] if any(r.temperature_c is not None for r in logged) else []
    return " and ".join(said)


def _points(bench: Bench, seen: Seen, aim: Aim) -> list[StoryPoint]:
    from trimfit.desk.moments import own_minute
    from trimfit.desk.reed_in_time import day_of
    from trimfit.learn.histories import taken_before
    from trimfit.pitch import OUTPUTS, hz_from_cents

    out = []
    for logged in seen.history.readings:
        if logged.record.chanter != aim.chanter:
            continue
        cents = in_aims_air(bench, seen, aim, logged.record)
        value = {note: hz_from_cents(c) for note in ("f", "e") if (c := cents[OUTPUTS.index(note)]) == c}
        if not value:
            continue
        removed, _ = taken_before(seen.history, logged)
        doubt = "; ".join(str(word) for word in logged.doubts)
        if logged.entry in seen.low_weight:
            doubt = f"{doubt}; nothing else bears it out" if doubt else "nothing else bears it out"
        taken_at = own_minute(logged.record.taken_at)
        out.append(StoryPoint(removed, value.get("f"), value.get("e"), taken_at, doubt, day_of(logged.record.taken_at)))
    return out


def _fan(seen: Seen, aim: Aim, tolerance_cents: float) -> list[FanPoint]:
    """E and F foretold from what is off now to a little further than where F is over E by the tolerance."""
    import numpy as np

    from trimfit.pitch import OUTPUTS, hz_from_cents

    if aim.chanter is None:
        return []
    e, f = OUTPUTS.index("e"), OUTPUTS.index("f")
    reach = SHORTEST_FAN_MM

    def outputs(more: float) -> tuple[Any, Any]:
        design = seen.state.design(
            seen.removed_mm + more, seen.lip_strokes, aim.chanter, aim.pressure_kpa, aim.temperature_c
        )
        return seen.state.outputs(design[[f, e]])

    for more in np.arange(0.02, 3.0, 0.02):
        mean, _ = outputs(float(more))
        if mean[0] >= mean[1] + tolerance_cents:
            reach = max(1.15 * float(more), SHORTEST_FAN_MM)
            break
    out = []
    for more in np.linspace(0.0, reach, FAN_POINTS):
        mean, cov = outputs(float(more))
        spans = []
        for k in range(2):
            half = Z90 * float(np.sqrt(max(cov[k, k], 0.0)))
            spans.append(Interval(*(hz_from_cents(float(mean[k]) + d) for d in (0.0, -half, half))))
        out.append(FanPoint(seen.removed_mm + float(more), spans[0], spans[1]))
    return out


def ticket_of(bench: Bench, seen: Seen, advice: Advice) -> Ticket:
    """The card that goes with a reed: what was read of it last in its chanter, what is believed, in the aim's air.

    A note that was never read of this reed is left out, and so are a pressure and a warmth that nobody logged.
    """
    import math
    from dataclasses import replace as changed

    from trimfit.desk.moments import own_minute
    from trimfit.pitch import NOTES, hz_from_cents
    from trimfit.plan.belief import GAP

    order_s = bench.aim(seen)
    record, order = seen.history.reed.record, seen.history.order
    mine = [r for r in seen.history.readings if r.record.notes_hz and r.record.chanter == order_s.chanter]
    last = mine[-1] if mine else None
    # what was read at a pressure nobody wrote down cannot be taken to the order's
    no_kpa = last is None or last.record.pressure_kpa is None
    aim = changed(order_s, pressure_kpa=None) if no_kpa else order_s
    kpa, deg_c = aims_air(seen, aim)
    design = seen.state.design(seen.removed_mm, seen.lip_strokes, aim.chanter, kpa, deg_c)
    mean, cov = seen.state.outputs(design)

    def span(k: int) -> Interval:
        half = Z90 * math.sqrt(max(float(cov[k, k]), 0.0))
        return Interval(*(hz_from_cents(float(mean[k]) + d) for d in (0.0, -half, half)))

    read = in_aims_air(bench, seen, aim, last.record) if last is not None else [math.nan] * 10
    ever = {note for r in mine for note in r.record.notes_hz}
    notes = tuple(
        TicketNote(note, hz_from_cents(read[k]) if read[k] == read[k] else None, span(k))
        for k, note in enumerate(NOTES, 1)
        if note in ever
    )
    known = advice.gap_read and {"e", "f"} <= ever
    gap, half = float(GAP @ mean), Z90 * math.sqrt(max(float(GAP @ cov @ GAP), 0.0))
    target = hz_from_cents(order_s.target_cents) if order_s.target_cents is not None else None
    meets = advice.meet_pitch_hz if known else None
    cautions = _work_left(advice)
    if last is None and aim.chanter is not None:
        cautions.append("no note of it was read in this chanter yet")
    elif last is not None:
        cautions += _read_off(bench, read, mean, cov)
        cautions += ["its last reading was marked as doubtful"] if last.doubts else []
        if no_kpa and order_s.pressure_kpa is not None:
            cautions.append(f"the order is for {order_s.pressure_kpa:.1f} kPa; at which it was read, nobody wrote down")
    has_crow = any(r.record.crow_hz for r in seen.history.readings)
    return Ticket(
        reed=record.reed,
        reed_type=record.reed_type,
        batch=record.batch,
        order=order.order if order is not None else None,
        chanter=aim.chanter,
        read_at=own_minute(last.record.taken_at) if last is not None else None,
        readings=len(seen.history.readings),
        meet_pitch_hz=meets,
        aim_hz=target or (meets.mean if meets is not None else None),
        target_pitch_hz=target,
        gap_cents=Interval(gap, gap - half, gap + half) if known else None,
        tolerance_hz=bench.settings.tolerance_hz,
        crow_hz=span(0) if has_crow else None,
        pressure_kpa=None if no_kpa else kpa,
        temperature_c=deg_c if last is not None and last.record.temperature_c is not None else None,
        notes=notes,
        cautions=tuple(cautions),
    )


def _work_left(advice: Advice) -> list[str]:
    """What the card warns of: work that is not done, or that the reed is no use to this order."""
    said = "; ".join(part for part in (advice.reason or advice.why, *advice.notes) if part)
    if advice.action == "trim":
        work = [f"{advice.length_mm:.2f} mm"] if advice.length_mm else []
        work += [f"lip strokes: {advice.lip_strokes}"] if advice.lip_strokes else []
        return [f"work is not done: still to come off, {' and '.join(work)}"]
    if advice.action == "read-again":
        return [f"work is not done: {said}"]
    return [said] if advice.action in ("past", "no-fit") else []


def _read_off(bench: Bench, read: list[float], mean: Any, cov: Any) -> list[str]:
    """A word where E and F were last read elsewhere than they are believed to be, by more than the tolerance; cents."""
    import math

    import numpy as np

    from trimfit.pitch import OUTPUTS, hz_from_cents, hz_width_cents

    e, f = OUTPUTS.index("e"), OUTPUTS.index("f")
    pick = np.zeros(len(OUTPUTS))
    pick[[e, f]] = 0.5
    found, believed = 0.5 * (read[e] + read[f]), float(pick @ mean)
    if not math.isfinite(found):
        return []
    off_hz = hz_from_cents(found) - hz_from_cents(believed)
    reach = max(Z90 * math.sqrt(max(float(pick @ cov @ pick), 0.0)), hz_width_cents(bench.settings.tolerance_hz, 470.0))
    if abs(found - believed) <= reach:
        return []
    way = "higher" if off_hz > 0 else "lower"
    return [f"E and F were last read {abs(off_hz):.1f} Hz {way} than is believed of them: read it again"]


def write_ticket(path: Path, reed: str, folder: Path, tell: Tell = _quiet) -> list[Path]:
    """Write the reed's ticket as PDF and PNG (A6) into a folder; returns the two paths."""
    return write_tickets(path, [reed], folder, tell)


def write_tickets(
    path: Path, reeds: Sequence[str], folder: Path, tell: Tell = _quiet, *, order: str | None = None
) -> list[Path]:
    """Write the tickets of several reeds, and of an order's reeds but those lost or put to stock: PDF and PNG of each.

    InputError for a reed or an order that the log does not know, or where there is no reed to write one of.
    """
    from trimfit.desk.advise import advise
    from trimfit.errors import InputError
    from trimfit.review import ticket
    from trimfit.review.names import file_stems

    with _bench(path, tell) as bench:
        names = [bench.journal.of_reed(reed).reed.record.reed for reed in reeds]
        names = list(dict.fromkeys(names + (_of_order(bench, order) if order is not None else [])))
        if not names:
            raise InputError("no reed to write a ticket of", order or "", "name reeds, or an order that has reeds")
        stems = file_stems(names)
        seen: dict[str, Seen] = {}
        out = []
        for done, name in enumerate(names):
            if len(names) > 1:
                tell("writing tickets", done, len(names))
            if name not in seen:
                record = bench.journal.of_reed(name).reed.record
                seen |= bench.see_batch(record.reed_type, record.batch, only=names)
            found = ticket_of(bench, seen[name], advise(bench, seen[name]))
            try:
                out += ticket.write(folder, found, stems[name])
            except OSError as error:
                raise InputError(
                    f"cannot be written ({error.strerror})", str(folder), "name a folder you may write to"
                ) from error
        if len(names) > 1:
            tell("writing tickets", len(names), len(names))
    return out


def _of_order(bench: Bench, order: str) -> list[str]:
    """The reeds of an order but those lost or put to stock, counted up."""
    from trimfit.desk.advise import as_counted
    from trimfit.desk.picking import order_named

    wanted = order_named(bench.journal, order).order
    names = [reed for reed, of in bench.journal.columns("reed", ["reed", "order"]) if of == wanted]
    kept = [
        history.reed.record.reed
        for history in bench.journal.of_reeds(names)
        if history.outcome is None or history.outcome.record.outcome == "good"
    ]
    return sorted(kept, key=as_counted)
