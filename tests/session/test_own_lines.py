"""A reed's own lines: exact for readings on lines, silent where they settle nothing, beside the advice in its story."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.opened import on
from trimfit.base.pitch import hz_from_cents
from trimfit.base.records import Chanter, Event, Reading, Reed, Trim
from trimfit.cli.app import app
from trimfit.log.journal import Journal
from trimfit.session.own_lines import OwnLines
from trimfit.verbs.reviews.reed_story import review_reed

LENGTHS_MM = (0.0, 0.2, 0.35, 0.5)
MEETING_CENTS, MEETING_MM = 112.0, 0.7


def reading(log: Journal, day: int, removed_mm: float, *, off_cents: float = 0.0) -> None:
    """F rises 26 cents a mm and E falls 17, until at 0.7 mm both read the same."""
    way = removed_mm - MEETING_MM
    f, e = MEETING_CENTS + 26.0 * way + off_cents, MEETING_CENTS - 17.0 * way
    notes = {"f": 5 / 3 * hz_from_cents(f), "e": 1.5 * hz_from_cents(e)}
    log.append(Reading("1", f"2026-03-0{day}T10:00", "old", notes_hz=notes))


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("old"))
        journal.append(Reed("1", "cane", "B"))
        last = 0.0
        for day, removed in enumerate(LENGTHS_MM, 1):
            if removed > last:
                journal.append(Trim("1", f"2026-03-0{day}T09:00", removed - last))
            reading(journal, day, removed)
            last = removed
    return path


def own(log: Path) -> OwnLines | None:
    return on(log, review_reed, "1").own_lines


def test_readings_on_lines_meet_where_the_lines_do(log: Path) -> None:
    found = own(log)
    assert found is not None
    assert found.readings == len(LENGTHS_MM)
    assert found.need_mm.mean == pytest.approx(MEETING_MM - LENGTHS_MM[-1], abs=1e-6)
    assert found.meet_pitch_hz.mean == pytest.approx(hz_from_cents(MEETING_CENTS), abs=1e-4)
    assert found.need_mm.low < found.need_mm.mean < found.need_mm.high
    assert found.meet_pitch_hz.low < found.meet_pitch_hz.mean < found.meet_pitch_hz.high
    shown = " ".join(CliRunner().invoke(app, ["--log", str(log), "review", "reed", "1"]).output.split())
    assert "by straight lines through its own 4 readings alone: 0.20 mm in all" in shown


def test_a_reed_past_its_meeting_point_is_said_to_be(log: Path) -> None:
    with Journal(log) as journal:
        journal.append(Trim("1", "2026-03-05T09:00", 0.3))
        reading(journal, 5, 0.8)
    found = own(log)
    assert found is not None
    assert found.need_mm.mean == pytest.approx(-0.1, abs=1e-6)
    shown = " ".join(CliRunner().invoke(app, ["--log", str(log), "review", "reed", "1"]).output.split())
    assert "F and E met 0.10 mm before this" in shown


def test_lips_begin_the_lines_anew_and_few_readings_give_none(log: Path) -> None:
    with Journal(log) as journal:
        journal.append(Trim("1", "2026-03-05T09:00", 0.0, lip_strokes=2))
        reading(journal, 5, 0.5)
    assert own(log) is None
    with Journal(log) as journal:
        reading(journal, 6, 0.5)
        reading(journal, 7, 0.5)
    assert own(log) is None, "three readings, but at one length"


def test_an_event_begins_the_lines_anew(log: Path) -> None:
    with Journal(log) as journal:
        journal.append(Event("1", "2026-03-04T12:00", "soaked"))
    assert own(log) is None
    with Journal(log) as journal:
        for day, removed in ((5, 0.5), (6, 0.6), (7, 0.65)):
            if day > 5:
                journal.append(Trim("1", f"2026-03-0{day}T09:00", 0.1 if day == 6 else 0.05))
            reading(journal, day, removed, off_cents=-8.0)
    found = own(log)
    assert found is not None
    assert found.readings == 3
    # F stands 8 cents lower after it, and F and E close by 43 cents a mm.
    assert found.need_mm.mean == pytest.approx(MEETING_MM + 8.0 / 43.0 - 0.65, abs=1e-6)


def test_lines_that_do_not_meet_ahead_say_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("old"))
        journal.append(Reed("1", "cane", "B"))
        for day, length in enumerate((0.0, 0.02, 0.03), 1):
            if day > 1:
                journal.append(Trim("1", f"2026-03-0{day}T09:00", 0.02 if day == 2 else 0.01))
            reading(journal, day, length, off_cents=1.5 * (2 - day))
    assert own(path) is None
