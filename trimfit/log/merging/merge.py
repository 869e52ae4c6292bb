"""Two logs made one: every entry of the other that this one lacks. Merging again adds nothing, and order is free."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping, Sequence, Set
from pathlib import Path
from typing import Any

from trimfit.base.errors import LogError, TrimfitError, short
from trimfit.base.progress import Progress
from trimfit.log import settings
from trimfit.log.entry_counts import Counts
from trimfit.log.entry_kinds import KINDS, OF_A_REED, Kind
from trimfit.log.entry_rows import insert_sql, stored
from trimfit.log.file.integrity import is_itself, strange_tables, value_fault
from trimfit.log.file.side_files import to_read
from trimfit.log.file.store import look_before, named_as, opening, translated
from trimfit.log.file.unfinished_files import backed_up
from trimfit.log.instants import MADE_AT, zone_of
from trimfit.log.journal import Journal
from trimfit.log.merging.followed_strikes import follow_strikes
from trimfit.log.merging.rename import carry, joined, planned_renames
from trimfit.log.queries import count_of, is_struck, quoted

CHUNK = 5000
_TAKES = "merge takes another bench's log; import takes a CSV folder, draft a loose sheet"


def merge_logs(
    journal: Journal, other: Path, progress: Progress | None = None, *, renames: Mapping[str, str] | None = None
) -> Counts:
    """Take every entry of the log at `other` into `journal`, in one transaction; the other is left as it is.

    renames: name of a reed of the other log -> the name it is to have; `log.merging.rename` says what else is renamed.
    Counted as refused: entries that stand aside for another of their key (`log.merging.conflicts`), and, where this
    log holds anything, the other's settings that differ from its own. Raises LogError if the other is no log, is newer,
    or holds what no log holds: tables of another make, an entry that is not what its id says, a value that cannot be.
    """
    other = Path(other)
    # What goes wrong in a transaction is said of its log: this log's is the inner one, for it is the one written.
    with _opened(other) as theirs, theirs.reading() as source, journal.writing() as connection:
        before = seq = journal.last_seq()
        met: set[str] = set()
        zone = zone_of(connection)
        tally: dict[str, tuple[int, int]] = {}
        with translated(theirs.path):
            _refuse_strange(source, other)
            whole = sum(count_of(source, kind) for kind in KINDS.values())
            plan = planned_renames(connection, source, renames or {})
            apart = settings.apart(journal.settings(), theirs.settings()) if seq else ()
            kept_out = _entries_of_settings(source, [one.setting for one in apart])
        done = refused = 0
        for kind in KINDS.values():
            new, seen = 0, 0
            for rows in _chunks(theirs.path, source, kind):
                rows, out = _parted(kind, rows, kept_out)
                refused += out
                fresh = _fresh(journal, kind, rows, other, source)
                lines = [
                    stored(kind, values, seq + i, entry, again, zone)
                    for i, (entry, again, values) in enumerate(fresh, 1)
                ]
                connection.executemany(insert_sql(kind), lines)
                if kind.name in OF_A_REED:
                    met.update(str(values[kind.index["reed"]]) for _, _, values in fresh)
                seq += len(lines)
                # The zone that a log was given when it was made is nobody's entry, and is not counted.
                new += sum(MADE_AT not in values for _, _, values in fresh)
                seen, done = seen + sum(MADE_AT not in row for row in rows), done + len(rows)
                if progress is not None:
                    progress("merge", done, whole)
            tally[kind.name] = (new, seen - new)
        renamed = carry(journal, plan)
        gone = {one.reed for one in renamed}
        with translated(theirs.path):
            alike = joined(connection, source, sorted(met - gone), before) if before else ()
        follow_strikes(journal)
        conflicts = journal.settle_conflicts()
        journal.forget_settings()
        journal.follow_zone(zone)
        journal.set_zone()
    return Counts.of(
        tally,
        refused=sum(len(conflict.aside) for conflict in conflicts) + refused,
        conflicts=tuple(conflicts),
        renamed=renamed,
        joined=alike,
        settings=apart,
    )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Journal]:
    """The other log as it is at this moment: a copy of it, brought up to date, for its own bytes stay as they are."""
    if not path.exists():
        raise LogError("there is no log here", str(path), "check the path of the other log")
    if path.is_dir():
        raise LogError("is a folder, not a log", str(path), _TAKES)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        try:
            with opening(path):
                held = look_before(path)
                with to_read(path, held=held) as source:
                    backed_up(source, copy)
        except LogError as error:
            # the remedy would be for this bench's own log
            raise LogError(error.what, error.where, _TAKES if "--log" in error.remedy else error.remedy) from error
        with named_as(copy, path), Journal(copy, told=False) as journal:
            yield journal


def _chunks(path: Path, source: sqlite3.Connection, kind: Kind) -> Iterator[list[tuple[Any, ...]]]:
    with translated(path):
        cursor = source.execute(f"SELECT entry, generation, {quoted(kind.names)} FROM {kind.table} ORDER BY seq")
        rows = cursor.fetchmany(CHUNK)
    while rows:
        yield rows
        with translated(path):
            rows = cursor.fetchmany(CHUNK)


def _refuse_strange(source: sqlite3.Connection, path: Path) -> None:
    """Refuse a log whose tables are not those that trimfit makes: a view in the place of one may have no end."""
    if wrong := strange_tables(source):
        raise LogError(f"its {wrong[0]} are no table that trimfit made", str(path), "nothing was merged; ask its bench")


def _entries_of_settings(source: sqlite3.Connection, names: Sequence[str]) -> set[str]:
    """The other log's entries of these settings, struck ones too."""
    query = "SELECT entry FROM settings WHERE setting IN (SELECT value FROM json_each(?))"
    return {entry for (entry,) in source.execute(query, (json.dumps(names),))} if names else set()


def _parted(kind: Kind, rows: list[tuple[Any, ...]], kept_out: Set[str]) -> tuple[list[tuple[Any, ...]], int]:
    """The rows to take, and how many are kept out: entries of settings that differ, and what names such an entry."""
    about = {"setting": 0, "strike": 2, "mark": 2}.get(kind.name)
    if about is None or not kept_out:
        return rows, 0
    taken = [row for row in rows if row[about] not in kept_out]
    return taken, len(rows) - len(taken)


def _fresh(
    journal: Journal, kind: Kind, rows: list[tuple[Any, ...]], path: Path, source: sqlite3.Connection
) -> list[tuple[str, int, tuple[Any, ...]]]:
    """The rows that this log lacks, once it is sure that each is what its id says and holds nothing that cannot be."""
    known = journal.which_are_known(kind, [row[0] for row in rows])
    fresh = []
    for entry, generation, *values in rows:
        if entry in known:
            continue
        wrong = value_fault(kind, values)
        # A value that was struck does no harm: its bench has put it right.
        if wrong is not None and not is_struck(source, entry):
            remedy = f"nothing was merged; at that bench: trimfit check, trimfit log strike {entry}"
            raise LogError(f"entry {short(str(entry))} holds what no entry can: {wrong}", str(path), remedy)
        if not is_itself(kind, entry, generation, values):
            raise TrimfitError(
                f"entry {entry} is not what its id says: the log is damaged", str(path), "nothing was merged; see check"
            )
        fresh.append((entry, generation, tuple(values)))
    return fresh
