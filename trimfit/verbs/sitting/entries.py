"""What a sitting logs: an entry is proposed, held while its doubts are asked about, kept, acknowledged; and how it is
put right or taken back."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace

from trimfit.base.errors import InputError, short
from trimfit.base.iso_dates import local_minutes
from trimfit.base.plain_words import plain_name, wrapped
from trimfit.base.records import Chanter, Doubt, Event, Outcome, Reading, Reed, Trim
from trimfit.base.units import parse_length_mm, within
from trimfit.entry.entry_times import entries_of, place
from trimfit.entry.line_parser import parse_trim
from trimfit.entry.tokens import in_quotes, split_words
from trimfit.verbs.log import entry_in_words, read_in_doubts
from trimfit.verbs.sitting.held_entries import (
    ANOTHER_CUT,
    TO_STOCK,
    Held,
    HeldPlain,
    HeldReading,
    HeldTrim,
    Overtaken,
    Record,
    as_trim,
    meant,
    typed_values,
    words_for,
)
from trimfit.verbs.sitting.reed_in_hand import LoggedHere, ReedInHand
from trimfit.verbs.wording import expected_line, work_left


class Entries(ReedInHand):
    """Trims, events, outcomes and new reeds; how any entry gets into the log, and is put right or taken back."""

    __slots__ = ()

    def _enter(self) -> Iterator[str]:
        if self.history is None:
            yield from self._next()
        elif self.advice is None or self.advice.action != "trim":
            done = self.advice is not None and self.advice.action == "finished" and not self.advice.outcome
            what = "v hands this reed over as good" if done else "type a reading"
            yield f"Enter logs a cut only right after one was advised; {what}, or ? for help"
        else:
            advice = self.advice
            if self.bench.journal.last_seq() != self._asked_seq:
                anew = list(self._ask())
                now = self.advice
                if now is None or (now.action, now.length_mm, now.lip_strokes) != (
                    advice.action,
                    advice.length_mm,
                    advice.lip_strokes,
                ):
                    yield "not logged: the log has changed since that answer, which is now:"
                    self._reload()
                    yield from anew
                    return
            yield from self._trim(
                f"length {advice.length_mm:.4f} lip {advice.lip_strokes} asked {advice.length_mm:.4f}"
            )
            self._by_enter = self._undo[-1].entry if self._undo and self.held is None else ""

    def _trim(self, text: str) -> Iterator[str]:
        line = parse_trim(text)
        reed = self._here().reed.record.reed
        done_at = yield from self._moment(
            lambda time: as_trim(line, reed, time, self.advice, self.bench.hand()), line.at
        )
        yield from self._propose(HeldTrim(as_trim(line, reed, done_at, self.advice, self.bench.hand()), line))

    def _remark(self, text: str) -> str:
        """What was typed after a word about the reed in hand, without that reed's own name.

        Raises InputError for the name of another reed, alone or with words after it: that is no remark on this one.
        """
        here, name = self._here().reed.record.reed, text.strip('"')
        first = "" if (word := name.split(" ")[0]).isdigit() else word
        named = [one for (one,) in self.bench.journal.columns("reed", ["reed"], reeds=sorted({name, first} - {""}))]
        if not named:
            return text
        meant = max(named, key=len)
        if meant == here:
            return name.removeprefix(here).strip()
        other, in_hand = plain_name(meant), plain_name(here)
        what = f"{other} is another reed, and {in_hand} is in hand"
        raise InputError(what, remedy=f"type reed {other} first, or the word alone for {in_hand}")

    def _outcome(self, outcome: str, remark: str) -> Iterator[str]:
        reed, remark = self._here().reed.record.reed, self._remark(remark)
        at = yield from self._moment(lambda time: Outcome(reed, time, outcome, remark or None))
        advice = self.advice
        yield from self._propose(HeldPlain(Outcome(reed, at, outcome, remark or None)))
        if outcome == "good" and self.held is None and advice is not None and (left := work_left(advice)):
            yield f"  {left}"

    def _moved(self, what: str) -> Iterator[str]:
        """The reed is not as it was, with no cut: logged as an event, in a word of the shop's if one is given."""
        reed, what = self._here().reed.record.reed, self._remark(what)
        if what and not what.removesuffix("mm").strip(" 0123456789.,"):
            remedy = f"a length is typed alone: {short(what)}"
            raise InputError(f"{short(what)} is a number and says nothing that happened", remedy=remedy)
        at = yield from self._moment(lambda time: Event(reed, time, what or "moved"))
        yield from self._propose(HeldPlain(Event(reed, at, what or "moved")))

    def _new(self, rest: str) -> Iterator[str]:
        words = split_words(rest)
        given = dict(zip(words[1::2], words[2::2], strict=False))
        if (
            len(words) % 2 == 0
            or not {"type", "batch"} <= given.keys()
            or given.keys() - {"type", "batch", "blade", "order"}
        ):
            quotes = '; names of several words in "quotes"' if words and len(words) % 2 == 0 else ""
            remedy = f"say new R-1 type moulded batch M-3{quotes}"
            raise InputError("a new reed needs its name, type and batch", remedy=remedy)
        blade_mm = within("blade_mm", parse_length_mm(given["blade"])) if "blade" in given else None
        reed = Reed(words[0], given["type"], given["batch"], blade_mm=blade_mm, order=given.get("order"))
        yield from self._propose(HeldPlain(reed))

    def _moment(self, record_at: Callable[[str], Record], at: str | None = None) -> Generator[str, None, str]:
        """When a record is made: now, or as it was typed; where that puts it is said."""
        placed = place(self._here(), record_at, zone=self.bench.session.settings.time_zone, now=self.clock(), at=at)
        if placed.where:
            yield from wrapped(f"  {self._in_words_here(placed.where)}", self.width)
        return placed.at

    def _propose(self, held: Held) -> Iterator[str]:
        """Log a record, or hold it while its doubts are asked about."""
        plain = isinstance(held, HeldPlain)
        advised_mm = self.advice.length_mm if self.advice is not None and self.advice.action == "trim" else None
        own_hz = held.line.reference_hz if isinstance(held, HeldReading) else None
        others = [] if plain else self._cuts_of_others()
        doubts = (
            *(self._chanter_doubts(held) if isinstance(held, HeldReading) else ()),
            *(self._cut_since(others, held.record) if isinstance(held, HeldTrim) else ()),
            *self._stock_doubts(held.record),
            *self.bench.doubts(
                held.record,
                None if plain else self._here(),
                heard=held.line.heard if isinstance(held, HeldReading) else {},
                reference_hz=own_hz or self._reference_hz(),
                advised_mm=advised_mm,
            ),
        )
        if isinstance(held, HeldTrim) and (another := self._another_cut(held.record)):
            doubts = (another, *(doubt for doubt in doubts if doubt.kind != "twice"))
        if others:
            self.advice = None
        self.held = replace(held, doubts=doubts)
        if not doubts and (self.scripted or not (isinstance(held, HeldReading) and held.echoed)):
            yield from self._keep("")
        yield from self._doubted(doubts)

    def _chanter_doubts(self, held: HeldReading) -> Sequence[Doubt]:
        named = held.line.chanter or (self._standing.chanter if self._standing else None)
        return read_in_doubts(self.bench.journal, held.record, self._here(), named=bool(named))

    def _stock_doubts(self, record: Record) -> Iterator[Doubt]:
        """Whether a reed is really to go to stock; see `TO_STOCK`."""
        if not isinstance(record, Outcome) or record.outcome != "to-stock" or self.scripted:
            return
        done, reed = entries_of(self._here()), plain_name(record.reed, 60)
        if self._refused:
            yield Doubt(TO_STOCK, "outcome", f"The line before was not taken; is {reed} to go to stock?")
        elif not done or not isinstance(done[-1].record, Reading):
            since = " since its last entry" if self._here().readings else ""
            yield Doubt(TO_STOCK, "outcome", f"{reed} was not read{since}; is it to go to stock?")

    def _another_cut(self, trim: Trim) -> Doubt | None:
        """Whether a length typed right after Enter logged the advised cut is one more, or what was really taken."""
        last = self._undo[-1] if self._undo else None
        if last is None or last.entry != self._by_enter or not trim.length_mm or trim.lip_strokes:
            return None
        sentence = (
            f"Enter logged {words_for(last.record)} just now; is {trim.length_mm:g} mm another cut, or in its place?"
        )
        return Doubt(ANOTHER_CUT, "length_mm", sentence)

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

    def _keep(self, words: str) -> Iterator[str]:
        """Log what is held. If that fails it stays held, unless the log refuses a value that nothing was said about."""
        held = self.held
        if held is not None:
            try:
                if isinstance(held, HeldPlain) and held.instead_of:
                    yield from self._amend(held, words)
                    return
                entry, new = self.bench.append(held.record, held.doubts, self.history)
            except Overtaken as overtaken:
                # It came between the look at the reed and this moment.
                self._reload()
                more = tuple(self._cut_since(overtaken.cuts, held.record))
                self.held, self.advice = replace(held, doubts=(*held.doubts, *more)), None
                yield from self._doubted(more)
                return
            except InputError as error:
                self.held = held if held.doubts else None
                if not meant(held.doubts):
                    raise
                # The doubt knows better than the log's bounds what was meant.
                what = error.faults[0].what if error.faults else error.what
                remedy = "s takes what is suggested, n drops it, or type what is right"
                raise InputError(f"no confirmation keeps this: {what}", error.where, remedy) from error
            self.held = None
            if words:
                yield words
            yield from self._logged(entry, held.record, new)

    def _amend(self, held: HeldPlain, words: str) -> Iterator[str]:
        """Put a corrected entry in the place of the wrong one, and say where the reed stands now."""
        record = held.record
        was = next((one for one in entries_of(self._here()) if one.entry == held.instead_of), None)
        entry = self.bench.amend(held.instead_of, record, held.doubts)
        self.held = None
        if words:
            yield words
        self._now_is(held.instead_of, entry, record)
        if was is not None:
            self._undo.append(LoggedHere(entry, record, was.record, was.doubts))
        self.tally.replaced += 1
        self._reload()
        said = f"logged {entry}: {typed_values(record)}; it replaces {held.instead_of[:10]}"
        yield from self._acknowledged(said)
        yield from self._state()

    def _now_is(self, was: str, entry: str, record: Record) -> None:
        """Another entry stands in the place of one; if that is of this sitting, undo and the tally follow."""
        for i, one in enumerate(self._undo):
            if one.entry == was:
                self._undo[i] = replace(one, entry=entry, record=record)
                if one.before is None:
                    self.tally.count(one.record, -1)
                    self.tally.count(record)

    def _logged(self, entry: str, record: Record, new: bool) -> Iterator[str]:
        """Acknowledge what is in the log now, and say what comes next."""
        if new:
            if isinstance(record, Outcome):
                self._replaced(record.reed)
            self._undo.append(LoggedHere(entry, record))
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
        for entry in [one.entry for one in self._undo if isinstance(one.record, Outcome) and one.record.reed == reed]:
            self._gone(entry)
            self.tally.replaced += 1

    def _gone(self, entry: str) -> None:
        """Take an entry that counts no more off the tally and off what undo takes back, its corrections too."""
        for one in [one for one in self._undo if one.entry == entry]:
            self._undo.remove(one)
            if one.before is None:
                self.tally.count(one.record, -1)

    def _acknowledged(self, what: str) -> Iterator[str]:
        """What is in the log now, and the tally of the sitting, which stays in one piece."""
        tally = f"  [{self.tally.line()}]"
        if len(what) + len(tally) <= self.width:
            yield what + tally
        else:
            yield from wrapped(what, self.width)
            yield tally

    def _fix(self, rest: str) -> Iterator[str]:
        """List this reed's last entries with numbers, or put what is right in the place of one: `fix 2 0.65`."""
        self._reload()
        number, _, words = rest.partition(" ")
        listed = self._numbered()
        if number and number not in listed:
            what = f"no entry of {plain_name(self._here().reed.record.reed)} has number {short(number)!r}"
            raise InputError(what, "fix", f"it has 1 to {len(listed)}" if listed else "nothing is logged of it")
        if not words.strip():
            times = [one.at for one in listed.values()]
            minutes = dict(zip(listed, local_minutes(times, self.bench.session.settings.time_zone), strict=True))
            for i in [number] if number else listed:
                said = f"  {i}  {minutes[i]}  {typed_values(listed[i].record)}"
                yield from wrapped(said, self.width, "     ")
            if number:
                yield f"fix {number} and what is right: only what was wrong need be typed"
            else:
                cut = next(
                    (i for i, one in listed.items() if isinstance(one.record, Trim) and one.record.length_mm), ""
                )
                example = f", as fix {cut} 0.65" if cut else ""
                yield f"fix NUMBER and what is right{example}" if listed else "nothing is logged of it yet"
            return
        entry, record, doubts = self.bench.amended(
            listed[number].entry, in_quotes(words.strip(), self.bench.journal.chanters())
        )
        self.held = HeldPlain(record, tuple(doubts), instead_of=entry)
        if not doubts:
            yield from self._keep("")
        yield from self._doubted(doubts)

    def _strike(self, text: str) -> Iterator[str]:
        """Strike this reed's last entry in time, or the one whose id is given."""
        journal, word = self.bench.journal, text.split(" ")[0]
        entry = journal.find(word) if word else journal.last_of(self._here().reed.record.reed)
        aside = journal.next_to_count(entry)
        _, again = journal.take_back(entry, "taken back at the bench")
        self._gone(entry)
        self.tally.struck += 1
        said = f"struck {entry}: {entry_in_words(journal, entry)}; it stays readable{_counts_again(again)}"
        said += f"; the one set aside for it counts now: {aside}" if aside is not None else ""
        yield from self._acknowledged(said)
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
                    entry = self.bench.journal.last_of(reed)
                    last_one = f"{entry[:10]}, the {entry_in_words(self.bench.journal, entry)}"
                    said += f"; strike takes back the last entry of {plain_name(reed)}, {last_one}"
            yield from wrapped(said, self.width)
            return
        last = self._undo[-1]
        what = f"{last.entry}: {entry_in_words(self.bench.journal, last.entry)}"
        try:
            if last.before is None:
                _, again = self.bench.journal.take_back(last.entry, "undone at the bench")
            else:
                again = self.bench.journal.amend(last.entry, last.before, doubts=last.doubts).entry
            said = f"struck {what}; it stays readable{_counts_again(again)}"
        except InputError as error:
            # Somebody else was first. Whatever the reason, this entry is not to stand before those logged earlier.
            said = f"nothing to undo: {what} {plain_name(error.what, 200)}; u again takes back the entry before it"
            again = None
        if last.before is None or again is None:
            self._gone(last.entry)
            self.tally.struck += 1
        else:
            self._undo.pop()
            self._now_is(last.entry, again, last.before)
            self.tally.replaced += 1
        yield from self._acknowledged(said)
        if isinstance(last.record, Reed):
            self.history = self.advice = None
        elif not isinstance(last.record, Chanter):
            yield from self._turn_to(last.record.reed)


def _counts_again(entry: str | None) -> str:
    return f"; the earlier entry counts again: {entry}" if entry is not None else ""
