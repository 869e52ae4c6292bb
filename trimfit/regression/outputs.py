"""The ten outputs by number (crow, then the nine notes as low A), and the contrasts of them that the trade turns on."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import OUTPUTS

Array = NDArray[np.float64]
K = len(OUTPUTS)
CROW, LOW_A, E_NOTE, F_NOTE, HIGH_A = (OUTPUTS.index(name) for name in ("crow", "low_a", "e", "f", "high_a"))


def contrast(k: int, minus: int | None = None) -> Array:
    """The vector (K,) that picks output k, or output k less another."""
    out = np.zeros(K)
    out[k] = 1.0
    if minus is not None:
        out[minus] = -1.0
    return out


def block_diagonal(parts: Iterable[NDArray[np.floating[Any]]]) -> Array:
    """Square matrices along the diagonal of one, zero beside them: `scipy.linalg` would load too much for an answer."""
    parts = list(parts)
    edges = np.cumsum([0, *(len(part) for part in parts)])
    out = np.zeros((edges[-1], edges[-1]))
    for first, last, part in zip(edges, edges[1:], parts, strict=False):
        out[first:last, first:last] = part
    return out


GAP = contrast(F_NOTE, E_NOTE)
PITCH = 0.5 * (contrast(E_NOTE) + contrast(F_NOTE))
