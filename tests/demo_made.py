"""The demo shop, fits and policies, made once for all processes of a test run: each takes seconds to a minute."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import math
import os
import pickle
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import numpy as np
import pytest

from trimfit.base.progress import Progress, quiet
from trimfit.planner import policy_solver, policy_table
from trimfit.planner.policy_table import Costs, PolicyTable
from trimfit.regression.outputs import Array

if TYPE_CHECKING:
    from trimfit.regression.design import Rows
    from trimfit.regression.fitted_model import FittedModel
    from trimfit.review.pictures.style import Picture, Rendered

SHOP = Path(__file__).parents[1] / "datasets_demo" / "shop"


def once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """The folder `name` that `make` filled, by whichever process of this run came first; the others wait for it."""
    root = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent
    folder = root / name
    with (root / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "done").exists():
            folder.mkdir(exist_ok=True)
            make(folder)
            (folder / "done").touch()
    return folder


def solved_once(
    factory: pytest.TempPathFactory, solve: Callable[[Costs], PolicyTable]
) -> Callable[[Costs], PolicyTable]:
    """`solve`, whose table depends on the costs alone, called once for each of them in this run.

    For a log, whose costs hang on what was learned from it, once for all that are `near`, on a coarse grid, but in
    `exactly_solved`: most tests of logs ask what is done with a policy, and its own tests ask how good it is.
    """

    def kept(costs: Costs) -> PolicyTable:
        roughly = not _exact and sys._getframe(1).f_globals["__name__"] == "trimfit.session.policies"
        of = near(costs) if roughly else costs

        def make(folder: Path) -> None:
            with _grid, patch.object(policy_solver, "state_grids", coarse if roughly else policy_table.state_grids):
                (folder / "table").write_bytes(pickle.dumps(solve(of)))

        name = f"policy-{roughly}-" + hashlib.sha256(repr(of).encode()).hexdigest()[:16]
        table: PolicyTable = pickle.loads((once(factory, name, make) / "table").read_bytes())
        return replace(table, costs=costs)

    return kept


_exact: list[bool] = []
_grid = threading.Lock()


def coarse(costs: Costs) -> tuple[Array, Array, Array, Array]:
    """Of the points at which a policy is solved, every second of the gap and of what is known of the slope."""
    m, log_v, s, tie = policy_table.state_grids(costs)
    return np.append(m[:-1:2], m[-1]), log_v, s[::2], tie


@contextlib.contextmanager
def exactly_solved() -> Iterator[None]:
    """Meanwhile each log's policies are those of its own costs: where figures are compared with printed ones."""
    _exact.append(True)
    try:
        yield
    finally:
        _exact.pop()


STEPS = {"reading_sd_cents": 1.3, "beyond_sd_cents": 1.3, "cut_constant_cents": 2.0} | dict.fromkeys(
    ("cut_fraction", "wait_sd_cents", "again_sd_cents", "wait_jump", "again_jump", "jump_sd_cents", "sitting_sd_cents"),
    1.7,
)
"""A log's learned errors are rounded to powers of these: the advice of two logs whose errors are that near is hardly
another, and solving takes longer than most tests."""


def near(costs: Costs) -> Costs:
    """These costs with the learned errors rounded, so that many small logs share a policy; the shop's settings stay."""
    learned = {name: getattr(costs, name) for name in STEPS}
    rounded = {
        name: STEPS[name] ** round(math.log(value, STEPS[name])) if value else 0.0 for name, value in learned.items()
    }
    rounded["sitting_sd_cents"] = min(rounded["sitting_sd_cents"], 0.9 * rounded["reading_sd_cents"])
    return replace(
        costs,
        **rounded,
        wait_mean_cents=float(round(costs.wait_mean_cents)),
        stop_cents=0.5 * round(2.0 * costs.stop_cents),
    )


