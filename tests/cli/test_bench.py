"""`bench` in a real terminal (a pseudo-terminal played by pexpect) and with lines piped in."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pexpect
import pytest

from tests.opened import on
from trimfit.base.records import Chanter, Order, Reading, Reed, Trim
from trimfit.cli.bench import COLOURS
from trimfit.log.journal import Journal
from trimfit.verbs.wording import HELP

NOTES = {"f": 771.1, "e": 711.6, "low_a": 470.2, "high_a": 940.1}
READING = "f 775.3 e 709 a 470.2 A 940.1 crow C+22"


@pytest.fixture(scope="module")
def asked_before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented shop's log: two reeds of an order, one of them read and cut before. It was asked once, so that what
    is solved at the first question is solved."""
    from trimfit.verbs.ask import ask_reed

    path = tmp_path_factory.mktemp("shop") / "bench.trimfit"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("Heron", meeting_pitch_hz=470.0))
        journal.append(Order("O-1", "Heron", quantity=2))
        for name in ("R-1", "R-2"):
            journal.append(Reed(name, "moulded", "M-1", blade_mm=20.0, order="O-1"))
        journal.append(Reading("R-1", "2026-03-01T10:00:00+00:00", chanter="Heron", notes_hz=NOTES, crow_hz=523.0))
        journal.append(Trim("R-1", "2026-03-01T10:01:00+00:00", 0.1))
    on(path, ask_reed, "R-1")
    return path


@pytest.fixture
def log(asked_before: Path, tmp_path: Path) -> Path:
    """A copy of that log of the test's own."""
    return Path(shutil.copy(asked_before, tmp_path / "bench.trimfit"))


def environment(**more: str) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TRIMFIT_LOG")}
    # minutes after the reed was read: one that lay for months is doubted less, for it may have moved
    return {**kept, "TERM": "dumb", "INPUTRC": os.devnull, "TRIMFIT_NOW": "2026-03-01T10:20:00+00:00", **more}


def _as_in_a_terminal() -> None:
    """Control-C and hanging up count, even where the tests run in the background and were told to ignore them."""
    for one in (signal.SIGINT, signal.SIGHUP):
        signal.signal(one, signal.SIG_DFL)


class Terminal:
    """A sitting in a pseudo-terminal of 24 lines of 80 columns."""

    def __init__(self, log: Path, *reeds: str, **more: str) -> None:
        arguments = ["-m", "trimfit", "--log", str(log), "bench", *reeds]
        self.child = pexpect.spawn(
            sys.executable,
            arguments,
            env=environment(**more),
            dimensions=(24, 80),
            encoding="utf-8",
            timeout=60,
            preexec_fn=_as_in_a_terminal,
        )

    def see(self, text: str) -> str:
        """Wait for a text; what stood before it."""
        self.child.expect_exact(text)
        return str(self.child.before)

    def prompted(self) -> None:
        """Wait until a line may be typed: keys pressed before go to a terminal that does not edit yet."""
        self.child.expect(r"R-\d(, Enter = [^:]* taken)?: ")

    def type(self, line: str) -> None:
        self.child.sendline(line)

    def end(self) -> int:
        self.child.expect(pexpect.EOF)
        self.child.close()
        assert self.child.signalstatus is None, "the sitting died of a signal"
        return int(self.child.exitstatus)


@pytest.fixture
def terminal(log: Path) -> Iterator[Terminal]:
    played = Terminal(log, "R-1", "R-2")
    yield played
    played.child.close(force=True)


