"""Coefficients in the words of the trade: which of them rest on a type's own readings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from trimfit.base.pitch import OUTPUTS
from trimfit.base.records import Chanter, Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.planner.quantities import on_nodes
from trimfit.regression.coefficients import _slope_interval, type_terms
from trimfit.regression.curve import bent_mm
from trimfit.regression.fitting.steps import prior_model
from trimfit.regression.outputs import GAP
from trimfit.session.fit import fit_and_keep


def test_a_type_never_cut_nor_blown_has_only_assumed_slopes_whatever_the_other_type_taught(tmp_path: Path) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Chanter("near"))
        for i in range(9):
            journal.append(Reed(f"R-{i}", "ridge", f"b{i % 3}"))
            journal.append(Reed(f"P-{i}", "plastic", "p1"))
            for j in range(4):
                notes = {"f": 768.0 + 4.2 * j + i, "e": 703.5 - 0.6 * j, "low_a": 467.0, "high_a": 934.0}
                crow_hz = 520.0 * (1.0 + 0.006 * j + 0.0006 * i)
                journal.append(Reading(f"R-{i}", f"2026-09-1{j}T10:0{i}", "near", crow_hz, notes))
                journal.append(Trim(f"R-{i}", f"2026-09-1{j}T11:0{i}", 0.1 + 0.01 * i))
            notes = {"f": 760.0 + i, "e": 703.0 + i, "low_a": 467.0, "high_a": 934.0}
            journal.append(Reading(f"P-{i}", f"2026-09-14T10:0{i}", "near", 520.0 + i, notes))
        model = fit_and_keep(journal, lambda *_: None)
    assumed = {
        name: {(one.output, one.term) for one in type_terms(model, code) if one.assumed}
        for code, name in enumerate(model.coding.types)
    }
    every = {(output, term) for output in ("gap", *OUTPUTS) for term in ("per_mm", "per_stroke", "per_kpa", "per_degc")}
    assert every <= assumed["plastic"]
    assert not {(output, "per_mm") for output in ("gap", "e", "f", "low_a")} & assumed["ridge"]
    # what `learn` says of them: half a millimetre does half of per mm, a whole one per mm and half of per mm²
    code = model.coding.types.index("ridge")
    ridge = {one.term: one.value.mean for one in type_terms(model, code, ("gap",))}
    g, coef = bent_mm(np.array([0.5, 1.0]), model.coding.curves[code]), model.type_coef(code)
    half, whole = g * float(GAP @ coef[1]) + g**2 * float(GAP @ coef[2])
    assert half == pytest.approx(0.5 * ridge["per_mm"])
    assert whole == pytest.approx(ridge["per_mm"] + 0.5 * ridge["curvature"])


def test_the_interval_of_the_gaps_slope_is_of_the_law_that_the_planner_uses() -> None:
    """Was: -18.5 to 118.5 cents a mm before any cut, though no cut opens the gap."""
    model = prior_model(("ridge cut",), 6.0, 20.0, 3.7)
    (assumed,) = (one.value for one in type_terms(model, 0, ("gap",)) if one.term == "per_mm")
    state = np.array([[0.0, assumed.mean]]), np.diag([1.0, 41.6**2])[None]
    weight, at, _ = on_nodes(*state)
    inside = (assumed.low < at[0, :, 1]) & (at[0, :, 1] < assumed.high)
    assert assumed.low > 0.0
    assert assumed.mean == pytest.approx(float(weight @ at[0, :, 1]), rel=0.001)
    assert weight[inside].sum() == pytest.approx(0.9, abs=0.05)  # the nodes are half a standard deviation apart
    known = _slope_interval(60.0, 1.5**2)
    assert (known.low, known.high) == pytest.approx((60.0 - 1.645 * 1.5, 60.0 + 1.645 * 1.5), abs=0.05)
