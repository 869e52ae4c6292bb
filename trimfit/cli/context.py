"""Which log a call is about."""

from __future__ import annotations

from pathlib import Path

import typer

__all__ = ["log_path"]


def log_path(context: typer.Context) -> Path:
    """The log that this call is about."""
    found = context.obj
    return found if isinstance(found, Path) else Path(found)
