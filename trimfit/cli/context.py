"""The command line that the verbs join, the options they share, and the session on the log that a call is about."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer import Argument, Option
from typer.models import CommandFunctionType

from trimfit.base.errors import InputError
from trimfit.cli.output.screen import progress, say

if TYPE_CHECKING:
    from trimfit.base.progress import Progress
    from trimfit.session.session import Session

# What two options of the framework do, in the words of the rest.
_COMPLETION = {
    "install_completion": "Have the Tab key complete verbs and options in this shell.",
    "show_completion": "Print the script that does so.",
}


class _SaidOnce(typer.core.TyperCommand):
    """A verb whose options with a value are said once each: of two values one would be lost unseen."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        refuse_twice(self, ctx, args)
        return super().parse_args(ctx, args)


def refuse_twice(command: Any, ctx: Any, args: list[str]) -> None:
    """Raise InputError for an option of one value that a call gives twice. What the framework refuses goes on with the
    verb that it was said to."""
    if not args:
        return
    try:
        _, _, order = command.make_parser(ctx).parse_args(args=list(args))
    except Exception as error:
        if getattr(error, "ctx", ctx) is None:
            error.ctx = ctx  # type: ignore[attr-defined]
        raise
    single = [one.opts[0] for one in order if one.param_type_name == "option" and not (one.is_flag or one.multiple)]
    for flag in single:
        if single.count(flag) > 1:
            raise InputError("is said twice", flag, "say it once")


class Verbs(typer.Typer):
    """A family of verbs."""

    def command(self, *words: Any, **given: Any) -> Callable[[CommandFunctionType], CommandFunctionType]:
        """As typer's, of a verb whose options are said once."""
        return super().command(*words, **{"cls": _SaidOnce, **given})


class _AllVerbs(typer.core.TyperGroup):
    """All verbs, with options explained in one voice."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        refuse_twice(self, ctx, args)
        return super().parse_args(ctx, args)

    def get_params(self, ctx: Any) -> Any:
        params = super().get_params(ctx)
        for param in params:
            if param.name in _COMPLETION:
                param.help = _COMPLETION[param.name]  # type: ignore[attr-defined]
        return params


app = Verbs(
    name="trimfit",
    cls=_AllVerbs,
    help="Remembers every reed and every cut, learns how each reed type answers, and says how much more to take off."
    "\n\nExample: trimfit ask R-0412",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def option(flag: str, explained: str, metavar: str | None = None) -> Any:
    """An option; with a metavar it takes a value."""
    return Option(flag, help=explained, metavar=metavar)


def argument(explained: str, metavar: str) -> Any:
    """A word without a flag before it."""
    return Argument(help=explained, metavar=metavar)


Text = str | None
Json = Annotated[bool, option("--json", "Answer as JSON on stdout.")]
At = Annotated[
    Text,
    option(
        "--at",
        "As of that moment, as 2026-03-01T14:05: no later reading, trim, event or outcome of the reeds asked about "
        "counts, and none made on a later day; what types and chanters do is as all the log has taught by now. Else "
        "now, and entries that lie ahead count.",
        "TIME",
    ),
]


def log_path(context: typer.Context) -> Path:
    """The log that this call is about."""
    return Path(context.obj)


def here(path: Path) -> Path:
    """A path as it is named from the folder worked in, where it lies in that."""
    absolute = Path(os.path.abspath(path))
    return absolute.relative_to(Path.cwd()) if absolute.is_relative_to(Path.cwd()) else path


@contextmanager
def may_make_log(context: typer.Context) -> Iterator[Path]:
    """The log that this call is about. Where the call makes it, stderr says so: its name may be a slip; where it keeps
    nothing, none is left."""
    path = log_path(context)
    known = os.path.exists(path)
    try:
        yield path
    finally:
        if not known and os.path.exists(path):
            from trimfit.verbs.import_export import take_away_unused

            take_away_unused(path)
    if not known and os.path.exists(path):
        say_new(path)


def say_new(path: Path) -> None:
    """Say on stderr that this process made a log, if it did: another may have been first."""
    from trimfit.verbs.import_export import was_made_here

    if was_made_here(path):
        say(f"new log {here(path)}", err=True)


def session_of(context: typer.Context, as_json: bool, *, create: bool = False) -> AbstractContextManager[Session]:
    """A session on the log that this call is about; long steps are shown unless JSON is asked for."""
    from trimfit.session.session import Session

    return Session(log_path(context), create=create, progress=progress_of(as_json))


def progress_of(as_json: bool) -> Progress:
    """How a long step is shown; not at all where JSON is asked for."""
    from trimfit.base.progress import quiet

    return quiet if as_json else progress
