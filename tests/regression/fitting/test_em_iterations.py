"""What an assumed covariance counts for in an EM step: as so many reeds that were read as those of the log are."""

from __future__ import annotations

import numpy as np

from trimfit.regression.fitting.em_iterations import as_read

COV, ASSUMED = np.array([[2.0, 0.5], [0.5, 1.0]]), np.array([[60.0, -4.0], [-4.0, 9.0]])


def test_reeds_that_are_known_count_as_assumed_and_those_that_tell_nothing_as_they_are() -> None:
    np.testing.assert_allclose(as_read(ASSUMED, COV, np.zeros((4, 2, 2))), 4.0 * ASSUMED)
    np.testing.assert_allclose(as_read(ASSUMED, COV, np.tile(COV, (4, 1, 1))), 4.0 * COV, atol=1e-12)


def test_assumed_reeds_count_for_what_readings_would_tell_of_them() -> None:
    """Reeds drawn from what is assumed, start and slope, each read at a few lengths: their moments by an EM step."""
    rng = np.random.default_rng(4)
    lengths, noise = (np.array([0.0, 0.3]), np.array([0.0, 0.2, 0.5, 0.6])), 3.0
    left, moments = [], np.zeros((2, 2))
    for length in lengths:
        psi = np.column_stack([np.ones_like(length), length])
        after = np.linalg.inv(np.linalg.inv(COV) + psi.T @ psi / noise)
        reeds = rng.multivariate_normal(np.zeros(2), ASSUMED, 200_000)
        read = reeds @ psi.T + np.sqrt(noise) * rng.standard_normal((len(reeds), len(length)))
        mean = read @ psi @ after / noise
        moments += mean.T @ mean / len(reeds) + after
        left.append(after)
    np.testing.assert_allclose(as_read(ASSUMED, COV, np.array(left)), moments, rtol=0.02)