def test_a_sitting_from_start_to_finish(log: Path, terminal: Terminal) -> None:
    opening = terminal.see("== R-1, type moulded, batch M-1, order O-1, chanter Heron")
    assert "Mind the blade" in opening
    assert "\x1b[3" not in opening, "a dumb terminal gets no colour"
    terminal.type("f 387.6 e 709 a 470.2 A 940.1")
    terminal.see("775.2?")
    terminal.see("y as typed, s as suggested, n drop it, or what is right: ")
    terminal.type("f 775.3 crow C+22")
    terminal.see("logged rea-")
    terminal.see("Hz  read: F 28 cents under E")
    terminal.see("R-1")
    terminal.type("0.08 lip 1")
    terminal.see("logged tri-")
    terminal.type("u")
    terminal.see("struck tri-")
    terminal.type("0.09")
    terminal.see("logged tri-")
    terminal.type("good")
    terminal.see("came off R-1 since F and E were read last; is it good?")
    terminal.type("y")
    terminal.see("logged out-")
    terminal.see("== R-2")
    terminal.type("q")
    terminal.see("this sitting: 1 read, 1 cut (0.09 mm), 1 good, 1 struck")
    assert terminal.end() == 0
    with Journal(log) as journal:
        history = journal.of_reed("R-1")
    assert history.readings[-1].record.notes_hz == {"f": 775.3, "e": 709.0, "low_a": 470.2, "high_a": 940.1}
    assert [one.record.length_mm for one in history.trims] == [0.1, 0.09]
    assert history.outcome is not None


def test_control_c_loses_nothing_acknowledged(log: Path, terminal: Terminal) -> None:
    terminal.see("== R-1")
    terminal.type(READING)
    terminal.see("logged rea-")
    terminal.see("cents under E")
    terminal.prompted()
    terminal.child.send("half a li")
    terminal.see("half a li")
    terminal.child.sendintr()
    terminal.see("this sitting: 1 read, 0 cut")
    assert terminal.end() == 0
    with Journal(log) as journal:
        assert len(journal.of_reed("R-1").readings) == 2


def test_the_end_of_input_keeps_a_line_in_doubt_marked(log: Path, terminal: Terminal) -> None:
    terminal.see("== R-1")
    terminal.type("f 806.6 e 709 a 470.2 A 940.1")
    terminal.see("n drop it, or what is right: ")
    terminal.child.sendeof()
    terminal.see("kept and marked, since nobody answered")
    terminal.see("this sitting: 1 read")
    assert terminal.end() == 0
    with Journal(log) as journal:
        last = journal.of_reed("R-1").readings[-1]
    assert last.record.notes_hz["f"] == 806.6
    assert any(doubt.startswith("unpredicted: F ") for doubt in last.doubts)


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGHUP], ids=["kill", "closed terminal"])
def test_what_was_acknowledged_survives(log: Path, terminal: Terminal, end: signal.Signals) -> None:
    terminal.see("== R-1")
    terminal.type(READING)
    terminal.see("logged rea-")
    terminal.child.kill(end)
    terminal.child.expect(pexpect.EOF)
    with Journal(log) as journal:
        assert journal.of_reed("R-1").readings[-1].record.notes_hz["f"] == 775.3


def test_history_and_completion(log: Path) -> None:
    terminal = Terminal(log, "R-1")
    terminal.prompted()
    terminal.type("t 21.5 C")
    terminal.see("from now on: 21.5 °C")
    terminal.prompted()
    terminal.child.send("\x1b[A")
    terminal.see("t 21.5 C")
    terminal.child.send(" p 6.5\r")
    terminal.see("from now on: 6.50 kPa, 21.5 °C")
    terminal.prompted()
    terminal.child.send("reed R-2\t\r")
    terminal.see("== R-2")
    terminal.prompted()
    terminal.child.send("sou\t\r")
    terminal.see("from now on bare numbers of notes are sounding")
    terminal.prompted()
    terminal.child.send("R-\t\t")
    terminal.child.expect(r"R-1\s+R-2\s")
    terminal.child.send("\x15q\r")
    terminal.see("this sitting: 0 read, 0 cut")
    assert terminal.end() == 0


@pytest.mark.parametrize(
    ("settings", "coloured"), [({"TERM": "xterm"}, True), ({"TERM": "xterm", "NO_COLOR": "1"}, False)]
)
def test_colour_only_where_it_is_wanted(log: Path, settings: dict[str, str], coloured: bool) -> None:
    terminal = Terminal(log, "R-1", **settings)
    before = terminal.see("R-1, type moulded")
    assert ("\x1b[36m" in before) is coloured
    terminal.type("q")
    terminal.see("this sitting: 0 read, 0 cut")
    assert terminal.end() == 0


def piped(log: Path, text: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "trimfit", "--log", str(log), "bench", *arguments],
        input=text,
        capture_output=True,
        text=True,
        encoding="utf-8",
        env=environment(),
        timeout=120,
        check=False,
    )


