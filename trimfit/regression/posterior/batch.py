"""The joint Gaussian algebra of one batch: all outputs of all its reeds at once, exact for readings with holes.

Row i (one reading of reed r in batch b) is a vector of the outputs that were taken,

    y_i = sum_j x_ij phi_j + sum_a psi_ia (u_a + v_ra) + BASIS z_rs + e_i,      e_i ~ N(0, R_i)

where phi_j (10,) are the type's six coefficient vectors followed by two offset vectors for each chanter the batch met,
one plain and one in proportion to the type's slope ratio,
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
A batch's rows know few of the terms apart (one type, mostly one chanter): D = design mix, with about half as many
columns in design as in D, so that rows tell of (mix x I) omega alone, and all sums over rows are of that.
The slow, obvious version (one dense covariance over all readings) stands in tests/regression/posterior/test_batch.py.
Source: Gaussian conditioning and Woodbury's identity; e.g. Rasmussen & Williams (2006), Appendix A.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.movement.process import BASIS, N_DIRECTIONS, Levels, laid_blocks
from trimfit.regression.outputs import E_NOTE, F_NOTE, GAP, Array, edges_of, scaled_inverse

AT_ONCE = 4_000_000
"""So many numbers for pairs of terms are held at once; a batch of ordinary size has fewer in all."""
CELL_CUTOFF = 3.5
"""A cell this many standard deviations from what all other cells predict begins to count for less."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What rows multiply omega's blocks of K by: [psi, x] = design mix, psi (n, a) their batch's deviations, x (n, P/K)
    the local coefficients; design (n, c) with no more columns than the rows can be told apart by, mix (c, a + P/K)."""

    psi: Array
    design: Array
    mix: Array

    @classmethod
    def of(cls, psi: Array, x: Array) -> Terms:
        """Those of psi (n, a) and x (n, P/K)."""
        u, size, vt = np.linalg.svd(np.concatenate([psi, x], axis=1), full_matrices=False)
        kept = size > 1e-12 * size.max(initial=0.0)
        return cls(psi, u[:, kept] * size[kept], vt[kept])


@dataclass(frozen=True, slots=True)
class BatchSums:
    """What the readings of one batch say, reed by reed. With d = aK + P (batch deviations, then local coefficients):

    m (d, d) and mv (d,): information about omega; shows (cK, d): mix x I. The reeds' own terms, o = aK and 3 more for
    each block of `levels`, are free - q (shows omega): free (R, o) the mean and own (R, o, o) the covariance of a part
    that omega tells nothing of, q (R, o, cK). psi (n, a), design (n, c), w (n, K, K), wy (n, K), reed_of (n,): rows.
    """

    m: Array
    mv: Array
    shows: Array
    own: Array
    free: Array
    q: Array
    psi: Array
    design: Array
    w: Array
    wy: Array
    reed_of: NDArray[np.intp]
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
        block, precision = noise_cov[np.ix_(taken, taken)], np.zeros((k, k))
        precision[np.ix_(taken, taken)] = np.linalg.inv(block)
        w[rows] = precision
        odd = rows[(weight[np.ix_(rows, taken)] != 1.0).any(axis=1)]
        if len(odd):
            w[np.ix_(odd, taken, taken)] = scaled_inverse(reading_noise(weight[np.ix_(odd, taken)], block))
    return w, (w @ np.where(seen, y, 0.0)[:, :, None])[:, :, 0]


def reading_noise(weight: Array, noise_cov: Array) -> Array:
    """Covariance (n, m, m) of the errors of readings whose m cells have these weights (n, m); noise_cov (m, m), or one
    for each (n, m, m).

    What most of a reading's cells share (the upper median weight) or have over it is a weight of the reading: it was
    badly seated, all its errors are the larger, and errors that cells share still cancel between them. What a cell has
    under it is a slip of that cell alone: an error of its own is added, which tells the other cells nothing. (Were the
    shared error scaled up with the cell's, a digit dropped in one note would be read as a seating error of them all.)
    """
    reading = np.maximum(weight, np.sort(weight, axis=1)[:, [weight.shape[1] // 2]])
    cov = np.broadcast_to(noise_cov, (len(weight), *noise_cov.shape[-2:])).copy()
    at = np.arange(weight.shape[1])
    cov[:, at, at] *= reading / weight
    root = np.sqrt(reading)
    return np.asarray(cov / (root[:, :, None] * root[:, None, :]))


def batch_sums(
    terms: Terms,
    w: Array,
    wy: Array,
    reed_of: NDArray[np.intp],
    reed_cov: Array,
    levels: Levels | None = None,
) -> BatchSums:
    """Sums of one batch. terms of its rows, w and wy from `row_precision`; reed_of (n,) sorted, 0, 1, …, each with a
    row; reed_cov (aK, aK); levels: how the reeds moved, None where they stand still."""
    psi, design = terms.psi, terms.design
    k, a = wy.shape[1], psi.shape[1]
    edges = edges_of(reed_of)
    reeds, width, own_wide = len(edges) - 1, design.shape[1], a * k
    flat = np.ascontiguousarray(w.reshape(len(w), k * k))

    def laid(values: Array, rows: int) -> Array:
        """(..., rows * width, K * K) sums over (term, term) x (output, output) as matrices over (term, output)."""
        lead = values.shape[:-2]
        wide = values.reshape(*lead, rows, width, k, k)
        return np.moveaxis(wide, -2, -3).reshape(*lead, rows * k, width * k)

    pairs, pair_sums = _pairs(psi, design), np.empty((reeds, a * width, k * k))
    for some, rows in _equally_read(edges):
        pair_sums[some] = pairs[rows].transpose(0, 2, 1) @ flat[rows]
    e = laid(pair_sums, a)
    vector = np.add.reduceat(design[:, :, None] * wy[:, None, :], edges[:-1], axis=0).reshape(reeds, width * k)
    shows = (terms.mix[:, None, :, None] * np.eye(k)[:, None, :]).reshape(width * k, -1)
    psi_shows = shows[:, :own_wide]
    b, inner, own_cov = vector @ psi_shows, e @ psi_shows, np.broadcast_to(reed_cov, (reeds, own_wide, own_wide))
    if levels is not None:
        shown, shown_both, shown_y = _level_sums(levels, design, w, wy, reed_of)
        e, b = np.concatenate([e, shown], axis=1), np.concatenate([b, shown_y], axis=1)
        side = shown @ psi_shows
        deviations, inner = inner, np.empty((reeds, e.shape[1], e.shape[1]))
        inner[:, :own_wide, :own_wide], inner[:, own_wide:, own_wide:] = deviations, shown_both
        inner[:, own_wide:, :own_wide], inner[:, :own_wide, own_wide:] = side, side.transpose(0, 2, 1)
        own_cov = np.zeros_like(inner)
        own_cov[:, :own_wide, :own_wide], own_cov[:, own_wide:, own_wide:] = reed_cov, levels.cov
    wide = e.shape[1]
    own = np.asarray(np.linalg.solve(np.eye(wide) + own_cov @ inner, own_cov), dtype=np.float64)
    q, free = own @ e, (own @ b[:, :, None])[:, :, 0]
    tall = e.reshape(reeds * wide, width * k)
    m = laid(_pairs_sum(design, design, flat), width) - tall.T @ q.reshape(reeds * wide, width * k)
    mv = vector.sum(axis=0) - tall.T @ free.reshape(reeds * wide)
    return BatchSums(shows.T @ m @ shows, mv @ shows, shows, own, free, q, psi, design, w, wy, reed_of, levels)


def _equally_read(edges: NDArray[np.intp]) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """The reeds with so many rows each, whatever their number, together: which reeds (m,), and their rows (m, size)."""
    size = np.diff(edges)
    for number in sorted(set(size.tolist())):
        some = np.flatnonzero(size == number)
        yield some, edges[some][:, None] + np.arange(number)


def _level_sums(levels: Levels, d: Array, w: Array, wy: Array, reed_of: NDArray[np.intp]) -> tuple[Array, Array, Array]:
    """What rows say of their reeds' levels: sums of BASIS' W d (R, 3B, width K), BASIS' W BASIS (R, 3B, 3B) and
    BASIS' W y (R, 3B), laid out in the blocks of `levels`."""
    reeds, sittings, blocks = levels.slots.shape
    k, width = wy.shape[1], d.shape[1]
    spot = reed_of * sittings + levels.sitting
    edges = np.flatnonzero(np.r_[True, np.diff(spot) != 0])
    at = spot[edges]
    half = BASIS.T @ w

    parts = half[:, :, None, :] * d[:, None, :, None], half @ BASIS, wy @ BASIS
    of_rows = np.concatenate([part.reshape(len(d), -1) for part in parts], axis=1)
    by_sitting = np.zeros((reeds * sittings, of_rows.shape[1]))
    by_sitting[at] = np.add.reduceat(of_rows, edges, axis=0)
    ends = np.cumsum([N_DIRECTIONS * width * k, N_DIRECTIONS**2])
    with_d, both, with_y = np.split(by_sitting.reshape(reeds, sittings, -1), ends, axis=2)
    slots = levels.slots
    turned = slots.transpose(0, 2, 1)
    shown = (turned @ with_d).reshape(reeds, blocks * N_DIRECTIONS, width * k)
    shown_y = (turned @ with_y).reshape(reeds, blocks * N_DIRECTIONS)
    pairs = (slots[:, :, :, None] * slots[:, :, None, :]).reshape(reeds, sittings, blocks**2)
    square = (pairs.transpose(0, 2, 1) @ both).reshape(reeds, blocks, blocks, N_DIRECTIONS, N_DIRECTIONS)
    return shown, laid_blocks(square), shown_y


def _few_rows(n: int, width: int) -> Iterator[slice]:
    """Slices of n rows, each of so few that a number for each pair of `width` terms and row is not too many."""
    step = max(AT_ONCE // width**2, 1)
    return (slice(first, min(first + step, n)) for first in range(0, n, step))


def _pairs(left: Array, right: Array) -> Array:
    """Every pair of terms of each row (n, a b), left (n, a) by right (n, b)."""
    return (left[:, :, None] * right[:, None, :]).reshape(len(left), -1)


def _pairs_sum(left: Array, right: Array, values: Array) -> Array:
    """Sum over rows (n,) of every pair of terms, left (n, a) by right (n, b), times values (n, v): (a b, v)."""
    out = np.zeros((left.shape[1] * right.shape[1], values.shape[1]))
    for some in _few_rows(len(left), max(left.shape[1], right.shape[1])):
        out += _pairs(left[some], right[some]).T @ values[some]
    return out


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


def reed_means(sums: BatchSums, post: Posterior) -> Array:
    """The mean of each reed's own terms given everything, movement included (R, o)."""
    return np.asarray(sums.free - sums.q @ (sums.shows @ post.mean))


def reed_moments(sums: BatchSums, post: Posterior) -> tuple[Array, Array]:
    """Each reed's own terms given everything, movement included: mean (R, o) and cov (R, o, o)."""
    cov = sums.own + sums.q @ (sums.shows @ post.cov @ sums.shows.T) @ sums.q.transpose(0, 2, 1)
    return reed_means(sums, post), cov


@dataclass(frozen=True, slots=True)
class Deletion:
    """What all other readings leave of each: pull (n, K) (V^-1 r)_i, inverse (n, K, K) (V^-1)_ii, V holding all
    uncertainty, the coefficients' included; seen (n, K): which cells were taken, and count for anything; w (n, K, K):
    the rows' own precision."""

    pull: Array
    inverse: Array
    seen: NDArray[np.bool_]
    w: Array

    @classmethod
    def joined(cls, parts: Sequence[Deletion]) -> Deletion:
        """Those of several batches, one after another."""
        return cls(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(cls)))

    def cell_residuals(self) -> Array:
        """How far each cell lies from what all others predict, those of its own reading included, in standard errors:
        (V^-1 r)_ik / sqrt((V^-1)_ik,ik) (n, K), NaN where nothing was taken. Source: Cook & Weisberg (1982)."""
        size = np.einsum("nkk->nk", self.inverse)
        known = self.seen & (size > 1e-12)
        return np.where(known, self.pull / np.sqrt(np.where(known, size, 1.0)), np.nan)

    def by_pattern(self) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp], Array, Array]]:
        """For readings of one pattern after another: which m outputs were taken, which r rows these are, pull (r, m),
        inverse (r, m, m)."""
        for taken, rows in patterns_of(self.seen):
            yield taken, rows, self.pull[np.ix_(rows, taken)], _cells(self.inverse, rows, taken)

    def noise(self, taken: NDArray[np.intp], rows: NDArray[np.intp]) -> Array:
        """The noise N_i (r, m, m) that readings of one pattern were counted with."""
        return scaled_inverse(_cells(self.w, rows, taken))

    def left_out(self) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp], Array, Array]]:
        """By pattern, what all the others predict of each reading: outputs, rows, error (r, m), variance (r, m, m) of
        the forecast of its true value. Readings of lowered weight are predicted as well as any."""
        for taken, rows, pull, inverse in self.by_pattern():
            whole = np.linalg.pinv(inverse, rcond=1e-9, hermitian=True)
            yield taken, rows, (whole @ pull[:, :, None])[:, :, 0], whole - self.noise(taken, rows)

    def noise_residuals(self) -> tuple[Array, Array]:
        """Residual sum of squares of each reading (n,), in units of the noise taken for true, and its degrees of
        freedom (n,): (V^-1 r)_i' N_i (V^-1 r)_i and tr((V^-1)_ii N_i).

        Under the model the first is the second in the mean. With reeds' own terms all but free V^-1 N is a projection,
        and the ratio of their sums is the classic s²: the multiple of the noise found among the readings of one reed,
        whatever reeds do otherwise. Source: Searle, Casella & McCulloch (1992), Variance Components, ch. 6.
        """
        squares, freedom = np.zeros(len(self.pull)), np.zeros(len(self.pull))
        for taken, rows, pull, inverse in self.by_pattern():
            noise = self.noise(taken, rows)
            squares[rows] = np.einsum("nk,nkl,nl->n", pull, noise, pull)
            freedom[rows] = np.einsum("nkl,nkl->n", inverse, noise)
        return squares, freedom

    def noise_along(self, directions: Array) -> tuple[Array, Array]:
        """`noise_residuals` along directions m of output space, directions (c, K): (m' N_i (V^-1 r)_i)² / m' N_i m and
        m' N_i (V^-1)_ii N_i m / m' N_i m, (n, c) each; none where one of a direction's outputs was not taken."""
        squares, freedom = np.zeros((2, len(self.pull), len(directions)))
        for taken, rows, pull, inverse in self.by_pattern():
            noise = self.noise(taken, rows)
            for c in np.flatnonzero((np.delete(directions, taken, axis=1) == 0).all(axis=1)):
                m = noise @ directions[c, taken]
                size = m @ directions[c, taken]
                squares[rows, c] = np.einsum("nk,nk->n", pull, m) ** 2 / size
                freedom[rows, c] = np.einsum("nk,nkl,nl->n", m, inverse, m) / size
        return squares, freedom


