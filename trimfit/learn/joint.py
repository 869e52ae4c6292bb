"""The joint Gaussian algebra of one batch: all outputs of all its reeds at once, exact for readings with holes.

Row i (one reading of reed r in batch b) is a vector of the outputs that were taken,

    y_i = sum_j x_ij phi_j + sum_a psi_ia (u_a + v_ra) + e_i,      e_i ~ N(0, R_i)

where phi_j (10,) are the type's six coefficient vectors followed by one offset vector for each chanter the batch met,
u (2 x 10) the batch's and v_r (2 x 10) the reed's deviations in start and slope, u ~ N(0, Sigma_batch),
v_r ~ N(0, Sigma_reed). Every design is a number times the identity over outputs, so with W_i = R_i^-1 (zero rows and
columns where nothing was taken) all sums are Kronecker products: sum_i (psi_i psi_i') x W_i.

With omega = (u, phi) and D_i = [psi_i, x_i], reed r tells about omega, v_r integrated out:

    A = sum psi psi' x W        E = sum psi d' x W       N = sum d d' x W        F = (I + A Sigma_reed)^-1
    M_r = N - E' Sigma_reed F E         m_r = sum d x W y - E' Sigma_reed F (sum psi x W y)

Information adds over reeds, and over batches once u is integrated out in the same way. No inverse of Sigma is taken.
The slow, obvious version (one dense covariance over all readings) stands in tests/learn/test_joint.py.
Source: Gaussian conditioning and Woodbury's identity; e.g. Rasmussen & Williams (2006), Appendix A.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BatchSums",
    "Posterior",
    "batch_posterior",
    "batch_sums",
    "cell_residuals",
    "left_out_readings",
    "reading_noise",
    "row_precision",
    "sound_weights",
]

Array = NDArray[np.float64]
CELL_CUTOFF = 3.5
"""A cell this many standard deviations from what all other cells foretell begins to count for less."""


@dataclass(frozen=True, slots=True)
class BatchSums:
    """What the readings of one batch say, reed by reed. With d = 2K + P (batch deviations, then local coefficients):

    m (R, d, d) and mv (R, d): information about omega (R = 1 with `total`); f (R, 2K, 2K), e (R, 2K, d), b (R, 2K):
    what the reed's own deviation needs; psi (n, 2), x (n, P/K), w (n, K, K), wy (n, K), reed_of (n,): the rows.
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


@dataclass(frozen=True, slots=True)
class Posterior:
    """Belief about omega of one batch: mean (d,) and cov (d, d)."""

    mean: Array
    cov: Array


