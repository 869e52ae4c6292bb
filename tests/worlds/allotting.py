"""`python -m tests.worlds.allotting [BOXES] [SHOPS]`: boxes of blanks allotted to orders, beside order after order.

Every reed is played to its end; what was predicted of the reeds stands beside what happened. Writes
reports/allotting.md.

On each bench a shop has learned from its past reeds. A box holds blanks of all its types, with their crow read and
nothing else; each chanter of the shop has an order. Allotted: the assignment of least expected cost. Order after order:
each order takes the blanks that are best for it, as `pick` lists them, and leaves the rest. By one who knows: the
assignment of least cost where the reeds' true gaps and pitches are known; no way to put reeds to orders saves more. The
same reeds, the same chance in each reed's readings and cuts, and the same planner for all.

The orders are of three sorts: each chanter at its own pitch; a band's set, eight chanters near each other that are all
to play at one pitch; and the same set where every second order asks for a weight.
"""

from __future__ import annotations

import copy
import itertools
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worlds.frames import frame_row
from tests.worlds.house import HousePlanner, learned, states_of
from tests.worlds.physics import BENCH_WORDS, Pipe
from tests.worlds.play import TOLERANCE_CENTS, Played, played_out
from tests.worlds.proof import markdown, shops_of
from tests.worlds.shop import WORLD_NAMES, LiveReed, World
from trimfit.planner.aim import Aim, see
from trimfit.planner.allotment import assigned
from trimfit.planner.choice import Rules
from trimfit.planner.forecast import Case, Forecast, forecasts
from trimfit.planner.policy_table import Costs
from trimfit.regression.posterior.reed import ReedState
from trimfit.verbs.pick import HARDLY

REPORT = Path(__file__).parents[2] / "reports" / "allotting.md"
BENCHES = WORLD_NAMES[:3]
CHANTERS, BLANKS, EACH, NEAR = 8, 20, 2, 0.3
TARGET_CENTS, SET_MIDDLE_CENTS = 139.0, 143.0
"""476.8 Hz, and a hertz over it the middle of the chanters' own pitches; they spread NEAR of the bench's usual."""
WEIGHTS = ("easy", "medium", "hard")
LOST_MINUTES = 120.0
ALLOTTED, IN_TURN, KNOWING = WAYS = ("allotted", "order after order", "by one who knows")


@dataclass(frozen=True)
class Orders:
    """One sort of orders: the pitch that all of them name (cents from 440 Hz), and whether some ask for a weight."""

    name: str
    target_cents: float | None
    weights: bool


SORTS = (
    Orders("own pitch", None, weights=False),
    Orders("one pitch", TARGET_CENTS, weights=False),
    Orders("one pitch, weights", TARGET_CENTS, weights=True),
)


@dataclass(frozen=True)
class Outcome:
    """One reed: what was predicted of it in its order's chanter, and what happened."""

    predicted: Forecast
    cuts: int
    readings: int
    past: bool
    good: bool
    minutes: float


@dataclass(frozen=True)
class Box:
    """One box put to one sort of orders in one way: its reeds, and how many places stay empty at what price each."""

    bench: str
    shop: int
    orders: str
    way: str
    reeds: list[Outcome]
    empty: int
    outside_minutes: float

    @property
    def minutes(self) -> float:
        """What the box takes in all."""
        return sum(one.minutes for one in self.reeds) + self.empty * self.outside_minutes


def states_in(planner: HousePlanner, box: Sequence[LiveReed], chanters: Sequence[str]) -> list[list[ReedState]]:
    """The state of each blank in each chanter."""
    frames = [pd.DataFrame([frame_row(reading) for reading in reed.readings]) for reed in box]
    return [[states_of(planner.model, frame, chanter)[0] for chanter in chanters] for frame in frames]


def forecasts_of(
    planner: HousePlanner,
    box: Sequence[LiveReed],
    states: Sequence[Sequence[ReedState]],
    chanters: Sequence[str],
    target_cents: float | None,
) -> tuple[list[list[Forecast]], Costs]:
    """What is predicted of each blank in each chanter, and the costs of a cut, a reading and a reed outside
    tolerance, which are one for all types."""
    rules = Rules(planner.ceiling, 0.01, LOST_MINUTES, planner.error)
    out = []
    for reed, of_reed in zip(box, states, strict=True):
        aims = [Aim(name, None, target_cents, TOLERANCE_CENTS, reed.kind.blade_mm - 12.0) for name in chanters]
        table = planner.table(planner.model.coding.types.index(reed.kind.name))
        cases = [Case(see(state, aim, 0.0, 0.0), aim, unread=True) for state, aim in zip(of_reed, aims, strict=True)]
        out.append(forecasts(cases, table, rules))
    return out, table.costs


