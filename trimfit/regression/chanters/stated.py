"""What was stated of a chanter, its meeting pitch and the crow that works in it, as readings with their own errors.

About the length g where the typical reed of a type meets in the chanter (or has the stated crow), both are linear in
the type's coefficients and the chanter's offsets: with s the gap's slope there, and p, c the pitch's and the crow's,

    meeting pitch = pitch - (p / s) gap          0 = gap - (s / c) (crow - working crow)

each plus the error of what was stated, in which is whatever makes it differ from what the typical reed has there (the
reed that it was taken from, a tuner): ASSUMED_ERRORS before any was checked, learned in the shop from chanters that
were read besides (`stated_errors`). The pseudo-reading is an ordinary linear one, so it is exact given its slopes.

A chanter asks another crow of each reed type: types start at other crows and gaps, and close the gap faster or slower
for a cent of crow. A crow is therefore stated of one type, whose coefficients stand in its row, and tells of a reed of
another type through the chanter's offsets, which all types share. Where nobody said of which type, it is of type t with
the chance w_t: half that of the reed asked about, for who orders a type plays it, half as the shop's reeds are shared
among types. With m_t, C_t the posterior had it been of type t, and p_t the density (per cent of crow) of what was
stated then, the posterior is a mixture with the shares w_t p_t, kept as one Gaussian of its mean and covariance

    m = sum of shares m_t,    C = sum of shares (C_t + (m_t - m)(m_t - m)')
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.chanters.kinds import ChanterFacts
from trimfit.regression.outputs import CROW, GAP, PITCH, Array, K, contrast
from trimfit.regression.priors import STATED_CROW_CENTS, STATED_PITCH_CENTS, WIDE, P

ASSUMED_ERRORS = (STATED_PITCH_CENTS, STATED_CROW_CENTS)
SEED = 4.0
"""The assumed errors count for so many chanters that were checked."""
LEAST_GAP_SLOPE, LEAST_CROW_SLOPE = 5.0, 20.0  # cents a mm: no reed is taken to answer less
LONGEST = 3.0  # mm: no reed is taken to meet farther off
OWN_TYPE = 0.5
"""The chance that a crow is of the type that its owner's order is for, where nobody said of which it is (assumed)."""
MOST_TYPES = 4
"""A crow of a type that nobody named may be of so many of the shop's, those with the most reeds."""


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
    offset = mean[P * K : P * K + K] + slope_ratio * mean[P * K + K : P * K + 2 * K]
    out: list[tuple[Array, float, float]] = []

    def add(g: float, pick: Array, value: float, error_cents: float) -> None:
        terms = np.array([1.0, g, g * g, 0.0, 0.0, 0.0, 1.0, slope_ratio])
        out.append((np.kron(terms, pick), value, error_cents**2))

    def slopes(g: float) -> tuple[float, Array]:
        along = beta[1] + 2.0 * g * beta[2]
        return max(float(GAP @ along), LEAST_GAP_SLOPE), along

    if fact.meeting_cents is not None:
        g = float(np.clip(-(GAP @ (beta[0] + offset)) / slopes(0.0)[0], 0.0, LONGEST))
        slope, along = slopes(g)
        add(g, PITCH - float(PITCH @ along) / slope * GAP, fact.meeting_cents, errors[0])
    if fact.crow_cents is not None:
        g = float(np.clip((fact.crow_cents - beta[0, 0]) / max(float(beta[1, 0]), LEAST_CROW_SLOPE), 0.0, LONGEST))
        slope, along = slopes(g)
        ratio = slope / max(float(along[0]), LEAST_CROW_SLOPE)
        add(g, GAP - ratio * contrast(CROW), -ratio * fact.crow_cents, ratio * errors[1])
    return out


@dataclass(frozen=True, slots=True)
class OfType:
    """A reed type that a stated crow may be of: the chance of that, where its coefficients (60) stand in the vector at
    hand, and its slope ratio."""

    chance: float
    first: int
    slope_ratio: float


def crow_types(types: Sequence[str], reeds: NDArray[np.intp], fact: ChanterFacts, asked: int) -> dict[int, float]:
    """The types (codes) that a stated crow may be of, each with the chance of that; none where there is no crow, or of
    one of a type that nothing is known of.

    types, reeds (T,): those that a fitted model knows, and how many reeds of each; asked: the type of the reed asked
    about, -1 for one that the model does not know.
    """
    if fact.crow_cents is None:
        return {}
    if fact.crow_type is not None:
        code = types.index(fact.crow_type) if fact.crow_type in types else -1
        return {code: 1.0} if code >= 0 or asked < 0 else {}
    most = np.argsort(-reeds, kind="stable")[:MOST_TYPES]
    count = float(reeds[most].sum())
    chances = {int(code): (1.0 - OWN_TYPE) * float(reeds[code]) / count for code in most if reeds[code]}
    chances[asked] = chances.get(asked, 0.0) + (OWN_TYPE if chances else 1.0)
    return chances


