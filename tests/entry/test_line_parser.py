"""The line of a sitting: what it may say, and that every fault of it is named."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimfit.base.errors import InputError
from trimfit.base.pitch import DEFAULT_RATIOS, NOTES, parse_crow_hz
from trimfit.base.units import BOUNDS
from trimfit.entry.line_parser import parse_reading, parse_trim
from trimfit.entry.tokens import split_words

SHORT = {"low_g": "g", "low_a": "a", "b": "b", "c": "c", "d": "d", "e": "e", "f": "f", "high_g": "G", "high_a": "A"}


def test_a_value_in_quotes_may_hold_a_blank() -> None:
    line = parse_reading('f="779.1 Hz" crow="532 Hz" p="26 inH2O" t="70 °F" h="55 %" chanter="old set"')
    plain = parse_reading('f 779.1 crow 532 p 26inH2O t 70F h 55 chanter "old set"')
    assert line == plain


def test_the_line_of_the_bench() -> None:
    line = parse_reading("f 779.1 e 702.6 a 468.2 A 936.1 crow C+22")
    assert line.notes_hz == {"f": 779.1, "e": 702.6, "low_a": 468.2, "high_a": 936.1}
    assert line.crow_hz == pytest.approx(parse_crow_hz("C+22"))
    assert set(line.heard.values()) == {"sounding"}


@pytest.mark.parametrize(
    "text",
    [
        "e 702.6 f 779.1",
        "f=779.1 e=702.6",
        "f = 779.1 e= 702.6",
        "f779.1 e702.6",
        "F 779,1 E 702,6",
        "f 779.1Hz, e 702.6 hz;",
        "f_hz=779.1 e_hz=702.6",
        "sounding f 779.1 e 702.6",
    ],
)
def test_one_reading_in_many_hands(text: str) -> None:
    assert parse_reading(text).notes_hz == {"f": 779.1, "e": 702.6}


def test_case_tells_low_from_high() -> None:
    line = parse_reading("a 470 A 940 g 418 G 822.5 go 836")
    assert line.notes_hz == {"low_a": 470.0, "high_a": 940.0, "low_g": 418.0, "high_g": 822.5}
    assert line.g_octave_hz == 836.0
    assert parse_reading("g 8ve 836").g_octave_hz == parse_reading("g8 836").g_octave_hz == 836.0


def test_hertz_as_low_a_are_known_by_their_size() -> None:
    line = parse_reading("f 467.5 e 468.4 A 470 go 468")
    assert line.notes_hz["f"] == pytest.approx(467.5 * 5 / 3)
    assert line.notes_hz["e"] == pytest.approx(468.4 * 3 / 2)
    assert line.notes_hz["high_a"] == 940.0
    assert line.g_octave_hz == pytest.approx(468 * 16 / 9)
    assert set(line.heard.values()) == {"as low A"}


@pytest.mark.parametrize(("typed", "meant"), [("b 470", 470 * 9 / 8), ("b 528.75", 528.75), ("g 470", 470 * 8 / 9)])
def test_a_value_that_may_be_either_goes_with_the_chanter(typed: str, meant: float) -> None:
    note = {"b": "b", "g": "low_g"}[typed[0]]
    assert parse_reading(typed, around_hz=470.0).notes_hz[note] == pytest.approx(meant)


def test_the_switch_word_settles_it() -> None:
    assert parse_reading("as_low_a f 467 sounding e 702").notes_hz == pytest.approx({"f": 467 * 5 / 3, "e": 702.0})
    assert parse_reading("f 467", mode="as low A").notes_hz["f"] == pytest.approx(467 * 5 / 3)


def test_cents_are_counted_from_the_reference() -> None:
    line = parse_reading("f -12c e +3 cents d 0c", reference_hz=470.0)
    assert line.notes_hz["f"] == pytest.approx(470 * 5 / 3 * 2 ** (-12 / 1200))
    assert line.notes_hz["e"] == pytest.approx(470 * 1.5 * 2 ** (3 / 1200))
    assert line.notes_hz["d"] == pytest.approx(470 * 4 / 3)
    assert parse_reading("f -12c ref 470").notes_hz == parse_reading("cents f -12", reference_hz=470.0).notes_hz


def test_what_else_a_line_may_hold() -> None:
    line = parse_reading(
        'f 779 p 26 inH2O t 70 F h 55% taped f high_g ch "old blue" at 2026-03-31T09:40 remark a bit = dry'
    )
    assert line.pressure_kpa == pytest.approx(6.476, abs=1e-3)
    assert line.temperature_c == pytest.approx(21.111, abs=1e-3)
    assert (line.humidity_pct, line.taped) == (55.0, ("f", "high_g"))
    assert (line.chanter, line.at, line.remark) == ("old blue", "2026-03-31T09:40+00:00", "a bit = dry")
    reading = line.reading("R-1", "2026-04-01", "blue")
    assert (reading.reed, reading.taken_at, reading.chanter) == ("R-1", "2026-04-01", "old blue")


def test_a_letter_after_the_temperature_is_a_note_when_a_value_follows() -> None:
    assert parse_reading("t 21 F 779").notes_hz == {"f": 779.0}
    assert parse_reading("taped f e 702").taped == ("f",)


@pytest.mark.parametrize(
    ("text", "hz"), [("crow C+22", 529.94), ("crow=D-15", 582.26), ("crow D -15", 582.26), ("crow 532 Hz", 532.0)]
)
def test_crows(text: str, hz: float) -> None:
    assert parse_reading(text).crow_hz == pytest.approx(hz, abs=0.01)


def test_four_digits_after_a_name_are_tenths_of_a_hertz_as_they_are_without_one() -> None:
    line = parse_reading("f 7791 e=7026 crow 5324")
    assert (line.notes_hz, line.crow_hz) == ({"f": 779.1, "e": 702.6}, 532.4)


def test_a_line_is_mended_by_a_shorter_one() -> None:
    line = parse_reading("f 389.5 e 702 p 6.5").merged(parse_reading("f 779.1"))
    assert line.notes_hz == {"f": 779.1, "e": 702.0}
    assert line.pressure_kpa == 6.5


def test_every_fault_is_named_with_its_word_and_place() -> None:
    with pytest.raises(InputError, match="4 faults in the line") as caught:
        parse_reading("x 4 f abc crow H9 e 70260")
    assert [(fault.where, fault.column) for fault in caught.value.faults] == [
        ("word 1 (x)", ""),
        ("word 4 (abc)", "f"),
        ("word 6 (H9)", "crow"),
        ("word 8 (70260)", "e"),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("f", "no value after it"),
        ("f e 702", "no value after it"),
        ("12", "a value with no name before it"),
        ("f 779 f 780", "given twice"),
        ("f nan", "not a pitch"),
        ("f inf", "not a pitch"),
        ("f -779 hz", "no sign"),
        ("f 12c", "cents without a sign"),
        ("f 7.7.9", "not a number"),
        ("f -12c", "cents from no known pitch"),
        ("f 3000", "3000, read as 300.0, is out of bounds; give 633.33 to 933.33$"),
        ("f 77910", "77910 is out of bounds; give 633 to 933 Hz"),
        ("f 77", "77 is out of bounds; a digit is missing; give 633 to 933 Hz"),
        ("f 77.91", "77.91 is out of bounds; did you mean 779.1"),
        ("f 12", r"12 is out of bounds; give 633 to 933 Hz; cents have a sign: \+12c or -12c"),
        ("f 2999", "2999 is out of bounds; give 633 to 933 Hz$"),
        ("p 65 f 779", "65 of what"),
        ("p 6 stone f 779", "no word of a reading"),
        ("t 210 f 779", "out of bounds"),
        ("taped=x f 779", "no note"),
        ("at 31.3. f 779", "not a time"),
        ("ref 4700 f -3c", "out of bounds"),
        ('f 779 ch ""', "has no name"),
        ("p 6.5", "nothing was read"),
        ("", "nothing was read"),
        ("f 779 " * 700, "a line of"),
    ],
)
def test_refused_in_words(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse_reading(text)


def test_cents_far_off_are_refused() -> None:
    with pytest.raises(InputError, match="779 cents is out of bounds; are these hertz"):
        parse_reading("f +779c", reference_hz=470.0)


@pytest.mark.parametrize(
    ("text", "length", "lip", "asked"),
    [
        ("0.14", 0.14, None, None),
        ("0,14", 0.14, None, None),
        (".14mm", 0.14, None, None),
        ("0.14 mm lip 2", 0.14, 2.0, None),
        ("lip 2", None, 2.0, None),
        ("length=0.14 lip=2 asked=0.15", 0.14, 2.0, 0.15),
        ("took 0.14 asked 0.15", 0.14, None, 0.15),
        ("0 lip 1", 0.0, 1.0, None),
    ],
)
def test_trims(text: str, length: float | None, lip: float | None, asked: float | None) -> None:
    line = parse_trim(text)
    assert (line.length_mm, line.lip_strokes, line.asked_mm) == (length, lip, asked)
    assert line.trim("R-1", "2026-04-01").asked_mm == asked


def test_a_trim_keeps_its_time_and_remark() -> None:
    line = parse_trim("0.14 at 2026-03-31T09:40 remark slipped, a bit")
    assert (line.at, line.remark) == ("2026-03-31T09:40+00:00", "slipped, a bit")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "nothing was taken off"),
        ("0", "nothing was taken off"),
        ("-0.1", "out of bounds"),
        ("150", "150 is out of bounds"),
        ("42", "42 is out of bounds; give 0 to 15: did you mean 0.42, typed in hundredths"),
        ("0.1 0.2", "given twice"),
        ("0.1 lipp 2", "did you mean lip"),
        ("zzz", "say 0.14, or 0.14 lip 2"),
        ("lip", "not a number"),
        ("0.1 at noon", "not a time"),
        ("0.1 " * 2000, "a line of"),
    ],
)
def test_trims_refused_in_words(text: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_trim(text)
    assert said in " ".join(caught.value.lines())


def test_names_with_blanks_stand_in_quotes() -> None:
    assert split_words('reed "x y" z') == ["reed", "x y", "z"]


PIECES = st.sampled_from(
    ["f", "e", "A", "g", "8ve", "go", "crow", "C+22", "C", "-12c", "779.1", "t", "21", "F", "p", "6.5kPa", "taped", "=",
     "sharp", "flat", "of", "D", "thou", "in", "H2O", "♭",
     "ref", "470", ",", '"', "as_low_a", "cents", "hz", "+", "−", "at", "2026-01-01", "remark", "٣", "lip", "mm"]
)  # fmt: skip
LINES = st.one_of(st.text(max_size=60), st.lists(PIECES, max_size=14).map(" ".join), st.lists(PIECES).map("".join))

T = TypeVar("T")


def outcome(parse: Callable[[], T]) -> tuple[T | None, list[str]]:
    """The value, or the lines of the InputError; any other exception is the failure looked for."""
    try:
        return parse(), []
    except InputError as error:
        return None, error.lines()


SEMITONES = {"A": 0, "B": 2, "C": 3, "D": 5, "E": 7, "F": 8, "G": 10}
STEPS = {"": 0, "#": 1, "♯": 1, " sharp": 1, "sharp": 1, "b": -1, "♭": -1, " flat": -1, "flat": -1}


@given(st.sampled_from([*SEMITONES]), st.sampled_from([*STEPS]), st.integers(0, 1000), st.booleans())
def test_every_way_to_write_a_crow_is_the_same_crow(note: str, step: str, tenths: int, down: bool) -> None:
    """Equal temperament at A = 440, a semitone being 100 cents."""
    cents, sign, way = f"{tenths / 10:g}", "-" if down else "+", "flat" if down else "sharp"
    meant = 440 * 2 ** ((100 * (SEMITONES[note] + STEPS[step]) + (-1 if down else 1) * tenths / 10) / 1200)
    name, comma = note + step, cents.replace(".", ",")
    ways = [
        f"{name}{sign}{cents}", f"{name} {sign} {cents}", f"{name} {sign}{comma}", f"{name.lower()}{sign}{cents}c",
        f"{name}{'−' if down else '+'}{cents} cents", f"{cents} {way} of {name}", f"{cents} cents {way} of {name}",
        f"{name} {cents} {way}", f"{name.upper() if step != 'b' else name} {cents} cents {way}",
    ]  # fmt: skip
    for text in ways:
        assert parse_crow_hz(text) == pytest.approx(meant, rel=1e-12), text
        if 205 < meant < 1450:
            line = parse_reading(f"f 779.1 crow {text} t 21")
            assert (line.crow_hz, line.temperature_c) == (parse_crow_hz(text), 21.0), text
            assert parse_reading(f'crow="{text}"').crow_hz == line.crow_hz


@given(st.sampled_from([*SEMITONES]), st.sampled_from([*STEPS]), st.integers(1, 100), st.sampled_from(["", " "]))
def test_cents_with_no_word_for_their_direction_are_asked_about(note: str, step: str, cents: int, blank: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_crow_hz(f"{note}{step} {cents}" if not step else f"{note}{step}{blank}{cents}")
    first, second = (word.strip(",") for word in caught.value.remedy.removeprefix("say ").split(" or "))
    # A note flat and 50 cents is the note less 50 cents: there alone both spellings agree.
    assert parse_crow_hz(first) != parse_crow_hz(second) or cents == 50
    sharp = {1: "#", -1: "b", 0: ""}[STEPS[step]]
    assert first == f"{note}{sharp}{'+'}{cents}"
    assert second == (f"{note}{'+' if 'sharp' in step else '-'}{cents}" if step.strip().isalpha() and step != "b" else
                      f"{note}{sharp}-{cents}")  # fmt: skip


@given(st.integers(1, 400), st.sampled_from(["", " "]))
def test_every_way_to_write_a_cut_is_the_same_cut(thou: int, blank: str) -> None:
    meant = round(thou * 0.0254, 10)
    inches = f"{thou / 1000:.3f}"
    for text in (
        f"{thou}{blank}thou",
        f"{inches}{blank}in",
        f"{inches.replace('.', ',')}{blank}inch",
        f"{meant:.4f}mm",
    ):
        assert parse_trim(text).length_mm == meant == parse_trim(f"lip 2 length {text}").length_mm


@given(st.sampled_from(["inH2O", "in H2O", "inches of water", "INH2O"]), st.sampled_from(["", " "]), st.integers(3, 60))
def test_every_way_to_write_inches_of_water_is_the_same_pressure(unit: str, blank: str, inches: int) -> None:
    line = parse_reading(f"f 779 p {inches}{blank}{unit} t 21")
    assert line.pressure_kpa == pytest.approx(inches * 25.4 * 9.80665e-3, rel=1e-12)
    assert line.temperature_c == 21.0


@given(LINES, st.sampled_from([None, 470.0]), st.sampled_from(["auto", "sounding", "as low A", "cents"]))
def test_any_text_gives_a_reading_or_an_input_error(text: str, reference_hz: float | None, mode: str) -> None:
    line, said = outcome(lambda: parse_reading(text, reference_hz=reference_hz, mode=mode))  # type: ignore[arg-type]
    assert all(one.strip() for one in said)
    if line is None:
        assert said
        return
    low, high = BOUNDS["note_hz"]
    assert all(low <= hz <= high for hz in line.notes_hz.values())
    assert line.notes_hz or line.crow_hz or line.g_octave_hz
    assert line.crow_hz is None or BOUNDS["crow_hz"][0] <= line.crow_hz <= BOUNDS["crow_hz"][1]


@given(LINES)
def test_any_text_gives_a_trim_or_an_input_error(text: str) -> None:
    line, said = outcome(lambda: parse_trim(text))
    assert all(one.strip() for one in said)
    if line is None:
        assert said
        return
    assert (line.length_mm or 0.0) + (line.lip_strokes or 0.0) > 0
    assert math.isfinite((line.length_mm or 0.0) + (line.lip_strokes or 0.0))


@given(
    st.dictionaries(st.sampled_from(NOTES), st.floats(-60, 60), min_size=1),
    st.sampled_from([440.0, 455.0, 470.0, 485.0]),
    st.booleans(),
    st.randoms(use_true_random=False),
)
def test_sounding_and_as_low_a_say_the_same(
    off: dict[str, float], pitch_hz: float, as_low_a: bool, random: object
) -> None:
    """However the tuner shows it, and in whatever order, the sounding hertz come out."""
    low_a = {note: pitch_hz * 2 ** (cents / 1200) for note, cents in off.items()}
    shown = {note: hz if as_low_a else hz * float(DEFAULT_RATIOS[note]) for note, hz in low_a.items()}
    words = [f"{SHORT[note]} {hz:.3f}" for note, hz in shown.items()]
    random.shuffle(words)  # type: ignore[attr-defined]
    line = parse_reading(" ".join(words), around_hz=pitch_hz)
    assert line.notes_hz == pytest.approx({n: hz * float(DEFAULT_RATIOS[n]) for n, hz in low_a.items()}, abs=2e-3)


@given(st.text(max_size=20))
def test_any_crow_is_a_finite_pitch_or_refused(text: str) -> None:
    try:
        hz = parse_crow_hz(text)
    except InputError:
        return
    assert 0 < hz < math.inf


def test_crows_that_once_slipped_through() -> None:
    assert parse_crow_hz("C+\t22") == pytest.approx(parse_crow_hz("C+22"))
    with pytest.raises(InputError, match="is no crow"):
        parse_crow_hz("9" * 400)


def test_a_zero_is_a_value_when_lines_are_merged() -> None:
    assert parse_reading("f 779 t 21").merged(parse_reading("e 702 t 0C h 0")).temperature_c == 0.0
