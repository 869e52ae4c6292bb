"""The bench's own reading error: readings that differ although nothing was taken off between them.

A nested gauge study in three levels: readings of one sitting (none more than six hours from the next, as in the model),
sittings under the same conditions, and conditions (another blowing pressure or temperature, another run).
NIST/SEMATECH e-Handbook, section 2.4.4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from trimfit.base.acoustics import cents_per_degree
from trimfit.base.errors import InputError
from trimfit.base.pitch import NOTES, OUTPUTS
from trimfit.base.units import Interval
from trimfit.regression.movement.process import SITTING_DAYS

if TYPE_CHECKING:
    import pandas as pd

Array = npt.NDArray[np.float64]
MOST_IN_SITTING = 50
ALIKE_CENTS = 0.01
"""Readings that scatter by less are alike to the last digit shown."""
"""Nobody reads one reed more often in a sitting, and how many it would take is hardly known then."""
FEW_REPEATS = 10
"""Degrees of freedom under which a reading error is said to rest on few repeats: it is not known to a third."""
MAD_TO_SD = 1.482602218505602  # of a normal distribution
SETTLING_DAYS, PRESSURE_STEP_KPA, TEMPERATURE_STEP_C, FAR = 7.0, 0.3, 3.0, 6.0
"""What parts readings into units and conditions, and makes one none of its unit: `bench_repeatability`."""


@dataclass(frozen=True, slots=True)
class PooledSd:
    """A standard deviation pooled over groups and its degrees of freedom; nan with none."""

    sd: float
    df: float

    def limits(self) -> Interval:
        """Central chi-square interval (90 %) of the standard deviation; (0, inf) ends without degrees of freedom."""
        from scipy.special import chdtri

        if not self.df > 0.0:
            return Interval(self.sd, 0.0, math.inf)
        low, high = (self.sd * math.sqrt(self.df / float(chdtri(self.df, p))) for p in (0.05, 0.95))
        return Interval(self.sd, low, high)


def pooled_sd(sds: npt.ArrayLike, dfs: npt.ArrayLike) -> PooledSd:
    """Standard deviations (n_groups,) pooled by their degrees of freedom: `√(Σ df · sd² / Σ df)`.

    Groups without degrees of freedom count for nothing, whatever their sd.
    """
    weight = np.asarray(dfs, dtype=np.float64)
    square = np.where(weight > 0.0, np.asarray(sds, dtype=np.float64) ** 2, 0.0)
    total = float(weight.sum())
    return PooledSd(math.sqrt(float(weight @ square) / total) if total > 0.0 else math.nan, total)


def combine(contributions: npt.ArrayLike, dfs: npt.ArrayLike) -> PooledSd:
    """Independent contributions (n,), not all zero, each a standard uncertainty in the unit of the result with degrees
    of freedom (n,) above zero, added in squares.

    Effective degrees of freedom (whole, rounded down) by Welch-Satterthwaite; JCGM 100:2008 (GUM), G.4.1 and annex H.1.
    """
    part, df = np.asarray(contributions, dtype=np.float64), np.asarray(dfs, dtype=np.float64)
    variance = float((part**2).sum())
    return PooledSd(math.sqrt(variance), float(np.floor(variance**2 / float((part**4 / df).sum()) + 1e-9)))


def sum_limits(parts: Sequence[PooledSd]) -> Interval:
    """Interval (90 %) of the root of the summed squares of independent standard deviations, each with its degrees of
    freedom: the modified large-sample one. Neither end lies under that of any part by itself.

    With V the sum and v_i the squares, and c(p) the chi-square quantile: V + √Σ ((df/c(0.05) - 1) v_i)² above,
    V - √Σ ((1 - df/c(0.95)) v_i)² below. Graybill & Wang (1980), J. Amer. Statist. Assoc. 75, 869-873.
    """
    whole, ends = sum(part.sd**2 for part in parts), [part.limits() for part in parts]
    above = math.hypot(*(end.high**2 - part.sd**2 for part, end in zip(parts, ends, strict=True)))
    below = math.hypot(*(part.sd**2 - end.low**2 for part, end in zip(parts, ends, strict=True)))
    return Interval(math.sqrt(whole), math.sqrt(max(whole - below, 0.0)), math.sqrt(whole + above))


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Three pooled standard deviations, as observed, and the variances that stand behind them.

    within: of readings in a sitting; sittings: of sitting means under one condition; conditions: of the means of
    conditions of one unit. within_var, sitting_var, condition_var: the parts each level adds (never below zero).
    total: what a single reading on another day carries (within and between sittings), with effective degrees of
    freedom; parts: the standard deviations whose squares it adds up.
    """

    within: PooledSd
    sittings: PooledSd
    conditions: PooledSd
    within_var: float
    sitting_var: float
    condition_var: float
    total: PooledSd
    parts: tuple[PooledSd, ...]


