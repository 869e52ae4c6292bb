"""A sitting at the bench as a machine with no terminal in it: a line goes in, lines come out.

What is typed is acknowledged only once it is durably in the log. The same machine serves a person at a terminal and a
script of lines (`scripted`): there, a doubt that the next line does not answer is kept and marked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Sequence

from trimfit.base.errors import InputError, TrimfitError, command, meant, short
from trimfit.base.iso_dates import local_now
from trimfit.base.natural_order import as_counted
from trimfit.base.plain_words import plain_name, wrapped
from trimfit.entry.tokens import KNOWN_WORDS, TRIM_LEADS, TRIM_WORDS, begins_a_trim, names_a_column
from trimfit.entry.unnamed_numbers import is_unnamed
from trimfit.log.journal import Journal
from trimfit.session.session import Session
from trimfit.verbs.sitting.bench import Bench
from trimfit.verbs.sitting.held_entries import HeldReading, keys_of, words_for
from trimfit.verbs.sitting.readings import Readings
from trimfit.verbs.wording import CAUTIONS, HELP, cut_words


class Sitting(Readings):
    """One person's sitting. `clock()` gives this moment as ISO 8601 text; `reeds` are the reeds to go through, else
    the work list. Feed it lines until `done`; exhaust what it yields, for each line is acted on as it is said."""

    __slots__ = ()

    def open(self) -> Iterator[str]:
        """The first lines: cautions, how to get help, the first reed. Raises InputError for a reed not in the log."""
        self._settings = self.bench.session.settings
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
            return f"{name}, {keys_of(self.held)}: "
        if self.advice is not None and self.advice.action == "trim":
            return f"{name}, Enter = {cut_words(self.advice)} taken: "
        if self.advice is not None and self.advice.action == "finished" and not self.advice.outcome:
            return f"{name}, is it good? v = yes: "
        return f"{name}: "

    def completions(self, text: str) -> list[str]:
        """Whole lines that `text` may grow into: commands, and reeds by name."""
        if self._names is None:
            self._names = sorted(name for (name,) in self.bench.journal.columns("reed", ["reed"]))
        lead = "reed " if text.startswith("reed ") else ""
        stem = text[len(lead) :]
        names = [lead + name for name in self._names if name.startswith(stem) and name.isprintable()]
        return names if lead else [word for word in COMMANDS if word.startswith(text)] + names

    def feed(self, text: str) -> Iterator[str]:
        """Act on one line. Faults come out as lines that start with `!`, and are counted in `faults`."""
        try:
            yield from self._feed(text.strip())
            self._refused = False
        except TrimfitError as error:
            self._refused = True
            yield from self._fault(error)

    def _feed(self, text: str) -> Iterator[str]:
        if text.startswith("#") or (self.scripted and not text):
            return
        if text.startswith("trimfit "):
            self._for_the_shell(text)
        if self.held is not None:
            left = yield from self._answer(self.held, text)
            if left is None:
                return
            text = left
        if not text:
            yield from self._enter()
            return
        if self._is_a_reed(text):
            yield from self._by_name(text)
            return
        word, _, rest = text.partition(" ")
        act = ACTS.get(LETTERS.get(word, word.lower())) if word != "c" or not rest else None
        if act is not None and rest.strip() and LETTERS.get(word, word.lower()) in ALONE:
            raise InputError(
                f"{word} stands alone: {short(rest.strip())} was not taken",
                remedy="type an amount, or a reed's name, by itself",
            )
        if act is not None:
            yield from act(self, rest.strip())
        elif is_unnamed(text):
            yield from self._unnamed(text)
        elif begins_a_trim(word):
            yield from self._trim(text)
        elif names_a_column(word):
            yield from self._reading(text)
        else:
            yield from self._by_word(text)

    def _for_the_shell(self, text: str) -> None:
        """Raise InputError for a line that belongs into a shell; it names what does it here."""
        words = [*text.split(), ""]
        at = words.index("log") + 1 if "log" in words else 1
        words_here = {**ELSEWHERE, "amend": "fix and its number", "reading": ELSEWHERE["log"], "reed": "new"}
        here = self._done_here(text) or words_here.get(words[at], "? for the words")
        raise InputError("that is for the shell", remedy=f"here: {here}")

    def _is_a_reed(self, text: str) -> bool:
        """Whether a line that could be a value is the name of a reed: with no reed chosen, or a whole number.

        Nobody takes off whole millimetres; `cut 1` says so all the same.
        """
        whole = text.isascii() and text.isdigit()
        if not whole and (self.history is not None or text.lower() in ACTS):
            return False
        try:
            self.bench.history(text)
        except TrimfitError:
            return False
        return True

    def _by_word(self, text: str) -> Iterator[str]:
        """A line that begins with no word of the bench: a reed's name, if it is one."""
        name = text.strip('"')
        try:
            self.bench.history(name)
        except InputError as error:
            if self.scripted:
                self.history = self.advice = None
            near = _word_meant(name) or (error.remedy if error.remedy.startswith("did you mean") else "")
            what = f"reed {plain_name(name, 60)!r}: {error.what}"
            if "is not in the log" in error.what:
                what = error.what + ", and it is no word of the bench"
            raise InputError(what, remedy=f"{near} type ? for the words, n for the next reed".strip()) from None
        yield from self._by_name(name)

    def _help(self, _: str) -> Iterator[str]:
        yield from HELP.splitlines()

    def _leave(self, _: str) -> Iterator[str]:
        self.done = True
        yield from ()


