"""The drawn small logs again, each changed in a way that should change no answer: written out and read in, split and
merged, an entry struck again, a chanter away and back, a reed renamed."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tests.worlds.test_small_logs import ORDERS, Asked, Case
from trimfit.cli.app import app
from trimfit.log.journal import Journal

ASKED = (
    "ask --all",
    *(f"{verb} {order}" for verb in ("pick", "rehearse") for order in ORDERS),
    "allot",
    "learn",
    "review batches",
    "review chanters",
    "review repeatability",
)


def said(path: Path, *words: str) -> str:
    """What a command prints that must succeed."""
    result = CliRunner().invoke(app, ["--log", str(path), *words])
    assert result.exit_code == 0, (words, result.output, result.exception)
    return result.stdout


def answers(path: Path) -> dict[str, Any]:
    """Every verb's JSON; None where it refuses."""
    asked = Asked(path)
    said = {words: asked.json(*words.split()) for words in ASKED}
    # a remedy names the log's own file
    return json.loads(json.dumps(said).replace(str(path), "LOG"))


def differences(one: Any, other: Any, where: str = "", width: float = 0.0) -> list[str]:
    """Where two answers differ: numbers by more than a search on a flat hill may end elsewhere. width: of the interval
    that they belong to, if any."""
    if where.endswith("aim_offsets_cents"):  # the flattest: what they give is compared
        return [] if bool(one) == bool(other) else [f"{where}: {one} and {other}"]
    if isinstance(one, dict) and isinstance(other, dict):
        keys = sorted({*one, *other})
        wide = (one["high"] or 0.0) - (one["low"] or 0.0) if set(one) == {"mean", "low", "high"} else 0.0
        return [d for key in keys for d in differences(one.get(key), other.get(key), f"{where}.{key}", wide)]
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        names = [
            item.get("reed", item.get("chanter", i)) if isinstance(item, dict) else i for i, item in enumerate(one)
        ]
        return [d for a, b, name in zip(one, other, names, strict=True) for d in differences(a, b, f"{where}[{name}]")]
    if all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in (one, other)):
        return [] if abs(one - other) <= 2e-2 * max(1.0, abs(one), width) else [f"{where}: {one} and {other}"]
    return [] if one == other else [f"{where}: {one!r} and {other!r}"]


def written_and_read(log: Path, folder: Path) -> Path:
    """Exported, imported; and the export of that is the same byte for byte."""
    new = folder / "new.trimfit"
    said(log, "export", str(folder / "a"))
    said(new, "import", str(folder / "a"))
    said(new, "export", str(folder / "b"))
    for file in sorted((folder / "a").iterdir()):
        assert file.read_bytes() == (folder / "b" / file.name).read_bytes(), file.name
    return new


def split_and_merged(log: Path, folder: Path) -> Path:
    """Every other reed was kept at another bench; each takes the other's log, and both then say the same."""
    said(log, "export", str(folder / "whole"))
    benches = []
    for bench in range(2):
        part = folder / f"part{bench}"
        part.mkdir()
        for file in sorted((folder / "whole").iterdir()):
            with file.open(newline="") as lines:
                rows = list(csv.reader(lines))
            if rows[0][0] == "reed":
                rows[1:] = [row for row in rows[1:] if int(row[0].split("-")[1]) % 2 == bench]
            with (part / file.name).open("w", newline="") as lines:
                csv.writer(lines, lineterminator="\n").writerows(rows)
        benches.append(folder / f"bench{bench}.trimfit")
        said(benches[bench], "import", str(part))
    kept = shutil.copyfile(benches[0], folder / "kept.trimfit")
    said(benches[0], "merge", str(benches[1]))
    said(benches[1], "merge", str(kept))
    found = differences(answers(benches[0]), answers(benches[1]), "two benches")
    assert not found, found
    return benches[1]


def struck_again(log: Path, folder: Path) -> Path:
    """A reading, a cut and an event too many, and a wrong revision, each taken back."""
    new = Path(shutil.copyfile(log, folder / "new.trimfit"))
    with Journal(new) as journal:
        reeds = sorted(journal.reeds())
    for words in (
        ["reading", reeds[-1], "f=760", "e=700", "--chanter", "Bench", "--at", "2026-09-18T16:00"],
        ["trim", reeds[0], "0.3", "--at", "2026-09-18T16:10"],
        ["event", reeds[0], "dropped", "--at", "2026-09-18T16:20"],
        ["chanter", "Band 1", "--meeting-pitch", "466"],
    ):
        answer = json.loads(said(new, "log", *words, "--json"))
        said(new, "log", "strike", answer["entry"])
    return new


def away_and_back(log: Path, folder: Path) -> Path:
    """The chanters change place, and back."""
    new = Path(shutil.copyfile(log, folder / "new.trimfit"))
    was = {"Bench": "yes", "Far": "no"}
    for chanter, place in was.items():
        said(new, "log", "chanter", chanter, "--at-hand", "no" if place == "yes" else "yes")
    answers(new)
    for chanter, place in was.items():
        said(new, "log", "chanter", chanter, "--at-hand", place)
    return new


CHANGES: tuple[Callable[[Path, Path], Path], ...] = (written_and_read, split_and_merged, struck_again, away_and_back)


@pytest.mark.parametrize("seed", [pytest.param(seed, marks=pytest.mark.slow) for seed in range(120)])
def test_answers_stay(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    log = tmp_path / "log.trimfit"
    Case.drawn(seed).log(log)
    before, found = answers(log), list[str]()
    for change in CHANGES:
        (folder := tmp_path / change.__name__).mkdir()
        found += differences(before, answers(change(log, folder)), change.__name__)
    assert not found, found
