"""How many reeds an order is short, and how many to start: said in one way, whoever asks."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.cli.typed_words import Typed
from tests.opened import append_all, lose_most_blanks, meeting_log, on
from trimfit.base.errors import InputError
from trimfit.base.records import Chanter, Order, Outcome
from trimfit.planner.forecast import Forecast
from trimfit.session.reed_forecasts import forecast_of
from trimfit.session.session import Session
from trimfit.verbs.allot import allot
from trimfit.verbs.pick import Need, Pick, Picked, Sending, in_work, offered_by, picked, seen_of, take
from trimfit.verbs.rehearse import rehearse_order


@pytest.fixture(scope="module")
def shop(demo_log: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The learned demo shop with a quarter of its blanks; copied before anything is logged."""
    log = Path(shutil.copy(demo_log, tmp_path_factory.mktemp("picked") / "log"))
    with Session(log) as session:
        lose_most_blanks(session.journal)
    return log


AWAY = Sending(24, 0.9, 0.99, (0.0,) * 24, (0.33, 0.2), (0.33, 0.2))


@pytest.mark.parametrize(
    ("need", "said"),
    [
        (Need(19, 16, 26, 10, 0.9, 0.51), "you are 3 short; expect some of the 16 in hand to fail: start 10"),
        (
            Need(19, 16, 26, 10, 0.9, 0.51, past=1),
            "you are 3 short; expect some of the 16 in hand (1 past already) to fail: start 10",
        ),
        (Need(2, 2, 2, 0, 0.9, 0.4, past=1), "2 in hand for 2, 1 of them past already"),
        (Need(16, 16, 21, 5, 0.9, 0.9), "16 in hand for 16; expect some of the 16 in hand to fail: start 5"),
        (
            Need(3, 2, 4, 2, 0.99, 0.042),
            "you are 1 short; with a chance of 4 % one or more of the 2 in hand fail: start 2",
        ),
        (Need(1, 1, 2, 1, 0.9, 0.3), "1 in hand for 1; with a chance of 30 % the one in hand fails: start 1"),
        (Need(1, 1, 2, 1, 0.9, 0.6), "1 in hand for 1; expect the one in hand to fail: start 1"),
        (Need(3, 0, 4, 4, 0.9, 0.3), "you are 3 short; with a chance of 30 % one or more fail: start 4"),
        (Need(1, 0, 2, 2, 0.83, 0.41), "you are 1 short; with a chance of 41 % the first fails: start 2"),
        (Need(3, 0, 6, 6, 0.9, 0.7), "you are 3 short; expect some to fail: start 6"),
        (Need(3, 0, 3, 3, 0.9, 0.6), "you are 3 short: start 3"),
        (
            Need(3, 4, 24, 20, 0.9, sending=AWAY),
            "4 in hand for 3; its chanter is away, so that 24 would be sent in all, the most that trimfit considers: "
            "start 20",
        ),
        (Need(5, 0, 5, 5, 0.9, 0.3, free_blanks=5), "you are 5 short: start 5"),
        (Need(5, 0, 5, 5, 0.9, 0.3, free_blanks=4), "you are 5 short: start 5, of which 4 are free"),
        (Need(5, 0, 5, 5, 0.9, 0.3, free_blanks=1), "you are 5 short: start 5, of which 1 is free"),
        (Need(5, 0, 5, 5, 0.9, 0.3, free_blanks=0), "you are 5 short: start 5, of which none is free"),
        (Need(3, 0, 9, None, None), "you are 3 short; hardly any of these would be good"),
        (Need(0, 2, 0, 0, 1.0), "none is wanted"),
        (None, "the order names no number"),
    ],
)
def test_how_many_an_order_is_short(need: Need | None, said: str) -> None:
    assert Picked(Order("O", "CH"), (), None, (), need).shortage() == said


def test_the_chance_that_some_in_hand_fail_is_theirs(shop: Path) -> None:
    with Session(shop) as session:
        for name in ("O-11", "O-12"):
            found = picked(session, name)
            assert found.need is not None
            bench = session.bench()
            seen = seen_of(bench, in_work(session.journal, found.order), found.order)
            good = [one.good for one in forecast_of(bench, [(one, bench.aim(one, found.order)) for one in seen])]
            assert found.need.chance_fail == pytest.approx(1.0 - np.prod(good))


