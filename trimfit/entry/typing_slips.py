"""Slips of the hand and the ear at the bench: which of them explains a value that lies far from what was predicted.

Everything here is in cents as low A from 440 Hz. `expected` maps an output (`crow` or a note's key) to the mean and
the standard deviation of what the next reading should show. The kinds of slip are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations, pairwise

from trimfit.base.pitch import NOTES, OUTPUT_WORDS, REFERENCE_HZ, cents_from_440, crow_label, hz_from_cents
from trimfit.base.plain_words import cents_words
from trimfit.base.records import Doubt, Reading, ReedHistory

# DESIGN: doubtful is what lies outside what is foreseen by five standard deviations.
FAR_SD = 5.0
FIT_SDS = 2.0
"""F and E are said to fit within so many of the standard deviations of what was expected of them."""
# The kinds of doubt that a slip explains.
SLIP_KINDS = frozenset(
    {"swapped", "octave", "sign", "hertz-for-cents", "as-low-a", "digits", "first-digit", "crow-note"}
)
# With nothing learned: how far notes of one reading stand apart, how far a reading repeats, and what work adds.
# Assumptions, meant wide; cents, cents, cents per mm, cents per stroke (standard deviations).
ROUGH_APART_CENTS = 30.0
ROUGH_REPEAT_CENTS = 8.0
ROUGH_PER_MM_CENTS = 60.0
ROUGH_PER_STROKE_CENTS = 3.0


@dataclass(frozen=True, slots=True)
class Typed:
    """How the notes of a line were typed: `heard` by note (absent: sounding hertz), and what cents count from."""

    heard: Mapping[str, str]
    reference_hz: float | None = None


AS_SOUNDING = Typed({})


def median(values: Iterable[float]) -> float:
    """The middle of some values. The standard library's loads a dozen modules, in the path of every log entry."""
    found = sorted(values)
    half = len(found) // 2
    return found[half] if len(found) % 2 else (found[half - 1] + found[half]) / 2.0


def _named(output: str) -> str:
    return "the crow" if output == "crow" else OUTPUT_WORDS[output]


def outputs_cents(reading: Reading, scale: Mapping[str, Fraction]) -> dict[str, float]:
    """Crow and untaped notes of a reading, as low A, in cents from 440 Hz."""
    found = {
        note: cents_from_440(hz / float(scale[note]))
        for note, hz in reading.notes_hz.items()
        if note not in reading.taped
    }
    if reading.crow_hz is not None:
        found["crow"] = cents_from_440(reading.crow_hz)
    return found


def mistyped(doubts: Iterable[str]) -> bool:
    """Whether doubts kept with a reading say which slip its values come from: it shows nothing of its reed."""
    return any(doubt.partition(":")[0] in SLIP_KINDS for doubt in doubts)


def since_event(history: ReedHistory) -> ReedHistory:
    """The history with those readings alone that no event came after: what stood before it stands no more."""
    last_s = max((one.at_s for one in history.events), default=float("-inf"))
    return replace(history, readings=tuple(one for one in history.readings if one.at_s >= last_s))


def rough_expectation(
    reading: Reading, history: ReedHistory, scale: Mapping[str, Fraction]
) -> dict[str, tuple[float, float]]:
    """What a reading may show when nothing is learned yet: each output near the reed's last reading in the same
    chanter, allowing widely for the work done since; else each note near the middle of its own reading."""
    now = outputs_cents(reading, scale)
    notes = [cents for output, cents in now.items() if output != "crow"]
    # An octave slip must not drag the middle: it is the median, and it needs three notes to mean anything.
    expected = {n: (median(notes), ROUGH_APART_CENTS) for n in now if n != "crow"} if len(notes) >= 3 else {}
    before = [one for one in history.readings if one.record.chanter == reading.chanter and not mistyped(one.doubts)]
    if not before:
        return expected
    # A reading that was itself in doubt says little of the next one.
    last = next((one for one in reversed(before) if not one.doubts), before[-1])
    since = [one.record for one in history.trims if one.at_s >= last.at_s]
    sd = (
        ROUGH_REPEAT_CENTS
        + ROUGH_PER_MM_CENTS * sum(trim.length_mm or 0.0 for trim in since)
        + ROUGH_PER_STROKE_CENTS * sum(trim.lip_strokes or 0.0 for trim in since)
    )
    for output, cents in outputs_cents(last.record, scale).items():
        expected[output] = (cents, sd)
    return expected


