"""The sitting with one hand, and what it forgives: numbers alone, one letter a word, wrong entries, leaving."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.outside.keystrokes import typed_s
from tests.verbs.sitting.fakes import Clock, StatedBench, play, seated, shop_log
from trimfit.base.column_words import key_of
from trimfit.base.pitch import hz_from_cents, parse_crow_hz
from trimfit.base.records import Doubt, Reading, ReedHistory, Trim
from trimfit.entry.doubt_marks import accepted
from trimfit.entry.entry_times import entries_of
from trimfit.entry.neighbours import Joint
from trimfit.log.journal import Journal
from trimfit.verbs.sitting.readings import MODES
from trimfit.verbs.sitting.sitting import COMMANDS, LETTERS, Sitting

PREDICTED = {"f": (110.0, 2.0), "e": (115.0, 2.0), "low_a": (114.0, 2.0), "high_a": (114.0, 2.0), "crow": (330.0, 5.0)}
KEYPAD = set("0123456789+-*/., ")
FULL = "779.1 702.6 468.2 936.1 22"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with shop_log(tmp_path / "bench.trimfit") as opened:
        yield opened


def at_reed(journal: Journal, name: str = "R-1", **stated: Any) -> Sitting:
    sitting = seated(journal, reeds=[name], **stated)
    list(sitting.open())
    return sitting


def said_by(sitting: Sitting, *lines: str) -> str:
    return " ".join(" ".join(play(sitting, *lines)).split())


# -- numbers alone ------------------------------------------------------------------------------------------------


def keys_of(sitting: Sitting, line: str) -> int:
    """The keys of a line of the keypad and of the Enters that end it and count it."""
    assert set(line) <= KEYPAD
    play(sitting, line, "")
    return len(line) + 2


def test_a_full_reading_takes_at_most_28_keys_of_the_keypad_and_20_without_points(journal: Journal) -> None:
    sitting = at_reed(journal)
    play(sitting, FULL, "")  # the order is asked about once
    assert keys_of(sitting, "780.1/703.6/468.2/936.1/24") <= 28
    keys = keys_of(sitting, "780270374683936224")
    assert keys <= 20
    # An average typist's key, and what an untrained hand may take for one: it does not hold at 0.50 s.
    assert typed_s(keys, numbers=5) < typed_s(keys, numbers=5, key_s=0.32) < 15.0 < typed_s(keys, 5, key_s=0.50)
    first, last = (one.record for one in journal.of_reed("R-1").readings[-2:])
    assert first.notes_hz == {"f": 780.1, "e": 703.6, "low_a": 468.2, "high_a": 936.1}
    assert last.notes_hz == {"f": 780.2, "e": 703.7, "low_a": 468.3, "high_a": 936.2}
    assert first.crow_hz == last.crow_hz == parse_crow_hz("C+24")


def test_numbers_are_shown_with_their_names_before_they_count(journal: Journal) -> None:
    sitting = at_reed(journal)
    assert "f 779.1 e 702.6 a 468.2 A 936.1 crow C+22 right, and in this order from now on?" in said_by(sitting, FULL)
    assert journal.of_reed("R-1").readings == ()
    assert sitting.prompt() == "R-1, Enter = right, n = not, or what is right: "
    assert play(sitting, "good") == ["first this: Enter = right, n = not, or what is right"]
    assert play(sitting, "n") == ["not logged"]
    play(sitting, FULL)
    play(sitting, "e 703.6")  # one value was wrong
    assert journal.of_reed("R-1").readings[0].record.notes_hz["e"] == 703.6
    play(sitting, FULL, "780.1 704.6", "")  # all of it was wrong
    assert journal.of_reed("R-1").readings[1].record.notes_hz == {"f": 780.1, "e": 704.6}


def test_the_order_is_asked_about_once_and_is_the_shops(journal: Journal) -> None:
    sitting = at_reed(journal)
    play(sitting, "702.6 779.1 -15")
    assert said_by(sitting, "e f crow") == "e 702.6 f 779.1 crow C-15"
    play(sitting, "")
    assert journal.settings().line_order == "e f crow"
    assert "order" not in said_by(sitting, "703,6 780,1 +2")
    play(sitting, "")
    first, second = (one.record for one in journal.of_reed("R-1").readings)
    assert (first.notes_hz["e"], first.crow_hz) == (702.6, parse_crow_hz("C-15"))
    assert (second.notes_hz["f"], second.crow_hz) == (780.1, parse_crow_hz("C+2"))


def test_the_default_order_is_confirmed_by_enter_and_not_asked_again(journal: Journal) -> None:
    sitting = at_reed(journal)
    play(sitting, FULL, "")
    assert journal.settings().line_order == "f e a A crow"
    assert "order" not in said_by(sitting, "781 703")


@pytest.mark.parametrize(
    ("typed", "named"),
    [
        ("779,1 702,6", "f 779,1 e 702,6"),
        ("779.1*702.6*0*936", "f 779.1 e 702.6 A 936"),
        ("779.1 . 468", "f 779.1 a 468"),
        ("774.3 700.2 465.2 930.4 C#-18", "f 774.3 e 700.2 a 465.2 A 930.4 crow C#-18"),
        ("7791 7026 0 936 -15", "f 779.1 e 702.6 A 936 crow C-15"),
        ("77917026", "f 779.1 e 702.6"),
        ("7791702646829361/-5", "f 779.1 e 702.6 a 468.2 A 936.1 crow C-5"),
        ("77917026468293615324", "f 779.1 e 702.6 a 468.2 A 936.1 crow 532.4"),
        ("779.1 702.6 468.2 936.1 532.4", "f 779.1 e 702.6 a 468.2 A 936.1 crow 532.4"),
    ],
)
def test_what_stands_between_numbers_and_what_was_not_taken(journal: Journal, typed: str, named: str) -> None:
    assert said_by(at_reed(journal), typed).startswith(named)


@pytest.mark.parametrize("left_out", range(len("779170264682936122")))
def test_a_row_with_a_digit_left_out_is_refused(journal: Journal, left_out: int) -> None:
    sitting, row = at_reed(journal), "779170264682936122"
    said = said_by(sitting, row[:left_out] + row[left_out + 1 :])
    assert said.startswith(f"! {row[:left_out]}")
    assert "17 digits are not numbers of four digits and a crow of two; type it again" in said
    assert sitting.held is None


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("7773 7033 4680 9350 C2", "! word 5 (C2): neither a number nor a crow; C+2 or C-2"),
        ("777.3 703.3 468 x", "! word 4 (x): neither a number nor a crow; numbers and a crow as C+22, or each with"),
    ],
)
def test_a_line_of_numbers_with_a_wrong_word_is_a_reading_and_names_the_word(
    journal: Journal, line: str, said: str
) -> None:
    assert said_by(at_reed(journal), line).startswith(said)


def test_numbers_alone_put_right_a_reading_that_is_asked_about(journal: Journal) -> None:
    sitting = at_reed(journal, predicted=PREDICTED)
    play(sitting, "f 718.4 e 705.3 p 6.5")
    assert sitting.prompt().startswith("R-1, y as typed, ")
    assert said_by(sitting, "781.2 705.3 0 0 22").startswith("f 781.2 e 705.3 crow C+22 right, and in this order")
    assert journal.of_reed("R-1").readings == ()
    play(sitting, "")
    (reading,) = journal.of_reed("R-1").readings
    assert (reading.record.notes_hz, reading.record.pressure_kpa) == ({"f": 781.2, "e": 705.3}, 6.5)
    assert reading.doubts == ()


def test_a_reading_like_another_reed_is_logged_for_it_by_a_letter(journal: Journal) -> None:
    own = {"f": (110.0, 2.0), "e": (115.0, 2.0), "low_a": (114.0, 2.0), "crow": (330.0, 5.0)}
    means = np.array([90.0, 125.0, 110.0, 300.0])
    like_r2 = Joint(tuple(own), means, np.diag([2.0, 2.0, 2.0, 5.0]) ** 2)
    sitting = at_reed(journal, predicted=own, beside={"R-2": like_r2})
    notes = {
        note: hz_from_cents(cents) * ratio for note, cents, ratio in (("f", 90, 5 / 3), ("e", 125, 1.5), ("a", 110, 1))
    }
    line = " ".join(f"{note} {hz:.1f}" for note, hz in notes.items())
    assert "This reads like R-2, not like R-1" in said_by(sitting, f"{line} crow {hz_from_cents(300):.1f}Hz")
    assert sitting.prompt() == "R-1, y as typed, s for R-2, n drop it, or what is right: "
    bench = sitting.bench
    assert isinstance(bench, StatedBench)
    bench.stated = None
    said = play(sitting, "s")
    assert said[0].startswith("== R-2")
    assert any(line.startswith("logged rea-") for line in said)
    assert (journal.of_reed("R-1").readings, len(journal.of_reed("R-2").readings)) == ((), 1)
    assert sitting.prompt().startswith("R-2")
    assert play(sitting, "n")[0].startswith("== R-1")


def test_more_numbers_than_names_are_refused(journal: Journal) -> None:
    assert "6 numbers, and names for 5" in said_by(at_reed(journal), "779 702 468 936 22 5")


def test_a_cut_is_still_a_cut(journal: Journal) -> None:
    sitting = at_reed(journal)
    play(sitting, "0.14", "0,2 lip 2")
    assert [one.record.length_mm for one in journal.of_reed("R-1").trims] == [0.14, 0.2]


def test_in_a_script_numbers_count_at_once(journal: Journal) -> None:
    sitting = seated(journal, reeds=["R-1"], scripted=True)
    list(sitting.open())
    play(sitting, "779.1 702.6", "780.1 701.6")
    assert [one.record.notes_hz["f"] for one in journal.of_reed("R-1").readings] == [779.1, 780.1]


# -- one letter a word --------------------------------------------------------------------------------------------


def test_every_bench_word_has_a_letter_that_needs_no_shift_and_begins_no_reading() -> None:
    words = set(COMMANDS) - {"?", "ok", "reed", "exit", "to-stock"}  # Enter; a reed's own name; two names of one word
    words -= {"auto", "sounding", "cents", "as_low_a"}  # o takes the next of them
    assert set(LETTERS.values()) == {*words, "numbers"}
    assert all(letter == letter.lower() and len(letter) == 1 for letter in LETTERS)
    assert [letter for letter in LETTERS if key_of(letter) is not None] == ["c"]  # clear alone, a note with a value
    assert (key_of("aa"), key_of("gg")) == (("high_a", None), ("high_g", None))


def test_letters_do_what_their_words_do(journal: Journal) -> None:
    sitting = at_reed(journal)
    play(sitting, "f 771.1 e 711.6 c 590 gg 818 aa 936")
    assert journal.of_reed("R-1").readings[0].record.notes_hz["high_a"] == 936.0
    assert play(sitting, "y")[0] == "  0.00 mm off, 0 lip strokes, 1 reading so far"
    assert play(sitting, "c")[0].startswith("== R-1")
    assert "hertz" in said_by(sitting, "/")
    assert play(sitting, "m soaked")[0].startswith("logged eve-")
    assert play(sitting, "j")[0].startswith("struck eve-")
    modes = [said_by(sitting, "o") for _ in MODES]
    assert (modes[0].split()[-1], modes[-1].split()[-1]) == ("sounding", "size")
    play(sitting, "s", "y")
    outcome = journal.of_reed("R-1").outcome
    assert outcome is not None
    assert outcome.record.outcome == "to-stock"


# -- wrong entries ------------------------------------------------------------------------------------------------


def test_fix_puts_what_is_right_in_the_place_of_what_was_wrong(journal: Journal) -> None:
    sitting = at_reed(journal)
    play(sitting, "f 771.1 e 711.6 crow C+22")
    # a length is no example where no cut is listed
    assert play(sitting, "x")[-1] == "fix NUMBER and what is right"
    play(sitting, "0.15", "f 781.4 e 705.3", "0.1")
    listed = play(sitting, "x")
    assert [line.split()[0] for line in listed[:4]] == ["1", "2", "3", "4"]
    assert listed[4] == "fix NUMBER and what is right, as fix 1 0.65"
    assert listed[2].endswith("length 0.15 mm  asked 0.14")
    assert listed[3].endswith("e 711.6  f 771.1  crow C+22  ch Heron")
    before = entries_of(journal.of_reed("R-1"))
    said = play(sitting, "fix 3 0.65")
    assert said[0].startswith("logged tri-")
    assert "it replaces rea-" in said_by(sitting, "fix 4 e=710")
    after = entries_of(journal.of_reed("R-1"))
    assert [one.at for one in after] == [one.at for one in before]
    assert [one.record.length_mm for one in journal.of_reed("R-1").trims] == [0.65, 0.1]
    assert journal.of_reed("R-1").readings[0].record.notes_hz == {"f": 771.1, "e": 710.0}
    assert sitting.tally.line() == "2 read, 2 cut (0.75 mm), 2 replaced"
    assert "the earlier entry counts again: rea-" in said_by(sitting, "u")
    assert journal.of_reed("R-1").readings[0].record.notes_hz == {"f": 771.1, "e": 711.6}
    assert "the earlier entry counts again: tri-" in said_by(sitting, "u")
    assert [one.record.length_mm for one in journal.of_reed("R-1").trims] == [0.15, 0.1]
    assert sitting.tally.line() == "2 read, 2 cut (0.25 mm), 4 replaced"
    play(sitting, "u", "u", "u", "u")
    assert (entries_of(journal.of_reed("R-1")), sitting.tally.line()) == ([], "0 read, 0 cut, 4 replaced, 4 struck")


def test_undo_of_a_correction_puts_back_what_was_there_with_its_doubts(journal: Journal) -> None:
    journal.append(Trim("R-1", "2026-03-30T10:00", 0.3), doubts=["trim-long: is it right?"])
    sitting = at_reed(journal)
    play(sitting, "f 771.1 e 711.6", "fix 2 0.2", "u")
    (trim,) = journal.of_reed("R-1").trims
    assert (trim.record.length_mm, trim.doubts) == (0.3, ("trim-long: is it right?",))
    assert sitting.tally.line() == "1 read, 0 cut, 2 replaced"
    play(sitting, "fix 2 0.2")
    journal.strike(journal.of_reed("R-1").trims[0].entry, "struck in another window")
    assert "nothing to undo: tri-" in said_by(sitting, "u")
    assert journal.of_reed("R-1").trims == ()
    play(sitting, "u")
    assert (journal.of_reed("R-1").readings, sitting.faults) == ((), 0)
    play(sitting, "0.1", "fix 1 0.12", "strike")
    assert play(sitting, "u")[0].startswith("nothing of this sitting is left to undo")


def test_a_doubtful_correction_is_asked_about_and_leaving_drops_it(journal: Journal) -> None:
    sitting = at_reed(journal)
    play(sitting, "f 771.1 e 711.6", "0.15")
    assert "longer than" in said_by(sitting, "fix 1 6.5")
    assert sitting.prompt() == "R-1, y log it, n drop it: "
    play(sitting, "no")
    assert [one.record.length_mm for one in journal.of_reed("R-1").trims] == [0.15]
    play(sitting, "fix 1 6.5", "y")
    (trim,) = journal.of_reed("R-1").trims
    assert (trim.record.length_mm, len(trim.doubts)) == (6.5, 1)
    play(sitting, "fix 1 7.5", "q")
    assert "not logged, since nobody answered" in next(iter(sitting.close()))
    assert journal.of_reed("R-1").trims[0].entry == trim.entry


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("fix 7 0.65", "no entry of R-1 has number '7' (fix); it has 1 to 2"),
        ("fix 1 f 780", "is no word of a trim"),
        ("fix 1 0.15", "nothing to amend"),
        ("fix 1 at=9:00", "keeps its reed and its time"),
    ],
)
def test_what_cannot_be_fixed_is_said(journal: Journal, line: str, what: str) -> None:
    sitting = at_reed(journal)
    play(sitting, "f 771.1 e 711.6", "0.15")
    said = said_by(sitting, line)
    assert what.split(" (")[0] in said
    assert journal.count("strike") == 0


# -- leaving ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["q", None], ids=["q", "a closed window"])
@pytest.mark.parametrize("line", ["good", "6.5"])
def test_leaving_at_a_question_keeps_no_outcome_and_no_cut(journal: Journal, line: str, word: str | None) -> None:
    sitting = at_reed(journal)
    play(sitting, "f 771.1 e 711.6", line)
    assert sitting.held is not None
    if word:
        play(sitting, word)
    first = next(iter(sitting.close()))
    assert first.startswith("not logged, since nobody answered: ")
    history = journal.of_reed("R-1")
    assert (history.outcome, history.trims) == (None, ())


def test_leaving_at_a_question_keeps_a_reading_and_marks_it(journal: Journal) -> None:
    sitting = at_reed(journal, predicted=PREDICTED)
    play(sitting, "f 390.7 e 705.3", "q")
    assert next(iter(sitting.close())).startswith("kept and marked")
    (reading,) = journal.of_reed("R-1").readings
    assert reading.doubts
    sitting = at_reed(journal, "R-2")
    play(sitting, FULL)
    assert "logged rea-" in " ".join(sitting.close())
    assert "keeps a reading" in said_by(sitting, "?")


# -- chanters -----------------------------------------------------------------------------------------------------


def test_an_unknown_chanter_is_made_when_it_is_named(journal: Journal) -> None:
    sitting = at_reed(journal, "R-3")
    assert said_by(sitting, "ch Badger") == "? chanter Badger is not in the log; is it a new one?"
    assert play(sitting, "no") == ["not logged"]
    play(sitting, "f 771.1 e 711.6 ch Badger", "y")
    assert "Badger" in journal.chanters()
    assert not list(accepted(journal))
    assert [one.record.chanter for one in journal.of_reed("R-3").readings] == ["Badger"]


def test_the_only_chanter_of_a_log_is_understood_and_said(tmp_path: Path) -> None:
    from trimfit.base.records import Chanter, Reed

    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Chanter("Heron"))
        journal.append(Reed("R-1", "cane", "B-1"))
        sitting = at_reed(journal)
        assert "in Heron, the only chanter in the log" in said_by(sitting, "f 771.1 e 711.6")
        assert journal.of_reed("R-1").readings[0].record.chanter == "Heron"


# -- two sittings -------------------------------------------------------------------------------------------------


class Slow(StatedBench):
    """A bench beside which the same cut is logged while it thinks about its own."""

    def doubts(self, record: object, history: ReedHistory | None, **how: object) -> Sequence[Doubt]:
        found = super().doubts(record, history, **how)  # type: ignore[arg-type]
        if isinstance(record, Trim) and not self.journal.of_reed("R-1").trims:
            self.journal.append(Trim("R-1", "2026-03-31T09:00:00.001+00:00", length_mm=0.14, asked_mm=0.14))
        return found


def test_the_same_cut_of_two_sittings_within_a_moment_is_asked_about(journal: Journal) -> None:
    sitting = Sitting(Slow(journal), Clock(), ["R-1"])
    list(sitting.open())
    play(sitting, "f 771.1 e 711.6")
    assert "Meanwhile 0.14 mm (0.14 asked) off R-1 was logged elsewhere" in said_by(sitting, "")
    assert len(journal.of_reed("R-1").trims) == 1
    assert play(sitting, "no") == ["not logged"]
    play(sitting, "0.2")
    assert [one.record.length_mm for one in journal.of_reed("R-1").trims] == [0.14, 0.2]


def test_readings_are_taken_though_another_sitting_reads(journal: Journal) -> None:
    sitting = at_reed(journal)
    journal.append(Reading("R-1", "2026-03-31T09:00:00.001+00:00", "Heron", notes_hz={"f": 771.1, "e": 711.6}))
    play(sitting, "f 772.1 e 710.6")
    assert len(journal.of_reed("R-1").readings) == 2


def test_a_crow_in_another_place_is_named_and_not_taken_for_a_length(journal: Journal) -> None:
    sitting = at_reed(journal)
    said = said_by(sitting, "774.3 700.2 C#-18")
    assert said == "! C#-18 is a crow, and a is read in its place; 0 for what was not taken; the order is f e a A crow"


def test_the_order_is_asked_about_where_nothing_else_is(journal: Journal) -> None:
    """Was: in this order from now on? Enter is yes; and then the next question, at which Enter was no answer."""
    sitting = at_reed(journal)
    said = said_by(sitting, "700.2 774.3 465.2 930.4")
    assert "Enter is yes" not in said
    assert said.endswith("if your order is another: the names in your order, as e f A a crow")
    play(sitting, "e f a A")
    assert said_by(sitting, "") != ""
    assert journal.of_reed("R-1").readings[0].record.notes_hz["e"] == 700.2
