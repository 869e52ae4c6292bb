"""One reed under another name: what two benches need that gave one name to two reeds.

Nothing is rewritten. The reed and whatever names it are struck, with `renamed NEW` for a reason, and entered again
under the new name. That strike of the reed's entry is all that is remembered, and all that a merge needs:

- A log (one *side* of a merge) in which an entry of a reed is not struck, and is the only one of its name, means that
  reed by the name. If the other side knows the entry as renamed, whatever that side logged under the old name is
  renamed in the merge too: also what its bench, which did not know of it yet, logged since.
- Strikes made so carry the time of the strike that they follow from, and entries get their ids from their content.
  So two logs merged either way come out the same, and merging again adds nothing.
- A side that holds two reeds of the name, both not struck, does not say whose its entries are. They stay, and are
  reported as `unsure`: a merge of the log of the bench they come from renames them.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from trimfit.base import iso_dates
from trimfit.base.errors import InputError, command, short
from trimfit.log import queries, refusals
from trimfit.log.column_values import canonical, name_value
from trimfit.log.entry_counts import Renamed
from trimfit.log.entry_kinds import KINDS, OF_A_REED, Kind, Row, kind_of_entry
from trimfit.log.entry_rows import entry_id
from trimfit.log.queries import RENAMED, UNSTRUCK, holds, is_struck, last_name, new_name, quoted

if TYPE_CHECKING:
    from trimfit.log.journal import Journal

Named = tuple[Kind, str, Row]
"""An entry that names a reed: its kind, its id, its values."""


@dataclass(frozen=True, slots=True)
class Move:
    """A reed's entries on one side of a merge, and the name they go to. `ours`: on the side that is merged into;
    `joins`: the reed that has the name there already, by the name that it had before, if any. `parts`: both sides have
    the reed's entry, for two reeds that were logged alike; it stays for the other one, entered again."""

    reed: str
    to: str
    at: str
    rows: Sequence[Named]
    unsure: tuple[str, ...] = ()
    ours: bool = False
    joins: str | None = None
    parts: bool = False


def renamed_to(connection: sqlite3.Connection, reed: str) -> str | None:
    """The name that a reed has now, if the log knows it by an older one; None if the name is a reed's, or unknown."""
    if _reeds_named(connection, reed):
        return None
    to = last_name(connection, reed)
    return to if to != reed and _reeds_named(connection, to) else None


def rename(
    journal: Journal, reed: str, new: str, *, only: Sequence[str] = (), join: bool = False, at: str | None = None
) -> Renamed:
    """Give a reed of this log another name, in one transaction; again adds nothing.

    only: these entries alone: where two reeds of the name were mixed, or to a reed of the new name that the log has.
    join: `new` is in the log and is the same reed. Raises InputError if the log does not know the reed, knows two of
    the name, or knows another by the new name, and where entries of the old name would be left without a reed.
    """
    name, to = (name_value(KINDS["reed"], text) for text in (reed, new))
    if name == to:
        raise InputError("is its name already", f"reed {short(name)}", "give it a name that is free")
    with journal.writing() as connection:
        picked = [journal.find(entry) for entry in only]
        reeds = _reeds_named(connection, name)
        stated = _stated_renames(connection)
        earlier = [entry for entry in _were_named(connection, name) if entry in stated and stated[entry][1] == to]
        if len(reeds) > 1 and not picked:
            raise InputError(
                f"two benches have a reed {short(name)!r} here",
                f"reed {short(name)}",
                f"say whose is meant: {command('merge', 'OTHER_LOG', '--rename', f'{name}={to}')}, "
                f"or name its entries: {command('log', 'rename', name, to, '--entry', 'ENTRY')}",
            )
        if not reeds and not earlier:
            raise queries.unknown(connection, KINDS["reed"], name)
        rows = [*_naming(connection, name), *reeds]
        left: list[Named] = []
        if picked:
            known = {entry for _, entry, _ in rows}
            for entry in picked:
                if entry not in known:
                    remedy = f"see {command('review', 'reed', name)}"
                    raise InputError(f"is no entry of reed {short(name)!r} that counts", entry, remedy)
            left = [row for row in rows if row[1] not in picked]
            rows = [row for row in rows if row[1] in picked]
        carries_reed = any(kind.name == "reed" for kind, _, _ in rows)
        there = _reeds_named(connection, to)
        if there and not join and carries_reed:
            raise InputError(
                f"the log has a reed {short(to)!r}",
                f"reed {short(name)}",
                "give it a name that is free, or say --join if they are one reed under two names",
            )
        if not there and not carries_reed and len(reeds) > 1:
            own = " or ".join(entry for _, entry, _ in reeds[:4])
            raise InputError(
                f"no entry of a reed goes to {short(to)!r}", "--entry", f"name the reed's own entry too: {own}"
            )
        if not there and not carries_reed:
            raise InputError(f"the log has no reed {short(to)!r}", "--entry", _apart(rows, reeds[0], to, new=True))
        if carries_reed and left and not any(kind.name == "reed" for kind, _, _ in left):
            stay = "1 entry" if len(left) == 1 else f"{len(left)} entries"
            reed_row = next(row for row in rows if row[0].name == "reed")
            raise InputError(
                f"{stay} of {short(name)!r} would be left without a reed",
                "--entry",
                _apart(rows, reed_row, to, new=not there),
            )
        move = Move(name, to, at or iso_dates.local_now(), rows)
        for kind, entry, values in rows:
            _refuse_clash(connection, kind, as_named(kind, values, to), entry, joined=bool(there))
        moved = _move(journal, move, joined=bool(there))
        journal.settle_conflicts()
        return Renamed(name, to, _entry_of(connection, to), moved)


