"""What `ask` may say of a reed, and on what readings: nothing that sounds measured before it was."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.typed_words import Typed
from tests.opened import lose_most_blanks, on
from trimfit.base import iso_dates
from trimfit.base.answers import Advice
from trimfit.base.errors import InputError
from trimfit.base.pitch import hz_from_cents
from trimfit.base.plain_words import chance_words, signed
from trimfit.base.records import Chanter, Event, Order, Outcome, Reading, Reed, Trim
from trimfit.cli.ask import work_list
from trimfit.log.journal import Journal
from trimfit.verbs.ask import ask_all, ask_reed
from trimfit.verbs.learn import learn
from trimfit.verbs.log import log_reading, log_trim
from trimfit.verbs.other_orders import elsewhere
from trimfit.verbs.pick import pick
from trimfit.verbs.predict import predict
from trimfit.verbs.rehearse import rehearse_order
from trimfit.verbs.reviews.chanters import chanters
from trimfit.verbs.reviews.ticket import write_tickets
from trimfit.verbs.wording import advice_lines

AS_E, AS_F = 3 / 2, 5 / 3
LOW_A_HZ = 470.0


def reading(reed: str, at: str, gap_cents: float, **more: object) -> Reading:
    """A reading with F and E so far apart around 470 Hz as low A."""
    middle = 1200.0 * 0.0952  # cents from 440 Hz to 470 Hz, near enough
    f_hz, e_hz = hz_from_cents(middle + gap_cents / 2) * AS_F, hz_from_cents(middle - gap_cents / 2) * AS_E
    notes = {"f": f_hz, "e": e_hz, "low_a": LOW_A_HZ, "high_a": 2.0 * LOW_A_HZ}
    return replace(Reading(reed, at, "Old", 525.0, notes), **more)


@pytest.fixture
def first_week(tmp_path: Path) -> Path:
    """A maker with five blanks, one chanter, and nothing in the log but what he means to make."""
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(Order("band", "Old", quantity=5, pressure_kpa=6.7))
        for name in ("1", "2", "3", "10", "11"):
            journal.append(Reed(name, "moulded", "A", blade_mm=22.0, order="band"))
    return path


def asked_then(path: Path, reed: str, **more: str) -> Advice:
    """What was to be answered at the moment of the reed's last entry."""
    with Journal(path) as journal:
        history = journal.of_reed(reed)
    last_s = max(entry.at_s for entry in (*history.readings, *history.trims))
    return on(path, ask_reed, reed, at_s=last_s, **more)


