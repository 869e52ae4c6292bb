"""What advice is worth as a shop's log grows: `python -m tests.worlds.growth [SHOPS] [REEDS]` writes reports/growth.md.

A new shop logs 0, 10, 50 or 300 past reeds, as a careful hand trimmed them (0.6 of the need, one slope for all types).
Then trimfit, fitted on that and nothing else, plays new reeds of new batches to their end. Shops of several physics,
none of them the fitted model: the shops and seeds of the runs played out (`tests.worlds.proof`), the same new reeds at
every size, and for the careful hand beside them.
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
from tests.worlds.proof import PLAY_SEED, TRIAL_SEED, shops_of
from tests.worlds.shop import WORLD_NAMES, World
from tests.worlds.yardsticks import CarefulHand
from trimfit.base.pitch import hz_from_cents
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import prior_model
from trimfit.regression.outputs import GAP
from trimfit.verbs.import_export import import_folder
from trimfit.verbs.reviews.chanters import chanters

__all__ = ["SIZES", "in_one_shop", "write"]

SIZES = (0, 10, 50, 300)
BENCHES = WORLD_NAMES
CROW_SEED = 3
NEED_MM = 0.1
"""Less is not counted: what share of it a first cut takes says little."""
SHOPS, REEDS = 2, 72
TARGET = Path(__file__).parents[2] / "reports" / "growth.md"
COUNTED = ("past %", "within 1 Hz %")


def first_cut_share(stories: list[Played]) -> float:
    """The first cut in per cent of what was truly wanting then, in the middle of the reeds that were cut."""
    shares = []
    for story in stories:
        need_mm = story.reed.removed_mm + story.reed.true_trim_mm()
        if story.cuts and np.isfinite(need_mm) and need_mm > NEED_MM:
            shares.append(100.0 * float(str(story.reed.trims[0]["asked_mm"])) / need_mm)
    return float(np.median(shares)) if shares else float("nan")


def batches_per_type(reeds: int) -> int:
    """How many batches of each of the three types a shop of that many reeds has."""
    return max(1, round(reeds / 30))


def learned_from(world: World, seed: int, reeds: int) -> FittedModel:
    """What a shop with that many past reeds has learned; assumptions alone for none."""
    if reeds == 0:
        return prior_model(tuple(kind.name for kind in world.physics.kinds), 6.0, 20.0, BALANCE_CENTS)
    return learned(world, np.random.default_rng([seed, TRIAL_SEED]), reeds, batches_per_type=batches_per_type(reeds))


def slope_pct(model: FittedModel) -> float:
    """How well the types' slopes of the gap are known: half the 90 % interval in per cent, the mean of the types."""
    found = []
    for code in range(model.n_types):
        spot = model.type_slice(code)
        cov = model.coef_cov[spot, spot][10:20, 10:20]
        found.append(164.5 * math.sqrt(float(GAP @ cov @ GAP)) / float(GAP @ model.type_coef(code)[1]))
    return float(np.mean(found))


def crow_alone_cents(world: World, seed: int, model: FittedModel, new: int) -> float:
    """How far off the gap of untrimmed reeds of new batches is predicted from one reading of their crow: rms, cents."""
    rng = np.random.default_rng([seed, CROW_SEED])
    misses = []
    for reed in world.new_reeds(rng, new):
        reed.read(rng, what="crow")
        state, _ = state_of(model, reed.frame(), reed.chanter)
        mean, _ = state.outputs(state.design(0.0, 0.0, reed.chanter))
        misses.append(float(GAP @ mean) - reed.true_gap_cents())
    return float(np.sqrt(np.mean(np.square(misses))))


def meeting_pitch_hz(name: str, seed: int, reeds: int) -> float:
    """How far off the shop's log has the meeting pitch of its chanters: rms over those it names one for, Hz.

    The true one is that of usual reeds, in the mean of the types.
    """
    world = World(name, np.random.default_rng(seed))
    past = np.random.default_rng([seed, TRIAL_SEED])
    shop = world.history(past, reeds, batches_per_type=batches_per_type(reeds))
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
            one.meet_pitch_hz.mean - true_hz[one.chanter]
            for one in on(log, chanters, stock=False)
            if one.meet_pitch_hz is not None
        ]
    return float(np.sqrt(np.mean(np.square(misses)))) if misses else math.nan


