"""Doubts at entry: what a careful neighbour at the bench would ask about before a line is logged.

Pure functions of the record, the reed's history, the shop's settings and what is predicted. A doubt is asked about at
once, kept when confirmed, and stays with its entry. That holds for values that a chanter or a blade can have
(`units.BOUNDS`): an octave slip that no chanter can sound is mended or typed anew, and no confirmation keeps it, for it
is no measured value of anything.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from trimfit.base.errors import InputError, command, short
from trimfit.base.iso_dates import DAY_S, at_s, has_offset, local_minute, own_minute, text_of
from trimfit.base.pitch import SEATING_TOLERANCES
from trimfit.base.plain_words import cents_words, counted
from trimfit.base.records import Chanter, Doubt, Event, Logged, Outcome, Reading, ReedHistory, Settings, Trim
from trimfit.entry.entry_times import CLOCKS_APART_S
from trimfit.entry.typing_slips import (
    AS_SOUNDING,
    Typed,
    median,
    outputs_cents,
    rough_expectation,
    since_event,
    slip_doubts,
)
from trimfit.log.entry_kinds import Kind, kind_of_record
from trimfit.log.settings import scale_of

if TYPE_CHECKING:
    from trimfit.entry.neighbours import ExpectedReading

# Before this many cuts of a type are logged, only a cut longer than this is asked about. Assumptions, no source.
FEW_CUTS = 8
LONGEST_UNASKED_MM = 1.0
# A slip of the decimal point is a factor of ten; cuts themselves spread by a factor of two about the usual one.
SLIP_FACTOR, FEWEST_TRIMS = 6.0, 3
# A cut may be so many times as long as those before it and no slip. An assumption, no source.
OUTDONE = 1.5
# More lip strokes than this in one trim are asked about, where none of the type before had so many. An assumption: no
# visit is advised more.
MANY_STROKES = 10.0
# How much more the top hand may rise than the bottom hand, per kPa away from the bench's pressure, before the A's
# count as out of balance. An assumption made wide; the sign is common practice, no source.
TOP_OVER_BOTTOM_CENTS_PER_KPA = 4.0
# How far the gap may seem to open by reading error alone, with length taken and the lips left alone.
GAP_OPENS_CENTS = 10.0
# Hertz as low A between the G octave and the A's that no gap of the other sign goes with (common practice, no source:
# it stands two or three hertz under while the reed still wants to be sharper).
G_OCTAVE_HZ = 2.0
# F and E this far apart as low A are asked about where nothing else was. An assumption made wide, no source.
GAP_WIDE_CENTS = 150.0
# The kind of the doubt whether a reed was misread, or is not as it was.
MOVED = "misread-or-moved"
# The kinds of doubt about a reading that no posterior takes back: slips by an octave, and what is odd about it by
# itself.
PLAIN = frozenset({"octave", "swapped", "twice", "gap-wide", "a-unbalanced", "humidity-share"})
# The same entry of a reed, with nothing logged between, is asked about within this time.
TWICE_S = 60.0
YEAR_DAYS = 365.25
# From so many gauged chanters on, a gauge that lies beyond theirs by more than their range, or this, is asked about.
FEWEST_GAUGED, LEAST_RANGE_MM = 3, 1.0
# A reed made or an order due further from now than this, in years, is asked about. Assumptions made wide, no source.
YEARS_BACK, YEARS_AHEAD = {"made_on": 20.0, "due_on": 2.0}, 10.0
# A cut that is so many times the one that was meant, or a part so small, and off by more than so many mm, is a slip of
# one of the two.
ASKED_TIMES, ASKED_OFF_MM = 5.0, 0.1
# A hand hits what was asked for within so many standard deviations of its error.
HAND_SDS = 3.0
# Times the tolerance that a reed's last gap may be while it is handed over unasked: a reading errs too.
GOOD_TOLERANCES = 2.0
# The same of the pitch where one is ordered: the air of the day and how hard it was blown move it too.
GOOD_PITCH_TOLERANCES = 4.0


def reading_doubts(
    reading: Reading,
    history: ReedHistory,
    settings: Settings,
    *,
    typed: Typed = AS_SOUNDING,
    foreseen: ExpectedReading | None = None,
) -> list[Doubt]:
    """All doubts about a reading not yet logged, those that a slip explains first.

    typed: how the line was typed. foreseen: what is predicted under the reading's own conditions, all outputs together,
    of this reed and of those beside it; output by output it counts where the reed was last read in the same chanter.
    What is not predicted is judged from the reed's last reading and from the reading itself.
    """
    scale = scale_of(settings)
    whole, history = history, since_event(history)
    if whole.readings and not history.readings:
        foreseen = None  # an event came after all that was read: it may stand anywhere
    last_s = max((one.at_s for one in history.readings), default=float("-inf"))
    after_cut = any(one.at_s >= last_s for one in history.trims) and bool(history.readings)
    same_chanter = bool(history.readings) and history.readings[-1].record.chanter == reading.chanter
    known = foreseen.own.each() if foreseen is not None and same_chanter else {}
    expected = {**rough_expectation(reading, history, scale), **known}
    doubts = slip_doubts(reading, expected, scale, typed=typed, after_cut=after_cut)
    slipped = bool(doubts) and all(doubt.meant for doubt in doubts)
    moved = _moved(reading, foreseen, scale, one_value=not doubts) if same_chanter and not slipped else None
    doubts = _or_the_last(doubts, reading, history, settings.time_zone)
    other = _other_reed(reading, history, foreseen, scale)
    if other is not None and not slipped:
        return [other]
    if doubts and moved is None:
        # A slip explains the rest: an octave on one A is no lack of balance.
        return doubts
    by_itself = [
        _typed_twice(reading, whole, settings.time_zone),
        _gap_wide(reading, scale),
        _unbalanced(reading, settings, scale),
    ]
    if moved is not None and not any(by_itself):
        return [moved]
    found = [*by_itself, _g_octave_against_gap(reading, settings, scale), _gap_opened(reading, history, scale)]
    found.append(humidity_doubt(reading.humidity_pct))
    return [doubt for doubt in found if doubt is not None]


def plain_reading_doubts(
    reading: Reading, history: ReedHistory, settings: Settings, *, typed: Typed = AS_SOUNDING
) -> list[Doubt]:
    """Those doubts about a reading not yet logged that hold whatever is predicted of it, and cost no time."""
    return [doubt for doubt in reading_doubts(reading, history, settings, typed=typed) if doubt.kind in PLAIN]


def chanter_doubts(reading: Reading, known: Chanter | None, history: ReedHistory, *, named: bool) -> list[Doubt]:
    """Whether a reading was taken in the chanter that it is logged in.

    In one that is away only its owner reads, and the remark may say so. One that was named by nobody goes to where the
    reed is worked; that the chanter of its order is away is no more than a guess where no reed was ever read in it.
    known: what the log has of the reading's chanter; named: whether somebody said which it is.
    """
    if known is None:
        return []
    name, ordered = short(known.chanter), history.chanter if history.order is not None else None
    if known.at_hand == "no" and "owner" not in (reading.remark or "").lower():
        sentence = f"Chanter {name} is away: did its owner read it there? (The word owner in the remark says so.)"
        return [Doubt("owners", "chanter", sentence)]
    if not named and ordered is not None and ordered.chanter != known.chanter and ordered.at_hand is None:
        unread = f"No reed was ever read in {short(ordered.chanter)}, the chanter of its order"
        return [Doubt("which-chanter", "chanter", f"{unread}: was this one read in {name}? Else name the chanter.")]
    return []


def gauge_doubts(gauge_mm: float | None, known_mm: Collection[float]) -> list[Doubt]:
    """Whether a bore gauge really enters a chanter so far. known_mm: how far it enters the others."""
    if gauge_mm is None or len(known_mm) < FEWEST_GAUGED:
        return []
    low_mm, high_mm = min(known_mm), max(known_mm)
    if max(low_mm - gauge_mm, gauge_mm - high_mm) <= max(high_mm - low_mm, LEAST_RANGE_MM):
        return []
    sentence = f"{gauge_mm:g} mm is outside your {low_mm:g} to {high_mm:g}; is it right?"
    return [Doubt("gauge-far", "bore_gauge_mm", sentence)]


def _other_reed(
    reading: Reading, history: ReedHistory, foreseen: ExpectedReading | None, scale: Mapping[str, Fraction]
) -> Doubt | None:
    """A reading that another reed of the batch explains much better than its own does; of a reed whose notes were read
    before, the notes without the crow too: a crow is easily named a semitone off."""
    now = outputs_cents(reading, scale)
    if foreseen is None or not now:
        return None
    from trimfit.entry.neighbours import reads_like

    name = reads_like(now, foreseen)
    notes = {output: cents for output, cents in now.items() if output != "crow"}
    known = any(one.record.notes_hz for one in history.readings)
    if name is None or (known and "crow" in now and reads_like(notes, foreseen) is None):
        return None
    own = short(reading.reed)
    sentence = f"This reads like {short(name)}, not like {own}; is {own} the right reed?"
    sentence = sentence if name else f"This does not read as {own} should; is {own} the right reed?"
    return Doubt("other-reed", f"{next(iter(now))}_hz", sentence, reed=name)


def _moved(
    reading: Reading, foreseen: ExpectedReading | None, scale: Mapping[str, Fraction], *, one_value: bool
) -> Doubt | None:
    """A whole reading far from what was predicted: it was misread, or the reed may have moved. one_value: be it that
    one wrong value explains it, where nothing else asks after that."""
    if foreseen is None:
        return None
    from trimfit.entry.neighbours import off_as_a_whole

    found = off_as_a_whole(outputs_cents(reading, scale), foreseen.own, one_value=one_value)
    if found is None:
        return None
    what, cents = found
    side = f"{cents_words(cents)} {'over' if cents > 0 else 'under'} what was predicted"
    said = {"gap": f"F {side} against E", "crow": f"The crow is {side}"}.get(what, f"All notes {side}")
    column = {"gap": "f_hz", "crow": "crow_hz"}.get(what, f"{next(iter(reading.notes_hz))}_hz")
    return Doubt(MOVED, column, f"{said}: misread, or has the reed moved?")


def _or_the_last(doubts: list[Doubt], reading: Reading, history: ReedHistory, zone: str) -> list[Doubt]:
    """Doubts of several values at once, or of the whole: the reading before may have been the wrong one."""
    before = [one for one in history.readings if one.record.chanter == reading.chanter]
    kinds = [doubt.kind for doubt in doubts]
    if not before or "swapped" in kinds or (len(kinds) < 2 and kinds != ["other-reed"]):
        return doubts
    last = next((one for one in reversed(before) if not one.doubts), before[-1]).record
    also = f" Or was the reading of {local_minute(last.taken_at, zone)} another reed's?"
    return [*doubts[:-1], replace(doubts[-1], sentence=doubts[-1].sentence + also)]


def _typed_twice(record: Reading | Trim, history: ReedHistory, zone: str) -> Doubt | None:
    """The very thing that was logged last of this reed, once more within a minute."""
    entries: list[Logged[Reading] | Logged[Trim] | Logged[Event]] = [*history.readings, *history.trims, *history.events]
    last = max(entries, key=lambda one: (one.at_s, one.seq), default=None)
    if last is None or not _same_values(record, last.record):
        return None
    after_s = at_s(record.taken_at if isinstance(record, Reading) else record.done_at, zone) - last.at_s
    if not 0.0 < after_s < TWICE_S:
        return None
    return twice_doubt(kind_of_record(record), after_s)


def twice_doubt(kind: Kind, after_s: float) -> Doubt:
    """The doubt about an entry that says what the one before it says, so many seconds after that."""
    when = "just before" if after_s < 2.0 else f"{after_s:.0f} seconds before"
    return Doubt("twice", kind.time or "", f"The same {kind.name} was logged {when}; was it typed twice?")


def _same_values(one: Reading | Trim, other: object) -> bool:
    """Whether two entries say the same but for their time and remark."""
    if isinstance(one, Reading):
        return isinstance(other, Reading) and other == replace(one, taken_at=other.taken_at, remark=other.remark)
    return isinstance(other, Trim) and (one.length_mm, one.lip_strokes) == (other.length_mm, other.lip_strokes)


def ahead_doubt(instant_s: float, time: str, column: str, now_s: float, zone: str) -> list[Doubt]:
    """The doubt about an entry whose time is yet to come, if it is; both instants in seconds since 1970 UTC.

    zone: the shop's. A time without an offset may be on a clock that is up to a day ahead.
    """
    ahead_s = instant_s - now_s
    if ahead_s <= (CLOCKS_APART_S if has_offset(time) else DAY_S):
        return []
    if ahead_s <= DAY_S:
        return [Doubt("time-ahead", column, f"{local_minute(time, zone)} is still to come; is the time right?")]
    far = _span(ahead_s)
    return [Doubt("time-ahead", column, f"{local_minute(time, zone)} is {far} ahead of now; is the date right?")]


def _span(length_s: float) -> str:
    """How long a time is in words, in seconds: in whole years, or of less than two in days."""
    years = math.floor(length_s / (YEAR_DAYS * DAY_S))
    return f"over {years} years" if years >= 2 else counted(round(length_s / DAY_S), "day")


def when_doubts(
    record: Reading | Trim | Event | Outcome, history: ReedHistory, settings: Settings, now_s: float
) -> list[Doubt]:
    """All doubts about when an entry not yet logged is said to be: yet to come, before its reed was made, or after that
    had left the bench, when its name may be a slip. now_s: in seconds since 1970 UTC."""
    kind = kind_of_record(record)
    column = kind.time or ""
    time = str(getattr(record, column))
    then_s = at_s(time, settings.time_zone)
    found = ahead_doubt(then_s, time, column, now_s, settings.time_zone)
    found += before_made_doubt(record.reed, time, column, history.reed.record.made_on)
    gone = history.outcome
    if (
        gone is not None
        and not _at_its_owners(record, history)
        and not any(event.at_s > gone.at_s for event in history.events)
    ):
        found += after_leaving_doubt(
            kind.name, record.reed, then_s, gone.record.outcome, gone.record.at, gone.at_s, settings.time_zone
        )
    return found


def _at_its_owners(record: object, history: ReedHistory) -> bool:
    """Whether a reed that left as good was read where it went: in its order's chanter, which is away."""
    there, gone = history.chanter, history.outcome
    if not isinstance(record, Reading) or there is None or gone is None or gone.record.outcome != "good":
        return False
    return there.at_hand == "no" and record.chanter == there.chanter