def row_precision(y: Array, weight: Array, noise_cov: Array) -> tuple[Array, Array]:
    """W (n, K, K) and W y (n, K) of rows: y (n, K) with NaN where not taken, weight (n, K) in [0, 1], noise (K, K).

    What the weights do to the errors: see `reading_noise`. A cell of weight 0 counts as not taken.
    """
    n, k = y.shape
    seen = np.isfinite(y) & (weight > 1e-6)
    w = np.zeros((n, k, k))
    patterns, which = np.unique(seen, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        taken = np.flatnonzero(pattern)
        if len(taken) == 0:
            continue
        rows = np.flatnonzero(which.reshape(-1) == number)
        block = noise_cov[np.ix_(taken, taken)]
        w[np.ix_(rows, taken, taken)] = np.linalg.inv(block)
        odd = rows[(weight[np.ix_(rows, taken)] != 1.0).any(axis=1)]
        if len(odd):
            w[np.ix_(odd, taken, taken)] = _scaled_inverse(reading_noise(weight[np.ix_(odd, taken)], block))
    return w, np.einsum("nkl,nl->nk", w, np.where(seen, y, 0.0))


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
    out: Array = cov / (root[:, :, None] * root[:, None, :])
    return out


def _scaled_inverse(m: Array) -> Array:
    """Inverse of a stack of positive definite matrices (..., m, m) whose diagonals differ by orders of magnitude."""
    root = np.sqrt(np.maximum(np.einsum("...ii->...i", m), 1e-300))
    size = root[..., :, None] * root[..., None, :]
    out: Array = np.linalg.inv(m / size) / size
    return out


def batch_sums(
    psi: Array, x: Array, w: Array, wy: Array, reed_of: NDArray[np.intp], reed_cov: Array, *, total: bool = False
) -> BatchSums:
    """Form the sums of one batch.

    psi (n, 2), x (n, c), w (n, K, K), wy (n, K); reed_of (n,) sorted, 0..R-1 without gaps; reed_cov (2K, 2K). With
    `total` the information m, mv is summed over the reeds at once (shapes (1, d, d), (1, d)): several times quicker,
    and all that a fit needs.
    """
    n, k = wy.shape
    d = np.concatenate([psi, x], axis=1)
    edges = np.flatnonzero(np.r_[True, np.diff(reed_of) > 0, True])
    reeds, width, two = len(edges) - 1, d.shape[1], 2 * k
    flat = np.ascontiguousarray(w.reshape(n, k * k))
    pairs = (d[:, :, None] * d[:, None, :]).reshape(n, width * width)

    def laid(values: Array, rows: int) -> Array:
        """(..., rows * width, K * K) sums over (term, term) x (output, output) as matrices over (term, output)."""
        lead = values.shape[:-2]
        wide = values.reshape(*lead, rows, width, k, k)
        return np.moveaxis(wide, -2, -3).reshape(*lead, rows * k, width * k)

    mine = pairs[:, : 2 * width] if total else pairs
    per_reed = np.stack([mine[a:b].T @ flat[a:b] for a, b in pairwise(edges.tolist())])
    own = laid(per_reed, 2 if total else width)
    vector = np.add.reduceat(d[:, :, None] * wy[:, None, :], edges[:-1], axis=0).reshape(reeds, width * k)
    e, b = own[:, :two, :], vector[:, :two]
    f = np.asarray(np.linalg.inv(np.eye(two) + own[:, :two, :two] @ reed_cov), dtype=np.float64)
    gain = reed_cov @ f
    ge, gb = gain @ e, (gain @ b[:, :, None])[:, :, 0]
    if total:
        tall = e.reshape(reeds * two, width * k)
        m = (laid(pairs.T @ flat, width) - tall.T @ ge.reshape(reeds * two, width * k))[None]
        mv = (vector.sum(axis=0) - tall.T @ gb.reshape(reeds * two))[None]
    else:
        back = e.transpose(0, 2, 1)
        m, mv = own - back @ ge, vector - (back @ gb[:, :, None])[:, :, 0]
    return BatchSums(m, mv, f, e, b, psi, x, w, wy, reed_of, reed_cov)


def batch_posterior(info: Array, vector: Array, batch_cov: Array, coef_info: Array, coef_vector: Array) -> Posterior:
    """Belief about omega from summed information (d, d), (d,), the batches' covariance and the coefficients' prior.

    coef_info (P, P) and coef_vector (P,): precision and precision times mean of the local coefficients before these
    readings; it must be positive definite.
    """
    two = batch_cov.shape[0]
    m_uu, m_up = info[:two, :two], info[:two, two:]
    shrink = np.linalg.solve(np.eye(two) + m_uu @ batch_cov, np.column_stack([m_up, vector[:two]]))
    c_up = batch_cov @ shrink[:, :-1]
    mean_u = batch_cov @ shrink[:, -1]
    k = info[two:, two:] - m_up.T @ c_up + coef_info
    right = vector[two:] - m_up.T @ mean_u + coef_vector
    k_inv = np.linalg.inv(0.5 * (k + k.T))
    phi = k_inv @ right
    cov_u = batch_cov - batch_cov @ np.linalg.solve(np.eye(two) + m_uu @ batch_cov, m_uu @ batch_cov)
    cross = -c_up @ k_inv
    cov = np.block([[cov_u + c_up @ k_inv @ c_up.T, cross], [cross.T, k_inv]])
    return Posterior(np.concatenate([mean_u - c_up @ phi, phi]), 0.5 * (cov + cov.T))


def reed_moments(sums: BatchSums, post: Posterior) -> tuple[Array, Array, Array, Array]:
    """Each reed's own deviation given everything: mean (R, 2K), cov (R, 2K, 2K), and what ties it to omega.

    Returns also q (R, 2K, d), with v = free - q omega, and own (R, 2K, 2K) = cov of `free`.
    """
    gain = sums.reed_cov @ sums.f
    q = gain @ sums.e
    mean = (gain @ sums.b[:, :, None])[:, :, 0] - q @ post.mean
    cov = gain + q @ post.cov @ q.transpose(0, 2, 1)
    return mean, cov, q, gain


def cell_residuals(sums: BatchSums, post: Posterior, y: Array) -> tuple[Array, Array]:
    """How far each cell, and each whole reading, lies from what all the other readings foretell.

    Returns z (n, K): (V^-1 r)_ik / sqrt((V^-1)_ik,ik), the standardised error of foretelling one cell from all others
    (those of its own reading included); and distance (n,): the whole reading's squared distance, chi-squared with as
    many degrees as cells were taken. NaN where nothing was taken. Source: Cook & Weisberg (1982), deletion residuals.
    """
    n = len(sums.wy)
    taken = np.isfinite(y)
    pull, inverse = _deletion(sums, post, y)
    size = np.einsum("nkk->nk", inverse)
    with np.errstate(invalid="ignore", divide="ignore"):
        z = np.where(taken & (size > 1e-12), pull / np.sqrt(np.maximum(size, 1e-300)), np.nan)
    distance = np.full(n, np.nan)
    for i in range(n):
        seen = np.flatnonzero(taken[i] & (np.diag(sums.w[i]) > 0))
        if len(seen):
            block = inverse[i][np.ix_(seen, seen)]
            distance[i] = float(pull[i, seen] @ np.linalg.lstsq(block, pull[i, seen], rcond=1e-10)[0])
    return z, distance


def _deletion(sums: BatchSums, post: Posterior, y: Array) -> tuple[Array, Array]:
    """(V^-1 r)_i (n, K) and (V^-1)_ii (n, K, K) of every row, V holding all uncertainty, the coefficients' included."""
    n, k = sums.wy.shape
    mean_v, _, q, own = reed_moments(sums, post)
    eye = np.eye(k)
    d = np.concatenate([sums.psi, sums.x], axis=1)
    design = (d[:, None, :, None] * eye[None, :, None, :]).reshape(n, k, -1)
    random = (sums.psi[:, None, :, None] * eye[None, :, None, :]).reshape(n, k, -1)
    reach = design - random @ q[sums.reed_of]
    spread = reach @ post.cov @ reach.transpose(0, 2, 1) + random @ own[sums.reed_of] @ random.transpose(0, 2, 1)
    fitted = design @ post.mean + (random @ mean_v[sums.reed_of][:, :, None])[:, :, 0]
    rest = np.where(np.isfinite(y), y - fitted, 0.0)
    return np.einsum("nkl,nl->nk", sums.w, rest), sums.w - sums.w @ spread @ sums.w


def left_out_readings(sums: BatchSums, post: Posterior, y: Array) -> Iterator[tuple[Array, Array, NDArray[np.intp]]]:
    """For each reading, what all the others foretell of it: error (m,), variance (m, m) of the forecast of its true
    value, and which m outputs were taken. Readings of lowered weight are foretold as well as any."""
    pull, inverse = _deletion(sums, post, y)
    for i in range(len(y)):
        seen = np.flatnonzero(np.isfinite(y[i]) & (np.diag(sums.w[i]) > 0))
        if not len(seen):
            continue
        whole = np.linalg.pinv(inverse[i][np.ix_(seen, seen)], rcond=1e-9, hermitian=True)
        noise = np.linalg.pinv(sums.w[i][np.ix_(seen, seen)], rcond=1e-12, hermitian=True)
        yield whole @ pull[i, seen], whole - noise, seen


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
) -> Array:
    """How much each cell should count (n, K): 1, or less for slips; to be multiplied with the weights `base` (n, K).

    Each reading is judged against what all the others foretell, as if it counted with `base` itself, so that a reading
    once doubted is judged no milder the next time. Cells that stand out by more than CELL_CUTOFF from the rest of their
    reading are set aside one by one, the worst first, up to a third of the reading; their weight is (cutoff / z)². If
    what is left still lies farther off than chance allows, the reading as a whole counts for less: it was read on
    another reed, or written in another's row. Of a reed's readings that counted in full so far (`weight` (n, K), what
    `sums` were formed with) only the worst is doubted in one go: a slip makes the reading beside it look wrong, until
    it is set aside itself. stretch (K,): divides the errors first.
    """
    pull, inverse = _deletion(sums, post, y)
    out = np.ones_like(y)
    score = np.zeros(len(y))
    seen = np.isfinite(y) & (np.einsum("nkk->nk", sums.w) > 0)
    patterns, which = np.unique(seen, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        taken = np.flatnonzero(pattern)
        if not len(taken):
            continue
        rows = np.flatnonzero(which.reshape(-1) == number)
        spot = np.ix_(rows, taken, taken)
        whole = _scaled_inverse(inverse[spot])
        error = (whole @ pull[np.ix_(rows, taken)][:, :, None])[:, :, 0]
        if stretch is not None:
            error = error / stretch[taken]
        noise = reading_noise(base[np.ix_(rows, taken)], noise_cov[np.ix_(taken, taken)])
        cov = whole - _scaled_inverse(sums.w[spot]) + noise
        precision = _scaled_inverse(cov)
        told = (precision @ error[:, :, None])[:, :, 0]
        z = np.abs(told) / np.sqrt(np.einsum("nkk->nk", precision))
        distance = np.sum(told * error, axis=1)
        odd = (z.max(axis=1) > CELL_CUTOFF) | (distance > _chi2_limit(len(taken)))
        score[rows] = np.where(odd, distance / _chi2_limit(len(taken)), 0.0)
        for i in np.flatnonzero(odd):
            out[rows[i], taken] = _slip_weights(error[i], cov[i])
    fresh = (score > 0) & ~(seen & (weight < 0.999 * base)).any(axis=1)
    worst = np.zeros(int(sums.reed_of.max(initial=-1)) + 1)
    np.maximum.at(worst, sums.reed_of[fresh], score[fresh])
    out[fresh & (score < worst[sums.reed_of])] = 1.0
    return out


def _slip_weights(error: Array, cov: Array) -> Array:
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
    told = _scaled_inverse(cov[np.ix_(at, at)]) if len(at) else np.zeros((0, 0))
    for k in np.flatnonzero(~kept):
        share = told @ cov[at, k]
        z2 = float(error[k] - share @ error[at]) ** 2 / float(cov[k, k] - share @ cov[at, k])
        out[k] = min(1.0, CELL_CUTOFF**2 / max(z2, 1e-12))
    distance = float(error[at] @ told @ error[at])
    if len(at) and distance > _chi2_limit(len(at)):
        out *= _chi2_limit(len(at)) / distance
    return out
