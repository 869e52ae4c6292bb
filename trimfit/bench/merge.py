"""Two logs made one: every entry of the other that this one lacks. Merging again adds nothing, and order is free."""

from __future__ import annotations

import contextlib
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from trimfit.bench import schema
from trimfit.bench.counts import Counts
from trimfit.bench.history import quoted
from trimfit.bench.identity import entry_id
from trimfit.bench.journal import Journal, Progress
from trimfit.bench.kinds import KINDS, Kind
from trimfit.bench.rename import carry, foresee
from trimfit.bench.rows import insert_sql, stored
from trimfit.bench.store import held_here
from trimfit.errors import LogError, TrimfitError

__all__ = ["merge_logs"]

CHUNK = 5000


def merge_logs(
    journal: Journal, other: Path, progress: Progress | None = None, *, renames: Mapping[str, str]
) -> Counts:
    """Take every entry of the log at `other` into `journal`, in one transaction; the other is left as it is.

    renames: name of a reed of the other log -> the name it is to have; see `bench.rename` for what else is renamed.

    Entries of one key but different content are conflicts: one of them counts (the same on every bench), the rest
    stand aside, counted as refused, until one is struck. Raises LogError if the other is no log, is newer, or holds
    an entry that is not what its id says.
    """
    other = Path(other)
    with _opened(other) as theirs, journal.writing() as connection, theirs.reading() as source:
        seq = journal.last_seq()
        tally: dict[str, tuple[int, int]] = {}
        whole = sum(_count(source, kind) for kind in KINDS.values())
        done = 0
        plan = foresee(connection, source, renames)
        for kind in KINDS.values():
            new, seen = 0, 0
            for rows in _chunks(source, kind):
                fresh = _fresh(journal, kind, rows, other)
                lines = [
                    stored(kind, values, seq + i, entry, again) for i, (entry, again, values) in enumerate(fresh, 1)
                ]
                connection.executemany(insert_sql(kind), lines)
                seq += len(lines)
                new, seen, done = new + len(lines), seen + len(rows), done + len(rows)
                if progress is not None:
                    progress("merge", done, whole)
            tally[kind.name] = (new, seen - new)
        renamed = carry(journal, plan)
        conflicts = journal.settle_conflicts()
        journal.forget_scale()
    return Counts(
        sum(new for new, _ in tally.values()),
        sum(known for _, known in tally.values()),
        sum(len(conflict.aside) for conflict in conflicts),
        by_kind=tally,
        conflicts=tuple(conflicts),
        renamed=renamed,
    )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Journal]:
    """The other log, open; one of an earlier schema is brought up to date as a copy, and stays as it is itself."""
    if not path.exists():
        raise LogError("there is no log here", str(path), "check the path of the other log")
    if path.is_dir():
        raise LogError("is a folder, not a log", str(path), "import takes folders, merge takes logs")
    version = schema.newest() if held_here(path) else schema.header_version(path)
    if version is None or version == schema.newest():
        with Journal(path) as journal:
            yield journal
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        with contextlib.closing(sqlite3.connect(path)) as old, contextlib.closing(sqlite3.connect(copy)) as new:
            old.backup(new)
        with Journal(copy) as journal:
            yield journal


def _count(source: sqlite3.Connection, kind: Kind) -> int:
    return int(source.execute(f"SELECT count(*) FROM {kind.table}").fetchone()[0])


def _chunks(source: sqlite3.Connection, kind: Kind) -> Iterator[list[tuple[Any, ...]]]:
    cursor = source.execute(f"SELECT entry, generation, {quoted(kind.names)} FROM {kind.table} ORDER BY seq")
    while rows := cursor.fetchmany(CHUNK):
        yield rows


def _fresh(
    journal: Journal, kind: Kind, rows: list[tuple[Any, ...]], path: Path
) -> list[tuple[str, int, tuple[Any, ...]]]:
    """The rows that this log lacks, once it is sure that each is what its id says."""
    known = journal.which_are_known(kind, [row[0] for row in rows])
    fresh = []
    for entry, generation, *values in rows:
        if entry in known:
            continue
        if entry_id(kind, values, generation) != entry:
            raise TrimfitError(
                f"entry {entry} is not what its id says: the log is damaged", str(path), "nothing was merged; see check"
            )
        fresh.append((entry, generation, tuple(values)))
    return fresh
