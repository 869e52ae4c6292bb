"""Run lengths of charts, by integral equations and by play: yardsticks for the charts of the review.

Crowder, Technometrics 29 (1987) 401; Lucas & Crosier, Technometrics 24 (1982) 199. In standard deviations of a point.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from tests.worlds.physics import Array

__all__ = ["arl_cusum", "arl_ewma", "simulated_run_length"]


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi))


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def arl_ewma(weight: float, width: float, shift: float = 0.0, *, n_nodes: int = 80) -> float:
    """Average run length of a moving average with long-run limits at ± width · √(weight / (2 − weight)), from the
    centre, after a shift that was there from the first point."""
    limit = width * math.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    at, share = limit * nodes, limit * weights
    kernel = share * _density((at - (1.0 - weight) * at[:, None]) / weight - shift) / weight
    length = np.linalg.solve(np.eye(n_nodes) - kernel, np.ones(n_nodes))
    return float(1.0 + (share * _density(at / weight - shift) / weight) @ length)


def _one_sided_cusum(slack: float, decision: float, shift: float, n_nodes: int) -> float:
    """Run length of the upper sum from 0: an atom at 0, a density on (0, decision]."""
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    at, share = 0.5 * decision * (nodes + 1.0), 0.5 * decision * weights
    start = np.concatenate([[0.0], at])
    matrix = np.empty((n_nodes + 1, n_nodes + 1))
    matrix[:, 0] = [_normal_cdf(slack - shift - place) for place in start]
    matrix[:, 1:] = share * _density(at - start[:, None] + slack - shift)
    return float(np.linalg.solve(np.eye(n_nodes + 1) - matrix, np.ones(n_nodes + 1))[0])


def arl_cusum(slack: float, decision: float, shift: float = 0.0, *, two_sided: bool = True, n_nodes: int = 60) -> float:
    """Average run length of cumulative sums from 0, slack and decision height in sigma; two-sided by
    `1 / ARL = 1 / ARL↑ + 1 / ARL↓` (Kemp 1961). One-sided watches for upward shifts."""
    up = _one_sided_cusum(slack, decision, shift, n_nodes)
    if not two_sided:
        return up
    return 1.0 / (1.0 / up + 1.0 / _one_sided_cusum(slack, decision, -shift, n_nodes))


def simulated_run_length(
    first_signal: Callable[[Array], int | None],
    rng: np.random.Generator,
    *,
    n_runs: int,
    longest: int,
    shift: float = 0.0,
    drift: float = 0.0,
) -> tuple[float, float]:
    """Run length of any chart by play: mean and its standard error over `n_runs` series of standard normal points
    with a shift and a drift per point.

    first_signal: takes a series (longest,) and returns the index of its first signal or None, which counts as
    `longest`: choose that long enough to be rare.
    """
    means = shift + drift * np.arange(1, longest + 1)
    lengths = np.empty(n_runs)
    for run in range(n_runs):
        first = first_signal(rng.standard_normal(longest) + means)
        lengths[run] = longest if first is None else first + 1
    return float(lengths.mean()), float(lengths.std(ddof=1) / math.sqrt(n_runs))
