"""Readings as they are typed at the bench, with names or as numbers alone, with the conditions that stand; and what is
answered where a sitting asks about an entry that it holds."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import replace

from trimfit.base.column_words import ValueMeaning, order_of_names
from trimfit.base.errors import FEW_NAMES, InputError, TrimfitError, nearest, short
from trimfit.base.pitch import NOTES
from trimfit.base.plain_words import plain_name, wrapped
from trimfit.base.records import Chanter, Doubt, Event, Reading, Trim
from trimfit.entry.line_parser import parse_reading, parse_trim
from trimfit.entry.parsed_lines import ReadingLine
from trimfit.entry.tokens import begins_a_trim, in_quotes, mode_of, names_a_column
from trimfit.entry.unnamed_numbers import is_unnamed, with_names
from trimfit.verbs.log import read_in, worked_there
from trimfit.verbs.sitting.entries import Entries
from trimfit.verbs.sitting.held_entries import (
    ANOTHER_CUT,
    TO_STOCK,
    Held,
    HeldPlain,
    HeldReading,
    HeldTrim,
    as_meant,
    as_trim,
    keys_of,
    may_have_moved,
    meant,
    other_reed,
    standing_words,
    words_for,
)
from trimfit.verbs.sitting.reed_in_hand import LoggedHere
from trimfit.verbs.wording import expected_line

NEW_CHANTER = "new-chanter"
MODES: tuple[ValueMeaning, ...] = ("auto", "sounding", "as low A", "cents")

# In a script `s` is the bench's own word: to stock.
SUGGESTED = {False: ("s", "suggested"), True: ("suggested",)}


def _at(record: Reading | Trim) -> str:
    return record.taken_at if isinstance(record, Reading) else record.done_at


class Readings(Entries):
    """What a line of values means, the reading that it makes, and what is answered where one asks: as typed, as
    suggested, dropped, moved, or what is right."""

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
        around_hz = self._around_hz() if self.history else None
        reference_hz = self._reference_hz()
        text = in_quotes(text, self.bench.journal.chanters())
        return parse_reading(
            text, scale=self._scale(), reference_hz=reference_hz, around_hz=around_hz, mode=self._mode, partial=partial
        )

    def _set_mode(self, mode: ValueMeaning) -> Iterator[str]:
        self._mode = mode
        yield f"from now on bare numbers of notes are {'recognised by their size' if mode == 'auto' else mode}"

    def _next_mode(self, _: str) -> Iterator[str]:
        yield from self._set_mode(MODES[(MODES.index(self._mode) + 1) % len(MODES)])

    def _unnamed(self, text: str, order: Sequence[str] = (), held: HeldReading | None = None) -> Iterator[str]:
        """A reading typed as numbers alone: said with its names, and logged when a person has seen them; held: the one
        that it corrects, if any."""
        self._here()
        known, is_set = self.bench.line_order()
        named = with_names(text, order or known)
        yield from wrapped(f"  {named}", self.width)
        if held is None:
            yield from self._reading(named, echoed=True, numbers=text)
        else:
            yield from self._corrected(held, named, echoed=True, numbers=text)
        if is_set or order or self.scripted or not isinstance(self.held, HeldReading):
            return
        yours = "the names in your order, as e f A a crow"
        if self.held.doubts:
            yield f"  if your order is another: {yours}"
        else:
            yield from wrapped(f"  right, and in this order from now on? Enter is yes; or {yours}", self.width)

    def _reading(self, text: str, *, echoed: bool = False, numbers: str = "") -> Iterator[str]:
        if mode := mode_of(text):
            yield from self._set_mode(mode)
            return
        line = self._parse(text, partial=True)
        if line.chanter and line.chanter not in (known := self.bench.journal.chanters()):
            if self.scripted:
                what = f"chanter {short(line.chanter)!r} is not in the log"
                raise InputError(what, remedy=nearest(line.chanter, list(known), FEW_NAMES))
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
        chanter = None if full.chanter else read_in(self.bench.session, history)
        if chanter is None and not full.chanter and full.notes_hz and (chanter := self.bench.journal.only_chanter()):
            yield f"  in {plain_name(chanter)}, the only chanter in the log"
        elif worked := worked_there(history, chanter):
            yield from wrapped(f"  in {plain_name(chanter or '')}, {plain_name(worked, 200)}", self.width)
        reed = history.reed.record.reed
        taken_at = yield from self._moment(lambda time: full.reading(reed, time, chanter), line.at)
        yield from self._propose(HeldReading(full.reading(reed, taken_at, chanter), line, (), echoed, numbers))

    def _new_chanter(self, name: str, then: str) -> Iterator[str]:
        """Ask whether a chanter that the log does not know is to be made; the line that names it waits."""
        ask = Doubt(NEW_CHANTER, "chanter", f"chanter {plain_name(name, 60)} is not in the log; is it a new one?")
        doubts = self.bench.doubts(Chanter(name), None, heard={}, reference_hz=None, advised_mm=None)
        self.held = HeldPlain(Chanter(name), tuple(doubts) or (ask,), then=then)
        yield from self._doubted(self.held.doubts)

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

    def _answer(self, held: Held, text: str) -> Generator[str, None, str | None]:
        """Take `text` as the answer to the doubt; returns the line to act on next, `text` itself if it was none."""
        word = text.lower()
        moved = may_have_moved(held.doubts) and not isinstance(held, HeldPlain)
        if isinstance(held, HeldReading) and held.echoed:
            answered = yield from self._answer_echo(held, text)
            if answered is not None:
                return None if answered else text
        another = any(one.kind == ANOTHER_CUT for one in held.doubts)
        if another and word in ("i", "instead") and isinstance(held, HeldTrim):
            entry, record, doubts = self.bench.amended(self._by_enter, f"length {held.record.length_mm:.4f}")
            self.held = HeldPlain(record, tuple(doubts), instead_of=entry)
            if not doubts:
                yield from self._keep("")
            yield from self._doubted(doubts)
        elif word in ("y", "yes", "keep") or (another and word in ("a", "another")) or (moved and not word):
            # that it is new, one more, or meant, was asked, and is no doubt any more
            asked = NEW_CHANTER, ANOTHER_CUT, TO_STOCK
            held = self.held = replace(held, doubts=tuple(one for one in held.doubts if one.kind not in asked))
            yield from self._keep("kept and marked" if held.doubts else "")
            if isinstance(held, HeldPlain) and held.then:
                return held.then
        elif moved and word in ("m", "moved") and isinstance(held, HeldReading):
            yield from self._keep_as_moved(held)
        elif moved and word in ("r", "read"):
            self.held = None
            yield "not logged"
            yield from self._read_again("")
        elif word in SUGGESTED[self.scripted] and meant(held.doubts) and not isinstance(held, HeldPlain):
            yield from self._propose(as_meant(held, self.advice, self.bench.hand()))
        elif word in SUGGESTED[False] and not self.scripted and isinstance(held, HeldReading) and other_reed(held):
            yield from self._for_the_other(held)
        elif word in ("no", "drop") or (word in ("n", "u", "undo") and not self.scripted):
            self.held = None
            yield "not logged"
        elif self.scripted:
            try:
                yield from self._keep("kept and marked, since the next line does not answer")
            except TrimfitError as error:
                self.held = None
                yield from self._fault(error)
            return text
        elif word in ("q", "quit"):
            return text
        else:
            yield from self._correct(held, text)
        return None

    def _answer_echo(self, held: HeldReading, text: str) -> Generator[str, None, bool | None]:
        """Take `text` as what is said of numbers shown with their names; None where it is an answer like any other."""
        known, is_set = self.bench.line_order()
        if not text and not held.doubts:
            if not is_set:
                self.bench.set_line_order(known)
            yield from self._keep("")
            return True
        if is_unnamed(text):
            self.held = None
            return False
        if order := order_of_names(text):
            self.held = None
            self.bench.set_line_order(order)
            yield from self._unnamed(held.numbers, order)
            return True
        return None

    def _keep_as_moved(self, held: HeldReading) -> Iterator[str]:
        """The reed is not as it was: that is logged just before the reading, which is then no longer in doubt."""
        event = Event(held.record.reed, held.record.taken_at, "moved")
        entry, new = self.bench.append(event, ())
        if new:
            self._undo.append(LoggedHere(entry, event))
            self.tally.count(event)
        yield f"logged {entry}: {words_for(event)}"
        self.held = replace(held, doubts=())
        yield from self._keep("")

    def _correct(self, held: Held, text: str) -> Iterator[str]:
        """What is right, typed in place of an answer: only the values that were wrong need be typed."""
        if isinstance(held, HeldPlain):
            yield from self._first_this(held, text)
            return
        word = text.split(" ")[0]
        record = held.record
        if isinstance(held, HeldReading) and names_a_column(word):
            yield from self._corrected(held, text)
        elif isinstance(held, HeldReading) and is_unnamed(text):
            yield from self._unnamed(text, held=held)
        elif isinstance(held, HeldTrim) and text and begins_a_trim(word):
            typed = parse_trim(text)
            yield from self._propose(
                HeldTrim(as_trim(typed, record.reed, typed.at or _at(record), self.advice, self.bench.hand()), typed)
            )
        else:
            yield from self._first_this(held, text)

    def _corrected(self, held: HeldReading, text: str, *, echoed: bool = False, numbers: str = "") -> Iterator[str]:
        line, was = held.line.merged(self._parse(text, partial=True)), held.record
        full = self._standing.merged(line) if self._standing else line
        record = full.reading(was.reed, was.taken_at, was.chanter)
        yield from self._propose(HeldReading(record, line, (), echoed, numbers))

    def _for_the_other(self, held: HeldReading) -> Iterator[str]:
        """The reading is the one of the reed that it is like, which is in hand from now on."""
        reed, self.held = other_reed(held), None
        yield from self._turn_to(reed)
        at = yield from self._moment(lambda time: replace(held.record, reed=reed, taken_at=time), held.line.at)
        yield from self._propose(replace(held, record=replace(held.record, reed=reed, taken_at=at), echoed=False))

    def _first_this(self, held: Held, text: str) -> Iterator[str]:
        """What may be answered; and that values typed in place of an answer were not taken."""
        yield f"first this: {keys_of(held)}"
        word = text.split(" ")[0]
        if names_a_column(word) or (text and begins_a_trim(word)):
            yield from wrapped(f"  not logged, type it again then: {short(text)}", self.width)

    def _nothing_asked(self, _: str) -> Iterator[str]:
        yield "nothing was asked"
