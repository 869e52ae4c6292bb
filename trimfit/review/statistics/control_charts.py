"""Control charts: has the process moved? Batches in the order they were made, one point each.

Points, limits and which points signal, in the unit of what is charted; how long a chart takes to see a drift: the
average run length (ARL), in points, until the first signal, shifts and limits in standard deviations of a point
(integral equation solved by Gauss-Legendre nodes: Crowder, Technometrics 29 (1987) 401); and what is left of a slow
drift once the error of the points is taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError

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


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi))


def arl_ewma_under_drift(
    weight: float, width: float, drift: float, *, n_nodes: int = 80, longest: int = 20_000
) -> float:
    """Average run length of a moving average with long-run limits at ± width · √(weight / (2 − weight)).

    The process drifts by `drift` sigma with every point: a worn mould, drying cane. The density of the average among
    charts yet silent is carried from point to point.

    Raises InputError for a drift so slow that `longest` points do not suffice.
    """
    limit = width * math.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    at, share = limit * nodes, limit * weights
    density = _density(at / weight - drift) / weight
    total, silent = 1.0, float(share @ density)
    for point in range(2, longest):
        total += silent
        if silent < 1e-12:
            return total
        step = _density((at[:, None] - (1.0 - weight) * at) / weight - drift * point) / weight
        density = step @ (share * density)
        silent = float(share @ density)
    raise InputError(f"a drift of {drift:g} sigma is too slow to time", "run length", "give a larger drift")


def follow_level(values: npt.ArrayLike, noise_var: float, step_var: float) -> tuple[Array, float]:
    """A level that wanders by independent steps, given all its readings (n_points,): its mean at each point, and the
    log likelihood but for a constant, with the variances known of a reading (above zero) and of a step.

    The local level model with a diffuse start, by statsmodels. Source: Durbin & Koopman, Time Series Analysis by State
    Space Methods, chapter 2.
    """
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    model = UnobservedComponents(np.asarray(values, dtype=np.float64), "llevel", use_exact_diffuse=True)
    found = model.smooth([noise_var, step_var])
    return found.smoothed_state[0], float(found.llf)