def _apart(rows: Sequence[Named], reed: Named, to: str, *, new: bool) -> str:
    """The ways to give entries of one reed another name: to another reed, which is logged first if it is `new`, of the
    first one's type and batch; or with all the rest of the reed."""
    kind, _, values = reed
    name = str(values[kind.index["reed"]])
    whole = f"if all of {short(name)} is meant: {command('log', 'rename', name, to, *(() if new else ('--join',)))}"
    only = [word for one, entry, _ in rows if one.name != "reed" for word in ("--entry", entry)]
    if not only:
        return whole
    alike = [
        value if column in ("reed", "reed_type", "batch") else None
        for column, value in zip(kind.names, values, strict=True)
    ]
    log = f"{queries.again_command(kind, as_named(kind, alike, to))}, then " if new else ""
    return f"if they are of another reed: {log}{command('log', 'rename', name, to, *only)}; {whole}"


def renamed_apart(connection: sqlite3.Connection) -> list[tuple[str, tuple[str, ...]]]:
    """Reeds that were renamed differently at two benches: the name before, and those under which they stand, sorted.

    Two reeds that were logged alike at two benches and renamed there are none such: each has entries of its own alone.
    """
    query = (
        "SELECT DISTINCT s.struck FROM strikes s JOIN strikes t ON t.struck = s.struck AND t.why > s.why "
        "WHERE s.why >= 'renamed ' AND s.why < 'renamed!' AND t.why >= 'renamed ' AND t.why < 'renamed!'"
    )
    kinds: dict[tuple[str, tuple[str, ...]], set[str]] = {}
    for (entry,) in connection.execute(query).fetchall():
        kind = kind_of_entry(entry)
        if kind is None or kind.name not in ("reed", *OF_A_REED) or not holds(connection, kind, entry):
            continue
        select = f"SELECT {quoted(kind.names)} FROM {kind.table} WHERE entry = ?"
        values = tuple(connection.execute(select, (entry,)).fetchone())
        names = _stands_as(connection, kind, values, entry, set())
        if len(names) > 1:
            kinds.setdefault((str(values[kind.index["reed"]]), tuple(sorted(names))), set()).add(kind.name)
    return [
        (name, names)
        for (name, names), shared in sorted(kinds.items())
        if shared != {"reed"} or not all(_naming(connection, to) for to in names)
    ]


