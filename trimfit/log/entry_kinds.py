"""The kinds of entry a log holds: their columns, keys and files, and how a record becomes a row and a row a record.

A row is a tuple of values in the order of its kind's columns. New columns go to the end of a kind or anywhere else:
an entry's id does not depend on the order, and a blank column leaves no trace in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields
from typing import Any, Literal

from trimfit.base.errors import InputError, short
from trimfit.base.pitch import NOTES
from trimfit.base.records import Chanter, Event, Order, Outcome, Reading, Reed, Trim
from trimfit.base.units import BOUNDS

Value = str | float | int | None
Row = tuple[Value, ...]
Sort = Literal["name", "text", "real", "whole", "time", "date", "notes", "outcome", "yes-no"]

OUTCOMES = ("good", "lost", "to-stock")


@dataclass(frozen=True, slots=True)
class Setting:
    """A shop setting as it was set: `value` as typed."""

    setting: str
    set_at: str
    value: str


@dataclass(frozen=True, slots=True)
class Strike:
    """An entry taken back: which, why, when."""

    struck: str
    why: str
    struck_at: str


@dataclass(frozen=True, slots=True)
class DoubtMark:
    """A doubt that was said and accepted when its entry was made: `kind: sentence`."""

    marked: str
    doubt: str


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a kind: what sort of value it holds, and where its bounds are kept in `units.BOUNDS`."""

    name: str
    sort: Sort
    required: bool = False
    bounds: str | None = None
    note: str | None = None
    refers: str | None = None


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of entry. `key`: the columns that say which thing an entry is about; `time`: the column of its time."""

    name: str
    table: str
    record: type
    key: tuple[str, ...]
    time: str | None = None
    file: str = ""
    columns: tuple[Column, ...] = field(init=False)
    names: tuple[str, ...] = field(init=False)
    index: Mapping[str, int] = field(init=False)

    def __post_init__(self) -> None:
        columns = _columns(self.record, self.name)
        names = tuple(column.name for column in columns)
        derived = {"columns": columns, "names": names, "index": {name: i for i, name in enumerate(names)}}
        for name, value in (derived | {"file": self.file or f"{self.table}.csv"}).items():
            object.__setattr__(self, name, value)

    @property
    def prefix(self) -> str:
        """What the ids of its entries begin with."""
        return self.name[:3]

    def row(self, record: object) -> list[Any]:
        """The record's values in the order of the columns, as they stand."""
        if isinstance(record, Reading):
            notes = record.notes_hz
            return [
                notes.get(column.note) if column.note in NOTES else getattr(record, column.name)
                for column in self.columns
            ]
        return [getattr(record, name) for name in self.names]

    def from_row(self, row: Row) -> Any:
        """The record of a row."""
        if self.record is not Reading:
            return self.record(*row)
        said: dict[str, Any] = {}
        notes: dict[str, float] = {}
        for column, value in zip(self.columns, row, strict=True):
            if column.note is None or column.note not in NOTES:
                said[column.name] = value
            elif value is not None:
                notes[column.note] = float(value)
        taped = said.pop("taped")
        return Reading(**said, notes_hz=notes, taped=tuple(taped.split()) if taped else ())


# What a column holds where the type of its field does not say it, and what it names. A column's bounds are those of
# its own name in `units.BOUNDS` unless another name stands here.
_SORTS: dict[str, Sort] = {
    "at_hand": "yes-no",
    "outcome": "outcome",
    "remark": "text",
    "value": "text",
    "why": "text",
    "doubt": "text",
    "taped": "notes",
    "made_on": "date",
    "due_on": "date",
    "at": "time",
    "taken_at": "time",
    "done_at": "time",
    "set_at": "time",
    "struck_at": "time",
}
_SORT_OF_TYPE: dict[str, Sort] = {"float": "real", "int": "whole"}
_BOUNDS_NAME = {
    "meeting_pitch_hz": "as_low_a_hz",
    "working_crow_hz": "crow_hz",
    "target_pitch_hz": "as_low_a_hz",
    "g_octave_hz": "note_hz",
}
NAMED = ("chanter", "order", "reed")
"""The kinds that other entries name: one entry of each name counts, and a revision strikes it."""


def _columns(record: type, kind: str) -> tuple[Column, ...]:
    """The columns of a kind: the fields of its record in their order, the notes of a reading one by one."""
    columns = []
    for item in fields(record):
        name = item.name
        if name == "notes_hz":
            columns += [Column(f"{note}_hz", "real", bounds="note_hz", note=note) for note in NOTES]
            continue
        sort = _SORTS.get(name) or _SORT_OF_TYPE.get(str(item.type).partition(" ")[0], "name")
        bounds = _BOUNDS_NAME.get(name, name)
        columns.append(
            Column(
                name,
                sort,
                required=item.default is MISSING and item.default_factory is MISSING,
                bounds=bounds if bounds in BOUNDS else None,
                note="g_octave" if name == "g_octave_hz" else None,
                refers=name if name in NAMED and name != kind else None,
            )
        )
    return tuple(columns)


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("chanter", "chanters", Chanter, ("chanter",)),
        Kind("order", "orders", Order, ("order",)),
        Kind("reed", "reeds", Reed, ("reed",)),
        Kind("reading", "readings", Reading, ("reed", "at_s"), "taken_at"),
        Kind("trim", "trims", Trim, ("reed", "at_s"), "done_at"),
        Kind("event", "events", Event, ("reed", "at_s", "event"), "at"),
        Kind("outcome", "outcomes", Outcome, ("reed", "at_s"), "at"),
        Kind("setting", "settings", Setting, ("setting", "at_s"), "set_at"),
        Kind("strike", "strikes", Strike, ("struck", "why", "at_s"), "struck_at", file="struck.csv"),
        Kind("mark", "marks", DoubtMark, ("marked", "doubt")),
    )
}
# What is logged of a reed from day to day: of one instant a reading stands before the work, and an outcome after it.
OF_A_REED = ("reading", "trim", "event", "outcome")
# The kinds that have a file of their own in a CSV folder, in the order in which they may refer to one another.
FILED = ("setting", "chanter", "order", "reed", "reading", "trim", "event", "outcome")
FEWEST_LETTERS = 6
UNNAMED = "unnamed"
"""Stands for the type or the batch of a reed of which a loose sheet says none: it gives way to any other."""
_BY_PREFIX = {kind.prefix: kind for kind in KINDS.values()}
_BY_RECORD = {kind.record: kind for kind in KINDS.values()}


def references() -> Iterator[tuple[Kind, Column, Kind]]:
    """Every column that names another thing of the log: its kind, the column, the kind it names."""
    for kind in KINDS.values():
        for column in kind.columns:
            if column.refers is not None:
                yield kind, column, KINDS[column.refers]


def kind_of_entry(entry: str) -> Kind | None:
    """The kind that an entry's id names, or None."""
    return _BY_PREFIX.get(entry.partition("-")[0])


def begun_id(text: str) -> str:
    """The letters that an entry's id begins with, as they are kept. InputError for so few that they name none."""
    word = text.strip().lower()
    if len(word) < FEWEST_LETTERS:
        what = f"an id is named by its first {FEWEST_LETTERS} characters or more"
        raise InputError(what, short(text), "trimfit review reed REED lists a reed's entries with their ids")
    return word


def kind_of_record(record: object) -> Kind:
    """The kind a record belongs to; TypeError if it is no record of a log."""
    kind = _BY_RECORD.get(type(record))
    if kind is None:
        raise TypeError(f"{type(record).__name__} is no record of a log")
    return kind
