"""A chanter that is away: the split of what is known, the stop of least cost, spaced aims; by slow and obvious ways."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import integrate, stats

from tests.planner.make_aim import USUAL, K, aim_of, state_of
from tests.planner.policy_moves import moves
from trimfit.planner import policy_solver
from trimfit.planner.aim import AimPosterior, see
from trimfit.planner.away import (
    at_its_aim,
    away_costs,
    best_stop,
    chance_of_so_many,
    left,
    left_from_far,
    reeds_to_send,
    shares_sent,
    spaced_aims,
    standing,
)
from trimfit.planner.choice import Rules, choose
from trimfit.planner.policy_table import Costs, PolicyTable, first_rung, moved
from trimfit.planner.quantities import even_nodes, normal_cdf
from trimfit.regression.outputs import GAP
from trimfit.regression.posterior.reed import ReedState
from trimfit.regression.priors import C_TERMS, REGRESSORS

T = 3.68
PLAIN = Costs(4.0, 1.5, 120.0, T, 1.3, 0.03, 0.36)
RULES = Rules(0.01, 0.01, 120.0, USUAL, longest_mm=5.0)
AWAY = replace(aim_of(), chanter="there", worked_in="here")
FIRST = len(REGRESSORS) * K


def state_between(apart_sd: float, *, gap: float = -40.0, seed: int = 3) -> ReedState:
    """A reed in two chanters whose gaps differ by an amount known to `apart_sd` cents, all else tied at random."""
    state = state_of(gap, chanters=("here", "there"), gap_sd=6.0, slope_sd=9.0, tie=0.3)
    rng = np.random.default_rng(seed)
    tied = 0.3 * rng.standard_normal((len(state.mean), 4))
    offsets = np.zeros((len(state.mean), 2))
    offsets[FIRST + C_TERMS * K : FIRST + C_TERMS * K + K, 0] = apart_sd * GAP / 2.0
    offsets[FIRST + C_TERMS * K : FIRST + C_TERMS * K + K, 1] = 4.0
    return replace(state, cov=state.cov + tied @ tied.T + offsets @ offsets.T)


def read_here(state: ReedState, removed_mm: float, gap_off: float, sd: float) -> ReedState:
    """The state after a reading here that shows the gap so far off what it was believed to be."""
    row = GAP @ state.design(removed_mm, 0.0, "here")
    return state.updated(row[None], np.array([row @ state.mean + gap_off]), np.array([[sd**2]]))


@pytest.mark.parametrize("seed", range(4))
def test_what_no_reading_here_tells_is_what_is_left_after_very_many_of_them(seed: int) -> None:
    state = state_between(7.0, seed=seed)
    posterior = see(state, AWAY, 0.0, 0.0)
    row = GAP @ state.design(0.0, 0.0, "there")
    whole = float(row @ state.cov @ row)
    assert posterior.cov[0, 0] + posterior.beyond[0, 0] == pytest.approx(whole, rel=1e-9)
    for removed in (0.0, 0.2, 0.4, 0.8, 1.3):
        for _ in range(3):
            state = read_here(state, removed, 0.0, 1e-2)
            pitch = 0.5 * np.abs(GAP) @ state.design(removed, 0.0, "here")
            state = state.updated(pitch[None], np.array([pitch @ state.mean]), np.array([[1e-4]]))
    after = see(state, AWAY, 0.0, 0.0)
    left = float(row @ state.cov @ row)
    assert left >= 0.98 * posterior.beyond[0, 0]
    assert after.beyond[0, 0] == pytest.approx(left, rel=0.05)
    assert left == pytest.approx(posterior.beyond[0, 0], rel=0.08)


def test_a_reed_that_stands_beyond_its_spaced_aim_has_the_chances_of_where_it_stands() -> None:
    beyond = replace(see(state_between(5.0, gap=9.0), AWAY, 0.0, 0.0), stop_cents=-3.0, spaced=True)
    gap, sd = float(beyond.mean[0]), float(np.hypot(np.sqrt(beyond.cov[0, 0]), beyond.beyond_sd_cents))
    law = stats.norm(gap, sd)
    by_law = law.cdf(T) - law.cdf(-T), law.sf(T)
    assert at_its_aim(0.0, 0.97, beyond, table(6.0).costs) == pytest.approx(by_law, abs=1e-4)


def test_a_chanter_at_hand_has_nothing_beyond_reading() -> None:
    posterior = see(state_between(7.0), replace(AWAY, chanter="here", worked_in=None), 0.0, 0.0)
    assert not posterior.beyond.any()
    assert posterior.known() is posterior


@pytest.mark.parametrize("sd", [1.0, 3.0, 6.0, 12.0, 20.0])
def test_the_stop_is_where_a_plain_integral_of_the_cost_is_least(sd: float) -> None:
    costs = replace(PLAIN, outside_minutes=40.0, beyond_sd_cents=sd, rise_minutes=80.0 / 30.0)

    def cost(error: float, at: float) -> float:
        gap = at + error
        each = 120.0 if gap > T else 40.0 + 80.0 / 30.0 * (-T - gap) if gap < -T else 0.0
        return each * float(stats.norm.pdf(error, scale=sd))

    def expected(at: float) -> float:
        marks = sorted({-9.0 * sd, *(edge for edge in (-T - at, T - at) if abs(edge) < 9.0 * sd), 9.0 * sd})
        return sum(integrate.quad(cost, low, high, args=(at,))[0] for low, high in itertools.pairwise(marks))

    stop = best_stop(costs, 120.0)
    around = [expected(stop + off) for off in (-0.5, 0.0, 0.5)]
    assert around[1] <= min(around)
    assert -2.0 * sd - 1.0 < stop < 0.0


def test_the_dearer_a_flat_reed_the_sharper_the_stop() -> None:
    stops = [away_costs(PLAIN, 6.0, 120.0, flat).stop_cents for flat in (10.0, 40.0, 80.0, 120.0)]
    assert stops == sorted(stops)
    assert stops[0] < stops[-1]


def test_a_chance_of_so_many_is_what_drawing_them_gives() -> None:
    aims, wanted, sd, own, n = np.array([-9.0, -3.0, -3.0, 4.0, 8.0]), 2, 7.0, 1.5, 200_000
    rng = np.random.default_rng(1)
    there = aims + sd * rng.standard_normal((n, 1)) + own * rng.standard_normal((n, 5))
    happened = float(((np.abs(there) <= T).sum(axis=1) >= wanted).mean())
    stated = float(chance_of_so_many(aims, wanted, sd, own, T))
    assert stated == pytest.approx(happened, abs=3.0 * np.sqrt(happened * (1 - happened) / n) + 1e-3)


@pytest.mark.parametrize(("sd", "own"), [(5.0, 1.2), (9.0, 2.0)])
def test_two_and_three_aims_are_as_good_as_any_on_a_fine_grid(sd: float, own: float) -> None:
    grid = np.arange(-16.0, 16.01, 1.0)
    for count in (2, 3):
        every = np.array(list(itertools.combinations_with_replacement(grid, count)))
        best = float(chance_of_so_many(every, 1, sd, own, T).max())
        aims, chance = spaced_aims(count, 1, sd, own, T)
        assert chance >= best - 1e-3
        assert list(aims) == sorted(aims)


def test_as_many_reeds_are_sent_as_give_nine_in_ten_and_no_more() -> None:
    aims, chance = reeds_to_send(1, 8.0, 1.2, T)
    assert chance >= 0.9
    assert spaced_aims(len(aims) - 1, 1, 8.0, 1.2, T)[1] < 0.9
    assert len(reeds_to_send(1, 0.5, 1.0, T)[0]) == 1
    # reeds that are off a pitch ordered, all together or each by itself, are no help to it
    z, weight = even_nodes(61)
    alone, together = np.full(61, 0.5), normal_cdf(6.0 * z)
    by_itself, shared = (reeds_to_send(1, 0.5, 1.0, T, pitch=(on, weight)) for on in (alone, together))
    assert len(by_itself[0]) == 4
    assert by_itself[1] == pytest.approx(1.0 - 0.5**4, abs=0.005)
    assert 0.4 < shared[1] < 0.6


@cache
def table(sd: float) -> PolicyTable:
    return policy_solver.solve(away_costs(PLAIN, sd, 120.0, 40.0))


def worked(plan: PolicyTable, n: int) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, ...]]:
    """So many reeds worked by the policy to their end, drawn: their true gaps less where the work goes, their cuts, and
    the state that each begins in."""
    costs, rung, rng = plan.costs, first_rung(120.0), np.random.default_rng(5)
    m, v, s, tie = np.full(n, -40.0), np.full(n, 1.5), np.full(n, 0.15), np.zeros(n)
    start = tuple(part[:1].copy() for part in (m, v, s, tie))
    gap = m + np.sqrt(v) * rng.standard_normal(n)
    log_slope = s * rng.standard_normal(n) - 0.5 * s**2
    cuts, busy = np.zeros(n), np.ones(n, dtype=bool)
    for _ in range(20):
        who = np.flatnonzero(busy)
        if not len(who):
            break
        action, cut = moves(plan, rung, m[who], v[who], s[who], tie[who])
        busy[who[action == 0]] = False
        who, cut = who[action != 0], cut[action != 0]
        taken = cut * (1.0 + costs.cut_fraction * rng.standard_normal(len(who)))
        gap[who] += taken * np.exp(log_slope[who]) + np.where(cut > 0, costs.cut_constant_cents, 0.0) * (
            rng.standard_normal(len(who))
        )
        shown = gap[who] + costs.reading_sd_cents * rng.standard_normal(len(who))
        tied = tie[who] * np.sqrt(v[who]) * s[who] + cut * s[who] ** 2
        big, *narrowed = moved(v[who], s[who], tie[who], cut, costs)
        surprise = shown - m[who] - cut
        m[who] = m[who] + cut + big / (big + costs.reading_sd_cents**2) * surprise
        # what the reading told of the slope is in the reduced state's next one only as a width: it is kept as drawn
        log_slope[who] -= tied / (big + costs.reading_sd_cents**2) * surprise
        v[who], s[who], tie[who] = narrowed
        cuts[who] += cut > 0
    assert not busy.any()
    return gap, cuts, start


@pytest.mark.parametrize("sd", [6.0, pytest.param(9.0, marks=pytest.mark.slow)])
def test_chances_at_the_start_are_what_following_the_policy_gives(sd: float) -> None:
    plan, n = table(sd), 3_000
    gap, cuts, start = worked(plan, n)
    stated = [float(plan.look(what, first_rung(120.0), *start)[0]) for what in (plan.within, plan.past, plan.cuts)]
    there = gap + plan.costs.stop_cents + plan.costs.beyond_sd_cents * np.random.default_rng(6).standard_normal(n)
    happened = [float((np.abs(there) <= T).mean()), float((there > T).mean()), float(cuts.mean())]
    assert stated[:2] == pytest.approx(happened[:2], abs=0.04)
    assert stated[2] == pytest.approx(happened[2], abs=0.3)


def test_work_ends_about_its_stop_as_reeds_worked_by_the_policy_do() -> None:
    """Was: every reed was taken to end on its stop, with nine tenths of a reading's error, 1.2 cents here."""
    for sd in (T, 6.0):
        gap, _, _ = worked(table(sd), 3_000)
        off, own = left_from_far(table(sd), 0.15)
        assert off == pytest.approx(gap.mean(), abs=0.25)
        assert own == pytest.approx(gap.std(), rel=0.12)
        assert own > 1.6


