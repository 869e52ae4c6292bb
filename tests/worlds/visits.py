"""Runs over several days on reeds that move: `python -m tests.worlds.visits [--shops N] [--reeds N] [--days 0 7]`.

One visit to a reed is a reading and the step that follows it; then the reed lies for 0, 1, 3 or 7 days (0: twenty
minutes, all in one sitting). Three players work at the same reeds: the tool, through a real log; a careful hand, who
trusts today's reading and takes 0.6 of what seems wanting at the type's slope; and a planner that knows population,
physics and movement (moving_belief.py) under the rules of yardsticks.py. A reed that is called finished is judged at
the end of that visit.
"""

from __future__ import annotations

import argparse
import copy
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd

from tests.reported_figures import by_luck
from tests.worlds.movement import MOVEMENTS, MovingReed, MovingWorld
from tests.worlds.moving_rules import (
    CUT_MINUTES,
    LOST_MINUTES,
    OUTSIDE_MINUTES,
    READING_MINUTES,
    MovingPlanner,
    planner_of,
)
from tests.worlds.play import LEAST_BLADE_MM, TOLERANCE_CENTS, Move, Seen
from tests.worlds.proof import markdown, share, side_by_side
from tests.worlds.shop import read_gap_cents
from tests.worlds.tool import LoggedReeds, advised, new_log
from tests.worlds.yardsticks import STEP_MM, TUNED

__all__ = ["GAPS_DAYS", "Hand", "Knower", "Tool", "Visited", "chances", "one_shop", "pooled", "visit"]

GAPS_DAYS = (0, 1, 3, 7)
PHYSICS = ("beam", "saturating", "multiplicative")
FIRST_DAY = 200.0
TWENTY_MINUTES = 1.0 / 72.0
MOST_VISITS = 12
WORKERS = 2
CEILING = 0.01
BY = ("movement", "days between", "who")
WHOLE = ("movement", "who")


@dataclass
class Visited:
    """One reed's story over its visits. cut_past: how many cuts brought it past; told: what the story is of."""

    reed: MovingReed
    rng: np.random.Generator
    told: dict[str, object] = field(default_factory=dict)
    born_past: bool = False
    end: str = "unfinished"
    jumped: bool = False
    gap_cents: float = float("nan")
    cut_past: int = 0
    moves: list[dict[str, object]] = field(default_factory=list)

    def seen(self) -> Seen:
        """What the bench knows."""
        reed = self.reed
        limit = reed.kind.blade_mm - LEAST_BLADE_MM
        return Seen(
            reed.reed, reed.kind.name, reed.batch, reed.chanter, tuple(reed.readings), tuple(reed.trims),
            reed.removed_mm, reed.lip_strokes, limit,
        )  # fmt: skip

    def is_past(self) -> bool:
        """Whether it is past tolerance at this moment."""
        return self.reed.true_gap_cents() > TOLERANCE_CENTS


class Player(Protocol):
    """Who works at the reeds. `name`; what it says of each reed read on a day; what it is told of the day's end."""

    name: str

    def moves(self, stories: Sequence[Visited], day: float) -> Mapping[str, Move]:
        """The next step for each reed, by name."""
        ...

    def end_of_day(self, stories: Sequence[Visited]) -> None:
        """What was done is there to be logged."""
        ...


class Tool:
    """The tool, through a copy of the shop's log."""

    name = "trimfit"

    def __init__(self, path: Path, reeds: Sequence[MovingReed]) -> None:
        self.path, self.log = path, LoggedReeds(path, reeds)

    def moves(self, stories: Sequence[Visited], day: float) -> dict[str, Move]:
        """What `ask --all` says once the day's readings are logged."""
        self.log.tell()
        said = advised(self.path, day)
        return {
            story.reed.reed: Move(a.action, a.length_mm, a.lip_strokes, a.chance_past)
            for story in stories
            for a in [said[story.reed.reed]]
        }

    def end_of_day(self, stories: Sequence[Visited]) -> None:
        """Log cuts, and which reeds have left the bench."""
        self.log.tell()
        gone = {"finished": "good", "past": "lost", "no-fit": "to-stock"}
        self.log.end({story.reed.reed: gone[story.end] for story in stories if story.end in gone})


class Knower:
    """The planner that knows all but the reed."""

    def __init__(self, planner: MovingPlanner) -> None:
        self.planner, self.name = planner, planner.name

    def moves(self, stories: Sequence[Visited], day: float) -> dict[str, Move]:
        """By its posterior of each reed on that day."""
        return {s.reed.reed: self.planner.answer(s.seen(), s.reed.made_day, day) for s in stories}

    def end_of_day(self, stories: Sequence[Visited]) -> None:
        """It sees for itself."""


