"""Amounts, times and pitches as typed: what is refused, and what to type instead."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimfit.base import iso_dates, pitch, units
from trimfit.base.errors import InputError

REFUSED: list[tuple[Callable[[str], object], str, str, str]] = [
    (units.parse_number, "1e999", "is too large", "give a number"),
    (units.parse_number, "nan", "is not a number", "give a number"),
    (units.parse_temperature_c, "20 K", "is no unit of temperature", "use C or F"),
    (units.parse_temperature_c, "200 F", "is out of bounds", "-10 to 50"),
    (units.parse_pressure_kpa, "6 bars", "is no unit of pressure", "use kPa, mbar, inH2O or mmH2O"),
    (units.parse_pressure_kpa, "650", "of what.*0.5 to 20", "650 inH2O"),
    (pitch.parse_crow_hz, "C+120", "is no crow", "C+22"),
    (pitch.parse_crow_hz, "H-5", "is no crow", "C+22"),
    (lambda text: pitch.cents_from_440(float(text)), "0", "is no frequency", "positive"),
    (lambda text: pitch.cents_from_440(float(text)), "inf", "is no frequency", "positive"),
    (iso_dates.parse_time, "1745-08-19T10:00", "is an impossible time", "1900 to 2200"),
    (iso_dates.parse_time, "2026-02-30T10:00", "is an impossible time", "2026"),
    (iso_dates.parse_time, "tomorrow", "is not a time", "2026"),
    (iso_dates.parse_date, "1745-08-19", "is an impossible date", "1900 to 2200"),
    (iso_dates.parse_date, "2026-02-30", "is an impossible date", "2026"),
    (iso_dates.parse_date, "19 Aug", "is not a date", "2026"),
]


@pytest.mark.parametrize(("number", "said"), [(100_000.0, "100,000"), (1e-6, "0.000001"), (6.5, "6.5"), (-10.0, "-10")])
def test_a_bound_is_said_as_a_person_writes_it(number: float, said: str) -> None:
    assert units.plain_number(number) == said


@pytest.mark.parametrize(("parse", "text", "what", "remedy"), REFUSED)
def test_what_cannot_be_meant_is_refused_with_what_can(
    parse: Callable[[str], object], text: str, what: str, remedy: str
) -> None:
    with pytest.raises(InputError, match=what) as refused:
        parse(text)
    assert remedy in refused.value.remedy


def test_the_same_pressure_and_warmth_in_every_unit() -> None:
    kpa = [units.parse_pressure_kpa(text) for text in ("6.5", "6.5 kPa", "65 mbar", "65hPa", "6500 Pa", "0.065 bar")]
    assert kpa == pytest.approx([6.5] * 6)
    assert [units.parse_temperature_c(text) for text in ("21", "21 C", "69.8 °F", "69,8F")] == pytest.approx([21.0] * 4)


PARSERS = [units.parse_number, units.parse_hz, units.parse_length_mm, units.parse_pct, units.parse_pressure_kpa,
           units.parse_temperature_c, pitch.parse_crow_hz]  # fmt: skip
TYPED = st.text(st.sampled_from('0123456789.,+-−eE/ \t\nminthouHhzZkKPaA%"″°CFbd#♯♭₂O²٣'), max_size=14)


@given(st.one_of(TYPED, st.text(max_size=14)), st.sampled_from(PARSERS))
def test_any_text_is_a_finite_amount_or_refused_in_words(text: str, parse: Callable[[str], float]) -> None:
    try:
        value = parse(text)
    except InputError as error:
        said = error.line()
    else:
        said = str(value)
        assert math.isfinite(value)
    assert said.strip()


@pytest.mark.parametrize(
    ("half_width", "most", "digits"),
    [
        (12.0, 1, 0),
        (5.0, 1, 0),
        (1.0, 2, 0),
        (0.99, 2, 1),
        (0.12, 2, 1),
        (0.1, 2, 1),
        (0.08, 2, 2),
        (0.001, 2, 2),
        (0.0, 1, 1),
    ],
)
def test_the_last_digit_counts_no_less_than_the_first_of_what_is_not_known(
    half_width: float, most: int, digits: int
) -> None:
    assert units.decimals(half_width, most) == digits
    assert units.Interval(3.0, 3.0 - half_width, 3.0 + half_width).decimals(most) == digits
