"""One reed against time: the moments asked about, and bands that widen while it lies."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.opened import bench_on
from trimfit.base.records import Chanter, Event, Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.review.results import ReedStory
from trimfit.verbs.reviews.reed_in_time import DAY_S, day_of, in_time
from trimfit.verbs.reviews.reed_story import story_of


def shown(path: Path, *days: str) -> ReedStory:
    """The reed against time as of twenty days after its last entry, read on these days."""
    with Journal(path, create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(Reed("R-1", "moulded", "A", blade_mm=22.0))
        for place, day in enumerate(days):
            notes = {"f": 776.0 + 2.0 * place, "e": 706.0 - 1.0 * place, "low_a": 468.0, "high_a": 936.0}
            journal.append(Reading("R-1", f"{day}T10:00:00+00:00", "Old", 523.0, notes))
            if place == 0:
                journal.append(Trim("R-1", f"{day}T10:05:00+00:00", 0.1))
            if place == 1:
                journal.append(Event("R-1", f"{day}T12:00:00+00:00", "soaked"))
        last_s = journal.of_reed("R-1").readings[-1].at_s
        bench = bench_on(journal, at_s=last_s + 20 * DAY_S)
        seen = bench.see_reed(journal.of_reed("R-1").reed.record)
        return in_time(bench, seen, story_of(bench, seen, None))


def test_the_band_widens_while_the_reed_lies_and_narrows_when_it_is_read(tmp_path: Path) -> None:
    found = shown(tmp_path / "log", "2026-03-01", "2026-03-21", "2026-04-02")
    days = [point.day for point in found.in_time]
    assert days == sorted(days)
    assert days[0] == pytest.approx(day_of("2026-03-01T10:05:00+00:00"))
    width = [point.f_hz.high - point.f_hz.low for point in found.in_time]
    lay = [b - a for a, b, one, two in zip(width, width[1:], days, days[1:], strict=False) if two - one > 1.0]
    read = [b - a for a, b, one, two in zip(width, width[1:], days, days[1:], strict=False) if two - one < 0.01]
    assert len(lay) == 3
    assert min(lay) > 0.0
    assert read[-1] < 0.0
    assert [(mark.words, mark.cut) for mark in found.marks] == [("0.10 mm", True), ("soaked", False)]


def test_a_reed_of_one_visit_has_no_picture_against_time(tmp_path: Path) -> None:
    assert shown(tmp_path / "log", "2026-03-01").in_time == ()


def test_a_day_is_that_of_the_clock_where_it_was_written() -> None:
    assert day_of("1970-01-02T12:00:00+05:00") == 1.5
    assert day_of("1970-01-02") == 1.0
