"""The mixed-model engine against one dense covariance, finite differences, another package, and its own symmetries."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass, replace
from pathlib import Path
from shutil import which

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.regression.reml.one_output import fit_mixed
from trimfit.base.errors import TrimfitError
from trimfit.regression.reml.criterion import (
    Prior,
    Solution,
    State,
    evaluate,
    score_and_information,
    small_inverse,
    solve,
    symmetric_basis,
)
from trimfit.regression.reml.newton import MixedFit
from trimfit.regression.reml.sums import CrossProducts, cross_products

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Data:
    """A two-level data set: rows, their inner group, the outer group of each inner one."""

    z: Array
    x: Array
    y: Array
    inner: NDArray[np.intp]
    outer_of: NDArray[np.intp]
    weights: Array

    def sums(self) -> CrossProducts:
        return cross_products(self.z, self.x, self.y, self.inner, self.outer_of, self.weights)


def make(
    seed: int,
    *,
    q: int = 2,
    outers: int = 5,
    inner_cov: Array | None = None,
    outer_cov: Array | None = None,
    noise: float = 1.7,
    members: tuple[int, int] = (1, 4),
    rows: tuple[int, int] = (1, 6),
    weighted: bool = True,
) -> Data:
    """Ragged groups drawn from the model; beta = (10, 4, -1 …)."""
    rng = np.random.default_rng(seed)
    outer_of = np.repeat(np.arange(outers), rng.integers(*members, outers, endpoint=True))
    count = rng.integers(*rows, len(outer_of), endpoint=True)
    inner = np.repeat(np.arange(len(outer_of)), count)
    n = len(inner)
    t = rng.uniform(0, 1.2, n)
    z = np.column_stack([np.ones(n), t, rng.standard_normal(n)])[:, :q]
    x = np.column_stack([np.ones(n), t, t * t, rng.standard_normal(n)])
    beta = np.array([10.0, 4.0, -1.0, 0.5])
    big_v = np.diag([4.0, 9.0, 1.0])[:q, :q] if inner_cov is None else inner_cov
    big_u = np.diag([2.0, 1.0, 0.5])[:q, :q] if outer_cov is None else outer_cov
    v = rng.multivariate_normal(np.zeros(q), big_v, len(outer_of))
    u = rng.multivariate_normal(np.zeros(q), big_u, outers)
    weights = rng.uniform(0.2, 1.5, n) if weighted else np.ones(n)
    y = x @ beta + np.sum(z * (u[outer_of] + v)[inner], axis=1) + rng.standard_normal(n) * np.sqrt(noise / weights)
    return Data(z, x, y, inner.astype(np.intp), outer_of.astype(np.intp), weights)


def dense_criterion(
    d: Data, outer: Array, inner: Array, noise: float, *, reml: bool = True, prior: tuple[Array, Array] | None = None
) -> tuple[float, Array, Array]:
    """-2 log (restricted) likelihood by one covariance of all rows; the coefficients and their covariance."""
    same_inner = d.inner[:, None] == d.inner[None, :]
    by_outer = d.outer_of[d.inner]
    same_outer = by_outer[:, None] == by_outer[None, :]
    v = np.diag(noise / d.weights) + same_inner * (d.z @ inner @ d.z.T) + same_outer * (d.z @ outer @ d.z.T)
    p = d.x.shape[1]
    p0, b0 = (np.zeros((p, p)), np.zeros(p)) if prior is None else prior
    v_inv = np.linalg.inv(v)
    k = d.x.T @ v_inv @ d.x + p0
    beta = np.linalg.solve(k, d.x.T @ v_inv @ d.y + p0 @ b0)
    rest = d.y - d.x @ beta
    out = len(d.y) * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + rest @ v_inv @ rest
    out += (beta - b0) @ p0 @ (beta - b0)
    if reml:
        flat = p - np.linalg.matrix_rank(p0)
        out += np.linalg.slogdet(k)[1] - flat * np.log(2 * np.pi)
        if flat == 0:
            out -= np.linalg.slogdet(p0)[1]
    return float(out), beta, np.linalg.inv(k)


def state_of(
    sums: CrossProducts, outer: Array, inner: Array, noise: float, prior: tuple[Array, Array], reml: bool = True
) -> tuple[State, Solution, Prior]:
    """The engine's state and solution for one output."""
    known = Prior.made(prior[0][None], prior[1][None])
    state = evaluate(sums, outer[None], inner[None], np.array([noise]), known, reml)
    return state, solve(sums, state, known), known


