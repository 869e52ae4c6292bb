"""Reeds' histories from the log as `Rows`, without pandas: what `ask` needs from a cold process."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction

import numpy as np

from trimfit.base.pitch import NOTES, REFERENCE_HZ
from trimfit.base.records import Logged, Reading, ReedHistory
from trimfit.regression.design import Rows, work_before
from trimfit.regression.outputs import K

DAY_S = 86400.0
_DAY_ZERO = date(1970, 1, 1).toordinal()


def reading_cents(reading: Reading, scale: Mapping[str, Fraction], *, taped: bool = False) -> list[float]:
    """The ten outputs of one reading in cents from 440 Hz (notes as low A); NaN where not taken or taped. taped: the
    taped notes alone."""
    crow = reading.crow_hz if not taped else None
    out = [1200.0 * math.log2(crow / REFERENCE_HZ) if crow else math.nan]
    for note in NOTES:
        hz = reading.notes_hz.get(note)
        sound = hz is not None and (note in reading.taped) == taped
        out.append(1200.0 * math.log2((hz or 1.0) / float(scale[note]) / REFERENCE_HZ) if sound else math.nan)
    return out


def made_day(made_on: str | None) -> float:
    """Noon UTC of the day a reed was made (ISO 8601), in days since 1970; NaN where it is not known, or is no date."""
    try:
        return math.nan if made_on is None else date.fromisoformat(made_on).toordinal() - _DAY_ZERO + 0.5
    except ValueError:
        return math.nan  # `check` names it


def taken_before(history: ReedHistory, reading: Logged[Reading] | None = None) -> tuple[float, float]:
    """Length in mm and lip strokes taken before a reading (before now without one).

    A trim at the very instant of the reading counts as done after it.
    """
    trims = [t.record for t in history.trims if reading is None or t.at_s < reading.at_s]
    return sum(t.length_mm or 0.0 for t in trims), sum(t.lip_strokes or 0.0 for t in trims)


def before_each(
    days: Sequence[float], trims: Sequence[tuple[float, float, float]], event_days: Sequence[float]
) -> list[tuple[float, ...]]:
    """What came before each of one reed's readings: mm off, strokes, the two numbers of `design.work_before`, and 1
    where an event was logged after the reading before (or before the first), at this one or before it; else 0.

    days: of the readings, ascending; trims: day, mm, strokes of each; event_days. Days since 1970. A trim at the very
    instant of a reading counts as done after it.
    """
    out: list[tuple[float, ...]] = []
    last = -math.inf
    works = work_before(days, [at for at, _, _ in trims])
    for day, work in zip(days, works, strict=True):
        mm = sum(length for at, length, _ in trims if at < day)
        strokes = sum(count for at, _, count in trims if at < day)
        out.append((mm, strokes, *work, float(any(last < at <= day for at in event_days))))
        last = day
    return out


def read_at_the_bench(days: Sequence[float], later_days: Sequence[float], event_days: Sequence[float]) -> list[bool]:
    """Which of one reed's readings were surely taken at the bench, wherever their chanter is now: those after which it
    was worked or left the bench, with no event between them, as that it came back.

    days: of the readings; later_days: of its trims and its outcome; event_days. Days since 1970; one at the very
    instant of a reading counts as after it.
    """
    then = [min((later for later in later_days if later >= day), default=-math.inf) for day in days]
    return [
        math.isfinite(ends) and not any(day < at <= ends for at in event_days)
        for day, ends in zip(days, then, strict=True)
    ]


def rows_of(
    histories: Sequence[ReedHistory], type_code: int, chanters: Sequence[str], scale: Mapping[str, Fraction]
) -> Rows:
    """One batch's readings as rows, reeds in the given order; chanters: the names their codes stand for."""
    code = {name: i for i, name in enumerate(chanters)}
    read = [history for history in histories if history.readings]
    numbers: list[list[float]] = []
    at_bench: list[bool] = []
    for history in read:
        days = [logged.at_s / DAY_S for logged in history.readings]
        trims = [(t.at_s / DAY_S, t.record.length_mm or 0.0, t.record.lip_strokes or 0.0) for t in history.trims]
        made = made_day(history.reed.record.made_on)
        events = [met.at_s / DAY_S for met in history.events]
        left = [history.outcome.at_s / DAY_S] if history.outcome is not None else []
        at_bench += read_at_the_bench(days, [*(day for day, _, _ in trims), *left], events)
        before = before_each(days, trims, events)
        for logged, day, came in zip(history.readings, days, before, strict=True):
            reading = logged.record
            air = (math.nan if value is None else value for value in (reading.pressure_kpa, reading.temperature_c))
            cents = reading_cents(reading, scale), reading_cents(reading, scale, taped=True)
            numbers.append([*cents[0], *cents[1], *air, day, made, *came])
    every = [(number, logged) for number, history in enumerate(read) for logged in history.readings]
    named = [logged.record.chanter for _, logged in every]
    n = len(every)
    y, taped, rest = np.split(np.array(numbers, dtype=float).reshape(n, 2 * K + 9), [K, 2 * K], axis=1)
    kpa, deg_c, day_of, made_of, removed, lip, worked, fading, event_of = rest.T.copy()
    batch = histories[0].reed.record.batch if histories else ""
    return Rows(
        y=y.copy(),
        removed_mm=removed,
        lip=lip,
        kpa=kpa,
        deg_c=deg_c,
        type_code=np.full(n, type_code, dtype=np.intp),
        batch_code=np.zeros(n, dtype=np.intp),
        reed_code=np.array([number for number, _ in every], dtype=np.intp),
        chanter_code=np.array([-1 if name is None else code[name] for name in named], dtype=np.intp),
        batches=((type_code, batch),),
        reeds=tuple(history.reed.record.reed for history in read),
        weight=np.ones_like(y),
        label=np.array([logged.entry for _, logged in every], dtype=object),
        day=day_of,
        made_day=made_of,
        since_work=np.column_stack([worked, fading]),
        event=event_of > 0.0,
        at_bench=np.array(at_bench, dtype=bool),
        taped=taped.copy(),
    )
