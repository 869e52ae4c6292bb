"""The log: an append-only SQLite file that an acknowledged entry never leaves.

An entry is never changed. A wrong one is struck by a later entry that names it and says why; both stay readable.
Whatever is written goes through `Journal.writing`: one transaction, durable when it returns, undone whole if it fails.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from trimfit.bench import history, schema, shop, times
from trimfit.bench.cells import canonical
from trimfit.bench.history import LIVE
from trimfit.bench.identity import entry_id
from trimfit.bench.kinds import KINDS, Kind, Row, Said, Setting, kind_of_entry, kind_of_record
from trimfit.errors import InputError, LogError, TrimfitError
from trimfit.records import Chanter, Doubt, Logged, Order, Reed, ReedHistory, Settings

__all__ = ["Conflict", "Counts", "Journal"]

T = TypeVar("T")
Progress = Callable[[str, int, int], None]
# How long a writer waits for another before it gives up; an import of a decade takes a fraction of this.
PATIENCE_S = 120.0


@dataclass(frozen=True, slots=True)
class Conflict:
    """Entries of one key and different content, met in a merge: `kept` counts, `aside` stand aside until one is
    struck."""

    kind: str
    key: str
    kept: str
    aside: tuple[str, ...]
    differs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Counts:
    """What an import or a merge did: entries new to the log, entries it knew, entries it could not let count."""

    new: int = 0
    known: int = 0
    refused: int = 0
    by_kind: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    conflicts: tuple[Conflict, ...] = ()


class Journal:
    """One open log. Use it as a context manager."""

    def __init__(self, path: Path, *, create: bool = False) -> None:
        """Open the log at `path`, bring an older one up to date; with `create`, make one that is not there.

        Raises LogError if it is not there (without `create`), is not a log, or was written by a newer trimfit;
        TrimfitError if it cannot be read or written.
        """
        self.path = Path(path)
        self._depth = 0
        self._scale: Mapping[str, Fraction] | None = None
        with _translated(self.path):
            if self.path.exists():
                schema.header_version(self.path)
            elif not create:
                raise LogError(
                    "there is no log here", str(self.path), "import a folder or log an entry, or name it with --log"
                )
            elif not self.path.parent.is_dir():
                raise LogError("the folder for the log is not there", str(self.path.parent), "make it first")
            self.read_only = False
            self._connection = self._open(create)

    def _open(self, create: bool) -> sqlite3.Connection:
        connection = _connect(self.path)
        try:
            connection.execute("PRAGMA recursive_triggers = ON")
            connection.execute("PRAGMA synchronous = FULL")
            _patiently(lambda: schema.bring_up_to_date(connection, self.path, create=create))
            if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                # Another process may be using the file this moment; then one of the next to open it does this.
                with contextlib.suppress(sqlite3.OperationalError):
                    connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            connection.close()
            if "readonly" in str(error) or "unable to open" in str(error):
                return self._open_to_read(error)
            raise
        except BaseException:
            connection.close()
            raise
        return connection

    def _open_to_read(self, error: sqlite3.OperationalError) -> sqlite3.Connection:
        """A log in a folder that cannot be written is still read; writing it then says so."""
        if not self.path.exists():
            raise error
        # Without a write-ahead file beside it the log is whole in itself, and no process can be writing it here.
        still = "" if self.path.with_name(self.path.name + "-wal").exists() else "&immutable=1"
        from urllib.parse import quote

        connection = sqlite3.connect(
            f"file:{quote(str(self.path.absolute()))}?mode=ro{still}", uri=True, isolation_level=None
        )
        try:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
        except sqlite3.Error:
            connection.close()
            raise
        if version != schema.newest():
            connection.close()
            raise TrimfitError(
                "the log is of an earlier schema and cannot be written", str(self.path), "copy it where you may write"
            )
        self.read_only = True
        return connection

    def close(self) -> None:
        """Close the file; a closed journal answers nothing more."""
        self._connection.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # Transactions

    @contextlib.contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """The one way to write: a transaction that nests, is durable when it ends, and is undone by any exception."""
        if self._depth:
            yield self._connection
            return
        if self.read_only:
            raise TrimfitError(*_no_leave(self.path))
        with _translated(self.path):
            _patiently(lambda: self._connection.execute("BEGIN IMMEDIATE"))
            self._depth = 1
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("ROLLBACK")
                self._scale = None
                raise
            finally:
                self._depth = 0

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Several queries that all see the log as it is at one moment."""
        if self._depth:
            yield self._connection
            return
        with _translated(self.path):
            self._connection.execute("BEGIN")
            self._depth = 1
            try:
                yield self._connection
            finally:
                self._depth = 0
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("COMMIT")

    # Writing

    def append(self, record: T, *, doubts: Sequence[str | Doubt] = ()) -> Logged[T]:
        """Keep one record; it is durable when this returns.

        A record the log already holds is not added again: its entry comes back. One that was struck becomes a new
        entry. `doubts` were said and accepted, and stay with the entry. Raises InputError for a value that cannot be
        meant, a reed, order or chanter the log does not know, a trim past the blade, or another entry of the same key.
        """
        kind = kind_of_record(record)
        with self.writing() as connection:
            values = canonical(kind, kind.row(record), self.scale())
            if kind.name == "setting":
                shop.checked(str(values[0]), str(values[2]))
            entry, generation, seq = self.place(kind, values)
            if seq is None:
                self._refuse_unknown(kind, values)
                self._refuse_clash(kind, values)
                self._refuse_past_blade(kind, values)
                seq = self.insert(kind, values, entry, generation)
            said = [f"{doubt.kind}: {doubt.sentence}" if isinstance(doubt, Doubt) else doubt for doubt in doubts]
            for doubt in said:
                mark = Said(entry, doubt)
                marked, again, there = self.place(KINDS["mark"], KINDS["mark"].row(mark))
                if there is None:
                    self.insert(KINDS["mark"], (entry, doubt), marked, again)
            kept = tuple(
                text
                for (text,) in connection.execute("SELECT doubt FROM marks WHERE marked = ? ORDER BY doubt", (entry,))
            )
            instant = instant_of(kind, values)
            return Logged(entry, seq, instant or 0.0, kind.from_row(values), kept)

    def append_many(self, records: Iterable[object], progress: Progress | None = None) -> Counts:
        """Keep records in one transaction: all of them, or none if any cannot be kept. Say things before what
        names them."""
        listed = list(records)
        tally: dict[str, list[int]] = {}
        with self.writing():
            before = self.last_seq()
            for done, record in enumerate(listed):
                kind = kind_of_record(record)
                logged = self.append(record)
                mine = tally.setdefault(kind.name, [0, 0])
                mine[0 if logged.seq > before else 1] += 1
                before = max(before, logged.seq)
                if progress is not None and done % 1000 == 0:
                    progress("logging", done, len(listed))
            if progress is not None:
                progress("logging", len(listed), len(listed))
        return Counts(
            sum(new for new, _ in tally.values()),
            sum(known for _, known in tally.values()),
            by_kind={name: (new, known) for name, (new, known) in tally.items()},
        )

    def strike(self, entry_id: str, why: str, at: str | None = None) -> str:
        """Take an entry back, saying why; the strike's own id. InputError if it is unknown or already struck."""
        with self.writing() as connection:
            entry = self.find(entry_id)
            before = connection.execute("SELECT why FROM strikes WHERE struck = ?", (entry,)).fetchone()
            if before:
                raise InputError(f"was struck before ({before[0][:60]})", entry, "log it again if it should count")
            kind = KINDS["strike"]
            values = canonical(kind, [entry, why, at or times.local_now()])
            strike, generation, _ = self.place(kind, values)
            self.insert(kind, values, strike, generation)
            self.settle_conflicts()
            self._scale = None
            return strike

    def set_setting(self, name: str, text_value: str, at: str | None = None) -> str:
        """Set a shop setting; the entry's id. The value is checked; InputError says what it may be."""
        word = shop.checked(name, text_value)
        with self.writing() as connection:
            if at is None:
                at = times.local_now()
                last = connection.execute("SELECT max(at_s) FROM settings WHERE setting = ?", (name,)).fetchone()[0]
                if last is not None and times.at_s(at) <= last:
                    at = times.later_text(last)
            logged = self.append(Setting(name, at, word))
            self._scale = None
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

    def insert(self, kind: Kind, values: Sequence[Any], entry: str, generation: int) -> int:
        """Add a checked row inside a transaction; its seq."""
        seq = self.last_seq() + 1
        self.insert_at(kind, values, seq, entry, generation)
        return seq

    def insert_at(self, kind: Kind, values: Sequence[Any], seq: int, entry: str, generation: int) -> None:
        """Add a checked row inside a transaction, at a seq that is known to be free."""
        self._connection.execute(insert_sql(kind), stored(kind, values, seq, entry, generation))

    def forget_scale(self) -> None:
        """Read the shop's ratios anew at their next use: a setting was added by hand."""
        self._scale = None

    def settle_conflicts(self) -> list[Conflict]:
        """Work out anew which entries stand aside for another of the same key; the conflicts that are open.

        Of several entries that are not struck and share a key, the one with the smallest id counts: the same on
        every bench, whichever way logs were merged.
        """
        found: list[Conflict] = []
        with self.writing() as connection:
            connection.execute("DELETE FROM eclipsed")
            for name in ("chanter", "order", "reed", "reading", "trim", "outcome", "setting"):
                kind = KINDS[name]
                keys = history.quoted(kind.key)
                query = f"SELECT {keys} FROM {kind.table} WHERE {LIVE} GROUP BY {keys} HAVING count(*) > 1"
                for key in connection.execute(query).fetchall():
                    found.append(self._conflict(connection, kind, key))
        return found

    def _conflict(self, connection: sqlite3.Connection, kind: Kind, key: Sequence[Any]) -> Conflict:
        where = " AND ".join(f'"{name}" = ?' for name in kind.key)
        rows = connection.execute(
            f"SELECT entry, {history.quoted(kind.names)} FROM {kind.table} WHERE {where} AND {LIVE} ORDER BY entry", key
        ).fetchall()
        aside = [row[0] for row in rows[1:]]
        connection.executemany("INSERT INTO eclipsed VALUES (?)", [(entry,) for entry in aside])
        differs = tuple(name for i, name in enumerate(kind.names, 1) if len({row[i] for row in rows}) > 1)
        return Conflict(kind.name, " at ".join(self._key_words(kind, rows[0][1:])), rows[0][0], tuple(aside), differs)

    def conflicts(self) -> list[Conflict]:
        """The conflicts that are open, as they stand in the log."""
        if self.read_only:
            return []
        return self.settle_conflicts()

    # What is refused

    def _key_words(self, kind: Kind, values: Sequence[Any]) -> list[str]:
        names = [kind.time if name == "at_s" else name for name in kind.key]
        return [str(values[kind.index[name]]) for name in names if name is not None]

    def _refuse_unknown(self, kind: Kind, values: Sequence[Any]) -> None:
        for column, value in zip(kind.columns, values, strict=True):
            if column.refers is not None and value is not None and not self.knows(column.refers, str(value)):
                raise history.unknown(self._connection, KINDS[column.refers], str(value))

    def _refuse_clash(self, kind: Kind, values: Sequence[Any]) -> None:
        clash = self.clash(kind, values)
        if clash is None or kind.name == "mark":
            return
        entry, theirs = clash
        raise InputError(
            f"the log has {' at '.join(self._key_words(kind, values))[:80]!r} with {differences(kind, values, theirs)}",
            kind.name,
            f"if that one is wrong, first: trimfit log strike {entry} --why …",
        )

    def _refuse_past_blade(self, kind: Kind, values: Sequence[Any]) -> None:
        if kind.name == "reed" and values[kind.index["blade_mm"]] is not None:
            taken, blade_mm = self.length_taken_mm(str(values[0])), values[kind.index["blade_mm"]]
            if taken >= blade_mm:
                what = f"{taken:g} mm came off already, past a blade of {blade_mm:g} mm"
                raise InputError(what, f"reed {values[0][:60]}", "give the blade's free length when new")
        if kind.name != "trim":
            return
        reed, length_mm = values[0], values[kind.index["length_mm"]]
        blade = self._connection.execute(f"SELECT blade_mm FROM reeds WHERE reed = ? AND {LIVE}", (reed,)).fetchone()
        if not length_mm or not blade or blade[0] is None:
            return
        taken = self.length_taken_mm(reed)
        if taken + length_mm >= blade[0]:
            raise InputError(
                f"{length_mm:g} mm after {taken:g} mm is past the blade of {blade[0]:g} mm",
                f"reed {reed}",
                f"give less than {blade[0] - taken:.4g} mm; did you mean {length_mm / 10:g}?",
            )

    def clash(self, kind: Kind, values: Sequence[Any], at_s: float | None = None) -> tuple[str, Row] | None:
        """The entry that has the row's key and counts, with its values, if there is one."""
        if at_s is None:
            at_s = instant_of(kind, values)
        key = [at_s if name == "at_s" else values[kind.index[name]] for name in kind.key]
        where = " AND ".join(f'"{name}" = ?' for name in kind.key)
        row = self._connection.execute(
            f"SELECT entry, {history.quoted(kind.names)} FROM {kind.table} WHERE {where} AND {LIVE}", key
        ).fetchone()
        return None if row is None else (row[0], tuple(row[1:]))

    def knows(self, kind_name: str, name: str) -> bool:
        """Whether the log has a reed, order or chanter of this name that is not struck."""
        kind = KINDS[kind_name]
        query = f'SELECT 1 FROM {kind.table} WHERE "{kind.key[0]}" = ? AND {LIVE}'
        return self._connection.execute(query, (name,)).fetchone() is not None

    def length_taken_mm(self, reed: str, *, up_to_seq: int | None = None) -> float:
        """All length taken off a reed so far, in mm; with `up_to_seq`, by entries up to that one."""
        query = f"SELECT coalesce(sum(length_mm), 0.0) FROM trims WHERE reed = ? AND seq <= ? AND {LIVE}"
        last = 2**62 if up_to_seq is None else up_to_seq
        return float(self._connection.execute(query, (reed, last)).fetchone()[0])

    # Reading

    def which_are_known(self, kind: Kind, entries: Sequence[str]) -> set[str]:
        """Those of `entries` that the log holds, struck or not."""
        query = f"SELECT entry FROM {kind.table} WHERE entry IN (SELECT value FROM json_each(?))"
        return {entry for (entry,) in self._connection.execute(query, (json.dumps(list(entries)),))}

    def accepted_doubts(self) -> list[tuple[str, str]]:
        """Entry and `kind: sentence` of the doubts that were accepted, of entries that are not struck."""
        query = "SELECT marked, doubt FROM marks WHERE marked NOT IN (SELECT struck FROM strikes) ORDER BY seq"
        with self.reading() as connection:
            return connection.execute(query).fetchall()

    def reed_of_entry(self, entry: str) -> str:
        """The reed that an entry is about; empty for entries about something else."""
        kind = kind_of_entry(entry)
        if kind is None or "reed" not in kind.names:
            return ""
        row = self._connection.execute(f"SELECT reed FROM {kind.table} WHERE entry = ?", (entry,)).fetchone()
        return str(row[0]) if row else ""

    def names_of_struck(self) -> list[tuple[str, str, str, str]]:
        """Entry, its reed, and the kind and name of what it names though that was struck."""
        found = []
        with self.reading() as connection:
            for kind in KINDS.values():
                reed = "reed" if "reed" in kind.names else "''"
                for column in kind.columns:
                    if column.refers is None:
                        continue
                    to = KINDS[column.refers]
                    query = (
                        f'SELECT entry, {reed}, "{column.name}" FROM {kind.table} WHERE {LIVE} AND "{column.name}" '
                        f'IS NOT NULL AND "{column.name}" NOT IN (SELECT "{to.key[0]}" FROM {to.table} WHERE {LIVE})'
                    )
                    found += [(entry, name, to.name, about) for entry, name, about in connection.execute(query)]
        return found

    def entry_of(self, kind_name: str, name: str) -> Logged[Any] | None:
        """The entry of a reed, order or chanter of this name that counts, if there is one."""
        kind = KINDS[kind_name]
        query = (
            f'SELECT seq, entry, {history.quoted(kind.names)} FROM {kind.table} WHERE "{kind.key[0]}" = ? AND {LIVE}'
        )
        with self.reading() as connection:
            row = connection.execute(query, (name.strip(),)).fetchone()
        return None if row is None else Logged(row[1], row[0], 0.0, kind.from_row(tuple(row[2:])))

    def name_of(self, entry: str) -> str:
        """What an entry is about, by the first column of its key."""
        kind = kind_of_entry(entry)
        if kind is None:
            return ""
        row = self._connection.execute(f'SELECT "{kind.key[0]}" FROM {kind.table} WHERE entry = ?', (entry,)).fetchone()
        return str(row[0]) if row else ""

    def naming(self, kind_name: str, name: str) -> int:
        """How many entries that count name a reed, order or chanter."""
        count = 0
        with self.reading() as connection:
            for kind in KINDS.values():
                for column in kind.columns:
                    if column.refers == kind_name:
                        query = f'SELECT count(*) FROM {kind.table} WHERE "{column.name}" = ? AND {LIVE}'
                        count += int(connection.execute(query, (name,)).fetchone()[0])
        return count

    def longest_cut_mm(self, reed_type: str, among: int = 250) -> float | None:
        """The longest cut among the latest of a type's reeds, in mm; None where none was logged."""
        query = (
            f"SELECT max(length_mm) FROM (SELECT t.length_mm FROM (SELECT * FROM trims WHERE {LIVE} ORDER BY seq DESC "
            "LIMIT ?2 * 4) t JOIN reeds r ON r.reed = t.reed WHERE r.reed_type = ?1 LIMIT ?2)"
        )
        with self.reading() as connection:
            longest = connection.execute(query, (reed_type, among)).fetchone()[0]
            return None if not longest else float(longest)

    def merge(self, other: Path, progress: Progress | None = None) -> Counts:
        """Take every entry of another log into this one; see `bench.merge`."""
        from trimfit.bench.merge import merge_logs

        return merge_logs(self, other, progress)

    def find(self, text: str) -> str:
        """The entry whose id is `text` or alone begins with it (six letters or more); InputError if there is none."""
        word = text.strip().lower()
        kind = kind_of_entry(word)
        found: list[str] = []
        if kind is not None and len(word) >= 6 and word.isascii():
            rows = self._connection.execute(
                f"SELECT entry FROM {kind.table} WHERE entry >= ? AND entry < ? LIMIT 2", (word, word + "~")
            )
            found = [entry for (entry,) in rows]
        if not found:
            raise InputError("no entry has this id", text[:60], "see trimfit review reed REED for a reed's entries")
        if len(found) > 1:
            raise InputError("several entries begin like this", text[:60], "give more of the id")
        if kind is not None and kind.name in ("strike", "mark"):
            raise InputError(f"a {kind.name} is not struck", text[:60], "log the entry it names again instead")
        return found[0]

    def of_reed(self, name: str) -> ReedHistory:
        """All that the log knows of one reed; reads nothing else. InputError with the nearest name if unknown."""
        word = name.strip()
        with self.reading() as connection:
            found = history.histories(connection, [word])
            if not found:
                raise history.unknown(connection, KINDS["reed"], word)
            return found[0]

    def of_reeds(self, names: Sequence[str] | None = None, *, open_only: bool = False) -> list[ReedHistory]:
        """Histories of the named reeds (of all, without names), in a handful of queries.

        open_only: only reeds that have an order and no outcome. Names that the log does not know raise InputError.
        """
        with self.reading() as connection:
            where = f'"order" IS NOT NULL AND reed NOT IN (SELECT reed FROM outcomes WHERE {LIVE})' if open_only else ""
            if names is None:
                return history.histories(connection, history.reed_names(connection, where=where))
            words = [name.strip() for name in names]
            found = history.histories(connection, words)
            known = {entry.reed.record.reed for entry in found}
            for word in words:
                if word not in known:
                    raise history.unknown(connection, KINDS["reed"], word)
            if open_only:
                found = [entry for entry in found if entry.reed.record.order and entry.outcome is None]
            return found

    def blanks(self) -> list[ReedHistory]:
        """Reeds that nothing was ever taken off and that have not left the bench."""
        where = " AND ".join(f"reed NOT IN (SELECT reed FROM {table} WHERE {LIVE})" for table in ("trims", "outcomes"))
        with self.reading() as connection:
            return history.histories(connection, history.reed_names(connection, where=where))

    def of_batch(self, reed_type: str, batch: str, *, after_seq: int | None = None) -> list[ReedHistory]:
        """Histories of a batch's reeds; with `after_seq`, of those alone that anything was logged of since."""
        with self.reading() as connection:
            where = "reed_type = ? AND batch = ?"
            names = history.reed_names(connection, where=where, values=(reed_type, batch))
            if after_seq is not None:
                names = [name for name in names if self._touched(connection, name, after_seq)]
            return history.histories(connection, names)

    def _touched(self, connection: sqlite3.Connection, reed: str, after_seq: int) -> bool:
        for table in ("reeds", "readings", "trims", "outcomes"):
            query = (
                f"SELECT 1 FROM {table} t WHERE t.reed = ?1 AND (t.seq > ?2 OR EXISTS "
                "(SELECT 1 FROM strikes s WHERE s.struck = t.entry AND s.seq > ?2)) LIMIT 1"
            )
            if connection.execute(query, (reed, after_seq)).fetchone():
                return True
        return False

    def reeds(self) -> dict[str, Reed]:
        """Every reed by its name."""
        with self.reading() as connection:
            return history.latest(connection, KINDS["reed"])

    def orders(self) -> dict[str, Order]:
        """Every order by its name."""
        with self.reading() as connection:
            return history.latest(connection, KINDS["order"])

    def chanters(self) -> dict[str, Chanter]:
        """Every chanter by its name."""
        with self.reading() as connection:
            return history.latest(connection, KINDS["chanter"])

    def columns(self, kind: str, names: Sequence[str], *, after_seq: int | None = None) -> list[tuple[Any, ...]]:
        """Columns of all entries of a kind that count, as tuples, in the order they came; made for bulk.

        names: the kind's columns, `seq`, `entry` and (readings, trims, outcomes) `at_s`. A missing value is None.
        """
        with self.reading() as connection:
            return list(history.columns(connection, KINDS[kind], names, after_seq=after_seq))

    def last_seq(self) -> int:
        """The number of the latest entry in this file; 0 for a log that holds none."""
        with _translated(self.path):
            each = ", ".join(f"(SELECT coalesce(max(seq), 0) FROM {kind.table})" for kind in KINDS.values())
            return int(self._connection.execute(f"SELECT max({each})").fetchone()[0])

    def count(self, kind: str) -> int:
        """How many entries of a kind count."""
        with self.reading() as connection:
            return int(connection.execute(f"SELECT count(*) FROM {KINDS[kind].table} WHERE {LIVE}").fetchone()[0])

    def settings(self) -> Settings:
        """The shop's settings in force."""
        with self.reading() as connection:
            query = f"SELECT setting, value FROM settings WHERE {LIVE} ORDER BY at_s, entry"
            return shop.settings_from(dict(connection.execute(query).fetchall()))

    def scale(self) -> Mapping[str, Fraction]:
        """The nine just ratios under the shop's settings."""
        if self._scale is None:
            self._scale = shop.scale_of(self.settings())
        return self._scale

    # What was learned: derived, rebuilt at need, neither exported nor merged

    def learned_get(self, key: str) -> bytes | None:
        """What was kept under `key`, or None."""
        with self.reading() as connection:
            row = connection.execute("SELECT value FROM learned WHERE key = ?", (key,)).fetchone()
            return None if row is None else bytes(row[0])

    def learned_put(self, items: Mapping[str, bytes]) -> None:
        """Keep derived values, in place of what stood under their keys."""
        with self.writing() as connection:
            connection.executemany(
                "INSERT INTO learned VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                list(items.items()),
            )


