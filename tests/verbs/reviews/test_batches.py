"""How many reeds of a batch are said to have left past the meeting point, and how many short of it."""

from __future__ import annotations

from pathlib import Path

from trimfit.base.records import Chanter, Order, Outcome, Reading, Reed, Settings
from trimfit.log.journal import Journal
from trimfit.session.reading_frame import frame_of
from trimfit.verbs.reviews.batches import _ends

TOGETHER, FLAT, SHARP = ({"f": f_hz, "e": 702.0} for f_hz in (780.0, 770.0, 790.0))


def test_a_reed_is_judged_in_the_chanter_of_its_own_order(tmp_path: Path) -> None:
    """Two that end together there and are read elsewhere after; one short, one past; one lost and never read; flat in
    another chanter alone, as an order that is away is worked, one of this order and one of none."""
    gone = {
        "R-1": ("good", [("own", TOGETHER), ("other", FLAT)]),
        "R-2": ("lost", [("own", FLAT), ("other", SHARP)]),
        "R-3": ("good", [("other", TOGETHER), ("own", FLAT)]),
        "R-4": ("lost", [("own", SHARP)]),
        "R-5": ("lost", []),
        "R-6": ("good", [("other", FLAT)]),
        "R-7": ("good", [("other", FLAT)]),
    }
    with Journal(tmp_path / "log", create=True) as journal:
        for name in ("own", "other"):
            journal.append(Chanter(name))
        journal.append(Order("O-1", "own"))
        for reed, (outcome, readings) in gone.items():
            journal.append(Reed(reed, "moulded", "B-1", order="O-1" if reed != "R-7" else None))
            for minute, (chanter, notes) in enumerate(readings):
                journal.append(Reading(reed, f"2026-09-01T10:{minute:02d}", chanter, notes_hz=notes))
            journal.append(Outcome(reed, "2026-09-01T11:00", outcome))
        past, short = _ends(journal, frame_of(journal), Settings(), gap_sd=2.0)
    assert past == {("moulded", "B-1"): 1}
    assert short == {("moulded", "B-1"): 1}
