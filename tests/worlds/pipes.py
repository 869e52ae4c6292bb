"""Make-believe benches whose chanters come in kinds: what the fitted model makes of their notes, of tape, and of
chanters known by words alone.

A chanter has a meeting pitch and asks for a crow; both are its kind's, less what its bore gauge says, and its own. Its
side notes lean by their own amounts, and some notes may be carved. A reed's gap is its type's share of how far its
crow lies from the asked one, plus its own; nothing here is the model's: the crow climbs along a bent curve, and slopes
differ from reed to reed by a factor. All numbers invented. `python -m tests.worlds.pipes` prints the figures.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.worlds.frames import FRAME_COLUMNS
from trimfit.base.pitch import NOTES, OUTPUTS
from trimfit.regression.chanters.kinds import ChanterFacts
from trimfit.regression.chanters.notes import chanter_notes
from trimfit.regression.design import rows_from_frame
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import fit_model
from trimfit.regression.posterior.reed import batch_states, known_coding

__all__ = ["Bench", "Pipe", "bench", "fitted", "reading"]

Array = NDArray[np.float64]
SIDE = ("low_g", "b", "c", "d", "high_g")
CROW_MM, PITCH_MM = 150.0, 5.0
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
GAP = (np.arange(len(OUTPUTS)) == F_NOTE).astype(float)[None] - (np.arange(len(OUTPUTS)) == E_NOTE)
# gap a mm, new crow, of two types
TYPES = {"cane": (45.0, 235.0), "moulded": (62.0, 245.0)}
USUAL_MM = 0.7


@dataclass(frozen=True)
class Pipe:
    """A chanter: its kind, meeting pitch and asked crow (cents from 440 Hz), gauge, each note's lean (cents)."""

    name: str
    kind: str
    pitch_cents: float
    crow_cents: float
    gauge_mm: float
    lean_cents: Mapping[str, float]

    def facts(self, rng: np.random.Generator, what: str = "kind") -> ChanterFacts:
        """What is said of it: its kind, and `gauge`, `pitch` (± 3 cents), `crow` (± 10 cents) where named in `what`."""
        return ChanterFacts(
            self.kind,
            self.gauge_mm if "gauge" in what else None,
            self.pitch_cents + rng.normal(0.0, 3.0) if "pitch" in what else None,
            self.crow_cents + rng.normal(0.0, 10.0) if "crow" in what else None,
        )


@dataclass
class Bench:
    """Chanters and a log of readings; carved: (chanter, note) -> cents."""

    pipes: tuple[Pipe, ...]
    frame: pd.DataFrame
    carved: dict[tuple[str, str], float] = field(default_factory=dict)


def make_pipes(
    rng: np.random.Generator, count: int, kinds: int, *, within: tuple[float, float], between: tuple[float, float]
) -> tuple[Pipe, ...]:
    """Chanters of so many kinds; within, between: standard deviations of meeting pitch and asked crow, cents."""
    middle = [(125.0 + rng.normal(0.0, between[0]), 345.0 + rng.normal(0.0, between[1])) for _ in range(kinds)]
    out = []
    for i in range(count):
        pitch, crow = middle[i % kinds]
        gauge = 40.0 + rng.normal(0.0, 1.0)
        lean = {note: float(rng.normal(0.0, 3.0)) for note in SIDE}
        out.append(
            Pipe(
                f"CH-{i + 1:02d}", f"kind {i % kinds + 1}",
                pitch + rng.normal(0.0, within[0]) - 2.0 * (gauge - 40.0),
                crow + rng.normal(0.0, within[1]) + 4.0 * (gauge - 40.0),
                gauge, lean,
            )
        )  # fmt: skip
    return tuple(out)


