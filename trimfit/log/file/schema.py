"""The tables of a log: numbered migrations, each one transaction with its own record, and who may open what.

A log says what it is in its header (SQLite's application id) and how new in its schema version. A log of an earlier
schema is copied to `<log>.before-vN` and brought up to date; a newer one is refused before a byte is touched.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from trimfit.base.errors import LogError

APPLICATION_ID = 0x7472_6D66  # "trmf"
# A migration is never edited: the first makes the notes that there were, whatever notes come later.
_FIRST_NOTES = ("low_g", "low_a", "b", "c", "d", "e", "f", "high_g", "high_a")
# What every table of entries begins with, and what those end with whose entries have a time.
_ENTRY = (
    "seq INTEGER PRIMARY KEY, entry TEXT NOT NULL UNIQUE, "
    "generation INTEGER NOT NULL CHECK (generation BETWEEN 0 AND 1000000)"
)
_INSTANT = "at_s REAL NOT NULL CHECK (at_s BETWEEN -1e11 AND 1e11)"
MADE_HERE: set[Path] = set()
"""The logs that this process made, and no other that began at the same time."""
_MAGIC = b"SQLite format 3\x00"


@dataclass(frozen=True, slots=True)
class Migration:
    """One numbered step from the schema before it; `apply` runs inside the step's transaction."""

    version: int
    title: str
    apply: Callable[[sqlite3.Connection], None]


def _never_changed(connection: sqlite3.Connection, table: str) -> None:
    """Entries are appended, never changed and never taken out."""
    for verb in ("UPDATE", "DELETE"):
        connection.execute(
            f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
            "BEGIN SELECT RAISE(ABORT, 'an entry of the log is never changed'); END"
        )


def _real(name: str, low: float, high: float) -> str:
    # A REAL column would take infinity; only a range keeps it out. NaN arrives as NULL.
    return f"{name} REAL CHECK ({name} BETWEEN {low} AND {high})"


def _name(name: str, *, blank: bool = False) -> str:
    return f'"{name}" TEXT CHECK (length("{name}") > 0)' + ("" if blank else " NOT NULL")


def _first(connection: sqlite3.Connection) -> None:
    """Entries of nine kinds, each in its own table, and what can be rebuilt from them."""
    remark = _name("remark", blank=True)
    reed = _name("reed")
    tables = {
        "chanters": [
            _name("chanter"),
            _real("meeting_pitch_hz", 1, 20000),
            _real("working_crow_hz", 1, 20000),
            _real("bore_gauge_mm", 0, 10000),
            remark,
        ],
        "orders": [
            _name("order"),
            _name("chanter"),
            _real("target_pitch_hz", 1, 20000),
            "quantity INTEGER CHECK (quantity BETWEEN 1 AND 1000000000)",
            _real("pressure_kpa", 0, 1000),
            _name("due_on", blank=True),
            remark,
        ],
        "reeds": [
            reed,
            _name("reed_type"),
            _name("batch"),
            _name("made_on", blank=True),
            _real("blade_mm", 0, 1000),
            _name("order", blank=True),
            remark,
        ],
        "readings": [
            reed,
            _name("taken_at"),
            _name("chanter", blank=True),
            _real("crow_hz", 1, 20000),
            *(_real(f"{note}_hz", 1, 20000) for note in _FIRST_NOTES),
            _real("g_octave_hz", 1, 20000),
            _real("pressure_kpa", 0, 1000),
            _real("temperature_c", -100, 200),
            _real("humidity_pct", 0, 100),
            _name("taped", blank=True),
            remark,
            _INSTANT,
        ],
        "trims": [
            reed,
            _name("done_at"),
            _real("length_mm", 0, 1000),
            _real("lip_strokes", 0, 100000),
            _real("asked_mm", 0, 1000),
            remark,
            _INSTANT,
        ],
        "outcomes": [
            reed,
            _name("at"),
            "outcome TEXT NOT NULL CHECK (outcome IN ('good', 'lost', 'to-stock'))",
            remark,
            _INSTANT,
        ],
        "settings": [_name("setting"), _name("set_at"), _name("value"), _INSTANT],
        "strikes": [_name("struck"), _name("why"), _name("struck_at"), _INSTANT],
        "marks": [_name("marked"), _name("doubt")],
    }
    for table, columns in tables.items():
        connection.execute(f"CREATE TABLE {table} ({', '.join([_ENTRY, *columns])}) STRICT")
        _never_changed(connection, table)
    for index, on in {
        "chanters_by_name": "chanters (chanter)",
        "orders_by_name": 'orders ("order")',
        "reeds_by_name": "reeds (reed)",
        "reeds_by_batch": "reeds (batch, reed_type)",
        "reeds_by_order": 'reeds ("order")',
        "readings_by_reed": "readings (reed, at_s)",
        "trims_by_reed": "trims (reed, at_s)",
        "outcomes_by_reed": "outcomes (reed, at_s)",
        "settings_by_name": "settings (setting, at_s)",
        "strikes_by_struck": "strikes (struck)",
        "marks_by_marked": "marks (marked)",
    }.items():
        connection.execute(f"CREATE INDEX {index} ON {on}")
    # Derived, and rebuilt at need: entries that stand aside for another of the same key, and what was learned.
    connection.execute("CREATE TABLE eclipsed (entry TEXT PRIMARY KEY) STRICT, WITHOUT ROWID")
    connection.execute("CREATE TABLE learned (key TEXT PRIMARY KEY, value BLOB NOT NULL) STRICT")


