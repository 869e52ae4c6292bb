"""Tolerance factors and the nested gauge study against published values (CC-10 to CC-12)."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from tests.outside.published import table
from trimfit.review.statistics import repeatability, tolerance_interval


def test_factors_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: 43 wafers, 90 % coverage, 99 % confidence; and N = 6."""
    assert tolerance_interval.factor_howe(43, 0.9, 0.99) == pytest.approx(2.217, abs=5e-4)
    # Howe's approximation falls short here; the exact factor does not.
    assert tolerance_interval.factor_two_sided(43, 0.9, 0.99) == pytest.approx(2.2228, abs=5e-5)


@pytest.mark.parametrize(
    ("n", "printed"), [(5, (4.29, 5.08, 6.60)), (10, (2.86, 3.39, 4.44)), (30, (2.15, 2.55, 3.35))]
)
def test_two_sided_factors_of_a_textbook(n: int, printed: tuple[float, ...]) -> None:
    """Berthouex & Brown, Statistics for Environmental Engineers, table 21.1 (definition of ISO 16269-6)."""
    for coverage, factor in zip((0.9, 0.95, 0.99), printed, strict=True):
        assert tolerance_interval.factor_two_sided(n, coverage, 0.95) == pytest.approx(factor, abs=6e-3)


def test_every_factor_of_the_table() -> None:
    """Recomputed independently: noncentral t, integration over the sample mean, Howe (1969)."""
    for row in table("tolerance_factors").itertuples():
        of = (row.n, row.coverage, row.confidence)
        assert tolerance_interval.factor_two_sided(*of) == pytest.approx(row.k2_two_sided_exact, abs=6e-5)
        assert tolerance_interval.factor_howe(*of) == pytest.approx(row.k2_two_sided_howe, abs=6e-5)


def test_tolerance_interval_keeps_its_confidence() -> None:
    """By play: of intervals for 90 % at 95 % confidence from 8 values, 95 % hold 90 % of the population."""
    rng = np.random.default_rng(4)
    factor = tolerance_interval.factor_two_sided(8, 0.9, 0.95)
    samples = rng.standard_normal((4000, 8))
    one = tolerance_interval.tolerance_interval(samples[0], np.arange(8))
    assert one.high - one.low == pytest.approx(2 * factor * samples[0].std(ddof=1), rel=1e-9)
    mean, reach = samples.mean(axis=1), factor * samples.std(axis=1, ddof=1)
    covers = [0.5 * (math.erf((m + r) / 2**0.5) - math.erf((m - r) / 2**0.5)) for m, r in zip(mean, reach, strict=True)]
    assert np.mean(np.array(covers) >= 0.9) == pytest.approx(0.95, abs=0.012)


@pytest.mark.parametrize(("batches", "reeds", "among"), [(8, 12, 0.7), (4, 10, 1.0), (8, 12, 0.0)])
def test_tolerance_interval_of_batches_keeps_its_confidence(batches: int, reeds: int, among: float) -> None:
    """By play, batches of unequal size."""
    rng = np.random.default_rng(5)
    batch = np.repeat(np.arange(batches), reeds)[: batches * reeds - 7]
    whole, held = math.hypot(among, 1.0), []
    for _ in range(1000):
        values = among * rng.standard_normal(batches)[batch] + rng.standard_normal(len(batch))
        found = tolerance_interval.tolerance_interval(values, batch)
        held.append(0.5 * (math.erf(found.high / whole / 2**0.5) - math.erf(found.low / whole / 2**0.5)) >= 0.9)
    assert np.mean(held) == pytest.approx(0.955, abs=0.02)


def _study(rows: pd.DataFrame) -> repeatability.GaugeStudy:
    return repeatability.gauge_study(rows["wafer"], rows["run"], rows["average"], rows["stddev_of_6"], [6] * len(rows))


def test_nested_gauge_study() -> None:
    """NIST/SEMATECH e-Handbook 2.4.4.1 to 2.4.4.3, file MPC61: probe 2362."""
    rows = table("nist_gauge_resistivity")
    rows = rows[rows["probe"] == 2362]
    wafer = rows[rows["wafer"] == 140]
    study = _study(wafer)
    assert (study.within.sd, study.within.df) == (pytest.approx(0.07871, abs=1e-5), 60)
    assert (study.sittings.sd, study.sittings.df) == (pytest.approx(0.02742, abs=1e-5), 10)
    runs = [_study(wafer[wafer["run"] == run]).sittings.sd for run in (1, 2)]
    assert runs == pytest.approx([0.02728, 0.02756], abs=1e-5)
    each = [_study(rows[rows["wafer"] == number]).conditions.sd for number in range(138, 143)]
    assert each == pytest.approx([0.0223, 0.0027, 0.0289, 0.0133, 0.0205], abs=1e-4)
    pooled = _study(rows).conditions
    assert (pooled.sd, pooled.df) == (pytest.approx(0.0197, abs=1e-4), 5)
    # Sitting means scatter less than six readings each must: nothing is left for the sittings, and nothing negative.
    assert study.sitting_var == 0.0
    assert study.condition_var == pytest.approx(0.028850**2 - (0.078714**2 / 6) / 6, rel=1e-3)
