"""The reed that a sitting has in hand: where it stands, what is advised, and which reed comes next."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from trimfit.base.answers import Advice
from trimfit.base.column_words import ValueMeaning
from trimfit.base.errors import InputError, TrimfitError, command, commands_in
from trimfit.base.pitch import cents_from_440
from trimfit.base.plain_words import chance_words, plain_name, signed, wrapped
from trimfit.base.records import Doubt, ReedHistory, Settings
from trimfit.entry.entry_times import ELSEWHERE, Entry, entries_of
from trimfit.entry.parsed_lines import ReadingLine
from trimfit.log.settings import scale_of
from trimfit.verbs.log import read_in, reference_hz
from trimfit.verbs.sitting.bench import Bench
from trimfit.verbs.sitting.held_entries import Held, Record
from trimfit.verbs.wording import (
    Tally,
    advice_lines,
    closing_line,
    expected_line,
    first_lines,
    gaps_of,
    own_words,
    reed_lines,
)

MOST_GAPS = 8
MOST_LISTED = 9


@dataclass(frozen=True, slots=True)
class LoggedHere:
    """An entry of this sitting, which undo takes back; or a correction: `before` and its `doubts` stood in its place,
    and undo puts them back."""

    entry: str
    record: Record
    before: Record | None = None
    doubts: tuple[str, ...] = ()


@dataclass(slots=True)
class ReedInHand:
    """What a sitting remembers, and its way from reed to reed."""

    bench: Bench
    clock: Callable[[], str]
    reeds: Sequence[str] = ()
    scripted: bool = False
    width: int = 80
    done: bool = False
    faults: int = 0
    tally: Tally = field(default_factory=Tally)
    history: ReedHistory | None = None
    advice: Advice | None = None
    held: Held | None = None
    _queue: list[str] = field(default_factory=list)
    _seen: set[str] = field(default_factory=set)
    _undo: list[LoggedHere] = field(default_factory=list)
    _standing: ReadingLine | None = None
    _mode: ValueMeaning = "auto"
    _names: Sequence[str] | None = None
    _asked_seq: int = 0
    _by_enter: str = ""
    _refused: bool = False
    _settings: Settings = field(default_factory=Settings)

    def _fault(self, error: TrimfitError) -> Iterator[str]:
        self.faults += 1
        for line in error.lines() if isinstance(error, InputError) else [error.line()]:
            said = f"! {plain_name(self._in_words_here(line), 600)}"
            # A script's faults go to stderr, one a line.
            yield from [said] if self.scripted else wrapped(said, self.width)

    def _numbered(self) -> dict[str, Entry]:
        """This reed's last entries by the numbers that `fix` gives them."""
        return {str(i): one for i, one in enumerate(entries_of(self._here())[::-1][:MOST_LISTED], 1)}

    def _done_here(self, told: str) -> str:
        """What is typed here for a command that mends an entry: `fix 2 ch NAME`, `j rea-h5jvor`; empty for others."""
        words = re.sub(r"^trimfit( --log ('[^']*'|\S+))*", "", told).split()
        if words[:1] != ["log"] or words[1:2] not in (["amend"], ["strike"]) or len(words) < 3:
            return ""
        entry = words[2]
        if words[1] == "strike":
            return f"j {entry[:10]}"
        listed = self._numbered() if self.history is not None else {}
        number = next((number for number, one in listed.items() if one.entry.startswith(entry)), "")
        said = " ".join(words[3:]).replace("chanter=", "ch ").replace("length=", "length ")
        return f"fix {number} {said}".strip() if number else ""

    def _in_words_here(self, text: str) -> str:
        """What the verbs say, with the words of the bench for their commands and options."""
        for told in commands_in(text):
            if here := self._done_here(told):
                text = text.replace(f"{told} --why …", here).replace(told, here)
        text = text.removesuffix(ELSEWHERE).replace("(--chanter NAME)", "(ch NAME)")
        return text.replace("with --at or --after", "with at TIME")

    def _doubted(self, doubts: Sequence[Doubt]) -> Iterator[str]:
        """The questions that doubts are asked as."""
        for doubt in doubts:
            yield from wrapped(f"? {plain_name(doubt.sentence, 600)}", self.width)

    def _here(self) -> ReedHistory:
        if self.history is None:
            raise InputError("no reed is chosen", remedy="type its name, or n for the next of the work list")
        return self.history

    def _reload(self) -> None:
        self.history = self.bench.history(self._here().reed.record.reed)

    def _scale(self) -> dict[str, Fraction]:
        return scale_of(self._settings)

    def _reference_hz(self) -> float | None:
        """What cents are counted from: what was typed here, else the order's target, else the chanter's meeting
        pitch."""
        if self._standing and self._standing.reference_hz:
            return self._standing.reference_hz
        return reference_hz(self.history) if self.history is not None else None

    def _aim_cents(self) -> float | None:
        reference_hz = self._reference_hz()
        return cents_from_440(reference_hz) if reference_hz else None

    def _by_name(self, name: str) -> Iterator[str]:
        try:
            yield from self._sit_at(name.strip().strip('"'))
        except InputError as error:
            if self.scripted:
                # What follows in a script must not land on the reed before.
                self.history = self.advice = None
            raise InputError(error.what, error.where, error.remedy or "type ? for help", faults=error.faults) from None

    def _sit_at(self, name: str) -> Iterator[str]:
        history = self.bench.history(name)
        self.history, self.advice = history, None
        self._seen.add(name)
        yield from reed_lines(history, self.width)
        standing, ordered = self._standing, history.chanter if history.order else None
        if standing and standing.chanter and ordered and standing.chanter != ordered.chanter:
            away = ordered.at_hand == "no" and read_in(self.bench.session, history) == standing.chanter
            if not away:
                self._standing = replace(standing, chanter=None)
                was, now = plain_name(standing.chanter), plain_name(ordered.chanter)
                yield f"  chanter {was} holds no more: this order is for {now}"
        yield from self._state()

    def _turn_to(self, name: str) -> Iterator[str]:
        """Take a reed in hand that was not next: the list goes on with the one that was in hand."""
        here = self.history.reed.record.reed if self.history is not None else name
        if here != name:
            self._queue.insert(0, here)
            self._seen.discard(here)
        yield from self._sit_at(name)

    def _state(self) -> Iterator[str]:
        """Where F and E stand, and the answer."""
        history = self._here()
        if closing := closing_line(gaps_of(history, self._scale()), self._aim_cents(), self.width):
            yield closing
        if history.outcome is None:
            yield from self._ask()
            return
        went = history.outcome.record.outcome
        said = f"> left the bench: {went}. To go on with it: strike {history.outcome.entry[:10]}"
        yield from wrapped(said, self.width)

    def _ask(self) -> Iterator[str]:
        self.advice = None
        self._asked_seq = self.bench.journal.last_seq()
        try:
            self.advice = self.bench.answer(self._here().reed.record.reed)
        except TrimfitError as error:
            yield from wrapped(f"> no answer: {plain_name(error.line(), 600)}", self.width)
            return
        yield from first_lines(self.advice, self.width)
        reason, *notes = map(self._in_words_here, (self.advice.reason, *self.advice.notes))
        yield from advice_lines(replace(self.advice, reason=reason, notes=tuple(notes)), self.width)

    def _again(self, _: str) -> Iterator[str]:
        """The reed and its answer anew; a terminal is cleared before."""
        if self.history is not None:
            yield from self._sit_at(self.history.reed.record.reed)

    def _next(self) -> Iterator[str]:
        """The next reed that still wants work. One that was passed over comes again when the others have been seen."""
        here = self.history.reed.record.reed if self.history else None
        self._queue = [name for name in self._queue if self._at_the_bench(name)]
        if not self._queue:
            try:
                wanted = [name for name in self._wanted() if name != here]
            except TrimfitError as error:
                wanted = []
                yield from wrapped(f"> no work list: {plain_name(error.line(), 600)}", self.width)
            self._queue = [name for name in wanted if name not in self._seen] or wanted
            if self._queue and self._queue[0] in self._seen:
                self._seen.clear()
                yield "once more through those that were passed over:"
        if not self._queue:
            if here is None or not self._at_the_bench(here):
                self.history = self.advice = None
                yield self._nothing_waits() + "; type the name of one, or ? for help"
            else:
                yield self._nothing_waits("other ")
            return
        yield from self._by_name(self._queue.pop(0))

    def _skip(self, _: str) -> Iterator[str]:
        yield from self._next()

    def _at_the_bench(self, name: str) -> bool:
        return self.bench.history(name).outcome is None

    def _wanted(self) -> list[str]:
        """The reeds that want work at this moment, the most urgent first: of those named at the start, if any were."""
        if self.reeds:
            return [name for name in dict.fromkeys(self.reeds) if self._at_the_bench(name)]
        return list(self.bench.work())

    def _nothing_waits(self, other: str = "") -> str:
        if self.reeds:
            return f"no {other}reed of this sitting waits for work"
        return f"no {other}reed waits for work"

    def _list(self, _: str) -> Iterator[str]:
        """What waits for work now, by which `next` goes on too."""
        names = self._wanted()
        self._queue = [name for name in names if name not in self._seen]
        shown = ", ".join(plain_name(name) for name in names[:30])
        more = f" and {len(names) - 30} more" if len(names) > 30 else ""
        said = f"to do: {shown}{more}" if names else self._nothing_waits()
        if self.reeds:
            every = f"{command('ask', '--all')} lists all with an order"
            said += f"; this sitting is for the reeds that it began with, {every}"
        yield from wrapped(said, self.width)

    def _why(self, _: str) -> Iterator[str]:
        history = self._here()
        if self.advice is None:
            yield "no answer stands: type a reading, or reed NAME for the answer"
            return
        yield from reed_lines(history, self.width)[1:]
        if gaps := [signed(f - e) for f, e in gaps_of(history, self._scale())]:
            yield from wrapped(f"  gaps read, the last one last: {', '.join(gaps[-MOST_GAPS:])} cents", self.width)
        if (own := self.bench.own_lines(history.reed.record.reed)) is not None:
            yield from wrapped(f"  {own_words(own)}", self.width)
        if self.advice.chance_within is not None and self.advice.gap_read:
            end = f"  within tolerance at its end, if advice is followed: {chance_words(self.advice.chance_within)}"
            yield from wrapped(end, self.width)
        if expected := expected_line(self.bench.predicted(history.reed.record.reed), self._scale()):
            yield f"{expected}, read as it is now"
