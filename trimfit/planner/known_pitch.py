"""Where E and F meet in a chanter, as far as more is known of it than a reed's own type tells.

The meeting pitch belongs chiefly to the chanter. A type that has hardly been cut may meet anywhere by its own course;
other types that were trimmed to the end in the same chanter leave it a few hertz, and so, a few more, do the pitches
that chanters have at all. The information of each about the meeting pitch of a reed is 1/(variance +
REED_MEETING_CENTS²). The best of them stands in for what the reed's own type tells: what is added is how much more
information it has than that, so that nothing is counted twice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from trimfit.base.records import Chanter
from trimfit.planner.aim import Aim, see
from trimfit.regression.chanters.kinds import ChanterFacts, facts_of
from trimfit.regression.posterior.reed import known_coding, typical_state
from trimfit.regression.priors import MEETING_CENTS, REED_MEETING_CENTS

if TYPE_CHECKING:
    from trimfit.regression.fitted_model import FittedModel

__all__ = ["KnownPitch"]


class KnownPitch:
    """What one fitted model knows of chanters' meeting pitches by reed types; each worked out once."""

    def __init__(self, model: FittedModel) -> None:
        self._model = model
        self._typical: dict[tuple[int, str, float | None, ChanterFacts], tuple[float, float]] = {}

    def hint(self, aim: Aim, type_code: int, record: Chanter | None) -> tuple[float, float]:
        """Mean (cents from 440 Hz) of the meeting pitch in the aim's chanter by what is known besides the reed's own
        type, and the information in that (1/cents²); (0, 0) where there is nothing to add."""
        if aim.chanter is None:
            return 0.0, 0.0
        fact = facts_of(record) if record is not None else ChanterFacts()
        _, own_sd = self._of(aim, type_code, fact)
        others = [self._of(aim, code, fact) for code in range(self._model.n_types) if code != type_code]
        mean, sd = min([MEETING_CENTS, *others], key=lambda one: one[1])
        own, more = (1.0 / (value**2 + REED_MEETING_CENTS**2) for value in (own_sd, sd))
        return (mean, more - own) if more > own else (0.0, 0.0)

    def _of(self, aim: Aim, type_code: int, fact: ChanterFacts) -> tuple[float, float]:
        """Where a type's typical reed meets in the aim's chanter: mean and standard deviation, cents."""
        key = (type_code, aim.chanter or "", aim.pressure_kpa, fact)
        if key not in self._typical:
            types = self._model.coding.types
            coding = known_coding(self._model, types if type_code < len(types) else (*types, ""))
            state = typical_state(self._model, coding, type_code, aim.chanter or "", fact)
            self._typical[key] = see(state, replace(aim, worked_in=None, spaced_cents=None), 0.0, 0.0).meeting()
        return self._typical[key]
