"""Doubts at entry: each slip of the bench is found and mended, and honest readings pass unasked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimfit.base.pitch import DEFAULT_RATIOS, NOTES, hz_from_cents, parse_crow_hz
from trimfit.base.records import Doubt, Event, Logged, Order, Outcome, Reading, Reed, ReedHistory, Settings, Trim
from trimfit.entry.checks import MOVED, gauge_doubts, outcome_doubts, reading_doubts, trim_doubts
from trimfit.entry.neighbours import ExpectedReading, Joint, reads_like
from trimfit.entry.typing_slips import Typed, outputs_cents, slip_doubts

SHOP = Settings()
SCALE = DEFAULT_RATIOS
REED = Logged("ree-1", 1, 0.0, Reed("R-1", "moulded", "M-1", blade_mm=20.0))
# F ten cents under E, the A's between: as low A, cents from 440 Hz.
STANDING = {
    "low_g": 113.0, "low_a": 114.0, "b": 113.0, "c": 115.0, "d": 114.0, "e": 119.0, "f": 109.0,
    "high_g": 113.0, "high_a": 115.0,
}  # fmt: skip
CROW_CENTS = 330.0


def sounding(cents: dict[str, float] | None = None) -> dict[str, float]:
    return {note: hz_from_cents(value) * float(SCALE[note]) for note, value in (cents or STANDING).items()}


def reading(notes_hz: dict[str, float] | None = None, **more: object) -> Reading:
    notes = sounding() if notes_hz is None else notes_hz
    return Reading("R-1", "2026-03-31T10:00", chanter="Heron", notes_hz=notes, **more)  # type: ignore[arg-type]


def foreseen(cents: dict[str, float]) -> ExpectedReading:
    """What is predicted: these outputs, each by itself (notes to 2 cents, the crow to 4), and no other reed beside."""
    sd = [4.0 if output == "crow" else 2.0 for output in cents]
    return ExpectedReading(Joint(tuple(cents), np.array(list(cents.values())), np.diag(sd) ** 2))


FORESEEN = foreseen({**STANDING, "crow": CROW_CENTS})


def story(*before: Reading, trims: tuple[Trim, ...] = ()) -> ReedHistory:
    readings = tuple(Logged(f"rea-{i}", i, float(i), one) for i, one in enumerate(before))
    cuts = tuple(Logged(f"tri-{i}", 100 + i, 100.0 + i, one) for i, one in enumerate(trims))
    return ReedHistory(REED, readings, cuts)


def asked(taken: Reading, history: ReedHistory | None = None, **more: object) -> list[Doubt]:
    return reading_doubts(taken, history or story(reading()), SHOP, foreseen=FORESEEN, **more)  # type: ignore[arg-type]


def changed(**notes: float) -> dict[str, float]:
    return {**sounding(), **notes}


def test_what_was_predicted_passes_unasked() -> None:
    crow_hz = hz_from_cents(CROW_CENTS + 10)
    assert asked(reading(crow_hz=crow_hz)) == []


@pytest.mark.parametrize("note", NOTES)
@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_an_octave_slip_is_mended(note: str, factor: float) -> None:
    right = sounding()[note]
    (doubt,) = asked(reading(changed(**{note: right * factor})))
    assert doubt.kind == "octave"
    assert doubt.meant == ((f"{note}_hz", pytest.approx(right)),)


@pytest.mark.parametrize(("one", "other"), [("e", "f"), ("low_a", "high_a"), ("low_g", "high_g"), ("c", "d")])
def test_two_notes_swapped_are_told(one: str, other: str) -> None:
    right = sounding()
    (doubt,) = asked(reading(changed(**{one: right[other], other: right[one]})))
    assert doubt.kind == "swapped"
    assert dict(doubt.meant) == {f"{one}_hz": right[one], f"{other}_hz": right[other]}
    named = [f"{one.replace('_', ' ')} {right[one]:.1f}", f"{other.replace('_', ' ')} {right[other]:.1f}"]
    assert all(name.casefold() in doubt.sentence.casefold() for name in named)


def test_a_right_reading_after_a_swapped_one_is_not_in_doubt() -> None:
    right = sounding()
    swapped = reading({"e": right["f"], "f": right["e"]})
    (doubt,) = reading_doubts(swapped, story(), SHOP)
    assert doubt.kind == "swapped"
    kept = Logged("rea-0", 0, 0.0, swapped, (f"swapped: {doubt.sentence}",))
    for doubts in (kept.doubts, ()):  # without its mark too it is no reason to swap what stands in order
        history = ReedHistory(REED, (replace(kept, doubts=doubts),))
        found = reading_doubts(reading({"e": right["e"], "f": right["f"]}), history, SHOP)
        assert "swapped" not in [one.kind for one in found]
        assert not (doubts and found)


def test_a_swap_is_named_though_neither_note_was_predicted_well() -> None:
    right = sounding({**STANDING, "e": STANDING["e"] - 15, "f": STANDING["f"] + 25})
    (doubt,) = asked(reading({"e": right["f"], "f": right["e"]}))
    assert (doubt.kind, dict(doubt.meant)) == ("swapped", {"e_hz": right["e"], "f_hz": right["f"]})


def test_hertz_as_low_a_among_sounding_hertz() -> None:
    right = sounding()["f"]
    (doubt,) = asked(reading(changed(f=right * 0.6)))
    assert (doubt.kind, dict(doubt.meant)) == ("as-low-a", {"f_hz": pytest.approx(right)})
    heard = Typed({"f": "as low A"})
    (doubt,) = asked(reading(changed(f=right * 5 / 3)), typed=heard)
    assert (doubt.kind, dict(doubt.meant)) == ("as-low-a", {"f_hz": pytest.approx(right)})


def test_an_octave_low_that_was_taken_for_hertz_as_low_a() -> None:
    """F at 390.6 cannot be a sounding F, but could be a low A's hertz: the line takes it so, and the doubt mends it."""
    right = sounding()["f"]
    (doubt,) = asked(reading(changed(f=right / 2 * 5 / 3)), typed=Typed({"f": "as low A"}))
    assert (doubt.kind, dict(doubt.meant)) == ("octave", {"f_hz": pytest.approx(right)})