def test_a_reed_read_in_no_chanter_is_answered_with_a_word_of_that(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(Reed("free", "moulded", "A", blade_mm=22.0))
        entry = journal.append(reading("free", "2026-01-03T10:00", -20.0, chanter=None)).entry
    (note,) = (note for note in asked_then(first_week, "free").notes if "chanter" in note)
    assert note.startswith("no chanter was named, so this is as in a chanter like the shop's on average: name it")
    Typed(first_week).say("log", "amend", entry, "chanter=Old")
    assert f"log amend {entry} chanter=NAME" in note
    assert "no chanter was named" not in asked_then(first_week, "free").why


def test_where_no_cut_is_left_a_reed_is_read_once_more_before_it_is_called_finished(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-01-03T10:00", -20.0))
    advice = replace(asked_then(first_week, "1"), action="read-again", trims_left=0.0)
    assert advice_lines(advice)[0] == "> read it once more before you call it finished"
    assert advice_lines(replace(advice, chance_past=0.8))[0] == "> read it once more before you give it up"
    assert advice_lines(replace(advice, trims_left=1.0))[0] == "> read it again before the next cut"


def test_past_is_said_of_a_cut_or_of_the_reed_as_it_is(first_week: Path) -> None:
    """Was: "chance of going past 27 %" of a reed that is to be read, which takes nothing off."""
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-01-03T10:00", -50.0))
    cut = replace(asked_then(first_week, "1"), action="trim", length_mm=0.3, chance_past=0.27)
    read = replace(cut, action="read-again", length_mm=0.0)
    assert any("chance of going past 27 %" in line for line in advice_lines(cut))
    assert any("chance it is past now 27 %" in line for line in advice_lines(read))
    foot = " ".join(line.strip() for line in work_list([cut, read]))
    assert "past %, of a cut: the chance that the reed goes past with it; else that it is past now" in foot


def test_a_reed_never_read_is_sent_to_the_chanter(first_week: Path) -> None:
    advice = on(first_week, ask_reed, "2")
    assert (advice.action, advice.gap_read, advice.length_mm) == ("read-again", False, 0.0)
    assert advice.gap_now_cents is not None
    assert advice.meet_pitch_hz is not None
    assert advice.trims_left > 0.5
    lines = advice_lines(advice)
    assert lines == ["> read it first", "  not read yet: take F, E, both A's and the crow in Old"]
    assert advice.why == "not read yet: take F, E, both A's and the crow in Old"


def test_a_crow_alone_is_no_reading_of_f_and_e(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(Reading("2", "2026-03-01", "Old", 523.0))
        journal.append(Reading("3", "2026-03-01", "Old", 523.0, {"f": 780.0}))
        journal.append(replace(reading("10", "2026-03-01", -40.0), taped=("f",)))
    for reed, said in (
        ("2", "only its crow was read"),
        ("3", "its F and E were never read together"),
        ("10", "its F and E were never read together untaped"),
    ):
        advice = on(first_week, ask_reed, reed)
        assert (advice.action, advice.gap_read) == ("read-again", False)
        assert advice.why.startswith(said)


def test_a_first_week_is_all_work_in_the_order_of_counting(first_week: Path) -> None:
    work = on(first_week, ask_all)
    assert [advice.reed for advice in work] == ["1", "2", "3", "10", "11"]
    assert {advice.action for advice in work} == {"read-again"}
    assert all(advice.trims_left > 0.5 for advice in work)


def test_what_an_answer_is_about_stands_beside_it(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(reading("2", "2026-03-01", -40.0))
    advice = asked_then(first_week, "2")
    assert (advice.reed_type, advice.batch, advice.chanter) == ("moulded", "A", "Old")
    assert (advice.quantity, advice.pressure_kpa, advice.due_on, advice.outcome) == (5, 6.7, None, None)
    assert "its last reading names no pressure: taken as the bench's 6.0 kPa" in advice.why
    assert any("at 6.7 kPa" in line for line in advice_lines(advice))


def near_the_end(path: Path, reed: str, *gaps: float, cut_last: bool = False, doubted: bool = False) -> None:
    with Journal(path) as journal:
        for day, gap in enumerate(gaps, 1):
            doubts = ("is it right?",) if doubted else ()
            journal.append(reading(reed, f"2026-03-{day:02d}", gap, pressure_kpa=6.7), doubts=doubts)
        if cut_last:
            journal.append(Trim(reed, f"2026-03-{len(gaps) + 1:02d}", 0.01))


def test_finished_and_past_stand_on_readings(first_week: Path) -> None:
    near_the_end(first_week, "1", 0.0, 0.0, 0.0)
    near_the_end(first_week, "2", 30.0, 30.0)
    assert asked_then(first_week, "1").action == "finished"
    assert "within tolerance" in asked_then(first_week, "1").why
    assert asked_then(first_week, "2").action == "past"


def test_nothing_is_given_up_on_one_doubtful_reading(first_week: Path) -> None:
    near_the_end(first_week, "2", 30.0, doubted=True)
    advice = on(first_week, ask_reed, "2")
    assert advice.action == "read-again"
    assert "the one reading since the last cut is doubtful" in advice.why


@pytest.mark.usefixtures("exact_policies")
def test_a_reed_whose_readings_creep_one_way_is_read_again_until_they_do_not(first_week: Path) -> None:
    """Was: a cut on their mean, as if the reed were settled."""

    def read(reed: str, *gaps: float) -> Advice:
        with Journal(first_week) as journal:
            for minute, gap in enumerate(gaps):
                journal.append(reading(reed, f"2026-01-03T10:{10 + 5 * minute}", gap))
        return asked_then(first_week, reed)

    creeping = read("1", -60.0, -50.0, -45.0)
    assert creeping.action == "read-again"
    assert "the readings creep one way (F less E -60, -50, -45 cents): let it warm and settle" in creeping.why
    settled = read("2", -60.0, -50.0, -45.0, -45.5, -44.8)
    assert settled.action == "trim"
    assert read("3", -45.5, -44.5, -45.0).action == "trim"
    long = read("10", *(-60.0 + 5.0 * i for i in range(6)))
    assert "creep one way" not in long.reason, "no reed is read for ever"


@pytest.mark.usefixtures("exact_policies")
def test_of_two_readings_far_apart_a_third_decides_before_a_cut(first_week: Path) -> None:
    """Was: a cut of 0.6 mm right after a reading that said that a third of it would do."""

    def read(minute: int, gap: float) -> Advice:
        with Journal(first_week) as journal:
            journal.append(reading("1", f"2026-01-03T10:{minute}", gap))
        return asked_then(first_week, "1")

    assert read(10, -64.0).action == "trim"
    apart = read(15, -19.0)
    assert apart.action == "read-again"
    assert "differ by 45 cents" in apart.why
    assert "read once more" in apart.why
    assert read(20, -63.5).action == "trim"


def test_a_reed_cut_and_not_read_since_is_read_before_it_is_handed_over(first_week: Path) -> None:
    near_the_end(first_week, "1", 0.0, 0.0, 0.0, cut_last=True)
    advice = asked_then(first_week, "1")
    assert advice.action == "read-again"
    assert "this is predicted: F and E were not read in Old as it is now" in advice.why


def test_a_reed_is_read_in_its_own_chanter_before_it_is_handed_over(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(Chanter("New", at_hand="yes"))
        journal.append(Order("other", "New"))
        journal.append(Reed("30", "moulded", "A", blade_mm=22.0, order="other"))
    near_the_end(first_week, "30", 60.0, 60.0)
    advice = asked_then(first_week, "30")
    assert advice.action == "read-again"
    assert "its F and E were never read in New" in advice.why
    assert asked_then(first_week, "30", order="band").action == "past"


def test_no_fit_needs_an_interval_clear_of_the_target(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(Order("high", "Old", target_pitch_hz=474.0))
        journal.append(Reed("20", "moulded", "A", blade_mm=22.0, order="high"))
        journal.append(reading("20", "2026-03-01", -50.0))
    advice = asked_then(first_week, "20")
    assert advice.meet_pitch_hz is not None
    assert advice.meet_pitch_hz.low < 474.0 < advice.meet_pitch_hz.high
    assert advice.action == "trim"
    assert "whether it will meet at the pitch asked for shows nearer the end" in advice.why
    assert advice.chance_within is not None
    lines = " ".join(line.strip() for line in advice_lines(advice))
    assert f"of ending good at the 474.0 Hz asked for {chance_words(advice.chance_within)}" in lines
    assert ", lip strokes of later steps not counted" in lines
    there = replace(advice, target_pitch_hz=advice.meet_pitch_hz.mean)
    assert "strokes of later steps" not in " ".join(advice_lines(there))


def test_a_reed_that_left_the_bench_is_said_to_have_left(first_week: Path) -> None:
    near_the_end(first_week, "1", 0.0, 0.0, 0.0)
    with Journal(first_week) as journal:
        entry = journal.append(Outcome("1", "2026-03-21", "good")).entry
    advice = on(first_week, ask_reed, "1")
    assert advice.outcome == "good"
    assert advice.gap_now_cents == on(first_week, ask_reed, "1", at_s=iso_dates.asked_s("2026-03-21")).gap_now_cents
    said = advice_lines(advice)
    assert said[:3] == [
        "> left the bench: good",
        "  It is good; to work on it again:",
        f"    trimfit log strike {entry}",
    ]
    assert said[3].startswith("  as it left: F ")
    assert not any(
        word in " ".join(said)
        for word in ("chance of going past", "it is past now", "cut left", "moved by itself", "read it")
    )
    with Journal(first_week) as journal:
        journal.append(Event("1", "2026-03-22T10:00", "dropped"))
        journal.append(reading("1", "2026-03-23T10:00", -20.0))
    assert on(first_week, ask_reed, "1") == advice
    for outcome in ("lost", "to-stock"):
        left = advice_lines(replace(advice, outcome=outcome, action="past"))
        assert left[1] == "  to work on it again:"
        assert left[3].startswith("  then: past")


@pytest.mark.parametrize("outcome", ["good", "lost", "to-stock"])
def test_of_a_reed_that_left_with_work_undone_no_cut_is_said(first_week: Path, outcome: str) -> None:
    """Was: the action trim, and where the gap is after the cut."""
    near_the_end(first_week, "1", -40.0, -40.0)
    as_asked = asked_then(first_week, "1")
    assert as_asked.action == "trim"
    with Journal(first_week) as journal:
        journal.append(Outcome("1", "2026-03-21", outcome))
    advice = on(first_week, ask_reed, "1")
    assert (advice.action, advice.length_mm, advice.trims_left, advice.reason) == (
        "finished",
        0,
        0,
        "it left the bench",
    )
    assert (advice.gap_after_cents, advice.chance_within) == (advice.gap_now_cents, None)
    said = " ".join(advice_lines(advice))
    assert ("as it left: F " in said) == (outcome != "to-stock")
    assert "F 40 cents under E" in said or "F 39 cents under E" in said
    assert not any(word in said for word in ("after the cut", "then:", "cut left", "take off"))
    assert on(first_week, ask_reed, "1", order="band").action == "read-again"  # as if for it, months later


def test_of_a_reed_with_two_outcomes_all_strikes_are_named(first_week: Path) -> None:
    """After a merge two may stand; of one that was struck the other still had it gone."""
    near_the_end(first_week, "1", 0.0, 0.0, 0.0)
    with Journal(first_week) as journal:
        for day, outcome in (("2026-03-21", "good"), ("2026-03-22", "lost")):
            journal.append(Outcome("1", day, outcome))
    said = advice_lines(on(first_week, ask_reed, "1"))
    assert said[1] == "  to work on it again, strike all 2:"
    with Journal(first_week) as journal:
        for line in said[2:4]:
            journal.strike(line.split()[-1], "not yet")
    assert on(first_week, ask_reed, "1").outcome is None


def test_an_answer_that_rests_on_an_entry_that_lies_ahead_says_so(first_week: Path) -> None:
    near_the_end(first_week, "1", 0.0)
    assert "lies ahead" not in on(first_week, ask_reed, "1").why
    with Journal(first_week) as journal:
        journal.append(reading("1", "2062-03-23T10:00", -20.0))
    assert "it rests on an entry that lies ahead, the reading of 2062-03-23 10:00" in on(first_week, ask_reed, "1").why
    then = on(first_week, ask_reed, "1", at_s=iso_dates.asked_s("2026-03-31"))
    assert "lies ahead" not in then.why


def test_where_readings_are_dear_a_shop_that_knows_type_and_chanter_cuts_by_the_crow_and_says_so(
    demo_log: Path, tmp_path: Path
) -> None:
    log = tmp_path / "dear.trimfit"
    shutil.copyfile(demo_log, log)
    usual = [advice for advice in on(log, ask_all) if not advice.gap_read]
    assert {advice.action for advice in usual} == {"read-again"}
    with Journal(log) as journal:
        journal.set_setting("minutes_per_reading", "8")
    by_crow = [on(log, ask_reed, advice.reed) for advice in usual]
    assert "trim" in {advice.action for advice in by_crow} <= {"trim", "read-again"}
    for advice in by_crow:
        if advice.action == "trim":
            assert "only its crow was read" in advice.notes
            assert advice.gap_after_cents is not None
            assert advice.gap_after_cents.mean < -5.0
            assert advice.chance_past is not None
            assert advice.chance_past <= 0.01


def test_the_first_reed_of_a_shop_meets_where_chanters_do(first_week: Path) -> None:
    """Was: 439.8 to 491.7 Hz, pitches that no chanter has."""
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-03-01T10:00", -50.0))
    meets = asked_then(first_week, "1").meet_pitch_hz
    assert meets is not None
    assert 450.0 < meets.low < 458.0
    assert 475.0 < meets.high < 485.0


def test_a_new_type_meets_where_the_chanters_other_types_did(demo_log: Path, tmp_path: Path) -> None:
    """Was: 455 to 493 Hz in a chanter whose pitch other types' reeds had given to a tenth."""
    log = tmp_path / "log"
    shutil.copy(demo_log, log)
    with Journal(log) as journal:
        journal.append(Reed("N1", "novel", "first", blade_mm=22.0, order="O-12"))
        journal.append(reading("N1", "2026-09-18T16:00", -50.0, chanter="CH-07 plain"))
    meets = on(log, ask_reed, "N1").meet_pitch_hz
    (known,) = on(log, chanters, "CH-07 plain")
    assert meets is not None
    assert known.meet_pitch_hz is not None
    assert meets.low < known.meet_pitch_hz.mean < meets.high
    assert meets.high - meets.low < 8.0


def test_the_second_cut_of_a_shop_is_no_more_than_twice_the_first(first_week: Path) -> None:
    """Was: 1.38 mm after a cut of 0.2. A later cut is unknown to an answer as of an earlier moment."""
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-03-01T10:00", -52.0))
        journal.append(Trim("1", "2026-03-01T10:05", length_mm=0.2))
        journal.append(reading("1", "2026-03-01T10:10", -48.0))
    assert asked_then(first_week, "1").length_mm == pytest.approx(0.4)
    with Journal(first_week) as journal:
        then_s = journal.of_reed("1").readings[-1].at_s
        journal.append(Trim("1", "2026-03-01T10:15", length_mm=0.9))
    assert on(first_week, ask_reed, "1", at_s=then_s).length_mm == pytest.approx(0.4)


def test_a_cut_longer_than_any_logged_is_called_bold(demo_log: Path, demo_advice: list[Advice]) -> None:
    cuts = [advice for advice in demo_advice if advice.action == "trim" and advice.length_mm]
    assert cuts
    with Journal(demo_log) as journal:
        longest = {
            name: max(journal.latest_amounts("length_mm", name), default=0.0)
            for name in {advice.reed_type for advice in cuts}
        }
    for advice in cuts:
        assert ("longer than any cut logged" in advice.why) == (advice.length_mm > longest[advice.reed_type])


def test_numbers_as_they_are_said() -> None:
    assert [signed(value, 1) for value in (-0.04, 0.04, -1.25, 2.0)] == ["0.0", "0.0", "-1.2", "+2.0"]
    assert [chance_words(chance) for chance in (0.0003, 0.004, 0.0334, 0.4)] == [
        "under 0.1 %",
        "0.4 %",
        "3 %",
        "40 %",
    ]


def test_a_logged_event_is_named_in_the_reason(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-03-01T10:00", -20.0))
        journal.append(Event("1", "2026-03-02T09:30", "soaked"))
    said = on(first_week, ask_reed, "1", at_s=iso_dates.at_s("2026-03-02T09:31"))
    assert said.action == "read-again"
    gap = said.gap_now_cents
    assert gap is not None
    assert gap.high - gap.low > 80.0, "by any amount, and not as it was read before"
    assert said.chance_past > 0.1
    assert "logged as soaked 2026-03-02 09:30: F and E were not read since, and may stand anywhere" in said.why
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-03-02T10:00", -12.0))
    again = asked_then(first_week, "1")
    assert "soaked 2026-03-02 09:30: what was read before that tells how it" in again.why
    assert again.gap_now_cents is not None
    assert again.gap_now_cents.mean == pytest.approx(-12.0, abs=3.0)
    assert again.gap_now_cents.high - again.gap_now_cents.low < 25.0
    with Journal(first_week) as journal:
        for minute in (2, 4):
            journal.append(reading("1", f"2026-03-02T10:0{minute}", -12.0))
    assert "soaked" not in asked_then(first_week, "1").why
    assert (said.moved_cents, again.moved_cents) == (None, None), "what the soaking did is not by itself"
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-03-03T10:00", -12.0))
    assert asked_then(first_week, "1").moved_cents is not None


def test_after_an_event_a_reading_counts_though_f_alone_stands_elsewhere(first_week: Path) -> None:
    """Was: F 27 cents under E (-73 to +21) of a reed that was said to have moved and then read 48 under: F had moved
    and not E, as no movement of the model does, and the reading was thought a slip."""
    with Journal(first_week) as journal:
        for day in (1, 3):
            journal.append(reading("1", f"2026-03-0{day}T10:00", -20.0))
        journal.append(Event("1", "2026-03-04T09:30", "moved"))
        for minute in (0, 3):
            moved = reading("1", f"2026-03-04T10:0{minute}", -20.0)
            notes = {**moved.notes_hz, "f": moved.notes_hz["f"] * 2.0 ** (-24.0 / 1200.0)}
            journal.append(replace(moved, notes_hz=notes))
            said = on(first_week, ask_reed, "1", at_s=iso_dates.at_s(f"2026-03-04T10:0{minute + 1}"))
            assert said.gap_now_cents is not None
            assert said.gap_now_cents.mean == pytest.approx(-44.0, abs=3.0)
            assert said.gap_now_cents.high - said.gap_now_cents.low < 15.0
            assert "contradict" not in said.why
    on(first_week, learn)
    said = on(first_week, ask_reed, "1", at_s=iso_dates.at_s("2026-03-04T10:05"))
    assert said.gap_now_cents is not None
    assert said.gap_now_cents.mean == pytest.approx(-44.0, abs=3.0)
    # a slip is one there, too: its gap is what no event does
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-03-04T10:10", 120.0))
    slipped = on(first_week, ask_reed, "1", at_s=iso_dates.at_s("2026-03-04T10:11")).gap_now_cents
    assert slipped is not None
    assert slipped.mean < -20.0


@pytest.mark.parametrize("day", ["2026-04-01", "2026-06-01", "2026-08-01", "2026-12-01"])
def test_what_a_reed_that_lay_may_have_moved_is_no_more_than_what_is_not_known_of_its_gap(
    first_week: Path, day: str
) -> None:
    """Was: 9 cents either way beside a gap known to 14, and after two months more 22 beside 19."""
    with Journal(first_week) as journal:
        for minute in range(5):
            journal.append(reading("1", f"2026-03-01T10:0{minute}", -40.0))
    said = on(first_week, ask_reed, "1", at_s=iso_dates.at_s(f"{day}T10:00"))
    gap, moved = said.gap_now_cents, said.moved_cents
    assert gap is not None
    assert moved is not None
    assert 0.9 * (gap.high - gap.low) < moved.high - moved.low < gap.high - gap.low


def test_an_event_between_two_readings_of_one_hour_counts(first_week: Path) -> None:
    with Journal(first_week) as journal:
        for at in ("15:00", "15:04"):
            journal.append(reading("1", f"2026-03-01T{at}", -25.0))
        journal.append(Event("1", "2026-03-01T15:20", "soaked"))
        journal.append(reading("1", "2026-03-01T15:40", -5.0))
    said = on(first_week, ask_reed, "1", at_s=iso_dates.at_s("2026-03-01T15:41"))
    gap = said.gap_now_cents
    assert "differ" not in said.why
    assert said.moved_cents is None
    assert gap is not None
    assert gap.mean == pytest.approx(-5.0, abs=2.0)


def test_asked_as_of_a_moment_the_answer_is_the_one_of_then(tmp_path: Path, demo_log: Path) -> None:
    """What was logged since, of the reed and of those beside it, changes nothing; without a moment it does."""
    log, before = tmp_path / "log", tmp_path / "before"
    shutil.copy(demo_log, before)
    with Journal(before) as journal:
        lose_most_blanks(journal)
        lose_most_blanks(journal)
    shutil.copy(before, log)
    at_s = iso_dates.asked_s("2026-09-18T12:00")
    with Journal(log) as journal:
        (reed, *_), order = journal.of_reeds(None, open_only=True), "O-12"
        name = reed.reed.record.reed
        last = reed.readings[-1].record
        raised = {note: 1.01 * hz for note, hz in last.notes_hz.items()}
        journal.append(replace(last, taken_at="2026-09-18T12:00:01", notes_hz=raised))
        journal.append(Event(name, "2026-09-19", "soaked"))
        (other, *_) = [h.reed.record.reed for h in journal.of_reeds(None, open_only=True) if h.reed.record.reed != name]
        journal.append(Outcome(other, "2026-09-18T13:00", "lost"))
        blank = journal.blanks()[0].reed.record.reed
        journal.append(Trim(blank, "2026-09-18T14:00", length_mm=0.2))
        then = journal.of_reeds([name, other, blank], until_s=at_s)
        assert [(len(h.events), h.outcome, h.trims) for h in then[1:]] == [(0, None, ()), (0, None, ())]
        assert (then[0].readings, then[0].events) == (reed.readings, ())
        assert blank in [h.reed.record.reed for h in journal.blanks(until_s=at_s)]
        assert blank not in [h.reed.record.reed for h in journal.blanks()]
    assert on(log, ask_reed, name, at_s=at_s) == on(before, ask_reed, name, at_s=at_s)
    assert on(log, ask_reed, name) != on(before, ask_reed, name, at_s=at_s)
    assert [a.reed for a in on(log, ask_all, at_s=at_s)] == [a.reed for a in on(before, ask_all, at_s=at_s)]
    assert other not in [a.reed for a in on(log, ask_all)]
    assert on(log, predict, [(name, 0.1, 0)], at_s=at_s) == on(before, predict, [(name, 0.1, 0)], at_s=at_s)
    assert on(log, pick, order, at_s=at_s) == on(before, pick, order, at_s=at_s)
    runs = [on(path, rehearse_order, order, at_s=at_s) for path in (log, before)]
    assert runs[0] == runs[1]
    cards = [on(path, write_tickets, [name], tmp_path / path.name[:1], at_s=at_s)[name] for path in (log, before)]
    assert [one.read_bytes() for one in cards[0]] == [one.read_bytes() for one in cards[1]]


def test_a_reed_that_lay_for_a_month_is_less_known_than_one_read_an_hour_ago(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-03-01T10:00", -25.0))
    gaps = [
        on(first_week, ask_reed, "1", at_s=iso_dates.at_s(at)).gap_now_cents
        for at in ("2026-03-01T11:00", "2026-03-31T11:00")
    ]
    hour, month = (gap.high - gap.low for gap in gaps if gap is not None)
    assert month > 1.5 * hour


def test_a_day_alone_is_asked_of_as_its_end() -> None:
    assert iso_dates.asked_s("2026-09-18") == pytest.approx(iso_dates.at_s("2026-09-19") - 0.001)
    assert iso_dates.asked_s(" 2026-09-18 9:30") == iso_dates.at_s("2026-09-18T09:30")
    with pytest.raises(InputError, match="not a time") as caught:
        iso_dates.asked_s("noon")
    assert caught.value.where == "--at"


def test_a_reading_that_a_jump_explains_is_answered(demo_log: Path, tmp_path: Path) -> None:
    """What is left of its information once it is taken out again is narrower than the jump."""
    log = tmp_path / "demo.trimfit"
    log.write_bytes(demo_log.read_bytes())
    on(log, log_reading, "R-0353", ["f=779.1", "e=702.6", "a=468.2", "A=936.1", "crow=C+22", "p=6.5kPa"])
    assert on(log, ask_reed, "R-0353").action in ("read-again", "finished", "trim")


def with_a_length_slip(demo_log: Path, log: Path, *later: tuple[str, float, float]) -> Path:
    """The demo's log with a trim of 3.5 mm, typed for 0.35 and kept, of a reed that stood at 29 cents under, and what
    was read of it later: minute, F and E in Hz."""
    shutil.copyfile(demo_log, log)
    on(log, log_trim, "R-0353", length="3.5", at="2026-09-18T16:00")
    for minute, f_hz, e_hz in later:
        on(log, log_reading, "R-0353", [f"f={f_hz}", f"e={e_hz}", "a=466", "A=932"], at=f"2026-09-18T16:{minute}")
    return log


def test_the_end_of_the_blade_is_no_estimate_and_a_trim_in_doubt_is_named(demo_log: Path, tmp_path: Path) -> None:
    """Was: take off 0.02 mm, about 13 cuts left, 6.20 to 6.20 mm in all."""
    log = with_a_length_slip(demo_log, tmp_path / "slip", ("50", 773.1, 699.4), ("55", 773.1, 699.2))
    advice = on(log, ask_reed, "R-0353")
    assert (advice.action, advice.length_mm, advice.trims_left, advice.closes) == ("read-again", 0.0, 0.0, False)
    assert (advice.need_mm, advice.meet_pitch_hz, advice.chance_within) == (None, None, None)
    assert advice.gap_after_cents == advice.gap_now_cents
    with Journal(log) as journal:
        (entry,) = (one.entry for one in journal.of_reed("R-0353").trims if one.record.length_mm == 3.5)
    said = " ".join(" ".join(advice_lines(advice)).split())
    assert said.startswith("> no cut yet F 9 cents under E (")
    assert "by what is logged no length closes the gap; so far a mm closed its gap by 10 cents; at first " in said
    doubt = "3.5 mm is longer than any cut before that is in no doubt (0.73 mm); did you mean 0.35?"
    remedy = f"If it is wrong: trimfit log amend {entry} length=0.35"
    assert said.endswith(f"it rests on a trim in doubt: {doubt} {remedy}")  # nothing runs on after a command
    assert not any(word in said for word in ("cuts left", "in all", "meets at", "after the cut"))
    (row,) = (line for line in work_list([advice]) if "R-0353" in line)
    assert row.split() == ["O-11", "R-0353", "no", "cut", "yet", "-9", "-", "<0.1", "-"]
    places = on(log, elsewhere, "R-0353")
    own = next(place for place in places if place.order == "O-11")
    assert (own.length_mm, own.meet_pitch_hz, own.chance_good) == (None, None, None)
    assert all((one.chance_good is None) == ("by what is logged no length closes" in one.remark) for one in places)
    assert any("too sharp" in one.remark for one in places if one.chance_good is not None), places
    on(log, log_reading, "R-0353", ["f=773.1", "e=699.3", "a=466", "A=932"], at="2026-09-18T16:58")
    assert on(log, ask_reed, "R-0353").action == "no-fit"  # it is not read for ever


def test_a_length_slip_that_no_question_was_asked_of_is_named_too(demo_log: Path, tmp_path: Path) -> None:
    """As of an import: by the rule that the check marks it by. It says nothing of how long cuts are."""
    log = tmp_path / "slip"
    shutil.copyfile(demo_log, log)
    with Journal(log) as journal:
        entry = journal.append(Trim("R-0353", "2026-09-18T16:00", length_mm=3.5)).entry
    for minute, e_hz in (("50", 699.4), ("55", 699.2)):
        on(log, log_reading, "R-0353", ["f=773.1", f"e={e_hz}", "a=466", "A=932"], at=f"2026-09-18T16:{minute}")
    advice = on(log, ask_reed, "R-0353")
    assert (advice.action, advice.closes) == ("read-again", False)
    (note,) = (one for one in advice.notes if "in doubt" in one)
    assert note.startswith("it rests on a trim in doubt: 3.5 mm in one trim, where ")
    assert note.endswith(f"did you mean 0.35? If it is wrong: trimfit log amend {entry} length=0.35")


def test_what_is_impossible_is_not_shown_as_where_a_reed_stands(demo_log: Path, tmp_path: Path) -> None:
    """Was: F 587 cents over E, read it once more before you give it up."""
    advice = on(with_a_length_slip(demo_log, tmp_path / "slip"), ask_reed, "R-0353")
    assert (advice.action, advice.gap_now_cents, advice.meet_pitch_hz, advice.need_mm) == (
        "read-again",
        None,
        None,
        None,
    )
    said = " ".join(" ".join(advice_lines(advice)).split())
    assert said.startswith("> read it first F and E were not read in CH-03 old flat as it is now; read them first; no")
    assert "no prediction: by what is logged low G would be at an impossible" in said
    assert "did you mean 0.35?" in said
    assert "cents over E" not in said + advice.why


def test_a_reed_to_be_read_in_its_own_chanter_is_not_promised_a_cut(first_week: Path) -> None:
    with Journal(first_week) as journal:
        journal.append(reading("1", "2026-01-03T10:00", -20.0))
    advice = replace(asked_then(first_week, "1"), action="read-again", first_in="Old")
    assert advice_lines(replace(advice, trims_left=1.0))[0] == "> read it in Old before the next cut"
    assert advice_lines(replace(advice, trims_left=0.0))[0] == "> read it in Old before you call it finished"
