"""Control charts: has the process moved? Batches in the order they were made, one point each, or samples of reeds.

Numbers only: points, centre line, limits and which points signal, in the unit of what is charted. Phase one (the
points that set centre and spread) may be shorter than the chart; the rest is judged by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError
from trimfit.review.statistics.chart_constants import chart_constants

__all__ = [
    "Chart",
    "CusumChart",
    "RuleSignal",
    "cusum_chart",
    "ewma_chart",
    "individuals_chart",
    "mean_chart",
    "range_chart",
    "run_rules",
    "sd_chart",
    "sigma_of_samples",
]

Array = npt.NDArray[np.float64]
Spread = Literal["range", "sd"]


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart: arrays of shape (n_points,); `sigma` is the spread of one reading, `signals` count points from 0."""

    kind: str
    points: Array
    centre: Array
    low: Array
    high: Array
    sigma: float
    signals: tuple[int, ...]


def _series(values: npt.ArrayLike, least: int = 1) -> Array:
    series = np.asarray(values, dtype=np.float64)
    if series.ndim != 1 or series.size < least or not np.isfinite(series).all():
        raise InputError(f"a chart needs at least {least} finite values in a row", "control chart")
    return series


def _chart(kind: str, points: Array, centre: float | Array, low: Array, high: Array, sigma: float) -> Chart:
    full = np.full(points.size, centre) if isinstance(centre, float) else centre
    outside = np.flatnonzero((points > high) | (points < low))
    return Chart(kind, points, full, low, high, sigma, tuple(int(i) for i in outside))


def _phase_one(n_points: int, phase_one: int | None, least: int) -> int:
    first = n_points if phase_one is None else phase_one
    if not least <= first <= n_points:
        raise InputError(f"{first} points cannot set a chart of {n_points}", "phase one", f"use {least} or more")
    return first


def individuals_chart(
    values: npt.ArrayLike,
    *,
    phase_one: int | None = None,
    spread: Literal["moving-range", "sd"] = "moving-range",
    d2: float | None = None,
    width: float = 3.0,
) -> Chart:
    """Chart of single values (n_points,): mean ± width · σ.

    σ from the mean moving range of neighbours over d2 (blind to slow drift, so that drift shows), or from the sample
    standard deviation (for check standards, whose slow drift is part of the spread). `d2`: a rounded table value,
    to compare with printed charts; the exact 2/√π by default. Raises InputError for fewer than two values.
    """
    series = _series(values, 2)
    base = series[: _phase_one(series.size, phase_one, 2)]
    if spread == "sd":
        sigma = float(base.std(ddof=1))
    else:
        sigma = float(np.abs(np.diff(base)).mean()) / (d2 or chart_constants(2).d2)
    centre = float(base.mean())
    reach = np.full(series.size, width * sigma)
    return _chart("single values", series, centre, centre - reach, centre + reach, sigma)


def _samples(samples: Sequence[npt.ArrayLike]) -> list[Array]:
    return [_series(sample) for sample in samples]


def sigma_of_samples(samples: Sequence[npt.ArrayLike], *, spread: Spread = "range") -> float:
    """Spread of one reading within samples: the mean of range / d2 or of sd / c4 over samples of two or more.

    Sizes may differ. Raises InputError when no sample holds two readings.
    """
    parts = []
    for sample in _samples(samples):
        if sample.size >= 2:
            known = chart_constants(sample.size)
            parts.append(np.ptp(sample) / known.d2 if spread == "range" else sample.std(ddof=1) / known.c4)
    if not parts:
        raise InputError("no sample holds two readings", "control chart", "log a second reading of a reed or batch")
    return float(np.mean(parts))


def mean_chart(
    samples: Sequence[npt.ArrayLike], *, phase_one: int | None = None, spread: Spread = "range", width: float = 3.0
) -> Chart:
    """Chart of sample means: grand mean of phase one ± width · σ / √n, each sample by its own size."""
    groups = _samples(samples)
    base = groups[: _phase_one(len(groups), phase_one, 1)]
    sigma = sigma_of_samples(base, spread=spread)
    centre = float(np.concatenate(base).mean())
    means = np.array([group.mean() for group in groups])
    reach = width * sigma / np.sqrt([group.size for group in groups])
    return _chart("means", means, centre, centre - reach, centre + reach, sigma)


def _spread_chart(samples: Sequence[npt.ArrayLike], phase_one: int | None, spread: Spread) -> Chart:
    groups = [_series(sample, 2) for sample in samples]
    sigma = sigma_of_samples(groups[: _phase_one(len(groups), phase_one, 1)], spread=spread)
    known = [chart_constants(group.size) for group in groups]
    if spread == "range":
        points = np.array([np.ptp(group) for group in groups])
        rows = [(k.d2, k.d2 * k.d3_limit, k.d2 * k.d4_limit) for k in known]
    else:
        points = np.array([group.std(ddof=1) for group in groups])
        rows = [(k.c4, k.c4 * k.b3, k.c4 * k.b4) for k in known]
    lines = sigma * np.array(rows)
    return _chart("ranges" if spread == "range" else "spreads", points, lines[:, 0], lines[:, 1], lines[:, 2], sigma)


