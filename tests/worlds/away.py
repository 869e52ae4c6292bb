"""Chanters that are away: benches with chanters in kinds, reeds worked in a chanter at hand, and what they were there.

A bench has chanters of its own in kinds; each order is for a chanter of one of the kinds that nobody brings. What the
customer has said of it is one of TOLD. The tool is asked through a real log and obeyed; nothing but its answers says
what to do. Beside it stands a filter that knows the population: kind means, covariances and the errors of what is
stated, and the bench's own chanters exactly; it predicts the gap there from the same reading here.

`python -m tests.worlds.away` prints the page reports/away.md.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worlds.physics import LATENTS, SIDE_NOTES, Array, Kind, Pipe
from tests.worlds.shop import LiveReed, World, shop_of, trim_by_hand
from tests.worlds.tool import LoggedReeds, advised, new_log
from trimfit.base.answers import Advice
from trimfit.base.pitch import hz_from_cents
from trimfit.log.journal import Journal
from trimfit.planner.aim import GAP
from trimfit.session.fit import kept_model

__all__ = ["BENCHES", "TOLD", "Sent", "send", "told_bench"]

TOLD = ("kind", "crow", "crow of a type unsaid", "crow and pitch", "gauge")
TOLERANCE_CENTS = 3.7
WITHIN_PITCH_CENTS, WITHIN_CROW_CENTS, WITHIN_TIE = 6.0, 14.0, -0.5
STATED_CROW_CENTS, STATED_PITCH_CENTS = 10.0, 3.0
GAUGE_MM_PER_CENT, GAUGE_SD_MM = -0.05, 0.1
KINDS, AT_HAND_OF_KIND = 4, 5
MOST_ROUNDS = 12
HEAD = """# Chanters that are away

Invented benches whose chanters are made in four kinds, five of each at hand. Orders are for other chanters of these
kinds that nobody brings; of each its owner states nothing but the kind, or the crow of a usual reed that works in it
(± 10 cents; of one type, which he names or does not, while the reeds sent are of three), or crow and meeting pitch
(± 3), or the maker has gauged its bore. Within a kind chanters differ by 6 cents of meeting pitch and 14 of asked crow.
Each reed is asked after, cut and read in the chanter that `here` names, until the answer is finished, past or no-fit;
then its gap in the chanter it was for is looked up.

*within*, *past*: the chance stated with that last answer, and how often it was so (± one standard error, were the
chances right and the orders apart). *error*: root mean square of the gap stated there less the true one; *the
filter's*: the same for a filter that starts from the same gap here and knows the population: kinds' means, covariances,
the errors of what is stated, what each type asks, and the chanters at hand exactly; *on this log*: the same filter,
which knows the chanter at hand only as the log tells it (as the tool has it, less what all chanters of the bench have
in common)."""


@dataclass(frozen=True)
class Bench:
    """How kinds of chanters differ: standard deviations of their means, meeting pitch and asked crow, cents."""

    name: str
    physics: str
    kind_pitch_cents: float
    kind_crow_cents: float


BENCHES = (
    Bench("kinds as usual", "multiplicative", 12.0, 25.0),
    Bench("kinds hardly differ", "saturating", 1.0, 2.0),
    Bench("kinds differ much", "beam", 25.0, 60.0),
)


@dataclass(frozen=True)
class Made:
    """A chanter of a kind: its departures from its kind and what its owner says of it (cents; gauge in mm)."""

    pipe: Pipe
    kind: int
    away_cents: Array  # (2,) meeting pitch and asked crow, from the kind's
    said_cents: Array  # (2,) the same as stated
    gauge_mm: float


@dataclass
class Sent:
    """One reed's story: what was stated at the end, and what the gap was there."""

    order: str
    told: str
    cuts: int = 0
    readings: int = 0
    action: str = "unfinished"
    chance_within: float = math.nan
    chance_past: float = math.nan
    gap_there_cents: float = math.nan
    tool_cents: float = math.nan
    filter_cents: float = math.nan
    log_cents: float = math.nan
    advices: list[str] = field(default_factory=list)


def _shift(kind: Kind, crow_cents: float) -> float:
    """How much wider the gap starts in a chanter that asks for so much more crow."""
    return -crow_cents * kind.gap_cents_per_mm / kind.crow_cents_per_mm


