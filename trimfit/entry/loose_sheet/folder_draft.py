"""One loose sheet, a row a reed or a row a visit, written as a CSV folder of a log with a page that lists each guess.

Nothing is logged. The folder is tried: it is imported into a log of its own that is thrown away, and the page says what
that gave.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path

from trimfit.base.errors import InputError, not_a_folder, short
from trimfit.base.pitch import DEFAULT_RATIOS
from trimfit.base.plain_words import counted
from trimfit.entry.doubt_marks import rule_marks
from trimfit.entry.loose_sheet.amounts import Amounts, settle_notes
from trimfit.entry.loose_sheet.contents import told_by_contents
from trimfit.entry.loose_sheet.guesses import Guess, Notes, Unread, page_lines
from trimfit.entry.loose_sheet.heads import NOTE_ROLES, NOTHING, Column, find_heads, note_and_rest, upright
from trimfit.entry.loose_sheet.rows import SheetRows
from trimfit.entry.loose_sheet.table import read_table
from trimfit.entry.loose_sheet.visits import slots_of, timed
from trimfit.log.entry_kinds import KINDS
from trimfit.log.file.unfinished_files import filled_whole
from trimfit.log.journal import Journal
from trimfit.log.sheets.extra_files import FILES
from trimfit.log.sheets.folder_export import csv_lines
from trimfit.log.sheets.folder_import import import_folder

PAGE = "guesses.txt"
BECAME = {
    **{note: f"{note}_hz" for note in NOTE_ROLES},
    **{"day": "the day", "clock": "the time of day", "crow": "crow_hz", "readings": "what its cells name"},
}
EVENT_KINDS = ("reading", "trim", "outcome")
# What prose may look like: its lines are taken for names of reeds, and words for outcomes.
OF_WORDS = {KINDS[name].file for name in ("reed", "outcome")}
HEADED = "name a sheet with heads, and a row for each reed"


@dataclass(frozen=True, slots=True)
class Draft:
    """What became of a sheet: rows by file, guesses, unread cells, how many cells it had and how many were read, the
    entries that a trial import took, the faults that it found, and what it would mark as doubtful."""

    files: Mapping[str, int]
    guesses: tuple[Guess, ...]
    unread: tuple[Unread, ...]
    cells: int
    read: int
    entries: int
    faults: tuple[str, ...]
    doubts: tuple[str, ...]
    page: tuple[str, ...]


def draft_sheet(
    sheet: Path,
    folder: Path,
    *,
    today: date,
    scale: Mapping[str, Fraction] = DEFAULT_RATIOS,
    month_first: bool = False,
    force: bool = False,
) -> Draft:
    """Write the CSV folder that a sheet says, with its page `guesses.txt`; all of it or nothing.

    today: for dates without a year. scale: the shop's just ratios. force: write over an earlier draft.
    Raises InputError where the sheet cannot be read at all, or the folder is taken.
    """
    folder = Path(folder)
    _refuse_taken(folder, force=force)
    notes = Notes()
    read = read_table(Path(sheet), notes)
    if sum(bool(cell) for row in read for cell in row) == 1:
        raise InputError("holds one cell, and no reading", str(sheet), HEADED)
    table = upright(read, notes)
    columns, first = find_heads(table, notes)
    titles = tuple(column.title for column in columns)
    rows = [
        (number, row)
        for number, row in enumerate(table[first:], first + 1)
        if any(row) and not (any(titles) and row == titles)
    ]
    bodies = [row for _, row in rows]
    columns = told_by_contents(columns, bodies, scale, notes)
    columns, meant = settle_notes(columns, bodies, notes)
    _say_columns(columns, notes)
    amounts = Amounts.of(columns, bodies, scale, meant, notes)
    known = [column for column in columns if column.role]
    slots, whole = slots_of(known, notes)
    whole, twice = _once(whole)
    known = [column for column in known if column not in twice]
    _say_untaken([column for column in columns if not column.role] + twice, rows, notes)
    reader = SheetRows(known, slots, whole, amounts, scale, notes, today, month_first)
    reader.read(rows)
    timed(reader.events, notes)
    lines = _files(reader)
    if not lines:
        why = notes.unread[0].line() if notes.unread else "give its heads known words: reed, date, crow, F, took"
        raise InputError("nothing in it could be read", str(sheet), why)
    if not any(titles) and lines.keys() <= OF_WORDS and not re.search(r"\d", "".join(map("".join, bodies))):
        raise InputError("holds no number and no head that is known", str(sheet), HEADED)
    cells = sum(cell.lower() not in NOTHING for _, row in rows for cell in row)
    counts = {name: len(text) - 1 for name, text in lines.items()}
    return _write(sheet, folder, lines, counts, notes, cells)


def _refuse_taken(folder: Path, *, force: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise not_a_folder(folder, "name a new folder for the draft")
    there = sorted(path.name for path in folder.iterdir() if path.name.lower() in FILES) if folder.exists() else []
    if there and not (force and (folder / PAGE).exists()):
        drafted = ", or say --force to write over that draft" if (folder / PAGE).exists() else ""
        raise InputError(f"holds {there[0]} already", str(folder), f"name a new folder{drafted}")


def _once(whole: Sequence[Column]) -> tuple[list[Column], list[Column]]:
    """The columns that stand for a row as a whole, and those of them that would say again what one says already."""
    kept: list[Column] = []
    for column in whole:
        if column.role in ("remark", "outcome") or column.role not in [other.role for other in kept]:
            kept.append(column)
    return kept, [column for column in whole if column not in kept]


def _say_columns(columns: Sequence[Column], notes: Notes) -> None:
    """What each column became whose head is not its name in the log."""
    named = {name for kind in KINDS.values() for name in kind.names}
    became = [
        f"{column.title!r} is {BECAME.get(column.role, column.role)}"
        for column in columns
        if column.role and column.title and column.title.lower() not in named
    ]
    if became:
        notes.guess("columns", "", "; ".join(dict.fromkeys(became)))


def _say_untaken(columns: Sequence[Column], rows: Sequence[tuple[int, Sequence[str]]], notes: Notes) -> None:
    """Columns that hold something and were taken for nothing."""
    for column in columns:
        filled = [(n, row[column.place]) for n, row in rows if row[column.place].lower() not in NOTHING]
        if not filled:
            continue
        said = "another column says the same" if column.role else "this column was not understood"
        cells = f"{len(filled)} cells, such as" if len(filled) > 1 else "one cell,"
        what = f"{said}: {cells} {short(filled[0][1])!r}"
        remedy = "give its head a known word, such as date, chanter, crow, F, took; or leave it out"
        note, rest = note_and_rest(column.title)
        if note and not column.role:
            over = short(f"chanter {rest}")
            remedy = f"head it {note}, and if {short(rest)!r} is a chanter, put {over!r} over it in a row above"
        notes.unread.append(Unread(0, column.name, "", what, remedy))
        notes.lost_cells.update((number, column.place) for number, _ in filled)


def _files(reader: SheetRows) -> dict[str, list[str]]:
    """The lines of each file of the folder that has rows."""
    records: dict[str, list[Mapping[str, object]]] = {"chanter": [], "order": [], "reed": list(reader.reeds.values())}
    for kind in EVENT_KINDS:
        when = str(KINDS[kind].time)
        records[kind] = [{"reed": e.reed, when: e.at, **e.values} for e in reader.events if e.kind == kind]
    for order, chanters in reader.orders.items():
        if len(chanters) == 1:
            records["order"].append({"order": order, "chanter": next(iter(chanters))})
            continue
        for reed in records["reed"]:
            if reed.get("order") == order:
                del reed["order"]  # type: ignore[attr-defined]
        said = "no chanter" if not chanters else f"{len(chanters)} chanters"
        remedy = "add it to orders.csv with its chanter, and to its reeds"
        reader.notes.unread.append(Unread(0, "order", order, f"goes with {said} in the sheet", remedy))
        reader.notes.lost_cells |= reader.order_cells[order]
    named = [e.values.get("chanter") for e in reader.events] + [order["chanter"] for order in records["order"]]
    records["chanter"] = [{"chanter": name} for name in dict.fromkeys(name for name in named if name)]
    unnamed = any(
        "chanter" not in e.values and {*e.values} & {f"{note}_hz" for note in NOTE_ROLES} for e in reader.events
    )
    # Where readings of notes name no chanter the page says to fill that column.
    to_fill = ("reading", "chanter") if unnamed else ()
    lines = {}
    for name, mine in records.items():
        kind_of = KINDS[name]
        used = [c for c in kind_of.names if any(record.get(c) is not None for record in mine) or to_fill == (name, c)]
        if mine:
            lines[kind_of.file] = [*csv_lines(used, ([record.get(c) for c in used] for record in mine))]
    return lines


def _write(
    sheet: Path, folder: Path, lines: Mapping[str, Sequence[str]], counts: Mapping[str, int], notes: Notes, cells: int
) -> Draft:
    with filled_whole(folder) as beside:
        for name, text in lines.items():
            (beside / name).write_text("".join(text), encoding="utf-8", newline="")
        entries, faults, doubts = _tried(beside)
        if faults:
            takes = [f"An import would refuse it: {len(faults)} fault{'s' * (len(faults) > 1)}.", *faults[:20]]
        else:
            doubted = f"{len(doubts):,} doubt{'' if len(doubts) == 1 else 's'} about them"
            takes = [f"An import into a new log takes it: {counted(entries, 'entry', 'entries')}, {doubted}."]
        takes += [f"  {line}" for line in doubts[:20]]
        page = tuple(page_lines(sheet.name, notes, counts, cells, takes))
        (beside / PAGE).write_text("\n".join(page) + "\n", encoding="utf-8")
        for name in FILES:
            (folder / name).unlink(missing_ok=True)
    read = cells - len(notes.lost_cells)
    return Draft(dict(counts), tuple(notes.guesses), tuple(notes.unread), cells, read, entries, faults, doubts, page)


def _tried(folder: Path) -> tuple[int, tuple[str, ...], tuple[str, ...]]:
    """How many entries an import of a folder into a new log takes, the faults that stop it, and what it would mark."""
    with tempfile.TemporaryDirectory() as scratch, Journal(Path(scratch) / "trial", create=True) as journal:
        try:
            entries = import_folder(journal, folder).new
        except InputError as error:
            return 0, tuple(error.lines()), ()
        doubts = []
        for mark in rule_marks(journal):
            # the trial's entries are in no log: what names none is named in the folder
            what, to_name, _ = mark.sentence.partition(" To name ")
            doubts.append(
                f"{mark.reed}: {what}".removeprefix(": ")
                + (" Fill the column chanter in readings.csv here" if to_name else "")
            )
        return entries, (), tuple(doubts)