def test_the_law_of_where_work_ends_has_the_chances_that_it_is_made_from() -> None:
    costs, off, own = table(6.0).costs, -0.4, 2.0
    law = stats.norm(costs.stop_cents + off, np.hypot(own, costs.beyond_sd_cents))
    found = left(np.array(law.cdf(T) - law.cdf(-T)), np.array(law.sf(T)), costs)
    assert [float(one) for one in found] == pytest.approx([off, own], abs=1e-6)


def followed(state: ReedState, truth: np.ndarray, rng: np.random.Generator, sd: float) -> tuple[list[str], float]:
    """Actions advised until the end for one reed read and cut here, and its true gap there."""
    off, actions, readings = 0.0, [], 1
    row = GAP @ state.design(0.0, 0.0, "here")
    state = state.updated(row[None], np.array([row @ truth + 1.3 * rng.standard_normal()]), np.array([[1.69]]))
    for _ in range(15):
        posterior: AimPosterior = see(state, AWAY, off, 0.0)
        costs = away_costs(PLAIN, posterior.beyond_sd_cents, 120.0, 40.0)
        choice = choose(replace(posterior, stop_cents=costs.stop_cents), AWAY, table(sd), RULES, (), readings)
        actions.append(choice.action)
        if choice.action not in ("trim", "read-again"):
            break
        readings = 1 if choice.action == "trim" else readings + 1
        off += max(choice.length_mm * (1.0 + 0.03 * rng.standard_normal()), 0.0)
        row = GAP @ state.design(off, 0.0, "here")
        state = state.updated(row[None], np.array([row @ truth + 1.3 * rng.standard_normal()]), np.array([[1.69]]))
    return actions, float(GAP @ state.design(off, 0.0, "there") @ truth)


