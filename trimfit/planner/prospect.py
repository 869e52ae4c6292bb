"""Which blanks of the stock to start an order with: how much would come off, in how many cuts, with what chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trimfit.planner.aim import Aim, AimPosterior
from trimfit.planner.choice import Choice, Rules, choose
from trimfit.planner.lip_work import LipPlan
from trimfit.planner.policy_table import PolicyTable

__all__ = ["Prospect", "prospect"]


@dataclass(frozen=True, slots=True)
class Prospect:
    """What a blank promises for an aim. `chance_sharp`: that it is past the meeting point before any cut."""

    length_mm: float
    trims: float
    chance_good: float
    chance_sharp: float
    out_of_reach: bool
    choice: Choice


def prospect(posterior: AimPosterior, aim: Aim, table: PolicyTable, rules: Rules) -> Prospect:
    """What a blank with this posterior promises: predicted trim in mm, cuts, chance of ending good for the aim.

    The chance is that of not being past already, times that of staying within the ceiling, times that of the target
    pitch being had (1 without one), times that of the blade being long enough; for a chanter that is away, what the
    policy gives there.
    """
    choice = choose(posterior, aim, table, rules)
    sharp = float(posterior.chance_over(aim.tolerance_cents, np.zeros(1), 0.0, rules.error)[0])
    need = posterior.need_mm()
    slope = max(float(posterior.mean[1]), 5.0)
    need_sd = float(np.sqrt(posterior.cov[0, 0])) / slope + need * posterior.slope_log_sd
    room = aim.most_removed_mm - posterior.removed_mm
    blade = 1.0 / (1.0 + np.exp(-1.7 * (room - need) / max(need_sd, 1e-3)))
    lips = LipPlan(posterior, aim, table.costs, rules.error, need)
    pitch = 1.0
    if aim.target_cents is not None:
        pitch = 1.0 - min(lips.outside, lips.stroke()[1] / max(table.costs.outside_minutes, 1e-9), 1.0)
    good = (1.0 - sharp) * (1.0 - rules.chance_past_ceiling) * float(blade) * pitch
    if table.costs.beyond_sd_cents:
        good = choice.chance_within  # of a chanter that is away: however well it is worked
    return Prospect(need, choice.trims_left, good, sharp, lips.out_of_reach, choice)
