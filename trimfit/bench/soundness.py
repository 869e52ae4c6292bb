"""Whether a log is whole: the file itself, every entry against its id, and what entries say of one another."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from trimfit.bench import schema
from trimfit.bench.conflicts import open_conflicts
from trimfit.bench.history import quoted
from trimfit.bench.identity import entry_id
from trimfit.bench.journal import Journal, Progress
from trimfit.bench.kinds import KINDS, Kind, references
from trimfit.bench.rows import instant_of
from trimfit.errors import InputError

__all__ = ["damage"]


def damage(journal: Journal, progress: Progress | None = None) -> list[str]:
    """Everything that is wrong with a log as a file and as a set of entries, in words; empty when it is sound."""
    with journal.reading() as connection:
        try:
            found = [f"the file: {text}" for (text,) in connection.execute("PRAGMA integrity_check") if text != "ok"]
            found += _steps(connection)
            done, whole = 0, sum(_count(connection, kind) for kind in KINDS.values())
            for kind in KINDS.values():
                found += _not_themselves(connection, kind)
                done += _count(connection, kind)
                if progress is not None:
                    progress("check", done, whole)
            found += _loose(connection)
            found += _twice_numbered(connection)
            found += _aside(connection)
        except sqlite3.DatabaseError as error:
            return [f"the file: {error}"]
    return found


def _count(connection: sqlite3.Connection, kind: Kind) -> int:
    return int(connection.execute(f"SELECT count(*) FROM {kind.table}").fetchone()[0])


def _steps(connection: sqlite3.Connection) -> Iterator[str]:
    done = [version for (version,) in connection.execute("SELECT version FROM steps ORDER BY version")]
    want = [migration.version for migration in schema.MIGRATIONS]
    if done != want:
        yield f"the record of migrations says {done}, the schema is {want[-1]}"


def _not_themselves(connection: sqlite3.Connection, kind: Kind) -> Iterator[str]:
    """Entries whose content is not what their id was drawn from, or whose instant is not their time's."""
    instant = "at_s" if kind.time else "NULL"
    for entry, generation, at_s, *values in connection.execute(
        f"SELECT entry, generation, {instant}, {quoted(kind.names)} FROM {kind.table}"
    ):
        try:
            if entry_id(kind, values, generation) != entry:
                yield f"{entry}: its content was changed after it was logged"
            elif instant_of(kind, values) != at_s:
                yield f"{entry}: its instant is not that of its time"
        except (InputError, ValueError, TypeError):
            yield f"{entry}: holds a value that no entry can hold"


def _loose(connection: sqlite3.Connection) -> Iterator[str]:
    """Entries that name what no entry ever was."""
    for kind, column, to in references():
        query = (
            f'SELECT t.entry, t."{column.name}" FROM {kind.table} t WHERE t."{column.name}" IS NOT NULL '
            f'AND t."{column.name}" NOT IN (SELECT "{to.key[0]}" FROM {to.table})'
        )
        for entry, name in connection.execute(query):
            yield f"{entry}: names {to.name} {name[:60]!r}, which no entry holds"
    for name, key in (("strike", "struck"), ("mark", "marked")):
        kind = KINDS[name]
        held = " UNION ALL ".join(
            f"SELECT 1 FROM {other.table} o WHERE o.entry = t.{key}" for other in KINDS.values() if other.name != name
        )
        for entry, about in connection.execute(
            f"SELECT t.entry, t.{key} FROM {kind.table} t WHERE NOT EXISTS ({held})"
        ):
            yield f"{entry}: is about {about}, which the log does not hold"


def _twice_numbered(connection: sqlite3.Connection) -> Iterator[str]:
    every = " UNION ALL ".join(f"SELECT seq FROM {kind.table}" for kind in KINDS.values())
    query = f"SELECT seq, count(*) FROM ({every}) GROUP BY seq HAVING count(*) > 1"
    for seq, count in connection.execute(query):
        yield f"number {seq} was given to {count} entries"


def _aside(connection: sqlite3.Connection) -> Iterator[str]:
    """Whether all but one of each conflict stand aside, and nothing else does. Which one counts is settled anew at
    every merge."""
    have = {entry for (entry,) in connection.execute("SELECT entry FROM eclipsed")}
    extra = set(have)
    for conflict in open_conflicts(connection):
        group = {conflict.kept, *conflict.aside}
        extra -= group
        if len(group & have) != len(group) - 1:
            wrong = group & have if group <= have else group - have - {conflict.kept}
            for entry in sorted(wrong):
                yield (
                    f"{entry}: stands aside for another and should not"
                    if group <= have
                    else (f"{entry}: should stand aside")
                )
    for entry in sorted(extra):
        yield f"{entry}: stands aside for another and should not"
