"""Reeds that move with no work done on them: four ways of moving, laid over the benches of physics.py.

What moves is an amount along the gap (crow and pitch follow it), one along the pitch alone and one of the crow alone:

    still      nothing, and no error that a sitting shares
    walk       each night adds a normal step; cane's are the larger
    settling   a reed sharpens after it is made and after each cut, by an amount and at a pace of its own
    jumps      the walk, and now and then a night that moves the gap by some nine cents

All movement comes at three in the morning but for settling, which is smooth. In all but the first the readings of one
reed on one day share an error besides (how it was wetted and held that day). A reed's nights, settling and days are
drawn from its own seed, so that they are the same whoever works at it, and whenever it is read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np
from scipy.special import ndtri

from tests.worlds.physics import Array, Kind
from tests.worlds.shop import WHAT, LiveReed, Shop, World, read_gap_cents, shop_of
from trimfit.base.pitch import NOTES, OUTPUTS

__all__ = ["MOVEMENTS", "Movement", "MovingReed", "MovingWorld", "nights", "settled", "ways", "worked_at"]

NIGHT = 0.125
"""Of a day: when the night's movement is done."""
FULL_CUT_MM = 0.25
"""A cut of so many mm has 63 % of the settling that any cut brings."""
SETTLE_SPREAD, PACE_SPREAD = 0.3, 0.25
"""Standard deviation among reeds of a settling's size (in proportion), and of the log of its time constant."""
PITCH_OWN, CROW_OWN = 0.5, 1.0
"""Steps of pitch alone and of crow alone, beside those of the gap."""
JUMP_GAP_CENTS, JUMP_PITCH_CENTS = 9.0, 3.0
CANE, ONE, TWO = "cane", "moulded one", "moulded two"


@dataclass(frozen=True)
class Movement:
    """How the reeds of each type move: walk in cents of gap per square root of a day; settling in cents of gap after
    making and after a cut, time constant in days; chance of a jump each night; standard deviations of the error that a
    day's readings of one reed share, cents."""

    name: str
    walk_cents: Mapping[str, float] = field(default_factory=lambda: dict.fromkeys((CANE, ONE, TWO), 0.0))
    made_cents: Mapping[str, float] = field(default_factory=lambda: dict.fromkeys((CANE, ONE, TWO), 0.0))
    cut_cents: Mapping[str, float] = field(default_factory=lambda: dict.fromkeys((CANE, ONE, TWO), 0.0))
    days: Mapping[str, float] = field(default_factory=lambda: dict.fromkeys((CANE, ONE, TWO), 5.0))
    jump_chance: float = 0.0
    sitting_gap_cents: float = 0.6
    sitting_pitch_cents: float = 1.5


WALK = {CANE: 1.2, ONE: 0.4, TWO: 0.6}
MOVEMENTS: dict[str, Movement] = {
    movement.name: movement
    for movement in (
        Movement("still", sitting_gap_cents=0.0, sitting_pitch_cents=0.0),
        Movement("walk", WALK),
        Movement(
            "settling",
            made_cents={CANE: 8.0, ONE: 4.0, TWO: 5.0},
            cut_cents={CANE: 4.0, ONE: 3.0, TWO: 3.0},
            days={CANE: 8.0, ONE: 3.0, TWO: 5.0},
        ),
        Movement("jumps", WALK, jump_chance=0.015),
    )
}


def ways(kind: Kind) -> Array:
    """What one cent along the gap, the pitch alone and the crow alone adds to each output, shape (3, 10)."""
    notes = np.array([{"f": 0.7, "e": -0.3, "high_g": 0.5}.get(note, 0.2) for note in NOTES])
    gap = np.concatenate([[2.4 if kind.cane else 1.5], notes])
    pitch = np.concatenate([[0.0], np.ones(len(NOTES))])
    crow = np.array([output == "crow" for output in OUTPUTS], dtype=float)
    return np.vstack([gap, pitch, crow])


def nights(since_day: float, day: float) -> int:
    """How many nights lie between two moments."""
    return max(int(np.floor(day - NIGHT)) - int(np.floor(since_day - NIGHT)), 0)


