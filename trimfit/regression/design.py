"""Readings as arrays, and the coding that is remembered: one row is coded later exactly as the training rows were.

A row's fixed part for output k is `sum_j x_j beta_jk + chanter_k + s_t ask_k` with the six regressors of
`priors.REGRESSORS` and the chanter's two offset vectors (its pitch; the length it asks for); its
random part is `u_k + s_t (v_k g_t(x) + w_k g_t(x)²)`: a batch's and a reed's deviations in start, slope and bend.
`g` is the type's curve (`curve`), one for all outputs; a reed's own slope multiplies all of it. `s_t` is the type's
slope of the gap over the shop's, so that v and w are in proportion: a type that answers twice as fast spreads twice as
wide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import InputError, nearest
from trimfit.base.pitch import OUTPUTS, SEATING_TOLERANCES
from trimfit.regression.curve import bent_mm
from trimfit.regression.outputs import HIGH_A, LOW_A, Array, K, edges_of, numbered
from trimfit.regression.priors import OWNERS_WEIGHT

if TYPE_CHECKING:
    import pandas as pd

OUTPUT_COLUMNS = tuple(f"{output}_cents" for output in OUTPUTS)
SETTLE_DAYS = 4.0
"""The time constant with which a work's effect on a reed fades, assumed alike for all shops."""
SAME_WORK_DAYS = 0.25
"""Trims of one reed within six hours of each other are one work, done at the last of them."""
LEAST_WEIGHT = 1e-3
"""However little a cell counts, its row stays in the sums."""
MOST_TAPES = 40
"""So many tapes have coefficients of their own, those read most."""