def in_one_shop(name: str, seed: int, new: int) -> list[dict[str, object]]:
    """A row for the careful hand and one for each size of the log, in one shop; shares as numbers of reeds."""
    world = World(name, np.random.default_rng(seed))
    rows: list[dict[str, object]] = []
    for reeds in (None, *SIZES):
        model = learned_from(world, seed, reeds) if reeds is not None else None
        player = HousePlanner(model, longest_mm=math.inf if reeds else 0.0) if model else CarefulHand()
        tally = play(player, world, new, PLAY_SEED + seed)
        counted = tally.reeds - tally.born_past
        rows.append(
            {
                "past reeds": "careful hand" if reeds is None else str(reeds),
                "slope known to, %": slope_pct(model) if model else math.nan,
                "gap from a crow alone, off by cents": crow_alone_cents(world, seed, model, new) if model else math.nan,
                "chanter's pitch, off by Hz": meeting_pitch_hz(name, seed, reeds) if reeds else math.nan,
                "first cut, % of the need": first_cut_share(tally.stories),
                "cuts a reed": tally.cuts_per_reed,
                "readings a reed": tally.readings_per_reed,
                "past %": tally.past_pct * counted / 100.0,
                "within 1 Hz %": tally.within_pct * counted / 100.0,
                "reeds": counted,
            }
        )
    return rows


def summed(rows: list[dict[str, object]]) -> pd.DataFrame:
    """The shops' rows taken together, as text: means with their standard errors over the shops, shares with how many
    reeds they are of all."""
    found: list[dict[str, str]] = []
    for reeds, shops in pd.DataFrame(rows).groupby("past reeds", sort=False):
        cells, whole = {"past reeds": str(reeds)}, int(shops["reeds"].sum())
        for column in shops.columns.drop(["past reeds", "reeds"]):
            values = shops[column].dropna()
            if column in COUNTED:
                count = round(float(values.sum()))
                cells[column] = f"{100.0 * count / whole:.1f} ({count} of {whole})"
            elif len(values):
                error = float(values.std(ddof=1)) / math.sqrt(len(values))
                digits = 2 if column == "cuts a reed" else 1
                cells[column] = f"{values.mean():.{digits}f} ± {error:.{digits}f}"
            else:
                cells[column] = ""
        found.append(cells)
    return pd.DataFrame(found)


def write(rows: list[dict[str, object]], shops: int, new: int, target: Path) -> None:
    """The table as a page."""
    table = summed(rows)
    lines = [
        "# What advice is worth as the log grows",
        "",
        f"Made by `python -m tests.worlds.growth {shops} {new}`: {shops} shops of each of {len(BENCHES)} benches, "
        f"{new} new reeds in each",
        "shop. ±: the standard error over the shops, of a % in points. "
        "Off by: root mean square of predicted less true. Slope known to:",
        "half of the fit's Gaussian 90 % interval, mean of the types. First cut: the median of a shop's reeds that "
        "needed over",
        f"{NEED_MM:g} mm, of all the shops the mean. The careful hand takes "
        f"{100 * CarefulHand.share:.0f} % of the need at one slope for all",
        "types. Without a log each new reed is played as the shop's first. These are the first two of the four shops",
        "of each bench that [playing](playing.md) has, with new reeds of their own: shops and batches differ, and with",
        "them the shares past.",
        "",
        "| " + " | ".join(table.columns) + " |",
        "|---|" + "---:|" * (len(table.columns) - 1),
        *("| " + " | ".join(row) + " |" for row in table.itertuples(index=False)),
    ]
    target.write_text("\n".join(lines) + "\n", encoding="utf-8")


def main(words: list[str]) -> None:
    """Play and write."""
    shops, new = (int(words[i]) if len(words) > i else usual for i, usual in enumerate((SHOPS, REEDS)))
    rows: list[dict[str, object]] = []
    for name, seed in shops_of(BENCHES, shops):
        rows += in_one_shop(name, seed, new)
        print(summed(rows).to_string(index=False), file=sys.stderr, flush=True)
    write(rows, shops, new, TARGET)


if __name__ == "__main__":
    main(sys.argv[1:])
