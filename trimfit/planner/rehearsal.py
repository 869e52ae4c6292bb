"""A run played out on reeds drawn from the posterior, all at once: what the policy gives before a blade is touched.

Each reed's eight quantities (see `posterior`) are drawn, the gap's slope from its lognormal law; the reed is then read
and cut as the policy's table says, its posterior following by exact Gaussian updating of the same eight quantities,
until the policy hands it over. Between its visits its gap moves by itself, as the costs of the table say. Seeded and
repeatable.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.planner.aim import Aim, AimPosterior, CutError, normal_cdf
from trimfit.planner.lip_work import LEAST_STROKE_CENTS
from trimfit.planner.policy_table import PolicyTable, moves
from trimfit.regression.curve import bent_mm, slope_at, straight_mm

__all__ = ["Run", "draw", "rehearse"]

Array = NDArray[np.float64]
MOST_STEPS = 25
MOST_BENT = 0.75
PITCH = 4


@dataclass(frozen=True, slots=True)
class Run:
    """What a run of `reeds` gave: shares with their Monte Carlo standard errors, and counts per reed."""

    reeds: int
    good: float
    good_se: float
    past: float
    past_se: float
    outside: float
    trims_per_reed: float
    trims_se: float
    readings_per_reed: float
    readings_se: float
    minutes_per_reed: float
    minutes_se: float


def draw(posteriors: Sequence[AimPosterior], rng: np.random.Generator) -> Array:
    """True quantities (n, 8) of one reed from each posterior: slope lognormal, the rest Gaussian given it.

    A bend is drawn no stronger than leaves the gap rising as far as it has to: no cut opens it.
    """
    out = np.zeros((len(posteriors), 8))
    for i, b in enumerate(posteriors):
        slope_mean = max(float(b.mean[1]), 5.0)
        slope = slope_mean * np.exp(b.slope_log_sd * rng.standard_normal() - 0.5 * b.slope_log_sd**2)
        reach = b.cov[:, 1] / max(float(b.cov[1, 1]), 1e-12)
        values, vectors = np.linalg.eigh(b.within)
        out[i] = (
            b.mean + reach * (slope - b.mean[1]) + vectors @ (np.sqrt(np.maximum(values, 0)) * rng.standard_normal(8))
        )
        out[i, 1] = slope
        end = float(bent_mm(np.array([b.removed_mm + max(b.need_mm(), 0.2)]), b.curve)[0])
        out[i, 2] = np.clip(out[i, 2], -MOST_BENT * slope / (2.0 * end), MOST_BENT * slope / (2.0 * end))
    return out


def _strokes(mean: Array, cov: Array, slope: Array, aim: Aim) -> tuple[Array, Array, Array]:
    """Lip strokes (n,) that would bring each meeting pitch to the target, how far off it is believed (n,), and the
    standard deviation of that posterior (n,).

    Never so many that they alone would carry the gap over zero.
    """
    n = len(mean)
    if aim.target_cents is None:
        return np.zeros(n), np.zeros(n), np.ones(n)
    share = mean[:, 5] / slope
    meet = mean[:, PITCH] - share * mean[:, 0]
    one = mean[:, 7] - share * mean[:, 3]
    need = aim.target_cents - meet
    variance = cov[:, PITCH, PITCH] - 2.0 * share * cov[:, PITCH, 0] + share**2 * cov[:, 0, 0]
    sd = np.sqrt(np.maximum(variance, 1e-6))
    # strokes cannot be put back: stay short of the target by what is not known beyond half the tolerance
    vague = np.sqrt(np.maximum(cov[:, PITCH + 3, PITCH + 3], 0.0)) / np.maximum(np.abs(one), LEAST_STROKE_CENTS)
    short = np.maximum(np.hypot(sd, np.minimum(vague, 1.0) * need) - 0.5 * aim.tolerance_cents, 0.0)
    wanted = np.sign(need) * np.maximum(np.abs(need) - short, 0.0)
    lip = np.clip(np.round(wanted / np.where(np.abs(one) > LEAST_STROKE_CENTS, one, np.inf)), 0, 40)
    closing = np.maximum(mean[:, 3], 1e-3)
    lip = np.minimum(lip, np.floor(np.maximum(-0.2 * aim.tolerance_cents - mean[:, 0], 0.0) / closing))
    return lip, need, sd


def rehearse(
    posteriors: Sequence[AimPosterior],
    aim: Aim,
    table: PolicyTable,
    rung: int,
    error: CutError,
    step_mm: float,
    rng: np.random.Generator,
    *,
    extra_readings: int = 0,
) -> Run:
    """Play every reed of `posteriors` to its end under the table's policy on a rung.

    extra_readings: readings of each state beyond those the policy asks for.
    """
    n, costs = len(posteriors), table.costs
    truth = draw(posteriors, rng)
    mean = np.stack([b.mean for b in posteriors])
    cov = np.stack([b.cov for b in posteriors])
    curve = np.stack([b.curve for b in posteriors])
    removed = np.array([b.removed_mm for b in posteriors])
    gap_sd = np.array([b.reading_sd_cents for b in posteriors])
    pitch_sd = np.array([b.pitch_reading_sd_cents for b in posteriors])
    stop, beyond_sd = (np.array([getattr(b, name) for b in posteriors]) for name in ("stop_cents", "beyond_sd_cents"))
    cuts, readings = np.zeros(n), np.zeros(n)
    busy = np.ones(n, dtype=bool)
    every = np.arange(8)

    def shift(vector: Array, step: Array, square: Array, lip: Array) -> None:
        for first in (0, PITCH):
            vector[:, first] += vector[:, first + 1] * step + vector[:, first + 2] * square + vector[:, first + 3] * lip

    def rest(who: NDArray[np.intp], mean_cents: float, sd_cents: float) -> None:
        """The reeds move by themselves until they are next in hand."""
        if mean_cents or sd_cents:
            truth[who, 0] += mean_cents + sd_cents * rng.standard_normal(len(who))
            mean[who, 0] += mean_cents
            cov[who, 0, 0] += sd_cents**2

    def read(who: NDArray[np.intp]) -> None:
        for first, sd in ((0, gap_sd), (PITCH, pitch_sd)):
            value = truth[who, first] + sd[who] * rng.standard_normal(len(who))
            spread = cov[who, first, first] + sd[who] ** 2
            gain = cov[who][:, every, first] / spread[:, None]
            mean[who] += gain * (value - mean[who, first])[:, None]
            cov[who] -= gain[:, :, None] * cov[who][:, first, :][:, None, :]
        readings[who] += 1

    def advance(who: NDArray[np.intp], length: Array, taken: Array, lip: Array) -> None:
        x, k = removed[who], curve[who]
        for vector, mm in ((truth, taken), (mean, length)):
            g0, g1 = bent_mm(x, k), bent_mm(x + mm, k)
            part = vector[who]
            shift(part, g1 - g0, g1**2 - g0**2, lip)
            vector[who] = part
        g0, g1 = bent_mm(x, k), bent_mm(x + length, k)
        move = np.tile(np.eye(8), (len(who), 1, 1))
        for first in (0, PITCH):
            move[:, first, first + 1], move[:, first, first + 2] = g1 - g0, g1**2 - g0**2
            move[:, first, first + 3] = lip
        cov[who] = move @ cov[who] @ move.transpose(0, 2, 1)
        sd = mean[who, 1] * slope_at(x + length, k) * error.sd_mm(length)
        cov[who, 0, 0] += sd**2
        removed[who] = x + taken

    for _ in range(MOST_STEPS):
        who = np.flatnonzero(busy)
        if not len(who):
            break
        slope = np.maximum(mean[who, 1], 5.0)
        spread = np.sqrt(np.log1p(np.maximum(cov[who, 1, 1], 0.0) / slope**2))
        lip, need, need_sd = _strokes(mean[who], cov[who], slope, aim)
        ahead = mean[who, 0] + mean[who, 3] * lip - stop[who]
        action, cents = moves(table, rung, ahead, np.maximum(cov[who, 0, 0], 1e-4), spread)
        if aim.target_cents is not None:
            t = aim.tolerance_cents
            chance_outside = normal_cdf((need - t) / need_sd) + normal_cdf((-need - t) / need_sd)
            # handing over waits for the pitch: a visit for the lips if they help, else a reading while one still tells
            worth = chance_outside * costs.outside_minutes
            visit = costs.cut_minutes + costs.reading_minutes
            stroke = (lip > 0) & (np.abs(need) > 0.5 * t) & (worth > visit)
            telling = (worth > 2.0 * costs.reading_minutes) & (need_sd > 0.25 * t) & (np.abs(need) < 2.0 * t)
            action = np.where(action != 0, action, np.where(stroke, 2, np.where(telling, 1, 0)))
        busy[who[action == 0]] = False
        rest(who[action == 1], 0.0, costs.again_sd_cents)
        read(who[action == 1])
        mine = action == 2
        if mine.any():
            cut = who[mine]
            x = straight_mm(bent_mm(removed[cut], curve[cut]) + cents[mine] / slope[mine], curve[cut])
            room = np.maximum(aim.most_removed_mm - removed[cut], 0.0)
            length = np.floor(np.clip(x - removed[cut], 0.0, room) / step_mm + 1e-9) * step_mm
            taken = np.maximum(length + error.sd_mm(length) * rng.standard_normal(len(cut)), 0.0)
            advance(cut, length, taken, lip[mine])
            cuts[cut] += 1
            rest(cut, costs.wait_mean_cents, costs.wait_sd_cents)
            for _ in range(1 + extra_readings):
                read(cut)
    if beyond_sd.any():
        truth[:, 0] += beyond_sd * rng.standard_normal(n)
    t = aim.tolerance_cents
    past: NDArray[np.bool_] = np.greater(truth[:, 0], t)
    pitch_off = np.zeros(n, dtype=np.bool_)
    if aim.target_cents is not None:
        meet = truth[:, PITCH] - truth[:, 5] / np.maximum(truth[:, 1], 5.0) * truth[:, 0]
        pitch_off = np.greater(np.abs(meet - aim.target_cents), t)
    outside = ~past & ((truth[:, 0] < -t) | pitch_off)
    good = ~past & ~outside
    minutes = cuts * costs.cut_minutes + readings * costs.reading_minutes
    root = float(np.sqrt(n))

    def se(values: NDArray[np.float64] | NDArray[np.bool_]) -> float:
        return float(np.std(values.astype(float))) / root

    return Run(
        n,
        float(good.mean()),
        se(good),
        float(past.mean()),
        se(past),
        float(outside.mean()),
        float(cuts.mean()),
        se(cuts),
        float(readings.mean()),
        se(readings),
        float(minutes.mean()),
        se(minutes),
    )