def slip_doubts(
    reading: Reading,
    expected: Mapping[str, tuple[float, float]],
    scale: Mapping[str, Fraction],
    *,
    typed: Typed = AS_SOUNDING,
    after_cut: bool = True,
) -> list[Doubt]:
    """Doubts about values more than five standard deviations from `expected`, with the slip that explains each.

    scale: the shop's just ratios. typed: how the line was typed. after_cut: work was done since the last reading
    (for the sentence only).
    """
    now = outputs_cents(reading, scale)
    off = {output: now[output] - expected[output][0] for output in now if output in expected}
    far = [output for output in (*NOTES, "crow") if output in off and abs(off[output]) > FAR_SD * expected[output][1]]
    doubts: list[Doubt] = []
    for one, other in _swapped(reading, far, expected, scale):
        hz, other_hz = reading.notes_hz[one], reading.notes_hz[other]
        named, other_named = _named(one), _named(other)
        meant_words = f"did you mean {named} {other_hz:.1f} and {other_named} {hz:.1f}?"
        sentence = f"{named} and {other_named} look swapped; {meant_words}"
        meant = ((f"{one}_hz", other_hz), (f"{other}_hz", hz))
        doubts.append(Doubt("swapped", f"{one}_hz", _sentence(sentence), meant))
        far = [output for output in far if output not in (one, other)]
    if _shifted_together(far, off):
        sentence = f"everything {_off(median(off[output] for output in far))} {_given(after_cut)}"
        sentence += "; is it this reed, this chanter, this pressure?"
        return [*doubts, Doubt("other-reed", f"{far[0]}_hz", _sentence(sentence))]
    # where F and E are as predicted the crow alone is in doubt, and its note may be named wrong
    alone = far == ["crow"] and {"f", "e"} <= off.keys()
    for output in far:
        slip = _slip(reading, output, expected[output], scale, typed, alone=alone)
        named, fits = _named(output), ""
        if alone and reading.crow_hz is not None:
            named = f"crow {crow_label(reading.crow_hz)}"
            # each within its error, and so is what lies between them
            near = FIT_SDS * min(expected["f"][1], expected["e"][1])
            fit = max(abs(off["f"]), abs(off["e"]), abs(off["f"] - off["e"])) <= near
            fits = "; F and E fit" if fit else ""
        said = f"{named} {_off(off[output])} {_given(after_cut)}{fits}"
        if slip is None:
            sentence = f"{said}; is it right?"
            doubts.append(Doubt("unpredicted", f"{output}_hz", _sentence(sentence)))
            continue
        kind, words, hz = slip
        shown = f"{crow_label(hz)} ({hz:.1f} Hz)" if output == "crow" else f"{hz:.1f}"
        ask = words.format(shown) if "{" in words else f"{words}; did you mean {shown}?"
        sentence = f"{said}{ask}"
        doubts.append(Doubt(kind, f"{output}_hz", _sentence(sentence), ((f"{output}_hz", hz),)))
    return doubts


def _shifted_together(far: list[str], off: Mapping[str, float]) -> bool:
    """Whether most of a reading is off by about the same: no slip of one value, but another reed or way of blowing."""
    shifts = [off[output] for output in far]
    if len(far) < 3 or len(far) <= len(off) / 2 or min(shifts) * max(shifts) < 0:
        return False
    middle = abs(median(shifts))
    return middle < 600.0 and max(shifts) - min(shifts) <= max(20.0, 0.5 * middle)


def _off(cents: float) -> str:
    return f"is {cents_words(cents)} {'over' if cents > 0 else 'under'}"


def _given(after_cut: bool) -> str:
    return "what this cut should give" if after_cut else "what was predicted"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


# A crow named a semitone off leaves no more than this of how far it was off, and no more than half a semitone; so 72 to
# 150 cents are about a semitone. An assumption, no source.
SEMITONE_LEAVES, HALF_SEMITONE_CENTS = 0.4, 50.0
SIGN = ". Was it {}, the sign mistyped?"
# Slips with one outcome only: a value far off that they bring most of the way back is explained by them.
SURE_KINDS = ("octave", "as-low-a", "hertz-for-cents")


def _near_cents(sd: float, off_cents: float = 0.0) -> float:
    """How near to the predicted a mended value must come for a slip to count as its explanation.

    off_cents: how far off it was as typed, for the slips that so great an error hardly meets by chance.
    """
    return min(max(3.0 * sd, 8.0, 0.2 * abs(off_cents)), 60.0)


def _swapped(
    reading: Reading, far: list[str], expected: Mapping[str, tuple[float, float]], scale: Mapping[str, Fraction]
) -> Iterator[tuple[str, str]]:
    """Pairs of notes whose values, exchanged, both come near to what was predicted; each note in one pair at most.

    A higher note never sounds under a lower one: values that rise as their notes do are not swapped, whatever the
    reading before shows.
    """
    used: set[str] = set()
    for one, other in combinations([note for note in NOTES if note in reading.notes_hz and note in expected], 2):
        in_order = reading.notes_hz[one] <= reading.notes_hz[other]
        if in_order or used & {one, other} or not {one, other} & set(far):
            continue
        exchanged = ((one, reading.notes_hz[other]), (other, reading.notes_hz[one]))
        if all(_back(note, hz, reading, expected[note], scale) for note, hz in exchanged):
            used |= {one, other}
            yield one, other


