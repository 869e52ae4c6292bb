"""How a reading is named in an answer, and which readings allow a cut."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.opened import on, small_shop
from trimfit.base.iso_dates import at_s
from trimfit.base.records import Event, Logged, Reading, Reed, ReedHistory
from trimfit.log.journal import Journal
from trimfit.session.evidence import _which
from trimfit.verbs.ask import ask_reed


def test_of_two_readings_in_one_minute_the_values_say_which() -> None:
    taken = [
        Reading("R-1", f"2026-11-30T08:{at}", notes_hz={"f": f_hz, "e": 700.0})
        for at, f_hz in (("54:00", 771.1), ("54:30", 779.0), ("56:00", 779.2))
    ]
    readings = tuple(Logged(f"rea-{i}", i, float(i), one) for i, one in enumerate(taken))
    history = ReedHistory(Logged("", 0, 0.0, Reed("R-1", "cane", "B")), readings=readings)
    assert [_which(one, history) for one in taken[1:]] == ["2026-11-30 08:54 (F 779.0, E 700.0)", "2026-11-30 08:56"]


@pytest.mark.parametrize("kind", ["misread-or-moved", "trim-long"])
def test_a_reading_kept_against_what_was_predicted_is_borne_out_by_another_before_a_cut(
    tmp_path: Path, kind: str
) -> None:
    """Was: the cut was advised that it asked for, with an interval as narrow as if nobody had doubted it."""
    small_shop(tmp_path / "log", reeds=8, cut_mm=lambda turn: 0.2)
    with Journal(tmp_path / "log") as journal:
        journal.append(Reed("new", "cane", "B-1"))

        def read(at: str, *doubts: str) -> None:
            notes = {"low_a": 466.0, "e": 706.0, "f": 762.0, "high_a": 932.0}
            journal.append(Reading("new", at, "near", 500.0, notes), doubts=doubts)

        read("2026-05-01T10:00", f"{kind}: F 20 cents under what was predicted against E")
    found = on(tmp_path / "log", ask_reed, "new", at_s=at_s("2026-05-01T10:01", "UTC"))
    assert (found.action, "read it again before the next cut" in found.why) == (
        ("read-again", True) if kind == "misread-or-moved" else ("trim", False)
    )
    with Journal(tmp_path / "log") as journal:
        told = journal.append(Event("new", "2026-05-01T10:00", "moved"))
    # it was answered that the reed moved: the reading counts in full
    assert on(tmp_path / "log", ask_reed, "new", at_s=at_s("2026-05-01T10:01", "UTC")).action == "trim"
    with Journal(tmp_path / "log") as journal:
        journal.strike(told.entry, "it had not")
        journal.append(Reading("new", "2026-05-01T10:03", "near", 500.0, {"e": 706.0, "f": 762.0}))
    assert on(tmp_path / "log", ask_reed, "new", at_s=at_s("2026-05-01T10:04", "UTC")).action == "trim"
