"""A level that wanders: what is left of a slow drift once the reading error is taken off.

The local level model: a reading is level plus error, the level moves by independent steps from one point to the
next (for unequal gaps, by a variance in proportion to the gap). Batches in order of making, or one reed over weeks.
Source: Durbin & Koopman, Time Series Analysis by State Space Methods, chapter 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError

__all__ = ["LevelTrack", "fit_level", "follow_level"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LevelTrack:
    """A level followed through its readings; arrays of shape (n_points,).

    level, level_var: mean and variance of the level given the readings up to each point; smooth, smooth_var: given
    all of them; noise_var: of one reading; step_var: of the level's step in one unit of time; log_likelihood: of all
    but the first reading, which only sets the level (diffuse start).
    """

    level: Array
    level_var: Array
    smooth: Array
    smooth_var: Array
    noise_var: float
    step_var: float
    log_likelihood: float


def _points(values: npt.ArrayLike, times: npt.ArrayLike | None) -> tuple[Array, Array]:
    series = np.asarray(values, dtype=np.float64)
    if series.ndim != 1 or series.size == 0 or not np.isfinite(series[0]) or np.isinf(series).any():
        raise InputError("a level needs a first reading, and finite ones", "settling")
    if times is None:
        return series, np.ones(series.size)
    gaps = np.diff(np.asarray(times, dtype=np.float64), prepend=0.0)
    if gaps.size != series.size or not (gaps[1:] >= 0.0).all():
        raise InputError("times must be in order, one a reading", "settling")
    return series, gaps


def _filter(series: Array, gaps: Array, noise_var: float, step_var: float) -> tuple[Array, Array, float, float, int]:
    """Filtered levels and variances, Σ log F, Σ v²/F, and how many readings counted after the first."""
    level, var = np.empty_like(series), np.empty_like(series)
    level[0], var[0] = series[0], noise_var
    logs = squares = 0.0
    counted = 0
    for i in range(1, series.size):
        ahead = var[i - 1] + step_var * gaps[i]
        if math.isnan(series[i]):
            level[i], var[i] = level[i - 1], ahead
            continue
        predicted_var = ahead + noise_var
        surprise = series[i] - level[i - 1]
        gain = ahead / predicted_var if predicted_var > 0.0 else 0.0
        level[i], var[i] = level[i - 1] + gain * surprise, ahead * (1.0 - gain)
        if predicted_var > 0.0:
            logs += math.log(predicted_var)
            squares += surprise**2 / predicted_var
            counted += 1
    return level, var, logs, squares, counted


def follow_level(
    values: npt.ArrayLike, noise_var: float, step_var: float, *, times: npt.ArrayLike | None = None
) -> LevelTrack:
    """Follow a level through readings (n_points,), NaN where none was taken, with both variances known.

    times: in any unit, ascending; without them one unit lies between points. Raises InputError for a first reading
    that is missing, times out of order, or variances below zero (both zero included).
    """
    series, gaps = _points(values, times)
    if noise_var < 0.0 or step_var < 0.0 or noise_var + step_var == 0.0:
        raise InputError("variances must not be below zero, nor both zero", "settling")
    level, var, logs, squares, counted = _filter(series, gaps, noise_var, step_var)
    smooth, smooth_var = level.copy(), var.copy()
    for i in range(series.size - 2, -1, -1):
        ahead = var[i] + step_var * gaps[i + 1]
        back = var[i] / ahead if ahead > 0.0 else 0.0
        smooth[i] += back * (smooth[i + 1] - level[i])
        smooth_var[i] += back**2 * (smooth_var[i + 1] - ahead)
    likelihood = -0.5 * (counted * math.log(2.0 * math.pi) + logs + squares)
    return LevelTrack(level, var, smooth, smooth_var, noise_var, step_var, likelihood)


def fit_level(values: npt.ArrayLike, *, times: npt.ArrayLike | None = None) -> LevelTrack:
    """Both variances by maximum likelihood (diffuse start), then the level followed with them.

    The noise variance is concentrated out, so one ratio is searched for; a level that does not move gives a step
    variance of exactly zero. Raises InputError for fewer than three readings or readings that are all alike.
    """
    from scipy.optimize import minimize_scalar

    series, gaps = _points(values, times)
    if np.isfinite(series).sum() < 3 or np.nanmax(series) == np.nanmin(series):
        raise InputError("a wandering level needs three readings that differ", "settling", "log more readings")
    unit = float(np.median(gaps[1:][gaps[1:] > 0.0])) if (gaps[1:] > 0.0).any() else 1.0

    def scale_and_cost(ratio: float) -> tuple[float, float]:
        _, _, logs, squares, counted = _filter(series, gaps, 1.0, ratio)
        return squares / counted, counted * math.log(squares / counted) + logs

    best = minimize_scalar(
        lambda log_ratio: scale_and_cost(math.exp(log_ratio) / unit)[1],
        bounds=(-18.0, 12.0),
        method="bounded",
        options={"xatol": 1e-10},
    )
    ratio = math.exp(float(best.x)) / unit
    if scale_and_cost(0.0)[1] <= float(best.fun) + 1e-9:
        ratio = 0.0
    noise_var = scale_and_cost(ratio)[0]
    return follow_level(values, noise_var, ratio * noise_var, times=times)
