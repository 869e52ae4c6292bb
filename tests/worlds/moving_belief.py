"""The filter for reeds that move, which knows population, physics and movement exactly.

All readings of a reed are taken as one vector: y = outputs(u) + mean settling + H z + noise, with z standard normal
(steps of the walk between readings, the reed's own settling, what a day's readings share), and J z' for each interval
that a jump may have come in. Given the deviates u of the reed all of that is Gaussian and is summed out; u is drawn by
importance sampling as in belief.py. At most two jumps are reckoned with, each in any interval, weighed by how well the
readings bear it out; none after the last reading. What the reed has moved by now, and by the next visit, follows for
each draw from the same joint normal. (The pace of settling is taken to first order; noise without tails or slips.)
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.worlds.belief import DOF, STEP, KnowingBelief, Sighting
from tests.worlds.movement import (
    CROW_OWN,
    JUMP_GAP_CENTS,
    JUMP_PITCH_CENTS,
    PACE_SPREAD,
    PITCH_OWN,
    SETTLE_SPREAD,
    Movement,
    nights,
    settled,
    ways,
    worked_at,
)
from tests.worlds.physics import LATENTS, Array, Kind, Physics, Pipe
from trimfit.base.pitch import OUTPUTS

__all__ = ["MovingBelief", "Reckoned", "Story", "joint", "moving_belief"]

CANDIDATES = 6
"""Intervals that pairs of jumps are tried in."""
LEAST_SHARE = 1e-6


@dataclass(frozen=True)
class Story:
    """When a reed was made, read (days, with where it stood) and cut (day, mm), and the moments asked about."""

    made_day: float
    seen: Sequence[Sighting]
    read_days: Sequence[float]
    cuts: Sequence[tuple[float, float]]
    ask_days: Sequence[float]


@dataclass(frozen=True)
class Joint:
    """Readings stacked (m,) and the gap moved at the moments asked about (q,), as one Gaussian given u.

    mean (m,), cov (m, m); jump (intervals, m, 2): what a jump in each interval adds; the same for what is asked about:
    ask_mean (q,), ask_cov (q, q), tie (q, m), ask_jump (intervals, q, 2); log_odds (intervals,) of a jump in each.
    """

    mean: Array
    cov: Array
    jump: Array
    ask_mean: Array
    ask_cov: Array
    tie: Array
    ask_jump: Array
    log_odds: Array


def _settling(how: Movement, kind: Kind, made_day: float, cuts: Sequence[tuple[float, float]], day: float) -> Array:
    """Mean gap settled by a day, and its derivatives to the reed's three own deviates (made, cut, pace): shape (4,)."""
    tau = how.days[kind.name]

    def both(pace: float) -> tuple[float, float]:
        own = tau * np.exp(PACE_SPREAD * pace)
        made = how.made_cents[kind.name] * settled(day - made_day, own)
        behind = sum(worked_at(length) * settled(day - at, own) for at, length in cuts if at <= day)
        return made, how.cut_cents[kind.name] * behind

    made, cut = both(0.0)
    return np.array([made + cut, SETTLE_SPREAD * made, SETTLE_SPREAD * cut, (sum(both(STEP)) - made - cut) / STEP])


