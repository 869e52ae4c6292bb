"""From the log's tables to the fit's frame: what was off by then, cents as low A, tape, holes."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from trimfit.learn.frames import bench_frame, cents_of_hz, removed_at
from trimfit.pitch import DEFAULT_RATIOS


def test_amounts_taken_before_a_reading_by_counting() -> None:
    rng = np.random.default_rng(0)
    for _ in range(20):
        n, m = 40, 30
        reed_at, reed_cut = rng.integers(0, 6, n), rng.integers(0, 7, m)
        time_at, time_cut = rng.integers(0, 12, n).astype(float), rng.integers(0, 12, m).astype(float)
        length = np.where(rng.random(m) < 0.2, np.nan, rng.uniform(0, 1, m))
        strokes = rng.integers(0, 4, m).astype(float)
        found = removed_at(reed_at, time_at, reed_cut, time_cut, length, strokes)
        for amount, sums in zip((np.nan_to_num(length), strokes), found, strict=True):
            for i in range(n):  # a cut at the very instant of a reading counts as done after it
                before = (reed_cut == reed_at[i]) & (time_cut < time_at[i])
                assert sums[i] == pytest.approx(amount[before].sum(), abs=1e-12)


def test_cents_of_hertz() -> None:
    found = cents_of_hz([440.0, 880.0, 0.0, -3.0, np.nan, np.inf], 1.0)
    np.testing.assert_allclose(found[:2], [0.0, 1200.0], atol=1e-12)
    assert np.isnan(found[2:]).all()
    np.testing.assert_allclose(cents_of_hz([470.0 * 5 / 3], 5 / 3), cents_of_hz([470.0]))


def _tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    readings = pd.DataFrame(
        {
            "reed": ["a", "a", "b", "stranger"],
            "taken_at": ["2026-01-05T10:00", "2026-01-05T12:00+01:00", "2026-01-05T11:30", "2026-01-05T10:00"],
            "chanter": ["old", "old", None, None],
            "crow_hz": [530.0, 540.0, np.nan, 500.0],
            "f_hz": [780.0, 782.0, 781.0, 780.0],
            "e_hz": [705.0, np.nan, 706.0, 705.0],
            "low_g_hz": [420.0, 421.0, 422.0, 420.0],
            "taped": ["f high_g", None, None, None],
        }
    )
    trims = pd.DataFrame(
        {"reed": ["a", "b"], "done_at": ["2026-01-05T10:30", "2026-01-05T11:30"], "length_mm": [0.2, 0.4]}
    )
    reeds = pd.DataFrame({"reed": ["b", "a"], "reed_type": ["moulded", "cane"], "batch": ["2", "1"]})
    return readings, trims, reeds


def test_frame_of_three_tables() -> None:
    frame = bench_frame(*_tables())
    assert frame["reed"].tolist() == ["a", "a", "b"]
    assert frame["reed_type"].tolist() == ["cane", "cane", "moulded"]
    assert frame["removed_mm"].tolist() == pytest.approx([0.0, 0.2, 0.0])
    assert frame["lip_strokes"].tolist() == [0.0, 0.0, 0.0]
    assert np.isnan(frame["f_cents"][0])  # its hole was taped
    assert frame["f_cents"][1] == pytest.approx(1200 * np.log2(782.0 / float(DEFAULT_RATIOS["f"]) / 440.0))
    assert np.isnan(frame["e_cents"][1])
    assert np.isnan(frame["crow_cents"][2])
    assert np.isnan(frame["high_a_cents"]).all()
    assert frame["taken_day"][1] > frame["taken_day"][0]


def test_the_shops_own_ratio_is_used() -> None:
    scale = {**DEFAULT_RATIOS, "low_g": Fraction(7, 8)}
    plain, own = bench_frame(*_tables()), bench_frame(*_tables(), scale)
    np.testing.assert_allclose(own["low_g_cents"] - plain["low_g_cents"], 1200 * np.log2((8 / 9) / (7 / 8)), atol=1e-9)
    np.testing.assert_allclose(own["e_cents"], plain["e_cents"])


def test_no_trims_at_all() -> None:
    readings, trims, reeds = _tables()
    assert bench_frame(readings, trims.iloc[:0], reeds)["removed_mm"].tolist() == [0.0, 0.0, 0.0]
