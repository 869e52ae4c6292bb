"""The line typed at the bench: `f 779.1 e 702.6 a 468.2 A 936.1 crow C+22 p 6.5kPa t 21C`, in any order.

A note's value may be sounding hertz, hertz as low A (a value that cannot be the note's own hertz but can be a
low A's), or cents from the note's just target (`f -12c`), which needs a reference pitch. The words `sounding`,
`as_low_a` and `cents` settle it for the notes that follow them. Every fault of a line is reported at once.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from fractions import Fraction
from statistics import median
from typing import Literal

from trimfit.bench.times import parse_time
from trimfit.errors import Fault, InputError, nearest
from trimfit.pitch import DEFAULT_RATIOS, NOTES, parse_crow_hz
from trimfit.records import Reading, Trim
from trimfit.units import BOUNDS, PA_PER_UNIT, parse_number, parse_pressure_kpa, parse_temperature_c, within

__all__ = [
    "Heard",
    "ReadingLine",
    "TrimLine",
    "begins_a_trim",
    "names_a_column",
    "parse_reading",
    "parse_trim",
    "split_words",
]

Heard = Literal["auto", "sounding", "as low A", "cents"]

LONGEST_LINE = 4000
# Where a note's value is looked for when the line and the chanter say nothing of the pitch: a usual low A.
USUAL_LOW_A_HZ = 470.0
USUAL_WORDS = "name notes g a b c d e f G A, the G octave go, and crow, p, t, taped"
G_OCTAVE = "g_octave"
WIDEST_CENTS = 400.0

_SWITCHES: dict[str, Heard] = {
    "sounding": "sounding",
    "hz": "sounding",
    "as_low_a": "as low A",
    "as-low-a": "as low A",
    "aslowa": "as low A",
    "cents": "cents",
}
# Case tells low from high for G and A; every other word may be typed in either case.
_BY_CASE = {"g": "low_g", "G": "high_g", "a": "low_a", "A": "high_a"}
_NOTE_WORDS = {
    **{note: note for note in NOTES},
    **{note.replace("_", ""): note for note in NOTES},
    **{note.replace("_", "-"): note for note in NOTES},
    "lg": "low_g",
    "hg": "high_g",
    "la": "low_a",
    "ha": "high_a",
    "go": G_OCTAVE,
    "g8": G_OCTAVE,
    "g8ve": G_OCTAVE,
    "g_octave": G_OCTAVE,
}
_OTHER_WORDS = {
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
_KNOWN = sorted({*_NOTE_WORDS, *_OTHER_WORDS, *_SWITCHES})
_WORD = re.compile(r'(?:[^\s"]|"[^"]*"?)+')
_GLUED = re.compile(r"^([A-Za-z_]+)([+\-−–]?[\d.,].*)$", re.DOTALL)
_VALUE = re.compile(r"^([+\-−–]?)([\d.,]+)(hz|cents|ct|c)?$", re.IGNORECASE)
_NOTE_UNITS = ("hz", "cents", "ct")


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """What a line of the bench says: sounding hertz of what was taken, and how each note's value was understood.

    reference_hz: the pitch as low A that the line itself gives for its cents, if it does.
    """

    crow_hz: float | None = None
    notes_hz: Mapping[str, float] = field(default_factory=dict)
    g_octave_hz: float | None = None
    pressure_kpa: float | None = None
    temperature_c: float | None = None
    humidity_pct: float | None = None
    taped: tuple[str, ...] = ()
    chanter: str | None = None
    at: str | None = None
    remark: str | None = None
    reference_hz: float | None = None
    heard: Mapping[str, Heard] = field(default_factory=dict)

    def reading(self, reed: str, taken_at: str, chanter: str | None = None) -> Reading:
        """The Reading that this line is, of `reed`, at the line's own time or `taken_at`, in its own chanter or
        `chanter`."""
        return Reading(
            reed=reed,
            taken_at=self.at or taken_at,
            chanter=self.chanter or chanter,
            crow_hz=self.crow_hz,
            notes_hz=dict(self.notes_hz),
            g_octave_hz=self.g_octave_hz,
            pressure_kpa=self.pressure_kpa,
            temperature_c=self.temperature_c,
            humidity_pct=self.humidity_pct,
            taped=self.taped,
            remark=self.remark,
        )

    def merged(self, newer: ReadingLine) -> ReadingLine:
        """This line with whatever `newer` says put in its place: how a slip is mended without typing all again."""
        changes: dict[str, object] = {
            item.name: getattr(newer, item.name)
            for item in fields(self)
            if item.name not in ("notes_hz", "heard") and getattr(newer, item.name)
        }
        changes["notes_hz"] = {**self.notes_hz, **newer.notes_hz}
        changes["heard"] = {**self.heard, **newer.heard}
        return replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class TrimLine:
    """What a line says was taken off: length in mm and/or lip strokes, and the length that was meant."""

    length_mm: float | None = None
    lip_strokes: float | None = None
    asked_mm: float | None = None
    at: str | None = None
    remark: str | None = None

    def trim(self, reed: str, done_at: str, asked_mm: float | None = None) -> Trim:
        """The Trim that this line is, of `reed`, at the line's own time or `done_at`."""
        return Trim(
            reed=reed,
            done_at=self.at or done_at,
            length_mm=self.length_mm,
            lip_strokes=self.lip_strokes,
            asked_mm=self.asked_mm if self.asked_mm is not None else asked_mm,
            remark=self.remark,
        )


