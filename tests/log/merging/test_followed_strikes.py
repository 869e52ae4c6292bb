"""A strike or an amendment at one bench, a rename at the other: one history comes of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.records import Reading, Reed, Trim
from trimfit.log.entry_kinds import KINDS
from trimfit.log.entry_rows import entry_id
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.log.merging.rename import rename
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder

AT = "2026-04-01T09:00"


def merged(path: Path, *others: Path) -> int:
    new = 0
    with Journal(path, create=True) as journal:
        for other in others:
            new = merge_logs(journal, other).new
        assert damage(journal) == []
    return new


def exported(path: Path, folder: Path) -> dict[str, bytes]:
    with Journal(path) as journal:
        export_folder(journal, folder)
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def two_benches(folder: Path) -> list[Path]:
    """Two benches that have the same reed with the same two cuts."""
    first, second = folder / "first", folder / "second"
    with Journal(first, create=True) as journal:
        journal.append(Reed("R-7", "cane", "B-1"))
        journal.append(Reading("R-7", "2026-03-01T08:00", crow_hz=531.0))
        for day in (2, 3):
            journal.append(Trim("R-7", f"2026-03-0{day}T08:00", length_mm=day / 10))
    merged(second, first)
    return [first, second]


def trims(path: Path, reed: str) -> list[float | None]:
    with Journal(path) as journal:
        return [one.record.length_mm for one in journal.of_reed(reed).trims]


@pytest.mark.parametrize("names", [["R-7b"], ["R-7b", "R-7c"]], ids=["once", "twice"])
@pytest.mark.parametrize("verb", ["amend", "strike"])
def test_what_is_amended_or_struck_while_the_other_bench_renames_is_so_under_the_new_name(
    tmp_path: Path, verb: str, names: list[str]
) -> None:
    first, second = two_benches(tmp_path)
    with Journal(first) as journal:
        wrong = journal.of_reed("R-7").trims[0]
        if verb == "amend":
            journal.amend(wrong.entry, Trim("R-7", wrong.record.done_at, length_mm=0.65))
        else:
            journal.strike(wrong.entry, "no cut of this reed", at=AT)
    with Journal(second) as journal:
        name = "R-7"
        for name, new in zip(["R-7", *names], names, strict=False):
            rename(journal, name, new, at=AT)
    wanted = [0.65, 0.3] if verb == "amend" else [0.3]
    for name, order in (("a", (first, second)), ("b", (second, first))):
        merged(tmp_path / name, *order)
        assert trims(tmp_path / name, names[-1]) == wanted
        assert merged(tmp_path / name, *order) == 0
    assert exported(tmp_path / "a", tmp_path / "out-a") == exported(tmp_path / "b", tmp_path / "out-b")


def test_strikes_of_what_a_log_does_not_hold_are_passed_over(tmp_path: Path) -> None:
    first, second = two_benches(tmp_path)
    kind = KINDS["strike"]
    with Journal(second) as journal:
        for why in ("renamed R-9", "slip"):
            row = ("tri-aaaaaaaaaaaaaaaa", why, AT)
            with journal.writing():
                journal.insert(kind, row, entry_id(kind, row), 0)
    with Journal(first) as journal:
        merge_logs(journal, second)
        assert len(damage(journal)) == 2, "check names both"
    assert trims(first, "R-7") == [0.2, 0.3]


STEP = st.tuples(
    st.integers(0, 1),
    st.sampled_from(["amend", "strike", "rename", "merge", "cut"]),
    st.integers(0, 5),
    st.sampled_from([0.35, 0.45, 0.65]),
)


@settings(max_examples=6, deadline=None)
@given(st.lists(STEP, max_size=9))
def test_any_order_of_amend_strike_merge_and_rename_at_two_benches_gives_one_history(
    tmp_path_factory: pytest.TempPathFactory, plan: list[tuple[int, str, int, float]]
) -> None:
    folder = tmp_path_factory.mktemp("amend")
    logs = two_benches(folder)
    for number, (who, verb, which, length_mm) in enumerate(plan):
        if verb == "merge":
            merged(logs[who], logs[1 - who])
            continue
        with Journal(logs[who]) as journal:
            (name, *_) = sorted(journal.reeds())
            cuts = journal.of_reed(name).trims
            if verb == "cut":
                journal.append(Trim(name, f"2026-03-{10 + number}T08:00", length_mm=length_mm))
            elif verb == "rename":
                if (new := f"R-7-{number}") not in journal.reeds():
                    rename(journal, name, new, at=AT)
            elif cuts and journal.conflicts() == []:
                cut = cuts[which % len(cuts)]
                if verb == "strike":
                    journal.strike(cut.entry, "slip", at=AT)
                else:
                    journal.amend(cut.entry, Trim(name, cut.record.done_at, length_mm=length_mm))
    for log in logs:
        with Journal(log) as journal:
            assert damage(journal) == []
    results = []
    for i, order in enumerate((logs, logs[::-1])):
        merged(folder / f"all{i}", *order)
        for log in logs:
            assert merged(folder / f"all{i}", log) == 0
        results.append(exported(folder / f"all{i}", folder / f"out{i}"))
    assert results[0] == results[1]
    # What goes out comes back the same.
    with Journal(folder / "back", create=True) as journal:
        import_folder(journal, folder / "out0")
    assert exported(folder / "back", folder / "out-back") == results[0]
