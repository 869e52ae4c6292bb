"""The posterior about one reed, seen from the aim: gap and pitch now, and what length and lips do to them.

From the Gaussian `ReedState` eight quantities are taken, linear in the state, for the aim's chanter and pressure::

    gap_now, gap_length, gap_bend, gap_lip,   pitch_now, pitch_length, pitch_bend, pitch_lip

so that after a cut to bent length g' and z strokes::

    gap = gap_now + gap_length (g' - g) + gap_bend (g'² - g²) + gap_lip z

Slopes spread in proportion, so the tail that matters (a reed that answers far faster than its kin) is longer than a
Gaussian's. The gap's slope is therefore given a lognormal law with the same mean and variance, but never wider than
MOST_LOG_SD: before the first cuts are logged the assumed law is wider, and an eighth of it below nothing. It is laid on
quadrature nodes; given the slope, the other seven keep the Gaussian law they have in the joint state. At each node
everything is Gaussian, and every chance (`planner.chance_past`) is a weighted sum of normal tails. Moments: Johnson,
Kotz & Balakrishnan (1994), ch. 14.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from trimfit.base.units import Interval
from trimfit.planner.quantities import LEAST_NEED_MM, CutError, Quantities, normal_cdf, on_nodes, way_left
from trimfit.regression.curve import bent_and_slope, bent_one_mm, slope_at
from trimfit.regression.outputs import GAP, PITCH, Array, positive
from trimfit.regression.posterior.reed import ReedState

LEAST_GAIN = 0.2


@dataclass(frozen=True, slots=True)
class Aim:
    """What the reed is for: chanter, the pressure it will be blown at, the pitch asked for (cents from 440 Hz, None:
    wherever E and F meet), tolerance in cents, the longest total length that may come off (mm).

    worked_in: the chanter at hand in which the reed is worked and read, where the aim's own is away; spaced_cents: the
    gap there that it is worked toward as one of several (`planner.away`), None where it stands for itself;
    stop_shared: how many of the order's reeds, itself counted, are worked to the same stop, and how many there are.
    """

    chanter: str | None
    pressure_kpa: float | None
    target_cents: float | None
    tolerance_cents: float
    most_removed_mm: float
    temperature_c: float | None = None
    worked_in: str | None = None
    spaced_cents: float | None = None
    stop_shared: tuple[int, int] = (1, 1)


@dataclass(frozen=True, slots=True)
class AimPosterior:
    """The eight quantities: mean (8,), cov (8, 8); on nodes of the gap's slope: weight (J,), at (J, 8), and the
    covariance within a node (8, 8). `reading_sd_cents`: one gap reading's error after work, its sitting's counted in;
    `pitch_reading_sd_cents` likewise; `again_sd_cents`: the error of one more reading of the same state, such that a
    reading with an error of its own would tell as much (the readings of one sitting share an error). `wait_mean`,
    `wait_var`: how far gap and pitch (2,) move by themselves after a cut, before the next step; `again_var` (2,):
    before a reading with no work; `wait_jump`, `again_jump`: the chance that the reed jumps meanwhile, `jump_var` (2,):
    how far.

    For a chanter that is away, mean and cov are those of gap and pitch there as far as readings at the bench can tell
    them, and `beyond` (2, 2) is the covariance of gap and pitch that none can take away; `stop_cents`: the gap there
    that the work goes toward, `spaced` where as one of several; `here_mean`, `here_var` (2,): gap and pitch in the
    chanter at hand. hint: where E and F meet in its chanter (cents) by all that is known besides the reed's own course,
    and the information in that (1/cents²).
    """

    mean: Array
    cov: Array
    weight: Array
    at: Array
    within: Array
    removed_mm: float
    curve: Array
    reading_sd_cents: float
    pitch_reading_sd_cents: float
    again_sd_cents: float
    wait_mean: Array
    wait_var: Array
    again_var: Array
    wait_jump: float = 0.0
    again_jump: float = 0.0
    jump_var: Array = field(default_factory=lambda: np.zeros(2))
    beyond: Array = field(default_factory=lambda: np.zeros((2, 2)))
    stop_cents: float = 0.0
    spaced: bool = False
    here_mean: Array = field(default_factory=lambda: np.zeros(2))
    here_var: Array = field(default_factory=lambda: np.zeros(2))
    hint: tuple[float, float] = (0.0, 0.0)

    @property
    def beyond_sd_cents(self) -> float:
        """What is not known of the gap however well the reed is read: 0 unless its chanter is away."""
        return math.sqrt(max(float(self.beyond[0, 0]), 0.0))

    def known(self) -> AimPosterior:
        """The posterior less what no reading at the bench could tell."""
        return replace(self, beyond=np.zeros((2, 2))) if self.beyond.any() else self

    @property
    def moves(self) -> bool:
        """Whether the reed moves by itself from a cut to the next step."""
        return bool(self.wait_var.any() or self.wait_mean.any() or self.wait_jump)

    def at_once(self) -> AimPosterior:
        """The posterior for a next step that follows in the same sitting: the reed does not move until then."""
        if not self.moves:
            return self
        return replace(self, wait_mean=np.zeros(2), wait_var=np.zeros(2), wait_jump=0.0)

    def _steps(self, length_mm: Array) -> tuple[Array, Array, Array]:
        now = bent_one_mm(self.removed_mm, self.curve)
        then, slope = bent_and_slope(self.removed_mm + length_mm, self.curve)
        return then - now, then**2 - now**2, slope

    @property
    def steep(self) -> float:
        """The curve's slope where the reed stands."""
        return float(slope_at(np.array([self.removed_mm]), self.curve)[0])

    def after(self, length_mm: Array, lip: float, error: CutError, *, pitch: bool = False) -> tuple[Array, Array]:
        """Mean (n, J) and variance (n, J) of the true gap (or pitch), cents, at each node after cuts (n,) mm and
        `lip` strokes, by the time of the next step if it has not jumped; what the blade really takes is counted in."""
        length_mm = np.atleast_1d(np.asarray(length_mm, dtype=float))
        step, square, stretch = self._steps(length_mm)
        first = 4 if pitch else 0
        terms = np.zeros((len(length_mm), 8))
        terms[:, first], terms[:, first + 1], terms[:, first + 2], terms[:, first + 3] = 1.0, step, square, lip
        mean = terms @ self.at.T
        variance = np.einsum("ni,ij,nj->n", terms, self.within, terms)[:, None]
        slope = self.at[None, :, first + 1] * stretch[:, None]
        variance = variance + (slope * error.sd_mm(length_mm)[:, None]) ** 2
        which = int(pitch)
        if self.wait_var[which] > 0.0 or self.wait_mean[which] != 0.0:
            worked = ((length_mm > 0) | (lip != 0))[:, None]
            mean = mean + np.where(worked, self.wait_mean[which], 0.0)
            variance = variance + np.where(worked, self.wait_var[which], 0.0)
        return mean, np.maximum(variance + self.beyond[which, which], 1e-9)

    def outcomes(
        self, length_mm: Array, lip: float, error: CutError, *, pitch: bool = False
    ) -> tuple[Array, Array, Array]:
        """The law of the true gap (or pitch) after cuts (n,) mm and `lip` strokes, by the time of the next step, as a
        mixture of normals: weight (n, I), mean and variance (n, I) in cents; what it may jump is counted in."""
        length_mm = np.atleast_1d(np.asarray(length_mm, dtype=float))
        mean, variance = self.after(length_mm, lip, error, pitch=pitch)
        weight = np.broadcast_to(self.weight, mean.shape)
        if not self.wait_jump:
            return weight, mean, variance
        jumped = np.where((length_mm > 0) | (lip != 0), self.wait_jump, 0.0)[:, None]
        return (
            np.concatenate([(1.0 - jumped) * weight, jumped * weight], axis=1),
            np.concatenate([mean, mean], axis=1),
            np.concatenate([variance, variance + self.jump_var[int(pitch)]], axis=1),
        )

    def need_mm(self) -> float:
        """Length that would bring the posterior mean of the gap to where the work goes, mm (0 where it is there
        already)."""
        return float(Quantities.of([self]).need_mm()[0])

    def way_left(self, length_mm: Array, lip: float, error: CutError) -> tuple[Array, Array]:
        """`way_left` (n,) each, once cuts (n,) mm with `lip` strokes and a reading of each are behind; for no cut, once
        the reed was read again as it stands."""
        length_mm = np.atleast_1d(np.asarray(length_mm, dtype=float))
        worked = (length_mm > 0) | (lip != 0)
        noise = np.where(worked, self.reading_sd_cents, self.again_sd_cents) ** 2
        return self._way_left(length_mm, lip, error, noise)

    def way_now(self) -> tuple[float, float]:
        """`way_left` as it is now."""
        spread, tie = self._way_left(np.zeros(1), 0.0, CutError(0.0, 0.0), np.full(1, np.inf))
        return float(spread[0]), float(tie[0])

    def _way_left(self, length_mm: Array, lip: float, error: CutError, noise: Array) -> tuple[Array, Array]:
        step, square, stretch = self._steps(length_mm)
        need = np.maximum(self.need_mm() - length_mm, LEAST_NEED_MM)
        step_end, square_end, _ = self._steps(length_mm + need)
        cut, rest = np.zeros((len(length_mm), 8)), np.zeros((len(length_mm), 8))
        cut[:, 0], cut[:, 1], cut[:, 2], cut[:, 3] = 1.0, step, square, lip
        rest[:, 1], rest[:, 2] = step_end - step, square_end - square
        blade = (self.mean[1] * stretch * error.sd_mm(length_mm)) ** 2
        return way_left(cut, rest, self.mean[None], self.cov[None], blade, noise)

    def pitch_outside(self, aim: Aim, length_mm: float, lip: float, error: CutError) -> float:
        """Chance that the reed, as it stands after a cut and strokes, sounds off the aim's pitch; 0 without one."""
        if aim.target_cents is None:
            return 0.0
        weight, mean, variance = self.outcomes(np.array([length_mm]), lip, error, pitch=True)
        off, sd, t = mean[0] - aim.target_cents, np.sqrt(variance[0]), aim.tolerance_cents
        return float((normal_cdf((off - t) / sd) + normal_cdf((-off - t) / sd)) @ weight[0])

    def gap(self, length_mm: float, lip: float, error: CutError) -> Interval:
        """Interval (90 %) of the gap after a cut, in cents."""
        weight, mean, variance = self.outcomes(np.array([length_mm]), lip, error)
        return interval_of(weight[0], mean[0], variance[0])

    def meeting(self, lip: float = 0.0) -> tuple[float, float]:
        """Pitch (cents from 440 Hz) at which the gap closes after `lip` more strokes: mean and standard deviation."""
        mean, sd = Quantities.of([self]).meeting(lip)
        return float(mean[0]), float(sd[0])


