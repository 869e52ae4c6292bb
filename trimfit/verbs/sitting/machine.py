"""A sitting at the bench as a machine with no terminal in it: a line goes in, lines come out.

What is typed is acknowledged only once it is durably in the log. The same machine serves a person at a terminal and a
script of lines (`scripted`): there, a doubt that the next line does not answer is kept and marked.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

from trimfit.base.answers import Advice
from trimfit.base.errors import InputError, TrimfitError, nearest
from trimfit.base.pitch import NOTES, cents_from_440, ratios
from trimfit.base.records import Chanter, Doubt, Event, Outcome, Reading, Reed, ReedHistory, Settings, Trim
from trimfit.verbs.sitting.held_entries import (
    Held,
    HeldPlain,
    HeldReading,
    HeldTrim,
    Overtaken,
    Record,
    as_meant,
    as_trim,
    may_have_moved,
    meant,
    standing_words,
    words_for,
)
from trimfit.verbs.wording import (
    CAUTIONS,
    HELP,
    Tally,
    advice_lines,
    closing_line,
    expected_line,
    gaps_of,
    plain_name,
    reed_lines,
    wrapped,
)

if TYPE_CHECKING:
    from trimfit.base.column_words import ValueMeaning
    from trimfit.entry.typed_lines import ReadingLine

__all__ = ["Bench", "Sitting"]

COMMANDS = (
    "? auto clear exit fix good help list lost moved new next ok quit reed read stock strike to-stock undo why "
    "as_low_a sounding cents"
).split()
# Each bench word in one letter, none of which needs Shift, and none of which begins a reading; c is clear where it
# stands alone.
LETTERS = {
    "/": "help",
    "c": "clear",
    "j": "strike",
    "l": "lost",
    "m": "moved",
    "n": "next",
    "o": "numbers",
    "q": "quit",
    "r": "read",
    "s": "stock",
    "u": "undo",
    "v": "good",
    "w": "list",
    "x": "fix",
    "y": "why",
    "z": "new",
}
NEW_CHANTER = "new-chanter"
MODES: tuple[ValueMeaning, ...] = ("auto", "sounding", "as low A", "cents")


class Bench(Protocol):
    """What a sitting needs: the log, the doubts, the answers."""

    def settings(self) -> Settings:
        """The shop's settings."""

    def names(self) -> Sequence[str]:
        """The names of all reeds, for completion."""

    def work(self) -> Sequence[str]:
        """The reeds that wait for work, most urgent first."""

    def history(self, reed: str) -> ReedHistory:
        """All that the log knows of a reed. Raises InputError for one that is not in it."""

    def answer(self, reed: str) -> Advice:
        """What to do next with a reed. Raises TrimfitError where there is no answer."""

    def predicted(self, reed: str) -> Mapping[str, tuple[float, float]]:
        """Mean and standard deviation of each output of the next reading, as low A in cents from 440 Hz; may be
        empty."""

    def doubts(
        self,
        record: Record,
        history: ReedHistory | None,
        *,
        heard: Mapping[str, str],
        reference_hz: float | None,
        advised_mm: float | None,
    ) -> Sequence[Doubt]:
        """What is doubtful in a record not yet logged; a new reed has no history. heard: how notes were typed, where
        not as sounding hertz;
        reference_hz: what cents were counted from; advised_mm: the cut that was advised, if any."""

    def append(self, record: Record, doubts: Sequence[Doubt], seen: ReedHistory | None = None) -> tuple[str, bool]:
        """Log a record durably, with the doubts that go with it; the entry's id, and whether the log is the longer
        for it (the very same row may be there already). seen: the reed as it was when the record was made; a trim that
        somebody else's cut came before raises Overtaken."""

    def amended(self, entry: str, words: str) -> tuple[str, Record, Sequence[Doubt]]:
        """The id of the entry meant, its record as `words` correct it, and what is doubtful in that. Raises
        InputError for words that say nothing of it."""

    def amend(self, entry: str, record: Record, doubts: Sequence[Doubt]) -> str:
        """Put a corrected record in the place of an entry, which is struck; the id of the corrected entry."""

    def chanters(self) -> Sequence[str]:
        """The names of all chanters in the log."""

    def line_order(self) -> tuple[Sequence[str], bool]:
        """The order of numbers typed without names, and whether the shop has set it."""

    def set_line_order(self, order: Sequence[str]) -> None:
        """Set that order for the shop."""

    def strike(self, entry: str, why: str) -> str:
        """Strike an entry; the id of the strike."""

    def last_of(self, reed: str) -> tuple[str, str]:
        """The entry logged last of a reed: its id, and what kind it is of."""