def settled(days_since: float, time_constant_days: float) -> float:
    """The share of a settling that is behind a reed."""
    return float(-np.expm1(-max(days_since, 0.0) / time_constant_days))


def worked_at(length_mm: float) -> float:
    """The share of a cut's full settling that a cut of this length brings."""
    return float(-np.expm1(-length_mm / FULL_CUT_MM))


@dataclass
class MovingReed(LiveReed):
    """A reed in the hand that moves by itself. `cuts`: (day, mm) of each cut."""

    movement: Movement = MOVEMENTS["still"]
    seed: int = 0
    cuts: list[tuple[float, float]] = field(default_factory=list)
    _nightly: tuple[Array, Array] = field(default=(np.zeros((0, 3)), np.zeros(0)), repr=False)

    @classmethod
    def of(cls, reed: LiveReed, movement: Movement, seed: int) -> MovingReed:
        """The same reed, moving."""
        return cls(**{item.name: getattr(reed, item.name) for item in fields(LiveReed)}, movement=movement, seed=seed)

    def rest_until(self, day: float) -> None:
        """Let it lie until a day of the story."""
        if day < self.day:
            raise ValueError(f"reed {self.reed} is at day {self.day} already, and cannot rest until {day}")
        self.day = day

    def _nights(self, count: int) -> tuple[Array, Array]:
        """Steps (count, 3) of the three amounts, and whether each night brought a jump (count,)."""
        if len(self._nightly[1]) < count:
            rng = np.random.default_rng([self.seed, 1])
            many = max(2 * count, 64)
            walk = self.movement.walk_cents[self.kind.name]
            draws = rng.standard_normal((many, 6))  # row by row, so that a longer story begins as a shorter one
            jumped = draws[:, 5] > ndtri(1.0 - self.movement.jump_chance)
            steps = draws[:, :3] * walk * np.array([1.0, PITCH_OWN, CROW_OWN])
            steps[:, :2] += jumped[:, None] * draws[:, 3:5] * np.array([JUMP_GAP_CENTS, JUMP_PITCH_CENTS])
            self._nightly = steps, jumped
        steps, jumped = self._nightly
        return steps[:count], jumped[:count]

    def amounts_cents(self) -> Array:
        """How far it has moved by itself since it was made: along the gap, pitch alone, crow alone, shape (3,)."""
        moved = self._nights(nights(self.made_day, self.day))[0].sum(axis=0)
        how, kind = self.movement, self.kind.name
        made, cut, pace = np.random.default_rng([self.seed, 2]).standard_normal(3)
        tau = how.days[kind] * np.exp(PACE_SPREAD * pace)
        moved[0] += how.made_cents[kind] * (1.0 + SETTLE_SPREAD * made) * settled(self.day - self.made_day, tau)
        behind = sum(worked_at(length) * settled(self.day - day, tau) for day, length in self.cuts)
        moved[0] += how.cut_cents[kind] * (1.0 + SETTLE_SPREAD * cut) * behind
        return np.asarray(moved)

    def jumps(self, since_day: float, day: float) -> int:
        """How many jumps it made between two days of its life."""
        jumped = self._nights(nights(self.made_day, day))[1]
        return int(jumped[nights(self.made_day, since_day) :].sum())

    def shift_cents(self) -> Array:
        """What movement, and the error that today's readings share, add to each output, shape (10,)."""
        sitting = np.random.default_rng([self.seed, 3, int(np.floor(self.day))]).standard_normal(2)
        shared = sitting * np.array([self.movement.sitting_gap_cents, self.movement.sitting_pitch_cents])
        directions = ways(self.kind)
        shift: Array = self.amounts_cents() @ directions
        shift[OUTPUTS.index("f")] += 0.5 * shared[0]
        shift[OUTPUTS.index("e")] -= 0.5 * shared[0]
        return shift + shared[1] * directions[1]

    def cut(self, rng: np.random.Generator, asked_mm: float, lip: int = 0) -> float:
        """As of any reed; it begins to settle anew."""
        taken = super().cut(rng, asked_mm, lip)
        self.cuts.append((self.day, taken))
        return taken

    def true_gap_cents(self, chanter: str | None = None, *, more_mm: float = 0.0) -> float:
        """Gap as it is at this moment, what it has moved by itself counted, without today's shared error."""
        return super().true_gap_cents(chanter, more_mm=more_mm) + float(self.amounts_cents()[0])

    def true_pitch_cents(self, chanter: str | None = None) -> float:
        """Pitch (mean of F and E) as it is at this moment."""
        gap, pitch, _ = self.amounts_cents()
        return super().true_pitch_cents(chanter) + 0.2 * float(gap) + float(pitch)


