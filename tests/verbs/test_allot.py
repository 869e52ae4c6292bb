"""Reeds put to orders: the least cost in all, the same figures as `pick`, weights kept to, one transaction."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.typed_words import Typed
from tests.opened import lose_most_blanks
from trimfit.base.errors import InputError
from trimfit.base.natural_order import as_counted
from trimfit.base.records import Chanter, Order, Outcome, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.planner.forecast import Forecast
from trimfit.review.results import hours_words
from trimfit.session.session import Session
from trimfit.verbs.allot import Allotment, _assigned, _spare_why, _Table, allot, pitch_curve, take_allotted
from trimfit.verbs.pick import HARDLY, offered_by, pick, picked, take
from trimfit.verbs.rehearse import rehearse_order

PLAIN, FLAT = "CH-07 plain", "CH-03 old flat"


@pytest.fixture
def shop(demo_log: Path, tmp_path: Path) -> Path:
    """The learned demo shop with two more orders, for a plain chanter and a flat one, and a quarter of its blanks."""
    log = Path(shutil.copy(demo_log, tmp_path / "log"))
    with Journal(log) as journal:
        lose_most_blanks(journal)
        journal.append(Order("A", PLAIN, quantity=3))
        journal.append(Order("B", FLAT, quantity=2))
    return log


def allotted(log: Path, *names: str, **options: object) -> Allotment:
    with Session(log) as session:
        return allot(session, names, **options)  # type: ignore[arg-type]


def test_no_order_after_order_is_cheaper_and_each_figure_is_that_of_pick(shop: Path) -> None:
    found = allotted(shop, "A", "B")
    assert [one.order for one in found.allotted] == ["A", "A", "A", "B", "B"]
    assert len({one.reed for one in found.allotted}) == 5
    assert found.short == ()
    assert found.minutes == pytest.approx(sum(one.minutes for one in found.allotted))
    with Session(shop) as session:
        blanks = {order: {one.reed: one for one in pick(session, order)} for order in ("A", "B")}
    for one in found.allotted:
        same = blanks[one.order][one.reed]
        assert (one.chance_good, one.trims, one.minutes) == pytest.approx(
            (same.chance_good, same.trims, same.minutes), rel=1e-6, abs=1e-6
        )
    first = sorted(blanks["A"].values(), key=lambda one: one.minutes)[:3]
    taken = {one.reed for one in first}
    then = sorted((one for one in blanks["B"].values() if one.reed not in taken), key=lambda one: one.minutes)[:2]
    assert found.minutes <= sum(one.minutes for one in (*first, *then)) + 1e-6


def test_chanters_known_by_words_alone_have_the_figures_of_pick_too(shop: Path) -> None:
    """What was stated of one chanter tells something of the reeds, and so of another: its figures stay the same."""
    with Journal(shop) as journal:
        for name, pitch in (("W1", 478.0), ("W2", 478.5), ("W3", None)):
            journal.append(Chanter(name, kind="new", at_hand="yes", meeting_pitch_hz=pitch))
            journal.append(Order(name, name, target_pitch_hz=476.0, quantity=1))
    names = ("W1", "W2", "W3", "A")
    found = allotted(shop, *names)
    with Session(shop) as session:
        blanks = {order: {one.reed: one for one in pick(session, order)} for order in names}
    assert {one.order for one in found.allotted} >= {"W1", "W2", "A"}
    for one in found.allotted:
        same = blanks[one.order][one.reed]
        assert (one.chance_good, one.trims, one.minutes) == pytest.approx(
            (same.chance_good, same.trims, same.minutes), rel=1e-6, abs=1e-6
        )


def test_taking_puts_each_reed_to_its_order_at_once_and_leaves_nothing_to_allot(shop: Path) -> None:
    with Session(shop) as session:
        found = allot(session, ("A", "B"))
        names = take_allotted(session, found)
        assert names == [one.reed for one in found.allotted]
        reeds = session.journal.reeds()
        assert {(one.reed, reeds[one.reed].order) for one in found.allotted} == {
            (one.reed, one.order) for one in found.allotted
        }
        assert allot(session, ("A", "B")).allotted == ()
        again = allot(session, ("A", "B"), begun=True)
        assert again.minutes <= found.minutes + 1e-6
        assert len(again.allotted) == 5


def test_the_first_blanks_of_pick_are_those_that_allot_takes_for_an_order_alone(shop: Path) -> None:
    with Session(shop) as session:
        blanks = pick(session, "A")
        taken = {one.reed for one in allot(session, ("A",)).allotted}
    likely = [one for one in blanks if one.chance_good >= HARDLY]
    assert [round(one.minutes) for one in likely] == sorted(round(one.minutes) for one in likely)
    assert blanks[: len(likely)] == likely
    dearest = max(one.minutes for one in blanks if one.reed in taken)
    assert all(round(one.minutes) >= round(dearest) for one in likely if one.reed not in taken)


def test_what_is_spare_is_so_for_one_reed_a_place_and_the_number_to_start_is_that_of_pick_and_rehearse(
    shop: Path,
) -> None:
    """For orders with reeds in work (O-12 is short of some, O-11 is not), and for one without."""
    with Session(shop) as session:
        session.journal.append(Order("easy", PLAIN, quantity=3, weight="easy"))
        names = ("O-11", "O-12", "A", "easy")
        found = allot(session, names)
        starts = {one.order: one for one in found.starts}
        assert set(starts) == set(names)
        for name in names:
            run = rehearse_order(session, name)
            assert starts[name].to_start == picked(session, name).to_start == run.to_start
            assert starts[name].places == max(run.reeds - run.in_hand, 0)
        more = {name for name, one in starts.items() if one.to_start > one.places}
        assert {"O-11", "O-12"} <= more
        for name in names:
            assert (f"{starts[name].to_start} for {name}" in found.starts_words()) == (name in more)
        assert set(found.spare_why) == {"not needed for one reed a place"}
        # an order whose places are all taken has a number to start all the same
        take_allotted(session, allot(session, ("O-11",)))
        (alone,) = allot(session, ("O-11",)).starts
        assert (alone.places, alone.to_start) == (0, picked(session, "O-11").to_start)
        assert alone.to_start > 0
    said = Typed(shop).say("allot", "O-11")
    assert "none of these orders wants more reeds than are in hand" in said
    assert f"so that enough end good, start {alone.to_start} for O-11" in " ".join(said.split())


def test_a_reed_that_is_likely_past_is_not_called_one_reed_too_many() -> None:
    fine = Forecast(0.9, 0.05, 1.0, 2.0, 0.2, 0.02, 0.0, 20.0, 30.0)
    past, hopeless = replace(fine, good=0.08, sharp=0.92), replace(fine, good=0.01, sharp=0.99)
    table = _Table(
        [[past, hopeless], [past, fine], [hopeless, hopeless]],
        [[90.0, float("inf")], [90.0, 30.0], [float("inf")] * 2],
    )
    assert [_spare_why(table, i) for i in range(3)] == [
        "likely past for these orders",
        "not needed for one reed a place",
        "fit for none of these orders",
    ]


def test_an_order_whose_chanter_is_away_wants_as_many_started_as_pick_says(shop: Path) -> None:
    with Session(shop) as session:
        session.journal.append(Chanter("far", kind="new", at_hand="no", meeting_pitch_hz=471.0))
        session.journal.append(Order("letter", "far", quantity=1))
        (start,) = allot(session, ("letter",)).starts
        need = picked(session, "letter").need
    assert need is not None
    assert need.sending is not None
    assert start.to_start == need.to_start == need.sending.reeds
    assert start.to_start > start.places == 1


def test_weights_are_kept_to_and_a_reed_of_no_weight_is_marked(shop: Path) -> None:
    with Session(shop) as session:
        names = [one.reed for one in pick(session, "A")]
        for reed, weight in zip(names, ("hard", "hard", "easy"), strict=False):
            known = session.journal.of_reed(reed)
            session.journal.strike(known.reed.entry, "weight")
            record = known.reed.record
            session.journal.append(Reed(reed, record.reed_type, record.batch, record.made_on, record.blade_mm, weight))
        session.journal.append(Order("H", PLAIN, quantity=3, weight="easy"))
        blanks = pick(session, "H")
        assert blanks[0].reed == names[2]
        assert {one.reed for one in blanks}.isdisjoint(names[:2])
        assert "nobody said whether it is easy" in blanks[1].why
        found = allot(session, ("H",))
        assert names[2] in {one.reed for one in found.allotted}
        assert {one.reed for one in found.allotted}.isdisjoint(names[:2])
        assert sum("nobody said whether it is easy" in one.why for one in found.allotted) == len(found.allotted) - 1
        session.journal.append(Order("S", PLAIN, quantity=2, weight="soft"))


def test_an_order_that_stays_short_says_why(shop: Path) -> None:
    with Session(shop) as session:
        session.journal.append(Order("far", PLAIN, target_pitch_hz=520.0, quantity=2))
        found = allot(session, ("far",))
    (short,) = found.short
    assert (short.order, short.wanted, short.found) == ("far", 2, 0)
    assert "would end good with a chance of 0 %" in short.why
    assert set(found.spare_why) == {"fit for none of these orders"}
    assert found.minutes == pytest.approx(240.0)
    assert found.hours_words() == "0.0 hours of work, 4.0 with what lost reeds and empty places cost"


def test_of_blanks_that_are_alike_the_first_by_name_go_first(shop: Path) -> None:
    """However the last digits of their figures fall, and in whatever order they were logged."""
    bare = Forecast(0.9, 0.01, 2.0, 3.0, 0.5, 0.0, 0.0, 20.0, 25.0)
    off = {"R-10": 0.0, "R-2": 3e-13, "R-9": -2e-13}
    keys = {name: (replace(bare, need_mm=0.5 + d), 25.0 - d, name) for name, d in off.items()}
    assert sorted(off, key=lambda name: offered_by(*keys[name])) == ["R-2", "R-9", "R-10"]
    names = [f"same-{i}" for i in (11, 3, 10, 2, 12, 1, 9)]
    with Session(shop) as session:
        for blank in session.journal.blanks():
            session.journal.append(Outcome(blank.reed.record.reed, "2026-09-18T10:00", "lost"))
        for name in names:
            session.journal.append(Reed(name, "moulded", "B-same"))
        listed = [one.reed for one in picked(session, "A").free()]
        assert listed == sorted(names, key=as_counted)
        assert [one.reed for one in allot(session, ("A", "B")).allotted] == listed[:5]
        way, minutes = _assigned(session.bench(), [[25.0 + d] for d in (2e-10, 0.0, -3e-10)], [2])
        assert way == [0, 0, None]
        assert minutes == pytest.approx(50.0)
        assert take(session, picked(session, "A"), 3) == listed[:3]


def test_without_stock_the_cost_is_that_of_the_empty_places_and_cut_reeds_without_an_order_are_named(
    tmp_path: Path,
) -> None:
    with Session(tmp_path / "log", create=True) as session:
        session.journal.append(Chanter("C"))
        session.journal.append(Order("O", "C", quantity=2))
        session.journal.append(Reed("r1", "cane", "B"))
        session.journal.append(Trim("r1", "2026-09-01T10:00", 0.2))
    typed = Typed(tmp_path / "log")
    assert typed.json("allot")["minutes"] == pytest.approx(240.0)
    said = typed.say("allot").splitlines()
    left_out = "1 cut reed in stock or without an order is left out (trimfit allot --begun counts it)"
    assert " ".join(line.strip() for line in said).startswith(left_out)
    assert "4.0 with what lost reeds and empty places cost" in " ".join(line.strip() for line in said)
    assert all(said)  # no blank line
    assert [one["reed"] for one in typed.json("allot", "--begun")["allotted"]] == ["r1"]


def test_orders_at_one_pitch_have_a_cheapest_one(shop: Path) -> None:
    found = allotted(shop, "A", pitches_hz=(466.0, 482.0))
    pitches = [one.pitch_hz for one in found.pitches]
    assert pitches == sorted(pitches)
    assert (pitches[0], pitches[-1]) == (466.0, 482.0)
    best = min(found.pitches, key=lambda one: one.minutes)
    assert found.best_pitch_hz == best.pitch_hz
    # strokes bring a reed down to a low pitch, with more work; nothing brings it up to a high one
    assert best.bench_minutes < found.pitches[0].bench_minutes
    assert best.good > found.pitches[-1].good + 1.0
    assert best not in (found.pitches[0], found.pitches[-1])
    # both hours, the work alone and with what is lost, are named alike
    work = sum(one.bench_minutes for one in found.allotted)
    assert 0.0 < work < found.minutes
    assert found.hours_words() == f"{work / 60:.1f} hours of work, {found.minutes / 60:.1f} with what lost reeds cost"
    assert 0.0 < best.bench_minutes < best.minutes
    said = " ".join(Typed(shop).say("allot", "A", "--pitch-from", "466", "--pitch-to", "482").split())
    assert f"expected good; {found.hours_words()}" in said
    assert (
        f"{best.pitch_hz:.1f} Hz {best.good:.1f} good, {hours_words(best.bench_minutes, best.minutes, best.empty)}"
        in said
    )
    with pytest.raises(InputError, match="the lower pitch comes first"):
        allotted(shop, "A", pitches_hz=(480.0, 470.0))
    with pytest.raises(InputError, match="--pitch-to: 1e\\+09 is out of bounds; give 380 to 560"):
        allotted(shop, "A", pitches_hz=(470.0, 1e9))


def test_orders_that_ask_for_about_one_pitch_have_a_curve_for_the_report(shop: Path) -> None:
    with Session(shop) as session:
        for name, pitch in (("S1", 472.0), ("S2", 473.0), ("off", 480.0)):
            session.journal.append(Order(name, PLAIN, target_pitch_hz=pitch, quantity=1))
        session.fit_if_due()
        curve = pitch_curve(session, session.bench())
        found = allot(session, ("S1", "S2"), begun=True, pitches_hz=(469.0, 476.0))
    assert curve is not None
    assert (curve.orders, curve.targets_hz, curve.wanted) == (("S1", "S2"), (472.0, 473.0), 2)
    assert [one.pitch_hz for one in curve.at] == [one.pitch_hz for one in found.pitches]
    assert [one.minutes for one in curve.at] == pytest.approx([one.minutes for one in found.pitches])
    assert curve.best.pitch_hz == found.best_pitch_hz
    # strokes bring a pitch down, and nothing brings it up
    assert curve.best.pitch_hz < 473.0
    assert curve.best.minutes < 0.5 * curve.at[-1].minutes


def test_an_order_by_itself_has_no_curve(demo_log: Path) -> None:
    with Session(demo_log) as session:
        session.fit_if_due()
        assert pitch_curve(session, session.bench()) is None


def test_a_set_of_which_nothing_is_known_has_no_best_pitch_and_says_so_once(tmp_path: Path) -> None:
    with Session(tmp_path / "log", create=True) as session:
        for name in ("P1", "P2"):
            session.journal.append(Chanter(name, kind="band", at_hand="yes"))
            session.journal.append(Order(name, name, target_pitch_hz=560.0, quantity=2))
        session.journal.append(Reed("K1", "cane", "B"))
    typed = Typed(tmp_path / "log")
    said = typed.say("allot", "--pitch-from", "556", "--pitch-to", "560")
    assert "chanters P1, P2 were never read with F and E" in said
    assert "short: P1, P2 each want 2, found 0" in said
    assert "at none from 556.0 to 560.0 Hz is a reed likely to end good" in said
    assert typed.json("allot", "--pitch-from", "556", "--pitch-to", "560")["best_pitch_hz"] is None


def test_the_table_on_the_screen_and_the_json_say_the_same(shop: Path) -> None:
    typed = Typed(shop)
    found = typed.json("allot", "A", "B")
    assert set(found) >= {"allotted", "short", "spare", "minutes"}
    keys = {"order", "chanter", "reed", "length_mm", "trims", "chance_good", "meet_pitch_hz", "minutes", "why"}
    assert set(found["allotted"][0]) >= keys
    lines = typed.say("allot", "A", "B").splitlines()
    assert lines[0].split() == ["order", "chanter", "reed", "crow", "read", "mm", "cuts", "meets", "Hz", "good", "%"]
    assert found["allotted"][0]["reed"] in lines[1]
    assert f"spare: {len(found['spare'])} reeds" in "\n".join(lines)
    assert "taken" not in found
    first = typed.json("allot", "A")
    again = typed.json("allot", "A", "--take")
    assert again == {**first, "taken": [one["reed"] for one in first["allotted"]]}
    assert "put to their orders now: " in typed.say("allot", "A", "B", "--take")
    assert "none of these orders wants more reeds than are in hand" in typed.say("allot", "A", "B")
    with pytest.raises(InputError, match="not in the log"):
        typed.say("allot", "nonesuch")
    with pytest.raises(InputError, match="one end of the pitches is missing"):
        typed.say("allot", "A", "--pitch-from", "474")
