"""The planner that knows population and movement: a one-step rule on the filter of moving_belief.py.

As `KnowingPlanner`, no cut may carry a larger chance of going past than its bench's rule allows. Between visits a reed
moves besides: how large the chance may be that it lies past at the next visit, and how sure one must be to call it
finished, is what `rule_for` sets for each type and each number of days between visits. It plays every rule of a grid on
very many reeds of one dimension (a gap, a slope, the type's movement without jumps) and takes the one that costs least
in the minutes of the shop's settings.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from scipy.special import ndtr

from tests.worlds.belief import KnowingBelief, sightings
from tests.worlds.movement import MOVEMENTS, SETTLE_SPREAD, Movement, MovingWorld, settled, worked_at
from tests.worlds.moving_belief import MovingBelief, Story, moving_belief
from tests.worlds.physics import Array
from tests.worlds.play import TOLERANCE_CENTS, Move, Seen
from tests.worlds.yardsticks import STEP_MM, KnowingPlanner, Rule

__all__ = ["MovingPlanner", "MovingRule", "minutes", "planner_of", "rule_for"]

CUT_MINUTES, READING_MINUTES, LOST_MINUTES, OUTSIDE_MINUTES = 4.0, 1.5, 120.0, 120.0
USUAL_CUT_MM = 0.4
READING_CENTS, CUT_SHARE, CUT_CENTS, SLOPE_SPREAD = 1.4, 0.03, 0.36, 0.19
PLAYED, MOST_VISITS = 2000, 12
CEILINGS = (0.003, 0.006, 0.012, 0.025, 0.05, 0.1)
STOPS = (0.6, 0.75, 0.85, 0.93)
AGAINS = (0.0, 0.25)


@dataclass(frozen=True)
class MovingRule:
    """next_visit: most chance of lying past at the next visit that a cut may leave; stop, again: as in `Rule`."""

    next_visit: float
    stop: float
    again: float


def minutes(rule: MovingRule, at_cut: float, walk_cents: float, settle_cents: float, seed: int = 0) -> float:
    """Mean cost of a reed of one dimension under a rule: minutes at the bench, and of reeds lost or left outside.

    walk_cents: standard deviation of what it moves between visits; settle_cents: how far a cut settles by the next.
    """
    rng = np.random.default_rng(seed)
    t, n = TOLERANCE_CENTS, PLAYED
    gap = -44.0 + 9.0 * rng.standard_normal(n)
    slope = SLOPE_SPREAD * rng.standard_normal(n) - 0.5 * SLOPE_SPREAD**2
    noise, drift = READING_CENTS**2, walk_cents**2
    m, v = gap + READING_CENTS * rng.standard_normal(n), np.full(n, noise)
    log_slope, s2 = np.full(n, -0.5 * SLOPE_SPREAD**2), np.full(n, SLOPE_SPREAD**2)
    cost, live, since = np.full(n, READING_MINUTES), np.ones(n, dtype=bool), np.ones(n)
    for visit in range(MOST_VISITS):
        past = ndtr((m - t) / np.sqrt(v))
        good = 1.0 - past - ndtr((-t - m) / np.sqrt(v))
        # the largest cut that both ceilings and the aim (the mean not over zero) allow, by halving
        low, high = np.zeros(n), np.maximum(-m, 0.0)
        for _ in range(12):
            cut = 0.5 * (low + high)
            after = v + cut**2 * (np.expm1(s2) + CUT_SHARE**2) + CUT_CENTS**2
            later = ndtr((m + cut + settle_cents - t) / np.sqrt(after + drift + (SETTLE_SPREAD * settle_cents) ** 2))
            fits = (ndtr((m + cut - t) / np.sqrt(after)) <= at_cut) & (later <= rule.next_visit)
            low, high = np.where(fits, cut, low), np.where(fits, high, cut)
        cut = np.where(low > 60.0 * STEP_MM, low, 0.0)
        again = (good >= rule.stop - rule.again) & (since < 2)
        done = live & ((past > 0.5) | (good >= rule.stop) | ((cut == 0.0) & ~again & (since >= 3)))
        done |= live & (visit == MOST_VISITS - 1)
        cost += done * (LOST_MINUTES * (gap > t) + OUTSIDE_MINUTES * (gap < -t))
        live &= ~done
        if not live.any():
            break
        cut = np.where(again, 0.0, cut)
        cost += live * (READING_MINUTES + CUT_MINUTES * (cut > 0.0))
        factor = np.exp(slope - log_slope - 0.5 * s2) * (1.0 + CUT_SHARE * rng.standard_normal(n))
        worked = cut > 0.0
        gap = gap + cut * factor + worked * (CUT_CENTS * rng.standard_normal(n) + settle_cents)
        gap = gap + walk_cents * rng.standard_normal(n)
        whole = v + cut**2 * (np.expm1(s2) + CUT_SHARE**2) + worked * CUT_CENTS**2 + drift
        surprise = gap + READING_CENTS * rng.standard_normal(n) - (m + cut + worked * settle_cents)
        m = m + cut + worked * settle_cents + whole / (whole + noise) * surprise
        tied = cut * s2
        log_slope = log_slope + tied / (whole + noise) * surprise
        v, s2 = whole * noise / (whole + noise), np.maximum(s2 - tied**2 / (whole + noise), 1e-6)
        since = np.where(worked, 1.0, since + 1.0)
    return float(cost.mean())


@cache
def rule_for(at_cut: float, walk_cents: float, settle_cents: float) -> MovingRule:
    """The rule of least cost for so much movement between visits."""
    grid = [MovingRule(*one) for one in itertools.product(CEILINGS, STOPS, AGAINS)]
    return min(grid, key=lambda rule: minutes(rule, at_cut, walk_cents, settle_cents))


@dataclass
class MovingPlanner(KnowingPlanner):
    """The one-step rule on the filter's posterior; the chance that it states is that of being past right after a cut.

    how: the movement; rules: by type; wait_days: between visits.
    """

    how: Movement = MOVEMENTS["still"]
    rules: Mapping[str, MovingRule] = field(default_factory=dict)
    wait_days: float = 0.0
    name: str = "knows population and movement"

    def answer(self, seen: Seen, made_day: float, day: float) -> Move:
        """The next move for a reed as it is on a day."""
        rng = np.random.default_rng([self.seed, len(seen.readings), *seen.reed.encode()])
        kind, pipe = self.physics.kind(seen.reed_type), self.physics.pipe(seen.chanter)
        story = Story(
            made_day,
            sightings(self.physics, kind, seen.readings),
            [float(str(reading["taken_day"])) for reading in seen.readings],
            [(float(str(trim["done_day"])), float(str(trim["length_mm"]))) for trim in seen.trims],
            (day, day + self.wait_days),
        )
        belief = moving_belief(self.physics, kind, pipe, self.how, story, rng, self.draws)
        mine = self.rules[seen.reed_type]
        return replace(self, rule=replace(self.rule, stop=mine.stop, again=mine.again)).decide(belief, seen)

    def fits(self, belief: KnowingBelief, seen: Seen, length_mm: float, lip: int) -> bool:
        """Also at the next visit, with the settling that the cut itself will bring."""
        if not super().fits(belief, seen, length_mm, lip):
            return False
        if self.wait_days == 0.0 or not isinstance(belief, MovingBelief):
            return True
        name = seen.reed_type
        cut: Array | float = self.how.cut_cents[name] * worked_at(length_mm)
        later = replace(belief, at=1, more=float(cut) * settled(self.wait_days, self.how.days[name]))
        return self.chance_past(later, seen, length_mm, lip) <= self.rules[name].next_visit


def planner_of(world: MovingWorld, rule: Rule, wait_days: float, draws: int = 1500) -> MovingPlanner:
    """The planner that knows a world. rule: the bench's own, for cuts at one sitting."""
    how = world.movement
    rules = {}
    for kind in world.physics.kinds:
        settling = how.cut_cents[kind.name] * worked_at(USUAL_CUT_MM) * settled(wait_days, how.days[kind.name])
        rules[kind.name] = rule_for(rule.later, how.walk_cents[kind.name] * float(np.sqrt(wait_days)), float(settling))
        if wait_days == 0.0:
            rules[kind.name] = MovingRule(1.0, rule.stop, rule.again)
    return MovingPlanner(world.physics, rule, draws, how=how, rules=rules, wait_days=wait_days)
