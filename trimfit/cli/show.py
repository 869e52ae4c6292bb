"""How answers and failures are put on the screen: words for people, JSON for scripts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import typer

from trimfit.cli.values import json_text, plain, progress
from trimfit.errors import InputError, TrimfitError

__all__ = ["plain", "print_json", "progress", "say_error", "table"]


def print_json(value: Any) -> None:
    """The answer as JSON on stdout, and nothing else there."""
    typer.echo(json_text(value))


def say_error(error: TrimfitError) -> None:
    """What is wrong, where, what to do: one line on stderr, or one for each fault of an input."""
    lines = error.lines() if isinstance(error, InputError) else [error.line()]
    for line in lines:
        typer.echo(" ".join(line.split()), err=True)


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()) -> str:
    """A plain table: two blanks between columns; the columns numbered in `right` end flush."""
    body = [[" ".join(str(cell).split()) for cell in row] for row in rows]
    widths = [max([len(head), *(len(row[i]) for row in body)]) for i, head in enumerate(heads)]
    lines = []
    for row in [list(heads), *body]:
        cells = [
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)
