"""Whether a log is whole: the file itself, every entry against its id, and what entries say of one another."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from trimfit.base.errors import InputError, short
from trimfit.base.progress import Progress
from trimfit.log import settings
from trimfit.log.column_values import LONGEST_TEXT, canonical
from trimfit.log.entry_kinds import KINDS, Kind, references
from trimfit.log.entry_rows import entry_id, instant_of
from trimfit.log.file import schema
from trimfit.log.instants import unreadable, zone_of
from trimfit.log.journal import Journal
from trimfit.log.merging.conflicts import open_conflicts
from trimfit.log.queries import UNSTRUCK, count_of, quoted


def damage(journal: Journal, progress: Progress | None = None) -> list[str]:
    """Everything that is wrong with a log as a file and as a set of entries, in words; empty when it is sound."""
    found: list[str] = []
    with journal.still() as connection:
        try:
            said = [line for (text,) in connection.execute("PRAGMA integrity_check") for line in text.splitlines()]
            found = [f"the file: {line}" for line in said if line != "ok" and not line.startswith("***")]
            found += _steps(connection)
            if strange := strange_tables(connection):
                # What stands in the place of a table may have no end: it is not read.
                return [*found, *(f"the file: its {name} are no table that trimfit made" for name in strange)]
            done, whole = 0, sum(count_of(connection, kind) for kind in KINDS.values())
            for kind in KINDS.values():
                found += _not_themselves(connection, kind)
                done += count_of(connection, kind)
                if progress is not None:
                    progress("check", done, whole)
            found += _loose(connection)
            found += _twice_numbered(connection)
            found += _aside(connection)
        except sqlite3.DatabaseError as error:
            return [*found, f"the file: {error}"]
    return found


def learned_damage(journal: Journal) -> list[str]:
    """Derived values that are not what was kept, in words; no entry is harmed by it, and `learn` makes them anew."""
    return [f"what was learned ({short(key)}) was changed after it was kept" for key in journal.learned_spoiled()]


def strange_tables(connection: sqlite3.Connection) -> list[str]:
    """The tables of entries that are not as the migrations make them, by name; a view in such a place is one."""
    query = "SELECT name, type, sql FROM sqlite_schema WHERE name IN (SELECT value FROM json_each(?))"
    names = json.dumps([kind.table for kind in KINDS.values()])
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        schema.bring_up_to_date(fresh, Path(":memory:"), create=True)
        want, have = (set(one.execute(query, (names,))) for one in (fresh, connection))
    return sorted({name for name, *_ in want ^ have})


def is_itself(kind: Kind, entry: str, generation: int, values: Sequence[Any]) -> bool:
    """Whether a row's id is the one drawn from its content."""
    try:
        return entry_id(kind, values, generation) == entry
    except (ValueError, TypeError):
        return False


def value_fault(kind: Kind, values: Sequence[Any]) -> str | None:
    """What is wrong with the values of a row, in words; None if each is one that can be typed or imported."""
    try:
        # Longer texts need not be looked through.
        kept = canonical(kind, values) if all(_is_short(value) for value in values) else None
    except (InputError, ValueError, TypeError, OverflowError) as error:
        return "; ".join(error.lines()) if isinstance(error, InputError) else short(error)
    if kept != tuple(values):
        return f"{kind.name}: not as trimfit writes it"
    if kind.name == "setting" and (wrong := settings.fault_of(str(values[0]), values[2])) is not None:
        return f"{short(values[0])}: {wrong.what}; {wrong.remedy}"
    return None


def value_faults(journal: Journal) -> Iterator[tuple[str, str, str]]:
    """Entry, its reed and what is wrong with its values, of the entries that are not struck."""
    with journal.reading() as connection:
        for kind in KINDS.values():
            reed = kind.index.get("reed")
            for entry, *values in connection.execute(
                f"SELECT entry, {quoted(kind.names)} FROM {kind.table} WHERE {UNSTRUCK}"
            ):
                if (wrong := value_fault(kind, values)) is not None:
                    yield entry, "" if reed is None else str(values[reed]), wrong


def _is_short(value: object) -> bool:
    return not isinstance(value, (str, bytes)) or len(value) <= LONGEST_TEXT


def _at_its_instant(kind: Kind, values: Sequence[Any], at_s: float | None, zone: str) -> bool:
    try:
        return unreadable(zone, kind, values) or instant_of(kind, values, zone) == at_s
    except InputError:
        return False


def _steps(connection: sqlite3.Connection) -> Iterator[str]:
    done = [version for (version,) in connection.execute("SELECT version FROM steps ORDER BY version")]
    want = [migration.version for migration in schema.MIGRATIONS]
    if done != want:
        yield f"the record of migrations says {done}, the schema is {want[-1]}"


def _not_themselves(connection: sqlite3.Connection, kind: Kind) -> Iterator[str]:
    """Entries whose content is not what their id was drawn from, or whose instant is not their time's."""
    instant = "at_s" if kind.time else "NULL"
    zone = zone_of(connection)
    for entry, generation, at_s, *values in connection.execute(
        f"SELECT entry, generation, {instant}, {quoted(kind.names)} FROM {kind.table}"
    ):
        if not is_itself(kind, entry, generation, values):
            yield f"{entry}: its content was changed after it was logged"
        elif not _at_its_instant(kind, values, at_s, zone):
            yield f"{entry}: its instant is not that of its time"


def _loose(connection: sqlite3.Connection) -> Iterator[str]:
    """Entries that name what no entry ever was."""
    for kind, column, to in references():
        query = (
            f'SELECT t.entry, t."{column.name}" FROM {kind.table} t WHERE t."{column.name}" IS NOT NULL '
            f'AND t."{column.name}" NOT IN (SELECT "{to.key[0]}" FROM {to.table})'
        )
        for entry, name in connection.execute(query):
            yield f"{entry}: names {to.name} {short(name)!r}, which no entry holds"
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
            for entry in sorted(group & have if group <= have else group - have - {conflict.kept}):
                yield f"{entry}: {'stands aside for another and should not' if group <= have else 'should stand aside'}"
    for entry in sorted(extra):
        yield f"{entry}: stands aside for another and should not"
