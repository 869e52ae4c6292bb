"""What advice is worth as a shop's log grows: `python -m tests.worlds.growth [REEDS]` writes reports/growth.md.

A new shop logs 0, 10, 50 or 300 past reeds, as a careful hand trimmed them (0.6 of the need, one slope for all types).
Then trimfit, fitted on that and nothing else, plays new reeds of new batches to their end. Benches of several physics,
none of them the fitted model; the same new reeds at every size, and for the careful hand beside them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worlds.house import BALANCE_CENTS, HousePlanner, learned
from tests.worlds.play import Played, play
from tests.worlds.shop import World
from tests.worlds.yardsticks import CarefulHand
from trimfit.learn.card import FitCard
from trimfit.learn.fitting import prior_card

__all__ = ["SIZES", "grown", "write"]

WORLDS = ("beam", "saturating", "multiplicative")
SIZES = (0, 10, 50, 300)
WORLD_SEED, HISTORY_SEED, PLAY_SEED = 1, 2, 6
REEDS = 100
TARGET = Path(__file__).parents[2] / "reports" / "growth.md"


def first_cut_share(stories: list[Played]) -> float:
    """The first cut in per cent of what was truly wanting then, in the middle of the reeds that were cut."""
    shares = []
    for story in stories:
        need_mm = story.reed.removed_mm + story.reed.true_trim_mm()
        if story.cuts and np.isfinite(need_mm) and need_mm > 0.1:
            shares.append(100.0 * float(str(story.reed.trims[0]["asked_mm"])) / need_mm)
    return float(np.median(shares)) if shares else float("nan")


def card_at(world: World, reeds: int) -> FitCard:
    """What a shop with that many past reeds has learned; assumptions alone for none."""
    if reeds == 0:
        return prior_card(tuple(kind.name for kind in world.physics.kinds), 6.0, 20.0, BALANCE_CENTS)
    batches = max(1, reeds // 36)
    return learned(world, np.random.default_rng(HISTORY_SEED), reeds, batches_per_type=batches)


def grown(name: str, new: int = REEDS) -> list[dict[str, object]]:
    """A row for the careful hand and one for each size, on one bench."""
    world = World(name, np.random.default_rng(WORLD_SEED))
    rows: list[dict[str, object]] = []
    for reeds in (None, *SIZES):
        policy = HousePlanner(card_at(world, reeds)) if reeds is not None else CarefulHand()
        tally = play(policy, world, new, PLAY_SEED)
        rows.append(
            {
                "bench": name,
                "past reeds": "careful hand" if reeds is None else str(reeds),
                "first cut, % of the need": first_cut_share(tally.stories),
                "cuts a reed": tally.cuts_per_reed,
                "readings a reed": tally.readings_per_reed,
                "past %": tally.past_pct,
                "within 1 Hz %": tally.within_pct,
            }
        )
    return rows


def write(rows: list[dict[str, object]], new: int, target: Path) -> None:
    """The table, bench by bench and in the mean, as a page."""
    table = pd.DataFrame(rows)
    mean = table.drop(columns="bench").groupby("past reeds", sort=False).mean().reset_index()
    mean.insert(0, "bench", "all, mean")
    lines = [
        "# What advice is worth as the log grows",
        "",
        f"Made by `python -m tests.worlds.growth`: {len(WORLDS)} make-believe benches, {new} new reeds on each.",
        "",
        "| " + " | ".join(table.columns) + " |",
        "|" + "---|" * 2 + "---:|" * (len(table.columns) - 2),
    ]
    for _, row in pd.concat([mean, table]).iterrows():
        cells = [value if isinstance(value, str) else "" if np.isnan(value) else f"{value:.1f}" for value in row]
        lines.append("| " + " | ".join(cells) + " |")
    target.write_text("\n".join(lines) + "\n", encoding="utf-8")


def main(words: list[str]) -> None:
    """Play and write."""
    new = int(words[0]) if words else REEDS
    rows: list[dict[str, object]] = []
    for name in WORLDS:
        rows += grown(name, new)
        print(pd.DataFrame(rows).tail(len(SIZES) + 1).to_string(index=False), flush=True)
    write(rows, new, TARGET)


if __name__ == "__main__":
    main(sys.argv[1:])
