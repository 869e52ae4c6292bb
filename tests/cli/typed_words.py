"""Verbs as they are typed, in this process: what they print, and what they answer as JSON."""

from __future__ import annotations

import gc
import io
import json
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any
from unittest.mock import patch

import pytest
from typer.testing import CliRunner

from trimfit.__main__ import main
from trimfit.base.errors import InputError
from trimfit.cli.app import app


def run(log: Path, *words: str | Path) -> CompletedProcess[str]:
    """`call` on a log."""
    return call("--log", log, *words)


def call(*words: str | Path) -> CompletedProcess[str]:
    """A whole call of the command line, short way and error lines and all, in this process: its code, both streams."""
    typed = ["trimfit", *map(str, words)]
    said, complaint = io.StringIO(), io.StringIO()
    with patch.object(sys, "argv", typed), redirect_stdout(said), redirect_stderr(complaint):
        try:
            main()
            code: object = 0
        except SystemExit as ended:
            code = ended.code
        finally:
            gc.enable()  # a short call ends with its process and leaves the garbage to that
    assert "Traceback" not in complaint.getvalue()
    return CompletedProcess(typed, int(str(code or 0)), said.getvalue(), complaint.getvalue())


class Typed:
    """A log and the verbs on it."""

    def __init__(self, log: Path) -> None:
        self.log = log

    def say(self, *words: str) -> str:
        """What a verb prints; it must succeed."""
        result = CliRunner().invoke(app, words, env={"TRIMFIT_LOG": str(self.log)}, catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.stdout

    def json(self, *words: str) -> Any:
        """What a verb answers with --json."""
        return json.loads(self.say(*words, "--json"))

    def refused(self, *words: str) -> str:
        """What is said of words that the verb refuses, with its remedy."""
        with pytest.raises(InputError) as caught:
            self.say(*words)
        return "\n".join(caught.value.lines())
