"""Schemas: each earlier one opens, each step is whole or not at all, a newer one is refused untouched."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from trimfit.base.errors import LogError
from trimfit.base.records import Event, Reading, Reed
from trimfit.log.column_values import canonical
from trimfit.log.entry_kinds import KINDS
from trimfit.log.entry_rows import entry_id
from trimfit.log.file import schema
from trimfit.log.file.integrity import damage
from trimfit.log.file.schema import MIGRATIONS, Migration
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs


def log_of(path: Path) -> Path:
    with Journal(path, create=True) as journal:
        journal.append(Reed("R-1", "moulded", "B-1"))
        journal.append(Reading("R-1", "2026-03-01", crow_hz=530.0))
    return path


def add_humidity(connection: sqlite3.Connection) -> None:
    connection.execute("ALTER TABLE reeds ADD COLUMN weight_g REAL CHECK (weight_g BETWEEN 0 AND 100)")


def add_and_fail(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE half (done INTEGER) STRICT")
    raise RuntimeError("the power went")


@pytest.fixture
def grown(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that knows two schemas more."""
    steps = [
        *MIGRATIONS,
        Migration(schema.newest() + 1, "reeds are weighed", add_humidity),
        Migration(schema.newest() + 2, "nothing", lambda connection: None),
    ]
    monkeypatch.setattr(schema, "MIGRATIONS", steps)


def tables_of(path: Path) -> set[str]:
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        found = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema")}
    connection.close()
    return found


def test_the_first_schema_is_what_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever notes are learned of later, a log that was made then has these columns, and a step adds the rest."""
    monkeypatch.setattr(schema, "MIGRATIONS", MIGRATIONS[:1])
    with contextlib.closing(sqlite3.connect(tmp_path / "log", isolation_level=None)) as connection:
        schema.bring_up_to_date(connection, tmp_path / "log", create=True)
        columns = [row[1] for row in connection.execute("PRAGMA table_info(readings)")]
    assert columns == [
        "seq", "entry", "generation", "reed", "taken_at", "chanter", "crow_hz", "low_g_hz", "low_a_hz", "b_hz", "c_hz",
        "d_hz", "e_hz", "f_hz", "high_g_hz", "high_a_hz", "g_octave_hz", "pressure_kpa", "temperature_c",
        "humidity_pct", "taped", "remark", "at_s",
    ]  # fmt: skip


@pytest.mark.parametrize("version", [step.version for step in MIGRATIONS])
def test_a_log_of_every_schema_opens(tmp_path: Path, version: int, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log"
    with monkeypatch.context() as then:
        then.setattr(schema, "MIGRATIONS", [step for step in MIGRATIONS if step.version <= version])
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
            schema.bring_up_to_date(connection, path, create=True)
            kind = KINDS["reed"]
            entry = entry_id(kind, canonical(kind, kind.row(Reed("R-1", "moulded", "B-1"))))
            row = (entry, "R-1", "moulded", "B-1")
            connection.execute(
                "INSERT INTO reeds (entry, generation, reed, reed_type, batch) VALUES (?, 0, ?, ?, ?)", row
            )
    with Journal(path) as journal:
        assert journal.of_reed("R-1").reed.record == Reed("R-1", "moulded", "B-1")
        journal.append(Event("R-1", "2026-03-02", "soaked"))
        assert journal.of_reed("R-1").events[0].record.event == "soaked"
        assert damage(journal) == []
    assert schema.header_version(path) == MIGRATIONS[-1].version


@pytest.mark.usefixtures("grown")
def test_an_older_log_is_copied_and_brought_up_to_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log"
    old = MIGRATIONS[-1].version
    with monkeypatch.context() as then:
        then.setattr(schema, "MIGRATIONS", MIGRATIONS)
        log_of(path)
    with Journal(path) as journal:
        assert journal.of_reed("R-1").readings[0].record.crow_hz == 530.0
        assert damage(journal) == []
    assert schema.header_version(path) == old + 2
    copy = tmp_path / f"log.before-v{old + 1}"
    assert schema.header_version(copy) == old
    assert not list(tmp_path.glob("log.before-v*.*"))
    with monkeypatch.context() as then:
        then.setattr(schema, "MIGRATIONS", MIGRATIONS)
        with Journal(copy) as journal:
            assert journal.count("reading") == 1
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        steps = [version for (version,) in connection.execute("SELECT version FROM steps ORDER BY version")]
    connection.close()
    assert steps == [*range(1, old + 3)]


def test_a_step_that_fails_leaves_the_log_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = log_of(tmp_path / "log")
    new = schema.newest() + 1
    with monkeypatch.context() as then:
        then.setattr(schema, "MIGRATIONS", [*MIGRATIONS, Migration(new, "half a step", add_and_fail)])
        with pytest.raises(RuntimeError, match="power"):
            Journal(path)
    assert schema.header_version(path) == new - 1
    assert "half" not in tables_of(path)
    assert schema.header_version(tmp_path / f"log.before-v{new}") == new - 1
    with Journal(path) as journal:
        assert journal.count("reading") == 1
        assert damage(journal) == []


def test_a_newer_log_is_refused_untouched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log"
    with monkeypatch.context() as then:
        then.setattr(schema, "MIGRATIONS", [*MIGRATIONS, Migration(schema.newest() + 1, "later", add_humidity)])
        log_of(path)
    before = path.read_bytes()
    for create in (False, True):
        with pytest.raises(LogError, match="written by a newer trimfit"):
            Journal(path, create=create)
    with Journal(tmp_path / "mine", create=True) as journal, pytest.raises(LogError, match="newer"):
        merge_logs(journal, path)
    assert path.read_bytes() == before
    assert {file.name for file in tmp_path.iterdir()} == {"log", "mine"}


@pytest.mark.usefixtures("grown")
def test_merging_an_older_log_leaves_it_as_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = tmp_path / "other"
    with monkeypatch.context() as then:
        then.setattr(schema, "MIGRATIONS", MIGRATIONS)
        log_of(other)
    before = other.read_bytes()
    with Journal(tmp_path / "mine", create=True) as journal:
        assert merge_logs(journal, other).new == 2
        assert journal.count("reading") == 1
    assert other.read_bytes() == before


def test_a_creation_that_was_cut_short_is_begun_again(tmp_path: Path) -> None:
    path = tmp_path / "log"
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")  # a header, and no table yet
    connection.close()
    with pytest.raises(LogError, match="holds nothing yet"):
        Journal(path)
    log_of(path)
    with Journal(path) as journal:
        assert damage(journal) == []
