"""What the note values of a typed line mean: sounding hertz, hertz as low A, or cents from the note's just target."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from trimfit.base.column_words import ValueMeaning
from trimfit.base.errors import Fault, InputError
from trimfit.base.units import BOUNDS
from trimfit.entry.tokens import Word
from trimfit.entry.typing_slips import median
from trimfit.entry.unnamed_numbers import with_point
from trimfit.log.column_values import USUAL_LOW_A_HZ, WIDEST_CENTS, hz_by_cents, note_ratio, number_value
from trimfit.log.entry_kinds import KINDS

READING = KINDS["reading"]


@dataclass(frozen=True, slots=True)
class Pitch:
    """A note's value as typed, before it is known what it means."""

    note: str
    number: float
    heard: ValueMeaning
    word: Word


@dataclass(slots=True)
class Meaning:
    """Settles what the values of one line mean, all together; what cannot be meant goes to `faults`.

    reference_hz: what cents are counted from; around_hz: where a low A is looked for when a value could be two things;
    reference_refused: the line gave a reference that was no pitch, which is fault enough.
    """

    pitches: Sequence[Pitch]
    scale: Mapping[str, Fraction]
    reference_hz: float | None
    around_hz: float | None
    reference_refused: bool
    faults: list[Fault] = field(default_factory=list)

    def sounding(self) -> tuple[dict[str, float], dict[str, ValueMeaning]]:
        """Sounding hertz of each note of the line, and how each value was understood."""
        # By pitch and not by note: a line may say a note twice, which is a fault of its own.
        readable = [(pitch, self.possible(pitch)) for pitch in self.pitches]
        found = [
            pitch.number if options == ["as low A"] else pitch.number / note_ratio(pitch.note, self.scale)
            for pitch, options in readable
            if len(options) == 1 and options != ["cents"]
        ]
        # What is no pitch of a chanter is a fault, and says nothing of where the others lie.
        low, high = BOUNDS["as_low_a_hz"]
        settled = [hz for hz in found if low <= hz <= high]
        centre = self.around_hz or self.reference_hz or (median(settled) if settled else USUAL_LOW_A_HZ)
        notes_hz: dict[str, float] = {}
        heard: dict[str, ValueMeaning] = {}
        for pitch, options in readable:
            hz, how = self.settle(pitch, options, centre)
            low, high = BOUNDS["note_hz"]
            if hz is None:
                continue
            if low <= hz <= high:
                notes_hz[pitch.note], heard[pitch.note] = hz, how
                self.refuse_pointed(pitch, hz)
            else:
                self.faults.append(
                    pitch.word.fault(pitch.note, f"{pitch.number:g} is out of bounds", self.remedy(pitch))
                )
        return notes_hz, heard

    def refuse_pointed(self, pitch: Pitch, hz: float) -> None:
        """A fault for hertz that no reading can have, where the number was typed without its point: the log would name
        one that nobody typed."""
        digits = pitch.word.text[-4:]
        if digits != with_point(digits) == f"{pitch.number:.1f}":
            try:
                number_value(READING.columns[READING.index[f"{pitch.note}_hz"]], hz, self.scale)
            except InputError as error:
                what = f"{digits}, read as {with_point(digits)}, is out of bounds"
                self.faults.append(pitch.word.fault(pitch.note, what, error.remedy))

    def remedy(self, pitch: Pitch) -> str:
        """What a value may have been meant as that is no pitch of a chanter at all."""
        ratio = note_ratio(pitch.note, self.scale)
        low, high = (edge * ratio for edge in BOUNDS["as_low_a_hz"])
        guesses = [pitch.number / 10.0]
        fine = round(pitch.number, 1) != pitch.number
        guesses += [pitch.number * 10.0] if fine else []  # hertz are typed to a tenth: the point is a place off
        for guess in guesses:
            if low <= guess <= high:
                return f"did you mean {guess:.1f}?"
        # Which digit was left out nobody knows: 77 may be 770 to 779, or 767.
        missing = "a digit is missing; " if low <= pitch.number * 10.0 <= high else ""
        may_be_cents = 0 < pitch.number < BOUNDS["note_hz"][0]
        cents = f"; cents have a sign: +{pitch.number:g}c or -{pitch.number:g}c" if may_be_cents else ""
        return f"{missing}give {low:.0f} to {high:.0f} Hz{cents}"

    def possible(self, pitch: Pitch) -> list[ValueMeaning]:
        """What a bare number may be meant as: sounding hertz, hertz as low A, or both; as said, where it was said."""
        if pitch.heard != "auto":
            return [pitch.heard]
        low, high = BOUNDS["as_low_a_hz"]
        options: list[ValueMeaning] = []
        if low <= pitch.number / note_ratio(pitch.note, self.scale) <= high:
            options.append("sounding")
        if pitch.note != "low_a" and low <= pitch.number <= high:
            options.append("as low A")
        return options or ["sounding"]

    def settle(self, pitch: Pitch, options: list[ValueMeaning], centre: float) -> tuple[float | None, ValueMeaning]:
        """Sounding hertz (None where it is a fault, which is kept) and how it was heard; centre: Hz as low A."""
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
            return hz_by_cents(pitch.note, pitch.number, self.reference_hz, self.scale), "cents"
        ratio = note_ratio(pitch.note, self.scale)
        if len(options) == 2:
            # 8/9 and 9/8 are 204 cents from low A: whichever reading lies nearer to the chanter's pitch is meant.
            own, direct = pitch.number / ratio, pitch.number
            off_own, off_direct = (max(value / centre, centre / value) for value in (own, direct))
            options = ["sounding"] if off_own <= off_direct else ["as low A"]
        how = options[0]
        return (pitch.number * ratio if how == "as low A" else pitch.number), how