def day_doubts(record: object, now_s: float) -> list[Doubt]:
    """The doubt about the day that a reed was made or an order is due (`day_doubt`)."""
    column = {"reed": "made_on", "order": "due_on"}.get(kind_of_record(record).name, "")
    return day_doubt(column, getattr(record, column, None), now_s)


def day_doubt(column: str, day: str | None, now_s: float) -> list[Doubt]:
    """The doubt about a day of column `made_on` or `due_on`: so far from now that its year may be a slip, or made later
    than today; of what is no date none. now_s: in seconds since 1970 UTC."""
    try:
        ahead_s = at_s(day or "") - now_s
    except InputError:
        return []
    years = ahead_s / (YEAR_DAYS * DAY_S)
    if -YEARS_BACK[column] <= years <= YEARS_AHEAD:
        if column == "due_on" or str(day) <= text_of(now_s)[: len(str(day))]:
            return []
        return [Doubt("time-ahead", column, f"{day} is still to come; is the date right?")]
    far = f"{_span(abs(ahead_s))} {'ahead of now' if ahead_s > 0 else 'ago'}"
    return [Doubt("day-far", column, f"{day} is {far}; is the date right?")]


def before_made_doubt(reed: str, time: str, column: str, made_on: str | None) -> list[Doubt]:
    """The doubt about an entry of a day before its reed was made, if it is."""
    if made_on is None or own_minute(time)[: len(made_on)] >= made_on:
        return []
    sentence = f"{own_minute(time)} is before {short(reed)} was made ({made_on}); are reed and date right?"
    return [Doubt("before-made", column, sentence)]