def _stands_as(connection: sqlite3.Connection, kind: Kind, values: Row, entry: str, been: set[str]) -> set[str]:
    """The names under which an entry of a reed stands, renamed as often as it was; been: entries seen on the way."""
    if entry in been or not holds(connection, kind, entry):
        return set()
    been.add(entry)
    reasons = [why for (why,) in connection.execute("SELECT why FROM strikes WHERE struck = ?", (entry,))]
    if not reasons:
        return {str(values[kind.index["reed"]])}
    found: set[str] = set()
    for to in filter(None, map(new_name, reasons)):
        again = as_named(kind, values, to)
        found |= _stands_as(connection, kind, again, entry_id(kind, again), been)
    return found


def planned_renames(mine: sqlite3.Connection, theirs: sqlite3.Connection, asked: Mapping[str, str]) -> list[Move]:
    """What a merge of `theirs` into `mine` has to rename: what either side knows as renamed, and what is `asked`.

    asked: name of a reed of `theirs` -> new name. Raises InputError where that cannot be.
    """
    known: dict[str, tuple[str, str, str]] = {}
    for connection in (mine, theirs):
        for entry, (strike, to, at) in _stated_renames(connection).items():
            if entry not in known or strike < known[entry][0]:
                known[entry] = (strike, to, at)
    fresh: dict[str, tuple[str, str]] = {}
    for name, to in (tuple(name_value(KINDS["reed"], text) for text in pair) for pair in asked.items()):
        entry = _the_reed(theirs, name)
        before = known.get(entry)
        if before is not None:
            if before[1] != to:
                raise InputError(
                    f"was renamed {short(before[1])!r} before",
                    f"reed {short(name)}",
                    "merge without --rename, then rename that",
                )
            continue
        for side in (mine, theirs):
            if name == to or _reeds_named(side, to) or to in [other for other, _ in fresh.values()]:
                raise InputError(
                    f"there is a reed {short(to)!r} already",
                    f"--rename {short(name)}={short(to)}",
                    "give a name that is free",
                )
        fresh[entry] = (to, iso_dates.local_now())
    moves: list[Move] = []
    for entry, (to, at) in {**{entry: (to, at) for entry, (_, to, at) in known.items()}, **fresh}.items():
        moving = _on_side(mine, theirs, entry, to, at)
        there = _joined_unknown(mine, theirs, entry, to) if moving else None
        if entry in fresh and any(move.rows for move in moving):
            moves += _parting(mine, theirs, entry, to, at)
            continue
        moves += [replace(move, ours=True, joins=there) for move in moving]
        moves += _on_side(theirs, mine, entry, to, at)
    return moves


def _parting(mine: sqlite3.Connection, theirs: sqlite3.Connection, entry: str, to: str, at: str) -> Iterator[Move]:
    """What the other side has of a reed that this side has another of, logged alike. InputError where both sides have
    the same entries of it, so that nobody can say which are whose."""
    for move in _on_side(theirs, mine, entry, to, at):
        own = _naming(mine, move.reed)
        if own and all(holds(theirs, kind, found) for kind, found, _ in own):
            kind, values = KINDS["reed"], next(values for kind, _, values in move.rows if kind.name == "reed")
            again = queries.again_command(kind, as_named(kind, values, to))
            give = command("log", "rename", move.reed, to, "--entry", "ENTRY")
            raise InputError(
                "both logs have all that this log has of it",
                f"reed {short(move.reed)}",
                f"log the other reed with {again}, and give it its entries: {give}",
            )
        yield replace(move, parts=True)


def joined(
    connection: sqlite3.Connection, source: sqlite3.Connection, reeds: Iterable[str], before: int
) -> tuple[str, ...]:
    """Those reeds that both logs of a merge have one entry of, the same, and nothing else of in common, though each has
    readings or work of it: they may be two. Reeds in conflict are none of them. before: the number of this log's last
    entry before the merge."""
    found = []
    for reed in reeds:
        own = [
            (kind, entry)
            for kind in map(KINDS.__getitem__, OF_A_REED)
            for (entry,) in connection.execute(
                f"SELECT entry FROM {kind.table} WHERE reed = ? AND seq <= ?", (reed, before)
            )
        ]
        reeds_here = [entry for _, entry, _ in _reeds_named(connection, reed)]
        alike = len(reeds_here) == 1 and holds(source, KINDS["reed"], reeds_here[0])
        if own and alike and not any(holds(source, kind, entry) for kind, entry in own):
            found.append(reed)
    return tuple(found)


