"""Answers as they are printed: JSON for a script, words and tables for a person. Free of typer, for `fast_path`."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from trimfit.base.plain_words import plain_name, wrapped
from trimfit.cli.output.screen import fit_for_json, prose_width, say

LEAST_WORDS = 18
"""No column of sentences is narrower, however wide the columns before it are."""


def plain(value: Any) -> Any:
    """Records, mappings and numbers as JSON knows them; a number that is not finite becomes null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, bool) or value is None or isinstance(value, (str, int)):
        return value
    number = float(value)
    return round(number, 6) + 0.0 if math.isfinite(number) else None  # -0.0 is 0.0


def json_text(value: Any) -> str:
    """An answer as the JSON that is printed."""
    return fit_for_json(json.dumps(plain(value), ensure_ascii=False, indent=2))


def answer(as_json: bool, value: Any, words: Callable[[], Iterable[str]]) -> None:
    """Print an answer: as JSON for a script, and nothing else on stdout; else in words for a person, line by line."""
    say(*([json_text(value)] if as_json else words()))


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: Sequence[int] = (),
    wrap: bool = False,
    shorten: int | None = None,
) -> list[str]:
    """The lines of a plain table: two blanks between columns; the columns numbered in `right` end flush.

    wrap: the last column is of sentences, and is set in lines that fit the screen. shorten: the number of a column of
    names, whose cells are shortened where the table would be wider than the screen.
    """
    body = [[" ".join(str(cell).split()) for cell in row] for row in rows]
    widths = [max([len(head), *(len(row[i]) for row in body)]) for i, head in enumerate(heads)]
    if shorten is not None:
        others = sum(widths) - widths[shorten] + 2 * (len(widths) - 1)
        widths[shorten] = min(widths[shorten], max(prose_width() - others, LEAST_WORDS))
        for row in body:
            row[shorten] = plain_name(row[shorten], widths[shorten])
    start = sum(widths[:-1]) + 2 * (len(widths) - 1)
    room = max(prose_width() - start, LEAST_WORDS)
    lines = []
    for row in [list(heads), *body]:
        first, *more = wrapped(row[-1], room, "") if wrap else [row[-1]]
        cells = [
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip([*row[:-1], first], widths, strict=True))
        ]
        # a command wider than the column is whole all the same
        lines += [
            "  ".join(cells).rstrip(),
            *(" " * min(start, max(prose_width() - len(line), 0)) + line for line in more),
        ]
    return lines
