"""Dates without a time: a day says nothing of what came first on it, and that is never guessed.

Where a reed has a reading and work on one day, and one of the two has no time, their order is not known. Such an entry
is refused, with both ways to settle it; a merge, which refuses nothing, leaves it to `check`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from sqlite3 import Connection
from typing import Any

from trimfit.base.dates import DAY_S, at_s, day_of, is_date
from trimfit.base.errors import InputError, short
from trimfit.log.entry_kinds import KINDS, Kind
from trimfit.log.instants import zone_of
from trimfit.log.queries import LIVE

_WORK = ("trim", "event")
_OTHERS: dict[str, tuple[str, ...]] = {"reading": _WORK, **dict.fromkeys(_WORK, ("reading",))}
ORDERED = frozenset(_OTHERS)
# No day is longer, and none is further from its like in UTC, whatever the zone.
_LONGEST_DAY_S = 1.5 * DAY_S
NewRows = Mapping[str, Mapping[tuple[str, float], tuple[int, str]]]


def refuse(connection: Connection, kind: Kind, values: Sequence[Any]) -> None:
    """Raise InputError for a row whose order among the reed's entries would not be known."""
    if kind.name not in ORDERED or kind.time is None:
        return
    reed, text = str(values[kind.index["reed"]]), str(values[kind.index[kind.time]])
    for entry, other, theirs in _same_day(connection, kind.name, reed, text, zone_of(connection)):
        what, remedy = _words(kind.name, text, other, theirs)
        raise InputError(what, f"reed {short(reed)}", f"{remedy}; this {kind.name} came after it: --after {entry}")


def among_new(connection: Connection, new: NewRows, before: int, zone: str) -> Iterator[tuple[str, int, str, str]]:
    """Kind, line, what is wrong and what to do, of an import's rows whose order is not known.

    new: kind -> (reed, instant) -> line and time, of the rows that the log lacks; before: the log's last number until
    then; zone: the shop's.
    """
    days = [
        (k, reed, line, text) for k, rows in new.items() for (reed, _), (line, text) in rows.items() if is_date(text)
    ]
    old = [(k, reed, text) for k in _OTHERS for _, reed, text in _dates(connection, k, f"AND seq <= {before}")]
    wanted = {reed for _, reed, *_ in (*days, *old)}
    of_reed: dict[tuple[str, str], list[tuple[float, int, str]]] = defaultdict(list)
    for name, rows in new.items() if wanted else ():
        for (reed, instant), (line, text) in rows.items():
            if reed in wanted:
                of_reed[name, reed].append((instant, line, text))
    said: set[tuple[str, int]] = set()
    for name, reed, line, text in days:
        start_s, end_s = day_of(text, zone)
        hits = [
            (f" ({KINDS[other].file}:{at})", other, theirs, at)
            for other in _OTHERS[name]
            for instant, at, theirs in of_reed[other, reed]
            if start_s <= instant < end_s
        ]
        hits += [("", other, theirs, 0) for _, other, theirs in _same_day(connection, name, reed, text, zone, before)]
        # Of two days alone that meet, one is named.
        for where, other, theirs, at in hits[:1]:
            if (other, at) not in said:
                said.add((name, line))
                yield name, line, *_words(name, text, other, theirs, where)
    for name, reed, text in old:
        start_s, end_s = day_of(text, zone)
        for other in _OTHERS[name]:
            for instant, line, ours in of_reed[other, reed]:
                if start_s <= instant < end_s and not is_date(ours):
                    yield other, line, *_words(other, ours, name, text)


def in_log(connection: Connection) -> Iterator[tuple[str, str, str]]:
    """Entry, reed and a sentence, of entries that count and whose order is not known."""
    zone = zone_of(connection)
    for name in _OTHERS:
        for entry, reed, text in _dates(connection, name):
            for other_entry, other, theirs in _same_day(connection, name, reed, text, zone):
                what, remedy = _words(name, text, other, theirs, f" ({other_entry})")
                yield entry, reed, f"{what}: strike this one, and log it with a time; {remedy}"
                break


def _dates(connection: Connection, name: str, where: str = "") -> list[tuple[str, str, str]]:
    """Entry, reed and time of all entries of a kind whose time is a day alone."""
    time = KINDS[name].time
    query = (
        f'SELECT entry, reed, "{time}" FROM {KINDS[name].table} WHERE length("{time}") IN (8, 10) AND {LIVE} {where}'
    )
    return [row for row in connection.execute(query) if is_date(row[2])]


def _same_day(
    connection: Connection, name: str, reed: str, text: str, zone: str, before: int = 2**62
) -> list[tuple[str, str, str]]:
    """Entry, kind and time of what the log has of a reed on the day of `text`, in no known order with it."""
    found = []
    for other in _OTHERS[name]:
        kind = KINDS[other]
        query = (
            f'SELECT entry, "{kind.time}", at_s FROM {kind.table} '
            f"WHERE reed = ? AND at_s BETWEEN ? AND ? AND seq <= ? AND {LIVE} ORDER BY at_s"
        )
        instant = at_s(text, zone)
        near = connection.execute(query, (reed, instant - _LONGEST_DAY_S, instant + _LONGEST_DAY_S, before)).fetchall()
        near = [row for row in near if is_date(text) or is_date(row[1])]
        if near:
            start_s, end_s = day_of(text, zone)
            found += [(entry, other, theirs) for entry, theirs, at in near if start_s <= at < end_s]
    return found


def _words(name: str, text: str, other: str, theirs: str, where: str = "") -> tuple[str, str]:
    """What is wrong with two entries of one day, and both ways to settle it."""
    what = f"which came first is not known, this {name} of {text[:16]} or the {other} of {theirs[:16]}{where}"
    if is_date(text) and is_date(theirs):
        day = datetime.fromisoformat(text).date()
        first, then = f"{day}T09:00", f"{day}T10:00"
        return what, (
            f"if the {name} came first, write {first} for it and {then} for the {other}; "
            f"if the {other} did, the other way round"
        )
    timed, loose = (theirs, name) if is_date(text) else (text, other)
    clock = datetime.fromisoformat(timed.upper().replace(",", ".")).replace(tzinfo=None)
    before, after = (f"{clock + timedelta(minutes=by):%Y-%m-%dT%H:%M}" for by in (-1, 1))
    return what, f"if the {loose} came first, write {before} for it; if it came after, {after}"
