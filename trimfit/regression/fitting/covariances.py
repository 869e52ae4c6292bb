"""The covariances of batch, reed and reading: univariate REML of each output and of each difference, then one matrix.

For outputs k, l the differences' variances give the covariances by polarization,

    cov(k, l) = (var(k) + var(l) - var(k - l)) / 2,

so the gap F - E, which the whole trade turns on, begins with the variance that REML found for it, and the seating error
that all notes share cancels in most pairs. (It does not keep it: what the rows hardly tell gives way to what is assumed
in `_held` and `blended`, and the EM iterations go on from there.) Polarization of a 2 x 2 block (start, slope) gives
its symmetric part only; the antisymmetric part (start of k with slope of l less the reverse) begins at zero and is left
to the EM steps of `fitting`. The assembled matrix is then taken to a basis in which little is left to correlate (crow,
pitch, gap, each other note less pitch), its correlations shrunk (Schäfer & Strimmer, 2005, Stat. Appl. Genet. Mol.
Biol. 4, 32: the intensity sum var(r) / sum r²), and brought to the cone of positive definite matrices. For the reeds
this is only where EM begins: the intensity is one for all correlations, and in a small shop the many that are nothing
take the few that tell something down with them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.design import Rows
from trimfit.regression.outputs import CROW, E_NOTE, F_NOTE, GAP, PITCH, Array, K, contrast, positive
from trimfit.regression.priors import SEEDS, P, assumed_batch_cov, assumed_noise, assumed_reed_cov
from trimfit.regression.reml.newton import MixedFit, Start, fit_many
from trimfit.regression.reml.sums import cross_products

LEAST_PAIR_ROWS = 12
"""Rows that a pair of outputs needs in common before their covariance is taken from them."""
OUTLIER_WEIGHT = 5e-3
"""A cell of no more weight counts as not taken here: a least weight bounds a slip's pull on a mean, not its square."""
LEAST_NOISE = 0.01
"""Variance (cents²) of a reading's error: no ear and no tuner does better than a tenth of a cent."""
FEW = 4.0
"""So many reeds that tell clearly of a variance are enough for it to be taken from the rows."""
WIDEST = 100.0
"""No variance is more than so many times the assumed one: reeds do not differ by an octave."""
TAIL_SDS = 2.457
"""A normal law leaves 0.7 % beyond so many standard deviations: the ceiling of 1 % divided by `choice.MODEL_DOUBT`."""
LEAST_SPREAD = 1e-2
"""Variance (cents²) of chanters' offsets under which a combination has none: they cancel, or the crow is not on one."""


def basis() -> Array:
    """Rows (K, K): crow; pitch (E + F) / 2; gap F - E; every other note less the pitch."""
    rest = [contrast(k) - PITCH for k in range(K) if k not in (CROW, E_NOTE, F_NOTE)]
    return np.stack([contrast(CROW), PITCH, GAP, *rest])


ContrastFits = dict[tuple[int, int | None], MixedFit]
"""Covariances found of single outputs (k, None) and of the difference of two (k, l): of batch and reed (2, 2), noise. A
pair with too few rows in common is absent."""


