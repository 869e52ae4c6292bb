"""Lines through F and E and where they meet: against simulation, against certified regressions, and at the edges."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.outside.published import certified, table
from trimfit.base.errors import InputError
from trimfit.regression.straight_lines import lines_through, meeting_point, root_limits


def test_a_line_agrees_with_a_certified_regression() -> None:
    """NIST Statistical Reference Datasets, linear least squares: Norris."""
    rows, printed = table("strd_norris"), certified("Norris")
    mean, cov = lines_through(rows["x"], rows[["y"]], [[float(printed["residual_sd"][0]) ** 2]])
    assert mean == pytest.approx(printed["estimate"].to_numpy(), rel=1e-9)
    assert np.sqrt(np.diag(cov)) == pytest.approx(printed["std_error"].to_numpy(), rel=1e-9)


def test_lines_at_one_length_are_refused_with_what_to_do() -> None:
    with pytest.raises(InputError, match="two different lengths") as refused:
        lines_through([1.0, 1.0], [[1.0, 2.0], [2.0, 3.0]], np.eye(2))
    assert "after a cut" in refused.value.remedy


def test_the_meeting_point_of_two_lines_is_as_simulated() -> None:
    """F 18 cents under E at E's 120; F rises 40, E falls 20 a mm: they meet 0.3 mm on, at 114."""
    mean = [102.0, 40.0, 120.0, -20.0]
    covariance = np.diag([1.0, 9.0, 1.0, 4.0])
    covariance[0, 2] = covariance[2, 0] = 0.9  # a shared seating error
    point = meeting_point(mean, covariance)
    assert (point.length_mm, point.pitch_cents) == pytest.approx((0.3, 114.0))
    draws = np.random.default_rng(1).multivariate_normal(mean, covariance, 200_000)
    length = (draws[:, 2] - draws[:, 0]) / (draws[:, 1] - draws[:, 3])
    drawn = np.cov(length, draws[:, 0] + draws[:, 1] * length)
    assert point.covariance == pytest.approx(drawn, rel=0.03, abs=2e-4)


def test_f_that_does_not_rise_against_e_is_refused_with_what_to_do() -> None:
    with pytest.raises(InputError, match="F does not rise against E") as refused:
        meeting_point([100.0, 10.0, 140.0, 10.0], np.eye(4))
    assert "after a cut" in refused.value.remedy


def test_limits_hold_the_crossing_as_often_as_they_say() -> None:
    """Fieller's limits are exact for normal lines: 90 in 100 of simulated lines hold the true crossing at 0.3 mm."""
    sd = np.array([3.0, 12.0])
    cov = np.outer(sd, sd) * [[1.0, 0.5], [0.5, 1.0]]
    drawn = np.random.default_rng(5).multivariate_normal([-18.0, 60.0], cov, 4000)
    limits = [root_limits(line, cov, 0.0) for line in drawn]
    assert np.mean([low <= 0.3 <= high for low, high in limits]) == pytest.approx(0.9, abs=0.015)


def test_a_slope_of_unsettled_sign_has_no_limits() -> None:
    assert root_limits([0.0, 1.0], np.diag([1.0, 4.0]), 10.0) == (-math.inf, math.inf)