def after_order(cost: np.ndarray, need_mm: np.ndarray, wanted: Sequence[int]) -> list[int | None]:
    """Each order in its turn takes the blanks that `pick` lists first, of those still there.

    cost (reeds, orders): minutes, infinite where a reed may not go; need_mm (reeds, orders): what has to come off.
    """
    way: list[int | None] = [None] * len(cost)
    for order, count in enumerate(wanted):
        free = [i for i, taken in enumerate(way) if taken is None and np.isfinite(cost[i, order])]
        for i in sorted(free, key=lambda i: (round(cost[i, order], 1), need_mm[i, order]))[:count]:
            way[i] = order
    return way


def set_world(bench: str, seed: int) -> World:
    """A bench whose chanters lie near each other."""
    world = World(bench, np.random.default_rng(seed), pipes=CHANTERS)
    middle = float(np.mean([pipe.pitch_cents for pipe in world.physics.pipes]))
    world.physics.pipes = tuple(
        replace(pipe, pitch_cents=SET_MIDDLE_CENTS + NEAR * (pipe.pitch_cents - middle)) for pipe in world.physics.pipes
    )
    return world


def knower_minutes(reed: LiveReed, pipe: Pipe, target_cents: float | None, costs: Costs) -> float:
    """What the reed takes in a chanter of one who knows it: strokes bring a pitch down, nothing brings it up."""
    new = copy.deepcopy(reed)
    new.pipe = pipe
    length = new.true_trim_mm()
    if not length >= 0.0:
        return costs.outside_minutes
    new.removed_mm += length
    if target_cents is not None and new.true_pitch_cents() < target_cents - TOLERANCE_CENTS:
        return costs.outside_minutes
    return costs.cut_minutes + 2.0 * costs.reading_minutes


def played(
    planner: HousePlanner,
    world: World,
    box: Sequence[LiveReed],
    way: Sequence[int | None],
    orders: Orders,
    found: Sequence[Sequence[Forecast]],
    costs: Costs,
    seed: Sequence[int],
) -> list[Outcome]:
    """The reeds that have a place, worked to their end."""
    stories, predicted = [], []
    for i, order in enumerate(way):
        if order is None:
            continue
        reed = copy.deepcopy(box[i])
        reed.pipe = world.physics.pipes[order]
        past = reed.true_gap_cents() > TOLERANCE_CENTS
        story = Played(reed, np.random.default_rng([*seed, i]), orders.target_cents, past)
        # a blank goes to the chanter first: F and E are read before anything comes off
        reed.read(story.rng)
        stories.append(story)
        predicted.append(found[i][order])
    played_out(planner, world, stories)
    out = []
    for story, forecast in zip(stories, predicted, strict=True):
        readings, past = len(story.reed.readings) - 1, story.gap_cents > TOLERANCE_CENTS
        off = [story.gap_cents] + ([] if orders.target_cents is None else [story.pitch_off_cents])
        good = all(abs(cents) <= TOLERANCE_CENTS for cents in off)
        minutes = story.cuts * costs.cut_minutes + readings * costs.reading_minutes
        minutes += LOST_MINUTES if past else 0.0 if good else costs.outside_minutes
        out.append(Outcome(forecast, story.cuts, readings, past, good, minutes))
    return out


def boxes_of(bench: str, seed: int, boxes: int) -> list[Box]:
    """One shop and its boxes, put to each sort of orders in each way and played to their end."""
    world = set_world(bench, seed)
    planner = HousePlanner(learned(world, np.random.default_rng([seed, 4])))
    pipes = world.physics.pipes
    names, wanted = [pipe.name for pipe in pipes], [EACH] * len(pipes)
    out = []
    for number in range(boxes):
        rng = np.random.default_rng([seed, number, 9])
        box = world.new_reeds(rng, BLANKS, 3)
        for reed in box:
            reed.read(rng, what="crow")
        states = states_in(planner, box, names)
        reed_weight = rng.integers(0, len(WEIGHTS), BLANKS)
        asked = np.where(np.arange(CHANTERS) % 2, rng.integers(0, len(WEIGHTS), CHANTERS), -1)
        for orders in SORTS:
            found, costs = forecasts_of(planner, box, states, names, orders.target_cents)
            may = (asked[None] < 0) | (reed_weight[:, None] == asked[None]) | (not orders.weights)
            known = [[knower_minutes(reed, pipe, orders.target_cents, costs) for pipe in pipes] for reed in box]
            likely = np.array([[one.good >= HARDLY for one in row] for row in found])
            cost = np.where(may & likely, [[one.minutes for one in row] for row in found], np.inf)
            need = np.array([[one.need_mm for one in row] for row in found])
            ways = (
                assigned(cost, wanted, costs.outside_minutes)[0],
                after_order(cost, need, wanted),
                assigned(np.where(may, known, np.inf), wanted, costs.outside_minutes)[0],
            )
            # at their own pitches almost every reed suits every chanter: one who knows has nothing to choose
            for name, way in zip(WAYS, ways if orders.target_cents is not None else ways[:2], strict=False):
                reeds = played(planner, world, box, way, orders, found, costs, (seed, number))
                out.append(Box(bench, seed, orders.name, name, reeds, sum(wanted) - len(reeds), costs.outside_minutes))
    return out


