"""`log amend`: a wrong entry corrected in its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.typed_words import Typed
from trimfit.base.errors import InputError
from trimfit.base.records import Reading, Trim
from trimfit.entry.entry_times import entries_of
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder


@pytest.fixture
def bench(tmp_path: Path) -> Typed:
    """A reed with two cuts, the first of them logged as 0.15 mm though 0.65 mm came off."""
    found = Typed(tmp_path / "bench.trimfit")
    found.say("log", "chanter", "CH-1", "--meeting-pitch", "474")
    found.say("log", "reed", "R-1", "--type", "moulded", "--batch", "B-1", "--blade", "23.0")
    found.say("log", "reading", "R-1", "f=771.1", "e=711.6", "--chanter", "CH-1", "--at", "2026-03-01T10:00")
    found.say("log", "trim", "R-1", "0.15", "--lip", "2", "--remark", "first", "--at", "2026-03-01T10:05")
    found.say("log", "reading", "R-1", "f=781.4", "e=705.3", "--chanter", "CH-1", "--at", "2026-03-01T10:10")
    found.say("log", "trim", "R-1", "0.1", "--at", "2026-03-01T10:15")
    return found


def ids(bench: Typed) -> list[str]:
    with Journal(bench.log) as journal:
        return [one.entry for one in entries_of(journal.of_reed("R-1"))]


def exported(log: Path, folder: Path) -> dict[str, bytes]:
    with Journal(log, create=True) as journal:
        export_folder(journal, folder)
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def test_the_corrected_entry_stands_where_the_wrong_one_stood(bench: Typed) -> None:
    before = ids(bench)
    said = bench.say("log", "amend", before[1][:9], "length=0.65")
    assert said.startswith("trim of R-1: 0.65 mm, 2 lip strokes")
    assert f"it replaces {before[1]}" in " ".join(said.split())
    with Journal(bench.log) as journal:
        history = journal.of_reed("R-1")
        assert damage(journal) == []
        (strike,) = journal.columns("strike", ["struck", "why"])
    after = [one.entry for one in entries_of(history)]
    assert [after[0], *after[2:]] == [before[0], *before[2:]]
    assert strike == (before[1], "amended: length_mm 0.65, not 0.15")
    assert history.trims[0].record == Trim("R-1", "2026-03-01T10:05+00:00", 0.65, 2.0, None, "first")


def test_an_amended_entry_can_be_amended_again_and_back(bench: Typed) -> None:
    entry = ids(bench)[1]
    first = bench.json("log", "amend", entry, "length=0.65")
    assert (first["kind"], first["about"], first["instead_of"], first["new"]) == ("trim", "R-1", entry, True)
    again = bench.json("log", "amend", str(first["entry"]), "0.15")
    with Journal(bench.log) as journal:
        assert [one.record.length_mm for one in journal.of_reed("R-1").trims] == [0.15, 0.1]
        assert journal.count("strike") == 2
    assert again["entry"] != entry
    refused = bench.refused("log", "amend", str(first["entry"]), "length=0.7")
    assert f"{again['entry']} in its place counts" in refused
    same = bench.json("log", "amend", str(again["entry"]), "length=0.15")
    assert (same["entry"], same["new"], same["note"]) == (
        again["entry"], False, "nothing to amend: it says so already"
    )  # fmt: skip
    bench.say("log", "strike", str(again["entry"]))
    refused = bench.refused("log", "strike", entry)
    assert refused.endswith("so was the one in its place: log it again if it should count")


@pytest.mark.parametrize(
    ("which", "words", "wanted"),
    [
        (0, ["f=772.1", "crow=C+22"], {"f": 772.1, "e": 711.6}),
        (0, ["f 772,1 e 710"], {"f": 772.1, "e": 710.0}),
        (0, ["f="], {"e": 711.6}),
        (0, ["chanter=", "remark=by the window"], {"f": 771.1, "e": 711.6}),
    ],
)
def test_of_a_reading_what_is_not_said_stays(
    bench: Typed, which: int, words: list[str], wanted: dict[str, float]
) -> None:
    bench.say("log", "amend", ids(bench)[which], *words)
    with Journal(bench.log) as journal:
        record = journal.of_reed("R-1").readings[0].record
    assert dict(record.notes_hz) == wanted
    assert (record.chanter is None) == ("chanter=" in words)
    assert record.remark == ("by the window" if len(words) > 1 and "remark" in words[1] else None)


def test_events_and_outcomes_are_amended_by_their_word(bench: Typed) -> None:
    event = bench.json("log", "event", "R-1", "soaked", "--at", "2026-03-02T10:00")["entry"]
    bench.say("log", "amend", str(event), "bridle moved")
    outcome = bench.json("log", "outcome", "R-1", "lost", "--at", "2026-03-03T10:00")["entry"]
    bench.say("log", "amend", str(outcome), "to-stock", "remark=the blade is whole")
    with Journal(bench.log) as journal:
        history = journal.of_reed("R-1")
    assert [one.record.event for one in history.events] == ["bridle moved"]
    assert history.outcome is not None
    assert (history.outcome.record.outcome, history.outcome.record.remark) == ("to-stock", "the blade is whole")


@pytest.mark.parametrize(
    ("which", "words", "what"),
    [
        (1, ["at=10:20"], "an amended trim keeps its reed and its time"),
        (1, ["reed=R-2"], "an amended trim keeps its reed and its time"),
        (1, ["f=780"], "'f' is no word of a trim"),
        (1, ["length=", "lip="], "nothing was taken off"),
        (1, ["length=24"], "out of bounds"),
        (0, ["lenght=0.2"], "is no word of a reading"),
        (0, ["chanter=CH-9"], "is not in the log"),
    ],
)
def test_what_cannot_be_amended_leaves_the_log_as_it_was(
    bench: Typed, tmp_path: Path, which: int, words: list[str], what: str
) -> None:
    before = exported(bench.log, tmp_path / "a")
    said = bench.refused("log", "amend", ids(bench)[which], *words)
    assert what in said
    assert exported(bench.log, tmp_path / "b") == before


def test_a_struck_entry_and_a_thing_with_a_name_are_not_amended(bench: Typed) -> None:
    entry = ids(bench)[1]
    bench.say("log", "strike", entry, "--why", "no cut of this reed")
    assert "was struck before" in bench.refused("log", "amend", entry, "length=0.65")
    with Journal(bench.log) as journal:
        found = journal.entry_of("reed", "R-1")
    assert found is not None
    assert "trimfit log reed R-1" in bench.refused("log", "amend", found.entry, "batch=B-2")


def test_what_is_doubtful_in_the_correction_is_said_and_the_doubt_of_the_wrong_one_is_not(bench: Typed) -> None:
    wrong = bench.json("log", "trim", "R-1", "6.5", "--at", "2026-03-01T10:20")
    assert wrong["doubt"]
    right = bench.json("log", "amend", str(wrong["entry"]), "0.65")
    assert right["doubt"] is None
    assert "longer than" in str(bench.json("log", "amend", str(right["entry"]), "5.5")["doubt"])


def test_an_amended_log_goes_out_and_comes_back_and_merges_like_any_other(bench: Typed, tmp_path: Path) -> None:
    old = tmp_path / "old"
    with Journal(bench.log) as journal:
        export_folder(journal, old)
    other = tmp_path / "other"
    with Journal(other, create=True) as journal:
        merge_logs(journal, bench.log)
    bench.say("log", "amend", ids(bench)[1], "length=0.65")
    whole = exported(bench.log, tmp_path / "whole")
    with Journal(tmp_path / "fresh", create=True) as journal:
        import_folder(journal, tmp_path / "whole")
    assert exported(tmp_path / "fresh", tmp_path / "again") == whole
    # A folder from before it was amended brings nothing back.
    with Journal(bench.log) as journal:
        assert import_folder(journal, old).new == 0
    for first, second in ((other, bench.log), (bench.log, other)):
        with Journal(first) as journal:
            assert merge_logs(journal, second).conflicts == ()
            assert [one.record.length_mm for one in journal.of_reed("R-1").trims] == [0.65, 0.1]
    assert exported(other, tmp_path / "c") == exported(bench.log, tmp_path / "d")


def test_a_folder_that_amends_what_this_log_has_renamed_since_is_taken_under_the_new_name(
    bench: Typed, tmp_path: Path
) -> None:
    other = Typed(tmp_path / "other")
    with Journal(other.log, create=True) as journal:
        merge_logs(journal, bench.log)
    bench.say("log", "rename", "R-1", "R-1b")
    other.say("log", "amend", ids(other)[1], "length=0.65")
    exported(other.log, tmp_path / "folder")
    with Journal(bench.log) as journal:
        import_folder(journal, tmp_path / "folder")
        assert [one.record.length_mm for one in journal.of_reed("R-1b").trims] == [0.65, 0.1]
        assert damage(journal) == []


def test_a_journal_amends_whole_or_not_at_all(bench: Typed) -> None:
    entry = ids(bench)[0]
    with Journal(bench.log) as journal:
        with pytest.raises(InputError):
            journal.amend(entry, Reading("R-1", "2026-03-01T10:00+00:00", "nowhere", crow_hz=530.0))
        assert journal.count("strike") == 0
        assert entries_of(journal.of_reed("R-1"))[0].entry == entry


def test_the_last_entry_of_a_reed_is_amended_without_its_id(bench: Typed) -> None:
    last = ids(bench)[-1]
    with Journal(bench.log) as journal:
        assert journal.last_of("R-1") == last
    said = bench.json("log", "amend", "--last", "R-1", "remark=as it should be")
    assert (said["instead_of"], said["note"]) == (last, None)
    assert said["entry"] != last
    assert "reed 'R-7' is not in the log" in bench.refused("log", "amend", "--last", "R-7", "f=770")


def test_which_entry_was_the_last_is_said_where_the_words_do_not_fit_it(bench: Typed) -> None:
    bench.say("log", "reading", "R-1", "f=781.4", "--chanter", "CH-1", "--at", "2026-03-01T10:20")
    with pytest.raises(InputError, match="'length' is no word of a reading") as caught:
        bench.say("log", "amend", "--last", "R-1", "length=0.3")
    last = f"the last entry in time is as it was: {ids(bench)[-1]}, the reading of R-1 of 2026-03-01 10:20"
    assert caught.value.also.startswith(last)


def test_numbers_are_said_as_people_say_them(bench: Typed) -> None:
    """Was: amended: crow_hz 553.7252038731011; gap -0 cents; F 1 cents under E; 1 reeds in 1 batches."""
    entry = ids(bench)[0]
    bench.say("log", "amend", entry, "crow=C#-1.7")
    with Journal(bench.log) as journal:
        (why,) = (why for (why,) in journal.columns("strike", ["why"]))
    assert why == "amended: crow_hz 553.821, not blank"
    assert ": F and E agree" in bench.say("log", "reading", "R-1", "f=783.2", "e=705")
    assert ": F 1 cent under E" in bench.say("log", "reading", "R-1", "f=782.75", "e=705")
    told = bench.say("review", "reed", "R-1")
    assert "gap 0 cents" in told
    assert "gap -0" not in told
    assert "1 reed in 1 batch" in bench.say("learn")


def test_a_mark_of_an_older_log_is_read_in_the_words_of_today(bench: Typed) -> None:
    with Journal(bench.log) as journal:
        journal.mark(ids(bench)[0], ["unforetold: F is 55 cents over what was predicted; is it right?"])
        assert journal.of_reed("R-1").readings[0].doubts[-1].startswith("unpredicted: F is 55 cents")
        assert journal.accepted_doubts()[-1][1].startswith("unpredicted: F is 55 cents")


@pytest.mark.parametrize("words", [["chanter=Band 1"], ["chanter", "Band 1"], ["f=781.4", "chanter=Band 1"]])
def test_a_chanter_with_a_blank_in_its_name_is_one_word_of_the_shell(bench: Typed, words: list[str]) -> None:
    bench.say("log", "chanter", "Band 1")
    assert "in Band 1" in bench.say("log", "amend", ids(bench)[2], *words)
    assert "in Band 1" in bench.say("log", "reading", "R-1", "e=705.3", *words, "--at", "2026-03-01T11:00")


def test_taking_back_a_second_outcome_says_that_there_was_a_first(tmp_path: Path) -> None:
    """Was: back in work without a word, of a reed that had been lost before it was put to stock."""
    bench = Typed(tmp_path / "log")
    bench.say("log", "reed", "a", "--type", "moulded", "--batch", "A")
    bench.say("log", "outcome", "a", "lost", "--at", "2026-03-01T10:00")
    bench.say("log", "outcome", "a", "to-stock", "--at", "2026-03-01T11:00")
    said = " ".join(bench.say("log", "strike", "--last", "a").split())
    assert "it is at the bench again; before it had left as lost: trimfit log outcome a lost" in said
    assert "before it had left" not in bench.say("log", "outcome", "a", "lost", "--at", "2026-03-01T12:00")
    assert "before it had left" not in bench.say("log", "strike", "--last", "a")


def test_a_reed_of_which_nothing_is_logged_is_struck_by_the_command_that_is_said(bench: Typed) -> None:
    made = bench.json("log", "reed", "R-9", "--type", "moulded", "--batch", "B-1")["entry"]
    assert f"is struck with trimfit log strike {made}" in bench.refused("log", "strike", "--last", "R-9")
    bench.say("log", "strike", made)
    with Journal(bench.log) as journal:
        assert "R-9" not in journal.reeds()
