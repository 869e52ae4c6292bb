"""The joint algebra against the dense version of it (dense_shop.py), and the judging of slips."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.regression.dense_shop import (
    OWN,
    K,
    Shop,
    before,
    card_of,
    cells,
    error_cov,
    part_of,
    plain_rows,
    reed_view,
    small_shop,
    told,
)
from trimfit.regression.fitting.em_iterations import Globals, batch_views, joint_pass, pieces_of
from trimfit.regression.posterior.batch import (
    Terms,
    batch_posterior,
    batch_sums,
    deletion,
    reading_noise,
    reed_moments,
    row_precision,
    sound_weights,
)
from trimfit.regression.posterior.reed import batch_states
from trimfit.regression.priors import REGRESSORS, assumed_batch_cov, assumed_noise, assumed_reed_cov, stroke_spread

Array = NDArray[np.float64]
TIGHT = {"rtol": 1e-8, "atol": 1e-8}


def _globals(shop: Shop) -> tuple[Globals, tuple[Array, Array]]:
    start = before(shop)
    size = start.batch_at(0).start
    empty = np.empty(0)
    found = Globals(
        shop.batch_cov,
        shop.reed_cov,
        shop.noise_cov,
        shop.reed_scale,
        shop.noise_scale,
        np.empty((0, 0)),
        empty,
        empty,
        shop.movement,
    )
    return found, (start.mean[:size], np.linalg.inv(start.cov[:size, :size]))


@pytest.mark.parametrize("seed", [0, 1])
def test_all_coefficients_batches_and_reeds_as_in_one_dense_covariance(seed: int) -> None:
    shop = small_shop(seed)
    dense = told(shop, before(shop))
    g, prior = _globals(shop)
    rows = plain_rows(shop)
    pieces = pieces_of(rows, shop.coding, len(shop.coding.types))
    joint_pass(rows, pieces, g, prior)
    size = len(g.coef)
    np.testing.assert_allclose(g.coef, dense.mean[:size], **TIGHT)
    np.testing.assert_allclose(g.coef_cov, dense.cov[:size, :size], **TIGHT)
    first = 0
    for b, (piece, sums, post) in enumerate(batch_views(rows, pieces, g)):
        at = np.r_[np.arange(len(dense.mean))[dense.batch_at(b)], piece.local]
        np.testing.assert_allclose(post.mean, dense.mean[at], **TIGHT)
        np.testing.assert_allclose(post.cov, dense.cov[np.ix_(at, at)], **TIGHT)
        mean, cov = reed_moments(sums, post)
        for r in range(len(mean)):
            levels = dense.level_at(first + r, 0).start, dense.level_at(first + r, dense.counts[first + r] - 1).stop
            errors = dense.error_at(first + r, 0).start, dense.error_at(first + r, dense.counts[first + r] - 1).stop
            # a reed's own terms, then at each sitting its level with that sitting's error
            pick = np.zeros((OWN + levels[1] - levels[0], len(dense.mean)))
            pick[:OWN, dense.reed_at(first + r)] = np.eye(OWN)
            pick[OWN:, slice(*levels)] = pick[OWN:, slice(*errors)] = np.eye(levels[1] - levels[0])
            size = len(pick)
            np.testing.assert_allclose(mean[r, :size], pick @ dense.mean, **TIGHT)
            np.testing.assert_allclose(cov[r, :size, :size], pick @ dense.cov @ pick.T, rtol=1e-7, atol=1e-7)
        first += len(mean)


def test_left_out_readings_and_cells_by_leaving_them_out() -> None:
    shop = small_shop(2, batches=(0, 0), reeds=2)
    start = before(shop)
    g, prior = _globals(shop)
    rows = plain_rows(shop)
    pieces = pieces_of(rows, shop.coding, len(shop.coding.types))
    joint_pass(rows, pieces, g, prior)
    row = 0
    for piece, sums, post in batch_views(rows, pieces, g):
        y = rows.y[piece.at]
        gone = deletion(sums, post, y)
        z = gone.cell_residuals()
        left_out = {}
        for seen, at, errors, spreads in gone.left_out():
            left_out |= {int(i): (errors[j], spreads[j], seen) for j, i in enumerate(at)}
        squares, freedom = np.zeros((2, len(y)))
        for i, (error, spread, seen) in sorted(left_out.items()):
            others = np.ones_like(shop.rows.y, dtype=bool)
            others[row] = False
            without = start.conditioned(*cells(shop, start, others))
            design, values, noise = cells(shop, start, ~others)
            np.testing.assert_allclose(seen, np.flatnonzero(np.isfinite(shop.rows.y[row])))
            np.testing.assert_allclose(error, values - design @ without.mean, rtol=1e-7, atol=1e-6)
            np.testing.assert_allclose(spread, design @ without.cov @ design.T, rtol=1e-6, atol=1e-5)
            whole = spread + noise
            pull = np.linalg.solve(whole, error)
            squares[i], freedom[i] = pull @ noise @ pull, np.trace(np.linalg.solve(whole, noise))
            for k in seen[:3]:
                alone = np.ones_like(shop.rows.y, dtype=bool)
                alone[row, k] = False
                # the cell's error is tied to those of its own reading, so they are conditioned on as well
                inside = np.flatnonzero(seen == k)[0]
                rest = np.delete(np.arange(len(seen)), inside)
                tie = whole[inside, rest] @ np.linalg.inv(whole[np.ix_(rest, rest)])
                miss = error[inside] - tie @ error[rest]
                sd = np.sqrt(whole[inside, inside] - tie @ whole[rest, inside])
                assert z[i, k] == pytest.approx(miss / sd, rel=1e-5)
            row += 1
        np.testing.assert_allclose(gone.noise_residuals(), (squares, freedom), rtol=1e-6)
    assert row == len(shop.rows)


def test_weights_of_a_reading_and_of_a_cell() -> None:
    noise = assumed_noise()
    half = reading_noise(np.full((1, K), 0.5), noise)[0]
    np.testing.assert_allclose(half, 2.0 * noise)
    slip = np.ones(K)
    slip[3] = 1e-6
    cov = reading_noise(slip[None], noise)[0]
    assert cov[3, 3] == pytest.approx(1e6 * noise[3, 3])
    np.testing.assert_allclose(np.delete(cov[3], 3), np.delete(noise[3], 3))
    y = np.full((1, K), 10.0)
    w, wy = row_precision(y, slip[None], noise)
    hole = y.copy()
    hole[0, 3] = np.nan
    w_hole, wy_hole = row_precision(hole, np.ones((1, K)), noise)
    np.testing.assert_allclose(w, w_hole, atol=1e-5)
    np.testing.assert_allclose(wy, wy_hole, atol=1e-4)


def test_error_covariance_agrees_with_its_dense_twin() -> None:
    shop = small_shop(4)
    for i in range(len(shop.rows)):
        taken = np.flatnonzero(np.isfinite(shop.rows.y[i]))
        found = reading_noise(
            shop.rows.weight[i, taken][None],
            shop.noise_cov[np.ix_(taken, taken)] * shop.noise_scale[shop.rows.type_code[i]],
        )[0]
        np.testing.assert_allclose(found, error_cov(shop, i)[np.ix_(taken, taken)])


@pytest.mark.parametrize("seed", [0, 3])
def test_a_batch_read_since_the_fit_counts_every_reading_once(seed: int) -> None:
    """The fitted model was fitted on some readings; with the later ones the state is that of one dense fit of all, in
    which the batch's reeds answer a stroke each in its own way."""
    whole = small_shop(seed)
    mine = whole.rows.batch_code == 1
    last_of_reed = np.r_[np.diff(whole.rows.reed_code) != 0, True]
    late = mine & last_of_reed & (whole.rows.reed_code % 3 != 0)
    early = replace(whole, rows=part_of(whole.rows, ~late))
    plain = before(whole)
    model = card_of(whole, plain.conditioned(*cells(early, plain)))
    strokes = {1: stroke_spread(model.type_coef(0)[REGRESSORS.index("lip")])}
    # The batch's weights are given, so that no judging of slips stands between the two.
    rows = part_of(whole.rows, mine)
    codes = np.unique(rows.chanter_code[rows.chanter_code >= 0])
    names = tuple(np.unique(rows.reed_code))
    sorted_rows = replace(
        rows,
        reed_code=np.searchsorted(names, rows.reed_code).astype(np.intp),
        reeds=tuple(rows.reeds[r] for r in names),
    )
    for in_fit in (~late[mine], np.zeros(int(mine.sum()), dtype=bool)):
        states, blank, weighed = batch_states(
            model, sorted_rows, model.coding, 0, in_fit=in_fit, chanter_names=model.coding.chanters
        )
        # a reading newer than the fit has the weight, and the jump before it, that were found for it here
        judged_weight, judged_jump = whole.rows.weight.copy(), whole.rows.jump.copy()
        judged_weight[mine], judged_jump[mine] = weighed.weight, weighed.jump
        judged = replace(whole, rows=replace(whole.rows, weight=judged_weight, jump=judged_jump))
        start = before(judged, strokes)
        design, values, noise = cells(judged, start)
        if in_fit.any():
            dense = start.conditioned(design, values, noise)
        else:  # nothing was in the fit: the fitted model's coefficients are the prior, and the batch is new
            alone = cells(judged, start, np.repeat(mine[:, None], K, axis=1))
            size = start.batch_at(0).start
            fresh = replace(start, mean=start.mean.copy(), cov=start.cov.copy())
            fresh.mean[:size], fresh.cov[:size, :size] = model.coef, model.coef_cov
            dense = fresh.conditioned(*alone)
        for state, r in zip(states, names, strict=True):
            mean, cov = reed_view(judged, dense, int(r), tuple(int(c) for c in codes))
            np.testing.assert_allclose(state.mean, mean, rtol=1e-6, atol=1e-6)
            np.testing.assert_allclose(state.cov, cov, rtol=1e-6, atol=2e-6)
        assert np.linalg.eigvalsh(blank.cov).min() > -1e-8


