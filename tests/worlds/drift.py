"""Which batches are called drifted, on make-believe shops: `python -m tests.worlds.drift [SHOPS]`.

Every shop is logged, learned and reviewed as a user's would be; nothing but its CSV folder goes in. In 27 batches of
three types the twelve or so reeds of each are drawn from a physics that is not the fitted model. In some shops three
batches are off: the mean of their own reeds is set 45 cents of crow, or 45 % of slope, from their type's.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from tests.opened import current_model, on
from tests.worlds.physics import AT, BENCH_WORDS, LATENTS, USUAL_TRIM_MM, Array, Heavy
from tests.worlds.proof import markdown, share, side_by_side
from tests.worlds.run_lengths import arl_ewma, simulated_run_length
from tests.worlds.shop import LiveReed, Shop, World, shop_of, trim_by_hand
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_import import import_folder
from trimfit.review.results import BatchDrift, DriftLimits
from trimfit.review.statistics.control_charts import arl_ewma_under_drift, cusum_chart, ewma_chart
from trimfit.session.reading_frame import frame_of
from trimfit.verbs.reviews.batch_charts import CUSUM_DECISION, CUSUM_SLACK, EWMA_WEIGHT, WIDTH, batch_charts
from trimfit.verbs.reviews.batches import batch_review, batches

__all__ = ["KINDS", "Judgement", "ShopKind", "judged", "judgement", "made_shop", "run_lengths", "worn", "write"]

REPORTS = Path(__file__).parents[2] / "reports"
BATCHES, WORN_SHOPS = 27, 4
LIMITS = np.array([DriftLimits().start_cents, DriftLimits().gap_start_cents, DriftLimits().response_pct])
"""Crow and gap at the start (cents of crow), answer to a cut (per cent): what a shop cares about if it says nothing."""
BINS = (0.0, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.9, 0.97, 1.0)
OFFS: tuple[tuple[str, float], ...] = (("crow", 45.0), ("crow", -45.0), ("slope", 0.45), ("slope", -0.45))


@dataclass(frozen=True)
class ShopKind:
    """What sort of shop: its physics, reeds a batch, how many times wider one type's batches vary than the others'."""

    name: str
    physics: str
    reeds: int = 11
    wide: float = 1.0


KINDS = (
    *(ShopKind(BENCH_WORDS[name], name) for name in ("saturating", "beam", "heavy", "multiplicative", "unbalanced")),
    ShopKind("five reeds a batch", "saturating", reeds=5),
    ShopKind("one type varies much", "beam", wide=2.0),
)


@dataclass(frozen=True)
class Told:
    """What was told of one batch, and what is true: the chance of being off; whether it is, in the batch itself and in
    the mean of its own reeds; whether the intervals of start and answer hold the batch itself."""

    chance: float
    off: bool
    own_off: bool
    start_held: bool
    answer_held: bool


@dataclass(frozen=True)
class Judgement:
    """One shop, judged: batches set off, how many of these stand at the head of the list, how many are called; good
    batches called, and how many of those are in truth within what the shop cares about; the false calls' own words;
    what was told of every batch."""

    kind: str
    seed: int
    off: int
    heads: int
    hits: int
    false: int
    within: int
    said: tuple[str, ...]
    told: tuple[Told, ...] = field(repr=False)


def usual_sd_cents() -> float:
    """The standard deviation, cents of crow, of batches' means over their eleven reeds on these benches: the batch's
    own part, and a part of its reeds'."""
    physics = World("saturating", np.random.default_rng(0)).physics
    between = float(physics.shares()[AT["crow_level"]])
    return physics.crow_level_sd_cents * float(np.sqrt(between + (1.0 - between) / ShopKind.reeds))


def set_mean(world: World, reeds: list[LiveReed], latent: str, amount: float) -> None:
    """Move a batch so that the mean of its own reeds is off by so many cents of crow, or such a share of slope."""
    physics = reeds[0].physics
    if latent == "crow_level":
        goal = amount / physics.crow_level_sd_cents
    else:
        goal = (amount if isinstance(physics, Heavy) else np.log1p(amount)) / physics.slope_spread
    move(world, reeds, latent, goal - np.mean([reed.u[0, AT[latent]] for reed in reeds]))


def move(world: World, reeds: list[LiveReed], latent: str, shift: float) -> None:
    """Move a batch, the reeds it has and those it might have."""
    world.shared[reeds[0].batch][AT[latent]] += shift
    for reed in reeds:
        reed.u[0, AT[latent]] += shift


