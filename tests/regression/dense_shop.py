"""The slow, obvious version of the joint response: one Gaussian over every coefficient, batch and reed of a small shop.

Nothing here knows of information matrices, sums over reeds or Woodbury's identity: the unknowns are laid in one long
vector, every cell of every reading is one row of one matrix, and Gaussian conditioning is written out once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import OUTPUTS
from trimfit.regression.curve import KNOTS_MM
from trimfit.regression.design import Coding, Rows, by_reading, take_rows
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import coefficient_prior, prior_model
from trimfit.regression.movement.process import (
    BASIS,
    EVENT,
    SITTING_DAYS,
    Movement,
    assumed_movement,
    settled,
    unsettled,
)
from trimfit.regression.priors import C_TERMS, RANDOM, REGRESSORS

Array = NDArray[np.float64]
K, M = len(OUTPUTS), len(REGRESSORS)
OWN = len(RANDOM) * K
LIP = REGRESSORS.index("lip")


def positive(rng: np.random.Generator, sd: Array, lean: float = 0.4) -> Array:
    """A random covariance (m, m) with these standard deviations (m,)."""
    m = len(sd)
    a = rng.standard_normal((m, 2 * m)) / np.sqrt(2 * m)
    r = (1 - lean) * np.eye(m) + lean * (a @ a.T)
    r /= np.sqrt(np.outer(np.diag(r), np.diag(r)))
    return r * np.outer(sd, sd)


@dataclass(frozen=True)
class Shop:
    """Rows with their coding, and the covariances all is computed under."""

    rows: Rows
    coding: Coding
    batch_cov: Array
    reed_cov: Array
    noise_cov: Array
    reed_scale: Array
    noise_scale: Array
    movement: Movement


def plain_rows(shop: Shop) -> Rows:
    """The shop's rows less what their reeds are expected to have settled: what a pass over them takes."""
    return replace(shop.rows, y=unsettled(shop.rows.y, shop.rows, shop.movement))


def moving(rng: np.random.Generator, types: int) -> Movement:
    """A random way to move for each type."""
    found = assumed_movement(types)
    n = types + 1
    return replace(
        found,
        walk=np.stack([positive(rng, np.array([2.0, 0.7, 1.0])) for _ in range(n)]),
        sitting=np.stack([positive(rng, np.array([1.5, 0.6, 1.1])) for _ in range(n)]),
        settle=rng.normal(0.0, 3.0, (n, 2, 3)),
    )


def small_shop(
    seed: int = 0,
    *,
    types: int = 2,
    batches: tuple[int, ...] = (0, 0, 1),
    reeds: int = 3,
    holes: float = 0.3,
    chanters: int = 2,
) -> Shop:
    """A random shop: `batches` gives each batch's type; ragged readings, holes, weights, two random covariances."""
    rng = np.random.default_rng(seed)
    curves, ratio = rng.uniform(-0.2, 0.2, (types, 1)) * KNOTS_MM, rng.uniform(0.7, 1.4, types)
    names = tuple(f"type {t}" for t in range(types))
    coding = Coding(names, tuple(f"chanter {c}" for c in range(chanters)), curves, ratio, 6.0, 20.0, 3.7)
    type_code, batch_code, reed_code, removed, day = [], [], [], [], []
    reed = 0
    for b, t in enumerate(batches):
        for _ in range(reeds):
            for x in np.cumsum(np.r_[0.0, rng.uniform(0.1, 0.4, rng.integers(0, 4))]):
                type_code.append(t)
                batch_code.append(b)
                reed_code.append(reed)
                removed.append(x)
                day.append(
                    day[-1] + rng.choice([0.01, 0.9, 6.0]) if len(reed_code) > 1 and reed_code[-2] == reed else 20.0
                )
            reed += 1
    n = len(removed)
    start = np.r_[np.full(OWN, 1.0)]
    batch_cov = positive(rng, start * np.r_[np.full(K, 5.0), np.full(K, 6.0), np.full(K, 2.0)])
    reed_cov = positive(rng, start * np.r_[np.full(K, 7.0), np.full(K, 9.0), np.full(K, 3.0)])
    noise_cov = positive(rng, np.full(K, 2.0), 0.7)
    y = rng.normal(200.0, 30.0, (n, K)) + 100.0 * np.array(removed)[:, None]
    y[rng.random((n, K)) < holes] = np.nan
    y[0] = np.where(np.arange(K) == 0, 400.0, np.nan)
    weight = np.where(rng.random((n, K)) < 0.1, rng.uniform(0.05, 0.9, (n, K)), 1.0)
    weight[rng.integers(n)] *= 0.3
    kpa = np.where(rng.random(n) < 0.7, rng.normal(6.0, 0.5, n), np.nan)
    deg_c = np.where(rng.random(n) < 0.7, rng.normal(20.0, 2.0, n), np.nan)
    rows = Rows(
        y=y,
        removed_mm=np.array(removed),
        lip=np.floor(rng.uniform(0, 3, n)),
        kpa=kpa,
        deg_c=deg_c,
        type_code=np.array(type_code, dtype=np.intp),
        batch_code=np.array(batch_code, dtype=np.intp),
        reed_code=np.array(reed_code, dtype=np.intp),
        chanter_code=rng.integers(-1, chanters, n).astype(np.intp),
        batches=tuple((t, f"batch {b}") for b, t in enumerate(batches)),
        reeds=tuple(f"reed {r}" for r in range(reed)),
        weight=weight,
        label=np.array([f"entry {i}" for i in range(n)], dtype=object),
        day=np.array(day),
        made_day=np.where(rng.random(reed) < 0.6, rng.uniform(0.0, 19.0, reed), np.nan)[reed_code],
        since_work=np.column_stack([np.ceil(np.array(removed)), rng.uniform(0.0, 0.9, n) * (np.array(removed) > 0)]),
        event=rng.random(n) < 0.1,
        jump=(rng.random(n) < 0.1).astype(float),
    )
    scales = rng.uniform(0.7, 1.4, types), rng.uniform(0.7, 1.4, types)
    return Shop(rows, coding, batch_cov, reed_cov, noise_cov, *scales, moving(rng, types))


