"""Gross slips, before anything is fitted: cells far from a robust line in length, type by type and output by output."""

from __future__ import annotations

import warnings

import numpy as np

from trimfit.regression.design import Rows
from trimfit.regression.outputs import Array, K

OUTLIER_SDS = 6.0
"""Robust standard deviations from the robust line (1.48 median absolute deviations): a cell beyond is set aside."""
SETTLED_CENTS = 1e-9
"""A robust line that moves less (in cents, and cents a mm) from one round to the next is found."""
LEAST_WEIGHT = 1e-4
"""What a cell that is set aside still counts for: its row stays in the sums, its value bends nothing."""


def lowered(rows: Rows, base: Array) -> dict[str, list[float]]:
    """Weights, by their entry, of the readings with a cell that counts for less than `base` (n, K) would have it: as a
    fitted model keeps them."""
    taken = np.isfinite(rows.y) | np.isfinite(rows.taped)
    less = (np.where(taken, rows.weight / base, 1.0) < 0.99).any(axis=1)
    return {str(rows.label[i]): np.round(rows.weight[i], 4).tolist() for i in np.flatnonzero(less)}


def _median(values: Array) -> float:
    """The median of (n,) numbers, n > 0: numpy's own looks for NaN and reduces at length, a dozen times the work."""
    middle = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, middle)[middle])
    ends = np.partition(values, [middle - 1, middle])
    return float(ends[middle - 1] + ends[middle]) / 2.0


def outlier_weights(rows: Rows) -> Array:
    """Next to no weight for cells far from a robust line in length per type and output; 1 elsewhere (n, K).

    Each chanter's own pitch is taken off first, by its median.
    """
    weight = np.ones_like(rows.y)
    level = np.zeros_like(rows.y)
    ridge = np.diag([1e-9, 1e-3])
    for c in np.unique(rows.chanter_code):
        on = np.flatnonzero(rows.chanter_code == c)
        if c >= 0 and len(on) >= 8:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", RuntimeWarning)  # a note that was never taken on this chanter
                level[on, 1:] = np.nan_to_num(np.nanmedian(rows.y[on, 1:], axis=0))
    for t in np.unique(rows.type_code):
        mine = np.flatnonzero(rows.type_code == t)
        for k in range(K):
            at = mine[np.isfinite(rows.y[mine, k])]
            if len(at) < 8:
                continue
            x, y = rows.removed_mm[at], rows.y[at, k] - level[at, k]
            design = np.stack([np.ones_like(x), x])
            line = np.array([_median(y), 0.0])
            for _ in range(15):
                rest = y - line[0] - line[1] * x
                scale = max(1.4826 * _median(np.abs(rest - _median(rest))), 2.0)
                w = 1.0 / np.maximum(1.0, np.abs(rest) / (1.5 * scale)) ** 2
                weighed = design * w
                last, line = line, np.linalg.solve(weighed @ design.T + ridge, weighed @ y)
                if np.max(np.abs(line - last)) < SETTLED_CENTS:
                    break
            rest = y - line[0] - line[1] * x
            scale = max(1.4826 * _median(np.abs(rest)), 4.0)
            weight[at[np.abs(rest) > OUTLIER_SDS * scale], k] = LEAST_WEIGHT
    return weight
