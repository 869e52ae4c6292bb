"""A chanter's evidence against what was told of it and against its G octave; and what a ticket warns of."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.typed_words import Typed
from tests.opened import bench_on, lose_most_blanks, meeting_log, on, small_shop
from tests.worlds.hostile import make
from trimfit.base.pitch import hz_from_cents
from trimfit.base.records import Chanter, Event, Order, Outcome, Reading, Reed
from trimfit.log.journal import Journal
from trimfit.review.results import ChanterMap, Ticket
from trimfit.verbs.ask import ask_all
from trimfit.verbs.pick import HARDLY, chanter_pitch, in_work, pick, seen_of
from trimfit.verbs.predict import predict
from trimfit.verbs.reviews.chanters import MOST_SUITS, chanters
from trimfit.verbs.reviews.ticket import ticket_as_left
from trimfit.verbs.wording import spread


@pytest.fixture
def shop(demo_log: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(demo_log, tmp_path / "log"))


def of(log: Path, name: str, *, stock: bool = False) -> ChanterMap:
    (found,) = on(log, chanters, name, stock=stock)
    return found


def test_a_told_pitch_that_the_readings_do_not_bear_out_is_said(shop: Path) -> None:
    found = of(shop, "CH-15 set of twelve")
    assert found.meet_pitch_hz is not None
    with Journal(shop) as journal:
        told = journal.chanters()["CH-15 set of twelve"]
        journal.strike(journal.entry_of("chanter", told.chanter).entry, "told again")  # type: ignore[union-attr]
        journal.append(replace(told, meeting_pitch_hz=round(found.meet_pitch_hz.mean + 6.0, 1)))
    off = of(shop, "CH-15 set of twelve")
    assert not off.agrees
    told_hz = round(found.meet_pitch_hz.mean + 6.0, 1)
    assert f"does not agree: stated {told_hz}, reads 6." in off.why
    assert " lower" in off.why


def test_notes_never_read_are_left_out_and_three_reeds_that_agree_are_not_called_wide(tmp_path: Path) -> None:
    log = tmp_path / "log"
    small_shop(log, 3, lambda _: 0.1, rise=0.25)
    (found,) = on(log, chanters)
    assert {note.note for note in found.notes} == {"low_a", "e", "f", "high_a"}
    assert found.meet_pitch_hz is not None
    wide = found.meet_pitch_hz.high - found.meet_pitch_hz.low > 2.45
    assert "rests on 3 ridge reeds of 1 batch" in found.why
    assert ("so it is wide" in found.why) == wide
    assert not wide


def test_a_g_octave_that_never_comes_up_to_the_as_is_said(small_log: Path, tmp_path: Path) -> None:
    """Reeds at the meeting point whose overblown low G stays four hertz under low A: the reeds want to be sharper."""
    log = Path(shutil.copy(small_log, tmp_path / "log"))
    with Journal(log) as journal:
        journal.append(Chanter("odd"))
        for i, reed in enumerate(f"new-{i}" for i in range(8)):
            journal.append(Reed(reed, "soft moulded", "B-new"))
            low_a = 470.0 + 0.2 * i
            notes = {"low_a": low_a, "high_a": 2.0 * low_a + 0.3, "e": 1.5 * low_a, "f": low_a * 5 / 3}
            octave = (low_a - 4.0 + 0.1 * i) * 16 / 9
            journal.append(Reading(reed, f"2026-09-20T10:{i:02d}", "odd", 530.0, notes, g_octave_hz=octave))
    found = of(log, "odd")
    assert found.g_octave is not None
    assert found.g_octave.offset_hz.mean == pytest.approx(-3.65, abs=0.3)
    assert "the G octave reads" in found.why
    assert not found.agrees


def test_where_every_blank_has_an_order_those_count_as_stock(shop: Path) -> None:
    with Journal(shop) as journal:
        for name, reed in journal.reeds().items():
            if reed.order is None:
                journal.append(Outcome(name, "2026-09-21T10:00", "lost"))
        ordered = {history.reed.record.reed for history in journal.blanks() if history.reed.record.order}
        assert ordered
        laid = {reed for reed, outcome in journal.columns("outcome", ["reed", "outcome"]) if outcome == "to-stock"}
    found = on(shop, chanters)
    stock = {name for one in found for name in one.suits}
    assert stock & ordered
    assert stock <= ordered | laid
    # was: reeds of other orders stood there, as pick was said to have it
    for one in found:
        picked = {blank.reed for blank in on(shop, pick, one.stock_for)} if one.stock_for else laid
        assert set(one.suits) <= picked


def test_a_reed_once_laid_to_stock_and_handed_over_since_is_no_stock(shop: Path) -> None:
    with Journal(shop) as journal:
        lose_most_blanks(journal)
    (reed, *_) = of(shop, "CH-07 plain", stock=True).suits
    with Journal(shop) as journal:
        journal.append(Outcome(reed, "2026-09-21T10:00", "to-stock"))
    assert reed in of(shop, "CH-07 plain", stock=True).suits
    with Journal(shop) as journal:
        journal.append(Outcome(reed, "2026-09-22T10:00", "good"))
    assert reed not in of(shop, "CH-07 plain", stock=True).suits


def ticket(log: Path, reed: str) -> Ticket:
    with Journal(log) as journal:
        bench = bench_on(journal)
        record = journal.of_reed(reed).reed.record
        seen = bench.see_batch(record.reed_type, record.batch)[reed]
        return ticket_as_left(bench, seen)


def test_a_note_that_nobody_read_lies_where_a_chanter_can_have_it(tmp_path: Path) -> None:
    """Was: between -1,644,854 and +1,644,854 cents from its kind's."""
    make(tmp_path / "log", 4, 1, "e and f only")
    for found in on(tmp_path / "log", chanters):
        assert all(-200.0 < note.unusual_cents.low <= note.unusual_cents.high < 200.0 for note in found.notes)


