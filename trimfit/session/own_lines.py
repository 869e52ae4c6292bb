"""What a reed's own readings say by themselves: straight lines through its F and its E, and where these meet.

A second opinion beside the advice, which leans on all the reed's kin and on its type's curve. Its own lines lean on
nothing but the bench's reading error; they are wide where the readings are few.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trimfit.base.errors import InputError
from trimfit.base.normal import hz_interval
from trimfit.base.pitch import OUTPUTS
from trimfit.base.records import Reading
from trimfit.base.units import Interval
from trimfit.planner.aim import Aim
from trimfit.regression.readings.rows import reading_cents, taken_before
from trimfit.regression.straight_lines import lines_through, meeting_point, root_limits

if TYPE_CHECKING:
    from trimfit.session.open_log import Bench, Seen

LEAST_READINGS = 3


@dataclass(frozen=True, slots=True)
class OwnLines:
    """Where a reed's own lines meet: what has yet to come off (mm; below zero: it is past) and the pitch there (Hz)."""

    readings: int
    need_mm: Interval
    meet_pitch_hz: Interval


def aims_air(seen: Seen, aim: Aim) -> tuple[float, float]:
    """Pressure (kPa) and temperature (°C) that the aim is said for; the bench's usual ones where it says none."""
    kpa = aim.pressure_kpa if aim.pressure_kpa is not None else seen.state.pressure_kpa
    deg_c = aim.temperature_c if aim.temperature_c is not None else seen.state.temperature_c
    return kpa, deg_c


def in_aims_air(bench: Bench, seen: Seen, aim: Aim, reading: Reading) -> list[float]:
    """The ten outputs of a reading, cents from 440 Hz, taken to the aim's pressure and warmth; NaN where not taken."""
    k, state = len(OUTPUTS), seen.state
    kpa, deg_c = aims_air(seen, aim)
    # a reading without a pressure or a temperature counts as taken under the bench's usual one, as in the fit
    blown = (state.pressure_kpa if reading.pressure_kpa is None else reading.pressure_kpa) - kpa
    warm = (state.temperature_c if reading.temperature_c is None else reading.temperature_c) - deg_c
    cents = reading_cents(reading, bench.scale)
    return [c - blown * float(state.mean[4 * k + n]) - warm * float(state.mean[5 * k + n]) for n, c in enumerate(cents)]


def own_lines(bench: Bench, seen: Seen, aim: Aim) -> OwnLines | None:
    """The reed's own lines in the aim's chanter and air, of readings since its lips were last worked and since the last
    event, after which its level may be any other.

    None for fewer than three readings of F and E that count in full, for readings at one length, and where they do not
    settle whether the lines meet ahead at all.
    """
    notes = [OUTPUTS.index("f"), OUTPUTS.index("e")]
    taken: list[tuple[float, float, float]] = []
    event_s = max((one.at_s for one in seen.history.events), default=-math.inf)
    for logged in seen.history.readings:
        if logged.at_s < event_s:
            continue
        removed, strokes = taken_before(seen.history, logged)
        if logged.record.chanter != aim.chanter or strokes != seen.lip_strokes or logged.entry in seen.low_weight:
            continue
        f, e = (in_aims_air(bench, seen, aim, logged.record)[note] for note in notes)
        if not math.isnan(f + e):
            taken.append((removed - seen.removed_mm, f, e))
    if len(taken) < LEAST_READINGS:
        return None
    x, *both = np.array(taken).T
    try:
        mean, cov = lines_through(x, np.column_stack(both), seen.state.noise_cov[np.ix_(notes, notes)])
        meet = meeting_point(mean, cov)
    except InputError:
        return None
    gap = np.kron(np.array([[1.0, -1.0]]), np.eye(2))
    low, high = root_limits(gap @ mean, gap @ cov @ gap.T, 0.0)
    if not math.isfinite(low + high):
        return None
    pitch = hz_interval(meet.pitch_cents, math.sqrt(float(meet.covariance[1, 1])))
    return OwnLines(len(taken), Interval(meet.length_mm, low, high), pitch)
