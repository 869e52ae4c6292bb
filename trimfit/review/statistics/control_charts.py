"""Control charts: has the process moved? Batches in the order they were made, one point each.

Numbers only: points, centre line, limits and which points signal, in the unit of what is charted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class EwmaChart:
    """A moving average and its limits, (n_points,) each; `signals`: which points, from 0, lie beyond them."""

    points: Array
    low: Array
    high: Array
    signals: tuple[int, ...]


def ewma_chart(
    values: npt.ArrayLike,
    centre: float,
    sigma: float | npt.ArrayLike,
    *,
    weight: float = 0.2,
    width: float = 3.0,
    start: float | None = None,
    steady: bool = False,
) -> EwmaChart:
    """Exponentially weighted moving average of the values (n_points,), quick to see a small lasting shift.

    `W_i = weight · x_i + (1 − weight) · W_(i−1)` from `start` (the centre by default). `sigma`: standard deviation
    of a value, one for all or one each (batches of unlike size). Limits are exact for each point, or those of the
    long run with `steady` (one sigma only). Source: Roberts, Technometrics 1 (1959) 239; e-Handbook 6.3.2.4.
    """
    series = np.asarray(values, dtype=np.float64)
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
    low, high = centre - reach, centre + reach
    outside = np.flatnonzero((averages > high) | (averages < low))
    return EwmaChart(averages, low, high, tuple(outside.tolist()))


@dataclass(frozen=True, slots=True)
class CusumChart:
    """Cumulative sums (n_points,), unit of the values: `upper` and `lower` grow when the values lie above or below the
    target by more than the slack; signals count from 0."""

    upper: Array
    lower: Array
    signals_up: tuple[int, ...]
    signals_down: tuple[int, ...]


def cusum_chart(values: npt.ArrayLike, target: float, *, slack: float, decision: float) -> CusumChart:
    """Tabular cumulative sums of the values (n_points,) about the target; slack and decision in the unit of the values.

    Source: Page, Biometrika 41 (1954) 100; e-Handbook 6.3.2.3.
    """
    series = np.asarray(values, dtype=np.float64)
    upper, lower = np.empty_like(series), np.empty_like(series)
    up = down = 0.0
    for i, departure in enumerate(series - target):
        up = max(0.0, up + departure - slack)
        down = max(0.0, down - departure - slack)
        upper[i], lower[i] = up, down
    signals = (tuple(np.flatnonzero(sums > decision).tolist()) for sums in (upper, lower))
    return CusumChart(upper, lower, *signals)
