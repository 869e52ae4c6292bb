"""The posterior seen from the aim: moments, chances and intervals against seeded sampling and close quadrature."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.planner.make_aim import (
    CASES,
    E_NOTE,
    F_NOTE,
    USUAL,
    K,
    aim_of,
    belief_of,
    draw,
    gaps,
    random_state,
    state_of,
)
from trimfit.planner.aim import interval_of, see
from trimfit.planner.quantities import CutError, Quantities, even_nodes, nodes, normal_cdf

Array = NDArray[np.float64]


def test_normal_distribution_function() -> None:
    exact = NormalDist()
    z = np.linspace(-8, 8, 161)
    found = normal_cdf(z)
    for value, at in zip(found, z, strict=True):
        assert value == pytest.approx(exact.cdf(float(at)), rel=3e-7)


@pytest.mark.parametrize("count", [3, 5, 7])
def test_nodes_have_the_moments_of_a_standard_normal(count: int) -> None:
    x, w = nodes(count)
    assert [float(w @ x**k) for k in range(5)] == pytest.approx([1.0, 0.0, 1.0, 0.0, 3.0], abs=1e-10)
    x, w = even_nodes()
    assert [float(w @ x**k) for k in range(3)] == pytest.approx([1.0, 0.0, 1.0], abs=1e-3)


@pytest.mark.parametrize("spread", [0.05, 0.2, 0.35])
def test_slope_keeps_its_mean_and_variance_on_the_nodes(spread: float) -> None:
    posterior = belief_of(slope_sd=60.0 * spread, tie=0.4)
    assert posterior.weight @ posterior.at[:, 1] == pytest.approx(60.0, rel=1e-3)
    variance = posterior.weight @ (posterior.at[:, 1] - 60.0) ** 2
    assert variance == pytest.approx((60.0 * spread) ** 2, rel=0.01)
    centre = posterior.weight @ posterior.at
    spread_at = posterior.at - centre
    whole = posterior.within + np.einsum("j,ji,jk->ik", posterior.weight, spread_at, spread_at)
    np.testing.assert_allclose(whole, posterior.cov, rtol=0.02, atol=1e-3)
    np.testing.assert_allclose(centre, posterior.mean, rtol=1e-3, atol=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_the_eight_quantities_are_the_states_own(seed: int) -> None:
    """Gap and pitch after a cut, from the eight, are those of the ten outputs under the state's own design."""
    state = random_state(seed)
    posterior = see(state, aim_of(), 0.3, 1.0)
    for length, lip in ((0.0, 0.0), (0.4, 0.0), (0.25, 3.0)):
        mean, cov = state.outputs(state.design(0.3 + length, 1.0 + lip, "one"))
        step, square, _ = posterior._steps(np.array([length]))
        for first, pick in ((0, [1.0, -1.0]), (4, [0.5, 0.5])):
            row = np.zeros(8)
            row[first : first + 4] = 1.0, step[0], square[0], lip
            notes = [F_NOTE, E_NOTE]
            assert row @ posterior.mean == pytest.approx(np.array(pick) @ mean[notes], abs=1e-8)
            variance = np.array(pick) @ cov[np.ix_(notes, notes)] @ np.array(pick)
            assert row @ posterior.cov @ row == pytest.approx(variance, rel=1e-8)


@pytest.mark.parametrize("case", CASES)
def test_interval_holds_nine_in_ten(case: dict[str, float]) -> None:
    posterior = belief_of(**case)
    rng = np.random.default_rng(4)
    q = draw(posterior, rng, 100_000)
    length = 0.7 * posterior.need_mm()
    true = gaps(q, posterior, length, 0.0, USUAL, rng)
    interval = posterior.gap(length, 0.0, USUAL)
    assert np.mean((true >= interval.low) & (true <= interval.high)) == pytest.approx(0.9, abs=0.006)
    assert np.mean(true < interval.low) == pytest.approx(0.05, abs=0.005)
    assert interval.mean == pytest.approx(float(true.mean()), abs=0.15)


def test_interval_of_one_normal() -> None:
    found = interval_of(np.ones(1), np.array([3.0]), np.array([4.0]))
    assert (found.mean, found.low, found.high) == pytest.approx((3.0, 3.0 - 2 * 1.6449, 3.0 + 2 * 1.6449), abs=0.01)


@pytest.mark.parametrize("case", [CASES[0], CASES[2], {"gap": -20.0, "pitch_slope": -12.0, "lip_gap": 0.4}])
@pytest.mark.parametrize("lip", [0.0, 4.0])
def test_meeting_pitch_against_sampling(case: dict[str, float], lip: float) -> None:
    posterior = belief_of(**case)
    q = draw(posterior, np.random.default_rng(5), 200_000)
    steps = -(q[:, 0] + q[:, 3] * lip) / q[:, 1]
    pitch = q[:, 4] + q[:, 5] * steps + q[:, 7] * lip
    mean, sd = posterior.meeting(lip)
    assert mean == pytest.approx(float(pitch.mean()), abs=0.05 * pitch.std() + 0.02)
    assert sd == pytest.approx(float(pitch.std()), rel=0.08)


