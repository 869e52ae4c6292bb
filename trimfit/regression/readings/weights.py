"""How weight, crow and trim go together in a shop: least squares on its own good reeds.

For each reed type, crow as first read (cents) and length taken off in all (mm) are regressed on the reed's weight, a
level for each word and one variance for all: by `statsmodels` OLS, with intervals from the t distribution. Nothing is
said of a type with fewer than two words that each have LEAST_REEDS reeds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trimfit.base.pitch import cents_from_440, hz_from_cents
from trimfit.base.units import Interval

LEAST_REEDS = 5
"""Reeds of one weight word that say something of it: fewer leave its level and the variance to chance."""


@dataclass(frozen=True, slots=True)
class WeighedReed:
    """A reed that ended good: its type, weight, crow as first read (Hz) and what came off it in all (mm)."""

    reed_type: str
    weight: str
    crow_hz: float
    trim_mm: float


@dataclass(frozen=True, slots=True)
class WeightTerms:
    """Of one type and weight: how many reeds, their mean crow (Hz) and trim (mm) with 90 % intervals, and the share of
    the trim's variance that weight explains in the type (R²)."""

    reed_type: str
    weight: str
    reeds: int
    crow_hz: Interval
    trim_mm: Interval
    trim_explained: float


def weight_terms(reeds: Sequence[WeighedReed]) -> list[WeightTerms]:
    """Crow and trim by type and weight, the lowest crow of a type first; empty where there are too few reeds."""
    import numpy as np
    import statsmodels.api as sm

    out: list[WeightTerms] = []
    for reed_type in sorted({reed.reed_type for reed in reeds}):
        of_type = [reed for reed in reeds if reed.reed_type == reed_type]
        counts = {word: sum(reed.weight == word for reed in of_type) for word in {reed.weight for reed in of_type}}
        words = sorted(word for word, count in counts.items() if count >= LEAST_REEDS)
        kept = [reed for reed in of_type if reed.weight in words]
        if len(words) < 2:
            continue
        design = np.array([[float(reed.weight == word) for word in words] for reed in kept])
        crow = sm.OLS(np.array([cents_from_440(reed.crow_hz) for reed in kept]), design).fit()
        trim = sm.OLS(np.array([reed.trim_mm for reed in kept]), design).fit()
        ends = crow.conf_int(0.1), trim.conf_int(0.1)
        found = [
            WeightTerms(
                reed_type,
                word,
                counts[word],
                Interval(*(hz_from_cents(float(value)) for value in (crow.params[i], *ends[0][i]))),
                Interval(*(float(value) for value in (trim.params[i], *ends[1][i]))),
                max(float(trim.rsquared), 0.0),
            )
            for i, word in enumerate(words)
        ]
        out += sorted(found, key=lambda one: one.crow_hz.mean)
    return out
