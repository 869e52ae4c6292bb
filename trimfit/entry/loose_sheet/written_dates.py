"""Dates as people write them in a sheet: `24/11/26`, `24 Nov`, `Nov 24, 2026`, with a clock time or without.

The rule: the day comes first where a date is numbers alone (`3/4/26` is 3 April 2026), unless it begins with a year of
four digits or the caller says that the month comes first. A date without a year has the year of the date
before it in time, back to a full one, else of the first full one after it; where dates would run back so, the year
after or before (`in_years`). Which row is the oldest: `newest_first`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from trimfit.base.errors import InputError

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_WEEKDAY = re.compile(r"(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+", re.IGNORECASE)
_YEAR_FIRST = re.compile(r"(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})", re.ASCII)
_NUMBERS = re.compile(r"(?P<d>\d{1,2})[-/.](?P<m>\d{1,2})(?:[-/.](?P<y>\d{4}|\d{2}))?\.?", re.ASCII)
_NAMED = re.compile(
    r"(?P<d>\d{1,2})(?:st|nd|rd|th|\.)?[\s/.-]*(?P<m>[a-z]{3,9})\.?,?(?:[\s/.-]*'?(?P<y>\d{4}|\d{2}))?", re.ASCII
)
_MONTH_NAMED = re.compile(
    r"(?P<m>[a-z]{3,9})\.?\s*(?P<d>\d{1,2})(?:st|nd|rd|th)?,?(?:\s+'?(?P<y>\d{4}|\d{2}))?", re.ASCII
)
_CLOCK = re.compile(r"(?P<h>\d{1,2})(?:[:.h](?P<min>\d\d)(?::(?P<s>\d\d)(?:\.\d+)?)?)?\s*(?P<half>am|pm)?", re.ASCII)

# Dates of two reeds that stand side by side are mostly nearer to each other than this: half a year.
NEAR_DAYS = 183
NO_BACK = "so that dates do not run back"
UP_TO_TODAY = "the last such day up to today"


@dataclass(frozen=True, slots=True)
class Day:
    """A date as it was written: its year if it has one, the clock time (`14:05`) if one follows, and the rule used."""

    year: int | None
    month: int
    day: int
    clock: str | None
    rule: str

    def iso(self, year: int) -> str:
        """The date in a year, as ISO 8601; InputError for 29 February in a year that has none."""
        try:
            return date(year, self.month, self.day).isoformat()
        except ValueError as error:
            raise InputError("is an impossible date", remedy="write it as 2026-11-24") from error

    def last_before(self, today: date) -> int:
        """The year in which this day was last, counted from `today`."""
        return today.year - ((self.month, self.day) > (today.month, today.day))

    def on(self, year: int) -> date:
        """The date in a year; 29 February of a year that has none is the day before here."""
        return date(year, self.month, min(self.day, 28) if self.month == 2 else self.day)


def in_years(days: Sequence[tuple[Day, str]], today: date, *, turned: bool = False) -> list[tuple[int, str]]:
    """The year of each date, and why it is that one ("" where it is written).

    days: dates with their reeds, the oldest row first. turned: that is from the bottom of the sheet up; `before` and
    `after` in the reasons are those of the sheet.
    """
    before, after = ("after it", "before it") if turned else ("before it", "after it")
    first = next((i for i, (day, _) in enumerate(days) if day.year), None)
    if first is None:
        return _without_any(days, today)
    years = [(day.year or 0, "") for day, _ in days]
    full = years[first][0]
    for i in reversed(range(first)):
        (day, reed), (later, reed_after) = days[i], days[i + 1]
        year = years[i + 1][0]
        year -= _runs_back(day.on(year), later.on(year), same_reed=reed == reed_after)
        why = f"the year of the full date {after}"
        years[i] = year, why if year == full else f"before that of the full date {after}, {NO_BACK}"
        if day.on(year) > today >= later.on(years[i + 1][0]):
            years[i] = day.last_before(today), UP_TO_TODAY
    for i in range(first + 1, len(days)):
        (day, reed), (earlier, reed_before) = days[i], days[i - 1]
        if day.year:
            full = day.year
            continue
        year = years[i - 1][0]
        last = earlier.on(year)
        back = _runs_back(last, day.on(year), same_reed=reed == reed_before)
        if back and day.on(year + 1) <= today:
            years[i] = year + 1, f"the year after that of the date {before}, {NO_BACK}"
        elif day.on(year) > today >= last:
            years[i] = day.last_before(today), UP_TO_TODAY
        else:
            years[i] = year, f"the year of the {'full date' if year == full else 'date'} {before}"
    return years


def _without_any(days: Sequence[tuple[Day, str]], today: date) -> list[tuple[int, str]]:
    """Years of dates of which none has one: in the order of the sheet if that takes no more than half a year, else each
    the last up to today, and none of a reed more than half a year later than the one after it."""
    years: list[int] = []
    for in_order in (True, False):
        after: dict[str, date] = {}
        years = []
        for day, reed in reversed(days):
            key, slack = ("", 0) if in_order else (reed, NEAR_DAYS)
            limit = min(today, after[key] + timedelta(slack)) if key in after else today
            years.insert(0, day.last_before(limit))
            after[key] = day.on(years[0])
        if in_order and days and (days[-1][0].on(years[-1]) - after[""]).days <= NEAR_DAYS:
            break
    return [
        (year, UP_TO_TODAY if year == day.last_before(today) else NO_BACK)
        for year, (day, _) in zip(years, days, strict=True)
    ]


def newest_first(days: Sequence[tuple[Day, str]], today: date) -> bool:
    """Whether dates, each with its reed, go from the newest down: from the bottom up they never run back, and from the
    top down they do, or take longer."""

    def span(days: Sequence[tuple[Day, str]]) -> int | None:
        dates = [day.on(year) for (day, _), (year, _) in zip(days, in_years(days, today), strict=True)]
        return (dates[-1] - dates[0]).days if dates == sorted(dates) else None

    if len(days) < 2:
        return False
    down, up = span(days), span(days[::-1])
    return up is not None and (down is None or up < down)


def _runs_back(one: date, after: date, *, same_reed: bool) -> bool:
    """Whether a date is later than the one after it: of the same reed by a day, of two, which need not stand in the
    order of time, by more than half a year."""
    return (one - after).days > (0 if same_reed else NEAR_DAYS)


def read_day(text: str, *, month_first: bool = False) -> Day:
    """A date as people write it. Raises InputError for what is none, or is none with the day (or the month) first."""
    word = _WEEKDAY.sub("", text.strip().lower(), count=1)
    head, clock = _clock_apart(word)
    if match := _YEAR_FIRST.fullmatch(head):
        return _made(match, int(match["m"]), int(match["d"]), clock, "the year first")
    if match := _NUMBERS.fullmatch(head):
        first, second = int(match["d"]), int(match["m"])
        month, day = (first, second) if month_first else (second, first)
        if month > 12 and day <= 12:
            other = "--month-first, if the whole sheet is so" if not month_first else "nothing of the month's place"
            raise InputError(
                f"is no date with the {'month' if month_first else 'day'} first",
                remedy=f"write 2026-11-24, or say {other}",
            )
        return _made(match, month, day, clock, "the month first" if month_first else "the day first")
    for form in (_NAMED, _MONTH_NAMED):
        match = form.fullmatch(head)
        if match and match["m"][:3] in MONTHS:
            return _made(match, MONTHS.index(match["m"][:3]) + 1, int(match["d"]), clock, "the month's name")
    raise InputError("is not a date", remedy="write it as 2026-11-24")


def _made(match: re.Match[str], month: int, day: int, clock: str | None, rule: str) -> Day:
    year = int(match["y"]) if match["y"] else None
    found = Day(year + 2000 if year is not None and year < 100 else year, month, day, clock, rule)
    found.iso(found.year or 2024)
    return found


def _clock_apart(word: str) -> tuple[str, str | None]:
    """A date and the clock time after it, where one stands there."""
    head, blank, tail = (
        word.replace("t", " ", 1).rpartition(" ") if re.match(r"\d{4}-\d\d-\d\dt", word) else word.rpartition(" ")
    )
    if tail in ("am", "pm"):
        head, blank, more = head.rpartition(" ")
        tail = f"{more}{tail}"
    if blank and (":" in tail or tail.endswith(("am", "pm"))):
        return head.strip(" ,"), read_clock(tail)
    return word, None


def read_clock(text: str) -> str:
    """A time of day as `14:05` or `14:05:30`: from `14:05`, `14.05`, `2.05 pm`, `9:30`, `14h05`. Raises InputError."""
    match = _CLOCK.fullmatch(text.strip().lower())
    if match and (match["min"] or match["half"]):
        hour, minute, second = int(match["h"]), int(match["min"] or 0), match["s"]
        if match["half"] and 1 <= hour <= 12:
            hour = hour % 12 + 12 * (match["half"] == "pm")
        if hour <= 23 and minute <= 59 and int(second or 0) <= 59:
            return f"{hour:02d}:{minute:02d}" + (f":{second}" if second and int(second) else "")
    raise InputError("is no time of day", remedy="write it as 14:05")
