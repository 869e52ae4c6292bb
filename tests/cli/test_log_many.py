"""`log reed R-1..R-24`, numbers without names, and the only chanter of a log."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.typed_words import Typed
from trimfit.base.natural_order import counted_out
from trimfit.base.pitch import parse_crow_hz
from trimfit.log.journal import Journal


@pytest.fixture
def bench(tmp_path: Path) -> Typed:
    return Typed(tmp_path / "bench.trimfit")


@pytest.mark.parametrize(
    ("text", "first", "count"),
    [("R-1..R-24", "R-1", 24), ("R-01..12", "R-01", 12), ("7..9", "7", 3), ("a b1..a b2", "a b1", 2)],
)
def test_a_range_is_counted_out(text: str, first: str, count: int) -> None:
    names = counted_out(text)
    assert names is not None
    assert (names[0], len(names), len(set(names))) == (first, count, count)


@pytest.mark.parametrize("text", ["R-1", "..", "R..", "R-1.5"])
def test_what_is_no_range_is_a_name(text: str) -> None:
    assert counted_out(text) is None


@pytest.mark.parametrize("text", ["R-9..R-1", "R-1..R-1", "R-1..S-9", "R-1..R-99999"])
def test_a_range_that_cannot_be_counted_out_makes_no_reed_of_that_name(bench: Typed, text: str) -> None:
    assert "is no range of names; count up" in bench.refused("log", "reed", text, "--type", "cane", "--batch", "B-1")


def test_letters_are_no_range_and_make_no_reed_of_that_name(bench: Typed) -> None:
    said = bench.refused("log", "reed", "a..d", "--type", "cane", "--batch", "B-1")
    assert "'a..d' is no range of names; number them, as R-1..R-24, or name each" in said


def test_a_batch_is_logged_at_once_and_again_adds_nothing(bench: Typed) -> None:
    answer = bench.json("log", "reed", "R-1..R-24", "--type", "moulded", "--batch", "B-1", "--blade", "23")
    assert (answer["about"], answer["new"], len(answer["entries"]), answer["doubt"]) == ("R-1 to R-24", True, 24, None)
    assert "24 reeds logged" in answer["note"]
    assert all(entry[:10] in answer["note"] for entry in answer["entries"])
    assert "as much of it as strike needs" in answer["note"]
    assert answer["entries"][23] in bench.say("log", "strike", answer["entries"][23][:10])
    bench.say("log", "reed", "R-24", "--type", "moulded", "--batch", "B-1", "--blade", "23")
    again = bench.say("log", "reed", "R-1..R-25", "--type", "moulded", "--batch", "B-1", "--blade", "23")
    assert "1 reed logged, 24 in the log already" in again
    with Journal(bench.log) as journal:
        assert len(journal.reeds()) == 25
        assert {one.blade_mm for one in journal.reeds().values()} == {23.0}


def test_a_doubt_about_a_run_marks_every_reed_of_it_and_its_remedy_mends_them_all(bench: Typed) -> None:
    bench.say("log", "reed", "R-1", "--type", "ridge cut", "--batch", "B-1")
    said = bench.say("log", "reed", "R-5..R-7", "--type", "rigde cut", "--batch", "B-1")
    assert "trimfit log reed R-5..R-7 --type TYPE --move" in said
    assert "or, if its batch is: trimfit log reed R-5..R-7 --batch BATCH --move" in " ".join(said.split())
    marked = [mark["reed"] for mark in bench.json("check")["marks"]]
    assert marked == [reed for reed in ("R-5", "R-6", "R-7") for _ in ("name-alike", "batch-types")]
    bench.say("log", "reed", "R-5..R-7", "--type", "ridge cut", "--move")
    assert bench.json("check")["marks"] == []
    named = bench.say("log", "reed", "Q-1..Q-2", "--type", "ridge cut", "--batch", "B-1")
    assert "doubt" not in named


def test_a_range_that_cannot_be_logged_whole_is_not_logged(bench: Typed) -> None:
    bench.say("log", "reed", "R-2", "--type", "cane", "--batch", "B-9")
    assert "is in the log with reed_type 'cane'" in bench.refused(
        "log", "reed", "R-1..R-3", "--type", "moulded", "--batch", "B-1"
    )
    with Journal(bench.log) as journal:
        assert list(journal.reeds()) == ["R-2"]


def test_numbers_alone_are_in_the_shops_order_and_the_only_chanter_is_understood(bench: Typed) -> None:
    bench.say("log", "chanter", "Heron")
    bench.say("log", "reed", "R-1", "--type", "cane", "--batch", "B-1")
    said = bench.say("log", "reading", "R-1", "779.1", "702,6", "468.2", "936.1", "22")
    assert said.startswith("reading of R-1 in Heron, the only one in the log: F ")
    with Journal(bench.log) as journal:
        (reading,) = (one.record for one in journal.of_reed("R-1").readings)
    assert reading.notes_hz == {"f": 779.1, "e": 702.6, "low_a": 468.2, "high_a": 936.1}
    assert (reading.chanter, reading.crow_hz) == ("Heron", parse_crow_hz("C+22"))
    bench.say("settings", "line_order", "e f")
    bench.say("log", "reading", "R-1", "703.6", "778.1")
    with Journal(bench.log) as journal:
        assert journal.of_reed("R-1").readings[-1].record.notes_hz == {"e": 703.6, "f": 778.1}
    bench.say("settings", "line_order", "f", "e", "a", "A", "crow")
    assert bench.json("settings", "line_order") == {"line_order": "f e a A crow"}
    assert "no order of notes" in bench.refused("settings", "line_order", "e e f")


def test_an_order_is_for_the_only_chanter_of_a_log(bench: Typed) -> None:
    bench.say("log", "chanter", "Heron")
    assert "in Heron, the only chanter in the log" in bench.say("log", "order", "O-1", "--quantity", "4")
    bench.say("log", "chanter", "Otter")
    assert "a new order needs a chanter" in bench.refused("log", "order", "O-2")
    with Journal(bench.log) as journal:
        assert [(one.order, one.chanter) for one in journal.orders().values()] == [("O-1", "Heron")]


def test_readings_in_no_chanter_are_pointed_out(bench: Typed) -> None:
    bench.say("log", "reed", "R-1", "--type", "cane", "--batch", "B-1")
    said = bench.json("log", "reading", "R-1", "f=779.1", "e=702.6", "--at", "2026-03-01T10:00")
    assert said["note"] == f"no chanter was named: trimfit log amend {said['entry']} chanter=NAME"
    bench.say("log", "reading", "R-1", "crow=C+22", "--at", "2026-03-01T10:10")
    assert f"To name it: trimfit log amend {said['entry']}" in (" ".join(bench.say("check").split()))
    bench.say("log", "chanter", "Heron")
    bench.say("log", "amend", str(said["entry"]), "chanter=Heron")
    assert "names no chanter" not in bench.say("check")


def test_what_a_record_needs_is_not_taken_back_and_one_reed_has_one_name(bench: Typed) -> None:
    bench.say("log", "chanter", "CH-1")
    bench.say("log", "order", "O-1")
    bench.say("log", "reed", "R-1", "--type", "moulded", "--batch", "B-1", "--order", "O-1")
    assert "its type cannot be taken back" in bench.refused("log", "reed", "R-1", "--type", "")
    assert "its batch cannot be taken back" in bench.refused("log", "reed", "R-1", "--batch", " ", "--move")
    assert "its chanter cannot be taken back" in bench.refused("log", "order", "O-1", "--chanter", "")
    assert "names several reeds" in bench.refused("log", "rename", "R-1", "R-5..R-7")


def test_the_list_of_a_moment_has_no_reed_made_later(bench: Typed) -> None:
    bench.say("log", "chanter", "CH-1")
    bench.say("log", "order", "O-1")
    made = {"R-1": ["--made-on", "2026-02-01"], "R-2": ["--made-on", "2026-03-01"], "R-3": []}
    for reed, said in made.items():
        bench.say("log", "reed", reed, "--type", "moulded", "--batch", "B-1", "--order", "O-1", *said)
    for moment, listed in {"2026-02-15": ["R-1", "R-3"], "2026-03-01": ["R-1", "R-2", "R-3"]}.items():
        assert [one["reed"] for one in bench.json("ask", "--all", "--at", moment)] == listed


def test_a_reed_that_is_moved_is_asked_about_its_new_type_and_batch(tmp_path: Path) -> None:
    bench = Typed(tmp_path / "bench.trimfit")
    bench.say("log", "reed", "R-1..R-3", "--type", "ridge cut", "--batch", "May cane")
    bench.say("log", "reed", "R-4..R-6", "--type", "moulded", "--batch", "M-1")
    said = bench.say("log", "reed", "R-4", "--type", "ridge cut", "--batch", "may cane", "--move")
    assert "did you mean May cane?" in " ".join(said.split())
    assert "new batch may cane" in said
    # what is put right for all of a batch at once is not held against what it was
    assert "did you mean" not in bench.say("log", "reed", "R-4", "--batch", "May cane", "--move")
    assert "did you mean" not in bench.say("log", "reed", "R-1..R-4", "--batch", "may Cane", "--move")
    assert "new type mouldedd" in (said := bench.say("log", "reed", "R-5..R-6", "--type", "mouldedd", "--move"))
    assert "did you mean" not in said
    said = " ".join(bench.say("log", "reed", "R-5", "--type", "ridge cut", "--move").split())
    assert "new batch M-1 of ridge cut (there is one of mouldedd)" in said
    assert "Batch M-1 is of type mouldedd so far" in said
