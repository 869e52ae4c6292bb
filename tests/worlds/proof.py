"""The learner and the planner against the yardsticks, on benches of five physics: tables and pictures under reports/.

    python -m tests.worlds.proof predict [SEEDS]    predicted against found, new reeds of new batches
    python -m tests.worlds.proof play [REEDS]        runs played to their end, beside two yardsticks
    python -m tests.worlds.proof target [REEDS]      orders 3 cents below the chanter's own meeting pitch

Each is one run on the same seeded reeds for all; about a quarter of an hour each on two cores, a shop on each.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from tests.worlds.foretelling import WHATS, Trial, crow_alone, knowing_scores, make_trials
from tests.worlds.house import HousePlanner, learned, state_of
from tests.worlds.physics import BENCH_WORDS
from tests.worlds.play import TOLERANCE_CENTS, Tally, play, tally
from tests.worlds.shop import WORLD_NAMES, LiveReed, World
from tests.worlds.yardsticks import TUNED, CarefulHand, KnowingPlanner
from trimfit.planner.aim import Aim, see
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.outputs import GAP
from trimfit.review.pictures.style import LIGHT, png_bytes, sheet, style

Found = TypeVar("Found")
REPORTS = Path(__file__).parents[2] / "reports"
Z = {50: 0.67449, 80: 1.28155, 90: 1.64485, 95: 1.95996}
WORLD_SEED, TRIAL_SEED, PLAY_SEED = 1, 4, 5
SHOPS = 4
"""Runs are played in so many shops of each physics: one shop's luck in what it learned is not the planner's."""


def house_scores(model: FittedModel, trials: Sequence[Trial]) -> pd.DataFrame:
    """How the learner predicts the same trials: a row for each trial and output, with its standard deviation."""
    rows = []
    stretch = np.sqrt(np.outer(model.reading_stretch, model.reading_stretch))
    for trial in trials:
        coming = trial.coming
        chanter = str(coming["chanter"])
        state, _ = state_of(model, trial.frame(), chanter)
        design = state.design(
            float(str(coming["removed_mm"])),
            float(str(coming["lip_strokes"])),
            chanter,
            float(str(coming["pressure_kpa"])),
            float(str(coming["temperature_c"])),
        )
        mean, cov = state.outputs(design)
        sd = np.sqrt(np.diag(cov + state.noise_cov * stretch))
        gap_sd = float(np.sqrt(GAP @ cov @ GAP + model.gap_stretch * (GAP @ state.noise_cov @ GAP)))
        means, sds, found = np.append(mean, GAP @ mean), np.append(sd, gap_sd), trial.found_cents()
        for index, output in enumerate(WHATS):
            rows.append(
                {"reed": trial.reed.reed, "reed_type": trial.reed.kind.name, "readings": len(trial.readings),
                 "output": output, "foretold_cents": means[index], "sd_cents": sds[index],
                 "found_cents": found[index], "slipped": trial.slipped}
            )  # fmt: skip
    return pd.DataFrame(rows)


def house_trim_mm(model: FittedModel, reed: LiveReed) -> float:
    """The trim that the learner predicts for a reed with a crow alone, mm."""
    state, _ = state_of(model, reed.frame(), reed.chanter)
    return see(state, Aim(reed.chanter, None, None, TOLERANCE_CENTS, 8.0), 0.0, 0.0).need_mm()


def rms(values: pd.Series) -> float:
    """Root mean square."""
    return float(np.sqrt((values**2).mean()))


def share(flags: Any, digits: int = 1) -> str:
    """A share (n,) in per cent and its standard error, each case by itself (of none or all: as if it were one of
    n + 1)."""
    p, n = float(np.mean(flags)), len(flags)
    return f"{100 * p:.{digits}f} ± {100 * share_se(p, n):.{digits}f}"


def share_se(p: float, n: int) -> float:
    """The standard error of a share p of n cases, each by itself (of none or all: as if it were one of n + 1)."""
    inside = min(max(p, 1.0 / (n + 1)), n / (n + 1))
    return math.sqrt(inside * (1 - inside) / n)


def foretold_in(name: str, seed: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """One shop: the house's scores, the knowing filter's, and the trims predicted of blanks with a crow alone."""
    world = World(name, np.random.default_rng(seed))
    rng = np.random.default_rng([seed, TRIAL_SEED])
    model = learned(world, rng)
    trials = make_trials(world, rng, 150)
    ours = house_scores(model, trials)
    knower = knowing_scores(world, trials, rng, draws=4000)
    blanks = world.new_reeds(rng, 300, 30)
    table = crow_alone(world, blanks, rng)
    table["house_mm"] = [house_trim_mm(model, reed) for reed in blanks]
    return ours, knower, table.dropna()


def predict(seeds: int = 3) -> str:
    """The table of held errors and coverage on every bench, pooled over seeds."""
    lines: list[dict[str, object]] = []
    coverage: list[dict[str, object]] = []
    given = [(name, seed) for name in WORLD_NAMES for seed in range(WORLD_SEED, WORLD_SEED + seeds)]
    shops = side_by_side(foretold_in, given)
    for name in WORLD_NAMES:
        ours, knower, table = (
            pd.concat(parts)
            for parts in zip(
                *(shop for (bench, _), shop in zip(given, shops, strict=True) if bench == name), strict=True
            )
        )
        gap = (ours["output"] == "gap") & ~ours["slipped"]
        miss = (ours["found_cents"] - ours["foretold_cents"])[gap]
        theirs = (knower["found_cents"] - knower["foretold_cents"])[(knower["output"] == "gap") & ~knower["slipped"]]
        held = (ours["found_cents"] - ours["foretold_cents"]).abs() <= Z[90] * ours["sd_cents"]
        by_type = 100 * held[ours["output"] == "gap"].groupby(ours["reed_type"][ours["output"] == "gap"]).mean()
        by_count = miss.groupby(ours["readings"][gap])
        lines.append(
            {"bench": BENCH_WORDS[name], "trials": int(gap.sum()),
             **{f"after {n}": f"{rms(values):.2f}" for n, values in by_count},
             "gap error": f"{rms(miss):.2f}", "knowing filter": f"{rms(theirs):.2f}",
             "ratio": f"{rms(miss) / rms(theirs):.3f}", "least type 90 %": f"{by_type.min():.1f}",
             "trim from crow, r": f"{table['house_mm'].corr(table['true_mm']):.3f}",
             "knowing r": f"{table['foretold_mm'].corr(table['true_mm']):.3f}"}
        )  # fmt: skip
        row: dict[str, object] = {"bench": BENCH_WORDS[name]}
        row |= {o: share(held[ours["output"] == o]) for o in ("gap", *WHATS[:-1])}
        coverage.append(row)
    calibration_picture(REPORTS / "foretelling.png")
    return (
        f"# Predicted against found\n\nMade by `python -m tests.worlds.proof predict {seeds}`: "
        f"{seeds} shops of each of "
        "five make-believe physics, none of\nthem the fitted model; each shop has 360 past reeds, "
        "then 150 new reeds of new "
        "batches are predicted after one, two and three\nreadings. Errors are root mean squares in cents of the next "
        "gap reading (slips left out); the knowing filter is a particle\nfilter that knows the bench's physics and "
        "population exactly. *Least type 90 %*: of the gaps of the reed type that\ndid worst, so many in a hundred lay "
        "inside the 90 % interval. *Trim from crow, r*: the correlation, over the reeds, of the\nlength that has to "
        "come off with what is predicted of it from the crow alone; *knowing r*: with what the knowing filter\n"
        "predicts.\n\n"
        + markdown(pd.DataFrame(lines))
        + "\n\nOf the next readings (slips counted), so many in a hundred lay inside the 90 % interval, ± the standard "
        "error, each\nreading by itself:\n\n"
        + markdown(pd.DataFrame(coverage))
        + f"\n\n{gap_held([str(row['gap']) for row in coverage])}"
        "\n\n![Stated against found coverage of the gap on each bench](foretelling.png)\n\n"
        f"{PICTURED}\n"
    )


PICTURED = (
    "Each panel of the picture is one more shop of its bench, which is not among those of the tables: 150 new reeds,\n"
    "slips counted."
)


def gap_held(shares: Sequence[str]) -> str:
    """What the benches' shares of gaps inside the 90 % interval come to, in a sentence."""
    held = [float(one.split()[0]) for one in shares]
    return (
        f"Of the gap it held {min(held):.1f} to {max(held):.1f} in a hundred: less than the 90 stated on "
        f"{sum(one < 90.0 for one in held)} of the {len(held)} benches."
    )


