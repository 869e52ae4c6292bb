"""Entries of one key and different content, as merges bring them: which of them counts, and which stand aside.

Of several that are not struck, the one that says most counts: of reeds one that has an order before one that has none,
then the one with the fewest blanks, and of equals the one with the smallest id. That is the same on every bench,
whichever way logs were merged; when an entry was made is not, for that is not part of the entry. The others stand in
the table `eclipsed`, which can always be worked out anew from the entries.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from trimfit.base.errors import short
from trimfit.log.entry_counts import Conflict
from trimfit.log.entry_kinds import FILED, KINDS, Kind
from trimfit.log.entry_rows import key_words
from trimfit.log.queries import UNSTRUCK, quoted


def open_conflicts(connection: sqlite3.Connection) -> list[Conflict]:
    """The conflicts among a log's entries, worked out from the entries themselves."""
    found = []
    for name in FILED:
        kind = KINDS[name]
        keys = quoted(kind.key)
        query = f"SELECT {keys} FROM {kind.table} WHERE {UNSTRUCK} GROUP BY {keys} HAVING count(*) > 1"
        found += [_conflict(connection, kind, key) for key in connection.execute(query).fetchall()]
    return found


def settle(connection: sqlite3.Connection) -> list[Conflict]:
    """Note anew which entries stand aside; the conflicts that are open. Inside a transaction."""
    found = open_conflicts(connection)
    connection.execute("DELETE FROM eclipsed")
    connection.executemany(
        "INSERT INTO eclipsed VALUES (?)", [(entry,) for conflict in found for entry in conflict.aside]
    )
    return found


def settle_like(connection: sqlite3.Connection, kind: Kind, entry: str) -> None:
    """Note anew which entries stand aside among those that share an entry's key: what a strike of it changes."""
    row = connection.execute(f"SELECT {quoted(kind.key)} FROM {kind.table} WHERE entry = ?", (entry,)).fetchone()
    left = _of_key(connection, kind, row)
    entries = [(entry,), *((one[0],) for one in left)]
    connection.executemany("DELETE FROM eclipsed WHERE entry = ?", entries)
    connection.executemany("INSERT INTO eclipsed VALUES (?)", entries[2:])


def next_to_count(connection: sqlite3.Connection, kind: Kind, entry: str) -> str | None:
    """What stands aside and counts once `entry` is struck; None where none does, or `entry` stands aside itself."""
    if kind.name not in FILED:
        return None
    row = connection.execute(f"SELECT {quoted(kind.key)} FROM {kind.table} WHERE entry = ?", (entry,)).fetchone()
    unstruck = [str(one[0]) for one in _of_key(connection, kind, row)]
    return unstruck[1] if unstruck[:1] == [entry] and len(unstruck) > 1 else None


def _of_key(connection: sqlite3.Connection, kind: Kind, key: Sequence[Any]) -> list[tuple[Any, ...]]:
    where = " AND ".join(f'"{name}" = ?' for name in kind.key)
    query = f"SELECT entry, {quoted(kind.names)} FROM {kind.table} WHERE {where} AND {UNSTRUCK} ORDER BY entry"
    return sorted(connection.execute(query, key).fetchall(), key=lambda row: _rank(kind, row))


def _rank(kind: Kind, row: Sequence[Any]) -> tuple[bool, int, str]:
    """What is least counts: a place in an order, then few blanks, then the id."""
    ordered = kind.name == "reed" and row[1 + kind.index["order"]] is not None
    return not ordered, sum(value is None for value in row), str(row[0])


def _conflict(connection: sqlite3.Connection, kind: Kind, key: Sequence[Any]) -> Conflict:
    rows = _of_key(connection, kind, key)
    differs = tuple(name for i, name in enumerate(kind.names, 1) if len({row[i] for row in rows}) > 1)
    said = {
        str(row[0]): ", ".join(
            f"{name.removeprefix('reed_')} {'blank' if row[i] is None else short(row[i])}"
            for i, name in enumerate(kind.names, 1)
            if name in differs
        )
        for row in rows
    }
    aside = tuple(row[0] for row in rows[1:])
    why = {row[0]: _why(_rank(kind, rows[0]), _rank(kind, row)) for row in rows[1:]}
    return Conflict(kind.name, key_words(kind, rows[0][1:]), rows[0][0], aside, differs, said, why)


def _why(kept: tuple[bool, int, str], aside: tuple[bool, int, str]) -> str:
    """The rule by which an entry counts before another, of their ranks."""
    if kept[0] != aside[0]:
        return "for it has an order"
    return "for it has fewer blanks" if kept[1] != aside[1] else "for both say as much and its id comes first"