def test_each_reed_is_worked_to_the_stop_and_ends() -> None:
    state, rng = state_between(6.0), np.random.default_rng(11)
    root = np.linalg.cholesky(state.cov + 1e-9 * np.eye(len(state.mean)))
    played = [followed(state, state.mean + root @ rng.standard_normal(len(state.mean)), rng, 6.0) for _ in range(60)]
    assert all(actions[-1] == "finished" for actions, _ in played)
    assert np.mean([actions.count("trim") for actions, _ in played]) <= 2.6
    assert np.mean([len(actions) for actions, _ in played]) <= 6.0
    there = np.array([gap for _, gap in played])
    assert abs(there.mean() - table(6.0).costs.stop_cents) < 3.0
    assert np.mean(there > T) < 0.25


def test_a_reading_here_is_advised_only_where_it_changes_the_step() -> None:
    posterior = see(state_between(6.0, gap=-12.0), AWAY, 0.0, 0.0)
    stop = table(6.0).costs.stop_cents
    up = (stop - posterior.mean[0]) * np.eye(8)[0]
    close = replace(posterior, mean=posterior.mean + up, at=posterior.at + up)
    sure = replace(close, cov=close.cov * 0.02, within=close.within * 0.02, stop_cents=stop)
    assert choose(sure, AWAY, table(6.0), RULES).action == "finished"