def after_leaving_doubt(
    kind: str, reed: str, then_s: float, outcome: str, left_at: str, left_s: float, zone: str
) -> list[Doubt]:
    """The doubt about a reading or a trim of a reed that had left the bench good or lost; instants in seconds since
    1970 UTC; zone: the shop's."""
    if kind not in ("reading", "trim") or outcome not in ("good", "lost") or then_s <= left_s:
        return []
    name = short(reed)
    sentence = f"{name} had left the bench {outcome} ({local_minute(left_at, zone)}); is {name} the right reed?"
    return [Doubt("left-bench", "reed", sentence)]


def humidity_doubt(humidity_pct: float | None) -> Doubt | None:
    """The doubt about a humidity that is a share, as a sheet's percent format keeps it."""
    if humidity_pct is None or not 0.0 < humidity_pct <= 1.0:
        return None
    sentence = f"A humidity of {humidity_pct:g} % is drier than air gets; was it {100.0 * humidity_pct:g} %?"
    return Doubt("humidity-share", "humidity_pct", sentence)


def _gap_wide(reading: Reading, scale: Mapping[str, Fraction]) -> Doubt | None:
    if _f_and_e_hz(reading, scale) is None:
        return None
    return gap_wide(reading.notes_hz["f"], reading.notes_hz["e"], scale)


