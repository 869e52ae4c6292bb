"""How answers and failures are put on the screen: words for people, JSON for scripts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

import typer

from trimfit.base.errors import Fault, InputError, TrimfitError
from trimfit.cli.output.json_values import json_text

# So many faults of one kind are listed one by one: same file, same column, same words but for the values in them.
MOST_ALIKE = 10
_VALUES = re.compile(r"'[^']*'|\"[^\"]*\"|[-+]?\d[\d.,]*")


def print_json(value: Any) -> None:
    """The answer as JSON on stdout, and nothing else there."""
    typer.echo(json_text(value))


def print_answer(as_json: bool, answer: Any, words: Callable[[], str]) -> None:
    """An answer as JSON for a script, else in words for a person."""
    typer.echo(json_text(answer) if as_json else words())


def print_error(error: TrimfitError) -> None:
    """What is wrong, where, what to do: one line on stderr, or one for each fault of an input."""
    faults = error.faults if isinstance(error, InputError) else ()
    for line in _listed(faults) if faults else [error.line()]:
        typer.echo(" ".join(line.split()), err=True)


def _listed(faults: Sequence[Fault]) -> Iterator[str]:
    """One line a fault, with the lines to copy after it; of many alike the first ten, and at the end how many more."""
    alike: dict[tuple[str, str, str], list[Fault]] = {}
    for fault in faults:
        kind = (fault.where.partition(":")[0], fault.column, _VALUES.sub("…", f"{fault.what}; {fault.remedy}"))
        same = alike.setdefault(kind, [])
        same.append(fault)
        if len(same) <= MOST_ALIKE:
            yield fault.line()
            yield from fault.copy
    for (file, column, _), same in alike.items():
        if len(same) > MOST_ALIKE:
            left = [fault.where.partition(":")[2] for fault in same[MOST_ALIKE:]]
            lines = f", lines {int(left[0]):,} to {int(left[-1]):,}" if left[0].isdigit() and left[-1].isdigit() else ""
            about = f"{file}: {column}: " if column else f"{file}: "
            yield f"{about}{len(left):,} more like the {MOST_ALIKE} listed{lines}; {same[-1].remedy}"


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