def _made(rng: np.random.Generator, world: World, name: str, kind: int, means: Array) -> Made:
    root = np.array([[1.0, 0.0], [WITHIN_TIE, math.sqrt(1.0 - WITHIN_TIE**2)]])
    own = np.array([WITHIN_PITCH_CENTS, WITHIN_CROW_CENTS]) * (root @ rng.standard_normal(2))
    pitch, crow = means[kind] + own
    shifts = {one.name: _shift(one, crow) for one in world.physics.kinds}
    pipe = Pipe(name, 125.0 + pitch, shifts, rng.normal(0.0, 3.5, len(SIDE_NOTES)))
    said = own + np.array([STATED_PITCH_CENTS, STATED_CROW_CENTS]) * rng.standard_normal(2)
    return Made(pipe, kind, own, said, 12.0 + GAUGE_MM_PER_CENT * pitch + GAUGE_SD_MM * rng.standard_normal())


def _asked_crow_cents(world: World, kind: Kind, pipe: Pipe) -> float:
    """The crow of a usual reed of a type where its gap is zero in a chanter."""
    u, low, high = np.zeros((1, len(LATENTS))), 0.0, 5.0
    for _ in range(50):
        x = 0.5 * (low + high)
        low, high = (x, high) if world.physics.gap_cents(u, x, 0.0, kind, pipe)[0] < 0 else (low, x)
    return float(world.physics.crow_cents(u, low, 0.0, kind)[0])


def _chanter_row(world: World, made: Made, *, at_hand: bool, told: str = "") -> dict[str, object]:
    row: dict[str, object] = {
        "chanter": made.pipe.name, "kind": f"kind {made.kind + 1}", "at_hand": "yes" if at_hand else "no",
        "bore_gauge_mm": round(made.gauge_mm, 2) if at_hand or told == "gauge" else None,
    }  # fmt: skip
    if at_hand:
        return row
    usual = world.physics.kinds[2]
    pitch = world.physics.meeting_pitch_cents(usual, made.pipe) + made.said_cents[0] - made.away_cents[0]
    crow = _asked_crow_cents(world, usual, made.pipe) + made.said_cents[1] - made.away_cents[1]
    if "crow" in told:
        row["working_crow_hz"] = round(hz_from_cents(crow), 2)
        row["working_crow_type"] = usual.name if "unsaid" not in told else None
    if "pitch" in told:
        row["meeting_pitch_hz"] = round(hz_from_cents(pitch), 2)
    return row


def _filtered_crow_cents(made: Made, told: str, pitch_mean: float) -> float:
    """The asked crow of a chanter less its kind's, by the filter that knows the population: a Gaussian conditioned."""
    tie = WITHIN_TIE * WITHIN_PITCH_CENTS * WITHIN_CROW_CENTS
    cov = np.array([[WITHIN_PITCH_CENTS**2, tie], [tie, WITHIN_CROW_CENTS**2]])
    rows, values, errors = [], [], []
    if "pitch" in told:
        rows.append([1.0, 0.0]), values.append(made.said_cents[0]), errors.append(STATED_PITCH_CENTS)
    if "crow" in told:
        rows.append([0.0, 1.0]), values.append(made.said_cents[1]), errors.append(STATED_CROW_CENTS)
    if told == "gauge":
        rows.append([GAUGE_MM_PER_CENT, 0.0])
        values.append(made.gauge_mm - 12.0 - GAUGE_MM_PER_CENT * pitch_mean)
        errors.append(GAUGE_SD_MM)
    if not rows:
        return 0.0
    h, y, noise = np.array(rows), np.array(values), np.diag(np.square(errors))
    return float((cov @ h.T @ np.linalg.solve(h @ cov @ h.T + noise, y))[1])


def send(
    bench: Bench, seed: int, path: Path, *, orders_each: int = 5, reeds_each: int = 4, wanted: int | None = None,
    past: int = 480,
) -> list[Sent]:  # fmt: skip
    """Play a bench: `orders_each` orders for each of TOLD, `reeds_each` reeds put to each; wanted: of them (default
    all).

    path: where the log is kept.
    """
    rng = np.random.default_rng([seed, 20_261_128])
    world = World(bench.physics, rng, pipes=2)
    means = rng.standard_normal((KINDS, 2)) * np.array([bench.kind_pitch_cents, bench.kind_crow_cents])
    own = [
        _made(rng, world, f"CH-{kind + 1}{chr(97 + i)}", kind, means)
        for kind in range(KINDS)
        for i in range(AT_HAND_OF_KIND)
    ]
    far = {
        (told, i): _made(rng, world, f"{told} {i + 1}", int(rng.integers(KINDS)), means)
        for told in TOLD
        for i in range(orders_each)
    }
    world.physics.pipes = tuple(made.pipe for made in own)
    shop = shop_of(world, _past_reeds(rng, world, past), outcomes=True)
    world.physics.pipes = (*world.physics.pipes, *(made.pipe for made in far.values()))
    shop.chanters = pd.DataFrame(
        [_chanter_row(world, made, at_hand=True) for made in own]
        + [_chanter_row(world, made, at_hand=False, told=told) for (told, _), made in far.items()]
    )
    orders = [
        {"order": f"O-{made.pipe.name}", "chanter": made.pipe.name, "quantity": wanted or reeds_each}
        for made in far.values()
    ]
    shop.orders = pd.concat([shop.orders, pd.DataFrame(orders)])
    new_log(path, shop)
    reeds, stories = _blanks(rng, world, far, reeds_each)
    _work(rng, path, reeds, stories, {made.pipe.name: made for made in own}, far, means)
    return list(stories.values())