def test_a_reed_that_stands_over_its_aim_ends_where_it_stands() -> None:
    """Was: every such reed was counted past, though at the gap where it stands it may well be within."""
    aims, beyond, own = (-9.0, -8.0, -7.0), 6.0, 1.5
    stood = np.array([0.0, -20.0, -40.0]), np.array([1.0, 4.0, 4.0])
    ends, reach = standing(aims, stood, T)
    assert ends == pytest.approx([-9.0, -8.0, 0.0])
    rng = np.random.default_rng(4)
    gap = ends + beyond * rng.standard_normal((200_000, 1)) + own * rng.standard_normal((200_000, 3))
    (good, _), _ = shares_sent(ends, beyond, own, T, reach)
    assert good == pytest.approx((np.abs(gap) <= T).mean(), abs=0.004)
    assert standing(aims[:2], stood, T)[0] == pytest.approx([-9.0, 0.0])
    assert standing((*aims, -6.0), stood, T)[0] == pytest.approx([-9.0, -8.0, -7.0, 0.0])


def test_shares_of_reeds_that_are_sent_are_those_of_reeds_sent_and_read() -> None:
    """Chanters drawn, then reeds: how many are within and past, and how their share of a sending scatters."""
    rng = np.random.default_rng(3)
    aims, beyond, own, reach = np.array([-9.0, -3.0, -3.0, 4.0, 10.0]), 8.0, 1.5, 0.8
    found = shares_sent(aims, beyond, own, T, reach)
    z, weight = even_nodes(61)
    (pitched, past) = shares_sent(aims, beyond, own, T, reach, (normal_cdf(2.0 * z), weight))
    assert past == pytest.approx(found[1])
    gap = aims + beyond * rng.standard_normal((200_000, 1)) + own * rng.standard_normal((200_000, 5))
    brought = rng.random(gap.shape) < reach
    for (mean, sd), is_so in zip(found, ((np.abs(gap) <= T) & brought, (gap > T) | ~brought), strict=True):
        share = is_so.mean(axis=1)
        assert mean == pytest.approx(share.mean(), abs=0.003)
        assert sd == pytest.approx(share.std(), abs=0.003)
    on = 2.0 * rng.standard_normal((200_000, 1)) + rng.standard_normal(gap.shape) < 0.0
    share = ((np.abs(gap) <= T) & brought & on).mean(axis=1)
    assert pitched == pytest.approx((share.mean(), share.std()), abs=0.003)
