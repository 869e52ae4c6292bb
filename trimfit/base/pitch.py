"""Hertz, cents, the nine notes and their just ratios, "as low A", and the crow said as a note.

A note's pitch *as low A* is its sounding frequency divided by its just ratio: a chanter in tune reads the
same on all nine notes. Inside the program every pitch is in cents from 440 Hz:
`cents = 1200 * log2(f / 440)`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType

from trimfit.base.errors import InputError, short

REFERENCE_HZ = 440.0
# A's farther apart than so many tolerances are a slip of the hand, no badly seated reed.
SEATING_TOLERANCES = 8.0
NOTES = ("low_g", "low_a", "b", "c", "d", "e", "f", "high_g", "high_a")
OUTPUTS = ("crow", *NOTES)
OUTPUT_WORDS: Mapping[str, str] = MappingProxyType(
    {"crow": "crow", **{note: f"{note[:-1].replace('_', ' ')}{note[-1].upper()}" for note in NOTES}}
)
"""How an output is written for people: `low G`, `high A`, `crow`."""

DEFAULT_RATIOS: Mapping[str, Fraction] = MappingProxyType(
    {
        "low_g": Fraction(8, 9),
        "low_a": Fraction(1),
        "b": Fraction(9, 8),
        "c": Fraction(5, 4),
        "d": Fraction(4, 3),
        "e": Fraction(3, 2),
        "f": Fraction(5, 3),
        "high_g": Fraction(7, 4),
        "high_a": Fraction(2),
    }
)
# What a shop may choose instead; A, E and F are not in dispute.
RATIO_CHOICES: Mapping[str, tuple[Fraction, ...]] = MappingProxyType(
    {
        "low_g": (Fraction(8, 9), Fraction(7, 8)),
        "d": (Fraction(4, 3), Fraction(27, 20)),
        "high_g": (Fraction(7, 4), Fraction(16, 9), Fraction(9, 5)),
    }
)
# Semitones above the A at 440 Hz, in the octave that starts there; the crow of a chanter reed lies in it.
_SEMITONES = {"A": 0, "B": 2, "C": 3, "D": 5, "E": 7, "F": 8, "G": 10}
# Number, sign and direction of the cents, and the note with its sharp or flat: what a crow in words is made of.
_ACCIDENTAL = r"(?P<accidental>b|\s*(?:[#♯♭]|sharp|flat))?"
_CENTS = r"(?P<cents>[0-9]+(?:[.,][0-9]+)?)\s*(?:c|ct|cents?|¢)?"
_CROW_FORMS = tuple(
    re.compile(rf"\s*{form}\s*", re.IGNORECASE)
    for form in (
        rf"(?P<note>[A-G]){_ACCIDENTAL}",
        rf"(?P<note>[A-G]){_ACCIDENTAL}\s*(?P<sign>[+\-])\s*{_CENTS}",
        rf"(?P<note>[A-G]){_ACCIDENTAL}\s+{_CENTS}\s*(?P<way>sharp|flat)",
        rf"{_CENTS}\s*(?P<way>sharp|flat)\s*of\s+(?P<note>[A-G]){_ACCIDENTAL}",
    )
)
_CROW_UNSURE = re.compile(rf"\s*(?P<note>[A-G]){_ACCIDENTAL}\s*{_CENTS}\s*", re.IGNORECASE)
_CROW_HZ = re.compile(r"\s*(?P<hz>[0-9]+(?:[.,][0-9]+)?)\s*(?:hz|hertz)?\s*", re.IGNORECASE)
_SEMITONE_OF = {"#": 1, "♯": 1, "sharp": 1, "b": -1, "♭": -1, "flat": -1}


def ratios(low_g: str = "8/9", d: str = "4/3", high_g: str = "7/4") -> dict[str, Fraction]:
    """The nine just ratios to low A under the shop's choice for low G, D and high G.

    Raises InputError for a ratio that is not one of the choices.
    """
    chosen = {"low_g": low_g, "d": d, "high_g": high_g}
    return {**DEFAULT_RATIOS, **{note: ratio_of(note, text) for note, text in chosen.items()}}


def ratio_of(note: str, text: str) -> Fraction:
    """The just ratio to low A that a shop chooses for a note. Raises InputError for one that is not a choice."""
    options = RATIO_CHOICES[note]
    wanted = next((option for option in options if str(option) == text.replace(" ", "")), None)
    if wanted is None:
        known = " or ".join(str(option) for option in options)
        raise InputError(f"{text!r} is no ratio for {note}", "settings", f"say {known}")
    return wanted


def cents_from_440(hz: float) -> float:
    """Cents from 440 Hz of a frequency in Hz, `1200 log2(hz / 440)`; hz must be positive."""
    if not hz > 0 or math.isinf(hz):
        raise InputError(f"{hz} Hz is no frequency", remedy="give a positive number of hertz")
    return 1200.0 * math.log2(hz / REFERENCE_HZ)


def hz_from_cents(cents: float) -> float:
    """Frequency in Hz that lies `cents` above 440 Hz."""
    return float(REFERENCE_HZ * 2.0 ** (cents / 1200.0))


def as_low_a_cents(note: str, hz: float, scale: Mapping[str, Fraction] = DEFAULT_RATIOS) -> float:
    """A note's sounding frequency in Hz, read as low A, in cents from 440 Hz."""
    return cents_from_440(hz / float(scale[note]))


