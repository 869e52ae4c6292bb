"""The ten outputs by number (crow, then the nine notes as low A), and the contrasts of them that the trade turns on."""

from __future__ import annotations

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


GAP = contrast(F_NOTE, E_NOTE)
PITCH = 0.5 * (contrast(E_NOTE) + contrast(F_NOTE))
