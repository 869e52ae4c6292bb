"""One value of one column: what it may be, what is said when it is not, and its text in a CSV cell."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from trimfit.base import iso_dates
from trimfit.base.column_words import note_of
from trimfit.base.errors import Fault, InputError, nearest, short
from trimfit.base.pitch import DEFAULT_RATIOS, NOTES, RATIO_CHOICES, parse_crow_hz
from trimfit.base.units import BOUNDS, BY_UNIT, parse_number, plain_number
from trimfit.log.entry_kinds import OUTCOMES, Column, Kind, Row, Value

LONGEST_TEXT = 100_000
Scale = Mapping[str, Fraction]
_UNIT_SAID = re.compile(r"""\s*([+\-−]?[0-9.,]+)\s*(?:[^\W\d_]|[%"°″])""")
_CROW_SAID = re.compile(r"\s*[A-G]\s*(?:[#b♯♭+\-−–\d]|sharp|flat|$)|.*\bof\b", re.IGNORECASE)
# What a spreadsheet would run as a formula, with any quotation marks already in front of it.
_FORMULA = re.compile(r"'*[=+\-@\t\r]")


def guard(text: str) -> str:
    """A text cell as it is written: one more `'` in front of whatever a spreadsheet would run as a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def unguard(cell: str) -> str:
    """A text cell as it is meant: without the `'` that keeps a spreadsheet from running it."""
    return cell[1:] if cell[:1] == "'" and _FORMULA.match(cell) else cell


def folded_name(text: str) -> str:
    """A name with each run of white space (blanks, tabs, line breaks) as one blank, and none around it."""
    return " ".join(text.split())


def folded(kind: Kind, values: Sequence[Any]) -> Row:
    """A row's values with its names folded."""
    return tuple(
        folded_name(value) if column.sort == "name" and isinstance(value, str) else value
        for column, value in zip(kind.columns, values, strict=True)
    )


def number_text(value: float) -> str:
    """The shortest decimal text that reads back as the same number; whole numbers without a point."""
    if value == int(value) and abs(value) < 1e16:
        return str(int(value))
    return repr(value)


USUAL_LOW_A_HZ, FAR_FROM_USUAL = 470.0, 2.0 ** (2.0 / 12.0)
"""A usual low A, and the ratio to it, two semitones, from which a mended note is suggested no more. Assumptions."""
WIDEST_CENTS = 400.0
"""So far from its just target a note may be said to be."""


def hz_by_cents(note: str, cents: float, reference_hz: float, scale: Scale) -> float:
    """Sounding hertz of a note that is said in cents from its just target over the low A `reference_hz`."""
    return float(reference_hz * note_ratio(note, scale) * 2.0 ** (cents / 1200.0))


def note_ratio(note: str, scale: Scale) -> float:
    """A note's just ratio to low A; the overblown low G sounds an octave over low G."""
    return 2.0 * float(scale["low_g"]) if note == "g_octave" else float(scale[note])


def limits(column: Column) -> tuple[float, float]:
    """The lowest and highest value a number column may hold; a note's own follow from low A's, under any ratio that
    a shop may choose, so that what one shop logged another can read."""
    if column.bounds is None:
        return -math.inf, math.inf
    low, high = BOUNDS[column.bounds]
    if column.note is not None:
        low_a, high_a = BOUNDS["as_low_a_hz"]
        octave, note = (2.0, "low_g") if column.note == "g_octave" else (1.0, column.note)
        choices = [octave * float(ratio) for ratio in RATIO_CHOICES.get(note, (DEFAULT_RATIOS[note],))]
        low, high = max(low, low_a * min(choices)), min(high, high_a * max(choices))
    return low, high


def _out_of_bounds(column: Column, value: float, scale: Scale) -> InputError:
    """What is wrong with a number outside its limits, and which slip it looks like."""
    low, high = limits(column)
    remedy = f"give {plain_number(low, 5)} to {plain_number(high, 5)}"
    guesses: list[tuple[float, str]] = [
        (0.1, "a digit too many"),
        (-1.0, "without the sign"),
    ]
    if column.name in ("length_mm", "asked_mm"):
        guesses = [(0.01, "typed in hundredths"), (0.001, "typed in thousandths")][value >= 150.0 :]
    if column.note is not None:
        guesses = [(0.5, "an octave lower"), (2.0, "an octave higher"), *guesses]
        as_low_a, ratio = BOUNDS["as_low_a_hz"], note_ratio(column.note, scale)
        if as_low_a[0] <= value <= as_low_a[1]:
            guesses = [(ratio, "which reads as low A as typed"), *guesses]
    if round(value, 1) != value:
        guesses.append((10.0, "the point a place off"))
    possible = [(guess, slip) for factor, slip in guesses if low <= (guess := value * factor) <= high and guess]
    if column.note is not None:
        usual_hz = USUAL_LOW_A_HZ * note_ratio(column.note, scale)
        off = {guess: max(guess / usual_hz, usual_hz / guess) for guess, _ in possible}
        possible = sorted((one for one in possible if off[one[0]] < FAR_FROM_USUAL), key=lambda one: off[one[0]])
    for guess, slip in possible[:1]:
        meant = f"did you mean {plain_number(guess, 5)}, {slip}?"
        return InputError(f"{value:.7g} is out of bounds", column.name, f"{remedy}: {meant}")
    # Which digit was left out nobody knows: no number is named.
    missing = ": is a digit missing?" if low <= 10.0 * value <= high else ""
    return InputError(f"{value:.7g} is out of bounds", column.name, remedy + missing)


def number_value(column: Column, value: float, scale: Scale = DEFAULT_RATIOS) -> Value:
    """A number, if it is one, lies in the column's limits and is whole where it must be; InputError if not."""
    if not math.isfinite(value):
        raise InputError(f"{value} is not a number", column.name, "give a number, or leave it blank")
    low, high = limits(column)
    if not low <= value <= high:
        raise _out_of_bounds(column, value, scale)
    if column.sort == "whole":
        if value != int(value):
            raise InputError(f"{value:g} is not a whole number", column.name, "give a count such as 12")
        return int(value)
    return value or 0.0  # no negative zero


def text_value(column: Column, text: str) -> str | None:
    """A text without outer blanks, and of a name each run of white space as one blank, as every screen shows it; None
    when nothing is left. InputError for text that no log can keep."""
    word = folded_name(text) if column.sort == "name" else text.strip()
    if not word:
        return None
    if len(word) > LONGEST_TEXT:
        raise InputError(f"text of {len(word):,} characters", column.name, f"keep it under {LONGEST_TEXT:,}")
    if "\0" in word:
        raise InputError("holds a NUL character", column.name, "is this file really text?")
    if not word.isascii() and any("\ud800" <= letter <= "\udfff" for letter in word):
        raise InputError("holds bytes that are not UTF-8 text", column.name, "write it as UTF-8")
    return word


def name_value(kind: Kind, text: str) -> str:
    """The name of a reed, order or chanter as the log keeps names; InputError for one that no log can keep."""
    word = text_value(kind.columns[0], text)
    if word is None:
        raise InputError("the name is empty", kind.name, f"name the {kind.name}")
    return word


def _taped(words: Sequence[str], column: Column) -> str | None:
    notes = [note_of(word) for word in words]
    wrong = [word for word, note in zip(words, notes, strict=True) if note is None]
    if wrong:
        raise InputError(f"{short(wrong[0])!r} is no note", column.name, nearest(wrong[0], NOTES))
    return " ".join(note for note in NOTES if note in notes) or None


def _word_value(column: Column, word: str) -> Value:
    """The value of a text that is not blank and has no outer blanks, in a column that is not a number's."""
    if column.sort == "time":
        return iso_dates.parse_time(word)
    if column.sort == "date":
        return iso_dates.parse_date(word)
    if column.sort == "notes":
        return _taped(word.replace(",", " ").split(), column)
    if column.sort == "outcome" and word not in OUTCOMES:
        raise InputError(f"{short(word)!r} is no outcome", column.name, f"say {', '.join(OUTCOMES)}")
    if column.sort == "yes-no" and word not in ("yes", "no"):
        raise InputError(f"{short(word)!r} is neither yes nor no", column.name, "say yes, no, or leave it blank")
    return word


def _number(column: Column, cell: str, *, decimal_comma: bool) -> float:
    """A cell's number in its column's unit: bare, with a unit of that sort (`12 thou`, `26 inH2O`), a crow in words."""
    try:
        return parse_number(cell, decimal_comma=decimal_comma)
    except InputError:
        if column.name.endswith("crow_hz") and _CROW_SAID.match(cell):
            return parse_crow_hz(cell)
        parse = BY_UNIT.get(column.name.rpartition("_")[2])
        said = _UNIT_SAID.match(cell)
        if parse is None or said is None:
            raise
    parse_number(said[1], decimal_comma=decimal_comma)
    return parse(cell)


def from_text(column: Column, cell: str, scale: Scale = DEFAULT_RATIOS, *, decimal_comma: bool = False) -> Value:
    """A CSV cell's value, None when blank; InputError says what is wrong with it and what would be right."""
    if column.sort in ("real", "whole"):
        if not cell.strip():
            return None
        return number_value(column, _number(column, cell, decimal_comma=decimal_comma), scale)
    word = text_value(column, cell)
    if word is not None and word[0] == "'":
        word = text_value(column, unguard(word))
    return None if word is None else _word_value(column, word)


def _canonical_value(column: Column, raw: Any, scale: Scale) -> Value:
    if raw is None:
        return None
    if column.sort in ("real", "whole"):
        if isinstance(raw, (str, bytes)):
            raise InputError(f"{short(raw)!r} is not a number", column.name, "give a number")
        return number_value(column, float(raw), scale)
    if column.sort == "notes" and not isinstance(raw, str):
        return _taped(tuple(raw), column)
    word = text_value(column, str(raw))
    return None if word is None else _word_value(column, word)


def canonical(kind: Kind, raw: Sequence[Any], scale: Scale = DEFAULT_RATIOS) -> Row:
    """A record's values as the log keeps them: texts without outer blanks, numbers as float, blanks as None.

    Raises InputError with a fault for each value that cannot be kept.
    """
    values: list[Value] = []
    faults: list[Fault] = []
    for column, item in zip(kind.columns, raw, strict=True):
        try:
            value = _canonical_value(column, item, scale)
            if value is None and column.required:
                raise InputError("is empty", column.name, "give one")
        except InputError as error:
            # An outcome's column has the name of its kind: it is said once.
            named = "" if column.name == kind.name else column.name
            faults.append(Fault(kind.name, named, error.what, error.remedy))
            value = None
        values.append(value)
    faults += (
        [Fault(kind.name, name, what, remedy) for name, what, remedy in amounts(kind, values)] if not faults else []
    )
    if faults:
        raise InputError("the entry cannot be kept", kind.name, faults=faults)
    return tuple(values)


def amounts(kind: Kind, values: Sequence[Value]) -> list[tuple[str, str, str]]:
    """What is wrong with a row as a whole, as (column, what, remedy): a trim that took nothing off, a reading with no
    pitch."""
    if kind.name == "trim" and not values[kind.index["length_mm"]] and not values[kind.index["lip_strokes"]]:
        return [("length_mm", "nothing was taken off", "give length_mm, lip_strokes or both, more than 0")]
    if kind.name == "reading" and not any(
        value is not None and (column.note is not None or column.name == "crow_hz")
        for column, value in zip(kind.columns, values, strict=True)
    ):
        return [("", "nothing was read", "give a note or the crow")]
    return []
