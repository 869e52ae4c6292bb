"""The sitting as a machine: lines in, lines out, on a real log in a folder of its own."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.verbs.sitting.fakes import CUT, Clock, StatedBench, play, seated, shop_log
from trimfit.base.errors import InputError, LogError, TrimfitError, command
from trimfit.base.pitch import DEFAULT_RATIOS
from trimfit.base.records import Action, Chanter, Doubt, Event, Order, Outcome, Reading, Reed, ReedHistory, Trim
from trimfit.log.journal import Journal
from trimfit.verbs.sitting.sitting import COMMANDS, Sitting
from trimfit.verbs.wording import HELP, closing_line, expected_line

FORETOLD = {"f": (110.0, 2.0), "e": (115.0, 2.0), "low_a": (114.0, 2.0), "high_a": (114.0, 2.0), "crow": (330.0, 5.0)}
FIRST = "f 771.1 e 711.6 a 470.2 A 940.1 crow C+22"
SECOND = "f 781.4 e 705.3 a 470 A 940"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with shop_log(tmp_path / "bench.trimfit") as opened:
        yield opened


def test_a_reed_from_first_reading_to_handed_over(journal: Journal) -> None:
    sitting = seated(journal, predicted=FORETOLD)
    opening = list(sitting.open())
    assert any("Mind the blade" in line for line in opening)
    assert any(line.startswith("== R-1, type moulded, batch M-1, order O-1, chanter Heron") for line in opening)
    said = play(sitting, FIRST)
    assert said[0].startswith("logged rea-")
    assert "F 43 cents under E" in said[1]
    assert "> take off 0.14 mm" in said
    assert sitting.prompt() == "R-1, Enter = 0.14 mm taken: "
    said = play(sitting, "")
    assert said[0].startswith("logged tri-")
    assert said[-1] == "  now read it; expect F 781 and E 705 Hz, nine in ten within 1.5"
    assert play(sitting, "") == ["Enter logs a cut only right after one was advised; type a reading, or ? for help"]
    play(sitting, SECOND)
    assert any(line.startswith("== R-2") for line in play(sitting, "good straight and even"))
    assert list(sitting.close())[-1] == "this sitting: 2 read, 1 cut (0.14 mm), 1 good"
    history = journal.of_reed("R-1")
    assert [one.record.notes_hz["f"] for one in history.readings] == [771.1, 781.4]
    assert [one.record.chanter for one in history.readings] == ["Heron", "Heron"]
    assert [(one.record.length_mm, one.record.asked_mm) for one in history.trims] == [(0.14, 0.14)]
    assert history.outcome is not None
    assert (history.outcome.record.outcome, history.outcome.record.remark) == ("good", "straight and even")
    assert history.readings[0].at_s < history.trims[0].at_s < history.readings[1].at_s < history.outcome.at_s


def test_a_chanter_of_several_words_needs_no_quotes_once_it_is_known(journal: Journal) -> None:
    """Was: `word 3 (1): a value with no name before it`."""
    journal.append(Chanter("Band 1"))
    journal.append(Chanter("Band 1 long"))
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    assert play(sitting, "ch Band 1") == ["from now on: chanter Band 1"]
    assert play(sitting, f"ch band 1 long {FIRST}")[0].startswith("logged rea-")
    assert play(sitting, f"{FIRST.replace('771', '772')} ch=Band  1")[0].startswith("logged rea-")
    assert [one.record.chanter for one in journal.of_reed("R-1").readings] == ["Band 1 long", "Band 1"]
    said = " ".join(" ".join(play(sitting, "ch Band 7")).split())
    assert said.startswith("! word 3 (7): a value with no name before it")
    assert said.endswith('; a chanter of several words in quotes: ch "Band 7"')
    said = " ".join(" ".join(play(sitting, "new N-1 type cane batch Old 1")).split())
    assert said.endswith('; names of several words in "quotes"')


@pytest.mark.parametrize(
    ("f_cents", "said"),
    [
        ((110.0, 110.0), "  expect F 781 and E 705 Hz, nine in ten within 82"),
        ((110.0, 200.0), "  expect F 781 and E 705 Hz, nine in ten within 150"),
        ((465.0, 2.0), "  no prediction: by what is logged F would be at an impossible 959 Hz"),
    ],
)
def test_what_to_expect_has_plain_numbers_and_keeps_to_what_a_reading_may_be(
    f_cents: tuple[float, float], said: str
) -> None:
    assert expected_line({"f": f_cents, "e": (115.0, 2.0)}, DEFAULT_RATIOS) == said


def test_a_reed_called_good_while_a_cut_is_advised_says_so_to_the_maker(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    play(sitting, FIRST, "")
    assert "> take off 0.14 mm" in play(sitting, SECOND)
    said = play(sitting, "good")
    assert "  by the advice 0.14 mm had still to come off" in said
    assert journal.of_reed("R-1").outcome is not None


@pytest.mark.parametrize(
    ("typed", "length", "lip", "asked"),
    [
        ("0.15", 0.15, None, 0.14),
        ("0,15 lip 2", 0.15, 2.0, 0.14),
        ("lip 2", None, 2.0, None),
        ("0.4", 0.4, None, None),
        ("0.1", 0.1, None, None),
        ("0.4 asked 0.38", 0.4, None, 0.38),
        ("ok", 0.14, None, 0.14),
    ],
)
def test_what_was_really_taken(
    journal: Journal, typed: str, length: float | None, lip: float | None, asked: float | None
) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    play(sitting, typed)
    (trim,) = (one.record for one in journal.of_reed("R-1").trims)
    assert (trim.length_mm, trim.lip_strokes, trim.asked_mm) == (length, lip, asked)


@pytest.mark.parametrize("typed", ["ok 0.30", "ok lip 2", "u 2", "n R-2", "r 0.3"])
def test_what_follows_a_word_that_stands_alone_is_not_lost_without_a_word(journal: Journal, typed: str) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    play(sitting, FIRST)
    before = sitting.tally.line()
    said = " ".join(play(sitting, typed))
    assert f"{typed.split()[0]} stands alone: {typed.split(' ', 1)[1]} was not taken" in said
    assert (sitting.tally.line(), sitting.history and sitting.history.reed.record.reed) == (before, "R-1")


def test_undo_strikes_and_keeps(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1", "R-2"])
    list(sitting.open())
    play(sitting, FIRST, "0.14", "n")
    assert sitting.history is not None
    assert sitting.history.reed.record.reed == "R-2"
    said = play(sitting, "u")
    assert said[0].startswith("struck tri-")
    assert any(line.startswith("== R-1") for line in said)
    play(sitting, "undo")
    assert "nothing of this sitting is left to undo" in play(sitting, "u")[0]
    history = journal.of_reed("R-1")
    assert (history.readings, history.trims) == ((), ())
    assert journal.count("strike") == 2
    assert sitting.tally.line() == "0 read, 0 cut, 2 struck"


def test_a_reed_that_moved_says_so_in_one_word(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    play(sitting, FIRST)
    said = play(sitting, "moved soaked")
    assert said[0].startswith("logged eve-")
    assert said[0].endswith("R-1 soaked  [1 read, 0 cut, 1 event]")
    assert said[-1].startswith("  answers a cut like its batch")  # what to do next follows
    for number in ("0.40", "0,4 mm"):
        refused = f"! {number} is a number and says nothing that happened; a length is typed alone: {number}"
        assert " ".join(" ".join(play(sitting, f"m {number}")).split()) == refused
    play(sitting, "MOVED")
    assert [one.record.event for one in journal.of_reed("R-1").events] == ["soaked", "moved"]
    assert play(sitting, "u")[0].startswith("struck eve-")
    assert [one.record.event for one in journal.of_reed("R-1").events] == ["soaked"]
    assert any(line.startswith("m, moved") for line in play(sitting, "?"))
    assert "moved" in sitting.completions("mo")


FAR = "f 784.8 e 702.3 a 470 A 940"


def _asked_whether_it_moved(journal: Journal) -> Sitting:
    sitting = seated(journal, predicted=FORETOLD, reeds=["R-1"])
    list(sitting.open())
    play(sitting, "f 781.4 e 705.3 a 470 A 940")
    asked = " ".join(" ".join(play(sitting, FAR)).split())
    assert asked.startswith("? F 15 cents over what was predicted against E: misread, or has the reed moved?")
    assert sitting.prompt() == "R-1, r (misread), m (moved), or Enter to keep it marked: "
    return sitting


def test_a_reading_far_off_is_kept_unmarked_where_the_reed_has_moved(journal: Journal) -> None:
    sitting = _asked_whether_it_moved(journal)
    assert play(sitting, "what")[0].startswith("first this: r (misread), m (moved)")
    said = play(sitting, "m")
    assert (said[0][:11], said[1][:11]) == ("logged eve-", "logged rea-")
    assert "[2 read, 0 cut, 1 event]" in said[1]
    story = journal.of_reed("R-1")
    (event,) = story.events
    assert (event.record.event, event.at_s) == ("moved", story.readings[1].at_s)
    assert story.readings[1].doubts == ()
    play(sitting, "u", "u")
    assert (len(journal.of_reed("R-1").readings), journal.of_reed("R-1").events) == (1, ())


def test_a_reading_far_off_is_dropped_where_it_was_misread(journal: Journal) -> None:
    sitting = _asked_whether_it_moved(journal)
    said = play(sitting, "r")
    assert said[:2] == ["not logged", "read it again"]
    assert len(journal.of_reed("R-1").readings) == 1
    assert play(sitting, "f 781.4 e 705.4 a 470 A 940")[0].startswith("logged rea-")


def test_a_reading_far_off_is_kept_and_marked_where_nobody_knows(journal: Journal) -> None:
    sitting = _asked_whether_it_moved(journal)
    assert play(sitting, "")[0] == "kept and marked"
    story = journal.of_reed("R-1")
    assert story.events == ()
    assert story.readings[1].doubts[0].startswith("misread-or-moved: F 15 cents over")


def test_a_struck_reading_may_be_typed_again(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    play(sitting, FIRST + " at 2026-03-31T08:00", "u", FIRST + " at 2026-03-31T08:00")
    assert [one.record.taken_at for one in journal.of_reed("R-1").readings] == ["2026-03-31T08:00+00:00"]


def test_the_same_row_twice_is_one_entry(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    said = play(sitting, FIRST + " at 2026-03-31T08:00", FIRST + " at 2026-03-31T08:00")
    assert any(line.startswith("already in the log as rea-") for line in said)
    assert sitting.tally.readings == len(journal.of_reed("R-1").readings) == 1


def doubted(journal: Journal, *lines: str, scripted: bool = False) -> tuple[list[str], Sequence[tuple[str, ...]]]:
    """What is said to the last line, after a first reading and a cut, and the doubts kept with each reading."""
    sitting = seated(journal, predicted=FORETOLD, reeds=["R-1"], scripted=scripted)
    list(sitting.open())
    play(sitting, FIRST, "y", "0.14", *lines[:-1])
    said = play(sitting, lines[-1])
    list(sitting.close())
    return said, [one.doubts for one in journal.of_reed("R-1").readings]


def test_a_doubt_is_asked_and_marked_when_confirmed(journal: Journal) -> None:
    said, doubts = doubted(journal, "f 806.6 e 705.3", "y")
    assert said[0] == "kept and marked"
    assert doubts[1] == ("unpredicted: F is 55 cents over what this cut should give; is it right?",)


def test_a_doubt_is_mended_by_one_letter(journal: Journal) -> None:
    said, doubts = doubted(journal, "f 390.7 e 705.3", "s")
    assert said[0].startswith("logged rea-")
    assert doubts[1] == ()
    assert journal.of_reed("R-1").readings[1].record.notes_hz == {"f": pytest.approx(781.4), "e": 705.3}


def test_a_doubt_is_mended_by_typing_what_is_right(journal: Journal) -> None:
    said, doubts = doubted(journal, "f 718.4 e 705.3 p 6.5", "f 781.2")
    assert said[0].startswith("logged rea-")
    reading = journal.of_reed("R-1").readings[1].record
    assert (reading.notes_hz, reading.pressure_kpa) == ({"f": 781.2, "e": 705.3}, 6.5)
    assert doubts[1] == ()


@pytest.mark.parametrize("word", ["no", "n", "u", "drop"])
def test_a_doubted_line_is_dropped_by_a_word(journal: Journal, word: str) -> None:
    said, doubts = doubted(journal, "f 718.4 e 705.3", word)
    assert said == ["not logged"]
    assert len(doubts) == 1


def test_a_doubt_waits_for_its_answer(journal: Journal) -> None:
    said, doubts = doubted(journal, "f 718.4 e 705.3", "hm")
    assert said == ["first this: y as typed, s as suggested, n drop it, or what is right"]
    assert len(doubts) == 2, "closing keeps a measured value, marked"
    assert doubts[1][0].startswith("digits: F ")


def test_what_the_log_cannot_hold_stays_asked_about(journal: Journal) -> None:
    said, doubts = doubted(journal, "sounding f 390.7 e 705.3", "y")
    assert said[0].startswith("! reading: no confirmation keeps this: 390.7 is out of bounds")
    assert len(doubts) == 1


def test_in_a_script_a_doubt_is_kept_and_what_follows_counts(journal: Journal) -> None:
    sitting = seated(journal, predicted=FORETOLD, scripted=True)
    said = play(sitting, "# Tuesday", "reed R-1", SECOND, "0.14", "", "f 806.6 e 705.3", SECOND, "good", SECOND)
    assert "kept and marked, since the next line does not answer" in said
    assert said[-1] == "! no reed is chosen; type its name, or n for the next of the work list"
    history = journal.of_reed("R-1")
    assert [bool(one.doubts) for one in history.readings] == [False, True, False]
    assert (len(history.trims), sitting.faults) == (1, 1)


def test_in_a_script_a_doubtful_correction_says_what_became_of_it(journal: Journal) -> None:
    sitting = seated(journal, scripted=True)
    said = play(sitting, "reed R-1", "0.14", "x 1 1.4", "# so it is", "x 1 99")
    said += list(sitting.close())
    asked = next(at for at, line in enumerate(said) if line.startswith("? 1.4 mm is longer"))
    assert said[asked + 1].startswith("kept and marked")
    assert "it replaces tri-" in said[asked + 2]
    # what no log can keep is refused at once, and not asked about
    (refused,) = (line for line in said if line.startswith("! "))
    assert "99 is out of bounds" in refused
    assert not any("99 mm is longer" in line for line in said)


def test_in_a_script_an_unknown_reed_takes_nothing(journal: Journal) -> None:
    sitting = seated(journal, scripted=True)
    said = play(sitting, "R-1", "R-9", SECOND)
    assert [line for line in said if line.startswith("! ")] == [
        "! reed 'R-9' is not in the log, and it is no word of the bench; did you mean R-3? "
        "type ? for the words, n for the next reed",
        "! no reed is chosen; type its name, or n for the next of the work list",
    ]
    assert journal.count("reading") == 0


def test_a_long_cut_is_asked_about(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    assert play(sitting, "1.4") == ["? 1.4 mm is longer than a cut is thought to be (1.00 mm); did you mean 0.14?"]
    play(sitting, "s")
    (trim,) = (one.record for one in journal.of_reed("R-1").trims)
    assert (trim.length_mm, trim.asked_mm) == (0.14, 0.14)
    play(sitting, "0.05", *["0.04", "0.05"] * 4)
    assert play(sitting, "0.16")[0].startswith("? 0.16 mm is longer than any cut before that is in no doubt (0.14 mm)")
    assert play(sitting, "0.13")[0].startswith("logged tri-")


def test_conditions_and_chanter_hold_until_told_otherwise(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-3", "R-1"])
    list(sitting.open())
    said = play(sitting, "t 21C p 65mbar h 55% ch Otter", FIRST, FIRST + " p 7")
    assert said[0] == "from now on: 6.50 kPa, 21.0 °C, 55 % humidity, chanter Otter"
    first, second = (one.record for one in journal.of_reed("R-3").readings)
    assert (first.pressure_kpa, first.temperature_c, first.humidity_pct, first.chanter) == (6.5, 21.0, 55.0, "Otter")
    assert second.pressure_kpa == 7.0
    assert "  chanter Otter holds no more: this order is for Heron" in play(sitting, "n")
    asked = " ".join(line.strip() for line in play(sitting, FIRST))
    assert "was this one read in Otter? Else name the chanter" in asked
    play(sitting, "ch Heron")
    assert journal.of_reed("R-1").readings[0].record.chanter == "Heron"


def test_a_reed_without_order_stays_in_its_last_chanter(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-3"])
    list(sitting.open())
    play(sitting, FIRST + " ch Otter", FIRST + " h 50%")
    assert [one.record.chanter for one in journal.of_reed("R-3").readings] == ["Otter", "Otter"]


def test_cents_count_from_the_target_or_the_meeting_pitch(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    play(sitting, "f -12c e +10c")
    assert journal.of_reed("R-1").readings[0].record.notes_hz["f"] == pytest.approx(470 * 5 / 3 * 2 ** (-12 / 1200))
    play(sitting, "ref 465", "f -12c e +10c", "y")
    assert journal.of_reed("R-1").readings[1].record.notes_hz["f"] == pytest.approx(465 * 5 / 3 * 2 ** (-12 / 1200))


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("amend f=779.1", "fix"), ("ammend 2 f=779.1", "fix"), ("event soaked", "moved"), ("delete", "strike"),
        ("lengh=0.2", "length"), ("crwo C+22", "crow"), ("exi", "exit"), ("godo", "good"),
    ],
)  # fmt: skip
def test_an_unknown_word_is_taken_for_one_that_can_stand_there(journal: Journal, line: str, word: str) -> None:
    sitting = seated(journal)
    play(sitting, "R-1")
    assert f"; did you mean {word}? type ?" in " ".join(" ".join(play(sitting, line)).split())


def test_how_numbers_are_meant_is_said(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    assert play(sitting, "f 468 e 472")[0] == "  read as hertz as low A: e f"
    assert play(sitting, "as_low_a") == ["from now on bare numbers of notes are as low A"]
    assert play(sitting, "f 468.1 e 472")[0].startswith("logged")
    assert play(sitting, "auto") == ["from now on bare numbers of notes are recognised by their size"]


def test_a_clock_behind_the_log_keeps_the_order(journal: Journal) -> None:
    journal.append(Reading("R-1", "2026-03-31T09:06", chanter="Heron", notes_hz={"f": 771.1, "e": 711.6}))
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    said = play(sitting, "0.14")
    assert said[0] == "  the clock is behind the reading of 09:06: logged as just after it"
    assert journal.of_reed("R-1").trims[0].record.done_at == "2026-03-31T09:06:00.001+00:00"


@pytest.mark.parametrize("event", ["soaked", "bridle moved", "the player's own"])
def test_an_event_of_a_later_time_is_named_as_one(journal: Journal, event: str) -> None:
    """Was: before the soaked of 2062-03-31 09:40."""
    journal.append(Event("R-1", "2062-03-31T09:40", event))
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    assert play(sitting, "0.14")[0] == f"  before the event {event!r} of 2062-03-31 09:40"


def test_an_entry_of_a_year_to_come_moves_nothing(journal: Journal) -> None:
    journal.append(Reading("R-1", "2062-03-31T09:40", chanter="Heron", notes_hz={"f": 771.1, "e": 711.6}))
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    assert play(sitting, "0.14")[0] == "  before the reading of 2062-03-31 09:40"
    assert journal.of_reed("R-1").trims[0].record.done_at.startswith("2026-03-31T09:0")


def test_a_new_reed_may_be_logged_and_taken_back(journal: Journal) -> None:
    sitting = seated(journal)
    list(sitting.open())
    said = play(sitting, 'new "N 1" type cane batch C-1 blade 21 order O-1')
    assert said[0].startswith("logged ree-")
    assert any(line.startswith("== N 1, type cane, batch C-1, order O-1") for line in said)
    assert "N 1" in sitting.completions("N")
    play(sitting, "u")
    with pytest.raises(InputError, match="was struck"):
        journal.of_reed("N 1")
    assert sitting.prompt() == "reed: "


def test_a_revision_that_is_struck_leaves_the_reed_in_hand_as_it_was(journal: Journal) -> None:
    sitting = seated(journal)
    list(sitting.open())
    play(sitting, "reed R-1")
    before = journal.of_reed("R-1").reed
    journal.strike(before.entry, "revised: weight")
    revised = journal.append(replace(before.record, weight="hrad"))
    said = " ".join(" ".join(play(sitting, f"strike {revised.entry}")).split())
    assert f"the earlier entry counts again: {journal.of_reed('R-1').reed.entry}" in said
    assert journal.of_reed("R-1").reed.record == before.record


@pytest.mark.parametrize("line", ["new", "new N-1", "new N-1 type cane", "new N-1 type cane batch C-1 colour red"])
def test_a_new_reed_needs_type_and_batch(journal: Journal, line: str) -> None:
    assert play(seated(journal), line) == [
        "! a new reed needs its name, type and batch; say new R-1 type moulded batch M-3"
    ]


def test_reed_names_of_any_kind(journal: Journal) -> None:
    sitting = seated(journal)
    list(sitting.open())
    names = ["x'; DROP TABLE reeds", "\x1b[31mred", "n", "0.14", "🪈 one", "<script>"]
    for name in names:
        play(sitting, f'new "{name}" type cane batch C-1')
    for name in names:
        said = play(sitting, f"reed {name}")
        assert said[0].startswith("== ")
        assert "\x1b" not in "".join(said) + sitting.prompt()
    assert journal.count("reed") == 9


def test_completion_of_commands_and_reeds(journal: Journal) -> None:
    sitting = seated(journal)
    assert sitting.completions("R-") == ["R-1", "R-2", "R-3"]
    assert sitting.completions("reed R-2") == ["reed R-2"]
    assert sitting.completions("go") == ["good"]


def test_the_work_list(journal: Journal) -> None:
    sitting = seated(journal, work=[f"R-{n}" for n in range(1, 41)])
    assert play(sitting, "w")[-1].endswith("and 10 more")
    sitting = seated(journal)
    list(sitting.open())
    assert play(sitting, "list") == ["to do: R-1, R-2"]
    assert play(sitting, "n")[0].startswith("== R-2")
    said = play(sitting, "n")
    assert said[0] == "once more through those that were passed over:"
    assert said[1].startswith("== R-1")
    play(sitting, "good", "y")
    assert sitting.history is not None
    assert sitting.history.reed.record.reed == "R-2"
    sitting = seated(journal, work=[])
    list(sitting.open())
    assert play(sitting, "n")[-1] == "no reed waits for work; type the name of one, or ? for help"
    assert play(sitting, "")[-1] == "no reed waits for work; type the name of one, or ? for help"


def test_after_the_work_list_was_shown_the_next_reed_is_the_first_on_it(journal: Journal) -> None:
    waiting = StatedBench(journal, work=["R-1", "R-2"])
    sitting = Sitting(waiting, Clock())
    list(sitting.open())
    waiting.waiting = ["R-3", "R-1", "R-2"]
    assert play(sitting, "w") == ["to do: R-3, R-1, R-2"]
    assert play(sitting, "n")[0].startswith("== R-3")


def test_the_reeds_named_are_gone_through_until_they_have_left(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1", "R-3"])
    list(sitting.open())
    assert "this sitting is for the reeds that it began with, trimfit ask --all lists" in " ".join(
        line.strip() for line in play(sitting, "w")
    )
    play(sitting, "lost")
    assert " ".join(play(sitting, "w")).startswith("to do: R-3;")
    assert play(sitting, "n") == ["no other reed of this sitting waits for work"]
    assert play(sitting, "lost")[-1].startswith("no reed of this sitting waits for work")


def test_a_reed_named_by_a_number_is_no_cut(journal: Journal) -> None:
    for name in ("1", "12", "f"):
        journal.append(Reed(name, "moulded", "M-1"))
    sitting = seated(journal, scripted=True)
    assert play(sitting, "1")[0].startswith("== 1,")
    play(sitting, FIRST)
    assert play(sitting, "12")[0].startswith("== 12,")
    play(sitting, "cut 1", "y", "lost")
    assert play(sitting, "f")[0].startswith("== f,")
    assert sitting.faults == 0
    assert [one.record.length_mm for one in journal.of_reed("12").trims] == [1.0]
    assert len(journal.of_reed("1").readings) == 1


def test_words_that_are_no_reed_and_words_that_are(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    for line in ("how much more", "finish it"):
        assert "is no word of the bench" in " ".join(" ".join(play(sitting, line)).split())
    why = " ".join(play(sitting, "why"))
    assert "answers a cut like its batch" not in why, "the answer has said it"
    assert why.startswith("  0.00 mm off")
    assert play(sitting, "clear")[0].startswith("== R-1")
    assert "say which note" in " ".join(play(sitting, "757"))
    play(sitting, "exit")
    assert sitting.done


def test_a_finished_reed_is_handed_over_by_a_letter_that_enter_names(journal: Journal) -> None:
    sitting = seated(journal, advice=replace(CUT, action="finished", length_mm=0.0))
    list(sitting.open())
    play(sitting, FIRST)
    assert sitting.prompt() == "R-1, is it good? v = yes: "
    assert "v hands this reed over as good" in play(sitting, "")[0]


def test_a_length_typed_after_enter_is_another_cut_only_if_the_maker_says_so(journal: Journal) -> None:
    """Was: logged as a second cut, unasked."""
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())

    def lengths() -> list[float | None]:
        return [one.record.length_mm for one in journal.of_reed("R-1").trims]

    play(sitting, FIRST, "")
    question = "? Enter logged 0.14 mm (0.14 asked) off R-1 just now; is 0.16 mm another cut, or in its place?"
    assert " ".join(" ".join(play(sitting, "0.16")).split()) == question
    assert sitting.prompt() == "R-1, a another cut, i in its place, n neither: "
    assert play(sitting, "n") == ["not logged"]
    assert lengths() == [0.14]
    play(sitting, "0.16")
    assert next(sitting.close()).startswith("not logged, since nobody answered: 0.16 mm off R-1")
    assert lengths() == [0.14]
    play(sitting, "0.16", "i")
    (trim,) = (one.record for one in journal.of_reed("R-1").trims)
    assert (trim.length_mm, trim.asked_mm) == (0.16, 0.14)
    assert sitting.tally.line() == "1 read, 1 cut (0.16 mm), 1 replaced"
    play(sitting, "u")
    assert lengths() == [0.14]
    play(sitting, "u")
    assert lengths() == []
    play(sitting, "reed R-1", "", "0.05", "a")
    assert lengths() == [0.14, 0.05]
    assert not any(one.doubts for one in journal.of_reed("R-1").trims)
    play(sitting, "u")
    assert lengths() == [0.14]
    play(sitting, SECOND)
    assert play(sitting, "0.2")[0].startswith("logged tri-")  # a reading came between


def test_a_reed_that_has_left_says_why_there_is_no_answer(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    assert play(sitting, "good")[0] == "? R-1 was never read with F and E; is it good?"
    assert sitting.prompt() == "R-1, y log it, n drop it: "
    assert play(sitting, "f 781.4 e 705.3 a 470 A 940") == [
        "first this: y log it, n drop it", "  not logged, type it again then: f 781.4 e 705.3 a 470 A 940",
    ]  # fmt: skip
    assert play(sitting, "no") == ["not logged"]
    play(sitting, "good", "y", "reed R-1")
    said = play(sitting, FIRST, "y")
    entry = journal.of_reed("R-1").outcome
    assert entry is not None
    assert said[-1] == f"> left the bench: good. To go on with it: strike {entry.entry[:10]}"
    said = play(sitting, f"strike {entry.entry[:10]}")
    assert said[0].startswith("struck out-")
    assert any(line.startswith("> take off") for line in said)
    assert (sitting.tally.good, sitting.tally.struck) == (0, 1)


def test_entries_of_an_earlier_sitting_are_struck_by_a_word(journal: Journal) -> None:
    journal.append(Trim("R-1", "2026-03-30T10:00", 0.1))
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    assert "the trim of R-1 of 2026-03-30 10:00: 0.1 mm" in play(sitting, "u")[1]
    play(sitting, "strike")
    assert journal.of_reed("R-1").trims == ()
    # The reed's own entry is all that is left of it.
    assert play(sitting, "strike")[0].startswith("! reed R-1: nothing else is logged of it")
    assert play(sitting, "u") == ["nothing of this sitting is left to undo"]
    assert "good? type ? for the words" in play(sitting, "godo")[1]


def test_a_new_reed_of_a_name_alike_is_asked_about(journal: Journal) -> None:
    sitting = seated(journal)
    assert "did you mean R-1?" in " ".join(play(sitting, "new r1 type moulded batch M-1"))
    play(sitting, "no")
    assert "r1" not in journal.reeds()


def test_strike_takes_back_the_last_entry_in_time_and_says_what_it_was(journal: Journal) -> None:
    late = journal.append(Trim("R-1", "2026-03-30T10:00+00:00", 0.3)).entry
    early = journal.append(Trim("R-1", "2026-03-20T10:00+00:00", 0.2)).entry
    sitting = seated(journal, reeds=["R-1"])
    sitting.width = 300
    list(sitting.open())
    assert play(sitting, "u") == [
        "nothing of this sitting is left to undo; strike takes back the last entry of R-1, "
        f"{late[:10]}, the trim of R-1 of 2026-03-30 10:00: 0.3 mm"
    ]
    said = play(sitting, "j")[0]
    assert said.startswith(f"struck {late}: trim of R-1 of 2026-03-30 10:00: 0.3 mm; it stays readable")
    assert [one.entry for one in journal.of_reed("R-1").trims] == [early]
    assert play(sitting, f"strike {early[:8]}")[0].startswith(f"struck {early}: trim of R-1 of 2026-03-20")


def test_nothing_learned_is_no_fault(journal: Journal) -> None:
    sitting = seated(journal, advice=None)
    opening = list(sitting.open())
    assert "> no answer: nothing is learned yet" in opening
    assert play(sitting, FIRST)[-1] == "> no answer: nothing is learned yet"
    assert play(sitting, "r") == ["read it again"]
    assert play(sitting, "0.1")[-1] == "  now read it"
    assert sitting.faults == 0


def test_a_reed_not_in_the_log_ends_the_call_at_once(journal: Journal) -> None:
    with pytest.raises(InputError, match="'R-7' is not in the log"):
        list(seated(journal, reeds=["R-1", "R-7"]).open())


def test_words_that_answer_nothing(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    assert play(sitting, "no") == ["nothing was asked"]
    assert "a reading, any order" in play(sitting, "?")[0]
    list(sitting.open())
    assert play(sitting, "r")[0] == "read it again"
    assert sitting.prompt() == "R-1: "
    play(sitting, "q")
    assert sitting.done


def test_every_line_fits_eighty_columns(journal: Journal) -> None:
    journal.append(Order("O-2 " + "long " * 20, "Heron", target_pitch_hz=468.5))
    sitting = seated(journal, predicted=FORETOLD)
    said = list(sitting.open())
    said += play(sitting, FIRST, "0.14", "f 390.7 e 705.3", "s", "?", "w", "u", "zzz", "f e A", "good", "q")
    said += list(sitting.close())
    assert max(len(line) for line in said) <= 80


class BrokenBench(StatedBench):
    """A bench whose disk is full for a while."""

    full = True

    def append(self, record: object, doubts: Sequence[Doubt], seen: ReedHistory | None = None) -> tuple[str, bool]:
        if self.full and isinstance(record, (Reading, Trim)):
            raise TrimfitError("the disk is full", "the log", "make room")
        return super().append(record, doubts, seen)  # type: ignore[arg-type]


def test_a_full_disk_keeps_the_line_for_another_try(journal: Journal) -> None:
    from trimfit.verbs.sitting.sitting import Sitting

    bench = BrokenBench(journal)
    sitting = Sitting(bench, Clock(), ["R-1"])
    list(sitting.open())
    assert play(sitting, FIRST) == ["! the log: the disk is full; make room"]
    assert next(sitting.close()) == "! the log: the disk is full; make room"
    bench.full = False
    assert play(sitting, "y")[0].startswith("logged rea-")
    assert len(journal.of_reed("R-1").readings) == 1


def test_a_full_disk_in_a_script_is_said_and_the_script_goes_on(journal: Journal) -> None:
    from trimfit.verbs.sitting.sitting import Sitting

    sitting = Sitting(BrokenBench(journal), Clock(), scripted=True)
    said = play(sitting, "R-1", FIRST, "reed R-2")
    assert said.count("! the log: the disk is full; make room") == 2
    assert sitting.history is not None
    assert sitting.history.reed.record.reed == "R-2"


def test_no_log_no_sitting(tmp_path: Path) -> None:
    from tests.opened import on
    from trimfit.verbs.sitting.sitting import sitting_on

    quiet = pytest.raises(LogError, match="there is no log here")
    with quiet:
        on(tmp_path / "none", sitting_on)


def test_past_and_other_answers_are_said_in_words() -> None:
    from trimfit.verbs.wording import advice_lines

    assert (
        advice_lines(replace(CUT, action="past", length_mm=0.0))[0]
        == "> past: F is over E in this chanter, and no cut brings it back"
    )
    assert advice_lines(replace(CUT, lip_strokes=2))[0] == "> take off 0.14 mm, 2 lip strokes"
    assert advice_lines(replace(CUT, length_mm=0.0, lip_strokes=1))[0] == "> leave the length, 1 lip stroke"
    for chance, said in [(3e-9, "under 0.1 %"), (0.0052, "0.5 %"), (0.0152, "2 %"), (0.999, "over 99 %")]:
        lines = advice_lines(replace(CUT, chance_past=chance))
        assert any(line.startswith(f"  chance of going past {said};") for line in lines)
    assert "no cut left" in advice_lines(replace(CUT, action="finished", trims_left=0.0))[2]
    assert advice_lines(
        replace(CUT, gap_now_cents=None, gap_after_cents=None, meet_pitch_hz=None, cuts_known=False, why="")
    )[1:] == [
        "  chance of going past 0.4 %; how many cuts are left, and what they take off, is",
        "    not known",
    ]
    for left, said in [(0.04, "no cut"), (0.47, "perhaps one cut"), (0.8, "about one cut"), (2.2, "about 2 cuts")]:
        assert any(f"; {said} left" in line for line in advice_lines(replace(CUT, trims_left=left)))


@pytest.mark.parametrize("word", ["v", "good", "l", "s", "m", "moved"])
def test_the_name_of_another_reed_is_no_remark_on_the_one_in_hand(tmp_path: Path, word: str) -> None:
    """Was: R-1 left the bench as good, with the remark R-2."""
    with shop_log(tmp_path / "log") as journal:
        sitting = seated(journal, reeds=["R-1"])
        list(sitting.open())
        for typed in ("R-2", '"R-2"', "R-2 soaked"):
            said = " ".join(" ".join(play(sitting, f"{word} {typed}")).split())
            assert said == "! R-2 is another reed, and R-1 is in hand; type reed R-2 first, or the word alone for R-1"
        history = journal.of_reed("R-1")
        assert (history.outcome, history.events, sitting.held) == (None, (), None)
        play(sitting, f"{word} R-1", *["y"] * (word in ("v", "good", "s")))  # its own name is no remark either
        history = journal.of_reed("R-1")
        assert [one.record.event for one in history.events] == (["moved"] if word[0] == "m" else [])
        left = history.outcome.record if history.outcome is not None else None
        assert (left is None) == (word[0] == "m")
        assert left is None or left.remark is None


def test_no_cuts_are_promised_of_a_reed_that_wants_none_by_the_middle_of_what_is_known() -> None:
    """Was: about 3 cuts left, 0.00 to 0.04 mm in all."""
    from trimfit.base.units import Interval
    from trimfit.verbs.wording import advice_lines

    def left(action: Action, need_mm: Interval) -> str:
        advice = replace(CUT, action=action, length_mm=0.0, trims_left=2.6, need_mm=need_mm, chance_past=0.3)
        return next(line for line in advice_lines(advice) if line.startswith("  chance")).partition("; ")[2]

    assert left("read-again", Interval(-0.03, -0.10, 0.04)) == "perhaps no cut left, up to 0.04 mm in all"
    assert left("read-again", Interval(-0.03, -0.06, -0.01)) == "perhaps no cut left"
    assert left("read-again", Interval(0.20, 0.15, 0.25)) == "about 3 cuts left, 0.20 mm in all (0.15 to 0.25)"
    # was: 1 to 3 mm
    assert left("trim", Interval(1.012, 0.533, 3.458)) == "about 3 cuts left, 1.0 mm in all (0.5 to 3.5)"
    assert left("trim", Interval(0.004, -0.03, 0.04)).startswith("about 3 cuts left")  # one is advised


def test_what_the_gap_did_by_itself_is_said_where_it_is_worth_a_line() -> None:
    from trimfit.base.units import Interval
    from trimfit.verbs.wording import advice_lines

    said = "  moved by itself since the last sitting: gap +3 cents (-1 to +7)"
    assert said in advice_lines(replace(CUT, moved_cents=Interval(3.0, -1.0, 7.0)))
    assert any(
        "gap 0 cents (-2 to +2)" in line for line in advice_lines(replace(CUT, moved_cents=Interval(0.1, -2, 2)))
    )
    for quiet in (None, Interval(0.2, -1.0, 1.4)):
        assert not any("moved by itself" in line for line in advice_lines(replace(CUT, moved_cents=quiet)))


def test_a_slip_that_was_kept_does_not_stretch_the_line_on_which_f_and_e_close_in() -> None:
    pairs = [(100.0, 120.0), (-194.0, 120.0), (105.0, 118.0)]
    plain, slipped = closing_line([pairs[0], pairs[2]], 110.0), closing_line(pairs, 110.0)
    assert slipped.split("[")[0] == plain.split("[")[0]
    assert slipped.split("]")[1] == plain.split("]")[1]
    assert "[f" in slipped
    assert closing_line([(-300.0, 900.0)], 110.0).count("F") == 2
    # The gap as it was read, which the answer under it weighs with all else.
    assert plain.endswith("] 473 Hz  read: F 13 cents under E")
    assert len(closing_line([(-149.0, 149.0)], 110.0)) <= 80


def test_what_no_chanter_sounds_is_not_kept_though_it_is_confirmed(journal: Journal) -> None:
    sitting = seated(journal, predicted=FORETOLD, reeds=["R-1"])
    list(sitting.open())
    said = " ".join(line.strip() for line in play(sitting, FIRST, "sounding", "f 390.7 e 705.3", "y"))
    assert "no confirmation keeps this: 390.7 is out of bounds; s takes what is suggested, n drops it, or type" in said
    assert journal.count("reading") == 1
    play(sitting, "s")
    assert journal.of_reed("R-1").readings[-1].record.notes_hz["f"] == 781.4


def test_undo_does_not_stick_at_an_entry_that_somebody_else_struck(journal: Journal) -> None:
    sitting = seated(journal)
    list(sitting.open())
    play(sitting, FIRST, "", "0.1", "a")
    first_cut, second_cut = (one.entry for one in journal.of_reed("R-1").trims)
    journal.strike(second_cut, "struck in another window")
    said = " ".join(" ".join(play(sitting, "u")).split())
    assert f"nothing to undo: {second_cut}" in said
    assert "was struck before (struck in another window)" in said
    assert sitting.tally.cuts == 1
    assert any(line.startswith(f"struck {first_cut}") for line in play(sitting, "u"))
    assert journal.of_reed("R-1").trims == ()
    assert sitting.faults == 0


def test_a_cut_that_another_sitting_logged_meanwhile_is_asked_about(journal: Journal) -> None:
    one, other = seated(journal), seated(journal)
    for sitting in (one, other):
        list(sitting.open())
        play(sitting, "reed R-1")
    assert any(line.startswith("logged tri-") for line in play(one, ""))
    said = " ".join(play(other, ""))
    assert "Meanwhile 0.14 mm (0.14 asked) off R-1 was logged elsewhere" in said
    assert len(journal.of_reed("R-1").trims) == 1
    assert play(other, "no") == ["not logged"]
    # What was advised before the other's cut is advised no more.
    assert "Enter logs a cut only right after one was advised" in play(other, "")[0]
    play(other, "0.05")
    assert [one.record.length_mm for one in journal.of_reed("R-1").trims] == [0.14, 0.05]


def test_a_script_keeps_and_marks_a_cut_after_another_sittings(journal: Journal) -> None:
    one, other = seated(journal, scripted=True), seated(journal, scripted=True)
    for sitting in (one, other):
        play(sitting, "reed R-1")
    play(one, "0.14")
    other.clock()
    play(other, "0.14", "reed R-2")
    kinds = [[doubt.partition(":")[0] for doubt in trim.doubts] for trim in journal.of_reed("R-1").trims]
    assert "cut-since" in kinds[1]
    assert "cut-since" not in kinds[0]


def test_a_cut_is_not_taken_on_an_advice_that_the_log_has_overtaken(journal: Journal) -> None:
    sitting = seated(journal, predicted=FORETOLD)
    list(sitting.open())
    play(sitting, FIRST)
    with Journal(journal.path) as elsewhere:
        elsewhere.append(Reading("R-1", "2026-03-31T09:05:00.000+00:00", "Heron", notes_hz={"f": 781.0, "e": 705.0}))
    bench = sitting.bench
    assert isinstance(bench, StatedBench)
    bench.advice = replace(CUT, action="read-again", length_mm=0.0)
    said = play(sitting, "")
    assert said[0] == "not logged: the log has changed since that answer, which is now:"
    assert said[1] == "> read it again before the next cut"
    assert journal.of_reed("R-1").trims == ()
    bench.advice = CUT
    play(sitting, "reed R-1")
    with Journal(journal.path) as elsewhere:
        elsewhere.append(Reed("R-9", "moulded", "M-1"))
    assert any(line.startswith("logged tri-") for line in play(sitting, "")), "the same answer is still what it was"


def test_the_list_goes_on_with_the_reed_that_was_in_hand_at_an_undo(journal: Journal) -> None:
    journal.append(Reed("R-4", "moulded", "M-1", order="O-1"))
    sitting = seated(journal, work=["R-1", "R-2", "R-4"])
    list(sitting.open())
    assert any(line.startswith("== R-2") for line in play(sitting, "good", "y"))
    assert any(line.startswith("== R-1") for line in play(sitting, "u"))
    assert any(line.startswith("== R-2") for line in play(sitting, "good", "y"))
    assert any(line.startswith("== R-4") for line in play(sitting, "n"))


def test_what_the_bar_shows_is_in_the_help() -> None:
    assert "small letters the reading before, capitals the last" in HELP


def test_the_help_has_every_word_of_the_bench() -> None:
    words = {*COMMANDS} - {"exit", "to-stock"}  # second names of quit and stock
    assert words - {*re.findall(r"[\w?]+", HELP)} == set()


def test_a_reed_that_has_left_is_asked_about_before_a_cut_is_logged(journal: Journal) -> None:
    journal.append(Outcome("R-1", "2026-03-01T10:00+00:00", "good"))
    sitting = seated(journal)
    play(sitting, "reed R-1")
    assert play(sitting, "0.1") == [
        "? R-1 had left the bench good (2026-03-01 10:00); is R-1 the right reed?",
    ]
    play(sitting, "n")
    assert journal.count("trim") == 0


def test_a_reed_goes_to_stock_unread_or_after_a_refused_line_only_if_the_maker_says_so(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"])
    list(sitting.open())
    assert play(sitting, "s") == ["? R-1 was not read; is it to go to stock?"]
    assert play(sitting, "n") == ["not logged"]
    play(sitting, FIRST, "0.14")
    assert play(sitting, "s") == ["? R-1 was not read since its last entry; is it to go to stock?"]
    play(sitting, "n", SECOND)
    assert play(sitting, "f 781.4 hm")[0].startswith("!")
    assert play(sitting, "s") == ["? The line before was not taken; is R-1 to go to stock?"]
    assert play(sitting, "y")[0].startswith("logged out-")
    found = journal.of_reed("R-1").outcome
    assert found is not None
    assert (found.record.outcome, found.doubts) == ("to-stock", ())


def test_what_the_command_line_does_is_said_in_the_words_of_the_bench(journal: Journal) -> None:
    """Was: the reason named `--chanter NAME` and `trimfit log amend …`, which do nothing here."""
    entry = journal.append(Reading("R-1", "2026-03-31T08:00", None, None, {"f": 771.1, "e": 711.6})).entry
    remedy = f"name it (--chanter NAME), or put it in ({command('log', 'amend', entry, 'chanter=NAME')})"
    sitting = seated(journal, advice=replace(CUT, reason=remedy))
    said = " ".join(" ".join(sitting.open()).split())
    assert "name it (ch NAME), or put it in (fix 1 ch NAME)" in said
    assert play(sitting, f"trimfit log amend {entry} chanter=Heron") == [
        "! that is for the shell; here: fix 1 ch Heron"
    ]
    assert play(sitting, f"trimfit log strike {entry}") == [f"! that is for the shell; here: j {entry[:10]}"]
    assert play(sitting, "trimfit ask R-1") == ["! that is for the shell; here: ? for the words"]
    assert "ch Heron" in " ".join(play(sitting, "fix 1 ch Heron"))