def _back(
    note: str, hz: float, reading: Reading, predicted: tuple[float, float], scale: Mapping[str, Fraction]
) -> bool:
    """Whether `hz` in the place of what was typed brings a note back to what was predicted of it."""
    mean, sd = predicted
    typed_off, off = (cents_from_440(value / float(scale[note])) - mean for value in (reading.notes_hz[note], hz))
    return abs(off) <= _near_cents(sd, typed_off)


def _slip(
    reading: Reading,
    output: str,
    predicted: tuple[float, float],
    scale: Mapping[str, Fraction],
    typed: Typed,
    *,
    alone: bool = False,
) -> tuple[str, str, float] | None:
    """Kind, words and mended hertz of the slip that brings an output near to what was predicted. alone: F and E are as
    predicted: a crow that is off by about a semitone is then more likely named wrong than far off by itself."""
    mean, sd = predicted
    ratio = 1.0 if output == "crow" else float(scale[output])
    hz = reading.crow_hz if output == "crow" else reading.notes_hz[output]
    if hz is None:
        return None
    candidates = _crow_slips(hz) if output == "crow" else _note_slips(hz, ratio, typed.heard.get(output, ""), typed)
    best: tuple[float, tuple[str, str, float]] | None = None
    for kind, words, mended in candidates:
        miss = abs(cents_from_440(mended / ratio) - mean)
        typed_off = cents_from_440(hz / ratio) - mean
        near = _near_cents(sd, typed_off if kind in SURE_KINDS else 0.0)
        if alone and kind == "crow-note" and abs(cents_from_440(mended / hz * REFERENCE_HZ)) < 150.0:
            near = max(near, min(HALF_SEMITONE_CENTS, SEMITONE_LEAVES * abs(typed_off)))
        # Earlier kinds of slip are likelier: a later one must explain the value clearly better.
        if miss <= near and (best is None or (miss < 0.5 * best[0] - 1.0 and kind == best[1][0])):
            best = miss, (kind, words, mended)
    return best[1] if best else None


def _note_slips(hz: float, ratio: float, heard: str, typed: Typed) -> Iterator[tuple[str, str, float]]:
    """Every slip that a note's value may come from, likeliest first: kind, words, mended sounding hertz."""
    yield "octave", ", an octave low", 2.0 * hz
    yield "octave", ", an octave high", 0.5 * hz
    if heard == "cents" and typed.reference_hz:
        cents = 1200.0 * math.log2(hz / ratio / typed.reference_hz)
        yield "sign", SIGN, typed.reference_hz * ratio * 2.0 ** (-cents / 1200.0)
        if typed.reference_hz + cents > 0:
            yield "hertz-for-cents", ", hertz given for cents", (typed.reference_hz + cents) * ratio
        return
    if heard == "as low A":
        # The number typed was hz / ratio: it may have been the sounding hertz, or those an octave off.
        number = hz / ratio
        yield "octave", ", an octave low", 2.0 * number
        yield "octave", ", an octave high", 0.5 * number
        yield "as-low-a", ", sounding hertz read as low A", number
    else:
        number = hz
        yield "as-low-a", ", hertz as low A taken for sounding", hz * ratio
    for kind, mended in _digit_slips(number):
        yield kind, "", mended * ratio if heard == "as low A" else mended


def _digit_slips(number: float) -> Iterator[tuple[str, float]]:
    """The number with two neighbouring digits exchanged, then with another first digit.

    Another digit further on would explain nearly any value: it is no explanation.
    """
    text = f"{number:.1f}"
    places = [place for place, character in enumerate(text) if character.isdigit()]
    for one, other in pairwise(places):
        letters = list(text)
        letters[one], letters[other] = letters[other], letters[one]
        if letters[0] != "0" and "".join(letters) != text:
            yield "digits", float("".join(letters))
    for digit in "123456789":
        if digit != text[0]:
            yield "first-digit", float(digit + text[1:])


def _crow_slips(hz: float) -> Iterator[tuple[str, str, float]]:
    """Slips of a crow: the sign of its cents, the neighbouring note, an octave."""
    cents = cents_from_440(hz)
    # The note that the crow is called by stays: of C+22 it is C-22.
    yield "sign", SIGN, hz_from_cents(200.0 * round(cents / 100.0) - cents)
    for step in (100.0, -100.0, 200.0, -200.0):
        yield "crow-note", ". Was it {}?", hz_from_cents(cents + step)
    yield "octave", ", an octave low", 2.0 * hz
    yield "octave", ", an octave high", 0.5 * hz
    for kind, mended in _digit_slips(hz):
        yield kind, "", max(mended, REFERENCE_HZ / 100.0)
