"""A reading typed as numbers alone, in the order in which the shop reads: `779.1 702.6 468.2 936.1 22`.

Made for one hand on a numeric keypad: a blank, `/` or `*` stands between numbers, point and comma are both decimal, 0
or a lone point is a value that was not taken. A crow from -100 to 100 is cents from C, as in `C+22`; else it is hertz,
or a note with its cents, `C#-18`.

The point may be left out of a pitch below 1000 Hz, for no note or crow sounds at 3000 Hz or above: `7791` is 779.1,
after a name too.
Such numbers of four digits may stand in a row without blanks, a crow of two digits after them: `779170264682936122` is
the line above. A row from which a digit was left out is refused, for the number of its digits is odd.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from trimfit.base.errors import InputError, short

_BETWEEN = re.compile(r"[\s/*]+")
_NUMBER = re.compile(r"[+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d*)")
_CROW = re.compile(r"[A-G][#b♯♭]?[+\-−–]\d+(?:[.,]\d+)?")
_TENTHS = "[3-9][0-9]{3}"
_ROW = re.compile(rf"(?:{_TENTHS}){{2,}}(?:[0-9]{{2}})?")
_LONG = re.compile("[0-9]{7,}")
LEAST_HZ = 100.0
"""No length, no strokes and no cents are typed so large: a line with such a number is a reading."""
SURELY = 3
"""So many numbers at its beginning make a line a reading, of which a word may be wrong: a trim has fewer."""


def _numbers(text: str) -> list[str]:
    """The numbers of a line, those that stand in a row without blanks taken apart."""
    words = [word for word in _BETWEEN.split(text.strip()) if word]
    return [number for word in words for number in (re.findall("..?.?.?", word) if _ROW.fullmatch(word) else [word])]


def with_point(text: str) -> str:
    """A number of hertz with its point put in, where four digits leave it out; any other text as it is."""
    return f"{text[:3]}.{text[3]}" if re.fullmatch(_TENTHS, text) else text


def is_unnamed(text: str) -> bool:
    """Whether a line is two or more numbers, one a pitch in hertz, and nothing else but a crow after the first; or
    begins with `SURELY` numbers, whatever follows them."""
    words = _numbers(text)
    if _LONG.fullmatch(text.strip()):
        return True
    numbers = [word for word in words if _NUMBER.fullmatch(word)]
    crows = [word for word in words[1:] if _CROW.fullmatch(word)]
    if len(words) < 2 or len(crows) > 1 or len(numbers) + len(crows) < len(words):
        numbers = numbers if all(map(_NUMBER.fullmatch, words[:SURELY])) and len(words) > SURELY else []
    return any(len(re.split("[.,]", word.lstrip("+-−"))[0]) >= len(f"{LEAST_HZ:.0f}") for word in numbers)


def with_names(text: str, order: Sequence[str]) -> str:
    """The line with the names of `order` before its numbers: `f 779.1 e 702.6 crow C+22`.

    order: names of notes and of the crow, as the shop's setting `line_order` has them. A line may stop short of the
    last names. Raises InputError for a word that is neither number nor crow, for more numbers than names, for a row
    that cannot be taken apart, and for a line that says nothing.
    """
    for place, word in enumerate((word for word in _BETWEEN.split(text.strip()) if word), 1):
        if not (_NUMBER.fullmatch(word) or _CROW.fullmatch(word)):
            note = re.fullmatch(r"([A-G][#b♯♭]?)(\d+)", word)
            remedy = (
                f"{note[1]}+{note[2]} or {note[1]}-{note[2]}"
                if note
                else "numbers and a crow as C+22, or each with its name"
            )
            raise InputError("neither a number nor a crow", f"word {place} ({short(word)})", remedy)
    words = _numbers(text)
    if wrong := next((word for word in words if _LONG.fullmatch(word)), ""):
        what = f"{short(wrong)}: {len(wrong)} digits are not numbers of four digits and a crow of two"
        raise InputError(what, remedy="type it again, or a blank between the numbers")
    if len(words) > len(order):
        what = f"{len(words)} numbers, and names for {len(order)}: {' '.join(order)}"
        raise InputError(what, remedy="say the names, or set the order: trimfit settings line_order …")
    pairs = [(name, value) for name, value in zip(order, map(with_point, words), strict=False) if value.strip("+-−0.,")]
    if misplaced := next(((name, value) for name, value in pairs if name != "crow" and _CROW.fullmatch(value)), None):
        name, value = misplaced
        what = f"{short(value)} is a crow, and {name} is read in its place"
        raise InputError(what, remedy=f"0 for what was not taken; the order is {' '.join(order)}")
    if not pairs:
        raise InputError("nothing was read in this line", remedy="give a note or the crow, such as f 779.1 crow C+22")
    return " ".join(f"{name} {_crow(value) if name == 'crow' else value}" for name, value in pairs)


def _crow(word: str) -> str:
    if _CROW.fullmatch(word):
        return word
    size = word.lstrip("+-−").replace(",", ".")
    if float(size) > 100.0:
        return word
    return f"C{word if word[0] in '+-−' else f'+{word}'}"
