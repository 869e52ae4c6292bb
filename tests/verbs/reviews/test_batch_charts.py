"""Control charts of a log's batches: the level's walk and the run length in words, and a worn mould in a whole shop."""

from __future__ import annotations

import re

import numpy as np
import pytest

from tests.worlds.drift import worn
from trimfit.review.statistics.control_charts import arl_ewma_under_drift
from trimfit.verbs.reviews.batch_charts import EWMA_WEIGHT, WIDTH, _level, _run_length


def test_a_level_that_walks_is_told_and_chance_is_not() -> None:
    rng = np.random.default_rng(4)
    sd = np.full(20, 8.0)
    said = [_level(rng.normal(0.0, 8.0, 20), sd) for _ in range(100)]
    assert sum(bool(one) for one in said) <= 12  # one in twenty promised
    walked = _level(np.linspace(30.0, -30.0, 20) + rng.normal(0.0, 8.0, 20), sd)
    moved = re.search("moved by \u2212([0-9]+) cents", walked)
    assert moved
    assert 35 < int(moved[1]) < 75
    assert _level(np.zeros(9), np.ones(9)) == ""


def test_the_run_length_told_is_that_of_the_tables() -> None:
    said = _run_length(np.array([7.0, 8.0, 9.0]))
    assert "a drift of 4 cents with every batch" in said
    assert f"after {arl_ewma_under_drift(EWMA_WEIGHT, WIDTH, 0.5):.0f} batches" in said


@pytest.mark.slow
def test_a_worn_mould_shows_in_its_own_chart_alone() -> None:
    """One type's crow rises 8 cents with every batch of a whole shop; the other types' charts stay silent."""
    mine, others, charts = worn(503, 8.0)
    assert (mine, others, charts) == (1, 0, 2)
