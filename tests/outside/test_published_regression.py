"""The least-squares core against certified regressions, and held-out errors (LR-1, LR-2, MU-8, MU-9)."""

from __future__ import annotations

import numpy as np
import pytest

from tests.outside.published import certified, table
from trimfit.regression import least_squares

# NIST Statistical Reference Datasets, linear least squares: relative tolerance fair to double precision with scaled
# columns (Filip and the larger Wamplers lose digits to their own condition).
POLYNOMIAL = {
    "Norris": (1, 1e-9),
    "Pontius": (2, 1e-9),
    "Wampler1": (5, 1e-7),
    "Wampler2": (5, 1e-7),
    "Wampler3": (5, 1e-7),
    "Wampler4": (5, 1e-5),
    "Wampler5": (5, 1e-3),
    "Filip": (10, 1e-5),
}


def _agrees(fit: least_squares.LineFit, name: str, rel: float) -> None:
    rows = certified(name)
    residual_sd = float(rows["residual_sd"][0])
    assert fit.rank == len(rows)
    assert fit.df == int(rows["residual_df"][0])
    assert fit.coefficients == pytest.approx(rows["estimate"].to_numpy(), rel=rel)
    if residual_sd:
        assert fit.standard_errors == pytest.approx(rows["std_error"].to_numpy(), rel=rel)
        assert fit.residual_sd == pytest.approx(residual_sd, rel=rel)
    else:
        assert fit.residual_sd < 1e-7
    assert fit.r_squared == pytest.approx(float(rows["r_squared"][0]), rel=min(rel, 1e-9))


@pytest.mark.parametrize("name", POLYNOMIAL)
def test_polynomials(name: str) -> None:
    """NIST StRD: Norris, Pontius, Filip, Wampler 1 to 5."""
    rows = table(f"strd_{name.lower()}")
    degree, rel = POLYNOMIAL[name]
    _agrees(least_squares.least_squares(least_squares.powers(rows["x"], degree), rows["y"]), name, rel)


@pytest.mark.parametrize("name", ["NoInt1", "NoInt2"])
def test_without_a_constant(name: str) -> None:
    """NIST StRD: R² is about zero there."""
    rows = table(f"strd_{name.lower()}")
    _agrees(least_squares.least_squares(least_squares.powers(rows["x"], 1, constant=False), rows["y"]), name, 1e-9)
    through = least_squares.straight_line(rows["x"], rows["y"], through_origin=True)
    assert through.coefficients[1] == pytest.approx(float(certified(name)["estimate"][0]), rel=1e-12)
    assert through.standard_errors[1] == pytest.approx(float(certified(name)["std_error"][0]), rel=1e-9)


def test_several_terms() -> None:
    """NIST StRD: Longley, six nearly collinear terms."""
    rows = table("strd_longley")
    design = np.column_stack([np.ones(len(rows)), rows.drop(columns="y").to_numpy()])
    _agrees(least_squares.least_squares(design, rows["y"]), "Longley", 1e-9)


def test_whole_groups_are_held_out() -> None:
    """Roberts et al., Ecography 40 (2017) 913: no group in both parts; rows held out singly flatter. Sleepstudy."""
    rows = table("sleepstudy")
    design = least_squares.powers(rows["Days"], 1)
    by_subject = least_squares.held_out_errors(design, rows["Reaction"], rows["Subject"].to_numpy())
    by_row = least_squares.held_out_errors(design, rows["Reaction"], list(range(len(rows))))
    assert np.sqrt(np.mean(by_subject**2)) == pytest.approx(49.6045, abs=1e-3)
    assert np.sqrt(np.mean(by_row**2)) == pytest.approx(47.9972, abs=1e-3)
    # The short cut of a row held out is its residual over one less its leverage; it must say the same.
    fit = least_squares.least_squares(design, rows["Reaction"])
    assert by_row == pytest.approx(fit.residuals / (1 - fit.leverages), rel=1e-9)
