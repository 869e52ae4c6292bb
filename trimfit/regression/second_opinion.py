"""A second opinion on how a millimetre and a stroke move the gap: statsmodels' linear mixed model, type by type.

It fits the gap alone: its mean over length, length squared, strokes and chanters, random starts and slopes of batches
and reeds, all apart, by restricted maximum likelihood (Pinheiro & Bates, 2000, Mixed-Effects Models in S and S-PLUS,
section 2.2). It knows nothing of the other outputs, the type's curve, movement, pressure or the other types; where both
agree, none of those made the answer. Readings to which the fit gives little weight are left out, for this model has no
defence against them.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trimfit.base.normal import Z90, interval
from trimfit.base.plain_words import numeral
from trimfit.base.units import Interval
from trimfit.regression.coefficients import type_terms
from trimfit.regression.curve import UNIT_MM
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.outputs import E_NOTE, F_NOTE

if TYPE_CHECKING:
    import pandas as pd

MOST_READINGS = 1500
"""So many readings of a type are asked about, in whole batches, the last read first: the model's time grows fast."""
LEAST_REEDS, LEAST_BATCHES, LEAST_WEIGHT = 5, 2, 0.5
"""Fewer reeds or batches are too few for the second model; a reading that counts for less is left out."""
DIFFERS_SE = 2.0
"""Both rest on the same readings, and the error of their difference is not known: they are said to differ when they
lie further apart than so many of the larger standard error."""
_DIFFER = "they differ by"
WHY = (
    "the fit counts apart how a reed settles after a cut, knows of the other types and notes, and bends by the type's "
    "curve, which is found on the gap; the second model counts settling as the cut's own, takes the gap of each type "
    "by itself and bends by a square"
)
"""Why the two may differ where neither is wrong."""


@dataclass(frozen=True, slots=True)
class SecondOpinion:
    """What both models say of one type.

    per_mm: mean slope over the first half millimetre, cents of gap a mm; per_stroke: cents of gap a lip stroke, None
    where no stroke was logged; `own_…`: of the fitted model (90 %). Standard deviations in cents. `words`: whether they
    agree. All but reed_type and words are None where the second model has no answer."""

    reed_type: str
    words: str
    readings: int = 0
    reeds: int = 0
    batches: int = 0
    per_mm: Interval | None = None
    own_per_mm: Interval | None = None
    per_stroke: Interval | None = None
    own_per_stroke: Interval | None = None
    batch_sd_cents: float | None = None
    reed_sd_cents: float | None = None
    reading_sd_cents: float | None = None


def second_opinions(model: FittedModel, frame: pd.DataFrame) -> list[SecondOpinion]:
    """The second opinion on each type of the fitted model that has reeds. frame: `session.reading_frame.frame_of`."""
    doubted = {
        entry for entry, weight in model.low_weight.items() if min(weight[E_NOTE], weight[F_NOTE]) < LEAST_WEIGHT
    }
    known = frame.assign(gap=frame["f_cents"] - frame["e_cents"])
    known = known[known["gap"].notna() & known["chanter"].notna() & ~known["entry"].isin(doubted)]
    return [
        _of_type(model, code, known[known["reed_type"] == name])
        for code, name in enumerate(model.coding.types)
        if model.reeds[code]
    ]


