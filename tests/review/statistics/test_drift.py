"""Batches against their types: the robust mixture by itself, and on whole simulated shops."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.worlds.drift import KINDS, judged, made_shop
from tests.worlds.run_lengths import arl_cusum, simulated_run_length
from trimfit.base.units import Interval
from trimfit.review.statistics import drift
from trimfit.review.statistics.control_charts import arl_ewma_under_drift, cusum_chart, ewma_chart

Array = np.ndarray


def good(rng: np.random.Generator, count: int = 24, spread: float = 8.0) -> tuple[Array, Array, Array]:
    """Estimates, variances and types of batches that differ in the ordinary way."""
    variance = rng.uniform(3.0, 5.0, count) ** 2
    return rng.normal(0.0, np.sqrt(spread**2 + variance)), variance, (np.arange(count) % 3).astype(np.intp)


def test_three_that_are_off_head_the_list_and_do_not_widen_the_yardstick() -> None:
    rng = np.random.default_rng(1)
    alone, hits, scales = 0, 0, []
    for _ in range(20):
        d, variance, group = good(rng, 27)
        clean = drift.judge(d[3:], variance[3:], group[3:], 15.0)
        d[:3] = 45.0 * rng.choice([-1.0, 1.0], 3) + rng.normal(0.0, 4.0, 3)
        found = drift.judge(d, variance, group, 15.0)
        called = drift.called(found.chance, 0.9, found.odd)
        assert set(np.argsort(-found.chance)[:3]) == {0, 1, 2}
        hits += int(called[:3].sum())
        alone += int(called[3:].sum())
        scales += list(found.scale / clean.scale)
        plain = float(np.std(d))
        assert (found.scale < 0.75 * plain).all()
    assert hits >= 57  # of 60
    assert alone <= 0.12 * (alone + hits)  # 0.1 promised
    assert np.median(scales) < 1.15


def test_of_24_good_batches_hardly_one_is_called() -> None:
    rng = np.random.default_rng(2)
    calls = []
    for spread in (3.0, 8.0, 12.0):
        for _ in range(15):
            found = drift.judge(*good(rng, spread=spread), 15.0)
            calls.append(int(drift.called(found.chance, 0.9, found.odd).sum()))
    assert max(calls) <= 2
    assert np.mean(calls) < 0.25


def test_intervals_hold_what_they_promise_and_few_reeds_give_a_wide_shrunk_one() -> None:
    rng = np.random.default_rng(3)
    held = []
    for _ in range(30):
        _, variance, group = good(rng)
        truth = rng.normal(0.0, 8.0, 24)
        found = drift.judge(truth + rng.normal(0.0, np.sqrt(variance)), variance, group, 15.0)
        held += list((found.low <= truth) & (truth <= found.high))
    assert 0.86 < np.mean(held) < 0.96
    d, variance, group = good(rng)
    d[0], variance[0], variance[1] = 30.0, 25.0**2, np.inf
    found = drift.judge(d, variance, group, 15.0)
    width = found.high - found.low
    assert abs(found.mean[0]) < 15.0 < abs(d[0])
    assert width[0] > 1.6 * np.median(width[2:])
    assert width[1] >= width[0]
    assert abs(found.mean[1]) < 1e-6
    assert found.chance[1] < 0.2


def test_of_batches_told_a_chance_so_many_are_off_by_more_than_the_limit() -> None:
    """Shops whose ordinary batches lie about as far apart as the shop cares about, with and without three set off."""
    rng = np.random.default_rng(8)
    told, happened = [], []
    for shop in range(80):
        _, variance, group = good(rng, 27)
        truth = rng.normal(0.0, 10.0, 27)
        if shop % 2:
            truth[:3] = 45.0 * rng.choice([-1.0, 1.0], 3)
        found = drift.judge(truth + rng.normal(0.0, np.sqrt(variance)), variance, group, 15.0)
        told += list(found.chance)
        happened += list(np.abs(truth) > 15.0)
        assert (found.odd <= found.chance + 1e-12).all()
    chance, off = np.array(told), np.array(happened)
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 0.9), (0.9, 1.0)):
        mine = (chance >= low) & (chance <= high)
        error = np.sqrt(max(np.mean(off[mine]) * (1.0 - np.mean(off[mine])), 0.01) / mine.sum())
        assert abs(np.mean(off[mine]) - np.mean(chance[mine])) < 0.03 + 2.0 * error


def test_what_was_never_looked_at_is_known_for_such() -> None:
    nothing = drift.judge(np.zeros(6), np.full(6, np.inf), np.zeros(6, dtype=np.intp), 5.0, below=1.0)
    assert not nothing.shows.any()
    assert (nothing.chance > 0.05).all()  # what is believed of any batch
    some = drift.judge(
        np.array([0.0, 0.0, 90.0]), np.array([1.0, 900.0, 100.0]), np.zeros(3, dtype=np.intp), 5.0, below=1.0
    )
    assert some.shows.tolist() == [True, False, True]


def test_a_type_whose_batches_vary_much_has_a_yardstick_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    shops = []
    rng = np.random.default_rng(7)
    for _ in range(10):
        d, variance, group = good(rng, 36)
        d[group == 0] *= 3.0
        shops.append((d, variance, group))

    def calls_and_scales() -> tuple[int, Array]:
        found = [drift.judge(*shop, 15.0) for shop in shops]
        return sum(int(drift.called(one.chance, 0.85, one.odd).sum()) for one in found), np.median(
            [f.scale for f in found], 0
        )

    calls, (wide, *others) = calls_and_scales()
    assert wide > 1.25 * max(others)
    assert max(others) < 12.0  # eight is true
    monkeypatch.setattr(drift, "LOOSE", 1e-9)
    assert calls < 0.8 * calls_and_scales()[0]


def test_the_norm_of_a_type_is_not_drawn_by_a_batch_that_is_off() -> None:
    rng = np.random.default_rng(4)
    d, variance, group = good(rng, 24)
    norm = drift.judge(d, variance, group, 15.0).norm_of[0]
    d[0] = 120.0
    assert abs(drift.judge(d, variance, group, 15.0).norm_of[0] - norm) < 4.0


def test_calling_keeps_the_expected_share_of_false_calls() -> None:
    assert drift.called(np.array([0.2, 0.999, 0.85, 0.91]), 0.9).tolist() == [False, True, True, True]
    assert drift.called(np.array([0.89, 0.88]), 0.9).tolist() == [False, False]
    assert drift.called(np.array([0.99999, 0.99999, 0.7]), 0.8).tolist() == [True, True, False]
    ordinary = np.array([0.9, 0.6, 0.9, 0.9])
    assert drift.called(np.array([0.2, 0.999, 0.85, 0.91]), 0.9, ordinary).tolist() == [False, False, True, True]
    assert drift.either(np.array([0.5]), np.array([0.5]))[0] == pytest.approx(0.75)


def test_words_say_what_is_off_or_that_too_little_is_known() -> None:
    offs = [
        drift.Off("starts 38 cents sharp of its type", 0.97, "expect 0.25 mm less to take off"),
        drift.Off("b", 0.1),
    ]
    assert (
        drift.words_of(offs, drifted=True, reeds=12)
        == "starts 38 cents sharp of its type; expect 0.25 mm less to take off"
    )
    assert "only 1 reed read" in drift.words_of(offs, drifted=True, reeds=1)
    assert drift.words_of(offs, drifted=False, reeds=12) == (
        "starts 38 cents sharp of its type, as batches here may in the ordinary way; expect 0.25 mm less to take off"
    )
    perhaps = [drift.Off("starts 18 cents sharp of its type", 0.6)]
    assert drift.words_of(perhaps, drifted=False, reeds=12).startswith("perhaps starts 18 cents sharp")
    assert drift.words_of(perhaps[:0] + offs[1:], drifted=True, reeds=9) == "b"
    assert drift.words_of(offs[1:], drifted=False, reeds=9) == "as its type's batches are"
    assert drift.words_of(offs, drifted=False, reeds=0).startswith("no reading yet")
    between = [drift.Off("starts 14 cents sharp of its type", 0.44), *offs[1:]]
    assert drift.words_of(between, drifted=False, reeds=9) == (
        "starts 14 cents sharp of its type: whether by more than the settings allow is not sure"
    )
    assert drift.words_of(between, drifted=False, reeds=9, unsure=True) == (
        "too little was read to say whether it is as its type's batches are"
    )


def test_a_shift_that_may_lie_beyond_its_limit_on_either_side_tells_too_little() -> None:
    wide, narrow = Interval(0.0, -19.0, 18.0), Interval(0.0, -4.0, 4.0)
    assert drift.says_too_little([(wide, 15.0), (narrow, 20.0)])
    assert not drift.says_too_little([(narrow, 15.0), (narrow, 20.0)])


def test_settling_is_found_from_readings_with_no_work_between() -> None:
    rng = np.random.default_rng(5)
    rows = []
    for batch, weekly in ((0, 0.0), (1, 7.0), (2, 0.0)):
        for reed in range(10):
            for day in (0.4, 7.4, 14.4, 300.4):
                crow = 240.0 + weekly * min(day, 28.0) / 7.0 + rng.normal(0.0, 3.0)
                rows.append((f"{batch}-{reed}", batch, 0.0, 0.0, "CH", day, crow))
            rows.append((f"{batch}-{reed}", batch, 0.3, 0.0, "CH", 301.0, 285.0))
    columns = ["reed", "batch", "removed_mm", "lip_strokes", "chanter", "taken_day", "crow"]
    frame = pd.DataFrame(rows, columns=columns).assign(events_met=0.0)
    n = len(frame)
    settled = np.column_stack([np.minimum(frame["taken_day"] - 0.4, 28.0) / 28.0, np.zeros(n)])
    still = drift.Settling(
        settled, np.zeros((n, 2)), np.zeros((n, 2)), np.zeros(n), np.zeros(n), np.full(n, 9.0)
    )  # fmt: skip
    crow, batch = frame["crow"].to_numpy(), frame["batch"].to_numpy(dtype=np.intp)
    away, variance, norm = drift.settling_rates(frame, crow, batch, 4, still, with_chanter=False)
    assert away[:3] == pytest.approx([0.0, 7.0, 0.0], abs=1.0)
    assert not norm.any()
    assert (np.sqrt(variance[:3]) < 0.5).all()
    assert np.isinf(variance[3])  # a batch that nothing tells of
    usual = replace(still, mean=np.tile([8.0, 0.0], (n, 1)))  # 8 cents in four weeks: 2 a week
    hit = frame.assign(events_met=1.0 * (frame["taken_day"] > 7.0))  # every reed was dropped before its second day
    after = np.where(hit["events_met"] > 0.0, crow + 30.0, crow)
    dropped, dropped_var, _ = drift.settling_rates(hit, after, batch, 4, still, with_chanter=False)
    # seven cents a week from the second day, of which four weeks are looked at, until the batch's fourth week
    assert dropped[:3] == pytest.approx([0.0, 5.0, 0.0], abs=1.0)
    assert (dropped_var[:3] > variance[:3]).all()
    less, same, norm = drift.settling_rates(frame, crow, batch, 4, usual, with_chanter=False)
    assert norm[:3] == pytest.approx([2.0, 2.0, 2.0])
    assert less + norm == pytest.approx(away)
    assert same == pytest.approx(variance)


def test_the_variance_of_a_slope_is_that_of_the_dense_covariance_of_the_movement() -> None:
    day = np.array([0.4, 3.4, 9.4, 16.4])
    frame = pd.DataFrame({"reed": "R", "removed_mm": 0.0, "lip_strokes": 0.0, "chanter": "CH", "taken_day": day})
    frame["events_met"] = 0.0
    settled = np.column_stack([1.0 - np.exp(-day / 12.0), 0.1 * np.arange(4.0)])
    moves = drift.Settling(
        settled, np.zeros((4, 2)), np.tile([5.0, 3.0], (4, 1)), np.full(4, 0.7), np.full(4, 0.4), np.full(4, 2.0)
    )  # fmt: skip
    _, variance, _ = drift.settling_rates(
        frame, day, np.zeros(4, dtype=np.intp), 1, moves, with_chanter=True
    )  # fmt: skip
    t = (day - day.mean()) / 7.0
    slope = t / (t @ t)
    grown = settled - settled[:1]
    dense = 0.7 * np.minimum.outer(day, day) + 2.4 * np.eye(4) + (grown * [5.0, 3.0]) @ grown.T
    assert variance[0] == pytest.approx(slope @ dense @ slope, rel=1e-9)


def test_batches_are_judged_about_a_norm_that_is_known() -> None:
    away = np.array([6.0] * 8)
    group = np.zeros(8, dtype=np.intp)
    own = drift.judge(away, np.full(8, 0.01), group, 5.0)
    known = drift.judge(away, np.full(8, 0.01), group, 5.0, norm_of=np.full(8, 1.5))
    assert own.chance.max() < 0.1  # all alike: that is their norm
    assert known.chance.min() > 0.9
    assert known.norm_of == pytest.approx(1.5)
    assert drift.interval_at(known, 0, with_norm=True).mean == pytest.approx(7.5, abs=0.1)


def test_a_slow_drift_is_caught_with_the_run_length_of_the_tables() -> None:
    """A worn mould: each batch half a sigma on, then a fifth; run lengths by integral equation and by simulation."""
    rng = np.random.default_rng(6)

    def by_mean(values: Array) -> int | None:
        signals = ewma_chart(values, 0.0, 1.0, weight=0.2, width=3.0, steady=True).signals
        return signals[0] if signals else None

    def by_sum(values: Array) -> int | None:
        signals = cusum_chart(values, 0.0, slack=0.5, decision=5.0).signals_up
        return signals[0] if signals else None

    for step in (0.5, 0.2):
        mean, error = simulated_run_length(by_mean, rng, n_runs=600, longest=60, drift=step)
        assert mean == pytest.approx(arl_ewma_under_drift(0.2, 3.0, step), abs=4.0 * error)
    mean, error = simulated_run_length(by_sum, rng, n_runs=600, longest=120, shift=1.0)
    assert mean == pytest.approx(arl_cusum(0.5, 5.0, 1.0), abs=4.0 * error)
    assert 460 < arl_cusum(0.5, 5.0) < 470


def test_three_batches_of_a_whole_shop_that_are_off_are_called() -> None:
    shop, chosen = made_shop(replace(KINDS[0], reeds=7), 11, (("crow", 45.0), ("slope", 0.45), ("slope", -0.45)))
    found = judged(shop)
    assert {batch.batch for batch in found[:3]} == set(chosen)
    assert all(batch.drifted and batch.chance_drifted >= 0.8 for batch in found[:3])
    assert min(batch.chance_drifted for batch in found) < 0.05  # though no reed of this shop was read for settling
    assert sum(batch.drifted for batch in found) <= 4
    for batch in found[:3]:
        what, amount = chosen[batch.batch]
        if what == "crow":
            assert "sharp of its type" in batch.why
            assert re.search(r"\d mm less to take off \((\d\.\d+) to (\d\.\d+)\)", batch.why)
            assert 30.0 < batch.start_shift_cents.mean < 60.0
        else:
            assert f"{'more' if amount > 0 else 'less'} than its type" in batch.why
            assert 28.0 < abs(batch.response_shift_pct.mean) < 62.0
        assert batch.start_shift_cents.low < batch.start_shift_cents.mean < batch.start_shift_cents.high


@pytest.mark.slow
def test_a_whole_shop_of_good_batches_has_hardly_one_called() -> None:
    shop, _ = made_shop(KINDS[0], 12)
    shop.reeds = pd.concat(
        [shop.reeds, shop.reeds.iloc[:1].assign(reed="R-new", batch="B-new", order=None)], ignore_index=True
    )
    found = judged(shop)
    assert sum(batch.drifted for batch in found) <= 2
    last = found[-1]
    assert (last.batch, last.reeds) == ("B-new", 1)
    width = last.start_shift_cents.high - last.start_shift_cents.low
    assert width > max(b.start_shift_cents.high - b.start_shift_cents.low for b in found[3:-1])
    assert last.why.startswith("no reading yet")
