"""A CSV folder taken into the log: all of it or nothing, and every fault of it said at once.

Besides the seven files of the contract a folder may hold what only an export writes: `settings.csv`, `struck.csv`
(entries taken back, and why), `conflicts.csv` (entries that stand aside after a merge) and `marks.csv` (doubts that
were accepted, and re-entries).
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from trimfit.base import iso_dates
from trimfit.base.errors import Fault, InputError, command, meant, not_a_folder, short
from trimfit.base.progress import Progress
from trimfit.log import queries, refusals, settings, whole_days
from trimfit.log.column_values import amounts, canonical
from trimfit.log.entry_counts import Counts, Renamed
from trimfit.log.entry_kinds import FILED, KINDS, UNNAMED, Kind, Value
from trimfit.log.entry_rows import differences, entry_id, insert_sql
from trimfit.log.instants import MADE_AT, reordered, zone_of, zone_to_set
from trimfit.log.journal import Journal
from trimfit.log.merging.followed_strikes import follow_strikes
from trimfit.log.merging.rename import renamed_to
from trimfit.log.queries import LIVE
from trimfit.log.sheets.csv_rows import Faults, RowReader, Sheet, column_of, heads_of
from trimfit.log.sheets.extra_files import FILES, entries_again, take_marks, take_wide
from trimfit.log.sheets.folder_export import csv_lines
from trimfit.log.sheets.import_state import Intake
from trimfit.log.sheets.written_files import digests, note_taken_in

CHUNK = 5000
MOST_SOUGHT = 50
# So many of the names that are missing are said; the file to add has all of them.
NAMES_SHOWN = 5
# What is known of these changes as a run goes on: a row with other values strikes the old entry and takes its place, as
# `log` does. Blank cells say nothing against it, and the columns named here must agree.
FIXED: dict[str, tuple[str, ...]] = {"chanter": (), "order": ("chanter",), "reed": ("reed_type", "batch")}


def import_folder(journal: Journal, folder: Path, progress: Progress | None = None) -> Counts:
    """Take a CSV folder into the log in one transaction; a row that the log knows adds nothing.

    Rows that name a reed by a name which this log has changed since go to the reed under its new name; the counts say
    how many. Raises InputError with every fault of every file; then nothing was changed.
    """
    paths = files_of(Path(folder))
    taken = digests(Path(folder), paths)
    with journal.writing() as connection:
        last = journal.last_seq()
        state = Intake(journal, connection, progress, before=last, seq=last, files=frozenset(paths))
        before = journal.settings()
        state.struck = {entry for (entry,) in connection.execute("SELECT struck FROM strikes")}
        if state.struck and "reeds.csv" in paths:
            state.brings = column_of(paths["reeds.csv"], "reed", *heads_of(KINDS["reed"]))
        if "marks.csv" in paths:
            state.again = entries_again(paths["marks.csv"])
        zone = zone_of(connection)
        if "settings.csv" in paths:
            _take_kind(state, KINDS["setting"], paths["settings.csv"])
            journal.forget_settings()
            _follow_zone(state, zone)
        state.zone = zone_to_set(connection) or zone_of(connection)
        if "struck.csv" in paths:
            take_wide(state, paths["struck.csv"], struck=True)
            journal.forget_settings()
            if followed := follow_strikes(journal):
                state.struck.update(followed)
                state.seq, state.unsettled = journal.last_seq(), True
        for name in FILED:
            kind = KINDS[name]
            if name != "setting" and kind.file in paths:
                _take_kind(state, kind, paths[kind.file])
        if "conflicts.csv" in paths:
            take_wide(state, paths["conflicts.csv"], struck=False)
        if "marks.csv" in paths:
            take_marks(state, paths["marks.csv"])
        for name, line, what, remedy in whole_days.among_new(connection, last, state.lines, state.zone):
            state.faults.add(KINDS[name].file, line, KINDS[name].time or "", what, remedy)
        state.faults.close_file()
        _say_missing(state)
        if state.faults:
            raise ImportRefused(folder, state.faults)
        if state.seq > last:
            journal.set_zone()
        if state.unsettled:
            journal.settle_conflicts()
        changed = settings.apart(journal.settings(), before) if last else ()
    note_taken_in(Path(folder), taken, journal)
    return Counts.of(
        {file: (new, known) for file, (new, known) in state.tally.items()},
        renamed=tuple(
            Renamed(was, now, _entry(journal, now), dict(moved)) for (was, now), moved in sorted(state.moved.items())
        ),
        notices=tuple(state.notices),
        settings=changed,
    )


def _entry(journal: Journal, reed: str) -> str:
    found = journal.entry_of("reed", reed)
    return found.entry if found is not None else ""


def _follow_zone(state: Intake, before: str) -> None:
    """Read the log's times without an offset in the zone that the folder sets, unless that would change an order."""
    zone = zone_of(state.connection)
    if zone == before:
        return
    moved = reordered(state.connection, zone)
    if moved:
        shown = ", ".join(map(short, moved[:3])) + (f" and {len(moved) - 3:,} more" if len(moved) > 3 else "")
        what = f"in {short(zone)} the log's times without an offset put the entries of {shown} in another order"
        remedy = f"take the row out, or set it first if it is right: {command('settings', 'time_zone', zone)}"
        state.faults.add("settings.csv", 0, "time_zone", what, remedy)
        return
    state.journal.follow_zone(before)