def criterion_of(
    sums: CrossProducts, outer: Array, inner: Array, noise: float, prior: tuple[Array, Array], reml: bool = True
) -> float:
    return float(state_of(sums, outer, inner, noise, prior, reml)[0].criterion[0])


def derivatives(
    sums: CrossProducts, outer: Array, inner: Array, noise: float, prior: tuple[Array, Array], reml: bool = True
) -> tuple[Array, Array, Array]:
    """Basis of the free entries; score and average information of one output."""
    basis = symmetric_basis(np.ones(outer.shape, bool))
    state, at, known = state_of(sums, outer, inner, noise, prior, reml)
    covs = outer[None], inner[None]
    score, information, _ = score_and_information(sums, state, at, np.array([noise]), covs, (basis, basis), known, reml)
    return basis, score[0], information[0]


def none(p: int) -> tuple[Array, Array]:
    return np.zeros((p, p)), np.zeros(p)


COVS = [
    (np.array([[2.0, 0.3], [0.3, 1.0]]), np.array([[4.0, -1.5], [-1.5, 5.0]])),
    (np.zeros((2, 2)), np.array([[4.0, 2.0], [2.0, 1.0]])),  # no outer level; a singular inner one
    (np.diag([3.0, 0.0]), np.zeros((2, 2))),
]


