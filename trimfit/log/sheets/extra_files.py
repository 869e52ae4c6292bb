"""What only an export writes: struck.csv, conflicts.csv and marks.csv, read back.

The first two hold entries of every kind, one a row, with the columns of all kinds side by side.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path

from trimfit.base import iso_dates
from trimfit.base.errors import InputError, short
from trimfit.log.column_values import from_text, unguard
from trimfit.log.entry_kinds import FILED, KINDS, Column, Kind, Value, kind_of_entry
from trimfit.log.entry_rows import entry_id
from trimfit.log.queries import LIVE
from trimfit.log.sheets.csv_rows import RowReader, Sheet, column_of
from trimfit.log.sheets.import_state import Intake

# What struck.csv and conflicts.csv say besides the entry's own columns.
STRUCK_HEADS = ("entry", "kind", "generation", "why", "struck_at")
CONFLICT_HEADS = ("entry", "kind", "generation")
MARK_HEADS = ("entry", "kind", "about", "generation", "doubt")
# A column's head there; "kind" is taken by the kind of entry, so a chanter's kind has another.
WIDE_HEADS = {name: "chanter_kind" if name == "kind" else name for kind in FILED for name in KINDS[kind].names}
EXTRA = {"struck.csv": STRUCK_HEADS, "conflicts.csv": CONFLICT_HEADS, "marks.csv": MARK_HEADS}
FILES = (*(KINDS[kind].file for kind in FILED), *EXTRA)
_GENERATION = Column("generation", "whole", required=True)


def take_wide(state: Intake, path: Path, *, struck: bool) -> None:
    """Take struck.csv (entries and what struck them) or conflicts.csv (entries that stand aside)."""
    meta = STRUCK_HEADS if struck else CONFLICT_HEADS
    readers: dict[str, RowReader] = {}
    with Sheet(path, state.faults, (*meta, *WIDE_HEADS.values()), meta) as sheet:
        for line, cells in sheet.rows() if sheet.usable else ():
            said = dict(zip(sheet.heads, cells, strict=True))
            with _noted(state, sheet, line):
                kind = KINDS.get(said["kind"].strip())
                if kind is None or kind.name not in FILED:
                    what = f"{short(said['kind'])!r} is no kind of entry"
                    raise InputError(what, "kind", f"say {', '.join(FILED)}")
                if kind.name not in readers:
                    readers[kind.name] = RowReader(kind, sheet, dict(state.journal.scale()), state.zone, WIDE_HEADS)
                values, _, good = readers[kind.name].read(line, cells)
                generation = int(_value(_GENERATION, said) or 0)
                if good:
                    _take_entry(state, kind, values, generation, said, struck=struck)


def _take_entry(
    state: Intake, kind: Kind, values: list[Value], generation: int, said: Mapping[str, str], *, struck: bool
) -> None:
    """Take an entry of such a row, and its strike. Raises InputError where the row is not as it was exported."""
    entry = said["entry"].strip()
    values = _as_exported(kind, values, generation, said)
    if entry_id(kind, values, generation) != entry:
        what = "the id does not belong to what the row says"
        raise InputError(what, "entry", "leave the rows of this file as they were exported")
    if kind.time is None:
        state.named[kind.name].add(str(values[0]))
    new = state.add(kind, values, entry, generation)
    if struck:
        strike = KINDS["strike"]
        row = [entry, *(_value(column, said) for column in strike.columns[1:])]
        if None in row:
            raise InputError("why or struck_at is empty", "why", "say why and when it was struck")
        fresh = state.add(strike, row, entry_id(strike, row))
        if fresh:
            state.struck.add(entry)
        state.count("struck.csv", new=fresh)
        new |= fresh
    else:
        state.count("conflicts.csv", new=new)
    state.unsettled |= new


@contextlib.contextmanager
def _noted(state: Intake, sheet: Sheet, line: int) -> Iterator[None]:
    """What is wrong with a row goes to the faults of the import."""
    try:
        yield
    except InputError as error:
        state.faults.add(sheet.name, line, error.where, error.what, error.remedy)


def _value(column: Column, said: Mapping[str, str]) -> Value:
    """The value of a cell of a row. Raises InputError that names its column."""
    try:
        return from_text(column, said[column.name])
    except InputError as error:
        raise InputError(error.what, column.name, error.remedy) from error


def _as_exported(kind: Kind, values: list[Value], generation: int, said: Mapping[str, str]) -> list[Value]:
    """A row's values as the entry's id says that they were: its names as they stand, where it was struck before names
    were folded, or its time spelled otherwise, where a spreadsheet wrote that anew."""
    entry = said["entry"].strip()
    whole = [
        unguard(said[WIDE_HEADS[column.name]]) if column.sort == "name" and value is not None else value
        for column, value in zip(kind.columns, values, strict=True)
    ]
    if whole != values and entry_id(kind, whole, generation) == entry:
        return whole
    if kind.time is None or values[kind.index[kind.time]] is None:
        return values
    for time in iso_dates.spellings(str(values[kind.index[kind.time]])):
        spelled = [time if i == kind.index[kind.time] else value for i, value in enumerate(values)]
        if entry_id(kind, spelled, generation) == entry:
            return spelled
    return values


def entries_again(path: Path) -> set[str]:
    """The entries that marks.csv names: those of them that are re-entries of a struck row may come in."""
    return column_of(path, "entry", MARK_HEADS, MARK_HEADS)


def take_marks(state: Intake, path: Path) -> None:
    """Take the doubts that were accepted when their entries were made."""
    mark = KINDS["mark"]
    with Sheet(path, state.faults, MARK_HEADS, MARK_HEADS) as sheet:
        for line, cells in sheet.rows() if sheet.usable else ():
            said = dict(zip(sheet.heads, cells, strict=True))
            with _noted(state, sheet, line):
                entry = _marked(state, said["entry"].strip(), said["about"])
                doubt = _value(mark.columns[1], said)
                if doubt is not None and not state.faults:
                    row = (entry, doubt)
                    state.count("marks.csv", new=state.add(mark, row, entry_id(mark, row)))


def _marked(state: Intake, entry: str, about: str) -> str:
    """The entry that a row of marks.csv is about: the one it names, or, where a spreadsheet wrote the entry's time anew
    and so changed its id, the one of the reed and instant. Raises InputError where there is none."""
    kind = kind_of_entry(entry)
    if kind is not None and (state.faults or state.there(kind, entry)):
        return entry
    name, _, time = about.strip().rpartition(" ")
    if kind is not None and kind.time is not None:
        with contextlib.suppress(InputError):
            at_s = iso_dates.at_s(iso_dates.as_iso(time), state.zone)
            query = f'SELECT entry FROM {kind.table} WHERE "{kind.key[0]}" = ? AND at_s = ? AND {LIVE}'
            if found := state.connection.execute(query, (name, at_s)).fetchone():
                return str(found[0])
    what = f"{short(entry)!r} is no entry of this folder or the log"
    raise InputError(what, "entry", "take the row out")
