"""The types' curves: against quadrature, their inverse, the beam law, and recovery from readings made along a curve."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from trimfit.regression.curve import (
    KNOTS_MM,
    UNIT_MM,
    GapRows,
    bent_and_slope,
    bent_mm,
    bent_one_mm,
    curve_prior,
    fit_curves,
    scaled,
    slope_at,
    straight_mm,
)

Array = NDArray[np.float64]


def some_curves(n: int = 6) -> Array:
    mean, root = curve_prior()
    rng = np.random.default_rng(2)
    return scaled(mean + 1.5 * rng.standard_normal((n, root.shape[1])) @ root.T)


def test_a_curve_is_the_integral_of_its_slope() -> None:
    at = np.linspace(0.0, 3.0, 300_001)
    for curve in some_curves():
        slope = np.exp(np.interp(at, KNOTS_MM, curve))
        np.testing.assert_allclose(slope_at(at[::1000], curve), slope[::1000], rtol=1e-12)
        whole = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1])) * (at[1] - at[0])])
        np.testing.assert_allclose(bent_mm(at[::1000], curve), whole[::1000], rtol=1e-7, atol=1e-9)


def test_a_curve_and_its_inverse() -> None:
    x = np.linspace(0.0, 4.0, 41)
    curves = some_curves(41)
    for curve in (*curves[:6], np.zeros(len(KNOTS_MM))):
        np.testing.assert_allclose(straight_mm(bent_mm(x, curve), curve), x, atol=1e-10)
    row_by_row = np.array([bent_mm(x[i : i + 1], curves[i])[0] for i in range(41)])
    np.testing.assert_allclose(bent_mm(x, curves), row_by_row, rtol=1e-12)
    for found, whole in zip(bent_and_slope(x, curves), (bent_mm(x, curves), slope_at(x, curves)), strict=True):
        np.testing.assert_array_equal(found, whole)
    assert [bent_one_mm(float(length), curves[i]) for i, length in enumerate(x)] == row_by_row.tolist()
    np.testing.assert_allclose(straight_mm(row_by_row, curves), x, atol=1e-10)
    steep = np.array([slope_at(x[i : i + 1], curves[i])[0] for i in range(41)])
    np.testing.assert_allclose(slope_at(x, curves), steep, rtol=1e-12)


def test_curves_are_scaled_at_half_a_millimetre_and_rise() -> None:
    for curve in some_curves():
        assert bent_mm(np.array([UNIT_MM]), curve)[0] == pytest.approx(UNIT_MM, rel=1e-12)
        assert np.all(np.diff(bent_mm(np.linspace(0, 5, 501), curve)) > 0)


def test_the_assumed_curve_is_the_beam_laws() -> None:
    """A beam's crow, 1200 log2 (L / (L - x))^2 with L = 22 mm, in proportion to the curve that is assumed at first."""
    x = np.linspace(0.05, 1.5, 30)
    cents = 2400.0 * np.log2(22.0 / (22.0 - x))
    curve = scaled(curve_prior()[0])
    ratio = cents / bent_mm(x, curve)
    np.testing.assert_allclose(ratio, ratio.mean(), rtol=3e-3)


def readings(shape: str, reeds: int, seed: int, per_mm: float = 55.0) -> GapRows:
    """Reeds of their own starts and slopes, cut by a hand that takes six tenths of what seems wanting."""
    rng = np.random.default_rng(seed)
    depth = TRUTH[shape]
    y, x, first = [], [], []
    for _ in range(reeds):
        first.append(len(y))
        start, slope, removed = -45 + 9 * rng.standard_normal(), per_mm * np.exp(0.2 * rng.standard_normal()), 0.0
        for _ in range(6):
            gap = start + slope * float(depth(np.array(removed))) + 1.3 * rng.standard_normal()
            y.append(gap)
            x.append(removed)
            if gap > -3:
                break
            removed += 0.6 * -gap / 60.0
    n = len(y)
    return GapRows(np.array(y), np.ones(n), np.array(x), np.zeros((n, 0)), np.zeros(0), np.array(first))