class MovingWorld(World):
    """A physics whose reeds move. `seed` draws each reed's own nights."""

    def __init__(self, name: str, movement: str, rng: np.random.Generator, *, seed: int = 0, pipes: int = 5) -> None:
        super().__init__(name, rng, pipes=pipes)
        self.movement = MOVEMENTS[movement]
        self.seed = seed

    def _reeds(self, rng: np.random.Generator, kind: Kind, batch: str, count: int, shared: Array) -> list[LiveReed]:
        still = super()._reeds(rng, kind, batch, count, shared)
        return [MovingReed.of(reed, self.movement, 1_000_000 * self.seed + int(reed.reed[2:])) for reed in still]

    def moving_reeds(
        self, rng: np.random.Generator, n: int, *, read_from_day: float, new_batches: int | None = None
    ) -> list[MovingReed]:
        """`n` untrimmed reeds, of batches made 2 to 20 days before `read_from_day`."""
        reeds = [reed for reed in self.new_reeds(rng, n, new_batches) if isinstance(reed, MovingReed)]
        made = {batch: np.floor(read_from_day) - float(rng.integers(2, 21)) for batch in {r.batch: 0 for r in reeds}}
        for reed in reeds:
            reed.made_day = reed.day = made[reed.batch]
        return reeds

    def moved_history(self, rng: np.random.Generator, n: int = 360, *, batches_per_type: int = 10) -> Shop:
        """A log of `n` past reeds as a careful hand worked at them over weeks; all have left the bench."""
        reeds = [r for r in self.new_reeds(rng, n, 3 * batches_per_type) if isinstance(r, MovingReed)]
        for index, reed in enumerate(reeds):
            reed.made_day = reed.day = float(index // 12) * 4.0
            work_by_hand(rng, reed)
        return shop_of(self, list(reeds), outcomes=True)


def a_later_day(rng: np.random.Generator, reed: MovingReed, days: tuple[int, ...]) -> None:
    """Let it lie some days, until working hours; no days: it is gone on with."""
    waited = days[int(rng.integers(len(days)))]
    if waited:
        reed.rest_until(float(np.floor(reed.day) + waited + rng.uniform(0.36, 0.66)))


def work_by_hand(rng: np.random.Generator, reed: MovingReed) -> None:
    """Read, take 0.6 of what seems wanting by today's reading, until the gap reads less than 2.7 cents wide.

    Of the reeds a third are read twice, days apart, before they are first cut, and a tenth before each later cut;
    between cuts a reed lies for up to a week.
    """
    a_later_day(rng, reed, (1, 1, 2, 3, 5))
    if rng.random() < 0.5:
        reed.read(rng, what="crow")
    for turn in range(9):
        holes = rng.random()
        what: tuple[str, ...] = WHAT["short"] if holes < 0.15 else OUTPUTS if holes > 0.25 else NOTES
        gap = read_gap_cents(reed.read(rng, what=what))
        if rng.random() < (1 / 3 if turn == 0 else 0.1):
            a_later_day(rng, reed, (1, 2, 4, 7, 14, 28))
            gap = read_gap_cents(reed.read(rng))
        if abs(gap) > 150:  # a slip that any hand sees
            continue
        if gap > -2.7:
            return
        asked = round(0.6 * -gap / reed.kind.gap_cents_per_mm, 2)
        lip = int(rng.integers(1, 5)) if rng.random() < (0.25 if turn == 0 else 0.1) else 0
        reed.cut(rng, max(asked, 0.02), lip)
        a_later_day(rng, reed, (0, 0, 1, 2, 7))
