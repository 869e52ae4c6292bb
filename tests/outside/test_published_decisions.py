"""Uncertainty, updating and decisions against published values (MU-1 to MU-7)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from tests.outside.published import table
from trimfit.planner import expected_cost, meeting_point
from trimfit.review.statistics import level_tracking, repeatability


def test_independent_contributions() -> None:
    """JCGM 100:2008 (GUM), annex H.1, end gauge: u = 32 nm, 16 effective degrees of freedom, U99 = 93 nm (memory)."""
    rows = table("gum_h1")
    parts = (rows["std_uncertainty"] * rows["sensitivity_nm_per_unit"]).to_numpy()
    joined = repeatability.combine(parts, rows["dof"], share=0.99)
    assert joined.sd == pytest.approx(32.0, abs=0.5)
    assert joined.sd == pytest.approx(31.70, abs=0.04)
    assert joined.df == 16
    assert joined.factor == pytest.approx(2.92, abs=5e-3)
    assert joined.half_width == pytest.approx(93.0, abs=0.5)


def test_correlated_inputs_and_several_outputs() -> None:
    """GUM annex H.2: resistance, reactance, impedance from voltage, current and phase read together (output
    correlations from memory)."""
    observed = table("gum_h2")[["voltage_v", "current_ma", "phase_rad"]].to_numpy() * [1.0, 1e-3, 1.0]
    covariance = np.cov(observed.T) / len(observed)

    def impedance(state: np.ndarray) -> np.ndarray:
        size = state[0] / state[1]
        return np.array([size * math.cos(state[2]), size * math.sin(state[2]), size])

    value, spread = meeting_point.propagate(impedance, observed.mean(axis=0), covariance)
    u = np.sqrt(np.diag(spread))
    assert value == pytest.approx([127.732, 219.847, 254.260], abs=1e-3)
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=1.5e-3)
    correlation = spread / np.outer(u, u)
    assert [correlation[0, 1], correlation[0, 2], correlation[1, 2]] == pytest.approx(
        [-0.588, -0.485, 0.993], abs=1.5e-3
    )
    _, alone = meeting_point.propagate(impedance, observed.mean(axis=0), np.diag(np.diag(covariance)))
    assert np.sqrt(np.diag(alone)) == pytest.approx([0.195, 0.201, 0.204], abs=1.5e-3)


def test_a_wandering_level() -> None:
    """Durbin & Koopman, Time Series Analysis by State Space Methods, chapter 2: flow of the Nile (variances from
    memory; the likelihood is printed by a state-space package)."""
    flow = table("nile")
    fit = level_tracking.fit_level(flow["flow"])
    assert fit.noise_var == pytest.approx(15098.6, abs=0.5)
    assert fit.step_var == pytest.approx(1469.15, abs=0.1)
    assert fit.log_likelihood == pytest.approx(-632.5456, abs=5e-5)
    printed = level_tracking.follow_level(flow["flow"], 15098.577, 1469.147)
    assert printed.level[[0, 1, 2, -1]] == pytest.approx([1120, 1140.93, 1072.80, 798.368], abs=5e-3)
    ours = table("nile_filtered")
    assert printed.level == pytest.approx(ours["filtered_level"].to_numpy(), abs=2e-3)
    assert printed.level_var == pytest.approx(ours["filtered_var"].to_numpy(), abs=0.05)
    assert printed.level_var[-1] == pytest.approx(4032.15, abs=0.05)
    # Steady state: the gain is the filtered variance over the noise variance.
    assert printed.level_var[-1] / printed.noise_var == pytest.approx(0.267055, abs=1e-5)
    by_year = level_tracking.follow_level(flow["flow"], 15098.577, 1469.147, times=flow["year"])
    assert by_year.level == pytest.approx(printed.level, abs=1e-9)


def test_two_measurements_joined() -> None:
    """Inverse-variance weighting: 100 (variance 4) and 104 (variance 1) give 103.2, variance 0.8."""
    assert expected_cost.fuse([100.0, 104.0], [4.0, 1.0]) == pytest.approx((103.2, 0.8), abs=1e-12)


def test_a_quantile_not_the_mean() -> None:
    """Cachon & Terwiesch, Matching Supply with Demand, 3rd ed., Q12.1: 235.2 with z rounded up to 0.44."""
    assert expected_cost.critical_ratio(8.0, 4.0) == pytest.approx(0.6667, abs=5e-5)
    assert expected_cost.best_amount(200.0, 80.0, 8.0, 4.0) == pytest.approx(234.458, abs=5e-4)
    assert expected_cost.best_amount(200.0, 80.0, 8.0, 4.0) == pytest.approx(235.2, abs=80 * 0.01)


@pytest.mark.parametrize(("short", "z", "least"), [(3.0, 0.674490, 1.271106), (9.0, 1.281552, 1.754983)])
def test_the_newsvendor_in_general(short: float, z: float, least: float) -> None:
    """The newsvendor identity, against a numerical minimum of the project's own expected cost."""
    assert expected_cost.best_amount(0.0, 1.0, short, 1.0) == pytest.approx(z, abs=5e-7)
    assert expected_cost.best_amount(0.0, 1.0, 1.0, short) == pytest.approx(-z, abs=5e-7)  # overshoot is the dear side
    assert expected_cost.least_expected_cost(1.0, short, 1.0) == pytest.approx(least, abs=5e-7)
    found = minimize_scalar(lambda x: expected_cost.expected_cost(x, 0.0, 1.0, short, 1.0), bracket=(-1.0, 1.0))
    assert (found.x, found.fun) == (pytest.approx(z, abs=1e-4), pytest.approx(least, abs=5e-7))


def test_linex_loss() -> None:
    """Zellner, J. Am. Stat. Assoc. 81 (1986) 446 (from memory): mu − a sigma² / 2."""
    assert expected_cost.best_amount_linex(10.0, 2.0, 0.5) == pytest.approx(9.0, abs=1e-12)
    z, weights = np.polynomial.hermite_e.hermegauss(60)
    need = 10.0 + 2.0 * z

    def mean_loss(amount: float) -> float:
        over = 0.5 * (amount - need)
        return float(weights @ (np.exp(over) - over - 1.0))

    assert minimize_scalar(mean_loss, bracket=(8.0, 10.0)).x == pytest.approx(
        expected_cost.best_amount_linex(10.0, 2.0, 0.5), abs=1e-5
    )
