"""What verbs print, not as JSON, where a log holds little, where a wish cannot be met, and where the log is damaged."""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.cli.typed_words import Typed
from trimfit.base.errors import InputError
from trimfit.base.records import Chanter, Order, Outcome, Reading, Reed, Trim
from trimfit.cli.app import app
from trimfit.log.journal import Journal


@pytest.fixture
def empty(tmp_path: Path) -> Typed:
    """A log that holds nothing yet."""
    Journal(tmp_path / "log", create=True).close()
    return Typed(tmp_path / "log")


@pytest.fixture
def few(empty: Typed) -> Typed:
    """Four reeds of one order for three, read in one chanter; one was handed over, one lost."""
    with Journal(empty.log) as journal:
        journal.append(Chanter("CH-1", meeting_pitch_hz=474.0))
        journal.append(Order("O-1", "CH-1", quantity=3))
        journal.append(Order("O-2", "CH-1"))
        for i in range(1, 5):
            journal.append(Reed(f"R-{i}", "cane", "B-1", "2026-01-02", 14.0, order="O-1"))
            notes = {"f": 780.0 + i, "e": 712.0 - i, "low_a": 472.0, "high_a": 944.0}
            journal.append(Reading(f"R-{i}", f"2026-03-0{i}T10:00", "CH-1", 520.0 + i, notes, remark="damp day"))
            journal.append(Trim(f"R-{i}", f"2026-03-0{i}T10:30", 0.2))
        journal.append(Outcome("R-1", "2026-03-05T09:00", "good"))
        journal.append(Outcome("R-2", "2026-03-05T09:10", "lost"))
    return empty


def refused(log: Typed, *words: str) -> InputError:
    with pytest.raises(InputError) as error:
        log.say(*words)
    return error.value


def test_an_empty_log_says_what_to_log_first(empty: Typed) -> None:
    assert empty.say("review", "batches") == "no batch yet: log a reed and name its batch\n"
    assert empty.say("review", "chanters") == "no chanter yet: name it on a reading, or log it\n"
    assert empty.say("check") == "the log is sound: 0 entries stand, 0 struck, 0 marks\n"
    assert refused(empty, "learn").remedy.startswith("log or import")


def test_a_report_that_cannot_be_leaves_no_folder_behind(empty: Typed, tmp_path: Path) -> None:
    assert "no reed yet" in refused(empty, "report", str(tmp_path / "new")).what
    assert not (tmp_path / "new").exists()
    (tmp_path / "there").mkdir()
    refused(empty, "report", str(tmp_path / "there"))
    assert (tmp_path / "there").is_dir()


def test_a_report_of_reeds_without_an_order(empty: Typed, tmp_path: Path) -> None:
    with Journal(empty.log) as journal:
        journal.append(Reed("R-1", "cane", "B-1"))
        journal.append(Reading("R-1", "2026-03-01T10:00", crow_hz=530.0))
    said = empty.say("report", str(tmp_path / "page"))
    assert said.startswith(f"{tmp_path / 'page' / 'index.html'}, with ")
    text = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    assert "No reed is in hand for an order." in text
    assert re.search(r"As of 20\d\d-\d\d-\d\d \d\d:\d\d: 1 reed, ", text)
    assert "Where new reeds start" not in text  # one reed tells no spread


def test_a_story_and_its_ticket_in_words(few: Typed, tmp_path: Path) -> None:
    said = few.say("review", "reed", "R-3", "--ticket", str(tmp_path))
    assert "(damp day)" in said
    assert "0.20 mm off, 0 lip strokes" in said
    written = [line for line in said.splitlines() if line.startswith(str(tmp_path))]
    assert [Path(line).suffix for line in written] == [".pdf", ".png"]
    assert all(Path(line).stat().st_size > 0 for line in written)
    assert few.say("review", "ticket", "R-3", "--out", str(tmp_path)).splitlines() == written


def test_an_order_that_has_all_it_wants(few: Typed) -> None:
    with Journal(few.log) as journal:
        journal.append(Outcome("R-3", "2026-03-06T09:00", "good"))
        journal.append(Outcome("R-4", "2026-03-06T09:10", "good"))
    said = few.say("rehearse", "O-1")
    assert "3 good, 1 lost, 0 in hand; 0 still wanted" in said
    assert "nothing more is wanted" in said
    assert "no untrimmed blank is free for this order" in few.say("pick", "O-2")
    assert few.json("ask", "--all") == []


def test_a_cut_past_the_blade_is_refused_and_told_how_much_is_left(few: Typed) -> None:
    error = refused(few, "predict", "R-3", "--length", "14")
    assert "past the blade of 14 mm" in error.what
    assert error.remedy == "say less than 13.8 mm"


@pytest.mark.parametrize("length", ["3", "9"])
def test_a_length_by_which_a_cut_would_lower_the_crow_is_refused(demo_log: Path, length: str) -> None:
    error = refused(Typed(demo_log), "predict", "R-0339", "--length", length)
    assert re.fullmatch(
        rf"a cut of {length} mm cannot be predicted: the longest cut logged of its type that is in no doubt is "
        r"\d\.\d\d mm",
        error.what,
    )


