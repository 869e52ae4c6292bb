"""How long a chart takes to see a drift: the average run length (ARL), in points, until the first signal.

Shifts and limits are in standard deviations of a point. The integral equation is solved by Gauss-Legendre nodes
(Crowder, Technometrics 29 (1987) 401).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError

Array = npt.NDArray[np.float64]


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi))


def arl_ewma_under_drift(
    weight: float, width: float, drift: float, *, n_nodes: int = 80, longest: int = 20_000
) -> float:
    """Average run length of a moving average with long-run limits at ± width · √(weight / (2 − weight)).

    The process drifts by `drift` sigma with every point: a worn mould, drying cane. The density of the average among
    charts yet silent is carried from point to point.

    Raises InputError for a drift so slow that `longest` points do not suffice.
    """
    limit = width * math.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    at, share = limit * nodes, limit * weights
    density = _density(at / weight - drift) / weight
    total, silent = 1.0, float(share @ density)
    for point in range(2, longest):
        total += silent
        if silent < 1e-12:
            return total
        step = _density((at[:, None] - (1.0 - weight) * at) / weight - drift * point) / weight
        density = step @ (share * density)
        silent = float(share @ density)
    raise InputError(f"a drift of {drift:g} sigma is too slow to time", "run length", "give a larger drift")
