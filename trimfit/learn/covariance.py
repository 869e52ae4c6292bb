"""The covariances of batch, reed and reading: univariate REML of each output and of each difference, then one matrix.

For outputs k, l the differences' variances give the covariances by polarization,

    cov(k, l) = (var(k) + var(l) - var(k - l)) / 2,

so the gap F - E, which the whole trade turns on, keeps exactly the variance that REML found for it, and the seating
error that all notes share cancels in most pairs. Polarization of a 2 x 2 block (start, slope) gives its symmetric part
only; the antisymmetric part (start of k with slope of l less the reverse) begins at zero and is left to the EM steps of
`fitting`. The assembled matrix is then taken to a basis in which little is left to correlate (crow, pitch, gap, each
other note less pitch), its correlations shrunk (Schäfer & Strimmer, 2005, Stat. Appl. Genet. Mol. Biol. 4, 32: the
intensity sum var(r) / sum r²), and brought to the cone of positive definite matrices.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from trimfit.learn.design import Rows
from trimfit.learn.newton import MixedFit, fit_mixed
from trimfit.learn.priors import REGRESSORS
from trimfit.learn.sums import cross_products
from trimfit.pitch import OUTPUTS

__all__ = ["ContrastFits", "assemble", "basis", "fit_contrast", "fit_contrasts", "shrink_correlation"]

Array = NDArray[np.float64]
K = len(OUTPUTS)
CROW = OUTPUTS.index("crow")
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
LEAST_PAIR_ROWS = 12
SLIP_WEIGHT = 5e-3
LEAST_NOISE = 0.01
"""Variance (cents²) of a reading's error: no ear and no tuner does better than a tenth of a cent."""
"""A cell of no more weight counts as not taken here: a least weight bounds a slip's pull on a mean, not its square."""


def contrast(k: int, minus: int | None = None) -> Array:
    """The vector (K,) that picks output k, or output k less another."""
    out = np.zeros(K)
    out[k] = 1.0
    if minus is not None:
        out[minus] = -1.0
    return out


def basis() -> Array:
    """Rows (K, K): crow; pitch (E + F) / 2; gap F - E; every other note less the pitch."""
    pitch = (contrast(E_NOTE) + contrast(F_NOTE)) / 2.0
    rest = [contrast(k) - pitch for k in range(K) if k not in (CROW, E_NOTE, F_NOTE)]
    return np.stack([contrast(CROW), pitch, contrast(F_NOTE, E_NOTE), *rest])


@dataclass(frozen=True, slots=True)
class ContrastFits:
    """Covariances found for single outputs (K) and for differences (pairs): batch and reed (2, 2), noise.

    `single[k]` and `pair[(k, l)]`; a pair with too few common rows is absent.
    """

    single: dict[int, MixedFit]
    pair: dict[tuple[int, int], MixedFit]


def fit_contrast(
    rows: Rows,
    x: Array,
    psi: Array,
    outer_of: NDArray[np.intp],
    m: Array,
    prior: tuple[Array, Array],
    chanter: Array,
    chanter_scales: Array,
    start: tuple[Array, Array, float] | None = None,
) -> MixedFit | None:
    """REML of one combination m (K,) of the outputs; None when too few rows hold it.

    x (n, 6), psi (n, 2); outer_of (R,) batch of each reed; prior = (mean (6T, K), cov (6T, 6T, K, K)) of the types'
    coefficients with T types; chanter (2K, 2K): the spread of chanters' two offset
    vectors, chanter_scales (n, 2) what each row multiplies them by. Rows must be sorted by batch and reed.
    """
    used = np.flatnonzero(m)
    y = rows.y[:, used] @ m[used]
    weight = np.min(rows.weight[:, used], axis=1)
    seen = np.isfinite(y) & (weight > SLIP_WEIGHT)
    if seen.sum() < LEAST_PAIR_ROWS:
        return None
    weight = weight * seen
    n_types = prior[0].shape[0] // len(REGRESSORS)
    mean = prior[0] @ m
    cov = np.einsum("abkl,k,l->ab", prior[1], m, m)
    spreads = [
        float(m @ chanter[term * K : (term + 1) * K, term * K : (term + 1) * K] @ m)
        for term in range(chanter_scales.shape[1])
    ]
    terms = [term for term, spread in enumerate(spreads) if spread > 1e-2]
    local, columns, n_chanters = local_design(rows, x, chanter_scales[:, terms], n_types)
    precision = np.zeros((len(mean) + len(terms) * n_chanters,) * 2)
    precision[: len(mean), : len(mean)] = np.linalg.inv(cov)
    for number, term in enumerate(terms):
        part = np.arange(n_chanters) + len(mean) + number * n_chanters
        precision[part, part] = 1.0 / spreads[term]
    mean = np.concatenate([mean, np.zeros(len(terms) * n_chanters)])
    data = cross_products(psi, local, y, rows.reed_code, outer_of, weight, (columns, len(mean)))
    return fit_mixed(
        data,
        prior_precision=precision,
        prior_mean=mean,
        start=start,
        tolerance=1e-7,
        most_steps=40,
        least_noise=LEAST_NOISE,
    )


