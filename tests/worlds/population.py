"""A filter that knows the population of a bench with chanters in kinds: yardsticks for what trimfit says of a chanter
that is away.

It knows the physics, how reeds, chanters and kinds differ, and the errors of what is stated; and of kinds, types and
chanters at hand one of three things: the truth; kinds and types as they are, and the chanters at hand as the same log
tells them; or all three as that log tells them (`known_by_log`). A chanter moves the gap by the crow it asks for, so
the crow is what is sought.

`asked_crows` is a Gaussian filter made anew at its own mean (Gauss-Newton): near the likeliest deviates each reading of
gap and crow is linear in its reed's deviates, its batch's, its type's, and the crow that its chanter asks. All of them
together are the solution of one sparse system.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import block_diag, coo_matrix, diags
from scipy.sparse.linalg import splu, spsolve

from tests.worlds.physics import AT, LATENTS, Array, Kind, Physics, Pipe

__all__ = [
    "GAUGE_MIDDLE_MM",
    "GAUGE_MM_PER_CENT",
    "GAUGE_SD_MM",
    "STATED_CROW_CENTS",
    "STATED_PITCH_CENTS",
    "WITHIN",
    "Known",
    "Stated",
    "all_known",
    "asked_crow_cents",
    "asked_crows",
    "gap_shift_cents",
    "known_by_log",
]

WITHIN_PITCH_CENTS, WITHIN_CROW_CENTS, WITHIN_TIE = 6.0, 14.0, -0.5
WITHIN = np.array(
    [
        [WITHIN_PITCH_CENTS**2, WITHIN_TIE * WITHIN_PITCH_CENTS * WITHIN_CROW_CENTS],
        [WITHIN_TIE * WITHIN_PITCH_CENTS * WITHIN_CROW_CENTS, WITHIN_CROW_CENTS**2],
    ]
)
"""Covariance of meeting pitch and asked crow, cents, among the chanters of a kind."""
STATED_CROW_CENTS, STATED_PITCH_CENTS = 10.0, 3.0
USUAL_PITCH_CENTS, PITCH_KNOWN_CENTS = 125.0, 0.5
"""The usual chanter's meeting pitch, and how well a log tells that of a chanter at hand."""
GAUGE_MIDDLE_MM, GAUGE_MM_PER_CENT, GAUGE_SD_MM = 12.0, -0.05, 0.1
OF_A_READING = [AT[name] for name in ("crow_level", "gap_level", "gap_slope", "crow_slope", "bend", "lip")]
"""The deviates that move a reed's gap or crow."""
STEPS, LONGEST_STEP, SMALL, OUTLIER_SD = 8, 15.0, 1e-3, 6.0
TYPE_SD, KNOWN_SD = 3.0, 1e-4
"""What a type's own deviates are before a log, standard deviations of a reed: nearly anything; and of a known one."""


def gap_shift_cents(kind: Kind, crow_cents: Array | float) -> Array | float:
    """How much wider a type's gap starts in a chanter that asks for so much more crow."""
    return -crow_cents * kind.gap_cents_per_mm / kind.crow_cents_per_mm


def asked_crow_cents(physics: Physics, kind: Kind, pipe: Pipe, deviates: Array | None = None) -> float:
    """The crow of a usual reed of a type, or of one with these deviates (OF_A_READING), where its gap is zero in a
    chanter."""
    u, low, high = np.zeros((1, len(LATENTS))), 0.0, 5.0
    if deviates is not None:
        u[0, OF_A_READING] = deviates
    for _ in range(50):
        x = 0.5 * (low + high)
        low, high = (x, high) if physics.gap_cents(u, x, 0.0, kind, pipe)[0] < 0 else (low, x)
    return float(physics.crow_cents(u, low, 0.0, kind)[0])


@dataclass(frozen=True)
class Stated:
    """What is stated of a chanter, None where nothing. pitch_cents, and gauge_cents: the pitch that its gauge speaks
    for, cents from the usual chanter's; crow_cents: the crow, from 440 Hz; types: numbers of the types it may be of."""

    pitch_cents: float | None = None
    gauge_cents: float | None = None
    crow_cents: float | None = None
    types: tuple[int, ...] = ()


