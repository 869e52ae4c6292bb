"""The demo shop and the policies, made once for all processes of a test run: each takes seconds to a minute."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import pickle
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest

from trimfit.planner.policy_table import Costs, PolicyTable

if TYPE_CHECKING:
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
            folder.mkdir()
            make(folder)
            (folder / "done").touch()
    return folder


def solved_once(
    factory: pytest.TempPathFactory, solve: Callable[[Costs], PolicyTable]
) -> Callable[[Costs], PolicyTable]:
    """`solve`, whose table depends on the costs alone, called once for each of them in this run."""

    def kept(costs: Costs) -> PolicyTable:
        def make(folder: Path) -> None:
            (folder / "table").write_bytes(pickle.dumps(solve(costs)))

        name = "policy-" + hashlib.sha256(repr(costs).encode()).hexdigest()[:16]
        table: PolicyTable = pickle.loads((once(factory, name, make) / "table").read_bytes())
        return table

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
    ):
        time.tzset()
        done, answered = call("demo"), call("demo", "--json")
        on(folder / "trimfit-demo" / "demo.trimfit", rehearse_order, "O-12")
    assert done.returncode == answered.returncode == 0, done.stderr
    (folder / "printed").write_text(done.stderr + done.stdout, encoding="utf-8")
    (folder / "answered").write_text(answered.stdout, encoding="utf-8")
