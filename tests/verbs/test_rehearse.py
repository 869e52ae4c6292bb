"""What a run will give: what the changes that are tried beside it may do, and what they may not."""

from __future__ import annotations

import shutil
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

from tests.cli.typed_words import Typed
from tests.opened import lose_most_blanks
from trimfit.base.errors import InputError
from trimfit.base.iso_dates import at_s
from trimfit.base.pitch import cents_from_440
from trimfit.base.records import Chanter, Order, Reading, Reed
from trimfit.planner.forecast import Forecast
from trimfit.session.order_progress import LEAST_READ
from trimfit.session.session import Session
from trimfit.verbs.allot import allot
from trimfit.verbs.ask import ask_reed
from trimfit.verbs.log import log_event, log_reed
from trimfit.verbs.pick import _pitch_doubt, new_reed, pick, picked
from trimfit.verbs.rehearse import rehearse_order
from trimfit.verbs.wording import advice_lines


@pytest.fixture(scope="module")
def shop(demo_log: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The learned demo shop with a quarter of its blanks, orders at pitches that some of its reeds reach, and an order
    at no pitch."""
    log = Path(shutil.copy(demo_log, tmp_path_factory.mktemp("runs") / "log"))
    with Session(log) as session:
        lose_most_blanks(session.journal)
        for name, pitch in (("none", None), ("low", 475.0), ("mid", 476.5), ("high", 478.0)):
            session.journal.append(Order(name, "CH-11 sharp solo", target_pitch_hz=pitch, quantity=4))
    return log


@pytest.mark.parametrize("name", ["none", "low", "mid", "high", "O-13"])
def test_readings_taken_twice_make_no_run_worse(shop: Path, name: str) -> None:
    """Where a pitch is asked for, too: the second reading tells the pitch as well as the gap."""
    with Session(shop) as session:
        run = rehearse_order(session, name)
    (twice,) = [one for one in run.what_if if one.change == "every reading taken twice"]
    assert twice.good > run.good
    assert twice.past <= run.past
    assert twice.trims_per_reed < run.trims_per_reed + 0.05
    assert run.readings_per_reed < twice.readings_per_reed <= 2.0 * run.readings_per_reed
    if name == "none":
        close = abs(twice.good - run.good) < run.good_se and abs(twice.past - run.past) < run.past_se
        said = " ".join(Typed(shop).say("rehearse", name).split()).partition(" (standard deviations), by ")[2]
        assert close
        assert "every reading taken twice" in said
        assert said.endswith(": one run hardly shows it")


def test_what_is_neither_good_nor_past_is_named(shop: Path) -> None:
    """At a pitch that the reeds hardly reach, most of it is off that pitch."""
    with Session(shop) as session:
        run = rehearse_order(session, "high")
    rest = 1.0 - run.good - run.past
    assert rest > 0.05
    assert run.off_pitch > 0.5 * rest
    said = " ".join(Typed(shop).say("rehearse", "high").split())
    assert run.good_se > 0.1
    assert f"neither {100 * rest:.0f} % (mostly off the pitch ordered)" in said
    assert f"{run.hours:.1f} hours of work, {run.cost_minutes / 60:.1f} with what lost reeds cost, for " in said


def test_a_run_of_blanks_is_of_those_to_start(shop: Path) -> None:
    """Was: the shares of the whole stock beside the number for its best, 60 % good beside 20 that surely give 12."""
    with Session(shop) as session:
        session.journal.append(Order("bare", "CH-07 plain", quantity=12))
        session.journal.append(Chanter("far", at_hand="no", meeting_pitch_hz=474.0))
        session.journal.append(Order("letter", "far", quantity=2))
        for name in ("bare", "letter"):
            run, blanks = rehearse_order(session, name), pick(session, name)
            assert run.to_start is not None
            assert run.reeds <= run.to_start < len(blanks)
            chosen = blanks[: run.to_start]
            need = picked(session, name).need
            assert need is not None
            assert need.minutes == pytest.approx((run.minutes, run.cost_minutes))
            assert need.hours() == run.hours_words()
            if run.send_reeds is None:
                assert run.cost_minutes == pytest.approx(sum(one.minutes for one in chosen))
            assert run.trims_per_reed == pytest.approx(np.mean([one.trims for one in chosen]), abs=1e-6)
            assert f"{run.to_start} free blanks of the stock that pick offers first" in run.on
            if run.send_reeds is not None:
                # those sent are spaced: fewer of them fit than of reeds that are each stopped for themselves
                assert run.expected_within == pytest.approx(run.good * run.send_reeds)
                assert run.good < np.mean([one.chance_good for one in chosen])
            else:
                assert run.good == pytest.approx(np.mean([one.chance_good for one in chosen]), abs=1e-6)
                # how many of these are good: one after another, each by itself
                count = np.array([1.0])
                for one in chosen:
                    count = np.convolve(count, [1.0 - one.chance_good, one.chance_good])
                assert count[run.reeds :].sum() == pytest.approx(run.chance_enough, abs=0.005)


@pytest.mark.parametrize("at_hand", ["yes", "no"])
def test_a_pitch_ordered_counts_in_how_many_are_enough(demo_log: Path, tmp_path: Path, at_hand: str) -> None:
    """Was: good 8 %, and of four 92 % that two or more fit. No law of how many are good gives more than Markov's
    inequality; and a chanter that is known by words alone is on the pitch for all reeds or for hardly one."""
    log = Path(shutil.copy(demo_log, tmp_path / "log"))
    with Session(log) as session:
        lose_most_blanks(session.journal)
        lose_most_blanks(session.journal)
        session.journal.append(Chanter(f"{at_hand} stated", at_hand=at_hand, meeting_pitch_hz=472.0))
        for name, pitch in (("bare", None), ("on it", 472.0), ("off it", 476.0), ("far off", 484.0)):
            session.journal.append(Order(f"{at_hand} {name}", f"{at_hand} stated", target_pitch_hz=pitch, quantity=3))
        runs = {name: rehearse_order(session, f"{at_hand} {name}") for name in ("bare", "on it", "off it", "far off")}
        starts = {one.order: one.to_start for one in allot(session, [run.order for run in runs.values()]).starts}
        for run in runs.values():
            assert starts.get(run.order) == run.to_start == picked(session, run.order).to_start
            if run.chance_enough is None:
                continue
            count = run.send_reeds or run.in_hand + (run.to_start or 0)
            assert run.reeds * run.chance_enough <= count * run.good + 1e-6
            if run.send_reeds is not None:
                assert run.expected_within == pytest.approx(count * run.good)
    assert runs["on it"].chance_enough is not None
    assert runs["bare"].chance_enough is not None
    assert runs["on it"].chance_enough < runs["bare"].chance_enough
    if at_hand == "yes":
        assert runs["on it"].good_se > runs["bare"].good_se
    far = runs["far off"]
    assert (far.to_start, far.chance_enough, far.send_reeds) == (None, None, None)
    said = " ".join(Typed(log).say("rehearse", far.order).split())
    assert f"more reeds hardly help: in {at_hand} stated a usual reed is predicted to meet at 472" in said
    first = "finish one reed there, which tells it" if at_hand == "yes" else "have one reed read there"
    assert f"the order asks for 484.0 Hz: {first}, or change the pitch ordered or the chanter" in said
    assert "% sure" not in said
    # where it is only not known closely enough, neither another pitch nor its owner would help
    with Session(log) as session:
        bench, order = session.bench(), session.journal.orders()[f"{at_hand} on it"]
        off, reed = Forecast(0.1, 0.0, 1.0, 2.0, 0.5, 0.0, 0.9, 3.0, 9.0), new_reed(bench, order)
        with patch("trimfit.verbs.pick.chanter_pitch", lambda *_: (cents_from_440(472.0), 6.0)):
            said = _pitch_doubt(bench, order, reed, [off], 0.1)
    assert said.endswith(f"and 472.0 Hz are asked for within 1 Hz: {first}, or leave the pitch out of the order")


def test_reeds_yet_to_be_started_cost_what_new_blanks_do(shop: Path) -> None:
    """Was: as little as the one reed in hand, which is finished."""
    with Session(shop) as session:
        session.journal.append(Order("late", "CH-07 plain", quantity=3))
        bare = rehearse_order(session, "late")
        record = session.journal.reed_named("R-0281")
        log_reed(session, record.reed, {"order": "late"})
        run = rehearse_order(session, "late", at_s=at_s("2026-09-17T12:00", "UTC"))
    assert (run.in_hand, run.reeds) == (1, 3)
    assert run.to_start is not None
    assert run.to_start >= 2
    a_blank = bare.minutes / (bare.to_start or 1)
    assert run.minutes > 0.5 * run.to_start * a_blank
    assert run.trims_per_reed > 1.0
    assert f"and {run.to_start} new ones" in run.on


def test_a_good_reed_that_came_back_is_wanted_again_and_ask_says_so(shop: Path) -> None:
    with Session(shop) as session:
        before = rehearse_order(session, "O-12")
        kept = log_event(session, "R-0334", ["came", "back", "flat"])
        assert "it still counts as gone from the bench, as good; to work on it again: " in kept.note
        assert "trimfit log strike out-" in kept.note
        run = rehearse_order(session, "O-12")
        said = " ".join(" ".join(advice_lines(ask_reed(session, "R-0334"))).split())
    assert (run.done_good, run.came_back, run.reeds) == (before.done_good - 1, 1, before.reeds + 1)
    assert "It was called good and came back since (came back flat, " in said
    assert "It is good" not in said
    assert f"{run.done_good} good, 4 lost, 1 came back" in " ".join(Typed(shop).say("rehearse", "O-12").split())


@pytest.mark.parametrize(("at_hand", "where"), [("no", "a chanter at hand"), (None, "Far")])
def test_what_is_asked_for_first_can_be_done(tmp_path: Path, at_hand: str | None, where: str) -> None:
    """Blanks are not read in a chanter that is away: those read at the bench count for its order."""
    with Session(tmp_path / "log", create=True) as session:
        session.journal.append(Chanter("Far", at_hand=at_hand))
        session.journal.append(Order("FO", "Far"))
        with pytest.raises(InputError, match=f"no blanks read in {where} with F and E"):
            rehearse_order(session, "FO")


def test_no_number_to_start_is_said_before_enough_is_known(tmp_path: Path) -> None:
    """One rule and one wording: what `rehearse` refuses to play out, `pick` gives no number for; then both do."""
    with Session(tmp_path / "log", create=True) as session:
        session.journal.append(Chanter("Band 1"))
        session.journal.append(Order("spring", "Band 1", quantity=12))
        for i in range(1, LEAST_READ + 1):
            session.journal.append(Reed(f"{i}", "ridge cut", "May cane", order="spring" if i == 1 else None))
            found = picked(session, "spring")
            assert (found.to_start, found.start_and_shown()[0]) == (None, None)
            assert "start" not in found.shortage()
            with pytest.raises(InputError) as refused:
                rehearse_order(session, "spring")
            assert str(refused.value.what) in found.shortage()
            notes = {"f": 757.5 + i, "e": 702.8 + i}
            session.journal.append(Reading(f"{i}", f"2026-09-1{i}T10:00", "Band 1", notes_hz=notes))
        found = picked(session, "spring")
        assert found.to_start == rehearse_order(session, "spring").to_start
        assert f"start {found.to_start}" in found.shortage()
        run = rehearse_order(session, "spring")
        assert any(note.startswith("few ridge cut reeds were read yet: ") for note in run.notes)
