"""What a log does not take: names it does not know, a second row of one key, trims past the blade."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from trimfit.base.errors import InputError, command, short
from trimfit.log import queries, whole_days
from trimfit.log.entry_kinds import KINDS, Kind, Row
from trimfit.log.entry_rows import differences, instant_of, key_words
from trimfit.log.instants import zone_of
from trimfit.log.queries import LIVE, knows, quoted


def refuse(connection: sqlite3.Connection, kind: Kind, values: Sequence[Any]) -> None:
    """Raise InputError for a row of good values that the log cannot take as it stands."""
    for column, value in zip(kind.columns, values, strict=True):
        if column.refers is not None and value is not None and not knows(connection, column.refers, str(value)):
            raise queries.unknown(connection, KINDS[column.refers], str(value))
    _refuse_clash(connection, kind, values)
    whole_days.refuse(connection, kind, values)
    if kind.name == "trim":
        _refuse_past_blade(connection, str(values[0]), values[kind.index["length_mm"]])
    if kind.name == "reed":
        refuse_short_blade(connection, str(values[0]), values[kind.index["blade_mm"]])


def clash(
    connection: sqlite3.Connection, kind: Kind, values: Sequence[Any], at_s: float | None = None
) -> tuple[str, Row] | None:
    """The entry that has a row's key and counts, with its values, if any. at_s: the row's instant, if known."""
    if at_s is None:
        at_s = instant_of(kind, values, zone_of(connection))
    key = [at_s if name == "at_s" else values[kind.index[name]] for name in kind.key]
    where = " AND ".join(f'"{name}" = ?' for name in kind.key)
    query = f"SELECT entry, {quoted(kind.names)} FROM {kind.table} WHERE {where} AND {LIVE}"
    row = connection.execute(query, key).fetchone()
    return None if row is None else (row[0], tuple(row[1:]))


def _length_taken_mm(connection: sqlite3.Connection, reed: str) -> float:
    query = f"SELECT coalesce(sum(length_mm), 0.0) FROM trims WHERE reed = ? AND {LIVE}"
    return float(connection.execute(query, (reed,)).fetchone()[0])


def _refuse_clash(connection: sqlite3.Connection, kind: Kind, values: Sequence[Any]) -> None:
    found = clash(connection, kind, values)
    if found is None or kind.name == "mark":
        return
    entry, theirs = found
    raise InputError(
        f"the log has {short(key_words(kind, values))!r} with {differences(kind, values, theirs)}",
        kind.name,
        f"if that one is wrong, first: {command('log', 'strike', entry)} --why …",
    )


def _refuse_past_blade(connection: sqlite3.Connection, reed: str, length_mm: float | None) -> None:
    blade = connection.execute(f"SELECT blade_mm FROM reeds WHERE reed = ? AND {LIVE}", (reed,)).fetchone()
    if not length_mm or not blade or blade[0] is None:
        return
    taken = _length_taken_mm(connection, reed)
    if taken + length_mm >= blade[0]:
        raise InputError(
            f"{length_mm:g} mm after {taken:g} mm is past the blade of {blade[0]:g} mm",
            f"reed {short(reed)}",
            f"give less than {blade[0] - taken:.4g} mm; did you mean {length_mm / 10:g}?",
        )


def refuse_short_blade(connection: sqlite3.Connection, reed: str, blade_mm: float | None) -> None:
    """Raise InputError for a blade of which as much or more was taken off already."""
    if blade_mm is None:
        return
    taken = _length_taken_mm(connection, reed)
    if taken >= blade_mm:
        what = f"{taken:g} mm came off already, past a blade of {blade_mm:g} mm"
        raise InputError(what, f"reed {short(reed)}", "give the blade's free length when new")
