"""The short way says and does what the long way says and does, and leaves to it what is not plain."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from trimfit.base.errors import InputError
from trimfit.base.pitch import parse_crow_hz
from trimfit.base.records import Chanter, Reading, Reed
from trimfit.cli import app as long_way
from trimfit.cli import fast_path
from trimfit.log.journal import Journal


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("CH-1"))
        journal.append(Reed("R-1", "moulded", "B-1", blade_mm=23.0))
        journal.append(Reading("R-1", "2026-03-01", "CH-1", 530.0))
    return path


CALLS = [
    ["reading", "R-1", "f=782", "e=704", "--at", "2026-03-02", "--pressure", "26 inH2O", "--temperature=21"],
    ["reading", "--json", "--at=2026-03-02", "R-1", "f=782", "--taped", "f", "--humidity", "50", "--remark", "x y"],
    ["reading", "R-1", "a=470", "A=944", "--at", "2026-03-02", "--chanter", "CH-1", "--json"],
    ["reading", "R-2", "f=782"],
    ["reading", "R-1", "f=470", "e=10", "--at", "2026-03-02"],
    ["trim", "R-1", "--length", "0.15", "--lip", "2", "--asked", "0.16", "--at", "2026-03-02"],
    ["trim", "R-1", "--length", "2.5", "--at", "2026-03-02"],
    ["trim", "R-1", "--length", "-0.1", "--at", "2026-03-02"],
    ["trim", "R-1"],
    ["event", "R-1", "bridle", "moved", "--at", "2026-03-02", "--remark", "a turn"],
    ["event", "R-1", "soaked", "--at", "2026-03-02", "--json"],
    ["outcome", "R-1", "good", "--at", "2026-03-02", "--remark", "sweet"],
    ["outcome", "R-1", "fine", "--at", "2026-03-02"],
    ["strike", "rea-nonesuch", "--why", "slip", "--json"],
]


@pytest.mark.parametrize(
    "call",
    [["R-1"], ["--json", "R-1"], ["R-2"], ["R-1", "--json"], ["R-1", "--at", "2026-03-02"], ["R-1", "--at", "noon"]],
)
def test_both_ways_of_asking_say_the_same(log: Path, call: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    code = fast_path.answered(["--log", str(log), "ask", *call])
    short = capsys.readouterr()
    result = CliRunner().invoke(long_way.app, ["--log", str(log), "ask", *call])
    if isinstance(result.exception, InputError):
        assert code == result.exception.exit_code == 2
        assert short.err.splitlines() == [" ".join(line.split()) for line in result.exception.lines()]
    else:
        assert code == result.exit_code == 0
        assert short.out == result.stdout != ""


@pytest.mark.parametrize("call", [["ask"], ["ask", "--all"], ["ask", "R-1", "R-2"], ["ask", "--help"]])
def test_what_is_not_plainly_asked_goes_the_long_way(log: Path, call: list[str]) -> None:
    assert fast_path.answered(["--log", str(log), *call]) is None


@pytest.mark.parametrize("call", CALLS)
def test_both_ways_say_the_same(log: Path, call: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    other = log.with_name("other")
    shutil.copy(log, other)
    code = fast_path.answered(["--log", str(log), "log", *call])
    short = capsys.readouterr()
    result = CliRunner().invoke(long_way.app, ["--log", str(other), "log", *call])
    if isinstance(result.exception, InputError):
        assert code == result.exception.exit_code == 2
        assert short.err.splitlines() == [" ".join(line.split()) for line in result.exception.lines()]
    else:
        assert code == result.exit_code == 0
        assert short.out.replace(str(log), str(other)) == result.stdout
    with Journal(log) as mine, Journal(other) as theirs:
        assert mine.of_reed("R-1") == theirs.of_reed("R-1")


def test_a_crow_below_c_among_numbers_alone_is_no_option(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert fast_path.answered(["--log", str(log), "log", "reading", "R-1", "779.1", "702.6", "0", "0", "-15"]) == 0
    assert "reading of R-1" in capsys.readouterr().out
    with Journal(log) as journal:
        assert journal.of_reed("R-1").readings[-1].record.crow_hz == parse_crow_hz("C-15")


def test_what_is_not_plain_is_left_to_the_long_way(log: Path) -> None:
    for call in (
        [],
        ["--help"],
        ["log"],
        ["log", "--help"],
        ["log", "reading", "--help"],
        ["log", "reading", "R-1"],
        ["log", "reading", "R-1", "f=780", "--loud"],
        ["log", "reading", "R-1", "f=780", "--at"],
        ["log", "reading", "R-1", "f=780", "--at", "2026-01-01", "--at", "2026-01-02"],
        ["log", "reading", "R-1", "--", "f=780"],
        ["log", "trim", "R-1", "R-2", "--length", "0.1"],
        ["log", "event", "R-1"],
        ["log", "strike", "--last"],
        ["log", "strike", "--last", "R-1"],
        ["log", "reed", "R-2", "--type", "T"],
        ["check"],
        ["--version"],
    ):
        assert fast_path.answered(["--log", str(log), *call]) is None
    with Journal(log) as journal:
        assert journal.count("reading") == 1


def test_the_log_is_found_in_the_same_places(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert fast_path.DEFAULT_LOG == long_way.DEFAULT_LOG
    trim = ["log", "trim", "R-1", "--length", "0.1", "--at"]
    assert fast_path.answered([f"--log={log}", *trim, "2026-03-02"]) == 0
    monkeypatch.setenv("TRIMFIT_LOG", str(log))
    assert fast_path.answered([*trim, "2026-03-03"]) == 0
    monkeypatch.delenv("TRIMFIT_LOG")
    monkeypatch.chdir(log.parent)
    log.rename("bench.trimfit")
    assert fast_path.answered([*trim, "2026-03-04"]) == 0
    with Journal(Path("bench.trimfit")) as journal:
        assert len(journal.of_reed("R-1").trims) == 3


def test_both_ways_know_the_same_options() -> None:
    verbs = get_command(long_way.app).commands["log"].commands  # type: ignore[attr-defined]
    for name in fast_path.VERBS:
        options = fast_path.options_of(fast_path._verb(name))
        long_options = {option: one for one in verbs[name].params for option in one.opts if option.startswith("--")}
        # What takes no value is left to the long way.
        assert {*options, "--json"} == {*long_options} - {"--help", "--last"}
        assert {option: long_options[option].name for option in options} == options
        assert {options[option] for option, one in long_options.items() if one.required} == set()


def test_the_front_door_tries_the_short_way_first(
    log: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from trimfit import __main__

    monkeypatch.setattr(sys, "argv", ["trimfit", "--log", str(log), "log", "outcome", "R-1", "good"])
    with pytest.raises(SystemExit) as left:
        __main__.main()
    assert left.value.code == 0
    assert "outcome of R-1" in capsys.readouterr().out
    monkeypatch.setattr(sys, "argv", ["trimfit", "--version"])
    with pytest.raises(SystemExit) as left:
        __main__.main()
    assert left.value.code in (0, None)
    assert capsys.readouterr().out.startswith("trimfit ")