def _events(connection: sqlite3.Connection) -> None:
    """What was done to a reed, or happened to it, besides a trim."""
    columns = [_ENTRY, _name("reed"), _name("at"), _name("event"), _name("remark", blank=True), _INSTANT]
    connection.execute(f"CREATE TABLE events ({', '.join(columns)}) STRICT")
    _never_changed(connection, "events")
    connection.execute("CREATE INDEX events_by_reed ON events (reed, at_s)")


def _identity(connection: sqlite3.Connection) -> None:
    """Which log this is, and which write was its last: one row, changed by each write; see `log.file.side_files`.

    log: drawn once; a copy has it too. stamp: drawn anew by each write; before: the stamp of the write before.
    writes: how many there were.
    """
    columns = "log TEXT NOT NULL, stamp TEXT NOT NULL, before TEXT NOT NULL, writes INTEGER NOT NULL"
    connection.execute(f"CREATE TABLE identity ({columns}) STRICT")
    connection.execute("INSERT INTO identity VALUES (?, ?, ?, 0)", (stamp(), stamp(), stamp()))


def _kinds_and_weights(connection: sqlite3.Connection) -> None:
    """Of a chanter its kind and whether it is at hand; of reeds and orders how hard a reed is to blow."""
    connection.execute(f"ALTER TABLE chanters ADD COLUMN {_name('kind', blank=True)}")
    connection.execute("ALTER TABLE chanters ADD COLUMN at_hand TEXT CHECK (at_hand IN ('yes', 'no'))")
    for table in ("reeds", "orders"):
        connection.execute(f"ALTER TABLE {table} ADD COLUMN {_name('weight', blank=True)}")


def _forms(connection: sqlite3.Connection) -> None:
    """Which entry each form of the local page became; see `log.sent_forms`."""
    columns = "token TEXT PRIMARY KEY, entry TEXT NOT NULL, at_s REAL NOT NULL"
    connection.execute(f"CREATE TABLE forms ({columns}) STRICT, WITHOUT ROWID")
    connection.execute("CREATE INDEX forms_by_age ON forms (at_s)")


def _crow_types(connection: sqlite3.Connection) -> None:
    """Of which reed type a chanter's working crow is."""
    connection.execute(f"ALTER TABLE chanters ADD COLUMN {_name('working_crow_type', blank=True)}")


def _folded_names(connection: sqlite3.Connection) -> None:
    """In names each run of white space is one blank: what holds another name is entered again."""
    from trimfit.log.file.folded_names import fold_names

    fold_names(connection)


def _answers(connection: sqlite3.Connection) -> None:
    """What the sender of a form was answered, to answer it again; see `log.sent_forms`."""
    connection.execute("ALTER TABLE forms ADD COLUMN answer TEXT")


def stamp() -> str:
    """Sixteen letters that nothing else has."""
    return os.urandom(8).hex()


MIGRATIONS: list[Migration] = [
    Migration(1, "entries of nine kinds", _first),
    Migration(2, "what happened to reeds besides trims", _events),
    Migration(3, "a log knows itself", _identity),
    Migration(4, "chanters' kinds, reeds' weights", _kinds_and_weights),
    Migration(5, "which entry a form became", _forms),
    Migration(6, "of which reed type a working crow is", _crow_types),
    Migration(7, "no line break, tab or second blank in a name", _folded_names),
    Migration(8, "what the sender of a form was answered", _answers),
]


