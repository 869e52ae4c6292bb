"""Which instant a time without an offset is: it follows from the shop's zone, and is derived anew when that changes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from sqlite3 import Connection
from typing import Any

from trimfit.base.errors import InputError
from trimfit.base.iso_dates import at_s, has_offset
from trimfit.base.time_zones import machine_zone, zone_like, zone_named
from trimfit.log.entry_kinds import KINDS, OF_A_REED, Kind
from trimfit.log.queries import LIVE

# The zone of the machine that made a log is set as of this moment: whatever is set later counts, and two benches of
# one zone have one entry of it.
MADE_AT = "1970-01-01T00:00Z"
_TIMED = [kind for kind in KINDS.values() if kind.time]


def zone_of(connection: Connection) -> str:
    """The shop's zone, as the log has it; UTC where none is set."""
    query = f"SELECT value FROM settings WHERE setting = 'time_zone' AND {LIVE} ORDER BY at_s DESC, entry DESC"
    return next((str(value) for (value,) in connection.execute(query) if zone_like(str(value))), "UTC")


def given(connection: Connection, kind: Kind) -> int:
    """How many entries of a kind are nobody's: the zone that a log was given when it was made. They are not counted."""
    if kind.name != "setting":
        return 0
    return int(connection.execute("SELECT count(*) FROM settings WHERE set_at = ?", (MADE_AT,)).fetchone()[0])


def zone_to_set(connection: Connection) -> str | None:
    """The zone that a log in which none was ever set is to have, None where one was.

    It is this machine's, but UTC, which such times counted by, where any reed's entries would stand in another order.
    """
    if connection.execute("SELECT 1 FROM settings WHERE setting = 'time_zone' LIMIT 1").fetchone():
        return None
    zone = machine_zone()
    return "UTC" if zone != "UTC" and reordered(connection, zone) else zone


def unreadable(zone: str, kind: Kind, values: Sequence[Any]) -> bool:
    """Whether a row's time is unknown here: it has no offset, and this machine does not know the shop's zone."""
    if kind.time is None or has_offset(str(values[kind.index[kind.time]])):
        return False
    try:
        zone_named(zone)
    except InputError:
        return True
    return False


def derive(connection: Connection, zone: str) -> None:
    """Set the instants of all entries whose time has no offset to what they are in `zone`; inside a transaction."""
    for kind in _TIMED:
        rows = [(at_s(text, zone), seq) for seq, text in _bare(connection, kind)]
        if not rows:
            continue
        # An entry is never changed, and this is none of its content: the guard is lifted for these statements alone.
        guard = f"{kind.table}_no_update"
        (sql,) = connection.execute("SELECT sql FROM sqlite_schema WHERE name = ?", (guard,)).fetchone()
        connection.execute(f"DROP TRIGGER {guard}")
        connection.executemany(f"UPDATE {kind.table} SET at_s = ? WHERE seq = ?", rows)
        connection.execute(sql)


def reordered(connection: Connection, zone: str) -> list[str]:
    """The reeds whose entries would stand in another order if times without an offset were in `zone`, sorted."""
    new: dict[str, dict[str, float]] = defaultdict(dict)
    for name in OF_A_REED:
        kind = KINDS[name]
        for _, text, reed, entry in _bare(connection, kind, ", reed, entry", f"AND {LIVE}"):
            new[reed][entry] = at_s(text, zone)
    return sorted(
        reed for reed, instants in new.items() if _order(connection, reed, {}) != _order(connection, reed, instants)
    )


def _order(connection: Connection, reed: str, instants: dict[str, float]) -> list[str]:
    rows = [
        (instants.get(entry, at_s), rank, entry)
        for rank, name in enumerate(OF_A_REED)
        for entry, at_s in connection.execute(
            f"SELECT entry, at_s FROM {KINDS[name].table} WHERE reed = ? AND {LIVE}", (reed,)
        )
    ]
    return [entry for _, _, entry in sorted(rows)]


def _bare(connection: Connection, kind: Kind, also: str = "", where: str = "") -> Iterator[tuple[Any, ...]]:
    """Number, time and more of a kind's entries whose time has no offset."""
    query = f'SELECT seq, "{kind.time}"{also} FROM {kind.table} WHERE 1 {where}'
    return iter([row for row in connection.execute(query) if not has_offset(row[1])])
