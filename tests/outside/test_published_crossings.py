"""Lines that reach a threshold against published values (DG-1 to DG-5)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.outside.published import table
from trimfit.planner import meeting_point
from trimfit.regression import least_squares


def _each(rows: pd.DataFrame, key: list[str], x: str, y: str, threshold: float, **how: bool) -> dict[object, float]:
    """Crossing by unit, the project's line handed to the project's crossing."""
    rising = how.pop("rising", True)
    found = {}
    for name, unit in rows.groupby(key):
        level, slope = least_squares.straight_line(unit[x], unit[y], **how).coefficients
        found[name] = float(meeting_point.crossings(level, slope, threshold, rising=rising))
    return found


def test_lasers_reach_ten_per_cent() -> None:
    """Meeker & Escobar (1998), Statistical Methods for Reliability Data, example 13.10 (crossings from memory of
    p. 338): least squares with intercept over all readings, the one at zero hours included."""
    found = _each(table("degradation_gaas_laser"), ["unit"], "hours", "percent_increase", 10.0)
    published = table("degradation_gaas_laser_crossings")
    ours = np.array(list(found.values()))
    assert ours == pytest.approx(published["pseudo_failure_h_published"].to_numpy(), abs=0.5)
    assert ours == pytest.approx(published["pseudo_failure_h_recomputed"].to_numpy(), abs=6e-3)


def test_crossing_on_the_log_rate_with_a_covariate() -> None:
    """NIST/SEMATECH e-Handbook 8.4.2.3 (numbers from memory): 30 % against 11605 / kelvin."""
    rows = table("degradation_nist_8423")
    fit = least_squares.log_crossing_line(
        rows["hours"], rows["percent_increase"], 11605.0 / (rows["temp_c"] + 273.16), threshold=30.0
    )
    assert fit.coefficients == pytest.approx([-18.94337, 0.81877], rel=1e-5)
    assert fit.standard_errors == pytest.approx([1.83343, 0.05641], rel=1e-4)
    assert fit.residual_sd == pytest.approx(0.5611, abs=5e-5)
    assert fit.r_squared == pytest.approx(0.8305, abs=5e-5)
    assert fit.df == 43


@pytest.mark.parametrize(("column", "origin"), [("through_origin", True), ("with_intercept", False)])
def test_crossing_of_each_unit(column: str, origin: bool) -> None:
    """The same readings, unit by unit, by both rules."""
    found = _each(
        table("degradation_nist_8423"), ["temp_c", "unit"], "hours", "percent_increase", 30.0, through_origin=origin
    )
    expected = table("degradation_nist_8423_crossings").set_index(["temp_c", "unit"])[f"t_cross_{column}_h"]
    assert set(found) == set(expected.index)
    for name, hours in found.items():
        assert hours == pytest.approx(expected[name], abs=0.01)


def test_a_falling_quantity() -> None:
    """Tobias & Trindade, Applied Reliability, p. 216: volts that fall to 0.5, as E falls while F rises."""
    found = _each(table("degradation_tob216b"), ["unit"], "hours", "volts", 0.5, rising=False)
    assert list(found.values()) == pytest.approx([1575.3, 1852.9, 2875.0, 1351.9, 3166.7], abs=0.1)
    assert np.isinf(meeting_point.crossings(0.9, 1e-4, 0.5, rising=False))


def test_units_that_are_past_already() -> None:
    """Tobias & Trindade, p. 201: two levels of stress, some units past 30 % within the test (no published crossing).

    Signs: the hotter level comes sooner for every unit that moves, and a unit read past 30 % crosses within the test.
    """
    rows = table("degradation_tob201")
    found = _each(rows, ["unit", "temp_c"], "hours", "percent_degradation", 30.0)
    cool = {unit: hours for (unit, temp), hours in found.items() if temp == 105}
    hot = {unit: hours for (unit, temp), hours in found.items() if temp == 125}
    sooner = [unit for unit in cool if hot[unit] < cool[unit]]
    assert sorted(set(cool) - set(sooner)) == [5, 6]
    past = rows[(rows["hours"] == 168) & (rows["percent_degradation"] > 30)]
    assert {unit for unit in hot if hot[unit] < 168} == set(past["unit"]) == {1, 9}
    assert np.isinf(cool[10])  # it went back, and never crosses
    late = rows[(rows["unit"] == 1) & (rows["temp_c"] == 125)]
    level, slope = least_squares.straight_line(late["hours"] - 168, late["percent_degradation"]).coefficients
    assert meeting_point.crossings(level, slope, 30.0) == 0.0  # counted from now, the crossing is behind us


def test_a_crossing_foretold_with_its_interval() -> None:
    """The laser data once more: from a unit's first 6 readings alone, intervals for the crossing found by all 17.

    No published interval; two methods of the project must agree. The curves of the data (units that slow down or speed
    up) are why a straight line of one unit alone holds fewer than it says: what pooling units is for.
    """
    rows = table("degradation_gaas_laser")
    published = table("degradation_gaas_laser_crossings").set_index("unit")["pseudo_failure_h_published"]
    held = 0
    for name, unit in rows.groupby("unit"):
        first = unit.head(6)
        fit = least_squares.straight_line(first["hours"], first["percent_increase"])
        posterior = meeting_point.crossing_posterior(fit.coefficients, fit.covariance, 10.0)
        assert (posterior.low, posterior.high) == pytest.approx(
            meeting_point.root_limits(fit.coefficients, fit.covariance, 10.0), rel=2e-4
        )
        assert posterior.median == pytest.approx(float(meeting_point.crossings(*fit.coefficients, 10.0)), rel=1e-3)
        held += posterior.low <= published[name] <= posterior.high
    assert held == 8  # of 15, where 90 % would be 13 or 14
