"""A small log and answers told beforehand, for sittings without a learned shop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from trimfit.base.answers import Advice
from trimfit.base.errors import TrimfitError
from trimfit.base.records import Chanter, Order, Reading, Reed
from trimfit.base.units import Interval
from trimfit.entry.neighbours import ExpectedReading, Joint
from trimfit.log.journal import Journal
from trimfit.session.session import Session
from trimfit.verbs.sitting.bench import Bench
from trimfit.verbs.sitting.sitting import Sitting

CUT = Advice(
    reed="R-1",
    order="O-1",
    action="trim",
    length_mm=0.14,
    lip_strokes=0,
    gap_now_cents=Interval(-23.0, -26.0, -20.0),
    gap_after_cents=Interval(-1.0, -4.0, 2.0),
    meet_pitch_hz=Interval(470.3, 469.8, 470.9),
    chance_past=0.004,
    trims_left=1.3,
    why="answers a cut like its batch",
)


class StatedBench(Bench):
    """A bench whose answers are stated: one advice for every reed, or none; what is predicted of every reading."""

    def __init__(
        self,
        journal: Journal,
        advice: Advice | None = CUT,
        predicted: Mapping[str, tuple[float, float]] | None = None,
        work: Sequence[str] = ("R-1", "R-2"),
        beside: Mapping[str, Joint] | None = None,
        cov: Sequence[Sequence[float]] | None = None,
    ) -> None:
        super().__init__(Session.of(journal))
        self.beside, self.cov = beside or {}, cov
        self.advice, self.stated, self.waiting = advice, predicted, list(work)

    def answer(self, reed: str) -> Advice:
        if self.advice is None:
            raise TrimfitError("nothing is learned yet")
        return self.advice

    def work(self, order: str | None = None) -> Sequence[str]:
        return self.waiting

    def predicted(self, reed: str) -> Mapping[str, tuple[float, float]]:
        return self.stated or {}

    def expected(self, reading: Reading) -> ExpectedReading | None:
        if self.stated is None:
            return None
        means, sds = (np.array(values) for values in zip(*self.stated.values(), strict=True))
        cov = np.diag(sds**2) if self.cov is None else np.array(self.cov)
        read = {name: joint.outputs for name, joint in self.beside.items()}
        return ExpectedReading(Joint(tuple(self.stated), means, cov), self.beside, read)


class Clock:
    """Each look at it is ten seconds later."""

    def __init__(self) -> None:
        self.seconds = 0

    def __call__(self) -> str:
        self.seconds += 10
        return f"2026-03-31T09:{self.seconds // 60:02d}:{self.seconds % 60:02d}.000+00:00"


def shop_log(path: Path) -> Journal:
    """A log of an invented shop: chanter Heron, an order, and three reeds of which R-3 has no order."""
    journal = Journal(path, create=True)
    journal.append(Chanter("Heron", meeting_pitch_hz=470.0))
    journal.append(Chanter("Otter"))
    journal.append(Order("O-1", "Heron", quantity=2))
    for name, order in (("R-1", "O-1"), ("R-2", "O-1"), ("R-3", None)):
        journal.append(Reed(name, "moulded", "M-1", blade_mm=20.0, order=order))
    return journal


def seated(journal: Journal, *, reeds: Sequence[str] = (), scripted: bool = False, **stated: Any) -> Sitting:
    """A sitting on the log, not yet opened; stated: the answers of its `StatedBench`."""
    return Sitting(StatedBench(journal, **stated), Clock(), reeds, scripted=scripted)


def play(sitting: Sitting, *lines: str) -> list[str]:
    """What the sitting says to the lines, one after another."""
    return [said for line in lines for said in sitting.feed(line)]
