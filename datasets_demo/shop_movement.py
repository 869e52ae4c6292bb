"""How the reeds of the invented shop move with no work done on them. Nothing here knows what trimfit fits.

Cane takes up and gives off moisture: the air of the shop swings with the weather, a reed follows it with its own lag,
and where it lies has a damp of its own. A reed gives way after it is made and after each cut by a stretched
exponential, fast at first and long in ending. Now and then one is soaked or dropped. Every day a reed sits a little
otherwise. Every number is invented. A reed's draws come from its name alone, so that nothing else in the story shifts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from random import Random
from statistics import NormalDist

STANDARD_NORMAL = NormalDist()
STRETCH = 0.6
"""Exponent of the stretched exponential by which reeds settle."""
MADE_DAYS, CUT_DAYS = 12.0, 4.0
"""Time constants of settling, after a reed is made and after a cut."""
WEATHER_PERIODS_DAYS = (365.25, 83.0, 37.0, 19.0, 11.0)
SHELF_PERIODS_DAYS = (61.0, 29.0, 13.0)


def normal(rng: Random, sd: float) -> float:
    """A draw with mean 0, made from one uniform number so that it is the same on every version of Python."""
    return sd * STANDARD_NORMAL.inv_cdf(min(max(rng.random(), 1e-12), 1.0 - 1e-12))


def settled(days: float, constant_days: float) -> float:
    """Share of its settling that a reed has done after so many days: 1 - exp(-(t / constant)^STRETCH)."""
    return 1.0 - math.exp(-((max(days, 0.0) / constant_days) ** STRETCH))


@dataclass(frozen=True)
class Swings:
    """A slow swing about 0 with standard deviation 1: waves of several periods, phases drawn once."""

    periods_days: tuple[float, ...]
    phases: tuple[float, ...]

    def at(self, day: float, lag_days: float = 0.0) -> float:
        """The swing on a day, as something follows it that gives way with this lag (0: the swing itself).

        A first-order lag makes each wave smaller by sqrt(1 + (w lag)²) and late by atan(w lag).
        """
        total = 0.0
        for period, phase in zip(self.periods_days, self.phases, strict=True):
            turns = 2.0 * math.pi / period
            late = math.atan(turns * lag_days)
            total += math.cos(late) * math.sin(turns * day + phase - late)
        return total * math.sqrt(2.0 / len(self.periods_days))


def swings(rng: Random, periods_days: tuple[float, ...]) -> Swings:
    """Swings of these periods with phases drawn afresh."""
    return Swings(periods_days, tuple(2.0 * math.pi * rng.random() for _ in periods_days))


WEATHER = swings(Random("weather of the demo shop"), WEATHER_PERIODS_DAYS)
"""How damp the shop's air is, the same for all reeds."""


@dataclass(frozen=True)
class Material:
    """How a reed type moves. Cents of crow: for one unit of moisture, after it is made, after a cut.

    `moisture_pitch_cents`: all notes, for one unit of the moisture where the reed lies; `lag_days`: how slowly it
    follows the air.
    """

    moisture_crow_cents: float
    moisture_pitch_cents: float
    lag_days: float
    made_crow_cents: float
    cut_crow_cents: float


@dataclass
class Movement:
    """One reed's movement: what it is (drawn once), and the days it was cut and knocked."""

    material: Material
    shelf: Swings
    bore: Swings
    lag_days: float
    takes: float
    gives: float
    cut_days: list[float] = field(default_factory=list)
    knocks: list[tuple[float, float, float]] = field(default_factory=list)

    def crow_cents(self, day: float, made_day: float, batch_settle: float) -> float:
        """How far the crow has moved by itself: moisture lowers it, settling raises it, a knock does either."""
        material = self.material
        damp = 0.7 * WEATHER.at(day, self.lag_days) + 0.7 * self.shelf.at(day, self.lag_days)
        moved = -material.moisture_crow_cents * self.takes * damp
        moved += material.made_crow_cents * batch_settle * settled(day - made_day, MADE_DAYS)
        for cut_day in self.cut_days:
            moved += material.cut_crow_cents * self.gives * settled(day - cut_day, CUT_DAYS)
        return moved + sum(crow for at, crow, _ in self.knocks if at < day)

    def pitch_cents(self, day: float) -> float:
        """How far all notes have moved together."""
        damp = 0.5 * WEATHER.at(day, self.lag_days) + 0.85 * self.bore.at(day, self.lag_days)
        moved = -self.material.moisture_pitch_cents * self.takes * damp
        return moved + sum(pitch for at, _, pitch in self.knocks if at < day)


def make_movement(name: str, material: Material) -> Movement:
    """A reed's movement, from its name: lags spread by a half, what it takes up by a quarter."""
    rng = Random(f"movement of {name}")
    return Movement(
        material=material,
        shelf=swings(rng, SHELF_PERIODS_DAYS),
        bore=swings(rng, SHELF_PERIODS_DAYS),
        lag_days=material.lag_days * math.exp(normal(rng, 0.5)),
        takes=math.exp(normal(rng, 0.25)),
        gives=max(1.0 + normal(rng, 0.5), 0.0),
    )


@dataclass(frozen=True)
class DaySeat:
    """How a reed sits on one day, whatever is read then: cents of crow, of gap and of all notes."""

    crow_cents: float
    gap_cents: float
    pitch_cents: float


def day_seat(name: str, day: float) -> DaySeat:
    """The day's own seating error of a reed, from its name and the day."""
    rng = Random(f"{name} sits on day {math.floor(day)}")
    return DaySeat(normal(rng, 1.2), normal(rng, 0.5), normal(rng, 0.8))
