"""Time zones: the machine's own, and a zone by its name, its rule or its offset.

A zone is a name (`Europe/London`), a rule as POSIX writes it in the variable TZ (`EST5EDT,M3.2.0,M11.1.0`) or an offset
(`+01:00`). A name needs the system's table of zones; a rule and an offset need nothing.
"""

from __future__ import annotations

import functools
import os
import re
from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from io import BytesIO
from pathlib import Path

from trimfit.base.errors import InputError, short

_OFFSET = re.compile(r"([+-])([01]\d|2[0-3]):?([0-5]\d)", re.ASCII)
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_+/-]{1,60}", re.ASCII)
_RULE = re.compile(r"(?:[A-Za-z]{3,10}|<[A-Za-z0-9+-]{3,10}>)[+-]?\d[\x21-\x7e]{0,60}", re.ASCII)
_LOCALTIME = Path("/etc/localtime")
HALF_A_YEAR = timedelta(days=182)


def zone_like(text: str) -> bool:
    """Whether a text is a name, a rule or an offset by its form; whether this machine knows the zone is not asked."""
    return any(form.fullmatch(text) for form in (_OFFSET, _NAME, _RULE))


@functools.cache
def zone_named(text: str) -> tzinfo:
    """The zone of a name, a POSIX rule or an offset. InputError for one that this machine does not know."""
    if text == "UTC":
        return UTC
    if found := _OFFSET.fullmatch(text):
        size = timedelta(hours=int(found[2]), minutes=int(found[3]))
        return timezone(-size if found[1] == "-" else size)
    from zoneinfo import ZoneInfo

    # A name that is not in the table, or no name at all: KeyError, ValueError or OSError, by what the system does.
    if _NAME.fullmatch(text):
        with suppress(KeyError, ValueError, OSError):
            return ZoneInfo(text)
    if _RULE.fullmatch(text):
        with suppress(ValueError):
            return ZoneInfo.from_file(BytesIO(_tzif(text)), key=text)
    raise InputError(
        f"{short(text)!r} is no time zone that this machine knows",
        "time_zone",
        "name it as Europe/London, or give its offset as +01:00",
    )


def _tzif(rule: str) -> bytes:
    """A file of zone data that is all rule (RFC 8536, section 3): its head and one type of local time with numbers of
    32 bits, the same with numbers of 64, then the rule between line ends."""

    # Readers ask the rule of what comes after the last change: there is one, long ago.
    def head(changes: int) -> bytes:
        counts = (0, 0, 0, changes, 1, 4)  # of marks, leap seconds, changes, types of local time, letters
        return b"TZif2" + bytes(15) + b"".join(count.to_bytes(4, "big") for count in counts)

    local = bytes(6) + b"UTC\x00"
    change = (-(2**36)).to_bytes(8, "big", signed=True) + b"\x00"
    return head(0) + local + head(1) + change + local + b"\n" + rule.encode("ascii") + b"\n"


def machine_zone() -> str:
    """This machine's zone: its name, else its rule, else today's offset, whichever agrees with its clock."""
    now = datetime.now(UTC)
    for text in _told():
        with suppress(InputError):
            zone = zone_named(text)
            # Where the system does not know its own zone it goes by UTC, whatever TZ says.
            if all(at.astimezone().utcoffset() == at.astimezone(zone).utcoffset() for at in (now, now + HALF_A_YEAR)):
                return text
    offset = f"{now.astimezone():%z}"
    return f"{offset[:3]}:{offset[3:5]}"


def _told() -> list[str]:
    """What the system says of its zone: the variable TZ, else the file of the local time."""
    zone = os.environ.get("TZ")
    if zone is not None:
        return [zone.removeprefix(":") or "UTC"]
    found = []
    with suppress(OSError):
        _, table, name = os.path.realpath(_LOCALTIME).partition("/zoneinfo/")
        found += [name.removeprefix("posix/")] if table else []
        # Version 2 of the format ends with the zone's rule on a line of its own.
        found.append(_LOCALTIME.read_bytes()[-80:].rstrip(b"\n").rsplit(b"\n", 1)[-1].decode("ascii", "replace"))
    return ["UTC" if name in ("Etc/UTC", "UTC0") else name for name in found]
