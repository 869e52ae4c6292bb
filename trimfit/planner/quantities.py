"""The eight quantities of many reeds at once, each seen from its aim, as arrays: what `planner.aim` says of one reed.

For n reeds: mean (n, 8) and cov (n, 8, 8) of gap_now, gap_length, gap_bend, gap_lip, pitch_now, pitch_length,
pitch_bend, pitch_lip, and the gap's slope laid on nodes (n, J, 8) as `planner.aim` derives it. A stock against all
orders is one object, so that a forecast is a few array operations for all of them; one reed is one row.

Where the gap closes, the pitch is, at the mean slopes of a node, with r cents of pitch per cent of gap on the way,

    pitch_now + pitch_lip z - r (gap_now + gap_lip z),    r = (pitch_length + c pitch_bend) / (gap_length + c gap_bend),

c being bent length squared per bent length over that way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.curve import LEAST_SLOPE_CENTS, bent_mm, slope_at, slope_law, straight_mm
from trimfit.regression.outputs import Array

NODES = 17
LEAST_SLOPE = 0.25
"""Of a type's mean slope: no slope is taken to be less."""
LEAST_NEED_MM, MOST_NEED_MM, MOST_TIE = 0.03, 12.0, 0.95
FARTHEST_CENTS, VAGUEST_CENTS = 400.0, 150.0
"""A meeting pitch is sought no farther than this from the pitch now, and called no vaguer: before any cut is logged
the way there is an assumption, and its end is not to be said to the cent."""


@dataclass(frozen=True, slots=True)
class CutError:
    """Standard deviation of what a cut really takes: pct of the length, and a constant in mm."""

    pct: float = 3.0
    constant_mm: float = 0.006

    def sd_mm(self, length_mm: Array) -> Array:
        """Standard deviation in mm of cuts of these lengths (mm); none for no cut."""
        return np.asarray(np.where(length_mm > 0, np.hypot(self.pct / 100.0 * length_mm, self.constant_mm), 0.0))


# Chebyshev coefficients of erfc(z) exp(z²) (1 + z/2); fractional error under 1.2e-7 everywhere.
# Source: Press, Teukolsky, Vetterling & Flannery (1992), Numerical Recipes, section 6.2.
_ERFC = (-1.26551223, 1.00002368, 0.37409196, 0.09678418, -0.18628806, 0.27886807, -1.13520398, 1.48851587,
         -0.82215223, 0.17087277)  # fmt: skip


def normal_cdf(z: Array) -> Array:
    """Standard normal distribution function, elementwise, to a fractional error of about 1e-7 in either tail."""
    z = np.asarray(z, dtype=float)
    size = np.abs(z) / math.sqrt(2.0)
    t = 1.0 / (1.0 + 0.5 * size)
    power = np.full_like(t, _ERFC[-1])
    for coefficient in _ERFC[-2::-1]:
        power *= t
        power += coefficient
    tail = 0.5 * t * np.exp(power - size * size)
    return np.asarray(np.where(z < 0, tail, 1.0 - tail))


def normal_between(low: Array, high: Array) -> Array:
    """Chance that a standard normal value lies between `low` and `high`, elementwise; never under 0, as the difference
    of two approximations may be."""
    return np.maximum(normal_cdf(high) - normal_cdf(low), 0.0)


@cache
def nodes(count: int) -> tuple[Array, Array]:
    """Quadrature nodes and weights for a standard normal variable (Gauss-Hermite; weights sum to 1)."""
    # Golub & Welsch (1969), Math. Comput. 23, 221: eigenvalues of the recurrence. (numpy's own would load six modules.)
    beside = np.sqrt(np.arange(1.0, count))
    x, vectors = np.linalg.eigh(np.diag(beside, 1) + np.diag(beside, -1))
    return x, vectors[0] ** 2


@cache
def even_nodes(count: int = NODES) -> tuple[Array, Array]:
    """Evenly spaced nodes over ±4.25 and their weights for a standard normal variable (weights sum to 1).

    For chances: a tail is a step in the slope, and a step falls between Gauss-Hermite's few wide nodes (with 11 of them
    a chance of 1.6 % was stated as 0.8 %), while an even grid finer than what blurs the step is nearly exact.
    """
    x = np.linspace(-4.25, 4.25, count)
    w = np.exp(-0.5 * x * x)
    return x, w / w.sum()