def fit_combinations(
    rows: Rows,
    x: Array,
    psi: Array,
    outer_of: NDArray[np.intp],
    combinations_of: Array,
    prior: tuple[Array, Array],
    chanter: Array,
    chanter_scales: Array,
    starts: Sequence[Start | None] | None = None,
) -> list[MixedFit | None]:
    """REML of combinations of the outputs, each a row of (c, K); None for those that too few rows hold.

    x (n, 6), psi (n, 2); outer_of (R,) batch of each reed; prior = (mean (6T, K), cov (6T, 6T, K, K)) of the types'
    coefficients with T types; chanter (2K, 2K): the spread of chanters' two offset vectors, chanter_scales (n, 2) what
    each row multiplies them by; starts: where each combination begins, as far as that is known. Rows must be sorted by
    batch and reed.
    """
    found: list[MixedFit | None] = [None] * len(combinations_of)
    taken = [_taken(rows, m) for m in combinations_of]
    enough = [number for number, (_, weight) in enumerate(taken) if np.count_nonzero(weight) >= LEAST_PAIR_ROWS]
    spreads = np.stack([np.einsum("ck,kl,cl->c", combinations_of, part, combinations_of) for part in _parts(chanter)])
    rows = _only_met(rows)
    n_types = prior[0].shape[0] // P
    offsets = [tuple(np.flatnonzero(spreads[:, number] > LEAST_SPREAD).tolist()) for number in range(len(taken))]
    for terms in sorted(set(offsets)):
        alike = [number for number in enough if offsets[number] == terms]
        if not alike:
            continue
        local, columns, n_chanters = local_design(rows, x, chanter_scales[:, list(terms)], n_types)
        mean, precision = _combined_prior(combinations_of[alike], prior, spreads[:, alike][list(terms)], n_chanters)
        y, weight = (np.column_stack([taken[number][part] for number in alike]) for part in (0, 1))
        data = cross_products(psi, local, y, rows.reed_code, outer_of, weight, (columns, mean.shape[1]))
        begin = [start for number in alike if starts is not None and (start := starts[number]) is not None]
        fits = fit_many(
            data,
            starts=begin if len(begin) == len(alike) else None,
            prior_precision=precision,
            prior_mean=mean,
            tolerance=1e-7,
            most_steps=40,
            least_noise=LEAST_NOISE,
        )
        for place, (number, fit) in enumerate(zip(alike, fits, strict=True)):
            found[number] = _held(fit, data.zz[place], int(data.rows[place]), combinations_of[number])
    return found


def _held(fit: MixedFit, zz: Array, n_rows: int, m: Array) -> MixedFit:
    """A fit of the combination m (K,) with what is assumed in place of each variance that the rows hardly tell.

    zz (2, 2, R): the reeds' sums. A reed tells of the variance of its own starts or slopes as much as its own estimate
    of that is reliable, squared (the Fisher information of a variance s² seen through an error e² is 1 / 2 (s² + e²)²,
    and rho = s² / (s² + e²)); the readings' error is learned from the degrees of freedom that the reeds' lines leave.
    FEW of them tell all that is taken from the rows, one tells nothing: a flat likelihood ends anywhere.
    """
    inner, noise = assumed_reed_cov(), float(m @ assumed_noise() @ m)
    outer = assumed_batch_cov(inner, inner, 0.0)
    assumed_inner, assumed_outer = (_of_combination(cov, m) for cov in (inner, outer))
    about = np.where(zz[0, 0] > 0, zz[1, 1] - zz[0, 1] ** 2 / np.where(zz[0, 0] > 0, zz[0, 0], 1.0), 0.0)
    sizes = np.stack([zz[0, 0], np.maximum(about, 0.0)])
    signal = np.diag(assumed_inner)[:, None] * sizes
    informative = np.sum((signal / (signal + max(fit.noise, noise))) ** 2, axis=1)
    freedom = n_rows - int(np.count_nonzero(sizes[0] > 0)) - int(np.count_nonzero(sizes[1] > 1e-9))
    share, sure = _share(informative), float(_share(np.array(freedom)))
    both = np.minimum(share[:, None], share[None, :])
    return replace(
        fit,
        outer_cov=both * _within(fit.outer_cov, assumed_outer) + (1.0 - both) * assumed_outer,
        inner_cov=both * _within(fit.inner_cov, assumed_inner) + (1.0 - both) * assumed_inner,
        noise=sure * min(fit.noise, WIDEST * noise) + (1.0 - sure) * noise,
    )


def _share(informative: Array) -> Array:
    """How much of a variance is taken from rows that tell of it as so many clear cases would."""
    return np.asarray(np.clip((informative - 1.0) / (FEW - 1.0), 0.0, 1.0))


