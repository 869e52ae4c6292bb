"""`python -m tests.worlds.allotting [BOXES] [SHOPS]`: boxes of blanks allotted to orders, beside order after order.

Both are played to their end; what was predicted of the reeds stands beside what happened. Writes reports/allotting.md.

On each bench a shop has learned from its past reeds. A box holds blanks of all its types, with their crow read and
nothing else; each chanter of the shop has an order. Allotted: the assignment of least expected cost. Order after order:
each order takes the blanks that are best for it, as `pick` lists them, and leaves the rest. The same reeds, the same
chance in each reed's readings and cuts, and the same planner for both.

A set to one pitch is a band's: eight chanters near each other, one target pitch, two reeds each from a box of twenty,
with and without weights that players ask for. Its ways are compared by what is predicted, and by what each pair would
take of one who knows the reed: a reading, one cut and a reading, or the price of a reed outside tolerance where the
reed is past already or meets flatter than the target. What assigning can save at most is what the best assignment of
such a knower saves.
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
from tests.worlds.proof import markdown
from tests.worlds.shop import WORLD_NAMES, LiveReed, World
from trimfit.planner.aim import Aim, see
from trimfit.planner.allotment import assigned
from trimfit.planner.choice import Rules
from trimfit.planner.forecast import Case, Forecast, forecasts
from trimfit.planner.policy_table import Costs
from trimfit.regression.posterior.reed import ReedState

REPORT = Path(__file__).parents[2] / "reports" / "allotting.md"
BENCHES = WORLD_NAMES[:3]
CHANTERS, BLANKS, EACH, NEAR = 8, 20, 2, 0.3
TARGET_CENTS, SET_MIDDLE_CENTS = 139.0, 143.0
"""476.8 Hz, and a hertz over it the middle of the chanters' own pitches; they spread NEAR of the bench's usual."""
WEIGHTS = ("easy", "medium", "hard")
LOST_MINUTES = 120.0


@dataclass(frozen=True)
class Outcome:
    """One reed: what was predicted of it in its order's chanter, and what happened."""

    bench: str
    way: str
    predicted: Forecast
    predicted_minutes: float
    cuts: int
    readings: int
    past: bool
    good: bool
    minutes: float


def states_in(planner: HousePlanner, box: Sequence[LiveReed], chanters: Sequence[str]) -> list[list[ReedState]]:
    """The state of each blank in each chanter."""
    frames = [pd.DataFrame([frame_row(reading) for reading in reed.readings]) for reed in box]
    return [[states_of(planner.model, frame, chanter)[0] for chanter in chanters] for frame in frames]


def forecasts_of(
    planner: HousePlanner,
    box: Sequence[LiveReed],
    states: Sequence[Sequence[ReedState]],
    chanters: Sequence[str],
    target_cents: float | None = None,
) -> tuple[list[list[Forecast]], list[Costs]]:
    """What is predicted of each blank in each chanter, and the costs of each blank's type."""
    rules = Rules(planner.ceiling, 0.01, LOST_MINUTES, planner.error)
    out, costs = [], []
    for reed, of_reed in zip(box, states, strict=True):
        aims = [Aim(name, None, target_cents, TOLERANCE_CENTS, reed.kind.blade_mm - 12.0) for name in chanters]
        table = planner.table(planner.model.coding.types.index(reed.kind.name))
        cases = [Case(see(state, aim, 0.0, 0.0), aim, unread=True) for state, aim in zip(of_reed, aims, strict=True)]
        out.append(forecasts(cases, table, rules))
        costs.append(table.costs)
    return out, costs


def after_order(
    found: Sequence[Sequence[Forecast]], wanted: Sequence[int], may: np.ndarray | None = None
) -> list[int | None]:
    """Each order in its turn takes the blanks with the best chance, then the fewest cuts, of those still there.

    may (reeds, orders): where a reed may go, anywhere without.
    """
    way: list[int | None] = [None] * len(found)
    for order, count in enumerate(wanted):
        free = [i for i, taken in enumerate(way) if taken is None and (may is None or may[i, order])]
        best = sorted(free, key=lambda i: (-round(found[i][order].good, 2), round(found[i][order].cuts, 2)))
        for i in best[:count]:
            way[i] = order
    return way


@dataclass(frozen=True)
class SetOutcome:
    """One box for a set to one pitch, one way to put it to the orders: minutes in all, as predicted and of one who
    knows the reeds, and how many places stay empty."""

    bench: str
    weights: bool
    way: str
    predicted_minutes: float
    knower_minutes: float
    empty: int


