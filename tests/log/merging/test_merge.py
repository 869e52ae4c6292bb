"""Logs of several benches made one: merging again adds nothing, the order is free, conflicts have a way out."""

from __future__ import annotations

import contextlib
import itertools
import shutil
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.errors import LogError, TrimfitError
from trimfit.base.records import Chanter, Order, Outcome, Reading, Reed, Trim
from trimfit.entry import doubt_marks as entry_marks
from trimfit.log.entry_counts import Counts
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.log.merging.rename import rename
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder
from trimfit.session.session import Session
from trimfit.verbs.log import log_reed


def bench(path: Path, *records: object) -> Path:
    with Journal(path, create=True) as journal:
        for record in records:
            journal.append(record)
    return path


def merged(path: Path, *others: Path) -> Counts:
    counts = Counts()
    with Journal(path, create=True) as journal:
        for other in others:
            counts = merge_logs(journal, other)
        assert damage(journal) == []
    return counts


def exported(path: Path, folder: Path) -> dict[str, bytes]:
    with Journal(path) as journal:
        export_folder(journal, folder)
    return {file.name: file.read_bytes() for file in folder.iterdir()}


@pytest.fixture
def benches(tmp_path: Path) -> list[Path]:
    """Three benches: shared rows, rows of their own, a strike, a setting, and the same reed with different content."""
    shared = (Chanter("CH-1"), Reed("R-0", "moulded", "B-0"), Reading("R-0", "2026-03-01T10:00", crow_hz=530.0))
    first = bench(
        tmp_path / "first", *shared, Reed("R-1", "moulded", "B-1"), Reading("R-1", "2026-03-01", crow_hz=531.0)
    )
    second = bench(
        tmp_path / "second", *shared, Reed("R-1", "moulded", "B-2"), Trim("R-1", "2026-03-02", length_mm=0.2)
    )
    third = bench(tmp_path / "third", *shared, Reed("R-1", "cane", "B-1"), Outcome("R-0", "2026-03-03", "good"))
    with Journal(second) as journal:
        journal.strike(journal.of_reed("R-0").readings[0].entry, "damp", at="2026-03-02T09:00")
        journal.set_setting("tolerance_hz", "0.8", at="2026-03-02T09:00")
    with Journal(third) as journal:
        journal.append(Reading("R-0", "2026-03-04", crow_hz=533.0), doubts=["odd: is it?"])
        journal.set_setting("tolerance_hz", "0.8", at="2026-03-01T09:00")
    with Journal(first) as journal:
        journal.set_setting("tolerance_hz", "0.8", at="2026-03-02T09:00")
    return [first, second, third]


def test_every_order_gives_the_same_bytes_and_again_adds_nothing(benches: list[Path], tmp_path: Path) -> None:
    results = []
    for i, order in enumerate(itertools.permutations(benches)):
        log = tmp_path / f"all{i}"
        counts = merged(log, *order)
        assert counts.refused == 2
        again = merged(log, *benches)
        assert (again.new, again.refused) == (0, 2)
        results.append(exported(log, tmp_path / f"out{i}"))
    # A bench that takes the others in holds the same as a log made of all three.
    own = tmp_path / "own"
    shutil.copy(benches[1], own)
    merged(own, benches[2], benches[0])
    results.append(exported(own, tmp_path / "outown"))
    assert all(result == results[0] for result in results)
    with Journal(own) as journal:
        assert journal.settings().tolerance_hz == 0.8
        assert [entry.record.crow_hz for entry in journal.of_reed("R-0").readings] == [533.0]


def test_an_export_with_conflicts_comes_back_whole(benches: list[Path], tmp_path: Path) -> None:
    log = tmp_path / "all"
    merged(log, *benches)
    first = exported(log, tmp_path / "out")
    assert first["conflicts.csv"].count(b"\n") == 3
    with Journal(tmp_path / "back", create=True) as journal:
        import_folder(journal, tmp_path / "out")
        assert len(journal.conflicts()) == 1
        assert import_folder(journal, tmp_path / "out").new == 0
    assert exported(tmp_path / "back", tmp_path / "out2") == first


