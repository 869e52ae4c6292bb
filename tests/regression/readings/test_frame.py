"""From the log's tables to the fit's frame: what was off by then, cents as low A, tape, holes."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trimfit.base.pitch import DEFAULT_RATIOS
from trimfit.base.records import Event, Logged, Outcome, Reading, Reed, ReedHistory, Trim
from trimfit.regression.design import rows_from_frame
from trimfit.regression.readings.frame import bench_frame, cents_of_hz
from trimfit.regression.readings.rows import before_each, read_at_the_bench, rows_of


def test_amounts_taken_before_a_reading_by_counting() -> None:
    rng = np.random.default_rng(0)
    for _ in range(20):
        days = sorted(rng.integers(0, 12, 10).astype(float).tolist())
        trims = [(float(rng.integers(0, 12)), float(rng.uniform(0, 1)), float(rng.integers(0, 4))) for _ in range(8)]
        for day, (mm, strokes, *_) in zip(days, before_each(days, trims, []), strict=True):
            done = [(length, count) for at, length, count in trims if at < day]  # one at its very instant is after it
            assert (mm, strokes) == pytest.approx((sum(one for one, _ in done), sum(one for _, one in done)))


def test_cents_of_hertz() -> None:
    found = cents_of_hz([440.0, 880.0, 0.0, -3.0, np.nan, np.inf], 1.0)
    np.testing.assert_allclose(found[:2], [0.0, 1200.0], atol=1e-12)
    assert np.isnan(found[2:]).all()
    np.testing.assert_allclose(cents_of_hz([470.0 * 5 / 3], 5 / 3), cents_of_hz([470.0]))


Tables = tuple[pd.DataFrame, list[tuple[str, str, str, None]], list[tuple[str, float, float, None]]]


def _tables() -> Tables:
    readings = pd.DataFrame(
        {
            "reed": ["a", "a", "b", "stranger"],
            "at_s": [36000.0, 39600.0, 41400.0, 36000.0],
            "chanter": ["old", "old", None, None],
            "crow_hz": [530.0, 540.0, np.nan, 500.0],
            "f_hz": [780.0, 782.0, 781.0, 780.0],
            "e_hz": [705.0, np.nan, 706.0, 705.0],
            "low_g_hz": [420.0, 421.0, 422.0, 420.0],
            "taped": ["f high_g", None, None, None],
        }
    )
    reeds = [("b", "moulded", "2", None), ("a", "cane", "1", None)]
    return readings, reeds, [("a", 37800.0, 0.2, None), ("b", 41400.0, 0.4, None)]


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
    plain, own = bench_frame(*_tables()), bench_frame(*_tables(), scale=scale)
    np.testing.assert_allclose(own["low_g_cents"] - plain["low_g_cents"], 1200 * np.log2((8 / 9) / (7 / 8)), atol=1e-9)
    np.testing.assert_allclose(own["e_cents"], plain["e_cents"])


def test_histories_and_tables_give_the_same_rows_in_time() -> None:
    """Two ways from the log to `Rows`: record by record, and by tables."""
    rng = np.random.default_rng(4)
    hours: dict[str, list[float]] = {"reading": [], "trim": [], "event": []}
    names: dict[str, list[str]] = {"reading": [], "trim": [], "event": []}
    made = {"a": "2026-01-03", "b": None, "c": "2025-12-24"}
    left = {"a": 400.0, "c": 90.0}
    histories = []
    for reed, made_on in made.items():
        drawn = {kind: sorted(rng.choice(200, 7, replace=False).tolist()) for kind in hours}
        for kind, mine in drawn.items():
            hours[kind] += mine
            names[kind] += [reed] * len(mine)
        records: dict[str, list[Logged[Any]]] = {kind: [] for kind in hours}
        for kind, record in (
            ("reading", Reading(reed, "", crow_hz=500.0)),
            ("trim", Trim(reed, "", 0.1)),
            ("event", Event(reed, "", "soaked")),
        ):
            records[kind] = [Logged(f"{kind} {hour}", 0, 3600.0 * hour, record) for hour in drawn[kind]]
        of = Logged(reed, 0, 0.0, Reed(reed, "cane", "7", made_on=made_on))
        read, cut, met = (tuple(records[kind]) for kind in ("reading", "trim", "event"))
        ended = Logged("end", 0, 3600.0 * left[reed], Outcome(reed, "", "good")) if reed in left else None
        histories.append(ReedHistory(of, read, cut, ended, events=met))
    one = rows_of(histories, 0, (), DEFAULT_RATIOS)
    at = {kind: np.array(mine) * 3600.0 for kind, mine in hours.items()}
    frame = bench_frame(
        pd.DataFrame({"reed": names["reading"], "at_s": at["reading"], "crow_hz": 500.0}),
        [(name, "cane", "7", made_on) for name, made_on in made.items()],
        [(name, at_s, 0.1, None) for name, at_s in zip(names["trim"], at["trim"].tolist(), strict=True)],
        list(zip(names["event"], at["event"].tolist(), strict=True)),
        [(reed, 3600.0 * hour) for reed, hour in left.items()],
    )
    other, _, _ = rows_from_frame(frame)
    for name in ("y", "removed_mm", "day", "made_day", "since_work", "event", "at_bench"):
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), atol=1e-9)
    assert 2 < one.event.sum() < 19
    assert set(one.since_work[:, 0]) >= {1.0, 2.0, 3.0}
    assert one.made_day[0] == pytest.approx(20456.5)  # 2026-01-03 is 56 years, 14 leap days and 2 days after 1970
    # by counting: an event after the reading before, at or before this one
    for i in range(21):
        mine = [hour for reed, hour in zip(names["event"], at["event"], strict=True) if reed == one.reeds[i // 7]]
        last = -np.inf if i % 7 == 0 else at["reading"][i - 1]
        assert one.event[i] == any(last < hour <= at["reading"][i] for hour in mine)
    assert 2 < one.at_bench.sum() < 19


@pytest.mark.parametrize(
    ("later", "events", "at_bench"),
    [
        ([], [], [False, False]),
        ([2.0], [], [True, True]),
        ([1.5], [], [True, False]),  # read in its owner's hands after it left
        ([1.5, 4.0], [3.0], [True, False]),  # and worked again since, once it had come back
        ([1.0], [1.0], [True, False]),
    ],
)
def test_a_reading_was_taken_at_the_bench_if_its_reed_was_worked_or_left_there_after_it(
    later: list[float], events: list[float], at_bench: list[bool]
) -> None:
    assert read_at_the_bench([1.0, 2.0], later, events) == at_bench


def test_no_trims_at_all() -> None:
    readings, reeds, _ = _tables()
    assert bench_frame(readings, reeds, [])["removed_mm"].tolist() == [0.0, 0.0, 0.0]