def test_hertz_given_for_cents() -> None:
    """16.4 hertz under a reference of 485 Hz, typed as if they were cents."""
    under_hz = hz_from_cents(STANDING["f"]) - 485.0
    taken = reading({"f": 485.0 * 2 ** (under_hz / 1200) * 5 / 3})
    (doubt,) = asked(taken, typed=Typed({"f": "cents"}, 485.0))
    assert (doubt.kind, dict(doubt.meant)) == ("hertz-for-cents", {"f_hz": pytest.approx(sounding()["f"])})


def test_the_sign_of_cents_turned() -> None:
    reference_hz = hz_from_cents(STANDING["f"] - 30.0)
    taken = reading({"f": reference_hz * 2 ** (-30 / 1200) * 5 / 3})
    (doubt,) = asked(taken, typed=Typed({"f": "cents"}, reference_hz))
    assert (doubt.kind, dict(doubt.meant)) == ("sign", {"f_hz": pytest.approx(sounding()["f"])})


def test_exchanged_digits_are_mended() -> None:
    right = round(sounding()["f"], 1)
    assert right == 781.0
    (doubt,) = asked(reading(changed(f=718.0)))
    assert doubt.sentence == "F is 146 cents under what was predicted; did you mean 781.0?"
    (doubt,) = asked(reading(changed(f=681.0)))
    assert (doubt.kind, doubt.meant) == ("first-digit", (("f_hz", 781.0),))


def test_a_digit_in_the_middle_explains_nothing() -> None:
    (doubt,) = asked(reading(changed(f=741.0)))
    assert (doubt.kind, doubt.meant) == ("unpredicted", ())


def test_what_no_slip_explains_is_asked_about_plainly() -> None:
    history = story(reading(), trims=(Trim("R-1", "2026-03-31T09:50", 0.1),))
    (doubt,) = asked(reading(changed(f=hz_from_cents(STANDING["f"] + 55) * 5 / 3)), history)
    assert (doubt.kind, doubt.meant) == ("unpredicted", ())
    assert doubt.sentence == "F is 55 cents over what this cut should give; is it right?"


def test_another_reed_in_the_hand_is_one_question() -> None:
    sharper = reading(sounding({note: cents + 70 for note, cents in STANDING.items()}))
    (doubt,) = reading_doubts(sharper, story(reading()), SHOP)
    assert doubt.kind == "other-reed"
    assert doubt.sentence.startswith("Everything is 70 cents over what was predicted; is it this reed")