def calibration_picture(path: Path) -> None:
    """Stated against found coverage of the gap, one bench a panel, from one more seed of each, as `PICTURED` says."""
    from statistics import NormalDist

    stated = np.linspace(0.05, 0.99, 40)
    z = np.array([NormalDist().inv_cdf(0.5 + s / 2) for s in stated])
    with style():
        figure, fields = sheet(False, 2, 3, height_in=5.0)
        for axes, name in zip(fields, WORLD_NAMES, strict=False):
            world = World(name, np.random.default_rng(77))
            rng = np.random.default_rng([77, TRIAL_SEED])
            scores = house_scores(learned(world, rng), make_trials(world, rng, 150))
            gap = scores[scores["output"] == "gap"]
            size = ((gap["found_cents"] - gap["foretold_cents"]) / gap["sd_cents"]).abs().to_numpy()
            axes.plot([0, 100], [0, 100], color=LIGHT["mute"], linewidth=1.0, linestyle="--")
            axes.plot(100 * stated, [100 * np.mean(size <= one) for one in z], color=LIGHT["f"])
            axes.set_title(BENCH_WORDS[name])
            axes.set_xlabel("stated (%)")
            axes.set_ylabel("found inside (%)")
        fields[-1].set_axis_off()
    path.write_bytes(png_bytes(figure))


