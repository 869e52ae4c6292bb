"""Moving reeds move as their page says; the filter that knows them is the joint normal that it claims to be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.worlds.belief import KnowingBelief, sightings
from tests.worlds.movement import MOVEMENTS, MovingReed, MovingWorld, nights, settled, ways
from tests.worlds.moving_belief import Reckoned, Story, joint, moving_belief
from tests.worlds.moving_rules import MovingPlanner, MovingRule, minutes, planner_of, rule_for
from tests.worlds.play import Move
from tests.worlds.proof import share
from tests.worlds.shop import World, read_gap_cents
from tests.worlds.tool import LoggedReeds, advised, new_log, predicted
from tests.worlds.visits import Hand, Knower, chances, fresh, pooled, visit
from tests.worlds.yardsticks import TUNED, KnowingPlanner
from trimfit.base.pitch import NOTES, OUTPUTS
from trimfit.log.journal import Journal

F, E = OUTPUTS.index("f"), OUTPUTS.index("e")


def world_of(movement: str, seed: int = 1) -> MovingWorld:
    return MovingWorld("saturating", movement, np.random.default_rng(seed), seed=seed)


def reeds_of(movement: str, n: int, reed_type: str | None = None) -> list[MovingReed]:
    found = world_of(movement).new_reeds(np.random.default_rng(2), n, reed_type=reed_type)
    return [reed for reed in found if isinstance(reed, MovingReed)]


def amounts(reeds: list[MovingReed], day: float) -> np.ndarray:
    for reed in reeds:
        reed.rest_until(day)
    return np.array([reed.amounts_cents() for reed in reeds])


@pytest.mark.parametrize("reed_type", ["cane", "moulded one"])
def test_the_walk_has_its_variance_a_night_and_steps_that_know_nothing_of_each_other(reed_type: str) -> None:
    reeds = reeds_of("walk", 600, reed_type)
    first, second = amounts(reeds, 10.5), amounts(reeds, 14.5)
    sd = MOVEMENTS["walk"].walk_cents[reed_type]
    spread = np.array([1.0, 0.5, 1.0]) * sd
    assert first.std(axis=0) == pytest.approx(np.sqrt(10) * spread, rel=0.1)
    assert (second - first).std(axis=0) == pytest.approx(2.0 * spread, rel=0.1)
    assert abs(np.corrcoef(first[:, 0], (second - first)[:, 0])[0, 1]) < 0.12
    assert np.abs(amounts(reeds, 14.9) - second).max() == 0.0  # by day nothing walks


def test_a_reed_sharpens_after_it_is_made_and_after_a_cut_and_then_no_more() -> None:
    reeds = reeds_of("settling", 300, "cane")
    how = MOVEMENTS["settling"]
    young, old = amounts(reeds, how.days["cane"])[:, 0], amounts(reeds, 100.0)[:, 0]
    assert young.mean() == pytest.approx(how.made_cents["cane"] * settled(8.0, 8.0), rel=0.08)
    assert old.mean() == pytest.approx(how.made_cents["cane"], rel=0.08)
    for reed in reeds:
        reed.cut(np.random.default_rng(1), 1.0)
    assert amounts(reeds, 101.0)[:, 0].mean() > old.mean()
    assert (amounts(reeds, 200.0)[:, 0] - old).mean() == pytest.approx(
        how.cut_cents["cane"] * (1 - np.exp(-4)), rel=0.1
    )
    late = amounts(reeds, 200.0)
    assert np.allclose(amounts(reeds, 260.0), late, atol=0.1)


def test_now_and_then_a_night_moves_a_reed_far() -> None:
    reeds = reeds_of("jumps", 300, "moulded one")
    before, after = amounts(reeds, 20.5)[:, 0], amounts(reeds, 40.5)[:, 0]
    jumped = np.array([reed.jumps(20.5, 40.5) for reed in reeds])
    assert jumped.mean() == pytest.approx(20 * 0.015, abs=0.1)
    assert np.std((after - before)[jumped == 0]) == pytest.approx(0.4 * np.sqrt(20), rel=0.15)
    assert np.std((after - before)[jumped == 1]) == pytest.approx(np.hypot(9.0, 0.4 * np.sqrt(20)), rel=0.25)


def test_readings_of_one_day_share_an_error_and_those_of_two_days_do_not() -> None:
    reeds = reeds_of("walk", 400, "moulded one")
    shifts = []
    for day in (3.4, 3.5, 4.4):
        moved = amounts(reeds, day)
        shifts.append(np.array([r.shift_cents() for r in reeds]) - moved @ ways(reeds[0].kind))
    gap = [shift[:, F] - shift[:, E] for shift in shifts]
    assert np.array_equal(gap[0], gap[1])
    assert abs(np.corrcoef(gap[0], gap[2])[0, 1]) < 0.15
    assert gap[0].std() == pytest.approx(0.6, rel=0.12)
    assert shifts[0][:, OUTPUTS.index("low_a")].std() == pytest.approx(1.5, rel=0.12)
    assert np.all(shifts[0][:, 0] == 0.0)  # the crow has no share in it


def test_a_reed_that_stands_still_reads_as_one_of_the_plain_bench() -> None:
    moving = reeds_of("still", 5)
    plain = World("saturating", np.random.default_rng(1)).new_reeds(np.random.default_rng(2), 5)
    for one, other in zip(moving, plain, strict=True):
        assert one.read(np.random.default_rng(3)) == other.read(np.random.default_rng(3))
        assert one.true_gap_cents() == other.true_gap_cents()


def test_nights_are_the_same_however_often_a_reed_is_looked_at() -> None:
    often, once = reeds_of("jumps", 3), reeds_of("jumps", 3)
    for day in range(1, 90):
        amounts(often, day + 0.5)
    assert np.array_equal(amounts(often, 90.5), amounts(once, 90.5))
    assert nights(0.0, 0.5) == 1  # made at midnight
    assert nights(1.4, 1.6) == 0
    with pytest.raises(ValueError, match="cannot rest until"):
        often[0].rest_until(3.0)


def test_a_history_holds_reeds_read_again_on_another_day_with_no_work_between() -> None:
    shop = world_of("jumps").moved_history(np.random.default_rng(3), 120, batches_per_type=4)
    events = shop.frame[["reed", "taken_day", "removed_mm", "f_cents"]].dropna().sort_values(["reed", "taken_day"])
    same = events.groupby(["reed", "removed_mm"])["taken_day"].agg(np.ptp)
    read_again = same[same > 0.7].reset_index()["reed"].nunique() / 120
    assert 0.3 < read_again < 0.7
    days = events["taken_day"] % 1.0
    assert days.between(0.3, 0.95).all()  # by day
    made = shop.reeds.set_index("reed")["made_on"]
    first = shop.readings.groupby("reed")["taken_at"].min().str[:10]
    assert (first[made.index] > made).all()
    assert made.nunique() > 8


def brute_joint(reed: MovingReed, n: int) -> np.ndarray:
    """Gap and low A of the reed's readings less what it is, and its gap now, over very many lives of it: (n, 7)."""
    out = []
    for seed in range(n):
        life = MovingReed.of(reed, reed.movement, seed)
        row = []
        for day, cut in ((2.4, 0.0), (2.45, 0.4), (5.4, 0.0)):
            life.rest_until(day)
            shift = life.shift_cents() + life.physics.noise.draw(np.random.default_rng([seed, int(100 * day)]))[0]
            row += [shift[F] - shift[E], shift[OUTPUTS.index("low_a")]]
            if cut:
                life.cuts.append((day, cut))
        life.rest_until(9.4)
        out.append([*row, life.amounts_cents()[0]])
    return np.array(out)


