"""When an entry is made, and where that puts it among the reed's entries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from trimfit.base.errors import InputError, command, short
from trimfit.base.iso_dates import (
    at_s,
    came_twice,
    is_date,
    later_text,
    local_minute,
    text_of,
    typed_time,
)
from trimfit.base.records import Event, Logged, Outcome, Reading, ReedHistory, Trim
from trimfit.log.entry_kinds import begun_id, kind_of_record

# The clocks of two benches may stand so far apart; what lies further ahead is yet to come, or a slip.
CLOCKS_APART_S = 600.0
ELSEWHERE = "; to put it elsewhere, strike it and log it with --after ENTRY"

Timed = Reading | Trim | Event | Outcome


@dataclass(frozen=True, slots=True)
class Placed:
    """When an entry is made, as text, and where that puts it where that is not simply last: `before the reading of
    14:30`. `behind`: the clock is behind an entry, and it was put just after that one. `day`: the entry that it was to
    stand after, where that has a day alone."""

    at: str
    where: str = ""
    behind: bool = False
    day: Entry | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a reed: when it was done (seconds since 1970 UTC, and as text), its kind, its doubts."""

    at_s: float
    word: str
    at: str
    entry: str
    record: Timed
    doubts: tuple[str, ...] = ()


def entries_of(history: ReedHistory) -> list[Entry]:
    """A reed's readings, trims, events and outcome in order of time."""
    left = [history.outcome] if history.outcome is not None else []
    logged: list[Logged[Any]] = [*history.readings, *history.trims, *history.events, *left]
    return sorted(map(_entry, logged), key=lambda one: one.at_s)


def _entry(one: Logged[Any]) -> Entry:
    kind = kind_of_record(one.record)
    word = f"event {short(one.record.event)!r}" if kind.name == "event" else kind.name
    return Entry(one.at_s, word, getattr(one.record, kind.time or ""), one.entry, one.record, one.doubts)


def without(history: ReedHistory, entry: str, *, before: bool = False) -> ReedHistory:
    """A history with one of its entries left out; before: and with all that came after it."""
    then_s = next((one.at_s for one in entries_of(history) if one.entry == entry), float("inf"))

    def stays(one: Logged[Any]) -> bool:
        return one.entry != entry and not (before and one.at_s > then_s)

    outcome = history.outcome
    return replace(
        history,
        readings=tuple(filter(stays, history.readings)),
        trims=tuple(filter(stays, history.trims)),
        events=tuple(filter(stays, history.events)),
        outcome=outcome if outcome is not None and stays(outcome) else None,
    )


def moment(history: ReedHistory, now: str, zone: str) -> Placed:
    """When an entry of a reed is made that is made now (ISO 8601 with an offset, to the millisecond). zone: the shop's.

    A clock that is a little behind the last entry would put work in the wrong order: then it is the first millisecond
    after that one. An entry of a time that is yet to come moves nothing; it is said that this one stands before it.
    """
    now_s = at_s(now)
    entries = entries_of(history)
    done = [one for one in entries if one.at_s < now_s + CLOCKS_APART_S]
    text, behind = now, False
    if done and done[-1].at_s >= now_s:
        text, behind = later_text(done[-1].at_s), now_s < done[-1].at_s - 1.0
        if behind:
            return Placed(text, f"the clock is behind the {_words(done[-1], now, zone)}: logged as just after it", True)
    return Placed(text, f"before the {_words(entries[len(done)], now, zone)}" if len(entries) > len(done) else "")


def place(
    history: ReedHistory,
    record_at: Callable[[str], object],
    *,
    zone: str,
    now: str,
    at: str | None = None,
    after: str | None = None,
) -> Placed:
    """When an entry is made that is typed with `at`, or is to stand right `after` an entry of the reed; else now.

    A time typed to the minute stands after what the log has of that minute: entries keep the order in which they are
    logged. record_at: the record of a time, to tell whether the log has it already; zone: the shop's. Raises InputError
    for both of `at` and `after`, for what is no time, and for an entry that is not this reed's.
    """
    entries = entries_of(history)
    if after is not None:
        if at is not None:
            raise InputError("both say when it was done", "--after", "say --at or --after")
        return _after(entries, after, history.reed.record.reed, now, zone)
    if at is None:
        return moment(history, now, zone)
    text = typed_time(at, now)
    typed_s = at_s(text, zone)
    if is_date(text):
        later = next((one for one in entries if one.at_s > typed_s), None)
        return Placed(text, f"before the {_words(later, now, zone)}" if later is not None else "")
    until_s = typed_s + (1e-3 if text[16:17] == ":" else 60.0)
    there = [one for one in entries if typed_s <= one.at_s < until_s]
    if same := next((one for one in there if one.record == record_at(one.at)), None):
        return Placed(same.at)
    later = next((one for one in entries if one.at_s >= until_s), None)
    where = f"before the {_words(later, now, zone)}" if later is not None else ""
    if there:
        text = later_text(there[-1].at_s)
        where = where or f"after the {_words(there[-1], now, zone)}"
    if twice := came_twice(at, text):
        where = f"{where}; {twice}" if where else twice
    return Placed(text, where)


def _after(entries: list[Entry], after: str, reed: str, now: str, zone: str) -> Placed:
    """The time right after an entry that is named by its id or the first letters of it, and before the next one."""
    word = begun_id(after)
    named = [one for one in entries if one.entry.startswith(word)]
    if len(named) != 1:
        what = "no entry of this reed has this id" if not named else "several entries begin like this"
        raise InputError(what, f"--after {short(after)}", f"see {command('review', 'reed', reed)}")
    first = named[0]
    then = next((one for one in entries if one.at_s > first.at_s), None)
    text = later_text(first.at_s)
    day = first if is_date(first.at) else None
    if then is None:
        return Placed(text, f"after the {_words(first, now, zone)}", day=day)
    if at_s(text) >= then.at_s:
        text = text_of((first.at_s + then.at_s) / 2.0)
        if not first.at_s < at_s(text) < then.at_s:
            what = f"there is no time between the {_words(first, now, zone)} and the {_words(then, now, zone)}"
            raise InputError(what, f"--after {short(after)}", "strike the later one and log it again")
    return Placed(text, f"after the {_words(first, now, zone)} and before the {_words(then, now, zone)}", day=day)


def _words(one: Entry, now: str, zone: str) -> str:
    """An entry by its kind and its time: `reading of 14:30`, `event 'soaked' of 14:30`; with the day where that is not
    today, and with its offset where it is another clock's."""
    said = local_minute(one.at, zone)
    today = local_minute(now)[: len("2026-03-31")]
    return f"{one.word} of {said.removeprefix(today + ' ')}"
