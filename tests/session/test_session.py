"""One session: the log is opened once, each thing read once, and a fit made only after all that was typed is saved."""

from __future__ import annotations

import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tests.opened import append_all, on, small_shop
from trimfit.base.progress import quiet
from trimfit.base.records import Chanter, Reading, Reed
from trimfit.cli.app import app
from trimfit.cli.fast_path import answered
from trimfit.log.journal import Journal
from trimfit.regression.fitted_model import FittedModel
from trimfit.session.fit import _is_due, fit_and_keep
from trimfit.session.session import Session
from trimfit.verbs.ask import ask_reed
from trimfit.verbs.sitting.sitting import sitting_on

REED = "R-0353"
READING = ["f=771", "e=705", "crow=C+5"]


class Counts(Counter[str]):
    """What calls of this process did with the log: opened, transactions, and the functions watched."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        super().__init__()
        connect = sqlite3.connect

        def counted(*words: Any, **named: Any) -> sqlite3.Connection:
            self["opened"] += 1
            connection = connect(*words, **named)
            connection.set_trace_callback(self._statement)
            return connection

        self._open = False
        patch.setattr(sqlite3, "connect", counted)
        for module, function in (
            ("trimfit.regression.fitted_model", "model_from_bytes"),
            ("trimfit.log.settings", "settings_from"),
        ):
            patch.setattr(
                f"{module}.{function}", self._watched(function, getattr(__import__(module, fromlist=["_"]), function))
            )

    def _watched(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*words: Any, **named: Any) -> Any:
            self[name] += 1
            return function(*words, **named)

        return watched

    def _statement(self, text: str) -> None:
        word = text.split(None, 1)[0].upper()
        self["transactions"] += word == "BEGIN" or (not self._open and word not in ("PRAGMA", "COMMIT"))
        self._open = word == "BEGIN" or (self._open and word not in ("COMMIT", "ROLLBACK"))


@pytest.fixture
def log(demo_log: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(demo_log, tmp_path / "log"))


@pytest.mark.parametrize(
    ("words", "most_transactions"),
    [(["ask", REED], 4), (["log", "reading", REED, *READING], 3), (["log", "trim", REED, "--length", "0.1"], 2)],
)
def test_a_quick_verb_opens_the_log_once_and_reads_each_thing_once(
    log: Path, words: list[str], most_transactions: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    counts = Counts(monkeypatch)
    assert answered(["--log", str(log), *words]) == 0
    assert counts["opened"] == 1
    assert counts["transactions"] <= most_transactions
    assert counts["settings_from"] == 1
    assert counts["model_from_bytes"] == ("trim" not in words)


def test_a_piped_sitting_opens_the_log_once_and_decodes_the_fit_once(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    counts = Counts(monkeypatch)
    lines = f"{REED}\nf 775 e 705 a 470.2 A 940.3 crow C+22\ny\n0.1\n"
    done = CliRunner().invoke(app, ["--log", str(log), "bench"], input=lines, catch_exceptions=False)
    assert done.output.count("logged ") == 2
    assert counts["opened"] == counts["model_from_bytes"] == counts["settings_from"] == 1
    assert counts["transactions"] <= 32


def test_a_fit_that_is_due_is_made_after_the_reading_is_saved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Reed("R-1", "cane", "B-1"))
        for day in range(1, 6):
            notes = {"f": 775.0 + day, "e": 705.0 - day}
            journal.append(Reading("R-1", f"2026-03-0{day}T10:00", notes_hz=notes))
    at_the_fit: list[int] = []

    def stopped(journal: Journal, progress: object) -> None:
        at_the_fit.append(journal.count("reading"))
        raise KeyboardInterrupt

    monkeypatch.setattr("trimfit.session.fit._fit", stopped)
    with Session(path) as session:
        sitting = sitting_on(session, scripted=True)
        list(sitting.open())
        with pytest.raises(KeyboardInterrupt):
            list(sitting.feed("reed R-1"))
        lines = sitting.feed("f 781.5 e 699.8")
        assert next(lines).startswith("logged rea-")
        with pytest.raises(KeyboardInterrupt):
            list(lines)
    assert at_the_fit == [5, 6]


def test_a_fit_is_due_once_f_is_read_in_a_chanter_known_by_a_crow_alone(tmp_path: Path) -> None:
    path = tmp_path / "log"
    small_shop(path, 8, lambda _: 0.2)
    with Session(path) as session:
        journal = session.journal
        append_all(journal, [Chanter("far"), Reading("R-1", "2026-09-15T10:00", "far", 530.0)])

        def due_after(model: FittedModel, at: str, chanter: str) -> bool:
            journal.append(Reading("R-1", at, chanter, notes_hz={"f": 778.0, "e": 701.5}))
            return _is_due(journal, model, session.settings)

        model = fit_and_keep(journal, quiet)
        assert not due_after(model, "2026-09-15T11:00", "near")
        assert due_after(model, "2026-09-15T12:00", "far")
        assert not due_after(fit_and_keep(journal, quiet), "2026-09-15T13:00", "far")


def test_the_checks_of_an_entry_never_fit(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trimfit.session.fit._is_due", lambda *_: True)
    monkeypatch.setattr("trimfit.session.fit._fit", lambda *_: pytest.fail("a fit between a reading and its entry"))
    assert answered(["--log", str(log), "log", "reading", REED, *READING]) == 0


def test_what_is_set_or_learned_elsewhere_is_seen_by_an_open_session(small_log: Path, tmp_path: Path) -> None:
    log = Path(shutil.copy(small_log, tmp_path / "log"))
    with Session(log) as session:
        before = session.model
        assert session.settings.tolerance_hz == 1.0
        with Journal(log) as other:
            other.set_setting("tolerance_hz", "0.5")
            assert session.settings.tolerance_hz == 0.5
            assert session.model is before  # nothing was learned: it is not read again
            kept = other.learned_get("card")
            assert kept is not None
            other.learned_put({"card": kept})
            assert session.model is before
            # policies are asked for before the new model can be found
            seen: list[bool] = []
            fit_and_keep(other, quiet, lambda _: seen.append(session.model is before))
            assert seen == [True]
        assert session.model is not before
        assert session.model is session.model


def test_a_session_answers_as_a_fresh_one_does_after_entries_here_and_elsewhere(log: Path) -> None:
    with Session(log) as session:
        ask_reed(session, REED)
        with Journal(log) as other:
            record = other.reed_named(REED)
            other.append(Reading(REED, "2026-09-18T15:00", notes_hz={"f": 775.0, "e": 705.0}))
        session.journal.append(Reading(REED, "2026-09-18T16:00", notes_hz={"f": 775.2, "e": 704.8}))
        assert record.reed == REED
        assert ask_reed(session, REED) == on(log, ask_reed, REED)


def test_nothing_is_written_inside_a_reading_transaction(log: Path) -> None:
    with Session(log) as session, session.reading(), pytest.raises(AssertionError):
        session.journal.append(Reading(REED, "2026-09-18T16:00", notes_hz={"f": 775.2}))


def test_the_words_of_a_saved_reading_are_out_before_it_is_checked(
    log: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    heard: list[str] = []

    def checked(*_: object) -> None:
        heard.append(capsys.readouterr().out)
        with Journal(log) as other:
            heard.append(other.of_reed(REED).readings[-1].entry)

    monkeypatch.setattr("trimfit.session.expected_reading.expected_reading", checked)
    assert answered(["--log", str(log), "log", "reading", REED, *READING]) == 0
    assert heard[1] in heard[0]
