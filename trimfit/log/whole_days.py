"""Dates without a time: a day says nothing of what came first on it, and that is never guessed.

Where a reed has a reading and work on one day, and one of the two has no time, their order is not known. Such an entry
is refused, with both ways to settle it; a merge, which refuses nothing, leaves it to `check`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from math import inf
from sqlite3 import Connection
from typing import Any, NamedTuple

from trimfit.base.errors import InputError, command, short
from trimfit.base.iso_dates import DAY_S, at_s, clock_in, day_of, is_date, typed_time
from trimfit.log.entry_kinds import KINDS, OF_A_REED, Kind
from trimfit.log.instants import zone_of
from trimfit.log.queries import LIVE

_WORK = ("trim", "event")
_OTHERS: dict[str, tuple[str, ...]] = {"reading": _WORK, **dict.fromkeys(_WORK, ("reading",))}
ORDERED = frozenset(_OTHERS)
# No day is longer, and none is further from its like in UTC, whatever the zone.
_LONGEST_DAY_S = 1.5 * DAY_S


class _Timed(NamedTuple):
    """An entry of a reed. `time`: as it was logged."""

    kind: str
    seq: int
    entry: str
    reed: str
    time: str


def refuse(connection: Connection, kind: Kind, values: Sequence[Any]) -> None:
    """Raise InputError for a row whose order among the reed's entries would not be known."""
    if kind.name not in ORDERED or kind.time is None:
        return
    row = _Timed(kind.name, 0, "", str(values[kind.index["reed"]]), str(values[kind.index[kind.time]]))
    zone = zone_of(connection)
    for other in _same_day(connection, row, zone):
        what, remedy = _words(row, other, zone)
        after = f"{command('log', kind.name, row.reed)} … --after {other.entry}"
        if not is_date(other.time):
            raise InputError(what, f"reed {short(row.reed)}", f"{remedy}; or, instead of --at: {after}")
        if not is_date(row.time):
            remedy = remedy.replace(" for it", f" for the {other.kind}")
        # the log amends no time
        anew = f"to write one for the {other.kind}, strike it and log it anew: {command('log', 'strike', other.entry)}"
        after = f"if this {kind.name} came after it, instead of --at: {after}, which puts the {other.kind} at 00:00; "
        after = "" if _more_between(connection, row, other, zone) else after
        raise InputError(what, f"reed {short(row.reed)}", f"{after}{remedy}; {anew}")


def among_new(
    connection: Connection, before: int, lines: Mapping[int, int], zone: str
) -> Iterator[tuple[str, int, str, str]]:
    """Kind, line, what is wrong and what to do, of an import's rows whose order is not known.

    before: the log's last number until then; lines: number -> line, of the rows that came; zone: the shop's.
    """
    came = " UNION ".join(f"SELECT reed FROM {KINDS[name].table} WHERE seq > {before}" for name in _OTHERS)
    days = [day for name in _OTHERS for day in _dates(connection, name, f"AND reed IN ({came})")]
    said: set[int] = set()
    for day in (one for one in days if one.seq in lines):
        there = [one for one in _same_day(connection, day, zone) if one.seq <= before or one.seq in lines]
        # Of two days alone that meet, one is named.
        for other in sorted(there, key=lambda one: one.seq if one.seq in lines else inf)[:1]:
            if other.seq not in said:
                said.add(day.seq)
                where = f" ({KINDS[other.kind].file}:{lines[other.seq]})" if other.seq in lines else ""
                yield day.kind, lines[day.seq], *_words(day, other, zone, where)
    for day in (one for one in days if one.seq <= before):
        for other in _same_day(connection, day, zone):
            if other.seq in lines and not is_date(other.time):
                yield other.kind, lines[other.seq], *_words(other, day, zone)