def gauge_study(
    units: Sequence[Any] | npt.NDArray[Any],
    conditions: Sequence[Any] | npt.NDArray[Any],
    means: npt.ArrayLike,
    sds: npt.ArrayLike,
    counts: npt.ArrayLike,
) -> GaugeStudy:
    """A nested gauge study from one row a sitting, all arguments of shape (n_sittings,).

    units: what was measured (a reed as it stood); conditions: run or condition within the unit; means, sds, counts:
    of the readings of the sitting (sd is not looked at where the count is 1). Sizes may differ: each level's
    expected square is worked out from the counts as they are.
    """
    import pandas as pd

    rows = pd.DataFrame({"unit": np.asarray(units), "condition": np.asarray(conditions), "mean": np.asarray(means)})
    count = np.asarray(counts, dtype=np.float64)
    within = pooled_sd(sds, count - 1.0)
    within_var = within.sd**2 if within.df else math.nan
    known_within = within_var if within.df else 0.0

    rows["share"] = 1.0 / count  # of the reading variance in a sitting's mean
    spread = {"count": ("mean", "count"), "sd": ("mean", "std"), "mean": ("mean", "mean"), "share": ("share", "mean")}
    by_condition = rows.groupby(["unit", "condition"]).agg(**spread)
    more, share = by_condition["count"].to_numpy() - 1.0, by_condition["share"].to_numpy()
    sittings = pooled_sd(by_condition["sd"], more)
    mean_share = float(more @ share) / sittings.df if sittings.df else math.nan
    sitting_var = max(sittings.sd**2 - known_within * mean_share, 0.0) if sittings.df else math.nan

    # the variance of a condition's mean
    by_condition["share"] = ((sitting_var if sittings.df else 0.0) + known_within * share) / (more + 1.0)
    by_unit = by_condition.groupby("unit").agg(**spread)
    more, share = by_unit["count"].to_numpy() - 1.0, by_unit["share"].to_numpy()
    between = pooled_sd(by_unit["sd"], more)
    condition_var = math.nan
    if between.df:
        condition_var = max(between.sd**2 - float(more @ share) / between.df, 0.0)
    parts = _parts(within, sittings, mean_share)
    return GaugeStudy(within, sittings, between, within_var, sitting_var, condition_var, _total(parts), parts)


def _parts(within: PooledSd, sittings: PooledSd, mean_share: float) -> tuple[PooledSd, ...]:
    """What a single reading on another day carries: the sittings' own mean square and the rest of the reading's."""
    if not sittings.df or not within.df:
        return (sittings if sittings.df else within,)
    return sittings, PooledSd(within.sd * math.sqrt(max(1.0 - mean_share, 0.0)), within.df)


def _total(parts: Sequence[PooledSd]) -> PooledSd:
    """Parts that add up in squares as one standard deviation."""
    some = [part for part in parts if part.sd > 0.0]
    if len(parts) == 1 or not some:
        return parts[0]
    return combine([part.sd for part in some], [part.df for part in some])


def readings_for_width(width: float, within_var: float, sitting_var: float = 0.0) -> tuple[int | None, int]:
    """After how many readings their mean is known to ± `width` (> 0, unit of the variances' root): half of its central
    90 % interval. (To tell two such means apart takes more: their difference has twice the variance.)

    Returns (in one sitting, or None where the sitting's own error stands in the way, so that it takes more than
    MOST_IN_SITTING; one each in so many sittings).
    """
    aim = (width / NormalDist().inv_cdf(0.95)) ** 2
    spare = aim - sitting_var
    here = max(1, math.ceil(within_var / spare - 1e-9)) if spare > within_var / MOST_IN_SITTING else None
    return here, max(1, math.ceil((within_var + sitting_var) / aim - 1e-9))


@dataclass(frozen=True, slots=True)
class NoteRepeatability:
    """The reading error of one output (a note as low A, the crow, or `gap`), in cents.

    within_cents: of readings in one sitting; total_cents: of a reading on another day; sitting_cents, condition_cents:
    what another sitting and another pressure or temperature add (nan where never repeated); readings_in_sitting,
    sittings: after how many the level is known to ± 1 cent at 90 %; left_out: readings too far from their fellows to be
    readings of the same thing.
    """

    output: str
    readings: int
    within_cents: Interval
    total_cents: Interval
    sitting_cents: float
    condition_cents: float
    readings_in_sitting: int | None
    sittings: int
    left_out: int
    why: str

    @property
    def of_one_sitting(self) -> bool:
        """Whether no reed was read in two sittings as it stood: what another day adds is not known then, and is not in
        `total_cents` or `sittings`."""
        return math.isnan(self.sitting_cents)

    @property
    def next_day_cents(self) -> float:
        """The standard deviation of a reading on another day; nan where that is not known."""
        return math.nan if self.of_one_sitting else self.total_cents.mean


