"""Reading the log: one reed's history, many reeds' at once, and columns in bulk. Struck entries never show.

Each function takes an open connection and makes a fixed number of queries, however many reeds are asked for.
"""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from trimfit.base import iso_dates
from trimfit.base.errors import InputError, command, listed, meant, short
from trimfit.base.records import Chanter, Logged, Order, ReedHistory
from trimfit.log.column_values import number_text
from trimfit.log.entry_kinds import KINDS, OF_A_REED, Kind

# An entry counts unless it is struck, or stands aside for another of the same key (after a merge).
UNSTRUCK = "entry NOT IN (SELECT struck FROM strikes)"
LIVE = f"{UNSTRUCK} AND entry NOT IN (SELECT entry FROM eclipsed)"
_NAMED = "IN (SELECT value FROM json_each(?))"
RENAMED = "renamed "
LEFT_AS = "left the bench as "
REVISED = "revised"
"""What the reason of a strike begins with where another entry stands in the place of the struck one."""
BACK = f"{REVISED} back to "
"""And where it is an earlier one that counts again, whose id follows."""


def is_replaced(why: str) -> bool:
    """Whether an entry was struck, by the reason of that, because another stands in its place; else it was taken back:
    a row that was revised, a reading or a cut corrected, a reed renamed, a reed that left the bench otherwise after
    all."""
    return why.startswith((REVISED, "amended", RENAMED, LEFT_AS))


def quoted(names: Iterable[str]) -> str:
    """Column names as SQL wants them; `order` is a word of its own there."""
    return ", ".join(f'"{name}"' for name in names)


def count_of(connection: sqlite3.Connection, kind: Kind) -> int:
    """How many entries of a kind there are, struck or not."""
    return int(connection.execute(f"SELECT count(*) FROM {kind.table}").fetchone()[0])


def holds(connection: sqlite3.Connection, kind: Kind, entry: str) -> bool:
    """Whether an entry is there, struck or not."""
    return connection.execute(f"SELECT 1 FROM {kind.table} WHERE entry = ?", (entry,)).fetchone() is not None


def is_struck(connection: sqlite3.Connection, entry: str) -> bool:
    """Whether an entry was taken back."""
    return connection.execute("SELECT 1 FROM strikes WHERE struck = ?", (entry,)).fetchone() is not None


def _select(kind: Kind) -> str:
    instant = "at_s" if kind.time else "NULL"
    return f"SELECT seq, entry, {instant}, {quoted(kind.names)} FROM {kind.table}"


def _logged(kind: Kind, row: Sequence[Any], doubts: dict[str, tuple[str, ...]]) -> Logged[Any]:
    seq, entry, at_s, *values = row
    record = kind.from_row(tuple(values))
    if at_s is None:
        made_on = getattr(record, "made_on", None)
        at_s = _day_s(made_on) if made_on else 0.0
    return Logged(entry, seq, at_s, record, doubts.get(entry, ()))


def _day_s(date: str) -> float:
    """A date's instant; 0 where a doctored log holds a word in its place, which `check` names."""
    try:
        return iso_dates.at_s(date)
    except InputError:
        return 0.0


def doubts_of(connection: sqlite3.Connection, entries: list[str]) -> dict[str, tuple[str, ...]]:
    """The doubts that were accepted, by entry."""
    found: dict[str, tuple[str, ...]] = defaultdict(tuple)
    query = f"SELECT marked, doubt FROM marks WHERE marked {_NAMED} ORDER BY doubt"
    for marked, doubt in connection.execute(query, (json.dumps(entries),)):
        found[marked] += (doubt_shown(doubt),)
    return found


def doubt_shown(doubt: str) -> str:
    """A doubt of the log, `kind: sentence`, in the words of today."""
    kind, colon, sentence = doubt.partition(":")
    return f"{'unpredicted' if kind == 'unforetold' else kind}{colon}{sentence}"


def _of_reeds(
    connection: sqlite3.Connection, kind: Kind, names: str, until_s: float | None = None
) -> list[tuple[Any, ...]]:
    values: list[object] = [names]
    order, where = "entry", LIVE
    if kind.time is not None:
        order = "at_s, entry"
        if until_s is not None:
            where = f"{LIVE} AND at_s <= ?"
            values.append(until_s)
    query = f"{_select(kind)} WHERE reed {_NAMED} AND {where} ORDER BY {order}"
    return connection.execute(query, values).fetchall()


