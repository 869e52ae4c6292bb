"""Marks on entries: what plain rules find in a log, what was accepted at entry, and what the check says of damage."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from tests.opened import on
from trimfit.base.errors import InputError
from trimfit.base.records import Chanter, Doubt, Reading, Reed, Trim
from trimfit.entry import doubt_marks as entry_marks
from trimfit.entry.checks import slip_bound
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.verbs import check, import_export, settings
from trimfit.verbs import log as verbs_log


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("CH-1"))
        for i in range(6):
            journal.append(Reed(f"R-{i}", "moulded", "B-1"))
            journal.append(
                Reading(f"R-{i}", "2026-03-01T10:00", "CH-1", 530.0 + i, {"low_a": 470.0, "high_a": 940.5 + i / 5})
            )
            journal.append(Trim(f"R-{i}", "2026-03-01T10:05", length_mm=0.1 + i / 50))
    return path


def kinds(log: Path) -> list[tuple[str, str]]:
    return [(mark.reed, mark.kind) for mark in check.check(log).marks]


def test_an_ordinary_bench_carries_no_marks(log: Path) -> None:
    found = check.check(log)
    # nothing was learned of its readings yet, which is told
    assert found == check.Checked((), (), found.entries, unlearned=found.entries["reading"])


def test_names_that_look_like_a_known_one_and_batches_of_two_types_are_marked_in_what_was_imported(log: Path) -> None:
    """Was: `mouldd` of a folder of CSV was a type of its own, without a word; `log` asks of it."""
    with Journal(log) as journal:
        seen = journal.last_seq()
        journal.append(Chanter("CH1"))
        journal.append(Reed("R-6", "mouldd", "B-1"))
        journal.append(Reed("R-7", "cane", "B-2"))
        marks = entry_marks.rule_marks(journal, after_seq=seen)
        found = {(mark.reed, mark.kind): mark.sentence for mark in marks}
        assert found == {
            ("", "name-alike"): "The log has the chanter 'CH-1', and 'CH1' is not it; did you mean CH-1?",
            ("R-6", "name-alike"): "The log has the type 'moulded', and 'mouldd' is not it; did you mean moulded?",
            ("R-6", "batch-types"): "Batch B-1 is of type moulded so far, not mouldd; is it right?",
        }
        # a shop that numbers the batches of each type by themselves
        for number in range(1, 5):
            journal.append(Reed(f"C-{number}", "cane", f"B-{number}"))
            journal.append(Reed(f"M-{number}", "moulded", f"B-{number}"))
        assert "batch-types" not in {mark.kind for mark in entry_marks.rule_marks(journal)}


def test_rules_find_slips_and_only_those(log: Path) -> None:
    with Journal(log) as journal:
        seen = journal.last_seq()
        journal.append(Reading("R-0", "2026-03-02", crow_hz=1062.0))
        journal.append(Reading("R-1", "2026-03-02", "CH-1", notes_hz={"low_a": 470.0, "high_a": 944.0}))
        journal.append(
            Reading("R-2", "2026-03-02", "CH-1", notes_hz={"low_a": 470.0, "high_a": 944.0}, taped=("high_a",))
        )
        journal.append(Trim("R-3", "2026-03-02", length_mm=1.5))
        journal.append(Trim("R-4", "2026-03-02", length_mm=0.3))
        journal.append(Trim("R-4", "2026-03-03", length_mm=0.9, asked_mm=0.9))
        journal.append(Trim("R-5", "2026-03-02", lip_strokes=25.0))
        marks = entry_marks.rule_marks(journal, after_seq=seen)
        assert entry_marks.rule_marks(journal, after_seq=journal.last_seq()) == []
    assert {(mark.reed, mark.kind) for mark in marks} == {
        ("R-0", "crow-octave"),
        ("R-1", "a-unbalanced"),
        ("R-3", "trim-long"),
        ("R-5", "strokes-many"),
    }
    assert {mark.reed: mark.sentence for mark in marks}["R-3"].endswith("did you mean 0.15?")
    assert sorted(kinds(log)) == sorted((mark.reed, mark.kind) for mark in marks)


def test_rules_find_what_log_reading_asks_about(log: Path) -> None:
    """F and E swapped or too far apart, and what was typed twice: as sure as where they are typed one by one."""
    swapped, wide, right = {"f": 703.0, "e": 775.0}, {"f": 860.0, "e": 703.0}, {"f": 775.0, "e": 703.0}
    first, again, third, cut, cut_again = "09:00", "09:00:40", "09:01:40", "09:02", "09:02:30"
    day = "2026-03-02T"
    with Journal(log) as journal:
        seen = journal.last_seq()
        journal.append(Reading("R-0", f"{day}{first}", "CH-1", notes_hz=swapped))
        journal.append(Reading("R-1", f"{day}{first}", "CH-1", notes_hz=wide))
        journal.append(Reading("R-2", f"{day}{first}", "CH-1", notes_hz=wide, taped=("f",)))
        for time in (third, first, again):  # the order in which they stand in the file is not theirs in time
            journal.append(Reading("R-3", f"{day}{time}", "CH-1", notes_hz=right))
        for time in (cut_again, cut):
            journal.append(Trim("R-3", f"{day}{time}", length_mm=0.15))
        journal.append(Reading("R-4", f"{day}{first}", "CH-1", notes_hz=right))
        journal.append(Trim("R-4", f"{day}09:00:20", length_mm=0.15))  # between the two
        journal.append(Reading("R-4", f"{day}{again}", "CH-1", notes_hz=right))
        journal.append(Reading("R-5", f"{day}{first}", "CH-1", notes_hz=right))
        journal.append(Reading("R-5", f"{day}{again}", "CH-1", notes_hz={**right, "e": 703.1}))
        marks = entry_marks.rule_marks(journal, after_seq=seen)
        twice = {mark.entry for mark in marks if mark.kind == "twice"}
        assert twice == {
            one.entry
            for one in (*journal.of_reed("R-3").readings, *journal.of_reed("R-3").trims)
            if getattr(one.record, "taken_at", None) == day + again
            or getattr(one.record, "done_at", None) == day + cut_again
        }
        assert sorted((mark.reed, mark.kind) for mark in marks) == [
            ("R-0", "swapped"), ("R-1", "gap-wide"), ("R-3", "twice"), ("R-3", "twice")
        ]  # fmt: skip
        for entry in twice:
            journal.strike(entry, "typed twice")
    assert sorted(kinds(log)) == [("R-0", "swapped"), ("R-1", "gap-wide")]


def test_long_first_cuts_that_are_the_habit_are_no_slips() -> None:
    lengths = [1.5, 0.15, 0.15, 0.15, 0.15] * 6
    assert max(lengths) <= slip_bound(lengths)[0]
    bound_mm, usual_mm = slip_bound(lengths[:5])
    assert usual_mm == 0.15 < bound_mm < 1.5


def test_an_accepted_doubt_is_said_once_and_ends_with_a_strike(log: Path) -> None:
    with Journal(log) as journal:
        notes = {"low_a": 470.0, "high_a": 944.0}
        doubt = Doubt("a-unbalanced", "high_a_hz", "said: at entry")
        entry = journal.append(Reading("R-1", "2026-03-02", "CH-1", notes_hz=notes), doubts=[doubt]).entry
    (mark,) = check.check(log).marks
    assert mark == entry_marks.Mark(entry, "R-1", "a-unbalanced", "said: at entry")
    on(log, verbs_log.strike, entry, why="slip")
    assert check.check(log).marks == ()


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE readings SET crow_hz = 500 WHERE reed = 'R-1'", "its content was changed after it was logged"),
        ("UPDATE readings SET at_s = 5 WHERE reed = 'R-1'", "its instant is not that of its time"),
        ("DELETE FROM reeds WHERE reed = 'R-1'", "names reed 'R-1', which no entry holds"),
        ("DELETE FROM chanters", "names chanter 'CH-1', which no entry holds"),
        ("UPDATE trims SET seq = (SELECT max(seq) FROM readings) WHERE reed = 'R-1'", "was given to 2 entries"),
        (
            "INSERT INTO eclipsed SELECT entry FROM readings WHERE reed = 'R-1'",
            "stands aside for another and should not",
        ),
        ("DELETE FROM readings WHERE entry = (SELECT struck FROM strikes)", "which the log does not hold"),
        ("INSERT INTO steps VALUES (99, 'x', 'x')", "the record of migrations"),
        ("UPDATE readings SET taken_at = 'noon' WHERE reed = 'R-1'", "its content was changed"),
    ],
)
def test_damage_is_found(log: Path, statement: str, says: str) -> None:
    with Journal(log) as journal:
        journal.strike(journal.of_reed("R-5").readings[0].entry, "slip")
        assert damage(journal) == []
    with contextlib.closing(sqlite3.connect(log)) as connection, connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(statement)
    connection.close()
    found = check.check(log).damage
    assert found
    assert any(says in line for line in found), found


def test_refusals_of_the_desk(log: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no log here"):
        import_export.merge_log(log, tmp_path / "none")
    with pytest.raises(InputError, match="there is no such folder"):
        import_export.import_folder(tmp_path / "new", tmp_path / "none")
    assert not (tmp_path / "new").exists()
    with pytest.raises(InputError, match="folder for the log is not there"):
        settings.set_setting(tmp_path / "no" / "log", "tolerance_hz", "1")