def blanks(*started: bool) -> Picked:
    found = tuple(
        Pick(f"R-{i}", 0.5, 2.0, 0.9, None, "", order="O" if one else None, started=one)
        for i, one in enumerate(started, 1)
    )
    return Picked(Order("O", "CH"), found, 1, (), Need(1, 0, 2, 2, 0.9))


def test_where_fewer_blanks_are_free_than_are_to_be_started_every_screen_says_so(shop: Path, tmp_path: Path) -> None:
    """Was: `start 27` of 19 free blanks, and with no blank free `the order names no number`."""
    log = Path(shutil.copy(shop, tmp_path / "log"))
    typed = Typed(log)
    with Session(log) as session:
        session.journal.append(Order("many", "CH-07 plain", quantity=25))
        found, run, allotted = picked(session, "many"), rehearse_order(session, "many"), allot(session, ["many"])
        free = len(found.blanks)
        assert found.shortage() == run.shortage
        assert run.shortage.endswith(f": start {run.to_start}, of which {free} are free")
        assert (run.free_blanks, run.draws) == (free, run.to_start)
        assert [one.free_blanks for one in allotted.starts] == [free]
        assert allotted.starts_words().endswith(f"; {free} reeds are free for all orders")
    assert f"more such, {run.draws} in all" in " ".join(typed.say("rehearse", "many").split())
    with Session(log) as session:
        append_all(session.journal, [Outcome(one.reed, "2026-09-18T10:00", "lost") for one in found.blanks])
        found, run = picked(session, "many"), rehearse_order(session, "many")
        assert (found.blanks, found.shortage()) == ((), run.shortage)
        assert run.shortage.endswith(", of which none is free")
    assert f"many: {' '.join(run.shortage.split()[:4])}" in typed.say("pick", "many")


def test_no_blank_is_to_be_started_where_hardly_any_would_be_good(shop: Path, tmp_path: Path) -> None:
    """Was: `above the line: start these`, and on the page they were ticked, beside `hardly any of these would be good`;
    and of an order of a weight, how sure it is with no word of reeds whose weight nobody said."""
    log = Path(shutil.copy(shop, tmp_path / "log"))
    with Session(log) as session:
        session.journal.append(Order("high", "CH-07 plain", target_pitch_hz=490.0, quantity=2))
        session.journal.append(Order("hard", "CH-07 plain", weight="hard", quantity=2))
        found = picked(session, "high")
        assert "more reeds hardly help: in CH-07 plain a usual reed is predicted to meet at " in found.shortage()
        assert found.start_and_shown()[0] is None
        (short,) = allot(session, ["high"]).short
        assert short.why.startswith("the best reed left")
        (short,) = allot(session, ["high", "O-12"], begun=True).short
        assert short.order == "high"
        run = rehearse_order(session, "hard")
        note = f"nobody said of {run.draws} of these reeds whether they are hard: the shares do not count it"
        assert run.notes == (note,)
    typed = Typed(log)
    assert "start these" not in typed.say("pick", "high")
    assert max(map(len, typed.say("rehearse", "high").splitlines())) <= 80


def test_what_is_of_one_reed_by_itself_is_called_so_where_many_are_sent(shop: Path, tmp_path: Path) -> None:
    """Was: 28 % in `pick` beside 25 % in `rehearse`, and nothing said of what."""
    log = Path(shutil.copy(shop, tmp_path / "log"))
    with Session(log) as session:
        append_all(session.journal, [Chanter("Far", at_hand="no"), Order("letter", "Far", quantity=3)])
        note = "letter: the chance to end good is of one reed by itself; "
        assert any(one.startswith(note) for one in picked(session, "letter").notes)
        assert any(one.startswith(note) for one in allot(session, ["letter"]).notes)
        assert not any("by itself" in one for one in allot(session, ["O-12"]).notes)


def test_reeds_in_work_for_the_order_are_no_free_blanks() -> None:
    assert blanks(False, True, False).counted() == "2 free blanks, and 1 in work for it that was not cut yet"
    assert blanks(False).counted() == "1 free blank"
    assert blanks(True).counted() == "no free blank, and 1 in work for it that was not cut yet"
    # of those shown, 8 are free: the 2 to start and 6 more
    found = blanks(True, *[False] * 5, True, *[False] * 5)
    start, shown = found.start_and_shown()
    assert (start, [one.reed for one in shown]) == (2, [f"R-{i}" for i in range(1, 11)])
    assert found.start_and_shown(everything=True)[1] == found.blanks


