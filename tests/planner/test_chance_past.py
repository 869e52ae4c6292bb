"""The chance of going past: against seeded sampling."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from tests.planner.make_aim import CASES, EXACT, USUAL, belief_of, draw, gaps
from trimfit.planner.chance_past import can_close, chance_over, length_wanted, past_and_short, past_when_next_seen


@pytest.mark.parametrize("case", CASES)
def test_chance_of_going_past_against_sampling(case: dict[str, float]) -> None:
    posterior = belief_of(**case)
    rng = np.random.default_rng(3)
    n = 400_000
    q = draw(posterior, rng, n)
    need = posterior.need_mm()
    for share in (0.6, 0.8, 1.0):
        found = float(chance_over(posterior, 3.68, np.array([share * need]), 0.0, USUAL)[0])
        seen = float(np.mean(gaps(q, posterior, share * need, 0.0, USUAL, rng) > 3.68))
        error = math.sqrt(max(seen * (1 - seen), 1e-7) / n)
        assert abs(found - seen) <= 4 * error + 0.1 * seen


def test_the_need_ends_where_the_blade_does() -> None:
    free = length_wanted(belief_of(gap=-50.0, slope_sd=30.0))
    assert length_wanted(belief_of(gap=-50.0, slope_sd=30.0), 10.0) == free
    held = length_wanted(belief_of(gap=-50.0, slope_sd=30.0), 1.0)
    assert free is not None
    assert held is not None
    assert (held.low, held.mean, held.high) == (free.low, free.mean, 1.0)


def test_a_need_at_the_end_of_the_blade_or_of_the_table_is_none() -> None:
    short, slow = belief_of(gap=-50.0, slope_sd=30.0), belief_of(gap=-300.0, slope=6.0, slope_sd=1.0)
    assert length_wanted(short, 0.5) is None
    assert can_close(short, 0.5)
    assert not can_close(short, 0.05)
    assert length_wanted(slow) is None
    assert length_wanted(belief_of(gap=1.0), 0.0) is not None


def test_longer_cuts_are_likelier_to_go_past() -> None:
    posterior = belief_of(slope_sd=15.0)
    chance = chance_over(posterior, 3.68, np.linspace(0.0, 1.5, 151), 0.0, USUAL)
    assert np.all(np.diff(chance) > -1e-12)
    assert chance[0] < 1e-12
    assert chance[-1] > 0.9
    past, short = past_and_short(posterior, 3.68, np.linspace(0.0, 1.5, 151), 0.0, USUAL)
    np.testing.assert_array_equal(past, chance)
    np.testing.assert_array_equal(short, 1.0 - chance_over(posterior, -3.68, np.linspace(0.0, 1.5, 151), 0.0, USUAL))
    assert short[0] > 0.9
    assert np.all(past + short < 1.0 + 1e-9)


def test_exact_hand_leaves_what_is_not_known() -> None:
    posterior = belief_of(slope_sd=0.01, gap_sd=2.0)
    chance = float(chance_over(posterior, 3.68, np.array([40.0 / 60.0]), 0.0, EXACT)[0])
    assert chance == pytest.approx(1 - NormalDist().cdf(3.68 / 2.0), rel=1e-3)


def test_what_is_wanted_in_all_is_what_brings_the_gap_to_zero() -> None:
    posterior = belief_of(tilt=0.3, bend_sd=3.0)
    need = length_wanted(posterior)
    assert need is not None
    # the slow version: many reeds drawn from the posterior, each with the length at which its own gap closes
    rng = np.random.default_rng(4)
    node = rng.choice(len(posterior.weight), size=40_000, p=posterior.weight)
    draws = posterior.at[node] + rng.multivariate_normal(np.zeros(8), posterior.within, len(node), method="eigh")
    step, square, _ = posterior._steps(lengths := np.linspace(0.0, 3.0, 1501))
    gaps = draws[:, :1] + draws[:, 1:2] * step + draws[:, 2:3] * square
    wanted = lengths[np.argmax(gaps >= 0.0, axis=1)]
    assert need.mean == posterior.need_mm()
    assert (need.low, need.high) == pytest.approx(np.quantile(wanted, [0.05, 0.95]), abs=0.012)
    over = length_wanted(belief_of(gap=3.0, gap_sd=0.5))
    assert over is not None
    assert over.high < 0.02


def test_the_chance_that_goes_with_a_cut_counts_what_a_reed_left_short_may_do() -> None:
    """By sampling: past right after the cut, or short then and past at the next visit."""
    rng, n, t = np.random.default_rng(1), 2_000_000, 3.68
    posterior = replace(
        belief_of(gap=-9.0, gap_sd=1.5, slope_sd=9.0, slope=60.0),
        wait_mean=np.array([0.8, 0.0]), wait_var=np.array([9.0, 4.0]), wait_jump=0.2, jump_var=np.array([81.0, 9.0]),
    )  # fmt: skip
    for length in (0.05, 0.12):
        mean, variance = posterior.at_once().after(np.array([length]), 0.0, USUAL)
        node = rng.choice(len(posterior.weight), n, p=posterior.weight)
        gap = mean[0][node] + np.sqrt(variance[0][node]) * rng.standard_normal(n)
        moved = 0.8 + np.sqrt(9.0 + 81.0 * (rng.random(n) < 0.2)) * rng.standard_normal(n)
        happened = float(((gap > t) | ((gap < -t) & (gap + moved > t))).mean())
        stated = past_when_next_seen(posterior, t, length, 0.0, USUAL)
        assert stated == pytest.approx(happened, abs=4.0 * math.sqrt(happened / n) + 1e-5)
        soon = posterior.at_once()
        assert past_when_next_seen(soon, t, length, 0.0, USUAL) == pytest.approx(float((gap > t).mean()), abs=3e-4)
        over, short = past_and_short(posterior, t, np.array([length]), 0.0, USUAL)
        assert over[0] == pytest.approx(float((gap + moved > t).mean()), abs=1e-3)
        assert short[0] == pytest.approx(float((gap + moved < -t).mean()), abs=1e-3)
