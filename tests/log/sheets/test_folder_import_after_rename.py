"""Rows that name a reed as it was called before this log renamed it, and names that differ in case or Unicode form."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.errors import InputError
from trimfit.base.records import Outcome, Reading, Reed, ReedHistory, Trim
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.log.merging.rename import rename
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder
from trimfit.verbs import check, import_export

REEDS = "reed,reed_type,batch,blade_mm\n"
READINGS = "reed,taken_at,crow_hz\n"


def folder(path: Path, **files: str) -> Path:
    path.mkdir(exist_ok=True)
    for name, text in files.items():
        (path / f"{name}.csv").write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """R-7 was read once, and is R-7b now."""
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Reed("R-7", "moulded", "B-1", blade_mm=23.0))
        journal.append(Reading("R-7", "2026-03-01", crow_hz=531.0))
        rename(journal, "R-7", "R-7b", at="2026-03-02")
    return path


def crows(path: Path, reed: str) -> list[float | None]:
    with Journal(path) as journal:
        assert damage(journal) == []
        return [one.record.crow_hz for one in journal.of_reed(reed).readings]


@pytest.mark.parametrize("reeds", ["", "R-7,moulded,B-1,\n", "R-7,moulded,B-1,23\n", "R-7,moulded,B-1,22.5\n"])
def test_rows_of_the_old_name_go_to_the_reed_and_the_counts_say_so(log: Path, tmp_path: Path, reeds: str) -> None:
    rows = READINGS + "R-7,2026-03-01,531\nR-7,2026-03-03,532\nR-7,2026-03-04,533\n"
    files = {"readings": rows, "trims": "reed,done_at,length_mm\nR-7,2026-03-05,0.2\n"}
    source = folder(tmp_path / "csv", **files, **({"reeds": REEDS + reeds} if reeds else {}))
    counts = import_export.import_folder(log, source).counts
    assert crows(log, "R-7b") == [531.0, 532.0, 533.0]
    (one,) = counts.renamed
    assert (one.reed, one.new_name) == ("R-7", "R-7b")
    assert dict(one.moved) == {"reading": 2, "trim": 1, **({"reed": 1} if "22.5" in reeds else {})}
    with Journal(log) as journal, pytest.raises(InputError, match="it is 'R-7b' now"):
        journal.of_reed("R-7")
    again = import_export.import_folder(log, source).counts
    assert (again.new, again.renamed) == (0, ())


def test_a_name_renamed_twice_leads_to_the_last(log: Path, tmp_path: Path) -> None:
    with Journal(log) as journal:
        rename(journal, "R-7b", "R-7c", at="2026-03-03")
    import_export.import_folder(log, folder(tmp_path / "csv", readings=READINGS + "R-7,2026-03-04,532\n"))
    assert crows(log, "R-7c") == [531.0, 532.0]


@pytest.mark.parametrize(
    ("reeds", "whose"),
    [
        ("R-7,cane,B-9,20\n", "R-7"),  # of another type and batch
        ("R-7,moulded,B-1,21\nR-7b,moulded,B-1,23\n", "R-7"),  # beside the renamed one
    ],
)
def test_another_reed_may_take_the_name_that_was_given_up(log: Path, tmp_path: Path, reeds: str, whose: str) -> None:
    source = folder(tmp_path / "csv", reeds=REEDS + reeds, readings=READINGS + "R-7,2026-03-04,540\n")
    assert import_export.import_folder(log, source).counts.renamed == ()
    assert crows(log, whose) == [540.0]
    assert crows(log, "R-7b") == [531.0]


def test_one_reed_under_both_its_names_is_a_fault_that_says_why(log: Path, tmp_path: Path) -> None:
    source = folder(tmp_path / "csv", reeds=REEDS + "R-7b,moulded,B-1,23\nR-7,moulded,B-1,23\n")
    with pytest.raises(InputError) as refused:
        import_export.import_folder(log, source)
    assert "the log has renamed 'R-7'" in refused.value.lines()[0]


def _story(history: ReedHistory) -> list[object]:
    return [one.record for one in (*history.readings, *history.trims)] + [history.outcome and history.outcome.record]


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["crow", "cut", "out"]), st.integers(2, 28)), unique=True, max_size=5))
def test_importing_a_benchs_folder_tells_a_renamed_reed_what_merging_its_log_does(
    tmp_path_factory: pytest.TempPathFactory, more: list[tuple[str, int]]
) -> None:
    place = tmp_path_factory.mktemp("benches")
    base, other, ours = place / "base", place / "other", place / "ours"
    with Journal(base, create=True) as journal:
        journal.append(Reed("R-7", "moulded", "B-1", blade_mm=23.0))
        journal.append(Reading("R-7", "2026-03-01", crow_hz=531.0))
    shutil.copy(base, other)
    shutil.copy(base, ours)
    with Journal(ours) as journal:
        rename(journal, "R-7", "R-7b", at="2026-03-02")
    with Journal(other) as journal:
        for kind, day in more:
            at = f"2026-03-{day:02}T{'09' if kind == 'crow' else '10'}:00"
            entry = {"crow": Reading("R-7", at, crow_hz=500.0 + day), "cut": Trim("R-7", at, length_mm=0.1)}
            journal.append(entry.get(kind) or Outcome("R-7", at, "good"))
        export_folder(journal, place / "csv")
    by_merge = place / "merged"
    shutil.copy(ours, by_merge)
    with Journal(by_merge) as journal:
        merge_logs(journal, other)
        told = _story(journal.of_reed("R-7b"))
    with Journal(ours) as journal:
        import_folder(journal, place / "csv")
        assert _story(journal.of_reed("R-7b")) == told
        assert damage(journal) == []


TWINS = [("Ré-1", "Re\u0301-1"), ("R-1", "r-1"), ("R-1", "\uff32-1"), ("Straße", "STRASSE")]


@pytest.mark.parametrize(("known", "typed"), TWINS)
def test_a_name_that_is_a_known_one_in_another_form_is_taken_with_a_doubt(
    tmp_path: Path, known: str, typed: str
) -> None:
    log = tmp_path / "log"
    first = folder(tmp_path / "one", reeds=REEDS + f"{known},moulded,B-1,\nother,moulded,B-1,\n")
    assert import_export.import_folder(log, first).marks == ()
    second = folder(tmp_path / "two", reeds=REEDS + f"{typed},Moulded,b-1,\n", chanters=f"chanter\n{known}\n{typed}\n")
    marks = import_export.import_folder(log, second).marks
    of_chanter, of_reed = (mark.sentence for mark in marks)
    assert "the chanter" in of_chanter
    assert "the reed" in of_reed
    assert "'Moulded' differs from the type 'moulded'" in of_reed
    assert {mark.kind for mark in marks} == {"name-alike"}
    assert check.check(log).marks == marks
