"""Two reeds of one name at two benches: one of them gets another name, for good and at every bench."""

from __future__ import annotations

import itertools
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.errors import InputError
from trimfit.base.records import Chanter, Event, Outcome, Reading, Reed, Trim
from trimfit.entry import doubt_marks as entry_marks
from trimfit.log.entry_counts import Counts, Renamed
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.log.merging.rename import rename, renamed_apart
from trimfit.log.queries import struck_of_reed
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder

AT = "2026-04-01T09:00"


def bench(path: Path, *records: object) -> Path:
    with Journal(path, create=True) as journal:
        for record in records:
            journal.append(record)
    return path


@pytest.fixture
def benches(tmp_path: Path) -> tuple[Path, Path]:
    """Two benches, each with a reed R-7 of its own; the second's has a doubt that was accepted."""
    first = bench(
        tmp_path / "first",
        Reed("R-7", "moulded", "B-1"),
        Reading("R-7", "2026-03-01", crow_hz=531.0),
        Trim("R-7", "2026-03-02", length_mm=0.2),
    )
    second = bench(
        tmp_path / "second",
        Chanter("CH-1"),
        Reed("R-7", "cane", "B-9", blade_mm=20.0),
        Reading("R-7", "2026-03-01", crow_hz=541.0),
        Trim("R-7", "2026-03-02", length_mm=0.3),
        Event("R-7", "2026-03-03T08:00", "soaked"),
        Outcome("R-7", "2026-03-05", "good"),
    )
    with Journal(second) as journal:
        journal.append(Reading("R-7", "2026-03-03T09:00", "CH-1", crow_hz=545.0), doubts=["odd: is it?"])
    return first, second


def merged(path: Path, *others: Path, **renames: str) -> Counts:
    counts = Counts()
    with Journal(path, create=True) as journal:
        for other in others:
            named = {old.replace("_", "-"): new for old, new in renames.items()}
            counts = merge_logs(journal, other, renames=named)
        assert damage(journal) == []
    return counts


def renamed(path: Path, reed: str, new: str, **more: object) -> Renamed:
    with Journal(path) as journal:
        done = rename(journal, reed, new, at=AT, **more)  # type: ignore[arg-type]
        assert damage(journal) == []
    return done


def exported(path: Path, folder: Path) -> dict[str, bytes]:
    with Journal(path) as journal:
        export_folder(journal, folder)
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def crows(path: Path, reed: str) -> list[float | None]:
    with Journal(path) as journal:
        return [one.record.crow_hz for one in journal.of_reed(reed).readings]


def apart(path: Path) -> list[tuple[str, tuple[str, ...]]]:
    with Journal(path) as journal, journal.reading() as connection:
        return renamed_apart(connection)


def test_a_reed_renamed_takes_all_that_names_it_along(benches: tuple[Path, Path]) -> None:
    _, second = benches
    done = renamed(second, "R-7", "R-7b")
    assert dict(done.moved) == {"reed": 1, "reading": 2, "trim": 1, "event": 1, "outcome": 1}
    with Journal(second) as journal:
        story = journal.of_reed("R-7b")
        assert done.entry == story.reed.entry
        assert story.reed.record == Reed("R-7b", "cane", "B-9", blade_mm=20.0)
        assert [one.doubts for one in story.readings] == [(), ("odd: is it?",)]
        assert [one.record.length_mm for one in story.trims] == [0.3]
        assert [one.record.event for one in story.events] == ["soaked"]
        assert story.outcome is not None
        with pytest.raises(InputError, match="has another name") as caught:
            journal.of_reed("R-7")
        assert caught.value.remedy == "it is 'R-7b' now"
        assert {why for (why,) in journal.columns("strike", ["why"])} == {"renamed R-7b"}
        before = journal.last_seq()
    again = renamed(second, "R-7", "R-7b")
    assert dict(again.moved) == {}
    with Journal(second) as journal:
        assert journal.last_seq() == before