def true_deviation(world: World, reeds: list[LiveReed]) -> tuple[Array, Array]:
    """How far a batch truly lies from its type: crow (cents), gap as crow (cents), slope of the gap (per cent).

    First of the batch itself, which is the mean of all reeds that it might hold; then of those it holds. Each (3,).
    """
    physics, kind, pipe = reeds[0].physics, reeds[0].kind, reeds[0].pipe
    drawn = np.random.default_rng(1).standard_normal((4000, len(LATENTS)))
    per_gap = kind.crow_cents_per_mm / kind.gap_cents_per_mm

    def looks(u: Array) -> Array:
        gap = [physics.gap_cents(u, x, 0.0, kind, pipe) for x in (0.0, USUAL_TRIM_MM)]
        crow = physics.crow_cents(u, 0.0, 0.0, kind)
        return np.array([crow.mean(), per_gap * gap[0].mean(), 100.0 * (gap[1] - gap[0]).mean()])

    usual = looks(drawn)
    all_it_might_hold = world.shared[reeds[0].batch] + np.sqrt(1.0 - physics.shares()) * drawn
    scale = np.array([1.0, 1.0, 100.0 / usual[2]])
    return tuple(scale * (looks(u) - usual) for u in (all_it_might_hold, np.vstack([reed.u for reed in reeds])))  # type: ignore[return-value]


def off_reeds(
    kind: ShopKind, seed: int, off: Sequence[tuple[str, float]] = ()
) -> tuple[World, list[LiveReed], dict[str, tuple[str, float]]]:
    """A world, 27 batches of logged reeds, and which batches are off by what."""
    rng = np.random.default_rng(seed)
    world = World(kind.physics, rng)
    reeds = world.new_reeds(rng, BATCHES * kind.reeds, BATCHES)
    names = sorted({reed.batch for reed in reeds})
    if kind.wide != 1.0:
        widen(world, reeds, kind.wide)
    chosen: dict[str, tuple[str, float]] = {}
    for (what, amount), place in zip(off, rng.choice(BATCHES, len(off), replace=False), strict=True):
        mine = [reed for reed in reeds if reed.batch == names[place]]
        set_mean(world, mine, "crow_level" if what == "crow" else "gap_slope", amount)
        chosen[names[place]] = what, amount
    log(rng, reeds)
    return world, reeds, chosen


