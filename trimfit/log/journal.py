"""The log: an append-only file that an acknowledged entry never leaves.

An entry is never changed. A wrong one is struck by a later entry that names it and says why; both stay readable.
Whatever is written goes through `Journal.writing`: one transaction, durable when it returns, undone whole if it fails.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from fractions import Fraction
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from trimfit.base import iso_dates
from trimfit.base.errors import InputError, command, nearest, short
from trimfit.base.records import Chanter, Doubt, Logged, Order, Reed, ReedHistory, Settings
from trimfit.log import queries, refusals
from trimfit.log import settings as log_settings
from trimfit.log.column_values import canonical, name_value
from trimfit.log.entry_kinds import (
    KINDS,
    NAMED,
    OF_A_REED,
    Kind,
    Row,
    Setting,
    begun_id,
    kind_of_entry,
    kind_of_record,
    references,
)
from trimfit.log.entry_rows import differences, entry_id, insert_sql, instant_of, stored
from trimfit.log.file.seal import is_older, seal_of, sealed, unsealed
from trimfit.log.file.store import Store, translated
from trimfit.log.instants import MADE_AT, derive, reordered, zone_of, zone_to_set
from trimfit.log.queries import LIVE

if TYPE_CHECKING:
    from trimfit.log.entry_counts import Conflict

T = TypeVar("T")
LATEST_CUTS = 250
AMENDED = "amended: "
"""What the reason of a strike begins with where a corrected entry stands in the place of the struck one."""


class Journal(Store):
    """One open log. Use it as a context manager."""

    _settings: tuple[Settings, Mapping[str, Fraction]] | None = None
    _zone_set = False
    _learned_writes = 0
    _seals: Mapping[str, bytes] = MappingProxyType({})
    reordered: tuple[str, ...] = ()
    """The reeds whose entries stand in another order since this journal last changed the shop's zone, sorted."""

    def brought_up_to_date(self) -> None:
        """An older log's names were folded: entries of one name may stand aside for one another now."""
        self.settle_conflicts()

    def undone(self) -> None:
        """A transaction was undone: a setting read in it may not be one."""
        self._settings = None
        self._zone_set = False
        self._learned_writes += 1

    def others_wrote(self) -> None:
        """Another process wrote into the log: the settings may have changed."""
        self._settings = None

    # Writing

    def append(self, record: T, *, doubts: Sequence[str | Doubt] = ()) -> Logged[T]:
        """Keep one record; it is durable when this returns.

        A record the log already holds is not added again: its entry comes back. One that was struck becomes a new
        entry. `doubts` were said and accepted, and stay with the entry. Raises InputError for a value that cannot be
        meant, a reed, order or chanter the log does not know, a trim past the blade, or another entry of the same key.
        """
        kind = kind_of_record(record)
        with self.writing() as connection:
            self.set_zone()
            values = canonical(kind, kind.row(record), self.scale())
            if kind.name == "setting":
                log_settings.checked(str(values[0]), str(values[2]))
            entry, generation, seq = self.place(kind, values)
            if seq is None:
                refusals.refuse(connection, kind, values)
                seq = self.insert(kind, values, entry, generation)
            self.mark(entry, doubts)
            kept = queries.doubts_of(connection, [entry])[entry]
            instant = instant_of(kind, values, self.settings().time_zone)
            return Logged(entry, seq, instant or 0.0, kind.from_row(values), kept)

    def mark(self, entry: str, doubts: Sequence[str | Doubt]) -> None:
        """Keep doubts with an entry; one that it carries already is not kept twice."""
        kind = KINDS["mark"]
        with self.writing():
            for doubt in doubts:
                said = f"{doubt.kind}: {doubt.sentence}" if isinstance(doubt, Doubt) else doubt
                self.put(kind, (entry, said))

    def strike(self, entry_id: str, why: str, at: str | None = None) -> str:
        """Take an entry back, saying why; the strike's own id. InputError if it is unknown or already struck."""
        with self.writing() as connection:
            entry = self.find(entry_id)
            self.refuse_struck(entry)
            zone = zone_of(connection)
            kind = KINDS["strike"]
            values = canonical(kind, [entry, why, at or iso_dates.local_now()])
            strike, generation, _ = self.place(kind, values)
            self.insert(kind, values, strike, generation)
            struck = kind_of_entry(entry)
            if struck is not None:
                from trimfit.log.merging.conflicts import settle_like

                settle_like(connection, struck, entry)
            self._settings = None
            self.follow_zone(zone)
            return strike

    def take_back(self, entry_id: str, why: str, at: str | None = None) -> tuple[str, str | None]:
        """Strike an entry. Where it stood in the place of an earlier one of its reed, chanter or order, and no other of
        that name is left, the earlier one is logged again, with its doubts, in the same transaction.

        The strike's own id, and the id of what counts again, if anything does. InputError as `strike` raises it, and
        where more was taken off the reed than the blade that it would have again.
        """
        with self.writing() as connection:
            entry = self.find(entry_id)
            kind, values = self.row_of(entry)
            unstruck = f'SELECT count(*) FROM {kind.table} WHERE "{kind.key[0]}" = ? AND {queries.UNSTRUCK}'
            alone = kind.name in NAMED and connection.execute(unstruck, values[:1]).fetchone()[0] == 1
            earlier = queries.revised_from(connection, kind, values) if alone else None
            if earlier is None:
                return self.strike(entry, why, at), None
            done = self.strike(entry, f"{queries.BACK}{earlier}: {why}", at)
            _, before = self.row_of(earlier)
            if isinstance(record := kind.from_row(before), Reed):
                refusals.refuse_short_blade(connection, record.reed, record.blade_mm)
            again = self.put(kind, before)
            doubts = connection.execute("SELECT doubt FROM marks WHERE marked = ?", (earlier,)).fetchall()
            self.mark(again, [doubt for (doubt,) in doubts])
            return done, again

    def refuse_struck(self, entry: str) -> None:
        """Raise InputError for an entry that was struck before, with the reason."""
        query = "SELECT why FROM strikes WHERE struck = ?"
        before = self._connection.execute(query, (entry,)).fetchone()
        if before:
            raise InputError(f"was struck before ({short(before[0])})", entry, self._again(entry, before[0]))

    def _again(self, entry: str, why: str) -> str:
        """What to do where an entry should count that was struck; why: the reason of that."""
        kind, values = self.row_of(entry)
        remedy = "log it again if it should count"
        if kind.name in OF_A_REED and why.startswith(AMENDED):
            there = self._in_its_place(entry)
            return f"{there} in its place counts" if there else f"so was the one in its place: {remedy}"
        if kind.name in OF_A_REED and queries.new_name(why) is not None:
            now = queries.last_name(self._connection, str(values[0]))
            if there := self._in_its_place(entry, now):
                return f"it is {there} of {short(now)} now"
        if kind.name in (*NAMED, *OF_A_REED):
            other = self.entry_of(kind.name, str(values[0])) if kind.name in NAMED else None
            remedy = f"log it again with {queries.again_command(kind, values)}"
            return f"{other.entry} counts in its place" if other else remedy
        return remedy

    def _in_its_place(self, entry: str, reed: str | None = None) -> str:
        """The entry that counts of the instant of a struck one and of its reed, or of `reed`; empty where none does."""
        kind, values = self.row_of(entry)
        query = (
            f"SELECT entry FROM {kind.table} WHERE {LIVE} AND reed = ? AND "
            f"at_s = (SELECT at_s FROM {kind.table} WHERE entry = ?) ORDER BY seq DESC LIMIT 1"
        )
        found = self._rows(query, (reed or values[0], entry))
        return str(found[0][0]) if found else ""

    def amend(self, entry_id: str, record: T, *, doubts: Sequence[str | Doubt] = ()) -> Logged[T]:
        """Keep a record in the place of an entry, which is struck: both in one transaction.

        `record` is of the entry's kind, reed and time. The same as the entry, it adds nothing. Raises InputError as
        `strike` and `append` do; then nothing was changed.
        """
        kind = kind_of_record(record)
        with self.writing():
            entry = self.find(entry_id)
            _, before = self.row_of(entry)
            values = canonical(kind, kind.row(record), self.scale())
            if values != before:
                self.strike(entry, f"{AMENDED}{differences(kind, before, values)}")
            return self.append(record, doubts=doubts)

    def row_of(self, entry: str) -> tuple[Kind, Row]:
        """The kind and the values of an entry that is in the log, struck or not. InputError for what is no id."""
        kind = kind_of_entry(entry)
        if kind is None:
            raise InputError("no entry has this id", short(entry))
        query = f"SELECT {queries.quoted(kind.names)} FROM {kind.table} WHERE entry = ?"
        return kind, tuple(self._connection.execute(query, (entry,)).fetchone())

    def set_setting(self, name: str, text_value: str, at: str | None = None) -> str:
        """Set a shop setting; the entry's id. The value is checked; InputError says what it may be."""
        word = log_settings.checked(name, text_value)
        with self.writing() as connection:
            self.set_zone()
            zone = zone_of(connection)
            if at is None:
                at = iso_dates.local_now()
                last = connection.execute("SELECT max(at_s) FROM settings WHERE setting = ?", (name,)).fetchone()[0]
                if last is not None and iso_dates.at_s(at) <= last:
                    at = iso_dates.later_text(last)
            logged = self.append(Setting(name, at, word))
            self.follow_zone(zone)
            return logged.entry

    def place(self, kind: Kind, values: Sequence[Any]) -> tuple[str, int, int | None]:
        """Where a row belongs: its entry id, its generation, and its seq if it is already there and not struck."""
        generation = 0
        while True:
            entry = entry_id(kind, values, generation)
            found = self._connection.execute(f"SELECT seq FROM {kind.table} WHERE entry = ?", (entry,)).fetchone()
            if found is None:
                return entry, generation, None
            if not self._connection.execute("SELECT 1 FROM strikes WHERE struck = ?", (entry,)).fetchone():
                return entry, generation, int(found[0])
            generation += 1

    def put(self, kind: Kind, values: Sequence[Any]) -> str:
        """Add a checked row inside a transaction, unless it is there and not struck; its entry id."""
        entry, generation, seq = self.place(kind, values)
        if seq is None:
            self.insert(kind, values, entry, generation)
        return entry

    def insert(self, kind: Kind, values: Sequence[Any], entry: str, generation: int) -> int:
        """Add a checked row inside a transaction; its seq."""
        seq = self.last_seq() + 1
        self.insert_at(kind, values, seq, entry, generation)
        return seq

    def insert_at(
        self, kind: Kind, values: Sequence[Any], seq: int, entry: str, generation: int, zone: str | None = None
    ) -> None:
        """Add a checked row inside a transaction, at a seq that is known to be free. zone: the shop's in force."""
        row = stored(kind, values, seq, entry, generation, zone or self.settings().time_zone)
        self._connection.execute(insert_sql(kind), row)
        if kind.name == "setting":
            self._settings = None

    def set_zone(self) -> None:
        """Set the shop's zone where none was ever set, inside a transaction."""
        if self._zone_set:
            return
        zone = zone_to_set(self._connection)
        if zone is not None:
            kind = KINDS["setting"]
            values = ("time_zone", MADE_AT, zone)
            self.insert(kind, values, entry_id(kind, values), 0)
            self.follow_zone("UTC")
        self._zone_set = True

    def follow_zone(self, before: str) -> None:
        """Derive instants anew where the shop's zone is no longer `before`; `reordered` says whose order changed."""
        connection = self._connection
        zone = zone_of(connection)
        if zone == before:
            return
        self.reordered = tuple(reordered(connection, zone))
        derive(connection, zone)
        if self.reordered:
            connection.execute("DELETE FROM learned")
            self._learned_writes += 1
        self.settle_conflicts()

    def forget_settings(self) -> None:
        """Read the shop's settings anew at their next use: one was added by hand."""
        self._settings = None

    def settle_conflicts(self) -> list[Conflict]:
        """Work out anew which entries stand aside for another of the same key; the conflicts that are open."""
        from trimfit.log.merging.conflicts import settle

        self._settings = None
        with self.writing() as connection:
            return settle(connection)

    def conflicts(self) -> list[Conflict]:
        """The conflicts that are open: entries of one key and different content, none of them struck."""
        from trimfit.log.merging.conflicts import open_conflicts

        with self.reading() as connection:
            return open_conflicts(connection)

    def next_to_count(self, entry: str) -> str | None:
        """The entry of the same key that stands aside for this one and counts once it is struck, if there is one."""
        from trimfit.log.merging.conflicts import next_to_count

        kind = kind_of_entry(entry)
        with self.reading() as connection:
            return next_to_count(connection, kind, entry) if kind is not None else None

    def since(self, seq: int, open_ones: Sequence[Conflict]) -> list[str]:
        """Those entries of conflicts that came to this log after `seq`."""
        with self.reading():
            return [
                entry
                for conflict in open_ones
                for entry in (conflict.kept, *conflict.aside)
                if self._rows(f"SELECT 1 FROM {KINDS[conflict.kind].table} WHERE entry = ? AND seq > ?", (entry, seq))
            ]

    # Reading

    def _rows(self, query: str, values: Sequence[object] | Mapping[str, object] = ()) -> list[tuple[Any, ...]]:
        with self.reading() as connection:
            return connection.execute(query, values).fetchall()

    def which_are_known(self, kind: Kind, entries: Sequence[str]) -> set[str]:
        """Those of `entries` that the log holds, struck or not."""
        query = f"SELECT entry FROM {kind.table} WHERE entry IN (SELECT value FROM json_each(?))"
        return {entry for (entry,) in self._connection.execute(query, (json.dumps(list(entries)),))}

    def accepted_doubts(self) -> list[tuple[str, str]]:
        """Entry and `kind: sentence` of the doubts that were accepted, of entries that are not struck."""
        query = "SELECT marked, doubt FROM marks WHERE marked NOT IN (SELECT struck FROM strikes) ORDER BY seq"
        return [(entry, queries.doubt_shown(doubt)) for entry, doubt in self._rows(query)]

    def reed_of_entry(self, entry: str) -> str:
        """The reed that an entry is about; empty for entries about something else."""
        kind = kind_of_entry(entry)
        return self.name_of(entry) if kind is not None and kind.key[0] == "reed" else ""

    def names_of_struck(self) -> list[tuple[str, str, str, str]]:
        """Entry, its reed, and the kind and name of what it names though that was struck."""
        found = []
        with self.reading():
            for kind, column, to in references():
                reed = "reed" if "reed" in kind.names else "''"
                query = (
                    f'SELECT entry, {reed}, "{column.name}" FROM {kind.table} WHERE {LIVE} AND "{column.name}" '
                    f'IS NOT NULL AND "{column.name}" NOT IN (SELECT "{to.key[0]}" FROM {to.table} WHERE {LIVE})'
                )
                found += [(entry, name, to.name, about) for entry, name, about in self._rows(query)]
        return found

    def entry_of(self, kind_name: str, name: str) -> Logged[Any] | None:
        """The entry of a reed, order or chanter of this name that counts, if there is one."""
        kind = KINDS[kind_name]
        query = (
            f'SELECT seq, entry, {queries.quoted(kind.names)} FROM {kind.table} WHERE "{kind.key[0]}" = ? AND {LIVE}'
        )
        found = self._rows(query, (name_value(kind, name),))
        return next((Logged(entry, seq, 0.0, kind.from_row(tuple(values))) for seq, entry, *values in found), None)

    def name_of(self, entry: str) -> str:
        """What an entry is about, by the first column of its key."""
        kind = kind_of_entry(entry)
        if kind is None:
            return ""
        row = self._connection.execute(f'SELECT "{kind.key[0]}" FROM {kind.table} WHERE entry = ?', (entry,)).fetchone()
        return str(row[0]) if row else ""

    def naming(self, kind_name: str, name: str) -> int:
        """How many entries that count name a reed, order or chanter."""
        queries_of = (
            f'SELECT count(*) FROM {kind.table} WHERE "{column.name}" = ? AND {LIVE}'
            for kind, column, to in references()
            if to.name == kind_name
        )
        with self.reading():
            return sum(int(self._rows(query, (name,))[0][0]) for query in queries_of)

    def only_chanter(self) -> str | None:
        """The chanter of a log that has one; None where it has none or several."""
        rows = self._rows(f"SELECT chanter FROM chanters WHERE {LIVE} LIMIT 2")
        return str(rows[0][0]) if len(rows) == 1 else None

    def chanter_read(self, chanter: str, until_seq: int | None = None) -> bool:
        """Whether any reed was ever read in this chanter with F and E both. Looked for from the latest entry back.

        until_seq: among the entries up to that one.
        """
        query = (
            "SELECT 1 FROM readings WHERE chanter = ? AND f_hz IS NOT NULL AND e_hz IS NOT NULL "
            f"AND seq <= ? AND {LIVE} ORDER BY seq DESC LIMIT 1"
        )
        return bool(self._rows(query, (chanter, 2**62 if until_seq is None else until_seq)))

    def struck_readings(self, since_seq: int) -> list[tuple[str | None, float | None, float | None]]:
        """Chanter, F and E (Hz) of the readings logged up to an entry that were struck after it."""
        query = (
            "SELECT r.chanter, r.f_hz, r.e_hz FROM strikes s JOIN readings r ON r.entry = s.struck "
            "WHERE s.seq > ? AND r.seq <= ?"
        )
        return self._rows(query, (since_seq, since_seq))

    def latest_amounts(
        self,
        column: Literal["length_mm", "lip_strokes"],
        reed_type: str,
        *,
        but: str = "",
        until_s: float | None = None,
    ) -> list[float]:
        """The amounts of the latest trims of a type's reeds, mm taken or lip strokes. but: an entry that is not
        counted. until_s: trims of a later instant are left out.

        An amount that was in doubt is kept, and says nothing of what is usual.
        """
        doubt = {"length_mm": "trim-long", "lip_strokes": "strokes-many"}[column]
        query = (
            f"SELECT t.{column} FROM "
            f"(SELECT * FROM trims WHERE {LIVE} AND (:until_s IS NULL OR at_s <= :until_s) "
            f"ORDER BY seq DESC LIMIT {4 * LATEST_CUTS}) t "
            f"JOIN reeds r ON r.reed = t.reed WHERE r.reed_type = :reed_type AND t.{column} > 0 AND t.entry <> :but "
            "AND NOT EXISTS "
            f"(SELECT 1 FROM marks m WHERE m.marked = t.entry AND m.doubt >= '{doubt}:' AND m.doubt < '{doubt};') "
            f"LIMIT {LATEST_CUTS}"
        )
        return [float(one) for (one,) in self._rows(query, {"reed_type": reed_type, "but": but, "until_s": until_s})]

    def outcomes_of(self, reed: str) -> tuple[str, ...]:
        """The ids of a reed's outcomes that count, in order of time: after a merge there may be several."""
        query = f"SELECT entry FROM outcomes WHERE reed = ? AND {LIVE} ORDER BY at_s, seq"
        return tuple(entry for (entry,) in self._rows(query, (reed,)))

    def last_of(self, reed: str | None = None, *, entered: bool = False) -> str:
        """The id of a reed's last reading, trim, event or outcome that counts: the last in time, whatever came to the
        log after it; of one instant the one that was entered later. Without a reed, of the whole log the entry logged
        last; `entered`: so of a reed, too.

        InputError where there is none.
        """
        about = None if reed is None else name_value(KINDS["reed"], reed)
        names = OF_A_REED if about else (*OF_A_REED, "reed", "chanter", "order")
        where, last = "AND reed = ?" if about else "", "at_s, seq" if about and not entered else "seq"
        order = last.replace(",", " DESC,")
        found: list[tuple[Any, ...]] = []
        with self.reading() as connection:
            if about is not None and not queries.knows(connection, "reed", about):
                raise queries.unknown(connection, KINDS["reed"], about)
            for name in names:
                query = (
                    f"SELECT {last}, entry FROM {KINDS[name].table} WHERE {LIVE} {where} ORDER BY {order} DESC LIMIT 1"
                )
                found += self._rows(query, (about,) if about else ())
        if not found:
            if about is None:
                raise InputError("nothing is logged that could be struck")
            own = self.entry_of("reed", str(about))
            struck = command("log", "strike", own.entry if own is not None else "ENTRY")
            remedy = f"the reed itself is struck with {struck}, and mended with {command('log', 'reed', str(about))} …"
            raise InputError("nothing else is logged of it", f"reed {short(about)}", remedy)
        return str(max(found)[-1])

    def find(self, text: str) -> str:
        """The entry whose id is `text` or alone begins with it (`begun_id`); InputError if there is none."""
        word = text.strip().lower()
        kind = kind_of_entry(word)
        found: list[str] = []
        if kind is not None:
            begun_id(word)
        if kind is not None and word.isascii():
            rows = self._connection.execute(
                f"SELECT entry FROM {kind.table} WHERE entry >= ? AND entry < ? LIMIT 2", (word, word + "~")
            )
            found = [entry for (entry,) in rows]
        if not found:
            raise InputError("no entry has this id", short(text), "trimfit review reed REED names a reed's entries")
        if len(found) > 1:
            raise InputError("several entries begin like this", short(text), "give more of the id")
        if kind is not None and kind.name == "strike":
            _, (struck, why, *_rest) = self.row_of(found[0])
            raise InputError("a strike is not struck", short(text), self._again(str(struck), str(why)))
        if kind is not None and kind.name == "mark":
            raise InputError("a mark is not struck", short(text), "log the entry it names again instead")
        return found[0]

    def of_reed(self, name: str) -> ReedHistory:
        """All that the log knows of one reed; reads nothing else. InputError with the nearest name if unknown."""
        word = name_value(KINDS["reed"], name)
        with self.reading() as connection:
            found = queries.histories(connection, [word])
            if not found:
                raise queries.unknown(connection, KINDS["reed"], word)
            return found[0]

    def reed_named(self, name: str) -> Reed:
        """What the log knows of a reed itself. InputError with the nearest name if unknown."""
        found = self.entry_of("reed", name)
        if found is None:
            with self.reading() as connection:
                raise queries.unknown(connection, KINDS["reed"], name_value(KINDS["reed"], name))
        reed: Reed = found.record
        return reed

    def of_reeds(
        self, names: Sequence[str] | None = None, *, open_only: bool = False, until_s: float | None = None
    ) -> list[ReedHistory]:
        """Histories of the named reeds (of all, without names), in a handful of queries.

        open_only: only reeds that have an order and no outcome, and were made by the day of until_s. until_s: as the
        log stood at that instant (see `queries.histories`). Names that the log does not know raise InputError.
        """
        with self.reading() as connection:
            gone = "SELECT reed FROM outcomes WHERE at_s <= ? AND " + LIVE
            where = f'"order" IS NOT NULL AND reed NOT IN ({gone})' if open_only else ""
            if names is None:
                values = [_end(until_s)] if open_only else []
                listed = queries.reed_names(connection, where=where, values=values)
                found = queries.histories(connection, listed, until_s)
                return _made_by(found, until_s) if open_only else found
            words = [name_value(KINDS["reed"], name) for name in names]
            found = queries.histories(connection, words, until_s)
            known = {entry.reed.record.reed for entry in found}
            for word in words:
                if word not in known:
                    raise queries.unknown(connection, KINDS["reed"], word)
            if open_only:
                found = [entry for entry in found if entry.reed.record.order and entry.outcome is None]
                return _made_by(found, until_s)
            return found

    def blanks(self, *, until_s: float | None = None) -> list[ReedHistory]:
        """Reeds that nothing was ever taken off and that have not left the bench; until_s: as of that instant, without
        those made on a later day."""
        gone = [f"reed NOT IN (SELECT reed FROM {table} WHERE at_s <= ? AND {LIVE})" for table in ("trims", "outcomes")]
        with self.reading() as connection:
            names = queries.reed_names(connection, where=" AND ".join(gone), values=[_end(until_s)] * 2)
            return _made_by(queries.histories(connection, names, until_s), until_s)

    def of_batch(self, reed_type: str, batch: str, *, until_s: float | None = None) -> list[ReedHistory]:
        """Histories of a batch's reeds; until_s: as the log stood at that instant (see `queries.histories`)."""
        with self.reading() as connection:
            where = "reed_type = ? AND batch = ?"
            names = queries.reed_names(connection, where=where, values=(reed_type, batch))
            return queries.histories(connection, names, until_s)

    def reeds(self) -> dict[str, Reed]:
        """Every reed by its name."""
        with self.reading() as connection:
            return queries.latest(connection, KINDS["reed"])

    def orders(self) -> dict[str, Order]:
        """Every order by its name."""
        with self.reading() as connection:
            return queries.latest(connection, KINDS["order"])

    def chanters(self) -> dict[str, Chanter]:
        """Every chanter by its name."""
        with self.reading() as connection:
            return queries.latest(connection, KINDS["chanter"])

    def columns(
        self, kind: str, names: Sequence[str], *, after_seq: int | None = None, reeds: Sequence[str] | None = None
    ) -> list[tuple[Any, ...]]:
        """Columns of all entries of a kind that count, as tuples, in the order they came; made for bulk.

        names: the kind's columns, `seq`, `entry` and (of kinds that have a time) `at_s`. A missing value is None.
        reeds: of these reeds alone, found by name. InputError for a name that is no column.
        """
        of = KINDS[kind]
        known = ("seq", "entry", *(("at_s",) if of.time else ()), *of.names)
        for name in names:
            if name not in known:
                raise InputError(f"{name!r} is no column of {of.table}", of.table, nearest(name, known))
        values: list[object] = [after_seq or 0]
        where = f"seq > ? AND {LIVE}"
        if reeds is not None:
            # the unary plus keeps the table's own order from being walked: the reeds' index is what finds them
            where = f"+{where} AND reed IN (SELECT value FROM json_each(?))"
            values.append(json.dumps(list(reeds)))
        return self._rows(f"SELECT {queries.quoted(names)} FROM {of.table} WHERE {where} ORDER BY seq", values)

    def last_read(self, readings: int) -> list[str]:
        """The reeds of the latest so many readings that count, the last read first."""
        query = f"SELECT reed FROM readings WHERE {LIVE} ORDER BY seq DESC LIMIT ?"
        return list(dict.fromkeys(reed for (reed,) in self._rows(query, (readings,))))

    def reeds_of_order(self, order: str) -> list[str]:
        """The names of all reeds put to an order."""
        with self.reading() as connection:
            return queries.reed_names(connection, where='"order" = ?', values=(order,))

    def reeds_sent_to(self, chanter: str, most: int) -> list[str]:
        """The reeds of a chanter's orders that have an outcome or an event, the latest `most` of them."""
        came = " UNION ALL ".join(
            f"SELECT reed, at_s FROM {table} WHERE {LIVE} AND reed IN (SELECT reed FROM theirs)"
            for table in ("outcomes", "events")
        )
        query = (
            f'WITH theirs AS (SELECT reed FROM reeds WHERE {LIVE} AND "order" IN '
            f'(SELECT "order" FROM orders WHERE chanter = ? AND {LIVE})) '
            f"SELECT reed FROM ({came}) GROUP BY reed ORDER BY max(at_s) DESC LIMIT ?"
        )
        return [reed for (reed,) in self._rows(query, (chanter, most))]

    def good_of(self, orders: Sequence[str]) -> dict[str, int]:
        """How many reeds of each of these orders left the bench good."""
        query = (
            'SELECT r."order", count(*) FROM (SELECT reed, "order" FROM reeds WHERE "order" IN '
            f"(SELECT value FROM json_each(?)) AND {LIVE}) r "
            f"JOIN (SELECT reed, outcome FROM outcomes WHERE outcome = 'good' AND {LIVE}) o ON o.reed = r.reed "
            'GROUP BY r."order"'
        )
        return dict(self._rows(query, (json.dumps(list(orders)),)))

    def last_seq(self) -> int:
        """The number of the latest entry in this file; 0 for a log that holds none."""
        with translated(self.path):
            each = ", ".join(f"(SELECT coalesce(max(seq), 0) FROM {kind.table})" for kind in KINDS.values())
            return int(self._connection.execute(f"SELECT max({each})").fetchone()[0])

    def count(self, kind: str) -> int:
        """How many entries of a kind count."""
        return int(self._rows(f"SELECT count(*) FROM {KINDS[kind].table} WHERE {LIVE}")[0][0])

    def settings(self) -> Settings:
        """The shop's settings in force; read once, until one is set here or another process writes."""
        return self._in_force()[0]

    def scale(self) -> Mapping[str, Fraction]:
        """The nine just ratios under the shop's settings."""
        return self._in_force()[1]

    def _in_force(self) -> tuple[Settings, Mapping[str, Fraction]]:
        with self.reading() as connection:
            if self._settings is None:
                query = f"SELECT setting, value FROM settings WHERE {LIVE} ORDER BY at_s, entry"
                settings = log_settings.settings_from(connection.execute(query).fetchall())
                self._settings = settings, log_settings.scale_of(settings)
            return self._settings

    # What was learned: derived, rebuilt at need, neither exported nor merged

    def learned_get(self, key: str) -> bytes | None:
        """What was kept under `key`; None where nothing was, or where it is not what was kept: it is derived anew."""
        with self.reading() as connection:
            row = connection.execute("SELECT value FROM learned WHERE key = ?", (key,)).fetchone()
            if row is None:
                return None
            kept = bytes(row[0])
            self._seals = {**self._seals, key: seal_of(kept)}
            return unsealed(key, kept)

    def learned_spoiled(self) -> list[str]:
        """The keys of derived values that are not what was kept under them. Those of before checksums are none."""
        with self.reading() as connection:
            rows = connection.execute("SELECT key, value FROM learned")
            return [key for key, kept in rows if unsealed(key, bytes(kept)) is None and not is_older(bytes(kept))]

    def learned_clear(self) -> None:
        """Throw away the derived values that are not what was kept."""
        if spoiled := self.learned_spoiled():
            with self.writing() as connection:
                connection.executemany("DELETE FROM learned WHERE key = ?", [(key,) for key in spoiled])
            self._learned_writes += 1

    def learned_is_same(self, key: str) -> bool:
        """Whether what is kept under `key` is what was read or kept here last, whoever wrote into the log since."""
        with self.reading() as connection:
            row = connection.execute("SELECT value FROM learned WHERE key = ?", (key,)).fetchone()
            return row is not None and self._seals.get(key) == seal_of(bytes(row[0]))

    def learned_version(self) -> tuple[int, int]:
        """Changes whenever another process wrote into the log, or this one what was learned."""
        return self.version(), self._learned_writes

    def learned_put(self, items: Mapping[str, bytes], latest_of: tuple[str, int] | None = None) -> None:
        """Keep derived values, each with its checksum, in place of what stood under their keys.

        latest_of: how keys begin of which only so many, those that were first kept last, stay in the log.
        """
        kept = {key: sealed(key, value) for key, value in items.items()}
        with self.writing() as connection:
            connection.executemany(
                "INSERT INTO learned VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                list(kept.items()),
            )
            if latest_of is not None:
                connection.execute(
                    "DELETE FROM learned WHERE instr(key, ?1) = 1 AND rowid NOT IN "
                    "(SELECT rowid FROM learned WHERE instr(key, ?1) = 1 ORDER BY rowid DESC LIMIT ?2)",
                    latest_of,
                )
        self._seals = {**self._seals, **{key: seal_of(value) for key, value in kept.items()}}
        self._learned_writes += 1


def _made_by(found: list[ReedHistory], until_s: float | None) -> list[ReedHistory]:
    """Without the reeds that were made after the day of an instant, in the machine's zone; all where none is given."""
    if until_s is None:
        return found
    day = iso_dates.text_of(until_s)[:10]
    return [one for one in found if (one.reed.record.made_on or "") <= day]


def _end(until_s: float | None) -> float:
    """An instant for a query that all entries are before where none is asked for."""
    return 1e12 if until_s is None else until_s
