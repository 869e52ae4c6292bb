"""Five make-believe physics for a reed bench, none of them the model that trimfit fits.

A reed is a vector of deviates, standard normal over its type (batch and reed together): `LATENTS` names them and
`BATCH_SHARE` says which part of each variance the batch carries. Everything else follows from the deviates, the length
removed x (mm), the lip strokes and the chanter. Pitches are cents from 440 Hz, notes as low A. All numbers invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from scipy.special import ndtr, stdtrit

from tests.worlds.noise import Array, Noise
from trimfit.base.pitch import NOTES, OUTPUTS

__all__ = ["BATCH_SHARE", "BENCH_WORDS", "LATENTS", "PHYSICS", "Array", "Kind", "Noise", "Physics", "Pipe"]

LATENTS = (
    "crow_level", "gap_level", "gap_slope", "crow_slope", "pitch_level", "pitch_slope", "bend", "middle", "lip",
    "low_g", "b", "c", "d", "high_g",
)  # fmt: skip
BATCH_SHARE = {"crow_level": 0.26, "gap_level": 0.26, "gap_slope": 0.14, "pitch_level": 0.2}
AT = {name: index for index, name in enumerate(LATENTS)}
SIDE_NOTES = ("low_g", "b", "c", "d", "high_g")  # the notes that neither F, E nor the A's
SIDE_SLOPES = np.array([-3.0, 1.0, 2.5, 4.0, 9.0])  # cents a mm beside what the A's do
TOP_HAND = np.array([note in ("e", "f", "high_g", "high_a") for note in NOTES])
USUAL_TRIM_MM = 0.7
BENCH_PRESSURE_KPA = 6.0
BENCH_TEMPERATURE_C = 20.0
TEMPERATURE_CENTS_PER_C = 3.0
CROW_TEMPERATURE_CENTS_PER_C = 0.4


@dataclass(frozen=True)
class Kind:
    """A reed type's own figures. Slopes are those of a usual reed over a usual trim."""

    name: str
    cane: bool
    new_gap_cents: float
    gap_cents_per_mm: float
    new_crow_cents: float
    crow_cents_per_mm: float
    pitch_cents_per_mm: float
    lip_crow_cents: float
    lip_pitch_cents: float
    lip_gap_cents: float
    bottom_cents_per_kpa: float
    top_cents_per_kpa: float
    blade_mm: float


@dataclass(frozen=True)
class Pipe:
    """A chanter: its own pitch, how far it shifts each type's gap, what its side notes lean."""

    name: str
    pitch_cents: float
    gap_shift_cents: Mapping[str, float]
    lean_cents: Array


KINDS = (
    Kind("cane", True, -46.0, 42.0, 235.0, 148.0, 5.0, -2.6, -0.8, 0.4, 5.5, 10.0, 23.0),
    Kind("moulded one", False, -42.0, 84.0, 247.0, 160.0, 6.0, -1.5, -0.5, 0.6, 3.2, 5.5, 21.5),
    Kind("moulded two", False, -44.0, 60.0, 240.0, 154.0, 4.0, -2.0, -0.9, 0.2, 4.0, 7.0, 22.2),
)


def vary_kind(rng: np.random.Generator, kind: Kind) -> Kind:
    """A shop's own version of a type: the same sort of reed, other figures."""
    shift = rng.standard_normal(8)
    return replace(
        kind,
        new_gap_cents=kind.new_gap_cents + 3.0 * shift[0],
        gap_cents_per_mm=kind.gap_cents_per_mm * float(np.exp(0.04 * shift[1])),
        new_crow_cents=kind.new_crow_cents + 8.0 * shift[2],
        crow_cents_per_mm=kind.crow_cents_per_mm * float(np.exp(0.03 * shift[3])),
        pitch_cents_per_mm=kind.pitch_cents_per_mm + 0.7 * shift[4],
        lip_crow_cents=kind.lip_crow_cents * float(np.exp(0.1 * shift[5])),
        lip_pitch_cents=kind.lip_pitch_cents * float(np.exp(0.1 * shift[6])),
        lip_gap_cents=kind.lip_gap_cents * float(np.exp(0.1 * shift[7])),
    )


def make_pipes(rng: np.random.Generator, kinds: tuple[Kind, ...], count: int) -> tuple[Pipe, ...]:
    """Chanters between 466 and 480 Hz; the flatter ones let the gap start wider (they ask for a sharper reed)."""
    pipes = []
    for index, pitch in enumerate(np.linspace(101.0, 148.0, count) + rng.normal(0.0, 3.0, count)):
        common = 0.18 * (pitch - 125.0) + rng.normal(0.0, 3.0)
        shifts = {kind.name: float(common + rng.normal(0.0, 1.0)) for kind in kinds}
        pipes.append(Pipe(f"CH-{index + 1:02d}", float(pitch), shifts, rng.normal(0.0, 3.5, len(SIDE_NOTES))))
    return tuple(pipes)