def test_ones_own_reed_is_renamed_and_the_merge_then_has_no_conflict(
    benches: tuple[Path, Path], tmp_path: Path
) -> None:
    first, second = benches
    shutil.copy(first, tmp_path / "before")
    assert merged(tmp_path / "before", second).refused > 0  # reported: now the second bench renames its own
    renamed(second, "R-7", "R-7b")
    for log in (first, tmp_path / "before"):
        assert merged(log, second).refused == 0
        assert crows(log, "R-7") == [531.0]
        assert crows(log, "R-7b") == [541.0, 545.0]
        assert merged(log, second).new == 0
    assert exported(first, tmp_path / "a")["reeds.csv"] == exported(tmp_path / "before", tmp_path / "b")["reeds.csv"]


@pytest.mark.parametrize("merged_before", [False, True])
def test_the_other_benchs_reed_is_renamed_while_merging(
    benches: tuple[Path, Path], tmp_path: Path, merged_before: bool
) -> None:
    first, second = benches
    if merged_before:
        assert merged(first, second).conflicts[0].key == "R-7"
    counts = merged(first, second, R_7="R-7b")
    assert (counts.refused, counts.conflicts) == (0, ())
    (one,) = counts.renamed
    assert (one.reed, one.new_name, dict(one.moved)) == (
        "R-7",
        "R-7b",
        {"reed": 1, "reading": 2, "trim": 1, "event": 1, "outcome": 1},
    )
    assert crows(first, "R-7") == [531.0]
    assert crows(first, "R-7b") == [541.0, 545.0]
    with Journal(first) as journal:
        before = journal.last_seq()
    # Neither with the option nor without it does anything come back.
    for renames in ({"R_7": "R-7b"}, {}):
        again = merged(first, second, **renames)
        assert (again.new, again.refused, again.renamed) == (0, 0, ())
    with Journal(first) as journal:
        assert journal.last_seq() == before
    # The other bench learns of it.
    assert merged(second, first).refused == 0
    assert crows(second, "R-7b") == [541.0, 545.0]
    assert crows(second, "R-7") == [531.0]
    assert exported(first, tmp_path / "a") == exported(second, tmp_path / "b")


def test_what_the_other_bench_logs_since_goes_to_the_new_name_whichever_way_it_comes(
    benches: tuple[Path, Path], tmp_path: Path
) -> None:
    first, second = benches
    merged(first, second, R_7="R-7b")
    with Journal(second) as journal:
        journal.append(Reading("R-7", "2026-03-06", crow_hz=550.0), doubts=["late: is it?"])
    results = []
    for i, order in enumerate(itertools.permutations((first, second))):
        log = tmp_path / f"third{i}"
        merged(log, *order)
        assert crows(log, "R-7") == [531.0]
        assert crows(log, "R-7b") == [541.0, 545.0, 550.0]
        results.append(exported(log, tmp_path / f"out{i}"))
    shutil.copy(second, tmp_path / "own")
    merged(tmp_path / "own", first)
    results.append(exported(tmp_path / "own", tmp_path / "outown"))
    (one,) = merged(first, second).renamed
    assert dict(one.moved) == {"reading": 1}
    results.append(exported(first, tmp_path / "outfirst"))
    assert all(result == results[0] for result in results)
    with Journal(tmp_path / "back", create=True) as journal:
        import_folder(journal, tmp_path / "outown")
    assert exported(tmp_path / "back", tmp_path / "outback") == results[0]
    with Journal(first) as journal:
        assert [one.doubts for one in journal.of_reed("R-7b").readings] == [(), ("odd: is it?",), ("late: is it?",)]


def test_a_revision_at_the_other_bench_follows_too(benches: tuple[Path, Path]) -> None:
    first, second = benches
    merged(first, second, R_7="R-7b")
    with Journal(second) as journal, journal.writing():
        journal.strike(journal.of_reed("R-7").reed.entry, "revised: blade_mm")
        journal.append(Reed("R-7", "cane", "B-9", blade_mm=21.0))
        journal.append(Reading("R-7", "2026-03-06", crow_hz=550.0))
    (conflict,) = merged(first, second).conflicts
    assert (conflict.key, conflict.differs) == ("R-7b", ("blade_mm",))
    assert crows(first, "R-7") == [531.0]
    assert crows(first, "R-7b") == [541.0, 545.0, 550.0]


