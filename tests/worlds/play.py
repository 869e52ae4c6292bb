"""Play a policy on live reeds: cuts, readings, what went past, what ended within tolerance, whether its chances held.

A policy sees a `Seen` (what a bench may know of one reed) and says a `Move`. All reeds are played in step, so that a
policy which can answer for many reeds at once (`many`) is asked for them together. The same seed gives the same reeds,
and every reed has its own source of chance, so that policies are compared on the same reeds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple, Protocol, runtime_checkable

import numpy as np
import pandas as pd

from tests.worlds.frames import FRAME_COLUMNS, frame_row
from tests.worlds.shop import LiveReed, World

__all__ = ["ManyPolicy", "Move", "Played", "Policy", "Seen", "Tally", "play", "played_out", "tally"]

TOLERANCE_CENTS = 3.7
LEAST_BLADE_MM = 12.0
Action = Literal["trim", "read-again", "finished", "past", "no-fit"]


class Move(NamedTuple):
    """What to do next. `chance_past`: stated chance that the reed is past tolerance once this is done."""

    action: Action
    length_mm: float = 0.0
    lip: int = 0
    chance_past: float = float("nan")


@dataclass(frozen=True)
class Seen:
    """One reed as its bench knows it. `readings`: hertz and conditions (see LiveReed.read)."""

    reed: str
    reed_type: str
    batch: str
    chanter: str
    readings: Sequence[dict[str, object]]
    trims: Sequence[dict[str, object]]
    removed_mm: float
    lip_strokes: int
    limit_mm: float
    target_pitch_cents: float | None = None
    tolerance_cents: float = TOLERANCE_CENTS

    def frame(self) -> pd.DataFrame:
        """The readings as the fit's frame."""
        return pd.DataFrame([frame_row(reading) for reading in self.readings], columns=list(FRAME_COLUMNS))


class Policy(Protocol):
    """Anything that answers for one reed."""

    def __call__(self, seen: Seen, /) -> Move:
        """The next move for this reed."""
        ...


@runtime_checkable
class ManyPolicy(Protocol):
    """A policy that answers for many reeds at once (quicker); `many` is preferred where it is there."""

    def many(self, seen: Sequence[Seen], /) -> Sequence[Move]:
        """The next move for each reed."""
        ...


@dataclass
class Played:
    """One reed's story. `kind_of_end`: the last action, or `unfinished`. True figures of the finished reed."""

    reed: LiveReed
    rng: np.random.Generator
    target_pitch_cents: float | None
    born_past: bool
    cuts: int = 0
    kind_of_end: str = "unfinished"
    gap_cents: float = float("nan")
    pitch_off_cents: float = float("nan")

    def seen(self, tolerance_cents: float) -> Seen:
        """What the bench knows."""
        reed = self.reed
        return Seen(
            reed=reed.reed,
            reed_type=reed.kind.name,
            batch=reed.batch,
            chanter=reed.chanter,
            readings=tuple(reed.readings),
            trims=tuple(reed.trims),
            removed_mm=reed.removed_mm,
            lip_strokes=reed.lip_strokes,
            limit_mm=reed.kind.blade_mm - LEAST_BLADE_MM,
            target_pitch_cents=self.target_pitch_cents,
            tolerance_cents=tolerance_cents,
        )


@dataclass
class Tally:
    """What came of a play. Shares in per cent of the reeds that were not past before any cut (`born_past`); a reed that
    is left unfinished is within nothing."""

    policy: str
    world: str
    reeds: int
    born_past: int
    cuts_per_reed: float
    readings_per_reed: float
    past_pct: float
    within_pct: float
    pitch_within_pct: float
    both_within_pct: float
    unfinished_pct: float
    no_fit_pct: float
    stated: pd.DataFrame = field(repr=False)
    stories: list[Played] = field(repr=False)

    def row(self) -> dict[str, object]:
        """The figures for a table."""
        left_out = {"stated", "stories"}
        return {name: value for name, value in vars(self).items() if name not in left_out}

    def calibration(self, edges: Sequence[float] = (0.0, 0.001, 0.003, 0.006, 0.01, 0.02, 0.05, 1.0)) -> pd.DataFrame:
        """Trims grouped by the chance of going past that was told: how many, the mean told, the share that went."""
        told = self.stated[(self.stated["action"] == "trim") & self.stated["chance_past"].notna()]
        groups = pd.cut(told["chance_past"], list(edges), include_lowest=True)
        table = told.groupby(groups, observed=True).agg(
            moves=("happened", "size"), told=("chance_past", "mean"), happened=("happened", "mean")
        )
        return table.reset_index(names="chance")


