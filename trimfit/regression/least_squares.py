"""Ordinary least squares, small and well-conditioned: estimates, standard errors, residual spread, R².

For the few-term lines of the review and the checks; the hierarchical fit has its own engine. Columns are scaled
to unit length before a singular value decomposition, so that terms of very unlike sizes (a constant beside the
tenth power of a length) do not drown one another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError

__all__ = ["LineFit", "held_out_errors", "least_squares", "log_crossing_line", "powers", "straight_line"]

Array = npt.NDArray[np.float64]
Values = npt.ArrayLike


@dataclass(frozen=True, slots=True)
class LineFit:
    """A fitted linear model; arrays in the order of the design's columns.

    coefficients, standard_errors: (n_terms,); covariance: (n_terms, n_terms), of the coefficients;
    residual_sd: in the unit of the response (nan without degrees of freedom); df: residual degrees of freedom;
    r_squared: about the mean when a constant lies in the design's span, else about zero;
    residuals: (n_rows,); leverages: (n_rows,), how much a row pulls its own fitted value; rank: of the design.
    """

    coefficients: Array
    standard_errors: Array
    covariance: Array
    residual_sd: float
    df: int
    r_squared: float
    residuals: Array
    leverages: Array
    rank: int


def _columns(values: Values, where: str) -> Array:
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        raise InputError("a value is not a finite number", where)
    return array


def powers(x: Values, degree: int, *, constant: bool = True) -> Array:
    """Design of shape (n_rows, n_terms): powers of x from 0 (or 1 without the constant) to `degree`."""
    column = _columns(x, "x")
    first = 0 if constant else 1
    return np.column_stack([column**power for power in range(first, degree + 1)])


def least_squares(design: Values, response: Values) -> LineFit:
    """Least squares of `response` (n_rows,) on the columns of `design` (n_rows, n_terms).

    A design without full rank gives the smallest coefficients (on columns scaled to unit length) and says so in
    `rank`. Raises InputError for shapes that do not match, no rows, or values that are not finite.
    Method: column-scaled SVD, Golub & Van Loan, Matrix Computations, section 5.5.
    """
    terms, answer = np.atleast_2d(_columns(design, "design")), _columns(response, "response")
    if answer.ndim != 1 or terms.ndim != 2 or terms.shape[0] != answer.size or answer.size == 0 or not terms.shape[1]:
        raise InputError(f"a design of shape {terms.shape} does not match {answer.shape} responses", "least squares")
    size = np.sqrt((terms**2).sum(axis=0))
    size[size == 0.0] = 1.0
    left, singular, right = np.linalg.svd(terms / size, full_matrices=False)
    kept = singular > singular[0] * max(terms.shape) * np.finfo(np.float64).eps
    left, singular, right = left[:, kept], singular[kept], right[kept]
    root = (right / singular[:, None]).T / size[:, None]  # root @ root.T is the inverse of X'X
    coefficients = root @ (left.T @ answer)
    residuals = answer - terms @ coefficients
    # One step of refinement takes out most of what rounding left in the coefficients.
    coefficients = coefficients + root @ (left.T @ residuals)
    residuals = answer - terms @ coefficients
    rank = int(kept.sum())
    df = answer.size - rank
    residual_ss = float(residuals @ residuals)
    variance = residual_ss / df if df else float("nan")
    covariance = variance * (root @ root.T)
    ones = np.ones(answer.size)
    off_span = ones - left @ (left.T @ ones)
    centre = float(answer.mean()) if np.sqrt(off_span @ off_span) < 1e-6 * np.sqrt(answer.size) else 0.0
    total_ss = float(((answer - centre) ** 2).sum())
    return LineFit(
        coefficients=coefficients,
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        residual_sd=float(np.sqrt(variance)),
        df=df,
        r_squared=1.0 - residual_ss / total_ss if total_ss > 0.0 else float("nan"),
        residuals=residuals,
        leverages=(left**2).sum(axis=1),
        rank=rank,
    )


def straight_line(x: Values, y: Values, *, through_origin: bool = False) -> LineFit:
    """The straight line of y on x: coefficients are (level at x = 0, slope), the level fixed at 0 on request.

    Raises InputError for x of fewer than two values (one through the origin) that differ.
    """
    fit = least_squares(powers(x, 1, constant=not through_origin), y)
    if fit.rank < fit.coefficients.size or (through_origin and not np.any(np.asarray(x))):
        raise InputError("a line needs readings at two different lengths", "x", "take another reading after a cut")
    if not through_origin:
        return fit
    covariance = np.zeros((2, 2))
    covariance[1, 1] = fit.covariance[0, 0]
    return LineFit(
        coefficients=np.array([0.0, fit.coefficients[0]]),
        standard_errors=np.array([0.0, fit.standard_errors[0]]),
        covariance=covariance,
        residual_sd=fit.residual_sd,
        df=fit.df,
        r_squared=fit.r_squared,
        residuals=fit.residuals,
        leverages=fit.leverages,
        rank=fit.rank,
    )


def log_crossing_line(amount: Values, change: Values, covariate: Values, threshold: float) -> LineFit:
    """The logarithm of the amount at which `change` reaches `threshold`, as a line on a covariate.

    Each reading's rate is change / amount, so its crossing is `threshold · amount / change`; all arguments have
    shape (n_readings,). Coefficients are (level, slope). The rule of NIST/SEMATECH e-Handbook 8.4.2.3. Raises
    InputError where an amount or a change is not above zero.
    """
    done, moved = _columns(amount, "amount"), _columns(change, "change")
    if not threshold > 0.0 or (done <= 0.0).any() or (moved <= 0.0).any():
        raise InputError("a logarithm of a rate needs amounts and changes above zero", "log rate")
    return straight_line(covariate, np.log(threshold) - (np.log(moved) - np.log(done)))


def held_out_errors(design: Values, response: Values, groups: npt.NDArray[Any] | list[Any]) -> Array:
    """Error of each response (n_rows,), predicted by a fit that has seen no row of its group.

    Leave out whole reeds or batches, not rows: rows of one reed resemble each other, so a row predicted from its
    neighbours flatters (Roberts et al., Ecography 40 (2017)). Pass `range(n_rows)` for the flattering kind.
    Raises InputError for fewer than two groups.
    """
    terms, answer = np.atleast_2d(_columns(design, "design")), _columns(response, "response")
    names, label = np.unique(np.asarray(groups), return_inverse=True)
    if names.size < 2 or label.size != answer.size:
        raise InputError("holding out needs at least two groups, one name a row", "groups")
    errors = np.empty_like(answer)
    for group in range(names.size):
        out = label == group
        fit = least_squares(terms[~out], answer[~out])
        errors[out] = answer[out] - terms[out] @ fit.coefficients
    return errors
