"""What advice is worth as a shop's log grows: `python -m tests.worlds.growth [REEDS]` writes reports/growth.md.

A new shop logs 0, 10, 50 or 300 past reeds, as a careful hand trimmed them (0.6 of the need, one slope for all types).
Then trimfit, fitted on that and nothing else, plays new reeds of new batches to their end. Benches of several physics,
none of them the fitted model; the same new reeds at every size, and for the careful hand beside them.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from tests.opened import on
from tests.worlds.house import BALANCE_CENTS, HousePlanner, learned, state_of
from tests.worlds.play import Played, play
from tests.worlds.shop import World
from tests.worlds.yardsticks import CarefulHand
from trimfit.base.pitch import hz_from_cents
from trimfit.planner.aim import GAP
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import prior_model
from trimfit.verbs.import_export import import_folder
from trimfit.verbs.reviews.chanters import chanters

__all__ = ["SIZES", "grown", "write"]

WORLDS = ("beam", "saturating", "multiplicative")
SIZES = (0, 10, 50, 300)
WORLD_SEED, HISTORY_SEED, CROW_SEED, PLAY_SEED = 1, 2, 3, 6
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


def batches_per_type(reeds: int) -> int:
    """How many batches of each of the three types a shop of that many reeds has."""
    return max(1, round(reeds / 30))


def card_at(world: World, reeds: int) -> FittedModel:
    """What a shop with that many past reeds has learned; assumptions alone for none."""
    if reeds == 0:
        return prior_model(tuple(kind.name for kind in world.physics.kinds), 6.0, 20.0, BALANCE_CENTS)
    return learned(world, np.random.default_rng(HISTORY_SEED), reeds, batches_per_type=batches_per_type(reeds))


def slope_pct(model: FittedModel) -> float:
    """How well the types' slopes of the gap are known: half the 90 % interval in per cent, the mean of the types."""
    found = []
    for code in range(model.n_types):
        spot = model.type_slice(code)
        cov = model.coef_cov[spot, spot][10:20, 10:20]
        found.append(164.5 * math.sqrt(float(GAP @ cov @ GAP)) / float(GAP @ model.type_coef(code)[1]))
    return float(np.mean(found))


def crow_alone_cents(world: World, model: FittedModel, new: int) -> float:
    """How far off the gap of untrimmed reeds of new batches is predicted from one reading of their crow: rms, cents."""
    rng = np.random.default_rng(CROW_SEED)
    misses = []
    for reed in world.new_reeds(rng, new):
        reed.read(rng, what="crow")
        state, _ = state_of(model, reed.frame(), reed.chanter)
        mean, _ = state.outputs(state.design(0.0, 0.0, reed.chanter))
        misses.append(float(GAP @ mean) - reed.true_gap_cents())
    return float(np.sqrt(np.mean(np.square(misses))))


def meeting_pitch_hz(name: str, reeds: int) -> float:
    """How far off the shop's log has the meeting pitch of its chanters: rms over those it names one for, Hz.

    The true one is that of usual reeds, in the mean of the types.
    """
    world = World(name, np.random.default_rng(WORLD_SEED))
    shop = world.history(np.random.default_rng(HISTORY_SEED), reeds, batches_per_type=batches_per_type(reeds))
    true_hz = {
        pipe.name: hz_from_cents(
            float(np.mean([world.physics.meeting_pitch_cents(kind, pipe) for kind in world.physics.kinds]))
        )
        for pipe in world.physics.pipes
    }
    with tempfile.TemporaryDirectory() as folder:
        shop.write_csv(Path(folder) / "shop")
        log = Path(folder) / "growth.trimfit"
        import_folder(log, Path(folder) / "shop")
        misses = [
            one.meet_pitch_hz.mean - true_hz[one.chanter] for one in on(log, chanters) if one.meet_pitch_hz is not None
        ]
    return float(np.sqrt(np.mean(np.square(misses)))) if misses else math.nan


def grown(name: str, new: int = REEDS) -> list[dict[str, object]]:
    """A row for the careful hand and one for each size, on one bench."""
    world = World(name, np.random.default_rng(WORLD_SEED))
    rows: list[dict[str, object]] = []
    for reeds in (None, *SIZES):
        model = card_at(world, reeds) if reeds is not None else None
        tally = play(HousePlanner(model) if model else CarefulHand(), world, new, PLAY_SEED)
        rows.append(
            {
                "bench": name,
                "past reeds": "careful hand" if reeds is None else str(reeds),
                "slope of a type, ± %": slope_pct(model) if model else math.nan,
                "gap from a crow alone, off by cents": crow_alone_cents(world, model, new) if model else math.nan,
                "chanter's pitch, off by Hz": meeting_pitch_hz(name, reeds) if reeds else math.nan,
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
        "±: half of the 90 % interval. Off by: root mean square of predicted less true.",
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
