"""The mixed-model engine: two nested levels of groups, REML or ML. It knows groups and matrices, and no reeds.

Model, for row i of inner group r in outer group b::

    y_i = x_i' beta + z_i' (u_b + v_r) + e_i
    u_b ~ N(0, G_outer),  v_r ~ N(0, G_inner),  e_i ~ N(0, noise / w_i)

`w` are known row weights. `beta` may have a Gaussian prior (precision `P0`, mean `b0`); P0 = 0 is plain REML.

Everything the criterion needs are sums over each inner group, formed once (`CrossProducts`)::

    zz_r = Z_r' W Z_r (q, q)    zd_r = Z_r' W [X y] (q, p+1)    dd = [X y]' W [X y] (p+1, p+1)

With s = noise, A = zz/s, F = (I + A G_inner)^-1, Woodbury's identity gives for one inner group::

    S_r = Z' V_r^-1 Z = F A            T_r = Z' V_r^-1 [X y] = F zd / s
    [X y]' V_r^-1 [X y] = dd/s - (zd/s)' G_inner T_r         log|V_r| = n log s + log|I + A G_inner|

and once more for the outer group, with S_b, T_b the sums over its members and H_b = G_outer (I + S_b G_outer)^-1::

    U = [X y]' V^-1 [X y] = sum_r(...) - sum_b T_b' H_b T_b     log|V| = sum_r log|V_r| + sum_b log|I + S_b G_outer|

No inverse of G is taken, so a variance of exactly zero is an ordinary value. With K = X' V^-1 X + P0 the criterion is

    -2 l = (N - p) log 2 pi + log|V| + log|K| + (y - X beta)' V^-1 (y - X beta) + (beta - b0)' P0 (beta - b0)

(the constant counts N for ML and for a full-rank prior). With V_i = dV/d theta_i and P = V^-1 - V^-1 X K^-1 X' V^-1,

    score_i = tr(P V_i) - y' P V_i P y           average information_ij = y' P V_i P V_j P y

(Gilmour, Thompson & Cullis, 1995, Biometrics 51, 1440-1450: average information; Searle, Casella & McCulloch, 1992,
Variance Components, ch. 6: REML; Harville, 1977, JASA 72, 320-338.) Damped Newton steps are taken on the lower
triangular roots L, G = L L', and on the log of the noise: G cannot leave the positive semidefinite cone, and a variance
whose best value is zero gets there in a few steps (see `_in_roots`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trimfit.errors import TrimfitError

__all__ = ["CrossProducts", "MixedFit", "cross_products", "fit_mixed", "small_inverse"]

Array = NDArray[np.float64]
FEW = 1500
"""Of more than four times so many inner groups a share is fitted first, to begin near the answer."""
MOST_PLAIN = 200_000
"""So many cells of groups by fixed terms are held whole: few small sums, each in one product, beat many apart."""
_LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True, slots=True)
class CrossProducts:
    """Sums over groups; inner groups are sorted so that an outer group's members stand together.

    zz (q, q, R), zd (q, p+1, R) with y last, dd (p+1, p+1); `outer_start` (B,) first inner group of each outer group;
    `outer_of` (R,) its outer group; `rows` the number of rows with weight; `log_weights` = sum log w. Groups stand
    last, so that the algebra of many small matrices is arithmetic on long vectors.

    Where an outer group meets few of the fixed terms, zd (q, L, R) holds those alone: `columns` (B, L) says which of
    the p + 1 they are (y last). A group that meets fewer than L - 1 has columns of zeros, which may be called anything.
    `share`: of very many groups the sums of a few outer ones, for a fit to begin near the answer.
    """

    zz: Array
    zd: Array
    dd: Array
    outer_start: NDArray[np.intp]
    outer_of: NDArray[np.intp]
    rows: int
    log_weights: float
    columns: NDArray[np.intp] | None = None
    share: CrossProducts | None = None

    @property
    def q(self) -> int:
        """How many random coefficients a group has."""
        return int(self.zz.shape[0])

    @property
    def p(self) -> int:
        """How many fixed coefficients there are."""
        return int(self.dd.shape[0] - 1)

    def edges(self, groups: int) -> list[int]:
        """Where the outer groups begin among so many groups, inner or outer, and the end."""
        return list(range(groups + 1)) if groups != len(self.outer_of) else [*self.outer_start.tolist(), groups]

    def members(self, values: Array) -> Array:
        """Values (…, B) of the outer groups, said for each of their inner groups (…, R)."""
        return np.repeat(values, np.diff(self.edges(len(self.outer_of))), axis=-1)

    def across(self, a: Array, b: Array, *, terms: bool) -> Array:
        """Sum over groups of a' b: a (q, L, G), b (q, L or m, G), G inner groups or outer ones.

        Returns (p + 1, p + 1) where b's columns are `terms` as a's are, else (p + 1, m), whatever the groups hold.
        """
        if self.columns is None:
            return _gram(a, b)
        blocks = np.stack([_gram(a[:, :, i:j], b[:, :, i:j]) for i, j in pairwise(self.edges(a.shape[2]))])
        return _spread(blocks, self.columns, self.columns if terms else None, self.p + 1)

    def folded(self, d: Array, k: Array) -> Array:
        """Sum over groups of d k d' (q, q): d (q, L - 1, G), k (p, p)."""
        out = np.empty((self.q, self.q))
        for i in range(self.q):
            for j in range(i + 1):
                if self.columns is None:
                    out[i, j] = out[j, i] = float(np.sum(k * (d[i] @ d[j].T)))
                    continue
                met = self.columns[:, :-1]
                blocks = np.stack([d[i, :, a:b] @ d[j, :, a:b].T for a, b in pairwise(self.edges(d.shape[2]))])
                out[i, j] = out[j, i] = float(np.sum(k[met[:, :, None], met[:, None, :]] * blocks))
        return out

    def dotted(self, t: Array, c: Array) -> Array:
        """t (q, L, G) times a vector c (p + 1,): (q, G)."""
        if self.columns is None:
            out: Array = np.tensordot(c, t, axes=(0, 1))
            return out
        mine = c[self.columns].T
        if t.shape[2] == len(self.outer_of):
            mine = self.members(mine)
        total: Array = np.einsum("ilg,lg->ig", t, mine)
        return total


