"""Control charts and their run lengths against published values (CC-1 to CC-9, CC-13)."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from tests.outside.published import table
from trimfit.review.statistics import control_charts, run_length
from trimfit.review.statistics.chart_constants import chart_constants
from trimfit.review.statistics.repeatability import pooled_sd


def _signals(chart: control_charts.Chart) -> list[int]:
    return [point + 1 for point in chart.signals]


def test_single_values() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2 (flow rate); it rounds d2 to 1.128."""
    flow = table("nist_individuals_flowrate")["flowrate"]
    printed = control_charts.individuals_chart(flow, d2=1.128)
    assert printed.centre[0] == pytest.approx(50.81, abs=5e-5)
    assert printed.sigma * 1.128 == pytest.approx(1.8778, abs=5e-5)
    assert (printed.high[0], printed.low[0]) == pytest.approx((55.8041, 45.8159), abs=5e-5)
    exact = control_charts.individuals_chart(flow)
    assert exact.high[0] == pytest.approx(55.8024, abs=5e-5)
    assert exact.signals == printed.signals == ()


def test_ewma() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4; it rounds the limit's factor to 0.4201."""
    rows = table("nist_ewma")
    steady = control_charts.ewma_chart(rows["x"], 50.0, 2.0539, weight=0.3, steady=True)
    assert steady.points == pytest.approx(rows["ewma_published"].to_numpy(), abs=5.1e-3)
    assert steady.high[0] == pytest.approx(52.5884, abs=1e-4)
    assert steady.low[0] == pytest.approx(47.4115, abs=1e-4)
    exact = control_charts.ewma_chart(rows["x"], 50.0, 2.0539, weight=0.3)
    assert exact.high == pytest.approx(rows["ucl_time_varying_recomputed"].to_numpy(), abs=1e-5)
    assert exact.signals == steady.signals == ()


def test_cusum() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3; the printed table rounds ties either way."""
    rows = table("nist_cusum")
    chart = control_charts.cusum_chart(rows["x"], 325.0, slack=0.3175, decision=4.1959)
    assert chart.upper == pytest.approx(rows["s_hi_published"].to_numpy(), abs=5.1e-3)
    assert chart.lower == pytest.approx(rows["s_lo_published"].to_numpy(), abs=5.1e-3)
    assert chart.running == pytest.approx(rows["cusum_published"].to_numpy(), abs=5.1e-3)
    assert [point + 1 for point in chart.signals_up] == [14, 15, 16, 17, 18, 19, 20]
    assert chart.signals_down == ()


def test_ewma_that_does_not_start_at_its_centre() -> None:
    """Ross, Introduction to Probability and Statistics for Engineers and Scientists, example 13.6b; it rounds as it
    goes. The signal goes away and comes back."""
    data = [48, 52, 70, 62, 57, 81, 56, 59, 77, 82, 78, 80, 74, 82, 68, 84]
    printed = [57, 55.75, 59.31, 59.98, 59.24, 64.68, 62.5, 61.61, 65.48, 69.6, 71.7, 73.78, 73.83, 75.87, 73.9, 76.43]
    for steady in (True, False):
        chart = control_charts.ewma_chart(data, 62.0, 24.0 / math.sqrt(4), weight=0.25, start=60.0, steady=steady)
        assert chart.points == pytest.approx(printed, abs=0.03)
        assert (chart.low[-1], chart.high[-1]) == pytest.approx((48.39, 75.61), abs=5.1e-3)
        assert _signals(chart) == [14, 16]


def _rings() -> list[np.ndarray]:
    return [rows["diameter"].to_numpy() for _, rows in table("pistonrings").groupby("sample")]


def test_means_ranges_and_spreads_of_samples() -> None:
    """Montgomery (1991), piston rings, 25 samples of 5 to set the chart and 15 to judge; R package qcc."""
    rings = _rings()
    means = control_charts.mean_chart(rings, phase_one=25)
    assert means.centre[0] == pytest.approx(74.00118, abs=1e-5)
    assert means.sigma == pytest.approx(0.009785, abs=1e-6)
    assert (means.low[0], means.high[0]) == pytest.approx((73.98805, 74.0143), abs=1e-5)
    assert _signals(means) == [37, 38, 39]
    ranges = control_charts.range_chart(rings, phase_one=25)
    assert (ranges.centre[0], ranges.low[0], ranges.high[0]) == pytest.approx((0.02276, 0.0, 0.048125), abs=1e-5)
    spreads = control_charts.sd_chart(rings, phase_one=25)
    assert (spreads.centre[0], spreads.low[0], spreads.high[0]) == pytest.approx((0.009240, 0.0, 0.019302), abs=1e-5)


def test_ewma_of_sample_means() -> None:
    """The same rings; limits printed in the documentation of R package qcc."""
    means = control_charts.mean_chart(_rings(), phase_one=25)
    of_mean = means.sigma / math.sqrt(5)
    first = control_charts.ewma_chart(means.points[:25], float(means.centre[0]), of_mean, weight=0.2)
    for i, low, high in ((1, 73.99855, 74.00380), (2, 73.99781, 74.00454), (25, 73.99680, 74.00555)):
        assert (first.low[i - 1], first.high[i - 1]) == pytest.approx((low, high), abs=1e-5)
    both = control_charts.ewma_chart(means.points, float(means.centre[0]), of_mean, weight=0.2, width=2.7)
    for i, low, high in ((1, 73.99881, 74.00354), (40, 73.99724, 74.00511)):
        assert (both.low[i - 1], both.high[i - 1]) == pytest.approx((low, high), abs=1e-5)
    assert _signals(both) == [35, 37, 38, 39, 40]


def test_constants() -> None:
    """ISO 7870-2 / ASTM E2587 tables; the names there are capital A2 … E2."""
    ours = ("d2", "d3", "c4", "a2", "a3", "b3", "b4", "d3_limit", "d4_limit", "e2")
    names = ("d2", "d3", "c4", "A2", "A3", "B3", "B4", "D3", "D4", "E2")
    for row in table("control_chart_constants").itertuples():
        known = chart_constants(row.n)
        for our, name in zip(ours, names, strict=True):
            assert getattr(known, our) == pytest.approx(getattr(row, name), abs=2e-5), (row.n, name)
    two = chart_constants(2)
    assert two.d2 == pytest.approx(2 / math.sqrt(math.pi), abs=1e-12)
    assert two.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-12)


def test_false_alarms_of_rules() -> None:
    """e-Handbook 6.3.2; Champ & Woodall, Technometrics 29 (1987) 393: 370.40, and 91.75 for the four rules at once."""
    assert run_length.arl_limits() == pytest.approx(370.40, abs=0.01)
    assert run_length.arl_run_rules() == pytest.approx(91.75, abs=0.01)
    assert run_length.arl_run_rules([1]) == pytest.approx(run_length.arl_limits(), rel=1e-12)
    # Eight in a row on one side of two: (2^8 − 1) flips of a coin, by the waiting time of a run.
    assert run_length.arl_run_rules([4]) == pytest.approx(2**8 - 1, rel=1e-12)


def test_run_lengths_of_cusum_and_ewma() -> None:
    """Montgomery's tables (from memory; Lucas & Saccucci 1990) to their last digit, recomputed values to 1e-4."""
    for row in table("arl_cusum_ewma").itertuples():
        first, second = (float(number) for number in re.findall(r"=([\d.]+)", row.chart))
        arl = run_length.arl_cusum if row.chart.startswith("cusum") else run_length.arl_ewma
        ours = arl(first, second, row.shift_sigma)
        assert ours == pytest.approx(row.arl_recomputed, rel=1e-4), (row.chart, row.shift_sigma)
        printed = row.arl_textbook
        digit = 1.0 if printed >= 100 else 0.01 if printed < 10 and row.chart.startswith("cusum") else 0.1
        assert ours == pytest.approx(printed, abs=digit)