def test_a_reed_renamed_twice_is_followed_to_its_last_name(benches: tuple[Path, Path]) -> None:
    first, second = benches
    merged(first, second, R_7="R-7b")
    renamed(first, "R-7b", "R-8")
    with Journal(second) as journal:
        journal.append(Reading("R-7", "2026-03-06", crow_hz=550.0))
    merged(first, second)
    assert crows(first, "R-8") == [541.0, 545.0, 550.0]
    assert crows(first, "R-7") == [531.0]


def test_there_and_back_again(benches: tuple[Path, Path]) -> None:
    first, _ = benches
    renamed(first, "R-7", "R-8")
    renamed(first, "R-8", "R-7")
    assert crows(first, "R-7") == [531.0]
    assert merged(first, first).new == 0
    renamed(first, "R-7", "R-8")
    assert crows(first, "R-8") == [531.0]


def test_a_reed_renamed_back_and_on_is_named_as_it_is_now(benches: tuple[Path, Path]) -> None:
    _, second = benches
    for old, new in (("R-7", "R-8"), ("R-8", "R-7"), ("R-7", "R-9")):
        renamed(second, old, new)
    with Journal(second) as journal:
        for old in ("R-7", "R-8"):
            with pytest.raises(InputError, match="has another name") as caught:
                journal.of_reed(old)
            assert caught.value.remedy == "it is 'R-9' now"


def test_what_was_struck_under_an_earlier_name_is_still_told(benches: tuple[Path, Path]) -> None:
    first, second = benches
    with Journal(second) as journal:
        trim = journal.of_reed("R-7").trims[0]
        journal.strike(trim.entry, "never made")
    for old, new in (("R-7", "R-8"), ("R-8", "R-7"), ("R-7", "R-9")):
        renamed(second, old, new)
    with Journal(second) as journal, journal.reading() as connection:
        assert [(one.entry, one.why) for one in struck_of_reed(connection, "R-9")] == [(trim.entry, "never made")]
    merged(second, first)  # a reed of the earlier name: whose the entry was is not known any more
    with Journal(second) as journal, journal.reading() as connection:
        assert struck_of_reed(connection, "R-9") == []


def test_a_log_that_mixed_both_says_what_it_cannot_know(benches: tuple[Path, Path], tmp_path: Path) -> None:
    first, second = benches
    with Journal(second) as journal:
        journal.append(Reading("R-7", "2026-03-06", crow_hz=550.0))
    third = tmp_path / "third"
    merged(third, first, second)
    shutil.copy(second, tmp_path / "earlier")
    with Journal(tmp_path / "earlier") as journal:
        late = journal.of_reed("R-7").readings[-1].entry
    # The first bench renames what it has seen of the second's reed, which is not yet the last reading.
    other = bench(
        tmp_path / "other",
        Reed("R-7", "cane", "B-9", blade_mm=20.0),
        Reading("R-7", "2026-03-01", crow_hz=541.0),
    )
    merged(first, other, R_7="R-7b")
    counts = merged(third, first)
    (one,) = counts.renamed
    assert late in one.unsure
    assert merged(third, second).refused == 0
    assert crows(third, "R-7") == [531.0]
    assert crows(third, "R-7b") == [541.0, 545.0, 550.0]


def test_mixed_entries_are_told_apart_by_hand(benches: tuple[Path, Path]) -> None:
    first, second = benches
    with Journal(second) as journal:
        story = journal.of_reed("R-7")
        theirs = [story.reed.entry, *(one.entry for one in (*story.readings, *story.trims))]
        assert story.outcome is not None
        theirs.append(story.outcome.entry)
    merged(first, second)
    with pytest.raises(InputError, match="two benches have a reed 'R-7'") as caught:
        renamed(first, "R-7", "R-7b")
    assert "--rename R-7=R-7b" in caught.value.remedy
    with pytest.raises(InputError, match="no entry of a reed goes to"):
        renamed(first, "R-7", "R-7b", only=theirs[1:2])
    renamed(first, "R-7", "R-7b", only=theirs[:2])
    renamed(first, "R-7", "R-7b", only=theirs[2:])
    assert crows(first, "R-7") == [531.0]
    assert crows(first, "R-7b") == [541.0, 545.0]
    with pytest.raises(InputError, match="no entry of reed 'R-7' that counts"):
        renamed(first, "R-7", "R-7b", only=theirs[:1])


