"""Which log a call is about, and the session on it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from trimfit.session.session import Session


def log_path(context: typer.Context) -> Path:
    """The log that this call is about."""
    found = context.obj
    return found if isinstance(found, Path) else Path(found)


def session_of(context: typer.Context, as_json: bool, *, create: bool = False) -> AbstractContextManager[Session]:
    """A session on the log that this call is about; long steps are shown unless JSON is asked for."""
    from trimfit.base.progress import quiet
    from trimfit.cli.output.json_values import progress
    from trimfit.session.session import Session

    return Session(log_path(context), create=create, progress=quiet if as_json else progress)