def with_stated(
    mean: Array,
    cov: Array,
    offsets: int,
    fact: ChanterFacts,
    own: OfType,
    of_crow: Sequence[OfType],
    errors: tuple[float, float],
) -> tuple[Array, Array]:
    """Mean (n,) and covariance (n, n) of coefficients and offsets given what was stated of one chanter.

    offsets: where its offsets (20) stand; own: the reed type asked about, through which a pitch is seen; of_crow: the
    types that the crow may be of, none where of one that nothing is known of; errors: of a pitch and a crow, cents.
    """
    if fact.meeting_cents is not None:
        mean, cov, _ = _given(mean, cov, offsets, replace(fact, crow_cents=None), own, errors)
    if fact.crow_cents is None or not of_crow:
        return mean, cov
    no_pitch = replace(fact, meeting_cents=None)
    found = [_given(mean, cov, offsets, no_pitch, one, errors) for one in of_crow]
    weight = np.log([one.chance for one in of_crow]) + np.array([density for _, _, density in found])
    share = np.exp(weight - weight.max())
    share /= share.sum()
    middle = share @ np.stack([m for m, _, _ in found])
    apart = np.stack([m - middle for m, _, _ in found])
    whole = (apart.T * share) @ apart
    for part, (_, c, _) in zip(share.tolist(), found, strict=True):
        whole += part * c
    return middle, whole


def _given(
    mean: Array, cov: Array, offsets: int, fact: ChanterFacts, of: OfType, errors: tuple[float, float]
) -> tuple[Array, Array, float]:
    """The same given one statement, taken as of a type; and the log density of that per cent of what was stated."""
    at = np.r_[of.first + np.arange(P * K), offsets + np.arange(WIDE)]
    ((row, value, error),) = stated_offsets(mean[at], of.slope_ratio, fact, errors)
    reach = cov[:, at] @ row
    spread = float(row @ reach[at]) + error
    off = value - float(row @ mean[at])
    # a cent of what was stated is so much of the row's value: error is the square of that times the statement's
    per_cent = error / errors[0 if fact.crow_cents is None else 1] ** 2
    density = -0.5 * (np.log(spread / per_cent) + off**2 / spread)
    return mean + reach * (off / spread), cov - np.outer(reach, reach) / spread, float(density)


def stated_errors(
    checks: Sequence[tuple[ChanterFacts, Array, Array, OfType, Sequence[OfType]]],
) -> tuple[float, float]:
    """Standard deviations of what is stated of a pitch and of a crow, cents, from chanters that were read besides.

    checks: of each such chanter what was stated, the mean (n,) and covariance (n, n) of types' coefficients with its
    offsets last, the type that a pitch is seen through, and the types that the crow may be of. The highest point of the
    likelihood of the statements' departures times an inverse gamma prior about the assumed variance.
    """
    found = []
    for number, assumed in enumerate(ASSUMED_ERRORS):
        at = assumed * np.exp(np.linspace(-1.5, 2.0, 141))
        fit = -0.5 * SEED * (2.0 * np.log(at) + (assumed / at) ** 2)
        for fact, mean, cov, own, of_crow in checks:
            one = replace(fact, crow_cents=None) if number == 0 else replace(fact, meeting_cents=None)
            if one.meeting_cents is None and one.crow_cents is None:
                continue
            fit = fit + _log_density(one, mean, cov, [own] if number == 0 else of_crow, at)
        found.append(float(at[int(np.argmax(fit))]))
    return found[0], found[1]


def _log_density(fact: ChanterFacts, mean: Array, cov: Array, types: Sequence[OfType], sd_cents: Array) -> Array:
    """Log density (m,) of what was stated if its error were one of these (m,), over the types it may be of."""
    last = len(mean) - WIDE
    parts = []
    for of in types:
        where = np.r_[of.first + np.arange(P * K), last + np.arange(WIDE)]
        ((row, value, lift),) = stated_offsets(mean[where], of.slope_ratio, fact, (1.0, 1.0))
        total = (float(row @ cov[np.ix_(where, where)] @ row) / lift) + sd_cents**2
        off = (value - float(row @ mean[where])) ** 2 / lift
        parts.append(np.log(of.chance) - 0.5 * (np.log(total) + off / total))
    return np.asarray(np.logaddexp.reduce(parts, axis=0) if parts else np.zeros(len(sd_cents)))