def _named(connection: sqlite3.Connection, kind: Kind, names: set[str]) -> dict[str, Any]:
    key = kind.key[0]
    query = f'{_select(kind)} WHERE "{key}" {_NAMED} AND {LIVE}'
    found = connection.execute(query, (json.dumps(sorted(names)),))
    return {row[3 + kind.index[key]]: kind.from_row(row[3:]) for row in found}


def histories(connection: sqlite3.Connection, names: Sequence[str], until_s: float | None = None) -> list[ReedHistory]:
    """The histories of the named reeds, in the order of `names`; names the log does not know are left out.

    until_s: with nothing in them that was logged of a later instant (seconds since 1970 UTC). What was struck since is
    left out all the same, and what is known of reeds and orders is what is known now.
    """
    listed = json.dumps(list(names))
    rows = {kind: _of_reeds(connection, KINDS[kind], listed, until_s) for kind in ("reed", *OF_A_REED)}
    doubts = doubts_of(connection, [row[1] for found in rows.values() for row in found])
    by_reed: dict[str, dict[str, list[Logged[Any]]]] = defaultdict(lambda: defaultdict(list))
    for name, found in rows.items():
        for row in found:
            entry = _logged(KINDS[name], row, doubts)
            by_reed[entry.record.reed][name].append(entry)
    wanted = [name for name in dict.fromkeys(names) if by_reed[name]["reed"]]
    orders: dict[str, Order] = _named(
        connection,
        KINDS["order"],
        {of["reed"][0].record.order for of in by_reed.values() if of["reed"] and of["reed"][0].record.order},
    )
    chanter_of = {name: _chanter_name(by_reed[name], orders) for name in wanted}
    chanters: dict[str, Chanter] = _named(
        connection, KINDS["chanter"], {chanter for chanter in chanter_of.values() if chanter}
    )
    answer = []
    for name in wanted:
        mine = by_reed[name]
        answer.append(
            ReedHistory(
                reed=mine["reed"][0],
                readings=tuple(mine["reading"]),
                trims=tuple(mine["trim"]),
                outcome=mine["outcome"][-1] if mine["outcome"] else None,
                order=orders.get(mine["reed"][0].record.order or ""),
                chanter=chanters.get(chanter_of[name] or ""),
                events=tuple(mine["event"]),
            )
        )
    return answer


@dataclass(frozen=True, slots=True)
class StruckEntry:
    """One entry taken back. `at`, `at_s`: its own time, as logged and as an instant; `record`: what was logged."""

    kind: str
    entry: str
    at: str
    at_s: float
    why: str
    record: Any


def struck_of_reed(connection: sqlite3.Connection, reed: str) -> list[StruckEntry]:
    """The struck readings, trims, events and outcomes of a reed, in order of their own time; also those of its earlier
    names, without what a rename struck to enter it again."""
    names, found = _names_of(connection, reed), []
    for kind in (KINDS[name] for name in OF_A_REED):
        columns = ", ".join(f't."{column}"' for column in kind.names)
        query = (
            f"SELECT s.why, t.entry, t.at_s, {columns} FROM {kind.table} t JOIN strikes s ON s.struck = t.entry "
            f"WHERE t.reed {_NAMED}"
        )
        rows = connection.execute(query, (json.dumps(names),)).fetchall()
        moved = {entry for why, entry, *_ in rows if new_name(why) in names}
        for why, entry, at_s, *values in rows:
            if entry not in moved:
                at = str(values[kind.index[kind.time or ""]])
                found.append(StruckEntry(kind.name, entry, at, float(at_s), why, kind.from_row(tuple(values))))
    return sorted(found, key=lambda one: (one.at_s, one.entry))


def revised_from(connection: sqlite3.Connection, kind: Kind, values: Sequence[Any]) -> str | None:
    """The struck entry in whose place one of a reed, chanter or order with these values stands, the latest that has not
    come back since; None where it stands in the place of none."""
    columns = ", ".join(f't."{column}"' for column in kind.names)
    query = (
        f"SELECT t.entry, s.why, {columns} FROM {kind.table} t JOIN strikes s ON s.struck = t.entry "
        f'WHERE t."{kind.key[0]}" = ? ORDER BY s.at_s DESC, s.seq DESC'
    )
    rows = connection.execute(query, values[:1]).fetchall()
    back = {why[len(BACK) :].partition(":")[0] for _, why, *_ in rows if why.startswith(BACK)}
    for entry, why, *before in rows:
        if not why.startswith(REVISED) or why.startswith(BACK) or entry in back:
            continue
        apart = {name for name, was, now in zip(kind.names, before, values, strict=True) if was != now}
        head, _, named = why.partition(": ")
        if apart and (head != REVISED or not named or apart <= {*named.split(", ")}):
            return str(entry)
    return None


