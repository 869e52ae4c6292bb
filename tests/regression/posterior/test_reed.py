"""States of reeds by the fitted model: types and chanters never seen, told chanters, batches with nothing read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.regression.dense_shop import C_TERMS, K, M, before, card_of, cells, small_shop, told
from trimfit.base.errors import TrimfitError
from trimfit.base.pitch import OUTPUTS
from trimfit.regression.chanters.kinds import ChanterFacts
from trimfit.regression.chanters.stated import stated_offsets
from trimfit.regression.design import Rows, by_reading
from trimfit.regression.fitting.steps import prior_model
from trimfit.regression.posterior.reed import batch_states, known_coding
from trimfit.regression.priors import REGRESSORS, stroke_spread

Array = NDArray[np.float64]
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
NO_ROWS = np.zeros(0, dtype=np.intp)
LIP = slice(REGRESSORS.index("lip") * K, (REGRESSORS.index("lip") + 1) * K)


def rows_of(y: Array, removed: list[float], *, chanter: int = -1, reeds: int = 1) -> Rows:
    """Readings of one batch, `reeds` reeds in turn with as many readings each."""
    n = len(y)
    return Rows(
        y=y,
        removed_mm=np.array(removed),
        lip=np.zeros(n),
        kpa=np.full(n, np.nan),
        deg_c=np.full(n, np.nan),
        type_code=np.zeros(n, np.intp),
        batch_code=np.zeros(n, np.intp),
        reed_code=np.repeat(np.arange(reeds), n // reeds).astype(np.intp),
        chanter_code=np.full(n, chanter, np.intp),
        batches=((0, "b"),),
        reeds=tuple(f"r{i}" for i in range(reeds)),
        weight=np.ones((n, K)),
        label=np.array([f"e{i}" for i in range(n)], dtype=object),
    )


def some_of(rows: Rows, pick: NDArray[np.bool_] | NDArray[np.intp]) -> Rows:
    """Some of the readings."""
    return replace(rows, reed_code=rows.reed_code[pick], **by_reading(rows, pick))


def test_a_batch_with_nothing_read_is_its_type_with_the_batches_spread() -> None:
    model = prior_model(("a",), 6.0, 20.0, 3.7)
    states, blank, weighed = batch_states(model, rows_of(np.zeros((0, K)), []), model.coding, 0, in_fit=NO_ROWS > 0)
    assert states == []
    assert weighed.weight.shape == (0, K)
    np.testing.assert_allclose(blank.mean, np.r_[model.coef, np.zeros(6)], atol=1e-9)
    expected = model.coef_cov.copy()
    for cov in (model.batch_cov, model.reed_cov):
        expected[: 3 * K, : 3 * K] += cov
    expected[LIP, LIP] += stroke_spread(model.coef[LIP])
    size = len(expected)
    np.testing.assert_allclose(blank.cov[:size, :size], expected, rtol=1e-9, atol=1e-7)
    # what would be read now has the error of a sitting besides
    np.testing.assert_allclose(blank.cov[size : size + 3, size : size + 3], model.movement.of(0).sitting)


def test_a_type_never_seen_leans_on_the_shop_and_is_wider_than_any_known() -> None:
    shop = small_shop(3)
    model = card_of(shop, told(shop, before(shop)))
    from trimfit.regression.fitting.em_iterations import Globals
    from trimfit.regression.fitting.steps import _new_type, coefficient_prior

    empty = np.empty(0)
    g = Globals(
        model.batch_cov, model.reed_cov, model.noise_cov, empty, empty, model.chanter_cov, model.coef, model.coef_cov
    )
    mean, cov = _new_type(g, coefficient_prior(2), 2)
    model = replace(model, new_type_mean=mean, new_type_cov=cov)
    coding = known_coding(model, (*model.coding.types, "new"))
    assert coding.types[2] == "new"
    assert coding.slope_ratio[2] == 1.0
    _, blank, _ = batch_states(model, rows_of(np.zeros((0, K)), []), coding, 2, in_fit=NO_ROWS > 0)
    np.testing.assert_allclose(blank.mean[: M * K], mean)
    widths = []
    for code in (0, 1, 2):
        _, state, _ = batch_states(model, rows_of(np.zeros((0, K)), []), coding, code, in_fit=NO_ROWS > 0)
        widths.append(np.sqrt(np.diag(state.cov))[: 3 * K])
    assert np.all(widths[2][:K] >= 0.99 * np.minimum(widths[0], widths[1])[:K])
    assert np.linalg.eigvalsh(cov).min() > 0
    # the new type as a third one in a dense prior over three types, told of the first two
    start = before(shop)
    wide_mean, wide_cov = coefficient_prior(3)
    flat = wide_cov.transpose(0, 2, 1, 3).reshape(3 * M * K, 3 * M * K)
    old, new = slice(0, 2 * M * K), slice(2 * M * K, None)
    reach = flat[new, old] @ np.linalg.inv(flat[old, old])
    np.testing.assert_allclose(
        mean, wide_mean.reshape(-1)[new] + reach @ (model.coef[old] - start.mean[old]), rtol=1e-7, atol=1e-6
    )


def test_a_chanter_never_seen_adds_its_spread_and_its_readings_teach_it() -> None:
    model = prior_model(("a",), 6.0, 20.0, 3.7)
    names = ("new",)
    _, blank, _ = batch_states(
        model,
        rows_of(np.zeros((0, K)), []),
        model.coding,
        0,
        in_fit=NO_ROWS > 0,
        extra_chanters=[0],
        chanter_names=names,
    )
    offsets = slice(M * K, M * K + C_TERMS * K)
    np.testing.assert_allclose(blank.cov[offsets, offsets], model.chanter_cov, atol=1e-7)
    on, off = blank.design(0.0, 0.0, "new"), blank.design(0.0, 0.0, None)
    assert np.trace(blank.outputs(on)[1]) > np.trace(blank.outputs(off)[1])
    y = np.full((12, K), 130.0)
    y[:, 0] = 400.0
    states, _, _ = batch_states(
        model,
        rows_of(y, [0.0] * 12, chanter=0, reeds=6),
        model.coding,
        0,
        in_fit=np.zeros(12, bool),
        chanter_names=names,
    )
    assert np.trace(states[0].cov[offsets, offsets]) < 0.95 * np.trace(model.chanter_cov)
    with pytest.raises(TrimfitError, match="not asked about"):
        states[0].design(0.0, 0.0, "another")


def test_a_told_meeting_pitch_moves_the_meeting_pitch_and_not_the_gap() -> None:
    model = prior_model(("a",), 6.0, 20.0, 3.7)
    model = replace(model, coef_cov=0.05 * model.coef_cov)
    none = rows_of(np.zeros((0, K)), [])

    def meeting(told_cents: float | None, crow: float | None = None) -> tuple[float, float, float]:
        _, blank, _ = batch_states(
            model,
            none,
            model.coding,
            0,
            in_fit=NO_ROWS > 0,
            extra_chanters=[0],
            chanter_names=("told",),
            facts={0: ChanterFacts(meeting_cents=told_cents, crow_cents=crow)},
        )
        design = blank.design(0.0, 0.0, "told")
        start = blank.outputs(design)[0]
        gap = start[F_NOTE] - start[E_NOTE]
        slope = blank.mean[K + F_NOTE] - blank.mean[K + E_NOTE]
        pitch_slope = 0.5 * (blank.mean[K + F_NOTE] + blank.mean[K + E_NOTE])
        return 0.5 * (start[F_NOTE] + start[E_NOTE]) - gap / slope * pitch_slope, gap, float(np.trace(blank.cov))

    plain, high, low = meeting(None), meeting(140.0), meeting(100.0)
    assert abs(high[0] - 140.0) < 0.35 * abs(plain[0] - 140.0)
    assert abs(low[0] - 100.0) < 0.35 * abs(plain[0] - 100.0)
    assert high[2] < plain[2]
    sharper, flatter = meeting(None, 540.0), meeting(None, 460.0)
    assert sharper[1] < plain[1] + 1e-9  # it asks for a sharper crow: more must come off, the gap is wider now
    assert flatter[1] > sharper[1]


def test_told_rows_say_what_they_mean() -> None:
    """At the length where the typical reed meets, its pitch is the stated one: exact for the mean itself."""
    model = prior_model(("a",), 6.0, 20.0, 3.7)
    mean = np.r_[model.coef, np.zeros(C_TERMS * K)]
    beta = model.coef.reshape(M, K)
    gap = beta[:, F_NOTE] - beta[:, E_NOTE]
    g = -gap[0] / gap[1]
    pitch = 0.5 * (beta[0, F_NOTE] + beta[0, E_NOTE] + g * (beta[1, F_NOTE] + beta[1, E_NOTE]))
    ((row, value, error),) = stated_offsets(mean, 1.0, ChanterFacts(meeting_cents=120.0))
    assert (value, error) == (120.0, pytest.approx(9.0))
    bend = 0.5 * (beta[2, F_NOTE] + beta[2, E_NOTE]) - (beta[1, F_NOTE] + beta[1, E_NOTE]) / 2 / gap[1] * gap[2]
    assert row @ mean == pytest.approx(pitch + bend * g * g)
    ((row, value, error),) = stated_offsets(mean, 1.0, ChanterFacts(crow_cents=500.0))
    length = (500.0 - beta[0, 0]) / beta[1, 0]
    ratio = gap[1] / beta[1, 0]
    assert error == pytest.approx((10.0 * ratio) ** 2)
    assert row @ mean - value == pytest.approx(gap @ np.array([1.0, length, length**2, 0.0, 0.0, 0.0]))


def test_readings_of_a_sibling_move_a_reed_not_read_and_less_than_its_own_would() -> None:
    model = prior_model(("a",), 6.0, 20.0, 3.7)
    model = replace(model, coef_cov=0.02 * model.coef_cov)
    y = np.full((4, K), np.nan)
    y[:, 0] = 480.0
    states, blank, _ = batch_states(model, rows_of(y, [0.0] * 4, reeds=2), model.coding, 0, in_fit=np.zeros(4, bool))
    start = batch_states(model, rows_of(np.zeros((0, K)), []), model.coding, 0, in_fit=NO_ROWS > 0)[1]
    moved = [state.mean[0] - start.mean[0] for state in (blank, *states)]
    assert 0 < moved[0] < moved[1]
    assert states[0].cov[0, 0] < blank.cov[0, 0] < start.cov[0, 0]


def test_every_states_covariance_is_positive_semidefinite() -> None:
    shop = small_shop(6)
    model = card_of(shop, told(shop, before(shop)))
    rows = some_of(shop.rows, shop.rows.batch_code == 0)
    for in_fit in (np.ones(len(rows), bool), np.zeros(len(rows), bool)):
        states, blank, _ = batch_states(
            model, rows, model.coding, 0, in_fit=in_fit, chanter_names=model.coding.chanters
        )
        for state in (*states, blank):
            assert np.linalg.eigvalsh(state.cov).min() > -1e-7
            mean, cov = state.outputs(state.design(0.4, 2.0, None, 6.5, 19.0))
            assert np.all(np.isfinite(mean))
            assert np.linalg.eigvalsh(cov).min() > -1e-8
    assert cells(shop, before(shop))[0].shape[1] == len(before(shop).mean)


def test_a_chanter_the_batch_never_met_follows_from_the_rest() -> None:
    """Left out of the sums or in them with a reading that holds nothing: the same posterior."""
    shop = small_shop(6)
    model = card_of(shop, told(shop, before(shop)))
    unmet, new = 1, len(model.coding.chanters)
    rows = some_of(shop.rows, (shop.rows.batch_code == 0) & (shop.rows.chanter_code != unmet))
    # one more reading of the first reed in each of the two chanters, of which nothing was taken down
    empty = some_of(rows, np.r_[0, 0, np.arange(len(rows))])
    empty.y[:2] = np.nan
    empty.chanter_code[:2] = unmet, new
    everyone = (*model.coding.chanters, "new")
    heard = {unmet: ChanterFacts(meeting_cents=110.0)}
    for counted in (True, False):
        states, blank, _ = batch_states(
            model, rows, model.coding, 0, in_fit=np.full(len(rows), counted), extra_chanters=[unmet, new],
            chanter_names=everyone, facts=heard,
        )  # fmt: skip
        slowly, slow_blank, _ = batch_states(
            model, empty, model.coding, 0, in_fit=np.full(len(empty), counted), chanter_names=everyone, facts=heard
        )
        assert len(states) == len(slowly)
        for one, other in zip((*states, blank), (*slowly, slow_blank), strict=True):
            assert one.chanters == other.chanters
            np.testing.assert_allclose(one.mean, other.mean, rtol=1e-7, atol=1e-6)
            np.testing.assert_allclose(one.cov, other.cov, rtol=1e-6, atol=1e-5)


def test_the_states_of_some_reeds_are_those_they_have_among_all() -> None:
    shop = small_shop(6)
    model = card_of(shop, told(shop, before(shop)))
    rows = some_of(shop.rows, shop.rows.batch_code == 0)
    known = {"in_fit": np.zeros(len(rows), bool), "chanter_names": model.coding.chanters}
    states, _, weighed = batch_states(model, rows, model.coding, 0, **known)
    only = np.arange(len(states)) % 2 == 1
    some, _, same = batch_states(model, rows, model.coding, 0, only=only, **known)
    assert len(some) == only.sum() > 0
    np.testing.assert_array_equal(weighed.weight, same.weight)
    for one, other in zip(some, [states[i] for i in np.flatnonzero(only)], strict=True):
        np.testing.assert_allclose(one.mean, other.mean, rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(one.cov, other.cov, rtol=1e-12, atol=1e-12)


def test_what_strokes_did_to_a_reed_is_learned_for_its_next_strokes() -> None:
    """Two reeds of one batch, six strokes each: one went down by what its type's do, one by half as much again."""
    model = prior_model(("a",), 6.0, 20.0, 3.7)
    coef, cov = model.coef.copy(), model.coef_cov.copy()
    coef[LIP] = -1.0
    cov[LIP, LIP] = 1e-4 * np.eye(K)
    model = replace(model, coef=coef, coef_cov=cov)
    level = model.coef[:K]
    y = np.vstack([level, level, level - 6.0, level - 6.0, level, level, level - 9.0, level - 9.0])
    rows = replace(rows_of(y, [0.0] * 8, reeds=2), lip=np.tile([0.0, 0.0, 6.0, 6.0], 2))
    states, blank, _ = batch_states(model, rows, model.coding, 0, in_fit=np.zeros(8, bool))
    usual, strong, unread = (state.mean[LIP][1:].mean() for state in (*states, blank))
    assert unread == pytest.approx(-1.0, abs=0.02)
    assert usual == pytest.approx(-1.0, abs=0.03)
    assert -1.5 < strong < -1.15
    sd = [np.sqrt(state.cov[LIP, LIP][E_NOTE, E_NOTE]) for state in (*states, blank)]
    assert max(sd[:2]) < 0.8 * sd[2]


def test_taking_out_more_than_was_in_leaves_no_mean_out_of_bounds() -> None:
    """A batch that the model never saw, taken out of it: what is known is no more, and the mean stays in this world."""
    rng = np.random.default_rng(3)
    y = 200.0 + 20.0 * rng.standard_normal((24, K))
    rows = rows_of(y, [0.0, 0.3, 0.6, 0.9, 1.2, 1.5] * 4, reeds=4)
    model = prior_model(("a",), 6.0, 20.0, 3.7)
    _, blank, _ = batch_states(model, rows, model.coding, 0, in_fit=np.ones(24, dtype=bool), forget=True)
    assert np.abs(blank.mean - np.r_[model.coef, np.zeros(6)]).max() < 5_000.0