def instant_of(kind: Kind, values: Sequence[Any]) -> float | None:
    """A row's instant in seconds since 1970 UTC, None for kinds without a time."""
    return None if kind.time is None else times.at_s(str(values[kind.index[kind.time]]))


def stored(kind: Kind, values: Sequence[Any], seq: int, entry: str, generation: int) -> tuple[Any, ...]:
    """A row as its table holds it."""
    instant = () if kind.time is None else (instant_of(kind, values),)
    return (seq, entry, generation, *values, *instant)


def insert_sql(kind: Kind) -> str:
    """The statement that takes what `stored` gives."""
    names = ("seq", "entry", "generation", *kind.names, *(("at_s",) if kind.time else ()))
    return f"INSERT INTO {kind.table} ({history.quoted(names)}) VALUES ({', '.join('?' * len(names))})"


def differences(kind: Kind, ours: Sequence[Any], theirs: Sequence[Any]) -> str:
    """Which columns differ between a row and the one in the log, in words."""
    pairs = [
        f"{name} {_shown(there)}, not {_shown(here)}"
        for name, here, there in zip(kind.names, ours, theirs, strict=True)
        if here != there
    ]
    return ", ".join(pairs)


def _shown(value: object) -> str:
    return "blank" if value is None else str(value)[:40]


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=PATIENCE_S, isolation_level=None, cached_statements=256)