class ImportRefused(InputError):
    """An import that changed nothing. `rows`: how many rows hold a fault."""

    def __init__(self, folder: Path, faults: Faults) -> None:
        self.rows = len(faults.rows)
        other_form = any(_of_another_form(fault) for fault in faults.found)
        also = "a sheet of another form: trimfit draft SHEET FOLDER" if other_form else ""
        super().__init__("the folder was not taken in", str(folder), faults=faults.found, also=also)


def _of_another_form(fault: Fault) -> bool:
    """Whether a fault is one that a sheet kept in its own manner has: another head, or a date in another form."""
    dated = fault.what.endswith(("is not a time", "is not a date")) and any(map(str.isdigit, fault.what))
    return dated or fault.where.endswith(":1")


def files_of(folder: Path) -> dict[str, Path]:
    """The files of a log folder that are there, by their names in small letters."""
    if not folder.exists():
        raise InputError("there is no such folder", str(folder), "check the path")
    if not folder.is_dir():
        raise not_a_folder(folder, "name the folder that holds the CSV files")
    there = sorted(folder.iterdir())
    found: dict[str, Path] = {}
    for path in there:
        name = path.name.lower()
        if name not in FILES:
            continue
        if name in found:
            what = f"{found[name].name} is there, too: nobody can say which of the two counts"
            raise InputError(what, str(path), "put the rows of both into one file, or take one of them out")
        if not path.is_file():
            raise InputError("is no file that can be read", str(path), "put a CSV file there, or take it out")
        found[name] = path
    for path in (one for one in there if one.is_file()):
        name = path.name.lower()
        close = difflib.get_close_matches(name, FILES, n=1, cutoff=0.85) if name not in FILES else []
        if close and close[0] not in found and path.suffix.lower() == ".csv":
            raise InputError("is no file of a log folder", path.name, f"did you mean {close[0]}? rename it")
    if not found:
        raise InputError("holds none of the CSV files of a log", str(folder), f"it may hold {', '.join(FILES[1:8])}")
    return found


def passed_over(folder: Path) -> list[str]:
    """Names of the CSV files in a folder that are no files of a log folder, and are not taken."""
    there = sorted(path.name for path in Path(folder).iterdir() if path.is_file())
    return [name for name in there if name.lower().endswith(".csv") and name.lower() not in FILES]


def _take_kind(state: Intake, kind: Kind, path: Path) -> None:
    """Take one file of one kind of entry."""
    may, must = heads_of(kind)
    with Sheet(path, state.faults, may, must) as sheet:
        if sheet.usable or (sheet.cut and sheet.whole):
            state.notices += sheet.notices
            _take_rows(state, kind, sheet)
            return
        if kind.columns[0].name not in sheet.heads:
            state.unreadable.add(kind.name)
        reader = RowReader(kind, sheet, dict(state.journal.scale()), state.zone)
        for line, cells in sheet.rows() if sheet.cut else ():
            values = reader.read(line, cells)[0]
            state.named[kind.name].update(str(name) for name in values[:1] if name is not None)
            _names_known(state, reader, line, values)


