"""What can go wrong, said once: what happened, where, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class TrimfitError(Exception):
    """A failure the user can act on.

    what: what is wrong; where: the file, reed, option or entry it was found at (may be empty);
    remedy: one thing to do. `exit_code` is what the command line returns.
    """

    exit_code = 1

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what, self.where, self.remedy = what, where, remedy
        super().__init__(self.line())

    def line(self) -> str:
        """The one line for stderr: `where: what; remedy`."""
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}; {self.remedy}" if self.remedy else head


@dataclass(frozen=True, slots=True)
class Fault:
    """One bad cell or word of an input: where it stands, what is wrong, what would be right.

    copy: the lines of a file that the remedy speaks of, ready to copy.
    """

    where: str
    column: str
    what: str
    remedy: str
    copy: tuple[str, ...] = ()

    def line(self) -> str:
        """`file:line: column: what is wrong; what would be right`."""
        parts = [part for part in (self.where, self.column, self.what) if part]
        return ": ".join(parts) + (f"; {self.remedy}" if self.remedy else "")


class InputError(TrimfitError):
    """The input or the request is wrong. Carries every fault found, not only the first."""

    exit_code = 2

    def __init__(self, what: str, where: str = "", remedy: str = "", faults: Sequence[Fault] = ()) -> None:
        self.faults = tuple(faults)
        super().__init__(what, where, remedy)

    def lines(self) -> list[str]:
        """One line a fault, or the one line of the error itself."""
        return [fault.line() for fault in self.faults] or [self.line()]


class LogError(InputError):
    """The file given as the log is not one, or is newer than this program."""


def nearest(word: str, known: Sequence[str]) -> str:
    """A remedy that names the known words that begin with the whole of `word`, as CH-07 plain does with CH-07; else the
    one most like it, and of several that are equally like it the one that begins most like it; else lists a few."""
    import difflib

    size, plain = len(word), _unpadded(word)
    whole = [other for other in known if other[:size].lower() == word.lower() and not other[size : size + 1].isalnum()]
    whole = [other for other in known if _unpadded(other) == plain] or whole
    if word and whole:
        return f"did you mean {' or '.join(other[:60] for other in sorted(whole)[:3])}?"
    close = difflib.get_close_matches(word, known, n=20, cutoff=0.6)
    if close:
        likeness = {other: difflib.SequenceMatcher(None, other, word).ratio() for other in close}
        best = max(close, key=lambda other: (likeness[other], _shared(other, word)))
        return f"did you mean {best[:60]}?"
    shown = ", ".join(list(known)[:8])
    return f"known here: {shown}" if shown else "nothing is known yet"


def _unpadded(name: str) -> str:
    """A name in small letters, its numbers without leading zeros: R-0001 is R-1."""
    import re

    return re.sub(r"0+(?=\d)", "", name.lower())


def _shared(one: str, other: str) -> int:
    """How many letters two names have in common at their beginning."""
    return next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
