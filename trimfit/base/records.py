"""The values that the parts hand to one another. Frozen; the unit is in every name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Generic, Literal, TypeVar

T = TypeVar("T")

Action = Literal["trim", "read-again", "finished", "past", "no-fit"]


@dataclass(frozen=True, slots=True)
class Reed:
    """A reed as made. `blade_mm`: free blade length when new; `weight`: how hard it is to blow, in the shop's word."""

    reed: str
    reed_type: str
    batch: str
    made_on: str | None = None
    blade_mm: float | None = None
    weight: str | None = None
    order: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Chanter:
    """A chanter, and what is known or stated of it.

    `kind`: the shop's word for chanters made alike. `at_hand`: `yes`, `no` (it is with its owner), None where nobody
    said: at hand once a reed was read in it. `working_crow_type`: the reed type that the working crow is of.
    """

    chanter: str
    kind: str | None = None
    at_hand: str | None = None
    meeting_pitch_hz: float | None = None
    working_crow_hz: float | None = None
    bore_gauge_mm: float | None = None
    working_crow_type: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be made. `target_pitch_hz` None: wherever E and F meet; `weight`: that of the reeds it takes."""

    order: str
    chanter: str
    target_pitch_hz: float | None = None
    quantity: int | None = None
    pressure_kpa: float | None = None
    weight: str | None = None
    due_on: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one reed. `notes_hz`: sounding frequency by note key, only what was taken."""

    reed: str
    taken_at: str
    chanter: str | None = None
    crow_hz: float | None = None
    notes_hz: Mapping[str, float] = field(default_factory=dict)
    g_octave_hz: float | None = None
    pressure_kpa: float | None = None
    temperature_c: float | None = None
    humidity_pct: float | None = None
    taped: tuple[str, ...] = ()
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Trim:
    """One cut and/or lip work: what was taken, and what was meant."""

    reed: str
    done_at: str
    length_mm: float | None = None
    lip_strokes: float | None = None
    asked_mm: float | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """What was done to a reed, or happened to it, besides a trim, in the shop's word: `soaked`, `dropped`.

    The reed's level may have changed by any amount; how it answers a cut stays known.
    """

    reed: str
    at: str
    event: str
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """The reed has left the bench: `good`, `lost` or `to-stock`."""

    reed: str
    at: str
    outcome: str
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Doubt:
    """A doubtful but possible value: kept, marked, said. `kind` is a short key such as `a-unbalanced`; `meant` holds
    the columns and values that a known slip would explain it by, such as `(("f_hz", 779.1),)`; `reed` the other reed
    that a reading is like, if any."""

    kind: str
    column: str
    sentence: str
    meant: tuple[tuple[str, float], ...] = ()
    reed: str = ""


@dataclass(frozen=True, slots=True)
class Logged(Generic[T]):
    """A record with its entry: `entry` is unique across benches, `seq` counts in this file, `at_s` is its instant
    in seconds since 1970 UTC (a time without an offset is in the shop's zone), `doubts` were confirmed at entry."""

    entry: str
    seq: int
    at_s: float
    record: T
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ReedHistory:
    """All that the log knows of one reed, struck entries left out; readings, trims and events in order of time."""

    reed: Logged[Reed]
    readings: tuple[Logged[Reading], ...] = ()
    trims: tuple[Logged[Trim], ...] = ()
    outcome: Logged[Outcome] | None = None
    order: Order | None = None
    chanter: Chanter | None = None
    events: tuple[Logged[Event], ...] = ()


@dataclass(frozen=True, slots=True)
class Settings:
    """What all benches of a shop agree on; kept in the log itself. Each field's unit is in its name."""

    ratio_low_g: str = "8/9"
    ratio_d: str = "4/3"
    ratio_high_g: str = "7/4"
    tolerance_hz: float = 1.0
    balance_tolerance_hz: float = 1.0
    tool_step_mm: float = 0.01
    least_blade_mm: float = 12.0
    chance_past_ceiling: float = 0.01
    minutes_per_cut: float = 4.0
    minutes_per_reading: float = 1.5
    cost_lost_minutes: float = 120.0
    cost_outside_minutes: float = 120.0
    cost_flat_minutes: float = 40.0
    cut_error_mm: float = 0.006
    cut_error_pct: float = 3.0
    bench_pressure_kpa: float = 6.0
    bench_temperature_c: float = 20.0
    drift_start_cents: float = 15.0
    drift_response_pct: float = 15.0
    drift_settle_cents_per_week: float = 5.0
    drift_chance: float = 0.85
    time_zone: str = "UTC"
    line_order: str = "f e a A crow"