def newest() -> int:
    """The schema version that this program writes."""
    return MIGRATIONS[-1].version


def side_files(path: Path) -> list[Path]:
    """The side files of a log that SQLite would read: those that hold something."""
    real = os.path.realpath(path)
    found = []
    for ending in ("-journal", "-wal"):
        with contextlib.suppress(OSError), open(real + ending, "rb") as file:
            # A journal whose first byte is zero is done with.
            first = file.read(1)
            if first and (ending == "-wal" or first != b"\0"):
                found.append(Path(real + ending))
    return found


def header_version(path: Path) -> int | None:
    """The schema version in a log's first bytes, None for an empty file.

    Nothing but the file's head is read and nothing is written. Raises LogError if the file is no log, or newer. Not for
    a file that this process holds open (`store.held_here`): closing any handle of it would drop the locks by which
    other processes know that it is in use, and they would clear its write-ahead file away.
    """
    with path.open("rb") as file:
        head = file.read(100)
    if not head:
        return None
    if len(head) < 100 or head[:16] != _MAGIC:
        raise LogError("is not a trimfit log", str(path), "say where the log is with --log")
    application = int.from_bytes(head[68:72], "big")
    version = int.from_bytes(head[60:64], "big")
    if application == 0 and version == 0:
        return None  # made, but nothing written yet; the tables decide
    _refuse(path, application, version)
    return version


def _refuse(path: Path, application: int, version: int) -> None:
    if application != APPLICATION_ID:
        raise LogError("is a database, but not a trimfit log", str(path), "say where the log is with --log")
    if version > newest():
        raise LogError(
            f"was written by a newer trimfit (schema {version}; this one knows up to {newest()})",
            str(path),
            "bring trimfit up to date; the log was not touched",
        )


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])


def bring_up_to_date(connection: sqlite3.Connection, path: Path, *, create: bool) -> Path | None:
    """Make the tables of an empty file (with `create`), or take an older log step by step to the newest schema; the
    copy of the older log as it was, if there was one to take.

    Each step commits together with its record. Raises LogError for what is no log, is newer, or is empty.
    """
    version = _pragma(connection, "user_version")
    if version == newest() and _pragma(connection, "application_id") == APPLICATION_ID:
        return None
    if version == 0 and not create and not _tables(connection):
        raise LogError("holds nothing yet", str(path), "import a folder or log an entry first")
    new, copy = version == 0, None  # of a file that is just being made no copy is wanted
    for migration in MIGRATIONS:
        connection.execute("BEGIN IMMEDIATE")
        try:
            version = _pragma(connection, "user_version")  # another process may have been first
            if version or _tables(connection):
                _refuse(path, _pragma(connection, "application_id"), version)
            if version < migration.version:
                if version and not new and copy is None:
                    copy = _back_up(path, migration.version)
                migration.apply(connection)
                _record(connection, migration)
            connection.execute("COMMIT")
            if version == 0:
                MADE_HERE.add(path)
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise
    return copy


def _tables(connection: sqlite3.Connection) -> int:
    return int(connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])


def _record(connection: sqlite3.Connection, migration: Migration) -> None:
    connection.execute(
        "CREATE TABLE IF NOT EXISTS steps "
        "(version INTEGER PRIMARY KEY, title TEXT NOT NULL, applied_at TEXT NOT NULL) STRICT"
    )
    applied_at = datetime.now(UTC).isoformat(timespec="seconds")
    connection.execute("INSERT INTO steps VALUES (?, ?, ?)", (migration.version, migration.title, applied_at))
    connection.execute(f"PRAGMA user_version = {migration.version}")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _back_up(path: Path, version: int) -> Path:
    """The path of a whole copy of the log as it was, kept beside it as `<log>.before-vN`, N the first step it is taken
    to.

    What has that name already stays; the copy is numbered then.
    """
    from trimfit.log.file.unfinished_files import backed_up, draft_beside, put_in_place

    target, number = path.with_name(f"{path.name}.before-v{version}"), 1
    with draft_beside(target) as folder:
        with contextlib.closing(sqlite3.connect(path)) as source:
            backed_up(source, folder / "log")
        while not put_in_place(folder / "log", target):
            number += 1
            target = path.with_name(f"{path.name}.before-v{version}-{number}")
    return target
