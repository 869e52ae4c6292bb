"""A reed's last entries with numbers and values, as `fix` lists them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trimfit.base.column_words import SHORT_NAMES
from trimfit.base.dates import local_minute
from trimfit.base.errors import InputError
from trimfit.base.pitch import crow_label
from trimfit.base.records import Event, Outcome, Reading, ReedHistory, Trim
from trimfit.entry.entry_times import entries_of
from trimfit.verbs.wording import plain_name

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST = 9


@dataclass(frozen=True, slots=True)
class NumberedEntry:
    """An entry as it is listed: its number, 1 the latest, its id, its record, and the line that shows it."""

    number: int
    entry: str
    record: Reading | Trim | Event | Outcome
    line: str


def last_entries(history: ReedHistory) -> Sequence[NumberedEntry]:
    """A reed's last entries, the latest first and numbered 1."""
    latest = entries_of(history)[::-1][:MOST]
    return [
        NumberedEntry(i, one.entry, one.record, f"  {i}  {local_minute(one.at)}  {typed_values(one.record)}")
        for i, one in enumerate(latest, 1)
    ]


def numbered(history: ReedHistory, number: str) -> NumberedEntry:
    """The entry of that number. InputError where none has it."""
    listed = last_entries(history)
    found = next((one for one in listed if str(one.number) == number), None)
    if found is None:
        has = f"it has 1 to {len(listed)}" if listed else "nothing is logged of it"
        raise InputError(f"no entry of {plain_name(history.reed.record.reed)} has number {number[:20]!r}", "fix", has)
    return found


def typed_values(record: Reading | Trim | Event | Outcome) -> str:
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
    return plain_name(record.event if isinstance(record, Event) else record.outcome)
