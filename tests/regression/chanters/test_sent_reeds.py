"""What came of reeds sent before, as evidence of a chanter's gap: against draws, and where a limit is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from trimfit.base.pitch import OUTPUTS
from trimfit.regression.chanters.sent_reeds import UNTOLD, Came, SentReed, with_sent

Array = NDArray[np.float64]
K = len(OUTPUTS)
WIDE = 2 * K
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
ERROR_CENTS, TOLERANCE_CENTS, RATIO = 1.5, 3.7, 1.3
PLACES = {4: 0, 9: WIDE}
"""Chanter 4 is at hand, 9 is away."""


def prior() -> tuple[Array, Array]:
    """Offsets of two chanters of a kind, correlated: mean and covariance."""
    rng = np.random.default_rng(1)
    root = rng.normal(0.0, 1.2, (2 * WIDE, 2 * WIDE)) / np.sqrt(WIDE)
    shared = np.kron(np.ones((2, 2)), np.diag(np.full(WIDE, 4.0)))
    mean = np.zeros(2 * WIDE)
    mean[WIDE + F_NOTE] = -2.0
    return mean, root @ root.T + shared + 6.0 * np.eye(2 * WIDE)


def row() -> Array:
    """The gap in the chanter that is away less that in the one at hand."""
    gap = np.zeros(K)
    gap[F_NOTE], gap[E_NOTE] = 1.0, -1.0
    there = np.concatenate([gap, RATIO * gap])
    return np.concatenate([-there, there])


@pytest.mark.parametrize(("came", "read_cents"), [("good", -4.0), ("good", 12.0), ("flat", -1.0), ("sharp", -9.0)])
def test_the_moments_are_those_of_draws_weighed_by_what_came(came: Came, read_cents: float) -> None:
    mean, cov = prior()
    reed = SentReed(4, RATIO, read_cents, came, TOLERANCE_CENTS)
    found, left = with_sent(mean, cov, PLACES, 9, [reed], ERROR_CENTS)
    rng = np.random.default_rng(2)
    theta = mean + rng.standard_normal((400_000, len(mean))) @ np.linalg.cholesky(cov).T
    arrived = read_cents + theta @ row() + rng.normal(0.0, ERROR_CENTS, len(theta))
    inside = {
        "good": np.abs(arrived) <= TOLERANCE_CENTS,
        "flat": arrived < -TOLERANCE_CENTS,
        "sharp": arrived > TOLERANCE_CENTS,
    }[came]
    weight = UNTOLD[came] + (1.0 - UNTOLD[came]) * inside
    weight = weight / weight.sum()
    middle = weight @ theta
    np.testing.assert_allclose(found, middle, atol=0.05)
    apart = theta - middle
    for place in (F_NOTE, WIDE + F_NOTE, WIDE + K + E_NOTE):
        assert left[place, place] == pytest.approx(weight @ apart[:, place] ** 2, rel=0.02)
        assert left[place, F_NOTE] == pytest.approx(weight @ (apart[:, place] * apart[:, F_NOTE]), abs=0.15)
    difference = apart @ row()
    assert row() @ left @ row() == pytest.approx(weight @ difference**2, rel=0.02)


def test_reeds_that_came_back_flat_time_after_time_say_that_the_chanter_is_flat_for_the_one_at_hand() -> None:
    mean, cov = prior()
    at = [mean]
    for _ in range(4):
        now, cov = with_sent(at[-1], cov, PLACES, 9, [SentReed(4, RATIO, 0.0, "flat", TOLERANCE_CENTS)], ERROR_CENTS)
        at.append(now)
    gaps = [float(row() @ one) for one in at]
    assert gaps == sorted(gaps, reverse=True)
    assert gaps[-1] < -TOLERANCE_CENTS
    assert np.linalg.eigvalsh(cov).min() > 0.0


def test_a_reed_that_was_sure_to_come_so_tells_nothing() -> None:
    mean, cov = prior()
    same, left = with_sent(mean, cov, PLACES, 9, [SentReed(4, RATIO, -200.0, "flat", TOLERANCE_CENTS)], ERROR_CENTS)
    np.testing.assert_allclose(same, mean, atol=1e-9)
    np.testing.assert_allclose(left, cov, atol=1e-9)


def test_a_reed_read_in_a_chanter_that_nobody_asks_about_tells_nothing() -> None:
    mean, cov = prior()
    same, left = with_sent(mean, cov, PLACES, 9, [SentReed(5, RATIO, 0.0, "flat", TOLERANCE_CENTS)], ERROR_CENTS)
    assert (same == mean).all()
    assert (left == cov).all()
