"""The line typed at the bench: `f 779.1 e 702.6 a 468.2 A 936.1 crow C+22 p 6.5kPa t 21C`, in any order.

A note's value may be sounding hertz, hertz as low A (a value that cannot be the note's own hertz but can be a
low A's), or cents from the note's just target (`f -12c`), which needs a reference pitch. The words `sounding`,
`as_low_a` and `cents` settle it for the notes that follow them. Every fault of a line is reported at once.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Collection, Mapping, Sequence
from fractions import Fraction
from typing import Any

from trimfit.base.column_words import G_OCTAVE, ValueMeaning, key_of, note_of
from trimfit.base.errors import Fault, InputError, nearest, short
from trimfit.base.iso_dates import typed_time
from trimfit.base.pitch import DEFAULT_RATIOS, NOTES, parse_crow_hz
from trimfit.base.units import (
    MM_PER_UNIT,
    PA_PER_UNIT,
    parse_hz,
    parse_length_mm,
    parse_number,
    parse_pct,
    parse_pressure_kpa,
    parse_temperature_c,
    unit_key,
    within,
)
from trimfit.entry.note_values import Meaning, Pitch
from trimfit.entry.parsed_lines import FIELD_OF, ReadingLine, TrimLine
from trimfit.entry.tokens import (
    CROW_NOTE,
    CROW_WORD,
    GLUED,
    KNOWN_WORDS,
    LENGTH,
    NOTE_UNITS,
    TRIM_LEADS,
    TRIM_WORDS,
    VALUE,
    Word,
    like,
    mode_of,
    words_of,
)
from trimfit.entry.unnamed_numbers import with_point

LONGEST_LINE = 4000
USUAL_WORDS = "name notes g a b c d e f G A, the G octave go, and crow, p, t, taped"

# What the columns of a trim are called at the bench.
IN_WORDS = {"length_mm": "length", "lip_strokes": "lip strokes", "asked_mm": "asked"}


class _LineReader(ABC):
    """Goes through the words of one line once, collecting values and faults."""

    def __init__(self, text: str) -> None:
        if len(text) > LONGEST_LINE:
            raise InputError(f"a line of {len(text)} characters", remedy=f"type at most {LONGEST_LINE}")
        self.text, self.words, self.at = text, words_of(text), 0
        self.faults: list[Fault] = []
        self.values: dict[str, object] = {}

    @abstractmethod
    def key_of(self, name: str) -> tuple[str, ValueMeaning | None] | None:
        """The column that a word names, and how its value is meant where the word says so."""

    @abstractmethod
    def field(self, word: Word, key: str, heard: ValueMeaning | None, glued: str) -> None:
        """Take the value of a column; glued: what stands right at its word."""

    @abstractmethod
    def unnamed(self, word: Word) -> None:
        """Take a word that names no column."""

    def read(self) -> None:
        """Take all words; a remark is the rest of the line."""
        while (word := self.peek()) is not None:
            self.at += 1
            name, joined, value = word.text.partition("=")
            key = self.key_of(name)
            if key is None and not joined and (glued := GLUED.match(word.text)):
                key, value = self.key_of(glued[1]), glued[2]
            if key is None:
                self.unnamed(word)
            elif key[0] == "remark":
                rest = self.text[word.end :].strip()
                self.values["remark"] = " ".join(p for p in (value, rest) if p).replace('"', "").strip() or None
                return
            else:
                self.field(word, *key, value)

    def peek(self, ahead: int = 0) -> Word | None:
        place = self.at + ahead
        return self.words[place] if place < len(self.words) else None

    def is_value(self, word: Word | None) -> bool:
        return word is not None and VALUE.match(word.text) is not None

    def with_unit(self, text: str, units: Collection[str]) -> str:
        """A value with the words after it that say its unit, one of `units`, taken: `30 in H2O`, `70 °F`."""
        begun = text.lstrip("+-−–0123456789.,")
        for count in (3, 2, 1):
            more = "".join(word.text for word in self.words[self.at : self.at + count])
            if more and unit_key(begun + more) in units:
                self.at = min(self.at + count, len(self.words))
                return text + more
        return text

    def fault(self, word: Word, column: str, what: str, remedy: str) -> None:
        self.faults.append(word.fault(column, what, remedy))

    def refuse(self, also: Sequence[Fault] = ()) -> None:
        """Raise InputError with all faults of the line, in the order of its words, if there are any."""
        faults = sorted([*self.faults, *also], key=lambda fault: int(fault.where.split()[1]))
        if len(faults) == 1:
            raise InputError(faults[0].what, faults[0].where, faults[0].remedy, faults=faults)
        if faults:
            raise InputError(f"{len(faults)} faults in the line", faults=faults)


class _ReadingReader(_LineReader):
    """Reads a line as a reading; the pitches of its notes are not settled yet."""

    def __init__(
        self, text: str, scale: Mapping[str, Fraction], reference_hz: float | None, mode: ValueMeaning
    ) -> None:
        super().__init__(text)
        self.scale, self.mode, self.reference_hz = scale, mode, reference_hz
        self.reference_refused = False
        self.pitches: list[Pitch] = []
        self.chanter_end = -1

    def key_of(self, name: str) -> tuple[str, ValueMeaning | None] | None:
        return key_of(name)

    def unnamed(self, word: Word) -> None:
        name = word.text.partition("=")[0]
        if (mode := mode_of(word.text)) is not None:
            self.mode = mode
        elif VALUE.match(word.text):
            self.fault(word, "", "a value with no name before it", f"say what it is, such as f 779.1{self.whole(word)}")
        else:
            remedy = like(name, KNOWN_WORDS, USUAL_WORDS) + self.whole(word)
            self.fault(word, "", f"{short(name)!r} is no word of a reading", remedy)
            self.at += self.is_value(self.peek())

    def whole(self, word: Word) -> str:
        """Of a word right after a chanter's name: that a name of several words stands in quotes."""
        if self.at - 1 != self.chanter_end:
            return ""
        return f'; a chanter of several words in quotes: ch "{short(str(self.values["chanter"]))} {short(word.text)}"'

    def value_of(self, word: Word, key: str, glued: str) -> tuple[Word, str] | None:
        """The value that belongs to a key: the rest of its own word, or the next word unless that names a column."""
        if glued:
            return word, glued
        following = self.peek()
        if following is None or (key_of(following.text.partition("=")[0]) and key not in ("crow", "chanter")):
            self.fault(word, key, "no value after it", "give the value right after the name")
            return None
        self.at += 1
        return following, following.text

    def field(self, word: Word, key: str, heard: ValueMeaning | None, glued: str) -> None:
        if key in self.values or any(pitch.note == key for pitch in self.pitches):
            self.fault(word, key, "given twice in this line", "give it once")
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
        if '"' in text and key != "chanter":
            # A shell keeps `crow="532 Hz"` one word, blank and all.
            text = text.replace('"', "").strip()
        if key in self.scale or key == G_OCTAVE:
            self.pitch(at, key, "".join(text.split()), heard)
            return
        try:
            self.values[key] = self.plain(key, text)
            if key == "chanter" and '"' not in text:
                self.chanter_end = self.at
        except InputError as error:
            self.fault(at, key, error.what, error.remedy)
            self.reference_refused |= key == "reference"

    def crow(self, text: str) -> str:
        """A crow that begins with `text`, with the words after it that can only belong to it: `30 sharp of C`."""
        while (word := self.peek()) is not None:
            note = text.lower().endswith(" of") and CROW_NOTE.fullmatch(word.text)
            second = any(map(str.isdigit, text)) and any(map(str.isdigit, word.text))
            if second or not (note or CROW_WORD.fullmatch(word.text)):
                break
            self.at += 1
            text += f" {word.text}"
        return text

    def plain(self, key: str, text: str) -> object:
        """A value that is no pitch of a note. Raises InputError."""
        if key == "crow":
            return within("crow_hz", parse_crow_hz(with_point(self.crow(text))))
        if key == "pressure":
            return parse_pressure_kpa(self.with_unit(text, PA_PER_UNIT))
        if key == "temperature":
            following = self.peek(1)
            return parse_temperature_c(text if self.is_value(following) else self.with_unit(text, ("c", "f")))
        if key == "humidity":
            return within("humidity_pct", parse_pct(self.with_unit(text, ("%",))))
        if key == "reference":
            self.reference_hz = within("as_low_a_hz", parse_hz(self.with_unit(text, ("hz",))))
            return self.reference_hz
        if key == "at":
            return typed_time(text.replace('"', ""))
        name = " ".join(text.replace('"', "").split())
        if not name:
            raise InputError("the chanter has no name", remedy='name it, in "quotes" if there are blanks in it')
        return name

    def taped(self, word: Word, glued: str) -> tuple[str, ...]:
        names = [name for name in glued.split(",") if name]
        while (following := self.peek()) is not None and not self.is_value(self.peek(1)):
            parts = following.text.split(",")
            if not all(note_of(part) for part in parts if part):
                break
            names += [part for part in parts if part]
            self.at += 1
        notes = [note_of(name) for name in names]
        for name, note in zip(names, notes, strict=True):
            if note is None:
                self.fault(word, "taped", f"{short(name)!r} is no note", nearest(name.lower(), NOTES))
        if not names:
            self.fault(word, "taped", "no note after it", "name the taped notes, such as taped f high_g")
        return tuple(note for note in NOTES if note in notes)

    def pitch(self, word: Word, note: str, text: str, heard: ValueMeaning | None) -> None:
        match = VALUE.match(self.with_unit(text, NOTE_UNITS))
        if match is None:
            what, remedy = f"{short(text)!r} is not a pitch", "give hertz such as 779.1, or cents such as -12c"
            self.fault(word, note, what, remedy)
            return
        sign, digits, unit = match[1], match[2], unit_key(match[3] or "")
        meant = heard or self.mode
        try:
            number = parse_number(digits if sign or unit or meant == "cents" else with_point(digits)) * (
                -1.0 if sign and sign != "+" else 1.0
            )
        except InputError as error:
            self.fault(word, note, error.what, error.remedy)
            return
        if unit == "hz":
            meant = "sounding" if meant == "cents" else meant
        elif sign or unit:
            meant = "cents"
        if unit == "hz" and sign:
            self.fault(word, note, "hertz have no sign", "leave the sign, or say cents such as -12c")
        elif unit and unit != "hz" and not sign and number:
            self.fault(word, note, "cents without a sign", f"say +{digits}c or -{digits}c")
        else:
            self.pitches.append(Pitch(note, number, meant, word))