def _take_rows(state: Intake, kind: Kind, sheet: Sheet) -> None:
    """Take the rows of a file that are without fault. A fault anywhere undoes them all: it is said once all is read."""
    reader = RowReader(kind, sheet, dict(state.journal.scale()), state.zone)
    faults, file = state.faults, sheet.name
    before = len(faults.found)
    # In a table that holds nothing there is nothing to look up.
    empty = state.connection.execute(f"SELECT NOT EXISTS (SELECT 1 FROM {kind.table})").fetchone()[0]
    key_at = [kind.index[name] for name in kind.key if name != "at_s"]
    # A log that held nothing has renamed nothing: what struck.csv has just brought is the folder's own story.
    follows = kind.columns[0].name == "reed" and bool(state.before and state.struck)
    batch_at = kind.index.get("batch", 0)
    seen: dict[Any, tuple[int, Value]] = {}
    waiting: list[tuple[Any, ...]] = []
    insert = insert_sql(kind)
    for done, (line, cells) in enumerate(sheet.rows()):
        if state.progress is not None and done % CHUNK == 0:
            state.progress(f"import {file}", min(line, sheet.looked.lines - 1), sheet.looked.lines)
        values, at_s, good = reader.read(line, cells)
        was = values[0]
        if good and follows:
            values[0] = _name_now(state, kind, values)
        if kind.time is None and values[key_at[0]] is not None:
            state.named[kind.name].add(str(values[key_at[0]]))
        whole = good and sheet.usable
        for where, what, remedy in _as_a_whole(kind, values) if whole else _no_amount(kind, sheet, cells, values):
            faults.add(file, line, where, what, remedy)
            good = False
        if not _names_known(state, reader, line, values) or not good:
            continue
        first, batch = seen.setdefault((*(values[i] for i in key_at), at_s), (line, values[batch_at]))
        if first != line:
            what, remedy = _twice(kind, values, first, batch)
            what += f": the log has renamed {short(was)!r}" if was != values[0] else ""
            faults.add(file, line, kind.key[0], what, remedy)
            continue
        placed = _placed(state, reader, line, values, at_s, empty=empty)
        if placed is None:
            continue
        values, entry, generation, known = placed
        # The zone that a log was given when it was made is nobody's entry, and is not counted.
        if MADE_AT not in values:
            state.count(file, new=not known)
        if known:
            continue
        if was != values[0]:
            state.moved[(str(was), str(values[0]))][kind.name] += 1
        waiting.append((state.next_seq(), entry, generation, *values, *(() if at_s is None else (at_s,))))
        if kind.name in whole_days.ORDERED:
            state.lines[state.seq] = line
        if len(waiting) >= CHUNK:
            state.connection.executemany(insert, waiting)
            waiting.clear()
    if not sheet.looked.clean and len(faults.found) == before:
        faults.add(file, 0, "", "holds bytes that are not UTF-8 text", "save it as CSV in UTF-8")
    state.connection.executemany(insert, waiting)
    if kind.name == "trim":
        _past_blade(state, file)
    if state.progress is not None:
        state.progress(f"import {file}", sheet.looked.lines, sheet.looked.lines)


def _placed(
    state: Intake, reader: RowReader, line: int, values: list[Value], at_s: float | None, *, empty: bool
) -> tuple[list[Value], str, int, bool] | None:
    """A row's values as they are to stand, its entry, its generation, and whether the log knows it; None, and a fault,
    where another entry stands in its way."""
    kind = reader.kind
    entry, generation, known = _place(state, kind, values, empty=empty)
    clash = None if known or empty else refusals.clash(state.connection, kind, values, at_s)
    if clash is None:
        return values, entry, generation, known
    there, theirs = clash
    # Columns that the file does not have say nothing against the row in the log.
    # A time of the same instant is the same time, however a spreadsheet wrote it.
    merged = [
        value if i in reader.present and kind.names[i] != kind.time else theirs[i] for i, value in enumerate(values)
    ]
    fixed = FIXED.get(kind.name)
    if fixed is not None:
        merged = [theirs[i] if value is None or value == UNNAMED else value for i, value in enumerate(merged)]
    if tuple(merged) == theirs:
        return values, entry, generation, True
    apart = [name for name in fixed or () if theirs[i := kind.index[name]] not in (merged[i], UNNAMED)]
    if fixed is None or apart:
        state.faults.add(reader.sheet.name, line, kind.key[0], *_other_content(kind, merged, there, theirs))
        return None
    entry, generation, known = _place(state, kind, merged, empty=False)
    if not known:
        _strike(state, there, f"revised by import: {differences(kind, merged, theirs)}")
    return merged, entry, generation, known


