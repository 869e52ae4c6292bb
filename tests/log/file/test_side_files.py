"""A log is one file: a copy of it has all that was acknowledged, and it takes in nothing of another log."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.test_folders import as_one_who_may_not
from trimfit.base.errors import LogError, TrimfitError
from trimfit.base.records import Reading, Reed
from trimfit.log.file import schema, store
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.verbs import import_export

BEGIN = "import os, sys\nfrom pathlib import Path\nfrom trimfit.log.journal import Journal\n"
# As if killed in the middle of a commit: the pages are partly in the log, the pages as they were in its journal.
CUT_OFF = (
    BEGIN
    + """
from trimfit.base.records import Reading
journal = Journal(Path(sys.argv[1]))
journal._connection.execute("PRAGMA cache_spill = ON")
journal._connection.execute("PRAGMA cache_size = 1")
with journal.writing() as connection:
    connection.execute("UPDATE identity SET before = stamp, stamp = '0123456789abcdef', writes = writes + 1")
    for i in range(400):
        journal.append(Reading("R-1", f"2027-01-01T{i // 60:02d}:{i % 60:02d}", crow_hz=500.0 + i / 10))
    os._exit(9)
"""
)
# What an earlier trimfit left when it was killed: an entry that is in the write-ahead file alone.
WRITE_AHEAD = (
    BEGIN
    + """
import sqlite3
from trimfit.base.records import Reading
with Journal(Path(sys.argv[1])) as journal:
    journal._connection.execute("PRAGMA journal_mode = WAL")
    journal._connection.execute("PRAGMA wal_autocheckpoint = 0")
    journal.append(Reading("R-1", "2027-01-01T10:00", crow_hz=560.0))
    os._exit(9)