def sittings(rows: Rows) -> list[int]:
    """The number of each row's sitting within its reed: a new one after some hours, an event or a jump."""
    out: list[int] = []
    for i in range(len(rows)):
        mine = [j for j in range(i) if rows.reed_code[j] == rows.reed_code[i]]
        moved = bool(rows.event[i]) or rows.jump[i] > 0
        new = bool(mine) and (rows.day[i] - rows.day[mine[-1]] > SITTING_DAYS or moved)
        out.append(out[mine[-1]] + new if mine else 0)
    return out


def level_cov(rows: Rows, movement: Movement, r: int) -> Array:
    """Covariance (6S, 6S) of a reed's levels at its S sittings over that at the first, then of the sittings' errors."""
    of = sittings(rows)
    mine = [int(i) for i in np.flatnonzero(rows.reed_code == r)]
    found = movement.of(int(rows.type_code[mine[0]]))
    first = [next(i for i in mine if of[i] == s) for s in range(of[mine[-1]] + 1)]
    more = []
    for s in range(len(first)):
        inside = [i for i in mine if of[i] == s] if s else []
        more.append(sum((rows.jump[i] * found.jump + rows.event[i] * EVENT for i in inside), np.zeros((3, 3))))
    c = settled(rows)
    n = len(first)
    out = np.zeros((6 * n, 6 * n))
    for s in range(n):
        for t in range(n):
            days = rows.day[first[min(s, t)]] - rows.day[first[0]]
            level = days * found.walk + sum(more[: min(s, t) + 1], np.zeros((3, 3)))
            for k in range(2):
                both = (c[first[s], k] - c[first[0], k]) * (c[first[t], k] - c[first[0], k])
                level = level + both * found.settle_cov[k]
            out[3 * s : 3 * s + 3, 3 * t : 3 * t + 3] = level
        error = slice(3 * n + 3 * s, 3 * n + 3 * s + 3)
        out[error, error] = found.sitting
    return out


@dataclass(frozen=True)
class Unknowns:
    """Gaussian over (types' coefficients, chanters' offsets, batches' and reeds' deviations, what a stroke does to each
    reed over what it does to its type, each reed's levels and the errors of its sittings), laid end to end."""

    mean: Array
    cov: Array
    types: int
    chanters: int
    batches: int
    reeds: int
    counts: tuple[int, ...]

    def level_at(self, r: int, s: int) -> slice:
        first = self.stroke_at(self.reeds).start + 6 * sum(self.counts[:r]) + 3 * s
        return slice(first, first + 3)

    def error_at(self, r: int, s: int) -> slice:
        return self.level_at(r, self.counts[r] + s)

    def type_at(self, t: int) -> slice:
        return slice(M * K * t, M * K * (t + 1))

    def chanter_at(self, c: int) -> slice:
        first = M * K * self.types + C_TERMS * K * c
        return slice(first, first + C_TERMS * K)

    def batch_at(self, b: int) -> slice:
        first = M * K * self.types + C_TERMS * K * self.chanters + OWN * b
        return slice(first, first + OWN)

    def reed_at(self, r: int) -> slice:
        first = M * K * self.types + C_TERMS * K * self.chanters + OWN * (self.batches + r)
        return slice(first, first + OWN)

    def stroke_at(self, r: int) -> slice:
        first = M * K * self.types + C_TERMS * K * self.chanters + OWN * (self.batches + self.reeds) + K * r
        return slice(first, first + K)

    def conditioned(self, design: Array, values: Array, noise: Array) -> Unknowns:
        """Gaussian conditioning, written out."""
        spread = design @ self.cov @ design.T + noise
        gain = np.linalg.solve(spread, design @ self.cov).T
        mean = self.mean + gain @ (values - design @ self.mean)
        return replace(self, mean=mean, cov=self.cov - gain @ spread @ gain.T)