def over_shops(boxes: Sequence[Box], above: Sequence[float], below: Sequence[float]) -> tuple[float, float]:
    """The ratio of two sums over boxes, and its standard error over the shops: the boxes of one share its fit."""
    shops = pd.DataFrame({"shop": [box.shop for box in boxes], "above": above, "below": below}).groupby("shop").sum()
    ratio = float(shops["above"].sum() / shops["below"].sum())
    off = shops["above"] - ratio * shops["below"]
    return ratio, float(np.sqrt(len(shops)) * off.std(ddof=1) / shops["below"].sum())


def mean_se(boxes: Sequence[Box], name: str, scale: float = 1.0) -> str:
    """The mean of a thing over the boxes' reeds and its standard error over the shops; none where those are alike."""
    sums = [float(sum(getattr(reed, name) for reed in box.reeds)) for box in boxes]
    mean, error = over_shops(boxes, sums, [len(box.reeds) for box in boxes])
    return with_se(scale * mean, scale * error, 2)


def with_se(value: float, error: float, digits: int) -> str:
    """A value and its standard error, where the shops differ."""
    return f"{value:.{digits}f}" + (f" ± {error:.{digits}f}" if error > 1e-9 else "")


def grouped(boxes: Sequence[Box]) -> list[tuple[str, str, dict[str, list[Box]]]]:
    """The boxes of each sort of orders, bench by bench and all, way by way."""
    out = []
    for orders, bench in itertools.product(SORTS, (*BENCHES, "all")):
        mine = [box for box in boxes if box.orders == orders.name and bench in (box.bench, "all")]
        ways = {way: some for way in WAYS if (some := [box for box in mine if box.way == way])}
        out.append((orders.name, BENCH_WORDS.get(bench, bench), ways))
    return out


def saved(boxes: Sequence[Box], plain: Sequence[Box]) -> str:
    """What these boxes save against the same ones in the plain way, per cent, with its error over the shops."""
    ratio, error = over_shops(boxes, *([box.minutes for box in some] for some in (boxes, plain)))
    return with_se(100 * (1 - ratio), 100 * error, 0) + " %"


def report(boxes: Sequence[Box], each: int, shops: int) -> str:
    """The page."""
    totals, held = [], []
    for orders, bench, ways in grouped(boxes):
        for way, mine in ways.items():
            reeds = [reed for box in mine for reed in box.reeds]
            totals.append(
                {
                    "orders": orders,
                    "bench": bench,
                    "way": way,
                    "boxes": len(mine),
                    "minutes a box": f"{np.mean([box.minutes for box in mine]):.0f}",
                    "saved": saved(mine, ways[IN_TURN]) if way != IN_TURN else "",
                    "good a box": f"{np.mean([sum(reed.good for reed in box.reeds) for box in mine]):.1f}",
                    "past a box": f"{np.mean([sum(reed.past for reed in box.reeds) for box in mine]):.2f}",
                    "places empty": f"{np.mean([box.empty for box in mine]):.2f}",
                }
            )
            if way == KNOWING:
                continue
            row: dict[str, object] = {"orders": orders, "bench": bench, "way": way, "reeds": len(reeds)}
            for name in ("cuts", "readings", "minutes"):
                row[f"{name} predicted"] = f"{np.mean([getattr(reed.predicted, name) for reed in reeds]):.2f}"
                row[name] = mean_se(mine, name)
            for name in ("good", "past"):
                row[f"{name} % predicted"] = f"{100 * np.mean([getattr(reed.predicted, name) for reed in reeds]):.1f}"
                row[f"{name} %"] = mean_se(mine, name, 100.0)
            held.append(row)
    head = (
        f"# Boxes allotted to orders\n\nMade by `python -m tests.worlds.allotting {each} {shops}`: shops on each of "
        f"three benches: {shops}; boxes a shop: {each}, each\nof {BLANKS} blanks with nothing but their crow read, and "
        f"{CHANTERS} orders for {EACH} reeds in as many chanters. Minutes are cuts and readings,\n120 for a reed lost, "
        "and the shop's price for one left outside tolerance or off its order's pitch and for a place left empty.\n"
        "± is one standard error, of a % in points, "
        "over the shops (the boxes of one share its fit); none where those are alike.\n\n"
        "Own pitch: no order names a pitch or a weight, so that almost every blank can be trimmed to almost every "
        "chanter. One pitch: a\nset whose chanters' own pitches lie about a hertz over the one asked for. Weights: "
        "every second order asks for one of three.\nBy one who knows: the reeds' true gaps and pitches known when they "
        "are put to orders; they are then worked as the others are."
    )
    between = "What was predicted of each reed from its crow alone, beside what happened:"
    return "\n\n".join([head, markdown(pd.DataFrame(totals)), between, markdown(pd.DataFrame(held))]) + "\n"


def main(words: Sequence[str]) -> None:
    """Write the page."""
    each, shops = (int(word) for word in [*words, "2", "2"][:2])
    boxes = [box for bench, seed in shops_of(BENCHES, shops) for box in boxes_of(bench, seed, each)]
    REPORT.write_text(report(boxes, each, shops), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
