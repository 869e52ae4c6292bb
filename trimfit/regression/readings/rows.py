"""Reeds' histories from the log as `Rows`, without pandas: what `ask` needs from a cold process."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction

import numpy as np

from trimfit.base.pitch import NOTES, OUTPUTS, REFERENCE_HZ
from trimfit.base.records import Logged, Reading, ReedHistory
from trimfit.regression.design import Rows, work_before

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


def rows_of(
    histories: Sequence[ReedHistory], type_code: int, chanters: Sequence[str], scale: Mapping[str, Fraction]
) -> Rows:
    """One batch's readings as rows, reeds in the given order; chanters: the names their codes stand for."""
    code = {name: i for i, name in enumerate(chanters)}
    y: list[list[float]] = []
    taped: list[list[float]] = []
    removed: list[float] = []
    lip: list[float] = []
    kpa: list[float] = []
    deg_c: list[float] = []
    chanter: list[int] = []
    reed: list[int] = []
    label: list[str] = []
    days: list[float] = []
    made: list[float] = []
    works: list[tuple[float, float]] = []
    event: list[bool] = []
    names: list[str] = []
    for history in histories:
        if not history.readings:
            continue
        number = len(names)
        names.append(history.reed.record.reed)
        mine = [logged.at_s / DAY_S for logged in history.readings]
        days += mine
        works += work_before(mine, [trim.at_s / DAY_S for trim in history.trims])
        made += [made_day(history.reed.record.made_on)] * len(mine)
        before_s = -math.inf
        for logged in history.readings:
            reading = logged.record
            length, strokes = taken_before(history, logged)
            y.append(reading_cents(reading, scale))
            taped.append(reading_cents(reading, scale, taped=True))
            removed.append(length)
            lip.append(strokes)
            kpa.append(math.nan if reading.pressure_kpa is None else reading.pressure_kpa)
            deg_c.append(math.nan if reading.temperature_c is None else reading.temperature_c)
            chanter.append(-1 if reading.chanter is None else code[reading.chanter])
            reed.append(number)
            label.append(logged.entry)
            event.append(any(before_s < happened.at_s <= logged.at_s for happened in history.events))
            before_s = logged.at_s
    n = len(y)
    values = np.array(y, dtype=float).reshape(n, len(OUTPUTS))
    batch = histories[0].reed.record.batch if histories else ""
    return Rows(
        y=values,
        removed_mm=np.array(removed, dtype=float),
        lip=np.array(lip, dtype=float),
        kpa=np.array(kpa, dtype=float),
        deg_c=np.array(deg_c, dtype=float),
        type_code=np.full(n, type_code, dtype=np.intp),
        batch_code=np.zeros(n, dtype=np.intp),
        reed_code=np.array(reed, dtype=np.intp),
        chanter_code=np.array(chanter, dtype=np.intp),
        batches=((type_code, batch),),
        reeds=tuple(names),
        weight=np.ones_like(values),
        label=np.array(label, dtype=object),
        day=np.array(days, dtype=float),
        made_day=np.array(made, dtype=float),
        since_work=np.array(works, dtype=float).reshape(n, 2),
        event=np.array(event, dtype=bool),
        taped=np.array(taped, dtype=float).reshape(n, len(OUTPUTS)),
    )