def local_design(rows: Rows, x: Array, scales: Array, n_types: int) -> tuple[Array, NDArray[np.intp], int]:
    """The fixed terms that each row's batch meets, and which they are: its type's six, and its chanters' offsets.

    x (n, 6); scales (n, s): what a row multiplies its chanter's s offsets by. Returns the values (n, L), the terms'
    numbers (B, L) with batches as coded in `rows`, and the number C of chanters. Terms are counted type by type, then
    offset by offset, chanter by chanter: 6 T + s C in all.
    """
    n, wide = x.shape
    n_chanters = int(rows.chanter_code.max(initial=-1)) + 1
    n_batches = int(rows.batch_code.max(initial=-1)) + 1
    type_of = np.zeros(n_batches, dtype=np.intp)
    type_of[rows.batch_code] = rows.type_code
    columns = type_of[:, None] * wide + np.arange(wide)[None, :]
    on = np.flatnonzero(rows.chanter_code >= 0)
    if not len(on) or not scales.shape[1]:
        return x, columns, n_chanters
    pairs, of_row = np.unique(rows.batch_code[on] * n_chanters + rows.chanter_code[on], return_inverse=True)
    batch, chanter = np.divmod(pairs, n_chanters)
    nth = np.arange(len(pairs)) - np.searchsorted(batch, batch)
    most = int(nth.max()) + 1
    values, named = [x], [columns]
    for number, scale in enumerate(scales.T):
        mine = np.zeros((n, most))
        mine[on, nth[of_row.reshape(-1)]] = scale[on]
        which = np.zeros((n_batches, most), dtype=np.intp)
        which[batch, nth] = n_types * wide + number * n_chanters + chanter
        values.append(mine)
        named.append(which)
    return np.hstack(values), np.hstack(named), n_chanters


def fit_contrasts(
    rows: Rows, fit: Callable[[Array], MixedFit | None], tell: Callable[[int, int], None] = lambda done, whole: None
) -> ContrastFits:
    """REML of every output and of every difference that enough rows hold; `fit` is `fit_contrast` with its data."""
    held = [k for k in range(K) if np.isfinite(rows.y[:, k]).sum() >= LEAST_PAIR_ROWS]
    pairs = list(combinations(held, 2))
    whole = len(held) + len(pairs)
    single: dict[int, MixedFit] = {}
    pair: dict[tuple[int, int], MixedFit] = {}
    for done, k in enumerate(held, 1):
        if (found := fit(contrast(k))) is not None:
            single[k] = found
        tell(done, whole)
    for done, (k, other) in enumerate(pairs, len(held) + 1):
        if (found := fit(contrast(k, other))) is not None:
            pair[(k, other)] = found
        tell(done, whole)
    return ContrastFits(single, pair)


def assemble(fits: ContrastFits, pick: Callable[[MixedFit], Array], assumed: Array, seed: float, count: float) -> Array:
    """One covariance (aK, aK) over outputs from the blocks (a, a) that `pick` takes of each fit.

    assumed (aK, aK) stands in where nothing was found, and counts as `seed` groups beside the `count` that were seen.
    """
    a = assumed.shape[0] // K
    trust = count / (count + seed)
    out = assumed.reshape(a, K, a, K).copy()
    block = {k: pick(f) for k, f in fits.single.items()}
    for k, found in block.items():
        out[:, k, :, k] = trust * found + (1 - trust) * out[:, k, :, k]
        others = [j for j in range(K) if j not in block]
        out[:, k, :, others] *= 0.5
        out[:, others, :, k] *= 0.5
    for (k, other), f in fits.pair.items():
        if k in block and other in block:
            cross = 0.5 * (block[k] + block[other] - pick(f))
            blend = trust * cross + (1 - trust) * out[:, k, :, other]
            out[:, k, :, other] = blend
            out[:, other, :, k] = blend.T
    joint: Array = out.reshape(a * K, a * K)
    return 0.5 * (joint + joint.T)


def shrink_correlation(cov: Array, groups: float, target: Array | None = None, *, floor: float = 0.01) -> Array:
    """Shrink the correlations of cov (aK, aK), seen in `groups` groups, in the basis of `basis`; positive definite out.

    target (aK, aK): a covariance whose correlations are shrunk to (default: none). The variances in that basis
    stay, but for a floor of a ten-thousandth of the largest of their kind; `floor` is the least eigenvalue of the
    correlations.
    """
    a = cov.shape[0] // K
    turn = np.kron(np.eye(a), basis())
    turned = turn @ cov @ turn.T
    variance = np.diag(turned).copy()
    for part in range(a):
        kind = slice(part * K, (part + 1) * K)
        variance[kind] = np.maximum(variance[kind], 1e-4 * max(variance[kind].max(), 1e-6))
    sd = np.sqrt(variance)
    r = np.clip(turned / np.outer(sd, sd), -0.98, 0.98)
    np.fill_diagonal(r, 1.0)
    goal = np.eye(a * K)
    if target is not None:
        t = turn @ target @ turn.T
        t_sd = np.sqrt(np.maximum(np.diag(t), 1e-12))
        goal = t / np.outer(t_sd, t_sd)
    off = ~np.eye(a * K, dtype=bool)
    noise = float(np.sum((1 - goal[off] ** 2) ** 2)) / max(groups, 1.0)
    signal = float(np.sum((r - goal)[off] ** 2))
    share = min(1.0, noise / max(signal, 1e-12))
    r = (1 - share) * r + share * goal
    values, vectors = np.linalg.eigh(r)
    r = (vectors * np.maximum(values, floor)) @ vectors.T
    r /= np.sqrt(np.outer(np.diag(r), np.diag(r)))
    back = np.linalg.inv(turn)
    out = back @ (r * np.outer(sd, sd)) @ back.T
    even: Array = 0.5 * (out + out.T)
    return even
