"""One reed against time: what the log said of its F and E at each visit and while it lay, for the picture of it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime

import numpy as np

from trimfit.base.iso_dates import own_minute
from trimfit.base.normal import hz_interval
from trimfit.base.pitch import OUTPUTS
from trimfit.base.units import Interval
from trimfit.planner.aim import Aim
from trimfit.regression.outputs import Array
from trimfit.review.results import ReedStory, TimeMark, TimePoint
from trimfit.session.open_log import Bench, Seen

DAY_S = 86400.0
MOST_MOMENTS = 14
SITTING_S = 6 * 3600.0
"""Entries closer together than this are one visit."""
LONGEST_IDLE_DAYS = 30.0
"""What is drawn of a reed's lying since its last entry."""


def day_of(text: str) -> float:
    """Days since 1970 of a time of the log, as the clock stood where it was written: the same on every machine."""
    clock = datetime.fromisoformat(own_minute(text))
    return (clock - datetime(1970, 1, 1)).total_seconds() / DAY_S


def in_time(bench: Bench, seen: Seen, story: ReedStory) -> ReedStory:
    """The story with its reed against time: the posterior of F and E as of at most MOST_MOMENTS moments (at the end of
    each visit, and just before the next, so that a band between them widens as the reed lies), and what was done.

    Left as it is where there was one visit only, or no chanter to say F and E for.
    """
    aim = bench.aim(seen)
    history = seen.history
    readings = history.readings
    if aim.chanter is None or not story.points or readings[-1].at_s - readings[0].at_s < SITTING_S:
        return story
    shift_days = day_of(readings[-1].record.taken_at) - readings[-1].at_s / DAY_S
    points = []
    for at_s in _moments(bench, seen):
        then = bench.as_of(at_s)
        spans = hz_spans(*f_and_e(then.see_reed(history.reed.record, [aim.chanter]), aim))
        points.append(TimePoint(at_s / DAY_S + shift_days, *spans))
    marks = [
        TimeMark(trim.at_s / DAY_S + shift_days, f"{trim.record.length_mm or 0.0:.2f} mm", cut=True)
        for trim in history.trims
    ]
    marks += [TimeMark(event.at_s / DAY_S + shift_days, event.record.event, cut=False) for event in history.events]
    return replace(story, in_time=tuple(points), marks=tuple(sorted(marks, key=lambda mark: mark.day)))


def _moments(bench: Bench, seen: Seen) -> list[float]:
    """The moments asked about, in order (seconds since 1970 UTC): the last MOST_MOMENTS of them."""
    history = seen.history
    every = [r.at_s for r in history.readings] + [t.at_s for t in history.trims] + [e.at_s for e in history.events]
    entries = sorted(at_s for at_s in every if at_s >= history.readings[0].at_s)
    moments: list[float] = []
    for place, at_s in enumerate(entries):
        if place and at_s - entries[place - 1] > SITTING_S:
            moments.append(at_s - 1.0)  # what was known of it before this visit
        if place + 1 == len(entries) or entries[place + 1] - at_s > SITTING_S:
            moments.append(at_s)
    last = entries[-1]
    now = min(bench.at_s, last + LONGEST_IDLE_DAYS * DAY_S)
    if now - last > SITTING_S:
        moments.append(now)
    return moments[-MOST_MOMENTS:]


def f_and_e(seen: Seen, aim: Aim, more_mm: float = 0.0) -> tuple[Array, Array]:
    """Mean (2,) and covariance (2, 2) of F and E as low A in the aim's chanter and air, cents from 440 Hz, when so much
    more has come off."""
    removed_mm = seen.removed_mm + more_mm
    design = seen.state.design(removed_mm, seen.lip_strokes, aim.chanter, aim.pressure_kpa, aim.temperature_c)
    return seen.state.outputs(design[[OUTPUTS.index("f"), OUTPUTS.index("e")]])


def hz_spans(mean: Array, cov: Array) -> list[Interval]:
    """90 % intervals in Hz of values (n,) in cents from 440 Hz."""
    return [hz_interval(float(m), math.sqrt(max(float(v), 0.0))) for m, v in zip(mean, np.diag(cov), strict=True)]
