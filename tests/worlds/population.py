"""A filter that knows the population of a bench with chanters in kinds: yardsticks for what trimfit says of a chanter
that is away.

It knows the physics and its types, the kinds' means, how chanters differ within a kind, and the errors of what is
stated. Two things it may know of a chanter at hand: the truth, or what the same log tells it (`asked_crows`). A chanter
moves the gap by the crow it asks for, so the crow is what is sought.

`asked_crows` is a Gaussian filter made anew at its own mean (Gauss-Newton): near the likeliest deviates each reading of
gap and crow is linear in its reed's deviates, its batch's, and the crow that its chanter asks. All of them together are
the solution of one sparse system.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import spsolve

from tests.worlds.physics import AT, LATENTS, Array, Kind, Physics, Pipe

__all__ = [
    "GAUGE_MIDDLE_MM",
    "GAUGE_MM_PER_CENT",
    "GAUGE_SD_MM",
    "STATED_CROW_CENTS",
    "STATED_PITCH_CENTS",
    "WITHIN",
    "Stated",
    "asked_crow_cents",
    "asked_crows",
    "crow_given",
    "gap_shift_cents",
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
GAUGE_MIDDLE_MM, GAUGE_MM_PER_CENT, GAUGE_SD_MM = 12.0, -0.05, 0.1
OF_A_READING = [AT[name] for name in ("crow_level", "gap_level", "gap_slope", "crow_slope", "bend", "lip")]
"""The deviates that move a reed's gap or crow."""
STEPS, LONGEST_STEP, SMALL, OUTLIER_SD = 8, 15.0, 1e-3, 6.0


def gap_shift_cents(kind: Kind, crow_cents: Array | float) -> Array | float:
    """How much wider a type's gap starts in a chanter that asks for so much more crow."""
    return -crow_cents * kind.gap_cents_per_mm / kind.crow_cents_per_mm


def asked_crow_cents(physics: Physics, kind: Kind, pipe: Pipe) -> float:
    """The crow of a usual reed of a type where its gap is zero in a chanter."""
    u, low, high = np.zeros((1, len(LATENTS))), 0.0, 5.0
    for _ in range(50):
        x = 0.5 * (low + high)
        low, high = (x, high) if physics.gap_cents(u, x, 0.0, kind, pipe)[0] < 0 else (low, x)
    return float(physics.crow_cents(u, low, 0.0, kind)[0])


@dataclass(frozen=True)
class Stated:
    """What is stated of a chanter, cents from its kind's; None where nothing. gauge_cents: the pitch that its gauge
    speaks for; crow_cents: the crow, by each reed type that it may be of."""

    pitch_cents: float | None = None
    gauge_cents: float | None = None
    crow_cents: tuple[float, ...] = ()


def crow_given(stated: Stated) -> float:
    """The crow that a chanter asks, cents from its kind's: Gaussian conditioning on what is stated; where a crow may be
    of several types, each as likely, the mean of that mixture."""
    said = (stated.pitch_cents, STATED_PITCH_CENTS), (stated.gauge_cents, abs(GAUGE_SD_MM / GAUGE_MM_PER_CENT))
    of_pitch = [([1.0, 0.0], value, error) for value, error in said if value is not None]
    found, density = [], []
    for crow in stated.crow_cents or (None,):
        of_crow = [([0.0, 1.0], crow, STATED_CROW_CENTS)] if crow is not None else []
        if not of_pitch + of_crow:
            return 0.0
        h, y, error = (np.array(part) for part in zip(*of_pitch, *of_crow, strict=True))
        z = np.linalg.solve(h @ WITHIN @ h.T + np.diag(error**2), y)
        found.append(float((WITHIN @ h.T @ z)[1]))
        density.append(np.exp(-0.5 * float(y @ z)))
    return float(np.average(found, weights=density))


