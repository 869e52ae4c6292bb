"""One page for the tests that only look, a log of its own for each test that writes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.web.visitor import Visitor, serving


@pytest.fixture(scope="session")
def look(demo_log: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visitor]:
    """A visitor to the demo shop's page, shared: nothing is logged by it."""
    log = tmp_path_factory.mktemp("looked-at") / "demo.trimfit"
    log.write_bytes(demo_log.read_bytes())
    with serving(log) as visitor:
        yield visitor


@pytest.fixture
def log(demo_log: Path, tmp_path: Path) -> Path:
    """A copy of the learned demo shop to write into."""
    path = tmp_path / "demo.trimfit"
    path.write_bytes(demo_log.read_bytes())
    return path


@pytest.fixture
def visitor(log: Path) -> Iterator[Visitor]:
    """A visitor to a page whose log may be written into."""
    with serving(log) as found:
        yield found