def _names_known(state: Intake, reader: RowReader, line: int, values: Sequence[Value]) -> bool:
    """Whether all that a row names is in this folder or in the log; a fault, or a row of `missing`, for what is not."""
    good, file = True, reader.sheet.name
    for i, column, refers in reader.refers:
        if values[i] is None or _known(state, refers, name := str(values[i])):
            continue
        good = False
        if KINDS[refers].file in state.files:
            state.faults.add(file, line, column, *_unknown(state, refers, name))
        else:
            state.missing.setdefault((file, column, refers), {}).setdefault(name, []).append(line)
    return good


def _name_now(state: Intake, kind: Kind, values: Sequence[Any]) -> str:
    """The name that a row's reed has in the log, which may have renamed it since the row was written.

    A reed of another type or batch than the renamed one is another reed, to which the name is free; so is one that the
    folder has beside the renamed one, unless the log has its very row, struck.
    """
    name = str(values[0])
    if name not in state.names_now or kind.name == "reed":
        now = renamed_to(state.connection, name)
        if now is not None and kind.name == "reed":
            known = state.journal.entry_of("reed", now)
            same = known is not None and all(
                UNNAMED in pair or pair[0] == pair[1]
                for pair in ((known.record.reed_type, values[1]), (known.record.batch, values[2]))
            )
            beside = now in state.brings and not _place(state, kind, values, empty=False)[2]
            now = now if same and not beside else None
        state.names_now[name] = now or name
    return state.names_now[name]


def _place(state: Intake, kind: Kind, values: Sequence[Any], *, empty: bool) -> tuple[str, int, bool]:
    """A row's entry, its generation, and whether the log knows it already (struck or not)."""
    entry = entry_id(kind, values)
    if empty or not state.there(kind, entry):
        return entry, 0, False
    if entry not in state.struck:
        return entry, 0, True
    generation = 0
    while entry in state.struck:
        generation += 1
        entry = entry_id(kind, values, generation)
    # A struck row comes in again only where the folder itself says that it was logged again.
    return entry, generation, entry not in state.again or state.there(kind, entry)


def _strike(state: Intake, entry: str, why: str) -> None:
    """Take an entry back inside the import's own transaction."""
    kind = KINDS["strike"]
    values = canonical(kind, [entry, why, iso_dates.local_now()])
    strike, generation, _ = state.journal.place(kind, values)
    state.add(kind, values, strike, generation)
    state.struck.add(entry)


def _known(state: Intake, refers: str, name: str) -> bool:
    """Whether a reed, order or chanter is in this folder or in the log; a file that cannot be read blames nobody."""
    if name in state.named[refers] or refers in state.unreadable:
        return True
    key = (refers, name)
    if key not in state.checked:
        state.checked[key] = queries.knows(state.connection, refers, name)
    return state.checked[key]


def _unknown(state: Intake, refers: str, name: str) -> tuple[str, str]:
    file, ours = KINDS[refers].file, state.named[refers]
    remedy = f"add it to {file}, or mend the name"
    state.sought.add((refers, name))
    # a name is looked for among all that the folder has, so only for as many as anybody reads about
    if ours and len(state.sought) <= MOST_SOUGHT and (close := meant(name, sorted(ours))):
        remedy = f"{close} or add it to {file}"
    return f"unknown {refers} {short(name)!r}", remedy


def _say_missing(state: Intake) -> None:
    """One fault for all the names of a kind of which the folder has no file: the file to add, ready to copy."""
    for refers in dict.fromkeys(refers for _, _, refers in state.missing):
        places = {where[:2]: names for where, names in state.missing.items() if where[2] == refers}
        names = list(dict.fromkeys(name for found in places.values() for name in found))
        lines = {file: sorted(at for rows in found.values() for at in rows) for (file, _), found in places.items()}
        kind = KINDS[refers]
        heads = [one.name for one in kind.columns if one.required]
        shown = ", ".join(repr(short(name)) for name in names[:NAMES_SHOWN])
        more = f" and {len(names) - NAMES_SHOWN:,} more" if len(names) > NAMES_SHOWN else ""
        counts = [f"{len(at):,} row{'s' * (len(at) > 1)}" for at in lines.values()]
        if len(lines) > 1:
            counts = [f"{count} of {file}" for count, file in zip(counts, lines, strict=True)]
        what = f"neither the folder nor the log has {refers} {shown}{more}, named on {' and '.join(counts)}"
        blank = f", and say {' and '.join(heads[1:])} of each" if heads[1:] else ""
        remedy = f"mend the name, or add {kind.file} with these lines{blank}"
        rows = ([name, *([None] * len(heads[1:]))] for name in names)
        copy = tuple(line.removesuffix("\n") for line in csv_lines(heads, rows))
        file, column = next(iter(places))
        state.faults.found.append(Fault(f"{file}:{lines[file][0]}", column, what, remedy, copy))
        state.faults.rows |= {(file, line) for file, found in lines.items() for line in found}


