"""Polarization, assembly and shrinkage: exact where they should be, positive definite always."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from tests.regression.dense_shop import K, positive
from tests.regression.reml.one_output import fit_mixed
from trimfit.base.pitch import OUTPUTS
from trimfit.regression.fitting.covariances import (
    ContrastFits,
    assemble,
    basis,
    blended,
    few_reeds,
    shrink_correlation,
)
from trimfit.regression.outputs import CROW, GAP, PITCH, contrast
from trimfit.regression.priors import (
    assumed_batch_cov,
    assumed_noise,
    assumed_reed_cov,
    chanter_spread,
    regressor_prior,
)
from trimfit.regression.reml.newton import MixedFit
from trimfit.regression.reml.sums import cross_products

Array = NDArray[np.float64]
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")


def _fit(inner: Array) -> MixedFit:
    empty = np.empty(0)
    return MixedFit(empty, empty, inner, inner, 1.0, 0.0, 1, True)


def _fits_of(cov: Array, held: list[int]) -> ContrastFits:
    """What REML would find of every output and difference if it found this covariance (aK, aK) exactly."""
    a = len(cov) // K

    def seen(m: Array) -> MixedFit:
        lift = np.kron(np.eye(a), m)
        return _fit(lift @ cov @ lift.T)

    return {(k, other): seen(contrast(k, other)) for k, other in [*((k, None) for k in held), *combinations(held, 2)]}


def _symmetric_blocks(cov: Array) -> Array:
    """The covariance with each pair's (start, slope) block made symmetric: all that polarization can see."""
    a = len(cov) // K
    box = cov.reshape(a, K, a, K)
    out: Array = (0.5 * (box + box.transpose(2, 1, 0, 3))).reshape(len(cov), len(cov))
    return out


@pytest.mark.parametrize("seed", range(3))
def test_polarization_gives_back_the_covariance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cov = positive(rng, rng.uniform(1, 9, 2 * K))
    found = assemble(_fits_of(cov, list(range(K))), lambda f: f.inner_cov, np.eye(2 * K))
    np.testing.assert_allclose(found, _symmetric_blocks(cov), atol=1e-10)
    one = positive(rng, rng.uniform(1, 9, K))
    found = assemble(_fits_of(one, list(range(K))), lambda f: f.inner_cov, np.eye(K))
    np.testing.assert_allclose(found, one, atol=1e-10)


def test_balanced_complete_data_as_analysis_of_variance_for_all_outputs_at_once() -> None:
    """Groups of equal size, no holes: the polarized REML is the mean squares' matrix, (between - within) / n."""
    rng = np.random.default_rng(5)
    groups, each = 40, 4
    big, small = positive(rng, np.full(K, 6.0)), positive(rng, np.full(K, 2.0))
    y = np.repeat(rng.multivariate_normal(np.zeros(K), big, groups), each, axis=0)
    y = y + rng.multivariate_normal(np.zeros(K), small, groups * each)
    inner = np.repeat(np.arange(groups), each)
    ones = np.ones((len(y), 1))

    def fit(m: Array) -> MixedFit:
        sums = cross_products(ones, ones, y @ m, inner, np.zeros(groups, dtype=np.intp))
        return fit_mixed(sums, outer_free=np.zeros((1, 1), bool), tolerance=1e-14)

    pairs = [*((k, None) for k in range(K)), *combinations(range(K), 2)]
    fits = {pair: fit(contrast(*pair)) for pair in pairs}
    middle = y.reshape(groups, each, K).mean(axis=1)
    within = y - np.repeat(middle, each, axis=0)
    ms_within = within.T @ within / (groups * (each - 1))
    ms_between = each * np.cov(middle.T)
    reed = assemble(fits, lambda f: f.inner_cov, np.eye(K))
    noise = assemble(fits, lambda f: np.array([[f.noise]]), np.eye(K))
    np.testing.assert_allclose(noise, ms_within, atol=2e-4)
    np.testing.assert_allclose(reed, (ms_between - ms_within) / each, atol=2e-3)


def test_what_was_not_seen_is_assumed() -> None:
    rng = np.random.default_rng(1)
    cov = positive(rng, np.full(K, 5.0))
    assumed = assumed_noise()
    held = [0, E_NOTE, F_NOTE]
    found = assemble(_fits_of(cov, held), lambda f: f.inner_cov, assumed)
    spot = np.ix_(held, held)
    np.testing.assert_allclose(found[spot], cov[spot])
    gap = contrast(F_NOTE, E_NOTE)
    assert gap @ found @ gap == pytest.approx(gap @ cov @ gap)
    others = [k for k in range(K) if k not in held]
    np.testing.assert_allclose(found[np.ix_(others, others)], assumed[np.ix_(others, others)])
    np.testing.assert_allclose(found[np.ix_(held, others)], 0.5 * assumed[np.ix_(held, others)])


