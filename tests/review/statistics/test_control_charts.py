"""Charts, run lengths, levels and tolerance: what the published checks leave open."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.errors import InputError
from trimfit.review.statistics import control_charts, level_tracking, run_length, tolerance_interval
from trimfit.review.statistics.chart_constants import chart_constants


def test_phase_one_alone_sets_the_lines() -> None:
    calm = [1.0, 2.0, 1.5, 2.5, 1.0, 2.0]
    chart = control_charts.individuals_chart([*calm, 40.0], phase_one=6)
    assert chart.signals == (6,)
    assert chart.high[0] == control_charts.individuals_chart(calm).high[0]
    with pytest.raises(InputError, match="1 points cannot set a chart of 7"):
        control_charts.individuals_chart([*calm, 40.0], phase_one=1)


def test_a_slow_drift_does_not_hide_itself_in_the_moving_range() -> None:
    drifting = np.arange(30) * 0.5 + np.tile([0.2, -0.2], 15)
    assert control_charts.individuals_chart(drifting).signals
    assert not control_charts.individuals_chart(drifting, spread="sd").signals


def test_samples_of_unlike_size_have_their_own_limits() -> None:
    rng = np.random.default_rng(2)
    samples = [rng.normal(10.0, 2.0, size) for size in rng.integers(2, 9, 400)]
    for spread in ("range", "sd"):
        assert control_charts.sigma_of_samples(samples, spread=spread) == pytest.approx(2.0, rel=0.05)
    chart = control_charts.mean_chart(samples)
    width = chart.high - chart.low
    sizes = np.array([sample.size for sample in samples])
    assert width * np.sqrt(sizes) == pytest.approx(np.full(400, 6 * chart.sigma))
    assert len(chart.signals) <= 5
    single = control_charts.mean_chart([[1.0], *samples])
    assert single.signals[0] == 0


def test_ewma_takes_each_point_for_what_it_is_worth() -> None:
    even = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, 1.5)
    each = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, [1.5, 1.5, 1.5])
    assert even.high == pytest.approx(each.high)
    exact = 3 * 1.5 * math.sqrt(0.2 / 1.8 * (1 - 0.8**6))
    assert even.high[-1] == pytest.approx(exact, rel=1e-12)
    unlike = control_charts.ewma_chart([1.0, 2.0, 3.0], 0.0, [1.5, 15.0, 1.5])
    assert unlike.high[1] > 5 * unlike.high[0]
    assert control_charts.ewma_chart([5.0], 0.0, 1.0, weight=1.0).high[0] == pytest.approx(3.0)


def test_cusum_head_start_is_quicker() -> None:
    series = np.full(20, 1.0)
    late = control_charts.cusum_chart(series, 0.0, slack=0.5, decision=4.0)
    soon = control_charts.cusum_chart(series, 0.0, slack=0.5, decision=4.0, head_start=2.0)
    assert (late.signals_up[0], soon.signals_up[0]) == (8, 4)


def test_run_rules_name_point_rule_and_side() -> None:
    quiet = [0.3, -0.4] * 4
    assert control_charts.run_rules(quiet, 0.0, 1.0) == ()
    assert control_charts.run_rules([*quiet, 3.5], 0.0, 1.0) == (control_charts.RuleSignal(8, 1, "above"),)
    two = control_charts.run_rules([*quiet, -2.2, 0.0, -2.4], 0.0, 1.0)
    assert two == (control_charts.RuleSignal(10, 2, "below"),)
    four = control_charts.run_rules([*quiet, 1.2, 1.3, -0.1, 1.4, 1.1], 0.0, 1.0)
    assert four == (control_charts.RuleSignal(12, 3, "above"),)
    assert control_charts.run_rules([0.0, *([0.1] * 8)], 0.0, 1.0) == (control_charts.RuleSignal(8, 4, "above"),)


@settings(max_examples=50)
@given(st.lists(st.floats(-4, 4), min_size=1, max_size=30))
def test_run_rules_see_both_sides_alike(points: list[float]) -> None:
    above = [(found.point, found.rule, found.side) for found in control_charts.run_rules(points, 0.0, 1.0)]
    turned = [
        (found.point, found.rule, "above" if found.side == "below" else "below")
        for found in control_charts.run_rules([-point for point in points], 0.0, 1.0)
    ]
    assert sorted(above) == sorted(turned)


@pytest.mark.parametrize(
    "call",
    [
        lambda: control_charts.individuals_chart([1.0]),
        lambda: control_charts.individuals_chart([1.0, math.nan]),
        lambda: control_charts.sigma_of_samples([[1.0], [2.0]]),
        lambda: control_charts.ewma_chart([1.0], 0.0, 1.0, weight=0.0),
        lambda: control_charts.cusum_chart([1.0], 0.0, slack=-1.0, decision=1.0),
        lambda: chart_constants(1),
        lambda: run_length.arl_ewma(0.0, 3.0),
        lambda: run_length.arl_cusum(0.5, 0.0),
        lambda: run_length.arl_run_rules([5]),
        lambda: run_length.arl_ewma_under_drift(0.2, 3.0, 0.0),
        lambda: run_length.arl_ewma_under_drift(0.2, 3.0, 1e-9, longest=50),
        lambda: tolerance_interval.factor_two_sided(1, 0.9, 0.9),
        lambda: tolerance_interval.factor_one_sided(5, 1.0, 0.9),
        lambda: tolerance_interval.tolerance_interval([1.0, math.inf]),
        lambda: level_tracking.follow_level([1.0], 0.0, 0.0),
        lambda: level_tracking.follow_level([math.nan, 1.0], 1.0, 1.0),
        lambda: level_tracking.follow_level([1.0, 2.0], 1.0, 1.0, times=[2.0, 1.0]),
        lambda: level_tracking.fit_level([1.0, 1.0, 1.0]),
    ],
)
def test_what_cannot_be_charted_is_said(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=r"\w"):
        call()


def test_one_sided_cusum_waits_longer_for_nothing() -> None:
    assert run_length.arl_cusum(0.5, 4.0, two_sided=False) == pytest.approx(2 * run_length.arl_cusum(0.5, 4.0))


def test_a_faster_drift_is_caught_sooner() -> None:
    lengths = [run_length.arl_ewma_under_drift(0.2, 2.962, drift) for drift in (0.02, 0.05, 0.2, -0.2)]
    assert lengths[0] > lengths[1] > lengths[2] == pytest.approx(lengths[3], rel=1e-9)
    # A drift too small to matter in the life of a chart: the run length without one.
    assert run_length.arl_ewma_under_drift(0.5, 1.0, 1e-9) == pytest.approx(run_length.arl_ewma(0.5, 1.0), rel=1e-6)


def test_a_level_that_stands_still_has_no_step() -> None:
    still = level_tracking.fit_level([1.0, 2.0, 1.0, 2.0, 1.0, 2.0])
    assert still.step_var == 0.0
    assert still.smooth == pytest.approx(np.full(6, 1.5))
    assert still.smooth_var == pytest.approx(np.full(6, still.noise_var / 6))


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


def test_tolerance_factors_have_an_order() -> None:
    for n in (3, 12, 200):
        one, two = tolerance_interval.factor_one_sided(n, 0.9, 0.95), tolerance_interval.factor_two_sided(n, 0.9, 0.95)
        assert 1.2816 < one < two < tolerance_interval.factor_two_sided(n, 0.95, 0.95)
        assert two < tolerance_interval.factor_two_sided(n, 0.9, 0.99)
    assert tolerance_interval.factor_two_sided(20_000, 0.9, 0.95) == pytest.approx(1.6449, rel=0.01)
