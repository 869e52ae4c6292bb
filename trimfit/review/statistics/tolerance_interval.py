"""Tolerance intervals: between which values does a stated share of all reeds lie, with a stated confidence?

For a normal sample of n with mean m and standard deviation s the interval is m ± k2 s (two sides) or m + k1 s (one).
Definitions of ISO 16269-6.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from trimfit.base.units import Interval


def factor_howe(n: int, coverage: float, confidence: float) -> float:
    """k2 by Howe's approximation (J. Am. Stat. Assoc. 64 (1969) 610), not always on the safe side."""
    from scipy.special import chdtri, ndtri

    z = float(ndtri(0.5 * (1.0 + coverage)))
    return z * math.sqrt((1.0 + 1.0 / n) * (n - 1) / float(chdtri(n - 1, confidence)))


def factor_two_sided(n: int, coverage: float, confidence: float) -> float:
    """k2: `coverage` of the population lies within m ± k2 s with this confidence. Exact, by quadrature.

    For each place of the sample mean the half-width that still covers is found, then how often k2 s reaches it.
    """
    from scipy.optimize import brentq
    from scipy.special import chdtrc, ndtr

    nodes, weights = np.polynomial.legendre.leggauss(60)
    off = 4.25 * (nodes + 1.0)  # standard errors of the mean, 0 to 8.5, by symmetry
    density = 4.25 * weights * 2.0 * np.exp(-0.5 * off**2) / math.sqrt(2.0 * math.pi)
    place = off / math.sqrt(n)
    reach = np.array([brentq(lambda r, x=x: ndtr(x + r) - ndtr(x - r) - coverage, 0.0, x + 10.0) for x in place])
    near = factor_howe(n, coverage, confidence)

    def too_sure(k: float) -> float:
        return float(density @ chdtrc(n - 1, (n - 1) * (reach / k) ** 2)) - confidence

    return float(brentq(too_sure, 0.5 * near, 2.0 * near))


def tolerance_interval(values: npt.ArrayLike, coverage: float = 0.9, confidence: float = 0.95) -> Interval:
    """The interval that holds `coverage` of all reeds like these (n_reeds,), two or more, with this confidence; unit of
    the values. Assumes a normal population."""
    sample = np.asarray(values, dtype=np.float64)
    reach = factor_two_sided(sample.size, coverage, confidence) * float(sample.std(ddof=1))
    mean = float(sample.mean())
    return Interval(mean, mean - reach, mean + reach)
