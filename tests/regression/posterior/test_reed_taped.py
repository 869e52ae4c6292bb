"""Notes read with tape on their holes, against one dense Gaussian that knows each tape's shift as one unknown more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.regression.dense_shop import (
    K,
    M,
    Shop,
    Unknowns,
    before,
    card_of,
    cells,
    part_of,
    plain_rows,
    reed_view,
    small_shop,
)
from trimfit.base.pitch import OUTPUTS
from trimfit.regression.chanters.kinds import hierarchy_of
from trimfit.regression.design import tapes_of, with_tape
from trimfit.regression.fitted_model import FittedModel, model_from_bytes, model_to_bytes
from trimfit.regression.fitting.em_iterations import Globals, joint_pass, pieces_of
from trimfit.regression.fitting.steps import _full_prior, coefficient_prior
from trimfit.regression.posterior.reed import batch_states
from trimfit.regression.priors import chanter_spread, tape_prior

Array = NDArray[np.float64]
F_NOTE, D_NOTE = OUTPUTS.index("f"), OUTPUTS.index("d")
TAPES = ((0, F_NOTE), (1, D_NOTE))


def taped_shop(seed: int) -> Shop:
    """A small shop whose readings in its two chanters have F, or D, taped every other time."""
    shop = small_shop(seed, holes=0.1)
    rows = shop.rows
    y, taped = rows.y.copy(), np.full_like(rows.y, np.nan)
    for chanter, k in TAPES:
        on = (rows.chanter_code == chanter) & (np.arange(len(rows)) % 2 == 1)
        taped[on, k], y[on, k] = y[on, k] - 18.0, np.nan
    return replace(shop, rows=replace(rows, y=y, taped=taped))


def dense(shop: Shop, pick: NDArray[np.bool_] | None = None) -> Unknowns:
    """The shop's posterior with each tape's shift of the ten outputs laid last; pick (n,): of these readings alone."""
    rows = with_tape(shop.rows, TAPES)[0]
    open_shop = replace(shop, rows=rows)
    start = before(shop)
    n, more = len(start.mean), len(TAPES) * K
    mean, cov = np.r_[start.mean, np.zeros(more)], np.zeros((n + more, n + more))
    cov[:n, :n] = start.cov
    for number, (_, k) in enumerate(TAPES):
        at = slice(n + K * number, n + K * (number + 1))
        mean[at], cov[at, at] = tape_prior(k)
    wide = replace(start, mean=mean, cov=cov)
    mask = None if pick is None else np.repeat(pick[:, None], K, axis=1)
    design, values, noise = cells(open_shop, wide, mask)
    taken = np.isfinite(rows.y) if mask is None else np.isfinite(rows.y) & mask
    for line, (i, j) in enumerate(np.argwhere(taken).tolist()):
        for number, (chanter, k) in enumerate(TAPES):
            if rows.chanter_code[i] == chanter and np.isfinite(shop.rows.taped[i, k]):
                design[line, n + K * number + j] = 1.0
    return wide.conditioned(design, values, noise)


def model_of(shop: Shop, found: Unknowns) -> FittedModel:
    """The fitted model that a fit under the shop's covariances would leave."""
    size = found.batch_at(0).start
    order = np.r_[np.arange(size), np.arange(len(found.mean) - len(TAPES) * K, len(found.mean))]
    model = replace(card_of(shop, found), hierarchy=hierarchy_of(shop.coding.chanters, {}, chanter_spread()))
    return replace(model, coef=found.mean[order], coef_cov=found.cov[np.ix_(order, order)], tapes=TAPES)