def carry(journal: Journal, moves: Sequence[Move]) -> tuple[Renamed, ...]:
    """Rename what was foreseen, once both sides' entries are in the log; what was renamed, by name."""
    found: dict[tuple[str, str], Renamed] = {}
    with journal.writing() as connection:
        for move in moves:
            to = last_name(connection, move.to)
            # A strike may be worded like a rename and be none: then there never was a reed of the new name.
            goes = to != move.reed and (bool(_were_named(connection, to)) or _brings_reed(connection, move))
            moved = _move(journal, replace(move, to=to)) if goes else {}
            if move.parts and moved:
                _log_again(journal, move)
            if goes and move.ours:
                # Also what the other bench had renamed before has another name here only now.
                moved = dict(Counter(kind.name for kind, _, _ in move.rows))
            if not moved and not move.unsure:
                continue
            before = found.get((move.reed, to))
            for name, count in (before.moved if before else {}).items():
                moved[name] = moved.get(name, 0) + count
            unsure = (*(before.unsure if before else ()), *move.unsure)
            joins = move.joins if moved.get("reed") else None
            joins = joins or (before.joins if before else None)
            found[(move.reed, to)] = Renamed(move.reed, to, _entry_of(connection, to), moved, unsure, joins)
    return tuple(found[key] for key in sorted(found))


def _on_side(side: sqlite3.Connection, other: sqlite3.Connection, entry: str, to: str, at: str) -> list[Move]:
    """What one side of a merge has under the old name of a reed's entry, if that side means this reed by it."""
    row = side.execute("SELECT reed FROM reeds WHERE entry = ?", (entry,)).fetchone()
    if row is None:
        return []
    name = str(row[0])
    reasons = [why for (why,) in side.execute("SELECT why FROM strikes WHERE struck = ?", (entry,))]
    # Struck by this side for any other reason than a revision: the name is no longer this reed's here.
    if not all(why.startswith("revised") for why in reasons):
        return []
    reeds = _reeds_named(side, name)
    naming = _naming(side, name)
    if len(reeds) == 1:
        return [Move(name, to, at, [*naming, *reeds])]
    unsure = tuple(found for kind, found, _ in naming if not holds(other, kind, found))
    return [Move(name, to, at, [], unsure)] if reeds and unsure else []


def _move(journal: Journal, move: Move, *, joined: bool = False) -> dict[str, int]:
    """Strike rows and enter them again under the new name, with the doubts that were accepted; how many, by kind.

    What is struck already stays as it is: its new entry may have been struck since, for a reason.
    """
    moved: dict[str, int] = {}
    with journal.writing() as connection:
        # The reed first: nothing may name what is not there.
        for kind, entry, values in sorted(move.rows, key=lambda row: (row[0].name != "reed", row[1])):
            if is_struck(connection, entry):
                continue
            journal.put(KINDS["strike"], canonical(KINDS["strike"], [entry, RENAMED + move.to, move.at]))
            moved[kind.name] = moved.get(kind.name, 0) + 1
            if joined and kind.name == "reed":
                continue
            again = journal.put(kind, as_named(kind, values, move.to))
            journal.mark(again, _doubts(connection, entry))
    return moved


def _log_again(journal: Journal, move: Move) -> None:
    """Enter a reed again under the name that another, logged alike, went from, with the doubts that were accepted."""
    with journal.writing() as connection:
        for kind, entry, values in move.rows:
            if kind.name == "reed":
                journal.mark(journal.put(kind, values), _doubts(connection, entry))


def _doubts(connection: sqlite3.Connection, entry: str) -> list[str]:
    return [doubt for (doubt,) in connection.execute("SELECT doubt FROM marks WHERE marked = ?", (entry,))]


def as_named(kind: Kind, values: Sequence[Any], name: str) -> Row:
    """A row's values with another name of its reed."""
    return tuple(name if column == "reed" else value for column, value in zip(kind.names, values, strict=True))