@pytest.mark.parametrize(
    ("typed", "kind", "meant"),
    [
        ("C-30", "sign", "C+30"),
        ("C+22", "sign", "C-22"),
        ("C#-28", "sign", "C#+28"),
        ("D+30", "crow-note", "C#+30"),
        ("B+30", "crow-note", "C+30"),
    ],
)
def test_slips_of_the_crow(typed: str, kind: str, meant: str) -> None:
    before = story(reading({}, crow_hz=parse_crow_hz(meant)))
    expected = foreseen({"crow": parse_cents(meant)})
    doubts = reading_doubts(reading({}, crow_hz=parse_crow_hz(typed)), before, SHOP, foreseen=expected)
    assert [doubt.kind for doubt in doubts] == [kind]
    assert dict(doubts[0].meant)["crow_hz"] == pytest.approx(parse_crow_hz(meant))
    assert f". Was it {meant} (" in doubts[0].sentence


def test_the_sign_of_a_crow_mistyped_leaves_its_note() -> None:
    """Was: of C-30, D+30 was called its sign mistyped, which is another letter."""
    before, predicted = story(reading({}, crow_hz=parse_crow_hz("B+30"))), foreseen({"crow": parse_cents("B+30")})
    (doubt,) = reading_doubts(reading({}, crow_hz=parse_crow_hz("C-30")), before, SHOP, foreseen=predicted)
    assert "sign mistyped" not in doubt.sentence


@pytest.mark.parametrize(
    ("expected", "typed", "meant"),
    [("C#+15", "C-30", "C#-30"), ("C#-30", "C-30", "C#-30"), ("B-20", "C+10", "B+10"), ("C+40", "C-20", None)],
)
def test_a_crow_off_by_a_semitone_where_f_and_e_fit(expected: str, typed: str, meant: str | None) -> None:
    """The reed is not doubted; 45 cents that are left, or what a cut did, do not hide the note that was named wrong."""
    predicted = foreseen({**STANDING, "crow": parse_cents(expected)})
    # a neighbour whose crow is just what was typed, and whose notes are as likely as the reed's own
    beside = foreseen({**STANDING, "crow": parse_cents(typed)}).own
    predicted = ExpectedReading(predicted.own, {"R-2": beside}, {"R-2": (*NOTES, "crow")})
    taken = reading(crow_hz=parse_crow_hz(typed))
    (doubt,) = reading_doubts(taken, story(reading()), SHOP, foreseen=predicted)
    off = parse_cents(typed) - parse_cents(expected)
    side = "over" if off > 0 else "under"
    assert doubt.sentence.startswith(f"Crow {typed} is {abs(off):.0f} cents {side} what was predicted; F and E fit")
    if meant is None:
        assert (doubt.kind, doubt.meant) == ("unpredicted", ())
        return
    assert f". Was it {meant} (" in doubt.sentence
    assert (doubt.kind, dict(doubt.meant)) == ("crow-note", {"crow_hz": pytest.approx(parse_crow_hz(meant))})


def test_f_and_e_are_said_to_fit_only_where_the_gap_does() -> None:
    """Was: F and E fit, of a gap 13 cents off, since neither by itself was far from what was predicted."""
    expected = {"f": (100.0, 3.0), "e": (100.0, 3.0), "crow": (200.0, 5.0)}

    def said(f_cents: float, e_cents: float) -> str:
        notes = sounding({"f": f_cents, "e": e_cents})
        taken = reading(notes, crow_hz=hz_from_cents(310.0))
        return slip_doubts(taken, expected, SCALE)[0].sentence

    assert "F and E fit" in said(102.0, 98.0)
    assert "F and E fit" not in said(106.5, 93.5)


def test_a_reading_like_no_reed_is_asked_about_by_the_name_of_its_own() -> None:
    now = reading(sounding({note: cents + 70 for note, cents in STANDING.items()}))
    beside = foreseen({note: cents + 70 for note, cents in STANDING.items()}).own
    expected = ExpectedReading(foreseen(STANDING).own, {"R-2": beside})
    (doubt,) = reading_doubts(now, story(reading()), SHOP, foreseen=expected)
    assert doubt.sentence == "This does not read as R-1 should; is R-1 the right reed?"


def test_a_crow_alone_makes_no_other_reed() -> None:
    own, near = (foreseen({**STANDING, "crow": cents}).own for cents in (CROW_CENTS, CROW_CENTS + 19.0))
    beside = ExpectedReading(own, {"R-2": near}, {"R-2": (*NOTES, "crow")})
    f_and_e = {note: sounding()[note] for note in ("e", "f")}
    likes = reading(f_and_e, crow_hz=hz_from_cents(CROW_CENTS + 19.0))
    assert reads_like(outputs_cents(likes, SCALE), beside) == "R-2"
    (doubt,) = reading_doubts(likes, story(reading()), SHOP, foreseen=beside)
    assert doubt.sentence.startswith("The crow is 19 cents over what was predicted: misread, or")


