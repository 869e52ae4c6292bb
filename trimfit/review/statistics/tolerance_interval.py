"""Tolerance intervals: between which values does a stated share of all reeds lie, with a stated confidence?

For a normal sample of n with mean m and standard deviation s the interval is m ± k2 s (definitions of ISO 16269-6).
Reeds of one batch are alike and tell less than so many by themselves. With J the variance among the means of a batches,
E that within them, n the harmonic mean of their sizes and N reeds in all, the variance of a reed s², its upper bound U
and the variance of the mean of the batches' means are

    s² = J + (1 - 1/n) E,      U = s² + ((H_J J)² + (H_E (1 - 1/n) E)²)^½,      J / a,
    H = df / chi²_df - 1, at the chance 1 - confidence, of df = a - 1 and N - a,

and the interval is the mean ± z (U (1 + J / (a s²)))^½ (Hoffman & Kringle, 2005, J. Biopharmaceutical Statistics 15,
283; the bound is of Graybill & Wang, 1980, J. Am. Stat. Assoc. 75, 869). Played out, it keeps its confidence.
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


def tolerance_interval(
    values: npt.ArrayLike, batch: npt.ArrayLike, coverage: float = 0.9, confidence: float = 0.95
) -> Interval:
    """The interval that holds `coverage` of all reeds like these (n_reeds,), two or more, with this confidence; unit of
    the values. batch (n_reeds,): of which batch each is; where all are of one, the interval is of its reeds alone.
    Assumes normal batches and reeds."""
    from scipy.special import chdtri, ndtri

    sample = np.asarray(values, dtype=np.float64)
    _, of, size = np.unique(np.asarray(batch), return_inverse=True, return_counts=True)
    batches, reeds = len(size), sample.size
    if batches in (1, reeds):
        reach = factor_two_sided(reeds, coverage, confidence) * float(sample.std(ddof=1))
        mean = float(sample.mean())
        return Interval(mean, mean - reach, mean + reach)
    each = np.bincount(of, sample) / size
    among, within = float(each.var(ddof=1)), float(((sample - each[of]) ** 2).sum()) / (reeds - batches)
    variance, bound = 0.0, 0.0
    for part, df in ((among, batches - 1), ((1.0 - float((1.0 / size).mean())) * within, reeds - batches)):
        variance += part
        bound += (part * (df / float(chdtri(df, confidence)) - 1.0)) ** 2
    shift = among / (batches * variance) if variance else 0.0
    reach = float(ndtri(0.5 * (1.0 + coverage))) * math.sqrt((variance + math.sqrt(bound)) * (1.0 + shift))
    mean = float(each.mean())
    return Interval(mean, mean - reach, mean + reach)