def _start_and_slope() -> tuple[Array, Array]:
    """The assumed covariances of a batch and a reed, without their bends."""
    reed_cov = assumed_reed_cov()
    batch_cov = assumed_batch_cov(reed_cov, reed_cov, 0.0)
    return batch_cov[: 2 * K, : 2 * K], reed_cov[: 2 * K, : 2 * K]


def _readings(
    rng: np.random.Generator, slip: tuple[float, bool] | None
) -> tuple[Array, Array, Array, NDArray[np.intp]]:
    """Six reeds read three times; slip: so many cents on one note of the second reading of reed 1, or on all of it."""
    batch_cov, reed_cov = _start_and_slope()
    x = np.tile([0.0, 0.3, 0.6], 6)
    psi, reed = np.column_stack([np.ones(18), x]), np.repeat(np.arange(6), 3)
    dev = (np.linalg.cholesky(reed_cov) @ rng.standard_normal((2 * K, 6))).T[reed]
    dev = dev + np.linalg.cholesky(batch_cov) @ rng.standard_normal(2 * K)
    y = 100.0 + 80.0 * x[:, None] + dev[:, :K] + dev[:, K:] * x[:, None]
    y = y + (np.linalg.cholesky(assumed_noise()) @ rng.standard_normal((K, 18))).T
    if slip is not None:
        size, whole = slip
        y[4, :] += np.where(whole | (np.arange(K) == 6), size, 0.0)
    return y, psi, psi.copy(), reed.astype(np.intp)