@pytest.mark.parametrize(
    ("gauge_mm", "known_mm", "asked_about"),
    [
        (18.0, [35.9, 38.0, 41.6], True),
        (90.0, [35.9, 38.0, 41.6], True),
        (47.0, [35.9, 38.0, 41.6], False),
        (18.0, [35.9, 41.6], False),
        (40.9, [40.0, 40.0, 40.0], False),
        (None, [35.9, 38.0, 41.6], False),
    ],
)
def test_a_gauge_far_outside_the_shops_is_asked_about(
    gauge_mm: float | None, known_mm: list[float], asked_about: bool
) -> None:
    doubts = gauge_doubts(gauge_mm, known_mm)
    said = [f"{gauge_mm:g} mm is outside your 35.9 to 41.6; is it right?"] if asked_about else []
    assert [doubt.sentence for doubt in doubts] == said


def parse_cents(crow: str) -> float:
    from trimfit.base.pitch import cents_from_440

    return cents_from_440(parse_crow_hz(crow))


def test_taped_notes_are_not_judged() -> None:
    assert asked(reading(changed(f=sounding()["f"] * 0.97), taped=("f",))) == []


def test_with_nothing_learned_the_reading_judges_itself() -> None:
    right = sounding()
    swapped = reading({**right, "e": right["f"], "f": right["e"]})
    assert [doubt.kind for doubt in reading_doubts(swapped, story(), SHOP)] == ["swapped"]
    octave = reading({**right, "low_a": right["low_a"] * 2})
    assert [doubt.kind for doubt in reading_doubts(octave, story(), SHOP)] == ["octave"]
    flat_new_reed = {**STANDING, "f": 60.0, "e": 130.0}
    assert reading_doubts(reading(sounding(flat_new_reed)), story(), SHOP) == []


def test_a_reading_in_doubt_does_not_judge_the_next() -> None:
    right = sounding()
    swapped = Logged("rea-2", 2, 2.0, reading({**right, "e": right["f"], "f": right["e"]}), ("swapped: kept",))
    history = ReedHistory(REED, (*story(reading()).readings, swapped))
    assert reading_doubts(reading({"e": right["e"], "f": right["f"]}), history, SHOP) == []


def test_with_nothing_learned_the_last_reading_judges() -> None:
    fell = reading(sounding({**STANDING, "f": STANDING["f"] - 60}))
    (doubt,) = reading_doubts(fell, story(reading()), SHOP)
    assert doubt.sentence == "F is 60 cents under what was predicted; is it right?"
    elsewhere = Reading("R-1", "2026-03-31T10:00", chanter="Otter", notes_hz={"f": fell.notes_hz["f"], "e": 700.0})
    assert reading_doubts(elsewhere, story(reading()), SHOP) == []


@pytest.mark.parametrize(
    ("apart_cents", "kpa", "asked_about"), [(3.0, 6.0, False), (6.0, 6.0, True), (6.0, 7.0, False)]
)
def test_the_as_must_balance_allowing_for_pressure(apart_cents: float, kpa: float, asked_about: bool) -> None:
    cents = {**STANDING, "high_a": STANDING["low_a"] + apart_cents}
    doubts = reading_doubts(reading(sounding(cents), pressure_kpa=kpa), story(), SHOP)
    assert [doubt.kind for doubt in doubts] == (["a-unbalanced"] if asked_about else [])


def test_balance_says_which_way_to_seat() -> None:
    over, under = ({**STANDING, "high_a": STANDING["low_a"] + step} for step in (8.0, -8.0))
    (doubt,) = reading_doubts(reading(sounding(over)), story(), SHOP)
    assert "high A is 2.2 Hz over low A, as low A; seat the reed shallower" in doubt.sentence
    (doubt,) = reading_doubts(reading(sounding(under)), story(), SHOP)
    assert "under low A, as low A; seat the reed deeper" in doubt.sentence
    slip = {**sounding(), "low_a": 486.0}
    (doubt,) = reading_doubts(reading(slip), story(), SHOP)
    assert doubt.sentence.endswith("no seat takes them so far apart; is one of them mistyped?")


