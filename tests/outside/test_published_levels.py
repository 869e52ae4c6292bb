"""A level that moves in time, against the flow of the Nile at Aswan, 1871 to 1970: one reading a year of one level.

The year stands for a day, the flow for the gap of a reed that nobody works on: F carries half of it, E the other half
with its sign turned, and the crow and the pitch say nothing. Sources: Durbin & Koopman (2012), Time Series Analysis by
State Space Methods, 2nd ed., chapter 2 (the filter and the variances); section 2.12 on diagnostic checking (the break
of 1899, the outlier of 1913; from memory); Cobb (1978), Biometrika 65, 243-251 (the change point; from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.outside.published import table
from trimfit.base.pitch import OUTPUTS
from trimfit.regression.curve import KNOTS_MM
from trimfit.regression.movement import process as moving
from trimfit.regression.movement.jumps import gain
from trimfit.regression.movement.process import BASIS, assumed_movement, levels_of
from trimfit.regression.outputs import GAP
from trimfit.regression.posterior.batch import Posterior, Terms, batch_sums, reed_block, row_precision
from trimfit.regression.posterior.reed import ReedState
from trimfit.regression.priors import REGRESSORS

Array = NDArray[np.float64]
K = len(OUTPUTS)
E, F = OUTPUTS.index("e"), OUTPUTS.index("f")
NOISE, WALK = 15098.6, 1469.15
"""Durbin & Koopman, section 2.10: the maximum of the likelihood."""
DIFFUSE = 1e7


def residuals(pull: np.ndarray, inverse: np.ndarray, shows: np.ndarray) -> np.ndarray:
    """How far a disturbance lies from nothing (c,), in standard errors, one for each column of shows (m, c): the cells
    that it moves, and by how much. pull (m,), inverse (m, m): of `batch.reed_block`.

    Column i of the identity asks whether cell i is wrong; ones from a row on, whether the level jumped before it.
    """
    size = np.einsum("mc,mn,nc->c", shows, inverse, shows)
    return shows.T @ pull / np.sqrt(size)


def as_readings(flow: Array) -> Array:
    y = np.full((len(flow), K), np.nan)
    y[:, F], y[:, E] = 0.5 * flow, -0.5 * flow
    return y


def errors(noise: float) -> Array:
    """Errors of F and E such that their difference has this variance."""
    out = 1e6 * np.eye(K)
    out[F, F] = out[E, E] = 0.5 * noise
    return out


def start(variance: float) -> Array:
    """A reed's own level: its gap all but unknown, all else known."""
    out = 1e-9 * np.eye(K)
    out[np.ix_([F, E], [F, E])] += 0.25 * variance * np.array([[1.0, -1.0], [-1.0, 1.0]])
    return out


def filtered(flow: Array, initial: float) -> tuple[Array, Array, float]:
    """The level after each year, its variance, and the log-likelihood: one reading at a time, by `ReedState`."""
    size = len(REGRESSORS) * K + 6
    cov = np.zeros((size, size))
    cov[:K, :K] = start(initial)
    state = ReedState(np.zeros(size), cov, (), np.zeros(len(KNOTS_MM)), 1.0, 6.0, 20.0, errors(NOISE))
    design = state.design(0.0, 0.0, None)[[F, E]]
    both = np.ix_([F, E], [F, E])
    level, variance, log_likelihood = [], [], 0.0
    walk = np.zeros((3, 3))
    walk[1, 1] = WALK
    for year, y in enumerate(as_readings(flow)[:, [F, E]]):
        state = state.moved(walk) if year else state
        gap_var = float(GAP @ state.outputs(state.design(0.0, 0.0, None))[1] @ GAP) + NOISE
        miss = float((y[0] - y[1]) - GAP[[F, E]] @ design @ state.mean)
        log_likelihood -= 0.5 * (np.log(2.0 * np.pi * gap_var) + miss**2 / gap_var)
        state = state.updated(design, y, errors(NOISE)[both])
        level.append(float(GAP[[F, E]] @ design @ state.mean))
        variance.append(float(GAP[[F, E]] @ design @ state.cov @ design.T @ GAP[[F, E]]))
    return np.array(level), np.array(variance), log_likelihood