def test_what_a_struck_revision_brings_back_is_the_same_at_every_bench(tmp_path: Path) -> None:
    first = bench(tmp_path / "first", Reed("R-1", "moulded", "B-1", blade_mm=23.0))
    with Session(first) as session:
        revised = log_reed(session, "R-1", {"weight": "hrad"}).entry
        session.journal.append(Reading("R-1", "2026-03-01T10:00", crow_hz=530.0))
    second = tmp_path / "second"
    shutil.copy(first, second)
    with Journal(first) as journal:
        _, again = journal.take_back(revised, "a slip")
        assert journal.of_reed("R-1").reed.entry == again
    with Journal(second) as journal:
        journal.take_back(revised, "it is not", at="2026-03-02")
    results = []
    for i, order in enumerate(((first, second), (second, first))):
        log = tmp_path / f"all{i}"
        assert merged(log, *order).refused == 0
        assert merged(log, *order).new == 0
        results.append(exported(log, tmp_path / f"out{i}"))
    with Journal(tmp_path / "back", create=True) as journal:
        import_folder(journal, tmp_path / "out0")
        assert journal.of_reed("R-1").reed.record == Reed("R-1", "moulded", "B-1", blade_mm=23.0)
    results.append(exported(tmp_path / "back", tmp_path / "outback"))
    assert all(result == results[0] for result in results)
    # that it was the revision of the reed under its name is known where the other bench renames it, too
    with Journal(second) as journal:
        rename(journal, "R-1", "R-9", at="2026-04-01T09:00")
        journal.append(Reading("R-9", "2026-03-03T10:00", crow_hz=531.0))
    merged(first, second)
    with Journal(first) as journal:
        assert [one.record.crow_hz for one in journal.of_reed("R-9").readings] == [530.0, 531.0]
        # with nothing before it, it is struck for good, wherever its strikes came from
        assert journal.take_back(journal.of_reed("R-9").reed.entry, "sold")[1] is None


def test_a_conflict_is_named_and_striking_settles_it(benches: list[Path], tmp_path: Path) -> None:
    log = tmp_path / "all"
    counts = merged(log, *benches)
    (conflict,) = counts.conflicts
    assert (conflict.kind, conflict.key) == ("reed", "R-1")
    assert set(conflict.differs) == {"reed_type", "batch"}
    with Journal(log) as journal:
        marks = entry_marks.in_conflict(journal.conflicts())
        assert {mark.entry for mark in marks} == set(conflict.aside)
        assert all(mark.reed == "R-1" and conflict.kept in mark.sentence for mark in marks)
        journal.strike(conflict.kept, "made at another bench")
        (left,) = journal.conflicts()
        assert left.kept in conflict.aside
        journal.strike(left.kept, "so was this")
        assert journal.conflicts() == []
        assert journal.count("reed") == 2
    assert merged(log, *benches).refused == 0


def test_a_stray_reed_does_not_stand_in_for_one_with_an_order(tmp_path: Path) -> None:
    told = (Chanter("CH-1"), Order("O-1", "CH-1"))
    for i in range(8):  # whichever id is the smaller
        mine = bench(tmp_path / f"mine{i}", *told, Reed("R-32", "moulded", f"A-{i}", order="O-1"))
        stray = bench(tmp_path / f"stray{i}", Reed("R-32", "cane", f"S-{i}", made_on="2026-03-01", blade_mm=20.0))
        for first, second in ((mine, stray), (stray, mine)):
            log = tmp_path / f"all{i}{first.name}"
            merged(log, first, second)
            with Journal(log) as journal:
                assert journal.of_reed("R-32").reed.record.order == "O-1"
                (conflict,) = journal.conflicts()
                (mark,) = entry_marks.in_conflict([conflict], {conflict.aside[0]: "stray"})
                assert f"({conflict.said[conflict.kept]}) counts, for it has an order;" in mark.sentence
                assert f"batch S-{i}" in mark.sentence
                assert "from stray) stands aside" in mark.sentence
                assert f"trimfit log strike {conflict.kept}" in mark.sentence


@pytest.mark.parametrize(
    ("blade_mm", "rule"), [(None, "for both say as much and its id comes first"), (20.0, "for it has fewer blanks")]
)
def test_the_rule_by_which_an_entry_counts_is_said(tmp_path: Path, blade_mm: float | None, rule: str) -> None:
    mine = bench(tmp_path / "mine", Reed("R-1", "moulded", "B-1", blade_mm=blade_mm))
    merged(mine, bench(tmp_path / "theirs", Reed("R-1", "moulded", "B-2")))
    with Journal(mine) as journal:
        (conflict,) = journal.conflicts()
        (mark,) = entry_marks.in_conflict([conflict])
    assert f"counts, {rule}; this one" in mark.sentence
    assert rule != "for it has fewer blanks" or "B-1" in conflict.said[conflict.kept]


def test_a_strike_at_one_bench_holds_at_all(benches: list[Path], tmp_path: Path) -> None:
    log = tmp_path / "all"
    merged(log, benches[1])
    merged(log, benches[0])
    with Journal(log) as journal:
        assert journal.of_reed("R-0").readings == ()


def test_a_merge_with_itself_adds_nothing(benches: list[Path]) -> None:
    assert merged(benches[0], benches[0]).new == 0


def test_what_is_no_log_is_not_merged(benches: list[Path], tmp_path: Path) -> None:
    text = tmp_path / "text"
    text.write_text("no log" * 100)
    with Journal(benches[0]) as journal:
        before = journal.last_seq()
        for other in (text, tmp_path / "none", tmp_path):
            with pytest.raises(LogError):
                merge_logs(journal, other)
        assert journal.last_seq() == before


