"""How the reeds of the invented shop sound. Nothing here knows what trimfit fits, and trimfit never reads this.

A reed is a beam: its crow goes as stiffness / length squared, so a cut tells more as the blade gets shorter. A chanter
asks for a crow; how far the reed's crow lies under that crow sets the gap between F and E, in a bent curve and with
the reed's own factor. Pitches are cents from 440 Hz, notes read as low A. Every number is invented. How a reed moves
with no work done on it is in shop_movement.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random

from shop_movement import Material, Movement, day_seat, make_movement, normal

NOTES = ("low_g", "low_a", "b", "c", "d", "e", "f", "high_g", "high_a")
RATIO = {
    "low_g": 8 / 9, "low_a": 1.0, "b": 9 / 8, "c": 5 / 4, "d": 4 / 3, "e": 3 / 2, "f": 5 / 3, "high_g": 7 / 4,
    "high_a": 2.0,
}  # fmt: skip
# How a reed seated too deep or too shallow tilts the scale: share of the A's disagreement that each note takes.
TILT = {
    "low_g": -0.6, "low_a": -0.5, "b": -0.35, "c": -0.2, "d": 0.0, "e": 0.1, "f": 0.3, "high_g": 0.45, "high_a": 0.5,
}  # fmt: skip
# Cents that each note outside A, E and F moves when the crow rises by a cent, beside what the A's do.
DRAG = {"low_g": -0.03, "b": 0.01, "c": 0.02, "d": 0.03, "high_g": 0.09}
# Holes that somebody carved wider: so many cents sharper than the chanter was made.
CARVED = {("CH-18 spare", "high_g"): 22.0}
TOP_HAND = ("e", "f", "high_g", "high_a")
BENCH_PRESSURE_KPA = 6.0
BENCH_TEMPERATURE_C = 20.0


def hz(cents: float) -> float:
    """Hertz of a pitch in cents from 440 Hz."""
    return 440.0 * 2.0 ** (cents / 1200.0)


@dataclass(frozen=True)
class Kind:
    """A reed type. `gap_per_crow`: cents of gap for a cent of crow, near the meeting point."""

    name: str
    blade_mm: float
    new_crow_cents: float
    gap_per_crow: float
    bend: float
    asks_more_cents: float
    lip_crow_cents: float
    lip_pitch_cents: float
    lip_gap_cents: float
    bottom_cents_per_kpa: float
    top_cents_per_kpa: float
    material: Material


KINDS = (
    Kind("broad cane", 23.0, 232.0, 0.31, 0.10, -4.0, -2.6, -0.8, 0.40, 6.0, 11.0, Material(5.5, 1.0, 3.0, 6.0, 1.6)),
    Kind("hard moulded", 21.5, 246.0, 0.52, 0.06, 6.0, -1.4, -0.4, 0.55, 3.5, 6.0, Material(2.1, 0.9, 9.0, 1.5, 0.5)),
    Kind("soft moulded", 22.2, 238.0, 0.40, 0.08, 0.0, -2.0, -0.7, 0.15, 4.5, 7.5, Material(2.4, 1.0, 7.0, 2.5, 0.7)),
)


@dataclass(frozen=True)
class Pipe:
    """A chanter: where its F and E meet, the crow it asks for, and what each note leans from the A's."""

    name: str
    meets_hz: float
    asks_crow_cents: float
    bore_gauge_mm: float
    leans_cents: dict[str, float]

    @property
    def meets_cents(self) -> float:
        """Meeting pitch in cents from 440 Hz."""
        return 1200.0 * math.log2(self.meets_hz / 440.0)


def make_pipes(rng: Random) -> dict[str, Pipe]:
    """The shop's five chanters. The flat old one asks for the sharpest crow."""
    rows = (
        ("CH-03 old flat", 466.5, 384.0, 41.6),
        ("CH-07 plain", 472.0, 346.0, 38.2),
        ("CH-11 sharp solo", 478.5, 330.0, 35.9),
        ("CH-15 set of twelve", 474.0, 355.0, 37.4),
        ("CH-18 spare", 470.0, 366.0, 39.0),
    )
    pipes = {
        name: Pipe(name, meets, crow, gauge, {note: normal(rng, 3.5) for note in DRAG})
        for name, meets, crow, gauge in rows
    }
    for (name, note), cents in CARVED.items():
        pipes[name].leans_cents[note] += cents
    return pipes


@dataclass(frozen=True)
class Batch:
    """A batch: what its reeds share beside their type. `made_day` counts from the first day of the story."""

    name: str
    kind: Kind
    made_day: int
    crow_cents: float
    answer: float
    asks_cents: float
    pitch_cents: float
    settle: float


