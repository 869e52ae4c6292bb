"""Make-believe shops: a history as a careful hand would have logged it, and live reeds to try advice on."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worlds.frames import FRAME_COLUMNS, clock, frame_of, frame_row
from tests.worlds.physics import (
    BENCH_PRESSURE_KPA,
    BENCH_TEMPERATURE_C,
    LATENTS,
    PHYSICS,
    Array,
    Kind,
    Physics,
    Pipe,
)
from trimfit.base.pitch import NOTES, OUTPUTS, cents_from_440, hz_from_cents, note_hz, ratios

__all__ = ["WORLD_NAMES", "LiveReed", "Shop", "World"]

WORLD_NAMES = tuple(PHYSICS)
WHAT = {"all": OUTPUTS, "crow": ("crow",), "short": ("low_a", "e", "f", "high_a"), "gap": ("e", "f")}
TRIM_COLUMNS = ("reed", "done_at", "length_mm", "lip_strokes", "asked_mm")
READING_COLUMNS = ("reed", "taken_at", "chanter", *(f"{name}_hz" for name in OUTPUTS), "pressure_kpa", "temperature_c")
MINUTE = 1.0 / 1440.0


def _hz(output: str, cents: float) -> float:
    """As a tuner shows it, to 0.01 Hz."""
    return round(hz_from_cents(cents) if output == "crow" else note_hz(output, cents), 2)


def what_taken(what: str | Iterable[str]) -> tuple[str, ...]:
    """The outputs of a reading: `all`, `crow`, `short` (A, E, F), `gap` (E, F), or their names."""
    return WHAT[what] if isinstance(what, str) else tuple(what)


@dataclass
class LiveReed:
    """A reed in the hand. Its truth is hidden in `u`; what a bench may know is `readings`, `trims` and `rows`."""

    physics: Physics
    reed: str
    kind: Kind
    batch: str
    pipe: Pipe
    u: Array
    sibling_u: Array
    made_day: float = 0.0
    day: float = 0.0
    removed_mm: float = 0.0
    lip_strokes: int = 0
    readings: list[dict[str, object]] = field(default_factory=list)
    trims: list[dict[str, object]] = field(default_factory=list)
    slips: list[int] = field(default_factory=list)  # truth: 0 none, 1 mistyped, 2 E and F swapped, 3 a neighbour's

    @property
    def reed_type(self) -> str:
        """The type's name."""
        return self.kind.name

    @property
    def chanter(self) -> str:
        """The name of the chanter it is meant for."""
        return self.pipe.name

    @property
    def rows(self) -> list[dict[str, object]]:
        """One frame row for each reading so far."""
        return [frame_row(reading) for reading in self.readings]

    def frame(self) -> pd.DataFrame:
        """The readings so far as a frame."""
        return pd.DataFrame(self.rows, columns=list(FRAME_COLUMNS))

    def true_gap_cents(self, chanter: str | None = None, *, more_mm: float = 0.0) -> float:
        """F-E gap, balanced, at the bench's pressure; `more_mm` looks ahead (or, negative, back)."""
        pipe = self.physics.pipe(chanter) if chanter else self.pipe
        return float(self.physics.gap_cents(self.u, self.removed_mm + more_mm, self.lip_strokes, self.kind, pipe)[0])

    def true_pitch_cents(self, chanter: str | None = None) -> float:
        """Mean of F and E as low A, cents from 440 Hz, at the bench's pressure and temperature."""
        pipe = self.physics.pipe(chanter) if chanter else self.pipe
        return float(self.physics.middle_cents(self.u, self.removed_mm, self.lip_strokes, self.kind, pipe)[0])

    def true_trim_mm(self) -> float:
        """Length still to come off until the gap is zero (negative when past), lips left alone; nan if it never is."""
        low, high = -self.removed_mm, 6.0
        if self.true_gap_cents(more_mm=high) < 0:
            return float("nan")
        for _ in range(50):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.true_gap_cents(more_mm=middle) < 0 else (low, middle)
        return low

    def shift_cents(self) -> Array:
        """What a reading taken now has besides, each output, shape (10,): nothing, for a reed that does not move."""
        return np.zeros(len(OUTPUTS))

    def read(
        self,
        rng: np.random.Generator,
        chanter: str | None = None,
        what: str | Iterable[str] = "all",
        *,
        air: tuple[float, float] | None = None,
    ) -> dict[str, object]:
        """Take a reading: `<output>_hz` (sounding) of what was taken, and its conditions; slips included.

        air: kPa and °C to read it at; None: as they come.
        """
        noise, taken = self.physics.noise, what_taken(what)
        pipe = self.physics.pipe(chanter) if chanter else self.pipe
        self.day += 2 * MINUTE
        pressure = round(float(BENCH_PRESSURE_KPA + noise.pressure_sd_kpa * rng.standard_normal()), 2)
        temperature = round(float(BENCH_TEMPERATURE_C + noise.temperature_sd_c * rng.standard_normal()), 1)
        pressure, temperature = air or (pressure, temperature)
        slip = int(rng.integers(1, 4)) if rng.random() < noise.slip_share else 0
        u, x = (self.sibling_u, float(rng.uniform(0.0, 0.8))) if slip == 3 else (self.u, self.removed_mm)
        cents = self.physics.outputs_cents(u, x, self.lip_strokes, self.kind, pipe)[0]
        cents = cents + self.physics.conditions_cents(self.kind, pressure, temperature) + noise.draw(rng)[0]
        cents = cents + self.shift_cents()
        values = {name: _hz(name, value) for name, value in zip(OUTPUTS, cents, strict=True) if name in taken}
        if slip == 1:
            values = mistype(rng, values)
        elif slip == 2 and {"e", "f"} <= set(values):
            values["e"], values["f"] = values["f"], values["e"]
        reading: dict[str, object] = {
            "reed": self.reed, "reed_type": self.kind.name, "batch": self.batch, "taken_at": clock(self.day),
            "taken_day": self.day, "chanter": pipe.name if set(taken) - {"crow"} else None,
            "removed_mm": self.removed_mm, "lip_strokes": self.lip_strokes,
            "pressure_kpa": pressure, "temperature_c": temperature,
        }  # fmt: skip
        reading |= {f"{name}_hz": hz for name, hz in values.items()}
        self.readings.append(reading)
        self.slips.append(slip)
        return reading

    def cut(self, rng: np.random.Generator, asked_mm: float, lip: int = 0) -> float:
        """Take length off (± the hand's error) and ease the lips; the length taken, in mm."""
        self.day += 3 * MINUTE
        taken = 0.0
        if asked_mm > 0:
            error = np.hypot(self.physics.cut_error_share * asked_mm, self.physics.cut_error_mm)
            taken = max(round(float(asked_mm + error * rng.standard_normal()), 3), 0.0)
        self.removed_mm = round(self.removed_mm + taken, 3)
        self.lip_strokes += lip
        self.trims.append(
            {
                "reed": self.reed,
                "done_at": clock(self.day),
                "done_day": self.day,
                "length_mm": taken,
                "lip_strokes": lip,
                "asked_mm": asked_mm,
            }
        )
        return taken


