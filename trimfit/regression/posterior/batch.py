"""The joint Gaussian algebra of one batch: all outputs of all its reeds at once, exact for readings with holes.

Row i (one reading of reed r in batch b) is a vector of the outputs that were taken,

    y_i = sum_j x_ij phi_j + sum_a psi_ia (u_a + v_ra) + BASIS z_rs + e_i,      e_i ~ N(0, R_i)

where phi_j (10,) are the type's six coefficient vectors followed by one offset vector for each chanter the batch met,
u (a x 10) the batch's and v_r (a x 10) the reed's deviations in start, slope and bend (a = 3), u ~ N(0, Sigma_batch),
v_r ~ N(0, Sigma_reed), and z_rs (3,) how far the reed's level had moved at its sitting s (`movement`), whose covariance
over the sittings of a reed is Levels.cov. Every design but that of z is a number times the identity over outputs, so
with W_i = R_i^-1 (zero rows and columns where nothing was taken) all sums are Kronecker products:
sum_i (psi_i psi_i') x W_i. Below, v stands for (v, z), psi x I for [psi x I, BASIS at the row's sitting], and
Sigma_reed for the two covariances side by side.

With omega = (u, phi) and D_i = [psi_i, x_i], reed r tells about omega, v_r integrated out:

    A = sum psi psi' x W        E = sum psi d' x W       N = sum d d' x W        F = (I + A Sigma_reed)^-1
    M_r = N - E' Sigma_reed F E         m_r = sum d x W y - E' Sigma_reed F (sum psi x W y)

Information adds over reeds, and over batches once u is integrated out in the same way. No inverse of Sigma is taken.
The slow, obvious version (one dense covariance over all readings) stands in tests/regression/posterior/test_batch.py.
Source: Gaussian conditioning and Woodbury's identity; e.g. Rasmussen & Williams (2006), Appendix A.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.movement.process import BASIS, N_DIRECTIONS, Levels
from trimfit.regression.outputs import Array

AT_ONCE = 4_000_000
"""So many numbers for pairs of terms are held at once; a batch of ordinary size has fewer in all."""
CELL_CUTOFF = 3.5
"""A cell this many standard deviations from what all other cells predict begins to count for less."""


@dataclass(frozen=True, slots=True)
class BatchSums:
    """What the readings of one batch say, reed by reed. With d = aK + P (batch deviations, then local coefficients):

    m (R, d, d) and mv (R, d): information about omega (R = 1 with `total`); f (R, o, o), e (R, o, d), b (R, o): what
    the reed's own terms need, o = aK and 3 more for each block of `levels`; psi (n, a), x (n, P/K), w (n, K, K),
    wy (n, K), reed_of (n,): the rows. reed_cov (aK, aK): the reeds' covariance; own_cov (R, o, o) with the levels'.
    """

    m: Array
    mv: Array
    f: Array
    e: Array
    b: Array
    psi: Array
    x: Array
    w: Array
    wy: Array
    reed_of: NDArray[np.intp]
    reed_cov: Array
    own_cov: Array
    levels: Levels | None


@dataclass(frozen=True, slots=True)
class Posterior:
    """Posterior about omega of one batch: mean (d,) and cov (d, d)."""

    mean: Array
    cov: Array


def row_precision(y: Array, weight: Array, noise_cov: Array) -> tuple[Array, Array]:
    """W (n, K, K) and W y (n, K) of rows: y (n, K) with NaN where not taken, weight (n, K) in [0, 1], noise (K, K).

    What the weights do to the errors: see `reading_noise`. A cell of weight 0 counts as not taken.
    """
    n, k = y.shape
    seen = np.isfinite(y) & (weight > 1e-6)
    w = np.zeros((n, k, k))
    for taken, rows in patterns_of(seen):
        block = noise_cov[np.ix_(taken, taken)]
        w[np.ix_(rows, taken, taken)] = np.linalg.inv(block)
        odd = rows[(weight[np.ix_(rows, taken)] != 1.0).any(axis=1)]
        if len(odd):
            w[np.ix_(odd, taken, taken)] = _scaled_inverse(reading_noise(weight[np.ix_(odd, taken)], block))
    return w, (w @ np.where(seen, y, 0.0)[:, :, None])[:, :, 0]


def reading_noise(weight: Array, noise_cov: Array) -> Array:
    """Covariance (n, m, m) of the errors of readings whose m cells have these weights (n, m); noise_cov (m, m).

    What most of a reading's cells share (the upper median weight) or have over it is a weight of the reading: it was
    badly seated, all its errors are the larger, and errors that cells share still cancel between them. What a cell has
    under it is a slip of that cell alone: an error of its own is added, which tells the other cells nothing. (Were the
    shared error scaled up with the cell's, a digit dropped in one note would be read as a seating error of them all.)
    """
    reading = np.maximum(weight, np.sort(weight, axis=1)[:, [weight.shape[1] // 2]])
    cov = np.repeat(noise_cov[None], len(weight), axis=0)
    at = np.arange(weight.shape[1])
    cov[:, at, at] *= reading / weight
    root = np.sqrt(reading)
    return np.asarray(cov / (root[:, :, None] * root[:, None, :]))


def _scaled_inverse(m: Array) -> Array:
    """Inverse of a stack of positive definite matrices (..., m, m) whose diagonals differ by orders of magnitude."""
    root = np.sqrt(np.maximum(np.einsum("...ii->...i", m), 1e-300))
    size = root[..., :, None] * root[..., None, :]
    return np.asarray(np.linalg.inv(m / size) / size)


def batch_sums(
    psi: Array,
    x: Array,
    w: Array,
    wy: Array,
    reed_of: NDArray[np.intp],
    reed_cov: Array,
    *,
    total: bool = False,
    levels: Levels | None = None,
) -> BatchSums:
    """Sums of one batch. psi (n, a), x (n, P/K), w and wy from `row_precision`; reed_of (n,) sorted, 0, 1, …

    Each reed of the batch must have at least one row, and its rows must stand together. `total`: one sum over the reeds
    in place of one for each, and all that a fit needs. levels: how the reeds moved; None: they stand still.
    """
    k = wy.shape[1]
    a = psi.shape[1]
    d = np.concatenate([psi, x], axis=1)
    edges = np.flatnonzero(np.r_[True, np.diff(reed_of) > 0, True])
    reeds, width, own_wide = len(edges) - 1, d.shape[1], a * k
    flat = np.ascontiguousarray(w.reshape(len(w), k * k))

    def laid(values: Array, rows: int) -> Array:
        """(..., rows * width, K * K) sums over (term, term) x (output, output) as matrices over (term, output)."""
        lead = values.shape[:-2]
        wide = values.reshape(*lead, rows, width, k, k)
        return np.moveaxis(wide, -2, -3).reshape(*lead, rows * k, width * k)

    own_terms = psi if total else d
    per_reed = np.stack([_pairs_sum(own_terms[lo:hi], d[lo:hi], flat[lo:hi]) for lo, hi in pairwise(edges.tolist())])
    sums = laid(per_reed, a if total else width)
    vector = np.add.reduceat(d[:, :, None] * wy[:, None, :], edges[:-1], axis=0).reshape(reeds, width * k)
    e, b, inner, own_cov = sums[:, :own_wide, :], vector[:, :own_wide], sums[:, :own_wide, :own_wide], reed_cov
    if levels is not None:
        shown, shown_both, shown_y = _level_sums(levels, d, w, wy, reed_of)
        e, b = np.concatenate([e, shown], axis=1), np.concatenate([b, shown_y], axis=1)
        side = shown[:, :, :own_wide]
        inner = np.block([[inner, side.transpose(0, 2, 1)], [side, shown_both]])
        own_cov = np.zeros((reeds, own_wide + levels.width, own_wide + levels.width))
        own_cov[:, :own_wide, :own_wide], own_cov[:, own_wide:, own_wide:] = reed_cov, levels.cov
    own = e.shape[1]
    f = np.asarray(np.linalg.inv(np.eye(own) + inner @ own_cov), dtype=np.float64)
    gain = own_cov @ f
    ge, gb = gain @ e, (gain @ b[:, :, None])[:, :, 0]
    if total:
        tall = e.reshape(reeds * own, width * k)
        m = (laid(_pairs_sum(d, d, flat), width) - tall.T @ ge.reshape(reeds * own, width * k))[None]
        mv = (vector.sum(axis=0) - tall.T @ gb.reshape(reeds * own))[None]
    else:
        back = e.transpose(0, 2, 1)
        m, mv = sums - back @ ge, vector - (back @ gb[:, :, None])[:, :, 0]
    return BatchSums(m, mv, f, e, b, psi, x, w, wy, reed_of, reed_cov, own_cov, levels)


def _level_sums(levels: Levels, d: Array, w: Array, wy: Array, reed_of: NDArray[np.intp]) -> tuple[Array, Array, Array]:
    """What rows say of their reeds' levels: sums of BASIS' W d (R, 3B, width K), BASIS' W BASIS (R, 3B, 3B) and
    BASIS' W y (R, 3B), laid out in the blocks of `levels`."""
    reeds, sittings, blocks = levels.slots.shape
    k, width = wy.shape[1], d.shape[1]
    spot = reed_of * sittings + levels.sitting
    edges = np.flatnonzero(np.r_[True, np.diff(spot) != 0])
    at = spot[edges]
    half = BASIS.T @ w

    def by_sitting(values: Array) -> Array:
        out = np.zeros((reeds * sittings, values.shape[1]))
        out[at] = np.add.reduceat(values, edges, axis=0)
        return out.reshape(reeds, sittings, values.shape[1])

    with_d = by_sitting((half[:, :, None, :] * d[:, None, :, None]).reshape(len(d), -1))
    both = by_sitting((half @ BASIS).reshape(len(d), -1)).reshape(reeds, sittings, N_DIRECTIONS, N_DIRECTIONS)
    with_y = by_sitting(wy @ BASIS)
    slots = levels.slots
    turned = slots.transpose(0, 2, 1)
    shown = (turned @ with_d).reshape(reeds, blocks * N_DIRECTIONS, width * k)
    shown_y = (turned @ with_y).reshape(reeds, blocks * N_DIRECTIONS)
    square = np.einsum("rsb,rsij,rsc->rbicj", slots, both, slots, optimize=True)
    return shown, square.reshape(reeds, blocks * N_DIRECTIONS, blocks * N_DIRECTIONS), shown_y


def _few_rows(n: int, width: int) -> Iterator[slice]:
    """Slices of n rows, each of so few that a number for each pair of `width` terms and row is not too many."""
    step = max(AT_ONCE // width**2, 1)
    return (slice(first, min(first + step, n)) for first in range(0, n, step))


def _pairs_sum(left: Array, right: Array, values: Array) -> Array:
    """Sum over rows (n,) of every pair of terms, left (n, a) by right (n, b), times values (n, v): (a b, v)."""
    out = np.zeros((left.shape[1] * right.shape[1], values.shape[1]))
    for some in _few_rows(len(left), max(left.shape[1], right.shape[1])):
        pairs = (left[some, :, None] * right[some, None, :]).reshape(-1, len(out))
        out += pairs.T @ values[some]
    return out


def resummed(sums: BatchSums, changed: NDArray[np.bool_], w: Array, wy: Array) -> BatchSums:
    """The sums (of `batch_sums` with `total`) where some rows have another W: changed (n,), w (m, K, K), wy (m, K).

    Only the reeds that these rows are of are summed anew: what they added is taken out, what they say now put in.
    """
    if not changed.any():
        return sums
    all_w, all_wy = sums.w.copy(), sums.wy.copy()
    all_w[changed], all_wy[changed] = w, wy
    picked = np.zeros(len(sums.f), dtype=bool)
    picked[sums.reed_of[changed]] = True
    at = np.flatnonzero(picked[sums.reed_of])
    code = (np.cumsum(picked) - 1)[sums.reed_of[at]]
    levels = sums.levels
    if levels is not None:
        levels = replace(levels, sitting=levels.sitting[at], cov=levels.cov[picked], slots=levels.slots[picked])
    before, after = (
        batch_sums(sums.psi[at], sums.x[at], ws[at], wys[at], code, sums.reed_cov, total=True, levels=levels)
        for ws, wys in ((sums.w, sums.wy), (all_w, all_wy))
    )
    f, e, b = sums.f.copy(), sums.e.copy(), sums.b.copy()
    f[picked], e[picked], b[picked] = after.f, after.e, after.b
    m, mv = sums.m - before.m + after.m, sums.mv - before.mv + after.mv
    return replace(sums, m=m, mv=mv, f=f, e=e, b=b, w=all_w, wy=all_wy)


def marginal(info: Array, vector: Array, own_cov: Array) -> tuple[Array, Array]:
    """What a batch's readings say of the coefficients once its own terms, the first of omega, are integrated out.

    info (d, d), vector (d,): summed over reeds; own_cov (o, o): the prior of the batch's own terms, mean 0. Returns
    information (d - o, d - o) and vector (d - o,).
    """
    own = len(own_cov)
    m_up = info[:own, own:]
    inner = np.linalg.solve(np.eye(own) + info[:own, :own] @ own_cov, np.column_stack([m_up, vector[:own]]))
    c = own_cov @ inner
    return info[own:, own:] - m_up.T @ c[:, :-1], vector[own:] - m_up.T @ c[:, -1]


def posterior_of(info: Array, vector: Array, own_cov: Array, phi: Array, phi_cov: Array) -> Posterior:
    """Posterior about omega of one batch, where that about its coefficients is known: phi (P,), phi_cov (P, P).

    info, vector: these readings', summed over reeds, and counted in phi already; own_cov as in `marginal`.
    """
    own = len(own_cov)
    m_uu, m_up = info[:own, :own], info[:own, own:]
    inner = np.linalg.solve(np.eye(own) + m_uu @ own_cov, np.column_stack([m_up, vector[:own], m_uu @ own_cov]))
    wide = m_up.shape[1]
    c_up, mean_u, cov_u = own_cov @ inner[:, :wide], own_cov @ inner[:, wide], own_cov @ inner[:, wide + 1 :]
    cross = -c_up @ phi_cov
    cov = np.block([[own_cov - cov_u - cross @ c_up.T, cross], [cross.T, phi_cov]])
    return Posterior(np.concatenate([mean_u - c_up @ phi, phi]), 0.5 * (cov + cov.T))


def batch_posterior(info: Array, vector: Array, batch_cov: Array, coef_info: Array, coef_vector: Array) -> Posterior:
    """Posterior about omega from summed information (d, d), (d,), the batches' covariance and the coefficients' prior.

    coef_info (P, P) and coef_vector (P,): precision and precision times mean of the local coefficients before these
    readings; it must be positive definite.
    """
    more, right = marginal(info, vector, batch_cov)
    k = more + coef_info
    k_inv = np.asarray(np.linalg.inv(0.5 * (k + k.T)), dtype=np.float64)
    return posterior_of(info, vector, batch_cov, k_inv @ (right + coef_vector), k_inv)


def reed_terms(sums: BatchSums, post: Posterior) -> tuple[Array, Array, Array]:
    """Each reed's own terms v = free - q omega given everything: mean of v (R, o), q (R, o, d), and the covariance of
    `free` (R, o, o), which omega tells nothing of."""
    own = sums.own_cov @ sums.f
    q = own @ sums.e
    return (own @ sums.b[:, :, None])[:, :, 0] - q @ post.mean, q, own


def reed_moments(sums: BatchSums, post: Posterior) -> tuple[Array, Array]:
    """Each reed's own terms given everything, movement included: mean (R, o) and cov (R, o, o)."""
    mean, q, own = reed_terms(sums, post)
    return mean, own + q @ post.cov @ q.transpose(0, 2, 1)


def cell_residuals(sums: BatchSums, post: Posterior, y: Array) -> Array:
    """How far each cell lies from what all the other cells predict.

    Returns z (n, K): (V^-1 r)_ik / sqrt((V^-1)_ik,ik), the standardised error of predicting one cell from all others
    (those of its own reading included). NaN where nothing was taken. Source: Cook & Weisberg (1982).
    """
    return standardised(*deletion(sums, post, y), y)


def standardised(pull: Array, inverse: Array, y: Array) -> Array:
    """`cell_residuals` from what `deletion` gave."""
    size = np.einsum("nkk->nk", inverse)
    with np.errstate(invalid="ignore", divide="ignore"):
        z: Array = np.where(np.isfinite(y) & (size > 1e-12), pull / np.sqrt(np.maximum(size, 1e-300)), np.nan)
    return z


def deletion(sums: BatchSums, post: Posterior, y: Array) -> tuple[Array, Array]:
    """(V^-1 r)_i (n, K) and (V^-1)_ii (n, K, K) of every row, V holding all uncertainty, the coefficients' included.

    A row's design is a few numbers d_i times the identity over outputs, so D C D' is a weighted sum of the (K, K)
    blocks of C, and no wide matrix is formed for a row.
    """
    n, k = sums.wy.shape
    a, d = sums.psi.shape[1], np.concatenate([sums.psi, sums.x], axis=1)
    terms, reeds = d.shape[1], len(sums.f)
    mean_v, q, free = reed_terms(sums, post)
    own_wide = q.shape[1]
    blocks = post.cov.reshape(terms, k, terms, k).transpose(0, 2, 1, 3).reshape(terms * terms, k * k)
    spread = np.empty((n, k, k))
    for some in _few_rows(n, terms):
        pairs = (d[some, :, None] * d[some, None, :]).reshape(-1, terms * terms)
        spread[some] = (pairs @ blocks).reshape(-1, k, k)
    all_tied = (q.reshape(reeds * own_wide, -1) @ post.cov).reshape(reeds, own_wide, -1)
    all_own = all_tied @ q.transpose(0, 2, 1) + free
    own = all_own[:, : a * k, : a * k].reshape(reeds, a, k, a, k).transpose(0, 1, 3, 2, 4)
    tied = all_tied[:, : a * k].reshape(reeds, a, k, terms, k).transpose(0, 1, 3, 2, 4).reshape(reeds, a * terms, k * k)
    own = own.reshape(reeds, a * a, k * k)
    both = (sums.psi[:, :, None] * d[:, None, :]).reshape(n, -1)
    pairs = (sums.psi[:, :, None] * sums.psi[:, None, :]).reshape(n, -1)
    cross, alone = np.empty((n, k * k)), np.empty((n, k * k))
    edges = np.flatnonzero(np.r_[True, np.diff(sums.reed_of) > 0, True]).tolist()
    for r, (first, last) in enumerate(pairwise(edges)):
        np.matmul(both[first:last], tied[r], out=cross[first:last])
        np.matmul(pairs[first:last], own[r], out=alone[first:last])
    cross = cross.reshape(n, k, k)
    spread += alone.reshape(n, k, k) - cross - cross.transpose(0, 2, 1)
    fitted = d @ post.mean.reshape(terms, k) + np.einsum(
        "na,nak->nk", sums.psi, mean_v[:, : a * k].reshape(reeds, a, k)[sums.reed_of]
    )
    if sums.levels is not None:
        more_fitted, more_spread = _level_parts(sums, sums.levels, d, mean_v, all_tied, all_own)
        fitted, spread = fitted + more_fitted, spread + more_spread
    rest = np.where(np.isfinite(y), y - fitted, 0.0)
    return (sums.w @ rest[:, :, None])[:, :, 0], sums.w - sums.w @ spread @ sums.w


def _level_parts(
    sums: BatchSums, levels: Levels, d: Array, mean_v: Array, tied: Array, own: Array
) -> tuple[Array, Array]:
    """What the reeds' movement adds to each row's fitted values (n, K) and to their covariance (n, K, K).

    mean_v (R, o); tied (R, o, d): q C; own (R, o, o): the covariance of the reeds' own terms. With z a row's own three
    numbers, that is BASIS z; its variance, and its covariance with the row's coefficients and deviations, twice.
    """
    n, k = sums.wy.shape
    a, terms, wide = sums.psi.shape[1], d.shape[1], sums.psi.shape[1] * k
    reeds, _, blocks = levels.slots.shape
    shows = levels.slots[sums.reed_of, levels.sitting]
    tied_z = np.einsum("nb,nbic->nic", shows, tied[:, wide:].reshape(reeds, blocks, N_DIRECTIONS, -1)[sums.reed_of])
    with_coef = np.einsum("nt,nitk->nik", d, tied_z.reshape(n, N_DIRECTIONS, terms, k))
    own_z = np.einsum("nb,nbic->nic", shows, own[:, wide:].reshape(reeds, blocks, N_DIRECTIONS, -1)[sums.reed_of])
    with_own = np.einsum("na,niak->nik", sums.psi, own_z[:, :, :wide].reshape(n, N_DIRECTIONS, a, k))
    alone = np.einsum("nibj,nb->nij", own_z[:, :, wide:].reshape(n, N_DIRECTIONS, blocks, N_DIRECTIONS), shows)
    side = BASIS @ (with_own - with_coef)
    mean_z = np.einsum("nb,nbi->ni", shows, mean_v[:, wide:].reshape(reeds, blocks, N_DIRECTIONS)[sums.reed_of])
    return mean_z @ BASIS.T, side + side.transpose(0, 2, 1) + BASIS @ alone @ BASIS.T


def reed_block(sums: BatchSums, post: Posterior, y: Array, reed: int) -> tuple[NDArray[np.intp], Array, Array]:
    """One reed's rows (r,), and what all other readings leave of them: V^-1 r (rK,) and the block of V^-1 (rK, rK).

    The inverse of the block is the covariance of these readings given all others, the block's product with it their
    error: the whole of `deletion`, for a reed in place of a row.
    """
    rows = np.flatnonzero(sums.reed_of == reed)
    n, k = len(rows), sums.wy.shape[1]
    d = np.concatenate([sums.psi[rows], sums.x[rows]], axis=1)
    eye = np.eye(k)
    design = (d[:, None, :, None] * eye[None, :, None, :]).reshape(n * k, -1)
    own_design = (sums.psi[rows][:, None, :, None] * eye[None, :, None, :]).reshape(n * k, -1)
    if sums.levels is not None:
        shows = sums.levels.slots[reed][sums.levels.sitting[rows]]
        own_design = np.concatenate(
            [own_design, (shows[:, None, :, None] * BASIS[None, :, None, :]).reshape(n * k, -1)], axis=1
        )
    one = replace(sums, f=sums.f[[reed]], e=sums.e[[reed]], b=sums.b[[reed]], own_cov=_of_reed(sums.own_cov, reed))
    mean_v, q, free = reed_terms(one, post)
    both = design - own_design @ q[0]
    spread = both @ post.cov @ both.T + own_design @ free[0] @ own_design.T
    fitted = design @ post.mean + own_design @ mean_v[0]
    cells = y[rows].reshape(-1)
    rest = np.where(np.isfinite(cells), cells - fitted, 0.0)
    w = np.zeros((n * k, n * k))
    for i in range(n):
        w[i * k : (i + 1) * k, i * k : (i + 1) * k] = sums.w[rows[i]]
    return rows, w @ rest, w - w @ spread @ w


def _of_reed(own_cov: Array, reed: int) -> Array:
    """One reed's covariance of its own terms; one for all where they stand still."""
    return own_cov if own_cov.ndim == 2 else own_cov[[reed]]


def left_out_readings(
    sums: BatchSums, post: Posterior, y: Array
) -> Iterator[tuple[Array, Array, NDArray[np.intp], NDArray[np.intp]]]:
    """For readings of one pattern after another, what all the others predict of each: error (r, m), variance (r, m, m)
    of the forecast of its true value, which m outputs were taken, and which r rows these are. Readings of lowered
    weight are predicted as well as any."""
    pull, inverse = deletion(sums, post, y)
    seen = _taken(sums, y)
    for taken, rows in patterns_of(seen):
        spot = np.ix_(rows, taken, taken)
        whole = np.linalg.pinv(inverse[spot], rcond=1e-9, hermitian=True)
        noise = np.linalg.pinv(sums.w[spot], rcond=1e-12, hermitian=True)
        yield (whole @ pull[np.ix_(rows, taken)][:, :, None])[:, :, 0], whole - noise, taken, rows


def noise_residuals(sums: BatchSums, post: Posterior, y: Array) -> tuple[Array, Array]:
    """Residual sum of squares of each reading (n,), in units of the noise that `sums` took for true, and its degrees of
    freedom (n,): (V^-1 r)_i' N_i (V^-1 r)_i and tr((V^-1)_ii N_i), N_i the noise of row i.

    Under the model the first is the second in the mean. With reeds' own terms all but free V^-1 N is a projection, and
    the ratio of their sums is the classic s²: the multiple of the noise found among the readings of one reed, whatever
    reeds do otherwise. Source: Searle, Casella & McCulloch (1992), Variance Components, ch. 6.
    """
    pull, inverse = deletion(sums, post, y)
    squares, freedom = np.zeros(len(y)), np.zeros(len(y))
    seen = _taken(sums, y)
    for taken, rows in patterns_of(seen):
        spot = np.ix_(rows, taken, taken)
        noise, of = _scaled_inverse(sums.w[spot]), pull[np.ix_(rows, taken)]
        squares[rows] = np.einsum("nk,nkl,nl->n", of, noise, of)
        freedom[rows] = np.einsum("nkl,nkl->n", inverse[spot], noise)
    return squares, freedom


def noise_along(sums: BatchSums, post: Posterior, y: Array, directions: Array) -> tuple[Array, Array]:
    """`noise_residuals` along directions of output space, directions (c, K): squares and degrees of freedom, (n, c)
    each.

    Of a direction m, (m' N_i (V^-1 r)_i)² / m' N_i m and m' N_i (V^-1)_ii N_i m / m' N_i m; none where one of its
    outputs was not taken.
    """
    pull, inverse = deletion(sums, post, y)
    squares, freedom = np.zeros((len(y), len(directions))), np.zeros((len(y), len(directions)))
    seen = _taken(sums, y)
    for taken, rows in patterns_of(seen):
        spot = np.ix_(rows, taken, taken)
        noise, of = _scaled_inverse(sums.w[spot]), pull[np.ix_(rows, taken)]
        whole = ~np.isin(np.arange(y.shape[1]), taken)
        for c, direction in enumerate(directions):
            if direction[whole].any():
                continue
            m = noise @ direction[taken]
            size = m @ direction[taken]
            squares[rows, c] = np.einsum("nk,nk->n", of, m) ** 2 / size
            freedom[rows, c] = np.einsum("nk,nkl,nl->n", m, inverse[spot], m) / size
    return squares, freedom


def _taken(sums: BatchSums, y: Array) -> NDArray[np.bool_]:
    """Which cells (n, K) were taken, and count for anything."""
    return np.asarray(np.isfinite(y) & (np.einsum("nkk->nk", sums.w) > 0))


def patterns_of(seen: NDArray[np.bool_]) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """The patterns among rows (n, K): which outputs one holds, and which rows have it; empty rows are left out."""
    code = seen @ (1 << np.arange(seen.shape[1]))
    for number in sorted(set(code.tolist()) - {0}):
        rows = np.flatnonzero(code == number)
        yield np.flatnonzero(seen[rows[0]]), rows


def _chi2_limit(count: int) -> float:
    """What a chi-squared of so many degrees exceeds about once in 2,000 (Wilson & Hilferty, 1931, PNAS 17, 684)."""
    return float(count * (1.0 - 2.0 / (9.0 * count) + 3.29 * np.sqrt(2.0 / (9.0 * count))) ** 3)


def sound_weights(
    sums: BatchSums,
    post: Posterior,
    y: Array,
    noise_cov: Array,
    base: Array,
    weight: Array,
    stretch: Array | None = None,
    found: tuple[Array, Array] | None = None,
) -> Array:
    """How much each cell should count (n, K): 1, or less for slips; to be multiplied with the weights `base` (n, K).

    Each reading is judged against what all the others predict, as if it counted with `base` itself, so that a reading
    once doubted is judged no milder the next time. Cells that stand out by more than CELL_CUTOFF from the rest of their
    reading are set aside one by one, the worst first, up to a third of its cells, one at the least; their weight is
    (cutoff / z)². If what is left still lies farther off than chance allows, the reading as a whole counts for less: it
    was read on another reed, or written in another's row. Of a reed's readings that counted in full so far (`weight`
    (n, K), what
    `sums` were formed with) only the worst is doubted in one go: a slip makes the reading beside it look wrong, until
    it is set aside itself. stretch (K,): divides the errors first; found: what `deletion` gave, where it is at hand.
    """
    pull, inverse = deletion(sums, post, y) if found is None else found
    out = np.ones_like(y)
    score = np.zeros(len(y))
    seen = _taken(sums, y)
    for taken, rows in patterns_of(seen):
        spot = np.ix_(rows, taken, taken)
        whole = _scaled_inverse(inverse[spot])
        error = (whole @ pull[np.ix_(rows, taken)][:, :, None])[:, :, 0]
        if stretch is not None:
            error = error / stretch[taken]
        cov, precision = whole, inverse[spot]
        less = np.flatnonzero((weight != base)[np.ix_(rows, taken)].any(axis=1))
        if len(less):
            spot = np.ix_(rows[less], taken, taken)
            noise = reading_noise(base[np.ix_(rows[less], taken)], noise_cov[np.ix_(taken, taken)])
            cov[less] += noise - _scaled_inverse(sums.w[spot])
            precision[less] = _scaled_inverse(cov[less])
        # a forecast so vague that its precision is lost in rounding judges nothing
        known = (np.einsum("nkk->nk", precision) > 0).all(axis=1)
        scaled_error = np.where(known[:, None], (precision @ error[:, :, None])[:, :, 0], 0.0)
        z = np.abs(scaled_error) / np.sqrt(np.where(known[:, None], np.einsum("nkk->nk", precision), 1.0))
        distance = np.sum(scaled_error * error, axis=1)
        odd = (z.max(axis=1) > CELL_CUTOFF) | (distance > _chi2_limit(len(taken)))
        score[rows] = np.where(odd, distance / _chi2_limit(len(taken)), 0.0)
        for i in np.flatnonzero(odd):
            out[rows[i], taken] = _outlier_weights(error[i], cov[i])
    fresh = (score > 0) & ~(seen & (weight < 0.999 * base)).any(axis=1)
    worst = np.zeros(int(sums.reed_of.max(initial=-1)) + 1)
    np.maximum.at(worst, sums.reed_of[fresh], score[fresh])
    out[fresh & (score < worst[sums.reed_of])] = 1.0
    return out


def _outlier_weights(error: Array, cov: Array) -> Array:
    """Weights (m,) of one reading's cells from the errors (m,) of its forecast and their covariance (m, m)."""
    m = len(error)
    kept = np.ones(m, dtype=bool)
    for _ in range(max(m // 3, 1)):
        at = np.flatnonzero(kept)
        precision = _scaled_inverse(cov[np.ix_(at, at)])
        z = np.abs(precision @ error[at]) / np.sqrt(np.diag(precision))
        if z.max() <= CELL_CUTOFF:
            break
        kept[at[int(np.argmax(z))]] = False
    out = np.ones(m)
    at = np.flatnonzero(kept)
    inverse = _scaled_inverse(cov[np.ix_(at, at)]) if len(at) else np.zeros((0, 0))
    for k in np.flatnonzero(~kept):
        share = inverse @ cov[at, k]
        z2 = float(error[k] - share @ error[at]) ** 2 / float(cov[k, k] - share @ cov[at, k])
        out[k] = min(1.0, CELL_CUTOFF**2 / max(z2, 1e-12))
    distance = float(error[at] @ inverse @ error[at])
    if len(at) and distance > _chi2_limit(len(at)):
        out *= _chi2_limit(len(at)) / distance
    return out
