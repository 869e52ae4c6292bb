"""Names are any text: here they are made fit for a file name and for a line on a picture or page.

Nothing here trusts a name: not its length, its characters, nor that two names differ in more than case.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from trimfit.base.errors import InputError
from trimfit.base.errors import short as shortened

STEM_LENGTH = 48
# Device names that some file systems keep for themselves, with or without an ending.
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)(\..*)?$", re.IGNORECASE)


def file_stem(name: str) -> str:
    """A file name without ending for any text: letters, digits, `-`, `_`, at most 60 characters, never empty.

    A name that is safe as it stands is kept. Any other is reduced to what is safe and gets eight digits of its
    SHA-256, so that names that differ get stems that differ, and the same name always gets the same stem.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    safe = re.sub(r"-{2,}", "-", re.sub(r"[^A-Za-z0-9_-]+", "-", plain)).strip("-_")[:STEM_LENGTH].rstrip("-_")
    if safe and safe == name and not _RESERVED.match(safe):
        return safe
    return f"{safe or 'name'}-{_digest(name)}"


def file_stems(names: Iterable[str]) -> dict[str, str]:
    """Stems for several names at once, distinct even where a file system ignores case: name -> stem."""
    stems: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        if name in stems:
            continue
        stem = file_stem(name)
        if stem.casefold() in taken:
            stem = f"{stem}-{_digest(name)}"
        stems[name] = stem
        taken.add(stem.casefold())
    return stems


def one_line(text: str) -> str:
    """`text` on one line, without characters that cannot be shown or that turn the reading direction.

    Line ends and tabs become blanks; other control characters, lone surrogates, private-use code points and
    noncharacters become U+FFFD; marks that override the reading direction are dropped. An empty name becomes
    `(no name)`.
    """
    kept: list[str] = []
    for character in text:
        kind = unicodedata.category(character)
        if character.isspace():
            kept.append(" ")
        elif kind == "Cf":
            # Joiners make up one emoji or one letter; every other format character is left out.
            kept.append(character if character in "\u200c\u200d" else "")
        else:
            kept.append("\ufffd" if kind in ("Cc", "Cs", "Co") or _no_character(ord(character)) else character)
    return " ".join("".join(kept).split()) or "(no name)"


def short(text: str, limit: int) -> str:
    """`text` on one line of at most `limit` characters; a longer one loses its middle, where names differ least."""
    return shortened(one_line(text), limit)


def sentence(text: str, limit: int = 240) -> str:
    """`text` on one line with a full stop at its end."""
    clean = short(text, limit)
    return clean if clean.endswith((".", "!", "?")) else f"{clean}."


def _no_character(code: int) -> bool:
    """Whether a code point is one that Unicode keeps from ever being a character."""
    return code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF


def _digest(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]


def refuse_link(path: Path) -> None:
    """Raises InputError for a link: what it leads to is not ours to write over."""
    if path.is_symlink():
        raise InputError("is a link, and is not written through", str(path), "take it away, or name another folder")
