"""Charts, run lengths, levels and tolerance: what the published checks leave open."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.worlds import run_lengths
from trimfit.base.errors import InputError
from trimfit.review.statistics import control_charts, level_tracking, run_length, tolerance_interval


def test_ewma_takes_each_point_for_what_it_is_worth() -> None:
    even = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, 1.5)
    each = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, [1.5, 1.5, 1.5])
    assert even.high == pytest.approx(each.high)
    exact = 3 * 1.5 * math.sqrt(0.2 / 1.8 * (1 - 0.8**6))
    assert even.high[-1] == pytest.approx(exact, rel=1e-12)
    unlike = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, [1.5, 15.0, 1.5])
    assert unlike.high[1] > 5 * unlike.high[0]
    assert control_charts.ewma_chart([5.0], 0.0, 1.0, weight=1.0).high[0] == pytest.approx(3.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: control_charts.ewma_chart([1.0], 0.0, 1.0, weight=0.0),
        lambda: control_charts.cusum_chart([1.0], 0.0, slack=-1.0, decision=1.0),
        lambda: run_length.arl_ewma_under_drift(0.2, 3.0, 0.0),
        lambda: run_length.arl_ewma_under_drift(0.2, 3.0, 1e-9, longest=50),
        lambda: tolerance_interval.factor_two_sided(1, 0.9, 0.9),
        lambda: tolerance_interval.tolerance_interval([1.0, math.inf]),
        lambda: level_tracking.follow_level([1.0], 0.0, 0.0),
        lambda: level_tracking.follow_level([math.nan, 1.0], 1.0, 1.0),
        lambda: level_tracking.follow_level([1.0, 2.0], 1.0, 1.0, times=[2.0, 1.0]),
    ],
)
def test_what_cannot_be_charted_is_said(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=r"\w"):
        call()


def test_a_faster_drift_is_caught_sooner() -> None:
    lengths = [run_length.arl_ewma_under_drift(0.2, 2.962, drift) for drift in (0.02, 0.05, 0.2, -0.2)]
    assert lengths[0] > lengths[1] > lengths[2] == pytest.approx(lengths[3], rel=1e-9)
    # A drift too small to matter in the life of a chart: the run length without one.
    assert run_length.arl_ewma_under_drift(0.5, 1.0, 1e-9) == pytest.approx(run_lengths.arl_ewma(0.5, 1.0), rel=1e-6)


def test_smoothed_level_is_the_dense_answer() -> None:
    """Slow truth: the same posterior by one solve of the whole covariance, with gaps and a reading missing."""
    times = np.array([0.0, 1.0, 3.0, 3.5, 7.0])
    values = np.array([4.0, 6.0, math.nan, 5.0, 9.0])
    track = level_tracking.follow_level(values, 2.0, 0.7, times=times)
    seen = ~np.isnan(values)
    wide = 1e5
    prior = wide + 0.7 * np.minimum.outer(times, times)
    gain = prior[:, seen] @ np.linalg.inv(prior[np.ix_(seen, seen)] + 2.0 * np.eye(seen.sum()))
    assert track.smooth == pytest.approx(gain @ values[seen], abs=1e-3)
    assert track.smooth_var == pytest.approx(np.diag(prior - gain @ prior[seen]), abs=1e-3)