def _gram(a: Array, b: Array) -> Array:
    """Sum over i and groups of a_ilg b_img: (L, M)."""
    out: Array = a[0] @ b[0].T
    for i in range(1, len(a)):
        out += a[i] @ b[i].T
    return out


def _dot(a: Array, b: Array) -> Array:
    """Products of matrices whose groups stand last: (i, j, G or 1) by (j, k, G) -> (i, k, G)."""
    out: Array = a[:, 0, None] * b[None, 0]
    for j in range(1, a.shape[1]):
        out += a[:, j, None] * b[None, j]
    return out


def _inverse_last(m: Array) -> tuple[Array, Array]:
    """`small_inverse` of matrices whose groups stand last (q, q, G): inverses (q, q, G), log determinants (G,)."""
    inverse, logdet = small_inverse(np.moveaxis(m, -1, 0))
    return np.moveaxis(inverse, 0, -1), logdet


def _spread(blocks: Array, rows: NDArray[np.intp], columns: NDArray[np.intp] | None, size: int) -> Array:
    """Sum blocks (B, L, M) into one matrix: rows (B, L) of it, and columns (B, M), or their own order for None."""
    width = size if columns is not None else blocks.shape[2]
    along = np.arange(width)[None] if columns is None else columns
    place = (rows[:, :, None] * width + along[:, None, :]).reshape(-1)
    laid = np.bincount(place, weights=blocks.reshape(-1), minlength=size * width)
    return np.asarray(laid, dtype=np.float64).reshape(size, width)


@dataclass(frozen=True, slots=True)
class MixedFit:
    """The fit. beta (p,), beta_cov (p, p); outer_cov, inner_cov (q, q); noise (variance); modes and what they rest on.

    `criterion` is -2 log (restricted) likelihood; outer_mode (B, q), inner_mode (R, q); `steps` taken; `converged`.
    """

    beta: Array
    beta_cov: Array
    outer_cov: Array
    inner_cov: Array
    noise: float
    criterion: float
    outer_mode: Array
    inner_mode: Array
    steps: int
    converged: bool


