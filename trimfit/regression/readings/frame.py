"""The log's tables as the one frame that the estimator takes: a row a reading, what was off by then, cents."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from trimfit.base.pitch import DEFAULT_RATIOS, NOTES, REFERENCE_HZ
from trimfit.regression.design import work_before
from trimfit.regression.readings.rows import DAY_S, made_day

if TYPE_CHECKING:
    import pandas as pd


def cents_of_hz(hz: Any, ratio: float = 1.0) -> Any:
    """Array of hertz -> cents from 440 Hz of hz / ratio; NaN where hz is missing or not positive."""
    values = np.asarray(hz, dtype=float)
    good = np.isfinite(values) & (values > 0)
    return np.where(good, 1200.0 * np.log2(np.where(good, values, 1.0) / (ratio * REFERENCE_HZ)), np.nan)


def removed_at(reed_at: Any, time_at: Any, reed_cut: Any, time_cut: Any, *amounts: Any) -> list[Any]:
    """For each reading, the sums of the reed's amounts cut before it (a cut at the same instant counts as after).

    reed_at, reed_cut: integer codes (n,), (m,); time_at, time_cut: instants; amounts: (m,) each. Returns (n,) each.
    """
    n = len(reed_at)
    reed = np.concatenate([reed_at, reed_cut])
    time = np.concatenate([time_at, time_cut])
    is_cut = np.concatenate([np.zeros(n), np.ones(len(reed_cut))])
    order = np.lexsort((is_cut, time, reed))
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    sorted_reed = reed[order]
    first = np.r_[True, np.diff(sorted_reed) != 0][: len(sorted_reed)]  # nothing at all has no first
    group = np.cumsum(first) - 1
    out = []
    for amount in amounts:
        value = np.concatenate([np.zeros(n), np.nan_to_num(np.asarray(amount, dtype=float))])[order]
        total = np.cumsum(value)
        before = (total - value)[first]
        out.append((total - before[group])[back[:n]])
    return out


def _work_before(reed_at: Any, day_at: Any, reed_cut: Any, day_cut: Any) -> Any:
    """`design.work_before` of many reeds' readings (n, 2). reed_at (n,), reed_cut (m,): codes; day_…: days."""
    cuts: dict[int, list[float]] = {}
    for reed, day in zip(reed_cut.tolist(), day_cut.tolist(), strict=True):
        cuts.setdefault(reed, []).append(day)
    out = np.zeros((len(reed_at), 2))
    order = np.lexsort((day_at, reed_at))
    order = order[np.isin(reed_at[order], list(cuts))]
    ends = np.flatnonzero(np.diff(reed_at[order])) + 1
    for rows in np.split(order, ends) if len(order) else ():
        out[rows] = work_before(day_at[rows].tolist(), cuts[int(reed_at[rows[0]])])
    return out


def _happened(reed_at: Any, time_at: Any, reed_met: Any, time_met: Any) -> Any:
    """Which readings (n,) an event of their reed stands before, and no other reading between the two.

    reed_at (n,), reed_met (m,): codes; time_at, time_met: instants. An event at a reading's instant stands before it.
    """
    n = len(reed_at)
    reed, time = np.concatenate([reed_at, reed_met]), np.concatenate([time_at, time_met])
    is_reading = np.concatenate([np.ones(n, dtype=bool), np.zeros(len(reed_met), dtype=bool)])
    order = np.lexsort((is_reading, time, reed))
    after_event = np.zeros(len(order), dtype=bool)
    after_event[order[1:]] = (reed[order[1:]] == reed[order[:-1]]) & ~is_reading[order[:-1]]
    return after_event[:n]


