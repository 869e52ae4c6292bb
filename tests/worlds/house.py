"""The house's own learner and planner as a policy for `play`: fitted on a world's history, never shown its physics."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from tests.worlds.play import TOLERANCE_CENTS, Move, Seen
from tests.worlds.shop import World
from trimfit.base.pitch import hz_width_cents
from trimfit.base.records import Settings
from trimfit.planner.aim import Aim, see
from trimfit.planner.choice import Choice, Rules, Unconfirmed, choose
from trimfit.planner.policy_solver import solve
from trimfit.planner.policy_table import PolicyTable
from trimfit.planner.quantities import CutError
from trimfit.regression.design import rows_from_frame, sort_rows
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import fit_model
from trimfit.regression.movement.explanations import Explanation, explained, latest_sitting
from trimfit.regression.movement.process import settled
from trimfit.regression.posterior.reed import ReedState, batch_states, known_coding
from trimfit.session.policies import costs_of

__all__ = ["HousePlanner", "learned", "state_of"]

OUTSIDE_MINUTES = 120.0
BALANCE_CENTS = hz_width_cents(1.0, 470.0)


def learned(world: World, rng: np.random.Generator, n: int = 360, *, batches_per_type: int = 10) -> FittedModel:
    """The fitted model of a shop whose past reeds are drawn from the world."""
    rows, types, chanters = rows_from_frame(world.history(rng, n, batches_per_type=batches_per_type).frame)
    return fit_model(rows, types, chanters, pressure_kpa=6.0, temperature_c=20.0, balance_cents=BALANCE_CENTS)


def state_of(model: FittedModel, frame: object, chanter: str | None) -> tuple[ReedState, int]:
    """Belief about one reed of a batch never seen, from its own readings (a frame of the estimator's columns)."""
    state, code, _ = states_of(model, frame, chanter)
    return state, code


def states_of(model: FittedModel, frame: object, chanter: str | None) -> tuple[ReedState, int, tuple[Explanation, ...]]:
    """`state_of`, and the other explanations of the reed's latest readings."""
    rows, types, chanters = rows_from_frame(frame, model.coding)  # type: ignore[arg-type]
    names = chanters if chanter is None or chanter in chanters else (*chanters, chanter)
    code = int(rows.type_code[0])
    rows = sort_rows(rows)
    coding = known_coding(model, types)
    states, _, weighed = batch_states(
        model,
        rows,
        coding,
        code,
        in_fit=np.zeros(len(rows), dtype=bool),
        extra_chanters=[names.index(chanter)] if chanter is not None else [],
        chanter_names=names,
    )
    latest = latest_sitting(states[0], weighed, coding, names, 0, settled(rows)[-1])
    state, others = explained(states[0], latest, model.wild_share)
    return state, code, others


def since_cut(seen: Seen) -> int:
    """How often F and E were read together since the last trim."""
    both = [one for one in seen.readings if one.get("f_hz") and one.get("e_hz")]
    return sum(one["removed_mm"] == seen.removed_mm and one["lip_strokes"] == seen.lip_strokes for one in both)


@dataclass
class HousePlanner:
    """Belief from the fitted model, the next step from `choose`. One policy table a type. longest_mm: the longest cut
    that the shop has logged; a reed's own cuts count besides."""

    model: FittedModel
    ceiling: float = 0.01
    longest_mm: float = math.inf
    error: CutError = field(default_factory=CutError)
    name: str = "trimfit"
    tables: dict[int, PolicyTable] = field(default_factory=dict)

    def table(self, code: int) -> PolicyTable:
        """The policy of a type, solved once."""
        if code not in self.tables:
            # the costs of the package's own sessions, for reeds that are worked to their end in one sitting
            at_once = replace(self.model, wait_days=0.0, again_days=0.0)
            costs = costs_of(at_once, code, Settings(cost_outside_minutes=OUTSIDE_MINUTES))
            self.tables[code] = solve(replace(costs, tolerance_cents=TOLERANCE_CENTS))
        return self.tables[code]

    def choice(self, seen: Seen) -> Choice:
        """The whole choice for one reed."""
        state, code, explanations = states_of(self.model, seen.frame(), seen.chanter)
        aim = Aim(seen.chanter, None, seen.target_pitch_cents, seen.tolerance_cents, seen.limit_mm)
        belief = see(state, aim, seen.removed_mm, seen.lip_strokes)
        others = [
            Unconfirmed(one.chance, see(one.state, aim, seen.removed_mm, seen.lip_strokes), one.moved)
            for one in explanations
        ]
        longest_mm = max(self.longest_mm, *(float(str(trim["length_mm"])) for trim in seen.trims), 0.0)
        rules = Rules(self.ceiling, 0.01, 120.0, self.error, longest_mm if 0.0 < longest_mm < math.inf else None)
        return choose(belief, aim, self.table(code), rules, others, since_cut(seen))

    def __call__(self, seen: Seen, /) -> Move:
        """The next move for this reed."""
        c = self.choice(seen)
        return Move(c.action, c.length_mm, c.lip_strokes, c.chance_past)