def test_what_is_known_of_the_chanter_counts_beside_the_reeds_own_course() -> None:
    """Two independent estimates of one pitch: their means weighted by the inverse of their variances (any textbook)."""
    own = belief_of(gap=-40.0, pitch_slope_sd=20.0)
    (mean, sd), known_sd = own.meeting(), 5.0
    both = replace(own, hint=(112.0, 1.0 / known_sd**2))
    weight = sd**2 / (sd**2 + known_sd**2)
    assert both.meeting()[0] == pytest.approx((1.0 - weight) * mean + weight * 112.0)
    assert both.meeting()[1] == pytest.approx(math.sqrt(weight) * known_sd)
    path = Quantities.of([both]).meeting_sd_path(np.array([[0.0, 0.2]]), USUAL)[0]
    assert path[0] == pytest.approx(both.meeting()[1])
    assert max(path) < known_sd
    # a stroke that moves the pitch moves both alike
    assert both.meeting(3.0)[0] - both.meeting()[0] == pytest.approx(own.meeting(3.0)[0] - mean, abs=0.05)


@pytest.mark.parametrize("removed", [0.0, 0.5])
def test_meeting_pitch_of_a_reed_whose_pitch_bends(removed: float) -> None:
    """The pitch where a cut along the curved length would bring the gap to zero, found reed by reed by bisection."""
    state = state_of(gap=-30.0 - 65.0 * removed, bend=5.0, bend_sd=1.5, pitch_bend=6.0, pitch_bend_sd=2.0, tilt=0.1)
    posterior = see(state, aim_of(), removed, 0.0)
    q = draw(posterior, np.random.default_rng(6), 50_000)
    low, high = np.zeros(len(q)), np.full(len(q), 4.0)
    for _ in range(50):
        middle = 0.5 * (low + high)
        step, square, _ = posterior._steps(middle)
        under = q[:, 0] + q[:, 1] * step + q[:, 2] * square < 0
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    step, square, _ = posterior._steps(low)
    pitch = q[:, 4] + q[:, 5] * step + q[:, 6] * square
    mean, sd = posterior.meeting()
    assert mean == pytest.approx(float(pitch.mean()), abs=0.25)
    assert sd == pytest.approx(float(pitch.std()), rel=0.08)


def test_no_cut_has_no_execution_error_and_changes_nothing() -> None:
    posterior = belief_of()
    mean, variance = posterior.after(np.zeros(1), 0.0, CutError(50.0, 1.0))
    np.testing.assert_allclose(mean[0], posterior.at[:, 0])
    np.testing.assert_allclose(variance[0], posterior.within[0, 0])
    assert np.all(USUAL.sd_mm(np.array([0.0, 0.1])) == [0.0, math.hypot(0.003, 0.006)])


@pytest.mark.parametrize("seed", range(3))
def test_readings_one_at_a_time_are_readings_all_at_once(seed: int) -> None:
    """To 1e-9, in any order, readings with holes among them."""
    rng = np.random.default_rng(seed)
    state = random_state(seed)
    parts = []
    for x in (0.0, 0.2, 0.2, 0.55):
        taken = np.flatnonzero(rng.random(K) < 0.6)
        design = state.design(x, 1.0, "one", 6.3, 21.0)[taken]
        truth, cov = state.outputs(design)
        noise = state.noise_cov[np.ix_(taken, taken)]
        parts.append((design, rng.multivariate_normal(truth, cov + noise), noise))
    whole = np.zeros((sum(len(p[1]) for p in parts),) * 2)
    at = 0
    for _, values, noise in parts:
        whole[at : at + len(values), at : at + len(values)] = noise
        at += len(values)
    once = state.updated(np.vstack([p[0] for p in parts]), np.concatenate([p[1] for p in parts]), whole)
    for order in (parts, parts[::-1]):
        one = state
        for design, values, noise in order:
            one = one.updated(design, values, noise)
        np.testing.assert_allclose(one.mean, once.mean, atol=1e-9 * np.abs(once.mean).max())
        np.testing.assert_allclose(one.cov, once.cov, atol=1e-9 * np.abs(once.cov).max())
        assert np.linalg.eigvalsh(one.cov).min() > -1e-9 * np.abs(once.cov).max()
    assert np.all(np.diag(once.cov) <= np.diag(state.cov) + 1e-9)


def test_a_crow_alone_tells_of_the_gap_when_they_move_together() -> None:
    state = state_of(gap_sd=6.0)
    cov = state.cov.copy()
    cov[0, 0] = 20.0**2
    lift = np.zeros(len(state.mean))
    lift[F_NOTE], lift[E_NOTE] = 0.5, -0.5
    tied = 0.8 * 20.0 * 6.0
    cov[0, :] += tied * lift
    cov[:, 0] += tied * lift
    from dataclasses import replace

    state = replace(state, cov=cov)
    design = state.design(0.0, 0.0, "one")[:1]
    told = state.updated(design, np.array([30.0]), state.noise_cov[:1, :1])
    before, after = see(state, aim_of(), 0.0, 0.0), see(told, aim_of(), 0.0, 0.0)
    gain = tied / (20.0**2 + 9.0)
    assert after.mean[0] - before.mean[0] == pytest.approx(30.0 * gain, rel=1e-6)
    assert before.cov[0, 0] - after.cov[0, 0] == pytest.approx(tied * gain, rel=1e-6)


def test_another_pressure_moves_pitch_and_gap_by_its_own_slopes() -> None:
    state = state_of()
    state.mean[4 * K + F_NOTE], state.mean[4 * K + E_NOTE] = 5.0, 3.0
    bench = see(state, aim_of(), 0.0, 0.0)
    from dataclasses import replace

    player = see(state, replace(aim_of(), pressure_kpa=7.5), 0.0, 0.0)
    assert player.mean[0] - bench.mean[0] == pytest.approx(1.5 * 2.0)
    assert player.mean[4] - bench.mean[4] == pytest.approx(1.5 * 4.0)