class Physics:
    """A population of reeds: how they look new, and how they answer. Subclasses bend it.

    u: deviates (n, len(LATENTS)); x, strokes: scalars or (n,). Results are (n,) or (n, 10).
    """

    name: ClassVar[str] = "plain"
    noise: ClassVar[Noise] = Noise()
    batch_share: ClassVar[Mapping[str, float]] = BATCH_SHARE
    slope_spread: ClassVar[float] = 0.2
    gap_level_sd_cents: ClassVar[float] = 9.9
    crow_level_sd_cents: ClassVar[float] = 20.0
    crow_tells_gap: ClassVar[float] = 0.75  # correlation of crow and gap among new reeds of a type
    pitch_level_sd_cents: ClassVar[float] = 2.0
    cut_error_mm: ClassVar[float] = 0.006
    cut_error_share: ClassVar[float] = 0.03

    def __init__(self, rng: np.random.Generator, pipes: int = 5) -> None:
        self.kinds = tuple(vary_kind(rng, kind) for kind in KINDS)
        self.pipes = make_pipes(rng, self.kinds, pipes)

    def shares(self) -> Array:
        """The batch's part of each deviate's variance, shape (len(LATENTS),)."""
        return np.array([self.batch_share.get(name, 0.0) for name in LATENTS])

    # What a physics may bend -------------------------------------------------------------------------------------

    def slope_factor(self, z: Array) -> Array:
        """How much stronger than its type a reed answers a cut, from its deviate."""
        return np.exp(self.slope_spread * z - 0.5 * self.slope_spread**2)

    def level(self, z: Array) -> Array:
        """A level's deviate as it counts; standard normal unless bent."""
        return z

    def depth_mm(self, u: Array, x: Array | float, kind: Kind) -> Array:
        """How much a removed length counts, in mm of a straight answer."""
        raise NotImplementedError

    # What follows ------------------------------------------------------------------------------------------------

    def crow_cents(self, u: Array, x: Array | float, strokes: Array | float, kind: Kind) -> Array:
        """True crow."""
        own = 1.0 + 0.08 * (0.5 * u[:, AT["gap_slope"]] + 0.87 * u[:, AT["crow_slope"]])
        level = kind.new_crow_cents + self.crow_level_sd_cents * self.level(u[:, AT["crow_level"]])
        return level + kind.crow_cents_per_mm * own * self.depth_mm(u, x, kind) + self.lips(u, strokes, "crow", kind)

    def gap_cents(self, u: Array, x: Array | float, strokes: Array | float, kind: Kind, pipe: Pipe) -> Array:
        """True F-E gap, balanced, at the bench's pressure."""
        told = self.crow_tells_gap
        level = told * self.level(u[:, AT["crow_level"]]) + np.sqrt(1 - told**2) * self.level(u[:, AT["gap_level"]])
        start = kind.new_gap_cents + pipe.gap_shift_cents[kind.name] + self.gap_level_sd_cents * level
        slope = kind.gap_cents_per_mm * self.slope_factor(u[:, AT["gap_slope"]])
        return start + slope * self.depth_mm(u, x, kind) + self.lips(u, strokes, "gap", kind)

    def rise_cents(self, u: Array, x: Array | float, kind: Kind, pipe: Pipe) -> Array:
        """How the A's climb with trimming, nothing at a usual trim."""
        own = 1.0 + 0.3 * u[:, AT["pitch_slope"]]
        return kind.pitch_cents_per_mm * own * (self.depth_mm(u, x, kind) - USUAL_TRIM_MM)

    def lips(self, u: Array, strokes: Array | float, what: str, kind: Kind) -> Array:
        """What the strokes did to crow, pitch or gap."""
        own = np.exp(0.2 * u[:, AT["lip"]])
        return {"crow": kind.lip_crow_cents, "pitch": kind.lip_pitch_cents, "gap": kind.lip_gap_cents}[
            what
        ] * np.asarray(own * strokes)

    def middle_cents(self, u: Array, x: Array | float, strokes: Array | float, kind: Kind, pipe: Pipe) -> Array:
        """True pitch: the mean of F and E as low A, balanced, at the bench's pressure and temperature."""
        level = pipe.pitch_cents + self.pitch_level_sd_cents * self.level(u[:, AT["pitch_level"]])
        level = level + self.rise_cents(u, x, kind, pipe) + self.lips(u, strokes, "pitch", kind)
        return level + 1.0 * u[:, AT["middle"]]

    def outputs_cents(self, u: Array, x: Array | float, strokes: Array | float, kind: Kind, pipe: Pipe) -> Array:
        """Crow and nine notes, shape (n, 10), in the order of OUTPUTS."""
        gap = self.gap_cents(u, x, strokes, kind, pipe)
        middle = self.middle_cents(u, x, strokes, kind, pipe)
        a = middle - 1.0 * u[:, AT["middle"]]
        depth = self.rise_cents(u, x, kind, pipe) / kind.pitch_cents_per_mm
        side = {
            note: a + pipe.lean_cents[i] + 2.5 * u[:, AT[note]] + SIDE_SLOPES[i] * depth
            for i, note in enumerate(SIDE_NOTES)
        }
        notes = side | {"low_a": a, "high_a": a, "e": middle - 0.5 * gap, "f": middle + 0.5 * gap}
        columns = [self.crow_cents(u, x, strokes, kind), *(notes[note] for note in NOTES)]
        return np.column_stack(columns)

    def conditions_cents(self, kind: Kind, pressure_kpa: float, temperature_c: float) -> Array:
        """What blowing and warmth add to each output, shape (10,)."""
        blown = np.where(TOP_HAND, kind.top_cents_per_kpa, kind.bottom_cents_per_kpa)
        notes = blown * (pressure_kpa - BENCH_PRESSURE_KPA)
        warm = temperature_c - BENCH_TEMPERATURE_C
        return np.concatenate([[CROW_TEMPERATURE_CENTS_PER_C * warm], notes + TEMPERATURE_CENTS_PER_C * warm])

    def kind(self, name: str) -> Kind:
        """The type of that name."""
        return next(kind for kind in self.kinds if kind.name == name)

    def pipe(self, name: str) -> Pipe:
        """The chanter of that name."""
        return next(pipe for pipe in self.pipes if pipe.name == name)

    def meeting_pitch_cents(self, kind: Kind, pipe: Pipe) -> float:
        """The chanter's own meeting pitch: where a usual reed of the type has gap zero."""
        u, low, high = np.zeros((1, len(LATENTS))), 0.0, 4.0
        for _ in range(50):
            x = 0.5 * (low + high)
            low, high = (x, high) if self.gap_cents(u, x, 0.0, kind, pipe)[0] < 0 else (low, x)
        return float(self.middle_cents(u, low, 0.0, kind, pipe)[0])