def asked_crows(
    physics: Physics, frame: pd.DataFrame, pipes: Sequence[Pipe], before: tuple[Array, Array], type_sd: float = KNOWN_SD
) -> tuple[Array, Array]:
    """The crow that each chanter at hand asks, cents from the usual one, then each type's own deviates, as a log's
    readings tell them: mean (C + n T,) and covariance.

    frame: the log's readings (`frames.frame_of`); before: mean (C,) and covariance (C, C) of the crows before;
    type_sd: how far the deviates of types may lie from the physics', in standard deviations of a reed.
    """
    kinds = {kind.name: number for number, kind in enumerate(physics.kinds)}
    reed, reeds = pd.factorize(frame["reed"])
    batch, batches = pd.factorize(frame["batch"])
    of_type = frame["reed_type"].map(kinds).to_numpy()
    chanter = frame["chanter"].map({pipe.name: i for i, pipe in enumerate(pipes)}).fillna(-1).astype(int).to_numpy()
    removed, strokes = frame["removed_mm"].to_numpy(), frame["lip_strokes"].to_numpy()
    read = np.column_stack([frame["f_cents"] - frame["e_cents"], frame["crow_cents"]])
    air = zip(of_type, frame["pressure_kpa"], frame["temperature_c"], strict=True)
    # conditions: crow, nine notes; E is the seventh output, F the eighth
    blown = np.array([physics.conditions_cents(physics.kinds[number], kpa, deg_c) for number, kpa, deg_c in air])
    read -= np.column_stack([blown[:, 7] - blown[:, 6], blown[:, 0]])
    noise = physics.noise
    error = np.array([np.sqrt(2.0) * noise.note_sd_cents, noise.crow_sd_cents])
    seen = np.isfinite(read) & np.column_stack([chanter >= 0, np.ones(len(frame), dtype=bool)])
    share = physics.shares()[OF_A_READING]
    n, c, b, t = len(OF_A_READING), len(pipes), len(batches), len(kinds)
    first = c + n * np.array([0, t, t + b])  # where types', batches' and reeds' deviates stand
    spreads = [np.full(n * t, type_sd**2), np.tile(np.maximum(share, 1e-9), b), np.tile(1.0 - share, len(reeds))]
    prior = block_diag([np.linalg.inv(before[1]), diags(1.0 / np.concatenate(spreads))]).tocsc()
    at = np.zeros(prior.shape[0])
    batch_of, type_of = np.zeros(len(reeds), dtype=int), np.zeros(len(reeds), dtype=int)
    batch_of[reed], type_of[reed] = batch, of_type
    groups = of_type, batch, reed

    def predicted(crow: Array, deviates: Array) -> Array:
        out = np.zeros((len(frame), 2))
        u = np.zeros((len(reeds), len(LATENTS)))
        u[:, OF_A_READING] = deviates
        for number, kind in enumerate(physics.kinds):
            rows = np.flatnonzero(of_type == number)
            x, lip = removed[rows], strokes[rows]
            pipe = replace(pipes[0], gap_shift_cents={kind.name: gap_shift_cents(kind, crow[chanter[rows]])})
            out[rows, 0] = physics.gap_cents(u[reed[rows]], x, lip, kind, pipe)
            out[rows, 1] = physics.crow_cents(u[reed[rows]], x, lip, kind)
        return out

    which, output = np.nonzero(seen)
    for step in range(STEPS):
        crow = before[0] + at[:c]
        of_types, of_batches, of_reeds = (part.reshape(-1, n) for part in np.split(at[c:], first[1:] - c))
        deviates = of_types[type_of] + of_batches[batch_of] + of_reeds
        middle = predicted(crow, deviates)
        off = (read - middle)[seen]
        slope = [(predicted(crow, deviates + SMALL * one) - middle)[seen] / SMALL for one in np.eye(n)]
        values, columns = [], []
        for i, one in enumerate(slope):
            values += [one] * 3
            columns += [at_first + n * group[which] + i for at_first, group in zip(first, groups, strict=True)]
        gap = output == 0
        values.append(np.where(gap, ((predicted(crow + SMALL, deviates) - middle)[seen]) / SMALL, 0.0))
        columns.append(np.where(gap, chanter[which], 0))
        row = np.tile(np.arange(len(which)), len(values))
        h = coo_matrix((np.concatenate(values), (row, np.concatenate(columns))), shape=(len(which), len(at))).tocsc()
        weight = 1.0 / error[output] ** 2
        if step >= STEPS // 2:  # wild readings
            weight = weight * np.minimum(OUTLIER_SD / np.maximum(np.abs(off) / error[output], OUTLIER_SD), 1.0) ** 2
        normal = (h.T @ diags(weight) @ h + prior).tocsc()
        at += np.clip(spsolve(normal, h.T @ (weight * off) - prior @ at), -LONGEST_STEP, LONGEST_STEP)
    sought = first[1]
    cov = splu(normal).solve(np.eye(len(at), sought))[:sought]
    return np.r_[before[0], np.zeros(n * t)] + at[:sought], cov


