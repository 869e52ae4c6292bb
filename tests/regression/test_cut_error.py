"""What a cut really takes, and how fine a step of lengths is worth while."""

from __future__ import annotations

import numpy as np
import pytest

from trimfit.regression.cut_error import coarser_step, cut_error


def test_the_error_of_a_hand_is_found_again() -> None:
    rng = np.random.default_rng(1)
    asked = rng.uniform(0.05, 0.6, 2000)
    taken = asked * (1.0 + 0.05 * rng.standard_normal(2000)) + 0.02 * rng.standard_normal(2000)
    found = cut_error(asked, taken)
    assert found is not None
    assert found == pytest.approx((5.0, 0.02), rel=0.15)


@pytest.mark.parametrize("copied", [0.0, 0.4])
@pytest.mark.parametrize("calliper_mm", [0.001, 0.01])
@pytest.mark.parametrize(("pct", "constant_mm"), [(0.0, 0.006), (3.0, 0.006), (3.0, 0.02)])
def test_a_calliper_that_shows_hundredths_and_amounts_that_were_copied_hide_no_hand(
    pct: float, constant_mm: float, calliper_mm: float, copied: float
) -> None:
    """Was: 0.010 mm for a hand of 0.006 with a calliper of 0.01, whose honest agreement was taken for copying."""
    rng, n = np.random.default_rng(3), 1500
    asked = np.round(rng.uniform(0.1, 0.6, n), 2)
    taken = asked * (1.0 + pct / 100.0 * rng.standard_normal(n)) + constant_mm * rng.standard_normal(n)
    taken = np.where(rng.random(n) < copied, asked, np.round(taken / calliper_mm) * calliper_mm)
    found = cut_error(asked, taken)
    assert found is not None
    at_usual = np.hypot(0.2 * found[0] / 100.0, found[1])
    assert at_usual == pytest.approx(np.hypot(0.2 * pct / 100.0, constant_mm), rel=0.1 if copied == 0.0 else 0.2)


def test_amounts_that_were_all_copied_tell_nothing_of_the_hand() -> None:
    asked = np.random.default_rng(4).uniform(0.1, 0.6, 200)
    assert cut_error(asked, asked) is None


@pytest.mark.parametrize(
    ("scatter_mm", "step_mm", "wanted"),
    [(0.045, 0.01, 0.05), (0.006, 0.01, None), (0.045, 0.05, None), (0.018, 0.01, 0.02), (0.09, 0.02, 0.1)],
)
def test_a_step_is_proposed_where_cuts_scatter_that_much(
    scatter_mm: float, step_mm: float, wanted: float | None
) -> None:
    assert coarser_step(0.0, scatter_mm, step_mm) == wanted


def test_a_coarser_step_costs_little_where_cuts_scatter_by_it_a_correction_from_memory() -> None:
    """Rounding to a step adds an even error of a twelfth of its square (Sheppard's correction, from memory)."""
    rng = np.random.default_rng(2)
    wanted = rng.uniform(0.1, 0.5, 20_000)
    step = coarser_step(0.0, 0.045, 0.01)
    assert step is not None
    rounded = np.round(wanted / step) * step
    scatter = 0.045 * rng.standard_normal(20_000)
    plain, coarse = (float(np.sqrt(np.mean((what + scatter - wanted) ** 2))) for what in (wanted, rounded))
    assert coarse**2 - plain**2 == pytest.approx(step**2 / 12.0, rel=0.1)
    assert coarse < 1.07 * plain