def _runs(group: npt.NDArray[np.int64], values: Array, step: float) -> npt.NDArray[np.int64]:
    """Within each group, values sorted and cut where neighbours lie more than `step` apart; missing ones together."""
    shown = np.where(np.isnan(values), -1e9, values)
    order = np.lexsort((shown, group))
    apart = np.diff(shown[order], prepend=-np.inf) > step
    apart |= np.diff(group[order], prepend=-1) != 0
    label = np.empty(group.size, dtype=np.int64)
    label[order] = np.cumsum(apart)
    return label


def bench_repeatability(
    frame: pd.DataFrame,
    *,
    cents_per_kpa: Mapping[str, Mapping[str, float]] | None = None,
    sitting_error: Mapping[str, PooledSd] | None = None,
) -> list[NoteRepeatability]:
    """Reading error by output, the gap last, from readings with no work done on the reed between them.

    frame: the frame for the fit, one row a reading (reed, chanter, removed_mm, lip_strokes, events_met, pressure_kpa,
    temperature_c, taken_day, `<output>_cents`). Readings of one reed as it stood, in one chanter, with no event logged
    between them, are one unit; readings more than SETTLING_DAYS apart are not, for the reed has moved. Pressures and
    temperatures closer than the steps are one condition; readings closer than SITTING_DAYS one sitting. Where the air's
    temperature was logged, notes (not the crow, which is a blade's own) are first taken to 20 °C by the speed of sound.
    cents_per_kpa: reed type to output to the pressure's slope, where it has been learned; readings are then taken to
    one pressure too, and what another pressure adds is only what the slope does not explain. sitting_error: by output,
    the error that a sitting's readings share, where the movement of reeds was learned: it then stands for what another
    sitting adds, for here that would hold what the reeds themselves moved meanwhile.
    Readings further than FAR robust standard deviations from the median of their unit are left out and counted.
    Outputs never read twice are not listed. Raises InputError when there is none at all.
    """
    nothing = InputError("no reed was read twice without work on it", "repeatability", "read a reed twice in a row")
    if frame.empty:
        raise nothing
    rows = frame.reset_index(drop=True)
    as_it_stood = [rows[name].fillna(0.0).round(6) for name in ("removed_mm", "lip_strokes", "events_met")]
    reeds = (
        rows.groupby([rows["reed"], rows["chanter"], *as_it_stood], dropna=False).ngroup().to_numpy().astype(np.int64)
    )
    state = _runs(reeds, rows["taken_day"].to_numpy(dtype=np.float64), SETTLING_DAYS)
    air_c = rows["temperature_c"].to_numpy(dtype=np.float64)
    warmth = np.where(np.isnan(air_c), 0.0, cents_per_degree(20.0) * (air_c - 20.0))
    pressure = _runs(state, rows["pressure_kpa"].to_numpy(dtype=np.float64), PRESSURE_STEP_KPA)
    condition = _runs(pressure, air_c, TEMPERATURE_STEP_C)
    sitting = _runs(condition, rows["taken_day"].to_numpy(dtype=np.float64), SITTING_DAYS)
    columns = {name: rows[f"{name}_cents"].to_numpy(dtype=np.float64) for name in OUTPUTS if f"{name}_cents" in rows}
    columns = {name: values - warmth if name in NOTES else values for name, values in columns.items()}
    if cents_per_kpa:
        blown_kpa = rows["pressure_kpa"].to_numpy(dtype=np.float64)
        taken = ~np.isnan(blown_kpa)
        harder = np.where(taken, blown_kpa - (np.median(blown_kpa[taken]) if taken.any() else 0.0), 0.0)
        slopes = [cents_per_kpa.get(str(name), {}) for name in rows["reed_type"]]
        columns = {
            name: values - harder * np.array([slope.get(name, 0.0) for slope in slopes])
            for name, values in columns.items()
        }
    if "e" in columns and "f" in columns:
        columns["gap"] = columns["f"] - columns["e"]
    shared = sitting_error or {}
    found = [_one_output(name, values, state, condition, sitting, shared.get(name)) for name, values in columns.items()]
    listed = [item for item in found if item is not None]
    if not listed and any(
        (np.bincount(state[~np.isnan(values)]) > 1).any() for values in columns.values() if len(values)
    ):
        what = "all that was read twice without work is alike to the last digit, so that no error shows"
        raise InputError(what, "repeatability", "read to a tenth of a hertz, or another reed twice in a row")
    if not listed:
        raise nothing
    return listed


