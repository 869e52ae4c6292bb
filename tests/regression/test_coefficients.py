"""Coefficients in the words of the trade: which of them rest on a type's own readings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from trimfit.base.pitch import OUTPUTS
from trimfit.base.records import Chanter, Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.regression.coefficients import type_terms
from trimfit.regression.curve import bent_mm
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