@dataclass
class Blank:
    """One reed on its way: what it is (drawn once) and what has been done to it."""

    name: str
    batch: Batch
    blade_mm: float
    stiffness_cents: float
    answer: float
    asks_cents: float
    pitch_cents: float
    drag: float
    movement: Movement
    removed_mm: float = 0.0
    strokes: float = 0.0

    def crow_cents(self, day: float) -> float:
        """The crow by the beam law: f goes as 1 / L squared; easing the lips lowers it; and it moves by itself."""
        kind, batch = self.batch.kind, self.batch
        moved = self.movement.crow_cents(day, batch.made_day, batch.settle)
        shortened = 2400.0 * math.log2(kind.blade_mm / (self.blade_mm - self.removed_mm))
        lips = kind.lip_crow_cents * self.strokes
        return kind.new_crow_cents + batch.crow_cents + self.stiffness_cents + shortened + lips + moved

    def want_cents(self, pipe: Pipe, day: float) -> float:
        """How far the crow lies from the one that this chanter asks of this reed; negative: still too flat."""
        kind, batch = self.batch.kind, self.batch
        asked = pipe.asks_crow_cents + kind.asks_more_cents + batch.asks_cents + self.asks_cents
        return self.crow_cents(day) - kind.lip_crow_cents * self.strokes - asked

    def gap_cents(self, pipe: Pipe, day: float) -> float:
        """True F-E gap, balanced, at the bench's pressure."""
        kind = self.batch.kind
        want = self.want_cents(pipe, day)
        bent = want * (1.0 + kind.bend * max(want, -400.0) / 100.0)
        return kind.gap_per_crow * self.batch.answer * self.answer * bent + kind.lip_gap_cents * self.strokes

    def notes_cents(self, pipe: Pipe, day: float) -> dict[str, float]:
        """The nine notes as low A, balanced, at the bench's pressure and temperature."""
        kind = self.batch.kind
        want, gap = self.want_cents(pipe, day), self.gap_cents(pipe, day)
        level = pipe.meets_cents + self.batch.pitch_cents + self.pitch_cents + kind.lip_pitch_cents * self.strokes
        level += 0.06 * self.drag * want + self.movement.pitch_cents(day)
        notes = {note: level + pipe.leans_cents[note] + DRAG[note] * self.drag * want for note in DRAG}
        notes |= {"low_a": level, "high_a": level, "f": level + 0.55 * gap, "e": level - 0.45 * gap}
        return notes


def make_blank(rng: Random, name: str, batch: Batch) -> Blank:
    """A reed of a batch. Blades spread by 0.08 mm, stiffness by 10 cents of crow, answers to a cut by a sixth."""
    return Blank(
        name=name,
        batch=batch,
        blade_mm=batch.kind.blade_mm + normal(rng, 0.08),
        stiffness_cents=normal(rng, 10.0),
        answer=math.exp(normal(rng, 0.16)),
        asks_cents=normal(rng, 11.0),
        pitch_cents=normal(rng, 2.0),
        drag=1.0 + normal(rng, 0.25),
        movement=make_movement(name, batch.kind.material),
    )


@dataclass(frozen=True)
class Air:
    """What a reading was taken in."""

    day: float
    pressure_kpa: float
    temperature_c: float


@dataclass(frozen=True)
class Seat:
    """How the reed sat for a reading: all notes share `shift`; `tilt` is what the A's then disagree by."""

    shift_cents: float
    tilt_cents: float


def seat(rng: Random, *, tilt_sd_cents: float = 1.2) -> Seat:
    """Seat the reed afresh."""
    return Seat(normal(rng, 2.0), normal(rng, tilt_sd_cents))


def sound(rng: Random, blank: Blank, pipe: Pipe | None, air: Air, sat: Seat) -> dict[str, float]:
    """What the tuner shows, in hertz: the crow alone without a chanter, else crow, nine notes and the G octave."""
    warm = air.temperature_c - BENCH_TEMPERATURE_C
    today = day_seat(blank.name, air.day)
    values = {"crow": hz(blank.crow_cents(air.day) + today.crow_cents + 0.4 * warm + normal(rng, 3.0))}
    if pipe is None:
        return values
    kind = blank.batch.kind
    notes = {note: cents + today.pitch_cents for note, cents in blank.notes_cents(pipe, air.day).items()}
    notes["f"] += 0.5 * today.gap_cents
    notes["e"] -= 0.5 * today.gap_cents
    blown = air.pressure_kpa - BENCH_PRESSURE_KPA
    for note in NOTES:
        slope = kind.top_cents_per_kpa if note in TOP_HAND else kind.bottom_cents_per_kpa
        heard = notes[note] + slope * blown + 3.0 * warm + sat.shift_cents + TILT[note] * sat.tilt_cents
        values[note] = hz(heard + normal(rng, 0.9)) * RATIO[note]
    witness = notes["low_a"] + 0.35 * blank.gap_cents(pipe, air.day) + kind.bottom_cents_per_kpa * blown
    values["g_octave"] = hz(witness + 3.0 * warm + sat.shift_cents + normal(rng, 2.0)) * 2.0 * RATIO["low_g"]
    return values
