"""The bench's own reading error where there is little to tell it from."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trimfit.base.errors import InputError
from trimfit.review.statistics.repeatability import bench_repeatability, pooled_sd


def readings(cents: list[float], **columns: object) -> pd.DataFrame:
    n = len(cents)
    frame = {
        "reed": ["R-1"] * n, "reed_type": ["moulded"] * n, "chanter": ["CH-1"] * n, "removed_mm": [0.1] * n,
        "lip_strokes": [0.0] * n, "events_met": [0.0] * n, "pressure_kpa": [6.0] * n, "temperature_c": [20.0] * n,
        "taken_day": np.arange(n) * 0.01, "crow_cents": cents,
    }  # fmt: skip
    return pd.DataFrame(frame | columns)


@pytest.mark.parametrize("frame", [readings([]), readings([400.0]), readings([400.0, 401.0], reed=["R-1", "R-2"])])
def test_never_read_twice_says_what_to_do(frame: pd.DataFrame) -> None:
    with pytest.raises(InputError, match="no reed was read twice") as refused:
        bench_repeatability(frame)
    assert refused.value.remedy == "read a reed twice in a row"


def test_crows_alone_make_a_study_of_the_crow_alone() -> None:
    (crow,) = bench_repeatability(readings([400.0, 403.0, 397.0, 401.0]))
    assert crow.output == "crow"
    assert crow.readings == 4
    assert crow.within_cents.mean == pytest.approx(np.std([400.0, 403.0, 397.0, 401.0], ddof=1))


def test_a_note_read_once_is_not_listed() -> None:
    frame = readings([400.0, 403.0, 397.0], f_cents=[110.0, np.nan, np.nan], e_cents=[120.0, np.nan, np.nan])
    assert [one.output for one in bench_repeatability(frame)] == ["crow"]


def test_warmth_moves_notes_and_not_the_crow() -> None:
    """Read twice each in air ten degrees apart: the notes' rise is the air's, and no error; a crow's would be one."""
    rise = 10 * 2.95
    both = [0.0, 1.0, rise, rise + 1.0]
    air, days = [15.0, 15.0, 25.0, 25.0], [0.0, 0.01, 0.5, 0.51]
    frame = readings(both, temperature_c=air, taken_day=days, f_cents=[100.0 + cents for cents in both])
    found = {one.output: one for one in bench_repeatability(frame)}
    assert found["f"].condition_cents < 0.5
    assert found["crow"].condition_cents == pytest.approx(rise / 2**0.5, abs=0.5)


def test_spreads_without_degrees_of_freedom() -> None:
    nothing = pooled_sd([1.0, 2.0], [0.0, 0.0])
    assert np.isnan(nothing.sd)
    assert (nothing.limits().low, nothing.limits().high) == (0.0, np.inf)
