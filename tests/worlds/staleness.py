"""What a fit loses by waiting until it is due: `python -m tests.worlds.staleness [SHOPS]` writes reports/staleness.md.

A fit is due when the readings since are a quarter of those it holds, and at least twenty (`session.fit`). The worst
moment is just before that. Here each shop is fitted on its first readings and once more on all that it would hold at
that moment, and both predict the same next gap readings of new reeds of new batches, from one to three readings each;
and so does the first fit with its coefficients brought up to date by the batches that changed, as they are in between.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worlds.foretelling import make_trials
from tests.worlds.house import BALANCE_CENTS
from tests.worlds.proof import Z, house_scores, rms, side_by_side
from tests.worlds.shop import World, shop_of
from trimfit.regression.design import rows_from_frame, take_rows
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import fit_model
from trimfit.regression.fitting.update import Changed, refreshed
from trimfit.session.fit import DUE_LEAST, DUE_SHARE

TARGET = Path(__file__).parents[2] / "reports" / "staleness.md"
WORLDS = ("beam", "multiplicative", "unbalanced")
HELD = (25, 100, 400, 1600)
"""Readings that the last fit holds."""


def fitted(frame: pd.DataFrame) -> FittedModel:
    """The fitted model of a frame's readings."""
    rows, types, chanters = rows_from_frame(frame)
    return fit_model(rows, types, chanters, pressure_kpa=6.0, temperature_c=20.0, balance_cents=BALANCE_CENTS)


def followed(model: FittedModel, frame: pd.DataFrame, held: int) -> FittedModel:
    """The fitted model of a frame's first `held` readings, its coefficients brought up to date with the rest."""
    rows, _, chanters = rows_from_frame(frame, model.coding)
    seen = np.arange(len(rows)) < held
    changed = []
    for code in np.unique(rows.batch_code[~seen & (rows.type_code < model.n_types)]):
        at = np.flatnonzero(rows.batch_code == code)
        at = at[np.argsort(rows.reed_code[at], kind="stable")]
        changed.append(Changed(take_rows(rows, at), seen[at], chanters))
    return refreshed(model, changed, len(rows))


def one_shop(name: str, held: int, seed: int) -> dict[str, float]:
    """Errors of the gap, stale and fresh, and what the stale fit's 90 % intervals hold."""
    world, rng = World(name, np.random.default_rng(seed)), np.random.default_rng([seed, held])
    reeds = max(round(held / 3.0), 12)
    past = world.past_reeds(rng, reeds, batches_per_type=max(1, round(reeds / 30)))
    order = rng.permutation(len(past))  # a shop works at several types and batches at a time
    frame = shop_of(world, [past[i] for i in order], outcomes=True).frame
    worst = held + max(round(DUE_SHARE * held), DUE_LEAST) - 1
    frame = frame.iloc[:worst]
    trials = make_trials(world, rng, 60)
    known = set(frame["reed_type"].iloc[:held])
    trials = [trial for trial in trials if trial.reed.reed_type in known]
    out: dict[str, float] = {}
    stale = fitted(frame.iloc[:held])
    for which, model in (("stale", stale), ("followed", followed(stale, frame, held)), ("fresh", fitted(frame))):
        scores = house_scores(model, trials)
        gap = scores[(scores["output"] == "gap") & ~scores["slipped"]]
        miss = gap["found_cents"] - gap["foretold_cents"]
        out[which] = rms(miss)
        out[f"{which} holds"] = 100.0 * float((miss.abs() <= Z[90] * gap["sd_cents"]).mean())
    return out


def write(shops: int = 6) -> str:
    """The table, pooled over benches and shops."""
    lines = [
        "# What a fit loses by waiting",
        "",
        f"Made by `python -m tests.worlds.staleness {shops}`: {shops} shops on each of {len(WORLDS)} make-believe",
        "benches, 60 new reeds of new batches in each. Root mean square error of the next gap reading, cents, and what",
        "the 90 % intervals hold: by a fit that is just not yet due again, as it was made (stale) and with its",
        "coefficients brought up to date by the batches that changed, as `ask` has it (followed), and by a fit made at",
        "that moment (fresh).",
        "",
        "| readings in the fit | logged since | stale, cents | followed | fresh | stale over fresh "
        "| followed over fresh | worst shop, followed over fresh | followed holds % | fresh holds % |",
        "|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for held in HELD:
        found = pd.DataFrame(side_by_side(one_shop, [(name, held, s) for name in WORLDS for s in range(1, shops + 1)]))
        stale, late, fresh = (rms(found[which]) for which in ("stale", "followed", "fresh"))
        worst = float((found["followed"] / found["fresh"]).max())
        since = max(round(DUE_SHARE * held), DUE_LEAST) - 1
        lines.append(
            f"| {held:,} | {since} | {stale:.2f} | {late:.2f} | {fresh:.2f} | {stale / fresh:.3f} | {late / fresh:.3f} "
            f"| {worst:.2f} | {found['followed holds'].mean():.1f} | {found['fresh holds'].mean():.1f} |"
        )
        print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    TARGET.write_text(write(*(int(value) for value in sys.argv[1:2])), encoding="utf-8")
