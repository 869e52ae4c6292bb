"""The kinds of entry a log holds: their columns, keys and files, and how a record becomes a row and a row a record.

A row is a tuple of values in the order of its kind's columns. New columns go to the end of a kind or anywhere else:
an entry's id does not depend on the order, and a blank column leaves no trace in it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from trimfit.base.pitch import NOTES
from trimfit.base.records import Chanter, Event, Order, Outcome, Reading, Reed, Trim

__all__ = [
    "FILED",
    "KINDS",
    "OUTCOMES",
    "Column",
    "DoubtMark",
    "Kind",
    "Setting",
    "Strike",
    "kind_of_entry",
    "kind_of_record",
    "references",
]

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
    prefix: str
    table: str
    file: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    time: str | None
    from_row: Callable[[Row], Any]
    names: tuple[str, ...] = field(init=False)
    index: Mapping[str, int] = field(init=False)

    def __post_init__(self) -> None:
        names = tuple(column.name for column in self.columns)
        object.__setattr__(self, "names", names)
        object.__setattr__(self, "index", {name: i for i, name in enumerate(names)})

    def row(self, record: object) -> list[Any]:
        """The record's values in the order of the columns, as they stand."""
        if isinstance(record, Reading):
            notes = record.notes_hz
            return [
                notes.get(column.note) if column.note in NOTES else getattr(record, column.name)
                for column in self.columns
            ]
        return [getattr(record, name) for name in self.names]


def _reading(row: Row) -> Reading:
    fields: dict[str, Any] = {}
    notes: dict[str, float] = {}
    for column, value in zip(KINDS["reading"].columns, row, strict=True):
        if column.note is None or column.note not in NOTES:
            fields[column.name] = value
        elif value is not None:
            notes[column.note] = float(value)
    taped = fields.pop("taped")
    return Reading(**fields, notes_hz=notes, taped=tuple(taped.split()) if taped else ())


def _plainly(record: Callable[..., Any]) -> Callable[[Row], Any]:
    return lambda row: record(*row)


_REMARK = Column("remark", "text")
_REED = Column("reed", "name", required=True, refers="reed")

KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "chanter",
            "cha",
            "chanters",
            "chanters.csv",
            (
                Column("chanter", "name", required=True),
                Column("kind", "name"),
                Column("at_hand", "yes-no"),
                Column("meeting_pitch_hz", "real", bounds="as_low_a_hz"),
                Column("working_crow_hz", "real", bounds="crow_hz"),
                Column("bore_gauge_mm", "real", bounds="bore_gauge_mm"),
                _REMARK,
            ),
            ("chanter",),
            None,
            _plainly(Chanter),
        ),
        Kind(
            "order",
            "ord",
            "orders",
            "orders.csv",
            (
                Column("order", "name", required=True),
                Column("chanter", "name", required=True, refers="chanter"),
                Column("target_pitch_hz", "real", bounds="as_low_a_hz"),
                Column("quantity", "whole", bounds="quantity"),
                Column("pressure_kpa", "real", bounds="pressure_kpa"),
                Column("weight", "name"),
                Column("due_on", "date"),
                _REMARK,
            ),
            ("order",),
            None,
            _plainly(Order),
        ),
        Kind(
            "reed",
            "ree",
            "reeds",
            "reeds.csv",
            (
                Column("reed", "name", required=True),
                Column("reed_type", "name", required=True),
                Column("batch", "name", required=True),
                Column("made_on", "date"),
                Column("blade_mm", "real", bounds="blade_mm"),
                Column("weight", "name"),
                Column("order", "name", refers="order"),
                _REMARK,
            ),
            ("reed",),
            None,
            _plainly(Reed),
        ),
        Kind(
            "reading",
            "rea",
            "readings",
            "readings.csv",
            (
                _REED,
                Column("taken_at", "time", required=True),
                Column("chanter", "name", refers="chanter"),
                Column("crow_hz", "real", bounds="crow_hz"),
                *(Column(f"{note}_hz", "real", bounds="note_hz", note=note) for note in NOTES),
                Column("g_octave_hz", "real", bounds="note_hz", note="g_octave"),
                Column("pressure_kpa", "real", bounds="pressure_kpa"),
                Column("temperature_c", "real", bounds="temperature_c"),
                Column("humidity_pct", "real", bounds="humidity_pct"),
                Column("taped", "notes"),
                _REMARK,
            ),
            ("reed", "at_s"),
            "taken_at",
            _reading,
        ),
        Kind(
            "trim",
            "tri",
            "trims",
            "trims.csv",
            (
                _REED,
                Column("done_at", "time", required=True),
                Column("length_mm", "real", bounds="length_mm"),
                Column("lip_strokes", "real", bounds="lip_strokes"),
                Column("asked_mm", "real", bounds="asked_mm"),
                _REMARK,
            ),
            ("reed", "at_s"),
            "done_at",
            _plainly(Trim),
        ),
        Kind(
            "event",
            "eve",
            "events",
            "events.csv",
            (_REED, Column("at", "time", required=True), Column("event", "name", required=True), _REMARK),
            ("reed", "at_s", "event"),
            "at",
            _plainly(Event),
        ),
        Kind(
            "outcome",
            "out",
            "outcomes",
            "outcomes.csv",
            (_REED, Column("at", "time", required=True), Column("outcome", "outcome", required=True), _REMARK),
            ("reed", "at_s"),
            "at",
            _plainly(Outcome),
        ),
        Kind(
            "setting",
            "set",
            "settings",
            "settings.csv",
            (
                Column("setting", "name", required=True),
                Column("set_at", "time", required=True),
                Column("value", "name", required=True),
            ),
            ("setting", "at_s"),
            "set_at",
            _plainly(Setting),
        ),
        Kind(
            "strike",
            "str",
            "strikes",
            "struck.csv",
            (
                Column("struck", "name", required=True),
                Column("why", "name", required=True),
                Column("struck_at", "time", required=True),
            ),
            ("struck", "why", "at_s"),
            "struck_at",
            _plainly(Strike),
        ),
        Kind(
            "mark",
            "mar",
            "marks",
            "marks.csv",
            (Column("marked", "name", required=True), Column("doubt", "name", required=True)),
            ("marked", "doubt"),
            None,
            _plainly(DoubtMark),
        ),
    )
}
# The kinds that have a file of their own in a CSV folder, in the order in which they may refer to one another.
FILED = ("setting", "chanter", "order", "reed", "reading", "trim", "event", "outcome")
_BY_PREFIX = {kind.prefix: kind for kind in KINDS.values()}
_BY_RECORD: dict[type, Kind] = {
    Chanter: KINDS["chanter"],
    Order: KINDS["order"],
    Reed: KINDS["reed"],
    Reading: KINDS["reading"],
    Trim: KINDS["trim"],
    Event: KINDS["event"],
    Outcome: KINDS["outcome"],
    Setting: KINDS["setting"],
    Strike: KINDS["strike"],
    DoubtMark: KINDS["mark"],
}


def references() -> Iterator[tuple[Kind, Column, Kind]]:
    """Every column that names another thing of the log: its kind, the column, the kind it names."""
    for kind in KINDS.values():
        for column in kind.columns:
            if column.refers is not None:
                yield kind, column, KINDS[column.refers]


def kind_of_entry(entry: str) -> Kind | None:
    """The kind that an entry's id names, or None."""
    return _BY_PREFIX.get(entry.partition("-")[0])


def kind_of_record(record: object) -> Kind:
    """The kind a record belongs to; TypeError if it is no record of a log."""
    kind = _BY_RECORD.get(type(record))
    if kind is None:
        raise TypeError(f"{type(record).__name__} is no record of a log")
    return kind
