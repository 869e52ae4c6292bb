"""Crossings believed, not computed from a mean; and costs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.errors import InputError
from trimfit.planner import expected_cost, meeting_point


def test_lines_of_many_units() -> None:
    found = meeting_point.crossings([-18.0, -18.0, 2.0, -18.0], [30.0, -1.0, 30.0, 0.0], 0.0)
    assert found.tolist() == [0.6, math.inf, 0.0, math.inf]
    assert meeting_point.crossings([18.0, -1.0], -30.0, 0.0, rising=False).tolist() == [0.6, 0.0]


@pytest.mark.parametrize(
    ("mean", "sd", "correlation"),
    [([-18.0, 60.0], [3.0, 12.0], 0.0), ([-5.0, 40.0], [4.0, 15.0], 0.7), ([-5.0, 40.0], [4.0, 15.0], -0.9)],
)
def test_belief_of_a_crossing_agrees_with_play(mean: list[float], sd: list[float], correlation: float) -> None:
    covariance = np.outer(sd, sd) * [[1.0, correlation], [correlation, 1.0]]
    posterior = meeting_point.crossing_posterior(mean, covariance, 0.0, share=0.8)
    level, slope = np.random.default_rng(5).multivariate_normal(mean, covariance, 200_000).T
    played = meeting_point.crossings(level, slope, 0.0)
    assert posterior.chance_already == pytest.approx((played == 0).mean(), abs=0.004)
    assert posterior.chance_never == pytest.approx(np.isinf(played).mean(), abs=0.002)
    for chance, value in ((0.1, posterior.low), (0.5, posterior.median), (0.9, posterior.high)):
        assert (played <= value).mean() == pytest.approx(max(chance, posterior.chance_already), abs=0.005)


def test_falling_is_rising_upside_down() -> None:
    covariance = np.array([[4.0, 3.0], [3.0, 50.0]])
    up = meeting_point.crossing_posterior([-12.0, 40.0], covariance, 0.0)
    down = meeting_point.crossing_posterior([12.0, -40.0], covariance, 0.0, rising=False)
    assert up == down


def test_certain_and_half_certain_lines() -> None:
    sure = meeting_point.crossing_posterior([-12.0, 40.0], np.zeros((2, 2)), 0.0)
    assert (sure.low, sure.median, sure.high) == pytest.approx((0.3, 0.3, 0.3))
    assert (sure.chance_already, sure.chance_never) == (0.0, 0.0)
    past = meeting_point.crossing_posterior([3.0, 40.0], np.zeros((2, 2)), 0.0)
    assert (past.median, past.chance_already) == (0.0, 1.0)
    slope_only = meeting_point.crossing_posterior([-12.0, 40.0], np.diag([0.0, 25.0]), 0.0)
    assert slope_only.median == pytest.approx(0.3)
    assert slope_only.low == pytest.approx(12 / (40 + 5 * 1.6448536), rel=1e-6)
    level_only = meeting_point.crossing_posterior([-12.0, 40.0], np.diag([4.0, 0.0]), 0.0)
    assert level_only.high == pytest.approx((12 + 2 * 1.6448536) / 40, rel=1e-6)


def test_an_unsettled_slope_leaves_the_end_open() -> None:
    wild = meeting_point.crossing_posterior([-12.0, 5.0], np.diag([1.0, 100.0]), 0.0)
    assert wild.high == math.inf
    assert wild.chance_never == pytest.approx(0.5 * math.erfc(0.5 / math.sqrt(2)), abs=1e-5)
    assert meeting_point.root_limits([-12.0, 5.0], np.diag([1.0, 100.0]), 0.0) == (-math.inf, math.inf)


def test_meeting_point_of_two_lines() -> None:
    """F 18 cents under E at E's 120; F rises 40, E falls 20 a mm: they meet 0.3 mm on, at 114."""
    mean = [102.0, 40.0, 120.0, -20.0]
    covariance = np.diag([1.0, 9.0, 1.0, 4.0])
    covariance[0, 2] = covariance[2, 0] = 0.9  # a shared seating error
    point = meeting_point.meeting_point(mean, covariance)
    assert (point.length_mm, point.pitch_cents) == pytest.approx((0.3, 114.0))
    draws = np.random.default_rng(1).multivariate_normal(mean, covariance, 200_000)
    length = (draws[:, 2] - draws[:, 0]) / (draws[:, 1] - draws[:, 3])
    played = np.cov(length, draws[:, 0] + draws[:, 1] * length)
    assert point.covariance == pytest.approx(played, rel=0.03, abs=2e-4)
    with pytest.raises(InputError, match="F does not rise against E"):
        meeting_point.meeting_point([102.0, -20.0, 120.0, -20.0], covariance)