def test_a_reed_split_off_leaves_no_entry_without_a_reed(benches: tuple[Path, Path]) -> None:
    """Was: the remedy took the reed's own entry along, and what stayed named a reed that was no more."""
    first, _ = benches
    with Journal(first) as journal:
        late = journal.append(Reading("R-7", "2026-03-06", crow_hz=550.0)).entry
        own = journal.of_reed("R-7").reed.entry
        before = journal.last_seq()
    with pytest.raises(InputError, match="the log has no reed 'R-8'") as refused:
        renamed(first, "R-7", "R-8", only=[late])
    split = "trimfit log reed R-8 --type moulded --batch B-1"
    assert f"{split}, then trimfit log rename R-7 R-8 --entry {late}; " in refused.value.remedy
    with pytest.raises(InputError, match="2 entries of 'R-7' would be left without a reed") as refused:
        renamed(first, "R-7", "R-8", only=[late, own])
    assert f"{split}, then trimfit log rename R-7 R-8 --entry {late}; " in refused.value.remedy
    with pytest.raises(InputError, match="3 entries of 'R-7' would be left without a reed") as refused:
        renamed(first, "R-7", "R-8", only=[own])
    assert refused.value.remedy == "if all of R-7 is meant: trimfit log rename R-7 R-8"
    with Journal(first) as journal:
        assert journal.last_seq() == before
        journal.append(Reed("R-8", "moulded", "B-1"))
    with pytest.raises(InputError, match="would be left without a reed") as refused:
        renamed(first, "R-7", "R-8", only=[late, own], join=True)
    assert refused.value.remedy == (
        f"if they are of another reed: trimfit log rename R-7 R-8 --entry {late}; "
        "if all of R-7 is meant: trimfit log rename R-7 R-8 --join"
    )
    assert dict(renamed(first, "R-7", "R-8", only=[late]).moved) == {"reading": 1}
    assert crows(first, "R-7") == [531.0]
    assert crows(first, "R-8") == [550.0]
    with Journal(first) as journal:
        assert len(journal.of_reed("R-7").trims) == 1
        assert entry_marks.struck_names(journal) == []


def test_two_benches_that_chose_two_names_are_joined(benches: tuple[Path, Path]) -> None:
    first, second = benches
    merged(first, second, R_7="R-7b")
    renamed(second, "R-7", "R-7x")
    merged(first, second)
    assert apart(first) == [("R-7", ("R-7b", "R-7x"))]
    assert crows(first, "R-7b") == crows(first, "R-7x") == [541.0, 545.0]
    with pytest.raises(InputError, match="the log has a reed 'R-7x'"):
        renamed(first, "R-7b", "R-7x")
    renamed(first, "R-7b", "R-7x", join=True)
    assert crows(first, "R-7x") == [541.0, 545.0]
    with Journal(first) as journal:
        assert journal.conflicts() == []
        assert len(journal.reeds()) == 2
    assert apart(first) == []


def test_two_reeds_logged_alike_at_two_benches_are_not_renamed_apart(tmp_path: Path) -> None:
    reed = Reed("R-7", "cane", "B-9")
    first = bench(tmp_path / "first", reed, Reading("R-7", "2026-03-01", crow_hz=531.0))
    second = bench(tmp_path / "second", reed, Reading("R-7", "2026-03-01", crow_hz=541.0))
    renamed(first, "R-7", "R-7a")
    renamed(second, "R-7", "R-7b")
    merged(first, second)
    assert apart(first) == []
    assert crows(first, "R-7a") == [531.0]
    assert crows(first, "R-7b") == [541.0]


