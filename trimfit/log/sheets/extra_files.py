"""What only an export writes: struck.csv, conflicts.csv and marks.csv, read back.

The first two hold entries of every kind, one a row, with the columns of all kinds side by side.
"""

from __future__ import annotations

from pathlib import Path

from trimfit.base import dates
from trimfit.base.errors import InputError, short
from trimfit.log.entry_kinds import FILED, KINDS, Column, Kind, Value, kind_of_entry
from trimfit.log.entry_rows import entry_id, insert_sql
from trimfit.log.queries import LIVE
from trimfit.log.sheets.csv_rows import Faults, RowReader, Sheet
from trimfit.log.sheets.import_state import Intake
from trimfit.log.values import from_text

# What struck.csv and conflicts.csv say besides the entry's own columns.
STRUCK_HEADS = ("entry", "kind", "generation", "why", "struck_at")
CONFLICT_HEADS = ("entry", "kind", "generation")
MARK_HEADS = ("entry", "kind", "about", "generation", "doubt")
# A column's head there; "kind" is taken by the kind of entry, so a chanter's kind has another.
WIDE_HEADS = {name: "chanter_kind" if name == "kind" else name for kind in FILED for name in KINDS[kind].names}
EXTRA = {"struck.csv": STRUCK_HEADS, "conflicts.csv": CONFLICT_HEADS, "marks.csv": MARK_HEADS}
FILES = (*(KINDS[kind].file for kind in FILED), *EXTRA)
_GENERATION = Column("generation", "whole", required=True)


def _wide_rows(state: Intake, sheet: Sheet) -> list[tuple[int, Kind, list[Value], float | None, str, int, list[str]]]:
    """The rows of struck.csv or conflicts.csv that are as they were exported; faults for the others."""
    at = {head: i for i, head in enumerate(sheet.heads)}
    readers: dict[str, RowReader] = {}
    rows = []
    for line, cells in sheet.rows():
        kind = KINDS.get(cells[at["kind"]].strip())
        if kind is None or kind.name not in FILED:
            state.faults.add(
                sheet.name, line, "kind", f"{short(cells[at['kind']])!r} is no kind of entry", f"say {', '.join(FILED)}"
            )
            continue
        reader = readers.setdefault(
            kind.name, RowReader(kind, sheet, dict(state.journal.scale()), state.zone, WIDE_HEADS)
        )
        values, at_s, good = reader.read(line, cells)
        try:
            generation = int(from_text(_GENERATION, cells[at["generation"]]) or 0)
        except InputError as error:
            state.faults.add(sheet.name, line, "generation", error.what, error.remedy)
            continue
        if not good:
            continue
        entry = cells[at["entry"]].strip()
        values = _as_exported(kind, values, generation, entry)
        if entry_id(kind, values, generation) != entry:
            what = "the id does not belong to what the row says"
            state.faults.add(sheet.name, line, "entry", what, "leave the rows of this file as they were exported")
            continue
        rows.append((line, kind, values, at_s, entry, generation, cells))
    return rows


def _as_exported(kind: Kind, values: list[Value], generation: int, entry: str) -> list[Value]:
    """A row's values with its time spelled as the entry's id says it was, where a spreadsheet wrote that time anew."""
    if kind.time is None or values[kind.index[kind.time]] is None:
        return values
    for time in dates.spellings(str(values[kind.index[kind.time]])):
        spelled = [time if i == kind.index[kind.time] else value for i, value in enumerate(values)]
        if entry_id(kind, spelled, generation) == entry:
            return spelled
    return values


def take_wide(state: Intake, path: Path, *, struck: bool) -> None:
    """Take struck.csv (entries and what struck them) or conflicts.csv (entries that stand aside)."""
    meta = STRUCK_HEADS if struck else CONFLICT_HEADS
    with Sheet(path, state.faults, (*meta, *WIDE_HEADS.values()), meta) as sheet:
        if not sheet.usable:
            return
        rows = _wide_rows(state, sheet)
        at = {head: i for i, head in enumerate(sheet.heads)}
        strike = KINDS["strike"]
        for line, kind, values, at_s, entry, generation, cells in rows:
            if kind.time is None:
                state.named[kind.name].add(str(values[0]))
            if state.faults:
                continue
            new = not state.there(kind, entry)
            if new:
                row = (state.next_seq(), entry, generation, *values, *(() if at_s is None else (at_s,)))
                state.connection.execute(insert_sql(kind), row)
                state.unsettled = True
            if not struck:
                state.count("conflicts.csv", new=new)
                continue
            try:
                said = [entry, *(from_text(strike.columns[i], cells[at[n]]) for i, n in ((1, "why"), (2, "struck_at")))]
                if None in said:
                    raise InputError("why or struck_at is empty", remedy="say why and when it was struck")
            except InputError as error:
                state.faults.add(sheet.name, line, "why", error.what, error.remedy)
                continue
            taken_back = entry_id(strike, said)
            fresh = not state.there(strike, taken_back)
            if fresh:
                state.journal.insert_at(strike, said, state.next_seq(), taken_back, 0)
                state.struck.add(entry)
                state.unsettled = True
            state.count("struck.csv", new=fresh)


def entries_again(path: Path) -> set[str]:
    """The entries that marks.csv names: those of them that are re-entries of a struck row may come in."""
    with Sheet(path, Faults(), MARK_HEADS, MARK_HEADS) as sheet:
        if not sheet.usable:
            return set()
        at = sheet.heads.index("entry")
        return {cells[at].strip() for _, cells in sheet.rows()}


def _of_that_instant(state: Intake, kind: Kind, about: str) -> str:
    """The entry of the reed and instant that a mark is about, where a spreadsheet wrote its time anew; else blank."""
    name, _, time = about.strip().rpartition(" ")
    try:
        at_s = dates.at_s(dates.as_iso(time), state.zone)
    except InputError:
        return ""
    if kind.time is None:
        return ""
    query = f'SELECT entry FROM {kind.table} WHERE "{kind.key[0]}" = ? AND at_s = ? AND {LIVE}'
    found = state.connection.execute(query, (name, at_s)).fetchone()
    return str(found[0]) if found else ""


def take_marks(state: Intake, path: Path) -> None:
    """Take the doubts that were accepted when their entries were made."""
    mark = KINDS["mark"]
    with Sheet(path, state.faults, MARK_HEADS, MARK_HEADS) as sheet:
        if not sheet.usable:
            return
        at = {head: i for i, head in enumerate(sheet.heads)}
        for line, cells in sheet.rows():
            entry = cells[at["entry"]].strip()
            kind = kind_of_entry(entry)
            if kind is not None and not state.faults and not state.there(kind, entry):
                entry = _of_that_instant(state, kind, cells[at["about"]])
            if kind is None or not entry:
                entry = cells[at["entry"]].strip()
                what = f"{short(entry)!r} is no entry of this folder or the log"
                state.faults.add(sheet.name, line, "entry", what, "take the row out")
                continue
            try:
                doubt = from_text(mark.columns[1], cells[at["doubt"]])
            except InputError as error:
                state.faults.add(sheet.name, line, "doubt", error.what, error.remedy)
                continue
            if doubt is None or state.faults:
                continue
            marked = entry_id(mark, (entry, doubt))
            new = not state.there(mark, marked)
            if new:
                state.journal.insert_at(mark, (entry, doubt), state.next_seq(), marked, 0)
            state.count("marks.csv", new=new)
