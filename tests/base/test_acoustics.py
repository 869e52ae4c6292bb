"""The physics beside the model: what cannot be computed is said."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from trimfit.base import acoustics
from trimfit.base.errors import InputError


@pytest.mark.parametrize(
    "call",
    [
        lambda: acoustics.speed_of_sound_dry_m_s(-300.0),
        lambda: acoustics.speed_of_sound_humid_m_s(20.0, 101.0),
        lambda: acoustics.bar_root(0),
        lambda: acoustics.cents_of_cut(20.0, 20.0),
        lambda: acoustics.cents_of_cut(20.0, -0.1),
        lambda: acoustics.cut_for_cents_mm(0.0, 10.0),
        lambda: acoustics.cone_resonance_hz(0.36, 0.0, 0.002, 0.0),
    ],
)
def test_what_is_no_physics_is_said(call: Callable[[], float]) -> None:
    with pytest.raises(InputError, match=r"\w"):
        call()


def test_a_high_mode_does_not_overflow() -> None:
    assert acoustics.bar_root(400) == pytest.approx(399.5 * 3.141592653589793, abs=1e-9)
