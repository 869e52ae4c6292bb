"""What physics says before any reed is read: sound in air, a blade as a bar, a cone with a reed on it.

Nothing here knows a reed type. The laws give signs, sizes and starting values; the bench's own readings decide.
Plain floats in and out, unit in every name.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from trimfit.base.errors import InputError

__all__ = [
    "bar_root",
    "cents_of_cut",
    "cents_per_degree",
    "cone_resonance_hz",
    "cut_for_cents_mm",
    "missing_tip_volume_m3",
    "reed_volume_shift_cents",
    "speed_of_sound_dry_m_s",
    "speed_of_sound_humid_m_s",
]

KELVIN = 273.15
# Cramer, JASA 93 (1993) 2510-2516, table of a0 … a15.
_CRAMER = (
    331.5024, 0.603055, -0.000528,
    51.471935, 0.1495874, -0.000782,
    -1.82e-7, 3.73e-8, -2.93e-10,
    -85.20931, -0.228525, 5.91e-5,
    -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip


def speed_of_sound_dry_m_s(temperature_c: float) -> float:
    """Speed of sound in m/s in air at `temperature_c`, ISO 9613-1: `343.2 sqrt(T / 293.15)`, T in kelvin."""
    if not temperature_c > -KELVIN:
        raise InputError(f"{temperature_c:g} °C is below absolute zero", "temperature")
    return 343.2 * math.sqrt((temperature_c + KELVIN) / 293.15)


def _saturation_pa(temperature_c: float) -> float:
    """Vapour pressure of water at saturation, in Pa (Davis, Metrologia 29 (1992) 67)."""
    kelvin = temperature_c + KELVIN
    return math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)


def speed_of_sound_humid_m_s(
    temperature_c: float, humidity_pct: float, *, pressure_pa: float = 101325.0, co2_ppm: float = 400.0
) -> float:
    """Speed of sound in m/s in moist air (Cramer 1993), good for 0 to 30 °C, 75 to 102 kPa, up to 1 % CO2.

    Raises InputError for a relative humidity outside 0 to 100 %.
    """
    if not 0.0 <= humidity_pct <= 100.0:
        raise InputError(f"{humidity_pct:g} % is no relative humidity", "humidity", "give 0 to 100")
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_c**2
    water = humidity_pct / 100.0 * enhancement * _saturation_pa(temperature_c) / pressure_pa
    carbon = co2_ppm * 1e-6
    t, a = temperature_c, _CRAMER
    per_t = [a[i] + a[i + 1] * t + a[i + 2] * t * t for i in (0, 3, 6, 9)]
    linear = per_t[0] + per_t[1] * water + per_t[2] * pressure_pa + per_t[3] * carbon
    return linear + a[12] * water**2 + a[13] * pressure_pa**2 + a[14] * carbon**2 + a[15] * water * pressure_pa * carbon


def cents_per_degree(temperature_c: float = 20.0, humidity_pct: float | None = None) -> float:
    """How many cents a pipe sharpens from `temperature_c` to one degree more; about 3 at room temperature.

    Pitch follows the speed of sound. With a humidity the moist air of Cramer is taken, without one ISO 9613-1.
    """
    if humidity_pct is None:
        low, high = speed_of_sound_dry_m_s(temperature_c), speed_of_sound_dry_m_s(temperature_c + 1.0)
    else:
        low = speed_of_sound_humid_m_s(temperature_c, humidity_pct)
        high = speed_of_sound_humid_m_s(temperature_c + 1.0, humidity_pct)
    return 1200.0 * math.log2(high / low)


def _bisect(function: Callable[[float], float], low: float, high: float) -> float:
    """The root of `function` between two ends at which its sign differs, to the last bit."""
    sign = function(low) < 0.0
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        if (function(middle) < 0.0) is sign:
            low = middle
        else:
            high = middle


def bar_root(mode: int) -> float:
    """βL of the clamped-free bar, the `mode`-th root (from 1) of `cos x cosh x = −1`; frequency goes as its square.

    Source: Thomson, Theory of Vibration with Applications, appendix D.3. Raises InputError for a mode under 1.
    """
    if mode < 1:
        raise InputError(f"a bar has no mode {mode}", remedy="count modes from 1")
    # cos x + 1/cosh x has the same roots and does not overflow; each root lies within 0.5 of (mode - 1/2) pi.
    middle = (mode - 0.5) * math.pi
    return _bisect(lambda x: math.cos(x) + 2.0 * math.exp(-x) / (1.0 + math.exp(-2.0 * x)), middle - 0.5, middle + 0.5)


def cents_of_cut(blade_mm: float, cut_mm: float) -> float:
    """Cents that a free bar sharpens when `cut_mm` comes off `blade_mm`: f ∝ 1/L², `2400 log2(L / (L − d))`.

    An upper bound for a crow, no forecast for a chanter. Raises InputError unless 0 ≤ cut < blade.
    """
    if not 0.0 <= cut_mm < blade_mm:
        raise InputError(f"a cut of {cut_mm:g} mm does not fit a blade of {blade_mm:g} mm", "length")
    return 2400.0 * math.log2(blade_mm / (blade_mm - cut_mm))


def cut_for_cents_mm(blade_mm: float, cents: float) -> float:
    """Length in mm to take off `blade_mm` to sharpen a free bar by `cents`: the inverse of `cents_of_cut`."""
    if not blade_mm > 0.0:
        raise InputError(f"{blade_mm:g} mm is no blade", "blade_mm", "give a positive length")
    return blade_mm * (1.0 - math.exp2(-cents / 2400.0))


def missing_tip_volume_m3(top_radius_m: float, tip_m: float) -> float:
    """Volume in m³ of the tip that a cone lacks above its top radius, `tip_m` from apex to cut: π r² x / 3.

    A reed whose equivalent volume equals it lets the cone behave as a whole one (Benade 1976, as cited by
    Scavone, ICMC 2002); it holds less well for the upper notes.
    """
    return math.pi * top_radius_m**2 * tip_m / 3.0


def cone_resonance_hz(
    length_m: float,
    tip_m: float,
    top_radius_m: float,
    reed_volume_m3: float,
    *,
    mode: int = 1,
    sound_m_s: float = 343.2,
) -> float:
    """Resonance in Hz of a cone cut off at `tip_m` from its apex, open below, closed above by a small volume.

    Solves `cot kL + 1/(k x) − k V / S = 0`, f = kc/2π: spherical waves, no losses, no end correction (pass the
    effective length). Raises InputError for sizes that are no cone.
    """
    if min(length_m, tip_m, top_radius_m, sound_m_s) <= 0.0 or reed_volume_m3 < 0.0 or mode < 1:
        raise InputError("these sizes are no cone with a reed on it", remedy="give positive lengths and a radius")
    area_m2 = math.pi * top_radius_m**2

    def residue(k: float) -> float:
        # times sin kL, so that nothing blows up at the ends of the branch
        wave = k * length_m
        return math.cos(wave) + math.sin(wave) * (1.0 / (k * tip_m) - k * reed_volume_m3 / area_m2)

    # One root in each branch of the cotangent: cot falls from +inf to -inf, and the other terms fall too.
    nearly = 1e-9
    k = _bisect(residue, (mode - 1 + nearly) * math.pi / length_m, (mode - nearly) * math.pi / length_m)
    return k * sound_m_s / (2.0 * math.pi)


def reed_volume_shift_cents(volume_change_m3: float, length_m: float, tip_m: float, top_radius_m: float) -> float:
    """First-order shift in cents of a cone's lowest resonance when the volume at its top changes.

    `df/f = −(π²/3) dV / V_cone` with the whole cone down to its effective end (Rayleigh's perturbation): less
    volume, sharper, and the shorter the tube (the higher the note) the more.
    """
    whole_m = length_m + tip_m
    cone_m3 = math.pi * (top_radius_m * whole_m / tip_m) ** 2 * whole_m / 3.0
    return 1200.0 / math.log(2.0) * -(math.pi**2 / 3.0) * volume_change_m3 / cone_m3