def mistype(rng: np.random.Generator, values: dict[str, float]) -> dict[str, float]:
    """One digit of one note or crow typed wrongly, so that the value still looks like one (within a fourth)."""
    name = list(values)[int(rng.integers(len(values)))]
    text = f"{values[name]:.2f}"
    wrong = []
    for at, digit in itertools.product(range(len(text)), "0123456789"):
        typed = float(text[:at] + digit + text[at + 1 :]) if text[at] != "." else values[name]
        if typed > 0 and 30 < abs(cents_from_440(typed) - cents_from_440(values[name])) < 250:
            wrong.append(typed)
    return values | {name: wrong[int(rng.integers(len(wrong)))]}


@dataclass
class Shop:
    """A shop's log as tables of the CSV contract, and the fit's frame made from them."""

    reeds: pd.DataFrame
    readings: pd.DataFrame
    trims: pd.DataFrame
    chanters: pd.DataFrame
    orders: pd.DataFrame
    outcomes: pd.DataFrame

    @property
    def frame(self) -> pd.DataFrame:
        """One row a reading, cents (see frames.py)."""
        return frame_of(self.reeds, self.readings, self.trims)

    def write_csv(self, folder: Path) -> None:
        """Write the tables as a CSV folder."""
        folder.mkdir(parents=True, exist_ok=True)
        for name in ("reeds", "readings", "trims", "chanters", "orders", "outcomes"):
            table: pd.DataFrame = getattr(self, name)
            table.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")


def shop_of(world: World, reeds: list[LiveReed], *, outcomes: bool) -> Shop:
    """The log of some reeds; with `outcomes`, they have left the bench by their last reading's gap."""
    pipes = world.physics.pipes
    orders = {pipe.name: f"O-{pipe.name}" for pipe in pipes}
    ends = [
        {"reed": reed.reed, "at": clock(reed.day + MINUTE), "outcome": "lost" if reed.true_gap_cents() > 6 else "good"}
        for reed in reeds
    ]
    readings = [reading for reed in reeds for reading in reed.readings]
    trims = [trim for reed in reeds for trim in reed.trims]
    made = [
        {
            "reed": r.reed,
            "reed_type": r.kind.name,
            "batch": r.batch,
            "order": orders[r.chanter],
            "made_on": clock(r.made_day)[:10],
        }
        for r in reeds
    ]
    return Shop(
        reeds=pd.DataFrame(made),
        readings=pd.DataFrame(readings).reindex(columns=list(READING_COLUMNS)),
        trims=pd.DataFrame(trims, columns=list(TRIM_COLUMNS)),
        chanters=pd.DataFrame({"chanter": [pipe.name for pipe in pipes]}),
        orders=pd.DataFrame({"order": list(orders.values()), "chanter": list(orders), "quantity": len(reeds)}),
        outcomes=pd.DataFrame(ends if outcomes else [], columns=["reed", "at", "outcome"]),
    )


