"""When an entry is made: in the manner of the reed's own times, and after all of them."""

from __future__ import annotations

from datetime import datetime

from trimfit.records import ReedHistory

__all__ = ["asked_s", "day_asked", "last_moment", "local_minute", "moment", "own_minute"]


def asked_s(at: str | None) -> float | None:
    """The moment that an answer is asked for, as typed, in seconds since 1970 UTC: of a day alone its last instant.

    None where none was said. InputError for what is no time.
    """
    from trimfit.bench.times import moment_s

    return None if at is None else moment_s(at)


def day_asked(at: str | None) -> str:
    """The day of the moment that an answer is asked for, as year-month-day: today where none was said."""
    from trimfit.bench.times import local_now, typed_time

    day = (local_now() if at is None else typed_time(at))[:10]
    return day if "-" in day else f"{day[:4]}-{day[4:6]}-{day[6:8]}"


def last_moment(history: ReedHistory) -> tuple[float, str]:
    """Instant (seconds since 1970 UTC) and text of a reed's last entry; minus infinity and nothing if it has none."""
    entries = [(one.at_s, one.record.taken_at) for one in history.readings]
    entries += [(one.at_s, one.record.done_at) for one in history.trims]
    entries += [(one.at_s, one.record.at) for one in history.events]
    if history.outcome:
        entries.append((history.outcome.at_s, history.outcome.record.at))
    return max(entries, default=(float("-inf"), ""))


def moment(history: ReedHistory, now: str) -> tuple[str, bool]:
    """The time to log a new entry of a reed at, and whether the clock is behind the reed's last entry.

    It is `now` (ISO 8601 with an offset, to the millisecond), without its offset where the reed's times have none.
    A clock that is not past the last entry would put work in the wrong order: then it is the first millisecond after.
    """
    from trimfit.bench.times import at_s, has_offset, later_text

    last_s, last_text = last_moment(history)
    offset = not last_text or has_offset(last_text)
    text = now if offset else now[: len("2026-03-31T09:40:00.000")]
    now_s = at_s(text)
    if now_s > last_s:
        return text, False
    return later_text(last_s, offset=offset), now_s < last_s - 1.0


def own_minute(text: str) -> str:
    """A time of the log to the minute, as the clock stood where it was written: `2026-03-31 09:40`. The same on every
    machine; a day alone stays a day, and what is no time stays as it is."""
    from trimfit.bench.times import at_s
    from trimfit.errors import InputError

    try:
        at_s(text)
    except InputError:
        return text
    clock = datetime.fromisoformat(text.upper().replace(",", "."))
    return f"{clock:%Y-%m-%d %H:%M}" if len(text) > len("2026-03-31") else f"{clock:%Y-%m-%d}"


def local_minute(text: str) -> str:
    """A time of the log to the minute, as this machine's clock would say it: `2026-03-31 09:40`.

    One without an offset is taken as it stands; one of another offset than this machine's keeps its own, and says so.
    """
    from trimfit.bench.times import has_offset

    said = own_minute(text)
    if not has_offset(text):
        return said
    moment = datetime.fromisoformat(text.upper().replace(",", "."))
    return said if moment.utcoffset() == moment.astimezone().utcoffset() else f"{said}{moment:%z}"