def markdown(frame: pd.DataFrame) -> str:
    """A frame as a plain Markdown table."""
    heads = [str(c) for c in frame.columns]
    rows = [[str(v) for v in row] for row in frame.itertuples(index=False)]
    return "\n".join(
        ["| " + " | ".join(heads) + " |", "|" + " --- |" * len(heads)] + ["| " + " | ".join(row) + " |" for row in rows]
    )


def side_by_side(
    work: Callable[..., Found], given: Sequence[tuple[Any, ...]], workers: int | None = None
) -> list[Found]:
    """The work done for each of these arguments, a shop on each core (or of so many `workers`); in the order given,
    and said as it comes."""
    found: list[Found] = []
    with ProcessPoolExecutor(workers) as pool:
        for one in pool.map(work, *zip(*given, strict=True)):
            found.append(one)
            print(f"{len(found)} of {len(given)}", file=sys.stderr, flush=True)
    return found


def shops_of(benches: Sequence[str], shops: int) -> list[tuple[str, int]]:
    """So many shops of each bench, each with a seed of its own: of one seed, benches draw the same reeds."""
    seeds = range(WORLD_SEED, WORLD_SEED + shops)
    return [(name, 100 * place + seed) for place, name in enumerate(benches) for seed in seeds]


def one_shop(name: str, seed: int, n: int, below: float | None) -> list[Tally]:
    """What the house and the yardsticks made of the same n reeds in one shop of a bench."""
    world = World(name, np.random.default_rng(seed))
    model = learned(world, np.random.default_rng([seed, TRIAL_SEED]))
    players = [HousePlanner(model), KnowingPlanner(world.physics, TUNED[name])]
    players += [CarefulHand()] if below is None else []
    found = []
    for policy in players:
        found.append(play(policy, world, n, PLAY_SEED + seed, below_own_pitch_cents=below))
        print(name, seed, found[-1].row(), file=sys.stderr, flush=True)
    return found


def with_error(percent: float, shops: Sequence[float], n: int) -> str:
    """The share of n reeds and its standard error: over the shops, or each reed by itself where that is more (a few
    shops may agree by luck)."""
    over_shops = float(np.std(shops, ddof=1)) / math.sqrt(len(shops)) if len(shops) > 1 else 0.0
    return f"{percent:.1f} ± {max(over_shops, 100 * share_se(percent / 100, n)):.1f}"


