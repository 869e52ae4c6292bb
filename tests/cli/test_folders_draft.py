"""`trimfit draft` as a command: its page, its JSON, its exit codes, and the import of what it wrote."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.typed_words import Typed


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "trimfit", "--log", str(folder / "log"), *words],
        capture_output=True, text=True, timeout=120, cwd=folder,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done


def test_a_sheet_is_drafted_looked_over_and_imported(tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_text("1, moulded, A, 24 Nov 26, crow C, F 757, E 703, took 0.12\n")
    done = run(tmp_path, "draft", "sheet.csv", "drafted")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == (tmp_path / "drafted" / "guesses.txt").read_text()
    assert "8 of 8 cells were read into reeds.csv (1 row), readings.csv (1 row), trims.csv (1 row)." in done.stdout
    assert not (tmp_path / "log").exists()
    answer = json.loads(run(tmp_path, "draft", "sheet.csv", "drafted", "--force", "--json").stdout)
    assert (answer["cells"], answer["read"], answer["unread"], answer["entries"]) == (8, 8, [], 3)
    assert {guess["about"] for guess in answer["guesses"]} == {"columns", "visits", "crow words", "times"}
    taken = json.loads(run(tmp_path, "import", "drafted", "--json").stdout)
    assert (taken["new"], taken["refused"]) == (3, 0)


def test_a_day_without_a_year_is_the_last_one_up_to_now_in_the_shops_zone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sheet.csv").write_text("reed,date,f\n1,18 Sep,757\n")
    monkeypatch.setenv("TRIMFIT_NOW", "2011-09-17T22:00Z")
    bench = Typed(tmp_path / "log")
    for zone, year in (("UTC", 2010), ("Asia/Tokyo", 2011)):
        bench.say("settings", "time_zone", zone)
        bench.say("draft", str(tmp_path / "sheet.csv"), str(tmp_path / zone))
        assert f"{year}-09-18" in (tmp_path / zone / "readings.csv").read_text()


def test_what_cannot_be_drafted_is_one_line_and_exit_code_two(tmp_path: Path) -> None:
    done = run(tmp_path, "draft", "none.csv", "out")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "none.csv: there is no such file; check the path of the sheet\n"
    assert not (tmp_path / "out").exists()