def test_a_reed_logged_under_two_names_is_joined_unless_one_instant_has_two_readings(tmp_path: Path) -> None:
    log = bench(
        tmp_path / "log",
        Reed("R-1", "cane", "B"),
        Reed("R-01", "cane", "B"),
        Reading("R-1", "2026-03-01", crow_hz=541.0),
        Reading("R-01", "2026-03-02", crow_hz=545.0),
        Reading("R-01", "2026-03-01", crow_hz=540.0),
    )
    with pytest.raises(InputError, match="of one instant and differ"):
        renamed(log, "R-01", "R-1", join=True)
    with Journal(log) as journal:
        journal.strike(journal.of_reed("R-01").readings[0].entry, "slip")
    renamed(log, "R-01", "R-1", join=True)
    assert crows(log, "R-1") == [541.0, 545.0]


@pytest.mark.parametrize(
    ("renames", "said"),
    [
        ({"R_8": "R-8b"}, "reed 'R-8' is not in the log of the other bench"),
        ({"R_7": "R-9"}, "there is a reed 'R-9' already"),
        ({"R_7": "R-7"}, "there is a reed 'R-7' already"),
        ({"R_7": " "}, "the name is empty"),
        ({"R_7": "R-7b", "R_6": "R-7b"}, "there is a reed 'R-7b' already"),
    ],
)
def test_what_cannot_be_renamed_leaves_the_log_as_it_was(
    benches: tuple[Path, Path], renames: dict[str, str], said: str
) -> None:
    first, second = benches
    with Journal(first) as journal:
        journal.append(Reed("R-9", "cane", "B-9"))
        before = journal.last_seq()
    with Journal(second) as journal:
        journal.append(Reed("R-6", "cane", "B-9"))
    with pytest.raises(InputError, match=said):
        merged(first, second, **renames)
    with Journal(first) as journal:
        assert journal.last_seq() == before


def test_another_name_than_before_is_refused_at_a_merge(benches: tuple[Path, Path]) -> None:
    first, second = benches
    merged(first, second, R_7="R-7b")
    with pytest.raises(InputError, match="was renamed 'R-7b' before"):
        merged(first, second, R_7="R-7x")
    third = first.with_name("third")
    merged(third, first, second)
    with pytest.raises(InputError, match="was renamed 'R-7b' before"):
        merged(third, second, R_7="R-7x")


def test_a_log_with_both_reeds_does_not_say_which_is_meant(benches: tuple[Path, Path], tmp_path: Path) -> None:
    first, second = benches
    merged(second, first)
    with pytest.raises(InputError, match="the other log has two reeds 'R-7' itself"):
        merged(tmp_path / "third", second, R_7="R-7b")


def test_a_strike_worded_like_a_rename_renames_nothing(benches: tuple[Path, Path]) -> None:
    first, second = benches
    merged(first, second)
    with Journal(second) as journal:
        entry = journal.of_reed("R-7").reed.entry
    with Journal(first) as journal:
        journal.strike(entry, "renamed by mistake")
    assert merged(first, second).renamed == ()
    with Journal(first) as journal:
        assert list(journal.reeds()) == ["R-7"]


def test_a_struck_entry_of_the_new_name_does_not_come_back(benches: tuple[Path, Path]) -> None:
    first, second = benches
    merged(first, second, R_7="R-7b")
    with Journal(first) as journal:
        journal.strike(journal.of_reed("R-7b").readings[0].entry, "damp", at=AT)
    merged(first, second)
    assert crows(first, "R-7b") == [545.0]
    merged(second, first)
    assert crows(second, "R-7b") == [545.0]


def test_a_reed_in_conflict_is_not_said_to_be_one_reed(benches: tuple[Path, Path], tmp_path: Path) -> None:
    """Of another type or batch, it is in conflict; both logs have different things of it."""
    one = bench(tmp_path / "one", Reed("R-7", "moulded", "B-1"), Reading("R-7", "2026-03-01", crow_hz=531.0))
    two = bench(tmp_path / "two", Reed("R-7", "moulded", "B-2"), Reading("R-7", "2026-03-02", crow_hz=541.0))
    for counts in (merged(one, two), merged(*benches)):
        assert [conflict.key for conflict in counts.conflicts if conflict.kind == "reed"] == ["R-7"]
        assert counts.joined == ()


