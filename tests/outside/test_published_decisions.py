"""Uncertainty, updating and decisions against published values (MU-1 to MU-7)."""

from __future__ import annotations

import pytest
from scipy.special import stdtrit

from tests.outside.published import table
from trimfit.planner import expected_cost
from trimfit.review.statistics import control_charts, repeatability


def test_independent_contributions() -> None:
    """JCGM 100:2008 (GUM), annex H.1, end gauge: u = 32 nm, 16 effective degrees of freedom, U99 = 93 nm (memory)."""
    rows = table("gum_h1")
    parts = (rows["std_uncertainty"] * rows["sensitivity_nm_per_unit"]).to_numpy()
    joined = repeatability.combine(parts, rows["dof"])
    assert joined.sd == pytest.approx(32.0, abs=0.5)
    assert joined.sd == pytest.approx(31.70, abs=0.04)
    assert joined.df == 16
    assert stdtrit(joined.df, 0.995) * joined.sd == pytest.approx(93.0, abs=0.5)


def test_a_wandering_level() -> None:
    """Durbin & Koopman, Time Series Analysis by State Space Methods, chapter 2: flow of the Nile (variances from
    memory)."""
    flow = table("nile")
    level, _ = control_charts.follow_level(flow["flow"], 15098.577, 1469.147)
    # The last level rests on all readings, whether it is filtered or smoothed.
    assert level[-1] == pytest.approx(798.368, abs=5e-3)
    assert level[-1] == pytest.approx(table("nile_filtered")["filtered_level"].to_numpy()[-1], abs=2e-3)


def test_a_quantile_not_the_mean() -> None:
    """Cachon & Terwiesch, Matching Supply with Demand, 3rd ed., Q12.1: short 8, over 4, so the quantile at 0.6667."""
    assert expected_cost.critical_ratio(8.0, 4.0) == pytest.approx(0.6667, abs=5e-5)
