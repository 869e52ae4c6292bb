"""Target pitch and lips: the path of what is known of the pitch, and what strokes are worth, against slow versions."""

from __future__ import annotations

import numpy as np
import pytest

from tests.planner.make_aim import EXACT, USUAL, aim_of, belief_of
from trimfit.planner.aim import LEAST_SLOPE, nodes
from trimfit.planner.choice import Rules, choose
from trimfit.planner.lip_work import WORTH_READING, LipPlan
from trimfit.planner.policy_solver import solve
from trimfit.planner.policy_table import Costs

COSTS = Costs(4.0, 1.5, 120.0, 3.68, 1.3, 0.03, 0.4)
RULES = Rules(0.01, 0.01, 120.0, USUAL)


@pytest.mark.parametrize("lengths", [[0.0, 0.0], [0.3, 0.2, 0.0], [0.5, 0.0]])
def test_the_path_of_the_pitch_is_that_of_all_its_readings_at_once(lengths: list[float]) -> None:
    # The slow version: one matrix of all readings to come, conditioned on together (Rasmussen & Williams, 2006, A.2).
    posterior = belief_of(115.0, bend_sd=6.0, pitch_bend_sd=2.0, tie=0.3, tilt=0.2)
    off = np.cumsum(lengths)
    step, square, _ = posterior._steps(np.append(off, posterior.need_mm()))
    rows, noise = [], []
    for s, q in zip(step[:-1], square[:-1], strict=True):
        for first, sd in ((0, posterior.reading_sd_cents), (4, posterior.pitch_reading_sd_cents)):
            row = np.zeros(8)
            row[first : first + 3] = 1.0, s, q
            rows.append(row)
            noise.append(sd**2)
    h = np.array(rows)
    gain = posterior.cov @ h.T @ np.linalg.inv(h @ posterior.cov @ h.T + np.diag(noise))
    left_cov = posterior.cov - gain @ h @ posterior.cov
    curve = square[-1] / step[-1]
    slope = max(posterior.mean[1] + curve * posterior.mean[2], LEAST_SLOPE * posterior.mean[1])
    ratio, way = (posterior.mean[5] + curve * posterior.mean[6]) / slope, -posterior.mean[0] / slope
    meet = np.array([-ratio, -ratio * way, -ratio * curve * way, 0.0, 1.0, way, curve * way, 0.0])
    path = posterior.meeting_sd_path(lengths, EXACT)
    whole = posterior.meeting()[1]
    gone = path[0] ** 2 - path[-1] ** 2
    assert path[0] == pytest.approx(whole)
    assert gone == pytest.approx(meet @ (posterior.cov - left_cov) @ meet, rel=1e-9)


def test_nearer_the_meeting_point_a_reading_tells_more_of_its_pitch() -> None:
    posterior = belief_of(115.0)
    as_it_is = posterior.meeting_sd_path([0.0], USUAL)
    near = posterior.meeting_sd_path([0.9 * posterior.need_mm()], USUAL)
    assert near[1] < as_it_is[1] < as_it_is[0] == near[0]


def slow_after_visit(plan: LipPlan, off: float, strokes: float, level: int, cuts_left: float) -> float:
    """The same recursion without a grid: quadrature within quadrature, three levels deep."""
    eta, weight = nodes(5)
    now, then = plan.by_visit[level], plan.by_visit[level + 1]
    sd = np.sqrt(max(now**2 - then**2, 0.0) + (plan.stroke_sd * strokes) ** 2)
    total = 0.0
    for x, w in zip(off + plan.per_stroke * strokes + sd * eta, weight, strict=True):
        total += w * slow_value(plan, float(x), level + 1, cuts_left)
    return total


def slow_value(plan: LipPlan, off: float, level: int, cuts_left: float) -> float:
    leave = float(plan._leave(np.array([off]), plan.by_visit[level])[0])
    if level == len(plan.by_visit) - 1:
        return leave
    each = [slow_after_visit(plan, off, k, level, cuts_left) for k in plan.strokes]
    anyway = min(max(cuts_left - (level - 1), 0.0), 1.0)
    done = min(leave, plan.costs.reading_minutes + each[0])
    visit = plan.costs.cut_minutes + plan.costs.reading_minutes + min(each[: plan.late_visit[level] + 1])
    return anyway * min(each) + (1.0 - anyway) * min(done, visit)