def test_the_charts_keep_the_promise_of_the_tables() -> None:
    """The charts' own code, played on make-believe series, signals as soon as the integral equations say."""
    weight, width = 0.2, 2.962

    def ewma(series: np.ndarray) -> int | None:
        chart = control_charts.ewma_chart(series, 0.0, 1.0, weight=weight, width=width, steady=True)
        return chart.signals[0] if chart.signals else None

    def cusum(series: np.ndarray) -> int | None:
        chart = control_charts.cusum_chart(series, 0.0, slack=0.5, decision=4.0)
        return min((signals[0] for signals in (chart.signals_up, chart.signals_down) if signals), default=None)

    rng = np.random.default_rng(8)
    cases = [
        (ewma, 1.0, 0.0, run_length.arl_ewma(weight, width, 1.0)),
        (ewma, 0.0, 0.1, run_length.arl_ewma_under_drift(weight, width, 0.1)),
        (cusum, 1.0, 0.0, run_length.arl_cusum(0.5, 4.0, 1.0)),
    ]
    for detector, shift, drift, promised in cases:
        mean, error = run_length.simulated_run_length(detector, rng, n_runs=1500, longest=150, shift=shift, drift=drift)
        assert abs(mean - promised) < 4 * error
        assert error < 0.03 * promised


def test_rules_played_against_the_chain() -> None:
    """Champ & Woodall's 91.75 once more, by the project's own rules on random points."""

    def first(series: np.ndarray) -> int | None:
        found = control_charts.run_rules(series, 0.0, 1.0)
        return found[0].point if found else None

    shifted = run_length.arl_run_rules(shift=1.0)
    mean, error = run_length.simulated_run_length(first, np.random.default_rng(3), n_runs=400, longest=100, shift=1.0)
    assert abs(mean - shifted) < 4 * error


def test_check_standard() -> None:
    """NIST/SEMATECH e-Handbook 2.6.2, file MPC62: check standard 137, probe 2362 (sds from memory)."""
    rows = table("nist_check_standard_137")
    chart = control_charts.individuals_chart(rows["check_standard"], spread="sd")
    assert chart.centre[0] == pytest.approx(97.06984, abs=5e-6)
    assert chart.sigma == pytest.approx(0.026798, abs=1e-6)
    assert (chart.low[0], chart.high[0]) == pytest.approx((96.98945, 97.15023), abs=1e-5)
    within = pooled_sd(rows["stddev_of_6"], [5] * len(rows))
    assert (within.sd, within.df) == (pytest.approx(0.061388, abs=1e-6), 125)
