"""A type's movement in the words of the trade."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trimfit.regression.movement.coefficients import ASSUMED_DF, MovementTerms, movement_terms
from trimfit.regression.movement.process import (
    MEASURE,
    SETTLE,
    SITTING,
    WALK,
    IdleSpans,
    assumed_movement,
    learned_movement,
)
from trimfit.regression.priors import assumed_noise

GAP, CROW = 1, 0


def test_the_interval_of_a_walk_is_the_chi_squared_one() -> None:
    # chi-squared table, 10 degrees of freedom: 3.940 and 18.307 at 5 and 95 % (NIST/SEMATECH e-Handbook, 1.3.6.7.4)
    df = np.full((2, 3), 10.0 - ASSUMED_DF)
    found = movement_terms(replace(assumed_movement(1), walk_df=df), 0).walk_gap_cents_per_sqrt_day
    assert found.low == pytest.approx(found.mean * np.sqrt(10 / 18.307), rel=1e-4)
    assert found.high == pytest.approx(found.mean * np.sqrt(10 / 3.940), rel=1e-4)


def walked(rng: np.random.Generator, times: float, n: int) -> MovementTerms:
    """What is learned of so many spans that show a walk of this size, beneath the errors of two readings each."""
    errors, none = 2.0 * (SITTING + MEASURE @ assumed_noise() @ MEASURE.T), np.zeros(3)
    days = rng.uniform(1.0, 15.0, n)
    steps = times * rng.multivariate_normal(none, WALK, n) * np.sqrt(days)[:, None]
    moved = steps + rng.multivariate_normal(none, errors, n)
    spans = IdleSpans(np.zeros(n, dtype=np.intp), days, moved, np.zeros((n, 2)), np.full((n, 3), 2.0), np.empty((0, 3)))
    return movement_terms(learned_movement(spans, assumed_noise(), 1), 0)


def test_the_interval_of_a_walk_that_spans_do_not_tell_from_none_begins_at_nought() -> None:
    """Was: 0.7 (0.5 to 1.5) for reeds that do not move at all."""
    rng = np.random.default_rng(3)
    still, moving = (
        [walked(rng, times, 40).walk_gap_cents_per_sqrt_day.low for _ in range(12)] for times in (0.0, 2.0)
    )
    assert still.count(0.0) >= 11
    assert moving.count(0.0) == 0


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
    read = replace(assumed_movement(1), spans=np.full(2, 200.0), walk_df=np.full((2, 3), 200.0))
    many = movement_terms(read, 0)
    assert (few.assumed, few.spans) == (True, 0)
    assert (many.assumed, many.spans) == (False, 200)
    width = [t.walk_gap_cents_per_sqrt_day.high - t.walk_gap_cents_per_sqrt_day.low for t in (few, many)]
    assert width[1] < 0.3 * width[0]


@pytest.mark.parametrize("times", [pytest.param(1.0, marks=pytest.mark.slow), 1.5])
def test_the_interval_of_a_walk_holds_it_nine_times_in_ten(times: float) -> None:
    """Shops whose spans show the walk, of the assumed size or larger, beneath the errors of two readings each."""
    rng = np.random.default_rng(7)
    held = []
    for _ in range(25):
        terms = walked(rng, times, 50)
        found = (
            terms.walk_crow_cents_per_sqrt_day, terms.walk_gap_cents_per_sqrt_day, terms.walk_pitch_cents_per_sqrt_day,
        )  # fmt: skip
        true = times * np.sqrt(np.diag(WALK))
        held += [one.low <= sd <= one.high for one, sd in zip(found, true, strict=True)]
    assert 0.84 <= np.mean(held) <= 0.98


def test_how_far_reeds_settle_has_an_interval_and_is_called_assumed_until_readings_narrow_it() -> None:
    before = movement_terms(assumed_movement(1), 0)
    assert before.settle_assumed == ("age", "work")
    assert before.settle_work_gap_interval_cents.high == pytest.approx(1.645 * np.sqrt(SETTLE[1, GAP, GAP]), rel=1e-3)
    rng, n, held = np.random.default_rng(3), 120, []
    for _ in range(20):
        worked = np.column_stack([np.zeros(n), rng.uniform(0.0, 1.0, n)])
        moved = rng.multivariate_normal(
            np.zeros(3), WALK + 2.0 * SITTING + 2.0 * MEASURE @ assumed_noise() @ MEASURE.T, n
        )
        moved[:, GAP] += 2.0 * worked[:, 1]
        spans = IdleSpans(np.zeros(n, dtype=np.intp), np.ones(n), moved, worked, np.full((n, 3), 2.0), np.empty((0, 3)))
        after = movement_terms(learned_movement(spans, assumed_noise(), 1), 0)
        assert after.settle_assumed == ("age",)
        found = after.settle_work_gap_interval_cents
        assert found.mean == pytest.approx(after.settle_work_gap_cents)
        assert found.high - found.low < 0.7 * (
            before.settle_work_gap_interval_cents.high - before.settle_work_gap_interval_cents.low
        )
        held.append(found.low <= 2.0 <= found.high)
    assert np.mean(held) >= 0.8
