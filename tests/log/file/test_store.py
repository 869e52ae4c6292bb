"""What a maker is told when the file, the disk or another process stands in the way: one line, with a remedy."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from threading import Timer

import pytest

from tests.cli.typed_words import run
from trimfit.base.errors import LogError, TrimfitError
from trimfit.base.records import Reed
from trimfit.log.file import store
from trimfit.log.file.store import translated
from trimfit.log.journal import Journal


@pytest.fixture
def log(tmp_path: Path) -> Path:
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Reed("R-1", "moulded", "B-1"))
    return tmp_path / "log"


@pytest.mark.parametrize(
    ("said", "what", "remedy"),
    [
        ("database is locked", "another process keeps the log busy", "try again"),
        ("attempt to write a readonly database", "cannot be written here", "allow writing"),
        ("unable to open database file", "cannot be written here", "allow writing"),
        ("database or disk is full", "the disk is full; nothing was logged", "make room"),
        ("disk I/O error", "a full or failing disk", "trimfit check"),
        ("file is not a database", "is not a trimfit log", "--log"),
        ("database disk image is malformed", "the log is damaged", "backup copy"),
    ],
)
def test_each_failure_of_the_file_has_its_words(tmp_path: Path, said: str, what: str, remedy: str) -> None:
    with pytest.raises(TrimfitError, match=what) as told, translated(tmp_path / "log"):
        raise sqlite3.OperationalError(said)
    assert told.value.where == str(tmp_path / "log")
    assert remedy in told.value.remedy


def test_a_slip_of_our_own_is_not_dressed_up(tmp_path: Path) -> None:
    with pytest.raises(sqlite3.OperationalError, match="no such column"), translated(tmp_path / "log"):
        raise sqlite3.OperationalError("no such column: f_hertz")


def test_a_log_kept_busy_is_said_and_nothing_is_half_logged(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "PATIENCE_S", 0.05)
    other = sqlite3.connect(log, isolation_level=None)
    with Journal(log) as journal:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(TrimfitError, match="another process keeps the log busy"):
            journal.append(Reed("R-2", "moulded", "B-1"))
        other.execute("ROLLBACK")
        other.close()
        assert sorted(journal.reeds()) == ["R-1"]
        journal.append(Reed("R-2", "moulded", "B-1"))
        assert sorted(journal.reeds()) == ["R-1", "R-2"]


def test_a_writer_that_waits_says_so_once(
    log: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Was: a second writer waited without a word for as long as another program held the log."""
    monkeypatch.setattr(store, "TOLD_AFTER_S", 0.05)
    with sqlite3.connect(log, isolation_level=None, check_same_thread=False) as other:
        other.execute("BEGIN IMMEDIATE")
        Timer(0.5, lambda: other.execute("ROLLBACK")).start()
        done = run(log, "log", "reed", "R-2", "--type", "moulded", "--batch", "B-1")
    other.close()
    assert done.returncode == 0
    assert done.stderr == "waiting: another program is writing to the log\n"
    done = run(log, "log", "reed", "R-3", "--type", "moulded", "--batch", "B-1")
    assert (done.returncode, done.stderr) == (0, "")


def test_a_folder_is_no_log(tmp_path: Path) -> None:
    (tmp_path / "log").mkdir()
    with pytest.raises(LogError, match="is a folder, not a log"):
        Journal(tmp_path / "log")


@pytest.mark.parametrize("opened", [True, False])
def test_where_nothing_can_be_written_the_log_is_still_read(
    log: Path, monkeypatch: pytest.MonkeyPatch, opened: bool
) -> None:
    """A log in a folder that is read-only (a backup, a stick): found out on opening, or when something is logged."""

    def refuse(*_: object, **__: object) -> None:
        raise sqlite3.OperationalError("attempt to write a readonly database")

    monkeypatch.setattr(store.schema, "bring_up_to_date", refuse)
    with Journal(log) as journal:
        assert sorted(journal.reeds()) == ["R-1"]
        with pytest.raises(TrimfitError, match="cannot be written here"):
            journal.append(Reed("R-2", "moulded", "B-1"))
    if not opened:
        monkeypatch.setattr(store.schema, "newest", lambda: 99)
        with pytest.raises(TrimfitError, match="of an earlier schema"):
            Journal(log)
