"""Lines that reach a threshold against published values (DG-1 to DG-5), by the project's own lines.

A unit is logged as F and E that stand its distance from the threshold apart, half above and half under; they meet where
it reaches the threshold.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from tests.outside.published import table
from trimfit.base.errors import InputError
from trimfit.regression.straight_lines import lines_through, meeting_point, root_limits

OPEN_BEFORE = np.array([[0.25, -0.25], [-0.25, 0.25]])


def crossing(x: npt.ArrayLike, y: npt.ArrayLike, threshold: float, *, rising: bool = True) -> float:
    """Where the project's lines of one unit meet; infinity where they never do."""
    gap = (np.asarray(y, dtype=np.float64) - threshold) * (1.0 if rising else -1.0)
    try:
        return meeting_point(*lines_through(x, np.column_stack([0.5 * gap, -0.5 * gap]), OPEN_BEFORE)).length_mm
    except InputError:
        return np.inf


def _each(rows: pd.DataFrame, key: list[str], x: str, y: str, threshold: float, *, rising: bool = True) -> dict:
    return {name: crossing(unit[x], unit[y], threshold, rising=rising) for name, unit in rows.groupby(key)}


def test_lasers_reach_ten_per_cent_crossings_from_memory() -> None:
    """Meeker & Escobar (1998), Statistical Methods for Reliability Data, example 13.10 (crossings from memory of
    p. 338): least squares with intercept over all readings, the one at zero hours included."""
    found = _each(table("degradation_gaas_laser"), ["unit"], "hours", "percent_increase", 10.0)
    published = table("degradation_gaas_laser_crossings")
    ours = np.array(list(found.values()))
    assert ours == pytest.approx(published["pseudo_failure_h_published"].to_numpy(), abs=0.5)
    assert ours == pytest.approx(published["pseudo_failure_h_recomputed"].to_numpy(), abs=6e-3)


def test_crossing_of_each_unit_readings_from_memory() -> None:
    """NIST/SEMATECH e-Handbook 8.4.2.3: 30 %, unit by unit, lines with an intercept."""
    found = _each(table("degradation_nist_8423"), ["temp_c", "unit"], "hours", "percent_increase", 30.0)
    expected = table("degradation_nist_8423_crossings").set_index(["temp_c", "unit"])["t_cross_with_intercept_h"]
    assert set(found) == set(expected.index)
    for name, hours in found.items():
        assert hours == pytest.approx(expected[name], abs=0.01)


def test_a_falling_quantity() -> None:
    """Tobias & Trindade, Applied Reliability, p. 216: volts that fall to 0.5, as E falls while F rises."""
    found = _each(table("degradation_tob216b"), ["unit"], "hours", "volts", 0.5, rising=False)
    assert list(found.values()) == pytest.approx([1575.3, 1852.9, 2875.0, 1351.9, 3166.7], abs=0.1)


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
    assert crossing(late["hours"] - 168, late["percent_degradation"], 30.0) < 0  # counted from now, it is behind us


def test_one_unit_alone_holds_fewer_crossings_than_it_says_crossings_from_memory() -> None:
    """The laser data once more: from a unit's first 6 readings alone, limits for the crossing found by all 17.

    The curves of the data (units that slow down or speed up) are why a straight line of one unit alone holds fewer than
    it says: what pooling units is for (`test_published_lasers.py`).
    """
    rows = table("degradation_gaas_laser")
    published = table("degradation_gaas_laser_crossings").set_index("unit")["pseudo_failure_h_published"]
    held = 0
    for name, unit in rows.groupby("unit"):
        x, y = unit["hours"].head(6), unit["percent_increase"].head(6)
        residual = y - np.polyval(np.polyfit(x, y, 1), x)
        mean, cov = lines_through(x, y.to_frame(), [[float(residual @ residual) / 4.0]])
        low, high = root_limits(mean, cov, 10.0)
        held += low <= published[name] <= high
    assert held == 8  # of 15, where 90 % would be 13 or 14
