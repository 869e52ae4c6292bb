"""How long a reed will lie before its next reading: by its own visits so far, and by the shop's.

How far a reed moves before it is next read grows with the days that it lies. Whether those are none, one or seven is a
matter of the run it belongs to and of the maker's week: a reed's own visits say more of it than the shop's usual wait,
which counts as one visit. The median is taken, so that of three visits or more one holiday changes little. Visits begin
with the first reading of F and E: how long a blank lay on the shelf says nothing of them. A reed that was never left
without work lies as long as it did after work: who comes once a week reads it again in a week.
"""

from __future__ import annotations

from itertools import dropwhile, pairwise
from statistics import median

from trimfit.base.iso_dates import DAY_S
from trimfit.base.records import ReedHistory
from trimfit.regression.movement.process import SITTING_DAYS


def days_to_next(history: ReedHistory, usual_days: float, *, work: bool) -> float:
    """Days from a reading of the reed to its next, with work between or without; 0 where that is one sitting.

    usual_days: the shop's.
    """
    visits = dropwhile(lambda reading: not {"f", "e"} <= reading.record.notes_hz.keys(), history.readings)
    read = [reading.at_s for reading in visits]
    trimmed = [trim.at_s for trim in history.trims]
    after: dict[bool, list[float]] = {True: [], False: []}
    for earlier, later in pairwise(read):
        after[any(earlier <= at < later for at in trimmed)].append((later - earlier) / DAY_S)
    days = float(median([usual_days, *(after[work] or after[not work])]))
    return days if days > SITTING_DAYS else 0.0