class World:
    """A physics with its own types and chanters (drawn from `rng`), and its shop."""

    def __init__(self, name: str, rng: np.random.Generator, *, pipes: int = 5) -> None:
        self.name = name
        self.physics = PHYSICS[name](rng, pipes)
        self._numbers = itertools.count(1)
        self._batches = itertools.count(1)
        self.shared: dict[str, Array] = {}  # what the reeds of a batch have in common, by batch

    def _batch_deviates(self, rng: np.random.Generator) -> Array:
        return np.asarray(np.sqrt(self.physics.shares()) * rng.standard_normal(len(LATENTS)))

    def _reeds(self, rng: np.random.Generator, kind: Kind, batch: str, count: int, shared: Array) -> list[LiveReed]:
        own = np.sqrt(1.0 - self.physics.shares())
        deviates = shared + own * rng.standard_normal((count + 1, len(LATENTS)))
        pipes = [self.physics.pipes[int(i)] for i in rng.integers(len(self.physics.pipes), size=2)]
        return [
            LiveReed(
                physics=self.physics,
                reed=f"R-{next(self._numbers):05d}",
                kind=kind,
                batch=batch,
                pipe=pipes[int(rng.integers(2))],
                u=deviates[i : i + 1],
                sibling_u=deviates[i + 1 : i + 2],
            )
            for i in range(count)
        ]

    def new_reeds(
        self, rng: np.random.Generator, n: int, new_batches: int | None = None, *, reed_type: str | None = None
    ) -> list[LiveReed]:
        """`n` untrimmed reeds of fresh batches (default: about 12 reeds a batch), types in turn, or one type only.

        The reeds of a batch go to one or two chanters, drawn from the shop's.
        """
        batches = new_batches or max(-(-n // 12), 1)
        kinds = self.physics.kinds if reed_type is None else (self.physics.kind(reed_type),)
        reeds: list[LiveReed] = []
        for index in range(batches):
            count = n // batches + (index < n % batches)
            batch = f"B-{next(self._batches):03d}"
            self.shared[batch] = self._batch_deviates(rng)
            reeds += self._reeds(rng, kinds[index % len(kinds)], batch, count, self.shared[batch])
        return reeds

    def history(self, rng: np.random.Generator, n: int = 360, *, batches_per_type: int = 10) -> Shop:
        """A log of `n` past reeds, three types, as a careful hand trimmed them, with the holes that logs have."""
        past = self.past_reeds(rng, n, batches_per_type=batches_per_type)
        return shop_of(self, past, outcomes=True)

    def past_reeds(self, rng: np.random.Generator, n: int = 360, *, batches_per_type: int = 10) -> list[LiveReed]:
        """The past reeds themselves, with their truth."""
        reeds = self.new_reeds(rng, n, len(self.physics.kinds) * batches_per_type)
        for index, reed in enumerate(reeds):
            reed.day = float(index // 12) * 4.0 + 0.7
            trim_by_hand(rng, reed)
        return reeds


def trim_by_hand(rng: np.random.Generator, reed: LiveReed, *, slope_cents_per_mm: float = 60.0) -> None:
    """Read, take 0.6 of what seems wanting at one slope for all types, until the gap reads less than 2.7 cents wide."""
    if rng.random() < 0.5:
        reed.read(rng, what="crow")
    for turn in range(9):
        holes = rng.random()
        what: tuple[str, ...] = WHAT["short"] if holes < 0.15 else OUTPUTS if holes > 0.25 else NOTES
        gap = read_gap_cents(reed.read(rng, what=what))
        if abs(gap) > 150:  # a slip that any hand sees
            continue
        if gap > -2.7:
            return
        asked = round(0.6 * -gap / slope_cents_per_mm, 2)
        lip = int(rng.integers(1, 5)) if rng.random() < (0.25 if turn == 0 else 0.1) else 0
        reed.cut(rng, max(asked, 0.02), lip)
        reed.day += float(rng.integers(0, 2)) * 2.0


def read_gap_cents(reading: dict[str, object]) -> float:
    """The F-E gap that a reading shows."""
    scale = ratios()
    f, e = float(str(reading["f_hz"])) / float(scale["f"]), float(str(reading["e_hz"])) / float(scale["e"])
    return cents_from_440(f) - cents_from_440(e)