# The words of the bench: each with its one letter, which needs no Shift and begins no reading (c is clear where it
# stands alone), and what it does with the rest of the line.
_WORDS: tuple[tuple[str, str, Callable[[Sitting, str], Iterator[str]]], ...] = (
    ("?", "", Sitting._help),
    ("help", "/", Sitting._help),
    ("read", "r", Sitting._read_again),
    ("next", "n", Sitting._skip),
    ("undo", "u", Sitting._take_back),
    ("list", "w", Sitting._list),
    ("quit", "q", Sitting._leave),
    ("exit", "", Sitting._leave),
    ("why", "y", Sitting._why),
    ("fix", "x", Sitting._fix),
    ("numbers", "o", Sitting._next_mode),
    ("clear", "c", Sitting._again),
    ("strike", "j", Sitting._strike),
    ("reed", "", Sitting._by_name),
    ("new", "z", Sitting._new),
    ("moved", "m", Sitting._moved),
    ("good", "v", lambda sitting, remark: sitting._outcome("good", remark)),
    ("lost", "l", lambda sitting, remark: sitting._outcome("lost", remark)),
    ("stock", "s", lambda sitting, remark: sitting._outcome("to-stock", remark)),
    ("to-stock", "", lambda sitting, remark: sitting._outcome("to-stock", remark)),
    ("ok", "", lambda sitting, _: sitting._enter()),
    ("auto", "", lambda sitting, _: sitting._set_mode("auto")),
    ("no", "", Sitting._nothing_asked),
)
ACTS = {word: act for word, _, act in _WORDS}
ALONE = {"?", "help", "read", "next", "undo", "list", "quit", "exit", "why", "clear", "ok", "auto", "no"}
"""Words that say all by themselves: what follows one would be lost."""
LETTERS = {letter: word for word, letter, _ in _WORDS if letter}
# What a line may be completed to; that numbers have another meaning is said by its name.
COMMANDS = [*(word for word in sorted(ACTS) if word not in ("no", "numbers")), "as_low_a", "sounding", "cents"]
ELSEWHERE = {
    "amend": "fix",
    "edit": "fix",
    "event": "moved",
    "outcome": "good, lost or stock",
    "log": "the values alone",
    "skip": "next",
    "delete": "strike",
    "remove": "strike",
}
"""Words of the command line, and of other programs, for what the bench has another word for."""


def _word_meant(line: str) -> str:
    """The word that the unknown first one of a line may be meant as, as a remedy: one that can stand there alone, or
    with what follows; empty where it is like none."""
    word, *more = line.lower().replace("=", " ", 1).split()[:2] or [""]
    known = (
        [one for one in COMMANDS if one not in ALONE] + [*KNOWN_WORDS, *TRIM_WORDS, *TRIM_LEADS] if more else COMMANDS
    )
    near = meant(word, [*ELSEWHERE, *dict.fromkeys(known)])
    for said, here in ELSEWHERE.items():
        near = near.replace(f"mean {said}?", f"mean {here}?")
    return near


def _refuse_no_order(journal: Journal, name: str, orders: Collection[str]) -> None:
    """Raise InputError for what is in no log, and begins as orders do and no reed does, as `O-99`; it names those that
    have reeds at the bench."""
    stem = re.match(r"\D*", name)[0].lower()  # type: ignore[index]
    like_orders = stem and any(order.lower().startswith(stem) for order in orders)
    if like_orders and not any(reed.lower().startswith(stem) for (reed,) in journal.columns("reed", ["reed"])):
        at_work = {one.order.order for one in journal.of_reeds(None, open_only=True) if one.order is not None}
        listed = ", ".join(short(order) for order in sorted(at_work, key=as_counted)[:8])
        raise InputError(f"no order or reed {short(name)}", remedy=f"orders: {listed or 'none has a reed at work'}")


def sitting_on(session: Session, reeds: Sequence[str] = (), *, scripted: bool = False, width: int = 80) -> Sitting:
    """A sitting on an open log.

    reeds: names of reeds, or of orders, which stand for those of their reeds that want work now, most urgent first.
    scripted: lines are piped in. width: columns of the screen. Raises InputError for an order none of whose reeds wants
    work.
    """
    journal, bench = session.journal, Bench(session)
    journal.refuse_read_only()
    orders = {name for (name,) in journal.columns("order", ["order"])} if reeds else set()
    known = {name for (name,) in journal.columns("reed", ["reed"], reeds=sorted({*orders, *reeds}))} if reeds else set()
    orders -= known
    named: list[str] = []
    for name in reeds:
        if name not in orders | known:
            _refuse_no_order(journal, name, orders)
        of_it = bench.work(name) if name in orders else [name]
        if not of_it:
            raise InputError(
                f"no reed of order {name!r} wants work", remedy=f"{command('ask', '--all')} says what does"
            )
        named += of_it
    return Sitting(bench, local_now, named, scripted=scripted, width=width)
