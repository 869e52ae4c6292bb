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
    """The input or the request is wrong. Carries every fault found, not only the first; also: a line after them."""

    exit_code = 2

    def __init__(
        self, what: str, where: str = "", remedy: str = "", faults: Sequence[Fault] = (), also: str = ""
    ) -> None:
        self.faults, self.also = tuple(faults), also
        super().__init__(what, where, remedy)

    def __str__(self) -> str:
        return "\n".join([self.line(), *(fault.line() for fault in self.faults)])

    def lines(self) -> list[str]:
        """One line a fault, or the one line of the error itself."""
        return [fault.line() for fault in self.faults] or [self.line()]


def not_a_folder(path: object, remedy: str) -> InputError:
    """The fault of a file that was named where a folder is meant."""
    return InputError("is a file, not a folder", str(path), remedy)


def unwritable(path: object, error: OSError) -> TrimfitError:
    """The fault of a file or folder that cannot be written: of the request, but where the disk is full or failing."""
    from errno import EDQUOT, EIO, ENOSPC
    from pathlib import Path

    if isinstance(error, FileExistsError | NotADirectoryError):
        place = Path(error.filename or str(path))
        file = next((one for one in (place, *place.parents) if one.is_file()), None)
        if file is not None:
            return not_a_folder(file, "name a folder you may write to")
    what = f"cannot be written ({error.strerror or error})"
    if error.errno in (EDQUOT, EIO, ENOSPC):
        return TrimfitError(what, str(path), "make room, or name another folder")
    return InputError(what, str(path), "name a folder you may write to")


class LogError(InputError):
    """The file given as the log is not one, or is newer than this program."""


MANY_NAMES = 2_000
"""Of more names than this only those are compared letter by letter that one slip of the hand tells from the word."""


FEW_NAMES, MOST_WORDS = 12, 30
"""So many names of a log are listed where none is meant, and so many words of a set that never grows; more are
counted."""


def nearest(word: str, known: Sequence[str], most: int = MOST_WORDS) -> str:
    """A remedy that names the known words that `word` may mean; where it means none, all of them (`listed`)."""
    return meant(word, known) or listed(known, most) or "nothing is known yet"


def listed(known: Sequence[str], most: int = FEW_NAMES) -> str:
    """The known words, none of which is meant; of more than `most` only how many; empty where there are none."""
    if len(known) > most:
        return f"none of the {len(known):,} known here is like it"
    return f"known here: {', '.join(map(short, known))}" if known else ""


def meant(word: str, known: Sequence[str]) -> str:
    """A remedy that names the known words that begin with the whole of `word`, as CH-07 plain does with CH-07; else the
    one most like it, and of several that are equally like it the one that begins most like it; else nothing."""
    import difflib

    size, plain = len(word), _unpadded(word)
    whole = [other for other in known if other[:size].lower() == word.lower() and not other[size : size + 1].isalnum()]
    whole = [other for other in known if _unpadded(other) == plain] or whole
    if word and whole:
        return f"did you mean {' or '.join(short(other) for other in sorted(whole)[:3])}?"
    pool = (
        known if len(known) <= MANY_NAMES else [other for other in known if _a_slip_apart(other.lower(), word.lower())]
    )
    # A letter alone is no slip of a longer word.
    close = difflib.get_close_matches(word, pool, n=20, cutoff=0.6) if size > 1 else []
    if not close:
        return ""
    likeness = {other: difflib.SequenceMatcher(None, other, word).ratio() for other in close}
    best = max(close, key=lambda other: (likeness[other], _shared(other, word)))
    return f"did you mean {short(best)}?"


def short(text: object, longest: int = 60) -> str:
    """A text on one line; of more than `longest` letters it loses its middle, where names differ least."""
    line = " ".join(str(text).split())
    tail = max(1, (longest - 1) // 3)
    return line if len(line) <= longest else f"{line[: longest - 1 - tail]}…{line[-tail:]}"


_log_named: list[str] = []


def log_is_named(path: str | None) -> None:
    """Say with what --log this call names its log, None for none: the commands that it tells name it too."""
    _log_named[:] = [] if path is None else [path]


def command(*words: str) -> str:
    """A command of trimfit on the log of this call, as it can be pasted into a shell: names whole, and quoted where
    they must be; with --log where that named the log."""
    from shlex import join

    said = join(("trimfit", *(word for path in _log_named for word in ("--log", path)), *words))
    _told.pop(said, None)
    _told[said] = None
    for oldest in list(_told)[:-MOST_TOLD]:
        _told.pop(oldest, None)
    return said


MOST_TOLD = 200
_told: dict[str, None] = {}


def commands_in(text: str) -> list[str]:
    """Those of the latest commands that `command` made that are told in `text`, in their order there."""
    found = [one for one in list(_told) if one in text]
    whole = [one for one in found if not any(one in other for other in found if other != one)]
    return sorted(whole, key=text.index)


def _unpadded(name: str) -> str:
    """A name in small letters, its numbers without leading zeros: R-0001 is R-1."""
    import re

    return re.sub(r"0+(?=\d)", "", name.lower()) if "0" in name else name.lower()


def _a_slip_apart(one: str, other: str) -> bool:
    """Whether two names are the same but for two letters that follow one another: a letter wrong, left out or put in,
    or two exchanged."""
    longest, shortest = max(len(one), len(other)), min(len(one), len(other))
    half = (longest - 2) // 2  # of the letters that are the same so many stand together, at the beginning or the end
    if longest - shortest > 2 or (half > 0 and one[:half] != other[:half] and one[-half:] != other[-half:]):
        return False
    same = _shared(one, other)
    return same + _shared(one[same:][::-1], other[same:][::-1]) >= longest - 2


def _shared(one: str, other: str) -> int:
    """How many letters two names have in common at their beginning."""
    return next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