def interval_of(weight: Array, mean: Array, variance: Array) -> Interval:
    """Central interval (90 %) of a mixture of normals: weight, mean, variance (J,)."""
    sd = np.sqrt(variance)
    centre = float(weight @ mean)
    spread = math.sqrt(float(weight @ (variance + (mean - centre) ** 2)))
    grid = centre + spread * _GRID
    cdf = normal_cdf((grid[:, None] - mean[None, :]) / sd[None, :]) @ weight
    ends = np.interp([0.05, 0.95], cdf, grid)
    return Interval(centre, float(ends[0]), float(ends[1]))


_GRID = np.linspace(-5.0, 5.0, 161)


def see(
    state: ReedState, aim: Aim, removed_mm: float, lip: float, wait_days: float = 0.0, again_days: float = 0.0
) -> AimPosterior:
    """`see_each` for one aim."""
    return see_each(state, [aim], removed_mm, lip, wait_days, again_days)[0]


def see_each(
    state: ReedState,
    aims: Sequence[Aim],
    removed_mm: float,
    lip: float,
    wait_days: float = 0.0,
    again_days: float = 0.0,
) -> list[AimPosterior]:
    """The eight quantities of a reed's state for each of some aims, with so much already off (mm) and so many strokes
    done.

    wait_days: from a cut to the next step, again_days: to a reading with no work before it: so long does the reed move
    by itself meanwhile. A chanter that the state does not hold raises TrimfitError.
    """
    names = tuple(dict.fromkeys(name for aim in aims for name in (aim.chanter, aim.worked_in) if name is not None))
    blocks, blocks_cov, with_sitting = state.picked(np.stack([GAP, PITCH]), names)

    def eight(chanter: str | None, kpa: float | None, deg_c: float | None) -> Array:
        """Rows (8, 2B) that turn the state's blocks of gap and pitch into the eight quantities in a chanter."""
        terms = state.terms(removed_mm, lip, names, chanter, kpa, deg_c)
        out = np.zeros((8, 2 * len(terms)))
        for which in (0, 1):
            out[4 * which, which::2] = terms
            for block in (1, 2, 3):
                out[4 * which + block, 2 * block + which] = 1.0
        return out

    rows = np.stack([eight(aim.chanter, aim.pressure_kpa, aim.temperature_c) for aim in aims])
    mean, cov = rows @ blocks, rows @ blocks_cov @ rows.swapaxes(1, 2)
    cov = 0.5 * (cov + cov.swapaxes(1, 2))
    here, again_scale, beyond = rows.copy(), np.ones(len(aims)), np.zeros((len(aims), 2, 2))
    for i, aim in enumerate(aims):
        if aim.worked_in is not None and aim.worked_in != aim.chanter:
            here[i] = eight(aim.worked_in, None, aim.temperature_c)
            cov[i], beyond[i], again_scale[i] = _as_far_as_here(blocks_cov, cov[i], rows[i], here[i])
    ends = here[:, [0, 4]]
    here_mean, here_var = ends @ blocks, (ends @ blocks_cov * ends).sum(axis=2)
    weight, at, within = on_nodes(mean, cov)
    # how a gap reading's error, which its sitting shares, goes with the gap
    tied = here[:, 0] @ with_sitting[:, 1]
    wait_mean, wait_var = _wait(state, wait_days)
    again_var = np.zeros(2) if state.movement is None else again_days * np.diag(state.movement.walk)[1:]
    jumps = _jumps(state, wait_days, again_days)
    return [
        AimPosterior(
            mean[i],
            cov[i],
            weight,
            at[i],
            within[i],
            removed_mm,
            state.curve,
            *_reading_errors(state, float(here_var[i, 0]), float(tied[i]), again_days, float(again_scale[i])),
            wait_mean,
            wait_var,
            again_var,
            beyond=beyond[i],
            here_mean=here_mean[i],
            here_var=here_var[i],
            **jumps,
        )
        for i in range(len(aims))
    ]