def set_world(bench: str, seed: int) -> World:
    """A bench whose chanters lie near each other."""
    world = World(bench, np.random.default_rng(seed), pipes=CHANTERS)
    middle = float(np.mean([pipe.pitch_cents for pipe in world.physics.pipes]))
    world.physics.pipes = tuple(
        replace(pipe, pitch_cents=SET_MIDDLE_CENTS + NEAR * (pipe.pitch_cents - middle)) for pipe in world.physics.pipes
    )
    return world


def knower_minutes(reed: LiveReed, pipe: Pipe, costs: Costs) -> float:
    """What the reed takes in a chanter of one who knows it: strokes bring a pitch down, nothing brings it up."""
    new = copy.deepcopy(reed)
    new.pipe = pipe
    length = new.true_trim_mm()
    if not length >= 0.0:
        return costs.outside_minutes
    new.removed_mm += length
    if new.true_pitch_cents() < TARGET_CENTS - TOLERANCE_CENTS:
        return costs.outside_minutes
    return costs.cut_minutes + 2.0 * costs.reading_minutes


def sets_of(
    bench: str, rng: np.random.Generator, found: list[list[Forecast]], known: np.ndarray, outside: float
) -> list[SetOutcome]:
    """A box for a set to one pitch, put to its orders in each way. found: with the target; known (reeds, orders)."""
    predicted = np.array([[one.minutes for one in row] for row in found])
    wanted = [EACH] * CHANTERS
    reed_weight = rng.integers(0, len(WEIGHTS), BLANKS)
    asked = np.where(np.arange(CHANTERS) % 2, rng.integers(0, len(WEIGHTS), CHANTERS), -1)
    out = []
    for weights in (False, True):
        may = (asked[None] < 0) | (reed_weight[:, None] == asked[None]) | (not weights)
        ways = {
            "allotted": assigned(np.where(may, predicted, np.inf), wanted, outside)[0],
            "order after order": after_order(found, wanted, may),
            "by one who knows": assigned(np.where(may, known, np.inf), wanted, outside)[0],
        }
        for name, way in ways.items():
            empty = sum(wanted) - sum(order is not None for order in way)
            pairs = [(i, order) for i, order in enumerate(way) if order is not None]
            sums = [sum(float(table[i, j]) for i, j in pairs) + empty * outside for table in (predicted, known)]
            out.append(SetOutcome(bench, weights, name, *sums, empty))
    return out


def box_of(bench: str, seed: int, boxes: int) -> tuple[list[Outcome], list[SetOutcome]]:
    """One shop and its boxes: allotted and picked, played to their end; and put to orders for one pitch."""
    world = set_world(bench, seed)
    planner = HousePlanner(learned(world, np.random.default_rng([seed, 4])))
    pipes = world.physics.pipes
    names, wanted = [pipe.name for pipe in pipes], [EACH] * len(pipes)
    out: list[Outcome] = []
    sets: list[SetOutcome] = []
    for number in range(boxes):
        rng = np.random.default_rng([seed, number, 9])
        box = world.new_reeds(rng, BLANKS, 3)
        for reed in box:
            reed.read(rng, what="crow")
        states = states_in(planner, box, names)
        to_pitch, costs = forecasts_of(planner, box, states, names, TARGET_CENTS)
        known = np.array([[knower_minutes(reed, pipe, costs[0]) for pipe in pipes] for reed in box])
        sets += sets_of(bench, rng, to_pitch, known, costs[0].outside_minutes)
        found, costs = forecasts_of(planner, box, states, names)
        minutes = [[one.minutes for one in row] for row in found]
        ways = {
            "allotted": assigned(np.array(minutes), wanted, costs[0].outside_minutes)[0],
            "order after order": after_order(found, wanted),
        }
        for name, way in ways.items():
            stories, given = [], []
            for i, order in enumerate(way):
                if order is None:
                    continue
                reed = copy.deepcopy(box[i])
                reed.pipe = pipes[order]
                past = reed.true_gap_cents() > TOLERANCE_CENTS
                story = Played(reed, np.random.default_rng([seed, number, i]), None, past)
                # a blank goes to the chanter first: F and E are read before anything comes off
                reed.read(story.rng)
                stories.append(story)
                given.append((found[i][order], minutes[i][order], costs[i]))
            played_out(planner, world, stories)
            for story, (forecast, expected, cost) in zip(stories, given, strict=True):
                readings, past = len(story.reed.readings) - 1, story.gap_cents > TOLERANCE_CENTS
                good = abs(story.gap_cents) <= TOLERANCE_CENTS
                spent = story.cuts * cost.cut_minutes + readings * cost.reading_minutes
                spent += LOST_MINUTES if past else 0.0 if good else cost.outside_minutes
                out.append(Outcome(bench, name, forecast, expected, story.cuts, readings, past, good, spent))
    return out, sets


def mean_se(values: Sequence[float]) -> str:
    """A mean and its standard error."""
    return f"{np.mean(values):.2f} ± {np.std(values) / np.sqrt(len(values)):.2f}"