@dataclass(frozen=True)
class Known:
    """What is known of chanters and types by whoever knows how they differ.

    mean (2 (chanters + kinds) + n T,), cov: of pitch and asked crow (cents from the usual) of each chanter at hand, the
    same of one that is away of each kind, and types' own deviates.
    """

    physics: Physics
    mean: Array
    cov: Array
    chanters: int
    kinds: int

    def crow_at_hand(self, chanter: int) -> float:
        """The crow that a chanter at hand asks, cents from the usual."""
        return float(self.mean[2 * chanter + 1])

    def crow_away(self, kind: int, stated: Stated) -> float:
        """The same of a chanter of a kind of which something is stated: Gaussian conditioning; where a crow may be of
        several types, each as likely, the mean of that mixture."""
        at, mean, cov = 2 * (self.chanters + kind), self.mean, self.cov
        row = np.eye(len(mean))[at]
        gauge_error = abs(GAUGE_SD_MM / GAUGE_MM_PER_CENT)
        for value, error in ((stated.pitch_cents, STATED_PITCH_CENTS), (stated.gauge_cents, gauge_error)):
            if value is not None:
                mean, cov, _ = _given(mean, cov, row, value, error)
        if stated.crow_cents is None:
            return float(mean[at + 1])
        found, density = [], []
        for number in stated.types:
            usual, slope, where = self._asked_crow(mean, at + 1, number)
            row = np.zeros(len(mean))
            row[where] = slope
            value = stated.crow_cents - usual + float(slope @ mean[where])
            after, _, one = _given(mean, cov, row, value, STATED_CROW_CENTS)
            found.append(float(after[at + 1]))
            density.append(one)
        return float(np.average(found, weights=np.exp(np.array(density) - max(density))))

    def _asked_crow(self, mean: Array, crow: int, number: int) -> tuple[float, Array, Array]:
        """The crow from 440 Hz that a chanter asks of a type's usual reed, how that answers a cent of the chanter's
        crow and each of the type's deviates, and where these stand."""
        n, kind = len(OF_A_READING), self.physics.kinds[number]
        first = 2 * (self.chanters + self.kinds) + n * number
        where = np.r_[crow, first : first + n]

        def asked(of: Array) -> float:
            shift = {kind.name: float(gap_shift_cents(kind, of[0]))}
            return asked_crow_cents(self.physics, kind, replace(self.physics.pipes[0], gap_shift_cents=shift), of[1:])

        usual = asked(mean[where])
        steps = 0.01 * np.eye(n + 1)
        return usual, np.array([(asked(mean[where] + step) - usual) / 0.01 for step in steps]), where


def all_known(physics: Physics, kinds_cents: Array, own_cents: Array) -> Known:
    """Kinds (kinds, 2), chanters at hand (C, 2) and types as they are: pitch and asked crow, cents from the usual."""
    types = len(OF_A_READING) * len(physics.kinds)
    mean = np.concatenate([own_cents.ravel(), kinds_cents.ravel(), np.zeros(types)])
    cov = np.zeros((len(mean),) * 2)
    far = slice(own_cents.size, own_cents.size + kinds_cents.size)
    cov[far, far] = np.kron(np.eye(len(kinds_cents)), WITHIN)
    return Known(physics, mean, cov, len(own_cents), len(kinds_cents))


def known_by_log(
    physics: Physics,
    frame: pd.DataFrame,
    pipes: Sequence[Pipe],
    kind_of: NDArray[np.intp],
    kinds: tuple[Array, Array],
    type_sd: float = KNOWN_SD,
) -> Known:
    """Chanters, kinds and types as a log tells them; the pitches of chanters at hand it tells to PITCH_KNOWN_CENTS.

    frame, type_sd: see `asked_crows`; kind_of (C,): each chanter's kind; kinds: mean (kinds, 2) of their pitch and
    asked crow, cents from the usual, and standard deviations (2,) about it: a trifle where they are known.
    """
    chanters, middle = len(pipes), kinds[0]
    of = np.r_[kind_of, np.arange(len(middle))]
    cov = np.kron(of[:, None] == of[None, :], np.diag(kinds[1] ** 2)) + np.kron(np.eye(len(of)), WITHIN)
    mean = middle[of].ravel()
    for number, pipe in enumerate(pipes):
        row = np.eye(len(mean))[2 * number]
        mean, cov, _ = _given(mean, cov, row, pipe.pitch_cents - USUAL_PITCH_CENTS, PITCH_KNOWN_CENTS)
    crows = 2 * np.arange(chanters) + 1
    after, after_cov = asked_crows(physics, frame, pipes, (mean[crows], cov[np.ix_(crows, crows)]), type_sd)
    types = np.zeros(len(after) - chanters)
    told = np.r_[crows, len(mean) + np.arange(len(types))]
    mean, cov = np.r_[mean, types], np.asarray(block_diag([cov, type_sd**2 * np.eye(len(types))]).todense())
    # what the log does not tell of follows what it does, by its regression on that
    before = cov[np.ix_(told, told)]
    follows = np.linalg.solve(before, cov[told]).T
    mean = mean + follows @ (after - mean[told])
    return Known(physics, mean, cov + follows @ (after_cov - before) @ follows.T, chanters, len(middle))


def _given(mean: Array, cov: Array, row: Array, value: float, error: float) -> tuple[Array, Array, float]:
    """Mean and covariance given one reading of row @ state, and the log of its density."""
    reach = cov @ row
    spread, off = float(row @ reach) + error**2, value - float(row @ mean)
    density = -0.5 * (float(np.log(spread)) + off**2 / spread)
    return mean + reach * (off / spread), cov - np.outer(reach, reach) / spread, density
