"""How answers and failures are put on the screen: words for people, JSON for scripts."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import typer

from trimfit.errors import InputError, TrimfitError

__all__ = ["plain", "print_json", "progress", "say_error", "table"]


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
    return round(number, 6) if math.isfinite(number) else None


def print_json(value: Any) -> None:
    """The answer as JSON on stdout, and nothing else there."""
    typer.echo(json.dumps(plain(value), ensure_ascii=False, indent=2))


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


def progress(step: str, done: int, whole: int) -> None:
    """One moving line on stderr for a long step; silent when stderr is not a terminal."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        return
    width = 24
    filled = width if whole <= 0 else round(width * done / whole)
    sys.stderr.write(f"\r{step}  [{'=' * filled}{' ' * (width - filled)}] {done:,} of {whole:,}")
    if done >= whole:
        sys.stderr.write("\n")
    sys.stderr.flush()