def set_table(found: Sequence[SetOutcome]) -> str:
    """What each way takes, and what it saves against order after order."""
    rows = []
    for bench, weights in itertools.product((*BENCHES, "all"), (False, True)):
        mine = [one for one in found if bench in (one.bench, "all") and one.weights == weights]
        by_way = {way: [one for one in mine if one.way == way] for way in dict.fromkeys(one.way for one in mine)}
        plain = by_way["order after order"]
        for way, those in by_way.items():
            row: dict[str, object] = {
                "bench": BENCH_WORDS.get(bench, bench),
                "weights": "asked" if weights else "any",
                "way": way,
            }
            for name, what in (("predicted", "predicted_minutes"), ("of one who knows", "knower_minutes")):
                mean, base = (float(np.mean([getattr(one, what) for one in ones])) for ones in (those, plain))
                row |= {f"minutes a box, {name}": f"{mean:.0f}", f"saved, {name}": f"{100 * (1 - mean / base):.0f} %"}
            rows.append(row | {"places empty": f"{np.mean([one.empty for one in those]):.1f}"})
    return markdown(pd.DataFrame(rows))


def report(found: Sequence[Outcome], sets: Sequence[SetOutcome], boxes: int, shops: int) -> str:
    """The page."""
    saved, held = [], []
    for bench in (*BENCHES, "all"):
        mine = [one for one in found if bench in (one.bench, "all")]
        cost = {way: [one.minutes for one in mine if one.way == way] for way in ("allotted", "order after order")}
        ways = {way: [one for one in mine if one.way == way] for way in cost}
        saved.append(
            {"bench": BENCH_WORDS.get(bench, bench), "reeds": len(cost["allotted"])}
            | {f"minutes a reed, {way}": mean_se(values) for way, values in cost.items()}
            | {"saved": f"{100 * (1 - np.mean(cost['allotted']) / np.mean(cost['order after order'])):.0f} %"}
            | {f"past %, {way}": f"{100 * np.mean([one.past for one in all_]):.1f}" for way, all_ in ways.items()}
        )
        for way, those in ways.items():
            held.append(
                {
                    "bench": BENCH_WORDS.get(bench, bench),
                    "way": way,
                    "cuts predicted": f"{np.mean([one.predicted.cuts for one in those]):.2f}",
                    "cuts": mean_se([one.cuts for one in those]),
                    "readings predicted": f"{np.mean([one.predicted.readings for one in those]):.2f}",
                    "readings": mean_se([one.readings for one in those]),
                    "minutes predicted": f"{np.mean([one.predicted_minutes for one in those]):.1f}",
                    "minutes": mean_se([one.minutes for one in those]),
                    "good % predicted": f"{100 * np.mean([one.predicted.good for one in those]):.1f}",
                    "good %": mean_se([100.0 * one.good for one in those]),
                    "past % predicted": f"{100 * np.mean([one.predicted.past for one in those]):.1f}",
                    "past %": mean_se([100.0 * one.past for one in those]),
                }
            )
    command = f"python -m tests.worlds.allotting {boxes} {shops}"
    head = (
        f"# Boxes allotted to orders\n\nMade by `{command}`: shops on each of three benches: {shops}; boxes a shop: "
        f"{boxes}, each\nof {BLANKS} blanks with nothing but their crow read, {CHANTERS} orders for {EACH} reeds in as "
        "many chanters. Minutes are cuts and readings, and\n120 for a reed lost or left outside tolerance. ± is one "
        "standard error over reeds. No order names a pitch or a weight here, so that\nalmost every blank can be "
        "trimmed to almost every chanter: there is little to choose between ways to put them to orders."
    )
    between = "What was predicted of each reed from its crow alone, beside what happened:"
    to_one_pitch = (
        f"A set to one pitch: {CHANTERS} chanters whose own pitches lie about a hertz over the target, {EACH} "
        f"reeds for each from a box of\n{BLANKS}; boxes a bench: {boxes * shops}. Half of the orders ask for a "
        "weight, or none does. By one who knows: the best that any way to put reeds\nto orders can save, the "
        "reeds' true gaps and pitches known:"
    )
    tables = [markdown(pd.DataFrame(saved)), between, markdown(pd.DataFrame(held)), to_one_pitch, set_table(sets)]
    return "\n\n".join([head, *tables]) + "\n"


def main(words: Sequence[str]) -> None:
    """Write the page."""
    boxes = int(words[0]) if words else 2
    shops = int(words[1]) if len(words) > 1 else 2
    made = [box_of(bench, seed, boxes) for seed in range(1, shops + 1) for bench in BENCHES]
    found, sets = ([one for pair in made for one in pair[which]] for which in (0, 1))
    REPORT.write_text(report(found, sets, boxes, shops), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
