"""A reading that stands alone: it may have been a wild one, and nothing has borne it out yet.

Readings' errors are now and then several times what they mostly are (a reed not seated, a tail). Once two readings of
one state are there, the wild one shows, and counts for less (`joint.sound_weights`). A single one since the last work
cannot be judged so. It is taken as a mixture: with chance w its errors have WILD times the usual variance. w starts
from the share of such readings in the log (`wild_share`) and is weighed by how well the reading was foretold,

    w' = w N(e; v + WILD r) / (w N(e; v + WILD r) + (1 - w) N(e; v + r)),

e the reading's gap less what was foretold without it, v and r the variances of forecast and reading. What would be
believed if it was wild is the state with the reading's weight lowered to 1 / WILD: a downdate of a Gaussian,
C' = C + C D' (N / k - D C D')^-1 D C with k = 1 - 1 / WILD, exact for this reed. Source of the mixture: Tukey (1960), A
survey of sampling from contaminated distributions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trimfit.learn.design import Rows
from trimfit.learn.joint import reading_noise
from trimfit.learn.predict import ReedState
from trimfit.pitch import OUTPUTS

__all__ = ["WILD", "Alone", "own_design", "standing_alone", "wild_share", "without"]

Array = NDArray[np.float64]
E, F = OUTPUTS.index("e"), OUTPUTS.index("f")
WILD = 16.0
"""A wild reading's errors are so many times the usual in variance: four times in size (common practice, no source)."""
FEW_WILD, FEW = 0.01, 50.0
"""The share that is assumed, and how many readings the assumption counts for."""
_NEARLY_ALL = 0.9999


@dataclass(frozen=True, slots=True)
class Alone:
    """The one reading of a reed's present state: cents (m,) of the outputs `taken` (m,), covariance (m, m) of their
    errors as counted, and the reading's own chanter code, pressure and temperature (NaN: not logged)."""

    cents: Array
    taken: NDArray[np.intp]
    noise: Array
    chanter_code: int
    kpa: float
    deg_c: float


def standing_alone(
    rows: Rows, weight: Array, noise_cov: Array, reed_code: int, removed_mm: float, lip: float
) -> Alone | None:
    """The reading with F and E since a reed's last work, where there is just one; else None.

    rows, weight (n, 10) and noise_cov (10, 10) as in `predict.batch_states`.
    """
    mine = (rows.reed_code == reed_code) & np.isfinite(rows.y[:, E]) & np.isfinite(rows.y[:, F])
    here = np.flatnonzero(mine & (np.abs(rows.removed_mm - removed_mm) < 1e-6) & (np.abs(rows.lip - lip) < 1e-6))
    if len(here) != 1:
        return None
    i = int(here[0])
    taken = np.flatnonzero(np.isfinite(rows.y[i]) & (weight[i] > 1e-3))
    if E not in taken or F not in taken:
        return None
    noise = reading_noise(weight[i : i + 1, taken], noise_cov[np.ix_(taken, taken)])[0]
    return Alone(rows.y[i, taken], taken, noise, int(rows.chanter_code[i]), float(rows.kpa[i]), float(rows.deg_c[i]))


def own_design(state: ReedState, alone: Alone, names: Sequence[str], removed_mm: float, lip: float) -> Array:
    """The design (10, d) of the reading under its own conditions; names: what chanter codes stand for."""
    chanter = names[alone.chanter_code] if alone.chanter_code >= 0 else None
    kpa, deg_c = (value if math.isfinite(value) else None for value in (alone.kpa, alone.deg_c))
    return state.design(removed_mm, lip, chanter, kpa, deg_c)


def _less(state: ReedState, design: Array, cents: Array, noise: Array, share: float) -> ReedState:
    """The state with `share` of a reading's information taken out again: design (m, d), cents (m,), noise (m, m)."""
    reach = state.cov @ design.T
    inner = noise / share - design @ reach
    gain = np.linalg.solve(0.5 * (inner + inner.T), reach.T).T
    cov = state.cov + gain @ reach.T
    return replace(state, mean=state.mean + gain @ (design @ state.mean - cents), cov=0.5 * (cov + cov.T))


def without(state: ReedState, design: Array, alone: Alone, share_wild: float) -> tuple[float, ReedState]:
    """The chance that a reading standing alone was wild, and what is believed if it was.

    design (10, d): of that reading, under its own conditions; share_wild: `wild_share`.
    """
    rows = design[alone.taken]
    gap = (alone.taken == F).astype(float) - (alone.taken == E)
    before = _less(state, rows, alone.cents, alone.noise, _NEARLY_ALL)
    e = float(gap @ (alone.cents - rows @ before.mean))
    v, r = float(gap @ rows @ before.cov @ rows.T @ gap), float(gap @ alone.noise @ gap)
    good, wild = (math.exp(-0.5 * e * e / s) / math.sqrt(s) for s in (v + r, v + WILD * r))
    both = share_wild * wild + (1.0 - share_wild) * good
    chance = share_wild * wild / both if both > 0.0 else 1.0
    return chance, _less(state, rows, alone.cents, alone.noise, 1.0 - 1.0 / WILD)


def wild_share(error: Array, forecast: Array, reading: Array) -> float:
    """The share of wild readings: error (n,) of each reading left out, variances (n,) of its forecast and of a sound
    reading. Maximum likelihood by expectation-maximization, the assumed share counting for FEW readings."""
    share = FEW_WILD
    sound, wild = (
        np.exp(-0.5 * np.minimum(error**2 / s, 1400.0)) / np.sqrt(s)
        for s in (forecast + reading, forecast + WILD * reading)
    )
    for _ in range(500):
        each = share * wild / np.maximum(share * wild + (1.0 - share) * sound, 1e-300)
        before, share = share, float((each.sum() + FEW_WILD * FEW) / (len(error) + FEW))
        if abs(share - before) < 1e-6:
            break
    return share