@pytest.mark.parametrize(
    ("f_cents", "octave_over_hz", "asked_about"),
    [(109.0, -2.5, False), (109.0, 4.0, True), (119.0, 0.5, False), (125.0, -3.5, True), (125.0, 0.0, False)],
)
def test_the_g_octave_and_the_gap_must_agree(f_cents: float, octave_over_hz: float, asked_about: bool) -> None:
    notes = sounding({**STANDING, "f": f_cents})
    a_hz = (notes["low_a"] + notes["high_a"] / 2.0) / 2.0
    taken = reading(notes, g_octave_hz=(a_hz + octave_over_hz) * 16 / 9)
    doubts = reading_doubts(taken, story(), SHOP)
    assert [doubt.kind for doubt in doubts] == (["g-octave"] if asked_about else [])


def test_no_trim_opens_the_gap() -> None:
    before = reading()
    opened = reading(sounding({**STANDING, "f": STANDING["f"] - 15}))
    cut, lips = Trim("R-1", "2026-03-31T09:50", 0.2), Trim("R-1", "2026-03-31T09:51", None, 2.0)
    (doubt,) = reading_doubts(opened, story(before, trims=(cut,)), SHOP)
    assert doubt.sentence == "The gap opened by 15 cents though 0.20 mm came off: no trim does that; is it right?"
    assert reading_doubts(opened, story(before, trims=(cut, lips)), SHOP) == []
    assert reading_doubts(opened, story(before), SHOP) == []


CUTS = [0.1, 0.2, 0.3, 0.25, 0.1, 0.1, 0.2, 0.15, 0.3]


@pytest.mark.parametrize(
    ("length_mm", "advised_mm", "said", "meant"),
    [
        (0.3, None, None, None),
        (0.35, None, "0.35 mm is longer than any cut before that is in no doubt (0.30 mm); is it right?", None),
        (1.4, 0.14, "1.4 mm is longer than any cut before that is in no doubt (0.30 mm); did you mean 0.14?", 0.14),
        (14.0, 0.14, "14 mm is longer than any cut before that is in no doubt (0.30 mm); did you mean 0.14?", 0.14),
        (1.5, None, "1.5 mm is longer than any cut before that is in no doubt (0.30 mm); did you mean 0.15?", 0.15),
        (15.0, None, "15 mm is longer than any cut before that is in no doubt (0.30 mm); did you mean 0.15?", 0.15),
        (3.1, None, "3.1 mm is longer than any cut before that is in no doubt (0.30 mm); did you mean 0.31?", 0.31),
        (9.1, None, "9.1 mm is longer than any cut before that is in no doubt (0.30 mm); is it right?", None),
        (0.21, 0.12, "0.21 mm is not the 0.12 mm advised; did you mean 0.12?", 0.12),
        (0.2, 0.12, None, None),
        (0.111, 0.11, None, None),
    ],
)
def test_long_cuts(length_mm: float, advised_mm: float | None, said: str | None, meant: float | None) -> None:
    trim = Trim("R-1", "2026-03-31T10:00", length_mm)
    doubts = [
        d
        for d in trim_doubts(trim, story(), SHOP, longest_mm=max(CUTS), cuts=len(CUTS), advised_mm=advised_mm)
        if d.kind == "trim-long"
    ]
    assert [doubt.sentence for doubt in doubts] == ([said] if said else [])
    assert [dict(doubt.meant).get("length_mm") for doubt in doubts] == ([meant] if said else [])


def test_a_new_shop_is_asked_only_of_very_long_cuts() -> None:
    trim = Trim("R-1", "2026-03-31T10:00", 0.9)
    assert trim_doubts(trim, story(), SHOP, longest_mm=None, cuts=0) == []
    assert trim_doubts(trim, story(), SHOP, longest_mm=0.2, cuts=2) == []
    (doubt,) = trim_doubts(Trim("R-1", "2026-03-31T10:00", 1.2), story(), SHOP, longest_mm=None, cuts=0)
    assert doubt.sentence == "1.2 mm is longer than a cut is thought to be (1.00 mm); is it right?"


def test_the_least_blade() -> None:
    taken = tuple(Trim("R-1", f"2026-03-31T09:{m}", 1.0) for m in range(10, 17))
    (doubt,) = trim_doubts(Trim("R-1", "2026-03-31T10:00", 1.2), story(trims=taken), SHOP, longest_mm=1.5)
    assert doubt.sentence == "That leaves 11.80 mm of blade, under the shop's least of 12 mm; is it right?"
    assert (
        trim_doubts(Trim("R-1", "2026-03-31T10:00", None, 3.0), story(trims=taken), SHOP, longest_mm=None, cuts=0) == []
    )