def gap_wide(f_typed: float, e_typed: float, scale: Mapping[str, Fraction]) -> Doubt | None:
    """F and E, sounding hertz, further apart than any reed of a chanter: E sounds over F where they were swapped."""
    apart = 1200.0 * math.log2((f_typed / float(scale["f"])) / (e_typed / float(scale["e"])))
    if abs(apart) <= GAP_WIDE_CENTS:
        return None
    exchanged = 1200.0 * math.log2((e_typed / float(scale["f"])) / (f_typed / float(scale["e"])))
    if e_typed >= f_typed and abs(exchanged) <= GAP_WIDE_CENTS:
        sentence = f"E sounds over F: the two look swapped; did you mean F {e_typed:.1f} and E {f_typed:.1f}?"
        return Doubt("swapped", "e_hz", sentence, (("e_hz", f_typed), ("f_hz", e_typed)))
    side = "over" if apart > 0 else "under"
    return Doubt("gap-wide", "f_hz", f"F {abs(apart):.0f} cents {side} E as low A is more than reeds do; is it right?")


def event_doubts(event: Event) -> list[Doubt]:
    """The doubt about an event not yet logged that holds a value, as a reading or a cut has."""
    values = [word for word in event.event.split() if "=" in word.strip("=")]
    if not values:
        return []
    reading, trim = (
        command("log", name, event.reed, what) for name, what in (("reading", "NAME=VALUE"), ("trim", "MM"))
    )
    sentence = (
        f"{short(' '.join(values))} is kept as a word of the event and counts for no value; "
        f"a reading is logged by {reading}, a cut by {trim}"
    )
    return [Doubt("event-value", "event", sentence)]