class Hand:
    """Trusts today's reading: takes 0.6 of what seems wanting at the type's slope, and stops at half the tolerance."""

    name = "careful hand"
    share, stop_cents = 0.6, 1.85

    def moves(self, stories: Sequence[Visited], day: float) -> dict[str, Move]:
        """By the last reading alone."""
        return {story.reed.reed: self.move(story.reed) for story in stories}

    def move(self, reed: MovingReed) -> Move:
        """For one reed."""
        gap = read_gap_cents(reed.readings[-1])
        if gap > TOLERANCE_CENTS + 1.5:
            return Move("past")
        if gap > -self.stop_cents:
            return Move("finished")
        return Move("trim", max(round(self.share * -gap / reed.kind.gap_cents_per_mm, 2), STEP_MM))

    def end_of_day(self, stories: Sequence[Visited]) -> None:
        """Nothing is written down."""


def visit(player: Player, stories: Sequence[Visited], days_between: int) -> None:
    """Play reeds to their end, a step a visit; their stories are filled in."""
    waiting, first = list(stories), FIRST_DAY + 0.4
    for number in range(MOST_VISITS):
        day = first + number * (days_between or TWENTY_MINUTES)
        for story in waiting:
            story.reed.rest_until(day)
            if number == 0:
                story.born_past = story.is_past()
            else:
                last, past = story.moves[-1], story.is_past()
                last["past_by_next"] = last["past_after"] or past
                last["past_as_stated"] = last["past_after"] or (last["short_after"] and past)
            story.reed.read(story.rng)
        said = player.moves(waiting, max(story.reed.day for story in waiting))
        for story in waiting:
            _step(story, said[story.reed.reed])
        player.end_of_day(waiting)
        waiting = [story for story in waiting if story.end == "unfinished"]
        if not waiting:
            break
    for story in stories:
        story.gap_cents = story.reed.true_gap_cents()
        story.jumped = story.reed.jumps(first, story.reed.day) > 0


def _step(story: Visited, move: Move) -> None:
    """What is done with a reed on one visit."""
    before = story.is_past()
    if move.action == "trim":
        story.reed.cut(story.rng, move.length_mm, move.lip)
    after = story.is_past()
    story.cut_past += after and not before
    short = story.reed.true_gap_cents() < -TOLERANCE_CENTS
    story.moves.append(
        {"action": move.action, "stated": move.chance_past, "past_after": after, "short_after": short,
         "past_by_next": after, "past_as_stated": after}
    )  # fmt: skip
    if move.action in ("finished", "past", "no-fit"):
        story.end = move.action


def fresh(world: MovingWorld, seed: int, count: int, days_between: int = 0) -> list[Visited]:
    """Untrimmed reeds, each with its own source of chance; others for each number of days between visits."""
    reeds = world.moving_reeds(np.random.default_rng([seed, 5, days_between]), count, read_from_day=FIRST_DAY)
    chances = np.random.SeedSequence([seed, 6, days_between]).spawn(count)
    return [Visited(reed, np.random.default_rng(own)) for reed, own in zip(reeds, chances, strict=True)]


def one_shop(physics: str, movement: str, seed: int, count: int, gaps_days: Sequence[int] = GAPS_DAYS) -> list[Visited]:
    """The stories of one shop's reeds: the same for each player, others for each number of days between visits."""
    world = MovingWorld(physics, movement, np.random.default_rng([seed, 1]), seed=seed)
    told: list[Visited] = []
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder) / "log"
        new_log(base, world.moved_history(np.random.default_rng([seed, 2])))
        for days_between in gaps_days:
            untouched = fresh(world, seed, count, days_between)
            for who in (Tool.name, Hand.name, MovingPlanner.name):
                stories = copy.deepcopy(untouched)
                player: Player = Hand()
                if who == Tool.name:
                    path = Path(folder) / f"log-{days_between}"
                    shutil.copy(base, path)
                    player = Tool(path, [story.reed for story in stories])
                elif who == MovingPlanner.name:
                    player = Knower(planner_of(world, TUNED[physics], float(days_between)))
                visit(player, stories, days_between)
                for story in stories:
                    story.told = {"movement": movement, "days between": days_between, "who": who}
                told += stories
    return told


def rows_of(stories: Sequence[Visited]) -> pd.DataFrame:
    """A row a reed that was not past before any work: what came of it."""
    return pd.DataFrame(
        [
            story.told
            | {
                "cuts": sum(move["action"] == "trim" for move in story.moves),
                "readings": len(story.reed.readings),
                "jumped": story.jumped,
                "cut_past": story.cut_past > 0,
                "past_at_end": story.gap_cents > TOLERANCE_CENTS,
                "within": abs(story.gap_cents) <= TOLERANCE_CENTS,
                "unfinished": story.end == "unfinished",
            }
            for story in stories
            if not story.born_past
        ]
    )


