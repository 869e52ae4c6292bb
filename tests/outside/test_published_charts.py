"""Control charts and their run lengths against published values (CC-1 to CC-9, CC-13)."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from tests.outside.published import table
from tests.worlds import run_lengths
from trimfit.review.statistics import control_charts
from trimfit.review.statistics.control_charts import arl_ewma_under_drift
from trimfit.review.statistics.repeatability import pooled_sd


def _signals(chart: control_charts.EwmaChart) -> list[int]:
    return [point + 1 for point in chart.signals]


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


def test_run_lengths_of_cusum_and_ewma_tables_from_memory() -> None:
    """Montgomery's tables (from memory; Lucas & Saccucci 1990) to their last digit, recomputed values to 1e-4."""
    for row in table("arl_cusum_ewma").itertuples():
        first, second = (float(number) for number in re.findall(r"=([\d.]+)", row.chart))
        arl = run_lengths.arl_cusum if row.chart.startswith("cusum") else run_lengths.arl_ewma
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
        (ewma, 1.0, 0.0, run_lengths.arl_ewma(weight, width, 1.0)),
        (ewma, 0.0, 0.1, arl_ewma_under_drift(weight, width, 0.1)),
        (cusum, 1.0, 0.0, run_lengths.arl_cusum(0.5, 4.0, 1.0)),
    ]
    for detector, shift, drift, promised in cases:
        mean, error = run_lengths.simulated_run_length(
            detector, rng, n_runs=1500, longest=150, shift=shift, drift=drift
        )
        assert abs(mean - promised) < 4 * error
        assert error < 0.03 * promised


def test_check_standard_from_memory() -> None:
    """NIST/SEMATECH e-Handbook 2.6.2, file MPC62: check standard 137, probe 2362 (sds from memory)."""
    rows = table("nist_check_standard_137")
    within = pooled_sd(rows["stddev_of_6"], [5] * len(rows))
    assert (within.sd, within.df) == (pytest.approx(0.061388, abs=1e-6), 125)
