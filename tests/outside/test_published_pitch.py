"""Pitch, air, blades and units against published values (AC-1 to AC-10). The source stands in each test."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.outside.published import table
from trimfit.base import acoustics, pitch, units
from trimfit.regression import curve


def test_notes_of_equal_temperament() -> None:
    """ISO 16:1975, A = 440 Hz, twelve equal steps."""
    for row in table("equal_temperament_a440").itertuples():
        assert pitch.hz_from_cents(row.cents_from_a4) == pytest.approx(row.freq_hz_a440, abs=5e-4)
        assert pitch.cents_from_440(row.freq_hz_a440) == pytest.approx(row.cents_from_a4, abs=5e-3)


@pytest.mark.parametrize(
    ("word", "hz"), [("A", 440.0), ("Bb", 466.164), ("C", 523.251), ("D", 587.330), ("Eb", 622.254), ("C#", 554.365)]
)
def test_a_crow_said_as_a_note(word: str, hz: float) -> None:
    """ISO 16:1975; the crow's notes are those of equal temperament."""
    assert pitch.parse_crow_hz(word) == pytest.approx(hz, abs=5e-4)
    assert pitch.crow_label(hz) == word


def test_cents() -> None:
    """Cents by definition (Ellis, appendix to Helmholtz, On the Sensations of Tone)."""
    b_flat = pitch.cents_from_440(pitch.parse_crow_hz("Bb"))
    assert pitch.cents_from_440(470.0) - b_flat == pytest.approx(14.189, abs=5e-4)
    assert pitch.cents_from_440(480.0) - b_flat == pytest.approx(50.637, abs=5e-4)
    assert pitch.cents_from_440(441.0) == pytest.approx(3.93, abs=5e-3)
    assert pitch.cents_from_440(459.0) == pytest.approx(73.19, abs=5e-3)
    assert pitch.hz_width_cents(1.0, 480.0) == pytest.approx(3.607, abs=6e-3)
    assert pitch.hz_width_cents(1.0, 480.0) > pitch.hz_width_cents(1.0, 481.0)
    assert pitch.cents_from_440(440.0 * 81 / 80) == pytest.approx(21.506, abs=5e-4)


@pytest.mark.parametrize("choice", ["macneill", "harmonic"])
def test_ratios_of_the_chanter_scale(choice: str) -> None:
    """E. Macpherson, acoustics pages (1998), after Lenihan & MacNeill, Acustica 4 (1954) 231."""
    scale = pitch.ratios("8/9", "27/20", "9/5") if choice == "macneill" else pitch.ratios("7/8", "4/3", "7/4")
    steps = dict(zip(pitch.NOTES, (-200, 0, 200, 400, 500, 700, 900, 1000, 1200), strict=True))
    for row in table("chanter_scale_ratios").itertuples():
        note = row.note.lower().replace(" ", "_")
        cents = pitch.cents_from_440(pitch.note_hz(note, 0.0, scale))
        assert cents == pytest.approx(getattr(row, f"cents_{choice}"), abs=5e-3)
        assert cents - steps[note] == pytest.approx(getattr(row, f"published_dev_{choice}"), abs=0.05)


def test_f_over_e_at_the_meeting_point() -> None:
    """F / E = (5/3) / (3/2) = 10/9 = 182.404 cents, by the ratios above: where they read alike they do not sound so."""
    e_hz, f_hz = pitch.note_hz("e", 100.0), pitch.note_hz("f", 100.0)
    assert f_hz / e_hz == pytest.approx(10 / 9, rel=1e-12)
    assert pitch.cents_from_440(f_hz) - pitch.cents_from_440(e_hz) == pytest.approx(182.404, abs=5e-4)
    assert pitch.as_low_a_cents("f", f_hz) == pytest.approx(pitch.as_low_a_cents("e", e_hz), abs=1e-9)
    sounding = [pitch.cents_from_440(pitch.note_hz(note, 0.0)) for note in ("e", "f", "high_g")]
    assert sounding == pytest.approx([701.955, 884.359, 968.826], abs=5e-4)


@pytest.mark.parametrize("hz", [441.0, 459.0, 470.0, 480.0])
def test_reference_pitches_met_since_1885_are_in_bounds(hz: float) -> None:
    """Macpherson (1998): low A 441 Hz in 1885, 459 Hz in the 1950s, 470 to 480 Hz in 1998."""
    assert units.within("as_low_a_hz", hz) == hz


def test_speed_of_sound() -> None:
    """ISO 9613-1."""
    for row in table("speed_of_sound").itertuples():
        assert acoustics.speed_of_sound_m_s(row.temp_c) == pytest.approx(row.c_iso9613, abs=6e-4)
        assert acoustics.cents_per_degree(row.temp_c) == pytest.approx(row.cents_per_degC_ideal, abs=1e-4)


def test_cents_per_degree() -> None:
    """600 log2((T + 1) / T) = 2.948 cents at 20 °C."""
    assert acoustics.cents_per_degree() == pytest.approx(2.948, abs=5e-4)


def test_the_assumed_curve_bends_as_the_law_of_a_clamped_bar() -> None:
    """f ∝ (βL)² / L² (Thomson, Theory of Vibration with Applications, appendix D.3), so a cut d off a blade of 22 mm
    sharpens it by 2400 log2(L / (L − d)): the slope grows by 1 / L a mm, as the mean of the curve's prior does."""
    root = table("beam_clamped_free")["beta_l"].iloc[0]
    assert math.cos(root) * math.cosh(root) == pytest.approx(-1.0, abs=1e-6)
    blade_mm, x = 22.0, np.linspace(0.0, 2.4, 13)
    mean, _ = curve.curve_prior()
    by_law = np.log((blade_mm - curve.UNIT_MM) / (blade_mm - x))
    assert np.log(curve.slope_at(x, mean)) == pytest.approx(by_law, abs=0.01)


def test_published_blowing_pressures_are_in_bounds() -> None:
    """Fuks & Sundberg, KTH TMH-QPSR 3/1996: 10 to 120 cmH2O over the reed woodwinds."""
    assert [units.parse_pressure_kpa(f"{n} cmH2O") for n in (10, 120)] == pytest.approx([0.980665, 11.76798])


def test_units_of_pressure() -> None:
    """NIST SP 811, appendix B.8, to the seven digits that it prints; an inch of water is 25.4 mm of it."""
    words = {
        "millimetre of water, conventional": "mmH2O",
        "centimetre of water, conventional": "cmH2O",
        "inch of water, conventional": "inH2O",
        "millimetre of mercury, conventional": "mmHg",
        "pound-force per square inch": "psi",
        "millibar": "mbar",
    }
    rows = table("pressure_units").set_index("unit")["pa_per_unit"]
    for unit, word in words.items():
        number = 6000.0 / rows[unit]
        assert units.parse_pressure_kpa(f"{number:.9f} {word}") == pytest.approx(6.0, rel=1e-7)
    assert units.parse_pressure_kpa("30 inH2O") == pytest.approx(7.47267, abs=5e-6)
    assert units.parse_pressure_kpa("30inH2O") == units.parse_pressure_kpa("762 mmH2O")


def test_units_of_length() -> None:
    """NIST SP 811, appendix B.8: inch 2.54 E-02 m, mil (0.001 in) 2.54 E-05 m, both exact. From memory."""
    assert units.parse_length_mm("1 in") == 25.4
    assert units.parse_length_mm("1 thou") == 0.0254
