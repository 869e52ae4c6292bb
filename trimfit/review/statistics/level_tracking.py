"""A level that wanders: what is left of a slow drift once the reading error is taken off.

The local level model: a reading is level plus error, the level moves by independent steps from one point to the
next: batches in order of making.
Source: Durbin & Koopman, Time Series Analysis by State Space Methods, chapter 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LevelTrack:
    """A level followed through its readings; arrays of shape (n_points,).

    level, level_var: mean and variance of the level given the readings up to each point; smooth: its mean given all of
    them; log_likelihood: of all but the first reading, which only sets the level (diffuse start).
    """

    level: Array
    level_var: Array
    smooth: Array
    log_likelihood: float


def follow_level(values: npt.ArrayLike, noise_var: float, step_var: float) -> LevelTrack:
    """Follow a level through readings (n_points,), with the variances known of a reading (above zero) and of a step."""
    series = np.asarray(values, dtype=np.float64)
    level, var = np.empty_like(series), np.empty_like(series)
    level[0], var[0] = series[0], noise_var
    logs = squares = 0.0
    for i in range(1, series.size):
        ahead = var[i - 1] + step_var
        predicted_var = ahead + noise_var
        surprise, gain = series[i] - level[i - 1], ahead / predicted_var
        level[i], var[i] = level[i - 1] + gain * surprise, ahead * (1.0 - gain)
        logs += math.log(predicted_var)
        squares += surprise**2 / predicted_var
    smooth = level.copy()
    for i in range(series.size - 2, -1, -1):
        smooth[i] += var[i] / (var[i] + step_var) * (smooth[i + 1] - level[i])
    likelihood = -0.5 * ((series.size - 1) * math.log(2.0 * math.pi) + logs + squares)
    return LevelTrack(level, var, smooth, likelihood)
