"""The eight quantities of many reeds at once, against one reed and against drawn reeds."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from tests.planner.make_aim import EXACT, USUAL, belief_of
from trimfit.planner.aim import AimPosterior
from trimfit.planner.quantities import LEAST_SLOPE, Quantities


def several() -> list[AimPosterior]:
    return [
        belief_of(gap=gap, slope=slope, bend=bend, removed=removed, tie=0.3, bend_sd=2.0)
        for gap, slope, bend, removed in [(-60.0, 40.0, 5.0, 0.0), (-15.0, 90.0, -8.0, 0.4), (4.0, 60.0, 0.0, 0.7)]
    ]


def test_many_reeds_at_once_are_seen_as_each_by_itself() -> None:
    each = several()
    all_ = Quantities.of(each)
    need = all_.need_mm()
    assert need == pytest.approx([one.need_mm() for one in each], abs=1e-9)
    now = np.array([one.way_now() for one in each])
    read = np.array([one.way_left(np.zeros(1), 0.0, USUAL) for one in each])[:, :, 0]
    for alone, first in ((now, False), (read, True)):
        np.testing.assert_allclose(np.stack(all_.way_left(need, np.full(3, first)), axis=1), alone, rtol=1e-9)
    np.testing.assert_allclose(np.stack(all_.meeting(2.0), axis=1), [one.meeting(2.0) for one in each], rtol=1e-12)
    lengths = np.array([0.3, 0.0, 0.1])
    for i, (one, length) in enumerate(zip(each, lengths, strict=True)):
        mean, variance = one.after(np.array([length]), 0.0, USUAL)
        spread = float((variance[0] + (mean[0] - mean[0] @ one.weight) ** 2) @ one.weight)
        assert all_.gap_variance(lengths, USUAL)[i] == pytest.approx(spread, rel=1e-12)
    second = all_.rows(np.array([False, True, False]))
    for field in fields(Quantities):
        np.testing.assert_array_equal(getattr(second, field.name)[0], getattr(each[1], field.name))


@pytest.mark.parametrize("lengths", [[0.0, 0.0], [0.3, 0.2, 0.0], [0.5, 0.0]])
def test_the_path_of_the_pitch_is_that_of_all_its_readings_at_once(lengths: list[float]) -> None:
    # The slow version: one matrix of all readings to come, conditioned on together (Rasmussen & Williams, 2006, A.2).
    posterior = belief_of(115.0, bend_sd=6.0, pitch_bend_sd=2.0, tie=0.3, tilt=0.2)
    off = np.cumsum(lengths)
    step, square, _ = posterior._steps(np.append(off, posterior.need_mm()))
    rows, noise = [], []
    for s, q in zip(step[:-1], square[:-1], strict=True):
        for first, sd in ((0, posterior.reading_sd_cents), (4, posterior.pitch_reading_sd_cents)):
            row = np.zeros(8)
            row[first : first + 3] = 1.0, s, q
            rows.append(row)
            noise.append(sd**2)
    h = np.array(rows)
    gain = posterior.cov @ h.T @ np.linalg.inv(h @ posterior.cov @ h.T + np.diag(noise))
    left_cov = posterior.cov - gain @ h @ posterior.cov
    curve = square[-1] / step[-1]
    slope = max(posterior.mean[1] + curve * posterior.mean[2], LEAST_SLOPE * posterior.mean[1])
    ratio, way = (posterior.mean[5] + curve * posterior.mean[6]) / slope, -posterior.mean[0] / slope
    meet = np.array([-ratio, -ratio * way, -ratio * curve * way, 0.0, 1.0, way, curve * way, 0.0])
    path = Quantities.of([posterior]).meeting_sd_path(np.array([lengths]), EXACT)[0]
    whole = posterior.meeting()[1]
    gone = path[0] ** 2 - path[-1] ** 2
    assert path[0] == pytest.approx(whole)
    assert gone == pytest.approx(meet @ (posterior.cov - left_cov) @ meet, rel=1e-9)


def test_nearer_the_meeting_point_a_reading_tells_more_of_its_pitch() -> None:
    posterior = belief_of(115.0)
    lengths = np.array([[0.0], [0.9 * posterior.need_mm()]])
    as_it_is, near = Quantities.of([posterior, posterior]).meeting_sd_path(lengths, USUAL)
    assert near[1] < as_it_is[1] < as_it_is[0] == near[0]
