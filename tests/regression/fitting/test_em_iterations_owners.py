"""What an owner reads in a chanter that is away counts for less than at the bench, and how much less is learned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.regression.dense_shop import Shop, before, card_of, small_shop
from trimfit.regression.design import OUTPUTS, base_weight
from trimfit.regression.fitting import em_iterations
from trimfit.regression.fitting.em_iterations import Globals, joint_pass, owners_weight, pieces_of
from trimfit.regression.fitting.steps import _full_prior, coefficient_prior
from trimfit.regression.posterior.reed import batch_states
from trimfit.regression.priors import OWNERS_WEIGHT, chanter_spread

K = len(OUTPUTS)


def one_batch() -> Shop:
    """One batch whose readings were all taken in the first of two chanters, with A's that agree."""
    shop = small_shop(2, types=1, batches=(0,), reeds=4, holes=0.0)
    rows = replace(shop.rows, chanter_code=np.zeros(len(shop.rows), dtype=np.intp))
    rows.y[:, OUTPUTS.index("high_a")] = rows.y[:, OUTPUTS.index("low_a")]
    return replace(shop, rows=rows)


def test_it_counts_as_one_at_the_bench_with_twice_the_error() -> None:
    shop = one_batch()
    model = card_of(shop, before(shop))
    none = np.zeros(len(shop.rows), dtype=bool)
    names = shop.coding.chanters
    assert OWNERS_WEIGHT == 0.25
    found, _, _ = batch_states(model, shop.rows, replace(model.coding, away=(0,)), 0, in_fit=none, chanter_names=names)
    worse = replace(model, noise_cov=4.0 * model.noise_cov)
    expected, _, _ = batch_states(worse, shop.rows, model.coding, 0, in_fit=none, chanter_names=names)
    sound, _, _ = batch_states(model, shop.rows, model.coding, 0, in_fit=none, chanter_names=names)
    for ours, theirs, better in zip(found, expected, sound, strict=True):
        np.testing.assert_allclose(ours.mean, theirs.mean, rtol=1e-8, atol=1e-8)
        np.testing.assert_allclose(ours.cov, theirs.cov, rtol=1e-8, atol=1e-8)
        assert np.trace(ours.cov) > np.trace(better.cov)


def test_what_the_fit_held_counts_as_it_did_then() -> None:
    """A chanter went home after the fit: the readings that the fit held in it are none of its owner's."""
    shop = one_batch()
    model = card_of(shop, before(shop))
    everything = np.ones(len(shop.rows), dtype=bool)
    gone = replace(model.coding, away=(0,))
    names = shop.coding.chanters
    found, _, _ = batch_states(model, shop.rows, gone, 0, in_fit=everything, chanter_names=names)
    expected, _, _ = batch_states(model, shop.rows, model.coding, 0, in_fit=everything, chanter_names=names)
    for ours, theirs in zip(found, expected, strict=True):
        np.testing.assert_array_equal(ours.mean, theirs.mean)


def test_only_readings_in_chanters_that_are_away_count_for_less() -> None:
    shop = small_shop(2)
    coding = replace(shop.coding, away=(1,), owners_weight=0.3)
    share = base_weight(shop.rows, coding) / base_weight(shop.rows, shop.coding)
    np.testing.assert_allclose(share, np.where(shop.rows.chanter_code == 1, 0.3, 1.0)[:, None] * np.ones(K))


@pytest.mark.parametrize("variance", [1.0, 9.0])
def test_how_much_worse_owners_read_is_found_again(variance: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve batches of eight reeds read in two chanters, in the second with errors of so many times the variance: some
    fifty degrees of freedom, all but alone."""
    monkeypatch.setattr(em_iterations, "OWNERS_CELLS", 1.0)
    rng = np.random.default_rng(7)
    shop = small_shop(3, types=1, batches=(0,) * 12, reeds=8, holes=0.0)
    theirs = shop.rows.chanter_code == 1
    errors = rng.multivariate_normal(np.zeros(K), shop.noise_cov * float(shop.noise_scale[0]), len(shop.rows))
    y = errors * np.where(theirs, np.sqrt(variance), 1.0)[:, None]
    coding = replace(shop.coding, away=(1,))
    rows = replace(shop.rows, y=y, weight=np.where(theirs, OWNERS_WEIGHT, 1.0)[:, None] * np.ones(K))
    g = Globals(
        shop.batch_cov, shop.reed_cov, shop.noise_cov, shop.reed_scale, shop.noise_scale, chanter_spread(),
        np.empty(0), np.empty(0), None,
    )  # fmt: skip
    pieces = pieces_of(rows, coding, 1)
    joint_pass(rows, pieces, g, _full_prior(coefficient_prior(1), g, 2))
    assert 1.0 / owners_weight(rows, pieces, g, coding) == pytest.approx(variance, rel=0.4)