def way_left(cut: Array, rest: Array, mean: Array, cov: Array, cut_var: Array, noise: Array) -> tuple[Array, Array]:
    """Log spread (n,) of what the length still wanting will do, and how that is tied to the gap: their correlation.

    The rest of the way is taken as one cut to a gap of zero; its variance, and its covariance with the gap, given the
    reading follow from the joint covariance (slope, bend and their ties to the gap), and are said as those of a factor
    on its mean, the form in which the policy's table counts them.

    cut, rest (n, 8): the gap after the cut, and what the rest of the way adds to it, in the eight quantities; mean
    (1 or n, 8), cov (1 or n, 8, 8) of these; cut_var (n,): of what the blade takes, cents²; noise (n,): variance of the
    reading after it, infinite where there is none.
    """
    every = len(cut)
    cov = np.broadcast_to(cov, (every, 8, 8))
    ahead = np.einsum("ni,nij->nj", rest, cov)
    gap_var = np.maximum(np.einsum("ni,nij,nj->n", cut, cov, cut) + cut_var, 1e-9)
    precision = 1.0 / (gap_var + noise)
    tied = np.einsum("ni,ni->n", ahead, cut)
    left = np.maximum(np.einsum("ni,ni->n", ahead, rest) - tied**2 * precision, 1e-9)
    kept = np.sqrt(np.maximum(1.0 - gap_var * precision, 0.0))
    whole = np.maximum(np.einsum("ni,ni->n", rest, np.broadcast_to(mean, (every, 8))), 0.1)
    spread = np.sqrt(np.log1p(left / whole**2))
    tie = np.clip(kept * tied / np.sqrt(gap_var * left), 0.0, MOST_TIE)
    return np.maximum(spread, 1e-3), tie


def on_nodes(mean: Array, cov: Array) -> tuple[Array, Array, Array]:
    """The gap's slope of each reed on nodes (`slope_law`): their weights (J,), the means at each of the eight
    quantities, or of any d of which the second is that slope, (n, J, d), and their covariance within a node
    (n, d, d). mean (n, d), cov (n, d, d)."""
    spread = cov[:, 1, 1]
    slope, log_sd = (part[:, None] for part in slope_law(mean[:, 1], spread))
    z, weight = even_nodes()
    slopes = slope * np.exp(log_sd * z - 0.5 * log_sd**2)
    reach = cov[:, :, 1] / np.maximum(spread, 1e-12)[:, None]
    at = mean[:, None, :] + (slopes - mean[:, 1:2])[:, :, None] * reach[:, None, :]
    within = cov - reach[:, :, None] * cov[:, None, :, 1]
    within[:, 1, :] = within[:, :, 1] = 0.0
    return weight, at, 0.5 * (within + within.swapaxes(1, 2))


