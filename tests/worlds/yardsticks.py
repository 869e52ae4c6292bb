"""Yardsticks for advice: the careful hand, and a planner that knows the bench's population exactly.

`CarefulHand` is what a maker does with one slope in the head. `KnowingPlanner` has the filter of belief.py and a
one-step rule whose figures `tune` sets on the population it knows; it stands for what could be reached, to within what
a longer look ahead would add.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from tests.worlds.belief import KnowingBelief
from tests.worlds.physics import Physics
from tests.worlds.play import Move, Seen, Tally, play
from tests.worlds.shop import World, read_gap_cents

__all__ = ["TUNED", "CarefulHand", "KnowingPlanner", "Rule", "tune"]

STEP_MM = 0.01
LIP_MOST = 12


@dataclass
class CarefulHand:
    """Takes 0.6 of what seems wanting, at one slope for all types (the benches' mean); stops at half the tolerance."""

    slope_cents_per_mm: float = 62.0
    share: float = 0.6
    stop_cents: float = 1.85
    name: str = "careful hand"

    def __call__(self, seen: Seen, /) -> Move:
        """Read the last gap, cut or stop. A gap that no reed has is read again."""
        gap = read_gap_cents(dict(seen.readings[-1]))
        if abs(gap) > 150:
            return Move("read-again")
        if gap > seen.tolerance_cents + 1.5:
            return Move("past")
        if gap > -self.stop_cents:
            return Move("finished")
        return Move("trim", max(round(self.share * -gap / self.slope_cents_per_mm, 2), STEP_MM))


@dataclass(frozen=True)
class Rule:
    """first, later: most chance of going past that the first cut, or a later one, may carry; stop: chance of being
    within tolerance that is enough; aim: where the mean gap may come to lie after a cut; again: a reed whose chance
    falls short of `stop` by less than this is read once more before it is cut."""

    first: float = 0.004
    later: float = 0.004
    stop: float = 0.96
    aim_cents: float = 0.0
    again: float = 0.0


def readings_since_cut(seen: Seen) -> int:
    """How many readings of its present state a reed has."""
    return sum(reading["removed_mm"] == seen.removed_mm for reading in seen.readings)


@dataclass
class KnowingPlanner:
    """One-step rule on the exact belief of the reed; with a target pitch it also gives lip strokes."""

    physics: Physics
    rule: Rule = Rule()
    draws: int = 3000
    seed: int = 0
    name: str = "knows the population"

    def __call__(self, seen: Seen, /) -> Move:
        """The next move for this reed; the same question gets the same answer."""
        rng = np.random.default_rng([self.seed, len(seen.readings), *seen.reed.encode()])
        kind, pipe = self.physics.kind(seen.reed_type), self.physics.pipe(seen.chanter)
        belief = KnowingBelief.after(self.physics, kind, pipe, seen.readings, rng, draws=self.draws)
        return self.decide(belief, seen)

    def decide(self, belief: KnowingBelief, seen: Seen) -> Move:
        """The rule, given the belief."""
        tolerance, rule = seen.tolerance_cents, self.rule
        gap = belief.gap_cents(seen.removed_mm, seen.lip_strokes)
        past_now = float(belief.weights @ (gap > tolerance))
        if past_now > 0.5:
            return Move("past", chance_past=past_now)
        good_now = float(belief.weights @ (self.pitch_good(belief, seen, 0.0, 0) & (np.abs(gap) <= tolerance)))
        if good_now >= rule.stop:
            return Move("finished", chance_past=past_now)
        if good_now >= rule.stop - rule.again and readings_since_cut(seen) < 2:
            return Move("read-again", chance_past=past_now)
        lip = self.strokes(belief, seen)
        length = self.length(belief, seen, lip)
        if length < STEP_MM and lip == 0:
            if len(seen.readings) < 2 * len(seen.trims) + 4:
                return Move("read-again", chance_past=past_now)
            return Move("finished", chance_past=past_now)
        return Move("trim", length, lip, self.chance_past(belief, seen, length, lip))

    def chance_past(self, belief: KnowingBelief, seen: Seen, length_mm: float, lip: int) -> float:
        """Chance that the gap lies past tolerance after a cut as asked, the hand's error summed out by its slope."""
        x, strokes = seen.removed_mm + length_mm, seen.lip_strokes + lip
        gap = belief.gap_cents(x, strokes)
        slope = (belief.gap_cents(x + STEP_MM, strokes) - gap) / STEP_MM
        error = np.hypot(self.physics.cut_error_share * length_mm, self.physics.cut_error_mm if length_mm else 0.0)
        spread = np.maximum(np.abs(slope) * error, 0.05)
        return float(belief.weights @ ndtr((gap - seen.tolerance_cents) / spread))

    def fits(self, belief: KnowingBelief, seen: Seen, length_mm: float, lip: int) -> bool:
        """Whether a cut keeps to the ceiling and does not carry the mean over the aim."""
        mean = belief.mean(belief.gap_cents(seen.removed_mm + length_mm, seen.lip_strokes + lip))
        ceiling = self.rule.later if seen.trims else self.rule.first
        return mean <= self.rule.aim_cents and self.chance_past(belief, seen, length_mm, lip) <= ceiling

    def length(self, belief: KnowingBelief, seen: Seen, lip: int) -> float:
        """The longest cut on the tool's step that fits."""
        low, high = 0, round(min(3.0, seen.limit_mm - seen.removed_mm) / STEP_MM)
        while high - low > 1:
            middle = (low + high) // 2
            fits = self.fits(belief, seen, middle * STEP_MM, lip)
            low, high = (middle, high) if fits else (low, middle)
        return round(low * STEP_MM, 2)

    def pitch_good(self, belief: KnowingBelief, seen: Seen, length_mm: float, lip: int) -> NDArray[np.bool_]:
        """For each draw, whether the pitch lies within tolerance of the target (always, without one)."""
        pitch = belief.pitch_cents(seen.removed_mm + length_mm, seen.lip_strokes + lip)
        if seen.target_pitch_cents is None:
            return np.ones(len(pitch), dtype=bool)
        return np.asarray(np.abs(pitch - seen.target_pitch_cents) <= seen.tolerance_cents)

    def strokes(self, belief: KnowingBelief, seen: Seen) -> int:
        """Whole strokes that bring the pitch at the meeting point nearest to the target; the length follows them."""
        if seen.target_pitch_cents is None:
            return 0
        best, best_good = 0, -1.0
        for lip in range(LIP_MOST + 1):
            x = belief.meeting_mm(seen.removed_mm, seen.lip_strokes + lip)
            pitch = belief.pitch_cents(x, seen.lip_strokes + lip)
            good = float(belief.weights @ (np.abs(pitch - seen.target_pitch_cents) <= seen.tolerance_cents))
            if good > best_good + 0.005:
                best, best_good = lip, good
            elif good < best_good - 0.2:
                break
        return best


def tune(
    world: World,
    *,
    n: int = 1000,
    seed: int = 77,
    rules: Sequence[Rule] = (),
    most_past_pct: float = 0.8,
    least_within_pct: float = 98.3,
) -> tuple[Rule, list[Tally]]:
    """The rule with the fewest cuts among those that lose little and leave nearly all within tolerance.

    Played on fresh reeds of the world's own population, not the seed of the table. Where no rule is safe
    enough, the one that loses least.
    """
    if not rules:
        grid = itertools.product((0.002, 0.003), (0.004, 0.006), (0.90, 0.93))
        rules = [Rule(first, later, stop, 0.2, 0.25) for first, later, stop in grid]
    tallies = [play(KnowingPlanner(world.physics, rule), world, n, seed) for rule in rules]
    safe = [
        (tally.cuts_per_reed, index)
        for index, tally in enumerate(tallies)
        if tally.past_pct <= most_past_pct and tally.within_pct >= least_within_pct and tally.unfinished_pct == 0
    ]
    least_lost = [(100.0 - tally.within_pct, index) for index, tally in enumerate(tallies)]
    return rules[min(safe or least_lost)[1]], tallies


# What `python -m tests.worlds tune` chose for each bench (on `heavy` out of three stricter rules: it is slow).
TUNED: dict[str, Rule] = {
    "beam": Rule(0.003, 0.006, 0.93, 0.2, 0.25),
    "heavy": Rule(0.001, 0.003, 0.96, 0.2, 0.4),
    "saturating": Rule(0.003, 0.004, 0.93, 0.2, 0.25),
    "multiplicative": Rule(0.003, 0.004, 0.90, 0.2, 0.25),
    "unbalanced": Rule(0.002, 0.006, 0.93, 0.2, 0.25),
}
