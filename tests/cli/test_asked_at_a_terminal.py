"""`log` typed at a terminal asks about what is in doubt, and a script is never asked."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pexpect
import pytest

from trimfit.bench.journal import Journal
from trimfit.records import Reed


@pytest.fixture
def log(tmp_path: Path) -> Path:
    with Journal(tmp_path / "bench.trimfit", create=True) as journal:
        journal.append(Reed("R-1", "moulded", "M-1"))
    return tmp_path / "bench.trimfit"


def typed(log: Path, *words: str, answer: str = "") -> str:
    child = pexpect.spawn(
        sys.executable,
        ["-m", "trimfit", "--log", str(log), "log", *words],
        env={**os.environ, "TERM": "dumb"},
        encoding="utf-8",
        timeout=60,
        dimensions=(24, 200),
    )
    if answer:
        child.expect_exact("keep it? y or no: ")
        asked = child.before
        child.sendline(answer)
    else:
        asked = ""
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    return asked + child.before


def cuts(log: Path) -> list[float | None]:
    with Journal(log) as journal:
        return [one.record.length_mm for one in journal.of_reed("R-1").trims]


def test_a_slip_is_asked_about_and_dropped_or_kept(log: Path) -> None:
    said = typed(log, "trim", "R-1", "--length", "1,2", answer="no")
    assert "? 1.2 mm is longer" in said
    assert "not logged" in said
    assert cuts(log) == []
    assert "kept and marked" in typed(log, "trim", "R-1", "--length", "1,2", answer="y")
    assert cuts(log) == [1.2]


def test_the_long_way_asks_too(log: Path) -> None:
    said = typed(log, "reed", "r1", "--type", "moulded", "--batch", "M-1", answer="no")
    assert "did you mean R-1?" in said
    with Journal(log) as journal:
        assert list(journal.reeds()) == ["R-1"]


def test_json_is_never_asked(log: Path) -> None:
    assert '"trim-long"' in typed(log, "trim", "R-1", "--length", "1.2", "--json")
    assert cuts(log) == [1.2]