def test_a_length_beyond_the_longest_cut_is_called_a_guess(demo_log: Path) -> None:
    demo = Typed(demo_log)
    said = demo.say("predict", "R-0339", "--length", "1.5")
    assert "1.50 mm is longer than any cut logged of its type that is in no doubt" in said
    assert demo.json("predict", "R-0339", "--length", "0.1")[0]["why"] == ""


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("ask",), "say one reed, or --all"),
        (("ask", "R-1", "--all"), "say one reed, or --all"),
        (("ask", "--all", "--order", "O-12"), "ask: --all and --order do not go together; say one reed with --order"),
        (("ask", "--all", "--others"), "--all and --others do not go together"),
        (("predict",), "say one reed, or --plan FILE"),
        (("predict", "--plan", "none.csv"), "none.csv: cannot be read (No such file or directory); give a CSV file"),
        (("settings", "tolerance_hz", "abc"), "tolerance_hz: 'abc' is not a number"),
        (
            ("log", "amend", "rea-zzzzzzzz", "f=1"),
            "no entry has this id; trimfit review reed REED names a reed's entries",
        ),
        (("ask", "R-3", "--at", "2026-13-01"), "--at: '2026-13-01' is an impossible time"),
        (("merge", "other", "--rename", "R-1=R-8", "--rename", "R-1=R-9"), "'R-1' is named twice"),
    ],
)
def test_a_request_that_does_not_say_what_is_meant(few: Typed, words: tuple[str, ...], what: str) -> None:
    assert what in str(refused(few, *words))


def test_a_plan_with_faults_names_each_of_them(few: Typed, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("reed,length_mm,lip_strokes\nR-3,0.1,2\n,,\n,0.2,\nR-4,much,\n", encoding="utf-8")
    faults = [(fault.where, fault.column) for fault in refused(few, "predict", "--plan", str(plan)).faults]
    assert faults == [(f"{plan}:4", "reed"), (f"{plan}:5", "length_mm")]
    plan.write_text("reed,length_mm\nR-3,0.1\nR-77,0.1\n", encoding="utf-8")
    (fault,) = refused(few, "predict", "--plan", str(plan)).faults
    assert (fault.where, fault.column) == (f"{plan}:3", "reed")
    plan.write_text("blank,mm\nR-3,0.1\n", encoding="utf-8")
    assert "has not the columns" in refused(few, "predict", "--plan", str(plan)).what


def test_a_damaged_log_is_said_in_full_and_ends_with_1(few: Typed) -> None:
    connection = sqlite3.connect(few.log)
    connection.execute("DROP TRIGGER readings_no_update")
    connection.execute("UPDATE readings SET f_hz = 800 WHERE reed = 'R-3'")
    connection.commit()
    connection.close()
    result = CliRunner().invoke(app, ["--log", str(few.log), "check"])
    assert result.exit_code == 1
    assert "its content was changed after it was logged" in result.output
    assert "keep it as it is, and go on with an earlier backup or export" in result.output
    assert "R-3" in few.say("review", "reed", "R-3")


def test_of_what_the_database_says_of_a_damaged_file_two_lines_are_shown(few: Typed) -> None:
    connection = sqlite3.connect(few.log)
    connection.execute("PRAGMA writable_schema = ON")
    wrong = "UPDATE sqlite_schema SET sql = 'CREATE INDEX reeds_by_name ON reeds (batch)' WHERE name = 'reeds_by_name'"
    connection.execute(wrong)
    connection.commit()
    connection.close()
    shown = CliRunner().invoke(app, ["--log", str(few.log), "check"])
    every = json.loads(CliRunner().invoke(app, ["--log", str(few.log), "check", "--json"]).stdout)["damage"]
    said = [line for line in shown.stdout.splitlines() if line.startswith("the file: ")]
    assert (shown.exit_code, len(said)) == (1, 3)
    assert said[:2] == every[:2]
    assert f"the file: {len([one for one in every if one.startswith('the file: ')]) - 2} more such lines" in said[2]
    assert not any("\n" in line or "***" in line for line in every)


def test_a_name_of_another_kind_is_called_what_it_is(few: Typed) -> None:
    assert str(refused(few, "ask", "O-1")) == (
        "'O-1' is an order and no reed; trimfit pick O-1 and trimfit ask --all answer for an order"
    )
    assert str(refused(few, "log", "trim", "CH-1", "0.1")).startswith("'CH-1' is a chanter and no reed")


def test_sentences_of_an_answer_follow_the_terminal(few: Typed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    narrow = few.say("ask", "R-3")
    monkeypatch.setenv("COLUMNS", "80")
    assert max(map(len, narrow.splitlines())) <= 40 < max(map(len, few.say("ask", "R-3").splitlines()))
