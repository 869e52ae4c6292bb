"""One thread for linear algebra (small matrices; set before numpy loads), and the demo shop, learned once."""

from __future__ import annotations

import os
import time
from pathlib import Path

from tests.opened import on

# What is typed is on the machine's clock: the tests have one clock, wherever they run.
os.environ["TZ"] = "UTC"
time.tzset()

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Answers are as of now, which here is the day after the demo shop's last reading, on whatever day tests are run.
os.environ.setdefault("TRIMFIT_NOW", "2026-09-18T17:00")

import pytest  # noqa: E402

DEMO = Path(__file__).parents[1] / "datasets_demo" / "shop"


@pytest.fixture(scope="session")
def demo_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with the demo shop in it, learned. Shared by all tests: copy it before logging anything."""
    from trimfit.log.journal import Journal
    from trimfit.log.sheets.folder_import import import_folder
    from trimfit.verbs.learn import learn

    path = tmp_path_factory.mktemp("demo") / "demo.trimfit"
    with Journal(path, create=True) as journal:
        import_folder(journal, DEMO)
    on(path, learn)
    return path