def test_one_reed_that_answers_the_wrong_way_leaves_the_chanter_s_pitch_and_crow_where_chanters_are(
    tmp_path: Path,
) -> None:
    """Was: meets at 483.8 (374 to 625) Hz and asks for a crow of 9 to 9,208 Hz."""
    make(tmp_path / "log", 1, 1, "all the wrong way")
    read = of(tmp_path / "log", "Old")
    assert read.meet_pitch_hz is not None
    assert 440.0 < read.meet_pitch_hz.low < 460.0
    assert 476.0 < read.meet_pitch_hz.high < 500.0
    assert read.asked == ()


def test_a_ticket_warns_of_work_not_done_and_of_a_doubted_reading(shop: Path) -> None:
    (work,) = (caution for caution in ticket(shop, "R-0353").cautions if caution.startswith("work is not done: "))
    assert re.fullmatch(r"work is not done: next cut 0\.\d\d mm, 0\.\d+ mm in all \(0\.\d+ to 0\.\d+\)", work), work
    with Journal(shop) as journal:
        last = journal.of_reed("R-0351").readings[-1].record
        again = replace(last, taken_at="2026-09-25T10:00", remark=None)
        journal.append(again, doubts=["unforetold: F is high; is it right?"])
    assert "its last reading was marked as doubtful" in ticket(shop, "R-0351").cautions


def test_a_ticket_names_what_happened_since_the_last_reading_and_stays_as_it_left(shop: Path) -> None:
    with Journal(shop) as journal:
        journal.append(Outcome("R-0351", "2026-09-25T10:00", "good"))
    before = ticket(shop, "R-0351")
    with Journal(shop) as journal:
        journal.append(Event("R-0351", "2026-09-26T10:00", "dropped"))
    after = ticket(shop, "R-0351")
    assert after.cautions == ("not read since: dropped (2026-09-26 10:00)", *before.cautions)
    assert after.gap_cents == before.gap_cents


def test_a_ticket_of_a_reed_gone_past_says_so(shop: Path) -> None:
    with Journal(shop) as journal:
        history = journal.of_reed("R-0356")
        last = history.readings[-1].record
        for day in (25, 26, 27):
            notes = {**last.notes_hz, "f": last.notes_hz["f"] * 1.02, "e": last.notes_hz["e"] * 0.985}
            journal.append(replace(last, taken_at=f"2026-09-{day}T10:00", notes_hz=notes))
    found = ticket(shop, "R-0356")
    assert found.gap_cents is not None
    assert found.gap_cents.mean > 10.0
    assert any("past tolerance" in caution for caution in found.cautions)
    assert not any("work is not done" in caution for caution in found.cautions)


