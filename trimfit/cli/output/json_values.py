"""Answers as JSON, and the moving line of a long step. Free of typer, so that `fast_path` can use them."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import sys
from collections.abc import Mapping
from typing import Any

from trimfit.cli.output.screen import fit_for_json, fit_for_terminal, paint


def plain(value: Any) -> Any:
    """Records, mappings and numbers as JSON knows them; a number that is not finite becomes null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, bool) or value is None or isinstance(value, (str, int)):
        return value
    number = float(value)
    return round(number, 6) if math.isfinite(number) else None


def json_text(value: Any) -> str:
    """An answer as the JSON that is printed."""
    return fit_for_json(json.dumps(plain(value), ensure_ascii=False, indent=2))


def progress(step: str, done: int, whole: int) -> None:
    """One moving line on stderr for a long step; silent when stderr is not a terminal."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        return
    width = 24
    filled = width if whole <= 0 else round(width * done / whole)
    end = "\n" if done >= whole else ""
    count = f" {done:,} of {whole:,}" if whole > 1 else ""  # of one step there is nothing to count
    bar = f"[{'=' * filled}{' ' * (width - filled)}]{count}"
    paint(sys.stderr, f"\r{fit_for_terminal(step)}  {bar}{end}")