def deletion(sums: BatchSums, post: Posterior, y: Array) -> Deletion:
    """What all other readings leave of each; y (n, K).

    A row's design is a few numbers d_i times the identity over outputs, so D C D' is a weighted sum of the (K, K)
    blocks of C, and no wide matrix is formed for a row.
    """
    n, k = sums.wy.shape
    a, d, edges = sums.psi.shape[1], sums.design, edges_of(sums.reed_of)
    terms, reeds = d.shape[1], len(sums.own)
    mean_v, q = reed_means(sums, post), sums.q
    own_wide, shown_cov = q.shape[1], sums.shows @ post.cov @ sums.shows.T
    blocks = shown_cov.reshape(terms, k, terms, k).transpose(0, 2, 1, 3).reshape(terms * terms, k * k)
    spread = np.empty((n, k, k))
    for few in _few_rows(n, terms):
        spread[few] = (_pairs(d[few], d[few]) @ blocks).reshape(-1, k, k)
    all_tied = (q.reshape(reeds * own_wide, -1) @ shown_cov).reshape(reeds, own_wide, -1)
    all_own = all_tied @ q.transpose(0, 2, 1) + sums.own
    own = all_own[:, : a * k, : a * k].reshape(reeds, a, k, a, k).transpose(0, 1, 3, 2, 4)
    tied = all_tied[:, : a * k].reshape(reeds, a, k, terms, k).transpose(0, 1, 3, 2, 4).reshape(reeds, a * terms, k * k)
    own = own.reshape(reeds, a * a, k * k)
    both, pairs = _pairs(sums.psi, d), _pairs(sums.psi, sums.psi)
    cross, alone = np.empty((n, k * k)), np.empty((n, k * k))
    for some, rows in _equally_read(edges):
        cross[rows], alone[rows] = both[rows] @ tied[some], pairs[rows] @ own[some]
    cross = cross.reshape(n, k, k)
    spread += alone.reshape(n, k, k) - cross - cross.transpose(0, 2, 1)
    fitted = d @ (sums.shows @ post.mean).reshape(terms, k) + np.einsum(
        "na,nak->nk", sums.psi, mean_v[:, : a * k].reshape(reeds, a, k)[sums.reed_of]
    )
    if sums.levels is not None:
        more_fitted, more_spread = _level_parts(sums, sums.levels, d, mean_v, all_tied, all_own)
        fitted, spread = fitted + more_fitted, spread + more_spread
    rest = np.where(np.isfinite(y), y - fitted, 0.0)
    seen = np.isfinite(y) & (np.einsum("nkk->nk", sums.w) > 0)
    return Deletion((sums.w @ rest[:, :, None])[:, :, 0], sums.w - sums.w @ spread @ sums.w, seen, sums.w)


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
    eye = np.eye(k)
    design = (sums.design[rows][:, None, :, None] * eye[None, :, None, :]).reshape(n * k, -1)
    own_design = (sums.psi[rows][:, None, :, None] * eye[None, :, None, :]).reshape(n * k, -1)
    if sums.levels is not None:
        shows = sums.levels.slots[reed][sums.levels.sitting[rows]]
        own_design = np.concatenate(
            [own_design, (shows[:, None, :, None] * BASIS[None, :, None, :]).reshape(n * k, -1)], axis=1
        )
    both = (design - own_design @ sums.q[reed]) @ sums.shows
    spread = both @ post.cov @ both.T + own_design @ sums.own[reed] @ own_design.T
    fitted = both @ post.mean + own_design @ sums.free[reed]
    cells = y[rows].reshape(-1)
    rest = np.where(np.isfinite(cells), cells - fitted, 0.0)
    w = np.zeros((n * k, n * k))
    for i in range(n):
        w[i * k : (i + 1) * k, i * k : (i + 1) * k] = sums.w[rows[i]]
    return rows, w @ rest, w - w @ spread @ w


