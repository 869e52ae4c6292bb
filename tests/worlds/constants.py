"""The numeric constants of the fit that stand by name: their reasons, and what a fit with twice the constant predicts.

    python -m tests.worlds.constants        writes reports/constants.md; some six minutes of one core

A shop of make-believe reeds (tails in the readings, slips of the hand) is fitted once as the package is, and once with
each constant doubled; new reeds of new batches are then predicted. The reasons stand beside the constants in the code.
"""

from __future__ import annotations

import ast
import functools
import importlib
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd

from tests.worlds.foretelling import Trial, make_trials
from tests.worlds.house import learned
from tests.worlds.proof import REPORTS, TRIAL_SEED, Z, house_scores, markdown
from tests.worlds.shop import World
from trimfit.regression.readings.rows import DAY_S

__all__ = ["Constant", "constants", "doubled"]

ROOT = Path(__file__).parents[2] / "trimfit"
FOLDERS = (
    "regression/fitting",
    "regression/movement",
    "regression/posterior",
    "regression/reml",
    "regression/chanters",
    "regression/readings",
    "regression",
)
PAST_REEDS, BATCHES, NEW_REEDS = 90, 5, 60
# Definitions and formats, not choices: a second has no other length.
GIVEN = frozenset(
    {
        "FORMAT",
        "DAY_S",
        "WEEK_DAYS",
        "Z90",
        "COVERAGES",
        "MIDDLE_PITCH_HZ",
        "NOT_TAKEN",
        "_Z",
        "NORMAL_MEDIAN",
    }
)
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
                for target, written in _assigned(node):
                    value = getattr(module, target, None)
                    if target.isupper() and target not in GIVEN and _is_number(value) and _is_chosen(written):
                        yield Constant(name, target, value, _reason(body, at, lines))


def _assigned(node: ast.stmt) -> Iterator[tuple[str, ast.expr]]:
    """Names that a statement gives a value, each with its own where it names several."""
    if not isinstance(node, ast.Assign):
        return
    target = node.targets[0]
    several = isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple)
    pairs = zip(target.elts, node.value.elts, strict=True) if several else [(target, node.value)]
    yield from ((name.id, value) for name, value in pairs if isinstance(name, ast.Name))


def _reason(body: list[ast.stmt], at: int, lines: list[str]) -> str:
    """The text under the constant, or the comment over it or behind it; the group's, where constants stand together."""
    if behind := lines[body[at].lineno - 1].partition("  # ")[2]:
        return behind
    for after in body[at:]:
        if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) and isinstance(after.value.value, str):
            return " ".join(after.value.value.split())
        if not isinstance(after, ast.Assign) or (lines[after.lineno - 2].startswith("#") and after is not body[at]):
            break
    above, row = [], body[at].lineno - 2
    while row >= 0 and (lines[row].startswith("#") or (not above and "=" in lines[row] and lines[row][:1].isupper())):
        above = [lines[row].lstrip("# "), *above] if lines[row].startswith("#") else above
        row -= 1
    return " ".join(above)


def holders(constant: Constant) -> list[ModuleType]:
    """The package's modules that hold the constant: its own, and those that import it."""
    return [
        module
        for name, module in list(sys.modules.items())
        if name.startswith("trimfit.") and getattr(module, constant.name, None) is constant.value
    ]


def modules_called(run: Callable[[], object]) -> set[str]:
    """Names of the modules in which a function is called while `run` runs."""
    called: set[str] = set()
    sys.setprofile(
        lambda frame, event, _: called.add(str(frame.f_globals.get("__name__"))) if event == "call" else None
    )
    try:
        run()
    finally:
        sys.setprofile(None)
    return called


@contextmanager
def doubled(constant: Constant) -> Iterator[None]:
    """Every module that holds the constant holds twice of it meanwhile; caches are emptied."""
    value = constant.value
    twice = {key: 2 * of for key, of in value.items()} if isinstance(value, dict) else 2 * value
    held = holders(constant)

    def hold(now: object) -> None:
        for module in held:
            setattr(module, constant.name, now)
        for name, module in list(sys.modules.items()):
            for of in vars(module).values() if name.startswith("trimfit.") else ():
                if isinstance(of, functools._lru_cache_wrapper):
                    of.cache_clear()

    hold(twice)
    try:
        yield
    finally:
        hold(value)


