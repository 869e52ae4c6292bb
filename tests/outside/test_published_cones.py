"""Double reeds on conical bores: sizes and signs only (WW-1 to WW-5). Made-up bores, published relations."""

from __future__ import annotations

import pytest

from trimfit.base import acoustics, pitch, units

BORE = {"length_m": 0.36, "tip_m": 0.06, "top_radius_m": 0.002}
TIP_M3 = acoustics.missing_tip_volume_m3(0.002, 0.06)


def _cents_over_whole_cone(volume_m3: float, mode: int) -> float:
    whole_hz = mode * 343.2 / (2 * (0.36 + 0.06))
    return pitch.cents_from_440(
        440 * acoustics.cone_resonance_hz(**BORE, reed_volume_m3=volume_m3, mode=mode) / whole_hz
    )


def test_the_reed_stands_in_for_the_missing_tip() -> None:
    """Benade (1976), as cited by Scavone, ICMC 2002: a volume like the tip's nearly restores the harmonics, the lower
    one better. Spherical-wave result from memory; numbers found independently."""
    assert acoustics.cone_resonance_hz(**BORE, reed_volume_m3=TIP_M3) == pytest.approx(408.6216, abs=5e-5)
    assert _cents_over_whole_cone(TIP_M3, 1) == pytest.approx(0.21, abs=5e-3)
    assert _cents_over_whole_cone(TIP_M3, 2) == pytest.approx(2.93, abs=5e-3)
    assert _cents_over_whole_cone(0.0, 1) == pytest.approx(15.15, abs=5e-3)
    assert _cents_over_whole_cone(0.0, 2) == pytest.approx(48.26, abs=5e-3)


def test_a_larger_or_softer_reed_plays_flatter() -> None:
    """Nederveen; Fletcher & Rossing; Benade (from memory): equivalent volume up, pitch down, for each mode."""
    for mode in (1, 2, 3):
        hz = [acoustics.cone_resonance_hz(**BORE, reed_volume_m3=share * TIP_M3, mode=mode) for share in (0.8, 1, 1.2)]
        assert hz[0] > hz[1] > hz[2]


@pytest.mark.parametrize(
    ("length_m", "exact", "first_order"),
    [(0.36, 0.77, 0.83), (0.30, 1.20, 1.32), (0.25, 1.82, 2.06), (0.20, 2.92, 3.50)],
)
def test_less_volume_raises_the_high_notes_more(length_m: float, exact: float, first_order: float) -> None:
    """Rayleigh's perturbation: 5 % less cavity. Why trimming raises F against low A."""
    bore = {**BORE, "length_m": length_m}
    before, after = (acoustics.cone_resonance_hz(**bore, reed_volume_m3=share * TIP_M3) for share in (1.0, 0.95))
    assert pitch.cents_from_440(440 * after / before) == pytest.approx(exact, abs=6e-3)
    assert acoustics.reed_volume_shift_cents(-0.05 * TIP_M3, **bore) == pytest.approx(first_order, abs=6e-3)


def test_published_blowing_pressures_are_in_bounds() -> None:
    """Fuks & Sundberg, KTH TMH-QPSR 3/1996: 10 to 120 cmH2O over the reed woodwinds."""
    assert [units.parse_pressure_kpa(f"{n} cmH2O") for n in (10, 120)] == pytest.approx([0.980665, 11.76798])
