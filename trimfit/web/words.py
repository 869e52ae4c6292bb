"""What the templates say: the same words as the command line's, in pieces."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import urlencode

from trimfit.base.answers import Advice
from trimfit.base.errors import InputError
from trimfit.base.iso_dates import local_minute
from trimfit.base.pitch import OUTPUT_WORDS, crow_label
from trimfit.base.plain_words import chance_words, plain_name, signed
from trimfit.base.units import Interval
from trimfit.verbs.wording import CAUTIONS, advice_lines, first_lines

_NUMBER_AND_UNIT = re.compile(r"(\d) (mm|Hz|kPa|°C|cents?|%|lip)(?!\w)")
_FIELDS = {"--length": "Other amount, mm", "--lip": "Lip strokes", "--at": "Other time"}
ONE_LINE = 2000
"""Columns: a page breaks its own lines."""
ACTION_SIGNS = {"trim": "✂", "read-again": "♪", "finished": "✓", "past": "✕", "no-fit": "–"}


def _to_do(advice: Advice) -> str:
    """What to do, in as few words as there are."""
    return _in_one_piece(advice_lines(advice, ONE_LINE)[0].removeprefix("> "))


def _rests_on(advice: Advice) -> list[str]:
    """What the answer rests on, a sentence each."""
    return [_in_one_piece(line.strip()) for line in advice_lines(advice, ONE_LINE)[1:]]


def _in_one_piece(text: str) -> str:
    """Words in which no line breaks between a number and its unit."""
    return _NUMBER_AND_UNIT.sub("\\1\N{NO-BREAK SPACE}\\2", text)


def _span(value: Interval | None, sign: bool = True) -> str:
    """A mean with the ends of its 90 % interval, no finer than it is known."""
    if value is None:
        return ""
    digits = value.decimals(1)
    mean, low, high = (
        signed(cents, digits) if sign else f"{cents:.{digits}f}" for cents in (value.mean, value.low, value.high)
    )
    return f"{mean} ({low} to {high})"


def link(path: str, **query: str) -> str:
    """An address of this page; names are any text."""
    return f"{path}?{urlencode(query)}"


def _name(text: str | None, longest: int = 60) -> str:
    return plain_name(text or "", longest)


def _mm(length_mm: float) -> str:
    return f"{length_mm:.2f}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _column(column: str) -> str:
    """The name of an amount's column as people say it: `f_hz` F, `length_mm` Length."""
    name = column.rpartition("_")[0]
    return _sentence(OUTPUT_WORDS.get(name, name.replace("_", " ")))


def wrong_lines(error: InputError) -> list[str]:
    """What is wrong with a form, a line a fault, where the page's own words stand for the options of the command."""
    lines = [line.partition(": ") for line in error.lines()]
    return [f"{_FIELDS.get(where, where.removeprefix('--'))}{colon}{what}" for where, colon, what in lines]


def _first(advice: Advice) -> str:
    """What is to be settled before the advice is followed; mostly empty."""
    return " ".join(first_lines(advice, ONE_LINE))


FILTERS: Mapping[str, Callable[..., Any]] = {
    "column": _column,
    "first": _first,
    "to_do": _to_do,
    "rests_on": _rests_on,
    "span": _span,
    "minute": local_minute,
    "name": _name,
    "chance": chance_words,
    "mm": _mm,
    "sentence": _sentence,
    "signed": signed,
}
GLOBALS: Mapping[str, Any] = {
    "cautions": CAUTIONS,
    "crow_label": crow_label,
    "link": link,
    "output_words": {key: _sentence(word) for key, word in {**OUTPUT_WORDS, "gap": "gap"}.items()},
    "signs": ACTION_SIGNS,
}