@pytest.mark.parametrize("cuts_left", [0.0, 0.6, 1.4])
def test_strokes_are_worth_what_the_recursion_says(cuts_left: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trimfit.planner.lip_work.LEVELS", 3)
    monkeypatch.setattr("trimfit.planner.lip_work.MOST_STROKES", 4)
    posterior = belief_of(113.0, pitch_sd=1.6)
    plan = LipPlan(posterior, aim_of(113.0), COSTS, USUAL, 0.4, (cuts_left, cuts_left + 1.0))
    for strokes, told in zip(plan.strokes, plan._after_visit()[:, 0], strict=True):
        slow = slow_after_visit(plan, plan.off, float(strokes), 0, cuts_left)
        assert told == pytest.approx(slow, rel=0.05, abs=0.15)


@pytest.mark.parametrize("read_first", [False, True])
@pytest.mark.parametrize("off", [-6.0, 0.5, 8.0])
def test_the_outlook_of_the_pitch_adds_up_to_its_minutes(read_first: bool, off: float) -> None:
    """Minutes are what the chance of ending off the pitch, the visits and the readings cost."""
    plan = LipPlan(belief_of(112.0 + off, pitch_sd=2.5), aim_of(112.0), COSTS, USUAL, 0.4, (0.4, 1.2))
    outside, visits, readings = plan.outlook(read_first=read_first)
    minutes = outside * COSTS.outside_minutes + visits * COSTS.cut_minutes + readings * COSTS.reading_minutes
    if read_first:
        assert minutes == pytest.approx(float(plan._after_reading()[0]), abs=1e-6)
    assert 0.0 <= outside <= 1.0
    assert minutes <= plan.leave() + 1e-6


def test_visits_that_come_anyway_make_the_pitch_cheaper_and_hurry_no_stroke() -> None:
    posterior = belief_of(112.0)
    plans = [LipPlan(posterior, aim_of(112.0), COSTS, USUAL, 0.4, (left, left + 1.0)) for left in (0.0, 0.5, 1.0, 2.0)]
    minutes = [plan.stroke()[1] for plan in plans]
    assert minutes == sorted(minutes, reverse=True)
    assert minutes[-1] < minutes[0] - 0.5
    assert plans[-1].stroke()[0] <= plans[0].stroke()[0]


def test_without_a_target_the_pitch_costs_nothing() -> None:
    plan = LipPlan(belief_of(), aim_of(), COSTS, USUAL)
    assert (plan.leave(), plan.read(), plan.stroke(), plan.outside) == (0.0, 0.0, (0, 0.0), 0.0)


def test_a_stroke_that_closes_the_gap_is_not_counted_on_once_it_is_closed() -> None:
    """Of two reeds that want strokes alike, the one whose strokes close the gap has them done while there is room."""
    free, tied = (
        LipPlan(
            # a stroke moves the meeting pitch by as much: 10 cents of pitch go with 60 of gap
            belief_of(112.0, lip_gap=gap, lip_pitch=-0.8 + gap * 10.0 / 60.0, pitch_sd=2.5),
            aim_of(112.0), COSTS, USUAL, 0.6, (1.0, 2.0),
        )
        for gap in (0.0, 1.2)
    )  # fmt: skip
    assert tied.per_stroke == pytest.approx(free.per_stroke, abs=0.05)
    # the better the gap is known, the nearer to past a stroke may bring it
    assert tied.late_visit == sorted(tied.late_visit)
    assert tied.late_visit[0] == 0 < tied.late_visit[-1] == 1 < free.late_visit[0]
    assert tied.stroke()[1] > free.stroke()[1]
    assert tied.stroke()[0] >= free.stroke()[0] > 0


def test_a_reading_is_worth_taking_for_the_room_that_it_gives_a_stroke() -> None:
    """Closed and sharp, the gap not known closely enough for a stroke: the next reading tells little of the pitch."""
    vague, plain = (
        belief_of(gap=0.3, gap_sd=sd, pitch=116.5, pitch_sd=0.7, pitch_slope=5.0, lip_gap=0.7, lip_pitch=-0.8)
        for sd in (1.25, 0.7)
    )
    plans = [LipPlan(posterior, aim_of(113.0), COSTS, USUAL) for posterior in (vague, plain)]
    assert [plan.most_now for plan in plans] == [0, 2]
    assert plans[0].by_reading[1] > WORTH_READING * plans[0].by_reading[0]
    assert plans[0].read() < plans[0].leave() - COSTS.reading_minutes
    actions = [choose(posterior, aim_of(113.0), solve(COSTS), RULES).action for posterior in (vague, plain)]
    assert actions == ["read-again", "trim"]


def test_with_the_gap_closed_the_pitch_is_the_one_it_has() -> None:
    """A little over, and sharp: no cut brings it back to its meeting point, so that nothing is promised of that."""
    posterior = belief_of(gap=2.5, gap_sd=0.3, pitch=117.0, pitch_sd=0.5, pitch_slope=24.0, lip_gap=0.5)
    target = 113.0
    plan = LipPlan(posterior, aim_of(target), COSTS, USUAL)
    assert plan.off == pytest.approx(117.0 - target)
    assert posterior.meeting()[0] < 117.0 - 0.5
    assert plan.leave() == pytest.approx(120.0 * posterior.pitch_outside(aim_of(target), 0.0, 0.0, USUAL))
    assert choose(posterior, aim_of(target), solve(COSTS), RULES).action in ("finished", "no-fit")


def test_the_chance_of_another_pitch_as_drawn_reeds_have_it() -> None:
    posterior = belief_of(114.0, pitch_sd=2.0, pitch_slope=15.0)
    rng = np.random.default_rng(3)
    n, length = 200_000, 0.3
    gap_slope = posterior.at[rng.choice(len(posterior.weight), n, p=posterior.weight), 1]
    rest = rng.multivariate_normal(np.zeros(2), posterior.within[np.ix_([4, 5], [4, 5])], n)
    mean = np.array(
        [[np.interp(s, posterior.at[:, 1], posterior.at[:, k]) for k in (4, 5)] for s in np.unique(gap_slope)]
    )
    where = np.searchsorted(np.unique(gap_slope), gap_slope)
    level, slope = (mean[where] + rest).T
    pitch = level + slope * (length + rng.standard_normal(n) * USUAL.sd_mm(np.array([length]))[0])
    for target in (None, 117.0, 121.0):
        told = posterior.pitch_outside(aim_of(target), length, 0.0, USUAL)
        went = 0.0 if target is None else float(np.mean(np.abs(pitch - target) > aim_of(target).tolerance_cents))
        assert told == pytest.approx(went, abs=0.004)
