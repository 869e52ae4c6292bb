"""What a sitting says: the answer in a reed maker's words, F and E closing in, the tally. Plain text, no terminal."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from trimfit.base.answers import Advice
from trimfit.base.errors import command
from trimfit.base.normal import Z90
from trimfit.base.pitch import NOTES, OUTPUT_WORDS, cents_from_440, crow_label, hz_from_cents
from trimfit.base.plain_words import (
    away_words,
    cents_words,
    chance_words,
    counted,
    plain_name,
    signed,
    signed_cents,
    wrapped,
)
from trimfit.base.records import Event, Outcome, Reading, ReedHistory, Trim
from trimfit.base.units import BOUNDS, Interval, decimals, plain_number

if TYPE_CHECKING:
    from trimfit.session.own_lines import OwnLines

CAUTIONS = (
    "Mind the blade. Keep the dust of synthetic blades and of cane out of your lungs. A chanter is loud close to"
    " the ear. Do not share a reed that another has had in the mouth. Local rules come before this."
)
HELP = """\
f 779.1 e 702.6 a 468.2 A 936.1 crow C+22   a reading, any order, what was taken
    notes g a b c d e f G A (high ones also gg aa), G octave go, crow, taped f
    hertz, hertz as low A, or cents from the target: f -12c
779.1 702.6 468.2 936.1 22   the same in the shop's order; / and * part numbers,
    point and comma are decimal; 7791 is 779.1; 779170264682936122 is all of it;
    a crow of 22 is C+22 here, -30 C-30; shown with its names, Enter counts it
p 6.5kPa   t 21C   h 55%   ch NAME   alone on a line: holds from now on
as_low_a, sounding, cents, auto (o: the next)   how bare numbers are meant
Enter, ok  log the cut just advised, asked and taken
0.14       the length taken (mm); 0.14 lip 2; lip 2; 0.14 asked 0.15
x, fix     this reed's last entries, numbered; fix 2 0.65  what is right in 2
452 [ f..F | E.e ] 471 Hz   small letters the reading before, capitals the last,
    X both, dots the way between, | the pitch aimed at
r, read    read again: forget the advice, ask for another reading
n, next    next of the work list;  w, list  what waits;  reed NAME  this one
y, why     what else is known of it;  c, clear  a clean screen
z, new     a reed to be logged: z NAME type TYPE batch BATCH, and if known
    blade MM, order ORDER
