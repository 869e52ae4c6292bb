"""What is assumed before anything is logged, seen in the gap and in the pitch."""

from __future__ import annotations

import numpy as np
import pytest

from trimfit.regression.outputs import GAP, PITCH, K
from trimfit.regression.priors import REGRESSORS, assumed_reed_cov, regressor_prior


def test_a_reed_whose_cuts_do_less_is_assumed_to_do_less_to_gap_and_pitch_alike() -> None:
    """Was: a pitch that bends by a sixth of its slope where the gap bends by a twentieth of its own."""
    bend = assumed_reed_cov()[2 * K :, 2 * K :]
    slope = regressor_prior()[0][REGRESSORS.index("length")]
    gap, pitch = (float(np.sqrt(what @ bend @ what)) / float(what @ slope) for what in (GAP, PITCH))
    assert gap == pytest.approx(0.05, rel=0.1)
    assert pitch == pytest.approx(gap, rel=0.1)