def outcome_doubts(outcome: Outcome, history: ReedHistory, settings: Settings) -> list[Doubt]:
    """All doubts about an outcome not yet logged: a reed handed over, at the time of the outcome, that was never read,
    had been cut since, was off, or far from the pitch ordered; or that was cut after it."""
    if outcome.outcome != "good":
        return []
    scale = scale_of(settings)
    reed = short(outcome.reed)
    then_s = at_s(outcome.at, settings.time_zone) if outcome.at else math.inf
    later = next((trim for trim in history.trims if trim.at_s > then_s), None)
    if later is not None and not any(then_s < event.at_s <= later.at_s for event in history.events):
        sentence = f"{reed} was cut after that ({local_minute(later.record.done_at, settings.time_zone)}); "
        return [Doubt("left-bench", "at", f"{sentence}are reed and time right?")]
    readings = [one for one in history.readings if one.at_s <= then_s]
    trims = [one for one in history.trims if one.at_s <= then_s]
    events = [one for one in history.events if one.at_s <= then_s]
    for one in reversed(readings):
        found = _f_and_e_hz(one.record, scale)
        if found is None:
            continue
        if taken_mm := sum(trim.record.length_mm or 0.0 for trim in trims if trim.at_s >= one.at_s):
            sentence = f"{taken_mm:.2f} mm came off {reed} since F and E were read last; is it good?"
            return [Doubt("good-unread", "outcome", sentence)]
        event = next((event.record.event for event in reversed(events) if event.at_s > one.at_s), None)
        if event is not None:
            sentence = f"{reed} was not read with F and E since it was logged as {short(event)}; is it good?"
            return [Doubt("good-unread", "outcome", sentence)]
        order = history.order
        if order is not None and one.record.chanter not in (None, order.chanter):
            return []  # the gap that is good here depends on both chanters: the advice knows it
        gap_hz, pitch_hz = found[0] - found[1], sum(found) / 2.0
        if abs(gap_hz) > GOOD_TOLERANCES * settings.tolerance_hz:
            side = "over" if gap_hz > 0 else "under"
            sentence = f"{reed} was last read with F {abs(gap_hz):.1f} Hz {side} E as low A; is it good?"
            return [Doubt("good-off", "outcome", sentence)]
        ordered_hz = order.target_pitch_hz if order is not None else None
        if ordered_hz and abs(pitch_hz - ordered_hz) > GOOD_PITCH_TOLERANCES * settings.tolerance_hz:
            sentence = f"{reed} was last read at {pitch_hz:.1f} Hz, and {ordered_hz:.1f} Hz are ordered; is it good?"
            return [Doubt("good-off", "outcome", sentence)]
        return []
    untaped = " untaped" if any({"f", "e"} <= one.record.notes_hz.keys() for one in readings) else ""
    return [Doubt("good-unread", "outcome", f"{reed} was never read with F and E{untaped}; is it good?")]