@pytest.mark.parametrize(
    ("mean", "covariance"), [([1.0], np.eye(2)), ([1.0, math.nan], np.eye(2)), ([1.0, 1.0], -np.eye(2))]
)
def test_a_belief_that_is_none_is_refused(mean: list[float], covariance: np.ndarray) -> None:
    with pytest.raises(InputError, match="a belief"):
        meeting_point.crossing_posterior(mean, covariance, 0.0)


@settings(max_examples=60)
@given(st.floats(-50, 50), st.floats(0.01, 20), st.floats(0.05, 50), st.floats(0.05, 50))
def test_a_dearer_overshoot_never_lengthens_the_cut(mean: float, sd: float, short: float, over: float) -> None:
    usual = expected_cost.best_amount(mean, sd, short, over)
    assert expected_cost.best_amount(mean, sd, short, 1.5 * over) <= usual
    assert expected_cost.best_amount_linex(mean, sd, 0.2) >= expected_cost.best_amount_linex(mean, sd, 0.3)
    least = expected_cost.least_expected_cost(sd, short, over)
    assert expected_cost.expected_cost(usual, mean, sd, short, over) == pytest.approx(least, rel=1e-6)
    for aside in (-0.3, 0.3):
        assert expected_cost.expected_cost(usual + aside * sd, mean, sd, short, over) >= least * (1 - 1e-9)


def test_costs_without_doubt() -> None:
    assert expected_cost.expected_cost(0.5, 0.3, 0.0, 2.0, 10.0) == pytest.approx(2.0)
    assert expected_cost.expected_cost(0.2, 0.3, 0.0, 2.0, 10.0) == pytest.approx(0.2)
    with pytest.raises(InputError, match="must be above zero"):
        expected_cost.critical_ratio(0.0, 1.0)
    with pytest.raises(InputError, match="below zero"):
        expected_cost.expected_cost(0.0, 0.0, -1.0, 1.0, 1.0)
    with pytest.raises(InputError, match="variance above zero"):
        expected_cost.fuse([1.0, 2.0], [1.0, 0.0])


@pytest.mark.parametrize(("wanted", "share"), [(1, 0.3), (19, 0.885), (40, 0.97), (6, 0.5)])
def test_reeds_to_start_are_the_least_that_are_enough(wanted: int, share: float) -> None:
    """Against the binomial law summed out: the least number that is enough with the chance of the critical ratio."""
    short, over = 120.0, 9.0
    number, sure = expected_cost.reeds_to_start(wanted, share, short, over)

    def enough(n: int) -> float:
        return sum(math.comb(n, k) * share**k * (1.0 - share) ** (n - k) for k in range(wanted, n + 1))

    assert sure == pytest.approx(enough(number), rel=1e-9)
    assert enough(number) >= expected_cost.critical_ratio(short, over) > enough(number - 1)
    assert expected_cost.reeds_to_start(wanted, share, 2.0 * short, over)[0] >= number


def test_reeds_to_start_at_the_ends() -> None:
    assert expected_cost.reeds_to_start(0, 0.5, 120.0, 9.0) == (0, 1.0)
    assert expected_cost.reeds_to_start(7, 1.0, 120.0, 9.0) == (7, 1.0)
    with pytest.raises(InputError, match="none of these would be good"):
        expected_cost.reeds_to_start(7, 0.0, 120.0, 9.0)