def _past_reeds(rng: np.random.Generator, world: World, past: int) -> list[LiveReed]:
    """A history in which each reed of a batch went to some chanter of the bench."""
    reeds = world.new_reeds(rng, past, len(world.physics.kinds) * 14)
    for index, reed in enumerate(reeds):
        reed.pipe = world.physics.pipes[int(rng.integers(len(world.physics.pipes)))]
        reed.day = float(index // 12) * 4.0 + 0.7
        trim_by_hand(rng, reed)
    return reeds


def _misjudged_cents(path: Path, kinds: Sequence[Kind], own: Sequence[Made]) -> dict[tuple[str, str], float]:
    """How much too high the log's model has the gap in each of the bench's own chanters, by chanter and reed type, less
    what all of them have in common (which the types' starts have as well, the other way round)."""
    with Journal(path) as journal:
        model = kept_model(journal)
    assert model is not None
    found = {}
    for kind in kinds:
        ratio = float(model.coding.slope_ratio[model.coding.types.index(kind.name)])
        pick = np.concatenate([GAP, ratio * GAP])
        names = model.coding.chanters
        off = {
            made.pipe.name: float(pick @ model.coef[model.chanter_slice(names.index(made.pipe.name))])
            - made.pipe.gap_shift_cents[kind.name]
            for made in own
        }
        found |= {(name, kind.name): one - float(np.mean(list(off.values()))) for name, one in off.items()}
    return found


def _blanks(
    rng: np.random.Generator, world: World, far: dict[tuple[str, int], Made], reeds_each: int
) -> tuple[dict[str, LiveReed], dict[str, Sent]]:
    """Untrimmed reeds of a few batches, put to the orders in turn."""
    count = len(far) * reeds_each
    made = world.new_reeds(rng, count, max(count // 12, 1))
    last = max((reed.day for reed in made), default=0.0)
    reeds, stories = {}, {}
    for number, reed in enumerate(made):
        (told, _), chanter = list(far.items())[number % len(far)]
        reed.pipe, reed.day = chanter.pipe, max(last, 400.0)
        reeds[reed.reed], stories[reed.reed] = reed, Sent(f"O-{chanter.pipe.name}", told)
    return reeds, stories


def _work(
    rng: np.random.Generator,
    path: Path,
    reeds: dict[str, LiveReed],
    stories: dict[str, Sent],
    own: dict[str, Made],
    far: dict[tuple[str, int], Made],
    means: Array,
) -> None:
    """Ask, obey, and note what is stated, until nothing is left to do."""
    bench = LoggedReeds(path, list(reeds.values()))
    there = {made.pipe.name: (told, made) for (told, _), made in far.items()}
    waiting = set(reeds)
    misjudged = _misjudged_cents(path, next(iter(reeds.values())).physics.kinds, list(own.values()))
    for _ in range(MOST_ROUNDS):
        day = max(reed.day for reed in reeds.values())
        found = advised(path, day)
        for name in sorted(waiting):
            reed, story, advice = reeds[name], stories[name], found[name]
            story.advices.append(f"{advice.action}: {advice.why}")
            if advice.action in ("finished", "past", "no-fit"):
                _end(reed, story, advice, own, there, means, misjudged)
                waiting.discard(name)
                continue
            reed.day = day
            if advice.action == "trim":
                reed.cut(rng, advice.length_mm, advice.lip_strokes)
                story.cuts += 1
            assert advice.here is not None, advice.why
            reed.read(rng, advice.here["chanter"])
            story.readings += 1
        bench.tell()
        if not waiting:
            return


def _end(
    reed: LiveReed,
    story: Sent,
    advice: Advice,
    own: dict[str, Made],
    there: dict[str, tuple[str, Made]],
    means: Array,
    misjudged: dict[tuple[str, str], float],
) -> None:
    assert advice.here is not None
    assert advice.gap_now_cents is not None
    here, (told, made) = own[advice.here["chanter"]], there[reed.chanter]
    story.action = advice.action
    story.chance_within, story.chance_past = float(advice.chance_within or 0.0), advice.chance_past
    story.gap_there_cents = reed.true_gap_cents()
    story.tool_cents = advice.gap_now_cents.mean - story.gap_there_cents
    crow = means[made.kind][1] + _filtered_crow_cents(made, told, float(means[made.kind][0]))
    crow -= means[here.kind][1] + here.away_cents[1]
    story.filter_cents = advice.here["gap_now_cents"].mean + _shift(reed.kind, float(crow)) - story.gap_there_cents
    story.log_cents = story.filter_cents - misjudged[here.pipe.name, reed.kind.name]


def told_bench(sent: Sequence[Sent]) -> pd.DataFrame:
    """One row for each of TOLD: stated chances beside what happened, errors beside the filter's, work a reed."""
    rows = []
    for told in TOLD:
        mine = [one for one in sent if one.told == told]
        done = [one for one in mine if one.action != "unfinished"]
        gaps = np.array([one.gap_there_cents for one in done])
        tool, knows, on_log = (
            float(np.sqrt(np.mean(np.square([getattr(one, key) for one in done]))))
            for key in ("tool_cents", "filter_cents", "log_cents")
        )
        rows.append(
            {
                "stated": "kind alone" if told == "kind" else told,
                "reeds": len(mine),
                "within %": _beside([one.chance_within for one in done], np.abs(gaps) <= TOLERANCE_CENTS),
                "past %": _beside([one.chance_past for one in done], gaps > TOLERANCE_CENTS),
                "error, cents": f"{tool:.1f}",
                "the filter's": f"{knows:.1f}",
                "ratio": f"{tool / knows:.2f}",
                "on this log": f"{on_log:.1f}",
                "its ratio": f"{tool / on_log:.2f}",
                "cuts": f"{np.mean([one.cuts for one in mine]):.2f}",
                "readings": f"{np.mean([one.readings for one in mine]):.2f}",
                "unfinished": len(mine) - len(done),
            }
        )
    return pd.DataFrame(rows)


def one_at_least(sent: Sequence[Sent]) -> pd.DataFrame:
    """One row for each of TOLD: orders of which at least one reed is within tolerance there, several being sent."""
    rows = []
    for told in TOLD:
        orders: dict[str, list[Sent]] = {}
        for one in sent:
            if one.told == told:
                orders.setdefault(one.order, []).append(one)
        met = [any(abs(one.gap_there_cents) <= TOLERANCE_CENTS for one in reeds) for reeds in orders.values()]
        count = np.mean([len(reeds) for reeds in orders.values()])
        rows.append(
            {"stated": told, "orders": len(met), "sent": f"{count:.0f}", "one within %": f"{100 * np.mean(met):.0f}"}
        )
    return pd.DataFrame(rows)


def _beside(stated: Sequence[float], happened: np.ndarray) -> str:
    """A stated chance beside what happened, per cent, and the standard error of that if the chances are right."""
    p = np.array(stated)
    error = 100.0 * float(np.sqrt(np.sum(p * (1.0 - p)))) / len(p)
    return f"{100 * p.mean():.0f} stated, {100 * happened.mean():.0f} ± {error:.0f}"


def as_table(frame: pd.DataFrame) -> str:
    """A frame as a table of the page."""
    rows = [list(frame.columns), ["---"] * len(frame.columns), *frame.astype(str).to_numpy().tolist()]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def main() -> None:
    """Play the benches and print the page."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--orders", type=int, default=18)
    parser.add_argument("--past", type=int, default=240)
    parser.add_argument("--bench", default="")
    parser.add_argument("--sent", type=int, default=1, help="reeds sent for each one wanted")
    parser.add_argument("--keep", type=Path)
    chosen = parser.parse_args()
    print(f"{HEAD}\n\nMade by `python -m tests.worlds.away {' '.join(sys.argv[1:])}`.\n", flush=True)
    every: list[Sent] = []
    for bench in BENCHES:
        if chosen.bench not in bench.name:
            continue
        sent: list[Sent] = []
        for seed in range(chosen.seeds):
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "log.trimfit"
                sent += send(
                    bench,
                    seed,
                    path,
                    orders_each=chosen.orders,
                    reeds_each=chosen.sent,
                    wanted=1,
                    past=chosen.past,
                )
        print(f"## {bench.name[0].upper()}{bench.name[1:]}\n\n{as_table(told_bench(sent))}\n", flush=True)
        if chosen.sent > 1:
            print(f"{as_table(one_at_least(sent))}\n", flush=True)
        every += sent
    if chosen.keep:
        pd.DataFrame([vars(one) for one in every]).to_json(chosen.keep)


if __name__ == "__main__":
    main()