@pytest.mark.parametrize("movement", ["walk", "settling"])
def test_the_joint_normal_is_that_of_very_many_lives(movement: str) -> None:
    reed = reeds_of(movement, 1, "cane")[0]
    lives = brute_joint(reed, 800)
    sight = sightings(reed.physics, reed.kind, [MovingReed.of(reed, reed.movement, 0).read(np.random.default_rng(0))])
    story = Story(0.0, sight * 3, (2.4, 2.45, 5.4), ((2.45, 0.4),), (9.4,))
    law = joint(reed.physics, reed.kind, reed.movement, story)
    pick = np.zeros((6, len(law.mean)))
    for i in range(3):
        pick[2 * i, 10 * i + F], pick[2 * i, 10 * i + E], pick[2 * i + 1, 10 * i + OUTPUTS.index("low_a")] = 1, -1, 1
    cov = np.vstack([np.hstack([pick @ law.cov @ pick.T, pick @ law.tie.T]), np.append(law.tie @ pick.T, law.ask_cov)])
    sd = np.sqrt(np.diag(cov))
    assert np.append(pick @ law.mean, law.ask_mean) == pytest.approx(
        lives.mean(axis=0), abs=float(0.1 * sd.max()) + 0.05
    )
    assert np.cov(lives.T) / np.outer(sd, sd) == pytest.approx(cov / np.outer(sd, sd), abs=0.15)


