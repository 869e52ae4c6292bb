"""Readings and trims as logged (hertz, CSV columns) into the frame that the fit takes: one row a reading, cents."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from trimfit.base.pitch import NOTES, OUTPUTS, as_low_a_cents, cents_from_440, ratios

__all__ = ["FIRST_DAY", "FRAME_COLUMNS", "clock", "frame_of", "frame_row"]

FIRST_DAY = datetime(2025, 1, 6)
FRAME_COLUMNS = (
    "reed", "reed_type", "batch", "chanter", "removed_mm", "lip_strokes", "pressure_kpa", "temperature_c", "taken_day",
    *(f"{name}_cents" for name in OUTPUTS),
)  # fmt: skip


def clock(day: float) -> str:
    """A day of the story (0 = FIRST_DAY, midnight) as ISO text to the second."""
    return (FIRST_DAY + timedelta(seconds=round(day * 86400))).isoformat()


def frame_row(reading: Mapping[str, object]) -> dict[str, object]:
    """One frame row of a live reed's reading (`<output>_hz` where taken, conditions, reed and its removed length)."""
    row: dict[str, object] = {name: reading[name] for name in FRAME_COLUMNS[:9]}
    for name in OUTPUTS:
        hz = reading.get(f"{name}_hz")
        cents = np.nan if hz is None else cents_from_440(float(str(hz)))
        if hz is not None and name in NOTES:
            cents = as_low_a_cents(name, float(str(hz)))
        row[f"{name}_cents"] = cents
    return row


def frame_of(reeds: pd.DataFrame, readings: pd.DataFrame, trims: pd.DataFrame) -> pd.DataFrame:
    """The fit's frame from the CSV contract's tables. At equal instants a reading counts as taken before a trim."""
    events = pd.concat(
        [
            readings.assign(at=pd.to_datetime(readings["taken_at"]), late=0),
            trims.assign(at=pd.to_datetime(trims["done_at"]), late=1)[
                ["reed", "at", "late", "length_mm", "lip_strokes"]
            ],
        ]
    ).sort_values(["reed", "at", "late"], kind="stable")
    for amount, total in (("length_mm", "removed_mm"), ("lip_strokes", "strokes")):
        events[total] = events[amount].fillna(0.0).groupby(events["reed"]).cumsum()
    rows = events[events["late"] == 0].merge(reeds[["reed", "reed_type", "batch"]], on="reed")
    frame = pd.DataFrame({name: rows[name] for name in ("reed", "reed_type", "batch", "chanter", "removed_mm")})
    frame["lip_strokes"] = rows["strokes"]
    frame["pressure_kpa"], frame["temperature_c"] = rows["pressure_kpa"], rows["temperature_c"]
    frame["taken_day"] = (rows["at"] - FIRST_DAY) / pd.Timedelta(days=1)
    scale = ratios()
    for name in OUTPUTS:
        as_low_a = rows[f"{name}_hz"].astype(float) / (float(scale[name]) if name in NOTES else 1.0)
        frame[f"{name}_cents"] = 1200.0 * np.log2(as_low_a / 440.0)
    return frame
