"""How long steps say how far they have come and that they wait, and that a log was brought up to date is told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

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


_raised: list[Callable[[Path, Path], object]] = []


def when_brought_up_to_date(tell: Callable[[Path, Path], object] | None) -> None:
    """Call this with the path of each log that is brought up to date and of the copy of it as it was; None: nothing
    any more."""
    _raised[:] = [] if tell is None else [tell]


def brought_up_to_date(path: Path, as_it_was: Path) -> None:
    """An older log at `path` was brought up to date; `as_it_was`: the copy that is kept."""
    for tell in _raised:
        tell(path, as_it_was)