class Beam(Physics):
    """The crow by the beam law, f ~ 1/L^2, each reed with its own blade and stiffness. Each chanter asks for a crow;
    what is wanting to it sets the gap, along a curve, and an effective length that drives every other note."""

    name = "beam"
    slope_spread = 0.19

    def depth_mm(self, u: Array, x: Array | float, kind: Kind) -> Array:
        """By the beam law: 1 mm off a shorter blade counts for more. The deviate `crow_slope` is the blade's length."""
        blade = kind.blade_mm + 0.5 * u[:, AT["crow_slope"]]
        return 2400.0 * np.log2(blade / (blade - np.minimum(x, 0.6 * blade))) / (3462.5 / kind.blade_mm)

    def crow_cents(self, u: Array, x: Array | float, strokes: Array | float, kind: Kind) -> Array:
        """Level from stiffness and blade together; then the beam law alone."""
        level = kind.new_crow_cents + self.crow_level_sd_cents * u[:, AT["crow_level"]]
        return level + 3462.5 / kind.blade_mm * self.depth_mm(u, x, kind) + self.lips(u, strokes, "crow", kind)

    def wanting_cents(self, u: Array, x: Array | float, kind: Kind, pipe: Pipe) -> Array:
        """Crow less the crow that this chanter asks of this reed (lips apart)."""
        per_crow = kind.gap_cents_per_mm / (3462.5 / kind.blade_mm)
        asked = kind.new_crow_cents - (kind.new_gap_cents + pipe.gap_shift_cents[kind.name]) / per_crow
        own = 0.66 * self.gap_level_sd_cents / per_crow * u[:, AT["gap_level"]]
        heard = self.gap_level_sd_cents * self.crow_tells_gap / per_crow * u[:, AT["crow_level"]]
        return kind.new_crow_cents + heard + 3462.5 / kind.blade_mm * self.depth_mm(u, x, kind) - asked - own

    def gap_cents(self, u: Array, x: Array | float, strokes: Array | float, kind: Kind, pipe: Pipe) -> Array:
        """A bent curve in what the crow is wanting: flatter far out, steeper near the meeting point."""
        want = self.wanting_cents(u, x, kind, pipe)
        per_crow = kind.gap_cents_per_mm / (3462.5 / kind.blade_mm) * self.slope_factor(u[:, AT["gap_slope"]])
        bent = 0.72 * want + 28.0 * np.tanh(want / 100.0)
        return per_crow * bent + self.lips(u, strokes, "gap", kind)

    def rise_cents(self, u: Array, x: Array | float, kind: Kind, pipe: Pipe) -> Array:
        """The effective length of reed in the chanter shrinks as the crow comes up to what is asked."""
        want = self.wanting_cents(u, x, kind, pipe)
        effective_mm = 30.0 * np.exp2(-want / 1200.0) * (1.0 + 0.04 * u[:, AT["pitch_slope"]])
        usual_mm = 30.0 * (1.0 + 0.04 * u[:, AT["pitch_slope"]])
        return 1200.0 * np.log2((330.0 + usual_mm) / (330.0 + effective_mm)) * kind.pitch_cents_per_mm / 8.0