def joint(physics: Physics, kind: Kind, how: Movement, story: Story) -> Joint:
    """The Gaussian of a reed's readings, and of what it has moved, given what it is."""
    moments = [*story.read_days, *story.ask_days]
    read = len(story.read_days)
    ends = sorted({nights(story.made_day, day) for day in moments} - {0})
    starts = [0, *ends[:-1]]
    walk, k = how.walk_cents[kind.name], len(OUTPUTS)
    directions = ways(kind)
    days = sorted({int(np.floor(day)) for day in story.read_days})
    size = 3 * len(ends) + 3 + 2 * len(days)
    settle = [_settling(how, kind, story.made_day, story.cuts, day) for day in moments]
    # amounts (gap, pitch, crow) at each moment, as linear in z, and in the jump of each interval
    amount = np.zeros((len(moments), 3, size))
    leap = np.zeros((len(ends), len(moments), 3, 2))
    for at, day in enumerate(moments):
        behind = nights(story.made_day, day)
        for i, (start, end) in enumerate(zip(starts, ends, strict=True)):
            if end > behind:
                break
            amount[at, :, 3 * i : 3 * i + 3] = np.diag([1.0, PITCH_OWN, CROW_OWN]) * walk * np.sqrt(end - start)
            leap[i, at, 0, 0], leap[i, at, 1, 1] = JUMP_GAP_CENTS, JUMP_PITCH_CENTS
        amount[at, 0, 3 * len(ends) : 3 * len(ends) + 3] = settle[at][1:]
    shared = np.zeros((2, k))
    shared[0, OUTPUTS.index("f")], shared[0, OUTPUTS.index("e")] = 0.5, -0.5
    shared[1] = directions[1]
    shared *= np.array([[how.sitting_gap_cents], [how.sitting_pitch_cents]])
    h, mean = np.zeros((read * k, size)), np.zeros(read * k)
    cov = np.kron(np.eye(read), physics.noise.covariance())
    for at in range(read):
        rows = slice(at * k, (at + 1) * k)
        h[rows] = directions.T @ amount[at]
        mean[rows] = settle[at][0] * directions[0]
        day = days.index(int(np.floor(story.read_days[at])))
        h[rows, size - 2 * len(days) + 2 * day : size - 2 * len(days) + 2 * day + 2] = shared.T
    jump = np.einsum("iaxj,xk->iakj", leap[:, :read], directions).reshape(len(ends), read * k, 2)
    asked = amount[read:, 0]
    chance = -np.expm1(np.log1p(-how.jump_chance) * (np.array(ends) - np.array(starts))) if ends else np.zeros(0)
    with np.errstate(divide="ignore"):
        odds = np.log(chance) - np.log1p(-chance)
    taken = ~np.isnan(np.concatenate([sight.cents for sight in story.seen])) if read else np.zeros(0, bool)
    return Joint(
        mean[taken], (cov + h @ h.T)[np.ix_(taken, taken)], jump[:, taken],
        np.array([each[0] for each in settle[read:]]), asked @ asked.T, (asked @ h.T)[:, taken],
        leap[:, read:, 0, :], odds,
    )  # fmt: skip


class Reckoned:
    """log likelihood of residuals (m, n), and draws of what is asked about, over all ways the jumps may have come."""

    def __init__(self, law: Joint) -> None:
        self.law = law
        self.solve = np.linalg.inv(law.cov)
        self.log_det = np.linalg.slogdet(law.cov)[1]
        shown = np.abs(law.jump).max(axis=(1, 2), initial=0.0) > 0.0
        may = [i for i in range(len(law.log_odds)) if np.isfinite(law.log_odds[i]) and shown[i]]
        likely = sorted(may, key=lambda i: -law.log_odds[i])[:CANDIDATES]
        self.ways: list[tuple[int, ...]] = [(), *((i,) for i in may), *itertools.combinations(sorted(likely), 2)]

    def columns(self, way: tuple[int, ...]) -> tuple[Array, Array]:
        """What the jumps of one way add to the readings (m, 2j) and to what is asked about (q, 2j)."""
        law = self.law
        if not way:
            return np.zeros((len(law.mean), 0)), np.zeros((len(law.ask_mean), 0))
        return np.hstack([law.jump[i] for i in way]), np.hstack([law.ask_jump[i] for i in way])

    def covariance(self, way: tuple[int, ...]) -> Array:
        """Of the readings, with the jumps of one way."""
        added = self.columns(way)[0]
        out: Array = self.law.cov + added @ added.T
        return out

    def log_likelihoods(self, residual: Array) -> Array:
        """Log density of residuals (m, n), settling not yet taken off, with the odds of each way: shape (ways, n)."""
        law = self.law
        off = residual - law.mean[:, None]
        base = self.solve @ off
        plain = -0.5 * (off * base).sum(axis=0) - 0.5 * self.log_det
        out = np.empty((len(self.ways), off.shape[1]))
        for number, way in enumerate(self.ways):
            j = self.columns(way)[0]
            inner = np.eye(j.shape[1]) + j.T @ self.solve @ j
            toward = j.T @ base
            out[number] = plain + sum(law.log_odds[i] for i in way)
            if way:
                out[number] += 0.5 * (toward * np.linalg.solve(inner, toward)).sum(axis=0)
                out[number] -= 0.5 * np.linalg.slogdet(inner)[1]
        return out

    def asked(self, residual: Array, logs: Array, rng: np.random.Generator) -> Array:
        """One draw for each column of residuals (m, n) of the gap moved at each moment asked about: shape (q, n)."""
        law, n = self.law, residual.shape[1]
        share = np.exp(logs - logs.max(axis=0))
        edges = np.cumsum(share / share.sum(axis=0), axis=0)
        which = (rng.random(n)[None, :] > edges[:-1]).sum(axis=0)
        out = np.empty((len(law.ask_mean), n))
        off = residual - law.mean[:, None]
        for number, way in enumerate(self.ways):
            of = which == number
            if not of.any():
                continue
            j, asked_j = self.columns(way)
            tie = law.tie + asked_j @ j.T
            gain = np.linalg.solve(self.covariance(way), tie.T).T
            left = law.ask_cov + asked_j @ asked_j.T - gain @ tie.T
            factor = np.linalg.cholesky(left + 1e-9 * np.eye(len(left)))
            out[:, of] = law.ask_mean[:, None] + gain @ off[:, of]
            out[:, of] += factor @ rng.standard_normal((len(left), int(of.sum())))
        return out