def start(
    world: World, n: int, seed: int, *, first: str, below_own_pitch_cents: float | None, reed_type: str | None
) -> list[Played]:
    """Fresh reeds of fresh batches with a first reading each."""
    root = np.random.SeedSequence([seed, 20_250_106])
    population, *own = root.spawn(n + 1)
    reeds = world.new_reeds(np.random.default_rng(population), n, reed_type=reed_type)
    stories = []
    for reed, sequence in zip(reeds, own, strict=True):
        target = None
        if below_own_pitch_cents is not None:
            target = world.physics.meeting_pitch_cents(reed.kind, reed.pipe) - below_own_pitch_cents
        story = Played(reed, np.random.default_rng(sequence), target, reed.true_gap_cents() > TOLERANCE_CENTS)
        reed.read(story.rng, what=first)
        stories.append(story)
    return stories


def answer(policy: Policy | ManyPolicy, seen: Sequence[Seen]) -> Sequence[Move]:
    """The policy's moves for these reeds."""
    if isinstance(policy, ManyPolicy):
        return policy.many(seen)
    return [policy(one) for one in seen]


def play(
    policy: Policy | ManyPolicy,
    world: World,
    n: int = 1000,
    seed: int = 0,
    *,
    first: str = "all",
    what: str = "all",
    tolerance_cents: float = TOLERANCE_CENTS,
    below_own_pitch_cents: float | None = None,
    reed_type: str | None = None,
    most_cuts: int = 12,
    most_readings: int = 25,
) -> Tally:
    """Play `n` fresh reeds to their end. A reading follows each cut.

    first, what: what the first and later readings hold (see LiveReed.read). `below_own_pitch_cents`: orders with a
    target pitch that far under the chanter's own meeting pitch.
    """
    stories = start(world, n, seed, first=first, below_own_pitch_cents=below_own_pitch_cents, reed_type=reed_type)
    return played_out(policy, world, stories, what, tolerance_cents, most_cuts, most_readings)


def played_out(
    policy: Policy | ManyPolicy,
    world: World,
    stories: list[Played],
    what: str = "all",
    tolerance_cents: float = TOLERANCE_CENTS,
    most_cuts: int = 12,
    most_readings: int = 25,
) -> Tally:
    """Play reeds that were read already to their end (see `play`)."""
    stated: list[dict[str, object]] = []
    waiting = stories
    while waiting:
        moves = answer(policy, [story.seen(tolerance_cents) for story in waiting])
        still = []
        for story, move in zip(waiting, moves, strict=True):
            reed, ended = story.reed, move.action in ("finished", "past", "no-fit")
            if move.action == "trim":
                reed.cut(story.rng, move.length_mm, move.lip)
                story.cuts += 1
            past = reed.true_gap_cents() > tolerance_cents
            stated.append(
                {"reed": reed.reed, "reed_type": reed.kind.name, "move": story.cuts, "action": move.action,
                 "chance_past": move.chance_past, "happened": past, "born_past": story.born_past}
            )  # fmt: skip
            if ended:
                story.kind_of_end = move.action
            elif story.cuts < most_cuts and len(reed.readings) < most_readings:
                reed.read(story.rng, what=what)
                still.append(story)
        waiting = still
    name = getattr(policy, "name", type(policy).__name__)
    return tally(name, world.name, stories, pd.DataFrame(stated), tolerance_cents)


def tally(policy: str, world: str, stories: list[Played], stated: pd.DataFrame, tolerance_cents: float) -> Tally:
    """Count what came of the stories, from the reeds' true state; policy, world: their names."""
    for story in stories:
        story.gap_cents = story.reed.true_gap_cents()
        if story.target_pitch_cents is not None:
            story.pitch_off_cents = story.reed.true_pitch_cents() - story.target_pitch_cents
    counted = [story for story in stories if not story.born_past]
    gap = np.array([story.gap_cents for story in counted])
    off = np.array([story.pitch_off_cents for story in counted])
    ends = np.array([story.kind_of_end for story in counted])
    ended = ends != "unfinished"
    within, on_pitch = ended & (np.abs(gap) <= tolerance_cents), ended & (np.abs(off) <= tolerance_cents)
    aimed = not np.isnan(off).all()

    def percent(flags: np.ndarray) -> float:
        return round(100.0 * float(np.mean(flags)), 3)

    return Tally(
        policy=policy,
        world=world,
        reeds=len(stories),
        born_past=len(stories) - len(counted),
        cuts_per_reed=round(float(np.mean([story.cuts for story in counted])), 3),
        readings_per_reed=round(float(np.mean([len(story.reed.readings) for story in counted])), 3),
        past_pct=percent(gap > tolerance_cents),
        within_pct=percent(within),
        pitch_within_pct=percent(on_pitch) if aimed else float("nan"),
        both_within_pct=percent(within & on_pitch) if aimed else float("nan"),
        unfinished_pct=percent(ends == "unfinished"),
        no_fit_pct=percent(ends == "no-fit"),
        stated=stated,
        stories=stories,
    )
