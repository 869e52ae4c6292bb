"""Target pitch and lips: what strokes and readings are worth, against slow versions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.planner.make_aim import USUAL, aim_of, belief_of
from trimfit.planner import policy_solver
from trimfit.planner.aim import AimPosterior
from trimfit.planner.choice import Rules, choose
from trimfit.planner.lip_work import MOST_STROKES, WIDE_NODES, WORTH_READING, LipPlans
from trimfit.planner.policy_table import Costs, read_first
from trimfit.planner.quantities import Quantities, even_nodes, nodes, normal_cdf

Array = NDArray[np.float64]
COSTS = Costs(4.0, 1.5, 120.0, 3.68, 1.3, 0.03, 0.36)
RULES = Rules(0.01, 0.01, 120.0, USUAL)


def plans_of(
    posteriors: Sequence[AimPosterior],
    target: float,
    cut_mm: float = 0.4,
    cuts_left: tuple[float, float] = (0.4, 1.2),
) -> LipPlans:
    n = len(posteriors)
    aims = np.full(n, target), np.full(n, aim_of().tolerance_cents)
    now = Quantities.of(posteriors)
    return LipPlans(now, *aims, COSTS, USUAL, np.full(n, cut_mm), np.tile(cuts_left, (n, 1)))


def slow_after(
    plan: LipPlans, off: Array, strokes: float, level: int, cuts_left: float, *, visit: bool, due: bool = False
) -> Array:
    """The same recursion of one reed without a grid, off by each of (n,): quadrature within quadrature, three levels
    deep. due: a cut is to come for sure."""
    eta, weight = nodes(5) if level else even_nodes(WIDE_NODES)
    now, then = (plan.by_visit if visit else plan.by_reading)[0, level : level + 2]
    sd = np.sqrt(max(now**2 - then**2, 0.0) + (plan.stroke_sd[0] * strokes) ** 2)
    shown = (off[:, None] + plan.per_stroke[0] * strokes + sd * eta).ravel()
    after = slow_value(plan, shown, level + 1, cuts_left, visit=visit, due=due)
    expected: Array = after.reshape(len(off), -1) @ weight
    return expected


def slow_value(plan: LipPlans, off: Array, level: int, cuts_left: float, *, visit: bool, due: bool = False) -> Array:
    path, late = (plan.by_visit[0], plan.late_visit[0]) if visit else (plan.by_reading[0], plan.late_reading[0])
    ends = np.stack([off, -off]) - plan.tolerance_cents[0]
    leave: Array = COSTS.outside_minutes * normal_cdf(ends / path[level]).sum(axis=0)
    if level == len(path) - 1:
        return leave
    each = np.stack([slow_after(plan, off, k, level, cuts_left, visit=visit) for k in range(int(plan.most[0]) + 1)])
    with_cut = each.min(axis=0)
    if level < len(path) - 2:
        waits = COSTS.reading_minutes + slow_after(plan, off, 0, level, cuts_left, visit=visit, due=True)
        with_cut = np.minimum(with_cut, waits)
    if due:
        return with_cut
    anyway = min(max(cuts_left - (level - 1), 0.0), 1.0)
    read = COSTS.reading_minutes + each[0]
    worked = COSTS.cut_minutes + COSTS.reading_minutes + each[: late[level] + 1].min(axis=0)
    again = (read < leave) & read_first(read, worked, COSTS)
    return anyway * with_cut + (1.0 - anyway) * np.where(again, read, np.minimum(leave, worked))


@pytest.mark.parametrize("cuts_left", [0.0, 0.6, 1.4])
def test_strokes_are_worth_what_the_recursion_says(cuts_left: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trimfit.planner.lip_work.LEVELS", 3)
    monkeypatch.setattr("trimfit.planner.lip_work.MOST_STROKES", 4)
    posterior = belief_of(113.0, pitch_sd=1.6)
    plan = plans_of([posterior], 113.0, cuts_left=(cuts_left, cuts_left + 1.0))
    off = plan.off[:1]
    assert plan.most[0] == 4
    assert plan.most_now[0] == 4
    for strokes, stated in enumerate(plan.after_visit[0][0].tolist()):
        (slow,) = slow_after(plan, off, float(strokes), 0, cuts_left, visit=True)
        assert stated == pytest.approx(slow, rel=0.02, abs=0.1)
    (slow,) = slow_after(plan, off, 0.0, 0, cuts_left + 1.0, visit=False)
    assert plan.after_reading[0, 0] == pytest.approx(slow, rel=0.02, abs=0.1)


@pytest.mark.parametrize("read_first", [False, True])
@pytest.mark.parametrize("off", [-6.0, 0.5, 8.0])
def test_the_outlook_of_the_pitch_adds_up_to_its_minutes(read_first: bool, off: float) -> None:
    """Minutes are what the chance of ending off the pitch, the visits and the readings cost."""
    plan = plans_of([belief_of(112.0 + off, pitch_sd=2.5)], 112.0)
    outside, visits, readings = plan.outlook(np.array([read_first]))[0]
    minutes = outside * COSTS.outside_minutes + visits * COSTS.cut_minutes + readings * COSTS.reading_minutes
    if read_first:
        assert minutes == pytest.approx(float(plan.after_reading[0, 0]), abs=1e-6)
    # the chance followed to its end takes the minutes that the programme, solved backward, says
    each, best = plan.after_visit
    assert best[0, 0] == pytest.approx(float(each[0, : plan.most_now[0] + 1].min()), abs=1e-9)
    assert 0.0 <= outside <= 1.0
    assert minutes <= plan.leave()[0] + 1e-6


def test_many_reeds_at_once_have_what_each_has_by_itself() -> None:
    """More than one chunk of them, with and without strokes of use, with room for these and with little."""
    each = [
        belief_of(gap=gap, pitch=pitch, pitch_sd=sd, lip_gap=lip_gap, gap_sd=0.8)
        for gap in (-40.0, -9.0, 0.5)
        for pitch in np.linspace(105.0, 118.0, 7).tolist()
        for sd in (0.7, 3.0)
        for lip_gap in (0.0, 0.7)
    ]
    together = plans_of(each, 113.0)
    first = np.arange(len(each)) % 2 == 0
    alone = [plans_of([one], 113.0) for one in each]
    assert {0, MOST_STROKES} < set(together.most.tolist())
    for name, whole in (("read", together.read()), ("leave", together.leave())):
        np.testing.assert_allclose(whole, [getattr(one, name)()[0] for one in alone], rtol=1e-9)
    found = [one.outlook(first[i : i + 1])[0] for i, one in enumerate(alone)]
    np.testing.assert_allclose(together.outlook(first), found, rtol=1e-9, atol=1e-12)
    np.testing.assert_array_equal(together.out_of_reach, [one.out_of_reach[0] for one in alone])
    some = together.rows(first)
    for part, whole in zip(some.after_visit, together.after_visit, strict=True):
        np.testing.assert_allclose(part, whole[first], rtol=1e-9, atol=1e-12)


def test_where_no_stroke_helps_readings_change_nothing_that_is_expected() -> None:
    """The chance of ending off the pitch is the same however many readings are to come: drawn, read, drawn again."""
    posterior = belief_of(pitch=102.0, pitch_sd=3.0)
    plan = plans_of([posterior], 113.0)
    assert plan.most[0] == 0
    rng, t = np.random.default_rng(2), float(plan.tolerance_cents[0])
    path = plan.by_reading[0]
    shown = plan.off[0] + np.sqrt(path[0] ** 2 - path[1] ** 2) * rng.standard_normal(200_000)
    then = np.mean(np.abs(shown + path[1] * rng.standard_normal(len(shown))) > t)
    assert plan.after_reading[0, 1] == pytest.approx(float(then), abs=0.005)
    assert plan.after_reading[0, 2:].tolist() == [0.0, 0.0]


def test_readings_to_come_count_with_the_cuts_between_them() -> None:
    """Far from its meeting point a reading tells little of the pitch there; the ones after the cuts tell it plainly."""
    posterior = belief_of(gap=-60.0, gap_sd=2.0, pitch_sd=0.8, slope_sd=15.0)
    none, some = (plans_of([posterior], 113.0, 0.7, (0.0, left)) for left in (0.0, 2.0))
    assert none.by_reading[0, 1] == some.by_reading[0, 1]
    assert some.by_reading[0, 3] == pytest.approx(some.by_visit[0, 2], rel=0.1)
    assert some.by_reading[0, 3] < 0.7 * none.by_reading[0, 3]


def test_strokes_are_counted_on_for_a_pitch_that_may_turn_out_sharp() -> None:
    """About on its target and vaguely known: half of what would miss it is sharp, which strokes mend."""
    posteriors = [belief_of(112.5, pitch_sd=3.0, lip_pitch=stroke) for stroke in (-1.5, 0.0)]
    strokes, none = (plans_of([one], one.meeting()[0] + 0.5, 0.4, (1.0, 2.0)) for one in posteriors)
    assert strokes.off[0] == pytest.approx(-0.5, abs=1e-6)
    assert none.most[0] == 0 < strokes.most[0]
    off, without = (float(plan.outlook(np.array([False]))[0, 0]) for plan in (strokes, none))
    assert without == pytest.approx(float(none.outside[0]), abs=0.02)
    assert 0.3 * without < off < 0.75 * without


def test_visits_that_come_anyway_make_the_pitch_cheaper_and_hurry_no_stroke() -> None:
    posterior = belief_of(112.0)
    plans = [plans_of([posterior], 112.0, 0.4, (left, left + 1.0)) for left in (0.0, 0.5, 1.0, 2.0)]
    minutes = [plan.stroke()[1] for plan in plans]
    assert minutes == sorted(minutes, reverse=True)
    assert minutes[-1] < minutes[0] - 0.5
    assert plans[-1].stroke()[0] <= plans[0].stroke()[0]


def test_a_stroke_that_closes_the_gap_is_not_counted_on_once_it_is_closed() -> None:
    """Of two reeds that want strokes alike, the one whose strokes close the gap has them done while there is room."""
    free, tied = (
        # a stroke moves the meeting pitch by as much: 10 cents of pitch go with 60 of gap
        plans_of(
            [belief_of(112.0, lip_gap=gap, lip_pitch=-0.8 + gap * 10.0 / 60.0, pitch_sd=2.5)], 112.0, 0.6, (1.0, 2.0)
        )
        for gap in (0.0, 1.2)
    )  # fmt: skip
    assert tied.per_stroke == pytest.approx(free.per_stroke, abs=0.05)
    # the better the gap is known, the nearer to past a stroke may bring it
    tied_late, free_late = (plan.late_visit[0].tolist() for plan in (tied, free))
    assert tied_late == sorted(tied_late)
    assert tied_late[0] == 0 < tied_late[-1] == 1 < free_late[0]
    assert tied.stroke()[1] > free.stroke()[1]
    assert tied.stroke()[0] >= free.stroke()[0] > 0


def test_a_reading_is_worth_taking_for_the_room_that_it_gives_a_stroke() -> None:
    """Closed and sharp, the gap not known closely enough for a stroke: the next reading tells little of the pitch."""
    vague, plain = (
        belief_of(gap=0.3, gap_sd=sd, pitch=116.5, pitch_sd=0.7, pitch_slope=5.0, lip_gap=0.7, lip_pitch=-0.8)
        for sd in (1.25, 0.7)
    )
    plans = [plans_of([posterior], 113.0, 0.0, (0.0, 0.0)) for posterior in (vague, plain)]
    assert [plan.most_now[0] for plan in plans] == [0, 2]
    assert plans[0].by_reading[0, 1] > WORTH_READING * plans[0].by_reading[0, 0]
    assert plans[0].read()[0] < plans[0].leave()[0] - COSTS.reading_minutes
    actions = [
        choose(posterior, aim_of(113.0), policy_solver.solve(COSTS), RULES).action for posterior in (vague, plain)
    ]
    assert actions == ["read-again", "trim"]


def test_a_stroke_that_moves_the_gap_by_next_to_nothing_overflows_nothing() -> None:
    state = {"gap": -20.0, "lip_gap": 1e-309, "lip_pitch": 0.0}
    assert plans_of([belief_of(115.0, **state)], 112.0).most_now[0] == 0


def test_with_the_gap_closed_the_pitch_is_the_one_it_has() -> None:
    """A little over, and sharp: no cut brings it back to its meeting point, so that nothing is promised of that."""
    posterior = belief_of(gap=2.5, gap_sd=0.3, pitch=117.0, pitch_sd=0.5, pitch_slope=24.0, lip_gap=0.5)
    target = 113.0
    plan = plans_of([posterior], target, 0.0, (0.0, 0.0))
    assert plan.off == pytest.approx([117.0 - target])
    assert posterior.meeting()[0] < 117.0 - 0.5
    assert plan.leave()[0] == pytest.approx(120.0 * posterior.pitch_outside(aim_of(target), 0.0, 0.0, USUAL))
    assert choose(posterior, aim_of(target), policy_solver.solve(COSTS), RULES).action in ("finished", "no-fit")


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
