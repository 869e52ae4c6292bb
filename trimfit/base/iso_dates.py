"""Times and dates of the log: ISO 8601 text that comes back as it went in, and the instant it stands for.

A time without an offset is on the clock of the shop's zone. Where the clocks were put back and an hour came twice it is
the first of the two; where they were put forward and an hour was left out, it counts by the offset before (RFC 5545,
section 3.3.5). What is typed is on this machine's clock and kept with its offset; see `typed_time`.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from trimfit.base.errors import InputError, short
from trimfit.base.time_zones import zone_named

DAY_S = 86_400.0

EARLIEST_YEAR, LATEST_YEAR = 1900, 2200
_TIME = re.compile(
    r"\d{4}-\d\d-\d\d(?:[Tt ]\d\d(?::\d\d(?::\d\d(?:[.,]\d{1,9})?)?)?(?P<offset>[Zz]|[+-]\d\d(?::?\d\d)?)?)?"
    r"|\d{8}(?:[Tt]\d{4}(?:\d\d)?(?P<basic>[Zz]|[+-]\d\d(?:\d\d)?)?)?",
    re.ASCII,
)
# Year first there is no doubt which is the month, whatever a spreadsheet puts between.
_YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d\d?)\2(\d\d?)(?:(?:[Tt]|\s+)(\d\d?)(:\d\d(?::\d\d)?\S*)?)?", re.ASCII)
_CLOCK = re.compile(r"(?:(today|yesterday)[, ]*)?(\d\d?)(:\d\d(?::\d\d)?)", re.ASCII | re.IGNORECASE)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HOW = "write it as 2026-03-01T14:05 or 2026-03-01, with or without an offset such as +01:00"
_HOW_TYPED = "write it as 14:05, yesterday 14:05 or 2026-03-01T14:05"
_HOW_DATE = "write it as 2026-03-01"
_HOW_YEAR = f"give a year {EARLIEST_YEAR} to {LATEST_YEAR}"


def at_s(text: str, zone: str = "UTC") -> float:
    """The instant of an ISO 8601 time in seconds since 1970 UTC; a date is the first moment of its day.

    zone: the shop's, for a time without an offset. Raises InputError for anything that is no time of the years 1900 to
    2200, and for a zone that this machine does not know.
    """
    if not _TIME.fullmatch(text):
        raise InputError(f"{short(text)!r} is not a time", remedy=_HOW)
    try:
        moment = _clock_of(text)
    except ValueError as error:
        raise InputError(f"{short(text)!r} is an impossible time", remedy=_HOW) from error
    if not EARLIEST_YEAR <= moment.year <= LATEST_YEAR:
        raise InputError(f"{short(text)!r} is an impossible time", remedy=_HOW_YEAR)
    return _seconds(moment, zone)


def _clock_of(text: str) -> datetime:
    return datetime.fromisoformat(text.upper().replace(",", "."))


def clock_in(text: str, zone: str) -> datetime:
    """A time of the log with its offset: its own, else that of the shop's zone."""
    moment = _clock_of(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=zone_named(zone))


def _seconds(moment: datetime, zone: str) -> float:
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC if zone == "UTC" else zone_named(zone))
    return (moment - _EPOCH).total_seconds()


def as_iso(text: str) -> str:
    """A time without outer blanks: as it stands, or as ISO 8601 where it is year first as a spreadsheet writes it."""
    word = text.strip()
    if _TIME.fullmatch(word) or not (found := _YEAR_FIRST.fullmatch(word)):
        return word
    year, _, month, day, hour, rest = found.groups()
    clock = f"T{hour:0>2}{rest or ''}" if hour else ""
    return f"{year}-{month:0>2}-{day:0>2}{clock}"


def parse_time(text: str) -> str:
    """`text` as the log keeps a time, if it is one with the year first; InputError if not."""
    word = as_iso(text)
    at_s(word)
    return word