def squares_and_hits(trials: list[Trial], seed: int) -> pd.DataFrame:
    """A row a reed: sum of squares and number of its next gaps' errors (cents²; typing slips left out), how many of
    its values of all outputs their 90 % intervals hold, and of how many."""
    world = World("heavy", np.random.default_rng(seed))
    rng = np.random.default_rng([seed, TRIAL_SEED])
    table = house_scores(learned(world, rng, PAST_REEDS, batches_per_type=BATCHES), trials)
    miss = table["found_cents"] - table["foretold_cents"]
    gap = (table["output"] == "gap") & ~table["slipped"]
    each = pd.DataFrame(
        {
            "reed": table["reed"],
            "squares": miss.pow(2).where(gap, 0.0),
            "gaps": gap,
            "hits": miss.abs() <= Z[90] * table["sd_cents"],
            "values": miss.notna(),
        }
    )
    return each.groupby("reed", sort=True).sum()


def of_all(each: pd.DataFrame) -> tuple[float, float]:
    """Root mean square error of the next gap, cents, and how many in a hundred the 90 % intervals hold."""
    whole = each.sum()
    return float(np.sqrt(whole["squares"] / whole["gaps"])), 100.0 * float(whole["hits"] / whole["values"])


def changes(before: pd.DataFrame, after: pd.DataFrame) -> tuple[float, float, float, float]:
    """Change of the error (per cent) and of the intervals' hits (per hundred), each with its standard error: the same
    reeds are predicted twice, so that the error is that of the reeds' own differences (errors and their shares of a
    sum, linear in them)."""
    (error, held), (new_error, new_held) = of_all(before), of_all(after)
    n = len(before)
    whole = before.sum()
    squares = (after["squares"] - before["squares"]) / whole["squares"]
    hits = (after["hits"] - before["hits"]) / whole["values"]
    error_se, held_se = (float(part.std() * np.sqrt(n)) for part in (squares, hits))
    return 100.0 * (new_error / error - 1.0), 50.0 * error_se, new_held - held, 100.0 * held_se


def main() -> None:
    """Write the page."""
    seed = 1
    trials = make_trials(World("heavy", np.random.default_rng(seed)), np.random.default_rng([seed, 77]), NEW_REEDS)
    before = squares_and_hits(trials, seed)
    error, held = of_all(before)
    called = modules_called(lambda: squares_and_hits(trials, seed))
    rows = []
    for constant in constants():
        reached = called & {module.__name__ for module in holders(constant)}
        with doubled(constant):
            effect = "none", "none"
            try:
                after = squares_and_hits(trials, seed) if reached else before
                if not after.equals(before):
                    moved, moved_se, more, more_se = changes(before, after)
                    effect = f"{moved:+.1f} ± {moved_se:.1f} %", f"{more:+.1f} ± {more_se:.1f}"
            except (ArithmeticError, ValueError, IndexError, AssertionError, np.linalg.LinAlgError):
                effect = "no fit", "no fit"
        value = constant.value
        short = value if isinstance(value, int | float) else "table" if isinstance(value, dict) else "array"
        rows.append({"constant": f"`{constant.name}`", "file": constant.module.removeprefix("trimfit.regression."),
                     "value": str(short), "why": constant.reason or "(no reason given)",
                     "gap error doubled": effect[0], "held doubled": effect[1]})  # fmt: skip
        print(rows[-1], flush=True)
    (REPORTS / "constants.md").write_text(
        f"""# The constants of the fit

Made by `python -m tests.worlds.constants`: every plain number, array or table of numbers that stands by name in the
regression's modules, the reason beside it in the code, and what comes of doubling it (the prior means and spreads
of the coefficients, of new reeds and of readings, and the planner's numbers, are not among them). One make-believe
shop of {PAST_REEDS} past reeds whose readings have tails and typing slips and do not move by
themselves; {len(trials)} readings of {NEW_REEDS} new reeds of new batches are predicted. As the package is,
the next gap is off by {error:.2f} cents
(root mean square, slips left out) and the 90 % intervals of all outputs hold {held:.1f} in a hundred. The last two
columns say how both change, with the standard error over the reeds of this one shop: the same readings are
predicted before and after, so that they say what doubling does here, not what another shop would show. "none": no
reading is predicted otherwise. Many bound what a large log may take, or concern chanters, tapes, waits and checks
that this small shop lacks.

"""
        + markdown(pd.DataFrame(rows))
        + "\n",
        encoding="utf-8",
    )


if __name__ == "__main__":
    main()
