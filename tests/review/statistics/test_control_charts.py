"""Charts, run lengths, levels and tolerance: what the published checks leave open."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.worlds import run_lengths
from trimfit.base.errors import InputError
from trimfit.review.statistics import control_charts


def test_ewma_takes_each_point_for_what_it_is_worth() -> None:
    even = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, 1.5)
    each = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, [1.5, 1.5, 1.5])
    assert even.high == pytest.approx(each.high)
    exact = 3 * 1.5 * math.sqrt(0.2 / 1.8 * (1 - 0.8**6))
    assert even.high[-1] == pytest.approx(exact, rel=1e-12)
    unlike = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, [1.5, 15.0, 1.5])
    assert unlike.high[1] > 5 * unlike.high[0]
    assert control_charts.ewma_chart([5.0], 0.0, 1.0, weight=1.0).high[0] == pytest.approx(3.0)


def test_a_drift_too_slow_to_time_is_said() -> None:
    with pytest.raises(InputError, match="too slow to time"):
        control_charts.arl_ewma_under_drift(0.2, 3.0, 1e-9, longest=50)


def test_a_faster_drift_is_caught_sooner() -> None:
    lengths = [control_charts.arl_ewma_under_drift(0.2, 2.962, drift) for drift in (0.02, 0.05, 0.2, -0.2)]
    assert lengths[0] > lengths[1] > lengths[2] == pytest.approx(lengths[3], rel=1e-9)
    # A drift too small to matter in the life of a chart: the run length without one.
    assert control_charts.arl_ewma_under_drift(0.5, 1.0, 1e-9) == pytest.approx(
        run_lengths.arl_ewma(0.5, 1.0), rel=1e-6
    )


def test_smoothed_level_is_the_dense_answer() -> None:
    """Slow truth: the same posterior by one solve of the whole covariance."""
    times, values = np.arange(5.0), np.array([4.0, 6.0, 2.0, 5.0, 9.0])
    level, _ = control_charts.follow_level(values, 2.0, 0.7)
    prior = 1e5 + 0.7 * np.minimum.outer(times, times)
    gain = prior @ np.linalg.inv(prior + 2.0 * np.eye(5))
    assert level == pytest.approx(gain @ values, abs=1e-3)


def test_of_two_walks_the_likelier_is_the_one_by_the_dense_density() -> None:
    """Slow truth: the density of the differences, which no unknown first level touches."""
    values = np.array([4.0, 6.0, 2.0, 5.0, 9.0])
    difference = np.diff(np.eye(5), axis=0)

    def dense(step_var: float) -> float:
        times = np.arange(5.0)
        cov = difference @ (2.0 * np.eye(5) + step_var * np.minimum.outer(times, times)) @ difference.T
        apart = difference @ values
        return float(-0.5 * (np.linalg.slogdet(cov)[1] + apart @ np.linalg.solve(cov, apart)))

    ours = [control_charts.follow_level(values, 2.0, step_var)[1] for step_var in (0.0, 3.0)]
    assert ours[1] - ours[0] == pytest.approx(dense(3.0) - dense(0.0), abs=1e-9)
