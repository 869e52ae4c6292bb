"""The words of a line typed at the bench: which there are, where they stand, and what a line that begins so means."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from trimfit.base.column_words import NOTE_WORDS, OTHER_WORDS, ValueMeaning, key_of
from trimfit.base.errors import Fault, meant, short

SWITCHES: dict[str, ValueMeaning] = {
    "sounding": "sounding",
    "hz": "sounding",
    "as_low_a": "as low A",
    "as-low-a": "as low A",
    "aslowa": "as low A",
    "cents": "cents",
}
KNOWN_WORDS = sorted({*NOTE_WORDS, *OTHER_WORDS, *SWITCHES})
AMOUNTS = ("length_mm", "lip_strokes", "asked_mm")
TRIM_LEADS = ("trim", "cut", "took")
_SAID = {
    "length_mm": "length length_mm mm",
    "lip_strokes": "lip lips strokes lip_strokes",
    "asked_mm": "asked meant asked_mm",
    "at": "at done_at",
    "remark": "remark",
}
TRIM_WORDS = {word: column for column, words in _SAID.items() for word in words.split()}
_WORD = re.compile(r'(?:[^\s"]|"[^"]*"?)+')
GLUED = re.compile(r"^([A-Za-z_]+)([+\-−–]?[\d.,].*)$", re.DOTALL)
# Words after `crow` that can only belong to it.
CROW_WORD = re.compile(
    r"(?:[#♯♭]|sharp|flat)?[+\-−–]?(?:[\d.,]+(?:c|ct|cents?|¢|hz)?(?:sharp|flat)?)?|of|ct|¢|cents?|hz|hertz",
    re.IGNORECASE,
)
CROW_NOTE = re.compile(r"[A-G](?:[#b♯♭]|sharp|flat)?", re.IGNORECASE)
_CHANTER = re.compile(r"(?<!\S)(?:ch|chanter)(?:\s*=\s*|\s+)", re.IGNORECASE)
LENGTH = re.compile(r"[+\-−–]?[\d.,]+(mm|thou|in|inch|inches|um|[µμ]m)?", re.IGNORECASE)
VALUE = re.compile(r"^([+\-−–]?)([\d.,]+)(hz|hertz|cents|ct|c)?$", re.IGNORECASE)
NOTE_UNITS = ("hz", "cents", "ct")


@dataclass(frozen=True, slots=True)
class Word:
    """One word of a line: which it is (from 1), its text, and where in the line it ends."""

    place: int
    text: str
    end: int

    def fault(self, column: str, what: str, remedy: str) -> Fault:
        """A fault at this word."""
        return Fault(f"word {self.place} ({short(self.text)})", column, what, remedy)


def names_a_column(word: str) -> bool:
    """Whether a line that begins with this word is meant as a reading: `f`, `f779.1`, `crow=C+22`, `as_low_a`."""
    name, joined, _ = word.partition("=")
    if not joined and (glued := GLUED.match(name)):
        name = glued[1]
    return name.lower() in SWITCHES or key_of(name) is not None


def mode_of(text: str) -> ValueMeaning | None:
    """How bare numbers are meant, if the line is one word that says so: `as_low_a`, `sounding`, `cents`."""
    return SWITCHES.get(text.strip().lower())


def begins_a_trim(word: str) -> bool:
    """Whether a line that begins with this word is meant as a trim: `0.14`, `lip`, `length=0.2`, `took`."""
    name = word.partition("=")[0].lower()
    if glued := GLUED.match(name):
        name = glued[1]
    return TRIM_WORDS.get(name) in AMOUNTS or name in TRIM_LEADS or (word[:1] or " ") in "+-.,0123456789"


def split_words(text: str) -> list[str]:
    """The words of a line; text in double quotes stays one word, without its quotes."""
    return [match[0].replace('"', "") for match in _WORD.finditer(text)]


def line_of(words: Sequence[str]) -> str:
    """Words of the command line as the line parser wants them: a value in quotes where there are blanks in it."""
    return " ".join(_kept_whole(word, before) for before, word in zip(["", *words], words, strict=False))


def in_quotes(text: str, chanters: Iterable[str]) -> str:
    """A line with a known chanter of several words in quotes where it follows the word for a chanter: `ch Band 1`."""
    if not _CHANTER.search(text):
        return text
    for name in sorted((one for one in chanters if " " in one), key=len, reverse=True):
        said = r"\s+".join(map(re.escape, name.split()))
        quoted = f'"{name}"'.replace("\\", r"\\")
        text = re.sub(rf"({_CHANTER.pattern}){said}(?![^\s,;])", rf"\g<1>{quoted}", text, flags=re.IGNORECASE)
    return text


def says_a_chanter(word: str) -> bool:
    """Whether one word of the command line is a chanter by name, blanks in it and all: `chanter=Band 1`."""
    name, equals, value = word.partition("=")
    return bool(equals) and "=" not in value and key_of(name) == ("chanter", None)


def _kept_whole(word: str, before: str) -> str:
    if any(map(str.isspace, word)) and key_of(before) == ("chanter", None) and '"' not in word:
        return f'"{word}"'
    name, equals, value = word.partition("=")
    if not any(letter.isspace() for letter in word) or name.lower() == "remark":
        return word
    return f'{name}="{value}"' if equals and '"' not in value else word


def words_of(text: str) -> list[Word]:
    """Words with their places; `f = 779.1` becomes one word, a comma or semicolon at a word's end is dropped."""
    found: list[Word] = []
    for match in _WORD.finditer(text):
        word = match[0]
        if found and (word.startswith("=") or found[-1].text.endswith("=")):
            last = found.pop()
            found.append(Word(last.place, last.text + word, match.end()))
        else:
            found.append(Word(len(found) + 1, word, match.end()))
    stripped = [replace(word, text=word.text.rstrip(",;")) for word in found]
    return [word for word in stripped if word.text]


def like(word: str, known: Sequence[str], usual: str) -> str:
    """The known word that `word` was meant to be, else the usual ones."""
    return meant(word.lower(), known) or usual
