"""What becomes of a call whose streams are closed, full, unread or of a poor encoding, and of names with escapes."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.opened import on
from trimfit.base.records import Chanter, Order, Reed
from trimfit.cli import app
from trimfit.cli.output.screen import Screen, fit_for_json, fit_for_terminal, prose_width
from trimfit.log.journal import Journal
from trimfit.verbs.ask import ask_reed

NAME = "Ré"
EVIL = "R\x1b[2J\x9b31m\u202eX"
# How a shell may leave a call's streams.
STREAMS = {
    "stdout closed": ">&-",
    "stdout full": ">/dev/full",
    "nobody reads stdout": "| true",
    "stdin closed": "<&-",
    "stderr closed": "2>&-",
    "stderr full": "2>/dev/full",
    "all closed": "<&- >&- 2>&-",
    "nothing amiss": "",
}
# Calls that log one trim of 0.1 mm: the short way, the long way, a script of lines.
LOGGING = {
    "quick": f"{{trimfit}} log trim {NAME} --length 0.1",
    "quick json": f"{{trimfit}} log trim {NAME} --length 0.1 --json",
    "whole": f"{{trimfit}} log trim {NAME} 0.1",
    "sitting": f"printf 'reed {NAME}\\n0.1\\n' | {{trimfit}} bench",
}


@pytest.fixture(scope="module")
def asked_before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small log whose policy is solved: a process that asks of its reed need not."""
    path = tmp_path_factory.mktemp("screen") / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("CH-1"))
        journal.append(Order("O-1", "CH-1"))
        journal.append(Reed(NAME, "moulded", "B-1", blade_mm=23.0, order="O-1"))
    on(path, ask_reed, NAME)
    return path


@pytest.fixture
def log(asked_before: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(asked_before, tmp_path / "log"))


def shell(line: str, log: Path, **settings: str) -> subprocess.CompletedProcess[str]:
    """Run a line of shell in which {trimfit} stands for the program; the code is that of the program itself."""
    program = f'"{sys.executable}" -m trimfit --log "{log}"'
    command = line.replace("{trimfit}", program)
    environment = {**os.environ, "PYTHONIOENCODING": "", **settings}
    return subprocess.run(
        ["bash", "-c", f"set -o pipefail; {command}"], env=environment, capture_output=True, text=True, encoding="utf-8"
    )


def trims(log: Path) -> list[float]:
    with Journal(log) as journal:
        return [length_mm for (length_mm,) in journal.columns("trim", ["length_mm"])]


@pytest.mark.parametrize(
    ("call", "streams"),
    # A process a cell: the short way in all of them, the slower ways where the words may be lost.
    [
        pytest.param(LOGGING[way], STREAMS[how], id=f"{way}, {how}")
        for way in LOGGING
        for how in STREAMS
        if way == "quick" or how in ("stdout full", "all closed")
    ],
)
def test_an_entry_that_is_in_the_log_is_answered_with_nought(log: Path, call: str, streams: str) -> None:
    if "bench" in call and "<&-" in streams:
        streams = streams.replace("<&-", "")
    done = shell(f"{call} {streams}", log)
    assert trims(log) == [0.1]
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr + done.stdout
    if not streams:
        assert NAME in done.stdout


@pytest.mark.parametrize(
    ("call", "encoding"),
    [
        *((call, "ascii") for call in LOGGING.values()),
        (LOGGING["quick"], "latin-1:strict"),
        (LOGGING["whole"], "cp437"),
    ],
)
def test_a_terminal_that_lacks_a_letter_gets_an_answer_all_the_same(log: Path, call: str, encoding: str) -> None:
    done = subprocess.run(
        ["bash", "-c", call.replace("{trimfit}", f'"{sys.executable}" -m trimfit --log "{log}"')],
        env={**os.environ, "PYTHONIOENCODING": encoding},
        capture_output=True,
    )
    assert done.returncode == 0, done.stderr
    assert trims(log) == [0.1]
    said = done.stdout.decode(encoding.partition(":")[0])
    if "--json" in call:
        assert json.loads(said)["about"] == NAME
    else:
        assert ("R?" if encoding == "ascii" else NAME) in said


@pytest.mark.parametrize(
    ("verb", "streams"), [("check", ">&-"), ("check", "| true"), ("settings", "| true"), ("--help", ">&-")]
)
def test_a_verb_that_only_answers_ends_quietly_where_nobody_reads(log: Path, verb: str, streams: str) -> None:
    done = shell(f"{{trimfit}} {verb} {streams}", log)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_fault_is_said_and_counted_whatever_stdout_is(log: Path) -> None:
    for call, streams in (("log trim nobody --length 0.1", ">&-"), ("log trim nobody 0.1", "| true")):
        done = shell(f"{{trimfit}} {call} {streams}", log)
        assert done.returncode == 2
        assert "nobody" in done.stderr
        assert done.stderr.count("\n") == 1