def _stated_renames(connection: sqlite3.Connection) -> dict[str, tuple[str, str, str]]:
    """Entries of reeds that were renamed -> the strike that says so (the first by id), the new name, when."""
    query = "SELECT struck, entry, why, struck_at FROM strikes WHERE struck >= 'ree-' AND struck < 'ree.'"
    found: dict[str, tuple[str, str, str]] = {}
    for struck, strike, why, at in connection.execute(query):
        to = new_name(why)
        if to is not None and (struck not in found or strike < found[struck][0]):
            found[struck] = (strike, to, at)
    return found


def _joined_unknown(mine: sqlite3.Connection, theirs: sqlite3.Connection, entry: str, to: str) -> str | None:
    """The name that this side's reed of a new name had before, or has, where the side that renamed did not know it;
    None where no reed has that name here, or that side joined the two itself."""
    knew = (
        "SELECT 1 FROM strikes s JOIN reeds r ON r.seq < s.seq WHERE s.struck = ? AND s.why = ? AND r.reed = ? LIMIT 1"
    )
    if not _reeds_named(mine, to) or theirs.execute(knew, (entry, RENAMED + to, to)).fetchone():
        return None
    before = "SELECT min(r.reed) FROM strikes s JOIN reeds r ON r.entry = s.struck WHERE s.why = ?"
    return str(mine.execute(before, (RENAMED + to,)).fetchone()[0] or to)


def _brings_reed(connection: sqlite3.Connection, move: Move) -> bool:
    return any(kind.name == "reed" and not is_struck(connection, entry) for kind, entry, _ in move.rows)


def _were_named(connection: sqlite3.Connection, name: str) -> set[str]:
    """The entries of all reeds that ever had this name."""
    return {entry for (entry,) in connection.execute("SELECT entry FROM reeds WHERE reed = ?", (name,))}


def _reeds_named(connection: sqlite3.Connection, name: str) -> list[Named]:
    """The entries of reeds of this name that are not struck."""
    return _of_name(connection, ("reed",), name)


def _naming(connection: sqlite3.Connection, name: str) -> list[Named]:
    """The readings, trims, events and outcomes of this name that are not struck."""
    return _of_name(connection, OF_A_REED, name)


def _of_name(connection: sqlite3.Connection, kinds: Sequence[str], name: str) -> list[Named]:
    found: list[Named] = []
    for kind in (KINDS[word] for word in kinds):
        query = f"SELECT entry, {quoted(kind.names)} FROM {kind.table} WHERE reed = ? AND {UNSTRUCK} ORDER BY entry"
        found += [(kind, entry, tuple(values)) for entry, *values in connection.execute(query, (name,))]
    return found


def _the_reed(theirs: sqlite3.Connection, name: str) -> str:
    """The entry of the one reed of this name in the other log."""
    reeds = _reeds_named(theirs, name)
    if len(reeds) > 1:
        raise InputError(
            f"the other log has two reeds {short(name)!r} itself",
            f"--rename {short(name)}=…",
            "merge a log from before they were mixed, or rename entries with trimfit log rename … --entry",
        )
    stated, were = _stated_renames(theirs), _were_named(theirs, name)
    entries = [*(entry for _, entry, _ in reeds), *(entry for entry in stated if entry in were)]
    if entries:
        return entries[0]
    error = queries.unknown(theirs, KINDS["reed"], name)
    raise InputError(f"{error.what} of the other bench", f"--rename {short(name)}=…", error.remedy)


def _refuse_clash(connection: sqlite3.Connection, kind: Kind, values: Row, entry: str, *, joined: bool) -> None:
    if kind.name == "reed":
        return
    found = refusals.clash(connection, kind, values)
    if joined and found is not None and found[1] != values:
        raise InputError(
            f"{entry} and {found[0]} are of one instant and differ", kind.name, "strike the wrong one first"
        )


def _entry_of(connection: sqlite3.Connection, name: str) -> str:
    return next((entry for _, entry, _ in _reeds_named(connection, name)), "")
