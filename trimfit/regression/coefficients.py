"""A fitted model's coefficients in the words of the trade: cents per mm, curvature, per stroke, per kPa, per °C.

per_mm is the mean slope over the first half millimetre, the curvature what that over the second half has over it (over
the whole millimetre the mean slope is per_mm + curvature / 2)::

    y(x) = start + per_mm x + curvature x (x - 1/2)       exactly, at x = 0, 1/2 and 1 mm; with g(1/2) = 1/2:
    per_mm = beta_length + beta_bend / 2,    curvature = 2 beta_length (g(1) - 1) + 2 beta_bend (g(1)² - 1/2)

The gap's per_mm has the lognormal law that `ask` and `predict` give it (`curve.slope_law`), all else a Gaussian.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trimfit.base.normal import Z90, interval
from trimfit.base.pitch import NOTES, OUTPUTS
from trimfit.base.units import Interval
from trimfit.regression.curve import LEAST_SLOPE_CENTS, UNIT_MM, bent_mm, slope_law
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import coefficient_prior
from trimfit.regression.movement.coefficients import ASSUMED_SHARE
from trimfit.regression.outputs import Array, K
from trimfit.regression.priors import P

TERMS = ("per_mm", "curvature", "per_stroke", "per_kpa", "per_degc")
TOP_HAND = ("e", "f", "high_g", "high_a")
OWN_SHARE = 0.95
"""So is one to which the type's own readings added nothing: its spread is still this share or more of a new type's."""


@dataclass(frozen=True, slots=True)
class Term:
    """One coefficient: of which output (or hand, or all notes), which term, its 90 % interval; is it assumed?"""

    output: str
    term: str
    value: Interval
    assumed: bool


def _picks() -> dict[str, Array]:
    out = {name: np.eye(K)[k] for k, name in enumerate(OUTPUTS)}
    out["gap"] = out["f"] - out["e"]
    for name, notes in (
        ("bottom", tuple(note for note in NOTES if note not in TOP_HAND)),
        ("top", TOP_HAND),
        ("all", NOTES),
    ):
        out[name] = sum((out[note] for note in notes), np.zeros(K)) / len(notes)
    return out


OUTPUT_PICKS = _picks()
"""Output, hand or `all` -> weights (10,) on the ten outputs."""


def type_terms(model: FittedModel, type_code: int, outputs: tuple[str, ...] = ("gap", *OUTPUTS)) -> list[Term]:
    """The coefficients of a type for these outputs (keys of OUTPUT_PICKS), term by term."""
    at = model.type_slice(type_code)
    mean, cov = model.coef[at], model.coef_cov[at, at]
    new = model.new_type_cov
    prior = coefficient_prior(1)[1].transpose(0, 2, 1, 3).reshape(P * K, P * K)
    whole = float(bent_mm(np.ones(1), model.coding.curves[type_code])[0])
    weights = {
        "per_mm": [0.0, 1.0, UNIT_MM, 0.0, 0.0, 0.0],
        "curvature": [0.0, 2.0 * (whole - 1.0), 2.0 * whole**2 - 1.0, 0.0, 0.0, 0.0],
        "per_stroke": [0.0, 0.0, 0.0, 1.0, 0.0, 0.0],
        "per_kpa": [0.0, 0.0, 0.0, 0.0, 1.0, 0.0],
        "per_degc": [0.0, 0.0, 0.0, 0.0, 0.0, 1.0],
    }
    out = []
    for term in TERMS:
        for output in outputs:
            pick = np.kron(np.array(weights[term]), OUTPUT_PICKS[output])
            middle, var = float(pick @ mean), float(pick @ cov @ pick)
            assumed = var > min(ASSUMED_SHARE**2 * float(pick @ prior @ pick), OWN_SHARE**2 * float(pick @ new @ pick))
            if term == "curvature" and len(model.coding.whole_sd_mm):  # g(1) is known only so well
                per_mm = float(np.kron(np.eye(P)[1], OUTPUT_PICKS[output]) @ mean)
                var += (2.0 * per_mm * float(model.coding.whole_sd_mm[type_code])) ** 2
            value = interval(middle, float(np.sqrt(max(var, 0.0))))
            if (output, term) == ("gap", "per_mm") and middle >= LEAST_SLOPE_CENTS:
                value = _slope_interval(middle, var)
            out.append(Term(output, term, value, assumed))
    return out


def _slope_interval(mean: float, variance: float) -> Interval:
    _, log_sd = slope_law(np.array(mean), np.array(variance))
    low, high = (mean * float(np.exp(side * Z90 * log_sd - 0.5 * log_sd**2)) for side in (-1.0, 1.0))
    return Interval(mean, low, high)
