"""A shop's settings: what each may be, what is refused and how that is said, and those of a newer program."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from trimfit.base.errors import InputError
from trimfit.base.records import Settings
from trimfit.log import settings
from trimfit.log.journal import Journal

NUMBERS = [field.name for field in dataclasses.fields(Settings) if field.type == "float"]


@pytest.mark.parametrize("name", NUMBERS)
def test_a_number_is_taken_up_to_its_limits_and_refused_beyond(name: str) -> None:
    low, high = settings.limits_of(name)
    default = getattr(Settings(), name)
    assert low <= default <= high
    for value in (low, high):
        assert float(settings.checked(name, repr(value))) == value
    for value in (low - 1.0, high + 1.0):
        with pytest.raises(InputError, match="out of bounds") as refused:
            settings.checked(name, repr(value))
        assert refused.value.where == name
        said = refused.value.remedy.replace(",", "").removeprefix("give ")
        assert [float(bound) for bound in said.split(" to ")] == [low, high]
        assert "e" not in said, "a power of ten is no number to type"


@pytest.mark.parametrize(
    ("name", "typed", "kept"),
    [
        ("bench_pressure_kpa", "26 inH2O", 6.47631166),
        ("bench_pressure_kpa", "65 mbar", 6.5),
        ("least_blade_mm", "1 in", 25.4),
        ("tool_step_mm", "1 thou", 0.0254),
        ("bench_temperature_c", "68 F", 20.0),
        ("tolerance_hz", "0.8 Hz", 0.8),
    ],
)
def test_a_setting_takes_the_units_that_a_reading_takes(name: str, typed: str, kept: float) -> None:
    assert float(settings.checked(name, typed)) == pytest.approx(kept, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "typed", "said"),
    [
        (
            "bench_pressure_kpa",
            "26 in",
            "bench_pressure_kpa: 'in' is no unit of pressure; use kPa, mbar, inH2O or mmH2O",
        ),
        ("least_blade_mm", "5 in", "least_blade_mm: 5 in is out of bounds; give 1 to 60"),
        ("least_blade_mm", "short", "least_blade_mm: 'short' is not a number; give a number"),
        ("cut_error_pct", "3 mm", "cut_error_pct: '3 mm' is not a number; give a number"),
    ],
)
def test_a_setting_with_a_unit_of_something_else_or_beyond_its_limits_is_refused(
    name: str, typed: str, said: str
) -> None:
    with pytest.raises(InputError) as refused:
        settings.checked(name, typed)
    assert refused.value.line() == said


def test_no_setting_of_a_shop_is_without_limits() -> None:
    """A setting added later is bounded by the unit in its name; a chance never exceeds one, nothing is negative."""
    for name in NUMBERS:
        low, high = settings.limits_of(name)
        assert high < 1e9
        assert low >= 0 or name.endswith("_c")
        assert "chance" not in name or high <= 1.0


def test_an_unknown_setting_is_refused_with_the_nearest() -> None:
    with pytest.raises(InputError, match="is no setting") as refused:
        settings.checked("tolerence_hz", "1")
    assert "tolerance_hz" in refused.value.remedy


def test_settings_of_a_newer_program_are_passed_over() -> None:
    assert settings.settings_from({"colour_of_hemp": "yellow"}) == Settings()
    assert settings.settings_from({"colour_of_hemp": "yellow", "tolerance_hz": "0.5"}) == Settings(tolerance_hz=0.5)


def test_set_twice_within_an_instant_the_later_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from trimfit.base import iso_dates

    monkeypatch.setattr(iso_dates, "local_now", lambda: "2026-03-01T10:00:00.000")
    with Journal(tmp_path / "log", create=True) as journal:
        for value in ("0.5", "2", "0.75"):
            journal.set_setting("tolerance_hz", value)
        assert journal.settings().tolerance_hz == 0.75
        assert journal.count("setting") == 3 + 1  # and the zone that the log was given when it was made