@dataclass(frozen=True, slots=True)
class _Word:
    place: int
    text: str
    end: int

    def fault(self, column: str, what: str, remedy: str) -> Fault:
        return Fault(f"word {self.place} ({self.text[:24]})", column, what, remedy)


def names_a_column(word: str) -> bool:
    """Whether a line that begins with this word is meant as a reading: `f`, `f779.1`, `crow=C+22`, `as_low_a`."""
    name, joined, _ = word.partition("=")
    if not joined and (glued := _GLUED.match(name)):
        name = glued[1]
    return name.lower() in _SWITCHES or _key_of(name) is not None


def mode_of(text: str) -> Heard | None:
    """How bare numbers are meant, if the line is one word that says so: `as_low_a`, `sounding`, `cents`."""
    return _SWITCHES.get(text.strip().lower())


def begins_a_trim(word: str) -> bool:
    """Whether a line that begins with this word is meant as a trim: `0.14`, `lip`, `length=0.2`, `took`."""
    name = word.partition("=")[0].lower()
    if glued := _GLUED.match(name):
        name = glued[1]
    return _TRIM_WORDS.get(name) in _AMOUNTS or name in _TRIM_LEADS or word[:1] in "+-.,0123456789"


def split_words(text: str) -> list[str]:
    """The words of a line; text in double quotes stays one word, without its quotes."""
    return [match[0].replace('"', "") for match in _WORD.finditer(text)]


def _words(text: str) -> list[_Word]:
    """Words with their places; `f = 779.1` becomes one word, a comma or semicolon at a word's end is dropped."""
    found: list[_Word] = []
    for match in _WORD.finditer(text):
        word = match[0]
        if found and (word.startswith("=") or found[-1].text.endswith("=")):
            last = found.pop()
            found.append(_Word(last.place, last.text + word, match.end()))
        else:
            found.append(_Word(len(found) + 1, word, match.end()))
    stripped = [replace(word, text=word.text.rstrip(",;")) for word in found]
    return [word for word in stripped if word.text]


def _key_of(text: str) -> tuple[str, Heard | None] | None:
    """The column that a word names, and how its suffix says the value is meant; None if it names none."""
    if text in _BY_CASE:
        return _BY_CASE[text], None
    lower = text.lower()
    if lower in _OTHER_WORDS:
        return _OTHER_WORDS[lower], None
    for suffix, heard in (("_hz", "sounding"), ("_cents", "cents"), ("", None)):
        stem = lower[: len(lower) - len(suffix)] if suffix and lower.endswith(suffix) else lower
        if (suffix == "" or stem != lower) and (stem in _NOTE_WORDS):
            return _NOTE_WORDS[stem], heard  # type: ignore[return-value]
    return None