@dataclass(frozen=True, slots=True)
class _Entry:
    """What undo takes back."""

    entry: str
    record: Record


def _at(record: Reading | Trim) -> str:
    return record.taken_at if isinstance(record, Reading) else record.done_at


@dataclass(slots=True)
class Sitting:
    """One person's sitting. `clock()` gives this moment as ISO 8601 text; `reeds` are the reeds to go through, else
    the work list. Feed it lines until `done`; exhaust what it yields, for each line is acted on as it is said."""

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
    _undo: list[_Entry] = field(default_factory=list)
    _standing: ReadingLine | None = None
    _mode: ValueMeaning = "auto"
    _names: Sequence[str] | None = None
    _settings: Settings = field(default_factory=Settings)

    # -- what the terminal needs ------------------------------------------------------------------------------

    def open(self) -> Iterator[str]:
        """The first lines: cautions, how to get help, the first reed. Raises InputError for a reed not in the log."""
        self._settings = self.bench.settings()
        for name in self.reeds:
            self.bench.history(name)
        if not self.scripted:
            yield from wrapped(CAUTIONS, self.width, "")
            yield "Type ? for help."
        self._queue = list(self.reeds)
        if not self.scripted or self.reeds:
            yield from self._next()

    def close(self) -> Iterator[str]:
        """The last lines. Of what still waits for an answer a reading is kept and marked, for a measured value is not
        thrown away; all else is dropped, for nobody has said yes to it. In a script all of it is kept and marked."""
        self.done = True
        held = self.held
        if held is not None and not self.scripted and not isinstance(held, HeldReading):
            self.held = None
            yield f"not logged, since nobody answered: {words_for(held.record)}"
        try:
            yield from self._keep("kept and marked, since nobody answered" if held and held.doubts else "")
        except TrimfitError as error:
            yield from self._fault(error)
        yield f"this sitting: {self.tally.line()}"

    def prompt(self) -> str:
        """What stands before the cursor: which reed, and what is waited for."""
        if self.history is None:
            return "reed: "
        name = plain_name(self.history.reed.record.reed, 20)
        if self.held is not None:
            if isinstance(self.held, HeldReading) and self.held.echoed and not self.held.doubts:
                return f"{name}, Enter = right, n = not, or what is right: "
            if isinstance(self.held, HeldPlain):
                return f"{name}, keep it? y or no: "
            if may_have_moved(self.held.doubts):
                return f"{name}, r (misread), m (moved), or Enter to keep it marked: "
            choice = "m (as meant), " if meant(self.held.doubts) else ""
            return f"{name}, keep it? y, {choice}no, or what is right: "
        if self.advice is not None and self.advice.action == "trim":
            return f"{name}, Enter = {self._cut_words(self.advice)} taken: "
        return f"{name}: "

    def completions(self, text: str) -> list[str]:
        """Whole lines that `text` may grow into: commands, and reeds by name."""
        if self._names is None:
            self._names = sorted(self.bench.names())
        lead = "reed " if text.startswith("reed ") else ""
        stem = text[len(lead) :]
        names = [lead + name for name in self._names if name.startswith(stem) and name.isprintable()]
        return names if lead else [word for word in COMMANDS if word.startswith(text)] + names

    def feed(self, text: str) -> Iterator[str]:
        """Act on one line. Faults come out as lines that start with `!`, and are counted in `faults`."""
        try:
            yield from self._feed(text.strip())
        except TrimfitError as error:
            yield from self._fault(error)

    def _fault(self, error: TrimfitError) -> Iterator[str]:
        self.faults += 1
        for line in error.lines() if isinstance(error, InputError) else [error.line()]:
            said = f"! {plain_name(line, 600)}"
            # A script's faults go to stderr, one a line.
            yield from [said] if self.scripted else wrapped(said, self.width)

    # -- which kind of line -----------------------------------------------------------------------------------

    def _feed(self, text: str) -> Iterator[str]:
        from trimfit.entry.tokens import begins_a_trim, names_a_column
        from trimfit.entry.unnamed_numbers import is_unnamed

        if text.startswith("#") or (self.scripted and not text):
            return
        if self.held is not None:
            answered = yield from self._answer(self.held, text)
            if answered:
                return
        if not text:
            yield from self._enter()
            return
        if self._is_a_reed(text):
            yield from self._by_name(text)
            return
        word, _, rest = text.partition(" ")
        act = self._commands().get(LETTERS.get(word, word.lower())) if word != "c" or not rest else None
        if act is not None:
            yield from act(rest.strip())
        elif is_unnamed(text):
            yield from self._unnamed(text)
        elif begins_a_trim(word):
            yield from self._trim(text)
        elif names_a_column(word):
            yield from self._reading(text)
        else:
            yield from self._by_word(text)

    def _is_a_reed(self, text: str) -> bool:
        """Whether a line that could be a value is the name of a reed: with no reed chosen, or a whole number.

        Nobody takes off whole millimetres; `cut 1` says so all the same.
        """
        whole = text.isascii() and text.isdigit()
        if not whole and (self.history is not None or text.lower() in self._commands()):
            return False
        try:
            self.bench.history(text)
        except TrimfitError:
            return False
        return True

    def _commands(self) -> Mapping[str, Callable[[str], Iterator[str]]]:
        return {
            "?": self._help,
            "help": self._help,
            "read": self._read_again,
            "next": self._skip,
            "undo": self._take_back,
            "list": self._list,
            "quit": self._leave,
            "exit": self._leave,
            "why": self._why,
            "fix": self._fix,
            "numbers": self._next_mode,
            "clear": self._again,
            "strike": self._strike,
            "reed": self._by_name,
            "new": self._new,
            "moved": self._moved,
            "good": lambda remark: self._outcome("good", remark),
            "lost": lambda remark: self._outcome("lost", remark),
            "stock": lambda remark: self._outcome("to-stock", remark),
            "to-stock": lambda remark: self._outcome("to-stock", remark),
            "ok": lambda _: self._enter(),
            "auto": lambda _: self._set_mode("auto"),
            "no": self._nothing_asked,
        }

    # -- reeds ------------------------------------------------------------------------------------------------

    def _by_name(self, name: str) -> Iterator[str]:
        try:
            yield from self._sit_at(name.strip().strip('"'))
        except InputError as error:
            if self.scripted:
                # What follows in a script must not land on the reed before.
                self.history = self.advice = None
            raise InputError(error.what, error.where, error.remedy or "type ? for help", faults=error.faults) from None

    def _by_word(self, text: str) -> Iterator[str]:
        """A line that begins with no word of the bench: a reed's name, if it is one."""
        name = text.strip('"')
        try:
            self.bench.history(name)
        except InputError as error:
            if self.scripted:
                self.history = self.advice = None
            word = nearest(name.split(" ")[0].lower(), COMMANDS)
            meant_word = word if word.startswith("did you mean") else ""
            near = meant_word or (error.remedy if error.remedy.startswith("did you mean") else "")
            what = f"reed {plain_name(name, 60)!r}: {error.what}"
            if "is not in the log" in error.what:
                what = error.what + ", and it is no word of the bench"
            raise InputError(what, remedy=f"{near} type ? for the words, n for the next reed".strip()) from None
        yield from self._by_name(name)

    def _sit_at(self, name: str) -> Iterator[str]:
        history = self.bench.history(name)
        self.history, self.advice = history, None
        self._seen.add(name)
        yield from reed_lines(history, self.width)
        standing, order = self._standing, history.order
        if standing and standing.chanter and order and order.chanter != standing.chanter:
            self._standing = replace(standing, chanter=None)
            yield f"  read in {plain_name(order.chanter)} again, the chanter of this order"
        yield from self._state()

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
        try:
            self.advice = self.bench.answer(self._here().reed.record.reed)
        except TrimfitError as error:
            yield from wrapped(f"> no answer: {plain_name(error.line(), 600)}", self.width)
            return
        yield from advice_lines(self.advice, self.width)

    def _here(self) -> ReedHistory:
        if self.history is None:
            raise InputError("no reed is chosen", remedy="type its name, or n for the next of the work list")
        return self.history

    def _reload(self) -> None:
        self.history = self.bench.history(self._here().reed.record.reed)

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

    def _at_the_bench(self, name: str) -> bool:
        return self.bench.history(name).outcome is None

    def _wanted(self) -> list[str]:
        """The reeds that want work at this moment, the most urgent first: of those named at the start, if any were."""
        if self.reeds:
            return [name for name in dict.fromkeys(self.reeds) if self._at_the_bench(name)]
        return list(self.bench.work())

    def _nothing_waits(self, other: str = "") -> str:
        if self.reeds:
            return f"no {other}reed of those named waits for work"
        return f"no {other}reed waits for work"

    def _skip(self, _: str) -> Iterator[str]:
        yield from self._next()

    def _list(self, _: str) -> Iterator[str]:
        names = self._wanted()
        shown = ", ".join(plain_name(name) for name in names[:30])
        more = f" and {len(names) - 30} more" if len(names) > 30 else ""
        said = f"to do: {shown}{more}" if names else self._nothing_waits()
        if self.reeds:
            said += "; this sitting is for the reeds named, trimfit ask --all lists the others"
        yield from wrapped(said, self.width)

    def _why(self, _: str) -> Iterator[str]:
        history = self._here()
        if self.advice is None:
            yield "no answer stands: type a reading, or reed NAME for the answer"
            return
        yield from wrapped(f"  {plain_name(self.advice.why, 1200)}", self.width)
        for note in (one for one in self.advice.notes if one not in self.advice.why):
            yield from wrapped(f"  {plain_name(note, 600)}", self.width)
        yield from reed_lines(history, self.width)[1:]

    def _again(self, _: str) -> Iterator[str]:
        """The reed and its answer anew; a terminal is cleared before."""
        if self.history is not None:
            yield from self._sit_at(self.history.reed.record.reed)

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

    def _new(self, rest: str) -> Iterator[str]:
        from trimfit.base.units import parse_length_mm, within
        from trimfit.entry.tokens import split_words

        words = split_words(rest)
        given = dict(zip(words[1::2], words[2::2], strict=False))
        if (
            len(words) % 2 == 0
            or not {"type", "batch"} <= given.keys()
            or given.keys() - {"type", "batch", "blade", "order"}
        ):
            raise InputError("a new reed needs its name, type and batch", remedy="say new R-1 type moulded batch M-3")
        blade_mm = within("blade_mm", parse_length_mm(given["blade"])) if "blade" in given else None
        reed = Reed(words[0], given["type"], given["batch"], blade_mm=blade_mm, order=given.get("order"))
        yield from self._propose(HeldPlain(reed))

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

    def _amend(self, held: HeldPlain) -> Iterator[str]:
        """Put a corrected entry in the place of the wrong one, and say where the reed stands now."""
        from trimfit.verbs.sitting.last_entries import typed_values

        record = held.record
        if isinstance(record, Reed | Chanter):
            raise TypeError("a name is not amended")
        entry = self.bench.amend(held.instead_of, record, held.doubts)
        self.held = None
        was = next((one for one in self._undo if one.entry == held.instead_of), None)
        if was is not None:
            self.tally.count(was.record, -1)
            self.tally.count(record)
            self._undo[self._undo.index(was)] = _Entry(entry, record)
        self.tally.struck += 1
        self._reload()
        said = f"logged {entry}: {typed_values(record)}, in the place of {held.instead_of[:10]}, which is struck"
        yield from self._acknowledged(said)
        yield from self._state()

    # -- readings ---------------------------------------------------------------------------------------------

    def _scale(self) -> dict[str, Any]:
        settings = self._settings
        return dict(ratios(settings.ratio_low_g, settings.ratio_d, settings.ratio_high_g))

    def _reference_hz(self) -> float | None:
        """What cents are counted from: what was typed here, else the order's target, else the chanter's meeting
        pitch."""
        if self._standing and self._standing.reference_hz:
            return self._standing.reference_hz
        history = self.history
        if history is None:
            return None
        target_hz = history.order.target_pitch_hz if history.order else None
        return target_hz or (history.chanter.meeting_pitch_hz if history.chanter else None)

    def _aim_cents(self) -> float | None:
        reference_hz = self._reference_hz()
        return cents_from_440(reference_hz) if reference_hz else None

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

    # -- trims ------------------------------------------------------------------------------------------------

    def _cut_words(self, advice: Advice) -> str:
        length = f"{advice.length_mm:.2f} mm" if advice.length_mm else ""
        return ", ".join(part for part in (length, f"lip {advice.lip_strokes}" if advice.lip_strokes else "") if part)

    def _enter(self) -> Iterator[str]:
        if self.history is None:
            yield from self._next()
        elif self.advice is None or self.advice.action != "trim":
            yield "Enter logs a cut only right after one was advised; type a reading, or ? for help"
        else:
            advice = self.advice
            yield from self._trim(
                f"length {advice.length_mm:.4f} lip {advice.lip_strokes} asked {advice.length_mm:.4f}"
            )

    def _trim(self, text: str) -> Iterator[str]:
        from trimfit.entry.parse import parse_trim

        line = parse_trim(text)
        reed = self._here().reed.record.reed
        done_at = yield from self._moment(lambda time: as_trim(line, reed, time, self.advice), line.at)
        yield from self._propose(HeldTrim(as_trim(line, reed, done_at, self.advice), line))

    # -- doubts -----------------------------------------------------------------------------------------------

    def _propose(self, held: Held) -> Iterator[str]:
        """Log a record, or hold it while its doubts are asked about."""
        plain = isinstance(held, HeldPlain)
        advised_mm = self.advice.length_mm if self.advice is not None and self.advice.action == "trim" else None
        own_hz = held.line.reference_hz if isinstance(held, HeldReading) else None
        others = [] if plain else self._cuts_of_others()
        doubts = (
            *(self._cut_since(others, held.record) if isinstance(held, HeldTrim) else ()),
            *self.bench.doubts(
                held.record,
                None if plain else self._here(),
                heard=held.line.heard if isinstance(held, HeldReading) else {},
                reference_hz=own_hz or self._reference_hz(),
                advised_mm=advised_mm,
            ),
        )
        if others:
            self.advice = None
        self.held = replace(held, doubts=doubts)
        if not doubts and (self.scripted or not (isinstance(held, HeldReading) and held.echoed)):
            yield from self._keep("")
        for doubt in doubts:
            yield from wrapped(f"? {plain_name(doubt.sentence, 600)}", self.width)

    def _cuts_of_others(self) -> list[Trim]:
        """The cuts that came to this reed from elsewhere since it was last looked at here; it is looked at anew."""
        known = {one.entry for one in self._here().trims}
        self._reload()
        return [one.record for one in self._here().trims if one.entry not in known]

    def _cut_since(self, others: Sequence[Trim], trim: Record) -> Iterator[Doubt]:
        if others:
            done = " and ".join(words_for(one) for one in others)
            sentence = f"Meanwhile {done} was logged elsewhere; is {words_for(trim)} one more cut?"
            yield Doubt("cut-since", "done_at", sentence)

    def _answer(self, held: Held, text: str) -> Generator[str, None, bool]:
        """Take `text` as the answer to the doubt; yields lines, returns whether it was one."""
        word = text.lower()
        moved = may_have_moved(held.doubts) and not isinstance(held, HeldPlain)
        if isinstance(held, HeldReading) and held.echoed:
            answered = yield from self._answer_echo(held, text)
            if answered is not None:
                return answered
        if word in ("y", "yes", "keep") or (moved and not word):
            # that it is new was asked, and is no doubt any more
            held = self.held = replace(held, doubts=tuple(one for one in held.doubts if one.kind != NEW_CHANTER))
            yield from self._keep("kept and marked" if held.doubts else "")
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
            return False
        elif word in ("q", "quit"):
            return False
        else:
            yield from self._correct(held, text)
        return True

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
            self._undo.append(_Entry(entry, event))
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

    def _keep(self, words: str) -> Iterator[str]:
        """Log what is held. If that fails it stays held, unless the log refuses a value that nothing was said about."""
        held = self.held
        if held is not None:
            try:
                if isinstance(held, HeldPlain) and held.instead_of:
                    yield from self._amend(held)
                    return
                entry, new = self.bench.append(held.record, held.doubts, self.history)
            except Overtaken as overtaken:
                # It came between the look at the reed and this moment.
                self._reload()
                more = tuple(self._cut_since(overtaken.cuts, held.record))
                self.held, self.advice = replace(held, doubts=(*held.doubts, *more)), None
                for doubt in more:
                    yield from wrapped(f"? {plain_name(doubt.sentence, 600)}", self.width)
                return
            except InputError as error:
                self.held = held if held.doubts else None
                if not meant(held.doubts):
                    raise
                # The doubt knows better than the log's bounds what was meant.
                what = error.faults[0].what if error.faults else error.what
                remedy = "m takes what was meant, no drops it, or type what is right"
                raise InputError(f"no confirmation keeps this: {what}", error.where, remedy) from error
            self.held = None
            if words:
                yield words
            yield from self._logged(entry, held.record, new)
            if isinstance(held, HeldPlain) and held.then:
                yield from self._feed(held.then)

    def _nothing_asked(self, _: str) -> Iterator[str]:
        yield "nothing was asked"

    # -- the log ----------------------------------------------------------------------------------------------

    def _moment(self, record_at: Callable[[str], Record], at: str | None = None) -> Generator[str, None, str]:
        """When a record is made: now, or as it was typed; where that puts it is said."""
        from trimfit.entry.entry_times import place

        placed = place(self._here(), record_at, zone=self.bench.settings().time_zone, now=self.clock(), at=at)
        if placed.where:
            yield from wrapped(f"  {placed.where}", self.width)
        return placed.at

    def _outcome(self, outcome: str, remark: str) -> Iterator[str]:
        reed = self._here().reed.record.reed
        at = yield from self._moment(lambda time: Outcome(reed, time, outcome, remark or None))
        yield from self._propose(HeldPlain(Outcome(reed, at, outcome, remark or None)))

    def _moved(self, what: str) -> Iterator[str]:
        """The reed is not as it was, with no cut: logged as an event, in a word of the shop's if one is given."""
        reed = self._here().reed.record.reed
        at = yield from self._moment(lambda time: Event(reed, time, what or "moved"))
        yield from self._propose(HeldPlain(Event(reed, at, what or "moved")))

    def _logged(self, entry: str, record: Record, new: bool) -> Iterator[str]:
        """Acknowledge what is in the log now, and say what comes next."""
        if new:
            if isinstance(record, Outcome):
                self._replaced(record.reed)
            self._undo.append(_Entry(entry, record))
            self.tally.count(record)
        said = "logged" if new else "already in the log as"
        yield from self._acknowledged(f"{said} {entry}: {words_for(record)}")
        if isinstance(record, Reed):
            self._names = None
            yield from self._sit_at(record.reed)
            return
        if isinstance(record, Chanter):
            return
        self._reload()
        if isinstance(record, Reading | Event):
            yield from self._state()
        elif isinstance(record, Trim):
            self.advice = None
            expected = expected_line(self.bench.predicted(record.reed), self._scale())
            yield f"  now read it;{expected[1:]}" if expected else "  now read it"
        elif self.scripted:
            # A script names its reeds: nothing that follows may land on one it did not name.
            self.history = self.advice = None
        else:
            yield from self._next()

    def _replaced(self, reed: str) -> None:
        """Take an earlier outcome of this sitting off the tally: the log strikes it when the reed has another."""
        for one in [one for one in self._undo if isinstance(one.record, Outcome) and one.record.reed == reed]:
            self._undo.remove(one)
            self.tally.count(one.record, -1)
            self.tally.struck += 1

    def _acknowledged(self, what: str) -> Iterator[str]:
        """What is in the log now, and the tally of the sitting, which stays in one piece."""
        tally = f"  [{self.tally.line()}]"
        if len(what) + len(tally) <= self.width:
            yield what + tally
        else:
            yield from wrapped(what, self.width)
            yield tally

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

    # -- the rest ---------------------------------------------------------------------------------------------

    def _help(self, _: str) -> Iterator[str]:
        yield from HELP.splitlines()

    def _leave(self, _: str) -> Iterator[str]:
        self.done = True
        yield from ()
