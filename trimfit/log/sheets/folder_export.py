"""The log written as a CSV folder: complete, in an order of its own, byte for byte the same from the same entries."""

from __future__ import annotations

import contextlib
import filecmp
import functools
import os
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from trimfit.base.errors import not_a_folder
from trimfit.base.progress import Progress
from trimfit.log.column_values import guard, number_text
from trimfit.log.entry_counts import Counts
from trimfit.log.entry_kinds import FILED, KINDS, Kind, kind_of_entry
from trimfit.log.file.unfinished_files import filled_whole
from trimfit.log.instants import MADE_AT
from trimfit.log.journal import Journal
from trimfit.log.queries import LIVE, quoted
from trimfit.log.sheets.extra_files import EXTRA, WIDE_HEADS
from trimfit.log.sheets.written_files import note_written, refuse_to_lose

Rows = Generator[Sequence[Any], None, None]
_NEEDS_QUOTES = frozenset(',"\r\n')


def _text(value: str) -> str:
    """A text as a CSV cell: kept from spreadsheets that would run it, quoted where it must be (RFC 4180)."""
    cell = guard(value)
    return f'"{cell.replace(chr(34), chr(34) * 2)}"' if not _NEEDS_QUOTES.isdisjoint(cell) else cell


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return _text(value) if isinstance(value, str) else number_text(value)


def csv_lines(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """The lines of a CSV file, each with its end: heads, then rows of texts, numbers and None (blank)."""
    yield ",".join(heads) + "\n"
    for row in rows:
        yield ",".join([_cell(value) for value in row]) + "\n"


def _in_order(kind: Kind) -> str:
    return 'at_s, "' + kind.key[0] + '", entry' if kind.time else f'"{kind.key[0]}", entry'


def _wide(kind: Kind, values: Sequence[Any]) -> list[Any]:
    return [values[kind.index[name]] if name in kind.index else None for name in WIDE_HEADS]


def _struck(journal: Journal) -> Rows:
    with journal.reading() as connection:
        found = []
        for name in FILED:
            kind = KINDS[name]
            query = (
                f"SELECT s.at_s, s.why, s.struck_at, t.entry, t.generation, {_of('t', kind.names)} "
                f"FROM strikes s JOIN {kind.table} t ON t.entry = s.struck"
            )
            found += [
                (at_s, entry, why, kind, generation, struck_at, values)
                for at_s, why, struck_at, entry, generation, *values in connection.execute(query)
            ]
        for _, entry, why, kind, generation, struck_at, values in sorted(found, key=lambda row: row[:3]):
            yield [entry, kind.name, generation, why, struck_at, *_wide(kind, values)]


def _of(table: str, names: Iterable[str]) -> str:
    return ", ".join(f'{table}."{name}"' for name in names)


def _conflicts(journal: Journal) -> Rows:
    with journal.reading() as connection:
        for name in FILED:
            kind = KINDS[name]
            query = (
                f"SELECT entry, generation, {quoted(kind.names)} FROM {kind.table} "
                "WHERE entry IN (SELECT entry FROM eclipsed) ORDER BY entry"
            )
            for entry, generation, *values in connection.execute(query):
                yield [entry, kind.name, generation, *_wide(kind, values)]


def _marks(journal: Journal) -> Rows:
    """Doubts that were accepted, and entries logged again after a strike (their doubt is blank)."""
    with journal.reading() as connection:
        rows: list[tuple[str, str]] = connection.execute("SELECT marked, doubt FROM marks").fetchall()
        marked = {entry for entry, _ in rows}
        for name in FILED:
            query = f"SELECT entry FROM {KINDS[name].table} WHERE generation > 0 AND {LIVE}"
            rows += [(entry, "") for (entry,) in connection.execute(query) if entry not in marked]
        for entry, doubt in sorted(rows):
            kind = kind_of_entry(entry)
            if kind is None:
                continue
            about = [kind.key[0], *([kind.time] if kind.time else [])]
            query = f"SELECT generation, {quoted(about)} FROM {kind.table} WHERE entry = ?"
            generation, *words = connection.execute(query, (entry,)).fetchone()
            yield [entry, kind.name, " ".join(words), generation, doubt or None]


def export_folder(journal: Journal, folder: Path, progress: Progress | None = None, *, force: bool = False) -> Counts:
    """Write the whole log into a folder, made if need be: every file, or nothing where one cannot be written.

    Counts rows of files that differ from what lay there as new, of files that were the same as known. A file that
    no export wrote, or that was edited since and not imported, is left alone (InputError) unless `force`.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise not_a_folder(folder, "name a folder to export into")
    files: dict[str, tuple[Sequence[str], Callable[[], Rows]]] = {
        KINDS[name].file: (KINDS[name].names, functools.partial(_rows, journal, KINDS[name])) for name in FILED
    }
    files["struck.csv"] = ((*EXTRA["struck.csv"], *WIDE_HEADS.values()), lambda: _struck(journal))
    files["conflicts.csv"] = ((*EXTRA["conflicts.csv"], *WIDE_HEADS.values()), lambda: _conflicts(journal))
    files["marks.csv"] = (EXTRA["marks.csv"], lambda: _marks(journal))
    with filled_whole(folder) as draft, journal.still():
        counts = {file: _write(draft / file, heads, rows(), progress) for file, (heads, rows) in files.items()}
        # The zone that the log was given when it was made is nobody's entry, and is not counted.
        counts[KINDS["setting"].file] -= sum(MADE_AT in row for row in _rows(journal, KINDS["setting"]))
        # An entry that was logged again is counted in the file of its kind.
        counts["marks.csv"] -= sum(row[-1] is None for row in _marks(journal))
        tally = {}
        for file, count in counts.items():
            same = (folder / file).exists() and filecmp.cmp(draft / file, folder / file, shallow=False)
            tally[file] = (0, count) if same else (count, 0)
        # Last of all, for somebody may edit a file while this goes on.
        if not force:
            refuse_to_lose(folder, draft, files, journal)
        note_written(folder, draft, files)
    return Counts.of(tally)


def _rows(journal: Journal, kind: Kind) -> Rows:
    with journal.reading() as connection:
        yield from connection.execute(
            f"SELECT {quoted(kind.names)} FROM {kind.table} WHERE {LIVE} ORDER BY {_in_order(kind)}"
        )


def _write(path: Path, heads: Sequence[str], rows: Rows, progress: Progress | None) -> int:
    count = -1
    with contextlib.closing(rows), path.open("w", encoding="utf-8", newline="") as file:
        for line in csv_lines(heads, rows):
            file.write(line)
            count += 1
            if progress is not None and count % 20000 == 19999:
                progress(f"export {path.name}", count, count + 20000)
        file.flush()
        os.fsync(file.fileno())
    return count
