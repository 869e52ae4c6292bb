"""Unusual notes: the estimate against generalised least squares written out, and which are called in a made shop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from trimfit.base.pitch import NOTES
from trimfit.regression.chanters import notes as notes_module
from trimfit.regression.chanters.kinds import ChanterFacts, hierarchy_of, prior_of_offsets
from trimfit.regression.chanters.notes import chanter_notes, crow_over_kind_cents
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import prior_model
from trimfit.regression.priors import C_TERMS, chanter_spread

Array = NDArray[np.float64]
K = 10
WIDE = C_TERMS * K


def shop(rng: np.random.Generator, chanters: int = 12, *, error: float = 0.7, carved: float = 0.0) -> FittedModel:
    """A fitted model of chanters in three kinds whose notes lean by three cents each; F of the second is carved."""
    names = tuple(f"c{i}" for i in range(chanters))
    h = hierarchy_of(names, {name: ChanterFacts(f"k{i % 3}") for i, name in enumerate(names)}, chanter_spread())
    theta = np.zeros((chanters, C_TERMS, K))
    theta[:, 0, 1:] = rng.normal(0.0, 8.0, (chanters, 1)) + rng.normal(0.0, 3.0, (chanters, 9))
    if carved:
        theta[1, 0, 7] = theta[1, 0, 1:].mean() + carved
    read = theta + np.where(np.arange(K) > 0, rng.normal(0.0, error, theta.shape), 0.0)
    mean, precision = prior_of_offsets(h)
    info = np.zeros(len(mean))
    info[: theta.size] = 1.0 / error**2
    cov = np.linalg.inv(precision + np.diag(info))
    vector = np.r_[read.reshape(-1) / error**2, np.zeros(len(mean) - theta.size)]
    plain = prior_model(("a",), 6.0, 20.0, 3.7)
    size = len(plain.coef)
    whole = np.zeros((size + len(mean),) * 2)
    whole[:size, :size], whole[size:, size:] = 1e-4 * plain.coef_cov, cov
    return replace(
        plain, coding=replace(plain.coding, chanters=names), coef=np.r_[plain.coef, cov @ (precision @ mean + vector)],
        coef_cov=whole, hierarchy=h, readings=500, reeds=np.array([240]),
    )  # fmt: skip


def test_how_far_a_note_is_off_is_generalised_least_squares() -> None:
    """With y = theta + e and a note's shift as one more regressor, written out over all offsets."""
    model, error = shop(np.random.default_rng(0), 6, error=2.0), 2.0
    mu, precision = prior_of_offsets(model.hierarchy)
    first, n = model.chanter_slice(0).start, 6 * WIDE
    prior = np.linalg.inv(precision)[:n, :n]
    m, v = model.coef[first:], model.coef_cov[first:, first:]
    y = (np.linalg.solve(v, m) - precision @ mu)[:n] * error**2
    total = np.linalg.inv(prior + error**2 * np.eye(n))
    pull, info = notes_module._against_kind(model)
    delta, variance = notes_module._given(pull, info, np.array([16]))
    for number in (3, 16, 40):
        chanter, k = divmod(number, 9)
        shifts = [WIDE * 1 + 1 + 7] if number != 16 else []
        x = np.eye(n)[:, [WIDE * chanter + 1 + k, *shifts]]
        cov = np.linalg.inv(x.T @ total @ x)
        assert delta[number] == pytest.approx((cov @ x.T @ total @ y)[0], abs=1e-8)
        assert variance[number] == pytest.approx(cov[0, 0], rel=1e-8)


def test_a_carved_f_is_named_with_what_it_does_to_the_crow() -> None:
    found = chanter_notes(shop(np.random.default_rng(3), carved=16.0))
    called = [(name, one.note) for name, notes in found.items() for one in notes if one.unusual]
    assert called == [("c1", "f")]
    (note,) = (one for one in found["c1"] if one.note == "f")
    assert note.unusual_cents == pytest.approx(16.0, abs=5.0)
    assert [one.note for one in found["c0"]] == list(NOTES)
    model = shop(np.random.default_rng(3), carved=16.0)
    assert crow_over_kind_cents(model, "c1") < -20.0


def test_where_nothing_is_carved_hardly_a_note_is_called() -> None:
    called = [
        sum(one.unusual for notes in chanter_notes(shop(np.random.default_rng(seed))).values() for one in notes)
        for seed in range(10, 15)
    ]
    assert sum(called) <= 3
    assert sorted(called)[2] == 0


def test_a_shop_of_one_chanter_and_one_without_readings_call_nothing() -> None:
    alone = chanter_notes(shop(np.random.default_rng(1), 1))
    assert not any(one.unusual for notes in alone.values() for one in notes)
    assert chanter_notes(prior_model((), 6.0, 20.0, 3.7)) == {}