def _low_a_hz(reading: Reading, note: str, scale: Mapping[str, Fraction]) -> float | None:
    """A note's hertz as low A; None if it was not taken or is taped."""
    if note not in reading.notes_hz or note in reading.taped:
        return None
    return reading.notes_hz[note] / float(scale[note])


def _f_and_e_hz(reading: Reading, scale: Mapping[str, Fraction]) -> tuple[float, float] | None:
    """F and E in hertz as low A, None unless both were taken and are without tape."""
    f_hz, e_hz = (_low_a_hz(reading, note, scale) for note in ("f", "e"))
    return None if f_hz is None or e_hz is None else (f_hz, e_hz)


def unbalanced(
    low_a_hz: float, high_a_hz: float, pressure_kpa: float | None, settings: Settings, scale: Mapping[str, Fraction]
) -> float | None:
    """By how many hertz as low A the high A stands over the low A, if that is more than the shop bears, else None.

    low_a_hz, high_a_hz: sounding. Blowing away from the bench's pressure is allowed for, generously.
    """
    over_hz = high_a_hz / float(scale["high_a"]) - low_a_hz / float(scale["low_a"])
    bench_kpa = settings.bench_pressure_kpa
    allowed_cents = abs((pressure_kpa or bench_kpa) - bench_kpa) * TOP_OVER_BOTTOM_CENTS_PER_KPA
    allowed_hz = settings.balance_tolerance_hz + low_a_hz * (2.0 ** (allowed_cents / 1200.0) - 1.0)
    return over_hz if abs(over_hz) > allowed_hz else None


def unbalanced_reading(reading: Reading, settings: Settings, scale: Mapping[str, Fraction]) -> float | None:
    """As `unbalanced`, of a reading; None too where one of its A's was not taken or is taped."""
    notes = reading.notes_hz
    if not {"low_a", "high_a"} <= notes.keys() or {"low_a", "high_a"} & set(reading.taped):
        return None
    return unbalanced(notes["low_a"], notes["high_a"], reading.pressure_kpa, settings, scale)


def _unbalanced(reading: Reading, settings: Settings, scale: Mapping[str, Fraction]) -> Doubt | None:
    over_hz = unbalanced_reading(reading, settings, scale)
    if over_hz is None:
        return None
    # The top hand's air column is the shorter one, so seating a reed deeper raises the top hand more.
    seat = "shallower" if over_hz > 0 else "deeper"
    side = "over" if over_hz > 0 else "under"
    remedy = f"seat the reed {seat} and read again, or is it right?"
    if abs(over_hz) > SEATING_TOLERANCES * settings.balance_tolerance_hz:
        remedy = "no seat takes them so far apart; is one of them mistyped?"
    sentence = f"The A's do not balance: high A is {abs(over_hz):.1f} Hz {side} low A, as low A; {remedy}"
    return Doubt("a-unbalanced", "high_a_hz", sentence)


def _g_octave_against_gap(reading: Reading, settings: Settings, scale: Mapping[str, Fraction]) -> Doubt | None:
    found = _f_and_e_hz(reading, scale)
    a_hz = [hz for note in ("low_a", "high_a") if (hz := _low_a_hz(reading, note, scale)) is not None]
    if reading.g_octave_hz is None or found is None or not a_hz:
        return None
    over_hz = reading.g_octave_hz / (2.0 * float(scale["low_g"])) - sum(a_hz) / len(a_hz)
    gap_hz = found[0] - found[1]
    wants_sharper = gap_hz < -2.0 * settings.tolerance_hz
    wants_no_more = gap_hz > settings.tolerance_hz
    if (wants_sharper and over_hz > G_OCTAVE_HZ) or (wants_no_more and over_hz < -G_OCTAVE_HZ):
        side, gap_side = ("over" if over_hz > 0 else "under"), ("under" if gap_hz < 0 else "over")
        sentence = (
            f"The G octave is {abs(over_hz):.1f} Hz {side} the A's while F is {abs(gap_hz):.1f} Hz {gap_side} E: "
            "the two contradict; are they right?"
        )
        return Doubt("g-octave", "g_octave_hz", sentence)
    return None