class _TrimReader(_LineReader):
    """Reads a line as a trim."""

    def key_of(self, name: str) -> tuple[str, ValueMeaning | None] | None:
        column = TRIM_WORDS.get(name.lower())
        return (column, None) if column is not None else None

    def unnamed(self, word: Word) -> None:
        name = word.text.partition("=")[0]
        if LENGTH.fullmatch(word.text):
            self.field(word, "length_mm", None, word.text)
        elif name.lower() not in TRIM_LEADS:
            remedy = like(name, list(TRIM_WORDS), "say 0.14, or 0.14 lip 2")
            self.fault(word, "", f"{short(name)!r} is no word of a trim", remedy)

    def field(self, word: Word, key: str, heard: ValueMeaning | None, glued: str) -> None:
        text = glued
        if not text and (following := self.peek()) is not None:
            self.at += 1
            word, text = following, following.text
        named = IN_WORDS.get(key, key)
        if key in self.values:
            self.fault(word, named, "given twice in this line", "give it once")
        try:
            if key == "at":
                self.values[key] = typed_time(text.replace('"', ""))
                return
            if (unit := self.peek()) is not None and unit_key(unit.text) in MM_PER_UNIT:
                self.at += 1
                text += unit.text
            self.values[key] = within(key, parse_number(text) if key == "lip_strokes" else parse_length_mm(text))
        except InputError as error:
            remedy = error.remedy
            if key == "length_mm" and (hertz := VALUE.match(text)) and len(hertz[2].split(".")[0]) >= 3:
                remedy = f"of a reading say which note, such as f {text}"
                self.at = len(self.words)
            self.fault(word, named, error.what, remedy)


