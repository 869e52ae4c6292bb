"""Derived values that were damaged where they are kept: derived anew, named by `check`, in nobody's way."""

from __future__ import annotations

import json
import shlex
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.cli.typed_words import call, run
from tests.opened import current_model, on
from tests.worlds.hostile import make
from trimfit.base.errors import LogError
from trimfit.log.journal import Journal
from trimfit.regression.fitted_model import model_from_bytes, model_to_bytes
from trimfit.session.fit import CARD
from trimfit.session.session import Session
from trimfit.verbs.ask import ask_reed
from trimfit.verbs.check import check
from trimfit.verbs.log import log_reading

AS_IT_WAS = "what was learned"


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of eight reeds that was asked once."""
    log = tmp_path_factory.mktemp("asked") / "log"
    make(log, 8, 1, "plain")
    on(log, ask_reed, "R-1")
    return log


@pytest.fixture
def log(asked: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copy(asked, tmp_path / "log"))


def spoil(log: Path, like: str, how: object) -> None:
    """Change the bytes kept under keys of this form, by a function bytes -> bytes, behind the log's back."""
    with closing(sqlite3.connect(log)) as connection, connection:
        for key, value in connection.execute("SELECT key, value FROM learned WHERE key LIKE ?", (like,)).fetchall():
            changed = how(bytes(value)) if callable(how) else how
            connection.execute("UPDATE learned SET value = ? WHERE key = ?", (changed, key))


def flips(value: bytes, many: int = 12) -> Iterator[bytes]:
    """The value with one bit turned over, here and there."""
    for at in np.random.default_rng(3).choice(len(value), many, replace=False).tolist():
        yield value[:at] + bytes([value[at] ^ 0x10]) + value[at + 1 :]


def test_no_flipped_bit_of_a_fit_is_taken_for_what_was_learned(log: Path) -> None:
    with Journal(log) as journal:
        good = journal.learned_get(CARD)
    with closing(sqlite3.connect(log)) as connection:
        (kept,) = connection.execute("SELECT value FROM learned WHERE key = ?", (CARD,)).fetchone()
    for bad in flips(bytes(kept)):
        spoil(log, CARD, bad)
        with Journal(log) as journal:
            assert journal.learned_get(CARD) is None
        assert any(AS_IT_WAS in text for text in check(log).learned)
    with Journal(log) as journal:
        current_model(journal)
        assert journal.learned_get(CARD) == good
    assert not check(log).learned


def test_what_check_says_of_a_damaged_plan_helps(log: Path) -> None:
    """`learn` left plans of other costs damaged, and another line told to go back to a backup."""
    on(log, set_setting_and_ask, "tolerance_hz", "0.8")
    spoil(log, "%", lambda value: value[:-9] + bytes([value[-9] ^ 0x40]) + value[-8:])
    told = run(log, "check")
    assert (told.returncode, json.loads(run(log, "check", "--json").stdout)["sound"]) == (1, False)
    assert told.stdout.count("\n") == told.stdout.count(AS_IT_WAS) > 2
    what, _, remedy = told.stderr.strip().partition("; to make what was learned anew: ")
    assert what == "no entry is damaged"
    assert call(*shlex.split(remedy)[1:]).returncode == 0
    sound = run(log, "check")
    assert (sound.returncode, sound.stderr) == (0, "")


def set_setting_and_ask(session: Session, name: str, value: str) -> None:
    """Under another setting the plan has other costs."""
    session.journal.set_setting(name, value)
    ask_reed(session, "R-1")


def test_the_advice_is_the_same_after_a_bit_was_flipped(log: Path) -> None:
    before = on(log, ask_reed, "R-1")
    spoil(log, "%", lambda value: value[:-9] + bytes([value[-9] ^ 0x40]) + value[-8:])
    again = on(log, ask_reed, "R-1")
    assert (again.action, again.length_mm, again.gap_now_cents) == (
        before.action,
        before.length_mm,
        before.gap_now_cents,
    )


@pytest.mark.parametrize("number", [np.nan, np.inf])
def test_a_fit_that_holds_no_number_is_refused(log: Path, number: float) -> None:
    with Journal(log) as journal:
        model = current_model(journal)
        coef = model.coef.copy()
        coef[7] = number
        journal.learned_put({CARD: model_to_bytes(replace(model, coef=coef))})
        assert np.isfinite(current_model(journal).coef).all()
    with pytest.raises(LogError):
        model_from_bytes(model_to_bytes(replace(model, coef=coef)))


@pytest.mark.parametrize("kept", [b"", b"not a fit", lambda value: value[: len(value) // 2]])
def test_a_reading_is_logged_whatever_became_of_the_fit(log: Path, kept: object) -> None:
    """Both as damage, and under a checksum of its own."""
    with Journal(log) as journal:
        good = journal.learned_get(CARD)
        assert good is not None
        journal.learned_put({CARD: kept(good) if callable(kept) else kept})
    assert on(log, log_reading, "R-1", ["f=771.5", "e=700.2"]).entry
    spoil(log, CARD, kept)
    assert on(log, log_reading, "R-2", ["f=771.5", "e=700.2"]).entry


def test_a_fit_of_another_log_is_not_this_logs(log: Path, tmp_path: Path) -> None:
    with Journal(log) as journal:
        other = replace(current_model(journal), last_seq=10_000, fit_seq=10_000, readings=500)
        journal.learned_put({CARD: model_to_bytes(other)})
        assert current_model(journal).readings == 24


def test_what_was_kept_before_there_were_checksums_is_no_damage(log: Path) -> None:
    spoil(log, "%", b'{"format": 10}\n')
    assert not check(log).learned
    with Journal(log) as journal:
        assert current_model(journal).readings == 24