def block(flow: Array, walk: float, monkeypatch: pytest.MonkeyPatch) -> tuple[Array, Array]:
    """V^-1 r and V^-1 of the gap readings, all at once by the joint algebra."""
    monkeypatch.setattr(moving, "MOST_SITTINGS", 200)
    n = len(flow)
    assumed = assumed_movement(1).of(0)
    found = replace(assumed, sitting=0.0 * assumed.sitting, settle_cov=0.0 * assumed.settle_cov, jumps_per_day=0.0)
    step = np.zeros((3, 3))
    step[1, 1] = walk
    reed = np.zeros(n, dtype=np.intp)
    levels = levels_of(
        np.arange(n, dtype=float), np.zeros((n, 2)), np.zeros((n, 3, 3)), reed, replace(found, walk=step)
    )
    y = as_readings(flow)
    w, wy = row_precision(y, np.ones((n, K)), errors(NOISE))
    sums = batch_sums(Terms.of(np.ones((n, 1)), np.zeros((n, 0))), w, wy, reed, start(1e9), levels)
    nothing = Posterior(np.zeros(K), np.zeros((K, K)))  # the batch's own level: known to be none
    _, pull, inverse = reed_block(sums, nothing, y, 0)
    as_gap = np.kron(np.eye(n), BASIS[:, [1]])
    return as_gap.T @ pull, as_gap.T @ inverse @ as_gap


def test_the_level_year_by_year_is_the_published_one() -> None:
    flow = table("nile")["flow"].to_numpy(dtype=float)
    level, variance, _ = filtered(flow, DIFFUSE)
    np.testing.assert_allclose(level[:3], [1120.0, 1140.93, 1072.80], atol=2.0)
    assert level[-1] == pytest.approx(798.368, abs=0.01)
    assert variance[-1] == pytest.approx(4032.15, abs=0.1)
    kept = table("nile_filtered")
    column = next(name for name in kept.columns if name != "year")
    np.testing.assert_allclose(level[10:], kept[column].to_numpy(dtype=float)[10:], atol=0.2)


def test_the_likelihood_is_that_of_an_independent_package() -> None:
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    flow = table("nile")["flow"].to_numpy(dtype=float)
    model = UnobservedComponents(flow, level="local level")
    model.ssm.initialize_known(np.zeros(1), np.array([[DIFFUSE]]))
    model.ssm.loglikelihood_burn = 0
    other = float(model.loglike(np.array([NOISE, WALK]), transformed=True))
    assert filtered(flow, DIFFUSE)[2] == pytest.approx(other, rel=1e-6)


def test_the_jump_of_1899_and_the_wild_year_1913_from_memory_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    frame = table("nile")
    flow, year = frame["flow"].to_numpy(dtype=float), frame["year"].to_numpy()
    pull, inverse = block(flow, WALK, monkeypatch)
    n = len(flow)
    jumps = residuals(pull, inverse, np.tril(np.ones((n, n)))[:, 1:])  # column s: ones from row s + 1 on
    wild = residuals(pull, inverse, np.eye(n))
    assert year[1 + int(np.argmax(np.abs(jumps)))] == 1899
    assert jumps[np.argmax(np.abs(jumps))] == pytest.approx(-3.2, abs=0.1)
    assert year[int(np.argmax(np.abs(wild)))] == 1913
    assert wild[np.argmax(np.abs(wild))] == pytest.approx(-3.0, abs=0.1)


def test_with_the_jump_of_1899_the_level_stands_still(monkeypatch: pytest.MonkeyPatch) -> None:
    """A step from 1899 on, and no walk: -247.2 (standard error 28.8), as with statsmodels' regressor."""
    frame = table("nile")
    flow, year = frame["flow"].to_numpy(dtype=float), frame["year"].to_numpy()
    pull, inverse = block(flow, 0.0, monkeypatch)
    step = (year >= 1899).astype(float)
    size, scale = float(step @ inverse @ step), 16136.0 / NOISE  # the error's variance once the step is in the model
    assert float(step @ pull) / size == pytest.approx(-247.2, abs=0.7)
    assert np.sqrt(scale / size) == pytest.approx(28.8, abs=0.6)
    # a jump of that size is worth taking up; the best year for it is 1899
    each = [
        gain(np.array([s @ pull]), np.array([[s @ inverse @ s]]), np.array([[250.0**2]]))
        for s in ((year >= y).astype(float) for y in year[1:])
    ]
    assert year[1 + int(np.argmax(each))] == 1899
    assert max(each) > 20.0
