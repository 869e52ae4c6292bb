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
