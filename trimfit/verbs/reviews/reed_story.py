"""One reed's whole story, its picture's findings, and the ticket that goes with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trimfit.base.answers import Advice
from trimfit.base.errors import InputError
from trimfit.base.iso_dates import local_minutes, own_minute
from trimfit.base.pitch import OUTPUTS, hz_from_cents, hz_width_cents
from trimfit.base.records import Outcome
from trimfit.log.queries import doubts_of, is_replaced, names_now, struck_of_reed
from trimfit.planner.aim import Aim
from trimfit.regression.readings.rows import reading_cents, taken_before
from trimfit.review.results import FanPoint, ReedStory, StoryPoint
from trimfit.session.open_log import Bench, Seen
from trimfit.session.order_progress import came_back
from trimfit.session.own_lines import OwnLines, aims_air, in_aims_air, own_lines
from trimfit.session.session import Session
from trimfit.verbs.ask import advise, as_left
from trimfit.verbs.reviews.reed_in_time import day_of, f_and_e, hz_spans
from trimfit.verbs.wording import values_in_words

FAN_POINTS = 13
SHORTEST_FAN_MM = 0.12
SHORT_ID = 10


@dataclass(frozen=True, slots=True)
class StoryEntry:
    """One thing that was logged of a reed. `struck`: why it was taken back, None if it stands; `short`: as much of the
    entry's id as names it alone; `minute`: `at` as a person reads it, with its offset from UTC where it needs one."""

    at: str
    what: str
    said: str
    entry: str
    gap_cents: float | None = None
    removed_mm: float | None = None
    doubts: tuple[str, ...] = ()
    struck: str | None = None
    short: str = ""
    minute: str = ""

    @property
    def is_replaced(self) -> bool:
        """Whether it was struck because another stands in its place."""
        return self.struck is not None and is_replaced(self.struck)


@dataclass(frozen=True, slots=True)
class ReedReview:
    """One reed: who it is, what happened to it in order of time, where it stands, what to do next.

    own_lines: what its own readings say by themselves, beside the advice that leans on all its kin. doubts: those about
    the reed's own entry.
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
    doubts: tuple[str, ...] = ()


def review_reed(session: Session, reed: str, *, at_s: float | None = None) -> ReedReview:
    """A reed's whole story, struck entries included, also by a name that it had before it was renamed. at_s: as of that
    moment, as for `ask.ask_reed`.

    InputError for a reed that the log does not know, and for a name that several reeds had.
    """
    with session.journal.reading() as connection:
        now = names_now(connection, reed)
    record = session.journal.reed_named(now[0] if len(now) == 1 else reed)
    session.fit_if_due()
    bench = session.bench(at_s)
    return review_of(bench, bench.see_reed(record))


def sheet_of(session: Session, reed: str) -> tuple[ReedReview, ReedStory]:
    """A reed as a bench wants it in front of it: `review_reed`, and F and E over the length taken off."""
    record = session.journal.reed_named(reed)
    session.fit_if_due()
    with session.reading():
        bench = session.bench()
        seen = bench.see_reed(record)
        review = review_of(bench, seen)
        return review, story_of(*as_left(bench, seen), review.advice)


def review_of(bench: Bench, seen: Seen) -> ReedReview:
    """The whole story of a reed as it is seen."""
    record = seen.history.reed.record
    with bench.journal.reading() as connection:
        struck = struck_of_reed(connection, record.reed)
    events = _events(bench, seen)
    until_s = bench.until_s
    for one in (one for one in struck if until_s is None or one.at_s <= until_s):
        events.append(
            (one.at_s, 3, StoryEntry(one.at, one.kind, values_in_words(one.record), one.entry, struck=one.why))
        )
    in_time = [event for _, _, event in sorted(events, key=lambda e: (e[0], e[1], e[2].entry))]
    minutes = local_minutes([event.at for event in in_time], bench.settings.time_zone)
    outcome = seen.history.outcome
    then, left = as_left(bench, seen)
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
        events=tuple(
            replace(event, short=_short(bench, event.entry), minute=minute)
            for event, minute in zip(in_time, minutes, strict=True)
        ),
        advice=replace(advise(then, left, gone=True), came_back=came_back(seen.history)),
        own_lines=own_lines(then, left, then.aim(left)),
        doubts=tuple(seen.history.reed.doubts),
    )


def _events(bench: Bench, seen: Seen) -> list[tuple[float, int, StoryEntry]]:
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
            values_in_words(reading.record),
            reading.entry,
            gap if gap == gap else None,
            removed,
            tuple(doubts),
        )
        out.append((reading.at_s, 0, taken))
    for trim in history.trims:
        t = trim.record
        out.append(
            (trim.at_s, 1, StoryEntry(t.done_at, "trim", values_in_words(t), trim.entry, doubts=tuple(trim.doubts)))
        )
    for event in history.events:
        h = event.record
        out.append(
            (event.at_s, -1, StoryEntry(h.at, "event", values_in_words(h), event.entry, doubts=tuple(event.doubts)))
        )
    names = ["entry", "at_s", "reed", "at", "outcome", "remark"]
    stands = history.outcome.entry if history.outcome is not None else ""
    outcomes = bench.journal.columns("outcome", names, reeds=[seen.name])
    with bench.journal.reading() as connection:
        marks = doubts_of(connection, [entry for entry, *_ in outcomes])
    for entry, at_s, *values in outcomes:
        if bench.until_s is not None and at_s > bench.until_s:
            continue
        outcome = Outcome(*values)
        later = "" if entry == stands else "; a later one stands"
        said = values_in_words(outcome) + later
        out.append((at_s, 2, StoryEntry(outcome.at, "outcome", said, entry, doubts=marks[entry])))
    return out


def _short(bench: Bench, entry: str) -> str:
    """As much of an entry's id as names it alone in the log, and no less than ten letters."""
    for length in range(SHORT_ID, len(entry)):
        try:
            bench.journal.find(entry[:length])
        except InputError:
            continue
        return entry[:length]
    return entry


def story_of(bench: Bench, seen: Seen, advice: Advice | None) -> ReedStory:
    """What the picture of a reed shows: E and F as read, taken to the aim's air, and the posterior's fan forward."""
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
    """E and F predicted from what is off now to a little further than where F is over E by the tolerance."""
    if aim.chanter is None:
        return []
    reach = SHORTEST_FAN_MM
    for more_mm in np.arange(0.02, 3.0, 0.02):
        (f, e), _ = f_and_e(seen, aim, float(more_mm))
        if f >= e + tolerance_cents:
            reach = max(1.15 * float(more_mm), SHORTEST_FAN_MM)
            break
    lengths_mm = [float(more_mm) for more_mm in np.linspace(0.0, reach, FAN_POINTS)]
    return [FanPoint(seen.removed_mm + mm, *hz_spans(*f_and_e(seen, aim, mm))) for mm in lengths_mm]