def played(n: int, below: float | None) -> tuple[list[dict[str, object]], list[Tally]]:
    """Rows of the table, and the house's own tallies, on every bench: n reeds in all, shared out to SHOPS shops."""
    rows, ours = [], []
    given = [(*shop, n // SHOPS, below) for shop in shops_of(WORLD_NAMES, SHOPS)]
    shops = side_by_side(one_shop, given)
    for name in WORLD_NAMES:
        by_who: dict[str, list[Tally]] = {}
        for part in (part for (bench, *_), found in zip(given, shops, strict=True) if bench == name for part in found):
            by_who.setdefault(part.policy, []).append(part)
        for who, parts in by_who.items():
            stated = pd.concat([part.stated for part in parts])
            whole = tally(who, name, [story for part in parts for story in part.stories], stated, TOLERANCE_CENTS)
            row: dict[str, object] = {
                "bench": BENCH_WORDS[name], "who": who, "cuts": f"{whole.cuts_per_reed:.2f}",
                "readings": f"{whole.readings_per_reed:.2f}",
                "past %": with_error(whole.past_pct, [part.past_pct for part in parts], whole.reeds),
                "within %": with_error(whole.within_pct, [part.within_pct for part in parts], whole.reeds),
                "unfinished %": f"{whole.unfinished_pct:.1f}",
            }  # fmt: skip
            if below is not None:
                row |= {"pitch too %": f"{whole.both_within_pct:.1f}", "no-fit %": f"{whole.no_fit_pct:.1f}"}
            row["worst shop, past %"] = f"{max(part.past_pct for part in parts):.1f}"
            rows.append(row)
            if who == HousePlanner.name:
                ours.append(whole)
    return rows, ours


def chance_table(tallies: Sequence[Tally]) -> pd.DataFrame:
    """Cuts grouped by the stated chance of going past: how many, the mean stated, how many went, all benches."""
    cuts = pd.concat([t.stated for t in tallies])
    cuts = cuts[(cuts["action"] == "trim") & cuts["chance_past"].notna()]
    edges = [0.0, 0.001, 0.003, 0.006, 0.01, 0.03, 1.0]
    words = [f"{100 * low:g} to {100 * high:g} %" for low, high in pairwise(edges)]
    groups = pd.cut(cuts["chance_past"], edges, labels=words, include_lowest=True)
    table = cuts.groupby(groups, observed=True).agg(
        cuts=("happened", "size"), stated=("chance_past", "mean"), past=("happened", "sum")
    )
    table["share"] = table["past"] / table["cuts"]
    return table.reset_index(names="stated chance")


def chance_picture(table: pd.DataFrame, path: Path, title: str) -> None:
    """Stated chance against the share that went past, with Wilson's 90 % interval of each group."""
    stated, went = 100 * table["stated"], 100 * table["share"]
    low, high = (100 * end for end in proportion_confint(table["past"], table["cuts"], 0.1, "wilson"))
    top = 1.1 * max(float(high.max()), float(stated.max()))
    with style():
        figure, (axes,) = sheet(False, height_in=4.6)
        axes.plot([0, top], [0, top], color=LIGHT["mute"], linewidth=1.0, linestyle="--")
        axes.errorbar(
            stated, went, yerr=[(went - low).clip(lower=0.0), high - went], fmt="o", color=LIGHT["f"], capsize=3
        )
        axes.set(xlabel="stated chance that the cut goes past (%)", ylabel="share of these cuts that went past (%)")
        axes.set_xlim(left=0.0)
        axes.set_ylim(bottom=0.0)
        axes.set_title(title)
    path.write_bytes(png_bytes(figure))


def write_play(n: int, below: float | None) -> str:
    """The report of runs played to their end."""
    rows, ours = played(n, below)
    word = "target" if below is not None else "play"
    name = "orders.png" if below is not None else "playing.png"
    table = chance_table(ours)
    runs = "Orders with a target pitch" if below is not None else "Orders wherever F and E meet"
    title = f"{runs}, five benches together:\non the dashed line stated chances are right (bars: nine in ten)"
    chance_picture(table, REPORTS / name, title)
    shares = [share(np.arange(cuts) < past, 2) for cuts, past in zip(table["cuts"], table["past"], strict=True)]
    shown = table.assign(stated=(100 * table["stated"]).map("{:.2f} %".format), share=shares)
    shown = shown.rename(columns={"stated": "mean stated", "past": "went past", "share": "share of them, %"})
    hand = f"; the careful hand takes {100 * CarefulHand.share:.0f} % of the need at one slope for all types"
    hand = hand if below is None else ""
    columns = (
        "Within: by the gap alone; pitch too: and it meets within tolerance of the pitch asked for; no-fit: given up "
        "as no\nfit for its order. "
    )
    columns = columns if below is not None else ""
    head = (
        f"# Orders {below:g} cents below the chanter's own meeting pitch" if below is not None else "# Runs played out"
    )
    return (
        f"{head}\n\nMade by `python -m tests.worlds.proof {word} {n}`: {n:,} new reeds of new batches on each bench, "
        f"in {SHOPS} shops of it, the same reeds for each\nplayer. trimfit learned from 360 past reeds "
        "of each shop and never sees the "
        "physics; the planner that "
        f"knows the population has the\nbench's own particle filter{hand}. Tolerance one hertz.\n"
        "Shares are of the reeds that were not past before any cut; a reed left unfinished is not within.\n"
        f"{columns}±: the standard error, in points: "
        "over the shops, or each reed by itself where that is more; in the second "
        "table each cut by itself\n(of none or all: as if it were one of n + 1).\n\n"
        + markdown(pd.DataFrame(rows))
        + "\n\nTrimfit's cuts by their stated chance of going past (all benches together):\n\n"
        + markdown(shown)
        + f"\n\n![Stated chance of going past against the share that went]({name})\n"
    )


def main(words: Sequence[str]) -> None:
    """Write one of the reports."""
    REPORTS.mkdir(exist_ok=True)
    number = int(words[1]) if len(words) > 1 else None
    if words[:1] == ["predict"]:
        (REPORTS / "foretelling.md").write_text(predict(number or 3), encoding="utf-8")
    elif words[:1] == ["play"]:
        (REPORTS / "playing.md").write_text(write_play(number or 1000, None), encoding="utf-8")
    elif words[:1] == ["target"]:
        (REPORTS / "orders.md").write_text(write_play(number or 1000, 3.0), encoding="utf-8")
    else:
        print(__doc__)
        raise SystemExit(2)


if __name__ == "__main__":
    main(sys.argv[1:])
