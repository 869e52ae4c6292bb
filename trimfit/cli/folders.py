"""Verbs of this family are registered here."""

from __future__ import annotations

import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this family's verbs to the command line."""