def _one_output(
    name: str,
    values: Array,
    state: npt.NDArray[np.int64],
    condition: npt.NDArray[np.int64],
    sitting: npt.NDArray[np.int64],
    sitting_error: PooledSd | None,
) -> NoteRepeatability | None:
    """One output's study, or None where nothing was read twice, or all alike to the last digit."""
    import pandas as pd

    keep = ~np.isnan(values)
    rows = pd.DataFrame({"value": values, "state": state, "condition": condition, "sitting": sitting})[keep]
    rows = rows[rows.groupby("state")["value"].transform("size") > 1]
    if rows.empty:
        return None
    departure = rows["value"] - rows.groupby("state")["value"].transform("median")
    # The median of an even number lies between readings; n / (n - 1) makes pairs and crowds alike on average.
    size = rows.groupby("state")["value"].transform("size")
    scale = MAD_TO_SD * float((departure.abs() * np.sqrt(size / (size - 1.0))).median())
    near = departure.abs() <= FAR * scale if scale > 0.0 else departure.abs() >= 0.0
    left_out = int((~near).sum())
    by = rows[near].groupby(["state", "condition", "sitting"])["value"].agg(["mean", "std", "size"]).reset_index()
    if by.empty:
        return None
    study = gauge_study(
        by["state"].to_numpy(), by["condition"].to_numpy(), by["mean"], by["std"].fillna(0.0), by["size"]
    )
    if not study.total.df or study.total.sd < ALIKE_CENTS:
        return None
    if sitting_error is not None and study.sittings.df and study.within.df:
        parts = study.within, sitting_error
        study = replace(study, sitting_var=sitting_error.sd**2, total=_total(parts), parts=parts)
    if study.sittings.df and study.within.df and study.total.sd < study.within.sd:
        # by chance the sittings lie nearer to each other than readings of one: another day is then as the same day
        study = replace(study, total=study.within, parts=(study.within,))
    within_var = study.within_var if study.within.df else study.total.sd**2
    sitting_var = study.sitting_var if study.sittings.df and study.within.df else 0.0
    here, elsewhere = readings_for_width(1.0, within_var, sitting_var)
    return NoteRepeatability(
        output=name,
        readings=int(near.sum()),
        within_cents=study.within.limits(),
        total_cents=sum_limits(study.parts),
        sitting_cents=math.sqrt(study.sitting_var) if study.sittings.df else math.nan,
        condition_cents=math.sqrt(study.condition_var) if study.conditions.df else math.nan,
        readings_in_sitting=here,
        sittings=elsewhere,
        left_out=left_out,
        why=_sentence(study, here, elsewhere),
    )


def _sentence(study: GaugeStudy, here: int | None, elsewhere: int) -> str:
    """What the study means at the bench."""
    ends = sum_limits(study.parts)
    few = ", from few repeats" if min(part.df for part in study.parts) < FEW_REPEATS else ""
    n = 1 if ends.high - ends.low >= 0.15 else 2
    errs = f"{study.total.sd:.{n}f} cents (standard deviation, {ends.low:.{n}f} to {ends.high:.{n}f}{few})"
    if not study.sittings.df:
        readings = f"{here} reading{'s' if here != 1 else ''}" if here else f"more than {MOST_IN_SITTING} readings"
        return (
            f"a reading errs by {errs} within a sitting, whose level is known to ± 1 cent, nine times in ten, after "
            f"{readings}; no reed was read in two sittings as it stood: what another day adds is not known"
        )
    said = f"a reading errs by {errs}; the level is known to ± 1 cent, nine times in ten, after"
    sittings = f"{elsewhere} sitting{'s' if elsewhere > 1 else ''} with one in each"
    if not study.within.df:
        return (
            f"readings of two days differ as if each erred by {errs}, what a reed moves meanwhile counted in; the "
            f"level is known to ± 1 cent, nine times in ten, after {sittings}; no reed was read twice in one sitting "
            "as it stood: what a reading errs by itself is not known"
        )
    if here is None:
        return f"{said} {sittings}; {MOST_IN_SITTING} readings of one sitting do not tell it so closely"
    need = f"{said} {here} reading{'s' if here > 1 else ''}"
    return need if elsewhere >= here else f"{need} of one sitting, or {sittings}"
