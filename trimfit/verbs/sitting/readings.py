"""Readings as they are typed at the bench: with names or as numbers alone, with the conditions that stand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from trimfit.base.pitch import NOTES
from trimfit.base.records import Chanter, Doubt
from trimfit.verbs.sitting.held_entries import HeldPlain, HeldReading, standing_words
from trimfit.verbs.sitting.undo import Undo
from trimfit.verbs.wording import expected_line, plain_name, wrapped

if TYPE_CHECKING:
    from trimfit.base.column_words import ValueMeaning
    from trimfit.entry.typed_lines import ReadingLine

NEW_CHANTER = "new-chanter"
MODES: tuple[ValueMeaning, ...] = ("auto", "sounding", "as low A", "cents")


class Readings(Undo):
    """What a line of values means, and the reading that it makes."""

    __slots__ = ()

    def _around_hz(self) -> float | None:
        """Where a low A is looked for: the reference, else the last reading's notes."""
        scale = self._scale()
        for logged in reversed(self._here().readings):
            if logged.record.notes_hz:
                low_a = sorted(hz / float(scale[note]) for note, hz in logged.record.notes_hz.items())
                return self._reference_hz() or low_a[len(low_a) // 2]
        return self._reference_hz()

    def _parse(self, text: str, *, partial: bool) -> ReadingLine:
        from trimfit.entry.parse import parse_reading

        around_hz = self._around_hz() if self.history else None
        reference_hz = self._reference_hz()
        return parse_reading(
            text, scale=self._scale(), reference_hz=reference_hz, around_hz=around_hz, mode=self._mode, partial=partial
        )

    def _set_mode(self, mode: ValueMeaning) -> Iterator[str]:
        self._mode = mode
        yield f"from now on bare numbers of notes are {'recognised by their size' if mode == 'auto' else mode}"

    def _next_mode(self, _: str) -> Iterator[str]:
        yield from self._set_mode(MODES[(MODES.index(self._mode) + 1) % len(MODES)])

    def _unnamed(self, text: str, order: Sequence[str] = ()) -> Iterator[str]:
        """A reading typed as numbers alone: said with its names, and logged when a person has seen them."""
        from trimfit.entry.unnamed_numbers import with_names

        self._here()
        known, is_set = self.bench.line_order()
        named = with_names(text, order or known)
        yield from wrapped(f"  {named}", self.width)
        if not (is_set or order or self.scripted):
            yield "  in this order from now on? Enter is yes; or the names in your order, as e f A a crow"
        yield from self._reading(named, echoed=True, numbers=text)

    def _reading(self, text: str, *, echoed: bool = False, numbers: str = "") -> Iterator[str]:
        from trimfit.entry.tokens import mode_of
        from trimfit.entry.typed_lines import ReadingLine

        if mode := mode_of(text):
            yield from self._set_mode(mode)
            return
        line = self._parse(text, partial=True)
        if line.chanter and not self.scripted and line.chanter not in self.bench.chanters():
            yield from self._new_chanter(line.chanter, text)
            return
        if not line.notes_hz and line.crow_hz is None and line.g_octave_hz is None and not (line.at or line.taped):
            self._standing = (self._standing or ReadingLine()).merged(replace(line, remark=None))
            yield from wrapped(f"from now on: {standing_words(self._standing)}", self.width)
            return
        history = self._here()
        line = self._parse(text, partial=False)
        yield from self._heard(line)
        full = self._standing.merged(line) if self._standing else line
        chanter = history.order.chanter if history.order else None
        if chanter is None and history.readings:
            chanter = history.readings[-1].record.chanter
        if chanter is None and not full.chanter and full.notes_hz and len(known := self.bench.chanters()) == 1:
            (chanter,) = known
            yield f"  in {plain_name(chanter)}, the only chanter in the log"
        reed = history.reed.record.reed
        taken_at = yield from self._moment(lambda time: full.reading(reed, time, chanter), line.at)
        yield from self._propose(HeldReading(full.reading(reed, taken_at, chanter), line, (), echoed, numbers))

    def _new_chanter(self, name: str, then: str) -> Iterator[str]:
        """Ask whether a chanter that the log does not know is to be made; the line that names it waits."""
        ask = Doubt(NEW_CHANTER, "chanter", f"chanter {plain_name(name, 60)} is not in the log; is it a new one?")
        doubts = self.bench.doubts(Chanter(name), None, heard={}, reference_hz=None, advised_mm=None)
        self.held = HeldPlain(Chanter(name), tuple(doubts) or (ask,), then=then)
        for doubt in self.held.doubts:
            yield from wrapped(f"? {plain_name(doubt.sentence, 600)}", self.width)

    def _heard(self, line: ReadingLine) -> Iterator[str]:
        as_low_a = [note for note in NOTES if line.heard.get(note) == "as low A"]
        if as_low_a and self._mode == "auto":
            names = " ".join(note.replace("_", " ") for note in as_low_a)
            yield from wrapped(f"  read as hertz as low A: {names}", self.width)

    def _read_again(self, _: str) -> Iterator[str]:
        reed = self._here().reed.record.reed
        self.advice = None
        yield "read it again"
        if expected := expected_line(self.bench.predicted(reed), self._scale()):
            yield expected