def _gap_opened(reading: Reading, history: ReedHistory, scale: Mapping[str, Fraction]) -> Doubt | None:
    """Length came off, the lips were left alone, the chanter is the same, and yet F fell against E."""
    now = outputs_cents(reading, scale)
    before = [
        (one, outputs_cents(one.record, scale)) for one in history.readings if one.record.chanter == reading.chanter
    ]
    before = [(one, cents) for one, cents in before if {"f", "e"} <= cents.keys()]
    if not before or not {"f", "e"} <= now.keys():
        return None
    last, cents = before[-1]
    since = [one.record for one in history.trims if one.at_s >= last.at_s]
    taken_mm = sum(trim.length_mm or 0.0 for trim in since)
    closed_cents = (now["f"] - now["e"]) - (cents["f"] - cents["e"])
    if not taken_mm or any(trim.lip_strokes for trim in since) or closed_cents > -GAP_OPENS_CENTS:
        return None
    opened = f"The gap opened by {-closed_cents:.0f} cents though {taken_mm:.2f} mm came off"
    sentence = f"{opened}: no trim does that; is it right?"
    return Doubt("gap-opened", "f_hz", sentence)


def slip_bound(amounts: Sequence[float]) -> tuple[float, float]:
    """Beyond which amount of a trim it looks like a slip of the decimal point, several times what is usual, and the
    usual amount, both in the unit of `amounts` (mm or strokes): those made on reeds of a type. Of few nothing is usual,
    and nothing is a slip."""
    if len(amounts) < FEWEST_TRIMS:
        return math.inf, 0.0
    middle = median(amounts)
    # What one trim in ten reaches is no slip, however far from the middle it lies.
    common = sorted(amounts)[int(0.9 * (len(amounts) - 1))]
    return max(SLIP_FACTOR * middle, OUTDONE * common), middle


def without_slips(amounts: Sequence[float]) -> list[float]:
    """Those of some amounts that do not look like slips beside the others."""
    bound, _ = slip_bound(amounts)
    return [one for one in amounts if one <= bound]


def long_trim(trim: Trim, cuts_mm: Sequence[float], reed_type: str) -> str:
    """Why the length of a trim that was logged without a question looks like a slip, as a sentence; empty if it does
    not, and where that length was asked for. cuts_mm: the cuts made on reeds of its type."""
    length_mm = trim.length_mm or 0.0
    bound_mm, middle_mm = slip_bound(cuts_mm)
    few = len(cuts_mm) < FEWEST_TRIMS
    if length_mm <= (LONGEST_UNASKED_MM if few else bound_mm) or (trim.asked_mm or 0.0) > 0.5 * length_mm:
        return ""
    than = f"where {middle_mm:.2g} mm is usual on {short(reed_type)}"
    if few:
        than = f"longer than a cut is thought to be ({LONGEST_UNASKED_MM:.2f} mm)"
    return f"{length_mm:g} mm in one trim, {than}; did you mean {round(length_mm / 10, 6):g}?"


def many_strokes(strokes: float, before: float) -> list[Doubt]:
    """The doubt about so many lip strokes in one trim, if it is one. before: the most that are usual."""
    most = max(before, MANY_STROKES)
    if strokes <= most:
        return []
    sentence = f"{strokes:g} lip strokes in one trim are more than {most:g}; is it right?"
    return [Doubt("strokes-many", "lip_strokes", sentence)]


