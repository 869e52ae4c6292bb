"""The words that name a column: typed lines and heads of CSV files know the same."""

from __future__ import annotations

from typing import Literal

from trimfit.base.pitch import NOTES

# How a note's value is meant: recognised by its size, sounding hertz, hertz as low A, or cents from the note's just
# target.
ValueMeaning = Literal["auto", "sounding", "as low A", "cents"]

G_OCTAVE = "g_octave"
# Case tells low from high for G and A; every other word may be typed in either case.
BY_CASE = {"g": "low_g", "G": "high_g", "a": "low_a", "A": "high_a"}
# The shortest name of each note, as it is typed.
SHORT_NAMES = {**{note: note for note in NOTES}, **{note: name for name, note in BY_CASE.items()}}
NOTE_WORDS = {
    **{note: note for note in NOTES},
    **{note.replace("_", ""): note for note in NOTES},
    **{note.replace("_", "-"): note for note in NOTES},
    "lg": "low_g",
    "hg": "high_g",
    "la": "low_a",
    "ha": "high_a",
    "aa": "high_a",
    "gg": "high_g",
    "go": G_OCTAVE,
    "g8": G_OCTAVE,
    "g8ve": G_OCTAVE,
    "g_octave": G_OCTAVE,
}
OTHER_WORDS = {
    "crow": "crow",
    "crow_hz": "crow",
    "cr": "crow",
    "p": "pressure",
    "pressure": "pressure",
    "pressure_kpa": "pressure",
    "t": "temperature",
    "temp": "temperature",
    "temperature": "temperature",
    "temperature_c": "temperature",
    "h": "humidity",
    "rh": "humidity",
    "humidity": "humidity",
    "humidity_pct": "humidity",
    "taped": "taped",
    "tape": "taped",
    "ch": "chanter",
    "chanter": "chanter",
    "at": "at",
    "taken_at": "at",
    "ref": "reference",
    "reference": "reference",
    "reference_hz": "reference",
    "remark": "remark",
}


def key_of(text: str) -> tuple[str, ValueMeaning | None] | None:
    """The column that a word names, and how its suffix says the value is meant; None if it names none."""
    if text in BY_CASE:
        return BY_CASE[text], None
    lower = text.lower()
    if lower in OTHER_WORDS:
        return OTHER_WORDS[lower], None
    for suffix, heard in (("_hz", "sounding"), ("_cents", "cents"), ("", None)):
        stem = lower[: len(lower) - len(suffix)] if suffix and lower.endswith(suffix) else lower
        if (suffix == "" or stem != lower) and (stem in NOTE_WORDS):
            return NOTE_WORDS[stem], heard  # type: ignore[return-value]
    return None


def note_of(word: str) -> str | None:
    """The note of the nine that a word names alone: `g` low G, `G` high G, `hg`, `high_g`; None if it names none."""
    note = BY_CASE.get(word) or NOTE_WORDS.get(word.lower())
    return note if note in NOTES else None


def order_of_names(text: str) -> list[str] | None:
    """The names of two or more columns of a reading, each once, in their shortest form: notes, `go` and `crow`.

    None for a text with anything else in it.
    """
    found: list[str] = []
    for word in text.replace(",", " ").split():
        key = key_of(word)
        name = {G_OCTAVE: "go", "crow": "crow", **SHORT_NAMES}.get(key[0]) if key is not None else None
        if name is None or name in found:
            return None
        found.append(name)
    return found if len(found) > 1 else None