def test_conflicts_of_reeds_name_the_way_out(benches: tuple[Path, Path]) -> None:
    first, second = benches
    conflicts = merged(first, second).conflicts
    marks = {mark.entry: mark.sentence for mark in entry_marks.in_conflict(conflicts)}
    (reed,) = (conflict for conflict in conflicts if conflict.kind == "reed")
    assert "where they are two reeds: trimfit merge OTHER_LOG --rename R-7=NEW" in marks[reed.aside[0]]
    (trim, *_) = (conflict for conflict in conflicts if conflict.kind == "trim")
    assert "where they are two reeds: trimfit merge OTHER_LOG --rename R-7=NEW" in marks[trim.aside[0]]


@pytest.mark.parametrize("merged_before", [False, True])
def test_two_reeds_that_were_logged_alike_are_named_and_parted(
    benches: tuple[Path, Path], tmp_path: Path, merged_before: bool
) -> None:
    """Their entries have one id, so a merge takes them for one reed; it says so, and --rename makes them two."""
    first, third = benches[0], tmp_path / "third"
    bench(third, Reed("R-7", "moulded", "B-1"), Reading("R-7", "2026-03-04", crow_hz=561.0))
    if merged_before:
        counts = merged(first, third)
        assert counts.joined == ("R-7",)
        assert merged(first, third).joined == ()
    counts = merged(first, third, R_7="R-7b")
    assert counts.joined == ()
    assert dict(counts.renamed[0].moved) == {"reed": 1, "reading": 1}
    assert (crows(first, "R-7"), crows(first, "R-7b")) == ([531.0], [561.0])
    with Journal(third) as journal:  # what its bench logs later goes to its reed
        journal.append(Reading("R-7", "2026-03-06", crow_hz=563.0))
    assert merged(first, third).joined == ()
    assert (crows(first, "R-7"), crows(first, "R-7b")) == ([531.0], [561.0, 563.0])
    assert merged(first, third).new == 0
    merged(third, first)
    assert (crows(third, "R-7"), crows(third, "R-7b")) == ([531.0], [561.0, 563.0])
    with Journal(first) as journal:
        assert damage(journal) == []


def test_of_a_reed_that_both_logs_have_whole_nobody_can_say_whose_its_entries_are(
    benches: tuple[Path, Path], tmp_path: Path
) -> None:
    first = benches[0]
    shutil.copy(first, tmp_path / "copy")
    with pytest.raises(InputError, match="both logs have all that this log has of it") as refused:
        merged(first, tmp_path / "copy", R_7="R-7b")
    assert "trimfit log rename R-7 R-7b --entry ENTRY" in refused.value.remedy


STEP = st.tuples(st.sampled_from(["read", "rename", "strike"]), st.integers(1, 28), st.sampled_from(["x", "y"]))


@settings(max_examples=8, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 1), STEP), max_size=8), st.booleans())
def test_any_renames_at_two_benches_come_out_the_same(
    tmp_path_factory: pytest.TempPathFactory, plan: list[tuple[int, tuple[str, int, str]]], halfway: bool
) -> None:
    """Whatever each bench does with its own reed, both ways of merging agree, and merging again adds nothing."""
    folder = tmp_path_factory.mktemp("rename")
    logs = [bench(folder / f"bench{i}", Reed("R-7", "cane", f"B-{i}")) for i in range(2)]
    names = ["R-7", "R-7"]
    for number, (who, (verb, day, letter)) in enumerate(plan):
        if halfway and number == len(plan) // 2 and len(set(names)) == 2:
            merged(logs[0], logs[1])
        with Journal(logs[who]) as journal:
            if verb == "read":
                crow_hz = 500.0 + number
                kind_at = f"2026-03-{day:02d}T{number:02d}:00"
                journal.append(Reading(names[who], kind_at, crow_hz=crow_hz))
            elif verb == "strike":
                readings = journal.of_reed(names[who]).readings
                if readings:
                    journal.strike(readings[-1].entry, "slip", at=AT)
            elif (new := f"R-7{who}{letter}") not in journal.reeds():
                rename(journal, names[who], new, at=AT)
                names[who] = new
    results = []
    for i, order in enumerate((logs, logs[::-1])):
        merged(folder / f"all{i}", *order)
        for log in logs:
            assert merged(folder / f"all{i}", log).new == 0
        results.append(exported(folder / f"all{i}", folder / f"out{i}"))
    assert results[0] == results[1]