def typed_time(text: str, now: str = "") -> str:
    """A time as it is typed by hand, in the form the log keeps: on this machine's clock, with its offset.

    `14:38` is today, `yesterday 9:05` the day before; a day alone stays a day. now: this moment as ISO 8601 with an
    offset, for the tests. Of a time that came twice, when the clocks were put back, it is the later one that is not yet
    to come. Raises InputError for what is no time, and for one that the clocks left out.
    """
    moment = datetime.fromisoformat(now or local_now()).astimezone()
    word = " ".join(text.split())
    if found := _CLOCK.fullmatch(word):
        day, hour, rest = found.groups()
        word = f"{moment.date() - timedelta(days=(day or '').lower() == 'yesterday')}T{hour:0>2}{rest}"
    word = as_iso(word)
    try:
        at_s(word)
    except InputError as error:
        raise InputError(error.what, "--at", _HOW_TYPED if error.remedy == _HOW else error.remedy) from error
    if has_offset(word) or is_date(word):
        return word
    clock = _clock_of(word)
    both = [clock.replace(fold=fold).astimezone() for fold in (0, 1)]
    there = [one for one in both if one.replace(tzinfo=None) == clock]
    if not there:
        what = f"{short(word)!r} is a time that the clocks here left out when they were put forward"
        remedy = f"say it as the clock showed it, or with its offset, as {word[:16]}{both[0]:%z}"
        raise InputError(what, "--at", remedy)
    local = there[-1] if there[-1] <= moment else there[0]
    return local.isoformat(timespec="auto" if local.second or local.microsecond else "minutes")


def other_offset(text: str) -> str | None:
    """The other of two instants of this machine's clock that a time with an offset is one of, to the minute, where the
    clocks were put back and its hour came twice; else None."""
    clock = datetime.fromisoformat(text).replace(tzinfo=None)
    first, second = (clock.replace(fold=fold).astimezone() for fold in (0, 1))
    if first.replace(tzinfo=None) != clock or first.utcoffset() == second.utcoffset():
        return None
    other = second if datetime.fromisoformat(text).utcoffset() == first.utcoffset() else first
    return other.isoformat(timespec="minutes")


def came_twice(typed: str, taken: str) -> str:
    """What to say of a typed time whose hour came twice: which of the two it is taken as; empty for any other time.

    typed: as it was typed; taken: as it is kept (`typed_time`).
    """
    if has_offset(as_iso(typed)) or is_date(taken) or not (other := other_offset(taken)):
        return ""
    return f"that hour came twice: taken as {taken[:16]}{taken[-6:]}, not {other}"


def spellings(text: str) -> list[str]:
    """A time as it stands, and the shorter ways to write it that a spreadsheet may have filled up with noughts."""
    short = text.replace(" ", "T", 1).removesuffix(":00") if re.search(r"\d\d:\d\d:00$", text) else text
    return list(dict.fromkeys((text, short, re.sub(r"[T ]00:00$", "", short))))


def parse_date(text: str) -> str:
    """`text` as the log keeps a date, if it is one with the year first such as 2026-03-01; InputError if not."""
    word = as_iso(text)
    if not is_date(word) or "-" not in word:
        raise InputError(f"{short(word)!r} is not a date", remedy=_HOW_DATE)
    try:
        day = date.fromisoformat(word)
    except ValueError as error:
        raise InputError(f"{short(word)!r} is an impossible date", remedy=_HOW_DATE) from error
    if not EARLIEST_YEAR <= day.year <= LATEST_YEAR:
        raise InputError(f"{short(word)!r} is an impossible date", remedy=_HOW_YEAR)
    return word


def is_date(text: str) -> bool:
    """Whether a time of the log is a day without a time of day."""
    return len(text) in (8, 10) and _TIME.fullmatch(text) is not None


def day_of(text: str, zone: str) -> tuple[float, float]:
    """The first instant of a time's day in the shop's zone, and that of the day after, in seconds since 1970 UTC."""
    moment = _clock_of(text)
    local = moment.astimezone(zone_named(zone)) if moment.tzinfo else moment
    midnight = datetime(local.year, local.month, local.day)
    return _seconds(midnight, zone), _seconds(midnight + timedelta(days=1), zone)