def _as_far_as_here(state_cov: Array, cov: Array, there: Array, here: Array) -> tuple[Array, Array, float]:
    """What readings in the chanter at hand can tell of the eight quantities in the one that is away.

    state_cov (d, d): of a state; cov (8, 8): of the quantities in the chanter that is away; there, here (8, d): rows
    for both chanters. The quantities are jointly Gaussian, so that with q those here and a those there

        a = E[a] + L (q - E[q]) + e,     L = cov(a, q) cov(q)^-1,     e independent of q:

    no reading here, cut or not, tells anything of e. Slopes and bends are a reed's own, the same in both chanters: e
    has gap and pitch alone. Returns cov less that of e (8, 8), the covariance of e (2, 2), and what a cent of gap here
    is there as far as reading the reed once more tells it.
    """
    reach = state_cov @ here.T
    q, a_q = here @ reach, there @ reach
    scale = np.sqrt(np.maximum(np.diag(q), 1e-12))
    values, vectors = np.linalg.eigh(q / np.outer(scale, scale))
    sound = values > 1e-10 * values[-1]
    half = (a_q / scale) @ vectors[:, sound] / np.sqrt(values[sound])
    readable = half @ half.T
    rest = cov - readable
    beyond = positive(rest[np.ix_([0, 4], [0, 4])])
    out = cov.copy()
    out[np.ix_([0, 4], [0, 4])] -= beyond
    gain = float(a_q[0, 0]) / max(float(q[0, 0]), 1e-9)
    return out, beyond, min(max(gain, LEAST_GAIN), 2.0)


