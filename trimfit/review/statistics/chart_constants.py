"""Constants of control charts, computed from the normal distribution rather than copied from a table.

Names are those of ISO 7870-2: for samples of n from a normal process of standard deviation σ, the range has mean
d2 σ and standard deviation d3 σ, the sample standard deviation has mean c4 σ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from trimfit.base.errors import InputError

__all__ = ["ChartConstants", "chart_constants"]


@dataclass(frozen=True, slots=True)
class ChartConstants:
    """What turns a mean range or a mean standard deviation of samples of `n` into 3-sigma limits (no units).

    Means: grand mean ± a2 · mean range, ± a3 · mean sd. Ranges: d3_limit … d4_limit times the mean range. Standard
    deviations: b3 … b4 times the mean sd. Single values: mean ± e2 · mean range of n neighbours.
    """

    n: int
    d2: float
    d3: float
    c4: float
    a2: float
    a3: float
    b3: float
    b4: float
    d3_limit: float
    d4_limit: float
    e2: float


@lru_cache(maxsize=256)
def _range_moments(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range of n standard normal values.

    E R = 2 ∫ (1 − F(r))/2 dr by the distribution function of the range, F(r) = n ∫ φ(x) (Φ(x + r) − Φ(x))^(n−1) dx
    (Tippett, Biometrika 17 (1925) 364), both integrals by Gauss-Legendre; E R² = 2 ∫ r (1 − F(r)) dr.
    """
    from scipy.special import ndtr

    nodes, weights = np.polynomial.legendre.leggauss(160)
    x, x_weight = 8.5 * nodes, 8.5 * weights
    top = 15.0
    r, r_weight = 0.5 * top * (nodes + 1.0), 0.5 * top * weights
    density = np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    inside = (ndtr(x[:, None] + r) - ndtr(x)[:, None]) ** (n - 1)
    beyond = 1.0 - n * ((x_weight * density) @ inside)
    mean = float(r_weight @ beyond)
    square = float(2.0 * (r_weight * r) @ beyond)
    return mean, math.sqrt(square - mean**2)


@lru_cache(maxsize=256)
def chart_constants(n: int) -> ChartConstants:
    """The constants for samples of `n` readings. Raises InputError for fewer than 2 or more than 1000."""
    if not 2 <= n <= 1000:
        raise InputError(f"no chart constants for samples of {n}", "control chart", "use samples of 2 to 1000")
    d2, d3 = _range_moments(n)
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(0.5 * n) - math.lgamma(0.5 * (n - 1)))
    spread_of_sd = 3.0 * math.sqrt(1.0 - c4**2) / c4
    return ChartConstants(
        n=n,
        d2=d2,
        d3=d3,
        c4=c4,
        a2=3.0 / (d2 * math.sqrt(n)),
        a3=3.0 / (c4 * math.sqrt(n)),
        b3=max(0.0, 1.0 - spread_of_sd),
        b4=1.0 + spread_of_sd,
        d3_limit=max(0.0, 1.0 - 3.0 * d3 / d2),
        d4_limit=1.0 + 3.0 * d3 / d2,
        e2=3.0 / d2,
    )
