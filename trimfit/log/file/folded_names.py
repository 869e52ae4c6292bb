"""The step that takes a log whose names may hold line breaks, tabs or several blanks on end to one whose names do not.

Nothing is rewritten: an entry that holds such a name is struck and entered again with each run of white space as one
blank, which is how names are kept since. The strikes are as of `MADE_AT`, so two copies of a log come out the same.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

from trimfit.log.column_values import folded
from trimfit.log.entry_kinds import FILED, KINDS, NAMED, Kind
from trimfit.log.entry_rows import entry_id, instant_of
from trimfit.log.instants import MADE_AT, zone_of
from trimfit.log.queries import RENAMED, REVISED, UNSTRUCK, quoted


def fold_names(connection: sqlite3.Connection) -> None:
    """Strike what holds a name that is not folded, and enter it again with the name folded, inside a transaction."""
    every = " UNION ALL ".join(f"SELECT max(seq) AS seq FROM {kind.table}" for kind in KINDS.values())
    log = _Log(connection, connection.execute(f"SELECT coalesce(max(seq), 0) FROM ({every})").fetchone()[0])
    for kind, entry, values in [found for name in FILED for found in _unfolded(connection, KINDS[name])]:
        again = folded(kind, values)
        changed = [name for name, new, old in zip(kind.names, again, values, strict=True) if new != old]
        word = REVISED if kind.name in NAMED else "amended"
        renamed = f"{RENAMED}{again[kind.index['reed']]}" if "reed" in changed else ""
        log.add(KINDS["strike"], (entry, renamed or f"{word}: white space in {', '.join(changed)}", MADE_AT))
        fresh = log.add(kind, again)
        for (doubt,) in connection.execute("SELECT doubt FROM marks WHERE marked = ?", (entry,)).fetchall():
            log.add(KINDS["mark"], (fresh, doubt))
        connection.execute("DELETE FROM learned")


def _columns(connection: sqlite3.Connection, kind: Kind) -> list[str]:
    """The columns of a kind that its table has at this step: later steps may add some."""
    there = {row[1] for row in connection.execute(f"PRAGMA table_info({kind.table})")}
    return [name for name in kind.names if name in there]


def _unfolded(connection: sqlite3.Connection, kind: Kind) -> Iterator[tuple[Kind, str, tuple[Any, ...]]]:
    names = _columns(connection, kind)
    for entry, *row in connection.execute(
        f"SELECT entry, {quoted(names)} FROM {kind.table} WHERE {UNSTRUCK} ORDER BY seq"
    ):
        said = dict(zip(names, row, strict=True))
        values = tuple(said.get(name) for name in kind.names)
        if folded(kind, values) != values:
            yield kind, entry, values


@dataclass(slots=True)
class _Log:
    """A log at this step; seq: the number of its last entry."""

    connection: sqlite3.Connection
    seq: int

    def add(self, kind: Kind, values: Sequence[Any]) -> str:
        """Add a row, unless it is there and not struck; its entry."""
        for generation in count():
            entry = entry_id(kind, values, generation)
            there = f"SELECT {UNSTRUCK} FROM {kind.table} WHERE entry = ?"
            found = self.connection.execute(there, (entry,)).fetchone()
            if found is None:
                self.seq += 1
                self._insert(kind, (self.seq, entry, generation, *values))
            if found is None or found[0]:
                break
        return entry

    def _insert(self, kind: Kind, row: Sequence[Any]) -> None:
        said = dict(zip(("seq", "entry", "generation", *kind.names), row, strict=True))
        names = ["seq", "entry", "generation", *_columns(self.connection, kind)]
        if kind.time is not None:
            names.append("at_s")
            said["at_s"] = instant_of(kind, row[3:], zone_of(self.connection))
        places = ", ".join("?" * len(names))
        self.connection.execute(
            f"INSERT INTO {kind.table} ({quoted(names)}) VALUES ({places})", [said[name] for name in names]
        )