# A normal deviate turned into a Student one with the same chance, on a grid fine enough to be smooth (1e-5).
NORMAL_GRID = np.linspace(-6.0, 6.0, 12001)
STUDENT_GRID = stdtrit(3.0, ndtr(NORMAL_GRID)) / np.sqrt(3.0)


class Heavy(Physics):
    """A straight line in mm; errors and levels with Student tails on three degrees of freedom; 1.5 % slips."""

    name = "heavy"
    noise = Noise(crow_sd_cents=2.2, note_sd_cents=0.66, tilt_sd_cents=0.0, tail_dof=3.0, slip_share=0.015)

    def slope_factor(self, z: Array) -> Array:
        """Spread evenly to both sides; no reed answers backwards."""
        return np.maximum(1.0 + self.slope_spread * z, 0.25)

    def level(self, z: Array) -> Array:
        """Student, scaled to a normal's standard deviation."""
        return np.interp(z, NORMAL_GRID, STUDENT_GRID)

    def depth_mm(self, u: Array, x: Array | float, kind: Kind) -> Array:
        """As it stands."""
        return np.asarray(x, dtype=float) + np.zeros(len(u))


class Saturating(Physics):
    """Each mm tells less than the one before: a (1 - exp(-x / l)), with each reed's own l."""

    name = "saturating"

    def depth_mm(self, u: Array, x: Array | float, kind: Kind) -> Array:
        """Scaled so that a usual trim counts as in a straight line."""
        reach = (2.6 if kind.cane else 2.0) * np.exp(0.10 * u[:, AT["bend"]])
        usual = reach * -np.expm1(-USUAL_TRIM_MM / reach) / USUAL_TRIM_MM
        return reach * -np.expm1(-np.asarray(x) / reach) / usual


class Multiplicative(Physics):
    """Slopes lognormal, 20 % among reeds and 12 % among batches; each mm tells more than the one before."""

    name = "multiplicative"
    slope_spread = float(np.hypot(0.2, 0.12))
    batch_share: ClassVar[Mapping[str, float]] = BATCH_SHARE | {"gap_slope": 0.12**2 / (0.2**2 + 0.12**2)}

    def depth_mm(self, u: Array, x: Array | float, kind: Kind) -> Array:
        """Convex, scaled so that a usual trim counts as in a straight line."""
        bend = 0.25 * np.exp(0.25 * u[:, AT["bend"]])
        x = np.asarray(x)
        return x * (1.0 + bend * x) / (1.0 + bend * USUAL_TRIM_MM)


class Unbalanced(Physics):
    """A fifth of the readings with A's not balanced, which tilts F against E; blowing and warmth wander."""

    name = "unbalanced"
    noise = Noise(unbalanced_share=0.2, pressure_sd_kpa=0.8, temperature_sd_c=3.0)

    def slope_factor(self, z: Array) -> Array:
        """A gamma-like spread: the square of a normal."""
        return (1.0 + 0.1 * z) ** 2 / 1.01

    def depth_mm(self, u: Array, x: Array | float, kind: Kind) -> Array:
        """Hardly bent, the first tenth of a millimetre counting for less (the tip's bevel)."""
        x = np.asarray(x)
        return (x - 0.05 * -np.expm1(-x / 0.1)) * np.exp(0.0 * u[:, 0])


PHYSICS: dict[str, type[Physics]] = {
    physics.name: physics for physics in (Beam, Heavy, Saturating, Multiplicative, Unbalanced)
}
BENCH_WORDS = {
    "beam": "crow by the beam law",
    "heavy": "wild errors and slips",
    "saturating": "each mm does less",
    "multiplicative": "each mm does more",
    "unbalanced": "A's often unbalanced",
}
"""What each bench does, for reports and pictures."""
ALL_OUTPUTS = OUTPUTS
