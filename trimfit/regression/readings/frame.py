"""The log's readings as the one frame that the estimator takes: a row a reading, what was off by then, cents."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from trimfit.base.pitch import DEFAULT_RATIOS, NOTES, REFERENCE_HZ
from trimfit.regression.outputs import edges_of
from trimfit.regression.readings.rows import DAY_S, before_each, made_day, read_at_the_bench

if TYPE_CHECKING:
    import pandas as pd


def cents_of_hz(hz: Any, ratio: float = 1.0) -> Any:
    """Array of hertz -> cents from 440 Hz of hz / ratio; NaN where hz is missing or not positive."""
    values = np.asarray(hz, dtype=float)
    good = np.isfinite(values) & (values > 0)
    return np.where(good, 1200.0 * np.log2(np.where(good, values, 1.0) / (ratio * REFERENCE_HZ)), np.nan)


def bench_frame(
    readings: pd.DataFrame,
    reeds: Iterable[tuple[str, str, str, str | None]],
    trims: Iterable[tuple[str, float, float | None, float | None]],
    events: Iterable[tuple[str, float]] = (),
    outcomes: Iterable[tuple[str, float]] = (),
    scale: Mapping[str, Fraction] = DEFAULT_RATIOS,
) -> pd.DataFrame:
    """The columns of `estimator.ReedResponse`, with `seq`, `entry` and `g_octave_cents` where the readings have them,
    `events_met`: between how many of a reed's readings so far an event was logged, and `at_bench`:
    `rows.read_at_the_bench`.

    readings: reed, at_s (seconds since 1970), and any of seq, entry, chanter, crow_hz, `<note>_hz`, g_octave_hz,
    pressure_kpa, temperature_c, taped; those of a reed that `reeds` does not name are left out. reeds: name, type,
    batch, made_on; trims: reed, at_s, mm, strokes; events, outcomes: reed, at_s. Notes become cents as low A from
    440 Hz under the just ratios of `scale`; what was read with tape on a note's hole stands in `<note>_taped_cents`.
    """
    import pandas as pd

    known = {name: (reed_type, batch, made_day(made_on)) for name, reed_type, batch, made_on in reeds}
    readings = readings[readings["reed"].isin(known.keys())].reset_index(drop=True)
    day = readings["at_s"].to_numpy(dtype=float) / DAY_S
    cuts: dict[str, list[tuple[float, float, float]]] = {}
    for reed, at_s, mm, strokes in trims:
        cuts.setdefault(reed, []).append((at_s / DAY_S, mm or 0.0, strokes or 0.0))
    met: dict[str, list[float]] = {}
    for reed, at_s in events:
        met.setdefault(reed, []).append(at_s / DAY_S)
    left: dict[str, float] = {}
    for reed, at_s in outcomes:
        left[reed] = max(at_s / DAY_S, left.get(reed, 0.0))
    names, before, events_met = readings["reed"], np.zeros((len(readings), 5)), np.zeros(len(readings))
    at_bench = np.zeros(len(readings), dtype=bool)
    code = names.map({name: i for i, name in enumerate(known)}).to_numpy(dtype=np.intp)
    order = np.lexsort((day, code))
    for first, last in pairwise(edges_of(code[order]).tolist()):
        at = order[first:last]
        days, name = day[at].tolist(), names[at[0]]
        before[at] = before_each(days, cuts.get(name, ()), met.get(name, ()))
        later = [*(cut for cut, _, _ in cuts.get(name, ())), *([left[name]] if name in left else ())]
        at_bench[at] = read_at_the_bench(days, later, met.get(name, ()))
        events_met[at[1:]] = np.cumsum(before[at[1:], 4])

    def number(column: str) -> Any:
        if column not in readings.columns:
            return np.full(len(readings), np.nan)
        return pd.to_numeric(readings[column]).to_numpy(dtype=float, na_value=np.nan)

    chanter = readings["chanter"] if "chanter" in readings.columns else pd.Series([None] * len(names), dtype=object)
    out: dict[str, Any] = {
        "reed": names,
        "reed_type": names.map({name: of[0] for name, of in known.items()}),
        "batch": names.map({name: of[1] for name, of in known.items()}),
        "chanter": chanter.where(chanter.notna(), None),
        "removed_mm": before[:, 0],
        "lip_strokes": before[:, 1],
        "taken_day": day,
        "made_day": names.map({name: of[2] for name, of in known.items()}).to_numpy(dtype=float),
        "work_count": before[:, 2],
        "work_fading": before[:, 3],
        "event": before[:, 4] > 0.0,
        "events_met": events_met,
        "at_bench": at_bench,
    }
    out |= {column: number(column) for column in ("pressure_kpa", "temperature_c")}
    out |= {column: readings[column] for column in ("entry", "seq") if column in readings.columns}
    out |= {f"{output}_cents": cents_of_hz(number(f"{output}_hz")) for output in ("crow", "g_octave")}
    words = readings["taped"].fillna("").astype(str) if "taped" in readings.columns else None
    taped = words.str.split() if words is not None and (words != "").any() else None
    for note in NOTES:
        cents = cents_of_hz(number(f"{note}_hz"), float(scale[note]))
        if taped is not None:
            on = taped.map(lambda words, note=note: note in words).to_numpy(dtype=bool)
            out[f"{note}_taped_cents"] = np.where(on, cents, np.nan)
            cents = np.where(on, np.nan, cents)
        out[f"{note}_cents"] = cents
    return pd.DataFrame(out)