def test_an_answer_that_a_full_disk_cut_short_is_no_answer(log: Path) -> None:
    done = shell("{trimfit} check --json > /dev/full", log)
    assert done.returncode == 1
    assert done.stderr.startswith("stdout: ")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("call", [*LOGGING.values(), "{trimfit} settings tolerance_hz 0.8"])
def test_an_entry_whose_answer_a_full_disk_cut_short_is_in_the_log_and_stderr_says_so(log: Path, call: str) -> None:
    done = shell(f"{call} > /dev/full", log)
    lost = "stdout: No space left on device; what was asked for is done, but the answer could not be printed\n"
    assert (done.returncode, done.stderr) == (0, lost)


def test_a_sitting_without_a_keyboard_ends_at_once(log: Path) -> None:
    done = shell("{trimfit} bench <&-", log)
    assert (done.returncode, done.stderr) == (0, "")
    assert "this sitting" in done.stdout


def test_a_script_of_lines_is_gone_through_to_its_end_though_nobody_reads(log: Path) -> None:
    lines = f"reed {NAME}\\n0.1\\n0.11\\n0.12\\n"
    assert shell(f"printf '{lines}' | {{trimfit}} bench | true", log).returncode == 0
    assert trims(log) == [0.1, 0.11, 0.12]


def test_no_file_of_the_log_takes_the_place_of_a_closed_stream(log: Path) -> None:
    assert shell(f"{{trimfit}} log trim {NAME} --length 0.1 <&- >&- 2>&-", log).returncode == 0
    assert shell("{trimfit} check", log).stdout.startswith("the log is sound")


def test_what_a_name_holds_does_not_act_on_the_screen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter(EVIL + "ch"))
        journal.append(Order(EVIL + "o", EVIL + "ch"))
        journal.append(Reed(EVIL, EVIL + "t", EVIL + "b", order=EVIL + "o"))
    for words in (
        ["log", "reading", EVIL, "a=470", "A=960", "f=790", "e=700"],
        ["log", "reading", EVIL + "?", "a=470"],
        ["log", "trim", EVIL, "9"],
        ["check"],
        ["learn"],
        ["review", "reed", EVIL],
        ["review", "reed", EVIL + "?"],
        ["check", "--json"],
    ):
        behind = {name: io.BytesIO() for name in ("stdout", "stderr")}
        for name, stream in behind.items():
            monkeypatch.setattr(sys, name, Screen(io.TextIOWrapper(stream, encoding="utf-8")))
        monkeypatch.setattr(sys, "argv", ["trimfit", "--log", str(path), *words])
        with pytest.raises(SystemExit):
            app.main()
        said = "".join(stream.getvalue().decode() for stream in behind.values())
        assert said, words
        for sign in ("\x1b", "\x9b", "\u202e"):
            assert sign not in said, words
        if "--json" in words:
            assert {EVIL} <= {mark["reed"] for mark in json.loads(said)["marks"]}


@given(st.text())
def test_text_made_fit_keeps_its_length_and_only_loses_what_acts(text: str) -> None:
    fit = fit_for_terminal(text)
    assert fit_for_terminal(fit) == fit
    assert len(fit) == len(text)
    for before, after in zip(text, fit, strict=True):
        assert after == before or (after == "?" and not before.isprintable())


@given(st.dictionaries(st.text(), st.text()))
def test_json_made_fit_means_the_same(value: dict[str, str]) -> None:
    text = fit_for_json(json.dumps(value, ensure_ascii=False, indent=2))
    assert json.loads(text) == value
    assert fit_for_terminal(text) == text


@given(st.text(), st.sampled_from(["ascii", "utf-8", "latin-1"]))
def test_a_screen_takes_any_text(text: str, encoding: str) -> None:
    behind = io.BytesIO()
    screen = Screen(io.TextIOWrapper(behind, encoding=encoding, newline=""))
    screen.write(text)
    screen.flush()
    assert len(behind.getvalue().decode(encoding)) == len(text)


@pytest.mark.parametrize(("columns", "wide"), [("20", 40), ("50", 50), ("72", 72), ("200", 80), ("wide", 80)])
def test_sentences_are_as_wide_as_the_terminal_within_reason(
    monkeypatch: pytest.MonkeyPatch, columns: str, wide: int
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert prose_width() == wide