def test_the_stock_of_a_chanter_has_the_figures_of_pick_and_stands_by_what_is_shown(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """For the order of the chanter that is due first, where there is one; else wherever F and E meet."""
    with Journal(shop) as journal:
        lose_most_blanks(journal)
    found = on(shop, chanters)
    assert {one.chanter: one.stock_for for one in found} == {
        "CH-07 plain": "O-12",
        "CH-03 old flat": "O-11",
        "CH-11 sharp solo": "O-13",
        "CH-15 set of twelve": None,
        "CH-18 spare": None,
    }
    with Journal(shop) as journal:
        journal.append(Order("bare", "CH-18 spare"))
    for one in (*found, of(shop, "CH-18 spare", stock=True)):
        assert one.stock
        assert one.suits == tuple(reed.reed for reed in one.stock)
        order = one.stock_for or ("bare" if one.chanter == "CH-18 spare" else None)
        if order is not None:
            blanks = {blank.reed: blank for blank in on(shop, pick, order) if not blank.started}
            likely = [name for name, blank in blanks.items() if blank.chance_good >= HARDLY]
            assert list(one.suits) == likely[:MOST_SUITS]  # the first choices of pick, in its order
            assert one.stock_more == len(likely) - len(one.stock)
            for reed in one.stock:
                assert (reed.length_mm, reed.chance_good) == pytest.approx(
                    (blanks[reed.reed].length_mm, blanks[reed.reed].chance_good), abs=1e-6
                )
    sharp = next(one for one in found if one.stock_for == "O-13")
    monkeypatch.setattr("trimfit.verbs.reviews.chanters.chanters", lambda *_: found)  # as they were found above
    said = " ".join(Typed(shop).say("review", "chanters").split())
    assert (
        f"stock for O-13, as pick has it, mm to come off and the chance that it ends good: {sharp.stock_words(1)[0]},"
        in said
    )


def test_of_very_many_chanters_the_first_have_the_figures_of_pick(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trimfit.verbs.reviews.chanters.MOST_WITH_STOCK", 2)
    with Journal(shop) as journal:
        lose_most_blanks(journal)
    found = on(shop, chanters)
    assert [bool(one.stock) for one in found] == [True, True, False, False, False]
    assert all(one.suits for one in found)
    assert found[-1].stock_words(1) == [found[-1].suits[0]]
    with monkeypatch.context() as patch:
        patch.setattr("trimfit.verbs.reviews.chanters.chanters", lambda *_: found)
        assert "stock whose crow suits" in Typed(shop).say("review", "chanters")
    (last,) = on(shop, chanters, found[-1].chanter)
    assert last.stock


@pytest.mark.parametrize("stated_hz", [478.0, None])
@pytest.mark.parametrize("readings", [1, 2, 4])
def test_where_a_chanter_meets_is_one_figure_in_review_ask_rehearse_and_predict(
    tmp_path: Path, stated_hz: float | None, readings: int
) -> None:
    """Was: 472.5 (466.0 to 479.1) Hz in the review for one stated and asked at 478."""
    log = tmp_path / "log"
    meeting_log(log, stated_hz, readings=readings)
    found = of(log, "Band")
    meets = found.meet_pitch_hz
    assert meets is not None
    (of_type,) = found.by_type
    assert (of_type.meet_pitch_hz, of_type.reeds) == (meets, 6)
    with Journal(log) as journal:
        bench = bench_on(journal)
        order = journal.orders()["spring"]
        seen = seen_of(bench, in_work(journal, order), order)
        rehearsed = chanter_pitch(bench, order, seen[0])[0]
    asked = [advice.meet_pitch_hz for advice in on(log, ask_all) if advice.meet_pitch_hz is not None]
    assert len(asked) == 6
    near = 0.5 if stated_hz or readings > 1 else 1.5  # of a chanter known to some 12 Hz
    assert hz_from_cents(rehearsed) == pytest.approx(meets.mean, abs=near)
    assert sum(one.mean for one in asked) / 6 == pytest.approx(meets.mean, abs=near)
    if readings == 4:  # at the meeting point: what is read next is the pitch there
        for i in range(6):
            (row,) = on(log, predict, [(f"R-{i}", 0.0, 0.0)])
            assert 0.5 * (row.notes_hz["f"].mean * 3 / 5 + row.notes_hz["e"].mean * 2 / 3) == pytest.approx(
                meets.mean, abs=1.0
            )


def test_a_stated_pitch_narrows_what_few_readings_say_and_the_readings_alone_stand_beside_it(tmp_path: Path) -> None:
    meeting_log(tmp_path / "stated", 478.0)
    meeting_log(tmp_path / "not", None)
    stated, alone = (of(tmp_path / name, "Band") for name in ("stated", "not"))
    assert stated.meet_pitch_hz is not None
    assert alone.meet_pitch_hz is not None
    rests = "6 ridge reeds of 3 batches and on the pitch stated; the readings alone say"
    words = f"{rests} {spread(alone.meet_pitch_hz, 1)} Hz"
    assert words in stated.why
    assert "stated" not in alone.why


def test_reeds_of_several_types_are_counted_by_type_and_add_up(tmp_path: Path) -> None:
    log = tmp_path / "log"
    meeting_log(log, None, types=("cane", "ridge"), readings=4)
    with Journal(log) as journal:
        last = journal.of_reed("R-0").readings
        for one in last:  # one of cane without a crow
            journal.strike(one.entry, "again")
            journal.append(replace(one.record, crow_hz=None))
    found = of(log, "Band")
    assert [(one.reed_type, one.reeds) for one in found.by_type] == [("cane", 3), ("ridge", 3)]
    assert sum(one.reeds for one in found.by_type) == found.reeds
    said = " ".join(Typed(log).say("review", "chanters").split())
    assert "rests on 6 reeds of 2 types and 6 batches" in said
    assert re.search(r"asks cane for a crow of .* Hz, from 2 of 3 reeds, which meet at 4\d\d\.\d \(", said), said
    assert re.search(r"asks ridge for a crow of .* Hz, from 3 reeds, which meet at 4\d\d\.\d \(", said), said
