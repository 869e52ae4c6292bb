"""How a reading is named in an answer."""

from __future__ import annotations

from trimfit.base.records import Logged, Reading, Reed, ReedHistory
from trimfit.session.evidence import _which


def test_of_two_readings_in_one_minute_the_values_say_which() -> None:
    taken = [
        Reading("R-1", f"2026-11-30T08:{at}", notes_hz={"f": f_hz, "e": 700.0})
        for at, f_hz in (("54:00", 771.1), ("54:30", 779.0), ("56:00", 779.2))
    ]
    readings = tuple(Logged(f"rea-{i}", i, float(i), one) for i, one in enumerate(taken))
    history = ReedHistory(Logged("", 0, 0.0, Reed("R-1", "cane", "B")), readings=readings)
    assert [_which(one, history) for one in taken[1:]] == ["2026-11-30 08:54 (F 779.0, E 700.0)", "2026-11-30 08:56"]
