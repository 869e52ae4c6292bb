"""What a sitting takes back or puts right of what is in the log."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from trimfit.base.errors import InputError
from trimfit.base.records import Chanter, Reed
from trimfit.verbs.sitting.entries import Entries
from trimfit.verbs.sitting.held_entries import HeldPlain, words_for
from trimfit.verbs.wording import plain_name, wrapped


class Undo(Entries):
    """`fix`, `strike` and `undo`."""

    __slots__ = ()

    def _fix(self, rest: str) -> Iterator[str]:
        """List this reed's last entries with numbers, or put what is right in the place of one: `fix 2 0.65`."""
        from trimfit.verbs.sitting.last_entries import last_entries, numbered

        self._reload()
        number, _, words = rest.partition(" ")
        if not number:
            listed = last_entries(self._here())
            yield from (line for one in listed for line in wrapped(one.line, self.width, "     "))
            yield "fix NUMBER and what is right, as fix 2 0.65" if listed else "nothing is logged of it yet"
            return
        one = numbered(self._here(), number)
        if not words.strip():
            yield from wrapped(one.line, self.width, "     ")
            yield f"fix {number} and what is right: only what was wrong need be typed"
            return
        entry, record, doubts = self.bench.amended(one.entry, words.strip())
        self.held = HeldPlain(record, tuple(doubts), instead_of=entry)
        if not doubts:
            yield from self._keep("")
        for doubt in doubts:
            yield from wrapped(f"? {plain_name(doubt.sentence, 600)}", self.width)

    def _strike(self, text: str) -> Iterator[str]:
        """Strike this reed's last entry, or the one whose id is given."""
        entry = text.split(" ")[0]
        if not entry:
            entry, _ = self.bench.last_of(self._here().reed.record.reed)
        self.bench.strike(entry, "taken back at the bench")
        gone = next((one for one in self._undo if one.entry.startswith(entry.lower())), None)
        if gone is not None:
            self._undo.remove(gone)
            self.tally.count(gone.record, -1)
        self.tally.struck += 1
        yield from self._acknowledged(f"struck {entry}; it stays readable")
        if self.history is None:
            return
        try:
            yield from self._sit_at(self.history.reed.record.reed)
        except InputError:
            self.history = self.advice = None

    def _take_back(self, _: str) -> Iterator[str]:
        if not self._undo:
            said = "nothing of this sitting is left to undo"
            if self.history is not None:
                reed = self.history.reed.record.reed
                with suppress(InputError):
                    entry, kind = self.bench.last_of(reed)
                    said += f"; strike takes back the last entry of {plain_name(reed)}, its {kind} {entry[:10]}"
            yield from wrapped(said, self.width)
            return
        last = self._undo[-1]
        what = f"{last.entry}: {words_for(last.record)}"
        try:
            self.bench.strike(last.entry, "undone at the bench")
            said = f"struck {what}; it stays readable"
        except InputError as error:
            # Somebody else was first. Whatever the reason, this entry is not to stand before those logged earlier.
            said = f"nothing to undo: {what} {plain_name(error.what, 200)}; u again takes back the entry before it"
        self._undo.pop()
        self.tally.count(last.record, -1)
        self.tally.struck += 1
        yield from self._acknowledged(said)
        if isinstance(last.record, Reed):
            self.history = self.advice = None
        elif not isinstance(last.record, Chanter):
            yield from self._sit_at(last.record.reed)
