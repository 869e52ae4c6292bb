"""The least-squares core: what the certified regressions leave open."""

from __future__ import annotations

import numpy as np
import pytest

from trimfit.base.errors import InputError
from trimfit.regression import least_squares


def test_a_design_without_full_rank_says_so() -> None:
    x = np.arange(6.0)
    fit = least_squares.least_squares(np.column_stack([x, 2 * x, np.zeros(6)]), 3 * x)
    assert (fit.rank, fit.df) == (1, 5)
    assert fit.coefficients @ [1.0, 2.0, 0.0] == pytest.approx(3.0)
    assert fit.leverages.sum() == pytest.approx(1.0)


def test_no_degrees_of_freedom_leave_no_spread() -> None:
    fit = least_squares.straight_line([0.0, 0.5], [-18.0, -3.0])
    assert fit.coefficients == pytest.approx([-18.0, 30.0])
    assert fit.df == 0
    assert np.isnan(fit.residual_sd)


def test_alike_responses_have_no_r_squared() -> None:
    fit = least_squares.straight_line([0.0, 1.0, 2.0], [5.0, 5.0, 5.0])
    assert np.isnan(fit.r_squared)
    assert fit.coefficients == pytest.approx([5.0, 0.0], abs=1e-12)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: least_squares.straight_line([1.0, 1.0], [1.0, 2.0]), "two different lengths"),
        (lambda: least_squares.straight_line([0.0, 0.0], [1.0, 2.0], through_origin=True), "two different lengths"),
        (lambda: least_squares.least_squares([[1.0], [np.nan]], [1.0, 2.0]), "not a finite number"),
        (lambda: least_squares.least_squares([[1.0], [2.0]], [1.0]), "does not match"),
        (lambda: least_squares.log_crossing_line([1.0], [0.0], [1.0], 30.0), "above zero"),
        (lambda: least_squares.held_out_errors([[1.0], [1.0]], [1.0, 2.0], ["a", "a"]), "at least two groups"),
    ],
)
def test_what_cannot_be_fitted_is_said(call, said: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=said):
        call()