def range_chart(samples: Sequence[npt.ArrayLike], *, phase_one: int | None = None) -> Chart:
    """Chart of sample ranges with 3-sigma limits D3, D4; each sample needs two readings or more."""
    return _spread_chart(samples, phase_one, "range")


def sd_chart(samples: Sequence[npt.ArrayLike], *, phase_one: int | None = None) -> Chart:
    """Chart of sample standard deviations with 3-sigma limits B3, B4; each sample needs two readings or more."""
    return _spread_chart(samples, phase_one, "sd")


def ewma_chart(
    values: npt.ArrayLike,
    centre: float,
    sigma: float | npt.ArrayLike,
    *,
    weight: float = 0.2,
    width: float = 3.0,
    start: float | None = None,
    steady: bool = False,
) -> Chart:
    """Exponentially weighted moving average of the values (n_points,), quick to see a small lasting shift.

    `W_i = weight · x_i + (1 − weight) · W_(i−1)` from `start` (the centre by default). `sigma`: standard deviation
    of a value, one for all or one each (batches of unlike size). Limits are exact for each point, or those of the
    long run with `steady` (one sigma only). Source: Roberts, Technometrics 1 (1959) 239; e-Handbook 6.3.2.4.
    Raises InputError for a weight outside (0, 1].
    """
    series = _series(values)
    if not 0.0 < weight <= 1.0:
        raise InputError(f"a weight of {weight:g} is none", "ewma chart", "give more than 0 and at most 1")
    each = np.broadcast_to(np.asarray(sigma, dtype=np.float64), series.shape)
    averages, variances = np.empty_like(series), np.empty_like(series)
    average, variance = centre if start is None else start, 0.0
    for i, (value, sd) in enumerate(zip(series, each, strict=True)):
        average = weight * value + (1.0 - weight) * average
        variance = weight**2 * sd**2 + (1.0 - weight) ** 2 * variance
        averages[i], variances[i] = average, variance
    if steady:
        variances = each**2 * weight / (2.0 - weight)
    reach = width * np.sqrt(variances)
    return _chart("moving average", averages, float(centre), centre - reach, centre + reach, float(each[-1]))


@dataclass(frozen=True, slots=True)
class CusumChart:
    """Cumulative sums: `upper` and `lower` grow when the values lie above or below the target by more than the slack;
    `running` is the plain sum of departures. Arrays of shape (n_points,), unit of the values; `decision` is the
    height at which either signals; signals count from 0."""

    upper: Array
    lower: Array
    running: Array
    decision: float
    signals_up: tuple[int, ...]
    signals_down: tuple[int, ...]


def cusum_chart(
    values: npt.ArrayLike, target: float, *, slack: float, decision: float, head_start: float = 0.0
) -> CusumChart:
    """Tabular cumulative sums of the values (n_points,) about the target; slack and decision in the unit of the values.

    Source: Page, Biometrika 41 (1954) 100; e-Handbook 6.3.2.3. Raises InputError for a slack below zero or a
    decision height not above zero.
    """
    series = _series(values)
    if slack < 0.0 or not decision > 0.0:
        raise InputError("a cusum needs a slack of 0 or more and a decision height above 0", "cusum chart")
    upper, lower = np.empty_like(series), np.empty_like(series)
    up = down = head_start
    for i, departure in enumerate(series - target):
        up = max(0.0, up + departure - slack)
        down = max(0.0, down - departure - slack)
        upper[i], lower[i] = up, down
    return CusumChart(
        upper=upper,
        lower=lower,
        running=np.cumsum(series - target),
        decision=decision,
        signals_up=tuple(int(i) for i in np.flatnonzero(upper > decision)),
        signals_down=tuple(int(i) for i in np.flatnonzero(lower > decision)),
    )


@dataclass(frozen=True, slots=True)
class RuleSignal:
    """A run of points too unlikely to be chance: the point that completed it (from 0), the rule (1 to 4), the side."""

    point: int
    rule: int
    side: Literal["above", "below"]


# Western Electric, Statistical Quality Control Handbook (1956): (points looked at, of which beyond, by how many sigma)
WESTERN_ELECTRIC = {1: (1, 1, 3.0), 2: (3, 2, 2.0), 3: (5, 4, 1.0), 4: (8, 8, 0.0)}


def run_rules(values: npt.ArrayLike, centre: float, sigma: float) -> tuple[RuleSignal, ...]:
    """The four Western Electric rules: one point beyond 3 sigma, two of three beyond 2, four of five beyond 1, eight
    in a row, each on one side of the centre, with the newest point among them. In order of points, then rules."""
    series = (_series(values) - centre) / sigma
    found = []
    for point in range(series.size):
        for rule, (looked_at, needed, beyond) in WESTERN_ELECTRIC.items():
            window = series[max(0, point + 1 - looked_at) : point + 1]
            sides: tuple[tuple[Literal["above", "below"], Array], ...] = (("above", window), ("below", -window))
            for side, run in sides:
                if run[-1] > beyond and (run > beyond).sum() >= needed:
                    found.append(RuleSignal(point, rule, side))
    return tuple(found)
