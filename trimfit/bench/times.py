"""Times and dates of the log: ISO 8601 text that comes back as it went in, and the instant it stands for."""

from __future__ import annotations

import os
import re
from datetime import UTC, date, datetime, timedelta

from trimfit.errors import InputError

__all__ = [
    "at_s",
    "has_offset",
    "later_text",
    "local_now",
    "moment_s",
    "now_s",
    "parse_date",
    "parse_time",
    "spellings",
    "typed_time",
]

EARLIEST_YEAR, LATEST_YEAR = 1900, 2200
_TIME = re.compile(
    r"\d{4}-\d\d-\d\d(?:[Tt ]\d\d(?::\d\d(?::\d\d(?:[.,]\d{1,9})?)?)?(?P<offset>[Zz]|[+-]\d\d(?::?\d\d)?)?)?"
    r"|\d{8}(?:[Tt]\d{4}(?:\d\d)?(?P<basic>[Zz]|[+-]\d\d(?:\d\d)?)?)?",
    re.ASCII,
)
_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HOW = "write it as 2026-03-01T14:05 or 2026-03-01, with or without an offset such as +01:00"
_HOW_DATE = "write it as 2026-03-01"


def at_s(text: str) -> float:
    """The instant of an ISO 8601 time in seconds since 1970 UTC; a time without an offset counts as if it were UTC.

    Raises InputError for anything that is no time of the years 1900 to 2200.
    """
    if not _TIME.fullmatch(text):
        raise InputError(f"{text[:40]!r} is not a time", remedy=_HOW)
    try:
        moment = datetime.fromisoformat(text.upper().replace(",", "."))
    except ValueError as error:
        raise InputError(f"{text[:40]!r} is an impossible time", remedy=_HOW) from error
    if not EARLIEST_YEAR <= moment.year <= LATEST_YEAR:
        raise InputError(f"{text[:40]!r} is an impossible time", remedy=f"give a year {EARLIEST_YEAR} to {LATEST_YEAR}")
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return (moment - _EPOCH).total_seconds()


def parse_time(text: str) -> str:
    """`text` without outer blanks, if it is an ISO 8601 time; InputError if not."""
    word = text.strip()
    at_s(word)
    return word


def typed_time(text: str) -> str:
    """A time as it is typed by hand, in the form the log keeps: `2026-11-24 9:30` is 2026-11-24 09:30."""
    word = text.strip()
    # The hour stands eleven characters in.
    return parse_time(f"{word[:11]}0{word[11:]}" if word[12:13] == ":" and word[10:11] in "Tt " else word)


def spellings(text: str) -> list[str]:
    """A time as it stands, and the shorter ways to write it that a spreadsheet may have filled up with noughts."""
    short = text.replace(" ", "T", 1).removesuffix(":00") if re.search(r"\d\d:\d\d:00$", text) else text
    return list(dict.fromkeys((text, short, re.sub(r"[T ]00:00$", "", short))))


def parse_date(text: str) -> str:
    """`text` without outer blanks, if it is a date such as 2026-03-01; InputError if not."""
    word = text.strip()
    if not re.fullmatch(_DATE, word):
        raise InputError(f"{word[:40]!r} is not a date", remedy=_HOW_DATE)
    try:
        day = date.fromisoformat(word)
    except ValueError as error:
        raise InputError(f"{word[:40]!r} is an impossible date", remedy=_HOW_DATE) from error
    if not EARLIEST_YEAR <= day.year <= LATEST_YEAR:
        raise InputError(f"{word[:40]!r} is an impossible date", remedy=f"give a year {EARLIEST_YEAR} to {LATEST_YEAR}")
    return word


def has_offset(text: str) -> bool:
    """Whether an ISO 8601 time says its offset from UTC."""
    match = _TIME.fullmatch(text)
    return bool(match and (match["offset"] or match["basic"]))


def local_now(*, offset: bool = True) -> str:
    """This moment to the millisecond, as ISO 8601 in the machine's zone, with its offset or without.

    The environment's TRIMFIT_NOW (ISO 8601) stands in for the clock: for runs that must print the same on any day.
    """
    fixed = os.environ.get("TRIMFIT_NOW")
    now = datetime.fromisoformat(parse_time(fixed)).astimezone() if fixed else datetime.now().astimezone()
    return (now if offset else now.replace(tzinfo=None)).isoformat(timespec="milliseconds")


def now_s() -> float:
    """This moment in seconds since 1970 UTC."""
    return at_s(local_now())


def moment_s(text: str) -> float:
    """The instant that an answer is asked for, as typed, in seconds since 1970 UTC: of a day alone its last one.

    Raises InputError for what is no time.
    """
    try:
        word = typed_time(text)
    except InputError as error:
        raise InputError(error.what, "--at", error.remedy) from error
    a_day = len(word) <= len("2026-03-31")
    return at_s(word) + (86399.999 if a_day else 0.0)


def later_text(after_s: float, *, offset: bool = True) -> str:
    """The first whole millisecond after an instant (seconds since 1970 UTC): in UTC, or bare where times are bare."""
    moment = _EPOCH + timedelta(milliseconds=int(after_s * 1000) + 1)
    return (moment if offset else moment.replace(tzinfo=None)).isoformat(timespec="milliseconds")