def patterns_of(seen: NDArray[np.bool_]) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """The patterns among rows (n, K): which outputs one holds, and which rows have it; empty rows are left out."""
    code = seen @ (1 << np.arange(seen.shape[1]))
    for number in sorted(set(code.tolist()) - {0}):
        rows = np.flatnonzero(code == number)
        yield np.flatnonzero(seen[rows[0]]), rows


def _cells(values: Array, rows: NDArray[np.intp], taken: NDArray[np.intp]) -> Array:
    """Of values (n, K, K) those of r rows and m outputs (r, m, m); a copy of whole rows where all outputs were taken,
    which most readings did, is made twenty times as fast as one of single cells."""
    some = values[rows]
    return some if len(taken) == values.shape[-1] else some[:, taken[:, None], taken]


def _chi2_limit(count: int) -> float:
    """What a chi-squared of so many degrees exceeds about once in 2,000 (Wilson & Hilferty, 1931, PNAS 17, 684)."""
    return float(count * (1.0 - 2.0 / (9.0 * count) + 3.29 * np.sqrt(2.0 / (9.0 * count))) ** 3)


def sound_weights(
    gone: Deletion,
    reed_of: NDArray[np.intp],
    noise_cov: Array,
    base: Array,
    weight: Array,
    stretch: Array | None = None,
    moved: NDArray[np.bool_] | None = None,
) -> Array:
    """How much each cell should count (n, K): 1, or less for slips; to be multiplied with the weights `base` (n, K).

    Each reading is judged against what all the others predict, as if it counted with `base` itself, so that a reading
    once doubted is judged no milder the next time. Cells that stand out by more than CELL_CUTOFF from the rest of their
    reading are set aside one by one, the worst first, up to a third of its cells, one at the least; their weight is
    (cutoff / z)². If what is left still lies farther off than chance allows, the reading as a whole counts for less: it
    was read on another reed, or written in another's row. Of a reed's readings that counted in full so far (`weight`
    (n, K), what `gone` was found with) only the worst is doubted in one go: a slip makes the reading beside it look
    wrong, until it is set aside itself. reed_of (n,): numbers of reeds; noise_cov (K, K), or one for each reading
    (n, K, K); stretch (K,): divides the errors first.

    moved (n,): an event of the reed lies before the reading. An event moves the level in three directions only, of
    which one is the gap, while a real one may have moved F or E alone. So there E and F count in full where their gap
    is borne out, whatever the notes beside them say.
    """
    noise_cov = np.broadcast_to(noise_cov, (len(base), *noise_cov.shape[-2:]))
    out, score = np.ones_like(base), np.zeros(len(base))
    for taken, rows, pull, inverse in gone.by_pattern():
        error = np.linalg.solve(inverse, pull[:, :, None])[:, :, 0]
        if stretch is not None:
            error = error / stretch[taken]
        precision = inverse
        less = np.flatnonzero((weight != base)[np.ix_(rows, taken)].any(axis=1))
        if len(less):
            sound = reading_noise(base[np.ix_(rows[less], taken)], _cells(noise_cov, rows[less], taken))
            precision[less] = scaled_inverse(scaled_inverse(inverse[less]) + sound - gone.noise(taken, rows[less]))
        # a forecast so vague that its precision is lost in rounding judges nothing
        known = (np.einsum("nkk->nk", precision) > 0).all(axis=1)
        scaled_error = np.where(known[:, None], (precision @ error[:, :, None])[:, :, 0], 0.0)
        z = np.abs(scaled_error) / np.sqrt(np.where(known[:, None], np.einsum("nkk->nk", precision), 1.0))
        distance = np.sum(scaled_error * error, axis=1)
        odd = (z.max(axis=1) > CELL_CUTOFF) | (distance > _chi2_limit(len(taken)))
        score[rows] = np.where(odd, distance / _chi2_limit(len(taken)), 0.0)
        for i, cov in zip(np.flatnonzero(odd), scaled_inverse(precision[odd]), strict=True):
            out[rows[i], taken] = _outlier_weights(error[i], cov)
            if moved is not None and moved[rows[i]] and np.isin((E_NOTE, F_NOTE), taken).all():
                gap = GAP[taken]
                if abs(gap @ error[i]) <= CELL_CUTOFF * np.sqrt(gap @ cov @ gap):
                    out[rows[i], (E_NOTE, F_NOTE)] = 1.0
    fresh = (score > 0) & ~(gone.seen & (weight < 0.999 * base)).any(axis=1)
    worst = np.zeros(int(reed_of.max(initial=-1)) + 1)
    np.maximum.at(worst, reed_of[fresh], score[fresh])
    out[fresh & (score < worst[reed_of])] = 1.0
    return out


def _outlier_weights(error: Array, cov: Array) -> Array:
    """Weights (m,) of one reading's cells from the errors (m,) of its forecast and their covariance (m, m)."""
    m = len(error)
    kept = np.ones(m, dtype=bool)
    for _ in range(max(m // 3, 1)):
        at = np.flatnonzero(kept)
        precision = scaled_inverse(cov[np.ix_(at, at)])
        z = np.abs(precision @ error[at]) / np.sqrt(np.diag(precision))
        if z.max() <= CELL_CUTOFF:
            break
        kept[at[int(np.argmax(z))]] = False
    out = np.ones(m)
    at = np.flatnonzero(kept)
    inverse = scaled_inverse(cov[np.ix_(at, at)]) if len(at) else np.zeros((0, 0))
    for k in np.flatnonzero(~kept):
        share = inverse @ cov[at, k]
        z2 = float(error[k] - share @ error[at]) ** 2 / float(cov[k, k] - share @ cov[at, k])
        out[k] = min(1.0, CELL_CUTOFF**2 / max(z2, 1e-12))
    distance = float(error[at] @ inverse @ error[at])
    if len(at) and distance > _chi2_limit(len(at)):
        out *= _chi2_limit(len(at)) / distance
    return out
