"""A run played out beforehand: what the table states of its own policy happens to the reeds that are drawn."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.planner.make_aim import EXACT, aim_of, state_of
from trimfit.planner.aim import see
from trimfit.planner.policy_table import Costs, PolicyTable, solve
from trimfit.planner.rehearsal import Run, rehearse

STILL = Costs(4.0, 1.5, 60.0, 3.68, 1.3, 0.0, 0.0)
MOVING = replace(STILL, wait_mean_cents=0.8, wait_sd_cents=2.0, again_sd_cents=1.2)
RUNG, REEDS = 2, 1500


@cache
def table(costs: Costs) -> PolicyTable:
    return solve(costs)


@cache
def run(costs: Costs) -> Run:
    """Reeds 14 cents short whose slopes are nearly known, read with an error of 1.3 cents."""
    noise = np.zeros((10, 10))
    noise[np.arange(10), np.arange(10)] = 0.5 * costs.reading_sd_cents**2
    posterior = see(state_of(-14.0, gap_sd=1.1, slope_sd=1.2, noise=noise), aim_of(), 0.0, 0.0)
    rng = np.random.default_rng(3)
    return rehearse([posterior] * REEDS, aim_of(), table(costs), RUNG, EXACT, 0.001, rng)


@pytest.mark.parametrize("costs", [STILL, MOVING])
def test_what_the_table_states_happens_whether_reeds_move_between_visits_or_not(costs: Costs) -> None:
    one = np.ones(1)
    corners = table(costs).corners(-14.0 * one, 1.1**2 * one, 0.02 * one)
    past, cuts = (float(table(costs).at(what, RUNG, corners)[0]) for what in (table(costs).past, table(costs).cuts))
    found = run(costs)
    assert found.past == pytest.approx(past, abs=4.0 * found.past_se + 0.004)
    assert found.trims_per_reed == pytest.approx(cuts, abs=4.0 * found.trims_se + 0.1)


def test_reeds_that_move_between_visits_take_more_readings_and_go_past_more_often() -> None:
    assert run(MOVING).readings_per_reed > run(STILL).readings_per_reed
    assert run(MOVING).past > run(STILL).past
