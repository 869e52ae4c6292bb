"""How long steps say how far they have come."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
"""Called with the step in words, how much of it is done, and how much it is as a whole."""


def quiet(step: str, done: int, whole: int) -> None:
    """A progress that says nothing."""
