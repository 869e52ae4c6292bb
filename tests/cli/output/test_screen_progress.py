"""The moving line of a long step."""

from __future__ import annotations

import pytest

from trimfit.cli.output import screen


def test_of_one_step_nothing_is_counted(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Was: working out the plan, 0 of 1."""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    screen.progress("working out the plan", 0, 1)
    screen.progress("working out the answers, batch", 2, 7)
    told = capsys.readouterr().err
    assert "0 of 1" not in told
    assert told.endswith("2 of 7")
