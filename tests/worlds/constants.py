"""Every numeric constant of the fit: its reason, and what a fit with twice the constant predicts.

    python -m tests.worlds.constants        writes reports/constants.md; about 20 seconds a constant on one core

A shop of make-believe reeds (tails in the readings, slips of the hand) is fitted once as the package is, and once with
each constant doubled; new reeds of new batches are then predicted. The reasons stand beside the constants in the code.
"""

from __future__ import annotations

import ast
import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.worlds.foretelling import Trial, make_trials
from tests.worlds.house import learned
from tests.worlds.proof import REPORTS, TRIAL_SEED, Z, house_scores, markdown, rms
from tests.worlds.shop import World
from trimfit.regression.readings.rows import DAY_S

__all__ = ["Constant", "constants", "doubled"]

ROOT = Path(__file__).parents[2] / "trimfit"
FOLDERS = ("regression/fitting", "regression/movement", "regression/posterior", "regression/reml", "regression")
# Definitions and formats, not choices: a second has no other length.
GIVEN = frozenset({"FORMAT", "DAY_S", "WEEK_DAYS", "Z90", "GOLDEN", "COVERAGES", "MIDDLE_PITCH_HZ", "NOT_TAKEN"})
assert DAY_S == 86400.0


@dataclass(frozen=True, slots=True)
class Constant:
    """A module's number, or array or table of numbers, and the reason that stands beside it."""

    module: str
    name: str
    value: Any
    reason: str


def _is_number(value: object) -> bool:
    if isinstance(value, bool):
        return False
    if isinstance(value, int | float):
        return True
    if isinstance(value, np.ndarray):
        return value.dtype.kind == "f" and value.size < 64
    return isinstance(value, dict) and bool(value) and all(isinstance(of, float) for of in value.values())


def _is_chosen(value: ast.expr) -> bool:
    """Whether the expression is written with numbers alone (or by `_covariance` of numbers): not counted, not
    derived."""
    names = {node.id for node in ast.walk(value) if isinstance(node, ast.Name)}
    calls = {
        node.func.attr
        for node in ast.walk(value)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
    }
    return names <= {"np", "_covariance"} and calls <= {"array", "stack"}


def constants() -> Iterator[Constant]:
    """The constants of the regression's modules that are choices, with their reasons, file by file."""
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).glob("*.py")):
            source = path.read_text(encoding="utf-8")
            lines, body = source.split("\n"), ast.parse(source).body
            name = ".".join(("trimfit", *path.relative_to(ROOT).with_suffix("").parts))
            module = importlib.import_module(name)
            for at, node in enumerate(body):
                target = node.targets[0] if isinstance(node, ast.Assign) else None
                if not isinstance(target, ast.Name) or not target.id.isupper() or target.id in GIVEN:
                    continue
                value = getattr(module, target.id)
                if _is_number(value) and _is_chosen(node.value):
                    yield Constant(name, target.id, value, _reason(body, at, lines))


def _reason(body: list[ast.stmt], at: int, lines: list[str]) -> str:
    """The text under the constant, or the comment over it or behind it; the group's, where constants stand together."""
    for after in body[at:]:
        if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) and isinstance(after.value.value, str):
            return " ".join(after.value.value.split())
        if not isinstance(after, ast.Assign) or (lines[after.lineno - 2].startswith("#") and after is not body[at]):
            break
    behind = lines[body[at].lineno - 1].partition("  # ")[2]
    above, row = [], body[at].lineno - 2
    while row >= 0 and (lines[row].startswith("#") or (not above and "=" in lines[row] and lines[row][:1].isupper())):
        above = [lines[row].lstrip("# "), *above] if lines[row].startswith("#") else above
        row -= 1
    return behind or " ".join(above)


@contextmanager
def doubled(constant: Constant) -> Iterator[None]:
    """Every module that holds the constant holds twice of it meanwhile."""
    value = constant.value
    twice = {key: 2 * of for key, of in value.items()} if isinstance(value, dict) else 2 * value
    held = [
        module
        for name, module in list(sys.modules.items())
        if name.startswith("trimfit.") and getattr(module, constant.name, None) is value
    ]
    for module in held:
        setattr(module, constant.name, twice)
    try:
        yield
    finally:
        for module in held:
            setattr(module, constant.name, value)


def scores(trials: list[Trial], seed: int) -> tuple[float, float]:
    """Root mean square error of the next gap, cents, and how many in a hundred the 90 % intervals of all outputs
    hold."""
    world = World("heavy", np.random.default_rng(seed))
    rng = np.random.default_rng([seed, TRIAL_SEED])
    table = house_scores(learned(world, rng), trials)
    miss = table["found_cents"] - table["foretold_cents"]
    gap = (table["output"] == "gap") & ~table["slipped"]
    return rms(miss[gap]), 100 * float((miss.abs() <= Z[90] * table["sd_cents"]).mean())


def main() -> None:
    """Write the page."""
    seed = 1
    trials = make_trials(World("heavy", np.random.default_rng(seed)), np.random.default_rng([seed, 77]), 150)
    error, held = scores(trials, seed)
    rows = []
    for constant in constants():
        with doubled(constant):
            try:
                new_error, new_held = scores(trials, seed)
                effect = f"{100 * (new_error / error - 1):+.1f} %", f"{new_held - held:+.1f}"
            except (ArithmeticError, ValueError, IndexError, AssertionError, np.linalg.LinAlgError) as fault:
                effect = "no fit", type(fault).__name__
        value = constant.value
        short = value if isinstance(value, int | float) else "table" if isinstance(value, dict) else "array"
        rows.append({"constant": f"`{constant.name}`", "file": constant.module.removeprefix("trimfit.regression."),
                     "value": str(short), "why": constant.reason or "(no reason given)",
                     "gap error doubled": effect[0], "held doubled": effect[1]})  # fmt: skip
        print(rows[-1], flush=True)
    (REPORTS / "constants.md").write_text(
        "# The constants of the fit\n\nMade by `python -m tests.worlds.constants`: one shop of 360 past reeds whose "
        f"readings have tails and slips, {len(trials)} readings\nof new reeds predicted. As the package is, the next "
        f"gap is off by {error:.2f} cents (root mean square) and the 90 % intervals of all\noutputs hold {held:.1f} in "
        "a hundred. The last two columns say how both change where the constant is doubled. A change under 1 %,\nor "
        "under 0.5 in a hundred, is within what another draw of the same shop would give.\n\n"
        + markdown(pd.DataFrame(rows)) + "\n",
        encoding="utf-8",
    )  # fmt: skip


if __name__ == "__main__":
    main()