def cross_products(
    z: Array,
    x: Array,
    y: Array,
    inner: NDArray[np.intp],
    outer_of: NDArray[np.intp],
    weights: Array | None = None,
    columns: tuple[NDArray[np.intp], int] | None = None,
) -> CrossProducts:
    """Sum the rows into groups.

    z (n, q), x (n, p), y (n,); inner (n,) the inner group of each row, 0..R-1; outer_of (R,) the outer group of each
    inner group, not decreasing; weights (n,), a row of weight 0 does not count. columns: for an x that holds only the
    terms its outer group meets (n, L - 1), which of p terms they are, (B, L - 1), and p. Raises TrimfitError when no
    row counts.
    """
    keep = np.isfinite(y) if weights is None else np.isfinite(y) & (weights > 0)
    if not keep.any():
        raise TrimfitError("no reading to fit", remedy="log readings first")
    z, x, y, inner = z[keep], x[keep], y[keep], inner[keep]
    w = np.ones(len(y)) if weights is None else weights[keep]
    if np.any(np.diff(inner) < 0):
        order = np.argsort(inner, kind="stable")
        z, x, y, inner, w = z[order], x[order], y[order], inner[order], w[order]
    start = np.flatnonzero(np.r_[True, np.diff(inner) != 0])
    d = np.column_stack([x, y])
    wd, wz = d * w[:, None], z * w[:, None]
    wzt = np.ascontiguousarray(wz.T)
    zz = np.add.reduceat(wzt[:, None] * np.ascontiguousarray(z.T)[None], start, axis=2)
    zd = np.add.reduceat(wzt[:, None] * np.ascontiguousarray(d.T)[None], start, axis=2)
    outer = outer_of[inner[start]]
    outer_start = np.flatnonzero(np.r_[True, np.diff(outer) != 0])
    outer_code = np.cumsum(np.r_[False, np.diff(outer) != 0])
    weighed = len(y), float(np.log(w).sum())
    share = None
    if len(start) > 4 * FEW and len(outer_start) > 60:
        few = outer_of[inner] % max(len(start) // FEW, 2) == 0
        share = cross_products(z[few], x[few], y[few], inner[few], outer_of, w[few], columns) if few.any() else None
    if columns is None:
        return CrossProducts(zz, zd, d.T @ wd, outer_start, outer_code, *weighed, None, share)
    met, p = columns
    named = np.column_stack([met[outer[outer_start]], np.full(len(outer_start), p)])
    edges = [*start[outer_start].tolist(), len(y)]
    dd = _spread(np.stack([d[i:j].T @ wd[i:j] for i, j in pairwise(edges)]), named, named, p + 1)
    if len(start) * (p + 1) <= MOST_PLAIN:
        plain = np.zeros((p + 1, len(start), zd.shape[0]))
        np.add.at(plain, (named[outer_code].T, np.arange(len(start))[None, :]), np.moveaxis(zd, 0, -1))
        plain = np.ascontiguousarray(np.moveaxis(plain, -1, 0))
        return CrossProducts(zz, plain, dd, outer_start, outer_code, *weighed, None, share)
    return CrossProducts(zz, zd, dd, outer_start, outer_code, *weighed, named, share)


def small_inverse(m: Array) -> tuple[Array, Array]:
    """Inverse and log determinant of a stack of small matrices (..., q, q); closed form for q = 1 and 2."""
    q = m.shape[-1]
    if q == 1:
        return 1.0 / m, np.log(m[..., 0, 0])
    if q == 2:
        a, b, c, d = m[..., 0, 0], m[..., 0, 1], m[..., 1, 0], m[..., 1, 1]
        det = a * d - b * c
        out = np.empty_like(m)  # as m lies in memory
        one = 1.0 / det
        out[..., 0, 0], out[..., 1, 1] = d * one, a * one
        out[..., 0, 1], out[..., 1, 0] = -b * one, -c * one
        return out, np.log(det)
    inverse = np.asarray(np.linalg.inv(m), dtype=np.float64)
    return inverse, np.linalg.slogdet(m)[1]


@dataclass(slots=True)
class _State:
    """All that one evaluation of the criterion leaves behind for the score and the information."""

    criterion: float
    beta: Array
    k_inv: Array
    u: Array
    s: Array
    t: Array
    s_b: Array
    t_b: Array
    h_b: Array
    c: Array
    a_r: Array
    a_b: Array


def _prior_level(p0: Array) -> float:
    """What the prior's precision (p, p) alone adds to the restricted criterion."""
    flat = len(p0) - int(np.linalg.matrix_rank(p0, hermitian=True)) if p0.any() else len(p0)
    return -(float(np.linalg.slogdet(p0)[1]) if flat == 0 else 0.0) - flat * _LOG_2PI


def _evaluate(
    data: CrossProducts,
    outer: Array,
    inner: Array,
    noise: float,
    prior: tuple[Array, Array],
    reml: bool,
    level: float | None = None,
) -> _State:
    """The criterion and all it leaves behind; level: `_prior_level` of the prior, where it is at hand."""
    eye = np.eye(data.q)[:, :, None]
    a = data.zz / noise
    f, logdet_r = _inverse_last(eye + _dot(a, inner[:, :, None]))
    s = _dot(f, a)
    f /= noise
    t = _dot(f, data.zd)
    gt = np.tensordot(inner / noise, t, axes=1)
    u = data.dd / noise - data.across(data.zd, gt, terms=True)
    s_b = np.add.reduceat(s, data.outer_start, axis=2)
    t_b = np.add.reduceat(t, data.outer_start, axis=2)
    w_b, logdet_b = _inverse_last(eye + _dot(s_b, outer[:, :, None]))
    h_b = np.tensordot(outer, w_b, axes=1)
    u = u - data.across(t_b, _dot(h_b, t_b), terms=True)
    p0, b0 = prior
    k = u[:-1, :-1] + p0
    try:
        chol = np.linalg.cholesky(k)
    except np.linalg.LinAlgError as error:
        raise TrimfitError(
            "the fixed terms cannot be told apart", "the mixed-model engine", "give them a prior or drop one"
        ) from error
    half = np.asarray(np.linalg.inv(chol), dtype=np.float64)
    k_inv = half.T @ half
    beta = k_inv @ (u[:-1, -1] + p0 @ b0)
    c = np.append(-beta, 1.0)
    pull = beta - b0
    criterion = (
        data.rows * np.log(noise)
        - data.log_weights
        + logdet_r.sum()
        + logdet_b.sum()
        + float(c @ u @ c)
        + float(pull @ p0 @ pull)
        + data.rows * _LOG_2PI
    )
    if reml:
        criterion += 2.0 * float(np.log(np.diag(chol)).sum()) + (_prior_level(p0) if level is None else level)
    t_c, t_bc = data.dotted(t, c), data.dotted(t_b, c)
    lean = _dot(h_b, t_bc[:, None])
    a_r = t_c - _dot(s, data.members(lean))[:, 0]
    a_b = t_bc - _dot(s_b, lean)[:, 0]
    return _State(float(criterion), beta, k_inv, u, s, t, s_b, t_b, h_b, c, a_r, a_b)


def _tried(
    data: CrossProducts, roots: list[Array], noise: float, prior: tuple[Array, Array], reml: bool, level: float
) -> _State | None:
    """`_evaluate` at a step that is only tried; None where the arithmetic breaks down, so that the step is refused."""
    try:
        state = _evaluate(data, roots[0] @ roots[0].T, roots[1] @ roots[1].T, noise, prior, reml, level)
    except TrimfitError:
        return None
    return state if np.isfinite(state.criterion) else None


def _symmetric_basis(mask: NDArray[np.bool_]) -> Array:
    """Basis matrices (m, q, q) of the free entries of a symmetric matrix."""
    q = mask.shape[0]
    out = []
    for i in range(q):
        for j in range(i + 1):
            if mask[i, j]:
                e = np.zeros((q, q))
                e[i, j] = e[j, i] = 1.0
                out.append(e)
    return np.array(out) if out else np.zeros((0, q, q))


def _score_and_information(
    data: CrossProducts, st: _State, noise: float, outer: Array, inner: Array, bases: tuple[Array, Array], reml: bool
) -> tuple[Array, Array, Array, Array]:
    """Score and average information of (outer entries, inner entries, noise), and the two gradient matrices."""
    x = slice(0, data.p)
    q = data.q

    def sums(s: Array, t: Array, h: Array, hx: Array) -> Array:
        """Sum over groups of Z' P Z (q, q), s symmetric, with the outer groups' h and h t_b said for each group."""
        out: Array = s.sum(axis=2) - _dot(s, h).reshape(q, -1) @ s.reshape(q, -1).T
        return out - data.folded(t[:, :-1] - _dot(s, hx), st.k_inv) if reml else out

    hx = _dot(st.h_b, st.t_b[:, :-1])
    sum_r = sums(st.s, st.t, data.members(st.h_b), data.members(hx))
    sum_b = sums(st.s_b, st.t_b, st.h_b, hx)
    own_r, own_b = st.a_r @ st.a_r.T, st.a_b @ st.a_b.T
    grad_r, grad_b = sum_r - own_r, sum_b - own_b
    base_b, base_r = bases
    score_b = np.einsum("mij,ij->m", base_b, grad_b)
    score_r = np.einsum("mij,ij->m", base_r, grad_r)
    # tr(PV) and y'PVPy are known, so the noise's share is what the others leave.
    trace_pv = data.rows - (float(np.sum(st.k_inv * st.u[x, x])) if reml else 0.0)
    quad_pv = float(st.c @ st.u @ st.c)
    score_n = (trace_pv - np.sum(outer * sum_b) - np.sum(inner * sum_r)) / noise
    score_n -= (quad_pv - float(np.sum(outer * own_b)) - float(np.sum(inner * own_r))) / noise
    # Working vectors f = [X y] c + Z h; only the noise's has a part outside the span of Z.
    m_b, m_r = len(base_b), len(base_r)
    m = m_b + m_r + 1
    h = np.empty((q, m, st.s.shape[2]))
    h[:, :m_b] = data.members(np.tensordot(base_b.transpose(1, 0, 2), st.a_b, axes=1))
    h[:, m_b : m_b + m_r] = np.tensordot(base_r.transpose(1, 0, 2), st.a_r, axes=1)
    h[:, -1] = -(inner @ st.a_r + data.members(outer @ st.a_b)) / noise
    c = st.c / noise
    sh = _dot(st.s, h)
    sh_b = np.add.reduceat(sh, data.outer_start, axis=2)
    hsh_b = _dot(st.h_b, sh_b)
    hth = _gram(h, sh) - _gram(sh_b, hsh_b)
    # D' V^-1 Z h, for D = [X y]
    dvz = data.across(st.t, h, terms=False) - data.across(st.t_b, hsh_b, terms=False)
    fvf = hth
    cross = c @ dvz
    fvf[:, -1] += cross
    fvf[-1, :] += cross
    fvf[-1, -1] += float(c @ st.u @ c)
    k = dvz[:-1].copy()
    k[:, -1] += st.u[x, :] @ c
    information = fvf - k.T @ st.k_inv @ k
    return np.concatenate([score_b, score_r, [score_n]]), information, grad_b, grad_r


def fit_mixed(
    data: CrossProducts,
    *,
    reml: bool = True,
    outer_free: NDArray[np.bool_] | None = None,
    inner_free: NDArray[np.bool_] | None = None,
    prior_precision: Array | None = None,
    prior_mean: Array | None = None,
    start: tuple[Array, Array, float] | None = None,
    tolerance: float = 1e-9,
    most_steps: int = 60,
    least_noise: float = 0.0,
) -> MixedFit:
    """Fit the variances, then the coefficients and the groups' conditional modes.

    outer_free, inner_free (q, q) say which entries of the two covariances may differ from zero (default: all; a level
    that is not wanted gets all False). prior_precision (p, p) and prior_mean (p,) of the fixed coefficients.
    start: (outer_cov, inner_cov, noise) to begin from. `tolerance` is on the criterion's last fall, in its own units
    per unit of (1 + |criterion|). least_noise: where the rows are too few to tell noise from effects the likelihood has
    no greatest value, as the noise goes to zero; it is held to this variance. Raises TrimfitError for fixed terms that
    cannot be told apart.
    """
    q, p = data.q, data.p
    prior = (
        np.zeros((p, p)) if prior_precision is None else prior_precision,
        np.zeros(p) if prior_mean is None else prior_mean,
    )
    free_b = np.ones((q, q), bool) if outer_free is None else outer_free
    free_r = np.ones((q, q), bool) if inner_free is None else inner_free
    bases = _symmetric_basis(free_b), _symmetric_basis(free_r)
    spots = np.argwhere(np.tril(free_b)), np.argwhere(np.tril(free_r))
    if start is None and data.share is not None:
        part = fit_mixed(
            data.share,
            reml=reml,
            outer_free=free_b,
            inner_free=free_r,
            prior_precision=prior[0],
            prior_mean=prior[1],
            tolerance=1e-6,
            most_steps=most_steps,
            least_noise=least_noise,
        )
        start = part.outer_cov, part.inner_cov, part.noise
    outer, inner, noise = _starting_values(data, free_b, free_r, prior) if start is None else start
    noise = max(noise, least_noise)
    roots = [_root(outer), _root(inner)]
    level = _prior_level(prior[0])
    state = _evaluate(data, roots[0] @ roots[0].T, roots[1] @ roots[1].T, noise, prior, reml, level)
    converged, damping, step = False, 1e-3, 0
    while step < most_steps and not converged:
        step += 1
        covs = [root @ root.T for root in roots]
        score, information, *grads = _score_and_information(data, state, noise, covs[0], covs[1], bases, reml)
        slope, curve = _in_roots(roots, spots, score, information, grads, noise)
        size = np.sqrt(np.maximum(np.abs(np.diag(curve)), 1e-12 * np.abs(np.diag(curve)).max() + 1e-300))
        fell = 0.0
        for _ in range(12):
            values, vectors = np.linalg.eigh(curve / np.outer(size, size))
            lifted = np.maximum(np.abs(values), 1e-8) + damping
            move = -(vectors @ ((vectors.T @ (slope / size)) / lifted)) / size
            new_roots, new_noise = _moved_roots(roots, spots, move, noise)
            new_noise = max(new_noise, least_noise)
            trial = _tried(data, new_roots, new_noise, prior, reml, level)
            if trial is not None and trial.criterion <= state.criterion:
                fell = state.criterion - trial.criterion
                state, roots, noise = trial, new_roots, new_noise
                damping = max(damping * 0.1, 1e-9)
                break
            damping = max(damping * 8.0, 1e-4)
        if fell <= tolerance * (1.0 + abs(state.criterion)):
            converged = not _leave_boundary(roots, grads, (free_b, free_r))
            if not converged:
                state = _evaluate(data, roots[0] @ roots[0].T, roots[1] @ roots[1].T, noise, prior, reml, level)
    outer, inner = roots[0] @ roots[0].T, roots[1] @ roots[1].T
    outer_mode = (outer @ state.a_b).T
    inner_mode = (inner @ state.a_r).T
    return MixedFit(
        state.beta, state.k_inv, outer, inner, noise, state.criterion, outer_mode, inner_mode, step, converged
    )


def _root(g: Array) -> Array:
    """Lower triangular L with L L' = g for a positive semidefinite g (zero pivots allowed)."""
    q = len(g)
    out = np.zeros((q, q))
    for j in range(q):
        pivot = g[j, j] - out[j, :j] @ out[j, :j]
        out[j, j] = np.sqrt(max(pivot, 0.0))
        for i in range(j + 1, q):
            rest = g[i, j] - out[i, :j] @ out[j, :j]
            out[i, j] = rest / out[j, j] if out[j, j] > 0 else 0.0
    return out


def _in_roots(
    roots: list[Array],
    spots: tuple[NDArray[np.intp], NDArray[np.intp]],
    score: Array,
    information: Array,
    grads: list[Array],
    noise: float,
) -> tuple[Array, Array]:
    """Gradient and curvature in the entries of the two roots L and the log of the noise.

    With C the criterion and D = dC/dG, dC/dL = 2 D L. The curvature is J' AI J plus the part from G's own second
    derivative, 2 D in each column of L: on the boundary this part is what brings a root's entry to zero in few steps.
    """
    m = len(score)
    parts, extra = [], []
    for level, (root, where) in enumerate(zip(roots, spots, strict=True)):
        jacobian = np.zeros((m, len(where)))
        more = np.zeros((len(where), len(where)))
        first = 0 if level == 0 else len(spots[0])
        for n, (a, c) in enumerate(where):
            d = np.zeros_like(root)
            d[a, :] += root[:, c]
            d[:, a] += root[:, c]
            entries = [d[i, j] for i, j in where]
            jacobian[first : first + len(where), n] = entries
            for k, (b, other) in enumerate(where):
                if other == c:
                    more[n, k] = 2.0 * grads[level][a, b]
        parts.append(jacobian)
        extra.append(more)
    last = np.zeros((m, 1))
    last[-1, 0] = noise
    jacobian = np.hstack([*parts, last])
    curve = jacobian.T @ information @ jacobian
    n_b, n_r = len(spots[0]), len(spots[1])
    curve[:n_b, :n_b] += extra[0]
    curve[n_b : n_b + n_r, n_b : n_b + n_r] += extra[1]
    curve[-1, -1] += score[-1] * noise
    return jacobian.T @ score, curve


def _moved_roots(
    roots: list[Array], spots: tuple[NDArray[np.intp], NDArray[np.intp]], move: Array, noise: float
) -> tuple[list[Array], float]:
    out, at = [], 0
    for root, where in zip(roots, spots, strict=True):
        fresh = root.copy()
        for a, c in where:
            fresh[a, c] += move[at]
            at += 1
        out.append(fresh)
    return out, noise * float(np.exp(np.clip(move[-1], -2.0, 2.0)))


def _leave_boundary(roots: list[Array], grads: list[Array], free: tuple[NDArray[np.bool_], NDArray[np.bool_]]) -> bool:
    """Where a covariance is singular but the criterion falls off the boundary, step off it; whether any did."""
    left = False
    for level, root in enumerate(roots):
        if not free[level].any():
            continue
        g = root @ root.T
        scale = np.where(np.diag(g) > 0, np.sqrt(np.maximum(np.diag(g), 1e-300)), 1.0)
        values, vectors = np.linalg.eigh(g / np.outer(scale, scale))
        null = vectors[:, 0] * np.diag(free[level])
        if values[0] < 1e-7 and float((null * scale) @ grads[level] @ (null * scale)) < -1e-3:
            roots[level] = _root(g + 1e-3 * np.outer(null * scale, null * scale))
            left = True
    return left


def _starting_values(
    data: CrossProducts, free_b: NDArray[np.bool_], free_r: NDArray[np.bool_], prior: tuple[Array, Array]
) -> tuple[Array, Array, float]:
    """A plain split of the least-squares residual variance: a third to each level that is wanted, slopes scaled."""
    p0, b0 = prior
    k = data.dd[:-1, :-1] + p0 + 1e-9 * np.trace(data.dd[:-1, :-1]) / max(data.p, 1) * np.eye(data.p)
    beta: Any = np.linalg.lstsq(k, data.dd[:-1, -1] + p0 @ b0, rcond=None)[0]
    c = np.append(-beta, 1.0)
    spread = max(float(c @ data.dd @ c) / max(data.rows - data.p, 1), 1e-12)
    size = np.maximum(np.einsum("iir->i", data.zz) / data.rows, 1e-12)

    def split(free: NDArray[np.bool_]) -> Array:
        return np.diag(np.where(np.diag(free), 0.3 * spread / size / data.q, 0.0))

    return split(free_b), split(free_r), 0.4 * spread