@dataclass(frozen=True, slots=True)
class _Pitch:
    """A note's value as typed, before it is known what it means."""

    note: str
    number: float
    heard: Heard
    word: _Word


class _LineReader:
    """Goes through the words of one line once, collecting values and faults."""

    def __init__(
        self, text: str, scale: Mapping[str, Fraction], reference_hz: float | None, around_hz: float | None, mode: Heard
    ) -> None:
        self.text, self.scale, self.around_hz, self.mode = text, scale, around_hz, mode
        self.reference_hz = reference_hz
        self.reference_refused = False
        self.words = _words(text)
        self.at = 0
        self.faults: list[Fault] = []
        self.pitches: list[_Pitch] = []
        self.values: dict[str, object] = {}

    # -- walking ---------------------------------------------------------------------------------------------

    def peek(self, ahead: int = 0) -> _Word | None:
        place = self.at + ahead
        return self.words[place] if place < len(self.words) else None

    def is_value(self, word: _Word | None) -> bool:
        return word is not None and _VALUE.match(word.text) is not None

    def take_unit(self, units: Sequence[str]) -> str:
        """The next word, if it is one of `units` (lower case), taken; else nothing."""
        word = self.peek()
        if word is not None and word.text.lower() in units:
            self.at += 1
            return word.text
        return ""

    def read(self) -> None:
        while (word := self.peek()) is not None:
            self.at += 1
            if word.text.lower() in _SWITCHES:
                self.mode = _SWITCHES[word.text.lower()]
                continue
            name, joined, value = word.text.partition("=")
            key = _key_of(name)
            if key is None and not joined and (glued := _GLUED.match(word.text)):
                key, value = _key_of(glued[1]), glued[2]
            if key is None:
                self.unknown(word)
                continue
            if key[0] == "remark":
                self.values["remark"] = self.remark(word, value, bool(joined))
                return
            self.field(word, key[0], key[1], value)

    def unknown(self, word: _Word) -> None:
        name = word.text.partition("=")[0]
        if _VALUE.match(word.text):
            self.faults.append(word.fault("", "a value with no name before it", "say what it is, such as f 779.1"))
            return
        self.faults.append(word.fault("", f"{name[:24]!r} is no word of a reading", _like(name, _KNOWN, USUAL_WORDS)))
        if self.is_value(self.peek()):
            self.at += 1

    def remark(self, word: _Word, value: str, joined: bool) -> str | None:
        rest = self.text[word.end :].strip()
        self.at = len(self.words)
        return " ".join(part for part in (value if joined else "", rest) if part).replace('"', "").strip() or None

    def value_of(self, word: _Word, key: str, glued: str) -> tuple[_Word, str] | None:
        """The value that belongs to a key: the rest of its own word, or the next word unless that names a column."""
        if glued:
            return word, glued
        following = self.peek()
        if following is None or (_key_of(following.text.partition("=")[0]) and key not in ("crow", "chanter")):
            self.faults.append(word.fault(key, "no value after it", "give the value right after the name"))
            return None
        self.at += 1
        return following, following.text

    # -- the fields ------------------------------------------------------------------------------------------

    def field(self, word: _Word, key: str, heard: Heard | None, glued: str) -> None:
        if key in self.values or any(pitch.note == key for pitch in self.pitches):
            self.faults.append(word.fault(key, "given twice in this line", "give it once"))
        if key == "taped":
            self.values[key] = self.taped(word, glued)
            return
        if key == "low_g" and not glued and (following := self.peek()) and following.text.lower() in ("8ve", "octave"):
            self.at += 1
            key = G_OCTAVE
        found = self.value_of(word, key, glued)
        if found is None:
            return
        at, text = found
        if key in self.scale or key == G_OCTAVE:
            self.pitch(at, key, text, heard)
            return
        try:
            self.values[key] = self.plain(key, text)
        except InputError as error:
            self.faults.append(at.fault(key, error.what, error.remedy))
            self.reference_refused |= key == "reference"

    def plain(self, key: str, text: str) -> object:
        """A value that is no pitch of a note. Raises InputError."""
        if key == "crow":
            following = self.peek()
            if re.fullmatch(r"[A-Ga-g][#b♯♭]?", text) and following and re.match(r"^[+\-−–]\d", following.text):
                self.at += 1
                text += following.text
            self.take_unit(_NOTE_UNITS)
            return within("crow_hz", parse_crow_hz(text))
        if key == "pressure":
            return parse_pressure_kpa(text + self.take_unit(tuple(PA_PER_UNIT)))
        if key == "temperature":
            following = self.peek(1)
            unit = "" if self.is_value(following) else self.take_unit(("c", "f", "°c", "°f"))
            return parse_temperature_c(text + unit)
        if key == "humidity":
            self.take_unit(("%",))
            return within("humidity_pct", parse_number(text.removesuffix("%")))
        if key == "reference":
            self.take_unit(("hz",))
            self.reference_hz = within("as_low_a_hz", parse_number(re.sub(r"(?i)hz$", "", text)))
            return self.reference_hz
        if key == "at":
            return _time(text)
        name = text.replace('"', "").strip()
        if not name:
            raise InputError("the chanter has no name", remedy='name it, in "quotes" if there are blanks in it')
        return name

    def taped(self, word: _Word, glued: str) -> tuple[str, ...]:
        names = [name for name in glued.split(",") if name]
        while (following := self.peek()) is not None and not self.is_value(self.peek(1)):
            parts = following.text.split(",")
            if not all(part in _BY_CASE or part.lower() in _NOTE_WORDS for part in parts if part):
                break
            names += [part for part in parts if part]
            self.at += 1
        notes = [_BY_CASE.get(name) or _NOTE_WORDS.get(name.lower(), "") for name in names]
        for name, note in zip(names, notes, strict=True):
            if note not in NOTES:
                self.faults.append(word.fault("taped", f"{name[:24]!r} is no note", nearest(name.lower(), NOTES)))
        if not names:
            self.faults.append(word.fault("taped", "no note after it", "name the taped notes, such as taped f high_g"))
        return tuple(note for note in NOTES if note in notes)

    def pitch(self, word: _Word, note: str, text: str, heard: Heard | None) -> None:
        match = _VALUE.match(text)
        if match is None:
            self.faults.append(
                word.fault(note, f"{text[:24]!r} is not a pitch", "give hertz such as 779.1, or cents such as -12c")
            )
            return
        sign, digits, unit = match[1], match[2], (match[3] or self.take_unit(_NOTE_UNITS)).lower()
        try:
            number = parse_number(digits) * (-1.0 if sign and sign != "+" else 1.0)
        except InputError as error:
            self.faults.append(word.fault(note, error.what, error.remedy))
            return
        meant = heard or self.mode
        if unit == "hz":
            meant = "sounding" if meant == "cents" else meant
        elif sign or unit:
            meant = "cents"
        if unit == "hz" and sign:
            self.faults.append(word.fault(note, "hertz have no sign", "leave the sign, or say cents such as -12c"))
        elif unit and unit != "hz" and not sign and number:
            self.faults.append(word.fault(note, "cents without a sign", f"say +{digits}c or -{digits}c"))
        else:
            self.pitches.append(_Pitch(note, number, meant, word))

    # -- what the pitches mean -------------------------------------------------------------------------------

    def ratio(self, note: str) -> float:
        """Sounding over low A; the overblown low G sounds an octave above low G."""
        return 2.0 * float(self.scale["low_g"]) if note == G_OCTAVE else float(self.scale[note])

    def sounding(self) -> tuple[dict[str, float], dict[str, Heard]]:
        """Sounding hertz of each note of the line, and how each value was understood."""
        readable = {pitch.note: self.possible(pitch) for pitch in self.pitches}
        settled = [
            pitch.number if options == ["as low A"] else pitch.number / self.ratio(pitch.note)
            for pitch in self.pitches
            if len(options := readable[pitch.note]) == 1 and options != ["cents"]
        ]
        centre = self.around_hz or self.reference_hz or (median(settled) if settled else USUAL_LOW_A_HZ)
        notes_hz: dict[str, float] = {}
        heard: dict[str, Heard] = {}
        for pitch in self.pitches:
            hz, how = self.settle(pitch, readable[pitch.note], centre)
            low, high = BOUNDS["note_hz"]
            if hz is None:
                continue
            if low <= hz <= high:
                notes_hz[pitch.note], heard[pitch.note] = hz, how
            else:
                self.faults.append(
                    pitch.word.fault(pitch.note, f"{pitch.number:g} is out of bounds", f"give {low:g} to {high:g} Hz")
                )
        return notes_hz, heard

    def possible(self, pitch: _Pitch) -> list[Heard]:
        if pitch.heard != "auto":
            return [pitch.heard]
        low, high = BOUNDS["as_low_a_hz"]
        options: list[Heard] = []
        if low <= pitch.number / self.ratio(pitch.note) <= high:
            options.append("sounding")
        if pitch.note != "low_a" and low <= pitch.number <= high:
            options.append("as low A")
        return options or ["sounding"]

    def settle(self, pitch: _Pitch, options: list[Heard], centre: float) -> tuple[float | None, Heard]:
        ratio = self.ratio(pitch.note)
        if options == ["cents"]:
            if self.reference_refused:
                return None, "cents"
            if self.reference_hz is None:
                remedy = "type hertz, or say ref 470; an order's target or a chanter's meeting pitch serves too"
                self.faults.append(pitch.word.fault(pitch.note, "cents from no known pitch", remedy))
                return None, "cents"
            if abs(pitch.number) > WIDEST_CENTS:
                self.faults.append(
                    pitch.word.fault(pitch.note, f"{pitch.number:g} cents is out of bounds", "are these hertz?")
                )
                return None, "cents"
            return self.reference_hz * ratio * float(2.0 ** (pitch.number / 1200.0)), "cents"
        if len(options) == 2:
            # 8/9 and 9/8 are 204 cents from low A: whichever reading lies nearer to the chanter's pitch is meant.
            own, direct = pitch.number / ratio, pitch.number
            off_own, off_direct = (max(value / centre, centre / value) for value in (own, direct))
            options = ["sounding"] if off_own <= off_direct else ["as low A"]
        how = options[0]
        return (pitch.number * ratio if how == "as low A" else pitch.number), how


