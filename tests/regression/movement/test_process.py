"""How reeds move with no work done: recovered from made-up spans, told apart from wild readings, and one answer however
the readings come in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.regression.dense_shop import K, before, card_of, part_of, small_shop
from trimfit.regression.design import SETTLE_DAYS
from trimfit.regression.movement.explanations import explained, latest_sitting
from trimfit.regression.movement.process import (
    EVENT,
    MEASURE,
    MOST_SITTINGS,
    WALK,
    IdleSpans,
    assumed_movement,
    idle_spans,
    learned_movement,
    levels_of,
    settled,
    settling,
    sittings_of,
)
from trimfit.regression.movement.wild_readings import wild_share
from trimfit.regression.posterior.reed import Moment, batch_states
from trimfit.regression.priors import assumed_noise

Array = NDArray[np.float64]


def made_up(rng: np.random.Generator, n: int, walk_sd: Array, settle: Array, jumps_per_day: float = 0.0) -> IdleSpans:
    """Spans of one type whose reeds move by these standard deviations per square root of a day (3,)."""
    noise = MEASURE @ assumed_noise() @ MEASURE.T
    days = rng.choice([1.0, 3.0, 8.0, 20.0], n)
    dc = np.column_stack([rng.uniform(0.0, 0.6, n), 1.0 - np.exp(-days / SETTLE_DAYS)])
    moved = rng.standard_normal((n, 3)) * walk_sd * np.sqrt(days)[:, None] + np.einsum("mk,ki->mi", dc, settle)
    jumped = rng.random(n) < -np.expm1(-jumps_per_day * days)
    moved += jumped[:, None] * rng.choice([-1.0, 1.0], (n, 1)) * np.array([20.0, 10.0, 4.0])
    moved += np.sqrt(2.0) * rng.multivariate_normal(np.zeros(3), noise, n)
    return IdleSpans(np.zeros(n, dtype=np.intp), days, moved, dc, np.full((n, 3), 2.0), np.zeros((0, 3)))


def test_walk_and_settling_are_recovered() -> None:
    sd, settle = np.array([3.0, 1.2, 0.8]), np.array([[6.0, 3.0, 0.0], [4.0, 2.0, 1.0]])
    found = learned_movement(made_up(np.random.default_rng(1), 1500, sd, settle), assumed_noise(), 1)
    # where the readings' errors are much larger than the walk, as in the pitch, the assumption still counts
    np.testing.assert_allclose(np.sqrt(np.diag(found.walk[0]))[:2], sd[:2], rtol=0.15)
    assert 0.5 < np.sqrt(found.walk[0][2, 2]) < 1.0
    np.testing.assert_allclose(found.settle[0], settle, atol=1.0)
    assert found.spans[0] == 1500


def test_reeds_that_stand_still_are_found_to() -> None:
    none = np.zeros(3)
    found = learned_movement(made_up(np.random.default_rng(2), 800, none, np.zeros((2, 3))), assumed_noise(), 1)
    assert np.sqrt(found.walk[0][1, 1]) < 0.25
    assert found.jumps_per_day[0] < 0.001


def test_rare_jumps_widen_neither_the_walk_nor_are_they_missed() -> None:
    sd = np.array([1.5, 0.4, 0.5])
    spans = made_up(np.random.default_rng(3), 1200, sd, np.zeros((2, 3)), jumps_per_day=0.01)
    found = learned_movement(spans, assumed_noise(), 1)
    assert 0.005 < found.jumps_per_day[0] < 0.02
    assert np.sqrt(found.walk[0][1, 1]) < 0.7
    assert 6.0 < np.sqrt(found.jump[1, 1]) < 14.0


def test_nothing_read_twice_is_assumption_and_not_standing_still() -> None:
    none = made_up(np.random.default_rng(0), 0, np.ones(3), np.zeros((2, 3)))
    found, assumed = learned_movement(none, assumed_noise(), 2), assumed_movement(2)
    np.testing.assert_array_equal(found.walk, assumed.walk)
    np.testing.assert_array_equal(found.walk[0], WALK)
    assert found.spans.sum() == 0


def test_spans_are_the_sittings_with_no_work_and_no_event_between() -> None:
    rows = small_shop(5).rows
    state = np.column_stack([rows.removed_mm, rows.lip, rows.chanter_code])
    of = sittings_of(rows.day, rows.reed_code, rows.event)
    found = idle_spans(
        rows.y, np.ones_like(rows.y), rows.day, settled(rows), state, rows.event, rows.reed_code, rows.type_code
    )
    same = [
        i
        for i in range(1, len(rows))
        if rows.reed_code[i] == rows.reed_code[i - 1] and of[i] != of[i - 1] and (state[i] == state[i - 1]).all()
    ]
    assert len(found.days) <= len([i for i in same if not rows.event[i]])
    # one more reading of each reed a day after its last, nothing done: each is a span
    last = np.flatnonzero(np.r_[np.diff(rows.reed_code) != 0, True])
    twice = np.sort(np.r_[np.arange(len(rows)), last])
    again = np.r_[False, np.diff(twice) == 0]
    more = part_of(rows, twice)
    more = replace(more, day=more.day + again, event=more.event & ~again)
    filled = np.where(np.isfinite(more.y), more.y, 100.0)
    state = np.column_stack([more.removed_mm, more.lip, more.chanter_code])
    found = idle_spans(
        filled, np.ones_like(filled), more.day, settled(more), state, more.event, more.reed_code, more.type_code
    )
    assert np.sum(np.isclose(found.days, 1.0)) >= len(last)


def test_a_long_life_keeps_its_latest_sittings_apart() -> None:
    of = sittings_of(np.arange(100.0), np.zeros(100, dtype=np.intp), np.zeros(100, dtype=bool))
    assert of.max() == MOST_SITTINGS - 1
    assert (np.diff(of[-MOST_SITTINGS:]) == 1).all()
    assert (of[: 100 - MOST_SITTINGS] == 0).all()


def test_an_event_ends_a_sitting_and_frees_the_level_within_the_hour() -> None:
    day, reed = np.array([0.0, 0.01, 0.05, 0.06]), np.zeros(4, dtype=np.intp)
    event = np.array([False, False, True, False])
    assert sittings_of(day, reed, event).tolist() == [0, 0, 1, 1]
    still = assumed_movement(1).of(0)
    levels = levels_of(day, np.zeros((4, 2)), event[:, None, None] * EVENT, reed, still)
    first, second = slice(0, 3), slice(3, 6)
    apart = levels.cov[0, first, first] + levels.cov[0, second, second] - 2.0 * levels.cov[0, first, second]
    np.testing.assert_allclose(apart, EVENT + 0.05 * still.walk + 2.0 * still.sitting, rtol=1e-12)


def test_one_reading_at_a_time_is_all_at_once() -> None:
    """The state at the moment of a reed's last reading, updated by that reading, is the state given all of them."""
    shop = small_shop(7, batches=(0,), reeds=3, holes=0.0)
    even = replace(shop.rows, weight=np.ones_like(shop.rows.weight), jump=np.zeros(len(shop.rows)))
    shop = replace(shop, rows=replace(even, event=np.zeros(len(even), dtype=bool)))
    start = before(shop)
    still = replace(shop.movement, jumps_per_day=0.0 * shop.movement.jumps_per_day)
    # errors so large that no reading stands out: the weights are all ones
    model = replace(
        card_of(shop, start), movement=still, jumped=(), low_weight={}, readings=0, noise_cov=1e6 * np.eye(K)
    )
    rows, names = shop.rows, shop.coding.chanters
    reed = int(np.argmax(np.bincount(rows.reed_code)))
    last = int(np.flatnonzero(rows.reed_code == reed)[-1])
    rows = replace(rows, day=np.where(np.arange(len(rows)) == last, rows.day[last] + 5.0, rows.day))
    earlier = part_of(rows, np.arange(len(rows)) != last)
    ends = np.flatnonzero(np.r_[np.diff(earlier.reed_code) != 0, True])
    day, settle, yet = (
        earlier.day[ends],
        settled(earlier)[ends],
        settling(earlier.day, earlier.made_day, earlier.since_work)[1][ends],
    )
    day[reed], settle[reed], yet[reed] = (
        rows.day[last],
        settled(rows)[last],
        settling(rows.day, rows.made_day, rows.since_work)[1][last],
    )
    known = {"chanter_names": names, "extra_chanters": range(len(names))}
    (whole, _, weighed), (part, _, _) = (
        batch_states(model, some, model.coding, 0, in_fit=np.zeros(len(some), dtype=bool), now=now, **known)
        for some, now in ((rows, None), (earlier, Moment(day, settle, yet)))
    )
    weight = weighed.weight[last]
    chanter = names[rows.chanter_code[last]] if rows.chanter_code[last] >= 0 else None
    kpa, deg_c = (float(v) if np.isfinite(v) else None for v in (rows.kpa[last], rows.deg_c[last]))
    design = part[reed].design(rows.removed_mm[last], rows.lip[last], chanter, kpa, deg_c, as_read=True)
    noise = part[reed].noise_cov / np.sqrt(np.outer(weight, weight))
    step = part[reed].updated(design, rows.y[last], noise)
    scale = np.sqrt(np.maximum(np.diag(whole[reed].cov), 1e-12))
    np.testing.assert_allclose(step.mean / scale, whole[reed].mean / scale, atol=1e-6)
    np.testing.assert_allclose(step.cov / np.outer(scale, scale), whole[reed].cov / np.outer(scale, scale), atol=1e-6)