def _as_a_whole(kind: Kind, values: Sequence[Value]) -> list[tuple[str, str, str]]:
    """What is wrong with a row of values each of which may be: (column, what, remedy)."""
    if kind.name == "setting":
        try:
            settings.checked(str(values[0]), str(values[2]))
        except InputError as error:
            return [("value", error.what, error.remedy)]
    return amounts(kind, values)


def _no_amount(kind: Kind, sheet: Sheet, cells: Sequence[str], values: Sequence[Value]) -> list[tuple[str, str, str]]:
    """That a row with another fault, or under a wrong head, holds no amount either: nothing that may be one."""
    idle = {c.name for c in kind.columns if c.note is None and c.name not in ("length_mm", "lip_strokes", "crow_hz")}
    heads = zip(sheet.heads, cells, strict=True)
    held = any(cell.strip() not in ("", "0") for head, cell in heads if head not in (*idle, "reference_hz"))
    return [] if held else amounts(kind, values)


def _twice(kind: Kind, values: Sequence[Value], line: int, batch: Value) -> tuple[str, str]:
    """What is wrong with a row of the key of another, which stands on `line`; batch: of a reed, that of the other."""
    if kind.name == "reed" and batch != (here := values[kind.index["batch"]]):
        return (
            f"{short(values[0])!r} is in batch {short(here)!r} here and in {short(batch)!r} on line {line}",
            "a reed belongs to one batch: mend one of them",
        )
    *names, last = [str(kind.time) if name == "at_s" else name for name in kind.key]
    about = f"{', '.join(names)} and {last}" if names else last
    return f"the same {about} as line {line}", "take one of the two rows out, or mend its " + about


def _other_content(kind: Kind, ours: Sequence[Any], entry: str, theirs: Sequence[Any]) -> tuple[str, str]:
    if kind.name == "setting" and ours[0] == "time_zone":
        return (
            f"times without an offset are in {short(theirs[2])} in the log, in {short(ours[2])} in this folder",
            "take the row out if the folder's are the log's, else give each of them its offset",
        )
    return (
        f"the log has this {kind.name} with {differences(kind, ours, theirs)}",
        f"leave the row out, or strike the other first: {command('log', 'strike', entry)} --why …",
    )


def _past_blade(state: Intake, file: str) -> None:
    """Faults for the new trims by which the whole blade or more is taken off, the first of each reed in time."""
    query = (
        "SELECT reed, length_mm, blade_mm, min(total), seq FROM (SELECT t.seq, t.reed, t.length_mm, r.blade_mm, "
        "sum(t.length_mm) OVER (PARTITION BY t.reed ORDER BY t.seq > :before, t.at_s, t.seq) AS total "
        f"FROM (SELECT * FROM trims WHERE length_mm > 0 AND {LIVE}) t "
        f"JOIN (SELECT * FROM reeds WHERE {LIVE}) r ON r.reed = t.reed "
        "WHERE t.reed IN (SELECT reed FROM trims WHERE seq > :before)) "
        "WHERE seq > :before AND total >= blade_mm GROUP BY reed ORDER BY seq"
    )
    for reed, length_mm, blade_mm, total_mm, seq in state.connection.execute(query, {"before": state.before}):
        if seq not in state.lines:
            continue
        what = f"{total_mm:.4g} mm taken off in all is past the blade of {blade_mm:g} mm"
        remedy = f"did you mean {length_mm / 10:g}? or mend blade_mm of {short(reed)!r}"
        state.faults.add(file, state.lines[seq], "length_mm", what, remedy)