def test_what_keeps_this_log_from_being_written_is_said_of_this_log(benches: list[Path], tmp_path: Path) -> None:
    theirs = bench(tmp_path / "long", Chanter("CH-2", remark="long " * 5000))
    with Journal(benches[0]) as journal:
        pages = journal._connection.execute("PRAGMA page_count").fetchone()[0]
        journal._connection.execute(f"PRAGMA max_page_count = {pages}")  # its disk is full once the merge has begun
        with pytest.raises(TrimfitError, match="the disk is full") as caught:
            merge_logs(journal, theirs)
        assert caught.value.where == str(benches[0])


def test_a_file_that_is_no_log_is_not_taken_for_this_benchs_own(benches: list[Path], tmp_path: Path) -> None:
    (tmp_path / "notalog.tsv").write_text("reed\tf\nR-1\t780\n" * 50)
    with Journal(benches[0]) as journal, pytest.raises(LogError, match="is not a trimfit log") as caught:
        merge_logs(journal, tmp_path / "notalog.tsv")
    assert "--log" not in caught.value.remedy
    assert "merge takes another bench's log" in caught.value.remedy


def test_a_damaged_log_is_not_merged(benches: list[Path]) -> None:
    with contextlib.closing(sqlite3.connect(benches[1])) as connection, connection:
        connection.execute("DROP TRIGGER reeds_no_update")
        connection.execute("UPDATE reeds SET batch = 'B-9' WHERE reed = 'R-1'")
    connection.close()
    with Journal(benches[1]) as journal:
        (line,) = damage(journal)
        assert "its content was changed after it was logged" in line
    with Journal(benches[0]) as journal:
        before = journal.last_seq()
        with pytest.raises(TrimfitError, match="damaged"):
            merge_logs(journal, benches[1])
        assert journal.last_seq() == before


def test_references_to_what_was_struck_elsewhere_are_marked(benches: list[Path], tmp_path: Path) -> None:
    with Journal(benches[0]) as journal:
        known = journal.entry_of("reed", "R-0")
        assert known is not None
        journal.strike(known.entry, "no such reed")
    log = tmp_path / "all"
    merged(log, benches[0], benches[2])
    with Journal(log) as journal:
        marks = entry_marks.struck_names(journal)
        assert {mark.kind for mark in marks} == {"reed-struck"}
        assert {mark.reed for mark in marks} == {"R-0"}
    # And such a log still goes out and comes back.
    first = exported(log, tmp_path / "out")
    with Journal(tmp_path / "back", create=True) as journal:
        import_folder(journal, tmp_path / "out")
    assert exported(tmp_path / "back", tmp_path / "out2") == first


record = st.one_of(
    st.builds(Reed, st.sampled_from(["R-1", "R-2"]), st.sampled_from(["T", "U"]), st.just("B")),
    st.builds(
        Reading,
        st.sampled_from(["R-1", "R-2"]),
        st.sampled_from(["2026-03-01", "2026-03-02"]),
        crow_hz=st.integers(530, 532),
    ),
    st.just("strike"),
)


@settings(max_examples=8, deadline=None)
@given(st.lists(st.lists(record, max_size=6), min_size=2, max_size=3))
def test_any_benches_merge_in_any_order(tmp_path_factory: pytest.TempPathFactory, plans: list[list[object]]) -> None:
    folder = tmp_path_factory.mktemp("merge")
    paths = []
    for i, plan in enumerate(plans):
        path = folder / f"bench{i}"
        paths.append(path)
        with Journal(path, create=True) as journal:
            for name in ("R-1", "R-2"):
                journal.append(Reed(name, "T", "B"))
            for step in plan:
                if step == "strike":
                    entries = journal.columns("reading", ["entry"])
                    if entries:
                        journal.strike(entries[-1][0], "slip", at="2026-04-01")
                else:
                    _append(journal, step)
    results = []
    for i, order in enumerate((paths, paths[::-1])):
        merged(folder / f"all{i}", *order)
        results.append(exported(folder / f"all{i}", folder / f"out{i}"))
    assert results[0] == results[1]
    with Journal(folder / "back", create=True) as journal:
        import_folder(journal, folder / "out0")
    assert exported(folder / "back", folder / "outback") == results[0]


def _append(journal: Journal, record: object) -> None:
    """Log a record; where another of its key stands, that one is revised."""
    from trimfit.log import refusals
    from trimfit.log.entry_kinds import kind_of_record

    kind = kind_of_record(record)
    with journal.writing() as connection:
        clash = refusals.clash(connection, kind, kind.row(record))
        if clash is not None and journal.place(kind, kind.row(record))[2] is None:
            journal.strike(clash[0], "revised", at="2026-04-01")
        journal.append(record)
