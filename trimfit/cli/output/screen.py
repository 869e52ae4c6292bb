"""The standard streams of a call: everything that trimfit prints passes here, and is made fit for a terminal.

Two promises. What a name holds (an escape sequence, a sign that turns the line around) never acts on the screen. And
what becomes of the words (a closed stream, a full disk, a pipe that nobody reads, an encoding that lacks a letter)
never changes what a call did: an entry that is in the log is answered with 0.
"""

from __future__ import annotations

import errno
import io
import os
import re
import sys
from typing import TextIO, cast

from trimfit.base.errors import TrimfitError

# Control characters but line feed and tab, the line separators, and the invisible signs that change the direction of
# what follows or mark text unseen (Unicode: categories Cc, Zl and Zp, the bidirectional controls of its Annex 9, the
# interlinear and tag characters), and halves of characters, which no encoding has.
_UNFIT = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufff9-\ufffb"
    "\ud800-\udfff\U000e0000-\U000e007f]"
)
_BEYOND_ASCII = re.compile("[^\x00-\x7f]")
# Nobody is there to read: that is no failure of the call.
_NOBODY_READS = (errno.EPIPE, errno.EBADF)


def fit_for_terminal(text: str) -> str:
    """`text` with a question mark in the place of whatever would act on a terminal instead of being shown."""
    return _UNFIT.sub("?", text)


def fit_for_json(text: str) -> str:
    r"""JSON that means the same, with `\u` escapes in the place of what a terminal or stdout's encoding cannot show.

    text: JSON as `json.dumps` writes it; in it such characters stand within strings only.
    """
    text = _UNFIT.sub(_escaped, text)
    if not text.isascii():
        try:
            text.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
        except UnicodeEncodeError:
            text = _BEYOND_ASCII.sub(_escaped, text)
    return text


def _escaped(found: re.Match[str]) -> str:
    units = found[0].encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{high:02x}{low:02x}" for high, low in zip(units[::2], units[1::2], strict=True))


def prose_width() -> int:
    """How wide sentences are set: as wide as the terminal, or COLUMNS where that is set, from 40 to 80."""
    try:
        columns = int(os.environ.get("COLUMNS") or os.get_terminal_size().columns)
    except (OSError, ValueError):
        columns = 80
    return min(max(columns, 40), 80)


class Screen(io.TextIOBase):
    """A standard stream that takes any text and never fails. `needed`: a call whose words are lost here did nothing."""

    def __init__(self, stream: TextIO) -> None:
        """Stand before `stream`; a letter that its encoding lacks is shown with a question mark."""
        self._stream = stream
        self.needed = False
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """The encoding of the stream behind."""
        return self._stream.encoding or "utf-8"

    @property
    def errors(self) -> str:  # type: ignore[override]
        """What becomes of a letter that the encoding lacks."""
        return "replace"

    def fileno(self) -> int:
        """The number of the file behind."""
        return self._stream.fileno()

    def isatty(self) -> bool:
        """Whether a terminal is behind."""
        return self._stream.isatty()

    def writable(self) -> bool:
        """Always: what cannot be written is dropped."""
        return True

    def write(self, text: str) -> int:
        """Write text that may hold anything."""
        fit = fit_for_terminal(text)
        if fit:  # typer tries a stream with no text, and takes no failure
            self.write_as_is(fit)
        return len(text)

    def write_as_is(self, text: str) -> None:
        """Write what the program itself says to a terminal: colours, a cleared screen, a line written anew."""
        try:
            self._stream.write(text)
        except (OSError, ValueError) as error:
            self._to_nowhere(error)

    def flush(self) -> None:
        """Hand over what was written."""
        try:
            self._stream.flush()
        except (OSError, ValueError) as error:
            self._to_nowhere(error)

    def _to_nowhere(self, error: OSError | ValueError) -> None:
        """Drop this and all that follows; of stdout stderr says so, once. Raises TrimfitError where the words were all
        there was to do."""
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, self._stream.fileno())
        os.close(nowhere)
        if self is not sys.stdout or not isinstance(error, OSError) or error.errno in _NOBODY_READS:
            return
        what = error.strerror or str(error)
        if self.needed:
            self.needed = False
            raise TrimfitError(what, "stdout", "the answer is not whole: make room, ask again")
        say(f"stdout: {what}; what was asked for is done, but the answer could not be printed", err=True)


def open_streams() -> None:
    """Make the three standard streams usable whatever the caller closed, and put a `Screen` before two of them."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            # The lowest free number is this one: no file opened later, such as the log, gets it and is written to.
            os.open(os.devnull, os.O_RDWR)
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", closefd=False)
    sys.stdout, sys.stderr = (
        cast(TextIO, Screen(stream or open(number, "w", encoding="utf-8", closefd=False)))
        for number, stream in ((1, sys.stdout), (2, sys.stderr))
    )


def progress(step: str, done: int, whole: int) -> None:
    """One moving line on stderr for a long step; silent when stderr is not a terminal."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        return
    width = 24
    filled = width if whole <= 0 else round(width * done / whole)
    end = "\n" if done >= whole else ""
    count = f" {done:,} of {whole:,}" if whole > 1 else ""  # of one step there is nothing to count
    bar = f"[{'=' * filled}{' ' * (width - filled)}]{count}"
    paint(sys.stderr, f"\r{fit_for_terminal(step)}  {bar}{end}")


def answer_is_all() -> None:
    """Say that this call only answers: a stdout that cannot be written, though somebody reads, fails it."""
    if isinstance(sys.stdout, Screen):
        sys.stdout.needed = True


def say(*lines: str, err: bool = False) -> None:
    """Write lines to stdout, or with `err` to stderr, at once."""
    if lines:
        stream = sys.stderr if err else sys.stdout
        stream.write("\n".join(lines) + "\n")
        stream.flush()


def prose(text: str, hang: str = "  ") -> list[str]:
    """A sentence in lines that fit the screen, the later ones set in."""
    from trimfit.base.plain_words import wrapped

    return wrapped(text, prose_width(), hang)


def paint(stream: TextIO, text: str) -> None:
    """Write what the program itself says to a terminal, signs that act on it included; names in it were made fit."""
    (stream.write_as_is if isinstance(stream, Screen) else stream.write)(text)
    stream.flush()