def _like(word: str, known: Sequence[str], usual: str) -> str:
    """The known word that `word` was meant to be, else the usual ones."""
    said = nearest(word.lower(), known)
    return said if said.startswith("did you mean") else usual


def _time(text: str) -> str:
    return parse_time(text.replace('"', ""))


def _refuse(faults: Sequence[Fault], what: str) -> None:
    if len(faults) == 1:
        raise InputError(faults[0].what, faults[0].where, faults[0].remedy, faults=faults)
    if faults:
        raise InputError(f"{len(faults)} faults in the {what}", faults=faults)


def parse_reading(
    text: str,
    *,
    scale: Mapping[str, Fraction] = DEFAULT_RATIOS,
    reference_hz: float | None = None,
    around_hz: float | None = None,
    mode: Heard = "auto",
    partial: bool = False,
) -> ReadingLine:
    """A typed reading.

    scale: the shop's just ratios. reference_hz: the pitch as low A that cents are counted from (the order's target,
    else the chanter's meeting pitch). around_hz: where a low A is looked for when a value could be sounding hertz and
    hertz as low A alike. mode: how bare numbers of notes are meant. partial: a line with no pitch in it will do.
    Raises InputError with one fault for each bad word.
    """
    if len(text) > LONGEST_LINE:
        raise InputError(f"a line of {len(text)} characters", remedy=f"type at most {LONGEST_LINE}")
    reader = _LineReader(text, scale, reference_hz, around_hz, mode)
    reader.read()
    notes_hz, heard = reader.sounding()
    _refuse(reader.faults, "line")
    values = reader.values
    octave = notes_hz.pop(G_OCTAVE, None)
    line = ReadingLine(
        crow_hz=values.get("crow"),  # type: ignore[arg-type]
        notes_hz=notes_hz,
        g_octave_hz=octave,
        pressure_kpa=values.get("pressure"),  # type: ignore[arg-type]
        temperature_c=values.get("temperature"),  # type: ignore[arg-type]
        humidity_pct=values.get("humidity"),  # type: ignore[arg-type]
        taped=values.get("taped", ()),  # type: ignore[arg-type]
        chanter=values.get("chanter"),  # type: ignore[arg-type]
        at=values.get("at"),  # type: ignore[arg-type]
        remark=values.get("remark"),  # type: ignore[arg-type]
        reference_hz=values.get("reference"),  # type: ignore[arg-type]
        heard=heard,
    )
    if not partial and not notes_hz and line.crow_hz is None and octave is None:
        raise InputError("nothing was read in this line", remedy="give a note or the crow, such as f 779.1 crow C+22")
    return line


