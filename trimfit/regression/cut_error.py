"""What a cut really takes: the execution error, learned where asked-for and taken are both logged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LEAST_PAIRS = 30
"""Cuts with both amounts logged before the error is learned: with fewer the standard one is assumed."""
LEAST_MISSES = 10
"""So many of these must show a miss."""
SAME_MM = 1e-6
"""A smaller miss is none: two numbers of a log that look alike."""
LEAST_PARTS = 0.003, 0.0006
CALLIPER_MM, ALL_BUT_FEW = (0.05, 0.02, 0.01, 0.005, 0.002, 0.001), 0.98
"""Steps that a calliper may show, and the share of lengths that must fall on one."""
COPIED_RATIO = 6.635
"""Twice the log likelihood ratio from which amounts are taken to have been copied: chi-squared, 1 degree of freedom,
1 % (NIST/SEMATECH e-Handbook, 1.3.6.7.4)."""

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
    """(per cent, constant mm): taken = asked (1 + pct/100 eta) + constant eta'; None where the pairs do not tell it:
    fewer than 30 measured, or fewer than 10 with a miss.

    By maximum likelihood. A calliper shows multiples of h, so that a miss m is seen where the true one lies within
    h / 2 of it; and a share c of the amounts was copied and not measured (Heitjan, 1989, Statistical Science 4, on
    rounded data, from memory):

        P(m) = (1 - c) (Phi((m + h/2) / s) - Phi((m - h/2) / s)) + c [m = 0],    s² = (pct/100 asked)² + constant².

    c is 0 unless the likelihood ratio says else (chi-squared, 1 %). Misses beyond six robust standard deviations are
    set aside. Neither part is below a tenth of the defaults: no hand is perfect.
    """
    good = np.isfinite(asked_mm) & np.isfinite(taken_mm) & (asked_mm > 0) & (taken_mm > 0)
    asked, miss = asked_mm[good], taken_mm[good] - asked_mm[good]
    same = np.abs(miss) < SAME_MM
    if len(asked) < LEAST_PAIRS or (~same).sum() < LEAST_MISSES:
        return None
    step, usual = _step_of(taken_mm[good]), np.hypot(0.03 * asked, 0.006)
    rough = 1.4826 * float(np.median(np.abs(miss / usual)[~same]))
    keep = np.abs(miss) <= 6.0 * max(rough, 0.3) * usual + 0.5 * step
    # many pairs are alike: each once, with its number
    pairs, count = np.unique(np.round(np.column_stack([asked, np.abs(miss)])[keep], 6), axis=0, return_counts=True)
    size, copied = _likeliest(pairs[:, 0], pairs[:, 1], count, step)
    return (100.0 * size[0], size[1]) if (1.0 - copied) * count.sum() >= LEAST_PAIRS else None


def _step_of(taken_mm: NDArray[np.float64]) -> float:
    """The step in mm that the calliper shows lengths in: the coarsest of which all but a few are whole multiples."""
    for step in CALLIPER_MM:
        if np.mean(np.abs(taken_mm / step - np.round(taken_mm / step)) < 1e-3) >= ALL_BUT_FEW:
            return step
    return CALLIPER_MM[-1]


def _likeliest(
    asked: NDArray[np.float64], miss: NDArray[np.float64], count: NDArray[np.intp], step: float
) -> tuple[tuple[float, float], float]:
    """Share and constant (mm) of the error, and the share that was copied, of greatest likelihood."""
    from scipy.optimize import minimize
    from scipy.special import ndtr

    def parts(x: NDArray[np.float64]) -> tuple[float, float, float]:
        share, constant = np.maximum(np.exp(np.minimum(x[:2], 0.0)), LEAST_PARTS)
        return float(share), float(constant), float(1.0 / (1.0 + np.exp(-x[2]))) if len(x) > 2 else 0.0

    def badness(x: NDArray[np.float64]) -> float:
        share, constant, copied = parts(x)
        sd = np.hypot(share * asked, constant)
        seen = ndtr((miss + 0.5 * step) / sd) - ndtr((miss - 0.5 * step) / sd)
        chance = (1.0 - copied) * seen + copied * (miss < SAME_MM)
        return float(-(count @ np.log(np.maximum(chance, 1e-12))))

    start = np.log(np.array([0.03, 0.006]))
    none = minimize(badness, start, method="Nelder-Mead")
    some = minimize(badness, np.append(none.x, -1.0), method="Nelder-Mead")
    best = some if 2.0 * (none.fun - some.fun) > COPIED_RATIO else none
    share, constant, copied = parts(best.x)
    return (share, constant), copied
