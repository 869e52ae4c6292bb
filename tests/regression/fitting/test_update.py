"""Coefficients that follow the log by its changed batches alone: what a pass over all rows gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.speed.biglog import frame_of, make
from trimfit.regression.design import Rows, balance_weight, rows_from_frame, sort_rows, take_rows
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.em_iterations import Globals, joint_pass, pieces_of
from trimfit.regression.fitting.steps import _full_prior, coefficient_prior, fit_model
from trimfit.regression.fitting.update import Changed, refreshed
from trimfit.regression.movement.process import unsettled
from trimfit.regression.posterior.reed import batch_states

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def shop() -> tuple[FittedModel, Rows, tuple[str, ...]]:
    """A fit, its rows sorted, and the chanters' names; some readings are slips."""
    frame = frame_of(make(100, seed=5, chanters=3))
    frame.loc[frame.index[7::61], "f_cents"] += 70.0
    rows, types, chanters = rows_from_frame(frame)
    model = fit_model(rows, types, chanters, pressure_kpa=6.0, temperature_c=20.0, balance_cents=3.7)
    return model, sort_rows(rows), chanters


def by_pass(model: FittedModel, rows: Rows) -> FittedModel:
    """The fitted model with the coefficients that one pass over these rows gives under its covariances."""
    empty = np.empty(0)
    g = Globals(model.batch_cov, model.reed_cov, model.noise_cov, model.reed_scale, model.noise_scale,
    model.chanter_cov,
                empty, empty, model.movement)  # fmt: skip
    rows = replace(rows, y=unsettled(rows.y, rows, model.movement))
    prior = _full_prior(coefficient_prior(model.n_types), g, len(model.coding.chanters))
    joint_pass(rows, pieces_of(rows, model.coding, model.n_types), g, prior)
    return replace(model, coef=g.coef, coef_cov=g.coef_cov)


def as_kept(model: FittedModel, rows: Rows) -> Rows:
    """The rows with the weights that the fitted model holds of them."""
    weight = np.repeat(np.maximum(balance_weight(rows.y, model.coding), 1e-3)[:, None], 10, axis=1)
    weight[:, 0] = 1.0
    for i, label in enumerate(rows.label):
        weight[i] = model.low_weight.get(str(label), weight[i])
    return replace(rows, weight=weight, jump=np.isin(rows.label.astype(str), model.jumped).astype(float))


def changed_of(rows: Rows, seen: NDArray[np.bool_], chanters: tuple[str, ...]) -> list[Changed]:
    out = []
    for code in np.unique(rows.batch_code[~seen]):
        at = np.flatnonzero(rows.batch_code == code)
        out.append(Changed(take_rows(rows, at), seen[at], chanters))
    return out


def test_changed_batches_alone_give_what_a_pass_over_all_rows_gives(
    shop: tuple[FittedModel, Rows, tuple[str, ...]],
) -> None:
    """New reeds of old batches, new readings of old reeds, whole new batches; slips among the new readings too."""
    model, rows, chanters = shop
    last_batches = rows.batch_code >= rows.batch_code.max() - 1
    last_of_reed = np.r_[np.diff(rows.reed_code) != 0, True]
    later = last_of_reed & (rows.reed_code % 2 == 0) & (rows.batch_code % 3 == 0)
    seen = ~(last_batches | later)
    old = take_rows(rows, np.flatnonzero(seen))
    kept = {label: model.low_weight[label] for label in map(str, old.label) if label in model.low_weight}
    before = by_pass(replace(model, low_weight=kept), as_kept(replace(model, low_weight=kept), old))
    changed = changed_of(rows, seen, chanters)
    assert 1 < len(changed) < len(np.unique(rows.batch_code))
    after = refreshed(before, changed, 99)

    assert after.last_seq == 99
    assert set(before.low_weight) < set(after.low_weight), "slips among the new readings are kept with the fitted model"
    slow = by_pass(after, as_kept(after, rows))
    scale = np.sqrt(np.diag(slow.coef_cov))
    np.testing.assert_allclose((after.coef - slow.coef) / scale, 0.0, atol=1e-5)
    np.testing.assert_allclose(
        after.coef_cov / np.outer(scale, scale), slow.coef_cov / np.outer(scale, scale), atol=1e-6
    )
    assert np.abs((before.coef - slow.coef) / scale).max() > 0.3, "there was something to follow"
    assert np.linalg.eigvalsh(after.coef_cov / np.outer(scale, scale)).min() > 0.0


def test_a_question_is_answered_the_same_before_and_after(shop: tuple[FittedModel, Rows, tuple[str, ...]]) -> None:
    """What a batch's own readings told is counted once, whether the fitted model has them yet or not."""
    model, rows, chanters = shop
    seen = rows.batch_code != 2
    before = by_pass(model, as_kept(model, take_rows(rows, np.flatnonzero(seen))))
    (one,) = changed_of(rows, seen, chanters)
    after = refreshed(before, [one], 99)
    answers = [
        batch_states(held, one.rows, model.coding, int(one.rows.type_code[0]), in_fit=flags, chanter_names=chanters)[0]
        for held, flags in ((before, one.in_fit), (after, np.ones(len(one.rows), dtype=bool)))
    ]
    for new, old in zip(*answers, strict=True):
        sd = np.sqrt(np.maximum(np.diag(old.cov), 1e-12))
        np.testing.assert_allclose((new.mean - old.mean) / sd, 0.0, atol=1e-3)
        np.testing.assert_allclose(np.sqrt(np.maximum(np.diag(new.cov), 1e-12)), sd, rtol=1e-3)
    assert after.batches.sum() == model.batches.sum() + 1