def test_ways_of_jumping_are_weighed_as_by_their_full_covariances() -> None:
    reed = reeds_of("jumps", 1, "cane")[0]
    sight = sightings(reed.physics, reed.kind, [reed.read(np.random.default_rng(0))])
    story = Story(0.0, sight * 3, (2.4, 4.4, 9.4), (), (9.4, 12.4))
    law = joint(reed.physics, reed.kind, reed.movement, story)
    reckoned = Reckoned(law)
    rng = np.random.default_rng(1)
    residual = law.mean[:, None] + np.linalg.cholesky(law.cov) @ rng.standard_normal((len(law.mean), 3))
    logs = reckoned.log_likelihoods(residual)
    assert reckoned.ways == [(), (0,), (1,), (2,), (0, 1), (0, 2), (1, 2)]  # no jump after the last reading is asked of
    for number, way in enumerate(reckoned.ways):
        cov = reckoned.covariance(way)
        off = residual - law.mean[:, None]
        plain = -0.5 * (off * np.linalg.solve(cov, off)).sum(axis=0) - 0.5 * np.linalg.slogdet(cov)[1]
        assert logs[number] == pytest.approx(plain + sum(law.log_odds[i] for i in way))
    far = residual[:, :1].copy()
    far[20:] += 12.0 * np.tile(ways(reed.kind)[0], 1)[:, None]
    logs = reckoned.log_likelihoods(far)[:, 0]
    assert reckoned.ways[int(np.argmax(logs))] == (2,)


def test_the_filter_of_a_reed_that_stands_still_is_the_plain_filter() -> None:
    world = world_of("still")
    reed = world.new_reeds(np.random.default_rng(2), 1)[0]
    rng = np.random.default_rng(3)
    for _ in range(3):
        reed.read(rng)
        reed.cut(rng, 0.1)
    plain = KnowingBelief.after(world.physics, reed.kind, reed.pipe, reed.readings, rng, draws=4000)
    days = [float(str(reading["taken_day"])) for reading in reed.readings]
    story = Story(0.0, sightings(world.physics, reed.kind, reed.readings), days, (), (days[-1], days[-1] + 3.0))
    moving = moving_belief(world.physics, reed.kind, reed.pipe, world.movement, story, rng, 4000)
    for x in (0.3, 0.6):
        ends = [belief.quantiles(belief.gap_cents(x, 0.0), (0.05, 0.5, 0.95)) for belief in (plain, moving)]
        assert ends[0] == pytest.approx(ends[1], abs=0.12 * float(ends[0][2] - ends[0][0]))


def test_the_filter_follows_two_readings_that_agree_and_keeps_to_its_intervals() -> None:
    world = world_of("jumps")
    reeds = world.moving_reeds(np.random.default_rng(4), 40, read_from_day=60.0)
    held = []
    for number, reed in enumerate(reeds):  # 40 reeds: a standard error of 5 %
        rng = np.random.default_rng(number)
        for day in (60.4, 63.4, 70.4, 70.42):
            reed.rest_until(day)
            reed.read(rng)
            if day == 60.4:
                reed.cut(rng, 0.2)
        days = [float(str(reading["taken_day"])) for reading in reed.readings]
        seen = sightings(world.physics, reed.kind, reed.readings)
        story = Story(reed.made_day, seen, days, reed.cuts, (reed.day,))
        belief = moving_belief(world.physics, reed.kind, reed.pipe, world.movement, story, rng, 800)
        low, high = belief.quantiles(belief.gap_cents(reed.removed_mm, 0.0), (0.05, 0.95))
        held.append(low <= reed.true_gap_cents() <= high)
        assert high - low < 8.0
    assert 0.78 < np.mean(held) <= 1.0