def test_lines_piped_in_are_a_script(log: Path) -> None:
    script = f"# Tuesday\nreed R-1\n{READING}\n\n0.08\n{READING}\n0.07 lip 1\nstock\n"
    ran = piped(log, script)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "Mind the blade" not in ran.stdout
    assert ran.stdout.splitlines()[-1].startswith("this sitting: 2 read, 2 cut (0.15 mm), 1 to stock")
    with Journal(log) as journal:
        history = journal.of_reed("R-1")
    assert [one.record.length_mm for one in history.trims] == [0.1, 0.08, 0.07]
    order = [one.at_s for one in history.readings[1:]] + [one.at_s for one in history.trims[1:]]
    assert sorted(order) == [order[0], order[2], order[1], order[3]]


def test_refused_lines_of_a_script_are_named_and_the_rest_is_logged(log: Path) -> None:
    ran = piped(log, f"reed R-1\n{READING}\nreed R-9\n{READING}\nreed R-2\nf zero e\n{READING}\n", "--json")
    assert ran.returncode == 2
    assert ran.stderr.splitlines() == [
        "line 3: reed 'R-9' is not in the log; did you mean R-2?",
        "line 4: no reed is chosen; type its name, or n for the next of the work list",
        "line 6: word 2 (zero): f: 'zero' is not a pitch; give hertz such as 779.1, or cents such as -12c",
        "line 6: word 3 (e): e: no value after it; give the value right after the name",
    ]
    tally = json.loads(ran.stdout)
    assert (tally["readings"], tally["cuts"]) == (2, 0)


def test_a_chanter_that_the_log_does_not_know_is_named_where_it_is_typed(log: Path) -> None:
    """It was taken without a word, and each reading after it was refused."""
    ran = piped(log, f"reed R-1\nch nope\n{READING}\n", "--json")
    assert ran.returncode == 2
    (said,) = ran.stderr.splitlines()
    assert said.startswith("line 2: chanter 'nope' is not in the log; ")
    assert json.loads(ran.stdout)["readings"] == 1


def test_a_reed_or_a_log_that_is_not_there(log: Path, tmp_path: Path) -> None:
    ran = piped(log, "", "R-7")
    assert (ran.returncode, ran.stdout) == (2, "")
    assert ran.stderr.startswith("reed 'R-7' is not in the log; ")
    ran = piped(tmp_path / "none.trimfit", "")
    assert ran.returncode == 2
    assert "there is no log here" in ran.stderr


def test_bytes_that_are_no_text_are_refused_in_words(log: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "trimfit", "--log", str(log), "bench", "R-1"],
        input=b"\xef\xbb\xbf# told\n\xff\xfe\x00f 7\nq\n",
        capture_output=True,
        env=environment(PYTHONIOENCODING="ascii"),
        timeout=120,
        check=False,
    )
    assert ran.returncode == 2
    assert ran.stderr.startswith(b"line 2: ")
    assert b"Traceback" not in ran.stderr


def test_help_has_an_example() -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "trimfit", "bench", "--help"],
        capture_output=True,
        text=True,
        env=environment(),
        check=False,
    )
    assert ran.returncode == 0
    assert "Example: trimfit bench R-0412" in ran.stdout


@pytest.mark.parametrize("stop", [signal.SIGHUP, signal.SIGTERM, signal.SIGINT])
def test_a_reading_held_in_doubt_is_kept_whatever_ends_the_sitting(log: Path, stop: signal.Signals) -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "trimfit", "--log", str(log), "bench"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environment(),
        preexec_fn=_as_in_a_terminal,
    )
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write("reed R-1\nf 705 e 709 a 470.2 A 940.1\n")
    child.stdin.flush()
    for line in child.stdout:
        if line.startswith("? "):
            break
    child.send_signal(stop)
    child.communicate(timeout=60)
    with Journal(log) as journal:
        kept = journal.of_reed("R-1").readings[-1]
        assert kept.record.notes_hz["f"] == 705.0
        assert kept.doubts


def test_no_line_of_the_help_is_painted_as_a_doubt_or_an_answer() -> None:
    """Was: the line on `?` itself, which began with the mark of a doubt."""
    assert not [line for line in HELP.splitlines() if line[:2] in COLOURS]
