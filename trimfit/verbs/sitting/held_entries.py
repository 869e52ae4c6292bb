"""What a sitting is about to log: records made from typed lines, held while doubts are asked about, and mended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from trimfit.base.answers import Advice
from trimfit.base.column_words import SHORT_NAMES
from trimfit.base.pitch import crow_label
from trimfit.base.plain_words import plain_name
from trimfit.base.records import Chanter, Doubt, Event, Outcome, Reading, Reed, Trim
from trimfit.entry.checks import MOVED
from trimfit.entry.parsed_lines import ReadingLine, TrimLine
from trimfit.planner.quantities import CutError

ANOTHER_CUT = "another-cut"
"""Of a length typed after Enter logged the advised one: one more cut, or what was really taken."""
TO_STOCK = "to-stock"
"""Of a reed that goes to stock unread, or right after a line that was refused, where `s` may be the answer to it."""
Record = Reading | Trim | Event | Outcome | Reed | Chanter
# A cut farther from the advised one than so many of the hand's standard deviations, and than this, was another cut,
# not the advised one badly done: it tells nothing of the hand.
SAME_CUT_SDS, SAME_CUT_MM = 4.0, 0.03


@dataclass(frozen=True, slots=True)
class HeldReading:
    """A reading that waits for a word on its doubts, with the line it was typed as; `echoed`: typed as numbers alone,
    and shown with their names before it counts; `numbers`: as they were typed."""

    record: Reading
    line: ReadingLine
    doubts: tuple[Doubt, ...] = ()
    echoed: bool = False
    numbers: str = ""


@dataclass(frozen=True, slots=True)
class HeldTrim:
    """A trim that waits for a word on its doubts, with the line it was typed as."""

    record: Trim
    line: TrimLine
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class HeldPlain:
    """What is kept or dropped as it stands, and waits for a word on its doubts: an event, an outcome, a new reed or
    chanter, or a corrected entry. `instead_of`: the entry that it corrects. `then`: the line that waits for it."""

    record: Record
    doubts: tuple[Doubt, ...] = ()
    instead_of: str = ""
    then: str = ""


Held = HeldReading | HeldTrim | HeldPlain


class Overtaken(Exception):
    """Another sitting has cut the reed since it was looked at here; nothing was logged. `cuts`: those cuts."""

    def __init__(self, cuts: Sequence[Trim]) -> None:
        self.cuts = list(cuts)
        super().__init__()


def meant(doubts: Sequence[Doubt]) -> dict[str, float]:
    """Column and value of what the doubts take to be meant; the first doubt about a column has it."""
    found: dict[str, float] = {}
    for doubt in doubts:
        for column, value in doubt.meant:
            found.setdefault(column, value)
    return found


def other_reed(held: Held) -> str:
    """The reed that a held reading is like rather than its own; empty where it is like none."""
    return next((one.reed for one in held.doubts if one.reed), "") if isinstance(held, HeldReading) else ""


def may_have_moved(doubts: Sequence[Doubt]) -> bool:
    """Whether it was asked if the reed was misread or has moved."""
    return any(doubt.kind == MOVED for doubt in doubts)


def keys_of(held: Held) -> str:
    """What may be answered where the sitting asks about what it holds."""
    if isinstance(held, HeldReading) and held.echoed and not held.doubts:
        return "Enter = right, n = not, or what is right"
    if isinstance(held, HeldPlain):
        return "y log it, n drop it"
    if may_have_moved(held.doubts):
        return "r (misread), m (moved), or Enter to keep it marked"
    if any(doubt.kind == ANOTHER_CUT for doubt in held.doubts):
        return "a another cut, i in its place, n neither"
    other = other_reed(held)
    choice = "s as suggested, " if meant(held.doubts) else f"s for {plain_name(other, 20)}, " if other else ""
    return f"y as typed, {choice}n drop it, or what is right"


def as_meant(held: Held, advice: Advice | None, hand: CutError) -> Held:
    """What was meant in the place of what was typed; doubts are to be looked for anew."""
    mended = meant(held.doubts)
    if isinstance(held, HeldPlain):
        return held
    if isinstance(held, HeldTrim):
        line = replace(held.line, length_mm=mended["length_mm"])
        return HeldTrim(as_trim(line, held.record.reed, held.record.done_at, advice, hand), line)
    notes = {column.removesuffix("_hz"): hz for column, hz in mended.items()}
    crow_hz = notes.pop("crow", held.record.crow_hz)
    octave = notes.pop("g_octave", held.record.g_octave_hz)
    # A mended value is sounding hertz, however the slip was typed.
    heard = {note: how for note, how in held.line.heard.items() if note not in notes}
    all_notes = {**held.record.notes_hz, **notes}
    return HeldReading(
        replace(held.record, notes_hz=all_notes, crow_hz=crow_hz, g_octave_hz=octave),
        replace(held.line, notes_hz=all_notes, crow_hz=crow_hz, g_octave_hz=octave, heard=heard),
    )


def is_same_cut(taken_mm: float, advised_mm: float, hand: CutError) -> bool:
    """Whether a length taken is the advised cut, not done to the hundredth, rather than another cut."""
    most_mm = max(SAME_CUT_SDS * float(hand.sd_mm(np.array(advised_mm))), SAME_CUT_MM)
    return abs(taken_mm - advised_mm) <= most_mm + 1e-9


def as_trim(line: TrimLine, reed: str, done_at: str, advice: Advice | None, hand: CutError) -> Trim:
    """The trim that a line says, with the advised length as what was asked for where it was that cut."""
    asked_mm = line.asked_mm or None
    if asked_mm is None and advice is not None and advice.action == "trim" and line.length_mm:
        advised_mm = advice.length_mm
        if is_same_cut(line.length_mm, advised_mm, hand):
            asked_mm = advised_mm or None
    tidy = replace(line, lip_strokes=line.lip_strokes or None, length_mm=line.length_mm or None, asked_mm=asked_mm)
    return tidy.trim(reed, done_at)


def words_for(record: Record) -> str:
    """A record in a few words, for the line that acknowledges it."""
    if isinstance(record, Chanter):
        return f"chanter {plain_name(record.chanter)}"
    name = plain_name(record.reed)
    if isinstance(record, Reading):
        return f"reading of {name}" + (f" in {plain_name(record.chanter)}" if record.chanter else "")
    if isinstance(record, Trim):
        length = f"{record.length_mm:.3f}".rstrip("0").rstrip(".") + " mm" if record.length_mm else ""
        asked = f"({record.asked_mm:.2f} asked)" if record.asked_mm else ""
        lip = f"{record.lip_strokes:g} lip stroke{'' if record.lip_strokes == 1 else 's'}" if record.lip_strokes else ""
        work = " and ".join(part for part in (" ".join(part for part in (length, asked) if part), lip) if part)
        return f"{work} {'off' if length else 'on'} {name}"
    if isinstance(record, Event):
        return f"{name} {plain_name(record.event)}"
    return f"{name} {record.outcome}" if isinstance(record, Outcome) else f"reed {name}"


def typed_values(record: Record) -> str:
    """An entry's values, with the names by which they are typed."""
    if isinstance(record, Reading):
        parts = [f"{SHORT_NAMES[note]} {hz:g}" for note, hz in record.notes_hz.items()]
        parts += [f"go {record.g_octave_hz:g}"] if record.g_octave_hz else []
        parts += [f"crow {crow_label(record.crow_hz)}"] if record.crow_hz else []
        parts += [f"p {record.pressure_kpa:.2f}kPa"] if record.pressure_kpa else []
        parts += [f"ch {plain_name(record.chanter)}"] if record.chanter else []
        return "  ".join(parts)
    if isinstance(record, Trim):
        parts = [f"length {record.length_mm:g} mm"] if record.length_mm else []
        parts += [f"lip {record.lip_strokes:g}"] if record.lip_strokes else []
        parts += [f"asked {record.asked_mm:g}"] if record.asked_mm else []
        return "  ".join(parts)
    if isinstance(record, Event | Outcome):
        return plain_name(record.event if isinstance(record, Event) else record.outcome)
    return words_for(record)


def standing_words(line: ReadingLine) -> str:
    """The conditions that hold from now on, in words."""
    parts: Mapping[str, float | str | None] = {
        "{:.2f} kPa": line.pressure_kpa,
        "{:.1f} °C": line.temperature_c,
        "{:.0f} % humidity": line.humidity_pct,
        "chanter {}": plain_name(line.chanter) if line.chanter else None,
        "cents from {:.1f} Hz": line.reference_hz,
    }
    return ", ".join(form.format(value) for form, value in parts.items() if value is not None) or "nothing changed"