@dataclass(frozen=True)
class Reed:
    """A reed: its type, and its own departures in crow, gap and pitch (cents), slope (a factor) and side notes."""

    reed_type: str
    own: Array
    factor: float
    side: Array

    def outputs(self, pipe: Pipe, removed_mm: float) -> Array:
        """The ten outputs (cents) in a chanter with so much off."""
        gap_mm, new_crow = TYPES[self.reed_type]
        depth = removed_mm * (1.0 + 0.08 * removed_mm)
        crow = new_crow + self.own[0] + CROW_MM * depth * (1.0 + 0.3 * (self.factor - 1.0))
        share = gap_mm / CROW_MM
        gap = share * (new_crow + CROW_MM * depth * self.factor - pipe.crow_cents) + self.own[1]
        pitch = pipe.pitch_cents + PITCH_MM * (depth - USUAL_MM) + self.own[2]
        notes = dict.fromkeys(("low_a", "high_a"), pitch) | {"e": pitch - 0.5 * gap, "f": pitch + 0.5 * gap}
        notes |= {note: pitch + self.side[i] for i, note in enumerate(SIDE)}
        return np.array([crow, *(notes[note] + pipe.lean_cents.get(note, 0.0) for note in NOTES)])


def make_reed(rng: np.random.Generator, reed_type: str, batch: Array) -> Reed:
    """One reed of a batch, whose departures in crow, gap and pitch are batch (3,)."""
    crow, rest, pitch = rng.standard_normal(3)
    gap = 0.6 * crow + 0.8 * rest
    own = batch + np.array([16.0 * crow, 7.0 * gap, 2.0 * pitch])
    return Reed(reed_type, own, float(np.exp(0.15 * rng.standard_normal())), 2.0 * rng.standard_normal(len(SIDE)))


def reading(rng: np.random.Generator, reed: Reed, pipe: Pipe, removed_mm: float) -> Array:
    """What the bench reads: all notes share a seating error, each has its own."""
    out = reed.outputs(pipe, removed_mm) + rng.normal(0.0, 1.0, len(OUTPUTS))
    out[1:] += rng.normal(0.0, 1.2)
    out[0] += rng.normal(0.0, 2.5)
    return out


def row(reed: str, reed_type: str, batch: str, chanter: str, removed_mm: float, cents: Array) -> dict[str, object]:
    """A frame's row of a reading, all of one day."""
    given = {"reed": reed, "reed_type": reed_type, "batch": batch, "chanter": chanter, "removed_mm": removed_mm}
    blank = {name: np.nan for name in FRAME_COLUMNS if name not in given}
    return blank | given | {"lip_strokes": 0.0} | {f"{o}_cents": cents[i] for i, o in enumerate(OUTPUTS)}


def bench(
    rng: np.random.Generator,
    pipes: tuple[Pipe, ...],
    reeds_each: int,
    *,
    carved: int = 0,
    carved_cents: float = 14.0,
) -> Bench:
    """A log of reeds read three times each in these chanters; carved: so many notes, each of another chanter, made so
    much sharp."""
    cut: dict[tuple[str, str], float] = {}
    for c in rng.permutation(len(pipes))[:carved]:
        cut[pipes[c].name, NOTES[int(rng.integers(len(NOTES)))]] = carved_cents
    shaped = []
    for pipe in pipes:
        # a note is carved to lie so far off its kind: what it leant before does not count
        lean = dict(pipe.lean_cents) | {note: cents for (name, note), cents in cut.items() if name == pipe.name}
        shaped.append(Pipe(pipe.name, pipe.kind, pipe.pitch_cents, pipe.crow_cents, pipe.gauge_mm, lean))
    rows, number, batches = [], 0, {}
    for pipe in shaped:
        for i in range(reeds_each):
            reed_type = ("cane", "moulded")[i % 2]
            name = f"{reed_type} {number // 24}"
            if name not in batches:
                batches[name] = rng.standard_normal(3) * np.array([9.0, 4.0, 1.0])
            reed, number = make_reed(rng, reed_type, batches[name]), number + 1
            for removed_mm in (0.0, 0.35, 0.6):
                cents = reading(rng, reed, pipe, removed_mm)
                rows.append(row(f"R-{number}", reed_type, name, pipe.name, removed_mm, cents))
    return Bench(tuple(shaped), pd.DataFrame(rows), cut)