def _of_combination(cov: Array, m: Array) -> Array:
    """Start and slope (2, 2) of a combination m (K,) of the outputs under a covariance (aK, aK) of theirs."""
    return np.asarray(np.einsum("k,akbl,l->ab", m, cov.reshape(-1, K, len(cov) // K, K), m)[:2, :2])


def _within(cov: Array, assumed: Array) -> Array:
    """A covariance (2, 2) with no variance above WIDEST times the assumed one, its correlation as it was."""
    root = np.sqrt(np.minimum(1.0, WIDEST * np.diag(assumed) / np.maximum(np.diag(cov), 1e-300)))
    return np.asarray(cov * np.outer(root, root))


def _taken(rows: Rows, m: Array) -> tuple[Array, Array]:
    """A combination m (K,) of each row's outputs (n,), and its weight (n,): 0 where it was not taken or is a slip."""
    used = np.flatnonzero(m)
    y = rows.y[:, used] @ m[used]
    weight = np.min(rows.weight[:, used], axis=1)
    return y, np.where(np.isfinite(y) & (weight > OUTLIER_WEIGHT), weight, 0.0)


def _varies(y: Array, weight: Array) -> bool:
    """Whether enough rows hold an output y (n,), and not all of them one and the same value: such tell no variance."""
    seen = np.isfinite(y) & (weight > 0)
    return bool(np.isfinite(y).sum() >= LEAST_PAIR_ROWS and seen.any() and np.ptp(y[seen]) > 0.0)


def _combined_prior(m: Array, prior: tuple[Array, Array], spreads: Array, n_chanters: int) -> tuple[Array, Array]:
    """Mean (c, p) and precision (c, p, p) of the fixed terms of combinations m (c, K), in the order of `local_design`.

    prior: as in `fit_combinations`; spreads (s, c): the variance of each of the chanters' s offsets.
    """
    types, terms = len(prior[0]), len(spreads)
    mean = np.zeros((len(m), types + terms * n_chanters))
    precision = np.zeros((*mean.shape, mean.shape[1]))
    mean[:, :types] = m @ prior[0].T
    precision[:, :types, :types] = np.linalg.inv(np.einsum("abkl,ck,cl->cab", prior[1], m, m, optimize=True))
    at = np.arange(types, mean.shape[1])
    precision[:, at, at] = 1.0 / np.repeat(spreads.T, n_chanters, axis=1)
    return mean, precision


def _parts(chanter: Array) -> list[Array]:
    """The blocks (K, K) of a spread (2K, 2K) of chanters' two offset vectors, each vector by itself."""
    return [chanter[i : i + K, i : i + K] for i in range(0, len(chanter), K)]


def _only_met(rows: Rows) -> Rows:
    """The rows with the chanters that they meet numbered 0, 1 …: a term that no row holds costs as much as any."""
    met = np.unique(rows.chanter_code[rows.chanter_code >= 0])
    code = np.full(int(rows.chanter_code.max(initial=-1)) + 2, -1, dtype=np.intp)
    code[met] = np.arange(len(met))
    return replace(rows, chanter_code=code[rows.chanter_code])


def local_design(rows: Rows, x: Array, scales: Array, n_types: int) -> tuple[Array, NDArray[np.intp], int]:
    """The fixed terms that each row's batch meets, and which they are: its type's six, and its chanters' offsets.

    A term that is zero in all rows (no lip work, no odd weather) is left out, but keeps its number.
    x (n, 6); scales (n, s): what a row multiplies its chanter's s offsets by. Returns the values (n, L), the terms'
    numbers (B, L) with batches as coded in `rows`, and the number C of chanters. Terms are counted type by type, then
    offset by offset, chanter by chanter: 6 T + s C in all.
    """
    n, wide = x.shape
    met_terms = np.flatnonzero(x.any(axis=0))
    n_chanters = int(rows.chanter_code.max(initial=-1)) + 1
    n_batches = int(rows.batch_code.max(initial=-1)) + 1
    type_of = np.zeros(n_batches, dtype=np.intp)
    type_of[rows.batch_code] = rows.type_code
    columns = type_of[:, None] * wide + met_terms[None, :]
    x = x[:, met_terms]
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
    rows: Rows,
    fit: Callable[[Array, list[Start | None]], list[MixedFit | None]],
    before: ContrastFits,
    tell: Callable[[int, int], None],
) -> ContrastFits:
    """REML of every output and of every difference that enough rows hold; `fit` is `fit_combinations` with its data.

    Each begins where it ended `before`, with other weights of the rows; else a difference in the shape of its outputs.
    """
    held = [k for k in range(K) if _varies(*_taken(rows, contrast(k)))]
    wanted: list[tuple[int, int | None]] = [*((k, None) for k in held), *combinations(held, 2)]
    found: ContrastFits = {}
    # the outputs first, then the pairs, a few at once: for what tells how far it is
    for first in [0, *range(len(held), len(wanted), K)]:
        part = wanted[first : first + K if first else len(held)]
        begin = [_start(pair, found, before) for pair in part]
        fits = fit(np.array([contrast(*pair) for pair in part]).reshape(-1, K), begin)
        found |= {pair: one for pair, one in zip(part, fits, strict=True) if one is not None}
        tell(first + len(part), len(wanted))
    return found


def _start(pair: tuple[int, int | None], found: ContrastFits, before: ContrastFits) -> Start | None:
    """Where an output, or the difference of two, begins."""
    if pair in before:
        last = before[pair]
        return last.outer_cov, last.inner_cov, last.noise
    one, two = found.get((pair[0], None)), found.get((pair[1], None)) if pair[1] is not None else None
    if one is None or two is None:
        return None
    return one.outer_cov + two.outer_cov, one.inner_cov + two.inner_cov, None


def assemble(fits: ContrastFits, pick: Callable[[MixedFit], Array], assumed: Array) -> Array:
    """One covariance (aK, aK) over outputs from the blocks (a, a) that `pick` takes of each fit; where little is told
    it may have variances under 0.

    assumed (aK, aK) stands in where nothing was found.
    """
    a = assumed.shape[0] // K
    out = assumed.reshape(a, K, a, K).copy()
    block = {k: pick(f) for (k, other), f in fits.items() if other is None}
    for k, found in block.items():
        out[:, k, :, k] = found
        others = [j for j in range(K) if j not in block]
        out[:, k, :, others] *= 0.5
        out[:, others, :, k] *= 0.5
    for (k, other), f in fits.items():
        if k in block and other in block:
            cross = 0.5 * (block[k] + block[other] - pick(f))
            out[:, k, :, other] = cross
            out[:, other, :, k] = cross.T
    joint: Array = out.reshape(a * K, a * K)
    return 0.5 * (joint + joint.T)


def blended(found: Array, count: float, assumed: Array, seed: float) -> Array:
    """What was found in `count` groups with what is assumed, which counts for `seed` of them.

    After `shrink_correlation`, not before: a variance that polarization puts under 0 is none found, and none found in
    48 reeds is beside three assumed ones a seventeenth of the assumed variance. Left under 0 it would take the assumed
    ones with it, and EM hardly leaves a variance near 0: reeds are told to be alike there, and so they are found.
    """
    return np.asarray((count * found + seed * assumed) / (count + seed))


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
    r = positive(r, floor)
    r /= np.sqrt(np.outer(np.diag(r), np.diag(r)))
    back = np.linalg.inv(turn)
    out = back @ (r * np.outer(sd, sd)) @ back.T
    return np.asarray(0.5 * (out + out.T))


def few_reeds(reeds: int) -> float:
    """By how much reeds' standard deviations are widened where they were found in so few: reeds, how many were cut.

    A reed's law is normal only where its variance is known. With one found in n reeds and n0 assumed ones it is near
    Student's with n + n0 degrees of freedom, whose tails are longer. This is the ratio of the two laws' quantiles at a
    chance of 0.7 %, where the ceiling decides what is cut (Abramowitz & Stegun, 1964, Handbook of Mathematical
    Functions, 26.7.5: the first three terms in 1 / nu). Of the widening counts the share n / (n + n0) that was found:
    the assumption is wide as it is. Under a per cent, past some 170 reeds, it is left out.
    """
    df, z = reeds + SEEDS["reed"], TAIL_SDS
    terms = (
        (z**3 + z) / 4.0,
        (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0,
        (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0,
    )
    over = sum(term / df ** (i + 1) for i, term in enumerate(terms)) / z
    stretch = 1.0 + reeds / df * over
    return stretch if stretch >= 1.01 else 1.0
