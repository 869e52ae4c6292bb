"""The front door: `trimfit [--log PATH] VERB …`, and the one place where a failure becomes a line and an exit code."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from typer import Option

from trimfit import __version__
from trimfit.base.errors import TrimfitError
from trimfit.cli.context import app
from trimfit.cli.fast_path import DEFAULT_LOG
from trimfit.cli.output.answers import print_error
from trimfit.cli.output.screen import answer_is_all

# One file per family of verbs, in the order of the page of help.
FAMILIES = ("folders", "log", "bench", "ask", "orders", "learn", "reviews", "serve", "demo")
# Verbs that leave nothing behind but their answer.
ANSWERS_ONLY = frozenset({"ask", "predict", "pick", "rehearse", "review", "check"})

# What is meant by words that are no verb.
_MEANT = {
    **{
        word: f"log {word} …"
        for word in ("trim", "reading", "event", "outcome", "reed", "chanter", "order", "strike", "rename")
    },
    "cut": "log trim REED --length MM",
    "read": "log reading REED f=782.1 e=705.9",
    **{word: f"log outcome REED {word}" for word in ("good", "lost", "to-stock")},
    **{word: f"log event REED {word}" for word in ("moved", "soaked", "dropped")},
    "stock": "log outcome REED to-stock",
    "undo": "log strike --last",
    "delete": "log strike ENTRY",
    "remove": "log strike ENTRY",
    "list": "ask --all, or trimfit review reed REED for a reed's entries",
    "show": "review reed REED",
    "status": "ask --all",
}
# What the command line makes of Ctrl-C.
_INTERRUPTED = 130


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"trimfit {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    context: typer.Context,
    log: Annotated[
        Path | None,
        Option("--log", help="The log file. Else TRIMFIT_LOG, else bench.trimfit in this folder.", metavar="PATH"),
    ] = None,
    version: Annotated[
        bool, Option("--version", callback=_version, is_eager=True, help="Say the version and stop.")
    ] = False,
) -> None:
    if context.invoked_subcommand in ANSWERS_ONLY:
        answer_is_all()
    context.obj = log or Path(os.environ.get("TRIMFIT_LOG") or DEFAULT_LOG)


for _family in FAMILIES:
    import_module(f"trimfit.cli.{_family}")


def _ended(code: object) -> NoReturn:
    """Leave with the code that a verb ended with, where it ended with one."""
    if code == _INTERRUPTED:
        raise KeyboardInterrupt
    sys.exit(code if isinstance(code, int) else 0)


def _say_usage(error: Any) -> NoReturn:
    """A call that the command line itself refuses, in one line like every other fault; bare groups show their help."""
    context = getattr(error, "ctx", None)
    if context is None or type(error).__name__ == "NoArgsIsHelpError":
        error.show()
    else:
        said = " ".join(error.format_message().split()).rstrip(".")
        if said.startswith("No such command ") and (meant := _MEANT.get(said.split("'")[1].lower())):
            said = f"{said.partition('.')[0]}; say trimfit {meant}"
        typer.echo(f"{context.command_path}: {said}; see {context.command_path} --help", err=True)
    sys.exit(error.exit_code)


def main() -> None:
    """Run the command line; exit 0 answered, 2 the input or the request is wrong, 1 anything else."""
    try:
        _ended(app(standalone_mode=False))
    except TrimfitError as error:
        print_error(error)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        typer.echo("stopped; all that was acknowledged is in the log", err=True)
        sys.exit(1)
    except Exception as error:  # never a traceback for the person at the bench
        if hasattr(error, "format_message"):
            _say_usage(error)
        if os.environ.get("TRIMFIT_TRACEBACK"):
            raise
        typer.echo(
            f"trimfit: {type(error).__name__}: {error}; the log is unharmed; "
            "set TRIMFIT_TRACEBACK=1 and run it again to see where",
            err=True,
        )
        sys.exit(1)