def pooled(stories: Sequence[Visited], by: Sequence[str] = BY) -> pd.DataFrame:
    """What came of the reeds, a row for each movement, days between visits and player (or as `by` says)."""
    rows = []
    for key, some in rows_of(stories).groupby(list(by), sort=False):
        jumped = some[some["jumped"]]
        by_itself = some["past_at_end"] & ~some["cut_past"]
        outside = LOST_MINUTES * some["past_at_end"] + OUTSIDE_MINUTES * (~some["within"] & ~some["past_at_end"])
        spent = CUT_MINUTES * some["cuts"] + READING_MINUTES * some["readings"]
        rows.append(
            {
                **dict(zip(by, key, strict=True)),
                "reeds": len(some),
                "cuts": f"{some['cuts'].mean():.2f}",
                "readings": f"{some['readings'].mean():.2f}",
                "cut past %": share(some["cut_past"]),
                "jumped": len(jumped),
                "of them cut past %": share(jumped["cut_past"]) if len(jumped) else "–",
                "past by itself %": share(by_itself),
                "past in all %": share(some["cut_past"] | some["past_at_end"]),
                "within %": share(some["within"]),
                "unfinished %": f"{100 * some['unfinished'].mean():.1f}",
                "minutes": f"{(spent + outside).mean():.1f}",
            }
        )
    return pd.DataFrame(rows)


def chances(stories: Sequence[Visited], by: Sequence[str] = BY) -> pd.DataFrame:
    """Of the cuts with a stated chance of going past: its mean, and the shares past just after, past then or left short
    and past one visit later (what the tool's chance is of), and past one visit later in all."""
    cuts = pd.DataFrame(
        [story.told | move for story in stories if not story.born_past for move in story.moves if story.told]
    )
    cuts = cuts[(cuts["action"] == "trim") & cuts["stated"].notna()]
    rows = []
    for key, some in cuts.groupby(list(by), sort=False):
        rows.append(
            {
                **dict(zip(by, key, strict=True)),
                "cuts": len(some),
                "stated %": f"{100 * some['stated'].mean():.2f}",
                "past after it %": share(some["past_after"], 2),
                "or left short and past by the next visit %": share(some["past_as_stated"], 2),
                "past by the next visit %": share(some["past_by_next"], 2),
                "over the ceiling": int((some["stated"] > CEILING).sum()),
            }
        )
    return pd.DataFrame(rows)


def stated_and_found(rows: pd.DataFrame) -> str:
    """What the rows of `chances` come to for trimfit, in a sentence: how many cuts were to go past, and did."""
    mine = rows[rows["who"] == "trimfit"]
    went = mine["or left short and past by the next visit %"].str.split().str[0].astype(float)
    stated, found = (
        float((mine["cuts"] * share_of / 100).sum()) for share_of in (mine["stated %"].astype(float), went)
    )
    return (
        f"The chances stated for trimfit's {mine['cuts'].sum():,} cuts add up to {stated:.0f} that end past, or short "
        f"and past by the next visit; {found:.0f} ± {found**0.5:.0f} did (each cut by itself; "
        f"{by_luck(stated, found)})."
    )


def write(movements: Sequence[str], shops: int, reeds: int, gaps_days: Sequence[int]) -> str:
    """The page."""
    seeds = range(1, shops + 1)
    given = [
        (PHYSICS[seed % len(PHYSICS)], movement, seed, reeds, gaps_days) for movement in movements for seed in seeds
    ]
    days = "" if tuple(gaps_days) == GAPS_DAYS else f" --days {' '.join(map(str, gaps_days))}"
    stories = [story for shop in side_by_side(one_shop, given, WORKERS) for story in shop]
    whole = chances(stories, WHOLE)
    return (
        "# Runs over several days\n\n"
        f"Made by `python -m tests.worlds.visits --shops {shops} --reeds {reeds} --movement {' '.join(movements)}"
        f"{days}`:\n"
        f"{'one shop' if shops == 1 else f'{shops} shops'} of each way of moving, {reeds} "
        "new reeds for each number of days between visits,\nthe same for each player; one step a visit. Cut past: "
        "past because of a cut, not of later movement, wherever\nit stands at the end. Past by itself: past at the end "
        "though no cut brought it there. Past in all: the one or the other.\nOf them cut past: of the reeds that "
        "jumped. Shares: of reeds\nthat were not past before any work, ± the "
        "standard error in points, each reed counted by itself (of none or all: as if it\nwere one of n + 1). "
        "Within: by its gap at the end of its last visit, also where it was left unfinished then, so that within, "
        "past\nand unfinished may come to more than 100. "
        "Minutes: cuts, readings, reeds past or left short, at the shop's settings.\n\n"
        f"{markdown(pooled(stories, WHOLE))}\n\nBy the days between visits:\n\n{markdown(pooled(stories))}\n\n"
        "Cuts, and the chance of going past that was stated for them:\n\n"
        f"{markdown(whole)}\n\n{stated_and_found(whole)}\n\nBy the days between visits:\n\n"
        f"{markdown(chances(stories))}\n"
    )


def main() -> None:
    """Print the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=6)
    parser.add_argument("--reeds", type=int, default=60)
    parser.add_argument("--movement", nargs="*", default=list(MOVEMENTS), choices=list(MOVEMENTS))
    parser.add_argument("--days", nargs="*", type=int, default=list(GAPS_DAYS))
    given = parser.parse_args()
    print(write(given.movement, given.shops, given.reeds, given.days))


if __name__ == "__main__":
    main()
