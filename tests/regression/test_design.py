"""Rows and their coding: the curve, conditions, balance of the A's, sorting, frames with holes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.regression.dense_shop import K, small_shop
from trimfit.base.errors import InputError
from trimfit.base.pitch import OUTPUTS
from trimfit.regression.curve import KNOTS_MM, bent_mm
from trimfit.regression.cut_error import cut_error
from trimfit.regression.design import (
    OUTPUT_COLUMNS,
    SETTLE_DAYS,
    Coding,
    a_imbalance_cents,
    balance_weight,
    by_reading,
    rows_from_frame,
    sort_rows,
    take_rows,
    work_before,
)

LOW_A, HIGH_A = OUTPUTS.index("low_a"), OUTPUTS.index("high_a")


def test_regressors_count_missing_conditions_as_the_benchs() -> None:
    coding = Coding(("a", "b"), (), np.outer([0.0, 0.2], KNOTS_MM), np.array([1.0, 2.0]), 6.0, 20.0)
    code = np.array([0, 1, 1], dtype=np.intp)
    nan = np.nan
    x = coding.regressors(
        np.array([0.5, 0.5, 0.0]),
        np.array([0.0, 2.0, 1.0]),
        np.array([7.0, nan, 5.5]),
        np.array([nan, 22.0, 20.0]),
        code,
    )
    g = bent_mm(np.array([0.5]), coding.curves[1])[0]
    np.testing.assert_allclose(x, [[1, 0.5, 0.25, 0, 1, 0], [1, g, g * g, 2, 0, 2], [1, 0, 0, 1, -0.5, 0]])
    np.testing.assert_allclose(coding.random_part(x, code), [[1, 0.5, 0.25], [1, 2 * g, 2 * g * g], [1, 0, 0]])
    np.testing.assert_allclose(coding.chanter_part(code), [[1, 1], [1, 2], [1, 2]])


def test_a_reading_out_of_balance_counts_for_less() -> None:
    coding = Coding(("a",), (), np.zeros((1, len(KNOTS_MM))), np.ones(1), 6.0, 20.0, 4.0)
    y = np.full((4, K), 100.0)
    y[1, HIGH_A] += 3.9
    y[2, HIGH_A] -= 8.0
    y[3, LOW_A] = np.nan
    np.testing.assert_allclose(a_imbalance_cents(y), [0.0, 3.9, -8.0, 0.0])
    np.testing.assert_allclose(balance_weight(y, coding), [1.0, 1.0, 0.25, 1.0])


def test_sorting_puts_batches_and_reeds_together_and_keeps_every_reading() -> None:
    rows = small_shop(5).rows
    order = np.random.default_rng(0).permutation(len(rows))
    days = np.arange(len(rows), dtype=float)
    rows = replace(rows, day=days, made_day=-days, since_work=np.column_stack([days, days]), event=days % 2 > 0)
    mixed = replace(rows, reed_code=rows.reed_code[order], **by_reading(rows, order))
    tidy = sort_rows(mixed)
    assert np.all(np.diff(tidy.batch_code) >= 0)
    assert np.all(np.diff(tidy.reed_code) >= 0)
    assert set(np.diff(tidy.reed_code)) <= {0, 1}
    part = take_rows(tidy, np.arange(len(tidy))[::2])
    np.testing.assert_array_equal(part.day, tidy.day[::2])
    np.testing.assert_array_equal(part.since_work, tidy.since_work[::2])
    for i in range(len(rows)):
        j = int(np.flatnonzero(rows.label == tidy.label[i])[0])
        assert tidy.reeds[tidy.reed_code[i]] == rows.reeds[rows.reed_code[j]]
        np.testing.assert_array_equal(tidy.y[i], rows.y[j])
        assert tidy.removed_mm[i] == rows.removed_mm[j]
        assert (tidy.day[i], tidy.made_day[i], tidy.event[i]) == (days[j], -days[j], days[j] % 2 > 0)
        assert tidy.since_work[i].tolist() == [days[j], days[j]]


def test_work_done_before_each_reading_by_counting() -> None:
    """Against the definition: trims before the reading, those within six hours of the next one gone, counted."""
    rng = np.random.default_rng(1)
    for _ in range(50):
        days = sorted(rng.integers(0, 40, 6) / 8.0)
        trims = list(rng.integers(0, 40, rng.integers(0, 9)) / 8.0)
        for day, (count, fading) in zip(days, work_before(days, trims), strict=True):
            before = sorted(set(trim for trim in trims if trim < day))
            ends = [a for a, b in zip(before, [*before[1:], np.inf], strict=False) if b - a > 0.25]
            assert count == len(ends)
            assert fading == pytest.approx(sum(np.exp(-(day - end) / SETTLE_DAYS) for end in ends), abs=1e-12)


def test_rows_without_times_are_of_one_moment() -> None:
    rows, _, _ = rows_from_frame(_frame())
    assert rows.day.tolist() == [0.0] * 3
    assert np.isnan(rows.made_day).all()
    assert not rows.since_work.any()
    assert not rows.event.any()
    frame = _frame().assign(taken_day=[1.0, np.nan, 2.0])
    with pytest.raises(InputError, match="taken_day is missing in row 1"):
        rows_from_frame(frame)


def _frame() -> pd.DataFrame:
    frame = pd.DataFrame(
        {
            "reed": ["r2", "r1", "r2"],
            "reed_type": ["b", "a", "b"],
            "batch": ["7", "7", "7"],
            "removed_mm": [0.0, 0.1, 0.3],
        }
    )
    frame["chanter"] = [None, "old", "new"]
    for k, column in enumerate(OUTPUT_COLUMNS):
        frame[column] = [100.0 + k, np.nan, 120.0 + k]
    return frame


def test_frame_to_rows_and_codes() -> None:
    rows, types, chanters = rows_from_frame(_frame())
    assert types == ("a", "b")
    assert chanters == ("new", "old")
    assert [types[t] for t in rows.type_code] == ["b", "a", "b"]
    assert [rows.reeds[r] for r in rows.reed_code] == ["r2", "r1", "r2"]
    assert rows.chanter_code.tolist() == [-1, 1, 0]
    assert len(rows.batches) == 2  # one name, two types: two batches
    assert rows.batch_code[0] == rows.batch_code[2] != rows.batch_code[1]
    np.testing.assert_array_equal(np.isfinite(rows.y), np.array([[True] * K, [False] * K, [True] * K]))
    np.testing.assert_array_equal(rows.lip, 0.0)
    coding = Coding(("b", "z"), ("old",), np.zeros((2, len(KNOTS_MM))), np.ones(2), 6.0, 20.0)
    rows, types, chanters = rows_from_frame(_frame(), coding)
    assert types == ("b", "z", "a")
    assert chanters == ("old", "new")
    assert rows.type_code.tolist() == [0, 2, 0]


@pytest.mark.parametrize("column", ["reed", "reed_type", "batch", "removed_mm"])
def test_a_missing_column_is_named(column: str) -> None:
    with pytest.raises(InputError, match=f"column {column} is missing"):
        rows_from_frame(_frame().drop(columns=column))


def test_execution_error_is_learned_from_pairs() -> None:
    rng = np.random.default_rng(0)
    found = []
    for _ in range(40):
        asked = rng.choice([0.03, 0.05, 0.1, 0.2, 0.4, 0.8], 600)
        taken = asked * (1 + 0.05 * rng.standard_normal(600)) + 0.01 * rng.standard_normal(600)
        taken[:4] = asked[:4] * 10  # a dropped point
        pair = cut_error(asked, taken)
        assert pair is not None
        found.append(pair)
    mean = np.mean(found, axis=0)
    assert mean[0] == pytest.approx(5.0, rel=0.12)
    assert mean[1] == pytest.approx(0.01, rel=0.12)


def test_execution_error_needs_pairs_and_is_never_nothing() -> None:
    few = np.full(29, 0.1)
    assert cut_error(few, few) is None
    assert cut_error(np.full(50, np.nan), np.full(50, 0.1)) is None
    asked = np.full(60, 0.1)
    assert cut_error(asked, asked) is None  # logged as advised, not measured: says nothing of the hand
    pair = cut_error(asked, asked + 1e-5 * np.arange(1, 61) / 60)
    assert pair is not None
    assert pair[0] >= 0.3 - 1e-9
    assert pair[1] >= 0.0006 - 1e-9
