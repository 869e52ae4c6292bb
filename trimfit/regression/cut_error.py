"""What a cut really takes: the execution error, learned where asked-for and taken are both logged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LEAST_PAIRS = 30
"""Cuts with both amounts logged before the error is learned: with fewer the standard one is assumed."""
MOST_SAME = 0.2
"""Where more than so many cuts say taken = asked, the amounts were copied and not measured."""

USUAL_CUT_MM = 0.2
"""The cut at which the scatter is held against a step."""
STEPS_MM = (0.2, 0.1, 0.05, 0.02)
"""Steps that a length may be advised in, the coarsest first."""
SHARE_OF_STEP = 0.8
"""A step pays nothing once cuts scatter (one standard deviation) by so much of it: rounding adds 1/12 of its square."""


def coarser_step(pct: float, constant_mm: float, step_mm: float) -> float | None:
    """The step in mm that lengths might be advised in, where cuts scatter by that much; None where `step_mm`, the step
    in force, is coarse enough. pct, constant_mm: as from `cut_error`."""
    scatter_mm = float(np.hypot(pct / 100.0 * USUAL_CUT_MM, constant_mm))
    return next((step for step in STEPS_MM if step > step_mm and scatter_mm >= SHARE_OF_STEP * step), None)


def cut_error(asked_mm: NDArray[np.float64], taken_mm: NDArray[np.float64]) -> tuple[float, float] | None:
    """(per cent, constant mm): taken = asked (1 + pct/100 eta) + constant eta'; None with fewer than 30 pairs.

    The squared misses are regressed on the squared lengths, each weighted by the square of its own expectation
    (three rounds), after misses beyond six robust standard deviations are set aside. Neither part is below a tenth of
    the defaults: no hand is perfect.
    """
    good = np.isfinite(asked_mm) & np.isfinite(taken_mm) & (asked_mm > 0) & (taken_mm > 0)
    asked, miss = asked_mm[good], taken_mm[good] - asked_mm[good]
    same = miss == 0.0
    if len(same) and float(np.mean(same)) > MOST_SAME:
        # logged as advised and not measured: such pairs say nothing of the hand
        asked, miss = asked[~same], miss[~same]
    if len(asked) < LEAST_PAIRS:
        return None
    rough = 1.4826 * float(np.median(np.abs(miss / np.hypot(0.03 * asked, 0.006))))
    keep = np.abs(miss) <= 6.0 * max(rough, 0.3) * np.hypot(0.03 * asked, 0.006)
    asked, miss = asked[keep], miss[keep]
    design = np.column_stack([asked**2, np.ones_like(asked)])
    size = np.array([0.03**2, 0.006**2])
    for _ in range(3):
        weight = 1.0 / np.maximum(design @ size, 1e-10) ** 2
        ridge = 1e-6 * np.diag(np.diag(design.T @ (weight[:, None] * design)))
        size = np.linalg.solve(design.T @ (weight[:, None] * design) + ridge, design.T @ (weight * miss**2))
        size = np.maximum(size, [0.003**2, 0.0006**2])
    return 100.0 * float(np.sqrt(size[0])), float(np.sqrt(size[1]))