def _reading_errors(
    state: ReedState, gap_var: float, tie: float, again_days: float, again_scale: float
) -> tuple[float, float, float]:
    """Errors (sd, cents) of the next reading after work, of gap and of pitch, and of the gap read again without work.

    gap_var: variance of the gap in the chanter where it is read, cents²; tie: its covariance with the error that the
    sitting's readings share; again_scale: what a cent of it is of the aim's gap (1 but for a chanter that is away).

    The sitting's error is one for all its readings. With v the variance of the gap, c its covariance with a reading and
    s the variance of that reading, reading again takes c²/s off v: as much as an error of its own with the variance
    v² s / c² - v would. In a sitting of its own, again_days later, it has an error of its own.
    """
    noise, pitch_noise = (float(pick @ state.noise_cov @ pick) for pick in (GAP, PITCH))
    if state.movement is None:
        return math.sqrt(noise), math.sqrt(pitch_noise), again_scale * math.sqrt(noise)
    error = state.sitting_at
    cov = state.cov[error, error] if again_days <= 0.0 else state.movement.sitting
    gap_error, pitch_error = (float(cov[k, k]) for k in (1, 2))
    first, pitch = math.sqrt(noise + gap_error), math.sqrt(pitch_noise + pitch_error)
    if again_days > 0.0:
        return first, pitch, again_scale * first
    v = max(gap_var, 1e-9)
    c, s = v + tie, v + 2.0 * tie + gap_error + noise
    again = v * v * s / (c * c) - v if c > 0.0 else math.inf
    return first, pitch, again_scale * math.sqrt(min(max(again, noise), 1e4))


def _wait(state: ReedState, wait_days: float) -> tuple[Array, Array]:
    """How far gap and pitch (2,) move by themselves in so many days after a cut: mean and variance, cents."""
    movement = state.movement
    if movement is None or wait_days <= 0.0:
        return np.zeros(2), np.zeros(2)
    mean, cov = movement.moves_in(wait_days, state.unsettled + np.array([0.0, 1.0]))
    return mean[1:], np.diag(cov)[1:].copy()


def _jumps(state: ReedState, wait_days: float, again_days: float) -> dict[str, Any]:
    """The chances that the reed jumps in so many days, and how far gap and pitch (2,) then go: variance, cents²."""
    movement = state.movement
    if movement is None:
        return {}
    return {
        "wait_jump": movement.chance_of_jump(wait_days),
        "again_jump": movement.chance_of_jump(again_days),
        "jump_var": np.diag(movement.jump_in(max(wait_days, again_days)))[1:].copy(),
    }
