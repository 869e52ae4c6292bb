"""Every quick way against the plain one: the same answer to rounding."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.speed.biglog import frame_of, make
from trimfit.learn import fitting, predict
from trimfit.learn.covariance import local_design
from trimfit.learn.curve import KNOTS_MM
from trimfit.learn.design import rows_from_frame, sort_rows, take_rows
from trimfit.learn.fitting import fit_card
from trimfit.learn.joint import Posterior
from trimfit.learn.newton import fit_mixed
from trimfit.learn.score import _naive, held_out
from trimfit.learn.sums import cross_products
from trimfit.plan.belief import AimBelief, nodes

K = 10
OWN = 3 * K


def _cov(rng: np.random.Generator, size: int) -> np.ndarray:
    root = rng.standard_normal((size, size + 3))
    return root @ root.T


def test_a_reeds_state_as_whole_matrices_give_it() -> None:
    rng = np.random.default_rng(1)
    d, ratio = OWN + 60 + 20, 1.3
    post = Posterior(rng.standard_normal(d), _cov(rng, d))
    v_mean, v_q, v_own = rng.standard_normal(OWN), rng.standard_normal((OWN, d)), _cov(rng, OWN)
    merge = np.zeros((d - OWN, d))
    merge[:, OWN:] = np.eye(d - OWN)
    merge[:K, :K] = np.eye(K)
    merge[K:OWN, K:OWN] = ratio * np.eye(OWN - K)
    lift = np.zeros((d - OWN, OWN))
    lift[:OWN] = np.diag(np.r_[np.ones(K), np.full(OWN - K, ratio)])
    reach = merge - lift @ v_q
    mean, cov = predict._merged(post, ratio, v_mean, v_q, v_own)
    np.testing.assert_allclose(mean, merge @ post.mean + lift @ v_mean, atol=1e-10)
    np.testing.assert_allclose(cov, reach @ post.cov @ reach.T + lift @ v_own @ lift.T, rtol=1e-9, atol=1e-8)


@pytest.mark.parametrize(("tilt", "bent"), [(0.0, 0.0), (0.06, 1.5), (-0.4, -4.0), (0.3, 0.0)])
def test_the_length_wanted_is_where_the_believed_gap_closes(tilt: float, bent: float) -> None:
    mean = np.array([-31.0, 44.0, bent, 0.0, 90.0, 20.0, 0.0, 0.0])
    belief = AimBelief(mean, np.eye(8), np.ones(1), mean[None], np.eye(8), 0.4, tilt * KNOTS_MM, 1.3, 1.0)
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


def test_terms_that_a_batch_meets_alone_fit_as_all_terms_do() -> None:
    log = make(240, seed=4, chanters=7)
    rows, types, chanters = rows_from_frame(frame_of(log))
    rows = sort_rows(rows)
    n = len(rows)
    x = np.column_stack([np.ones(n), rows.removed_mm, rows.removed_mm**2])
    outer_of = np.zeros(len(rows.reeds), dtype=np.intp)
    outer_of[rows.reed_code] = rows.batch_code
    scales = np.column_stack([np.ones(n), 0.5 + 0.2 * rows.type_code])
    local, columns, n_chanters = local_design(rows, x, scales, len(types))
    wide = np.zeros((n, len(types) * 3 + 2 * n_chanters))
    for b in range(len(columns)):
        at = np.flatnonzero(rows.batch_code == b)
        for j, column in enumerate(columns[b]):
            wide[at, column] += local[at, j]
    for i in range(0, n, 97):
        t, c = rows.type_code[i], rows.chanter_code[i]
        plain = np.zeros(wide.shape[1])
        plain[3 * t : 3 * t + 3] = x[i]
        plain[3 * len(types) + c], plain[3 * len(types) + n_chanters + c] = scales[i]
        np.testing.assert_array_equal(wide[i], plain)
    ridge = 0.01 * np.eye(wide.shape[1])
    weight = np.where(np.arange(n) % 5 == 0, 0.3, 1.0)
    ends = (len(chanters), wide.shape[1])
    assert ends[1] == 12 + 2 * ends[0]
    dense, met = (
        fit_mixed(
            cross_products(x[:, :2], *design, rows.y[:, 6], rows.reed_code, outer_of, weight, named),
            prior_precision=ridge,
        )
        for design, named in (((wide,), None), ((local,), (columns, wide.shape[1])))
    )
    assert met.criterion == pytest.approx(dense.criterion, rel=1e-10)
    np.testing.assert_allclose(met.beta, dense.beta, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(met.inner_cov, dense.inner_cov, rtol=1e-4, atol=1e-4)


def test_a_fit_begun_from_a_share_of_the_groups_ends_where_any_other_does() -> None:
    log = make(6600, seed=6, chanters=1)
    outer_of = log.batch_of
    x = np.column_stack([np.ones(len(log.reed)), log.removed_mm, log.removed_mm**2])
    sums = cross_products(x[:, :2], x, log.y[:, 7], log.reed, outer_of)
    assert sums.share is not None
    assert len(sums.share.outer_of) < len(sums.outer_of) / 3
    quick, plain = fit_mixed(sums), fit_mixed(replace(sums, share=None))
    assert quick.criterion == pytest.approx(plain.criterion, rel=1e-9)
    np.testing.assert_allclose(quick.outer_cov, plain.outer_cov, rtol=2e-3, atol=2e-3)
    np.testing.assert_allclose(quick.inner_cov, plain.inner_cov, rtol=2e-3)


def test_chanters_beyond_those_the_card_holds() -> None:
    """A chanter without a place of its own: what is believed of a batch's reeds is what it would be with one."""
    log = make(240, seed=8, chanters=12)
    rows, types, chanters = rows_from_frame(frame_of(log))
    given = {"pressure_kpa": 6.0, "temperature_c": 20.0, "balance_cents": 3.7}
    whole = fit_card(rows, types, chanters, **given)
    known, names = fitting.most_read_first(rows, chanters)
    assert names == chanters
    held = fitting.MOST_CHANTERS
    try:
        fitting.MOST_CHANTERS = 3
        few = fit_card(rows, types, chanters, **given)
        coded, names = fitting.most_read_first(rows, chanters)
    finally:
        fitting.MOST_CHANTERS = held
    assert len(few.coding.chanters) == 3
    assert len(few.coef) == 60 * len(types) + 60
    count = np.bincount(rows.chanter_code)
    assert {chanters.index(name) for name in names} == set(np.argsort(-count, kind="stable")[:3].tolist())
    means = []
    for card, mine in ((whole, sort_rows(known)), (few, sort_rows(coded))):
        at = np.flatnonzero(mine.batch_code == 2)
        part = take_rows(mine, at)
        words = tuple(str(code) for code in range(int(mine.chanter_code.max()) + 1))
        every = np.ones(len(part), dtype=bool)
        states, _, _ = predict.batch_states(
            card, part, card.coding, int(part.type_code[0]), in_fit=every, chanter_names=words
        )
        first = np.flatnonzero(np.r_[True, np.diff(part.reed_code) != 0])
        own = [words[code] for code in part.chanter_code[first]]
        means.append(np.array([s.outputs(s.design(0.5, 0.0, word))[0] for s, word in zip(states, own, strict=True)]))
    np.testing.assert_allclose(means[0], means[1], atol=0.6)


@pytest.mark.parametrize("count", [3, 5, 11])
def test_nodes_are_gauss_hermites(count: int) -> None:
    x, w = np.polynomial.hermite_e.hermegauss(count)
    ours, weight = nodes(count)
    np.testing.assert_allclose(ours, x, atol=1e-12)
    np.testing.assert_allclose(weight, w / w.sum(), atol=1e-12)