@given(
    st.dictionaries(st.sampled_from(NOTES), st.floats(160.0, 2400.0), min_size=1),
    st.one_of(st.none(), st.floats(210.0, 1400.0)),
    st.dictionaries(st.sampled_from(NOTES), st.sampled_from(["sounding", "as low A", "cents"])),
    st.booleans(),
)
def test_any_reading_gets_sentences_and_mended_values_are_pitches(
    notes: dict[str, float], crow_hz: float | None, heard: dict[str, str], learned: bool
) -> None:
    taken = reading(notes, crow_hz=crow_hz)
    expected = FORESEEN if learned else None
    for doubt in reading_doubts(taken, story(reading()), SHOP, foreseen=expected, typed=Typed(heard, 470.0)):
        assert doubt.sentence[0].isupper()
        assert doubt.sentence.endswith("?")
        assert all(value > 0 for _, value in doubt.meant)


@given(st.dictionaries(st.sampled_from(NOTES), st.floats(-9.9, 9.9), min_size=1))
def test_nothing_within_five_standard_deviations_is_a_slip(off: dict[str, float]) -> None:
    cents = {note: STANDING[note] + step for note, step in off.items()}
    kinds = {doubt.kind for doubt in asked(reading(sounding(cents)))}
    assert kinds <= {"a-unbalanced", MOVED}


def test_e_over_f_is_always_asked_about() -> None:
    right = sounding()
    (doubt,) = reading_doubts(reading({"e": right["f"], "f": right["e"]}), story(), SHOP)
    assert (doubt.kind, dict(doubt.meant)) == ("swapped", {"e_hz": right["e"], "f_hz": right["f"]})
    (doubt,) = reading_doubts(reading({"e": right["e"] * 1.6, "f": right["f"]}), story(), SHOP)
    assert (doubt.kind, doubt.meant) == ("gap-wide", ())
    flat_f = sounding({**STANDING, "f": STANDING["e"] - 140.0})
    assert reading_doubts(reading({"e": flat_f["e"], "f": flat_f["f"]}), story(), SHOP) == []


def test_a_line_typed_twice_is_asked_about() -> None:
    first = reading()
    before = ReedHistory(REED, (Logged("rea-1", 1, 1774951200.0, first),))  # 2026-03-31T10:00:00
    for seconds, kinds in ((5, ["twice"]), (55, ["twice"]), (65, [])):
        minute, second = divmod(seconds, 60)
        again = Reading("R-1", f"2026-03-31T10:{minute:02d}:{second:02d}", chanter="Heron", notes_hz=first.notes_hz)
        assert [doubt.kind for doubt in reading_doubts(again, before, SHOP, foreseen=FORESEEN)] == kinds
    cut = Trim("R-1", "2026-03-31T10:00", 0.1)
    cut_before = ReedHistory(REED, before.readings, (Logged("tri-1", 2, 1774951200.0, cut),))
    for length_mm, kinds in ((0.1, ["twice"]), (0.11, [])):
        trim = Trim("R-1", "2026-03-31T10:00:20", length_mm)
        assert [one.kind for one in trim_doubts(trim, cut_before, SHOP, longest_mm=1.0)] == kinds
    # With a reading between it is another cut.
    read_since = ReedHistory(REED, (Logged("rea-1", 3, 1774951210.0, first),), cut_before.trims)
    assert trim_doubts(Trim("R-1", "2026-03-31T10:00:20", 0.1), read_since, SHOP, longest_mm=1.0) == []


def test_what_was_advised_is_not_asked_about_for_its_length() -> None:
    trim = Trim("R-1", "2026-03-31T10:00", 0.88)
    kinds = [one.kind for one in trim_doubts(trim, story(), SHOP, longest_mm=0.72)]
    assert kinds == ["trim-long"]
    assert trim_doubts(trim, story(), SHOP, longest_mm=0.72, advised_mm=0.88) == []


def test_many_lip_strokes_are_asked_about_where_none_of_the_type_had_so_many() -> None:
    trim = Trim("R-1", "2026-03-31T10:00", lip_strokes=25.0)
    (doubt,) = trim_doubts(trim, story(), SHOP, longest_mm=0.3, most_strokes=12.0)
    assert doubt.sentence == "25 lip strokes in one trim are more than 12; is it right?"
    assert trim_doubts(trim, story(), SHOP, longest_mm=0.3, most_strokes=25.0) == []
    assert trim_doubts(replace(trim, lip_strokes=10.0), story(), SHOP, longest_mm=0.3) == []