@pytest.mark.parametrize("covs", COVS)
@pytest.mark.parametrize("reml", [True, False])
def test_criterion_as_from_one_dense_covariance(covs: tuple[Array, Array], reml: bool) -> None:
    for seed in range(3):
        d = make(seed)
        found, at, _ = state_of(d.sums(), *covs, 1.3, none(4), reml)
        expected, beta, cov = dense_criterion(d, *covs, 1.3, reml=reml)
        assert found.criterion[0] == pytest.approx(expected, rel=1e-10)
        np.testing.assert_allclose(at.beta[0], beta, rtol=1e-8)
        np.testing.assert_allclose(at.k_inv[0], cov, rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize("rank", [2, 4])
def test_criterion_with_a_prior_on_the_coefficients(rank: int) -> None:
    d = make(7)
    p0 = np.diag(np.r_[np.full(rank, 0.7), np.zeros(4 - rank)])
    prior = (p0, np.array([9.0, 3.0, 0.0, 0.0]))
    found, at, _ = state_of(d.sums(), *COVS[0], 1.3, prior)
    expected, beta, cov = dense_criterion(d, *COVS[0], 1.3, prior=prior)
    assert found.criterion[0] == pytest.approx(expected, rel=1e-10)
    np.testing.assert_allclose(at.beta[0], beta, rtol=1e-8)
    np.testing.assert_allclose(at.k_inv[0], cov, rtol=1e-7)


def test_a_full_prior_makes_the_criterion_a_marginal_likelihood() -> None:
    """With every coefficient given a proper prior, the criterion is -2 log of one multivariate normal density."""
    d = make(8)
    p0, b0 = np.diag([0.5, 1.0, 2.0, 0.3]), np.array([9.0, 3.0, 0.0, 0.0])
    found = criterion_of(d.sums(), *COVS[0], 1.3, (p0, b0))
    by_outer = d.outer_of[d.inner]
    v = np.diag(1.3 / d.weights) + (d.inner[:, None] == d.inner) * (d.z @ COVS[0][1] @ d.z.T)
    v = v + (by_outer[:, None] == by_outer) * (d.z @ COVS[0][0] @ d.z.T) + d.x @ np.linalg.inv(p0) @ d.x.T
    rest = d.y - d.x @ b0
    density = len(d.y) * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + rest @ np.linalg.solve(v, rest)
    assert found == pytest.approx(float(density), rel=1e-10)


@pytest.mark.parametrize("q", [1, 2, 3])
@pytest.mark.parametrize("reml", [True, False])
def test_score_against_numerical_differences(q: int, reml: bool) -> None:
    d = make(11, q=q)
    rng = np.random.default_rng(0)
    a, b = (rng.standard_normal((q, q)) for _ in range(2))
    outer, inner, noise = a @ a.T + 0.2 * np.eye(q), b @ b.T + 0.2 * np.eye(q), 1.2
    prior = (np.diag([0.0, 0.0, 0.3, 0.2]), np.zeros(4))
    sums = d.sums()
    bases, score, information = derivatives(sums, outer, inner, noise, prior, reml)
    steps = [(base, np.zeros((q, q)), 0.0) for base in bases]
    steps += [(np.zeros((q, q)), base, 0.0) for base in bases]
    steps.append((np.zeros((q, q)), np.zeros((q, q)), 1.0))
    h = 1e-5
    for found, (u, v, n) in zip(score, steps, strict=True):
        ends = [criterion_of(sums, outer + s * u, inner + s * v, noise + s * n, prior, reml) for s in (h, -h)]
        assert found == pytest.approx((ends[0] - ends[1]) / (2 * h), rel=2e-5, abs=2e-5)
    values = np.linalg.eigvalsh(information)
    assert values.min() > -1e-9 * values.max()


@pytest.mark.parametrize("rank", [0, 2, 4])
def test_average_information_as_from_dense_matrices(rank: int) -> None:
    """a' V_i P V_j a with a = V^-1 (y - X beta), which is P y without a prior, by one dense covariance of rows with
    weights."""
    d = make(12)
    (outer, inner), noise = COVS[0], 1.3
    sums = d.sums()
    prior = np.diag(np.r_[np.full(rank, 0.7), np.zeros(4 - rank)]), np.array([9.0, 3.0, 0.0, 0.0])
    bases, _, information = derivatives(sums, outer, inner, noise, prior)
    by_outer = d.outer_of[d.inner]
    masks = (by_outer[:, None] == by_outer, d.inner[:, None] == d.inner)
    parts = [mask * (d.z @ base @ d.z.T) for mask in masks for base in bases] + [np.diag(1.0 / d.weights)]
    v = masks[0] * (d.z @ outer @ d.z.T) + masks[1] * (d.z @ inner @ d.z.T) + np.diag(noise / d.weights)
    v_inv = np.linalg.inv(v)
    k = d.x.T @ v_inv @ d.x + prior[0]
    p = v_inv - v_inv @ d.x @ np.linalg.solve(k, d.x.T @ v_inv)
    rest = d.y - d.x @ np.linalg.solve(k, d.x.T @ v_inv @ d.y + prior[0] @ prior[1])
    f = np.column_stack([part @ v_inv @ rest for part in parts])
    np.testing.assert_allclose(information, f.T @ p @ f, rtol=1e-8)


def stationary(d: Data, fit: MixedFit, *, free: bool = True) -> None:
    """No small change of the variances, inside the cone, lowers the criterion."""
    q = d.z.shape[1]
    base = fit.criterion
    rng = np.random.default_rng(0)
    for _ in range(30):
        size = 10.0 ** rng.uniform(-4, -1)
        trial = []
        for cov in (fit.outer_cov, fit.inner_cov):
            a = rng.standard_normal((q, q))
            trial.append((1 - size) * cov + size * (a @ a.T) * rng.integers(0, 2) if free else cov)
        noise = fit.noise * float(np.exp(size * rng.standard_normal()))
        moved = criterion_of(d.sums(), trial[0], trial[1], noise, none(d.x.shape[1]))
        assert moved >= base - 1e-5


@pytest.mark.parametrize("seed", range(8))
def test_the_fit_is_a_minimum(seed: int) -> None:
    d = make(seed, outers=6)
    fit = fit_mixed(d.sums(), tolerance=1e-12)
    assert fit.converged
    stationary(d, fit)
    assert fit.criterion == pytest.approx(dense_criterion(d, fit.outer_cov, fit.inner_cov, fit.noise)[0], rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_variances_on_the_boundary_stay_in_the_cone_without_a_warning(seed: int) -> None:
    nothing = np.zeros((2, 2))
    d = make(seed, inner_cov=np.diag([3.0, 0.0]), outer_cov=nothing, outers=8, members=(2, 3), rows=(2, 5))
    fit = fit_mixed(d.sums())
    assert np.linalg.eigvalsh(fit.outer_cov).min() > -1e-12
    assert np.linalg.eigvalsh(fit.inner_cov).min() > -1e-12
    assert fit.noise > 0
    assert np.isfinite(fit.criterion)
    assert np.all(np.isfinite(fit.beta_cov))
    stationary(d, fit)


def test_one_group_and_one_row() -> None:
    d = make(3, outers=1, members=(1, 1), rows=(6, 6))
    fit = fit_mixed(d.sums(), prior_precision=0.01 * np.eye(4))
    assert np.isfinite(fit.criterion)
    assert np.all(np.linalg.eigvalsh(fit.inner_cov) >= -1e-12)
    one = make(3, outers=1, members=(1, 1), rows=(1, 1))
    fit = fit_mixed(one.sums(), prior_precision=np.eye(4), prior_mean=np.array([10.0, 4.0, 0.0, 0.0]))
    assert np.isfinite(fit.criterion)
    assert fit.noise > 0


def test_no_row_is_refused() -> None:
    d = make(3)
    with pytest.raises(TrimfitError, match="no reading to fit"):
        replace(d, y=np.full_like(d.y, np.nan)).sums()
    with pytest.raises(TrimfitError, match="no reading to fit"):
        replace(d, weights=np.zeros_like(d.y)).sums()


def test_terms_that_cannot_be_told_apart_are_refused_or_shared_under_a_prior() -> None:
    d = make(4)
    twice = replace(d, x=np.column_stack([d.x, d.x[:, 1], np.zeros(len(d.y))]))
    with pytest.raises(TrimfitError, match="cannot be separated"):
        fit_mixed(twice.sums())
    fit = fit_mixed(twice.sums(), prior_precision=1e-3 * np.eye(6))
    assert fit.beta[1] == pytest.approx(fit.beta[4], rel=1e-6)  # the prior shares what the rows cannot split
    assert fit.beta[5] == pytest.approx(0.0, abs=1e-9)
    assert fit.beta_cov[5, 5] == pytest.approx(1e3, rel=1e-6)
    plain = fit_mixed(d.sums(), prior_precision=np.diag([1e-3, 0.5e-3, 1e-3, 1e-3]))
    assert fit.beta[1] + fit.beta[4] == pytest.approx(plain.beta[1], rel=1e-4)


def test_rows_of_no_weight_and_order_of_rows_do_not_matter() -> None:
    d = make(5)
    fit = fit_mixed(d.sums(), tolerance=1e-12)
    rng = np.random.default_rng(0)
    order = rng.permutation(len(d.y))
    mixed = Data(d.z[order], d.x[order], d.y[order], d.inner[order], d.outer_of, d.weights[order])
    again = fit_mixed(mixed.sums(), tolerance=1e-12)
    assert again.criterion == pytest.approx(fit.criterion, rel=1e-10)
    np.testing.assert_allclose(again.beta, fit.beta, rtol=1e-6)
    wide = Data(
        np.vstack([d.z, d.z[:5]]),
        np.vstack([d.x, d.x[:5]]),
        np.r_[d.y, np.full(3, np.nan), 1e6, -1e6],
        np.r_[d.inner, d.inner[:5]],
        d.outer_of,
        np.r_[d.weights, 1.0, 1.0, 1.0, 0.0, 0.0],
    )
    assert fit_mixed(wide.sums(), tolerance=1e-12).criterion == pytest.approx(fit.criterion, rel=1e-10)


@pytest.mark.parametrize("unit", [1e-3, 37.0])
def test_another_unit_of_the_response_or_of_a_term_changes_nothing_else(unit: float) -> None:
    d = make(6, outers=8)
    fit = fit_mixed(d.sums(), tolerance=1e-13)
    other = fit_mixed(replace(d, y=d.y * unit).sums(), tolerance=1e-13)
    free = len(d.y) - d.x.shape[1]
    assert other.criterion == pytest.approx(fit.criterion + 2 * free * np.log(unit), rel=1e-7)
    np.testing.assert_allclose(other.beta, fit.beta * unit, rtol=1e-4, atol=1e-6 * unit)
    assert other.noise == pytest.approx(fit.noise * unit**2, rel=1e-3)
    turn = np.diag([1.0, unit])
    scaled = fit_mixed(replace(d, z=d.z @ turn).sums(), tolerance=1e-13)
    assert scaled.criterion == pytest.approx(fit.criterion, rel=1e-7)
    np.testing.assert_allclose(turn @ scaled.inner_cov @ turn, fit.inner_cov, rtol=2e-2, atol=1e-2)


def test_as_statsmodels_on_one_level() -> None:
    from statsmodels.regression.mixed_linear_model import MixedLM

    cov = np.array([[4.0, -1.0], [-1.0, 6.0]])
    d = make(21, outers=40, members=(1, 1), rows=(4, 7), inner_cov=cov, outer_cov=np.zeros((2, 2)), weighted=False)
    fit = fit_mixed(d.sums(), outer_free=np.zeros((2, 2), bool), tolerance=1e-13)
    theirs = MixedLM(d.y, d.x, d.inner, exog_re=d.z).fit(reml=True, method="bfgs", gtol=1e-8)
    # their constant counts log|X'X| and N; the parts that move are compared
    shift = dense_criterion(d, np.zeros((2, 2)), np.asarray(theirs.cov_re), float(theirs.scale))[0]
    assert fit.criterion == pytest.approx(shift, abs=1e-4)
    assert fit.criterion <= shift + 1e-6
    np.testing.assert_allclose(fit.beta, theirs.fe_params, rtol=1e-3)
    np.testing.assert_allclose(fit.inner_cov, theirs.cov_re, rtol=5e-3, atol=5e-3)
    assert fit.noise == pytest.approx(theirs.scale, rel=1e-3)


def test_variances_recovered_by_simulation() -> None:
    """Interior variances: the mean over shops is the truth within Monte Carlo error; beta's interval holds it."""
    inner, outer = np.array([[9.0, 3.0], [3.0, 16.0]]), np.array([[4.0, 0.5], [0.5, 6.0]])
    found, held = [], 0
    shops = 60
    for seed in range(shops):
        d = make(1000 + seed, outers=14, members=(4, 6), rows=(3, 5), inner_cov=inner, outer_cov=outer, noise=1.0)
        fit = fit_mixed(d.sums())
        found.append([*fit.inner_cov[np.tril_indices(2)], *fit.outer_cov[np.tril_indices(2)], fit.noise, fit.beta[1]])
        held += abs(fit.beta[1] - 4.0) < 1.96 * np.sqrt(fit.beta_cov[1, 1])
    mean = np.mean(found, axis=0)
    error = np.std(found, axis=0) / np.sqrt(shops)
    np.testing.assert_array_less(np.abs(mean - [9.0, 3.0, 16.0, 4.0, 0.5, 6.0, 1.0, 4.0]), 3.5 * error)
    assert 0.87 <= held / shops <= 0.99


@pytest.mark.parametrize("q", [1, 2, 3])
def test_inverse_of_small_matrices(q: int) -> None:
    rng = np.random.default_rng(0)
    a = rng.standard_normal((20, q, q))
    m = a @ a.transpose(0, 2, 1) + 0.1 * np.eye(q)
    inverse, logdet = small_inverse(np.moveaxis(m, 0, -1)[None])
    inverse, logdet = np.moveaxis(inverse[0], -1, 0), logdet[0]
    np.testing.assert_allclose(inverse @ m, np.broadcast_to(np.eye(q), m.shape), atol=1e-8)
    np.testing.assert_allclose(logdet, np.linalg.slogdet(m)[1], atol=1e-10)


R_SCRIPT = """
suppressMessages(library(lme4))
d <- read.csv(commandArgs(TRUE)[1])
f <- lmer(y ~ t + t2 + x + (1 + t | outer) + (1 + t | outer:inner), d, weights = d$w, REML = TRUE,
          control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 200000)))
v <- as.data.frame(VarCorr(f))
cat(sprintf("%.12f\\n", c(REMLcrit(f), sigma(f)^2, fixef(f), VarCorr(f)$outer[c(1, 2, 4)],
    VarCorr(f)[["outer:inner"]][c(1, 2, 4)])))
"""


@pytest.mark.reference
def test_as_an_independent_engine_on_two_levels(tmp_path: Path) -> None:
    """lme4 (Bates, Maechler, Bolker & Walker, 2015, J. Stat. Software 67(1)), from Debian's r-cran-lme4."""
    rscript = which("Rscript")
    assert rscript is not None, "this test needs R with lme4"
    inner, outer = np.array([[60.0, 20.0], [20.0, 90.0]]), np.array([[25.0, -5.0], [-5.0, 30.0]])
    d = make(31, outers=24, members=(6, 12), rows=(1, 5), inner_cov=inner, outer_cov=outer, noise=3.0)
    table = np.column_stack([d.y, d.x[:, 1:], d.weights, d.outer_of[d.inner], d.inner])
    path = tmp_path / "bench.csv"
    np.savetxt(path, table, delimiter=",", header="y,t,t2,x,w,outer,inner", comments="", fmt="%.17g")
    done = subprocess.run([rscript, "-e", R_SCRIPT, str(path)], capture_output=True, text=True, check=True, timeout=120)
    theirs = np.array([float(line) for line in done.stdout.split()])
    fit = fit_mixed(d.sums(), tolerance=1e-14)
    assert fit.criterion == pytest.approx(theirs[0], rel=1e-6, abs=1e-5)
    assert fit.noise == pytest.approx(theirs[1], rel=1e-4)
    np.testing.assert_allclose(fit.beta, theirs[2:6], rtol=1e-4)
    np.testing.assert_allclose(fit.outer_cov[np.tril_indices(2)], theirs[6:9], rtol=1e-3, atol=1e-2)
    np.testing.assert_allclose(fit.inner_cov[np.tril_indices(2)], theirs[9:12], rtol=1e-3, atol=1e-2)