def trim_doubts(
    trim: Trim,
    history: ReedHistory,
    settings: Settings,
    *,
    longest_mm: float | None,
    cuts: int = FEW_CUTS,
    most_strokes: float = 0.0,
    advised_mm: float | None = None,
    advised: str = "advised",
) -> list[Doubt]:
    """All doubts about a trim not yet logged.

    longest_mm: the longest cut logged so far on reeds of the type, None if there is none; cuts: how many there are.
    most_strokes: the most lip strokes logged so far in one trim of the type.
    advised_mm: the cut that was advised (or `advised`: in what other word it was given), if one was: a value ten or a
    hundred times off it, or with its digits exchanged, was meant to be it. What was advised or asked for, as a hand
    hits it, or less, is not asked about for its length.
    """
    length_mm = trim.length_mm or 0.0
    doubts = []
    slip_mm = _with_slip(length_mm, advised_mm)
    limit_mm, than = longest_mm or 0.0, "any cut before that is in no doubt"
    if (cuts < FEW_CUTS or not longest_mm) and limit_mm < LONGEST_UNASKED_MM:
        limit_mm, than = LONGEST_UNASKED_MM, "a cut is thought to be"
    meant_mm = max(advised_mm or 0.0, min(trim.asked_mm or 0.0, LONGEST_UNASKED_MM))
    off_mm = HAND_SDS * math.hypot(settings.cut_error_pct / 100.0 * meant_mm, settings.cut_error_mm)
    asked_for = meant_mm > 0.0 and length_mm <= meant_mm + off_mm
    long = length_mm > limit_mm + 1e-9 and not asked_for
    if long or slip_mm is not None:
        words = f"longer than {than} ({limit_mm:.2f} mm)" if long else f"not the {advised_mm:g} mm {advised}"
        words = f"{length_mm:g} mm is {words}"
        if slip_mm is None and limit_mm <= length_mm / 3.0:
            # the point a place off, or hundredths for mm, which are whole; the longest so far may be outdone a little
            most_mm = limit_mm * (OUTDONE if limit_mm == longest_mm else 1.0)
            shifted = (10.0, 100.0) if length_mm.is_integer() else (10.0,)
            slip_mm = next((round(length_mm / by, 6) for by in shifted if length_mm / by <= most_mm), None)
        ask = f"did you mean {slip_mm:g}?" if slip_mm is not None else "is it right?"
        meant = (("length_mm", slip_mm),) if slip_mm is not None else ()
        doubts.append(Doubt("trim-long", "length_mm", f"{words}; {ask}", meant))
    if not doubts and (twice := _typed_twice(trim, history, settings.time_zone)):
        doubts.append(twice)
    if length_mm and trim.asked_mm == 0.0:
        doubts.append(Doubt("asked-nothing", "asked_mm", f"{length_mm:g} mm came off where 0 was meant; is it right?"))
    if length_mm and trim.asked_mm and not doubts:
        short_mm, long_mm = sorted((length_mm, trim.asked_mm))
        if long_mm > ASKED_TIMES * short_mm and long_mm - short_mm > ASKED_OFF_MM:
            sentence = f"{length_mm:g} mm came off where {trim.asked_mm:g} was meant; is it right?"
            doubts.append(Doubt("asked-far", "asked_mm", sentence))
    doubts += many_strokes(trim.lip_strokes or 0.0, most_strokes)
    if trim.lip_strokes and not (2.0 * trim.lip_strokes).is_integer():
        sentence = f"{trim.lip_strokes:g} lip strokes are no whole or half ones; is it right?"
        doubts.append(Doubt("strokes-odd", "lip_strokes", sentence))
    blade_mm = history.reed.record.blade_mm
    left_mm = (blade_mm or 0.0) - sum(one.record.length_mm or 0.0 for one in history.trims) - length_mm
    if blade_mm and length_mm and left_mm < settings.least_blade_mm:
        least = f"under the shop's least of {settings.least_blade_mm:g} mm"
        sentence = f"That leaves {left_mm:.2f} mm of blade, {least}; is it right?"
        doubts.append(Doubt("blade-short", "length_mm", sentence))
    return doubts


def _with_slip(length_mm: float, advised_mm: float | None) -> float | None:
    """The advised length, if the typed one is it with the point or two digits out of place."""
    if not advised_mm or not length_mm or abs(length_mm - advised_mm) < 1e-9:
        return None
    if any(abs(length_mm / factor - advised_mm) <= 0.25 * advised_mm for factor in (10.0, 100.0)):
        factor = 100.0 if length_mm > 30.0 * advised_mm else 10.0
        return round(length_mm / factor, 6)
    typed, advised = f"{length_mm:.2f}", f"{advised_mm:.2f}"
    turned = advised[:-2] + advised[:-3:-1]
    return advised_mm if typed == turned != advised else None