def test_several_values_off_may_be_the_reading_before() -> None:
    off = sounding({**STANDING, "e": STANDING["e"] + 140.0, "b": STANDING["b"] - 140.0})
    doubts = asked(reading(off), story(reading()))
    assert len(doubts) == 2
    assert "another reed's" not in doubts[0].sentence
    assert doubts[-1].sentence.endswith("Or was the reading of 2026-03-31 10:00 another reed's?")
    (one,) = asked(reading({**sounding(), "e": off["e"]}), story(reading()))
    assert "another reed's" not in one.sentence


def test_a_reed_handed_over_unread_or_off_is_asked_about() -> None:
    good = Outcome("R-1", "2026-03-31T11:00", "good")
    (doubt,) = outcome_doubts(good, story(), SHOP)
    assert (doubt.kind, doubt.column) == ("good-unread", "outcome")
    (doubt,) = outcome_doubts(good, story(reading()), SHOP)
    assert doubt.kind == "good-off"
    assert "F 2.7 Hz under E" in doubt.sentence
    # worked in another chanter than its order's: what is good there is not F and E together here
    assert outcome_doubts(good, replace(story(reading()), order=Order("O-1", "Far")), SHOP) == []
    (doubt,) = outcome_doubts(good, replace(story(reading()), order=Order("O-1", "Heron")), SHOP)
    assert doubt.kind == "good-off"
    even = reading(sounding({**STANDING, "e": STANDING["f"] + 2.0}))
    assert outcome_doubts(good, story(even), SHOP) == []
    even_pitch = sum(hz / ratio for hz, ratio in ((even.notes_hz["f"], 5 / 3), (even.notes_hz["e"], 3 / 2))) / 2
    for off_hz, said in ((0.0, []), (3.0, []), (7.0, ["good-off"])):
        order = Order("O-1", "Heron", target_pitch_hz=round(even_pitch + off_hz, 1))
        assert [one.kind for one in outcome_doubts(good, replace(story(even), order=order), SHOP)] == said
    (doubt,) = outcome_doubts(good, story(even, trims=(Trim("R-1", "2026-03-31T10:30", 0.2),)), SHOP)
    assert "0.20 mm came off R-1 since" in doubt.sentence
    assert outcome_doubts(Outcome("R-1", "2026-03-31T11:00", "lost"), story(), SHOP) == []


def test_an_outcome_of_an_earlier_day_is_seen_from_what_the_log_had_of_the_reed_by_then() -> None:
    """Was: what was read and cut later, as if it had been so when the reed was handed over."""
    early, day_s = Outcome("R-1", "1970-01-02T12:00", "good"), 86400.0
    off = Logged("rea", 1, 5.0 * day_s, reading())
    (doubt,) = outcome_doubts(early, replace(story(), readings=(off,)), replace(SHOP, time_zone="UTC"))
    assert doubt.sentence == "R-1 was never read with F and E; is it good?"
    cut = Logged("tri", 2, 4.0 * day_s, Trim("R-1", "1970-01-05T00:00+00:00", 0.2))
    (doubt,) = outcome_doubts(early, replace(story(), trims=(cut,)), replace(SHOP, time_zone="UTC"))
    assert (doubt.kind, doubt.column) == ("left-bench", "at")
    assert doubt.sentence == "R-1 was cut after that (1970-01-05 00:00); are reed and time right?"
    # one that came back may well be cut then
    back = Logged("eve", 3, 3.0 * day_s, Event("R-1", "1970-01-04T00:00+00:00", "came back"))
    (doubt,) = outcome_doubts(early, replace(story(), trims=(cut,), events=(back,)), replace(SHOP, time_zone="UTC"))
    assert doubt.kind == "good-unread"


def _shifted(of: Reading, **cents: float) -> Reading:
    """A reading with some of its notes (or `all_notes`, or the crow) so many cents off what it showed."""
    notes = {
        note: hz * 2.0 ** ((cents.get("all_notes", 0.0) + cents.get(note, 0.0)) / 1200.0)
        for note, hz in of.notes_hz.items()
    }
    crow = None if of.crow_hz is None else of.crow_hz * 2.0 ** (cents.get("crow", 0.0) / 1200.0)
    return replace(of, notes_hz=notes, crow_hz=crow)


FOUR = Reading("R-1", "2026-03-31T10:00", "Heron", 530.0, {"e": 705.3, "f": 781.4, "low_a": 470.0, "high_a": 940.0})


