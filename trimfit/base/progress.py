"""How long steps say how far they have come, and that they wait."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
"""Called with the step in words, how much of it is done, and how much it is as a whole."""


def quiet(step: str, done: int, whole: int) -> None:
    """A progress that says nothing."""


_waiting: list[Callable[[], object]] = []


def when_waiting(tell: Callable[[], object] | None) -> None:
    """Call this whenever a write has waited long for another program; None: nothing any more."""
    _waiting[:] = [] if tell is None else [tell]


def waits() -> None:
    """A write has waited long for another program."""
    for tell in _waiting:
        tell()
