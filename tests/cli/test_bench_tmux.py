"""A whole sitting played in tmux, on a screen of 80 columns and 24 lines: needs tmux on the machine; run by hand."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from trimfit.base.records import Chanter, Order, Reed
from trimfit.log.journal import Journal

pytestmark = pytest.mark.slow


class Screen:
    """One tmux server of its own with one window."""

    def __init__(self, folder: Path, command: list[str], **settings: str) -> None:
        assert shutil.which("tmux"), "this test is played in tmux: install it"
        self.socket = str(folder / "tmux.socket")
        told = " ".join(f"{name}={shlex.quote(value)}" for name, value in settings.items())
        # The pane outlives the command, so that its last lines can be read.
        run = f"env {told} {shlex.join(command)}; echo exit code $?; sleep 600"
        self.tmux("-f", os.devnull, "new-session", "-d", "-x", "80", "-y", "24", run)

    def tmux(self, *arguments: str) -> str:
        ran = subprocess.run(["tmux", "-S", self.socket, *arguments], capture_output=True, text=True, check=True)
        return ran.stdout

    def text(self) -> str:
        """All that the window has shown, wrapped lines joined no further than the screen joins them."""
        return self.tmux("capture-pane", "-p", "-S", "-500")

    def see(self, wanted: str, seconds: float = 60.0) -> str:
        until = time.monotonic() + seconds
        while wanted not in (shown := self.text()):
            assert time.monotonic() < until, f"never saw {wanted!r} on\n{shown}"
            time.sleep(0.1)
        return shown

    def type(self, line: str) -> None:
        self.tmux("send-keys", "-l", line)
        self.tmux("send-keys", "Enter")

    def press(self, key: str) -> None:
        self.tmux("send-keys", key)

    def end(self) -> None:
        subprocess.run(["tmux", "-S", self.socket, "kill-server"], capture_output=True, check=False)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "bench.trimfit"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("Heron", meeting_pitch_hz=470.0))
        journal.append(Order("O-1", "Heron", quantity=2))
        for name in ("R-1", "R-2"):
            journal.append(Reed(name, "moulded", "M-1", blade_mm=20.0, order="O-1"))
    return path


@pytest.fixture
def screen(log: Path, tmp_path: Path) -> Iterator[Screen]:
    command = [sys.executable, "-m", "trimfit", "--log", str(log), "bench", "R-1", "R-2"]
    shown = Screen(tmp_path, command, NO_COLOR="1", INPUTRC=os.devnull)
    yield shown
    shown.end()


def test_a_sitting_played_start_to_finish(log: Path, screen: Screen) -> None:
    screen.see("== R-1, type moulded, batch M-1, order O-1, chanter Heron")
    screen.type("f 771.1 e 711.6 a 470.2 A 940.1 crow C+22 t 21C")
    screen.see("F 43 cents under E")
    screen.type("0.14")
    screen.see("1 cut (0.14 mm)")
    screen.type("f 710.6 e 773.4 a 470.2 A 940.1")
    screen.see("? E and F look swapped")
    screen.see("y as typed, s as suggested, n drop it, or what is right:")
    screen.type("s")
    screen.see("2 read, 1 cut (0.14 mm)")
    screen.type("lip 2")
    screen.see("2 lip strokes on R-1")
    screen.type("u")
    screen.see("1 struck")
    screen.type("godo")
    screen.see("! reed 'godo' is not in the log")
    # The line before comes back from the history, and is mended.
    screen.press("Up")
    screen.press("BSpace")
    screen.press("BSpace")
    screen.type("od")
    screen.see("is it good?")
    screen.type("y")
    screen.see("== R-2")
    screen.type("zzz")
    screen.see("! reed 'zzz' is not in the log")
    screen.type("?")
    screen.see("All that was logged is in the log.")
    screen.press("C-d")
    shown = screen.see("exit code 0")
    assert "this sitting: 2 read, 1 cut (0.14 mm), 1 good, 1 struck" in shown
    assert "Traceback" not in shown
    with Journal(log) as journal:
        history = journal.of_reed("R-1")
    assert [one.record.notes_hz["f"] for one in history.readings] == [771.1, 773.4]
    assert [one.record.length_mm for one in history.trims] == [0.14]
    assert history.outcome is not None


def test_a_window_that_is_closed_loses_nothing(log: Path, screen: Screen) -> None:
    screen.see("== R-1")
    screen.type("f 771.1 e 711.6 a 470.2 A 940.1")
    screen.see("logged rea-")
    screen.tmux("kill-session")
    with Journal(log) as journal:
        assert len(journal.of_reed("R-1").readings) == 1
