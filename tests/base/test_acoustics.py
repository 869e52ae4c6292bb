"""The physics beside the model: what cannot be computed is said."""

from __future__ import annotations

import pytest

from trimfit.base import acoustics
from trimfit.base.errors import InputError


def test_a_temperature_under_absolute_zero_is_refused() -> None:
    with pytest.raises(InputError, match="absolute zero"):
        acoustics.speed_of_sound_m_s(-300.0)
