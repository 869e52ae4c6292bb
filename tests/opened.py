"""Verbs on the log at a path, and what an open journal is asked for: a session is opened for one call."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

from trimfit.base.progress import Progress, quiet
from trimfit.base.records import Outcome
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
