"""A fitted model's movement in the words of the trade: cents of gap and crow per √day, and what a week does to a reed.

Plain figures of `process.Movement`: nothing is estimated here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trimfit.base.normal import Z90, interval
from trimfit.base.units import Interval
from trimfit.regression.movement.process import DIRECTIONS, SETTLE, Movement

CROW, GAP, PITCH = (DIRECTIONS.index(name) for name in ("crow", "gap", "pitch"))
WEEK_DAYS = 7.0
ASSUMED_SHARE = 0.7
"""A figure whose spread is still this share of the assumed one, or more, is called assumed."""
ASSUMED_DF = 2.0
"""What is assumed of a walk counts for so many degrees of freedom: it may be half as large, or four times."""


@dataclass(frozen=True, slots=True)
class MovementTerms:
    """How reeds of one type move with no work done on them; intervals hold 90 %.

    walk_…: standard deviation of the random walk after one day. settle_…: mean cents that the gap settles in all,
    by age and after each cut; settle_…_interval_cents: these with their intervals, settle_assumed: which of `age`
    and `work` rest on assumption, what was read having narrowed them little. sitting_gap_cents: standard deviation
    of the error that a sitting's readings share. left_week_gap_cents: half of the 90 % interval of the gap of a
    settled reed that was read a week ago, the error of that sitting counted in, one reading's own error and rare
    jumps left out. spans: how many pairs of sittings with no work between this rests on; assumed: there was none.
    """

    walk_gap_cents_per_sqrt_day: Interval
    walk_crow_cents_per_sqrt_day: Interval
    walk_pitch_cents_per_sqrt_day: Interval
    settle_age_gap_cents: float
    settle_work_gap_cents: float
    sitting_gap_cents: float
    jumps_per_day: float
    left_week_gap_cents: float
    spans: int
    assumed: bool
    settle_age_gap_interval_cents: Interval
    settle_work_gap_interval_cents: Interval
    settle_assumed: tuple[str, ...]


def movement_terms(movement: Movement, type_code: int) -> MovementTerms:
    """The movement of a type in words of the trade.

    The interval of a walk is that of a variance by the chi-squared law (NIST/SEMATECH e-Handbook of Statistical
    Methods, 1.3.5.8), with as many degrees of freedom as spans that show the walk alone would tell as much (`walk_df`),
    and ASSUMED_DF for what is assumed. That law has every variance over nothing; a variance w of `walk_df` n is known
    to w sqrt(2 / n), so that with n under 2 Z90² its spans do not tell it from none, and the interval begins at 0.
    """
    from scipy.special import chdtri

    one = movement.of(type_code)
    told = movement.walk_df[min(type_code, len(movement.spans) - 1)]

    def walk(direction: int) -> Interval:
        sd, df = float(np.sqrt(one.walk[direction, direction])), float(told[direction]) + ASSUMED_DF
        low, high = (sd * float(np.sqrt(df / chdtri(df, tail))) for tail in (0.05, 0.95))
        return Interval(sd, 0.0 if told[direction] < 2.0 * Z90**2 else low, high)

    t = min(type_code, len(movement.spans) - 1)
    error, usual = movement.settle_sd[t, :, GAP], np.sqrt(SETTLE[:, GAP, GAP])
    age, work = (interval(float(one.settle[k, GAP]), float(error[k])) for k in range(2))
    week_var = WEEK_DAYS * one.walk[GAP, GAP] + one.sitting[GAP, GAP]
    return MovementTerms(
        walk_gap_cents_per_sqrt_day=walk(GAP),
        walk_crow_cents_per_sqrt_day=walk(CROW),
        walk_pitch_cents_per_sqrt_day=walk(PITCH),
        settle_age_gap_cents=float(one.settle[0, GAP]),
        settle_work_gap_cents=float(one.settle[1, GAP]),
        sitting_gap_cents=float(np.sqrt(one.sitting[GAP, GAP])),
        jumps_per_day=one.jumps_per_day,
        left_week_gap_cents=Z90 * float(np.sqrt(week_var)),
        spans=round(one.spans),
        assumed=one.spans == 0,
        settle_age_gap_interval_cents=age,
        settle_work_gap_interval_cents=work,
        settle_assumed=tuple(
            name for name, sd, prior in zip(("age", "work"), error, usual, strict=True) if sd > ASSUMED_SHARE * prior
        ),
    )