m, moved   not as it was, with no cut; moved soaked, moved dropped say why
v, good   l, lost   s, stock   the reed leaves the bench
u, undo    strike the last entry of this sitting (it stays readable)
j, strike  take back this reed's last entry in time; strike ID  that entry
help, ?    this page;  q, quit  leave. All that was logged is in the log.
At a terminal, leaving at a question keeps a reading, marked, and nothing else."""
BAR_CELLS = 37
# A gap that moved by itself by less, and surely so, is not worth a line.
MOVED_CENTS = 1.5
# Of a reed that takes fewer cuts on average, as like as not none is left.
PERHAPS = 0.75
# Lengths under this are said to a tenth at least.
FEW_MM = 5.0
# So far off the pitch asked for, a pitch is said to leave out the strokes still to come, which the chance counts.
OFF_TARGET_HZ = 0.5
# What stands this far off the middle was kept as typed though it was a slip: it is shown at the edge of the line.
WIDEST_CENTS = 150.0


def _side(cents: float, digits: int = 0) -> str:
    size = f"{abs(cents):.{digits}f}"
    if not size.strip("0."):
        return "F and E agree"
    return f"F {size} cent{'' if size == '1' else 's'} {'over' if cents > 0 else 'under'} E"


def _gap(interval: Interval) -> str:
    """The gap with the ends of its interval, no finer than it is known."""
    digits = interval.decimals(1)
    return f"{_side(interval.mean, digits)} ({signed(interval.low, digits)} to {signed(interval.high, digits)})"


def spread(interval: Interval, most: int) -> str:
    """A mean with the ends of its interval, no finer than it is known and with at most so many decimals."""
    mean, low, high = (f"{x:.{interval.decimals(most)}f}" for x in (interval.mean, interval.low, interval.high))
    return f"{mean} ({low} to {high})"


def cuts_cell(trims_left: float, *, known: bool = True) -> str:
    """How many cuts are to be expected, to a tenth; `none` where that is less than a twentieth, a dash where it is not
    known."""
    if not known:
        return "-"
    return f"{trims_left:.1f}" if trims_left >= 0.05 else "none"


def _cuts(trims_left: float) -> str:
    if cuts_cell(trims_left) == "none":
        return "no cut left"
    if trims_left < PERHAPS:
        return "perhaps one cut left"
    return "about one cut left" if trims_left < 1.5 else f"about {trims_left:.0f} cuts left"


def _cuts_left(advice: Advice) -> str:
    """How many cuts are left and what they take off in all; of a reed to be read that may well want none, so much."""
    need = advice.need_mm
    if not advice.cuts_known:
        return "how many cuts are left, and what they take off, is not known"
    if advice.action != "read-again" or need is None or need.mean >= 0.005 or advice.trims_left < 0.05:
        return f"{_cuts(advice.trims_left)}{in_all(advice)}"
    return "perhaps no cut left" + (f", up to {need.high:.2f} mm in all" if need.high >= 0.005 else "")


def in_all(advice: Advice) -> str:
    """What has yet to come off in all, where a cut is likely to be left."""
    need = advice.need_mm
    if need is None or advice.trims_left < 0.5 or need.high < 0.005:
        return ""
    # no end of a few millimetres is rounded inward by half a millimetre
    digits = max(need.decimals(2), 1 if need.high < FEW_MM else 0)
    mean, low, high = (f"{max(mm, 0.0):.{digits}f}" for mm in (need.mean, need.low, need.high))
    # a mean at an end of its interval is no middle: what is to come off is known by the ends alone
    return f", {low} to {high} mm in all" if mean in (low, high) else f", {mean} mm in all ({low} to {high})"


def _head(advice: Advice) -> str:
    """What to do, in as few words as there are."""
    if advice.action == "trim":
        lip = f"{advice.lip_strokes} lip stroke{'s' if advice.lip_strokes != 1 else ''}" if advice.lip_strokes else ""
        length = f"take off {advice.length_mm:.2f} mm" if advice.length_mm else "leave the length"
        return f"{length}, {lip}" if lip else length
    if advice.action == "read-again" and not advice.closes and advice.gap_now_cents is not None:
        return "no cut yet"
    if advice.action == "read-again":
        if not advice.gap_read or not advice.closes:
            return "read it first"
        before = "the next cut"
        if cuts_cell(advice.trims_left, known=advice.cuts_known) == "none":
            before = f"you {'give it up' if advice.chance_past > 0.5 else 'call it finished'}"
        if advice.first_in:
            return f"read it in {plain_name(advice.first_in)} before {before}"
        return f"read it {'again' if before == 'the next cut' else 'once more'} before {before}"
    return {
        "finished": "finished: leave it as it is",
        "past": "past: F is over E in this chanter, and no cut brings it back",
        "no-fit": "no fit for this order",
    }[advice.action]


def stop_words(here: Mapping[str, Any]) -> str:
    """`stop at -5, crow C-23`, or that the reed stands beyond it; here: as `Advice.here` has it."""
    from trimfit.planner.reasons import Here

    at = Here(**here)
    if at.beyond:
        return f"beyond its stop {signed(at.gap_stop_cents)}"
    return f"stop at {signed(at.gap_stop_cents)}" + (f", crow {crow_label(at.crow_stop_hz)}" if at.crow_stop_hz else "")


def own_words(own: OwnLines) -> str:
    """What a reed's own readings say by themselves (`own_lines`)."""
    need, meets = own.need_mm, own.meet_pitch_hz
    digits = need.decimals(2)
    if need.mean >= 0.0:
        where = f"{need.mean:.{digits}f} mm in all ({max(need.low, 0.0):.{digits}f} to {need.high:.{digits}f})"
    else:
        where = f"F and E met {-need.mean:.{digits}f} mm before this"
    mean, ends = spread(meets, 1).split(" ", 1)
    pitch = f"meets at {mean} Hz {ends}"
    return f"by straight lines through its own {own.readings} readings alone: {where}; {pitch}"


def first_lines(advice: Advice, width: int = 80) -> list[str]:
    """What is to be settled before the advice is followed; mostly none."""
    return wrapped(advice.is_it_away, width) if advice.is_it_away and not advice.outcome else []


