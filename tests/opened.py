"""Verbs on the log at a path, and what an open journal is asked for: a session is opened for one call."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

from trimfit.base.progress import Progress, quiet
from trimfit.base.records import Chanter, Order, Outcome, Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.regression.fitted_model import FittedModel
from trimfit.session.open_log import Bench
from trimfit.session.session import Session

T = TypeVar("T")


def on(
    log: Path, verb: Callable[..., T], *words: Any, progress: Progress = quiet, create: bool = False, **more: Any
) -> T:
    """What `verb` does with a session on the log at `log`, which is opened for this call alone."""
    with Session(log, create=create, progress=progress) as session:
        return verb(session, *words, **more)


def append_all(journal: Journal, records: Iterable[object]) -> None:
    """Keep records in one transaction."""
    with journal.writing():
        for record in records:
            journal.append(record)


def small_shop(log: Path, reeds: int, cut_mm: Callable[[int], float], rise: float = 1.0) -> None:
    """A log of so many reeds of one batch, each read and cut on four days in one chanter: F, E, the A's and the crow.

    cut_mm: what each reed's cuts take; rise: by how many hertz F is higher from one reed to the next."""
    with Journal(log, create=True) as journal:
        journal.append(Chanter("near"))
        for i in range(reeds):
            journal.append(Reed(f"R-{i}", "ridge", "b1"))
            for j in range(4):
                notes = {"f": 768.0 + 4.2 * j + rise * i, "e": 703.5 - 0.6 * j, "low_a": 467.0, "high_a": 934.0}
                journal.append(Reading(f"R-{i}", f"2026-09-1{j}T10:0{i}", "near", 520.0 + 3.0 * j + i, notes))
                journal.append(Trim(f"R-{i}", f"2026-09-1{j}T11:0{i}", cut_mm(i)))


def meeting_log(log: Path, stated_hz: float | None, types: tuple[str, ...] = ("ridge",), readings: int = 1) -> None:
    """Six reeds of three batches on their way to meet at 478 Hz in one chanter, in an order for that pitch."""
    append: list[object] = [Chanter("Band", at_hand="yes", meeting_pitch_hz=stated_hz)]
    append.append(Order("spring", "Band", target_pitch_hz=478.0, quantity=8))
    for i in range(6):
        append.append(Reed(f"R-{i}", types[i % len(types)], f"B-{types[i % len(types)]}-{i // 2}", order="spring"))
        for j in range(readings):
            gap = (-46.0 + 2.0 * i) * (1.0 - j / 3.0)
            pitch = 478.0 * 2.0 ** ((0.2 * gap + 0.4 * (i % 3 - 1)) / 1200.0)
            f, e = (ratio * pitch * 2.0 ** (half * gap / 1200.0) for ratio, half in ((5 / 3, 0.5), (3 / 2, -0.5)))
            notes = {"f": f, "e": e, "low_a": pitch, "high_a": 2.0 * pitch}
            append.append(Reading(f"R-{i}", f"2026-09-1{i}T1{j}:00", "Band", 530.0 + 3.0 * j, notes))
            if j < readings - 1:
                append.append(Trim(f"R-{i}", f"2026-09-1{i}T1{j}:30", 0.3))
    with Journal(log, create=True) as journal:
        append_all(journal, append)


def lose_most_blanks(journal: Journal) -> None:
    """Three in four blanks are lost, of every type: what is asked of the stock then takes less time."""
    blanks = [blank.reed.record.reed for number, blank in enumerate(journal.blanks()) if number % 4]
    append_all(journal, [Outcome(blank, "2026-09-18T09:00", "lost") for blank in blanks])


def current_model(journal: Journal) -> FittedModel:
    """The fitted model of an open log, brought up to date."""
    return Session.of(journal).fit_if_due()


def bench_on(journal: Journal, at_s: float | None = None) -> Bench:
    """An open log as of a moment, its model brought up to date."""
    session = Session.of(journal)
    session.fit_if_due()
    return session.bench(at_s)
