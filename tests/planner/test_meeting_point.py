"""Crossings at the edges: there already, never arriving, and inputs that are known exactly."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trimfit.base.errors import InputError
from trimfit.planner.meeting_point import crossing_posterior, meeting_point, propagate, root_limits


def test_a_line_surely_past_needs_nothing() -> None:
    posterior = crossing_posterior([20.0, 2.0], np.diag([0.01, 0.01]), 10.0)
    assert (posterior.low, posterior.median, posterior.high) == (0.0, 0.0, 0.0)
    assert posterior.chance_already == pytest.approx(1.0)
    assert posterior.chance_never == 0.0


def test_a_line_surely_going_away_never_arrives() -> None:
    posterior = crossing_posterior([0.0, -2.0], np.diag([0.01, 0.01]), 10.0)
    assert math.isinf(posterior.low)
    assert posterior.chance_never == pytest.approx(1.0, abs=1e-6)


def test_a_level_known_exactly_leaves_the_slope_alone_to_doubt() -> None:
    """10 / slope, slope normal: its quantiles are those of the slope, turned round."""
    posterior = crossing_posterior([0.0, 5.0], np.diag([0.0, 0.25]), 10.0)
    assert posterior.median == pytest.approx(10.0 / 5.0, rel=1e-6)
    assert posterior.low == pytest.approx(10.0 / (5.0 + 1.644854 * 0.5), rel=1e-5)
    assert posterior.high == pytest.approx(10.0 / (5.0 - 1.644854 * 0.5), rel=1e-5)


def test_nothing_in_doubt_is_said_as_a_single_amount() -> None:
    posterior = crossing_posterior([0.0, 5.0], np.zeros((2, 2)), 10.0)
    assert (posterior.low, posterior.high) == (pytest.approx(2.0), pytest.approx(2.0))


def test_a_slope_of_unsettled_sign_has_no_limits() -> None:
    assert root_limits([0.0, 1.0], np.diag([1.0, 4.0]), 10.0) == (-math.inf, math.inf)


def test_an_input_known_exactly_adds_no_doubt() -> None:
    value, spread = propagate(lambda x: np.array([x[0] * x[1]]), [3.0, 2.0], np.diag([0.0, 0.04]))
    assert value == pytest.approx([6.0])
    assert spread == pytest.approx(np.array([[9.0 * 0.04]]), rel=1e-6)


def test_f_that_does_not_rise_against_e_is_refused_with_what_to_do() -> None:
    with pytest.raises(InputError, match="F does not rise against E") as refused:
        meeting_point([100.0, 10.0, 140.0, 10.0], np.eye(4))
    assert "after a cut" in refused.value.remedy


@pytest.mark.parametrize("spread", [np.eye(3), np.diag([1.0, -1.0]), np.diag([1.0, np.nan])])
def test_a_belief_that_is_none_is_refused(spread: np.ndarray) -> None:
    with pytest.raises(InputError, match="belief"):
        crossing_posterior([0.0, 1.0], spread, 10.0)
