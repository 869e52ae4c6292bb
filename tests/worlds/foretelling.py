"""Trials for a learner: reeds of batches never seen, and the reading that came next; the knowing filter's score beside.

The same trials go to the learner (as frames) and to the filter of belief.py, so that errors compare reed by reed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.worlds.belief import KnowingBelief
from tests.worlds.frames import FRAME_COLUMNS, frame_row
from tests.worlds.physics import Array
from tests.worlds.shop import LiveReed, World, read_gap_cents
from trimfit.base.pitch import OUTPUTS

__all__ = ["Trial", "crow_alone", "knowing_scores", "make_trials"]

WHATS = (*OUTPUTS, "gap")


@dataclass(frozen=True)
class Trial:
    """`readings` so far (hertz, see LiveReed.read), then `coming`: the next, after the cut that its removed_mm shows.

    `slipped`: the coming reading is a slip of the hand (truth, for scoring only). `true_gap_cents`: at the next state.
    """

    reed: LiveReed
    readings: tuple[dict[str, object], ...]
    coming: dict[str, object]
    slipped: bool
    true_gap_cents: float

    def frame(self) -> pd.DataFrame:
        """The readings so far, one frame row each."""
        return pd.DataFrame([frame_row(reading) for reading in self.readings], columns=list(FRAME_COLUMNS))

    def coming_row(self) -> pd.Series:
        """The coming reading's frame row; blank the `_cents` columns before showing it to a learner."""
        return pd.Series(frame_row(self.coming))

    def found_cents(self) -> Array:
        """The coming reading, (11,): the ten OUTPUTS, then the gap."""
        row = frame_row(self.coming)
        values = np.array([float(str(row[f"{name}_cents"])) for name in OUTPUTS])
        return np.append(values, values[OUTPUTS.index("f")] - values[OUTPUTS.index("e")])


def make_trials(world: World, rng: np.random.Generator, n: int = 150, *, most_readings: int = 3) -> list[Trial]:
    """`n` fresh reeds, each with 1, 2 … `most_readings` readings and the next one: up to n * most_readings trials.

    Between readings the reed is cut by 0.6 of what seems wanting, at its type's usual slope; one in four cuts comes
    with lip strokes. A reed that is nearly done is read again without a cut.
    """
    trials = []
    for reed in world.new_reeds(rng, n):
        reed.read(rng)
        for _ in range(most_readings):
            gap = read_gap_cents(reed.readings[-1])
            asked = round(0.6 * -gap / reed.kind.gap_cents_per_mm, 2)
            before = tuple(reed.readings)
            if 0.02 <= asked < 1.5:
                reed.cut(rng, asked, int(rng.integers(1, 5)) if rng.random() < 0.25 else 0)
            coming = reed.read(rng)
            trials.append(Trial(reed, before, coming, reed.slips[-1] > 0, reed.true_gap_cents()))
    return trials


def knowing_scores(
    world: World, trials: Sequence[Trial], rng: np.random.Generator, *, draws: int = 2000
) -> pd.DataFrame:
    """How the filter predicts: a row for each trial and output.

    Columns: reed, reed_type, batch, readings (how many so far), output (OUTPUTS and `gap`), foretold_cents, low_cents,
    high_cents (90 %), found_cents, slipped.
    """
    rows = []
    for trial in trials:
        reed, coming = trial.reed, trial.coming
        belief = KnowingBelief.after(world.physics, reed.kind, reed.pipe, trial.readings, rng, draws=draws)
        pressure, temperature = float(str(coming["pressure_kpa"])), float(str(coming["temperature_c"]))
        conditions = world.physics.conditions_cents(reed.kind, pressure, temperature)
        x, strokes = float(str(coming["removed_mm"])), float(str(coming["lip_strokes"]))
        means, read = belief.predict(rng, x, strokes, conditions)
        found = trial.found_cents()
        for index, output in enumerate(WHATS):
            low, high = belief.quantiles(read[:, index], (0.05, 0.95))
            rows.append(
                {"reed": reed.reed, "reed_type": reed.kind.name, "batch": reed.batch, "readings": len(trial.readings),
                 "output": output, "foretold_cents": means[index], "low_cents": low, "high_cents": high,
                 "found_cents": found[index], "slipped": trial.slipped}
            )  # fmt: skip
    return pd.DataFrame(rows)


def crow_alone(world: World, reeds: Sequence[LiveReed], rng: np.random.Generator) -> pd.DataFrame:
    """Untrimmed reeds with a crow reading each: the trim that the knowing filter predicts, and the true one (mm)."""
    rows = []
    for reed in reeds:
        if not reed.readings:
            reed.read(rng, what="crow")
        belief = KnowingBelief.after(world.physics, reed.kind, reed.pipe, reed.readings, rng)
        predicted = belief.mean(belief.meeting_mm(reed.removed_mm, reed.lip_strokes))
        rows.append(
            {"reed": reed.reed, "reed_type": reed.kind.name, "foretold_mm": predicted, "true_mm": reed.true_trim_mm()}
        )
    return pd.DataFrame(rows)
