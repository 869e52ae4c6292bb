"""Control charts: has the process moved? Batches in the order they were made, one point each.

Numbers only: points, centre line, limits and which points signal, in the unit of what is charted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError

Array = npt.NDArray[np.float64]


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


def cusum_chart(values: npt.ArrayLike, target: float, *, slack: float, decision: float) -> CusumChart:
    """Tabular cumulative sums of the values (n_points,) about the target; slack and decision in the unit of the values.

    Source: Page, Biometrika 41 (1954) 100; e-Handbook 6.3.2.3. Raises InputError for a slack below zero or a
    decision height not above zero.
    """
    series = _series(values)
    if slack < 0.0 or not decision > 0.0:
        raise InputError("a cusum needs a slack of 0 or more and a decision height above 0", "cusum chart")
    upper, lower = np.empty_like(series), np.empty_like(series)
    up = down = 0.0
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