def _of_type(model: FittedModel, code: int, rows: pd.DataFrame) -> SecondOpinion:
    name = model.coding.types[code]
    last = rows.groupby("batch")["seq"].max().sort_values(ascending=False)
    sizes = rows.groupby("batch").size()[last.index].cumsum()
    rows = rows[rows["batch"].isin(last.index[(sizes <= MOST_READINGS) | (sizes == sizes.min())])]
    reeds, batches = rows["reed"].nunique(), rows["batch"].nunique()
    if reeds < LEAST_REEDS or batches < LEAST_BATCHES or rows["removed_mm"].nunique() < 3 or len(rows) <= 2 * reeds:
        return SecondOpinion(name, f"{name}: too few readings for a second opinion")
    strokes = bool(rows["lip_strokes"].nunique() > 1)
    try:
        fitted = _mixed_model(rows, strokes)
    except (ValueError, np.linalg.LinAlgError):
        return SecondOpinion(name, f"{name}: the second model does not converge on these readings")
    fixed, cov = fitted.fe_params, fitted.cov_params()
    pick = np.array([{"removed_mm": 1.0, "removed_sq": 0.5}.get(term, 0.0) for term in fixed.index])
    inner = cov.loc[fixed.index, fixed.index].to_numpy()
    per_mm = interval(float(pick @ fixed.to_numpy()), math.sqrt(max(float(pick @ inner @ pick), 0.0)))
    terms = {term.term: term.value for term in type_terms(model, code, ("gap",))}
    per_stroke = None
    if strokes:
        variance = float(cov.loc["lip_strokes", "lip_strokes"])
        per_stroke = interval(float(fixed["lip_strokes"]), math.sqrt(max(variance, 0.0)))
    sd = dict(zip(fitted.model.exog_vc.names, np.sqrt(np.maximum(fitted.vcomp, 0.0)), strict=True))
    first_half = [Interval(*(UNIT_MM * c for c in (of.mean, of.low, of.high))) for of in (per_mm, terms["per_mm"])]
    found = [("the first half millimetre", first_half[0], first_half[1], ".1f")]
    if per_stroke is not None:
        found.append(("a lip stroke", per_stroke, terms["per_stroke"], ".2f"))
    return SecondOpinion(
        reed_type=name,
        words=_words(name, [_compared(*one) for one in found]),
        readings=len(rows),
        reeds=int(reeds),
        batches=int(batches),
        per_mm=per_mm,
        own_per_mm=terms["per_mm"],
        per_stroke=per_stroke,
        own_per_stroke=terms["per_stroke"] if strokes else None,
        batch_sd_cents=math.sqrt(max(float(np.asarray(fitted.cov_re)[0, 0]), 0.0)),
        reed_sd_cents=float(sd["reed"]),
        reading_sd_cents=math.sqrt(float(fitted.scale)),
    )


def _mixed_model(rows: pd.DataFrame, strokes: bool):  # type: ignore[no-untyped-def]
    """The fitted mixed model. Raises ValueError or LinAlgError where it has no answer."""
    import statsmodels.formula.api as smf

    terms = ["removed_mm", "removed_sq"]
    terms += ["lip_strokes"] if strokes else []
    terms += ["C(chanter)"] if rows["chanter"].nunique() > 1 else []
    spread = {"batch slope": "0 + removed_mm", "reed": "0 + C(reed)", "reed slope": "0 + C(reed):removed_mm"}
    rows = rows.assign(removed_sq=rows["removed_mm"] ** 2)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its warnings are of its iterations; whether it converged is asked below
        model = smf.mixedlm(f"gap ~ {' + '.join(terms)}", rows, groups="batch", re_formula="1", vc_formula=spread)
        fitted = model.fit(reml=True)
        if not fitted.converged or not np.isfinite(np.asarray(fitted.cov_params())).all():
            raise ValueError("no convergence")
    return fitted


def _words(name: str, compared: list[str]) -> str:
    why = f". Why they may: {WHY}" if any(_DIFFER in one for one in compared) else ""
    return f"{name}: {'; '.join(compared)}{why}"


def _compared(what: str, theirs: Interval, own: Interval, form: str) -> str:
    """`a lip stroke moves the gap by 0.41 cents, by 0.36 in the fit: they agree`."""
    error = max(theirs.high - theirs.low, own.high - own.low) / (2.0 * Z90)
    apart = abs(theirs.mean - own.mean) / error if error > 0.0 else math.inf
    verdict = "they agree" if apart <= DIFFERS_SE else f"{_DIFFER} {apart:.1f} times the larger standard error"
    them, us = (numeral(one.mean, form) for one in (theirs, own))
    return f"{what} moves the gap by {them} cents, by {us} in the fit: {verdict}"