def _predicted() -> ExpectedReading:
    """What the four notes and the crow showed, to two cents each and to three in common."""
    now = outputs_cents(FOUR, SCALE)
    return ExpectedReading(Joint(tuple(now), np.array(list(now.values())), 9.0 + 4.0 * np.eye(len(now))))


@pytest.mark.parametrize(
    ("cents", "said"),
    [
        (
            {"f": 6.0, "e": -6.0},
            "F 12 cents over what was predicted against E: misread, or has the reed moved?",
        ),
        ({"f": -7.0, "e": 7.0, "crow": -9.0}, "F 14 cents under what was predicted against E: misread, or"),
        ({"all_notes": 19.0, "crow": 19.0}, "All notes 19 cents over what was predicted: misread, or"),
        ({"f": 3.0, "e": -3.0}, ""),  # within what is predicted
        ({"f": -14.0}, "F 14 cents under what was predicted against E: misread, or has the reed moved?"),
        # each by itself within what is predicted, and together far outside
        ({"f": -4.5, "e": 4.5, "crow": -9.0}, "F 9 cents under what was predicted against E: misread, or"),
        ({"crow": -13.0}, "The crow is 13 cents under what was predicted: misread, or has the reed moved?"),
        (
            {"f": 24.0},
            "F is 24 cents over what was predicted; is it right?",
        ),  # F alone: the other four bear nothing out
    ],
)
def test_a_whole_reading_far_off_asks_whether_the_reed_has_moved(cents: dict[str, float], said: str) -> None:
    before = story(FOUR)
    now = _shifted(replace(FOUR, taken_at="2026-03-31T11:00"), **cents)
    doubts = reading_doubts(now, before, SHOP, foreseen=_predicted())
    assert [doubt.sentence[: len(said)] for doubt in doubts] == ([said] if said else [])
    # of a reed that something was done to since, nothing is predicted: nothing is asked
    event = Logged("eve-1", 3, 50.0, Event("R-1", "2026-03-31T10:30", "soaked"))
    assert reading_doubts(now, replace(before, events=(event,)), SHOP, foreseen=_predicted()) == []


def test_a_reed_handed_over_unread_since_an_event_is_asked_about() -> None:
    event = Logged("eve-1", 3, 50.0, Event("R-1", "2026-03-31T10:30", "soaked"))
    (doubt,) = outcome_doubts(Outcome("R-1", "2026-03-31T11:00", "good"), replace(story(FOUR), events=(event,)), SHOP)
    assert doubt.sentence == "R-1 was not read with F and E since it was logged as soaked; is it good?"


def test_a_swap_explains_itself_and_casts_no_doubt_on_the_reading_before() -> None:
    notes = sounding()
    (doubt,) = asked(reading({**notes, "f": notes["e"], "e": notes["f"]}), story(reading()))
    assert doubt.kind == "swapped"
    assert "another reed's" not in doubt.sentence


def test_a_cut_that_was_asked_for_is_in_no_doubt_for_its_length_as_a_hand_hits_it() -> None:
    """Was: 0.82 mm after 0.80 were asked for was in doubt, and left out of what was cut of its type ever after."""
    hit, slip = (Trim("R-1", "2026-03-31T10:00", length, asked_mm=0.8) for length in (0.82, 0.95))
    assert trim_doubts(hit, story(), SHOP, longest_mm=0.4, cuts=20) == []
    assert [one.kind for one in trim_doubts(slip, story(), SHOP, longest_mm=0.4, cuts=20)] == ["trim-long"]


def test_a_cut_where_none_was_meant_is_asked_about() -> None:
    trim = Trim("R-1", "2026-03-31T10:00", 0.1, asked_mm=0.0)
    (doubt,) = trim_doubts(trim, story(), SHOP, longest_mm=0.2)
    assert (doubt.kind, doubt.sentence) == ("asked-nothing", "0.1 mm came off where 0 was meant; is it right?")
    (doubt,) = trim_doubts(Trim("R-1", "2026-03-31T10:00", 0.1, asked_mm=2.0), story(), SHOP, longest_mm=0.5)
    assert (doubt.kind, doubt.sentence) == ("asked-far", "0.1 mm came off where 2 was meant; is it right?")
    assert trim_doubts(Trim("R-1", "2026-03-31T10:00", 0.02, asked_mm=0.08), story(), SHOP, longest_mm=0.5) == []
    strokes = Trim("R-1", "2026-03-31T10:00", None, 2.0, asked_mm=0.0)
    assert trim_doubts(strokes, story(), SHOP, longest_mm=0.2) == []
