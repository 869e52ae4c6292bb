"""A type's costs and its policy table, solved once and kept in the log."""

from __future__ import annotations

import json

import numpy as np

from trimfit.base.errors import LogError, TrimfitError
from trimfit.base.pitch import hz_width_cents
from trimfit.base.progress import Progress
from trimfit.base.records import Settings
from trimfit.log.journal import Journal
from trimfit.planner.policy_table import Costs, PolicyTable, table_from_bytes, table_to_bytes
from trimfit.planner.quantities import CutError
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.movement.process import DIRECTIONS
from trimfit.regression.outputs import GAP

_KEPT_AS = "policy:"
MOST_KEPT = 40
"""So many policies stay in a log, of 1.5 megabytes each; the first ones kept go, and are solved anew if asked for."""


def cut_error_of(model: FittedModel, settings: Settings) -> CutError:
    """The execution error: learned from the log where it tells, else the shop's setting."""
    if model.cut_error_pct is not None and model.cut_error_mm is not None:
        return CutError(model.cut_error_pct, model.cut_error_mm)
    return CutError(settings.cut_error_pct, settings.cut_error_mm)


def costs_of(model: FittedModel, type_code: int, settings: Settings, readings_each: int = 1) -> Costs:
    """The costs and errors that the policy of a type rests on, rounded so that near ones share a table.

    readings_each: so many readings, of one sitting, are taken of each state and count as one.
    """
    movement, gap = model.movement.of(type_code), DIRECTIONS.index("gap")
    sitting = movement.sitting[gap, gap]
    reading_sd = float(np.sqrt(GAP @ model.noise_cov @ GAP * model.scales_of(type_code)[0] / readings_each + sitting))
    slope = max(float(GAP @ model.type_coef(type_code)[1]), 5.0)
    error = cut_error_of(model, settings)
    wait_days, again_days = model.wait_days, model.again_days
    settled, moved = movement.moves_in(wait_days, np.array([0.0, 1.0 if wait_days > 0.0 else 0.0]))
    lies = max(wait_days, again_days)
    return Costs(
        settings.minutes_per_cut,
        readings_each * settings.minutes_per_reading,
        settings.cost_outside_minutes,
        round(hz_width_cents(settings.tolerance_hz, 470.0), 2),
        round(reading_sd, 1),
        round(error.pct / 100.0, 3),
        round(error.constant_mm * slope, 1),
        round(float(settled[gap]), 1),
        round(float(np.sqrt(moved[gap, gap])), 1),
        round(float(np.sqrt(again_days * movement.walk[gap, gap])), 1),
        round(movement.chance_of_jump(wait_days), 3),
        round(movement.chance_of_jump(again_days), 3),
        round(float(np.sqrt(movement.jump_in(lies)[gap, gap])), 0) if lies else 0.0,
        settings.cost_lost_minutes,
        sitting_sd_cents=0.0 if again_days > 0.0 else round(float(np.sqrt(sitting)), 1),
    )


class Policies:
    """The policy tables of one open log, each decoded or solved once.

    One that was solved is kept in the log: at once, or where a read transaction stands open, by `keep` after it.
    """

    def __init__(self, journal: Journal, progress: Progress) -> None:
        self._journal, self._progress = journal, progress
        self._tables: dict[Costs, PolicyTable] = {}
        self._solved: dict[str, bytes] = {}

    def of(self, costs: Costs) -> PolicyTable:
        """The policy for these costs: as it was read before, else from the log, else solved now."""
        if costs not in self._tables:
            self._tables[costs] = self._kept(costs) or self._solve(costs)
        return self._tables[costs]

    def keep(self) -> None:
        """Keep in the log what was solved since; a log that cannot be written does without."""
        solved, self._solved = self._solved, {}
        if solved and not self._journal.read_only:
            self._journal.learned_put(solved, (_KEPT_AS, MOST_KEPT))

    def _kept(self, costs: Costs) -> PolicyTable | None:
        kept = self._journal.learned_get(_key(costs))
        if kept is None:
            return None
        try:
            return table_from_bytes(kept)
        except LogError:
            return None

    def _solve(self, costs: Costs) -> PolicyTable:
        from trimfit.planner.policy_solver import solve

        self._progress("working out the plan", 0, 1)
        kept = self._solved[_key(costs)] = table_to_bytes(solve(costs))
        self._progress("working out the plan", 1, 1)
        if not self._journal.in_transaction:
            self.keep()
        return table_from_bytes(kept)  # as it will be read next time: the same question has the same answer


class KeptPolicies(Policies):
    """The tables that the log keeps: one that would have to be solved raises TrimfitError, for whom it takes too
    long."""

    def _solve(self, costs: Costs) -> PolicyTable:
        raise TrimfitError("no plan is worked out yet", remedy="ask after the reed first")


def _key(costs: Costs) -> str:
    return _KEPT_AS + json.dumps([getattr(costs, name) for name in costs.__slots__])
