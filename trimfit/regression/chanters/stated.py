"""What was stated of a chanter, its meeting pitch and the crow that works in it, as readings with their own errors.

About the length g where the typical reed of a type meets in the chanter (or has the stated crow), both are linear in
the type's coefficients and the chanter's offsets: with s the gap's slope there, and p, c the pitch's and the crow's,

    meeting pitch = pitch - (p / s) gap          0 = gap - (s / c) (crow - working crow)

each plus the error of what was stated, in which is whatever makes it differ from what the typical reed has there (the
reed that it was taken from, a tuner): ASSUMED_ERRORS before any was checked, learned in the shop from chanters that
were read besides (`stated_errors`). The pseudo-reading is an ordinary linear one, so it is exact given its slopes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import OUTPUTS
from trimfit.regression.chanters.kinds import ChanterFacts
from trimfit.regression.priors import REGRESSORS, STATED_CROW_CENTS, STATED_PITCH_CENTS

__all__ = ["ASSUMED_ERRORS", "stated_errors", "stated_offsets"]

Array = NDArray[np.float64]
K, P = len(OUTPUTS), len(REGRESSORS)
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
ASSUMED_ERRORS = (STATED_PITCH_CENTS, STATED_CROW_CENTS)
SEED = 4.0
"""The assumed errors count for so many chanters that were checked."""
LEAST_GAP_SLOPE, LEAST_CROW_SLOPE = 5.0, 20.0
LONGEST = 3.0


def stated_offsets(
    mean: Array,
    slope_ratio: float,
    fact: ChanterFacts,
    errors: tuple[float, float] = ASSUMED_ERRORS,
) -> list[tuple[Array, float, float]]:
    """Pseudo-readings of what was stated: (row (80,), value, variance).

    mean (80,): the type's coefficients and the chanter's offsets before; fact: what was stated; errors:
    standard deviations of a stated pitch and a stated crow, cents.
    """
    beta = mean[: P * K].reshape(P, K)
    gap, pitch, crow = np.zeros(K), np.zeros(K), np.zeros(K)
    gap[F_NOTE], gap[E_NOTE], crow[0] = 1.0, -1.0, 1.0
    pitch[F_NOTE] = pitch[E_NOTE] = 0.5
    offset = mean[P * K : P * K + K] + slope_ratio * mean[P * K + K : P * K + 2 * K]
    out: list[tuple[Array, float, float]] = []

    def add(g: float, pick: Array, value: float, error_cents: float) -> None:
        terms = np.array([1.0, g, g * g, 0.0, 0.0, 0.0, 1.0, slope_ratio])
        out.append((np.kron(terms, pick), value, error_cents**2))

    def slopes(g: float) -> tuple[float, Array]:
        along = beta[1] + 2.0 * g * beta[2]
        return max(float(gap @ along), LEAST_GAP_SLOPE), along

    if fact.meeting_cents is not None:
        g = float(np.clip(-(gap @ (beta[0] + offset)) / slopes(0.0)[0], 0.0, LONGEST))
        slope, along = slopes(g)
        add(g, pitch - float(pitch @ along) / slope * gap, fact.meeting_cents, errors[0])
    if fact.crow_cents is not None:
        g = float(np.clip((fact.crow_cents - beta[0, 0]) / max(float(beta[1, 0]), LEAST_CROW_SLOPE), 0.0, LONGEST))
        slope, along = slopes(g)
        ratio = slope / max(float(along[0]), LEAST_CROW_SLOPE)
        add(g, gap - ratio * crow, -ratio * fact.crow_cents, ratio * errors[1])
    return out


def stated_errors(checks: Sequence[tuple[Array, Array, float, ChanterFacts]]) -> tuple[float, float]:
    """Standard deviations of what is stated of a pitch and of a crow, cents, from chanters that were read besides.

    checks: of each such chanter the mean (80,) and covariance (80, 80) of a type's coefficients and its offsets, the
    type's slope ratio, and what was stated. The highest point of the likelihood of the statements' departures times an
    inverse gamma prior about the assumed variance.
    """
    found = []
    for number, assumed in enumerate(ASSUMED_ERRORS):
        square, known, lift = [], [], []
        for mean, cov, ratio, fact in checks:
            one = replace(fact, crow_cents=None) if number == 0 else replace(fact, meeting_cents=None)
            for row, value, error in stated_offsets(mean, ratio, one, (1.0, 1.0)):
                square.append(float(value - row @ mean) ** 2)
                known.append(float(row @ cov @ row))
                lift.append(error)
        at = assumed * np.exp(np.linspace(-1.5, 2.0, 141))
        total = np.array(known)[:, None] + np.array(lift)[:, None] * at**2 if square else np.zeros((0, len(at)))
        fit = -0.5 * (np.log(total) + np.array(square)[:, None] / total).sum(axis=0) if square else np.zeros(len(at))
        prior = -0.5 * SEED * (2.0 * np.log(at) + (assumed / at) ** 2)
        found.append(float(at[int(np.argmax(fit + prior))]))
    return found[0], found[1]