def has_offset(text: str) -> bool:
    """Whether an ISO 8601 time says its offset from UTC."""
    match = _TIME.fullmatch(text)
    return bool(match and (match["offset"] or match["basic"]))


def local_now() -> str:
    """This moment to the millisecond, as ISO 8601 in the machine's zone, with its offset.

    The environment's TRIMFIT_NOW (ISO 8601) stands in for the clock: for runs that must print the same on any day.
    """
    fixed = os.environ.get("TRIMFIT_NOW")
    try:
        now = datetime.fromisoformat(parse_time(fixed)).astimezone() if fixed else datetime.now().astimezone()
    except InputError as error:
        raise InputError(error.what, "TRIMFIT_NOW", error.remedy) from error
    return now.isoformat(timespec="milliseconds")


def now_s() -> float:
    """This moment in seconds since 1970 UTC."""
    return at_s(local_now())


def asked_s(text: str | None) -> float | None:
    """The instant that an answer is asked for, as typed on this machine's clock, in seconds since 1970 UTC: of a day
    alone its last one; None where none was said.

    Raises InputError for what is no time.
    """
    if text is None:
        return None
    word = typed_time(text)
    return at_s(word) if not is_date(word) else at_s(typed_time(f"{date.fromisoformat(word)}T23:59:59")) + 0.999


def later_text(after_s: float) -> str:
    """The first whole millisecond after an instant (seconds since 1970 UTC), in the machine's zone, with its offset."""
    return text_of((math.floor(after_s * 1000) + 1) / 1000.0, digits="milliseconds")


def text_of(instant_s: float, *, digits: str = "microseconds") -> str:
    """An instant in seconds since 1970 UTC as ISO 8601, in the machine's zone, with its offset."""
    return (_EPOCH + timedelta(seconds=instant_s)).astimezone().isoformat(timespec=digits)


def own_minute(text: str) -> str:
    """A time of the log to the minute, as the clock stood where it was written: `2026-03-31 09:40`. The same on every
    machine; a day alone stays a day, and what is no time stays as it is."""
    try:
        at_s(text)
    except InputError:
        return text
    clock = _clock_of(text)
    return f"{clock:%Y-%m-%d %H:%M}" if len(text) > len("2026-03-31") else f"{clock:%Y-%m-%d}"


def local_minute(text: str, zone: str = "") -> str:
    """A time of the log to the minute, as this machine's clock would say it: `2026-03-31 09:40`.

    One of another offset than this machine's keeps its own, and says so, and so does one of an hour that came twice.
    zone: the shop's, of a time without an offset; left out, such a time is taken as it stands.
    """
    said = own_minute(text)
    moment = _moment(text, zone) if zone or has_offset(text) else None
    if moment is None:
        return said
    alone = moment.utcoffset() == moment.astimezone().utcoffset() and not other_offset(moment.isoformat())
    return said if alone else f"{said}{moment:%z}"


def local_minutes(texts: Sequence[str], zone: str) -> list[str]:
    """Times of the log to the minute, each as `local_minute` says it; where they were logged by more than one clock,
    each with its offset from UTC. A day alone stays a day. zone: the shop's, of times without an offset.
    """
    moments = [_moment(text, zone) for text in texts]
    apart = {one.replace(tzinfo=None) - one.astimezone().replace(tzinfo=None) for one in moments if one is not None}
    if len(apart) < 2:
        return [local_minute(text) for text in texts]
    pairs = zip(texts, moments, strict=True)
    return [local_minute(text) if one is None else f"{one:%Y-%m-%d %H:%M%z}" for text, one in pairs]


def _moment(text: str, zone: str) -> datetime | None:
    """A time of the log with its offset; None for a day alone, and for what is no time."""
    try:
        at_s(text, zone)
    except InputError:
        return None
    return None if is_date(text) else clock_in(text, zone)
