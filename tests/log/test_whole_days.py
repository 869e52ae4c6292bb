"""Dates without a time: taken where they cannot be misread, refused with both ways out where they can."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.log.test_instants import machine_in
from trimfit.base.errors import InputError
from trimfit.base.iso_dates import at_s, typed_time
from trimfit.base.records import Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.log.sheets.folder_import import import_folder

READINGS, TRIMS = "reed,taken_at,crow_hz\n", "reed,done_at,length_mm\n"


def shop(tmp_path: Path, readings: str, trims: str) -> Path:
    folder = tmp_path / "shop"
    folder.mkdir(exist_ok=True)
    (folder / "reeds.csv").write_text("reed,reed_type,batch\nR-1,cane,B\nR-2,cane,B\n")
    (folder / "readings.csv").write_text(READINGS + readings)
    (folder / "trims.csv").write_text(TRIMS + trims)
    return folder


def faults(tmp_path: Path, readings: str, trims: str) -> list[str]:
    with Journal(tmp_path / "log", create=True) as journal, pytest.raises(InputError) as refused:
        import_folder(journal, shop(tmp_path, readings, trims))
    return refused.value.lines()


def test_days_alone_are_taken_where_the_order_is_plain(tmp_path: Path) -> None:
    folder = shop(
        tmp_path,
        "R-1,2026-03-01,530\nR-1,2026-03-03,540\nR-2,2026-03-01T10:00,530\n",
        "R-1,2026-03-02,0.2\nR-2,2026-03-02,0.2\n",
    )
    with Journal(tmp_path / "log", create=True) as journal:
        assert import_folder(journal, folder).new == 7
        first, second = journal.of_reed("R-1").readings
        assert first.at_s < journal.of_reed("R-1").trims[0].at_s < second.at_s
        assert import_folder(journal, folder).new == 0


def test_a_reading_and_a_cut_of_one_day_without_times_are_a_fault_with_both_ways_out(tmp_path: Path) -> None:
    (line,) = faults(tmp_path, "R-1,2026-03-01,530\n", "R-1,2026-03-01,0.2\nR-2,2026-03-01,0.2\n")
    assert line.startswith("readings.csv:2: taken_at: which came first is not known")
    assert "(trims.csv:2)" in line
    assert "if the reading came first, write 2026-03-01T09:00 for it and 2026-03-01T10:00 for the trim" in line
    assert "if the trim did, the other way round" in line


@pytest.mark.parametrize(
    ("readings", "trims", "file"),
    [("R-1,2026-03-01T14:30,530\n", "R-1,2026-03-01,0.2\n", "trims.csv:2: done_at"),
     ("R-1,2026-03-01,530\n", "R-1,2026-03-01T14:30,0.2\n", "readings.csv:2: taken_at")],
)  # fmt: skip
def test_one_time_of_the_two_is_not_enough(tmp_path: Path, readings: str, trims: str, file: str) -> None:
    (line,) = faults(tmp_path, readings, trims)
    assert line.startswith(f"{file}: which came first is not known")
    assert "came first, write 2026-03-01T14:29 for it; if it came after, 2026-03-01T14:31" in line


@pytest.mark.parametrize("there", ["2026-03-01", "2026-03-01T14:30"])
def test_what_the_log_has_counts_too(tmp_path: Path, there: str) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Reed("R-1", "cane", "B"))
        journal.append(Reading("R-1", there, crow_hz=530.0))
        with pytest.raises(InputError, match="which came first is not known"):
            journal.append(Trim("R-1", "2026-03-01", length_mm=0.2))
    (line,) = faults(tmp_path, "R-2,2026-03-01,530\n", "R-1,2026-03-01,0.2\n")
    assert line.startswith("trims.csv:2: done_at: which came first")
    if there == "2026-03-01":
        (line,) = faults(tmp_path, "", "R-1,2026-03-01T10:00,0.2\n")
        assert line.startswith("trims.csv:2: done_at: which came first")


def test_the_day_is_the_shops(tmp_path: Path) -> None:
    """22:30 in New York is the next day's half past two by Greenwich."""
    with Journal(tmp_path / "log", create=True) as journal:
        journal.set_setting("time_zone", "America/New_York")
        journal.append(Reed("R-1", "cane", "B"))
        journal.append(Reading("R-1", "2026-07-02T02:30Z", crow_hz=530.0))
        with pytest.raises(InputError, match="which came first"):
            journal.append(Trim("R-1", "2026-07-01", length_mm=0.2))
        journal.append(Trim("R-1", "2026-07-02", length_mm=0.2))


def test_benches_that_meet_on_one_day_are_told_by_check(tmp_path: Path) -> None:
    from trimfit.verbs import check

    for name, entry in (("a", Reading("R-1", "2026-03-01", crow_hz=530.0)), ("b", Trim("R-1", "2026-03-01", 0.2))):
        with Journal(tmp_path / name, create=True) as journal:
            journal.append(Reed("R-1", "cane", "B"))
            journal.append(entry)
    with Journal(tmp_path / "a") as journal:
        merge_logs(journal, tmp_path / "b")
    marks = check.check(tmp_path / "a").marks
    assert {mark.kind for mark in marks} == {"order-unknown"}
    assert all("strike this one, and log it with a time" in mark.sentence for mark in marks)


@pytest.mark.parametrize(("zone", "machine"), [("UTC", "Asia/Tokyo"), ("America/New_York", "Europe/London")])
@pytest.mark.parametrize("offset", ["", "+02:00"])
def test_the_time_that_it_says_to_write_stands_where_it_says(
    tmp_path: Path, zone: str, machine: str, offset: str
) -> None:
    """Typed on a machine whose clock is not the shop's, or written in a file."""
    with machine_in(machine), Journal(tmp_path / "log", create=True) as journal:
        journal.set_setting("time_zone", zone)
        journal.append(Reed("R-1", "cane", "B"))
        journal.append(Reading("R-1", f"2026-09-01T10:00{offset}", crow_hz=530.0))
        with pytest.raises(InputError) as refused:
            journal.append(Trim("R-1", "2026-09-01", length_mm=0.2))
        found = re.search(r"write (\S+) for it; if it came after, (\S+);", refused.value.remedy)
        assert found
        read_s = journal.of_reed("R-1").readings[0].at_s
        for word, seconds in zip(found.groups(), (-60.0, 60.0), strict=True):
            assert at_s(typed_time(word), zone) - read_s == at_s(word, zone) - read_s == seconds