def advice_lines(advice: Advice, width: int = 80) -> list[str]:
    """The answer to `ask` in at most a handful of lines: what to do, where F and E stand, the chance, the reason.

    Figures predicted for a reed whose F and E were never read are no figures of it: they are said only of a cut.
    """
    lines = [f"> {_head(advice)}"]
    if advice.outcome:
        went = {"to-stock": "to stock"}.get(advice.outcome, advice.outcome)
        again = "to work on it again" + (f", strike all {len(advice.outcomes)}" if len(advice.outcomes) > 1 else "")
        strikes = [f"    {command('log', 'strike', entry)}" for entry in advice.outcomes]
        then = [f"  It is good; {again}:", *strikes]
        if advice.came_back:
            back = f"  It was called good and came back since ({plain_name(advice.came_back, 80)}); it counts as good"
            then = [*wrapped(f"{back} no more, but still as gone from the bench; {again}:", width, "    "), *strikes]
        if went != "good":
            then = [f"  {again}:", *strikes]
            then += [f"  then: {_head(advice)}"] if advice.action in ("past", "no-fit") else []
        lines = [f"> left the bench: {went}", *then]
    stand = []
    if advice.here is not None and advice.gap_now_cents and (advice.gap_read or advice.action == "trim"):
        now: Interval = advice.here["gap_now_cents"]
        stand.append(f"in {plain_name(advice.here['chanter'])} {_gap(now)}")
        away = away_words(supposed=bool(advice.is_it_away))
        stand.append(f"in {plain_name(advice.chanter or '')}, which {away}, {_gap(advice.gap_now_cents)}")
    elif advice.gap_read or advice.action == "trim":
        if advice.gap_now_cents:
            stand.append(_gap(advice.gap_now_cents))
        if advice.action == "trim" and advice.gap_after_cents:
            stand.append(f"after the cut, next time, {_gap(advice.gap_after_cents)}")
        if advice.meet_pitch_hz:
            meets = advice.meet_pitch_hz
            kpa = f" at {advice.pressure_kpa:.1f} kPa" if advice.pressure_kpa else ""
            mean, ends = spread(meets, 1).split(" ", 1)
            where = f" in {plain_name(advice.chanter)}" if advice.order is None and advice.chanter else ""
            strokes, target = "", advice.target_pitch_hz
            if target and advice.action in ("trim", "read-again") and abs(meets.mean - target) >= OFF_TARGET_HZ:
                strokes = ", lip strokes of later steps not counted"
            stand.append(f"meets at {mean} Hz {ends}{kpa}{where}{strokes}")
    gone = advice.outcome in ("good", "lost")
    if stand:
        lines += wrapped("  " + "as it left: " * gone + "; ".join(stand), width, "    ")
    if advice.outcome:
        return lines
    if advice.closes and ((advice.gap_read and advice.action not in ("past", "no-fit")) or advice.action == "trim"):
        going = "chance of going past" if advice.action == "trim" else "chance it is past now"
        if advice.here is not None:
            when = "after this cut" if advice.action == "trim" else "as it is now"
            going = f"past in {plain_name(advice.chanter or '')} {when}"
        good = ""
        if advice.target_pitch_hz and advice.chance_within is not None:
            asked = f"{advice.target_pitch_hz:.1f} Hz"
            good = f", of ending good at the {asked} asked for {chance_words(advice.chance_within)}"
        chance = f"  {going} {chance_words(advice.chance_past)}{good}; {_cuts_left(advice)}"
        lines += wrapped(chance, width, "    ")
    moved = advice.moved_cents
    if (
        advice.gap_read
        and advice.closes
        and moved is not None
        and max(abs(moved.mean), 0.5 * (moved.high - moved.low)) > MOVED_CENTS
    ):
        size, ends = signed_cents(moved.mean), f"{signed(moved.low)} to {signed(moved.high)}"
        lines += wrapped(f"  moved by itself since the last sitting: gap {size} ({ends})", width, "    ")
    said = advice.because() or ("" if advice.reed_type else advice.why)
    if said:
        lines += wrapped("  " + plain_name(said, 2000), width, "    ")
    return lines


def cut_words(advice: Advice) -> str:
    """What is advised to come off: `0.14 mm, lip 2`."""
    parts = [f"{advice.length_mm:.2f} mm"] if advice.length_mm else []
    return ", ".join([*parts, *([f"lip {advice.lip_strokes}"] if advice.lip_strokes else [])])


def work_left(advice: Advice) -> str:
    """What had still to come off a reed that was called good; empty where nothing had."""
    return f"by the advice {cut_words(advice)} had still to come off" if advice.action == "trim" else ""


