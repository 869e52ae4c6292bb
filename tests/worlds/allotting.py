"""`python -m tests.worlds.allotting [BOXES] [SHOPS]`: boxes of blanks allotted to orders, beside order after order.

Both are played to their end; what was predicted of the reeds stands beside what happened. Writes reports/allotting.md.

On each bench a shop has learned from its past reeds. A box holds blanks of all its types, with their crow read and
nothing else; each chanter of the shop has an order. Allotted: the assignment of least expected cost. Order after order:
each order takes the blanks that are best for it, as `pick` lists them, and leaves the rest. The same reeds, the same
chance in each reed's readings and cuts, and the same planner for both.
"""

from __future__ import annotations

import copy
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worlds.frames import frame_row
from tests.worlds.house import HousePlanner, learned, states_of
from tests.worlds.play import TOLERANCE_CENTS, Played, played_out
from tests.worlds.proof import markdown
from tests.worlds.shop import WORLD_NAMES, LiveReed, World
from trimfit.planner.aim import Aim, see
from trimfit.planner.allotment import assigned
from trimfit.planner.choice import Rules
from trimfit.planner.forecast import Case, Forecast, forecasts
from trimfit.planner.policy_table import Costs

REPORT = Path(__file__).parents[2] / "reports" / "allotting.md"
BENCHES = WORLD_NAMES[:3]
BLANKS, EACH = 48, 6
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


def forecasts_of(
    planner: HousePlanner, box: Sequence[LiveReed], chanters: Sequence[str]
) -> tuple[list[list[Forecast]], list[Costs]]:
    """What is predicted of each blank in each chanter, and the costs of each blank's type."""
    rules = Rules(planner.ceiling, 0.01, LOST_MINUTES, planner.error)
    out, costs = [], []
    for reed in box:
        row = []
        frame = pd.DataFrame([frame_row(reading) for reading in reed.readings])
        for chanter in chanters:
            state, code, _ = states_of(planner.model, frame, chanter)
            aim = Aim(chanter, None, None, TOLERANCE_CENTS, reed.kind.blade_mm - 12.0)
            row += forecasts([Case(see(state, aim, 0.0, 0.0), aim, unread=True)], planner.table(code), rules)
        out.append(row)
        costs.append(planner.table(code).costs)
    return out, costs


def after_order(found: Sequence[Sequence[Forecast]], wanted: Sequence[int]) -> list[int | None]:
    """Each order in its turn takes the blanks with the best chance, then the fewest cuts, of those still there."""
    way: list[int | None] = [None] * len(found)
    for order, count in enumerate(wanted):
        free = [i for i, taken in enumerate(way) if taken is None]
        best = sorted(free, key=lambda i: (-round(found[i][order].good, 2), round(found[i][order].cuts, 2)))
        for i in best[:count]:
            way[i] = order
    return way


def box_of(bench: str, seed: int, boxes: int) -> list[Outcome]:
    """One shop and its boxes, allotted and picked, played to their end."""
    world = World(bench, np.random.default_rng(seed))
    planner = HousePlanner(learned(world, np.random.default_rng([seed, 4])))
    pipes = world.physics.pipes
    names, wanted = [pipe.name for pipe in pipes], [EACH] * len(pipes)
    out: list[Outcome] = []
    for number in range(boxes):
        rng = np.random.default_rng([seed, number, 9])
        box = world.new_reeds(rng, BLANKS, 6)
        for reed in box:
            reed.read(rng, what="crow")
        found, costs = forecasts_of(planner, box, names)
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
    return out


def mean_se(values: Sequence[float]) -> str:
    """A mean and its standard error."""
    return f"{np.mean(values):.2f} ± {np.std(values) / np.sqrt(len(values)):.2f}"


def report(found: Sequence[Outcome], boxes: int, shops: int) -> str:
    """The page."""
    saved, held = [], []
    for bench in (*BENCHES, "all"):
        mine = [one for one in found if bench in (one.bench, "all")]
        cost = {way: [one.minutes for one in mine if one.way == way] for way in ("allotted", "order after order")}
        ways = {way: [one for one in mine if one.way == way] for way in cost}
        saved.append(
            {"bench": bench, "reeds": len(cost["allotted"])}
            | {f"minutes a reed, {way}": mean_se(values) for way, values in cost.items()}
            | {"saved": f"{100 * (1 - np.mean(cost['allotted']) / np.mean(cost['order after order'])):.0f} %"}
            | {f"past %, {way}": f"{100 * np.mean([one.past for one in all_]):.1f}" for way, all_ in ways.items()}
        )
        for way, those in ways.items():
            held.append(
                {
                    "bench": bench,
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
        f"{boxes}, each\nof {BLANKS} blanks with nothing but their crow read, five orders for {EACH} reeds in five "
        "chanters. Minutes are cuts and readings, and\n120 for a reed lost or left outside tolerance. ± is one "
        "standard error over reeds. No order names a pitch or a weight here, so that\nalmost every blank can be "
        "trimmed to almost every chanter: there is little to choose between ways to put them to orders."
    )
    between = "What was predicted of each reed from its crow alone, beside what happened:"
    return "\n\n".join([head, markdown(pd.DataFrame(saved)), between, markdown(pd.DataFrame(held))]) + "\n"


def main(words: Sequence[str]) -> None:
    """Write the page."""
    boxes = int(words[0]) if words else 2
    shops = int(words[1]) if len(words) > 1 else 2
    found = [one for seed in range(1, shops + 1) for bench in BENCHES for one in box_of(bench, seed, boxes)]
    REPORT.write_text(report(found, boxes, shops), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