@dataclass(frozen=True, slots=True)
class Coding:
    """Names to numbers, learned once and replayed.

    types, chanters: names in the order of their codes; curves (n_types, Q) as in `curve`; slope_ratio (n_types,);
    pressure_kpa and temperature_c: the bench's usual conditions, from which deviations are counted and which stand in
    where a reading logged none; balance_cents: how far the A's may disagree before a reading counts for less; away:
    codes of chanters that are with their owners, who read in them with a tuner and a pressure of their own, and
    owners_weight: what such a reading counts for beside one at the bench; whole_sd_mm (n_types,): how well a curve is
    known at one millimetre.
    """

    types: tuple[str, ...]
    chanters: tuple[str, ...]
    curves: Array
    slope_ratio: Array
    pressure_kpa: float
    temperature_c: float
    balance_cents: float = 3.7
    away: tuple[int, ...] = ()
    owners_weight: float = OWNERS_WEIGHT
    whole_sd_mm: Array = field(default_factory=lambda: np.zeros(0))

    def regressors(self, removed_mm: Array, lip: Array, kpa: Array, deg_c: Array, type_code: NDArray[np.intp]) -> Array:
        """The six regressors (n, 6) of rows; NaN conditions count as the bench's usual ones."""
        g = bent_mm(removed_mm, self.curves[type_code])
        dp = np.where(np.isfinite(kpa), kpa - self.pressure_kpa, 0.0)
        dt = np.where(np.isfinite(deg_c), deg_c - self.temperature_c, 0.0)
        return np.column_stack([np.ones_like(g), g, g * g, lip, dp, dt])

    def random_part(self, x: Array, type_code: NDArray[np.intp]) -> Array:
        """Columns (n, 3) that the batch's and the reed's deviations multiply: 1, s_t g and s_t g²."""
        ratio = self.slope_ratio[type_code]
        return np.column_stack([np.ones(len(x)), x[:, 1] * ratio, x[:, 2] * ratio])

    def chanter_part(self, type_code: NDArray[np.intp]) -> Array:
        """What a row multiplies its chanter's two offset vectors by (n, 2): 1 and s_t."""
        return np.column_stack([np.ones(len(type_code)), self.slope_ratio[type_code]])


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings as arrays, one row a reading.

    y (n, 10) cents, NaN where not taken; removed_mm, lip, kpa, deg_c (n,); codes (n,) of type, batch, reed, chanter
    (-1: none); names of batches (type code, name) and reeds; weight (n, 10) of each cell in (0, 1].

    In time: day (n,) the reading's instant in days since 1970 UTC; made_day (n,) noon UTC of the day the reed was made,
    NaN where unknown; since_work (n, 2) as in `work_before`; event (n,) whether an event of this reed was logged after
    its reading before this one (or before its first) and at or before this one; at_bench (n,) whether it was surely
    taken at the bench (`rows.read_at_the_bench`); jump (n,) 1 where the fit found that the reed moved of a sudden
    before this reading, else 0. taped (n, 10) cents of notes read with tape on their holes, which y does not hold
    (`with_tape`), NaN elsewhere. Rows given none of these are of one moment, of reeds made on unknown days and never
    worked.
    """

    y: Array
    removed_mm: Array
    lip: Array
    kpa: Array
    deg_c: Array
    type_code: NDArray[np.intp]
    batch_code: NDArray[np.intp]
    reed_code: NDArray[np.intp]
    chanter_code: NDArray[np.intp]
    batches: tuple[tuple[int, str], ...]
    reeds: tuple[str, ...]
    weight: Array
    label: NDArray[Any] = field(default_factory=lambda: np.empty(0, dtype=object))
    day: Array = field(default_factory=lambda: np.empty(0))
    made_day: Array = field(default_factory=lambda: np.empty(0))
    since_work: Array = field(default_factory=lambda: np.empty((0, 2)))
    event: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=bool))
    at_bench: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=bool))
    jump: Array = field(default_factory=lambda: np.empty(0))
    taped: Array = field(default_factory=lambda: np.empty((0, K)))

    def __post_init__(self) -> None:
        n = len(self.y)
        absent: dict[str, NDArray[Any]] = {
            "day": np.zeros(n),
            "made_day": np.full(n, np.nan),
            "since_work": np.zeros((n, 2)),
            "event": np.zeros(n, dtype=bool),
            "at_bench": np.zeros(n, dtype=bool),
            "jump": np.zeros(n),
            "taped": np.full((n, K), np.nan),
        }
        for name, values in absent.items():
            given = len(getattr(self, name))
            if given not in (0, n):
                raise ValueError(f"{given} of {name} for {n} rows")
            if not given:
                object.__setattr__(self, name, values)

    def __len__(self) -> int:
        return len(self.y)


def work_before(days: Sequence[float], trim_days: Sequence[float]) -> list[tuple[float, float]]:
    """For each of one reed's readings, how many works were done before it, and the sum over them of
    exp(-(day - work's day) / SETTLE_DAYS): what of them has not faded yet.

    days: of the readings, ascending; trim_days: of all its trims. Days since 1970. A trim at the very instant of a
    reading counts as done after it.
    """
    trims = sorted(trim_days)
    done, works, fading, last = 0, 0, 0.0, -math.inf  # fading: of the works before the last one, at the last trim
    out = []
    for day in days:
        while done < len(trims) and trims[done] < day:
            new = trims[done] - last > SAME_WORK_DAYS
            fading = (fading + (new and works > 0)) * math.exp((last - trims[done]) / SETTLE_DAYS)
            works, last, done = works + new, trims[done], done + 1
        left = (fading + 1.0) * math.exp((last - day) / SETTLE_DAYS) if works else 0.0
        out.append((float(works), left))
    return out


def a_imbalance_cents(y: Array) -> Array:
    """High A over low A (n,), cents; 0 where either is missing."""
    over = y[:, HIGH_A] - y[:, LOW_A]
    return np.where(np.isfinite(over), over, 0.0)


def balance_weight(y: Array, coding: Coding) -> Array:
    """Weight (n,) of a reading's notes: 1 while the A's agree within the tolerance, then (tolerance / excess)².

    A's farther apart than any seating takes them (eight tolerances) are a slip of one of them, which is found as such:
    it says nothing against the other notes.
    """
    over = np.abs(a_imbalance_cents(y))
    limit = coding.balance_cents
    seated = (over > limit) & (over < SEATING_TOLERANCES * limit)
    return np.asarray(np.where(seated, (limit / np.maximum(over, limit)) ** 2, 1.0))


def owners(rows: Rows, coding: Coding) -> NDArray[np.bool_]:
    """Which readings (n,) an owner took: those in a chanter that is away that were not surely taken at the bench."""
    return np.isin(rows.chanter_code, coding.away) & ~rows.at_bench


def base_weight(rows: Rows, coding: Coding) -> Array:
    """Weight (n, K) of each cell before it is held against any other: less where the A's disagree (the crow apart),
    and of what an owner read in a chanter that is away."""
    weight = np.repeat(balance_weight(rows.y, coding)[:, None], rows.y.shape[1], axis=1)
    weight[:, 0] = 1.0
    weight[owners(rows, coding)] *= coding.owners_weight
    return np.asarray(np.maximum(weight, LEAST_WEIGHT))


def by_reading(rows: Rows, at: NDArray[np.intp] | NDArray[np.bool_]) -> dict[str, Any]:
    """The fields of `rows` that hold a value a reading, save `reed_code`, of the readings `at` alone, in that order."""
    whole = ("batches", "reeds", "reed_code")
    return {item.name: getattr(rows, item.name)[at] for item in fields(rows) if item.name not in whole}


def tapes_of(rows: Rows, chanters: int) -> tuple[tuple[int, int], ...]:
    """The chanters, by code under `chanters`, and outputs of which a taped note was read, the most read MOST_TAPES."""
    found: dict[tuple[int, int], int] = {}
    for i, k in np.argwhere(np.isfinite(rows.taped)).tolist():
        pair = int(rows.chanter_code[i]), k
        if 0 <= pair[0] < chanters:
            found[pair] = found.get(pair, 0) + 1
    return tuple(sorted(sorted(found, key=lambda pair: -found[pair])[:MOST_TAPES]))


def with_tape(rows: Rows, tapes: Sequence[tuple[int, int]]) -> tuple[Rows, Array]:
    """The rows with the notes that were read taped put in their places in y, and what each row multiplies the tapes'
    coefficients by (n, tapes): 1 where the note was read with that tape on.

    tapes: (chanter's code, output) of each tape that has coefficients; what was read with another is left out.
    """
    on = np.zeros((len(rows), len(tapes)))
    y = rows.y.copy() if tapes else rows.y
    for number, (chanter, k) in enumerate(tapes):
        here = (rows.chanter_code == chanter) & np.isfinite(rows.taped[:, k])
        on[here, number], y[here, k] = 1.0, rows.taped[here, k]
    return replace(rows, y=y), on


def sort_rows(rows: Rows) -> Rows:
    """The rows with each batch's, and in it each reed's, standing together in order of time; reed codes renumbered.

    A reed belongs to the batch of its first row.
    """
    order = np.lexsort((np.arange(len(rows)), rows.day, rows.reed_code, rows.batch_code))
    reed = rows.reed_code[order]
    names = tuple(rows.reeds[i] for i in reed[edges_of(reed)[:-1]])
    return replace(rows, **by_reading(rows, order), reed_code=numbered(reed), reeds=names)


def take_rows(rows: Rows, at: NDArray[np.intp]) -> Rows:
    """The rows `at` (m,) alone, in that order; reeds are renumbered as they first come, batches keep their codes."""
    code, first = np.unique(rows.reed_code[at], return_index=True)
    order = np.argsort(first)
    number = np.empty(len(code), dtype=np.intp)
    number[order] = np.arange(len(code))
    return replace(
        rows,
        **by_reading(rows, at),
        reed_code=number[np.searchsorted(code, rows.reed_code[at])],
        reeds=tuple(rows.reeds[i] for i in code[order]),
    )


def rows_from_frame(frame: pd.DataFrame, coding: Coding | None = None) -> tuple[Rows, tuple[str, ...], tuple[str, ...]]:
    """A frame of the estimator's columns as `Rows`, with the type and chanter names their codes stand for.

    With a `coding`, its codes are used and unknown types or chanters get the codes that follow its own. Missing
    optional columns count as not taken; without `taken_day` all rows are of one moment. Raises InputError for a missing
    reed, reed_type, batch or removed_mm column, and where some rows have a `taken_day` and others none.
    """
    import pandas as pd

    for column in ("reed", "reed_type", "batch", "removed_mm"):
        if column not in frame.columns:
            raise InputError(f"column {column} is missing", "frame", nearest(column, [str(c) for c in frame.columns]))

    def coded(values: Any, known: tuple[str, ...]) -> tuple[NDArray[np.intp], tuple[str, ...]]:
        codes, names = pd.factorize(values, sort=False, use_na_sentinel=True)
        extra = [str(name) for name in names if str(name) not in set(known)]
        every = (*known, *sorted(extra))
        where = {name: i for i, name in enumerate(every)}
        table = np.array([where[str(name)] for name in names] + [-1], dtype=np.intp)
        return table[codes], every

    def number(column: str) -> Array:
        if column not in frame.columns:
            return np.full(len(frame), np.nan)
        return pd.to_numeric(frame[column], errors="coerce").to_numpy(dtype=float, na_value=np.nan)

    type_code, types = coded(frame["reed_type"].astype(str), coding.types if coding else ())
    chanter = frame["chanter"] if "chanter" in frame.columns else pd.Series([None] * len(frame), index=frame.index)
    chanter_code, chanters = coded(chanter.where(chanter.notna(), None), coding.chanters if coding else ())
    batch_key = pd.Series(list(zip(type_code.tolist(), frame["batch"].astype(str), strict=True)), dtype=object)
    batch_code, batches = pd.factorize(batch_key, sort=True)
    # by name: what is learned does not hang on the order in which reeds came to the log
    reed_code, reeds = pd.factorize(frame["reed"].astype(str), sort=True)
    day = number("taken_day")
    timeless = ~np.isfinite(day)
    if timeless.any() and not timeless.all():
        at = int(np.flatnonzero(timeless)[0])
        raise InputError(f"taken_day is missing in row {at}, though other rows have it", "frame", "give it, or drop it")
    day = np.zeros(len(frame)) if timeless.all() else day
    lip = number("lip_strokes")
    y = np.column_stack([number(column) for column in OUTPUT_COLUMNS])
    removed = number("removed_mm")
    rows = Rows(
        y=y,
        removed_mm=np.where(np.isfinite(removed), removed, 0.0),
        lip=np.where(np.isfinite(lip), lip, 0.0),
        kpa=number("pressure_kpa"),
        deg_c=number("temperature_c"),
        type_code=type_code,
        batch_code=batch_code.astype(np.intp),
        reed_code=reed_code.astype(np.intp),
        chanter_code=chanter_code,
        batches=tuple((int(t), str(name)) for t, name in batches),
        reeds=tuple(str(name) for name in reeds),
        weight=np.ones_like(y),
        label=frame["entry"].to_numpy(dtype=object)
        if "entry" in frame.columns
        else np.arange(len(frame)).astype(object),
        day=day,
        made_day=number("made_day"),
        since_work=np.column_stack([np.nan_to_num(number("work_count")), np.nan_to_num(number("work_fading"))]),
        event=np.nan_to_num(number("event")) > 0,
        at_bench=np.nan_to_num(number("at_bench")) > 0,
        taped=np.column_stack([number(f"{output}_taped_cents") for output in OUTPUTS]),
    )
    return rows, types, chanters
