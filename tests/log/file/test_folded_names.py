"""A log of before names were folded: it opens with each such name folded, merges and exports as any other."""

from __future__ import annotations

import filecmp
from pathlib import Path

import pytest

from trimfit.base.records import Chanter, Event, Reading, Reed, Trim
from trimfit.log import column_values
from trimfit.log.file import schema
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.log.merging.rename import rename
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder


@pytest.fixture
def old_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A log of schema 6, whose names hold a line break, a tab and two blanks."""
    path = tmp_path / "old"
    with monkeypatch.context() as then:
        then.setattr(schema, "MIGRATIONS", [step for step in schema.MIGRATIONS if step.version <= 6])
        then.setattr(column_values, "folded_name", str.strip)
        with Journal(path, create=True) as journal:
            journal.append(Chanter("Band\n1"))
            journal.append(Reed("x\ty", "ridge  cut", "b\n2"), doubts=["name-alike: said"])
            journal.append(Reed("x y", "ridge cut", "b 2", blade_mm=22.0))
            journal.append(Reed("u  v", "ridge cut", "b 2"))
            journal.append(Reading("x\ty", "2026-03-01T10:00", "Band\n1", notes_hz={"f": 757.5, "e": 702.8}))
            journal.append(Event("u  v", "2026-03-01T12:00", "so  aked"))
            wrong = journal.append(Trim("x\ty", "2026-03-02T10:00", 0.1))
            journal.strike(wrong.entry, "wrong\nreed")
    return path


def test_its_names_are_folded_and_what_became_one_name_stands_in_conflict(old_log: Path) -> None:
    with Journal(old_log) as journal:
        assert damage(journal) == []
        assert sorted(reed for (reed,) in journal.columns("reed", ["reed"])) == ["u v", "x y"]
        assert journal.of_reed("u v").events[0].record.event == "so aked"
        assert journal.of_reed("x\ty").readings[0].record.chanter == "Band 1"
        (conflict,) = journal.conflicts()
        assert journal.row_of(conflict.kept)[1][:5] == ("x y", "ridge cut", "b 2", None, 22.0)
        aside = journal.row_of(conflict.aside[0])[1]
        assert aside[:3] == ("x y", "ridge cut", "b 2")
        assert (conflict.aside[0], "name-alike: said") in [
            (entry, doubt) for entry, doubt in journal.columns("mark", ["marked", "doubt"])
        ]
        # the remedy works: the reading goes with the reed that it is of
        reading = journal.of_reed("x y").readings[0].entry
        rename(journal, "x y", "x y 2", only=[conflict.aside[0], reading])
        assert journal.conflicts() == []
        assert not journal.of_reed("x y").readings
        assert journal.of_reed("x y 2").readings


def test_merging_it_as_it_was_adds_nothing(old_log: Path, tmp_path: Path) -> None:
    (tmp_path / "copy").write_bytes(old_log.read_bytes())
    with Journal(old_log) as journal:
        assert merge_logs(journal, tmp_path / "copy").new == 0
    with Journal(tmp_path / "fresh", create=True) as journal:
        assert merge_logs(journal, tmp_path / "copy").new > 0
        assert merge_logs(journal, old_log).new == 0
        assert damage(journal) == []


def test_its_export_comes_back_byte_for_byte(old_log: Path, tmp_path: Path) -> None:
    with Journal(old_log) as journal:
        export_folder(journal, tmp_path / "first")
    with Journal(tmp_path / "fresh", create=True) as journal:
        import_folder(journal, tmp_path / "first")
        export_folder(journal, tmp_path / "second")
    names = sorted(path.name for path in (tmp_path / "first").iterdir())
    assert "struck.csv" in names
    assert filecmp.cmpfiles(tmp_path / "first", tmp_path / "second", names, shallow=False)[0] == names