def fitted(shop: Bench, facts: Mapping[str, ChanterFacts]) -> FittedModel:
    """The fitted model of a bench."""
    rows, types, chanters = rows_from_frame(shop.frame)
    return fit_model(rows, types, chanters, pressure_kpa=6.0, temperature_c=20.0, balance_cents=3.7, facts=facts)


def carved_notes(seed: int, *, carved: int = 4, reeds_each: int = 20) -> tuple[int, int, int, Array]:
    """One bench of twelve chanters: how many carved notes were found, how many there were, how many others were
    called, and the errors of what was found in standard deviations."""
    rng = np.random.default_rng(seed)
    shop = bench(rng, make_pipes(rng, 12, 3, within=(6.0, 14.0), between=(12.0, 25.0)), reeds_each, carved=carved)
    notes = chanter_notes(fitted(shop, {pipe.name: ChanterFacts(pipe.kind) for pipe in shop.pipes}))
    called = {(name, one.note): one for name, each in notes.items() for one in each if one.unusual}
    found = [key for key in shop.carved if key in called]
    error = [(called[key].unusual_cents - shop.carved[key]) / called[key].unusual_sd_cents for key in found]
    return len(found), len(shop.carved), len(called) - len(found), np.array(error)


def gap_in(
    model: FittedModel, frame: pd.DataFrame, chanter: str, fact: ChanterFacts, removed_mm: float
) -> tuple[float, float]:
    """Mean and standard deviation of a reed's gap in a chanter, from the readings of it in `frame` (a new batch)."""
    rows, types, chanters = rows_from_frame(frame, model.coding)
    names = chanters if chanter in chanters else (*chanters, chanter)
    at = names.index(chanter)
    states, _, _ = batch_states(
        model, rows, known_coding(model, types), int(rows.type_code[0]), in_fit=np.zeros(len(rows), dtype=bool),
        extra_chanters=[at], chanter_names=names, facts={at: fact},
    )  # fmt: skip
    mean, cov = states[0].outputs(GAP @ states[0].design(removed_mm, 0.0, chanter))
    return float(mean[0]), float(np.sqrt(cov[0, 0]))


WHAT = ("kind", "kind gauge", "kind crow", "kind crow pitch")


def away(seed: int, *, within: tuple[float, float], between: tuple[float, float], others: int = 30) -> pd.DataFrame:
    """One bench of twelve chanters in three kinds at hand, and others known by words: of a reed read twice at the bench
    in a chanter of the same kind, its true gap there, what is predicted by what is known of the chanter, and the
    standard deviation of a filter that knows the population, the chanter at hand and the reed's type."""
    rng = np.random.default_rng(seed)
    pipes = make_pipes(rng, 12 + others, 3, within=within, between=between)
    shop = bench(rng, pipes[:12], 12)
    model = fitted(shop, {pipe.name: ChanterFacts(pipe.kind, pipe.gauge_mm) for pipe in shop.pipes})
    out = []
    for pipe in pipes[12:]:
        here = next(one for one in shop.pipes if one.kind == pipe.kind)
        reed_type = ("cane", "moulded")[int(rng.integers(2))]
        reed = make_reed(rng, reed_type, rng.standard_normal(3) * np.array([9.0, 4.0, 1.0]))
        taken = [row("new", reed_type, "new", here.name, 0.5, reading(rng, reed, here, 0.5)) for _ in range(2)]
        true = reed.outputs(pipe, 0.5)
        share = TYPES[reed_type][0] / CROW_MM
        for what in WHAT:
            mean, sd = gap_in(model, pd.DataFrame(taken), pipe.name, pipe.facts(rng, what), 0.5)
            variance = within[1] ** 2 + (0.0 if "gauge" in what else 16.0)
            if "crow" in what:
                variance = 1.0 / (1.0 / variance + 1.0 / 100.0)
            knowing = np.sqrt(share**2 * variance + 2.0 / 2.0)
            error = float(true[F_NOTE] - true[E_NOTE]) - mean
            out.append({"what": what, "error": error, "sd": sd, "knowing": knowing})
    return pd.DataFrame(out)