def _stacked(physics: Physics, kind: Kind, seen: Sequence[Sighting], u: Array) -> Array:
    """What all readings would show without movement, shape (n, m), holes left out."""
    whole = np.hstack([physics.outputs_cents(u, s.removed_mm, s.strokes, kind, s.pipe) for s in seen])
    return whole[:, ~np.isnan(np.concatenate([s.cents for s in seen]))]


def _peak(physics: Physics, kind: Kind, seen: Sequence[Sighting], y: Array, cov: Array) -> tuple[Array, Array]:
    """Mode (d,) of the deviates and inverse curvature (d, d), all readings' errors having one joint covariance."""
    d = len(LATENTS)
    at, precision, weight = np.zeros(d), np.eye(d), np.linalg.inv(cov)
    for _ in range(12):
        shown = _stacked(physics, kind, seen, np.vstack([at[None, :], at[None, :] + STEP * np.eye(d)]))
        slope = (shown[1:] - shown[0]).T / STEP
        precision = np.eye(d) + slope.T @ weight @ slope
        step = np.linalg.solve(precision, slope.T @ weight @ (y - shown[0]) - at)
        at = at + step * min(1.0, 2.0 / float(np.abs(step).max() + 1e-12))
        if float(np.abs(step).max()) < 0.02:
            break
    return at, np.linalg.inv(precision)


@dataclass(frozen=True)
class MovingBelief(KnowingBelief):
    """Weighted draws of a reed's deviates, and what its gap has moved by itself: moved (q, n) at moments asked about;
    at: which of them `gap_cents` means."""

    moved: Array
    at: int = 0
    more: float = 0.0

    def gap_cents(self, x: float | Array, strokes: float) -> Array:
        """True gap of each draw at a length removed and strokes, shape (n,), at the moment meant."""
        return super().gap_cents(x, strokes) + self.moved[self.at] + self.more


def moving_belief(
    physics: Physics, kind: Kind, pipe: Pipe, how: Movement, story: Story, rng: np.random.Generator, draws: int
) -> MovingBelief:
    """The posterior after all of a reed's readings, movement summed out."""
    d, seen = len(LATENTS), story.seen
    y = np.concatenate([sight.cents for sight in seen])
    y = y[~np.isnan(y)]
    reckoned = Reckoned(joint(physics, kind, how, story))
    settled_off = y - reckoned.law.mean
    widest = tuple(i for way in reckoned.ways if len(way) == 1 for i in way)
    peaks = [_peak(physics, kind, seen, settled_off, reckoned.covariance(()))]
    if widest:
        peaks.append(_peak(physics, kind, seen, settled_off, reckoned.covariance(widest)))
    shares = np.array([1.0] if len(peaks) == 1 else [0.6, 0.4])
    for _ in range(3):
        which = np.sort(rng.choice(len(peaks), size=draws, p=shares))
        wide = np.sqrt(DOF / rng.chisquare(DOF, (draws, 1))) * rng.standard_normal((draws, d))
        u = np.vstack([m + wide[which == i] @ np.linalg.cholesky(c).T for i, (m, c) in enumerate(peaks)])
        log_q = np.full(draws, -np.inf)
        for (mean, cov), part in zip(peaks, shares, strict=True):
            factor = np.linalg.cholesky(cov)
            white = np.linalg.solve(factor, (u - mean).T)
            one = -0.5 * (DOF + d) * np.log1p((white**2).sum(axis=0) / DOF) - np.log(np.diag(factor)).sum()
            log_q = np.logaddexp(log_q, np.log(part) + one)
        residual = y[:, None] - _stacked(physics, kind, seen, u).T
        logs = reckoned.log_likelihoods(residual)
        whole = np.logaddexp.reduce(logs, axis=0) - 0.5 * (u**2).sum(axis=1) - log_q
        weights = np.exp(whole - whole.max())
        weights /= weights.sum()
        if 1.0 / (weights**2).sum() > 0.25 * draws:
            break
        mean = weights @ u
        spread = (u - mean).T @ ((u - mean) * weights[:, None])
        peaks = [(mean, 0.9 * spread + 0.1 * np.diag(np.diag(spread)) + LEAST_SHARE * np.eye(d)), *peaks]
        shares = np.concatenate([[0.6], 0.4 * shares])
    return MovingBelief(physics, kind, pipe, u, weights, reckoned.asked(residual, logs, rng))
