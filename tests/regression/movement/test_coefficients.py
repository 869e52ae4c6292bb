"""A type's movement in the words of the trade."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trimfit.regression.movement.coefficients import movement_terms
from trimfit.regression.movement.process import SEEDS, assumed_movement

GAP, CROW = 1, 0


def test_the_interval_of_a_walk_is_the_chi_squared_one() -> None:
    # chi-squared table, 10 degrees of freedom: 3.940 and 18.307 at 5 and 95 % (NIST/SEMATECH e-Handbook, 1.3.6.7.4)
    spans = 10.0 - SEEDS["type"]
    found = movement_terms(replace(assumed_movement(1), spans=np.full(2, spans)), 0).walk_gap_cents_per_sqrt_day
    assert found.low == pytest.approx(found.mean * np.sqrt(10 / 18.307), rel=1e-4)
    assert found.high == pytest.approx(found.mean * np.sqrt(10 / 3.940), rel=1e-4)


def test_each_figure_is_the_movements_own() -> None:
    movement = assumed_movement(1)
    movement.walk[0, GAP, GAP], movement.walk[0, CROW, CROW] = 4.0, 9.0
    movement.sitting[0, GAP, GAP] = 0.49
    movement.settle[0, :, GAP] = 3.0, -1.5
    terms = movement_terms(movement, 0)
    assert terms.walk_gap_cents_per_sqrt_day.mean == pytest.approx(2.0)
    assert terms.walk_crow_cents_per_sqrt_day.mean == pytest.approx(3.0)
    assert (terms.settle_age_gap_cents, terms.settle_work_gap_cents) == (3.0, -1.5)
    assert terms.sitting_gap_cents == pytest.approx(0.7)
    # seven days of 4 cents² each and a sitting's 0.49, at 1.645 standard deviations
    assert terms.left_week_gap_cents == pytest.approx(1.645 * np.sqrt(28.49), rel=1e-3)


def test_a_type_never_read_twice_without_work_is_assumed_and_more_spans_tell_more() -> None:
    few = movement_terms(assumed_movement(1), 0)
    many = movement_terms(replace(assumed_movement(1), spans=np.full(2, 200.0)), 0)
    assert (few.assumed, few.spans) == (True, 0)
    assert (many.assumed, many.spans) == (False, 200)
    width = [t.walk_gap_cents_per_sqrt_day.high - t.walk_gap_cents_per_sqrt_day.low for t in (few, many)]
    assert width[1] < 0.3 * width[0]