COV = np.diag([81.0, 121.0])
TRUTH = {
    "bevel": lambda x: x - 0.05 * -np.expm1(-x / 0.1),
    "tires": lambda x: 2.0 * -np.expm1(-x / 2.0),
    "grows": lambda x: x + 0.25 * x * x,
    "line": lambda x: x,
}


@pytest.mark.parametrize("shape", ["bevel", "tires", "grows", "line"])
def test_a_curve_is_found_again(shape: str) -> None:
    rows = [readings(shape, 300, seed) for seed in (1, 2, 3)]
    x = np.array([0.1, 0.2, 0.35, 0.7, 0.9, 1.1])
    true = TRUTH[shape](x) / TRUTH[shape](UNIT_MM) * UNIT_MM
    straight = np.abs(x - true).max()
    whole = float(TRUTH[shape](np.ones(1))[0] / TRUTH[shape](UNIT_MM) * UNIT_MM)
    for curve, sd_mm in zip(*fit_curves(list(rows), [COV] * 3, 1.69), strict=True):
        miss = np.abs(bent_mm(x, curve) - true)
        assert abs(float(bent_mm(np.ones(1), curve)[0]) - whole) < 3.0 * sd_mm < 0.06
        assert miss.max() < max(0.025, 0.35 * straight)
        assert miss[:3].max() < 0.01


def test_a_type_of_few_readings_leans_on_the_others() -> None:
    many, few = readings("grows", 400, 5), readings("grows", 3, 6)
    x = np.array([1.0])
    (alone,), _ = fit_curves([few], [COV], 1.69)
    beside, sd_mm = fit_curves([many, few, None], [COV] * 3, 1.69)
    assert sd_mm[0] < 0.7 * sd_mm[1] < 0.7 * sd_mm[2]
    true = float(TRUTH["grows"](x)[0] / TRUTH["grows"](UNIT_MM) * UNIT_MM)
    off = [abs(float(bent_mm(x, curve)[0]) - true) for curve in (alone, beside[1], beside[2])]
    assert off[1] < 0.7 * off[0]
    assert off[2] < 0.7 * off[0]


def test_the_criterion_against_a_dense_covariance() -> None:
    """-2 log restricted likelihood of Harville (1977), J. Am. Stat. Assoc. 72, 320, written out densely."""
    rows = readings("grows", 12, 9)
    rng = np.random.default_rng(1)
    n = len(rows.y)
    other, weight = rng.standard_normal((n, 2)), rng.uniform(0.3, 1.0, n)
    rows = GapRows(rows.y, weight, rows.removed_mm, other, np.array([0.5, 2.0]), rows.first)
    cov, noise = np.array([[60.0, 8.0], [8.0, 90.0]]), 2.1

    def dense(curve: Array) -> float:
        z = np.column_stack([np.ones(n), bent_mm(rows.removed_mm, curve)])
        edges = np.r_[rows.first, n]
        v = np.diag(noise / weight)
        for a, b in pairwise(edges.tolist()):
            v[a:b, a:b] += z[a:b] @ cov @ z[a:b].T
        x = np.column_stack([other, z])
        inside = x.T @ np.linalg.solve(v, x) + np.diag([0.5, 2.0, 1e-6, 1e-6])
        beta = np.linalg.solve(inside, x.T @ np.linalg.solve(v, rows.y))
        rest = rows.y @ np.linalg.solve(v, rows.y) - beta @ inside @ beta
        return float(rest + np.linalg.slogdet(inside)[1] + np.linalg.slogdet(v)[1])

    one, two = some_curves(2)
    found = rows.criterion(one, cov, noise) - rows.criterion(two, cov, noise)
    assert found == pytest.approx(dense(one) - dense(two), rel=1e-9)
