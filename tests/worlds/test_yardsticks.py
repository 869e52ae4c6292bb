"""The yardsticks can be trusted: filter against brute force, intervals against truth, the play loop's counting."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.worlds.belief import KnowingBelief, log_posterior, sightings
from tests.worlds.foretelling import crow_alone, knowing_scores, make_trials
from tests.worlds.physics import LATENTS
from tests.worlds.play import TOLERANCE_CENTS, Move, Seen, play
from tests.worlds.shop import WORLD_NAMES, World
from tests.worlds.yardsticks import TUNED, CarefulHand, KnowingPlanner, Rule, tune

LIGHT = [name for name in WORLD_NAMES if name != "heavy"]


def make(name: str) -> World:
    return World(name, np.random.default_rng(1))


@pytest.mark.parametrize("name", WORLD_NAMES)
def test_filter_agrees_with_weighting_the_population(name: str) -> None:
    world, rng = make(name), np.random.default_rng(2)
    reed = world.new_reeds(rng, 1)[0]
    reed.read(rng, what=("crow", "e", "f"))
    believed = KnowingBelief.after(world.physics, reed.kind, reed.pipe, reed.readings, rng, draws=4000)
    u = rng.standard_normal((100_000, len(LATENTS)))
    seen = sightings(world.physics, reed.kind, reed.readings)
    likelihood = np.exp(log_posterior(world.physics, reed.kind, seen, u) + 0.5 * (u**2).sum(axis=1))
    plain = KnowingBelief(world.physics, reed.kind, reed.pipe, u, likelihood / likelihood.sum())
    assert plain.effective_draws > 400
    for x in (0.0, 0.5):
        gaps = [belief.gap_cents(x, 0.0) for belief in (believed, plain)]
        ends = [belief.quantiles(gap, (0.05, 0.5, 0.95)) for belief, gap in zip((believed, plain), gaps, strict=True)]
        spread = ends[1][2] - ends[1][0]
        assert np.abs(ends[0] - ends[1]).max() < 0.12 * spread


@pytest.mark.parametrize(
    "name",
    [name if name in ("beam", "multiplicative") else pytest.param(name, marks=pytest.mark.slow) for name in LIGHT],
)
def test_filter_foretells_with_true_intervals(name: str) -> None:
    world = make(name)
    trials = make_trials(world, np.random.default_rng(3), 60)
    scores = knowing_scores(world, trials, np.random.default_rng(4), draws=600)
    scores["held"] = scores["found_cents"].between(scores["low_cents"], scores["high_cents"])
    gap = scores[scores["output"] == "gap"]
    error = (gap["found_cents"] - gap["foretold_cents"]).abs()
    assert len(gap) == 180
    assert 0.83 < gap["held"].mean() < 0.97
    assert 0.87 < scores["held"].mean() < 0.93
    assert error[gap["readings"] == 3].mean() < error[gap["readings"] == 1].mean()


def test_filter_is_not_bent_by_a_slip() -> None:
    world, rng = make("heavy"), np.random.default_rng(5)
    reed = world.new_reeds(rng, 1)[0]
    while reed.slips.count(0) < 2 or reed.slips[-1] == 0:  # two honest readings, then a slip
        if reed.slips and reed.slips[-1] != 0:
            reed.readings.pop()
            reed.slips.pop()
        reed.read(rng)
    belief = KnowingBelief.after(world.physics, reed.kind, reed.pipe, reed.readings, rng, draws=1000)
    assert belief.mean(belief.gap_cents(0.0, 0.0)) == pytest.approx(reed.true_gap_cents(), abs=4.0)


def test_crow_alone_tells_something_of_the_trim() -> None:
    world, rng = make("beam"), np.random.default_rng(6)
    table = crow_alone(world, world.new_reeds(rng, 150, 30), rng)
    assert table["foretold_mm"].corr(table["true_mm"]) > 0.8


def test_careful_hand_needs_many_cuts_and_the_knower_few() -> None:
    world = make("beam")
    hand = play(CarefulHand(), world, 150, 7)
    knower = play(KnowingPlanner(world.physics, TUNED["beam"], draws=600), world, 150, 7)
    assert 3.3 < hand.cuts_per_reed < 4.6
    assert knower.cuts_per_reed < 0.67 * hand.cuts_per_reed
    assert knower.within_pct > 94
    assert knower.unfinished_pct == 0
    assert [story.reed.reed for story in hand.stories[:3]] != []
    for one, other in zip(hand.stories, knower.stories, strict=True):
        assert np.array_equal(one.reed.u, other.reed.u)
        assert one.reed.readings[0]["f_hz"] == other.reed.readings[0]["f_hz"]
    told = knower.calibration()
    assert told["moves"].sum() == sum(story.cuts for story in knower.stories)
    assert told["told"].max() <= 0.011


def test_knower_reaches_a_target_pitch() -> None:
    world = make("saturating")
    knower = play(KnowingPlanner(world.physics, draws=500), world, 25, 8, below_own_pitch_cents=3.0)
    assert knower.pitch_within_pct > 90
    assert knower.both_within_pct > 85
    assert any(story.reed.lip_strokes for story in knower.stories)
    plain = play(CarefulHand(), world, 25, 8, below_own_pitch_cents=3.0)
    assert knower.pitch_within_pct > plain.pitch_within_pct


class Butcher:
    """Takes 5 mm off everything and states that nothing can happen."""

    name = "butcher"

    def __call__(self, seen: Seen, /) -> Move:
        return Move("past") if seen.trims else Move("trim", 5.0, 0, 0.0)


class Reader:
    """Reads for ever; asked for many reeds at once."""

    name = "reader"

    def many(self, seen: Sequence[Seen], /) -> list[Move]:
        return [Move("read-again") for _ in seen]


class Idler:
    """Hands every reed over as it is."""

    name = "idler"

    def __call__(self, seen: Seen, /) -> Move:
        return Move("finished", chance_past=0.0)


@pytest.mark.parametrize("name", WORLD_NAMES)
def test_play_counts_what_happened(name: str) -> None:
    world = make(name)
    butcher = play(Butcher(), world, 30, 9)
    assert butcher.past_pct == 100.0
    assert butcher.cuts_per_reed == 1.0
    assert butcher.readings_per_reed == 2.0
    assert butcher.calibration()["happened"].tolist() == [1.0]
    reader = play(Reader(), world, 5, 9, most_readings=6)
    assert reader.unfinished_pct == 100.0
    assert reader.readings_per_reed == 6.0
    idler = play(Idler(), world, 30, 9)
    assert idler.cuts_per_reed == 0.0
    assert idler.past_pct == 0.0
    truly = [abs(story.reed.true_gap_cents()) <= TOLERANCE_CENTS for story in idler.stories if not story.born_past]
    assert idler.within_pct == pytest.approx(100 * np.mean(truly), abs=1e-3)
    assert len(idler.row()) == 12


def test_what_a_policy_sees_holds_no_truth() -> None:
    seen = []

    def policy(one: Seen) -> Move:
        seen.append(one)
        return Move("trim", 0.1, 2) if not one.trims else Move("finished")

    play(policy, make("beam"), 2, 10, first="crow", what="short")
    last = seen[-1]
    assert last.lip_strokes == 2
    assert last.removed_mm == pytest.approx(0.1, abs=0.03)
    assert last.frame()["crow_cents"].notna().tolist() == [True, False]
    assert last.frame()["f_cents"].notna().tolist() == [False, True]
    assert not {"u", "physics", "sibling_u", "slips"} & set(dir(last))


def test_tune_prefers_fewer_cuts_among_the_safe() -> None:
    rules = [Rule(first=1e-6, later=1e-6), Rule(), Rule(first=0.2, later=0.2)]
    world = make("beam")
    best, tallies = tune(world, n=12, seed=3, rules=rules, most_past_pct=2.0, least_within_pct=95.0)
    safe = [tally for tally in tallies if tally.past_pct <= 2.0 and tally.within_pct >= 95.0]
    assert best in rules
    assert best != rules[2]
    assert tallies[rules.index(best)].cuts_per_reed == min(tally.cuts_per_reed for tally in safe)
    assert set(TUNED) == set(WORLD_NAMES)