def fitted_once(factory: pytest.TempPathFactory, fit: Callable[..., FittedModel]) -> Callable[..., FittedModel]:
    """`fit_model`, called once in this run for the same readings, whatever their entries are called (they are named at
    random); how far it is, is told as it was the first time."""

    def kept(rows: Rows, *words: Any, tell: Progress = quiet, **more: Any) -> FittedModel:
        numbered = replace(rows, label=np.arange(len(rows)).astype(str).astype(object))

        def make(folder: Path) -> None:
            told: list[tuple[str, int, int]] = []
            model = fit(numbered, *words, tell=lambda *step: told.append(step), **more)
            (folder / "model").write_bytes(pickle.dumps((model, told)))

        given = hashlib.sha256(repr((words, sorted(more.items()))).encode())
        for name in numbered.__slots__:
            value = getattr(numbered, name)
            given.update(repr(value.tolist() if isinstance(value, np.ndarray) else value).encode())
        model, told = pickle.loads((once(factory, f"fit-{given.hexdigest()[:16]}", make) / "model").read_bytes())
        for step in told:
            tell(*step)
        low = {str(rows.label[int(one)]): weights for one, weights in model.low_weight.items()}
        return replace(model, low_weight=low, jumped=tuple(str(rows.label[int(one)]) for one in model.jumped))

    return kept


def small(folder: Path) -> None:
    """A log of the demo shop's first 60 reeds of one type, `demo.trimfit`, learned from."""
    import pandas as pd

    from tests.opened import on
    from trimfit.log.journal import Journal
    from trimfit.log.sheets.folder_import import import_folder
    from trimfit.verbs.learn import learn

    some = folder / "shop"
    some.mkdir()
    every = pd.read_csv(SHOP / "reeds.csv", dtype=str)
    reeds = every["reed"][every["reed_type"] == "soft moulded"][:60]
    for file in SHOP.glob("*.csv"):
        rows = pd.read_csv(file, dtype=str, keep_default_na=False)
        rows = rows[rows["reed"].isin(reeds)] if "reed" in rows else rows
        rows.to_csv(some / file.name, index=False)
    path = folder / "demo.trimfit"
    with Journal(path, create=True) as journal:
        import_folder(journal, some)
    on(path, learn)


def first_of_each_kind() -> Callable[[Picture], Rendered]:
    """`render` for the first picture of each kind, which stands in the place of the others."""
    from trimfit.review.pictures.style import render

    drawn: dict[tuple[str, bool], Rendered] = {}

    def rendered(picture: Picture) -> Rendered:
        kind = picture.key.partition("-")[0], picture.key.endswith("-in-time")
        if kind not in drawn:
            drawn[kind] = render(picture)
        return drawn[kind]

    return rendered


def with_the_command(folder: Path) -> dict[str, str]:
    """The environment of a shell that finds `trimfit`, which is put into `folder`, and no log; 80 columns wide.

    Answers are as of now: there it is the day after the demo's last reading.
    """
    tools = folder / "tools"
    tools.mkdir()
    (tools / "trimfit").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m trimfit "$@"\n')
    (tools / "trimfit").chmod(0o755)
    environment = {**os.environ, "PATH": f"{tools}{os.pathsep}{os.environ['PATH']}", "COLUMNS": "80"}
    environment.pop("TRIMFIT_LOG", None)
    return environment | {"TRIMFIT_NOW": "2026-09-18T17:00", "TZ": "UTC"}


def typed(folder: Path) -> None:
    """What `trimfit demo` makes, what it prints, both streams, as `printed`, and its answer as JSON, as `answered`.

    Of each kind of picture the first alone is drawn. The policies of an order's
    rehearsal are solved besides, and kept in the log as after anybody's first rehearsal.
    """
    from tests.cli.typed_words import call
    from tests.opened import on
    from trimfit.review.page import page_parts
    from trimfit.verbs import demo
    from trimfit.verbs.rehearse import rehearse_order

    made: list[demo.Demo] = []
    make = demo.make

    def made_once(*words: Any) -> demo.Demo:
        if not made:
            made.append(make(*words))
        return made[0]

    with (
        contextlib.chdir(folder),
        patch.dict(os.environ, with_the_command(folder), clear=True),
        patch.object(page_parts, "render", first_of_each_kind()),
        patch.object(demo, "make", made_once),
        exactly_solved(),
    ):
        time.tzset()
        done, answered = call("demo"), call("demo", "--json")
        on(folder / "trimfit-demo" / "demo.trimfit", rehearse_order, "O-12")
    assert done.returncode == answered.returncode == 0, done.stderr
    (folder / "printed").write_text(done.stderr + done.stdout, encoding="utf-8")
    (folder / "answered").write_text(answered.stdout, encoding="utf-8")