def bench_frame(
    readings: pd.DataFrame,
    trims: pd.DataFrame,
    reeds: pd.DataFrame,
    scale: Mapping[str, Fraction] = DEFAULT_RATIOS,
    *,
    events: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """The estimator's frame of the three tables in the form of the log's CSV files.

    readings: reed, taken_at (text or seconds), and any of chanter, crow_hz, `<note>_hz`, pressure_kpa, temperature_c,
    taped, entry; trims: reed, done_at, length_mm and/or lip_strokes; reeds: reed, reed_type, batch and, where known,
    made_on; events: reed, at. Notes become cents as low A from 440 Hz under the just ratios of `scale`; what was read
    with tape on a note's hole stands in `<note>_taped_cents`. Readings of reeds that `reeds` does not hold are left
    out. The columns are those of `estimator.ReedResponse`; `entry` is there where the readings have one.
    """
    import pandas as pd

    known = reeds.drop_duplicates("reed").set_index(reeds["reed"].astype(str).drop_duplicates())
    readings = readings[readings["reed"].astype(str).isin(known.index)].reset_index(drop=True)
    names = readings["reed"].astype(str)
    where = {name: i for i, name in enumerate(known.index)}
    reed_at = names.map(where).to_numpy(dtype=np.intp)
    trims = trims[trims["reed"].astype(str).isin(known.index)] if len(trims) else trims
    reed_cut = trims["reed"].astype(str).map(where).to_numpy(dtype=np.intp) if len(trims) else np.empty(0, np.intp)

    def instants(values: Any) -> Any:
        if pd.api.types.is_numeric_dtype(values):
            return values.to_numpy(dtype=float)
        times = pd.to_datetime(values, utc=True, format="ISO8601")
        return (times - pd.Timestamp(0, tz="UTC")).dt.total_seconds().to_numpy(dtype=float)

    def amount(column: str) -> Any:
        if not len(trims) or column not in trims.columns:
            return np.zeros(len(reed_cut))
        return trims[column].to_numpy(dtype=float, na_value=np.nan)

    at = instants(readings["taken_at"]) if len(readings) else np.empty(0)
    done = instants(trims["done_at"]) if len(trims) else np.empty(0)
    removed, lip = removed_at(reed_at, at, reed_cut, done, amount("length_mm"), amount("lip_strokes"))
    works = _work_before(reed_at, at / DAY_S, reed_cut, done / DAY_S)
    happened = np.zeros(len(at), dtype=bool)
    if events is not None and len(events):
        of_known = events[events["reed"].astype(str).isin(known.index)]
        reed_met = of_known["reed"].astype(str).map(where).to_numpy(dtype=np.intp)
        happened = _happened(reed_at, at, reed_met, instants(of_known["at"]))
    dates = known["made_on"] if "made_on" in known.columns else dict.fromkeys(known.index)
    made_days = {name: made_day(made_on if isinstance(made_on, str) else None) for name, made_on in dates.items()}
    out: dict[str, Any] = {
        "reed": names,
        "reed_type": names.map(known["reed_type"].astype(str)),
        "batch": names.map(known["batch"].astype(str)),
        "chanter": readings["chanter"] if "chanter" in readings.columns else None,
        "removed_mm": removed,
        "lip_strokes": lip,
        "taken_day": at / DAY_S,
        "made_day": names.map(made_days).to_numpy(dtype=float),
        "work_count": works[:, 0],
        "work_fading": works[:, 1],
        "event": happened,
    }
    for column in ("pressure_kpa", "temperature_c"):
        out[column] = readings[column].to_numpy(dtype=float, na_value=np.nan) if column in readings.columns else np.nan
    if "entry" in readings.columns:
        out["entry"] = readings["entry"]
    blank = np.full(len(readings), np.nan)
    out["crow_cents"] = cents_of_hz(readings["crow_hz"]) if "crow_hz" in readings.columns else blank
    words = readings["taped"].fillna("").astype(str) if "taped" in readings.columns else None
    taped = words.str.split() if words is not None and (words != "").any() else None
    for note in NOTES:
        column = f"{note}_hz"
        cents = cents_of_hz(readings[column], float(scale[note])) if column in readings.columns else blank
        if taped is not None:
            on = taped.map(lambda words, note=note: note in words).to_numpy(dtype=bool)
            out[f"{note}_taped_cents"] = np.where(on, cents, np.nan)
            cents = np.where(on, np.nan, cents)
        out[f"{note}_cents"] = cents
    return pd.DataFrame(out)