_OPTIONS = {
    "reed_type": "type", "working_crow_type": "crow-type", "due_on": "due", "lip_strokes": "lip", "taken_at": "at",
    "done_at": "at", "temperature_c": "temperature", "humidity_pct": "humidity",
}  # fmt: skip


def again_command(kind: Kind, values: Sequence[Any]) -> str:
    """The command that logs a reed, chanter or order, or what was logged of a reed, with all these values."""
    from trimfit.base.column_words import G_OCTAVE, SHORT_NAMES

    words, called = ["log", kind.name, str(values[0])], {**SHORT_NAMES, G_OCTAVE: "go"}
    for column, value in zip(kind.columns[1:], values[1:], strict=True):
        name, text = column.name, value if isinstance(value, str) or value is None else number_text(value)
        if text is None:
            continue
        plain = name.removesuffix("_hz").removesuffix("_mm").removesuffix("_kpa").replace("_", "-")
        if column.note is not None or name == "crow_hz":
            words.append(f"{called.get(column.note or '', plain)}={text}")
        else:
            words += [text] if name == kind.name else [f"--{_OPTIONS.get(name, plain)}", text]
    return command(*words)


def new_name(why: str) -> str | None:
    """The new name that a strike's reason tells of, or None."""
    return why[len(RENAMED) :] if why.startswith(RENAMED) and len(why) > len(RENAMED) else None


def last_name(connection: sqlite3.Connection, name: str) -> str:
    """Where a name leads: a reed may have been renamed again, also to a name that it had before."""
    for to, is_a_reeds in _onward(connection, name):
        name = to
        if is_a_reeds:
            break
    return name


def names_now(connection: sqlite3.Connection, name: str) -> list[str]:
    """The reeds that a name stands for: the reed of that name, else all that had it and were renamed since."""
    return [to for to, is_a_reeds in _onward(connection, name) if is_a_reeds]


def join_commands(names: Sequence[str]) -> str:
    """The commands that make one reed of several names, of the first of them."""
    return " and ".join(command("log", "rename", name, names[0], "--join") for name in names[1:])


def _onward(connection: sqlite3.Connection, name: str) -> Iterator[tuple[str, bool]]:
    """A name, and those that its reeds were given since; with each whether a reed has it now."""
    been: set[str] = set()
    onward = [name]
    while onward:
        name = onward.pop()
        if name in been:
            continue
        been.add(name)
        yield name, (is_a_reeds := _is_a_reeds(connection, name))
        if is_a_reeds:
            continue
        query = "SELECT s.why FROM reeds r JOIN strikes s ON s.struck = r.entry WHERE r.reed = ? ORDER BY s.entry DESC"
        onward += [to for (why,) in connection.execute(query, (name,)) if (to := new_name(why)) is not None]


def _names_of(connection: sqlite3.Connection, reed: str) -> list[str]:
    """A reed's name, and the ones it had before that no reed has now."""
    names = [reed]
    for name in names:
        query = "SELECT r.reed FROM strikes s JOIN reeds r ON r.entry = s.struck WHERE s.why = ?"
        before = [was for (was,) in connection.execute(query, (RENAMED + name,))]
        names += [was for was in dict.fromkeys(before) if was not in names and not _is_a_reeds(connection, was)]
    return names


def _is_a_reeds(connection: sqlite3.Connection, name: str) -> bool:
    """Whether a reed of this name is in the log and not struck."""
    query = f"SELECT 1 FROM reeds WHERE reed = ? AND {UNSTRUCK}"
    return connection.execute(query, (name,)).fetchone() is not None


def _chanter_name(mine: dict[str, list[Logged[Any]]], orders: dict[str, Order]) -> str | None:
    """The chanter a reed is for: its order's, else the one it was last read in."""
    order = orders.get(mine["reed"][0].record.order)
    if order is not None:
        return order.chanter
    return next((entry.record.chanter for entry in reversed(mine["reading"]) if entry.record.chanter), None)