def test_so_many_may_be_taken_as_are_said_to_be_free(shop: Path, tmp_path: Path) -> None:
    log = Path(shutil.copy(shop, tmp_path / "log"))
    with Session(log) as session:
        found = picked(session, "O-12")
        own = {h.reed.record.reed for h in in_work(session.journal, found.order) if not h.trims}
        assert own
        assert {one.reed for one in found.blanks if one.started} == own
        free = [one.reed for one in found.free()]
        assert own.isdisjoint(free)
        with pytest.raises(InputError, match=f"only {len(free)} blanks are free"):
            take(session, found, len(free) + 1)
        assert take(session, found, len(free)) == free
        # once all are in work for it none is free, and one that is put to stock is free again
        none = picked(session, "O-12")
        with pytest.raises(InputError, match="no blank is free"):
            take(session, none, 1)
        session.journal.append(Outcome(free[0], "2026-09-18T16:30", "to-stock"))
        assert [one.reed for one in picked(session, "O-12").free()] == [free[0]]
        assert take(session, picked(session, "O-12"), 1) == [free[0]]


def test_the_rule_stands_under_as_many_free_blanks_as_are_to_be_started(shop: Path) -> None:
    typed = Typed(shop)
    with Session(shop) as session:
        found = picked(session, "O-12")
    said = typed.say("pick", "O-12")
    above = said.split("\n---")[0].splitlines()[1:]
    assert sum("in work" not in line for line in above) == found.to_start
    assert any("in work" in line for line in above)
    assert f"{found.counted()}, the fewest minutes" in " ".join(said.split())


@pytest.mark.parametrize("order", ["O-11", "O-12", "O-13"])
def test_the_rows_stand_by_the_minutes_that_are_shown(demo_log: Path, order: str) -> None:
    head, *rows = Typed(demo_log).say("pick", order, "--all").splitlines()
    at = head.index("minutes")
    cells = [row[at : at + len("minutes")].strip() for row in rows]
    shown = [
        int(cell) for cell in cells[: next(i for i, row in enumerate(rows) if "free blanks" in row)] if cell.isdigit()
    ]
    assert len(shown) > 50
    assert shown == sorted(shown)


def test_blanks_are_offered_by_the_minutes_shown_then_the_shorter_length_shown_then_names() -> None:
    """Was: by minutes never shown, so that a list of 17 minutes each looked in no order."""
    of = Forecast(0.9, 0.0, 1.0, 1.0, 0.3, 0.0, 0.0, 12.0, 12.0)
    shown = [
        offered_by(replace(of, need_mm=0.1), 12.34, "R-2"),
        offered_by(of, 12.31, "R-1"),
        offered_by(of, 12.6, "R"),
    ]
    assert shown == sorted(shown)
    unseen = [offered_by(replace(of, need_mm=0.304), 12.0, "R-1"), offered_by(of, 12.0, "R-2")]
    assert unseen == sorted(unseen)
    alike = [
        offered_by(replace(of, need_mm=0.1), 12.0, "R-9"),
        *(offered_by(of, 12.0, name) for name in ("R-2", "R-10")),
    ]
    assert alike == sorted(alike)


@pytest.mark.parametrize("readings", [1, 2])
@pytest.mark.parametrize("stated_hz", [478.0, None])
def test_no_number_is_said_where_it_is_not_known_whether_reeds_meet_at_the_pitch_ordered(
    tmp_path: Path, readings: int, stated_hz: float | None
) -> None:
    """Was: start 27, of which 2 are free, for 2 short in a chanter at hand."""
    log = tmp_path / "log"
    meeting_log(log, stated_hz, readings=readings)
    found, run = on(log, picked, "spring"), on(log, rehearse_order, "spring")
    assert (found.to_start, run.to_start, run.chance_enough) == (None, None, None)
    assert found.shortage() == run.shortage
    assert "more reeds hardly help: " in run.shortage
    assert re.search(r": finish one (reed there|first), which tells (it|more), or ", run.shortage), run.shortage
    assert "start" not in run.shortage