"""
)


def elsewhere(code: str, log: Path) -> None:
    assert subprocess.run([sys.executable, "-c", code, log], timeout=60).returncode == 9


def made(path: Path, readings: int = 3, reed_type: str = "moulded") -> Path:
    with Journal(path, create=True) as journal:
        journal.append(Reed("R-1", reed_type, "B-1"))
        for i in range(readings):
            journal.append(Reading("R-1", f"2026-03-0{1 + i}", crow_hz=530.0 + i))
    return path


def readings_of(path: Path) -> int:
    with Journal(path) as journal:
        assert damage(journal) == []
        return journal.count("reading")


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "reeds.csv").write_text("reed,reed_type,batch\nR-1,moulded,B-1\n")
    return folder


def test_a_plain_copy_between_two_entries_has_every_one(tmp_path: Path) -> None:
    log = made(tmp_path / "log", 0)
    with Journal(log) as sitting, Journal(log):
        for i in range(5):
            sitting.append(Reading("R-1", f"2026-04-0{1 + i}", crow_hz=530.0 + i))
            assert names_in(tmp_path) == ["log"]
            (tmp_path / "copies").mkdir()
            shutil.copy(log, tmp_path / "copies" / "copy")
            assert readings_of(tmp_path / "copies" / "copy") == i + 1
            shutil.rmtree(tmp_path / "copies")


def test_an_entry_that_was_cut_off_is_undone(tmp_path: Path) -> None:
    log = made(tmp_path / "log")
    elsewhere(CUT_OFF, log)
    assert names_in(tmp_path) == ["log", "log-journal"]
    assert readings_of(log) == 3
    assert names_in(tmp_path) == ["log"]


@pytest.mark.parametrize("cut_off", [CUT_OFF, WRITE_AHEAD], ids=["journal", "write-ahead"])
@pytest.mark.parametrize("instead", ["nothing", "another log", "another log, imported", "an earlier copy"])
def test_a_side_file_of_another_log_is_refused_and_named(
    tmp_path: Path, shop: Path, cut_off: str, instead: str
) -> None:
    log, side = made(tmp_path / "log"), "log-journal" if cut_off == CUT_OFF else "log-wal"
    earlier = shutil.copy(log, tmp_path / "earlier")
    with Journal(log) as journal:
        journal.append(Reading("R-1", "2026-06-01", crow_hz=570.0))
        journal.append(Reading("R-1", "2026-06-02", crow_hz=571.0))
    elsewhere(cut_off, log)
    whole = {name: (tmp_path / name).read_bytes() for name in ("log", side)}
    log.unlink()
    if instead == "another log":
        made(tmp_path / "other", 5)
        shutil.copy(tmp_path / "other", log)
    elif instead == "an earlier copy":
        shutil.copy(earlier, log)
    there = log.read_bytes() if log.exists() else None

    def step() -> object:
        return import_export.import_folder(log, shop) if "imported" in instead else Journal(log, create=True)

    with pytest.raises(LogError, match=f"beside it lies {side}") as told:
        step()
    assert side in told.value.remedy
    # Nothing was lost and nothing was made: the log that the side file belongs to can be put back.
    assert (log.read_bytes() if log.exists() else None) == there
    assert (tmp_path / side).read_bytes() == whole[side]
    log.write_bytes(whole["log"])
    assert readings_of(log) == (5 if side == "log-journal" else 6)


def test_what_an_earlier_trimfit_kept_beside_the_log_comes_into_it(tmp_path: Path) -> None:
    log = made(tmp_path / "log")
    elsewhere(WRITE_AHEAD, log)
    assert "log-wal" in names_in(tmp_path)
    assert readings_of(log) == 4
    assert names_in(tmp_path) == ["log"]
    assert log.read_bytes()[18:20] == b"\1\1"


@pytest.mark.parametrize("became", ["removed", "replaced", "another log", "an earlier copy", "no log"])
def test_a_log_that_is_gone_from_under_a_sitting_takes_no_more_entries(tmp_path: Path, became: str) -> None:
    log, other = made(tmp_path / "log"), made(tmp_path / "other", reed_type="cane")
    # The same length, and as many writes: only the log's own name for itself tells them apart.
    assert log.stat().st_size == other.stat().st_size
    earlier = shutil.copy(log, tmp_path / "earlier")
    with Journal(log) as sitting:
        sitting.of_reed("R-1")
        if became == "removed":
            log.unlink()
        elif became == "replaced":
            os.replace(other, log)
        elif became == "another log":
            log.write_bytes(other.read_bytes())
        elif became == "no log":
            log.write_bytes(b"something else" * 4000)
        else:
            sitting.append(Reading("R-1", "2026-05-01", crow_hz=540.0))
            log.write_bytes(earlier.read_bytes())
        before = log.read_bytes() if log.exists() else None
        with pytest.raises(TrimfitError) as told:
            sitting.append(Reading("R-1", "2026-05-02", crow_hz=541.0))
        assert told.value.where == str(log)
        words = {"replaced": "another file", "no log": "is not a trimfit log"}.get(became, became)
        assert words in told.value.what
        assert (log.read_bytes() if log.exists() else None) == before
        if became in ("removed", "replaced"):
            with pytest.raises(LogError, match=words):
                sitting.of_reed("R-1")
    assert "log-journal" not in names_in(tmp_path)


def test_who_reads_for_long_keeps_nobody_from_logging(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "PATIENCE_S", 0.2)
    log = made(tmp_path / "log")
    with Journal(log) as checking, Journal(log) as sitting:
        with checking.still():
            sitting.append(Reading("R-1", "2026-05-01", crow_hz=540.0))
            assert checking.count("reading") == 3
        assert checking.count("reading") == 4
        # What is read at one moment of the file itself is waited for, and then nothing is logged.
        with checking.reading():
            assert checking.count("reading") == 4
            with pytest.raises(TrimfitError, match="busy"):
                sitting.append(Reading("R-1", "2026-05-02", crow_hz=541.0))
        assert checking.count("reading") == 4
        sitting.append(Reading("R-1", "2026-05-02", crow_hz=541.0))


@pytest.mark.parametrize(("cut_off", "readings"), [(CUT_OFF, 3), (WRITE_AHEAD, 4)], ids=["journal", "write-ahead"])
def test_where_nothing_can_be_written_all_that_was_acknowledged_is_read(
    tmp_path: Path, cut_off: str, readings: int
) -> None:
    place = tmp_path / "place"
    place.mkdir()
    log = made(place / "log")
    elsewhere(cut_off, log)
    for path in place.iterdir():
        path.chmod(0o444)
    before = {path.name: path.read_bytes() for path in place.iterdir() if not path.name.endswith("-shm")}
    assert readings_of(shutil.copytree(place, tmp_path / "loaded") / "log") == readings  # every module is loaded
    with as_one_who_may_not(place):
        assert readings_of(log) == readings
    assert {path.name: path.read_bytes() for path in place.iterdir() if not path.name.endswith("-shm")} == before


@pytest.mark.parametrize("other", ["as it is now", "in write-ahead mode", "cut off", "of the first schema"])
def test_a_merge_leaves_every_byte_of_the_other_log(
    tmp_path: Path, other: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "theirs").mkdir()
    theirs, mine = tmp_path / "theirs" / "log", made(tmp_path / "mine", 0)
    if other == "of the first schema":
        with monkeypatch.context() as then:
            then.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:1])
            with contextlib.closing(sqlite3.connect(theirs, isolation_level=None)) as connection:
                schema.bring_up_to_date(connection, theirs, create=True)
    else:
        made(theirs)
    if other == "in write-ahead mode":
        with contextlib.closing(sqlite3.connect(theirs)) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
    if other == "cut off":
        elsewhere(CUT_OFF, theirs)
    before = {path.name: path.read_bytes() for path in theirs.parent.iterdir()}
    with Journal(mine) as journal:
        merge_logs(journal, theirs)
        assert journal.count("reading") == (0 if other == "of the first schema" else 3)
    assert {path.name: path.read_bytes() for path in theirs.parent.iterdir()} == before