def test_what_is_assumed_counts_as_so_many_groups_beside_a_variance_found_under_nought() -> None:
    """The pitch's slopes come out at -9 cents² a mm² where little tells of them: that is none found, and three assumed
    groups beside 48 still count for three in 51."""
    assumed = assumed_reed_cov()[K : 2 * K, K : 2 * K]
    rough = assumed - (9.0 + PITCH @ assumed @ PITCH)
    rough[CROW] = rough[:, CROW] = assumed[CROW]
    assert PITCH @ rough @ PITCH == pytest.approx(-9.0)
    found = blended(shrink_correlation(rough, 24.0), 48.0, assumed, 3.0)
    share = 3.0 / 51.0
    assert PITCH @ found @ PITCH == pytest.approx(share * PITCH @ assumed @ PITCH, rel=0.05)
    assert GAP @ found @ GAP == pytest.approx(GAP @ assumed @ GAP)


matrices = st.integers(0, 10_000).map(lambda seed: np.random.default_rng(seed))


@settings(max_examples=20, deadline=None)
@given(rng=matrices, groups=st.floats(0.5, 500.0), parts=st.sampled_from([1, 2]))
def test_shrinkage_keeps_variances_and_gives_a_positive_definite_matrix(
    rng: np.random.Generator, groups: float, parts: int
) -> None:
    """From anything symmetric, indefinite ones included; crow, pitch, gap and differences keep their variances."""
    rough = positive(rng, rng.uniform(0.5, 20.0, parts * K), lean=1.0)
    rough = rough + rng.normal(0, 3.0, rough.shape)
    rough = 0.5 * (rough + rough.T)
    found = shrink_correlation(rough, groups)
    turn = np.kron(np.eye(parts), basis())
    before, after = np.diag(turn @ rough @ turn.T), np.diag(turn @ found @ turn.T)
    for part in range(parts):
        kind = slice(part * K, (part + 1) * K)
        floor = 1e-4 * max(before[kind].max(), 1e-6)
        np.testing.assert_allclose(after[kind], np.maximum(before[kind], floor), rtol=1e-6)
    assert np.linalg.eigvalsh(found).min() > 0
    np.testing.assert_allclose(found, found.T)


def test_more_groups_shrink_less_and_toward_the_target() -> None:
    rng = np.random.default_rng(2)
    cov, target = positive(rng, np.full(2 * K, 4.0), lean=0.9), positive(rng, np.full(2 * K, 4.0))

    def away(groups: float, goal: Array | None) -> float:
        found = shrink_correlation(cov, groups, goal, floor=1e-9)
        return float(np.abs(found - cov).max())

    for goal in (None, target):
        steps = [away(groups, goal) for groups in (2.0, 20.0, 200.0, 2e6)]
        assert steps == sorted(steps, reverse=True)
        assert steps[-1] < 1e-3
    turn = np.kron(np.eye(2), basis())
    few = turn @ shrink_correlation(cov, 0.01, target, floor=1e-9) @ turn.T
    goal = turn @ target @ turn.T
    size = np.sqrt(np.outer(np.diag(few), np.diag(few)))
    np.testing.assert_allclose(few / size, goal / np.sqrt(np.outer(np.diag(goal), np.diag(goal))), atol=1e-6)


def test_every_assumed_covariance_is_positive_definite() -> None:
    reed = assumed_reed_cov()
    batch = assumed_batch_cov(reed, reed, 0.0)
    mean, shop, own = regressor_prior()
    assert mean.shape == (6, K)
    for cov in (batch, reed, assumed_noise(), chanter_spread(), *shop, *own):
        assert np.linalg.eigvalsh(cov).min() > 0
    gap = contrast(F_NOTE, E_NOTE)
    assert gap @ assumed_noise() @ gap == pytest.approx(2.0)  # the seating error that notes share cancels


def test_variances_of_few_reeds_are_widened_as_student_s_law_asks() -> None:
    """Against scipy's Student and normal quantiles; nothing for none, and nothing for many."""
    assert few_reeds(0) == few_reeds(300) == 1.0
    for reeds in (3, 10, 50, 150):
        df = reeds + 3
        ratio = stats.t.isf(0.007, df) / stats.norm.isf(0.007)
        assert few_reeds(reeds) == pytest.approx(1.0 + reeds / df * (ratio - 1.0), rel=5e-3)
