"""Posteriors about one reed for the planner's tests: by hand, or through a random state of the ten outputs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import OUTPUTS
from trimfit.planner.aim import Aim, AimPosterior, see
from trimfit.planner.quantities import CutError
from trimfit.regression.curve import KNOTS_MM, bent_mm
from trimfit.regression.fitting.steps import prior_model
from trimfit.regression.posterior.reed import ReedState
from trimfit.regression.priors import C_TERMS, REGRESSORS, STROKE_SHARE

Array = NDArray[np.float64]
K, M = len(OUTPUTS), len(REGRESSORS)
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
EXACT = CutError(0.0, 0.0)
USUAL = CutError()
CASES = [
    {"gap": -45.0, "slope_sd": 12.0},
    {"gap": -45.0, "slope_sd": 18.0, "gap_sd": 0.8},
    {"gap": -15.0, "slope_sd": 9.0, "tie": -0.5},
    {"gap": -30.0, "slope_sd": 12.0, "tilt": 0.16, "bend": 4.0, "bend_sd": 2.0},
]
"""Reeds of which chances and intervals are compared with draws."""


def state_of(
    gap: float = -40.0,
    slope: float = 60.0,
    *,
    gap_sd: float = 1.5,
    slope_sd: float = 12.0,
    tie: float = 0.0,
    bend: float = 0.0,
    bend_sd: float = 0.0,
    pitch: float = 115.0,
    pitch_sd: float = 3.0,
    pitch_slope: float = 10.0,
    pitch_slope_sd: float = 2.0,
    pitch_bend: float = 0.0,
    pitch_bend_sd: float = 0.0,
    lip_gap: float = 0.0,
    lip_pitch: float = -0.8,
    tilt: float = 0.0,
    chanters: tuple[str, ...] = ("one",),
    noise: Array | None = None,
) -> ReedState:
    """A state whose gap and pitch (middle of E and F) have these means and spreads; all else is nearly known.

    tie: correlation of the gap with its slope; tilt: of the log of the curve's slope, per mm.
    """
    size = M * K + C_TERMS * K * len(chanters)
    mean, cov = np.zeros(size), 1e-8 * np.eye(size)
    for block, (level, top) in enumerate(
        ((pitch, gap), (pitch_slope, slope), (pitch_bend, bend), (lip_pitch, lip_gap))
    ):
        mean[block * K + F_NOTE] = level + top / 2
        mean[block * K + E_NOTE] = level - top / 2
    spreads = (
        (pitch_sd, gap_sd),
        (pitch_slope_sd, slope_sd),
        (pitch_bend_sd, bend_sd),
        (STROKE_SHARE * abs(lip_pitch), STROKE_SHARE * abs(lip_gap)),
    )
    lift = np.zeros((size, 8))
    for block in range(4):
        lift[block * K + F_NOTE, 2 * block : 2 * block + 2] = 1.0, 0.5
        lift[block * K + E_NOTE, 2 * block : 2 * block + 2] = 1.0, -0.5
    sd = np.array([value for pair in spreads for value in pair])
    inner = np.diag(sd**2)
    inner[1, 3] = inner[3, 1] = tie * gap_sd * slope_sd
    cov = cov + lift @ inner @ lift.T
    if noise is None:
        noise = np.full((K, K), 4.0) + np.eye(K) * 0.85
        noise[0, :] = noise[:, 0] = 0.0
        noise[0, 0] = 9.0
    return ReedState(mean, cov, chanters, tilt * KNOTS_MM, 1.0, 6.0, 20.0, noise)


def random_state(seed: int) -> ReedState:
    """The state of an unread reed under the assumptions alone, with a random mean and a thinned covariance."""
    rng = np.random.default_rng(seed)
    model = prior_model(("a",), 6.0, 20.0, 3.7)
    size = M * K + C_TERMS * K
    cov = np.zeros((size, size))
    cov[: M * K, : M * K] = 0.02 * model.coef_cov
    cov[:K, :K] += 0.3 * model.reed_cov[:K, :K]
    cov[K : 2 * K, K : 2 * K] += 0.5 * model.reed_cov[K : 2 * K, K : 2 * K]
    cov[M * K :, M * K :] = 0.1 * model.chanter_cov
    mean = np.r_[model.coef, np.zeros(C_TERMS * K)] + 0.2 * np.linalg.cholesky(cov + 1e-9 * np.eye(size)) @ (
        rng.standard_normal(size)
    )
    return ReedState(mean, cov, ("one",), float(rng.uniform(-0.2, 0.2)) * KNOTS_MM, 1.0, 6.0, 20.0, model.noise_cov)


def aim_of(target: float | None = None, *, most: float = 8.0, tolerance: float = 3.68) -> Aim:
    return Aim("one", None, target, tolerance, most)


def belief_of(target: float | None = None, *, removed: float = 0.0, **kwargs: float) -> AimPosterior:
    """`state_of` seen from an aim."""
    return see(state_of(**kwargs), aim_of(target), removed, 0.0)  # type: ignore[arg-type]


def draw(posterior: AimPosterior, rng: np.random.Generator, n: int) -> Array:
    """Seeded draws (n, 8) of the law that the posterior states: slope lognormal, the rest Gaussian given it."""
    mean, cov = posterior.mean, posterior.cov
    log_sd = math.sqrt(math.log1p(cov[1, 1] / mean[1] ** 2))
    slope = mean[1] * np.exp(log_sd * rng.standard_normal(n) - 0.5 * log_sd**2)
    rest = cov - np.outer(cov[:, 1], cov[:, 1]) / cov[1, 1]
    values, vectors = np.linalg.eigh(0.5 * (rest + rest.T))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return mean + (slope - mean[1])[:, None] * (cov[:, 1] / cov[1, 1]) + rng.standard_normal((n, 8)) @ root.T


def gaps(
    q: Array, posterior: AimPosterior, length: float, lip: float, error: CutError, rng: np.random.Generator
) -> Array:
    """True gaps after a cut, executed with its error, along the curved length."""
    taken = length * (1 + error.pct / 100 * rng.standard_normal(len(q))) if length else np.zeros(len(q))
    if length:
        taken = taken + error.constant_mm * rng.standard_normal(len(q))
    now, then = (bent_mm(x, posterior.curve) for x in (np.array([posterior.removed_mm]), posterior.removed_mm + taken))
    return q[:, 0] + q[:, 1] * (then - now) + q[:, 2] * (then**2 - now**2) + q[:, 3] * lip
