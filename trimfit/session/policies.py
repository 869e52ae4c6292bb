"""A type's costs and its policy table, solved once and kept in the log."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from trimfit.base.errors import LogError

if TYPE_CHECKING:
    from trimfit.base.records import Settings
    from trimfit.log.journal import Journal
    from trimfit.planner.policy_table import Costs, PolicyTable
    from trimfit.regression.fitted_model import FittedModel

__all__ = ["costs_of", "policy_for"]


Tell = Callable[[str, int, int], None]


def _quiet(step: str, done: int, whole: int) -> None:
    return None


def cut_error_of(model: FittedModel, settings: Settings) -> Any:
    """The execution error: learned from the log where it tells, else the shop's setting."""
    from trimfit.planner.aim import CutError

    if model.cut_error_pct is not None and model.cut_error_mm is not None:
        return CutError(model.cut_error_pct, model.cut_error_mm)
    return CutError(settings.cut_error_pct, settings.cut_error_mm)


def costs_of(model: FittedModel, type_code: int, settings: Settings) -> Costs:
    """The costs and errors that the policy of a type rests on, rounded so that near ones share a table."""
    import numpy as np

    from trimfit.base.pitch import hz_width_cents
    from trimfit.planner.aim import GAP
    from trimfit.planner.policy_table import Costs
    from trimfit.regression.movement.process import DIRECTIONS

    known = 0 <= type_code < model.n_types
    scale = float(model.noise_scale[type_code]) if known else float(np.mean(model.noise_scale))
    sitting = model.movement.of(type_code).sitting[DIRECTIONS.index("gap"), DIRECTIONS.index("gap")]
    reading_sd = float(np.sqrt(GAP @ model.noise_cov @ GAP * scale + sitting))
    slope = max(float(GAP @ model.type_coef(type_code if known else -1)[1]), 5.0)
    error = cut_error_of(model, settings)
    return Costs(
        settings.minutes_per_cut,
        settings.minutes_per_reading,
        settings.cost_outside_minutes,
        round(hz_width_cents(settings.tolerance_hz, 470.0), 2),
        round(reading_sd, 1),
        round(error.pct / 100.0, 3),
        round(error.constant_mm * slope, 1),
    )


def policy_for(journal: Journal, costs: Costs, tell: Tell = _quiet) -> PolicyTable:
    """The policy for these costs: from the log where it was solved before, else solved now and kept."""
    from trimfit.planner.policy_table import solve, table_from_bytes, table_to_bytes

    key = "policy:" + json.dumps([getattr(costs, name) for name in costs.__slots__])
    kept = journal.learned_get(key)
    if kept is not None:
        try:
            return table_from_bytes(kept)
        except LogError:
            pass
    tell("working out the plan", 0, 1)
    table = solve(costs)
    tell("working out the plan", 1, 1)
    if not getattr(journal, "read_only", False):
        journal.learned_put({key: table_to_bytes(table)})
    return table
