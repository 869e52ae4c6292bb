"""Where a reed might go instead, and which blanks an order may have: what is said of pitches that cannot be met."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pytest

from tests.opened import lose_most_blanks, on
from trimfit.base.records import Chanter, Order, Outcome, Reading, Reed
from trimfit.log.journal import Journal
from trimfit.verbs.ask import ask_reed
from trimfit.verbs.other_orders import elsewhere
from trimfit.verbs.pick import pick, picked


@pytest.fixture
def shop(demo_log: Path, tmp_path: Path) -> Path:
    """The demo shop and a part of its stock, with an order far off every chanter's pitch and a chanter that nobody has
    read."""
    log = Path(shutil.copy(demo_log, tmp_path / "log"))
    with Journal(log) as journal:
        lose_most_blanks(journal)
        journal.append(Chanter("new and unread"))
        journal.append(Order("far", "CH-07 plain", target_pitch_hz=500.0, quantity=2))
        journal.append(Order("guess", "new and unread", quantity=2))
    return log


def test_places_that_a_reed_cannot_reach_say_so(shop: Path) -> None:
    places = {one.order or one.chanter: one for one in on(shop, elsewhere, "R-0351")}
    far = places["far"].remark
    assert "asked for 500.0 Hz" in far
    assert "off the pitch asked for, and the lips do not reach" in far
    assert places["guess"].remark == "nobody has read F and E in this chanter: a guess"
    own = [one for one in places.values() if "its own order" in one.remark]
    assert len(own) == 1
    good = [one.chance_good for one in on(shop, elsewhere, "R-0351")]
    assert [round(one, 2) for one in good] == sorted((round(one, 2) for one in good), reverse=True)


def test_a_stated_pitch_of_one_chanter_changes_nothing_elsewhere(shop: Path) -> None:
    """Was: each chanter asked about counted as one that the reed is for, its stated pitch as evidence of the type."""
    with Journal(shop) as journal:
        for number, pitch_hz in enumerate((462.0, 486.0)):
            journal.append(Chanter(f"stated {number}", meeting_pitch_hz=pitch_hz, at_hand="yes"))
            journal.append(Order(f"for {number}", f"stated {number}", quantity=2))
    places = {one.order: one for one in on(shop, elsewhere, "R-0351") if one.order}
    (own,) = [one for one in places.values() if "its own order" in one.remark]
    advice = on(shop, ask_reed, "R-0351")
    assert own.chance_good == pytest.approx(advice.chance_within, abs=1e-9)
    assert own.gap_now_cents == advice.gap_now_cents
    assert own.meet_pitch_hz == advice.meet_pitch_hz
    blank = on(shop, pick, "for 0")[0]
    (there,) = [one for one in on(shop, elsewhere, blank.reed) if one.order == "for 0"]
    assert (there.chance_good, there.length_mm) == pytest.approx((blank.chance_good, blank.length_mm), abs=1e-6)


def pitched(folder: Path, asked_hz: float, f_hz: float) -> Path:
    """A first log: an order at this pitch, and a reed whose F was read so, hertz."""
    with Journal(folder / "log", create=True) as journal:
        journal.append(Chanter("Band 1"))
        journal.append(Order("spring", "Band 1", target_pitch_hz=asked_hz, quantity=12))
        journal.append(Reed("1", "ridge cut", "May cane", order="spring", blade_mm=22.0))
        notes = {"f": f_hz, "e": 702.8, "low_a": 464.2, "high_a": 928.9}
        journal.append(Reading("1", "2026-09-18T10:00", "Band 1", 516.0, notes))
    return folder / "log"


def test_a_pitch_that_is_hardly_known_yet_is_not_given_up_by_any_verb(tmp_path: Path) -> None:
    """Was: under 0.1 % good and about one cut left by `ask`, no cut and the lips in vain by `pick` and `--others`, of a
    reed that meets at 467 Hz (453 to 481) where 467 are asked for."""
    log = pitched(tmp_path, 467.0, 757.5)
    advice, blank = on(log, ask_reed, "1"), on(log, pick, "spring")[0]
    (own,) = [one for one in on(log, elsewhere, "1") if one.order == "spring"]
    assert advice.meet_pitch_hz is not None
    sd = (advice.meet_pitch_hz.high - advice.meet_pitch_hz.low) / (2.0 * 1.645)
    within_a_hertz = math.erf(1.0 / (sd * math.sqrt(2.0)))
    assert advice.chance_within == pytest.approx(within_a_hertz, rel=0.3)
    assert blank.chance_good == pytest.approx(advice.chance_within, abs=0.01)
    assert own.chance_good == pytest.approx(advice.chance_within, abs=0.01)
    assert advice.trims_left == pytest.approx(blank.trims, rel=0.2)
    assert advice.trims_left > 2.0
    for remark in (blank.remark, own.remark):
        assert "whether it will meet at the pitch asked for is not known yet" in remark
        assert "lips" not in remark


def test_of_equal_chances_those_in_chanters_that_were_read_come_first(tmp_path: Path) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        for chanter in ("A guess", "Band 1", "Stated"):
            journal.append(Chanter(chanter, meeting_pitch_hz=470.0 if chanter == "Stated" else None))
        journal.append(Reed("1", "ridge cut", "May cane", blade_mm=12.05))  # no blade for the cut it wants
        notes = {"f": 690.0, "e": 702.8, "low_a": 464.2, "high_a": 928.9}
        journal.append(Reading("1", "2026-09-18T10:00", "Band 1", 516.0, notes))
    places = on(tmp_path / "log", elsewhere, "1")
    assert [round(one.chance_good or 0.0, 2) for one in places][1:] == [0.05, 0.05]
    assert [one.chanter for one in places] == ["Band 1", "Stated", "A guess"]


def test_a_reed_that_is_given_up_for_its_pitch_has_no_chance_beside_that(tmp_path: Path) -> None:
    """Was: no fit, the lips do not reach, and beside it 30 % good."""
    log = pitched(tmp_path, 458.0, 778.8)
    advice = on(log, ask_reed, "1")
    (own,) = [one for one in on(log, elsewhere, "1") if one.order == "spring"]
    assert (advice.action, advice.chance_within) == ("no-fit", own.chance_good)
    assert own.chance_good is not None
    assert own.chance_good < 0.05


def test_blanks_for_a_pitch_out_of_reach_are_not_promised(shop: Path) -> None:
    for blank in on(shop, pick, "far")[:20]:
        assert "off the pitch asked for" in blank.remark
        assert blank.chance_good < 0.05


def test_a_reed_put_to_stock_uncut_is_a_blank_again_and_a_cut_one_is_not(shop: Path) -> None:
    with Journal(shop) as journal:
        journal.append(Reed("S-1", "broad cane", "B-24", order="O-12"))
        journal.append(Reading("S-1", "2026-09-20T10:00", crow_hz=520.0))
        journal.append(Reed("S-2", "broad cane", "B-24", order="O-12"))
        assert "S-1" not in {one.reed for one in on(shop, pick, "guess")}
        for name in ("S-1", "S-2"):
            journal.append(Outcome(name, "2026-09-20T11:00", "to-stock"))
    blanks = {one.reed for one in on(shop, pick, "guess")}
    assert {"S-1", "S-2"} <= blanks
    assert "R-0351" not in blanks
    assert on(shop, picked, "guess").wanted == 2