def test_the_more_a_reed_moves_between_visits_the_dearer_it_is() -> None:
    cost = [minutes(MovingRule(0.02, 0.85, 0.25), 0.006, walk, 0.0) for walk in (0.0, 0.7, 1.5, 3.0)]
    assert cost == sorted(cost)
    assert 13.0 < cost[0] < 22.0
    fixed = minutes(MovingRule(0.003, 0.93, 0.25), 0.006, 3.2, 0.0)
    assert minutes(rule_for(0.006, 3.2, 0.0), 0.006, 3.2, 0.0) < 0.9 * fixed


def test_without_movement_the_planner_says_what_the_plain_one_says() -> None:
    world = world_of("still")
    knower = planner_of(world, TUNED["saturating"], 0.0, draws=2000)
    plain = KnowingPlanner(world.physics, TUNED["saturating"], draws=2000)
    for story in fresh(world, 5, 3):
        story.reed.rest_until(200.4)
        story.reed.read(story.rng)
        moves = knower.answer(story.seen(), story.reed.made_day, story.reed.day), plain(story.seen())
        assert moves[0].action == moves[1].action == "trim"
        assert moves[0].length_mm == pytest.approx(moves[1].length_mm, abs=0.03)


class Once:
    """Cuts each reed once, far too deep, and is done."""

    name = "once"

    def moves(self, stories: list, day: float) -> dict[str, Move]:
        return {s.reed.reed: Move("finished") if s.reed.trims else Move("trim", 5.0, 0, 0.5) for s in stories}

    def end_of_day(self, stories: list) -> None:
        pass


def test_visits_count_what_a_cut_did_apart_from_what_the_days_did() -> None:
    stories = fresh(world_of("jumps"), 3, 12)
    visit(Once(), stories, 3)
    assert all(story.cut_past == 1 and story.end == "finished" and len(story.reed.readings) == 2 for story in stories)
    assert {round(story.reed.day % 1.0, 1) for story in stories} == {0.4}
    for story in stories:
        story.told = {"movement": "jumps", "days between": 3, "who": "once"}
    row = pooled(stories).iloc[0]
    assert row["cut past %"].startswith("100.0")
    assert row["past by itself %"].startswith("0.0")
    assert chances(stories).iloc[0]["stated %"] == "50.00"
    assert share(np.array([True, True, False, False])) == "50.0 ± 25.0"


def test_hand_and_knower_bring_reeds_to_their_end_over_days() -> None:
    world = world_of("walk")
    at_once = planner_of(world, TUNED["saturating"], 0.0, draws=600)
    rules = {kind.name: MovingRule(0.01, 0.9, 0.25) for kind in world.physics.kinds}
    for player in (Hand(), Knower(replace(at_once, wait_days=1.0, rules=rules))):
        stories = fresh(world, 4, 3)
        visit(player, stories, 1)
        assert all(story.end in ("finished", "past") for story in stories)
        assert all(len(story.moves) == len(story.reed.readings) for story in stories)
    assert isinstance(player, Knower)
    assert isinstance(player.planner, MovingPlanner)


def test_the_tool_is_asked_through_a_log_that_holds_each_entry_once(tmp_path: Path) -> None:
    world = world_of("walk")
    rng = np.random.default_rng(6)
    new_log(tmp_path / "log", world.moved_history(rng, 9, batches_per_type=1))
    new = world.moving_reeds(rng, 9, read_from_day=200.0)
    reeds = [reed for reed in new if reed.reed_type == "cane"]  # one type, so that one policy is solved
    log = LoggedReeds(tmp_path / "log", reeds)
    for _ in range(2):
        for reed in reeds:
            reed.rest_until(reed.day + 200.0)
            reed.read(rng)
            reed.cut(rng, 0.1)
        log.tell()
        log.tell()
    said = advised(tmp_path / "log", reeds[0].day)
    assert set(said) == {reed.reed for reed in reeds}
    stated = predicted(tmp_path / "log", [reed.reed for reed in reeds], reeds[0].day)
    assert all(one.gap_cents.low < one.gap_cents.mean < one.gap_cents.high for one in stated)
    log.end({reeds[0].reed: "good"})
    assert set(advised(tmp_path / "log", reeds[0].day + 1.0)) == {reed.reed for reed in reeds[1:]}
    with Journal(tmp_path / "log") as journal:
        history = journal.of_reed(reeds[1].reed)
    assert len(history.readings) == len(history.trims) == 2
    assert set(history.readings[0].record.notes_hz) == set(NOTES)
    assert read_gap_cents(reeds[1].readings[0]) < 0.0
