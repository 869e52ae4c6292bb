"""How many reeds of a batch are said to have left past the meeting point, and how many short of it."""

from __future__ import annotations

from pathlib import Path

from tests.opened import on
from trimfit.base.records import Chanter, Event, Order, Outcome, Reading, Reed, Settings
from trimfit.log.journal import Journal
from trimfit.session.reading_frame import frame_of
from trimfit.verbs.reviews.batches import _ends, batches

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


def test_what_an_event_did_to_reeds_is_no_movement_of_their_batch(tmp_path: Path) -> None:
    """Was: a batch whose bridles were moved was called drifted, its gap rising 300 cents a week with no work done."""
    log = tmp_path / "log"
    with Journal(log, create=True) as journal:
        journal.append(Chanter("B", at_hand="yes"))
        for i in range(1, 5):
            journal.append(Reed(f"{i}", "cane", "a"))
            flat = {"f": 752.5, "e": 704.8, "low_a": 463.2, "high_a": 926.9}
            less = {"f": 757.0 + i / 10, "e": 703.0, "low_a": 463.7, "high_a": 927.4}
            journal.append(Reading(f"{i}", f"2026-11-20T10:0{i}", "B", 512.8, flat))
            journal.append(Event(f"{i}", f"2026-11-21T09:0{i}", "bridle moved"))
            journal.append(Reading(f"{i}", f"2026-11-21T10:0{i}", "B", 515.7, less))
    (found,) = on(log, batches)
    assert not found.drifted
    assert found.settle_cents_per_week.mean == 0.0
    assert "with no work done" not in found.why
