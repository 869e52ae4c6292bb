"""The one place where a failure becomes a line on stderr and an exit code. Free of typer, for `fast_path`."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from trimfit.base.errors import Fault, InputError, TrimfitError
from trimfit.cli.output.screen import say

if TYPE_CHECKING:
    from pathlib import Path

MOST_ALIKE = 10
"""So many faults of one kind are listed one by one: same file, same column, same words but for the values in them."""
_VALUES = re.compile(r"'[^']*'|\"[^\"]*\"|[-+]?\d[\d.,]*")


def exit_code_of(run: Callable[[], object], refused: Callable[[Exception], int | None] = lambda error: None) -> int:
    """Do what was asked and give its exit code: 0 answered, 2 the input or the request is wrong, 1 anything else.

    refused: the code where an error is the command line's own, which it has told; else None.
    """
    from trimfit.base.progress import when_brought_up_to_date, when_waiting

    when_brought_up_to_date(_brought_up_to_date)
    when_waiting(lambda: say("waiting: another program is writing to the log", err=True))
    try:
        code = run()
        return code if isinstance(code, int) else 0
    except TrimfitError as error:
        print_error(error)
        return error.exit_code
    except KeyboardInterrupt:
        say("stopped; all that was acknowledged is in the log", err=True)
        return 1
    except Exception as error:  # never a traceback for the person at the bench
        if (told := refused(error)) is not None:
            return told
        if os.environ.get("TRIMFIT_TRACEBACK"):
            raise
        remedy = "the log is unharmed; set TRIMFIT_TRACEBACK=1 and run it again to see where"
        say(f"trimfit: {type(error).__name__}: {error}; {remedy}", err=True)
        return 1
    finally:
        when_waiting(None)
        when_brought_up_to_date(None)


def _brought_up_to_date(path: Path, as_it_was: Path) -> None:
    say(f"{path.name} was brought up to date for this trimfit; as it was: {as_it_was}", err=True)


def print_error(error: TrimfitError) -> None:
    """What is wrong, where, what to do: one line on stderr, or one for each fault of an input."""
    faults = error.faults if isinstance(error, InputError) else ()
    also = [error.also] if isinstance(error, InputError) and error.also else []
    say(*(_listed(faults) if faults else [_on_one_line(error.line())]), *map(_on_one_line, also), err=True)


def _on_one_line(text: str) -> str:
    return " ".join(text.split())


def _listed(faults: Sequence[Fault]) -> Iterator[str]:
    """One line a fault, with the lines to copy after it; of many alike the first ten, and after them how many more. At
    the end what is said of a file as a whole."""
    alike: dict[tuple[str, str, str], list[Fault]] = {}
    for fault in faults:
        if _of_a_file(fault):
            continue
        kind = (fault.where.partition(":")[0], fault.column, _VALUES.sub("…", f"{fault.what}; {fault.remedy}"))
        same = alike.setdefault(kind, [])
        same.append(fault)
        if len(same) <= MOST_ALIKE:
            yield _on_one_line(fault.line())
            yield from fault.copy
    for (file, column, _), same in alike.items():
        if len(same) > MOST_ALIKE:
            left = [fault.where.partition(":")[2] for fault in same[MOST_ALIKE:]]
            lines = f", lines {int(left[0]):,} to {int(left[-1]):,}" if left[0].isdigit() and left[-1].isdigit() else ""
            about = f"{file}: {column}: " if column else f"{file}: "
            yield _on_one_line(f"{about}{len(left):,} more like the {MOST_ALIKE} listed{lines}; {same[-1].remedy}")
    for fault in faults:
        if _of_a_file(fault):
            yield _on_one_line(fault.line())


def _of_a_file(fault: Fault) -> bool:
    return not fault.column and fault.where.lower().endswith(".csv")
