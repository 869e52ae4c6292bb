"""Every quick way against the plain one: the same answer to rounding."""

import math

import numpy as np
import pytest

from trimfit.learn import predict
from trimfit.learn.joint import Posterior
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
