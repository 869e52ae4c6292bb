"""Shops whose truth is known, each handed to the tool as CSV: what `learn`, `check` and the reviews say of it.

A shop is drawn by its number: a physics, a way of moving, how many reeds and types, and what goes wrong in it. Some of
its reeds have an event that is logged, some of its readings are typed wrongly, one of its chanters may be away by now.
The truth is kept beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.worlds.frames import clock
from tests.worlds.movement import MOVEMENTS, MovingReed, MovingWorld, work_by_hand
from tests.worlds.physics import Array
from tests.worlds.shop import WORLD_NAMES, Shop, mistype, shop_of

EVENT_CENTS = 20.0
LATER_DAYS = 2.0


@dataclass
class KnockedReed(MovingReed):
    """A reed that something may happen to: from that moment its gap is another. `knocks`: (day, cents)."""

    knocks: list[tuple[float, float]] = field(default_factory=list)

    def amounts_cents(self) -> Array:
        """As of any reed that moves, and what events did to its gap."""
        moved = super().amounts_cents()
        moved[0] += sum(cents for day, cents in self.knocks if self.day >= day)
        return moved


@dataclass(frozen=True)
class KnownShop:
    """What a shop is like. events: share of its reeds that have one; wrong: share of its readings typed wrongly; types:
    how many it makes; away: whether its last chanter is away by now."""

    seed: int
    physics: str
    movement: str
    reeds: int
    types: int
    batches_per_type: int
    pipes: int
    events: float
    wrong: float
    away: bool

    @staticmethod
    def drawn(seed: int) -> KnownShop:
        """One of many, by its number."""
        rng = np.random.default_rng([seed, 77])

        def one(*choices: Any) -> Any:
            return choices[int(rng.integers(len(choices)))]

        return KnownShop(
            seed,
            physics=one(*WORLD_NAMES),
            movement=one(*MOVEMENTS),
            reeds=one(36, 72, 144),
            types=one(1, 2, 3),
            batches_per_type=one(2, 4),
            pipes=one(1, 2, 4),
            events=one(0.0, 0.0, 0.1, 0.5),
            wrong=one(0.0, 0.0, 0.02, 0.05),
            away=one(False, False, True),
        )

    def make(self) -> Known:
        """The shop's log, and its truth."""
        rng = np.random.default_rng(self.seed)
        world = MovingWorld(self.physics, self.movement, rng, seed=self.seed, pipes=self.pipes)
        reeds: list[KnockedReed] = []
        for kind in world.physics.kinds[: self.types]:
            made = world.new_reeds(rng, self.reeds // self.types, self.batches_per_type, reed_type=kind.name)
            reeds += [KnockedReed(**vars(reed)) for reed in made if isinstance(reed, MovingReed)]
        for index, reed in enumerate(reeds):
            reed.made_day = reed.day = float(index // 12) * 4.0
            if rng.random() < self.events:
                at = reed.made_day + float(rng.uniform(1.5, 9.0))
                reed.knocks.append((at, float(EVENT_CENTS * rng.standard_normal())))
            work_by_hand(rng, reed)
        shop = shop_of(world, list(reeds), outcomes=True)
        wrong = []
        for reed in reeds:
            for reading in reed.readings:
                if rng.random() < self.wrong:
                    names = [name for name in ("e", "f") if reading.get(f"{name}_hz")]
                    if len(names) == 2:
                        values = mistype(rng, {name: float(str(reading[f"{name}_hz"])) for name in names})
                        reading |= {f"{name}_hz": hz for name, hz in values.items()}
                        wrong.append((reed.reed, str(reading["taken_at"])))
        shop.readings = shop_of(world, list(reeds), outcomes=True).readings
        if self.away:
            shop.chanters["at_hand"] = ["yes"] * (self.pipes - 1) + ["no"]
        events = [
            {"reed": reed.reed, "at": clock(day), "event": "knocked"}
            for reed in reeds
            for day, _ in reed.knocks
            if day < reed.day
        ]
        return Known(self, world, reeds, shop, pd.DataFrame(events, columns=["reed", "at", "event"]), wrong)


@dataclass
class Known:
    """A shop made: its world, its reeds, its log, and which readings (reed, taken_at) are typed wrongly."""

    case: KnownShop
    world: MovingWorld
    reeds: list[KnockedReed]
    shop: Shop
    events: pd.DataFrame
    wrong: list[tuple[str, str]]

    def write(self, folder: Path) -> None:
        """The log as a CSV folder."""
        self.shop.write_csv(folder)
        if len(self.events):
            self.events.to_csv(folder / "events.csv", index=False)
