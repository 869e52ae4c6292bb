"""The ten outputs by number (crow, then the nine notes as low A), the contrasts of them that the trade turns on, and
the few steps with matrices and groups of rows that all parts share."""

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


def scaled_inverse(cov: Array) -> Array:
    """Inverse of positive definite matrices (..., m, m) whose diagonals differ by orders of magnitude."""
    root = np.sqrt(np.maximum(np.einsum("...ii->...i", cov), 1e-300))
    size = root[..., :, None] * root[..., None, :]
    return np.asarray(np.linalg.inv(cov / size) / size)


def positive(cov: Array, least: float = 0.0) -> Array:
    """The nearest symmetric matrix (m, m) that has no eigenvalue under `least`."""
    values, vectors = np.linalg.eigh(0.5 * (cov + cov.T))
    return np.asarray((vectors * np.maximum(values, least)) @ vectors.T)


def edges_of(code: NDArray[Any]) -> NDArray[np.intp]:
    """Where each group of rows begins (G,), then n; code (n,): of their groups, whose rows stand together."""
    new = np.ones(len(code) + 1, dtype=bool)
    new[1:-1] = code[1:] != code[:-1]
    return np.flatnonzero(new)


def numbered(code: NDArray[Any]) -> NDArray[np.intp]:
    """The groups of `edges_of` as 0, 1, … (n,)."""
    edges = edges_of(code)
    return np.repeat(np.arange(len(edges) - 1), np.diff(edges))


def gap_of(y: Array) -> Array:
    """F less E (…) of the ten outputs (…, 10); NaN where either was not taken, whatever else was not."""
    return np.asarray(y[..., F_NOTE] - y[..., E_NOTE])


GAP = contrast(F_NOTE, E_NOTE)
PITCH = 0.5 * (contrast(E_NOTE) + contrast(F_NOTE))
