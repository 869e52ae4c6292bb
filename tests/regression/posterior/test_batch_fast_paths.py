"""Every quick way against the plain one: the same answer to rounding."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.regression.dense_shop import level_cov, sittings
from tests.regression.reml.one_output import fit_mixed
from tests.speed.biglog import frame_of, make
from trimfit.base.pitch import OUTPUTS
from trimfit.planner.aim import AimPosterior
from trimfit.planner.quantities import nodes
from trimfit.regression.curve import KNOTS_MM
from trimfit.regression.design import base_weight, rows_from_frame, sort_rows, take_rows
from trimfit.regression.fitting import bounds
from trimfit.regression.fitting.covariances import local_design
from trimfit.regression.fitting.steps import fit_model
from trimfit.regression.movement.process import BASIS, unsettled
from trimfit.regression.posterior import reed as posterior_reed
from trimfit.regression.posterior.batch import Posterior, row_precision
from trimfit.regression.reml.newton import fit_many
from trimfit.regression.reml.sums import CrossProducts, cross_products
from trimfit.regression.validation import _naive, held_out, mean_slope

K = 10
OWN = 4 * K  # start, length, bend and lip


def _cov(rng: np.random.Generator, size: int) -> np.ndarray:
    root = rng.standard_normal((size, size + 3))
    return root @ root.T


def test_a_reeds_state_as_whole_matrices_give_it() -> None:
    rng = np.random.default_rng(1)
    d, ratio, own = OWN + 60 + 20, 1.3, OWN + 15
    post = Posterior(rng.standard_normal(d), _cov(rng, d))
    v_mean, v_q, v_own = rng.standard_normal(own), rng.standard_normal((own, d)), _cov(rng, own)
    merge = np.zeros((d - OWN + 6, d))
    merge[: d - OWN, OWN:] = np.eye(d - OWN)
    merge[:K, :K] = np.eye(K)
    merge[K : 3 * K, K : 3 * K] = ratio * np.eye(2 * K)
    merge[3 * K : OWN, 3 * K : OWN] = np.eye(K)
    lift = np.zeros((d - OWN + 6, own))
    lift[:OWN, :OWN] = np.diag(np.r_[np.ones(K), np.full(2 * K, ratio), np.ones(K)])
    lift[:K, OWN : OWN + 3] = BASIS
    lift[d - OWN :, OWN + 3 : OWN + 9] = np.eye(6)
    reach = merge - lift @ v_q
    mean, cov = posterior_reed._merged(post, ratio, v_mean, v_q, v_own)
    np.testing.assert_allclose(mean, merge @ post.mean + lift @ v_mean, atol=1e-10)
    np.testing.assert_allclose(cov, reach @ post.cov @ reach.T + lift @ v_own @ lift.T, rtol=1e-9, atol=1e-8)


@pytest.mark.parametrize(("tilt", "bent"), [(0.0, 0.0), (0.06, 1.5), (-0.4, -4.0), (0.3, 0.0)])
def test_the_length_wanted_is_where_the_believed_gap_closes(tilt: float, bent: float) -> None:
    mean = np.array([-31.0, 44.0, bent, 0.0, 90.0, 20.0, 0.0, 0.0])
    none = np.zeros(2)
    posterior = AimPosterior(
        mean, np.eye(8), np.ones(1), mean[None], np.eye(8), 0.4, tilt * KNOTS_MM, 1.3, 1.0, 1.3, none, none, none
    )
    step, square, _ = posterior._steps(np.array([posterior.need_mm()]))
    assert posterior.need_mm() > 0.3
    assert math.isclose(mean[0] + mean[1] * step[0] + mean[2] * square[0], 0.0, abs_tol=1e-8)


def test_held_out_readings_as_one_reading_after_another_foretells_them() -> None:
    log = make(90, seed=3, chanters=3)
    frame = frame_of(log)
    rng = np.random.default_rng(5)
    for column in ("crow_cents", "e_cents", "f_cents"):
        frame.loc[rng.random(len(frame)) < 0.2, column] = np.nan
    frame.loc[rng.random(len(frame)) < 0.2, "high_a_cents"] += 5.0  # badly balanced, counted for somewhat less
    frame.loc[rng.random(len(frame)) < 0.03, "e_cents"] += 60.0
    frame = frame[rng.random(len(frame)) < 0.9]
    rows, types, chanters = rows_from_frame(frame)
    model = fit_model(rows, types, chanters, pressure_kpa=6.0, temperature_c=20.0, balance_cents=3.7)
    movement = replace(model.movement, settle=model.movement.settle + 2.0)  # as if reeds settled, for what is logged
    model = replace(model, movement=movement)
    found = held_out(model, rows)
    rows = sort_rows(rows)
    e, f = OUTPUTS.index("e"), OUTPUTS.index("f")
    plain: list[tuple[float, ...]] = []
    settled_cents: list[float] = []
    for batch in np.unique(rows.batch_code):
        mine = take_rows(rows, np.flatnonzero(rows.batch_code == batch))
        every = np.ones(len(mine), dtype=bool)
        _, unseen, weighed = posterior_reed.batch_states(
            model, mine, model.coding, int(mine.type_code[0]), in_fit=every, chanter_names=chanters, forget=True
        )
        precision = row_precision(mine.y, weighed.weight, unseen.noise_cov)[0]
        y = unsettled(mine.y, mine, model.movement)
        settled_cents.append(np.nanmax(np.abs(y - mine.y)))
        of = sittings(mine)
        for reed in range(len(mine.reeds)):
            at = np.flatnonzero(mine.reed_code == reed)
            design = np.concatenate(
                [unseen.design(mine.removed_mm[i], 0.0, chanters[mine.chanter_code[i]]) for i in at]
            )
            level = level_cov(mine, model.movement, reed)
            shows = np.zeros((len(at) * K, len(level)))
            for j, i in enumerate(at):
                for block in (of[i], of[at[-1]] + 1 + of[i]):
                    shows[j * K : (j + 1) * K, 3 * block : 3 * block + 3] = BASIS
            true = design @ unseen.cov @ design.T + shows @ level @ shows.T
            noise = np.zeros_like(true)
            for j, i in enumerate(at):
                cells = np.flatnonzero(np.isfinite(y[i]))
                noise[np.ix_(j * K + cells, j * K + cells)] = np.linalg.inv(precision[i][np.ix_(cells, cells)])
            # the rule knows the readings as they were logged, and the slope without the batch's
            by_rule, _ = _naive(mine.y[at][None], mine.removed_mm[at][None], mean_slope(unseen))
            mean, values = design @ unseen.mean, y[at].reshape(-1)
            for j, i in enumerate(at[1:], 1):
                own, known = np.arange(j * K, (j + 1) * K), np.flatnonzero(np.isfinite(values[: j * K]))
                gain = np.linalg.solve((true + noise)[np.ix_(known, known)], true[np.ix_(known, own)]).T
                cov = true[np.ix_(own, own)] - gain @ true[np.ix_(known, own)]
                sd = np.sqrt(np.diag(cov) + np.diag(unseen.noise_cov) * model.reading_stretch)
                then = mean[own] + gain @ (values[known] - mean[known])
                gaps_before = int(np.isfinite(y[at[:j], f] - y[at[:j], e]).sum())
                then += np.where(np.isfinite(y[i]), mine.y[i] - y[i], 0.0)  # the settling that was expected by then
                read = mine.y[i]
                rule = by_rule[0, j]
                row = (*read, then[f] - then[e], *then, *sd, rule[f] - rule[e], *rule)
                plain.append((j, gaps_before, read[f] - read[e], *row))
    there = np.column_stack(
        [found.before, found.gaps_before, found.observed, found.predicted, found.sd[:, 1:], found.type_rule]
    )
    assert max(settled_cents) > 0.1
    ours, other = (np.array(sorted(map(tuple, np.nan_to_num(np.array(table))))) for table in (there, plain))
    assert len(found.before) > 200
    without_a_note = np.isnan(found.observed).any(axis=1) & np.isfinite(found.observed[:, 0])
    assert without_a_note.sum() > 30  # a gap needs F and E, no other note
    assert ((base_weight(rows, model.coding) < 0.99).any(axis=1)).sum() > 20
    assert any(min(weight) < 0.1 < max(weight) for weight in model.low_weight.values())
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


def test_outputs_side_by_side_fit_as_each_by_itself() -> None:
    """Outputs with the same rows, with holes and with weights of their own, some whose best variances are zero."""
    log = make(150, seed=9, chanters=1)
    rng = np.random.default_rng(2)
    y = log.y.copy()
    y[:, 8] = 3.0 * rng.standard_normal(len(y))
    y[rng.random(len(y)) < 0.3, 5] = np.nan
    weight = np.ones_like(y)
    weight[:, 4] = rng.uniform(0.2, 1.0, len(y))
    weight[log.reed < 7, 3] = 0.0
    x = np.column_stack([np.ones(len(y)), log.removed_mm, log.removed_mm**2])
    sums = cross_products(x[:, :2], x, y, log.reed, log.batch_of, weight)
    assert sums.outputs == 10
    for k, fit in enumerate(fit_many(sums, tolerance=1e-10)):
        mine = cross_products(x[:, :2], x, y[:, k], log.reed, log.batch_of, weight[:, k])
        assert mine.rows[0] == sums.rows[k]
        alone = fit_mixed(mine, tolerance=1e-10)
        assert fit.criterion == pytest.approx(alone.criterion, rel=1e-9)
        assert (fit.converged, fit.noise) == (alone.converged, pytest.approx(alone.noise, rel=1e-5))
        np.testing.assert_allclose(fit.beta, alone.beta, rtol=1e-4, atol=1e-4)
        np.testing.assert_allclose(fit.inner_cov, alone.inner_cov, rtol=1e-3, atol=1e-3)
        np.testing.assert_allclose(fit.outer_cov, alone.outer_cov, rtol=1e-3, atol=1e-3)


def test_a_fit_ends_in_one_place_wherever_it_begins() -> None:
    """From a guess of its own, from the shape of others, from the end of a fit of other weights (and sooner there)."""
    log = make(150, seed=9, chanters=1)
    weight = np.where(np.arange(len(log.y)) % 17 == 0, 0.02, 1.0)
    x = np.column_stack([np.ones(len(log.y)), log.removed_mm, log.removed_mm**2])

    def sums(y: np.ndarray, weight: np.ndarray) -> CrossProducts:
        return cross_products(x[:, :2], x, y, log.reed, log.batch_of, weight)

    e, f = log.y[:, 6], log.y[:, 7]
    one, two = fit_many(sums(np.column_stack([e, f]), np.ones(len(e))))
    shape = one.outer_cov + two.outer_cov, one.inner_cov + two.inner_cov
    data = sums(f - e, weight)
    cold = fit_mixed(data, tolerance=1e-10)
    (before,) = fit_many(sums(f - e, np.ones(len(e))))
    ends = [
        fit_mixed(data, tolerance=1e-10, start=start)
        for start in ((*shape, None), (before.outer_cov, before.inner_cov, before.noise))
    ]
    for fit in ends:
        assert fit.criterion == pytest.approx(cold.criterion, abs=1e-5)
        assert fit.noise == pytest.approx(cold.noise, rel=1e-4)
        np.testing.assert_allclose(fit.inner_cov, cold.inner_cov, rtol=1e-3, atol=1e-3)
    assert ends[1].steps < cold.steps


def test_batches_of_many_sizes_keep_their_places() -> None:
    """Inside, batches stand by size; what comes out stands as it was given, and is what all terms at once give."""
    rng = np.random.default_rng(4)
    size = np.array([5, 2, 7, 2, 5, 1, 6])
    outer_of = np.repeat(np.arange(7), size)
    reed = np.repeat(np.arange(len(outer_of)), rng.integers(2, 6, len(outer_of)))
    n = len(reed)
    t = rng.uniform(0.0, 1.0, n)
    x = np.column_stack([np.ones(n), t])
    u, v = 3.0 * rng.standard_normal((7, 2)), 2.0 * rng.standard_normal((len(outer_of), 2))
    y = 5.0 + np.sum(x * (u[outer_of] + v)[reed], axis=1) + 0.5 * rng.standard_normal(n)
    kind = np.arange(7) % 2
    columns = np.stack([2 * kind, 2 * kind + 1], axis=1)
    wide = np.zeros((n, 4))
    for i in range(n):
        wide[i, columns[outer_of[reed[i]]]] = x[i]
    ridge = 0.01 * np.eye(4)
    order = rng.permutation(n)
    plain = fit_mixed(cross_products(x, wide, y, reed, outer_of), prior_precision=ridge, tolerance=1e-12)
    sums = cross_products(x[order], x[order], y[order], reed[order], outer_of, None, (columns, 4))
    assert [size for _, _, size in sums.runs] == [1, 2, 5, 6, 7]
    met = fit_mixed(sums, prior_precision=ridge, tolerance=1e-12)
    assert met.criterion == pytest.approx(plain.criterion, rel=1e-10)
    np.testing.assert_allclose(met.beta, plain.beta, rtol=1e-5)
    np.testing.assert_allclose(met.outer_cov, plain.outer_cov, rtol=1e-4, atol=1e-5)
    np.testing.assert_allclose(met.inner_cov, plain.inner_cov, rtol=1e-4, atol=1e-5)


def test_chanters_beyond_those_the_card_holds() -> None:
    """A chanter without a place of its own: what is believed of a batch's reeds is what it would be with one."""
    log = make(120, seed=8, chanters=12)
    rows, types, chanters = rows_from_frame(frame_of(log))
    given = {"pressure_kpa": 6.0, "temperature_c": 20.0, "balance_cents": 3.7}
    whole = fit_model(rows, types, chanters, **given)
    known, names = bounds.most_read_chanters_first(rows, chanters)
    assert names == chanters
    held = bounds.MOST_CHANTERS
    try:
        bounds.MOST_CHANTERS = 3
        few = fit_model(rows, types, chanters, **given)
        coded, names = bounds.most_read_chanters_first(rows, chanters)
    finally:
        bounds.MOST_CHANTERS = held
    assert len(few.coding.chanters) == 3
    assert len(few.coef) == 60 * len(types) + 60
    count = np.bincount(rows.chanter_code)
    assert {chanters.index(name) for name in names} == set(np.argsort(-count, kind="stable")[:3].tolist())
    means = []
    for model, mine in ((whole, sort_rows(known)), (few, sort_rows(coded))):
        at = np.flatnonzero(mine.batch_code == 2)
        part = take_rows(mine, at)
        words = tuple(str(code) for code in range(int(mine.chanter_code.max()) + 1))
        every = np.ones(len(part), dtype=bool)
        states, _, _ = posterior_reed.batch_states(
            model, part, model.coding, int(part.type_code[0]), in_fit=every, chanter_names=words
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
