"""A reading that stands alone: taken out again exactly, weighed as a mixture; the share of wild ones found again."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.plan.make_belief import random_state
from trimfit.learn.unconfirmed import WILD, Alone, _less, wild_share, without

Array = NDArray[np.float64]
TAKEN = np.array([0, 3, 6, 7], dtype=np.intp)


def reading(seed: int, gap: float = -30.0) -> Alone:
    """A reading of crow, B, E and F."""
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((4, 6))
    noise = 0.4 * root @ root.T / 6 + np.diag([4.0, 1.0, 0.8, 0.8])
    return Alone(np.array([400.0, 110.0, 115.0 - gap / 2, 115.0 + gap / 2]), TAKEN, noise, 0, np.nan, np.nan)


@pytest.mark.parametrize("share", [0.3, 0.9, 0.9999])
def test_a_reading_is_taken_out_as_it_was_put_in(share: float) -> None:
    before = random_state(3)
    alone = reading(1)
    design = before.design(0.3, 1.0, "one")[TAKEN]
    after = before.updated(design, alone.cents, alone.noise)
    less = _less(after, design, alone.cents, alone.noise, share)
    lighter = before.updated(design, alone.cents, alone.noise / (1.0 - share))
    np.testing.assert_allclose(less.mean, lighter.mean, rtol=1e-6, atol=1e-5)
    np.testing.assert_allclose(less.cov, lighter.cov, rtol=1e-5, atol=1e-5)


def test_a_reading_as_foretold_is_hardly_wild_and_a_far_one_is() -> None:
    before = random_state(4)
    before = before.updated(before.design(0.0, 0.0, "one")[6:8], np.array([130.0, 100.0]), 0.3 * np.eye(2))
    full = before.design(0.0, 0.0, "one")
    chances = []
    for gap in (-30.0, -33.0, -38.0):
        alone = reading(2, gap)
        after = before.updated(full[TAKEN], alone.cents, alone.noise)
        chance, wild = without(after, full, alone, 0.05)
        chances.append(chance)
        as_wild = before.updated(full[TAKEN], alone.cents, WILD * alone.noise)
        np.testing.assert_allclose(wild.mean, as_wild.mean, rtol=1e-6, atol=1e-5)
    assert chances[0] < 0.05 < chances[1] < chances[2]
    assert chances[2] > 0.5


@pytest.mark.parametrize("share", [0.0, 0.05, 0.15])
def test_the_share_of_wild_readings_is_found_again(share: float) -> None:
    rng = np.random.default_rng(8)
    n = 20_000
    forecast, sound = rng.uniform(0.5, 6.0, n), np.full(n, 1.7)
    wild = rng.random(n) < share
    error = np.sqrt(forecast + np.where(wild, WILD, 1.0) * sound) * rng.standard_normal(n)
    assert wild_share(error, forecast, sound) == pytest.approx(share, abs=0.02)


def test_of_few_readings_little_is_made() -> None:
    assert wild_share(np.zeros(0), np.zeros(0), np.zeros(0)) == pytest.approx(0.01)
    assert wild_share(np.full(3, 9.0), np.ones(3), np.ones(3)) < 0.08