def latest(connection: sqlite3.Connection, kind: Kind) -> dict[str, Any]:
    """All records of a kind that has a name for its key, by that name."""
    key = kind.key[0]
    query = f'SELECT {quoted(kind.names)} FROM {kind.table} WHERE {LIVE} ORDER BY "{key}"'
    at = kind.index[key]
    return {row[at]: kind.from_row(row) for row in connection.execute(query)}


def reed_names(connection: sqlite3.Connection, *, where: str = "", values: Sequence[Any] = ()) -> list[str]:
    """Names of the reeds in the log, sorted; `where` narrows them with an SQL condition on `reeds`."""
    also = f" AND {where}" if where else ""
    return [name for (name,) in connection.execute(f"SELECT reed FROM reeds WHERE {LIVE}{also} ORDER BY reed", values)]


def knows(connection: sqlite3.Connection, kind_name: str, name: str) -> bool:
    """Whether the log has a reed, order or chanter of this name that counts."""
    kind = KINDS[kind_name]
    query = f'SELECT 1 FROM {kind.table} WHERE "{kind.key[0]}" = ? AND {LIVE}'
    return connection.execute(query, (name,)).fetchone() is not None


def unknown(connection: sqlite3.Connection, kind: Kind, name: str) -> InputError:
    """What to say of a name the log does not hold: the nearest it does, else a few, or that the entry was struck."""
    key = kind.key[0]
    columns = ", ".join(f't."{column}"' for column in kind.names)
    struck = connection.execute(
        f"SELECT s.why, {columns} FROM {kind.table} t "
        f'JOIN strikes s ON s.struck = t.entry WHERE t."{key}" = ? ORDER BY s.seq DESC LIMIT 1',
        (name,),
    ).fetchone()
    if kind.name == "reed" and len(several := names_now(connection, name)) > 1:
        now = " and ".join(repr(short(to)) for to in sorted(several))
        query = (
            "SELECT count(DISTINCT s.struck) FROM reeds r JOIN strikes s ON s.struck = r.entry "
            "WHERE r.reed = ? AND s.why >= 'renamed ' AND s.why < 'renamed!'"
        )
        if connection.execute(query, (name,)).fetchone() == (1,):
            remedy = f"it is {now} now; if that is one reed: {join_commands(sorted(several))}"
            return InputError(f"reed {short(name)!r} was renamed at two benches", "", remedy)
        return InputError(f"{len(several)} reeds had the name {short(name)!r}", "", f"they are {now} now")
    if kind.name == "reed" and (to := last_name(connection, name)) != name:
        return InputError(f"reed {short(name)!r} has another name", "", f"it is {short(to)!r} now")
    if struck:
        what = f"{kind.name} {short(name)!r} was struck ({short(struck[0])})"
        return InputError(what, "", f"log it again with {again_command(kind, struck[1:])}")
    if kind.name != "order" and knows(connection, "order", name):
        remedy = f"{command('pick', name)} and {command('ask', '--all')} answer for an order"
        return InputError(f"{short(name)!r} is an order and no {kind.name}", "", remedy)
    if kind.name == "reed" and knows(connection, "chanter", name):
        remedy = f"{command('review', 'chanters')} shows chanters"
        return InputError(f"{short(name)!r} is a chanter and no reed", "", remedy)
    near = [
        found
        for (found,) in connection.execute(
            f'SELECT "{key}" FROM {kind.table} WHERE {LIVE} AND '
            f'(length("{key}") BETWEEN ? AND ? OR lower(substr("{key}", 1, ?)) = lower(?))',
            (len(name) - 4, len(name) + 4, len(name), name),
        )
    ]
    # Of numbers only those of as many digits are meant: 1 is no slip of 13.
    near = [other for other in near if not (name.isdigit() and other.isdigit() and len(other) != len(name))]
    query = f'SELECT "{key}" FROM {kind.table} WHERE {LIVE} ORDER BY "{key}"'
    remedy = meant(name, near) or listed([found for (found,) in connection.execute(query)])
    remedy = remedy or f"log it first with {command('log', kind.name, name)}, or import it"
    return InputError(f"{kind.name} {short(name)!r} is not in the log", "", remedy)
