"""Held-out errors: the model and the naive rules are compared on the same readings."""

from __future__ import annotations

import numpy as np
import pytest

from trimfit.regression.validation import SCORED, HeldOut, summary

GAP = SCORED.index("gap")


def made(
    observed: list[float],
    predicted: list[float],
    by_type: list[float],
    gaps_before: list[int],
    batches: list[int] | None = None,
) -> HeldOut:
    """Readings of the gap alone, all of one type, and of one batch where none is named."""

    def column(values: list[float]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        out = np.full((len(values), len(SCORED)), np.nan)
        out[:, GAP] = values
        return out

    count = np.arange(1, len(observed) + 1)
    return HeldOut(
        np.zeros(len(observed), dtype=np.intp),
        count.astype(np.intp),
        column(observed),
        column(predicted),
        np.ones((len(observed), len(SCORED))),
        column(by_type),
        column(by_type),
        np.array(gaps_before, dtype=np.intp),
        np.array(batches or [0] * len(observed), dtype=np.intp),
    )


def test_a_first_gap_counts_for_no_rule_in_the_comparison_and_has_a_line_of_its_own() -> None:
    nan = float("nan")
    observed, predicted = [-40.0, -60.0, -10.0, -12.0], [-30.0, -70.0, -11.0, -11.0]
    found = made(observed, predicted, [nan, nan, -13.0, -15.0], [0, 0, 1, 2], [0, 1, 1, 1])
    row = summary(found, ("cane",))[0]
    assert (row["readings"], row["compared_readings"]) == (4, 2)
    assert row["compared_rmse"] == pytest.approx(1.0)
    assert row["naive_rmse"] == pytest.approx(3.0)
    assert row["rmse"] == pytest.approx(np.sqrt((100 + 100 + 1 + 1) / 4))
    assert row["by_gap_readings"] == [
        {"gap_readings_before": 0, "readings": 2, "rmse": pytest.approx(10.0), "naive_rmse": pytest.approx(20.0)},
        {"gap_readings_before": 1, "readings": 1, "rmse": pytest.approx(1.0), "naive_rmse": pytest.approx(3.0)},
        {"gap_readings_before": 2, "readings": 1, "rmse": pytest.approx(1.0), "naive_rmse": pytest.approx(3.0)},
    ]


def test_a_type_with_one_batch_has_no_first_gap_beside_and_no_slope_that_was_learned() -> None:
    observed, predicted, by_type = [-40.0, -12.0, -9.0], [-30.0, -11.0, -8.0], [float("nan"), -15.0, -11.0]
    alone, beside = (
        summary(made(observed, predicted, by_type, [0, 1, 1], batches), ("cane",))[0]
        for batches in ([4, 4, 4], [4, 4, 5])
    )
    assert (alone["compared_readings"], alone["learned_readings"]) == (2, 0)
    assert (beside["compared_readings"], beside["learned_readings"]) == (2, 2)
    first = {"gap_readings_before": 0, "readings": 1, "rmse": pytest.approx(10.0), "naive_rmse": None}
    assert alone["by_gap_readings"][0] == beside["by_gap_readings"][0] == first  # type: ignore[index]


def test_a_slip_that_one_rule_sees_is_left_out_for_all() -> None:
    rng = np.random.default_rng(3)
    observed = rng.normal(-20.0, 5.0, 40)
    by_type = observed - rng.normal(0.0, 3.0, 40)
    by_type[7] = observed[7] - 300.0  # the reading before it was the slip: only the naive rule is fooled
    row = summary(made([*observed], [*(observed - 1.0)], [*by_type], [1] * 40), ("cane",))[0]
    assert row["compared_readings"] == 39
    assert row["compared_rmse"] == pytest.approx(1.0)
    rule = np.delete(observed - by_type, 7)
    assert row["naive_rmse"] == pytest.approx(float(np.sqrt(np.mean(rule**2))))
