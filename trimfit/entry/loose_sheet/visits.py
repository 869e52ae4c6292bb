"""How the columns of a row are laid out in visits to the bench, and when each of a reed's entries was made."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

from trimfit.entry.loose_sheet.guesses import Notes
from trimfit.entry.loose_sheet.heads import READING_ROLES, TRIM_ROLES, Column

# The first of a reed's entries on one day that has no clock time anywhere is put here, the next a minute later.
FIRST_CLOCK = "12:00"
Part = Literal["reading", "trim"]


@dataclass(frozen=True, slots=True)
class Slot:
    """The columns of one visit, and whether its reading was before its cut, or after it."""

    columns: tuple[Column, ...]
    parts: tuple[Part, ...]


@dataclass(slots=True)
class Event:
    """A reading, a trim or an outcome of a reed on a day: its values by the log's columns, its row in the sheet."""

    reed: str
    kind: str
    day: str
    clock: str | None
    row: int
    values: dict[str, object] = field(default_factory=dict)
    at: str = ""


def _part(column: Column) -> Part | None:
    if column.role in TRIM_ROLES:
        return "trim"
    return "reading" if column.role in (*READING_ROLES, "readings") else None


def _parts(columns: Sequence[Column]) -> tuple[Part, ...]:
    """Which was first, the reading or the cut, as the columns stand; where they do not say, the reading."""
    found = tuple(dict.fromkeys(part for part in map(_part, columns) if part))
    return found if len(found) == 2 else ("reading", "trim")


def slots_of(columns: Sequence[Column], notes: Notes) -> tuple[list[Slot], list[Column]]:
    """The visits that one row holds, in their order in time, and the columns that stand for the row as a whole."""
    parted = [column for column in columns if _part(column)]
    roles = [column.role for column in parted if column.role != "readings"]
    if any(column.visit is not None for column in parted):
        return _by_number(columns, notes)
    chanters = {column.chanter for column in parted} - {""}
    if len(set(roles)) < len(roles) or any(column.day for column in parted) or len(chanters) > 1:
        return _by_repeats(columns, notes)
    kinds = {_part(column) for column in parted}
    parts = _parts(parted)
    if len(kinds) == 2 or any(column.role == "readings" for column in parted):
        order = "before" if parts[0] == "reading" else "after"
        notes.guess("visits", "", f"the reading of a row was taken {order} its cut: so the columns stand")
    return [Slot(tuple(parted), parts)], [column for column in columns if not _part(column)]


def _by_number(columns: Sequence[Column], notes: Notes) -> tuple[list[Slot], list[Column]]:
    """Heads such as `F1`, `F2`, or `F before`, `F after`; a cut with no number is of the first visit."""
    by_visit: dict[int, list[Column]] = defaultdict(list)
    whole = []
    for column in columns:
        if column.visit is not None and (_part(column) or column.role in ("day", "clock", "chanter")):
            by_visit[column.visit].append(column)
        elif _part(column):
            by_visit[1].append(column)
        else:
            whole.append(column)
    slots = []
    for _, all_mine in sorted(by_visit.items()):
        for mine in _by_chanter(all_mine):
            numbered = [column for column in mine if column.visit is not None and _part(column)]
            slots.append(Slot(tuple(mine), _parts(numbered or mine)))
    return _said(slots, notes), whole


def _by_chanter(columns: Sequence[Column]) -> list[list[Column]]:
    """The columns of one visit apart by the chanters above them, each with its date; what has none is of the first."""
    first, *others = [*dict.fromkeys(c.chanter for c in columns if c.chanter)] or [""]
    return [
        [c for c in columns if c.chanter == chanter or not _part(c) or (chanter == first and not c.chanter)]
        for chanter in (first, *others)
    ]


def _said(slots: list[Slot], notes: Notes) -> list[Slot]:
    """The visits, once it is noted how they were told apart."""
    shown = "; then ".join(
        ", ".join(column.name for column in slot.columns)
        + next((f" in {c.chanter}" for c in slot.columns if c.chanter), "")
        for slot in slots
    )
    notes.guess("visits", "", f"a row holds {len(slots)} visits of a reed, in this order: {shown}")
    return slots


def _by_repeats(columns: Sequence[Column], notes: Notes) -> tuple[list[Slot], list[Column]]:
    """Heads that come again: a new visit begins where one does, and where reading and cut would change a third time."""
    often = {c.role for c in columns if sum(o.role == c.role for o in columns) > 1}
    groups: list[list[Column]] = [[]]
    whole = []
    for column in columns:
        part = _part(column)
        if part is None and (
            column.role not in often or column.role not in ("day", "clock", "chanter", "pressure_kpa")
        ):
            whole.append(column)
            continue
        group = groups[-1]
        runs = [p for i, p in enumerate(map(_part, group)) if p and p not in map(_part, group[:i])]
        again = column.role in {c.role for c in group if c.role != "readings"}
        third = part is not None and len(runs) == 2 and runs[-1] != part
        new_day = bool(group) and (column.day != group[-1].day or (column.role == "day" and bool(runs)))
        other_chanter = bool(column.chanter) and any(c.chanter not in ("", column.chanter) for c in group)
        if group and (again or third or new_day or other_chanter):
            groups.append([])
        groups[-1].append(column)
    return _said([Slot(tuple(group), _parts(group)) for group in groups], notes), whole


def timed(events: Sequence[Event], notes: Notes) -> None:
    """Give each event its `at`, in place: the day alone where that says all; the clock where one stands; else, where a
    reed has several entries on a day, a time made up so that they keep the order in which they come."""
    days: dict[tuple[str, str], list[Event]] = defaultdict(list)
    for event in events:
        days[event.reed, event.day].append(event)
    made_up: list[tuple[str, str]] = []
    for (reed, day), mine in days.items():
        if len(mine) == 1:
            mine[0].at = f"{day}T{mine[0].clock}" if mine[0].clock else day
            continue
        if any(event.clock is None for event in mine):
            made_up.append((reed, day))
        _in_order(day, mine)
    if made_up:
        reed, day = made_up[0]
        first = ", then ".join(f"{event.kind} {event.at[11:]}" for event in days[reed, day])
        notes.guess(
            "times",
            "",
            f"{len(made_up):,} day{'s' * (len(made_up) > 1)} with several entries of a reed and no times: the order of "
            f"the sheet was kept, and times were made up to say it; reed {reed} on {day}: {first}",
        )


def _in_order(day: str, events: Sequence[Event]) -> None:
    """Times for the events of one day in their order: the clocks that stand, and others between them."""
    instants: list[datetime | None] = [
        datetime.fromisoformat(f"{day}T{event.clock}") if event.clock else None for event in events
    ]
    for i, event in enumerate(events):
        instant = instants[i]
        if instant is None:
            before = instants[i - 1] if i else None
            after = next((later for later in instants[i + 1 :] if later), None)
            if before is None:
                waiting = next((j for j, later in enumerate(instants[i:]) if later), 0)
                instant = (
                    after - timedelta(minutes=waiting) if after else datetime.fromisoformat(f"{day}T{FIRST_CLOCK}")
                )
            else:
                instant = before + timedelta(minutes=1)
                if after is not None and before < after <= instant:
                    instant = before + (after - before) / 2
            instants[i] = instant
        event.at = instant.isoformat(timespec="minutes" if not (instant.second or instant.microsecond) else "seconds")
