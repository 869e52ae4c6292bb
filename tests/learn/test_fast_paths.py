"""Every quick way against the plain one: the same answer to rounding."""

import math

import numpy as np
import pytest

from tests.speed.biglog import frame_of, make
from trimfit.learn import predict
from trimfit.learn.design import rows_from_frame, sort_rows, take_rows
from trimfit.learn.fitting import fit_card
from trimfit.learn.joint import Posterior
from trimfit.learn.score import _naive, held_out
from trimfit.plan.belief import AimBelief

K = 10


def _cov(rng: np.random.Generator, size: int) -> np.ndarray:
    root = rng.standard_normal((size, size + 3))
    return root @ root.T


def test_a_reeds_state_as_whole_matrices_give_it() -> None:
    rng = np.random.default_rng(1)
    d, ratio = 2 * K + 60 + 20, 1.3
    post = Posterior(rng.standard_normal(d), _cov(rng, d))
    v_mean, v_q, v_own = rng.standard_normal(2 * K), rng.standard_normal((2 * K, d)), _cov(rng, 2 * K)
    merge = np.zeros((d - 2 * K, d))
    merge[:, 2 * K :] = np.eye(d - 2 * K)
    merge[:K, :K] = np.eye(K)
    merge[K : 2 * K, K : 2 * K] = ratio * np.eye(K)
    lift = np.zeros((d - 2 * K, 2 * K))
    lift[: 2 * K] = np.diag(np.r_[np.ones(K), np.full(K, ratio)])
    reach = merge - lift @ v_q
    mean, cov = predict._merged(post, ratio, v_mean, v_q, v_own)
    np.testing.assert_allclose(mean, merge @ post.mean + lift @ v_mean, atol=1e-10)
    np.testing.assert_allclose(cov, reach @ post.cov @ reach.T + lift @ v_own @ lift.T, rtol=1e-9, atol=1e-8)


@pytest.mark.parametrize(("kappa", "bent"), [(0.0, 0.0), (0.03, 1.5), (-0.2, -4.0)])
def test_the_length_wanted_is_where_the_believed_gap_closes(kappa: float, bent: float) -> None:
    mean = np.array([-31.0, 44.0, bent, 0.0, 90.0, 20.0, 0.0, 0.0])
    belief = AimBelief(mean, np.eye(8), np.ones(1), mean[None], np.eye(8), 0.4, kappa, 1.3, 1.0)
    step, square, _ = belief._steps(np.array([belief.need_mm()]))
    assert belief.need_mm() > 0.3
    assert math.isclose(mean[0] + mean[1] * step[0] + mean[2] * square[0], 0.0, abs_tol=1e-8)


def test_held_out_readings_as_one_reading_after_another_foretells_them() -> None:
    log = make(90, seed=3, chanters=3)
    frame = frame_of(log)
    rng = np.random.default_rng(5)
    for column in ("crow_cents", "e_cents", "f_cents"):
        frame.loc[rng.random(len(frame)) < 0.2, column] = np.nan
    frame = frame[rng.random(len(frame)) < 0.9]
    rows, types, chanters = rows_from_frame(frame)
    card = fit_card(rows, types, chanters, pressure_kpa=6.0, temperature_c=20.0, balance_cents=3.7)
    found = held_out(card, rows)
    rows = sort_rows(rows)
    plain = []
    for batch in np.unique(rows.batch_code):
        mine = take_rows(rows, np.flatnonzero(rows.batch_code == batch))
        every = np.ones(len(mine), dtype=bool)
        _, unseen, _ = predict.batch_states(
            card, mine, card.coding, int(mine.type_code[0]), in_fit=every, chanter_names=chanters, forget=True
        )
        for reed in range(len(mine.reeds)):
            state = unseen
            for before, i in enumerate(np.flatnonzero(mine.reed_code == reed)):
                design = state.design(mine.removed_mm[i], 0.0, chanters[mine.chanter_code[i]])
                y = mine.y[i]
                taken = np.isfinite(y)
                if before:
                    mean, cov = state.outputs(design)
                    sd = np.sqrt(np.diag(cov) + np.diag(state.noise_cov) * card.reading_stretch)
                    plain.append((before, *y, *mean, *sd))
                weight = np.maximum(card.low_weight.get(str(mine.label[i]), np.ones(K)), 1e-4)
                noise = state.noise_cov / np.sqrt(np.outer(weight, weight))
                state = state.updated(design[taken], y[taken], noise[np.ix_(taken, taken)])
    there = np.column_stack([found.before, found.found[:, 1:], found.foretold[:, 1:], found.sd[:, 1:]])
    ours, other = (np.array(sorted(map(tuple, np.nan_to_num(np.array(table))))) for table in (there, plain))
    assert len(found.before) > 200
    np.testing.assert_allclose(ours, other, rtol=1e-6, atol=1e-5)


def test_naive_rules_by_hand() -> None:
    y = np.array([[[10.0], [np.nan], [30.0], [45.0]]])
    by_type, by_reed = _naive(y, np.array([[0.0, 0.1, 0.4, 0.6]]), np.array([40.0]))
    np.testing.assert_allclose(by_type[0, 1:, 0], [14.0, 26.0, 38.0])
    np.testing.assert_allclose(by_reed[0, 1:, 0], [14.0, 26.0, 40.0])