def left_lying(reed_type: str, half_width_cents: float, *, assumed: bool) -> str:
    """How well the true gap of a reed of this type is known a week after it was read: one sentence.

    half_width_cents: half of the 90 % interval; assumed: no reed was read on two days with no work between.
    """
    why = "; assumed: no reed was read on two different days with no work between" if assumed else ""
    gap = f"{cents_words(half_width_cents)} of gap (nine in ten), beside the error of its reading and jumps"
    return f"{plain_name(reed_type)}: a reed left for a week is known to ± {gap}{why}"


def gaps_of(history: ReedHistory, scale: Mapping[str, Fraction]) -> list[tuple[float, float]]:
    """F and E as low A, in cents from 440 Hz, of each reading that has both untaped, in order of time."""
    found = []
    for logged in history.readings:
        reading = logged.record
        if {"f", "e"} <= reading.notes_hz.keys() and not {"f", "e"} & set(reading.taped):
            f_cents, e_cents = (cents_from_440(reading.notes_hz[note] / float(scale[note])) for note in ("f", "e"))
            found.append((f_cents, e_cents))
    return found


def closing_line(pairs: Sequence[tuple[float, float]], aim_cents: float | None = None, width: int = 80) -> str:
    """One line of text on which F and E close in, from the reading before (small letters) to the last (capitals).

    pairs: F and E as low A, cents from 440 Hz, oldest first. aim_cents: the target or the chanter's meeting pitch,
    shown as `|`. The scale is that of the reed's first reading, so that lines under one another can be compared.
    """
    if not pairs:
        return ""
    centre = aim_cents if aim_cents is not None else sum(pairs[0]) / 2.0
    off = [abs(cents - centre) for pair in pairs for cents in pair]
    half = 5.0 * math.ceil(max(12.0, *([one for one in off if one < WIDEST_CENTS] or off)) * 1.05 / 5.0)
    cells = min(BAR_CELLS, width - 43)
    bar = [" "] * cells

    def cell(cents: float) -> int:
        return min(cells - 1, max(0, round((cents - centre + half) / (2.0 * half) * (cells - 1))))

    if aim_cents is not None:
        bar[cell(aim_cents)] = "|"
    f_cell, e_cell = (cell(cents) for cents in pairs[-1])
    if len(pairs) > 1:
        for before, now, letter in zip(pairs[-2], pairs[-1], "fe", strict=True):
            start, end = sorted((cell(before), cell(now)))
            for place in range(start, end + 1):
                bar[place] = "." if bar[place] == " " else bar[place]
            bar[cell(before)] = letter
    bar[f_cell], bar[e_cell] = "F", "E"
    if f_cell == e_cell:
        bar[f_cell] = "X"
    low, high = hz_from_cents(centre - half), hz_from_cents(centre + half)
    return f"  {low:.0f} [{''.join(bar)}] {high:.0f} Hz  read: {_side(pairs[-1][0] - pairs[-1][1])}"


def impossible(cents: Mapping[str, float], scale: Mapping[str, Fraction]) -> str:
    """What is impossible of a predicted reading, as `F would be at an impossible 959 Hz`; empty if it may be read.

    cents: outputs from 440 Hz, notes as low A; of those out of the bounds of a reading the first is named.
    """
    for name, value in cents.items():
        low_hz, high_hz = BOUNDS["crow_hz" if name == "crow" else "as_low_a_hz"]
        if not low_hz <= hz_from_cents(value) <= high_hz:
            hz = hz_from_cents(value) * float(scale.get(name, 1))
            return f"{OUTPUT_WORDS[name]} would be at an impossible {hz:.0f} Hz"
    return ""


def expected_line(predicted: Mapping[str, tuple[float, float]], scale: Mapping[str, Fraction]) -> str:
    """What the next reading should show: F and E sounding, where predicted, and within what nine in ten of them lie;
    that there is no prediction where it is out of the bounds of a reading."""
    found, widest_hz = [], 0.0
    if wrong := impossible({note: predicted[note][0] for note in ("f", "e") if note in predicted}, scale):
        return f"  no prediction: by what is logged {wrong}"
    for note in ("f", "e"):
        if note in predicted:
            mean, sd = predicted[note]
            hz = hz_from_cents(mean) * float(scale[note])
            found.append((note.upper(), hz))
            widest_hz = max(widest_hz, Z90 * hz * sd * math.log(2) / 1200.0)
    digits = decimals(widest_hz, 1)
    parts = [f"{note} {hz:.{digits}f}" for note, hz in found]
    return f"  expect {' and '.join(parts)} Hz, nine in ten within {plain_number(widest_hz, 2)}" if parts else ""