def test_a_contradiction_is_a_jump_or_a_wild_reading_until_a_second_one_agrees() -> None:
    shop = small_shop(8, batches=(0,), reeds=2, holes=0.0, chanters=1)
    base = card_of(shop, before(shop))
    movement = replace(assumed_movement(2), jumps_per_day=np.full(3, 0.01))
    model = replace(base, movement=movement, jumped=(), low_weight={}, readings=0)
    mean = np.array([400.0, *np.full(K - 1, 110.0)])
    rng = np.random.default_rng(4)
    root = np.linalg.cholesky(model.noise_cov)

    def asked(days: list[float], shift: list[float]) -> tuple[float, float, float]:
        """The mean of F - E, the chance of the other explanations, and that of those in which the reed moved."""
        n = len(days)
        y = mean + (root @ rng.standard_normal((K, n))).T
        y[:, 0] += 2.2 * np.array(shift)
        y[:, 7] += 0.5 * np.array(shift)
        y[:, 6] -= 0.5 * np.array(shift)
        rows = part_of(shop.rows, np.zeros(n, dtype=np.intp))
        rows = replace(
            rows, y=y, removed_mm=np.zeros(n), lip=np.zeros(n), day=np.array(days), since_work=np.zeros((n, 2)),
            made_day=np.full(n, np.nan), event=np.zeros(n, dtype=bool), jump=np.zeros(n), reeds=("one",),
            reed_code=np.zeros(n, dtype=np.intp), chanter_code=np.full(n, -1), weight=np.ones((n, K)),
        )  # fmt: skip
        (state,), _, weighed = batch_states(model, rows, model.coding, 0, in_fit=np.zeros(n, dtype=bool))
        latest = latest_sitting(state, weighed, model.coding, (), 0, settled(rows)[-1])
        state, others = explained(state, latest, 0.01)
        gap = state.mean[7] - state.mean[6]
        return gap, sum(o.chance for o in others), sum(o.chance for o in others if o.moved)

    days = [0.0, 0.01, 0.02, 1.0, 1.01, 1.02]
    calm, doubt, _ = asked(days, [0.0] * 6)
    assert abs(calm) < 3.0
    assert doubt < 0.1
    doubts = [asked([*days, 4.0], [0.0] * 6 + [shift])[1] for shift in (5.0, 7.0, 9.0)]
    assert max(doubts) > 0.02, "one reading that contradicts six may be wrong, or the reed has moved"
    followed, doubt, _ = asked([*days, 4.0, 4.01, 4.02], [0.0] * 6 + [14.0] * 3)
    assert followed > 9.0, "three that agree are followed"


def test_the_share_of_wild_readings_is_that_of_the_log() -> None:
    rng = np.random.default_rng(9)
    n = 4000
    wild = rng.random(n) < 0.05
    error = rng.standard_normal(n) * np.sqrt(1.0 + np.where(wild, 16.0, 1.0))
    assert wild_share(error, np.ones(n), np.ones(n)) == pytest.approx(0.05, abs=0.02)
