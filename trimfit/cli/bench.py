"""`bench`: a sitting in the terminal, or lines piped in. Only the terminal is here; what happens is in
verbs.sitting.sitting."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from trimfit.cli.context import app, argument, option, session_of
from trimfit.cli.output.answers import json_text
from trimfit.cli.output.screen import fit_for_terminal, paint, prose_width, say

if TYPE_CHECKING:
    from trimfit.verbs.sitting.sitting import Sitting

EXAMPLE = """\
A sitting: type a reading, get the answer, log the cut.

Without reeds it goes through the work list. Lines may also be piped in, as a script; then blank lines and lines that
start with # say nothing, and a doubt that the next line does not answer is kept and marked.

Example: trimfit bench R-0412
"""
# Words carry the meaning; colour only helps the eye, and stays away when it is not wanted.
COLOURS = {"? ": typer.colors.YELLOW, "! ": typer.colors.RED, "> ": typer.colors.GREEN, "==": typer.colors.CYAN}


@app.command(help=EXAMPLE)
def bench(
    context: typer.Context,
    reeds: Annotated[list[str] | None, argument("Reeds or orders to go through. Else all work.", "REED…")] = None,
    json_out: Annotated[
        bool, option("--json", "Say nothing but the tally of the sitting at its end, as JSON.")
    ] = False,
) -> None:
    """Run a sitting on the log of this call; exit 2 if a piped line was refused."""
    from trimfit.verbs.sitting.sitting import sitting_on

    person = sys.stdin.isatty()
    width = prose_width() if person else 80
    with session_of(context, as_json=False) as session:
        sitting = sitting_on(session, tuple(reeds or ()), scripted=not person, width=width)
        lines = _Lines(quiet=json_out)
        lines.say(sitting.open())
        _end_as_by_hand()
        try:
            with _typing(sitting) if person else contextlib.nullcontext():
                _go_through(sitting, lines, person)
        except (KeyboardInterrupt, EOFError):
            say("", err=json_out)
        finally:
            # The terminal may be gone: what is held is logged before a word is said of it.
            lines.say(iter([*sitting.close()]))
        if json_out:
            say(json_text(sitting.tally))
        faults = sitting.faults
    if faults and not person:
        raise typer.Exit(2)


def _end_as_by_hand() -> None:
    """A closed terminal and a request to stop end a sitting as Ctrl-C does: a reading held in doubt is kept."""
    for name in ("SIGHUP", "SIGTERM"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.default_int_handler)


class _Lines:
    """Puts lines on the screen: faults on stderr when lines are piped in, everything else on stdout."""

    def __init__(self, *, quiet: bool) -> None:
        self.quiet = quiet
        self.colour = sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"

    def say(self, lines: Iterator[str], *, at: str = "") -> None:
        """Say each line as it comes; it is acted on meanwhile. at: where a refused line stands in the script."""
        for line in lines:
            refused = line.startswith("! ")
            if refused and at:
                say(f"{at}: {line[2:]}", err=True)
            elif not self.quiet and self.colour:
                paint(sys.stdout, typer.style(fit_for_terminal(line), fg=COLOURS.get(line[:2])) + "\n")
            elif not self.quiet:
                say(line)


def _go_through(sitting: Sitting, lines: _Lines, person: bool) -> None:
    if person:
        while not sitting.done:
            text = input(sitting.prompt())
            if text.strip().lower() == "clear" and lines.colour:
                paint(sys.stdout, "\x1b[2J\x1b[H")
            lines.say(sitting.feed(text))
        return
    for number, text in enumerate(_piped(), 1):
        lines.say(sitting.feed(text), at=f"line {number}")
        if sitting.done:
            return


def _piped() -> Iterator[str]:
    """Lines of standard input; bytes that are no UTF-8 come as replacement signs, never as an error."""
    for raw in sys.stdin.buffer:
        yield raw.decode("utf-8", errors="replace").removeprefix("\ufeff")


@contextlib.contextmanager
def _typing(sitting: Sitting) -> Iterator[None]:
    """History within the sitting, and completion of commands and reed names, where the machine has readline."""
    try:
        import readline
    except ImportError:
        yield
        return

    found: list[str] = []

    def complete(text: str, state: int) -> str | None:
        if state == 0:
            found[:] = sitting.completions(text)
        return found[state] if state < len(found) else None

    before, delimiters = readline.get_completer(), readline.get_completer_delims()
    readline.set_completer(complete)
    # A reed's name may hold blanks: the whole line is what grows.
    readline.set_completer_delims("\n")
    readline.parse_and_bind("bind ^I rl_complete" if "libedit" in (readline.__doc__ or "") else "tab: complete")
    try:
        yield
    finally:
        readline.set_completer(before)
        readline.set_completer_delims(delimiters)