def reed_lines(history: ReedHistory, width: int = 80) -> list[str]:
    """Which reed this is, for whom, and what was done to it so far."""
    reed = history.reed.record
    parts = [plain_name(reed.reed), f"type {plain_name(reed.reed_type)}", f"batch {plain_name(reed.batch)}"]
    if history.order:
        parts.append(f"order {plain_name(history.order.order)}")
    if history.chanter:
        parts.append(f"chanter {plain_name(history.chanter.chanter)}")
    if history.order and history.order.target_pitch_hz:
        parts.append(f"target {history.order.target_pitch_hz:.1f} Hz")
    taken = sum(one.record.length_mm or 0.0 for one in history.trims)
    strokes = sum(one.record.lip_strokes or 0.0 for one in history.trims)
    count = len(history.readings)
    done = (
        f"  {taken:.2f} mm off, {strokes:g} lip stroke{'' if strokes == 1 else 's'}, {counted(count, 'reading')} so far"
    )
    left = f"; left the bench: {history.outcome.record.outcome}" if history.outcome else ""
    return [*wrapped("== " + ", ".join(parts), width, "   "), done + left]


@dataclass(slots=True)
class Tally:
    """What this sitting has logged; a struck entry is taken off again and counted as struck, one that another stands in
    the place of as replaced."""

    readings: int = 0
    cuts: int = 0
    taken_mm: float = 0.0
    events: int = 0
    good: int = 0
    lost: int = 0
    stock: int = 0
    replaced: int = 0
    struck: int = 0

    def count(self, record: object, sign: int = 1) -> None:
        """Count a record of the log, or with sign -1 take it off again."""
        if isinstance(record, Reading):
            self.readings += sign
        elif isinstance(record, Trim):
            self.cuts += sign
            self.taken_mm += sign * (record.length_mm or 0.0)
        elif isinstance(record, Event):
            self.events += sign
        elif isinstance(record, Outcome):
            name = {"good": "good", "lost": "lost"}.get(record.outcome, "stock")
            setattr(self, name, getattr(self, name) + sign)

    def line(self) -> str:
        """The tally on one line; only what there is."""
        parts = [f"{self.readings} read", f"{self.cuts} cut"]
        if self.cuts:
            parts[-1] += f" ({abs(self.taken_mm):.2f} mm)"
        if self.events:
            parts.append(f"{self.events} event{'' if self.events == 1 else 's'}")
        ends = ("good", self.good), ("lost", self.lost), ("to stock", self.stock)
        for name, count in (*ends, ("replaced", self.replaced), ("struck", self.struck)):
            if count:
                parts.append(f"{count} {name}")
        return ", ".join(parts)


def values_in_words(record: Reading | Trim | Event | Outcome) -> str:
    """What was logged, in words."""
    if isinstance(record, Trim):
        parts = [f"{round(record.length_mm, 3):g} mm"] if record.length_mm else []
        if record.lip_strokes:
            parts.append(f"{record.lip_strokes:g} lip stroke{'' if record.lip_strokes == 1 else 's'}")
        asked = f" ({round(record.asked_mm, 3):g} mm asked for)" if record.asked_mm is not None else ""
        said = (" and ".join(parts) or "nothing") + asked
    elif isinstance(record, Event):
        said = record.event
    elif isinstance(record, Outcome):
        said = record.outcome
    else:
        return _reading_words(record)
    return f"{said}: {record.remark}" if record.remark else said


def _reading_words(reading: Reading) -> str:
    parts = [f"crow {crow_label(reading.crow_hz)}"] if reading.crow_hz else []
    parts += [
        f"{OUTPUT_WORDS[note]} {round(reading.notes_hz[note], 1):g}{' taped' * (note in reading.taped)}"
        for note in NOTES
        if note in reading.notes_hz
    ]
    if reading.g_octave_hz:
        parts.append(f"G octave {round(reading.g_octave_hz, 1):g}")
    if reading.chanter:
        parts.append(f"in {reading.chanter}")
    for value, digits, unit in ((reading.pressure_kpa, 2, "kPa"), (reading.temperature_c, 1, "°C")):
        if value is not None:
            parts.append(f"{round(value, digits):g} {unit}")
    if reading.remark:
        parts.append(f"({reading.remark})")
    return ", ".join(parts)