def log(rng: np.random.Generator, reeds: list[LiveReed]) -> None:
    """Have the reeds trimmed by a careful hand, three a day."""
    for index, reed in enumerate(reeds):
        reed.day = float(index // 12) * 4.0 + 0.7
        trim_by_hand(rng, reed)


def made_shop(
    kind: ShopKind, seed: int, off: Sequence[tuple[str, float]] = ()
) -> tuple[Shop, dict[str, tuple[str, float]]]:
    """A shop of 27 batches, and which of them are off by what (`off`: pairs of crow or slope and the amount)."""
    world, reeds, chosen = off_reeds(kind, seed, off)
    return shop_of(world, reeds, outcomes=True), chosen


def widen(world: World, reeds: list[LiveReed], times: float) -> None:
    """Let the batches of the first type lie so many times as far from their type as they would."""
    kind = reeds[0].kind.name
    for batch in sorted({reed.batch for reed in reeds if reed.kind.name == kind}):
        mine = [reed for reed in reeds if reed.batch == batch]
        shift = (times - 1.0) * np.mean([reed.u[0] for reed in mine], axis=0)
        for latent in ("crow_level", "gap_level", "gap_slope"):
            move(world, mine, latent, float(shift[AT[latent]]))


@contextmanager
def journal_of(shop: Shop) -> Iterator[Path]:
    """A log made from a shop's CSV folder; its path."""
    with tempfile.TemporaryDirectory() as folder:
        shop.write_csv(Path(folder) / "shop")
        with Journal(Path(folder) / "log", create=True) as journal:
            import_folder(journal, Path(folder) / "shop")
        yield Path(folder) / "log"


def judged(shop: Shop) -> tuple[BatchDrift, ...]:
    """`review batches` on a shop's CSV folder."""
    with journal_of(shop) as path:
        return tuple(on(path, batches))


def judgement(kind: ShopKind, seed: int) -> Judgement:
    """One shop of a kind: of every three seeds two have three batches off, the third has none."""
    off = () if seed % 3 == 2 else tuple(OFFS[(seed + i) % len(OFFS)] for i in range(3))
    world, reeds, chosen = off_reeds(kind, seed, off)
    found = judged(shop_of(world, reeds, outcomes=True))
    told = {batch.batch: _told(batch, world, [reed for reed in reeds if reed.batch == batch.batch]) for batch in found}
    false = [batch for batch in found if batch.drifted and batch.batch not in chosen]
    return Judgement(
        kind.name, seed, len(chosen), sum(b.batch in chosen for b in found[: len(chosen)]),
        sum(b.drifted and b.batch in chosen for b in found), len(false),
        sum(not told[b.batch].off and not told[b.batch].own_off for b in false), tuple(b.why for b in false),
        tuple(told.values()),
    )  # fmt: skip


def _told(batch: BatchDrift, world: World, reeds: list[LiveReed]) -> Told:
    itself, own = true_deviation(world, reeds)
    start, answer = batch.start_shift_cents, batch.response_shift_pct
    return Told(
        batch.chance_drifted, bool((abs(itself) > LIMITS).any()), bool((abs(own) > LIMITS).any()),
        start.low <= itself[0] <= start.high, answer.low <= itself[2] <= answer.high,
    )  # fmt: skip


def worn(seed: int, cents: float) -> tuple[int, int, int]:
    """A shop of 15 batches a type, one type's crow rising by so many cents with every batch: does the running mean of
    that type signal (1 or 0), how many of the other types' do, and how many others there are."""
    rng = np.random.default_rng(seed)
    world = World("saturating", rng)
    reeds = world.new_reeds(rng, 45 * 8, 45)
    kind = reeds[0].kind.name
    for place, batch in enumerate(sorted({reed.batch for reed in reeds if reed.kind.name == kind})):
        for reed in (reed for reed in reeds if reed.batch == batch):
            reed.u[0, AT["crow_level"]] += cents * place / reed.physics.crow_level_sd_cents
    log(rng, reeds)
    with journal_of(shop_of(world, reeds, outcomes=True)) as path, Journal(path) as journal:
        review = batch_review(journal, current_model(journal), frame_of(journal), journal.settings())
        charts = [chart for chart in batch_charts(review) if chart.kind == "ewma"]
    signals = {chart.reed_type: int(any(point.signal for point in chart.points)) for chart in charts}
    mine = signals.pop(kind)
    return mine, sum(signals.values()), len(signals)


def run_lengths() -> pd.DataFrame:
    """How many batches pass until a drift of so many standard deviations a batch is seen: tables against simulation."""
    rng, sd_cents = np.random.default_rng(8), usual_sd_cents()

    def first(signals: Sequence[int]) -> int | None:
        return signals[0] if signals else None

    def long_run(values: Array) -> int | None:
        return first(ewma_chart(values, 0.0, 1.0, weight=EWMA_WEIGHT, width=WIDTH, steady=True).signals)

    def as_drawn(values: Array) -> int | None:
        held = np.clip(values, -WIDTH, WIDTH)
        return first(ewma_chart(held, 0.0, np.ones_like(values), weight=EWMA_WEIGHT, width=WIDTH).signals)

    def singly(values: Array) -> int | None:
        return first([int(i) for i in np.flatnonzero(np.abs(values) > WIDTH)[:1]])

    def sums(values: Array) -> int | None:
        chart = cusum_chart(np.clip(values, -WIDTH, WIDTH), 0.0, slack=CUSUM_SLACK, decision=CUSUM_DECISION)
        return first(sorted([*chart.signals_up[:1], *chart.signals_down[:1]]))

    rows = []
    for drift in (0.0, 0.1, 0.2, 0.5, 1.0):
        still = drift == 0.0
        length = arl_ewma(EWMA_WEIGHT, WIDTH) if still else arl_ewma_under_drift(EWMA_WEIGHT, WIDTH, drift)
        row: dict[str, object] = {"drift a batch, sd": f"{drift:g}", "cents": f"{drift * sd_cents:.0f}",
                                  "tables": f"{length:.1f}"}  # fmt: skip
        for word, by in (("simulated", long_run), ("as drawn", as_drawn), ("each batch", singly), ("sums", sums)):
            mean, error = simulated_run_length(
                by, rng, n_runs=400 if still else 2000, longest=4000 if still else 80, drift=drift
            )
            row[word] = f"{mean:.0f} ± {error:.0f}" if still else f"{mean:.1f} ± {error:.1f}"
        rows.append(row)
    return pd.DataFrame(rows)


def calibration(told: Sequence[Told]) -> pd.DataFrame:
    """Of the batches told such a chance, how many are off by more than the shop cares about."""
    frame = pd.DataFrame(told)
    rows = []
    for low, high in pairwise(BINS):
        mine = frame[(frame["chance"] >= low) & ((frame["chance"] < high) | (high == 1.0))]
        if len(mine):
            rows.append(
                {"stated, %": f"{100 * low:.0f} to {100 * high:.0f}", "batches": len(mine),
                 "on average, %": f"{100 * mine['chance'].mean():.0f}", "off, %": f"{100 * mine['off'].mean():.0f}",
                 "off in its own reeds, %": f"{100 * mine['own_off'].mean():.0f}"}
            )  # fmt: skip
    return pd.DataFrame(rows)


def surplus(told: Sequence[Told]) -> str:
    """By how many batches the stated chances add up to more than are off, in standard errors of a binomial count."""
    frame = pd.DataFrame(told)
    more = float((frame["chance"] - frame["off"]).sum())
    error = float(np.sqrt((frame["chance"] * (1.0 - frame["chance"])).sum()))
    amount = f"{abs(more):.0f} {'more' if more > 0 else 'fewer'}"
    return f"In all {amount} are stated to be off than are ({abs(more) / error:.1f} standard errors of such a count)."


def write(shops: int) -> str:
    """The report: by kind of shop, shop by shop, and the run lengths of a slow drift."""
    given = [(kind, 100 * place + seed) for place, kind in enumerate(KINDS) for seed in range(shops)]
    found = side_by_side(judgement, given)
    rows, singles = [], []
    for kind in KINDS:
        mine = [one for one in found if one.kind == kind.name]
        off, quiet = [one for one in mine if one.off], [one for one in mine if not one.off]
        count = sum(one.off for one in off)
        rows.append(
            {"shops": kind.name, "with three off": len(off), "called": f"{sum(o.hits for o in off)} of {count}",
             "at the head": f"{sum(o.heads for o in off)} of {count}",
             "others called, a shop": f"{np.mean([o.false for o in off]):.2f}", "most": max(o.false for o in off),
             "with none off": len(quiet), "called there, a shop": f"{np.mean([o.false for o in quiet]):.2f}",
             "most there": max(o.false for o in quiet),
             "start held, %": share([t.start_held for o in mine for t in o.told], 0),
             "answer held, %": share([t.answer_held for o in mine for t in o.told], 0),
             "within the limit": f"{sum(o.within for o in mine)} of {sum(o.false for o in mine)}"}
        )  # fmt: skip
        singles += [
            {"shop": f"{kind.name}, {o.seed}", "off": o.off, "called": o.hits, "at the head": o.heads,
             "others called": o.false, "which say": "; also: ".join(o.said) or "–"} for o in mine
        ]  # fmt: skip
    worn_rows = []
    for cents in (0.0, 4.0, 8.0):
        seen = [worn(500 + seed, cents) for seed in range(WORN_SHOPS)]
        worn_rows.append(
            {"cents a batch": f"{cents:g}", "shops": len(seen), "signals on that type": sum(one[0] for one in seen),
             "signals on others": f"{sum(one[1] for one in seen)} of {sum(one[2] for one in seen)}"}
        )  # fmt: skip
        print(worn_rows[-1], file=sys.stderr, flush=True)
    sd_cents = usual_sd_cents()
    return (
        f"""# Which batches are called drifted, and how soon a slow drift is seen

Made by `python -m tests.worlds.drift {shops}`: {shops} shops of each kind, each logged, learned and reviewed as a
user's. In 27 batches of three types, three are off by 45 cents of crow or 45 % of slope (the mean of their own
reeds), or none is. The ordinary spread of these benches is wide: of the means of eleven reeds some {sd_cents:.0f} cents
of crow and 9 % of slope (14 % on the bench with each mm does more), so that the furthest of 24 other batches lie 25 to
40 off, where the shop cares about 15. Others called: batches that were not set off. Most of them are off the norm in
truth; the last column counts those that lie within the limits after all. Held: how often the intervals of start
and answer hold the batch itself. "One type varies much": its batches scatter twice as far, {2.0 * sd_cents:.0f} cents
and 19 %, so that one that was set 45 off is hardly out of its ordinary, and what is called there beside is further off
than the shop cares about, all the same.

"""
        + markdown(pd.DataFrame(rows))
        + f"""

## Is the stated chance true?

The chance that a batch is off by more than the shop cares about, in start or answer, against what is so. The batch
itself is the mean of all the reeds it might hold, and the chance is of that (third and fourth column). Its own few
reeds lie further out, by the luck of the draw, and are known to a cent or two (last column).

{markdown(calibration([one for shop in found for one in shop.told]))}

{surplus([one for shop in found for one in shop.told])}

## A slow drift

A worn mould moves every batch a little further. Batches until the running mean signals (weight {EWMA_WEIGHT:g},
{WIDTH:g} standard deviations), on average, once the norm is known: by the integral equation that the published
tables rest on, by simulation of the same chart, and by simulation as the page draws it (limits exact for each
batch; one batch far off counts as one at the limit). Beside it the charts of single batches and of sums. In cents
for batches that scatter as these benches' do, by {sd_cents:.0f}.

"""
        + markdown(run_lengths())
        + f"""

The same in whole shops of 15 batches a type, where the norm is not known but found from the very batches that drift:

{markdown(pd.DataFrame(worn_rows))}

## Shop by shop

{markdown(pd.DataFrame(singles))}
"""
    )


def main(words: Sequence[str]) -> None:
    """Write reports/drifting.md."""
    (REPORTS / "drifting.md").write_text(write(int(words[0]) if words else 20), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