def note_hz(note: str, cents: float, scale: Mapping[str, Fraction] = DEFAULT_RATIOS) -> float:
    """Sounding frequency in Hz of a note whose pitch as low A is `cents` from 440 Hz."""
    return hz_from_cents(cents) * float(scale[note])


def hz_width_cents(width_hz: float, at_hz: float) -> float:
    """How many cents `width_hz` is at `at_hz`: one hertz at 470 Hz is 3.7 cents."""
    return 1200.0 * math.log2((at_hz + width_hz) / at_hz)


def parse_crow_hz(text: str) -> float:
    """A crow as the trade says it, in Hz at A = 440: `C+22`, `C + 22`, `D-15`, `C#`, `Csharp -10`, `30 sharp of C`,
    `D 20 flat`, `532`, `532 Hz`.

    The rule: `#`, `sharp`, `b`, `♭`, `flat` right after a note's letter belong to the note's name; cents need a sign
    before them, or `sharp` or `flat` after them. `D flat +20` is D flat and 20 cents, `D 20 flat` is D less 20 cents,
    and `D flat 20`, which may be meant as either, is refused with both spellings. Raises InputError.
    """
    plain = text.translate(_DASHES)
    if match := _CROW_HZ.fullmatch(plain):
        hz = float(match["hz"].replace(",", "."))
        if 0 < hz < math.inf:
            return hz
    for form in _CROW_FORMS:
        if match := form.fullmatch(plain):
            said = match.groupdict()
            cents = float((said.get("cents") or "0").replace(",", "."))
            down = said.get("sign") == "-" or (said.get("way") or "").lower() == "flat"
            if cents <= 100:
                return hz_from_cents(100.0 * _semitones(match) + (-cents if down else cents))
    raise InputError(*_no_crow(text, _CROW_UNSURE.fullmatch(plain)))


_DASHES = str.maketrans({"−": "-", "–": "-"})


def _semitones(match: re.Match[str]) -> int:
    """Semitones over the A at 440 Hz of the note that a crow's words name."""
    accidental = (match["accidental"] or "").strip().lower()
    return _SEMITONES[match["note"].upper()] + _SEMITONE_OF.get(accidental, 0)


def _no_crow(text: str, unsure: re.Match[str] | None) -> tuple[str, str, str]:
    """What is wrong with a crow, where, and what would be right; `unsure`: it is a note and cents without a sign."""
    if unsure is None or float(unsure["cents"].replace(",", ".")) > 100:
        return f"{short(text)!r} is no crow", "crow", "say a note and cents such as C+22 or D-15, or hertz: 532 Hz"
    note, cents = unsure["note"].upper(), unsure["cents"]
    step = _SEMITONE_OF.get((unsure["accidental"] or "").strip().lower(), 0)
    name = note + {1: "#", -1: "b", 0: ""}[step]
    if len((unsure["accidental"] or "").strip()) < 4:
        return (
            f"{short(text)!r} does not say whether {cents} cents sharp or flat",
            "crow",
            f"say {name}+{cents} or {name}-{cents}",
        )
    other = f"{note}{'+' if step > 0 else '-'}{cents}"
    return f"{short(text)!r} may be two crows", "crow", f"say {name}+{cents}, or {other}"


def crow_label(hz: float) -> str:
    """The crow as the nearest of the natural notes and C sharp, E flat … with whole cents: `C+22`."""
    cents = cents_from_440(hz)
    names = ("A", "Bb", "B", "C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab")
    semitone = round(cents / 100.0)
    rest = round(cents - 100.0 * semitone)
    return f"{names[semitone % 12]}{rest:+d}" if rest else names[semitone % 12]