@dataclass(frozen=True, slots=True)
class Quantities:
    """Of n reeds: mean (n, 8), cov (n, 8, 8); on nodes of the gap's slope at (n, J, 8), within (n, 8, 8); the type's
    curve (n, Q), the length off (n,) mm, where the work goes toward (n,) cents; errors (n,) of the next reading of gap
    and pitch; how far both (n, 2) move before a reading after a cut, and before one without; what no reading can tell
    of both (n, 2, 2); mean and information (n, 2) of where E and F meet by what is known besides."""

    mean: Array
    cov: Array
    at: Array
    within: Array
    curve: Array
    removed_mm: Array
    stop_cents: Array
    reading_sd_cents: Array
    pitch_reading_sd_cents: Array
    wait_mean: Array
    wait_var: Array
    again_var: Array
    beyond: Array
    hint: Array

    @classmethod
    def of(cls, each: Sequence[Any]) -> Quantities:
        """Of reeds each seen from its aim (`planner.aim.AimPosterior`)."""
        return cls(*(np.array([getattr(one, field.name) for one in each]) for field in fields(cls)))

    def rows(self, which: NDArray[Any]) -> Quantities:
        """Of some of the reeds."""
        return Quantities(*(getattr(self, field.name)[which] for field in fields(self)))

    def known(self) -> Quantities:
        """Less what no reading at the bench could tell."""
        return replace(self, beyond=np.zeros_like(self.beyond))

    def need_mm(self) -> Array:
        """Length (n,) that would bring the mean of the gap to where the work goes, mm; 0 where it is there already.

        The gap is a quadratic in g, so that its root, and the curve's inverse there, are closed forms.
        """
        gap, slope, bend = self.mean[:, 0] - self.stop_cents, self.mean[:, 1], self.mean[:, 2]
        now = bent_mm(self.removed_mm, self.curve)
        tangent = slope + 2.0 * bend * now
        steep = slope_at(self.removed_mm, self.curve)
        # a curve that turns before it gets there is not followed: four times the way along its tangent, and no farther
        most = np.minimum(4.0 * -gap / np.maximum(tangent * steep, LEAST_SLOPE_CENTS), MOST_NEED_MM)
        # bend s² + tangent s + gap = 0 for s = g - now, by the form that keeps its digits when bend is small
        inside = tangent**2 - 4.0 * bend * gap
        below = np.where(inside >= 0.0, tangent + np.sqrt(np.maximum(inside, 0.0)), 0.0)
        ends = now - 2.0 * gap / np.where(below > 0.0, below, 1.0)
        there = straight_mm(ends, self.curve) - self.removed_mm
        need: Array = np.where(below > 0.0, np.minimum(there, most), most)
        return np.where(gap >= 0.0, 0.0, need)

    def way_left(self, need_mm: Array, first: NDArray[np.bool_]) -> tuple[Array, Array]:
        """`AimPosterior.way_now` of each (n,); where a first reading comes, `way_left` after it."""
        step, square = self._steps(np.maximum(need_mm, LEAST_NEED_MM))
        cut, rest = np.zeros((len(step), 8)), np.zeros((len(step), 8))
        cut[:, 0], rest[:, 1], rest[:, 2] = 1.0, step, square
        noise = np.where(first, self.reading_sd_cents**2, np.inf)
        return way_left(cut, rest, self.mean, self.cov, np.zeros(len(step)), noise)

    def _steps(self, length_mm: Array) -> tuple[Array, Array]:
        """What a cut (n,) mm adds to bent length, and to its square (n,) each."""
        now, then = bent_mm(self.removed_mm, self.curve), bent_mm(self.removed_mm + length_mm, self.curve)
        return then - now, then**2 - now**2

    def _way(self) -> Array:
        """Bent length squared per bent length (n,) over the way that is left; at the meeting point its derivative."""
        step, square = self._steps(self.need_mm())
        there = 2.0 * bent_mm(self.removed_mm, self.curve)
        return np.where(step > 1e-6, square / np.where(step > 1e-6, step, 1.0), there)

    def _least_slope(self) -> Array:
        return LEAST_SLOPE * np.maximum(self.mean[:, 1], LEAST_SLOPE_CENTS)

    def meeting(self, lip: float = 0.0) -> tuple[Array, Array]:
        """Pitch (cents from 440 Hz) at which the gap closes after `lip` more strokes: mean and sd (n,)."""
        centre, total, moved = self._own_meeting(lip)
        left = self._hinted(np.minimum(total, VAGUEST_CENTS**2))
        return centre + self.hint[:, 1] * left * (self.hint[:, 0] + moved - centre), np.sqrt(left)

    def _own_meeting(self, lip: float) -> tuple[Array, Array, Array]:
        """The same by the reed's own course: mean and variance (n,), and how far the strokes move it (n,)."""
        weight = even_nodes()[1]
        curve = self._way()
        at, c = self.at, curve[:, None]
        gap_slope = np.maximum(at[:, :, 1] + c * at[:, :, 2], self._least_slope()[:, None])
        ratio = (at[:, :, 5] + c * at[:, :, 6]) / gap_slope
        rows = np.zeros(at.shape)
        rows[:, :, 4], rows[:, :, 7] = 1.0, lip
        rows[:, :, 0], rows[:, :, 3] = -ratio, -ratio * lip
        mean = (rows * at).sum(axis=2)
        # what is not known of the slopes and bends moves the meeting pitch by so much of the gap
        rows[:, :, 5] = -np.minimum(at[:, :, 0], 0.0) / gap_slope
        rows[:, :, 6], rows[:, :, 2] = c * rows[:, :, 5], -ratio * c * rows[:, :, 5]
        variance = (rows @ self.within * rows).sum(axis=2)
        if self.beyond.any():
            ends = rows[:, :, [0, 4]]
            variance = variance + (ends @ self.beyond * ends).sum(axis=2)
        centre = mean @ weight
        total = np.maximum((variance + (mean - centre[:, None]) ** 2) @ weight, 1e-9)
        now = self.mean[:, 4]
        centre = np.clip(centre, now - FARTHEST_CENTS, now + FARTHEST_CENTS)
        return centre, total, lip * ((at[:, :, 7] - ratio * at[:, :, 3]) @ weight)

    def _hinted(self, variance: Array) -> Array:
        """A variance of the meeting pitch, cents², with what is known of it besides the reed's own course."""
        return 1.0 / (1.0 / variance + self.hint[:, 1])

    def meeting_sd_path(self, lengths_mm: Array, error: CutError) -> Array:
        """Standard deviation (n, L + 1) of the meeting pitch now, and after each of some cuts (n, L) mm (0: none) and a
        reading of it.

        By exact updating of the joint covariance, at the mean slopes. What a reading does not tell (the slopes over the
        way that is left) stays: far from the meeting point only a cut takes it away.
        """
        off = np.cumsum(lengths_mm, axis=1)
        curve = self._way()
        mean, cov = self.mean, self.cov
        slope = np.maximum(mean[:, 1] + curve * mean[:, 2], self._least_slope())
        ratio = (mean[:, 5] + curve * mean[:, 6]) / slope
        left = -np.minimum(mean[:, 0], 0.0) / slope
        row = np.zeros(mean.shape)
        row[:, 0], row[:, 4], row[:, 1], row[:, 5] = -ratio, 1.0, -ratio * left, left
        row[:, 2], row[:, 6] = curve * row[:, 1], curve * left

        def own(cov: Array) -> Array:
            return (row[:, None, :] @ cov @ row[:, :, None])[:, 0, 0]

        whole = np.minimum(self._own_meeting(0.0)[1], VAGUEST_CENTS**2)
        rest = np.maximum(whole - own(cov), 0.0)
        out = [np.sqrt(self._hinted(whole))]
        for number, length in enumerate(lengths_mm.T):
            step, square = self._steps(off[:, number])
            blade = error.sd_mm(length) * slope_at(self.removed_mm + off[:, number], self.curve)
            moved = np.where(length[:, None] > 0, self.wait_var, self.again_var)
            cov = cov.copy()
            cov[:, 0, 0] += moved[:, 0]
            cov[:, 4, 4] += moved[:, 1]
            for first, sd in ((0, self.reading_sd_cents), (4, self.pitch_reading_sd_cents)):
                reach = cov[:, :, first] + step[:, None] * cov[:, :, first + 1] + square[:, None] * cov[:, :, first + 2]
                seen = reach[:, first] + step * reach[:, first + 1] + square * reach[:, first + 2]
                gain = reach / (seen + sd**2 + (mean[:, first + 1] * blade) ** 2)[:, None]
                cov = cov - reach[:, :, None] * gain[:, None, :]
            out.append(np.sqrt(self._hinted(np.maximum(own(cov) + rest, 1e-9))))
        return np.stack(out, axis=1)

    def gap_variance(self, length_mm: Array, error: CutError) -> Array:
        """Variance (n,) of the true gap by the next step after cuts (n,) mm, cents², as far as readings can take it
        away."""
        step, square = self._steps(length_mm)
        terms = np.zeros(self.mean.shape)
        terms[:, 0], terms[:, 1], terms[:, 2] = 1.0, step, square
        mean = (self.at @ terms[:, :, None])[:, :, 0]
        within = (terms[:, None, :] @ self.within @ terms[:, :, None])[:, 0]
        blade = error.sd_mm(length_mm) * slope_at(self.removed_mm + length_mm, self.curve)
        variance = within + (self.at[:, :, 1] * blade[:, None]) ** 2
        variance = variance + np.where(length_mm > 0, self.wait_var[:, 0], 0.0)[:, None]
        weight = even_nodes()[1]
        spread = (mean - (mean @ weight)[:, None]) ** 2
        return np.maximum(variance + spread, 1e-9) @ weight

    def pitch_outside(self, target_cents: Array, tolerance_cents: Array) -> Array:
        """Chance (n,) that each reed, as it stands, sounds farther from its target (n,) than the tolerance (n,)."""
        off = self.at[:, :, 4] - target_cents[:, None]
        sd = np.sqrt(np.maximum(self.within[:, 4, 4] + self.beyond[:, 1, 1], 1e-9))[:, None]
        t = tolerance_cents[:, None]
        return (normal_cdf((off - t) / sd) + normal_cdf((-off - t) / sd)) @ even_nodes()[1]