def asked_crows(physics: Physics, frame: pd.DataFrame, pipes: Sequence[Pipe], kind_crow_cents: Array) -> Array:
    """The crow that each chanter at hand asks (C,), cents from the usual one, as a log's readings tell it.

    frame: the log's readings (`frames.frame_of`); kind_crow_cents (C,): the mean of each chanter's kind.
    """
    kinds = {kind.name: kind for kind in physics.kinds}
    reed, reeds = pd.factorize(frame["reed"])
    batch, batches = pd.factorize(frame["batch"])
    chanter = frame["chanter"].map({pipe.name: i for i, pipe in enumerate(pipes)}).fillna(-1).astype(int).to_numpy()
    of_type = {name: np.flatnonzero(frame["reed_type"] == name) for name in kinds}
    removed, strokes = frame["removed_mm"].to_numpy(), frame["lip_strokes"].to_numpy()
    read = np.column_stack([frame["f_cents"] - frame["e_cents"], frame["crow_cents"]])
    air = zip(frame["reed_type"], frame["pressure_kpa"], frame["temperature_c"], strict=True)
    # conditions: crow, nine notes; E is the seventh output, F the eighth
    blown = np.array([physics.conditions_cents(kinds[name], kpa, deg_c) for name, kpa, deg_c in air])
    read -= np.column_stack([blown[:, 7] - blown[:, 6], blown[:, 0]])
    noise = physics.noise
    error = np.array([np.sqrt(2.0) * noise.note_sd_cents, noise.crow_sd_cents])
    seen = np.isfinite(read) & np.column_stack([chanter >= 0, np.ones(len(frame), dtype=bool)])
    share = physics.shares()[OF_A_READING]
    n, c, b = len(OF_A_READING), len(pipes), len(batches)
    prior = np.concatenate(
        [
            np.full(c, 1.0 / WITHIN[1, 1]),
            np.tile(1.0 / np.maximum(share, 1e-9), b),
            np.tile(1.0 / (1.0 - share), len(reeds)),
        ]
    )
    at = np.zeros(len(prior))
    batch_of = np.zeros(len(reeds), dtype=int)
    batch_of[reed] = batch

    def predicted(crow: Array, deviates: Array) -> Array:
        out = np.zeros((len(frame), 2))
        u = np.zeros((len(reeds), len(LATENTS)))
        u[:, OF_A_READING] = deviates
        for name, rows in of_type.items():
            kind, x, lip = kinds[name], removed[rows], strokes[rows]
            pipe = replace(pipes[0], gap_shift_cents={name: gap_shift_cents(kind, crow[chanter[rows]])})
            out[rows, 0] = physics.gap_cents(u[reed[rows]], x, lip, kind, pipe)
            out[rows, 1] = physics.crow_cents(u[reed[rows]], x, lip, kind)
        return out

    which, output = np.nonzero(seen)
    for step in range(STEPS):
        crow = kind_crow_cents + at[:c]
        deviates = at[c : c + n * b].reshape(b, n)[batch_of] + at[c + n * b :].reshape(-1, n)
        middle = predicted(crow, deviates)
        off = (read - middle)[seen]
        slope = [(predicted(crow, deviates + SMALL * one) - middle)[seen] / SMALL for one in np.eye(n)]
        values, columns = [], []
        for i, one in enumerate(slope):
            values += [one, one]
            columns += [c + n * batch[which] + i, c + n * b + n * reed[which] + i]
        gap = output == 0
        values.append(np.where(gap, ((predicted(crow + SMALL, deviates) - middle)[seen]) / SMALL, 0.0))
        columns.append(np.where(gap, chanter[which], 0))
        row = np.tile(np.arange(len(which)), len(values))
        h = coo_matrix((np.concatenate(values), (row, np.concatenate(columns))), shape=(len(which), len(at))).tocsc()
        weight = 1.0 / error[output] ** 2
        if step >= STEPS // 2:  # wild readings
            weight = weight * np.minimum(OUTLIER_SD / np.maximum(np.abs(off) / error[output], OUTLIER_SD), 1.0) ** 2
        normal = (h.T @ diags(weight) @ h + diags(prior)).tocsc()
        at += np.clip(spsolve(normal, h.T @ (weight * off) - prior * at), -LONGEST_STEP, LONGEST_STEP)
    found: Array = kind_crow_cents + at[:c]
    return found
