"""How often `review chanters` holds what it promises, by how much is known: `python -m tests.worlds.asking [SHOPS]`.

Every shop has four chanters it knows well, and for each row of the table two chanters that were met with few reeds, of
few batches. The truth is the physics': where a usual reed of each type meets in the chanter, and the crow it has there.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from tests.opened import on
from tests.worlds.physics import BENCH_WORDS, LATENTS, Kind, Pipe
from tests.worlds.proof import markdown, share, shops_of, side_by_side
from tests.worlds.shop import LiveReed, World, shop_of, trim_by_hand
from trimfit.base.pitch import cents_from_440
from trimfit.base.units import Interval
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_import import import_folder
from trimfit.review.results import ChanterMap
from trimfit.verbs.reviews.chanters import chanters

__all__ = ["CELLS", "asked_shop", "held", "table", "true_asked", "write"]

WORLDS = ("beam", "multiplicative", "saturating")
CELLS = ((1, 1), (2, 1), (2, 2), (5, 1), (5, 3), (20, 2), (20, 10))
"""Reeds that came near in a chanter, and the batches they are of."""
EACH = 2
WELL_KNOWN = 4
REPORTS = Path(__file__).parents[2] / "reports"


def asked_shop(name: str, seed: int) -> tuple[World, list[LiveReed], dict[str, tuple[int, int]]]:
    """A world, its logged reeds, and which chanters were met with how many reeds of how many batches."""
    rng = np.random.default_rng(seed)
    world = World(name, rng, pipes=WELL_KNOWN + EACH * len(CELLS))
    pipes = list(world.physics.pipes)
    rng.shuffle(pipes)  # type: ignore[arg-type]
    reeds = world.new_reeds(rng, 24 * 8, 24)
    for index, reed in enumerate(reeds):
        reed.pipe = pipes[(index // 4) % WELL_KNOWN]
    cells: dict[str, tuple[int, int]] = {}
    for pipe in pipes[:WELL_KNOWN]:
        mine = [reed for reed in reeds if reed.chanter == pipe.name]
        cells[pipe.name] = len(mine), len({reed.batch for reed in mine})
    for place, pipe in enumerate(pipes[WELL_KNOWN:]):
        count, batches = CELLS[place % len(CELLS)]
        kinds = [kind.name for kind in world.physics.kinds]
        fresh: list[LiveReed] = []
        for batch in range(batches):
            share = count // batches + (batch < count % batches)
            fresh += world.new_reeds(rng, share, 1, reed_type=kinds[(place + batch) % len(kinds)])
        for reed in fresh:
            reed.pipe = pipe
        reeds += fresh
        cells[pipe.name] = (count, batches)
    for index, reed in enumerate(reeds):
        reed.day = float(index // 12) * 4.0 + 0.7
        trim_by_hand(rng, reed)
    return world, reeds, cells


def true_asked(world: World, kind: Kind, pipe: Pipe) -> tuple[float, float]:
    """Pitch and crow, cents from 440 Hz, where reeds of the type meet in the chanter: the mean of very many."""
    physics = world.physics
    u = np.random.default_rng(0).standard_normal((2000, len(LATENTS)))
    u = u[physics.gap_cents(u, 6.0, 0.0, kind, pipe) > 0]
    low, high = np.zeros(len(u)), np.full(len(u), 6.0)
    for _ in range(40):
        x = 0.5 * (low + high)
        short = physics.gap_cents(u, x, 0.0, kind, pipe) < 0
        low, high = np.where(short, x, low), np.where(short, high, x)
    pitch = physics.middle_cents(u, low, 0.0, kind, pipe)
    return float(pitch.mean()), float(physics.crow_cents(u, low, 0.0, kind).mean())


def held(name: str, seed: int) -> pd.DataFrame:
    """A row for each interval: the cell, what it is of, its width, how far the truth lies from its middle, cents."""
    world, reeds, cells = asked_shop(name, seed)
    with tempfile.TemporaryDirectory() as folder:
        shop_of(world, reeds, outcomes=True).write_csv(Path(folder) / "shop")
        with Journal(Path(folder) / "log", create=True) as journal:
            import_folder(journal, Path(folder) / "shop")
        found = {one.chanter: one for one in on(Path(folder) / "log", chanters, stock=False)}
    rows = []
    for chanter, (count, batches) in cells.items():
        rows += _rows(world, found[chanter], count, batches)
    return pd.DataFrame(rows).assign(world=name, seed=seed)


def _rows(world: World, one: ChanterMap, count: int, batches: int) -> list[dict[str, object]]:
    pipe = world.physics.pipe(one.chanter)
    truth = {kind.name: true_asked(world, kind, pipe) for kind in world.physics.kinds}
    spans: list[tuple[str, Interval, float]] = []
    if one.meet_pitch_hz is not None:
        met = [ask.reed_type for ask in one.asked] or list(truth)
        spans.append(("meeting pitch", one.meet_pitch_hz, float(np.mean([truth[kind][0] for kind in met]))))
    spans += [("crow asked", ask.crow_hz, truth[ask.reed_type][1]) for ask in one.asked]
    rows: list[dict[str, object]] = []
    for what, span, true in spans:
        low, mean, high = (cents_from_440(end) for end in (span.low, span.mean, span.high))
        rows.append({"what": what, "reeds": count, "batches": batches, "width": high - low,
                     "miss": true - mean, "held": low <= true <= high})  # fmt: skip
    return rows


def table(found: pd.DataFrame) -> pd.DataFrame:
    """Coverage and width by what it is of, reeds and batches."""
    groups = found.groupby(["what", "reeds", "batches"], sort=True)
    return groups.agg(
        intervals=("held", "size"), held=("held", "mean"), share=("held", lambda held: share(held, 0)),
        width=("width", "mean"),
        error=("miss", lambda miss: float(np.sqrt(np.mean(np.square(miss))))), bias=("miss", "mean"),
    ).reset_index()  # fmt: skip


def write(shops: int) -> str:
    """The report: coverage by cell, pooled over benches, and by bench."""
    found = pd.concat(side_by_side(held, shops_of(WORLDS, shops)))
    cells = table(found)
    shown = pd.DataFrame(
        {
            "of": cells["what"], "reeds": cells["reeds"], "of batches": cells["batches"],
            "intervals": cells["intervals"], "held, %": cells["share"],
            "width, cents": cells["width"].map("{:.1f}".format), "error, cents": cells["error"].map("{:.1f}".format),
        }
    )  # fmt: skip
    by_bench = found.groupby(["world", "what"])["held"].agg(lambda held: share(held, 0)).unstack()
    benches = by_bench.rename(index=BENCH_WORDS).reset_index().rename(columns={"world": "bench"})
    return (
        "# What chanters ask for: what is promised, and what is held\n\n"
        f"Made by `python -m tests.worlds.asking {shops}`: {shops} shops of each of {len(WORLDS)} make-believe "
        "physics, none of them the\nfitted model. Each shop knows four chanters well and has met others with few "
        "reeds, of few batches.\nBatch by batch the type changes, over three types, and a crow is asked of each "
        "type by itself: with more batches\nthere are fewer reeds of a type, and rows of as many batches are of "
        "other types. The crow's rows are not to be\ncompared by their reeds. Counted is how often\nthe 90 % "
        "interval of `review chanters` holds the truth, which is where very many reeds of the type would meet. "
        "Widths are\nmeans, errors root mean squares of the middle. ±: the\nstandard error, each interval by "
        "itself.\n\n"
        f"{markdown(shown)}\n\nBy bench, of all intervals together, held in a hundred:\n\n{markdown(benches)}\n"
    )


def main(words: Sequence[str]) -> None:
    """Write reports/asking.md."""
    shops = int(words[0]) if words else 12
    (REPORTS / "asking.md").write_text(write(shops), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
