"""Readings typed under a neighbour's name, on make-believe benches: how many are asked about, and how often an honest
reading is. `python -m tests.entry.neighbour_counts` prints the table for two benches."""

from __future__ import annotations

import copy
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.worlds.shop import LiveReed, World, read_gap_cents
from trimfit.base.pitch import NOTES, OUTPUTS
from trimfit.base.records import Doubt, Reading, Reed, ReedHistory, Trim
from trimfit.entry.checks import reading_doubts
from trimfit.log.sheets.folder_import import import_folder
from trimfit.session.expected_reading import expected_reading
from trimfit.session.session import Session

__all__ = ["Asked", "measure"]

# What one reading shows by itself is another doubt, and is not counted here.
OWN_KINDS = {"a-unbalanced", "g-octave"}


@dataclass
class Asked:
    """Readings tried and asked about: honest ones, and neighbours' by whether the named reed had been read before."""

    tried: Counter[str] = field(default_factory=Counter)
    asked: Counter[str] = field(default_factory=Counter)

    def share(self, what: str) -> float:
        """The share asked about: what is `honest`, `neighbour` (of a reed read before) or `neighbour, unread`."""
        return self.asked[what] / max(self.tried[what], 1)


def _record(reed: str, taken: dict[str, object]) -> Reading:
    notes = {note: float(str(taken[f"{note}_hz"])) for note in NOTES if f"{note}_hz" in taken}
    crow = taken.get("crow_hz")
    return Reading(
        reed,
        str(taken["taken_at"]),
        chanter=None if taken["chanter"] is None else str(taken["chanter"]),
        crow_hz=None if crow is None else float(str(crow)),
        notes_hz=notes,
        pressure_kpa=float(str(taken["pressure_kpa"])),
        temperature_c=float(str(taken["temperature_c"])),
    )


def _is_asked(doubts: Iterable[Doubt]) -> bool:
    return bool({doubt.kind for doubt in doubts} - OWN_KINDS)


def _judged(session: Session, reading: Reading, history: ReedHistory) -> bool:
    expected = expected_reading(session, reading)
    return _is_asked(reading_doubts(reading, history, session.journal.settings(), foreseen=expected))


def _neighbours(
    rng: np.random.Generator, one: LiveReed, batch: Sequence[LiveReed], what: Sequence[str]
) -> Reading | None:
    others = [other for other in batch if other is not one and other.chanter == one.chanter]
    if not others:
        return None
    other = copy.deepcopy(others[int(rng.integers(len(others)))])
    while True:
        taken = other.read(rng, what=what)
        if other.slips[-1] == 0:
            return _record(one.reed, taken)


def measure(name: str, seed: int, *, past: int = 360, reeds: int = 60, turns: int = 4) -> Asked:
    """A shop of the world learns from its past, then reads and cuts new reeds batch by batch; every reading is judged
    as it is about to be logged, and beside it one of a neighbour in the same chanter, typed under this reed's name."""
    rng = np.random.default_rng(seed)
    world, found = World(name, rng), Asked()
    with tempfile.TemporaryDirectory() as folder:
        world.history(rng, past).write_csv(Path(folder) / "shop")
        with Session(Path(folder) / "log", create=True) as session:
            journal = session.journal
            import_folder(journal, Path(folder) / "shop")
            session.fit_if_due()
            new = world.new_reeds(rng, reeds)
            for reed in new:
                reed.day = 1000.0
                journal.append(Reed(reed.reed, reed.reed_type, reed.batch))
            for batch in dict.fromkeys(reed.batch for reed in new):
                mine = [reed for reed in new if reed.batch == batch]
                for turn in range(turns):
                    for reed in mine:
                        _one(rng, session, reed, mine, turn, found)
    return found


def _one(
    rng: np.random.Generator, session: Session, reed: LiveReed, batch: Sequence[LiveReed], turn: int, found: Asked
) -> None:
    what = (
        ("crow",)
        if turn == 0 and rng.random() < 0.3
        else OUTPUTS
        if rng.random() < 0.7
        else ("low_a", "e", "f", "high_a")
    )
    neighbour = _neighbours(rng, reed, batch, what)
    taken = reed.read(rng, what=what)
    if reed.slips[-1]:
        return
    journal = session.journal
    honest, history = _record(reed.reed, taken), journal.of_reed(reed.reed)
    unread = "" if history.readings else ", unread"
    for kind, reading in (("honest", honest), (f"neighbour{unread}", neighbour)):
        if reading is not None:
            found.tried[kind] += 1
            found.asked[kind] += _judged(session, reading, history)
    journal.append(honest)
    gap = read_gap_cents(taken) if {"f_hz", "e_hz"} <= taken.keys() else 0.0
    if gap < -2.7:
        asked_mm = max(round(0.6 * -gap / 60.0, 2), 0.02)
        reed.cut(rng, asked_mm, int(rng.integers(1, 4)) if rng.random() < 0.15 else 0)
        done = reed.trims[-1]
        length, lip = float(str(done["length_mm"])) or None, float(str(done["lip_strokes"])) or None
        if length or lip:
            journal.append(Trim(reed.reed, str(done["done_at"]), length, lip, asked_mm=asked_mm))


def main(words: Sequence[str]) -> None:
    """Print the table: a line a bench."""
    print("| bench | honest readings asked about | neighbour's, reed read before | neighbour's, reed unread |")
    print("|---|---:|---:|---:|")
    for name in words or ("beam", "heavy"):
        found = measure(name, 7, reeds=132)
        cells = [f"{found.asked[what]} of {found.tried[what]}" for what in ("honest", "neighbour", "neighbour, unread")]
        print(f"| {name} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main(sys.argv[1:])
