"""`python -m tests.worlds table [N]`: the yardsticks on every bench; `python -m tests.worlds tune [WORLD…]`."""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from tests.worlds.foretelling import crow_alone, knowing_scores, make_trials
from tests.worlds.play import play
from tests.worlds.shop import WORLD_NAMES, World
from tests.worlds.yardsticks import TUNED, CarefulHand, KnowingPlanner, tune

WORLD_SEED, TRIAL_SEED, PLAY_SEED = 1, 4, 5


def yardstick_rows(name: str, n: int) -> tuple[list[dict[str, object]], dict[str, object]]:
    """Play rows of both yardsticks, and one row of the filter's foretelling, on one bench."""
    world = World(name, np.random.default_rng(WORLD_SEED))
    knower = KnowingPlanner(world.physics, TUNED[name])
    rows = [play(policy, world, n, PLAY_SEED).row() for policy in (CarefulHand(), knower)]
    aimed = KnowingPlanner(world.physics, TUNED[name], name="knows, 3 cents below")
    rows.append(play(aimed, world, n, PLAY_SEED, below_own_pitch_cents=3.0).row())
    rng = np.random.default_rng(TRIAL_SEED)
    scores = knowing_scores(world, make_trials(world, rng, 150), rng)
    gap = scores[(scores["output"] == "gap") & ~scores["slipped"]]
    error = gap["found_cents"] - gap["foretold_cents"]
    told: dict[str, object] = {"world": name}
    for readings, errors in error.groupby(gap["readings"]):
        told[f"gap_rms_after_{readings}"] = round(float(np.sqrt((errors**2).mean())), 2)
    held = scores["found_cents"].between(scores["low_cents"], scores["high_cents"])
    told["held_90_pct"] = round(100 * float(held.mean()), 1)
    table = crow_alone(world, world.new_reeds(rng, 600, 60), rng).dropna()
    told["crow_trim_correlation"] = round(float(table["foretold_mm"].corr(table["true_mm"])), 3)
    return rows, told


def main(words: list[str]) -> None:
    """Print the table, or the rules that `tune` chooses."""
    if words[:1] == ["tune"]:
        for name in words[1:] or WORLD_NAMES:
            rule, tallies = tune(World(name, np.random.default_rng(WORLD_SEED)))
            print(pd.DataFrame([tally.row() for tally in tallies]).to_string())
            print(name, rule)
        return
    n = int(words[1]) if len(words) > 1 else 1000
    played, told = [], []
    for name in WORLD_NAMES:
        rows, row = yardstick_rows(name, n)
        played += rows
        told.append(row)
    print(pd.DataFrame(played).to_string(index=False))
    print(pd.DataFrame(told).to_string(index=False))


if __name__ == "__main__":
    main(sys.argv[1:])
