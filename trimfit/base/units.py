"""Lengths, hertz, pressure and temperature: how they are typed, their bounds, how they are shown.

Factors: NIST SP 811, Appendix B.8 (an inch is 25.4 mm exactly; a water column is the conventional one, of 1 g/cm³
under standard gravity, so an inch of it is 25.4 x 9.80665 Pa exactly). Products are taken exactly and rounded once, so
that one amount gives one number however it was written: `12 thou` and `0.012 in` are the same entry.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from trimfit.base.errors import InputError, short

PA_PER_UNIT: Mapping[str, Fraction] = {
    "pa": Fraction(1),
    "hpa": Fraction(100),
    "mbar": Fraction(100),
    "kpa": Fraction(1000),
    "bar": Fraction(100_000),
    "mmh2o": Fraction("9.80665"),
    "cmh2o": Fraction("98.0665"),
    "inh2o": Fraction("249.08891"),
    "mmhg": Fraction("133.3224"),
    "psi": Fraction("6894.757"),
}
MM_PER_UNIT: Mapping[str, Fraction] = {
    "mm": Fraction(1),
    "um": Fraction(1, 1000),
    "thou": Fraction("0.0254"),
    "in": Fraction("25.4"),
}
# Other ways to write a unit. A "mil" is no unit here: some mean a millimetre by it, some a thousandth of an inch.
_UNIT_WORDS = {
    word: unit
    for unit, words in {
        "inh2o": '"h2o inwc inwg inchesh2o inchesofwater inofwater inwater incheswater',
        "mmh2o": "mmwc mmofwater",
        "cmh2o": "cmwc",
        "in": 'inch inches " ″',
        "thou": "thous",
        "um": "µm μm",
        "hz": "hertz",
        "%": "percent",
        "c": "degc",
        "f": "degf",
    }.items()
    for word in words.split()
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
    """An uncertain value: its mean and the ends of a central interval, all in the unit of the key it stands at."""

    mean: float
    low: float
    high: float

    def decimals(self, most: int) -> int:
        """How many decimals its three numbers deserve, at most `most`; see `decimals`."""
        return decimals(0.5 * (self.high - self.low), most)


def decimals(half_width: float, most: int) -> int:
    """How many decimals a number deserves that is known to ± half_width (of its 90 % interval, in its unit), at most
    `most`: its last digit counts as much as the first digit of what is not known of it, never less.

    As uncertainties are stated: to one significant digit or two, and the value to the same place (JCGM 100:2008, 7.2.6;
    from memory).
    """
    if half_width <= 0.0:
        return most
    return min(max(-math.floor(math.log10(half_width) + 1e-9), 0), most)


def parse_number(text: str, *, decimal_comma: bool = True) -> float:
    """A decimal number as typed, with point or (where allowed) comma; never nan or inf.

    Raises InputError for text, blanks and numbers that do not fit a double.
    """
    word = text.strip().replace("−", "-")
    if not _NUMBER.match(word) or ("," in word and not decimal_comma):
        raise InputError(f"{short(text)!r} is not a number", remedy="give a number")
    value = float(word.replace(",", "."))
    if not math.isfinite(value):
        raise InputError(f"{short(text)!r} is too large", remedy="give a number")
    return value


def plain_number(value: float, digits: int = 6) -> str:
    """A bound as a person writes it, to so many significant digits: `100,000`, `0.000001`, `6.5`."""
    return f"{float(f'{value:.{digits}g}'):,.6f}".rstrip("0").rstrip(".")


def within(name: str, value: float, *, bounds: str | None = None) -> float:
    """`value`, if it lies in the bounds kept for `bounds` (default `name`); InputError with the bounds if not."""
    low, high = BOUNDS[bounds or name]
    if not low <= value <= high:
        in_hundredths = name in ("length_mm", "asked_mm") and 0.0 < value < 100.0
        hint = f": did you mean {value / 100.0:g}, typed in hundredths?" if in_hundredths else ""
        raise InputError(f"{value:g} is out of bounds", name, f"give {plain_number(low)} to {plain_number(high)}{hint}")
    return value


UNIT_KEYS = frozenset({*MM_PER_UNIT, *PA_PER_UNIT, "hz", "cents", "ct", "c", "f", "%"})
"""The units that a number may have, or the head over it."""


def unit_key(word: str) -> str:
    """The key of a unit however it is written: `in H₂O`, `"H2O` and `inches of water` are `inh2o`; `` stays blank."""
    key = "".join(word.split()).lower().replace("₂", "2").replace("°", "").rstrip(".")
    return _UNIT_WORDS.get(key, key)


_WITH_UNIT = re.compile(r"\s*([+\-−]?[0-9.,]+(?:[eE][+\-]?[0-9]{1,3})?)\s*([^\d\s.,+\-−].*?)?\s*", re.DOTALL)


def _split_unit(text: str, example: str) -> tuple[str, Fraction, str]:
    """The number as it was typed, its exact value, and the unit after it as typed (blank if there is none)."""
    match = _WITH_UNIT.fullmatch(text)
    # A digit in what follows the number is a slip of the number (`7O3`), but for a water column.
    if not match or (re.search(r"\d", match[2] or "") and "h2o" not in unit_key(match[2] or "")):
        raise InputError(f"{short(text)!r} is not a number", remedy=f"say for example {example}")
    parse_number(match[1])
    return match[1], Fraction(match[1].replace("−", "-").replace(",", ".")), match[2] or ""


def _measured(
    text: str, own: str, factors: Mapping[str, Fraction], what: str, use: str, example: str
) -> tuple[str, float, bool]:
    """Number as typed, value in units of `own`, and whether a unit was said. Raises InputError for another unit."""
    number, value, unit = _split_unit(text, example)
    factor = factors.get(unit_key(unit) or own)
    if factor is None:
        raise InputError(f"{short(unit)!r} is no unit of {what}", what, f"use {use}")
    return number, float(value * factor / factors[own]), bool(unit)


def parse_length_mm(text: str) -> float:
    """A length in mm: `0.15`, `0.15 mm`, `12 thou` (thousandths of an inch), `0.012 in`, `300 µm`. Bare numbers are mm.

    Raises InputError for anything else, `mil` included, which may be meant as either.
    """
    return _measured(text, "mm", MM_PER_UNIT, "length", "mm, thou or in", "0.15 mm or 6 thou")[1]


def parse_hz(text: str) -> float:
    """A frequency in Hz: `779.1`, `779.1 Hz`. Raises InputError for anything else."""
    return _measured(text, "hz", {"hz": Fraction(1)}, "pitch", "Hz", "779.1 Hz")[1]


def parse_pct(text: str) -> float:
    """A share in per cent: `55`, `55 %`. Raises InputError for anything else."""
    return _measured(text, "%", {"%": Fraction(1)}, "humidity", "%", "55 %")[1]


def parse_pressure_kpa(text: str) -> float:
    """A blowing pressure in kPa: `6.5`, `6.5 kPa`, `65 mbar`, `26 inH2O`, `660 mmH2O`. Bare numbers are kPa."""
    use, example = "kPa, mbar, inH2O or mmH2O", "6.5 kPa or 26 inH2O"
    number, value, said = _measured(text, "kpa", PA_PER_UNIT, "pressure", use, example)
    low, high = BOUNDS["pressure_kpa"]
    if not said and not low <= value <= high:
        what = f"{value:g} of what? A bare number is kPa, which goes from {low:g} to {high:g}"
        raise InputError(what, "pressure", f'say the unit, such as "{number} inH2O" or "{number} mbar"')
    return within("pressure_kpa", value)


def parse_temperature_c(text: str) -> float:
    """An air temperature in °C: `21`, `21 C`, `21 °C`, `70 F`, `70 °F`. Bare numbers are °C."""
    _, value, unit = _split_unit(text, "21 C or 70 F")
    if unit_key(unit) == "f":
        value = (value - 32) / Fraction("1.8")
    elif unit_key(unit) not in ("", "c"):
        raise InputError(f"{short(unit)!r} is no unit of temperature", "temperature", "use C or F")
    return within("temperature_c", float(value))


BY_UNIT: Mapping[str, Callable[[str], float]] = {
    "hz": parse_hz,
    "mm": parse_length_mm,
    "kpa": parse_pressure_kpa,
    "c": parse_temperature_c,
    "pct": parse_pct,
}
"""The unit that a column's name ends in -> how a number, with a unit or bare, is read into it."""
