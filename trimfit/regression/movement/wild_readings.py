"""The share of readings that are wild: their errors are WILD times the usual in variance, four times in size."""

from __future__ import annotations

import numpy as np

from trimfit.regression.outputs import Array

WILD = 16.0
"""Variance of a wild reading's error, in that of a sound one's. Common practice, no source."""
FEW_WILD, FEW = 0.01, 50.0
"""The share that is assumed, and how many readings the assumption counts for."""


def wild_share(error: Array, forecast: Array, reading: Array) -> float:
    """The share of wild readings: error (n,) of each reading left out, variances (n,) of its forecast and of a sound
    reading. Maximum likelihood by expectation-maximization, the assumed share counting for FEW readings."""
    share = FEW_WILD
    sound, wild = (
        np.exp(-0.5 * np.minimum(error**2 / s, 1400.0)) / np.sqrt(s)
        for s in (forecast + reading, forecast + WILD * reading)
    )
    for _ in range(500):
        each = share * wild / np.maximum(share * wild + (1.0 - share) * sound, 1e-300)
        before, share = share, float((each.sum() + FEW_WILD * FEW) / (len(error) + FEW))
        if abs(share - before) < 1e-6:
            break
    return share
