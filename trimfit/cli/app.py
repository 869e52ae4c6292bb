"""The front door: `trimfit [--log PATH] VERB …`."""

from __future__ import annotations

import os
import re
import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from typer import Option

from trimfit import __version__
from trimfit.base.errors import InputError, log_is_named
from trimfit.cli.context import Text, app
from trimfit.cli.fast_path import DEFAULT_LOG
from trimfit.cli.output.failures import exit_code_of
from trimfit.cli.output.screen import answer_is_all, say

# One file per family of verbs, in the order of the page of help.
FAMILIES = ("folders", "log", "bench", "ask", "orders", "learn", "reviews", "serve", "demo")
# Verbs that leave nothing behind but their answer.
ANSWERS_ONLY = frozenset({"ask", "predict", "pick", "rehearse", "review", "check"})

# What is meant by words that are no verb.
_MEANT = {
    **{
        word: f"log {word} …"
        for word in ("trim", "reading", "event", "outcome", "reed", "chanter", "order", "strike", "amend", "rename")
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
    "letter": "review ticket --letter ORDER",
}


def _version(wanted: bool) -> None:
    if wanted:
        say(f"trimfit {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    context: typer.Context,
    log: Annotated[
        Text,
        Option("--log", help="The log file. Else TRIMFIT_LOG, else bench.trimfit in this folder.", metavar="PATH"),
    ] = None,
    version: Annotated[
        bool, Option("--version", callback=_version, is_eager=True, help="Say the version and stop.")
    ] = False,
) -> None:
    if context.invoked_subcommand in ANSWERS_ONLY:
        answer_is_all()
    if log is not None and not log.strip():
        raise InputError("the log's name is empty", "--log", "name the file, or leave --log out")
    log_is_named(log)
    context.call_on_close(lambda: log_is_named(None))
    context.obj = Path(log or os.environ.get("TRIMFIT_LOG") or DEFAULT_LOG)


for _family in FAMILIES:
    import_module(f"trimfit.cli.{_family}")


def _refused(error: Any) -> int | None:
    """A call that the command line itself refuses, in one line like every other fault; bare groups show their help."""
    if not hasattr(error, "format_message"):
        return None
    context = getattr(error, "ctx", None)
    if context is None or type(error).__name__ == "NoArgsIsHelpError":
        error.show()
    else:
        said = " ".join(error.format_message().split()).rstrip(".")
        if said.startswith("No such command ") and (meant := _MEANT.get(said.split("'")[1].lower())):
            said = f"{said.partition('.')[0]}; say trimfit {meant}"
        if said.startswith("No such option: -") and said[17:18].isdigit():
            said = "an amount is more than 0: write it without the minus, as --length 0.15"
        if valueless := re.fullmatch(r"Option '(\S+)' requires an argument", said):
            say(f"{valueless[1]}: no value after it; see {context.command_path} --help", err=True)
            return int(error.exit_code)
        if getattr(error, "option_name", "") == "--log":
            said = "--log goes before the verb: trimfit --log PATH VERB"
        say(f"{context.command_path}: {said}; see {context.command_path} --help", err=True)
    return int(error.exit_code)


def _run() -> object:
    code = app(standalone_mode=False, prog_name="trimfit")
    if code == 130:  # what the framework makes of Ctrl-C
        raise KeyboardInterrupt
    return code


def main() -> NoReturn:
    """Run the command line, and leave with its exit code."""
    sys.exit(exit_code_of(_run, _refused))