def before(shop: Shop, strokes: dict[int, Array] | None = None) -> Unknowns:
    """What is believed before any reading; strokes: the spread (K, K) of strokes among the reeds of a batch, else 0."""
    rows, coding = shop.rows, shop.coding
    n_types, n_chanters = len(coding.types), len(coding.chanters)
    mean, cov = coefficient_prior(n_types)
    coef_cov = np.zeros((M * K * n_types, M * K * n_types))
    for a in range(M * n_types):
        for b in range(M * n_types):
            coef_cov[a * K : (a + 1) * K, b * K : (b + 1) * K] = cov[a, b]
    parts = [coef_cov]
    parts += [prior_model(coding.types, 6.0, 20.0, 3.7).chanter_cov] * n_chanters
    parts += [shop.batch_cov] * len(rows.batches)
    for r in range(len(rows.reeds)):
        t = int(rows.type_code[rows.reed_code == r][0])
        parts.append(shop.reed_cov * shop.reed_scale[t])
    for r in range(len(rows.reeds)):
        b = int(rows.batch_code[rows.reed_code == r][0])
        parts.append((strokes or {}).get(b, np.zeros((K, K))))
    levels = [level_cov(rows, shop.movement, r) for r in range(len(rows.reeds))]
    parts += levels
    size = sum(len(p) for p in parts)
    whole, at = np.zeros((size, size)), 0
    for part in parts:
        whole[at : at + len(part), at : at + len(part)] = part
        at += len(part)
    start = np.concatenate([mean.reshape(-1), np.zeros(size - mean.size)])
    counts = tuple(len(level) // 6 for level in levels)
    return Unknowns(start, whole, n_types, n_chanters, len(rows.batches), len(rows.reeds), counts)


def curve(x_mm: float, log_slope: Array) -> float:
    """Length along the curve, by quadrature of its slope."""
    at = np.linspace(0.0, x_mm, 20_001)
    slope = np.exp(np.interp(at, KNOTS_MM, log_slope))
    return float(np.mean(0.5 * (slope[1:] + slope[:-1])) * x_mm)


def cells(shop: Shop, unknowns: Unknowns, pick: NDArray[np.bool_] | None = None) -> tuple[Array, Array, Array]:
    """Design (c, d), values (c,), noise (c, c) of the taken cells, written out cell by cell; `pick` (n, K) a subset."""
    rows, coding = shop.rows, shop.coding
    taken = np.isfinite(rows.y) if pick is None else np.isfinite(rows.y) & pick
    design, values, where = [], [], []
    of, c_settled = sittings(rows), settled(rows)
    for i in range(len(rows)):
        r = int(rows.reed_code[i])
        expected = BASIS @ (c_settled[i] @ shop.movement.of(int(rows.type_code[i])).settle)
        t, c = int(rows.type_code[i]), int(rows.chanter_code[i])
        s, g = coding.slope_ratio[t], curve(rows.removed_mm[i], coding.curves[t])
        kpa = rows.kpa[i] - coding.pressure_kpa if np.isfinite(rows.kpa[i]) else 0.0
        warm = rows.deg_c[i] - coding.temperature_c if np.isfinite(rows.deg_c[i]) else 0.0
        for k in np.flatnonzero(taken[i]):
            line = np.zeros(len(unknowns.mean))
            for j, term in enumerate((1.0, g, g * g, rows.lip[i], kpa, warm)):
                line[unknowns.type_at(t).start + j * K + k] = term
            if c >= 0:
                line[unknowns.chanter_at(c).start + k] = 1.0
                line[unknowns.chanter_at(c).start + K + k] = s
            for spot in (unknowns.batch_at(int(rows.batch_code[i])), unknowns.reed_at(int(rows.reed_code[i]))):
                line[spot.start + k] = 1.0
                line[spot.start + K + k] = s * g
                line[spot.start + 2 * K + k] = s * g * g
            line[unknowns.stroke_at(r).start + k] = rows.lip[i]
            line[unknowns.level_at(r, of[i])] = line[unknowns.error_at(r, of[i])] = BASIS[k]
            design.append(line)
            values.append(rows.y[i, k] - expected[k])
            where.append((i, k))
    noise = np.zeros((len(where), len(where)))
    for a, (i, k) in enumerate(where):
        for b, (j, other) in enumerate(where):
            if i == j:
                noise[a, b] = error_cov(shop, i)[k, other]
    return np.array(design), np.array(values), noise


def error_cov(shop: Shop, i: int) -> Array:
    """Covariance (K, K) of one reading's errors: what most of its taken cells' weights share scales the reading."""
    t = int(shop.rows.type_code[i])
    taken = np.isfinite(shop.rows.y[i])
    weight = shop.rows.weight[i]
    shared = sorted(weight[taken])[int(taken.sum()) // 2]
    cov = shop.noise_cov * shop.noise_scale[t]
    out = np.zeros((K, K))
    for k in range(K):
        for other in range(K):
            out[k, other] = cov[k, other] / np.sqrt(max(weight[k], shared) * max(weight[other], shared))
        out[k, k] = cov[k, k] / weight[k]
    return out


def told(shop: Shop, unknowns: Unknowns) -> Unknowns:
    """What is believed after all of the shop's readings."""
    return unknowns.conditioned(*cells(shop, unknowns))


def card_of(shop: Shop, unknowns: Unknowns) -> FittedModel:
    """The fitted model that a fit under these covariances would leave."""
    coding = shop.coding
    size = M * K * len(coding.types) + C_TERMS * K * len(coding.chanters)
    plain = prior_model(coding.types, coding.pressure_kpa, coding.temperature_c, coding.balance_cents)
    return replace(
        plain,
        coding=coding,
        coef=unknowns.mean[:size],
        coef_cov=unknowns.cov[:size, :size],
        batch_cov=shop.batch_cov,
        reed_cov=shop.reed_cov,
        noise_cov=shop.noise_cov,
        reed_scale=shop.reed_scale,
        noise_scale=shop.noise_scale,
        readings=len(shop.rows),
        low_weight={str(shop.rows.label[i]): list(shop.rows.weight[i]) for i in range(len(shop.rows))},
        movement=shop.movement,
        jumped=tuple(str(label) for label in shop.rows.label[shop.rows.jump > 0]),
    )


def part_of(rows: Rows, keep: NDArray[np.bool_]) -> Rows:
    """Some of the rows; batches, reeds and their codes stay."""
    return replace(rows, reed_code=rows.reed_code[keep], **by_reading(rows, keep))


def reed_view(shop: Shop, unknowns: Unknowns, r: int, chanters: tuple[int, ...]) -> tuple[Array, Array]:
    """Mean and covariance of one reed's state at its last reading as `predict` lays it out: own coefficients, chanters'
    offsets, the last sitting's error, the movement since the sitting before."""
    first = int(np.flatnonzero(shop.rows.reed_code == r)[0])
    t, b = int(shop.rows.type_code[first]), int(shop.rows.batch_code[first])
    s = shop.coding.slope_ratio[t]
    size = M * K + C_TERMS * K * len(chanters)
    pick = np.zeros((size + 6, len(unknowns.mean)))
    pick[: M * K, unknowns.type_at(t)] = np.eye(M * K)
    for spot in (unknowns.batch_at(b), unknowns.reed_at(r)):
        pick[:K, spot.start : spot.start + K] = np.eye(K)
        pick[K:OWN, spot.start + K : spot.stop] = s * np.eye(OWN - K)
    pick[LIP * K : (LIP + 1) * K, unknowns.stroke_at(r)] = np.eye(K)
    for j, c in enumerate(chanters):
        first = M * K + C_TERMS * K * j
        pick[first : first + C_TERMS * K, unknowns.chanter_at(c)] = np.eye(C_TERMS * K)
    n = unknowns.counts[r]
    pick[:K, unknowns.level_at(r, n - 1)] = BASIS
    pick[size : size + 3, unknowns.error_at(r, n - 1)] = np.eye(3)
    pick[size + 3 :, unknowns.level_at(r, n - 1)] = np.eye(3)
    pick[size + 3 :, unknowns.level_at(r, max(n - 2, 0))] -= np.eye(3)
    mean = pick @ unknowns.mean
    c = settled(shop.rows)
    mine, of = np.flatnonzero(shop.rows.reed_code == r), sittings(shop.rows)
    settle = shop.movement.of(t).settle
    mean[:K] += BASIS @ (c[mine[-1]] @ settle)
    before_last = next(i for i in mine if of[i] == max(n - 2, 0))
    mean[size + 3 :] += (c[mine[-1]] - c[before_last]) @ settle
    return mean, pick @ unknowns.cov @ pick.T


def no_rows() -> Rows:
    """No reading at all."""
    return take_rows(plain_rows(small_shop(1)), np.empty(0, dtype=np.intp))