def in_log(connection: Connection) -> Iterator[tuple[str, str, str]]:
    """Entry, reed and a sentence, of entries that count and whose order is not known."""
    zone = zone_of(connection)
    for day in [day for name in _OTHERS for day in _dates(connection, name)]:
        for other in _same_day(connection, day, zone)[:1]:
            what, remedy = _words(day, other, zone, f" ({other.entry})")
            yield day.entry, day.reed, f"{what}: strike this one, and log it with a time; {remedy}"


def _dates(connection: Connection, name: str, where: str = "") -> list[_Timed]:
    """All entries of a kind that count and whose time is a day alone."""
    kind = KINDS[name]
    query = (
        f'SELECT seq, entry, reed, "{kind.time}" FROM {kind.table} '
        f'WHERE length("{kind.time}") IN (8, 10) AND {LIVE} {where} ORDER BY seq'
    )
    return [row for row in (_Timed(name, *found) for found in connection.execute(query)) if is_date(row.time)]


def _same_day(connection: Connection, row: _Timed, zone: str) -> list[_Timed]:
    """What the log has of a reed on the day of one of its entries, in no known order with it."""
    found = []
    instant = at_s(row.time, zone)
    for other in _OTHERS[row.kind]:
        kind = KINDS[other]
        query = (
            f'SELECT at_s, seq, entry, reed, "{kind.time}" FROM {kind.table} '
            f"WHERE reed = ? AND at_s BETWEEN ? AND ? AND {LIVE} ORDER BY at_s"
        )
        near = connection.execute(query, (row.reed, instant - _LONGEST_DAY_S, instant + _LONGEST_DAY_S)).fetchall()
        near = [one for one in near if is_date(row.time) or is_date(one[-1])]
        if near:
            start_s, end_s = day_of(row.time, zone)
            found += [_Timed(other, *one) for at, *one in near if start_s <= at < end_s]
    return found


def _more_between(connection: Connection, row: _Timed, day: _Timed, zone: str) -> bool:
    """Whether a reed has more on a day before an entry (on all of the day, where that has no time either) than the one
    of that day alone: what is put right after that one, at 00:00, comes before all of it."""
    start_s, end_s = day_of(day.time, zone)
    until_s = end_s if is_date(row.time) else at_s(row.time, zone)
    return any(
        connection.execute(
            f"SELECT 1 FROM {kind.table} WHERE reed = ? AND at_s >= ? AND at_s < ? AND entry <> ? AND {LIVE}",
            (row.reed, start_s, until_s, day.entry),
        ).fetchone()
        for kind in (KINDS[name] for name in OF_A_REED)
    )


def _words(row: _Timed, other: _Timed, zone: str, where: str = "") -> tuple[str, str]:
    """What is wrong with two entries of one day, and both ways to settle it. zone: the shop's."""
    (name, text), (kind, theirs) = (row.kind, row.time), (other.kind, other.time)
    what = f"which came first is not known, this {name} of {text[:16]} or the {kind} of {theirs[:16]}{where}"
    if is_date(text) and is_date(theirs):
        first, then = (_written(clock_in(f"{text}T{hour}", zone), zone) for hour in ("09", "10"))
        return what, (
            f"if the {name} came first, write {first} for it and {then} for the {kind}; "
            f"if the {kind} did, the other way round"
        )
    timed, loose = (theirs, name) if is_date(text) else (text, kind)
    clock = clock_in(timed, zone)
    before, after = (_written(clock + timedelta(minutes=by), zone) for by in (-1, 1))
    return what, f"if the {loose} came first, write {before} for it; if it came after, {after}"


def _written(moment: datetime, zone: str) -> str:
    """A time to the minute as it can be written in a file and typed: with its offset, but where both would be taken for
    this moment without it (a file's is on the shop's clock, what is typed on this machine's)."""
    whole = moment.isoformat(timespec="minutes")
    bare = whole[:16]
    with suppress(InputError):  # a time that the clocks left out here
        if at_s(bare, zone) == at_s(typed_time(bare)) == at_s(whole):
            return bare
    return whole