def taped(seed: int, *, reeds: int = 40) -> pd.DataFrame:
    """One bench of four chanters where every other reading has tape on F: of new reeds read twice with the tape on, the
    true gap without it, and what is predicted."""
    rng = np.random.default_rng(seed)
    pipes = make_pipes(rng, 4, 2, within=(6.0, 14.0), between=(12.0, 25.0))
    shop = bench(rng, pipes, 16)
    shift = {pipe.name: float(rng.normal(-20.0, 8.0)) for pipe in pipes}
    frame = shop.frame.copy()
    on = np.arange(len(frame)) % 2 == 1
    _tape(frame, on, shift)
    model = fitted(Bench(shop.pipes, frame), {pipe.name: ChanterFacts(pipe.kind) for pipe in pipes})
    out = []
    for i in range(reeds):
        pipe, reed_type = pipes[i % len(pipes)], ("cane", "moulded")[i % 2]
        reed = make_reed(rng, reed_type, rng.standard_normal(3) * np.array([9.0, 4.0, 1.0]))
        taken = pd.DataFrame(
            [row("new", reed_type, "new", pipe.name, 0.5, reading(rng, reed, pipe, 0.5)) for _ in range(2)]
        )
        _tape(taken, np.ones(len(taken), dtype=bool), shift)
        mean, sd = gap_in(model, taken, pipe.name, ChanterFacts(pipe.kind), 0.5)
        true = reed.outputs(pipe, 0.5)
        out.append({"error": float(true[F_NOTE] - true[E_NOTE]) - mean, "sd": sd})
    return pd.DataFrame(out)


def _tape(frame: pd.DataFrame, on: NDArray[np.bool_], shift: Mapping[str, float]) -> None:
    """Put tape on F for the readings `on` (n,): it is lowered by its chanter's shift, and stands as taped."""
    lowered = frame["f_cents"] + frame["chanter"].map(shift)
    frame["f_taped_cents"] = np.where(on, lowered, np.nan)
    frame.loc[on, "f_cents"] = np.nan


def covered(found: pd.DataFrame) -> float:
    """How many in a hundred errors lie in the 90 % interval."""
    return 100.0 * float((np.abs(found["error"]) <= 1.6449 * found["sd"]).mean())


def main() -> None:
    """Print the figures of so many benches (first argument); of chanters known by words alone with a second: away."""
    benches = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    if "away" not in sys.argv:
        each = [carved_notes(seed) for seed in range(benches)]
        found, there, false = (sum(part[i] for part in each) for i in range(3))
        print(
            f"{benches} benches of 12 chanters and 240 reeds. 14 cents sharp: {found} of {there} named, {false} others"
        )
        plain = [carved_notes(1000 + seed, carved=0)[2] for seed in range(benches)]
        print(f"nothing carved: {sum(plain)} notes named in {benches} benches, at most {max(plain)} in one")
        tape = pd.concat([taped(seed) for seed in range(benches)])
        print(f"read with tape on F: gap off by {tape['error'].std():.1f} cents, {covered(tape):.0f} % within 90 %")
    print("| kinds | known | error, cents | stated sd | the knowing filter's sd | within 90 %, % |")
    print("| --- | --- | --- | --- | --- | --- |")
    for words, within, between in (
        ("hardly differ", (6.0, 14.0), (2.0, 4.0)),
        ("differ much", (4.0, 9.0), (20.0, 50.0)),
        ("as usual", (6.0, 14.0), (12.0, 25.0)),
    ):
        all_of = pd.concat([away(seed, within=within, between=between) for seed in range(benches)])
        for what, some in all_of.groupby("what", sort=False):
            off, stated, knowing = (f"{np.sqrt((some[key] ** 2).mean()):.1f}" for key in ("error", "sd", "knowing"))
            print(f"| {words} | {what} | {off} | {stated} | {knowing} | {covered(some):.0f} |", flush=True)


if __name__ == "__main__":
    main()
