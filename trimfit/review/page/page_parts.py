"""The page while it is put together: its sections, the pictures drawn so far, and the phrases that sections share."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from trimfit.base.answers import Advice
from trimfit.base.plain_words import chance_words, numeral
from trimfit.base.units import Interval
from trimfit.review.page.html_pieces import figure, paragraph
from trimfit.review.pictures.style import Picture, Rendered, render, type_looks

MOST_ROWS = 60
LONGEST_WHY = 600
MISSING = {
    "glance": (
        "The log holds nothing to review yet.",
        "Log a reed and its first reading: <code>trimfit log reed</code>, <code>trimfit log reading</code>.",
    ),
    "work": (
        "No reed is in hand for an order.",
        "Log an order (<code>trimfit log order</code>) and name it on its reeds.",
    ),
    "batches": (
        "No batch can be judged yet.",
        "It takes at least one batch with readings; name the batch when a reed is logged.",
    ),
    "orders": ("No order is open.", "Log one: <code>trimfit log order</code>."),
    "reeds": (
        "No reed with a reading of F and E is on the bench.",
        "Take one: <code>trimfit log reading REED f=… e=…</code>.",
    ),
    "chanters": ("No chanter has a reading yet.", "Name the chanter on a reading: <code>--chanter</code>."),
    "types": (
        "Nothing is learned of a reed type yet.",
        "Log readings before and after a trim, then <code>trimfit learn</code>.",
    ),
    "movement": ("Nothing is known of how reeds move by themselves.", "Log readings of reeds."),
    "charts": (
        "There are no control charts yet.",
        "They need some eight batches of one type with readings, and the day each was made.",
    ),
    "finished": (
        "No reed has left the bench yet.",
        "Say so when one does: <code>trimfit log outcome REED good</code>.",
    ),
    "numbers": ("There are no numbers yet.", "Log readings before and after a trim."),
}
"""What stands in a section that is empty: what is not there yet, and how to get it."""


class Folio:
    """The page being put together: its sections in order, the pictures drawn so far, and the look of each reed type."""

    def __init__(self, progress: Callable[[str], None] | None = None, types: Iterable[str] = ()) -> None:
        self.looks = type_looks(types)
        self.sections: list[tuple[str, str, str]] = []
        self.drawn: dict[str, Rendered] = {}
        self._progress = progress

    def section(self, key: str, title: str, parts: list[str]) -> None:
        """Add a section; empty parts are left out. One with none says what is missing."""
        there = [part for part in parts if part] or [missing(*MISSING[key])]
        self.sections.append((key, title, "\n".join(there)))

    def picture(self, picture: Picture) -> str:
        """Draw a picture, remember it under a key of its own, and give its markup."""
        key, twin = picture.key, 2
        while key.casefold() in {known.casefold() for known in self.drawn}:
            key, twin = f"{picture.key}-{twin}", twin + 1
        if self._progress:
            self._progress(picture.title)
        self.drawn[key] = render(picture)
        return figure(picture, self.drawn[key], f"p{len(self.drawn)}")


def missing(what: str, how: str) -> str:
    """A note that says what is not there yet, and how to get it."""
    return paragraph(f"{what} {how}", "note")


def work_words(step: Advice) -> str:
    """`0.39 mm and 2 lip strokes`; empty where nothing is to be taken off."""
    length = f"{step.length_mm:.2f} mm" if step.length_mm else ""
    lips = f"{step.lip_strokes} lip {'stroke' if step.lip_strokes == 1 else 'strokes'}" if step.lip_strokes else ""
    return " and ".join(part for part in (length, lips) if part)


def left_out(shown: int, there: int, what: str, verb: str = "") -> str:
    """Says how many were left out, and which verb shows them all, if one does."""
    if there <= shown:
        return ""
    more = there - shown
    said = f"{more:,} more {what} {'is' if more == 1 else 'are'} left out here"
    return paragraph(f"{said}; <code>{verb}</code> shows all." if verb else f"{said}.", "quiet")


def between(value: Interval | None, form: str = "+.0f") -> str:
    """Markup of `+38 (+30 to +46)`, the brackets never broken apart; a dash for what is not known or not finite."""
    if value is None or not all(map(math.isfinite, (value.mean, value.low, value.high))):
        return "–"
    mean, low, high = (number(one, form) for one in (value.mean, value.low, value.high))
    return f'{mean} <span class="r">({low} to {high})</span>'


def number(value: float, form: str) -> str:
    """A number with a true minus sign, and no sign at all on a zero."""
    return numeral(value, form).replace("-", "\u2212")


def percent(chance: float) -> str:
    """A chance in words that never claim 0 or 100 %, and are not broken apart."""
    return chance_words(chance).replace(" %", "\u00a0%")