def test_the_joint_pass_with_tapes_is_dense_conditioning() -> None:
    shop = taped_shop(2)
    assert tapes_of(shop.rows, 2) == TAPES
    model = model_of(shop, dense(shop))
    rows, on = with_tape(plain_rows(shop), TAPES)
    settled = plain_rows(replace(shop, rows=with_tape(shop.rows, TAPES)[0]))
    rows = replace(rows, y=settled.y)
    g = Globals(
        shop.batch_cov, shop.reed_cov, shop.noise_cov, shop.reed_scale, shop.noise_scale, chanter_spread(),
        np.empty(0), np.empty(0), shop.movement,
    )  # fmt: skip
    prior = _full_prior(coefficient_prior(2), g, 2, TAPES)
    first = len(prior[0]) - len(TAPES) * K
    joint_pass(rows, pieces_of(rows, shop.coding, 2, (on, first)), g, prior)
    np.testing.assert_allclose(g.coef, model.coef, rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(g.coef_cov, model.coef_cov, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("known", [TAPES, TAPES[:1]])
def test_a_reeds_state_counts_taped_notes_as_one_dense_gaussian_does(known: tuple[tuple[int, int], ...]) -> None:
    """Readings in the fit and since, of tapes that the fitted model knows and of one that it does not."""
    shop = taped_shop(3)
    mine = shop.rows.batch_code == 1
    late = mine & (np.arange(len(shop.rows)) % 3 == 0)
    shop = replace(shop, rows=replace(shop.rows, lip=np.where(mine, 0.0, shop.rows.lip)))
    model = model_of(shop, dense(replace(shop, rows=_without(shop, known, ~late)), ~late))
    keep = np.r_[np.arange(len(model.coef) - len(TAPES) * K)]
    keep = np.r_[keep, len(keep) + np.concatenate([K * TAPES.index(tape) + np.arange(K) for tape in known])]
    model = replace(model, coef=model.coef[keep], coef_cov=model.coef_cov[np.ix_(keep, keep)], tapes=known)
    rows = part_of(shop.rows, mine)
    names = tuple(np.unique(rows.reed_code))
    rows = replace(
        rows,
        reed_code=np.searchsorted(names, rows.reed_code).astype(np.intp),
        reeds=tuple(rows.reeds[r] for r in names),
    )
    states, blank, weighed = batch_states(
        model, rows, model.coding, 0, in_fit=~late[mine], chanter_names=model.coding.chanters
    )
    weight, jump = shop.rows.weight.copy(), shop.rows.jump.copy()
    weight[mine], jump[mine] = weighed.weight, weighed.jump
    # of the other batches, what was read with a tape that the fitted model does not know is in neither
    whole = dense(replace(shop, rows=replace(_without(shop, known, ~mine), weight=weight, jump=jump)))
    codes = tuple(int(c) for c in np.unique(rows.chanter_code[rows.chanter_code >= 0]))
    for state, r in zip(states, names, strict=True):
        mean, cov = reed_view(shop, whole, int(r), codes)
        lip = np.r_[np.arange(3 * K, 4 * K)]
        rest = np.delete(np.arange(len(mean)), lip)
        assert len(state.mean) == len(mean) == M * K + 2 * K * len(codes) + 6
        np.testing.assert_allclose(state.mean[rest], mean[rest], rtol=1e-6, atol=2e-6)
        np.testing.assert_allclose(state.cov[np.ix_(rest, rest)], cov[np.ix_(rest, rest)], rtol=1e-6, atol=5e-6)
    assert len(blank.mean) == len(states[0].mean)


def _without(shop: Shop, known: tuple[tuple[int, int], ...], fitted: NDArray[np.bool_]):  # type: ignore[no-untyped-def]
    """The rows without what was read with a tape that the fitted model does not know, where they were in the fit."""
    taped = shop.rows.taped.copy()
    for chanter, k in TAPES:
        if (chanter, k) not in known:
            taped[fitted & (shop.rows.chanter_code == chanter), k] = np.nan
    return replace(shop.rows, taped=taped)


def test_tapes_are_kept_with_the_fitted_model() -> None:
    shop = taped_shop(2)
    model = model_of(shop, dense(shop))
    again = model_from_bytes(model_to_bytes(model))
    assert again.tapes == TAPES
    assert again.tape_cents(0) == model.tape_cents(0)
    mean, sd = model.tape_cents(1)
    assert sd < 15.0
    assert mean < 0.0
