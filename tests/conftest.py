"""One thread for linear algebra (small matrices; set before numpy loads), one clock, and the demo shop, made once."""

from __future__ import annotations

import compileall
import functools
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trimfit.base.answers import Advice

# What is typed is on the machine's clock: the tests have one clock, wherever they run.
os.environ["TZ"] = "UTC"
time.tzset()

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Answers are as of now, which here is the day after the demo shop's last reading, on whatever day tests are run.
os.environ.setdefault("TRIMFIT_NOW", "2026-09-18T17:00")

# Where Python is told to keep no bytecode, each process that a test starts would compile the package anew.
compileall.compile_dir(Path(__file__).parents[1] / "trimfit", quiet=2)

import pytest  # noqa: E402
import typer.main  # noqa: E402
from hypothesis import settings  # noqa: E402

# The tree of commands is built once a process, as it is for whoever types; without this, anew for each call in a test.
typer.main.get_command = functools.cache(typer.main.get_command)

from tests import demo_made  # noqa: E402

# Each run tries other examples, and runs are many.
settings.register_profile("run", max_examples=40)
settings.load_profile("run")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that want the whole demo come first, so that one process makes it at once; those that want its log come
    last, so that no other waits for it."""

    def turn(item: pytest.Item) -> int:
        wanted = getattr(item, "fixturenames", ())
        return 2 if "demo_log" in wanted else 0 if "made_demo" in wanted else 1

    items.sort(key=turn)


@pytest.fixture(scope="session")
def demo_log(made_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with the demo shop in it, learned. Shared by this process's tests: copy it before logging anything."""
    return Path(shutil.copy(made_demo / "trimfit-demo" / "demo.trimfit", tmp_path_factory.mktemp("demo")))


@pytest.fixture(scope="session")
def demo_advice(demo_log: Path) -> list[Advice]:
    """What `ask --all` answers for the demo shop."""
    from tests.opened import on
    from trimfit.verbs.ask import ask_all

    return on(demo_log, ask_all)


@pytest.fixture(scope="session")
def small_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """As `demo_log`, with the first sixty reeds of one type: learned in a fraction of the time."""
    made = demo_made.once(tmp_path_factory, "small-demo", demo_made.small)
    return Path(shutil.copy(made / "demo.trimfit", tmp_path_factory.mktemp("small")))


@pytest.fixture(scope="session")
def made_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which `trimfit demo` was typed: what it made, and what it printed in `printed`. Only to be read."""
    return demo_made.once(tmp_path_factory, "made-demo", demo_made.typed)


@pytest.fixture(scope="session", autouse=True)
def _each_policy_is_solved_and_each_log_fitted_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What the package solves and fits is made once for all processes of this run; a test that imports `solve` or
    `fit_model` solves and fits."""
    from trimfit.planner import policy_solver
    from trimfit.regression.fitting import steps

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(policy_solver, "solve", demo_made.solved_once(tmp_path_factory, policy_solver.solve))
        patch.setattr(steps, "fit_model", demo_made.fitted_once(tmp_path_factory, steps.fit_model))
        yield


@pytest.fixture
def exact_policies() -> Iterator[None]:
    """Each log's policies are those of its own costs, on the package's own grid."""
    with demo_made.exactly_solved():
        yield
