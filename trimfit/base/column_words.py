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
# Words for each column, besides the notes' own names.
_SAID: dict[str, str] = {
    "low_g": "lg",
    "low_a": "la",
    "high_g": "hg gg",
    "high_a": "ha aa",
    G_OCTAVE: "go g8 g8ve g_octave",
    "crow": "crow crow_hz cr",
    "pressure": "p pressure pressure_kpa",
    "temperature": "t temp temperature temperature_c",
    "humidity": "h rh humidity humidity_pct",
    "taped": "taped tape",
    "chanter": "ch chanter",
    "at": "at taken_at",
    "reference": "ref reference reference_hz",
    "remark": "remark",
}
_WORD_OF = {word: key for key, words in _SAID.items() for word in words.split()}
NOTE_WORDS = {note.replace("_", mark): note for note in NOTES for mark in ("_", "", "-")} | {
    word: key for word, key in _WORD_OF.items() if key in (*NOTES, G_OCTAVE)
}
OTHER_WORDS = {word: key for word, key in _WORD_OF.items() if word not in NOTE_WORDS}

# Words that people head columns with, besides the notes' own. "readings": its cells name their values themselves.
_HEADED: dict[str, tuple[str, ...]] = {
    "reed": (
        *("reed", "no", "nr", "number", "reed no", "reed nr", "reed number", "reed name", "id", "reed id", "label"),
        *("serial", "serial no"),
    ),
    "reed_type": ("type", "reed type", "kind", "sort", "kind of reed", "cane", "material"),
    "batch": ("batch", "lot", "bundle", "batch no", "batch nr"),
    "made_on": ("made", "made on", "date made", "day made"),
    "blade_mm": ("blade", "blade length", "free blade"),
    "weight": ("weight", "strength"),
    "order": ("order", "order no", "for order"),
    "day": ("date", "day", "when", "on", "taken at", "done at", "done", "read on", "date read"),
    "clock": ("time", "hour", "clock", "at", "time of day"),
    "chanter": ("chanter", "ch", "in chanter", "chanter no", "played in"),
    "crow": ("crow", "cr", "crow note"),
    "length_mm": (
        *("took", "cut", "taken", "taken off", "took off", "cut off", "off", "trim", "trimmed", "length", "removed"),
        *("mm", "mm off", "mm taken", "mm taken off", "mm cut", "mm removed"),
    ),
    "lip_strokes": ("lip", "lips", "strokes", "lip strokes", "lip work"),
    "asked_mm": ("asked", "asked for", "meant", "wanted", "planned"),
    "pressure_kpa": ("pressure", "p", "press", "blowing pressure", "water", "water gauge"),
    "temperature_c": ("temperature", "temp", "t", "air", "room", "room temp", "warmth"),
    "humidity_pct": ("humidity", "rh", "h", "hum", "damp"),
    "taped": ("taped", "tape"),
    "reference_hz": ("ref", "reference", "reference pitch", "cents from"),
    "outcome": ("outcome", "result", "verdict", "status", "end", "became"),
    "remark": ("remark", "remarks", "note", "notes", "comment", "comments"),
    "readings": ("readings", "reading", "values", "tuner"),
}
ROLE_OF = {word: role for role, words in _HEADED.items() for word in words}
"""What a head says by a word that people use: a column of the log, or `day`, `clock`, `crow`, `readings`."""


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
