"""Verbs as they are typed, in this process: what they print, and what they answer as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from trimfit.base.errors import InputError
from trimfit.cli.app import app


class Typed:
    """A log and the verbs on it."""

    def __init__(self, log: Path) -> None:
        self.log = log

    def say(self, *words: str) -> str:
        """What a verb prints; it must succeed."""
        result = CliRunner().invoke(app, ["--log", str(self.log), *words], catch_exceptions=False)
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
