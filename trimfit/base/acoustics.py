"""What warmth does to a pitch, by physics: sound in air (ISO 9613-1)."""

from __future__ import annotations

import math

from trimfit.base.errors import InputError

KELVIN = 273.15


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in m/s in air at `temperature_c`, ISO 9613-1: `343.2 sqrt(T / 293.15)`, T in kelvin."""
    if not temperature_c > -KELVIN:
        raise InputError(f"{temperature_c:g} °C is below absolute zero", "temperature")
    return 343.2 * math.sqrt((temperature_c + KELVIN) / 293.15)


def cents_per_degree(temperature_c: float = 20.0) -> float:
    """How many cents a pipe sharpens from `temperature_c` to one degree more: its pitch follows the speed of sound.

    About 3 at room temperature; moist air, as blown, gains 0.2 more (Cramer, JASA 93 (1993) 2510).
    """
    return 1200.0 * math.log2(speed_of_sound_m_s(temperature_c + 1.0) / speed_of_sound_m_s(temperature_c))
