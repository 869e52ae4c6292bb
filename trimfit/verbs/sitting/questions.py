"""What is answered where a sitting asks about an entry that it holds."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import replace

from trimfit.base.errors import TrimfitError
from trimfit.base.records import Event, Reading, Trim
from trimfit.verbs.sitting.held_entries import (
    Held,
    HeldPlain,
    HeldReading,
    HeldTrim,
    as_meant,
    as_trim,
    may_have_moved,
    meant,
    words_for,
)
from trimfit.verbs.sitting.readings import NEW_CHANTER, Readings
from trimfit.verbs.sitting.reed_in_hand import LoggedHere


def _at(record: Reading | Trim) -> str:
    return record.taken_at if isinstance(record, Reading) else record.done_at


class Questions(Readings):
    """Yes, no, as meant, moved, or what is right."""

    __slots__ = ()

    def _answer(self, held: Held, text: str) -> Generator[str, None, str | None]:
        """Take `text` as the answer to the doubt; returns the line to act on next, `text` itself if it was none."""
        word = text.lower()
        moved = may_have_moved(held.doubts) and not isinstance(held, HeldPlain)
        if isinstance(held, HeldReading) and held.echoed:
            answered = yield from self._answer_echo(held, text)
            if answered is not None:
                return None if answered else text
        if word in ("y", "yes", "keep") or (moved and not word):
            # that it is new was asked, and is no doubt any more
            held = self.held = replace(held, doubts=tuple(one for one in held.doubts if one.kind != NEW_CHANTER))
            yield from self._keep("kept and marked" if held.doubts else "")
            if isinstance(held, HeldPlain) and held.then:
                return held.then
        elif moved and word in ("m", "moved") and isinstance(held, HeldReading):
            yield from self._keep_as_moved(held)
        elif moved and word in ("r", "read"):
            self.held = None
            yield "not logged"
            yield from self._read_again("")
        elif word in ("m", "meant") and meant(held.doubts) and not isinstance(held, HeldPlain):
            yield from self._propose(as_meant(held, self.advice))
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
        from trimfit.base.column_words import order_of_names
        from trimfit.entry.unnamed_numbers import is_unnamed

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
        from trimfit.entry.parse import parse_trim
        from trimfit.entry.tokens import begins_a_trim, names_a_column

        if isinstance(held, HeldPlain):
            yield "first this: y keeps it, no drops it"
            return
        word = text.split(" ")[0]
        record = held.record
        if isinstance(held, HeldReading) and names_a_column(word):
            line = held.line.merged(self._parse(text, partial=True))
            full = self._standing.merged(line) if self._standing else line
            yield from self._propose(HeldReading(full.reading(record.reed, _at(record), held.record.chanter), line))
        elif isinstance(held, HeldTrim) and text and begins_a_trim(word):
            typed = parse_trim(text)
            yield from self._propose(HeldTrim(as_trim(typed, record.reed, typed.at or _at(record), self.advice), typed))
        else:
            if may_have_moved(held.doubts):
                yield "first this: r drops it to read again, m: the reed has moved, Enter keeps it marked"
                return
            choice = "m takes what was meant, " if meant(held.doubts) else ""
            yield f"first this: y keeps it, {choice}no drops it, or type what is right"

    def _nothing_asked(self, _: str) -> Iterator[str]:
        yield "nothing was asked"