def _passes(y: Array, psi: Array, x: Array, reed: NDArray[np.intp], passes: int) -> tuple[Array, Array]:
    """Weights after so many passes, and reed 1's deviation under them."""
    batch_cov, reed_cov = _start_and_slope()
    noise, weight = assumed_noise(), np.ones_like(y)
    for turn in range(passes + 1):
        w, wy = row_precision(y, weight, noise)
        sums = batch_sums(Terms.of(psi, x), w, wy, reed, reed_cov)
        prior = np.eye(2 * K) / 1e4
        post = batch_posterior(sums.m, sums.mv, batch_cov, prior, prior @ np.full(2 * K, 80.0))
        if turn < passes:
            weight = sound_weights(deletion(sums, post, y), reed, noise, np.ones_like(y), weight)
    return weight, reed_moments(sums, post)[0][1]


@pytest.mark.parametrize("size", [30.0, 200.0, -1200.0, 3986.0])
def test_one_slipped_note_is_found_and_leaves_no_trace(size: float) -> None:
    clean = _readings(np.random.default_rng(1), None)
    slipped = _readings(np.random.default_rng(1), (size, False))
    hole = slipped[0].copy()
    hole[4, 6] = np.nan
    without = _passes(hole, *clean[1:], passes=0)[1]
    for passes in (1, 2, 3):  # found at once, and not forgiven the next time
        weight, dev = _passes(*slipped, passes=passes)
        assert weight[4, 6] < 0.05
        assert np.delete(weight[4], 6).min() > 0.9
        np.testing.assert_allclose(dev[:K], without[:K], atol=1.0)


@pytest.mark.parametrize("size", [40.0, -60.0])
def test_a_reading_of_another_reed_counts_for_little_however_often_it_is_judged(size: float) -> None:
    clean = _passes(*_readings(np.random.default_rng(1), None), passes=0)[1]
    for passes in (1, 2, 3):
        weight, dev = _passes(*_readings(np.random.default_rng(1), (size, True)), passes=passes)
        assert weight[4].max() < 0.15
        np.testing.assert_allclose(dev[1:K], clean[1:K], atol=3.0)


def test_sound_readings_keep_their_weight() -> None:
    lowered = 0
    for seed in range(30):
        weight, _ = _passes(*_readings(np.random.default_rng(seed), None), passes=2)
        lowered += int((weight < 0.9).sum())
    assert lowered < 0.01 * 30 * 18 * K
