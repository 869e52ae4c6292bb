"""The values that answers are made of: what to do next, what a next reading would show. The unit is in every name.

Apart from `records`, so that a log entry, which is answered with neither, does not load them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from trimfit.base.records import Action
from trimfit.base.units import Interval


@dataclass(frozen=True, slots=True)
class Advice:
    """The answer to `ask`. `chance_past`: the chance that the reed is past tolerance once this advice is followed; of a
    cut, that it is past right after it, or is left short and has moved past by itself by the next visit.

    `reason`: what `why` says beyond the figures; `notes`: what it leans on, one thing each; `gap_read`: F and E of this
    reed were read together at least once (else its figures are predicted from its kin). `outcome`: how it left the
    bench, None while it is there; `outcomes`: the entries that say so, all to be struck before it is worked on again.
    `due_on`, `quantity`, `target_pitch_hz`, `pressure_kpa`: its order's.
    `need_mm`: what has yet to come off in all until F and E read the same, over this cut and those that follow; None
    where that is no length that the blade has: then `meet_pitch_hz` is None too. `cuts_known`: False where what has yet
    to come off is not known while there is work to do: `trims_left` is a guess then. `closes`: False where by what is
    logged no length closes the gap, or where what is logged is impossible: then no cut is advised.
    `moved_cents`: how far the gap has moved by itself since the last sitting, mean and 90 % interval over all
    explanations of the readings; None where nothing says so, or where an event was logged since;
    `chance_within`: that the reed ends within tolerance if the advice is followed to its end, None where it was not
    worked out; `here`: what to work to in the chanter at hand, None unless the order's chanter is away;
    `is_it_away`: what to settle first, where that it is away is only supposed; `first_in`: the chanter in which its F
    and E, read in others, were never read; `came_back`: the event by
    which a reed called good came back since; all three empty for others.
    """

    reed: str
    order: str | None
    action: Action
    length_mm: float
    lip_strokes: int
    gap_now_cents: Interval | None
    gap_after_cents: Interval | None
    meet_pitch_hz: Interval | None
    chance_past: float
    trims_left: float
    why: str
    cuts_known: bool = True
    reed_type: str = ""
    batch: str = ""
    chanter: str | None = None
    due_on: str | None = None
    quantity: int | None = None
    target_pitch_hz: float | None = None
    pressure_kpa: float | None = None
    outcome: str | None = None
    gap_read: bool = True
    reason: str = ""
    notes: tuple[str, ...] = ()
    need_mm: Interval | None = None
    moved_cents: Interval | None = None
    chance_within: float | None = None
    here: Mapping[str, Any] | None = None
    outcomes: tuple[str, ...] = ()
    is_it_away: str = ""
    first_in: str = ""
    came_back: str = ""
    closes: bool = True

    def because(self) -> str:
        """The reason, and what it leans on: `why` without the figures."""
        return "; ".join(part for part in (self.reason, *self.notes) if part)


@dataclass(frozen=True, slots=True)
class PredictedReading:
    """What the next reading of a reed would show after a planned trim, in this chanter and at this pressure (None: the
    bench's usual). `why`: a warning, mostly empty."""

    reed: str
    gap_cents: Interval
    crow_hz: Interval
    notes_hz: Mapping[str, Interval]
    chanter: str | None = None
    pressure_kpa: float | None = None
    temperature_c: float | None = None
    why: str = ""