def parse_reading(
    text: str,
    *,
    scale: Mapping[str, Fraction] = DEFAULT_RATIOS,
    reference_hz: float | None = None,
    around_hz: float | None = None,
    mode: ValueMeaning = "auto",
    partial: bool = False,
) -> ReadingLine:
    """A typed reading.

    scale: the shop's just ratios. reference_hz: the pitch as low A that cents are counted from (the order's target,
    else the chanter's meeting pitch). around_hz: where a low A is looked for when a value could be sounding hertz and
    hertz as low A alike. mode: how bare numbers of notes are meant. partial: a line with no pitch in it will do.
    Raises InputError with one fault for each bad word.
    """
    reader = _ReadingReader(text, scale, reference_hz, mode)
    reader.read()
    meaning = Meaning(
        reader.pitches,
        scale,
        reference_hz=reader.reference_hz,
        around_hz=around_hz,
        reference_refused=reader.reference_refused,
    )
    notes_hz, heard = meaning.sounding()
    reader.refuse(meaning.faults)
    octave = notes_hz.pop(G_OCTAVE, None)
    said: dict[str, Any] = {FIELD_OF.get(key, key): value for key, value in reader.values.items()}
    line = ReadingLine(notes_hz=notes_hz, g_octave_hz=octave, heard=heard, **said)
    if not partial and not notes_hz and line.crow_hz is None and octave is None:
        raise InputError("nothing was read in this line", remedy="give a note or the crow, such as f 779.1 crow C+22")
    return line


def parse_trim(text: str, *, partial: bool = False) -> TrimLine:
    """What was taken off, as typed: `0.14`, `0.14 mm`, `6 thou`, `0.14 lip 2`, `lip 2`, `length=0.14 asked=0.15`.

    partial: a line with no amount in it will do. Raises InputError with one fault for each bad word.
    """
    reader = _TrimReader(text)
    reader.read()
    reader.refuse()
    line = TrimLine(**reader.values)  # type: ignore[arg-type]
    if not partial and not line.length_mm and not line.lip_strokes:
        raise InputError("nothing was taken off in this line", remedy="give mm, or lip strokes: 0.14 lip 2")
    return line
