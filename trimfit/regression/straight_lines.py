"""Straight lines through F and E, and where they meet: what a reed's own readings say without any other reed.

The lines are least squares (statsmodels). Their covariance is that of the bench's reading error and not of the few
residuals: a spread of one degree of freedom is none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError
from trimfit.base.normal import Z90
from trimfit.regression.outputs import Array


def lines_through(x: npt.ArrayLike, cents: npt.ArrayLike, error_cov: npt.ArrayLike) -> tuple[Array, Array]:
    """Level and slope of each column of `cents` (n, m) on x (n,): mean (2m,) and covariance (2m, 2m).

    error_cov: (m, m), cents², of one reading's columns. Raises InputError for x of fewer than two values that differ.
    """
    from statsmodels.regression.linear_model import OLS

    design = np.column_stack([np.ones(np.size(x)), np.asarray(x, dtype=np.float64)])
    if np.ptp(design[:, 1]) == 0.0:
        raise InputError("a line needs readings at two different lengths", "x", "take another reading after a cut")
    fits = [OLS(column, design).fit() for column in np.asarray(cents, dtype=np.float64).T]
    cov: Array = np.kron(np.asarray(error_cov, dtype=np.float64), fits[0].normalized_cov_params)
    return np.concatenate([fit.params for fit in fits]), cov


def root_limits(mean: npt.ArrayLike, covariance: npt.ArrayLike, threshold: float) -> tuple[float, float]:
    """Fieller's limits (90 %) for the amount at which `level + slope · amount` equals the threshold; mean (2,).

    All amounts at which the threshold lies within the line's own interval; (−inf, inf) when the slope's sign is
    not settled. Closed form, either direction. Source: Fieller, J. R. Stat. Soc. B 16 (1954) 175.
    """
    centre, spread = np.asarray(mean, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    z2 = Z90**2
    need, rate = threshold - float(centre[0]), float(centre[1])
    square = rate**2 - z2 * float(spread[1, 1])
    middle = need * rate + z2 * float(spread[0, 1])
    if square <= 0.0:
        return -math.inf, math.inf
    root = math.sqrt(max(middle**2 - square * (need**2 - z2 * float(spread[0, 0])), 0.0))
    return (middle - root) / square, (middle + root) / square


@dataclass(frozen=True, slots=True)
class MeetingPoint:
    """Where F and E meet: the length still to come off in mm, the pitch there as low A in cents from 440 Hz,
    and their covariance (2, 2) in that order."""

    length_mm: float
    pitch_cents: float
    covariance: Array


def meeting_point(mean: npt.ArrayLike, covariance: npt.ArrayLike) -> MeetingPoint:
    """The meeting point of two uncertain lines, F and E as low A, its covariance to first order.

    mean: (4,), F's level and slope, then E's, in cents and cents per mm; covariance: (4, 4). With L the length,
    dL = (−dF₀ − L dF₁ + dE₀ + L dE₁) / (F₁ − E₁), and the pitch is F₀ + F₁ L. Raises InputError where F does not
    rise against E, since such lines do not meet ahead.
    """
    centre, spread = np.asarray(mean, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    closing = centre[1] - centre[3]
    if not closing > 0.0:
        raise InputError("F does not rise against E", "meeting point", "log a reading after a cut")
    length = (centre[2] - centre[0]) / closing
    of_length = np.array([-1.0, -length, 1.0, length]) / closing
    slopes = np.stack([of_length, np.array([1.0, length, 0.0, 0.0]) + centre[1] * of_length])
    return MeetingPoint(float(length), float(centre[0] + centre[1] * length), slopes @ spread @ slopes.T)