def _patiently(step: Callable[[], object]) -> None:
    """Do a step that may find the log busy; SQLite waits by itself, save where it would risk a deadlock."""
    deadline = time.monotonic() + PATIENCE_S
    while True:
        try:
            step()
            return
        except sqlite3.OperationalError as error:
            if ("locked" not in str(error) and "busy" not in str(error)) or time.monotonic() > deadline:
                raise
            time.sleep(0.01)


def _no_leave(path: Path) -> tuple[str, str, str]:
    return "the log cannot be written here", str(path), "allow writing to it and its folder"


@contextlib.contextmanager
def _translated(path: Path) -> Iterator[None]:
    """SQLite's and the system's failures as one line that says what to do; nothing was written when one is seen."""
    try:
        yield
    except sqlite3.Error as error:
        text = str(error)
        where = str(path)
        if "locked" in text or "busy" in text:
            raise TrimfitError("another process keeps the log busy", where, "try again when it is done") from error
        if "readonly" in text or "unable to open" in text:
            raise TrimfitError(*_no_leave(path)) from error
        if "full" in text or "I/O" in text:
            raise TrimfitError(
                "the disk is full or failing; nothing was logged", where, "make room and try again"
            ) from error
        if "not a database" in text:
            raise LogError("is not a trimfit log", where, "say where the log is with --log") from error
        if "malformed" in text or "corrupt" in text:
            raise TrimfitError(
                "the log is damaged", where, "keep it, and go on with a backup copy or an export"
            ) from error
        raise
    except IsADirectoryError as error:
        raise LogError("is a folder, not a log", str(path), "name a file with --log") from error
    except OSError as error:
        raise TrimfitError(error.strerror or str(error), str(path), "check the path and its permissions") from error
