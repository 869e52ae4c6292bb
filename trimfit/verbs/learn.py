"""`learn`: fit the log now, with held-out errors, and what was learned in numbers."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from trimfit.log.journal import Journal
from trimfit.regression.coefficients import type_terms
from trimfit.regression.cut_error import coarser_step
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.movement.coefficients import movement_terms
from trimfit.regression.outputs import GAP, PITCH
from trimfit.regression.priors import (
    assumed_batch_cov,
    assumed_noise,
    assumed_reed_cov,
    chanter_spread,
    slope_ratio,
)
from trimfit.regression.readings.weights import WeighedReed, WeightTerms, weight_terms
from trimfit.regression.second_opinion import SecondOpinion, second_opinions
from trimfit.session.reading_frame import frame_of
from trimfit.session.session import Session

STILL_ASSUMED = 0.05
"""A standard deviation nearer than this share to the assumed one is the assumption still: what was read tells little of
it."""
FEW_TO_VARY = 3
"""Of fewer batches, reeds or chanters it is assumed how they differ."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What `learn` answers: the fitted model, the held-out rows of `regression.validation.summary`, how weight, crow
    and trim go together where enough reeds tell, and the second opinion on each type where it was asked for."""

    model: FittedModel
    validation: list[dict[str, object]]
    second_opinion: list[SecondOpinion] | None = None
    weights: list[WeightTerms] = field(default_factory=list)


def learn(session: Session, *, second_opinion: bool = False) -> Learned:
    """Fit the log and keep what was learned in it. InputError when there is nothing to learn from."""
    model, validation = session.learn()
    weighed = _weighed(session.journal)
    weights = weight_terms(weighed) if weighed else []
    if not second_opinion:
        return Learned(model, validation, weights=weights)
    return Learned(model, validation, second_opinions(model, frame_of(session.journal)), weights)


def _weighed(journal: Journal) -> list[WeighedReed]:
    """The reeds that ended good and whose weight and crow are known: crow as first read, and all that came off."""
    reeds = {
        reed: (kind, word) for reed, kind, word in journal.columns("reed", ["reed", "reed_type", "weight"]) if word
    }
    if not reeds:
        return []
    good = {reed for reed, how in journal.columns("outcome", ["reed", "outcome"]) if how == "good" and reed in reeds}
    first: dict[str, tuple[float, float]] = {}
    for reed, crow_hz, at_s in journal.columns("reading", ["reed", "crow_hz", "at_s"]):
        if reed in good and crow_hz and at_s < first.get(reed, (float("inf"), 0.0))[0]:
            first[reed] = at_s, crow_hz
    taken = dict.fromkeys(first, 0.0)
    for reed, length_mm in journal.columns("trim", ["reed", "length_mm"]):
        if reed in taken:
            taken[reed] += length_mm or 0.0
    return [WeighedReed(*reeds[reed], first[reed][1], taken[reed]) for reed in sorted(first)]


def report_of(learned: Learned, tool_step_mm: float) -> dict[str, Any]:
    """What `learn` says: types with their coefficients (intervals), variance parts, held-out errors and coverage.

    tool_step_mm: the step in force; `coarser_step_mm` is one that would do as well, None where there is none.

    Per type and output: per_mm, curvature (per mm²), per_stroke, per_kpa, per_degc, in cents; `assumed` names those
    that rest on assumption rather than on readings. Per type `movement`: the fields of `MovementTerms`. Where it was
    asked for, `second_opinion`: the fields of `SecondOpinion`, type by type.
    """
    model = learned.model
    types = []
    for code, name in enumerate(model.coding.types):
        outputs: dict[str, dict[str, Any]] = {}
        for term in type_terms(model, code):
            mine = outputs.setdefault(term.output, {"assumed": []})
            mine[term.term] = {"mean": term.value.mean, "low": term.value.low, "high": term.value.high}
            if term.assumed:
                mine["assumed"].append(term.term)
        types.append(
            {
                "reed_type": name,
                "reeds": int(model.reeds[code]),
                "batches": int(model.batches[code]),
                "outputs": outputs,
                "movement": asdict(movement_terms(model.movement, code)),
            }
        )
    found = {
        "readings": model.readings,
        "types": types,
        "variance": _variance_parts(model),
        "held_out": learned.validation,
        "weights": [asdict(one) for one in learned.weights],
        "cut_error_pct": model.cut_error_pct,
        "cut_error_mm": model.cut_error_mm,
        "coarser_step_mm": _coarser_step(model, tool_step_mm),
    }
    if learned.second_opinion is not None:
        found["second_opinion"] = [asdict(one) for one in learned.second_opinion]
    return found


def _variance_parts(model: FittedModel) -> list[dict[str, Any]]:
    """Standard deviations of gap, crow and pitch among batches, reeds, chanters and readings, in cents; and of the
    slopes of gap and crow among batches and reeds, in cents per mm. `assumed` names those that are the assumption
    still."""
    k = len(GAP)
    picks = {"gap": GAP, "crow": np.eye(k)[0], "pitch": PITCH}
    covs = {"batch": model.batch_cov, "reed": model.reed_cov, "chanter": model.chanter_cov, "reading": model.noise_cov}
    assumed = _assumed_covs(model)

    def sd(name: str, cov: Any) -> float:
        return float(np.sqrt(max(float(picks[name] @ cov @ picks[name]), 0.0)))

    def sds(part: str, cov: Any) -> dict[str, float]:
        found = {name: sd(name, cov[:k, :k]) for name in picks}
        if part in ("batch", "reed"):
            found |= {f"{name}_per_mm": sd(name, cov[k : 2 * k, k : 2 * k]) for name in ("gap", "crow")}
        return found

    counts = {"batch": int(model.batches.sum()), "reed": int(model.reeds.sum()), "chanter": len(model.coding.chanters)}
    out: list[dict[str, Any]] = []
    for part, cov in covs.items():
        found, before = sds(part, cov), sds(part, assumed[part])
        row: dict[str, Any] = {"part": part}
        if part in ("chanter", "reading"):
            row |= {"gap_per_mm": None, "crow_per_mm": None}
        few = counts.get(part, FEW_TO_VARY) < FEW_TO_VARY
        same = [n for n, value in found.items() if few or abs(value - before[n]) < STILL_ASSUMED * before[n]]
        out.append(row | found | {"assumed": [name for name in same if (part, name) != ("chanter", "crow")]})
    return out


def _assumed_covs(model: FittedModel) -> dict[str, Any]:
    """What the fit assumed of each part of `_variance_parts`: slopes' spreads in proportion to the shop's own slopes,
    and batches' to those of its reeds."""
    slopes = [float(GAP @ model.type_coef(code)[1]) for code in range(model.n_types)]
    reed = assumed_reed_cov()
    resize = np.ones(len(reed))
    resize[len(GAP) :] = slope_ratio(slopes)
    reed = reed * np.outer(resize, resize)
    return {
        "batch": assumed_batch_cov(model.reed_cov, reed, float(model.reeds.sum())),
        "reed": reed,
        "chanter": chanter_spread(),
        "reading": assumed_noise(),
    }


def _coarser_step(model: FittedModel, step_mm: float) -> float | None:
    if model.cut_error_pct is None or model.cut_error_mm is None:
        return None
    return coarser_step(model.cut_error_pct, model.cut_error_mm, step_mm)
