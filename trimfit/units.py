"""Millimetres, pressure and temperature: how they are typed, their bounds, how they are shown.

Pressure factors: NIST SP 811, Appendix B.8 (conventional water column at 4 °C).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from trimfit.errors import InputError

__all__ = ["BOUNDS", "Interval", "parse_number", "parse_pressure_kpa", "parse_temperature_c", "within"]

PA_PER_UNIT = {
    "pa": 1.0,
    "hpa": 100.0,
    "mbar": 100.0,
    "kpa": 1000.0,
    "bar": 1.0e5,
    "mmh2o": 9.80665,
    "cmh2o": 98.0665,
    "inh2o": 249.0889,
    "mmhg": 133.3224,
    "psi": 6894.757,
}
# Lowest and highest value that can be meant, by the column's name in the log.
BOUNDS: dict[str, tuple[float, float]] = {
    "crow_hz": (200.0, 1500.0),
    "note_hz": (150.0, 2500.0),
    "as_low_a_hz": (380.0, 560.0),
    "length_mm": (0.0, 15.0),
    "asked_mm": (0.0, 15.0),
    "lip_strokes": (0.0, 200.0),
    "blade_mm": (5.0, 60.0),
    "bore_gauge_mm": (0.0, 200.0),
    "pressure_kpa": (0.5, 20.0),
    "temperature_c": (-10.0, 50.0),
    "humidity_pct": (0.0, 100.0),
    "quantity": (1.0, 100000.0),
}
_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?$")


@dataclass(frozen=True, slots=True)
class Interval:
    """A believed value: its mean and the ends of a central interval, all in the unit of the key it stands at."""

    mean: float
    low: float
    high: float


def parse_number(text: str, *, decimal_comma: bool = True) -> float:
    """A decimal number as typed, with point or (where allowed) comma; never nan or inf.

    Raises InputError for text, blanks and numbers that do not fit a double.
    """
    word = text.strip().replace("−", "-")
    if not _NUMBER.match(word) or ("," in word and not decimal_comma):
        raise InputError(f"{text[:40]!r} is not a number", remedy="give a number such as 0.15")
    value = float(word.replace(",", "."))
    if not math.isfinite(value):
        raise InputError(f"{text[:40]!r} is too large", remedy="give a number such as 0.15")
    return value


def within(name: str, value: float, *, bounds: str | None = None) -> float:
    """`value`, if it lies in the bounds kept for `bounds` (default `name`); InputError with the bounds if not."""
    low, high = BOUNDS[bounds or name]
    if not low <= value <= high:
        raise InputError(f"{value:g} is out of bounds", name, f"give {low:g} to {high:g}")
    return value


def _split_unit(text: str) -> tuple[str, str]:
    match = re.match(r"^\s*([+\-−]?[\d.,]+)\s*([^\d\s].*?)?\s*$", text)
    if not match:
        raise InputError(f"{text[:40]!r} is not a number with a unit", remedy="say for example 6.5 kPa or 26 inH2O")
    return match[1], (match[2] or "").strip()


def parse_pressure_kpa(text: str) -> float:
    """A blowing pressure in kPa: `6.5`, `6.5 kPa`, `65 mbar`, `26 inH2O`, `660 mmH2O`. Bare numbers are kPa."""
    number, unit = _split_unit(text)
    key = unit.lower().replace(" ", "").replace("₂", "2") or "kpa"
    key = {'"h2o': "inh2o", "inwc": "inh2o", "mmwc": "mmh2o"}.get(key, key)
    if key not in PA_PER_UNIT:
        raise InputError(f"{unit[:20]!r} is no unit of pressure", "pressure", "use kPa, mbar, inH2O or mmH2O")
    value = parse_number(number)
    low, high = BOUNDS["pressure_kpa"]
    if not unit and not low <= value <= high:
        what = f"{value:g} of what? A bare number is kPa, which goes from {low:g} to {high:g}"
        raise InputError(what, "pressure", f'say the unit, such as "{number} inH2O" or "{number} mbar"')
    return within("pressure_kpa", value * PA_PER_UNIT[key] / 1000.0)


def parse_temperature_c(text: str) -> float:
    """An air temperature in °C: `21`, `21 C`, `21 °C`, `70 F`, `70 °F`. Bare numbers are °C."""
    number, unit = _split_unit(text)
    key = unit.replace("°", "").replace(" ", "").lower() or "c"
    value = parse_number(number)
    if key in ("f", "degf"):
        value = (value - 32.0) / 1.8
    elif key not in ("c", "degc"):
        raise InputError(f"{unit[:20]!r} is no unit of temperature", "temperature", "use C or F")
    return within("temperature_c", value)
