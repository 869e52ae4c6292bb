"""The notes of each chanter as `review chanters` gives them: intervals, and in words what to look at."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction

from trimfit.base.normal import interval
from trimfit.base.pitch import OUTPUT_WORDS, OUTPUTS, RATIO_CHOICES
from trimfit.base.plain_words import cents_words
from trimfit.base.units import Interval
from trimfit.regression.chanters.notes import NoteOffset, chanter_notes, crow_over_kind_cents
from trimfit.regression.fitted_model import FittedModel
from trimfit.review.results import ChanterNote

RATIO_LEAST_CENTS, RATIO_NEAR_CENTS = 12.0, 6.0
"""So far from the meeting pitch a note must lie, and so near to another ratio's place, for that ratio to be named."""
LEAST_CROW_CENTS = 10.0


def notes_and_words(
    model: FittedModel, scale: Mapping[str, Fraction]
) -> dict[str, tuple[tuple[ChanterNote, ...], str]]:
    """Of each chanter that the fitted model knows its notes, and in words which are off and what may be the cause.

    scale: the just ratios in force.
    """
    found = chanter_notes(model)
    of_shop = _ratios_of_shop(found, scale)
    out = {}
    for c, (name, notes) in enumerate(found.items()):
        lean = "its kind" if model.hierarchy.kind_of[c] >= 0 else "the shop's chanters"
        words = [_words(note, lean, scale) for note in notes if note.unusual]
        if any(note.unusual and note.note in ("e", "f") for note in notes):
            crow = crow_over_kind_cents(model, name)
            if abs(crow) >= LEAST_CROW_CENTS:
                words.append(f"it asks for a crow {cents_words(crow)} {_side(crow, 'sharper', 'flatter')} than {lean}")
        words += [tape_words(*one) for one in tapes_of_chanter(model, name)]
        words += [of_shop[note.note] for note in notes if note.note in of_shop and not note.unusual]
        out[name] = tuple(_note(note) for note in notes), "; ".join(words)
    return out


def tapes_of_chanter(model: FittedModel, chanter: str | None) -> list[tuple[str, Interval]]:
    """The notes of a chanter that were read with tape on: each with how far the tape moves it, cents."""
    out = []
    for number, (code, output) in enumerate(model.tapes):
        if model.coding.chanters[code] == chanter:
            out.append((OUTPUTS[output], interval(*model.tape_cents(number))))
    return out


def tape_words(note: str, shift: Interval) -> str:
    """How far tape brings a note down, in words."""
    mean, less, more = (abs(cents) for cents in (shift.mean, shift.high, shift.low))
    way = "brings it down" if shift.mean < 0 else "brings it up"
    return f"tape on {OUTPUT_WORDS[note]} {way} {cents_words(mean)} ({min(less, more):.0f} to {max(less, more):.0f})"


def _note(found: NoteOffset) -> ChanterNote:
    return ChanterNote(
        found.note,
        interval(found.offset_cents, found.offset_sd_cents),
        interval(found.unusual_cents, found.unusual_sd_cents),
        found.unusual,
    )


def _side(cents: float, over: str, under: str) -> str:
    return over if cents > 0 else under


def _words(note: NoteOffset, lean: str, scale: Mapping[str, Fraction]) -> str:
    """What may make one note unusual: another ratio it was cut for, its hole carved, or tape."""
    cents = note.unusual_cents
    said = f"{OUTPUT_WORDS[note.note]} {cents_words(cents)} {_side(cents, 'sharp', 'flat')} of {lean}"
    ratio = _ratio_for(note.note, cents, scale)
    if ratio is not None:
        return f"{said}: cut for the ratio {ratio}?"
    if cents < 0:
        return f"{said}: taped, or its hole small?"
    return f"{said}: {'tape it' if note.note == 'high_g' else 'carved?'}"


def _ratio_for(note: str, cents: float, scale: Mapping[str, Fraction]) -> Fraction | None:
    """The ratio that a shop may choose under which a note that lies so many cents off would not be off."""
    for ratio in RATIO_CHOICES.get(note, ()):
        step = 1200.0 * math.log2(ratio / scale[note])
        if ratio != scale[note] and abs(cents) >= RATIO_LEAST_CENTS and abs(cents - step) <= RATIO_NEAR_CENTS:
            return ratio
    return None


def _ratios_of_shop(found: Mapping[str, Sequence[NoteOffset]], scale: Mapping[str, Fraction]) -> dict[str, str]:
    """Notes that lie off in all the shop's chanters alike, where another ratio would explain it: note -> words."""
    out: dict[str, str] = {}
    for note in RATIO_CHOICES:
        here = [one.offset_cents for notes in found.values() for one in notes if one.note == note]
        middle = sorted(here)[len(here) // 2] if here else 0.0
        ratio = _ratio_for(note, middle, scale)
        if ratio is not None:
            off = f"{OUTPUT_WORDS[note]} {cents_words(middle)} {_side(middle, 'sharp', 'flat')} in the shop's chanters"
            out[note] = f"{off}: the ratio {ratio} would explain it (trimfit settings ratio_{note} {ratio})"
    return out
