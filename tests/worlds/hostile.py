"""Small logs as a first week leaves them, each with something that the readings do not tell; every verb on one."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from typer.testing import CliRunner

from trimfit.base.errors import InputError
from trimfit.base.pitch import NOTES, OUTPUTS, hz_from_cents, note_hz
from trimfit.base.records import Chanter, Order, Outcome, Reading, Reed, Trim
from trimfit.cli.app import app
from trimfit.log.journal import Journal

__all__ = ["FAULTS", "implausible", "make", "run_every_verb"]

START, PER_MM = -45.0, 45.0
FAULTS = (
    "plain",
    "no cuts",
    "only lips",
    "constant a",
    "constant e and f",
    "constant crow",
    "crows only",
    "e and f only",
    "e only",
    "f only",
    "low a only",
    "crow and f",
    "one reading in all",
    "one reading a reed",
    "one reed read",
    "identical readings",
    "identical reeds",
    "one batch",
    "a batch a reed",
    "a chanter a reed",
    "a chanter a reading",
    "no chanter",
    "one cut in all",
    "the same cut each",
    "cuts of 0.01",
    "cuts of 3",
    "cuts of 1",
    "cut before any reading",
    "lips of 200",
    "pressure with the cut",
    "temperature with the cut",
    "one reading far off",
    "e and f swapped",
    "all the wrong way",
)
"""What is wrong with a log; `plain` is nothing."""


def make(path: Path, reeds: int, types: int, fault: str, *, readings: int = 3, seed: int = 5) -> list[str]:
    """A log of so many reeds of so many types, three readings each with a cut after each but the last.

    All but crows, E, F and the A's is read now and then. Returns the reeds' names.
    """
    rng = np.random.default_rng(seed)
    names = [f"R-{i + 1}" for i in range(reeds)]
    with Journal(path, create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(Chanter("told", meeting_pitch_hz=473.0, working_crow_hz=520.0))
        journal.append(Order("band", "Old", quantity=reeds))
        journal.append(Order("solo", "told", target_pitch_hz=474.0, pressure_kpa=6.5))
        for i in range(reeds if "chanter a" in fault else 0):
            for j in range(readings if "reading" in fault else 1):
                journal.append(Chanter(f"C-{i}-{j}"))
        for i, name in enumerate(names):
            batch = "A" if fault == "one batch" else name if fault == "a batch a reed" else f"B{i // 5}"
            order = "solo" if i % 7 == 3 else "band"
            journal.append(Reed(name, f"kind {i % types}", batch, "2026-01-05", 24.0, order))
            for record in _work(i, name, fault, readings, np.random.default_rng(5) if _alike(fault) else rng):
                journal.append(record)
        journal.append(Reed("blank", "kind 0", "late"))
        journal.append(Reed("stranger", "a kind never read", "late"))
        if reeds > 4:
            journal.append(Outcome(names[1], "2026-06-01T10:00", "good"))
    return [*names, "blank", "stranger"]


def _alike(fault: str) -> bool:
    return fault == "identical reeds"


def _work(i: int, name: str, fault: str, readings: int, rng: np.random.Generator) -> Iterator[Reading | Trim]:
    gap, pitch, crow = START + 8 * rng.standard_normal(), 110.0 + 4 * rng.standard_normal(), 250.0
    slope = PER_MM * float(np.exp(0.2 * rng.standard_normal()))
    removed, lips = 0.0, 0.0

    def cut(at: str) -> Iterator[Trim]:
        nonlocal removed, lips
        length, strokes = round(float(rng.uniform(0.1, 0.35)), 2), 0.0
        if fault in ("no cuts", "one reading in all") or (fault == "one cut in all" and i):
            return
        if fault.startswith("cuts of") or fault == "the same cut each":
            length = {"cuts of 0.01": 0.01, "cuts of 3": 3.0, "cuts of 1": 1.0}.get(fault, 0.2)
        if "lips" in fault:
            length, strokes = 0.0, 200.0 if fault == "lips of 200" else float(rng.integers(1, 6))
        if fault == "one cut in all" and removed:
            return
        removed, lips = removed + length, lips + strokes
        yield Trim(name, at, length or None, strokes or None)

    if fault == "cut before any reading":
        yield from cut("2026-02-01T10:00")
    if fault == "one reed read" and i:
        return
    many = 1 if fault in ("one reading in all", "one reading a reed") else readings
    for j in range(0 if fault == "one reading in all" and i else many):
        day = f"2026-02-{2 + j:02d}T{8 + i // 60:02d}:{i % 60:02d}"
        kpa = 6.0 + removed if fault == "pressure with the cut" else None
        deg_c = 20.0 + 5 * removed if fault == "temperature with the cut" else None
        sign = -1.0 if fault == "all the wrong way" else 1.0
        now = gap + sign * slope * removed + 0.5 * min(lips, 30.0)
        cents = {output: pitch + 6.0 * removed + rng.standard_normal() for output in OUTPUTS}
        cents["crow"] = crow + 3 * rng.standard_normal() + sign * 140.0 * removed
        cents["f"], cents["e"] = cents["f"] + now / 2, cents["e"] - now / 2
        if fault == "e and f swapped":
            cents["e"], cents["f"] = cents["f"], cents["e"]
        if fault == "one reading far off" and i == j == 0:
            cents["f"] += 250.0
        yield _reading(name, day, fault, cents, (i, j), (kpa, deg_c))
        if j < many - 1 or fault == "one reading a reed":
            yield from cut(day[:-5] + f"{int(day[11:13]) + 6:02d}{day[13:]}")


def _reading(
    name: str,
    day: str,
    fault: str,
    cents: dict[str, float],
    at: tuple[int, int],
    air: tuple[float | None, float | None],
) -> Reading:
    i, j = at
    taken = NOTES if (i + j) % 3 == 0 else ("low_a", "e", "f", "high_a")
    only = {
        "crows only": (),
        "e and f only": ("e", "f"),
        "e only": ("e",),
        "f only": ("f",),
        "low a only": ("low_a",),
        "crow and f": ("f",),
    }
    taken = only.get(fault, taken)
    notes = {note: round(note_hz(note, cents[note]), 1) for note in taken}
    crow = (
        round(hz_from_cents(cents["crow"]), 1) if fault in ("crows only", "crow and f") or fault not in only else None
    )
    if fault == "constant a":
        notes |= {"low_a": 466.0, "high_a": 932.0}
    if fault == "constant e and f":
        notes |= {"e": 705.0, "f": 770.0}
    if fault == "identical readings":
        notes, crow = {"low_a": 470.0, "high_a": 940.0, "e": 709.0, "f": 770.0}, 510.0
    if fault == "constant crow":
        crow = 510.0
    chanter = {
        "no chanter": None,
        "crows only": None,
        "a chanter a reed": f"C-{i}-0",
        "a chanter a reading": f"C-{i}-{j}",
    }
    return Reading(name, day, chanter.get(fault, "Old"), crow, notes, pressure_kpa=air[0], temperature_c=air[1])


def run_every_verb(path: Path, names: list[str], folder: Path) -> dict[str, Any]:
    """The answer of every verb that asks something of a fit, by the words it was called with; fails on a verb that
    does. folder: where the report goes."""
    first, last = names[0], names[-3]
    plan = folder.parent / "plan.csv"
    plan.write_text("reed,length_mm,lip_strokes\n" + "".join(f"{name},0.3,2\n" for name in names[:6]))
    calls = [
        *(["ask", name] for name in dict.fromkeys((first, last, *names[-2:]))),
        ["ask", "--all"],
        *(["predict", name, "--length", length] for name in (first, *names[-2:]) for length in ("0", "0.2", "2")),
        ["predict", "--plan", str(plan)],
        *([verb, order] for verb in ("pick", "rehearse") for order in ("band", "solo")),
        ["learn"],
        *(["review", what] for what in ("batches", "chanters", "repeatability")),
        *(["review", "reed", name] for name in (first, *names[-2:])),
        *(["review", "ticket", name, "--out", str(folder.parent / "cards")] for name in (first, *names[-2:])),
        ["report", str(folder)],
        ["check"],
    ]
    found: dict[str, Any] = {}
    for words in calls:
        result = CliRunner().invoke(app, ["--log", str(path), *words, "--json"])
        if isinstance(result.exception, InputError) and _may_refuse(words, result.exception):
            continue
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise AssertionError(f"{' '.join(words)}: {result.exception!r}") from result.exception
        found[" ".join(words)] = json.loads(result.stdout)
    shutil.rmtree(folder)
    return found


def _may_refuse(words: list[str], refusal: InputError) -> bool:
    """Where nothing of what is asked for was read it is said what is to be read first; and no cut is predicted that
    would lower the crow, as where all cuts were logged the wrong way, or give a note that no reed has."""
    none = ("cannot be predicted", "no prediction: by what is logged")
    return words[-1] in ("repeatability", "band", "solo") or any(said in refusal.what for said in none)


# What a chanter, and a reed by itself, can sound (Hz), and how far apart two notes of it can lie (cents).
SOUNDS_HZ, APART_CENTS = (150.0, 2500.0), 1000.0


def implausible(answer: Any, name: str = "") -> list[str]:
    """The numbers of an answer that are not finite, or that no bench can give, each with where it stands."""
    if isinstance(answer, dict):
        return [found for key, value in answer.items() for found in implausible(value, _named(name, key))]
    if isinstance(answer, list):
        return [found for value in answer for found in implausible(value, name)]
    if isinstance(answer, bool) or not isinstance(answer, (int, float)):
        return []
    key = name.rpartition("/")[2] if name.rpartition("/")[2] not in ("mean", "low", "high") else name.split("/")[-2]
    bad = not math.isfinite(answer)
    if key.endswith("_hz"):
        bad = bad or not SOUNDS_HZ[0] <= answer <= SOUNDS_HZ[1]
    if key.endswith("_cents"):
        bad = bad or abs(answer) > APART_CENTS
    if key.startswith("chance"):
        bad = bad or not 0.0 <= answer <= 1.0
    if key == "length_mm":
        bad = bad or not 0.0 <= answer <= 24.0
    return [f"{name} = {answer}"] if bad else []


def _named(name: str, key: str) -> str:
    return f"{name}/{key}" if name else key