_AMOUNTS = ("length_mm", "lip_strokes", "asked_mm")
_TRIM_LEADS = ("trim", "cut", "took")
_TRIM_WORDS = {
    "length": "length_mm",
    "length_mm": "length_mm",
    "mm": "length_mm",
    "lip": "lip_strokes",
    "lips": "lip_strokes",
    "strokes": "lip_strokes",
    "lip_strokes": "lip_strokes",
    "asked": "asked_mm",
    "meant": "asked_mm",
    "asked_mm": "asked_mm",
    "at": "at",
    "done_at": "at",
    "remark": "remark",
}


def parse_trim(text: str) -> TrimLine:
    """What was taken off, as typed: `0.14`, `0.14 mm`, `0.14 lip 2`, `lip 2`, `length=0.14 asked=0.15`.

    Raises InputError with one fault for each bad word.
    """
    if len(text) > LONGEST_LINE:
        raise InputError(f"a line of {len(text)} characters", remedy=f"type at most {LONGEST_LINE}")
    faults: list[Fault] = []
    values: dict[str, object] = {}
    words = _words(text)
    at = 0
    while at < len(words):
        word = words[at]
        at += 1
        name, joined, value = word.text.partition("=")
        key = _TRIM_WORDS.get(name.lower())
        if key is None and not joined and (glued := _GLUED.match(word.text)):
            key, value = _TRIM_WORDS.get(glued[1].lower()), glued[2]
        if key is None and _VALUE.match(re.sub(r"(?i)mm$", "", word.text)):
            key, value = "length_mm", word.text
        if key is None:
            if name.lower() not in _TRIM_LEADS:
                remedy = _like(name, list(_TRIM_WORDS), "say 0.14, or 0.14 lip 2")
                faults.append(word.fault("", f"{name[:24]!r} is no word of a trim", remedy))
            continue
        if key == "remark":
            values[key] = " ".join(p for p in (value, text[word.end :].strip()) if p).replace('"', "").strip() or None
            break
        if not value and at < len(words):
            word, value = words[at], words[at].text
            at += 1
        if at < len(words) and words[at].text.lower() == "mm":
            at += 1
        if key in values:
            faults.append(word.fault(key, "given twice in this line", "give it once"))
        try:
            values[key] = _time(value) if key == "at" else within(key, parse_number(re.sub(r"(?i)mm$", "", value)))
        except InputError as error:
            faults.append(word.fault(key, error.what, error.remedy))
    _refuse(faults, "line")
    line = TrimLine(**values)  # type: ignore[arg-type]
    if not line.length_mm and not line.lip_strokes:
        raise InputError("nothing was taken off in this line", remedy="give mm, or lip strokes: 0.14 lip 2")
    return line
