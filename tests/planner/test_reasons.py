"""What is said for each answer: nothing surer than it is, each doubt once, and by its time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trimfit.base.units import Interval
from trimfit.planner.aim import Aim
from trimfit.planner.choice import Choice
from trimfit.planner.reasons import Grounds, at_odds, basis, creeps, leanings, reason, why
from trimfit.session.evidence import RANGE_SDS

AIM = Aim("Heron", 6.5, 115.0, 3.7, 8.0)
KNOWN = Grounds(readings=3, notes_read=3, reed_type="moulded", reeds_of_type=40, a_apart_cents=0.0)
CUT = Choice("trim", 0.2, 0, Interval(-20.0, -23.0, -17.0), Interval(-6.0, -9.0, -3.0), 115.0, 2.0, 0.001, 1.5, 0.9, "")


def test_a_cut_says_gap_and_what_it_leaves() -> None:
    assert why(CUT, AIM, KNOWN) == "F is 20 cents under E; after this cut F should be 6 cents under E"
    assert reason(CUT, AIM, KNOWN) == ""
    together = replace(CUT, gap_after_cents=Interval(0.0, -3.0, 3.0))
    assert "bring them together" in why(together, AIM, KNOWN)


def test_a_cut_off_the_target_says_so_where_the_pitch_is_known() -> None:
    off = replace(CUT, meet_mean_cents=125.0)
    assert reason(off, AIM, KNOWN) == "it would meet 10 cents over the pitch asked for, to be seen again nearer the end"
    vague = replace(off, meet_sd_cents=15.0)
    assert reason(vague, AIM, KNOWN) == "whether it will meet at the pitch asked for shows nearer the end"
    assert reason(replace(off, lip_strokes=2), AIM, KNOWN) == (
        "after these strokes it would meet 10 cents over the pitch asked for: they bring it nearer"
    )
    within = replace(CUT, meet_mean_cents=118.0, lip_strokes=2)
    assert reason(within, AIM, KNOWN) == "the lips bring the pitch to the one asked for"


def test_a_cut_of_a_reed_that_lay_long_says_so() -> None:
    assert reason(CUT, AIM, replace(KNOWN, idle_days=92.3)) == "it lay 92 days: its chance counts that"
    assert reason(CUT, AIM, replace(KNOWN, idle_days=2.0)) == ""


def test_a_note_that_ends_in_a_command_is_last() -> None:
    doubted = replace(KNOWN, length_doubted="If it is wrong: trimfit log amend", reeds_of_type=9, readings=1)
    assert [said[:12] for said in leanings(replace(doubted, kpa_assumed=(6.5, 6.0)))] == [
        "only 9 mould",
        "its last rea",
        "it rests on ",
    ]


def test_a_cut_longer_than_any_before_is_named_as_that() -> None:
    assert "longer than any cut logged of moulded reeds that is in no doubt (0.15 mm)" in why(
        CUT, AIM, replace(KNOWN, longest_mm=0.15)
    )
    assert "longer than any" not in why(CUT, AIM, replace(KNOWN, longest_mm=0.2))


@pytest.mark.parametrize(
    ("chance_good", "said"),
    [
        (0.95, "; within tolerance"),
        (0.7, "; most likely within tolerance"),
        (0.3, "as near as another cut"),
    ],
)
def test_finished_is_said_no_surer_than_it_is(chance_good: float, said: str) -> None:
    done = replace(CUT, action="finished", length_mm=0.0, chance_good=chance_good)
    assert said in why(done, AIM, KNOWN)


@pytest.mark.parametrize(
    ("reason_key", "said"),
    [
        ("since-cut?", "this is predicted: F and E were not read in Heron as it is now; read them first"),
        ("alone", "by one reading alone: a second shows whether it was seated"),
        ("doubtful?", "the one reading since the last cut is doubtful"),
        ("past?", "before giving it up"),
        ("no-fit?", "E and F would meet somewhere from 469.3 to 471.1 Hz, and 470.2 Hz is asked for"),
    ],
)
def test_reading_again_has_its_reasons(reason_key: str, said: str) -> None:
    again = replace(CUT, action="read-again", length_mm=0.0, reason=reason_key)
    assert said in why(again, AIM, KNOWN)


@pytest.mark.parametrize(
    ("gaps", "said"),
    [
        (
            (-7.0, 0.2, -0.4),
            "three readings since the cut run from 7 to 0 cents under: seat it afresh and read once more",
        ),
        ((-1.0, 2.0), "two readings since the cut run from 1 cent under to 2 over: seat it afresh and read once more"),
        ((3.1, 3.2), "two readings since the cut show F 3 cents over E: seat it afresh and read once more"),
    ],
)
def test_readings_that_were_taken_are_counted(gaps: tuple[float, ...], said: str) -> None:
    """Was: by one reading alone, after three."""
    again = replace(CUT, action="read-again", length_mm=0.0, reason="alone")
    assert reason(again, AIM, replace(KNOWN, since_cut=len(gaps), gaps_cents=gaps, worked=True)) == said


def test_a_reed_cut_and_not_read_since_does_not_read_past() -> None:
    again = replace(CUT, action="read-again", length_mm=0.0, reason="past?")
    assert reason(again, AIM, replace(KNOWN, worked=True, gaps_cents=())).startswith("this is predicted")
    assert "it reads past" in reason(again, AIM, replace(KNOWN, worked=True, since_cut=1, gaps_cents=(7.0,)))


def test_what_is_predicted_is_not_said_to_be_read() -> None:
    """Was: "F is 6 cents over E by one reading alone", of a reading 14 under."""
    again = replace(CUT, action="read-again", length_mm=0.0, reason="alone", gap_now_cents=Interval(6.0, -15.0, 19.0))
    said = reason(again, AIM, replace(KNOWN, since_cut=1, gaps_cents=(-14.0,), worked=True))
    assert said.startswith("its reading says F is 14 cents under E; weighed with all before it, F is 6 cents over E")


def test_where_no_cut_is_left_reading_again_does_not_speak_of_one() -> None:
    again = replace(CUT, action="read-again", length_mm=0.0, reason="vague", gap_now_cents=Interval(-2.0, -4.0, 0.0))
    assert "a cut now would rest on too little" in reason(again, AIM, KNOWN)
    assert "a cut now" not in reason(again, AIM, replace(KNOWN, no_cut_left=True))


def test_readings_of_a_sitting_that_differ_are_named_whatever_is_answered() -> None:
    two = replace(KNOWN, gaps_cents=(-7.0, 0.2), worked=True, apart_cents=5.7)
    again = replace(CUT, action="read-again", length_mm=0.0, reason="vague")
    assert reason(again, AIM, two) == "the last two readings differ by 7 cents: neither is trusted yet, read once more"
    # one that is singled out is not said to be trusted as little as the other
    singled = replace(two, low_weight=("2026-03-01 10:05",))
    assert reason(again, AIM, singled) == "the last two readings differ by 7 cents: read once more"
    assert "the reading of 2026-03-01 10:05 contradicts what else was read" in basis(singled)
    wrong = replace(two, set_aside=("2026-03-01 10:05",))
    differ = "the last two readings differ by 7 cents: the answer takes that of 2026-03-01 10:05 to be wrong"
    assert reason(again, AIM, wrong) == f"{differ}; read once more"
    assert basis(replace(two, gaps_cents=(-7.0, 0.2, -1.0))) == (
        "three readings since the cut run from 7 to 0 cents under, further apart than readings err: "
        "the answer weighs them all"
    )
    aside = replace(two, gaps_cents=(-7.0, 0.2), set_aside=("2026-03-01 10:05",))
    assert basis(aside).endswith("the answer takes that of 2026-03-01 10:05 to be wrong")
    assert basis(replace(two, gaps_cents=(-4.0, -1.0))) == ""


@pytest.mark.parametrize(
    ("gaps", "said"),
    [
        ((-20.0, -10.0, -5.0), True),
        ((5.0, -5.0, -10.0), True),
        ((-30.0, -20.0, -10.0, -5.0), True),
        ((-20.0, -5.0), False),
        ((-20.0, -5.0, -6.0), False),
        ((-8.0, -6.0, -4.0), False),
        ((-30.0, -10.0, -8.0, -6.0), False),
    ],
)
def test_the_last_three_readings_creep_where_they_run_one_way_and_far(gaps: tuple[float, ...], said: bool) -> None:
    assert creeps(replace(KNOWN, gaps_cents=gaps, apart_cents=5.7)) == said


def test_of_a_settled_reed_readings_seldom_creep() -> None:
    """As often as the rule states: 1 in 240."""
    gaps = np.random.default_rng(5).standard_normal((200_000, 3))
    one_way = (gaps[:, 1] - gaps[:, 0]) * (gaps[:, 2] - gaps[:, 1]) > 0.0
    share = float(np.mean(one_way & (np.abs(gaps[:, 2] - gaps[:, 0]) > RANGE_SDS)))
    assert share == pytest.approx(1.0 / 240.0, rel=0.15)
    called = [creeps(replace(KNOWN, gaps_cents=tuple(each), apart_cents=RANGE_SDS)) for each in gaps[:20_000].tolist()]
    assert np.mean(called) == pytest.approx(1.0 / 240.0, rel=0.4)


@pytest.mark.parametrize(
    ("gaps", "said"),
    [
        ((), False),
        ((-30.0,), False),
        ((-30.0, -28.0), False),
        ((-64.0, -19.0), True),
        ((-64.0, -19.0, -63.0), False),
        ((-64.0, -19.0, -40.0), True),
        ((-30.0, -28.0, -45.0), True),
        ((-30.0, -25.0, -22.0), True),  # they creep
    ],
)
def test_readings_are_at_odds_where_the_last_bears_none_before_it_out(gaps: tuple[float, ...], said: bool) -> None:
    assert at_odds(replace(KNOWN, gaps_cents=gaps, apart_cents=5.7)) == said


def test_two_readings_of_a_settled_reed_are_seldom_at_odds() -> None:
    """As often as the rule states: 1 in 230."""
    pairs = np.random.default_rng(6).standard_normal((100_000, 2)).tolist()
    called = [at_odds(replace(KNOWN, gaps_cents=tuple(pair), apart_cents=RANGE_SDS)) for pair in pairs]
    assert np.mean(called) == pytest.approx(1.0 / 230.0, rel=0.15)


def test_a_reed_never_read_has_no_gap_to_speak_of() -> None:
    unread = replace(KNOWN, readings=0, notes_read=0, gap_read=0, since_cut=0, reeds_of_type=0)
    again = replace(CUT, action="read-again", length_mm=0.0, reason="unread")
    assert why(again, AIM, unread) == "not read yet: take F, E, both A's and the crow in Heron"
    nowhere = replace(AIM, chanter=None)
    assert why(again, nowhere, unread) == "not read yet: take F, E, both A's and the crow in a chanter"
    crow = replace(unread, readings=1)
    assert why(again, replace(AIM, chanter=None), crow).startswith("only its crow was read: take F, E")
    assert why(CUT, AIM, crow).endswith("so it rests on assumptions; only its crow was read")


def test_each_weak_ground_is_said_once_and_by_its_time() -> None:
    weak = replace(
        KNOWN, reeds_of_type=1, low_weight=("2026-03-01 10:05",), kpa_assumed=(6.0, 6.5), chanter_unread="Heron"
    )
    assert leanings(weak) == [
        "no other moulded reed has been read yet, so it rests on assumptions",
        "chanter Heron was never read with F and E: its pitch is a guess",
        "the reading of 2026-03-01 10:05 contradicts what else was read and counts for less",
        "its last reading names no pressure: taken as the bench's 6.0 kPa, while the order is for 6.5 kPa",
    ]
    two = replace(KNOWN, low_weight=("2026-03-01 10:05", "2026-03-02 09:00"))
    assert basis(two) == (
        "the readings of 2026-03-01 10:05 and 2026-03-02 09:00 contradict what else was read and count for less"
    )
    first = replace(KNOWN, readings=1, low_weight=("2026-03-01 10:05",))
    assert basis(first) == "the reading of 2026-03-01 10:05 is unlike other moulded reeds and counts for less"
    assert leanings(replace(KNOWN, reeds_of_type=0), "finished") == []
    assert "rests on a reading whose A's are 5 cents apart" in basis(replace(KNOWN, a_apart_cents=-5.2, notes_read=1))


def test_a_types_only_reed_is_no_kin_of_its_own() -> None:
    alone = replace(KNOWN, reeds_of_type=1, notes_read=2)
    assert f"no other {KNOWN.reed_type} reed has been read yet" in why(CUT, AIM, alone)
    two = replace(KNOWN, reeds_of_type=2)
    assert f"only 2 {KNOWN.reed_type} reeds learned from yet" in why(CUT, AIM, two)


@pytest.mark.parametrize("reason_key", ["vague", "alone", "moved", "past?", "event?"])
def test_what_an_event_did_is_not_put_down_to_lying(reason_key: str) -> None:
    """Was: it lay 90 days and may have moved by 50 cents; 11 of them by lying, the rest by the event."""
    lay = replace(KNOWN, idle_days=90.0, event="moved 2026-11-30 04:22")
    again = replace(CUT, action="read-again", length_mm=0.0, reason=reason_key)
    assert reason(again, AIM, lay) == "read it as it stands now, before anything comes off"
    assert "it was logged as moved 2026-11-30 04:22: F and E were not read since" in why(again, AIM, lay)
    if reason_key in ("vague", "past?"):
        assert reason(again, AIM, replace(lay, event_read=True)).startswith("it lay 90 days")


def test_a_cut_of_a_reed_not_read_since_the_last_says_that_it_is_predicted() -> None:
    said = "this is predicted: not read since the cut"
    assert said in why(CUT, AIM, replace(KNOWN, worked=True, since_cut=0))
    assert said not in why(CUT, AIM, replace(KNOWN, worked=True))
