"""The mixed-model engine: two nested levels of groups, REML or ML. It knows groups and matrices, and no reeds.

Model, for row i of inner group r in outer group b::

    y_i = x_i' beta + z_i' (u_b + v_r) + e_i
    u_b ~ N(0, G_outer),  v_r ~ N(0, G_inner),  e_i ~ N(0, noise / w_i)

`w` are known row weights. `beta` may have a Gaussian prior (precision `P0`, mean `b0`); P0 = 0 is plain REML. Many
outputs are taken at once, each with variances of its own: arrays have them first, and small shops cost few calls.

Everything the criterion needs are sums over each inner group, formed once (`sums.CrossProducts`): zz_r, zd_r, dd. With
s = noise, A = zz/s, F = (I + A G_inner)^-1, Woodbury's identity gives for one inner group::

    S_r = Z' V_r^-1 Z = F A            T_r = Z' V_r^-1 [X y] = F zd / s
    [X y]' V_r^-1 [X y] = dd/s - (zd/s)' G_inner T_r         log|V_r| = n log s - sum log w + log|I + A G_inner|

and once more for the outer group, with S_b, T_b the sums over its members and H_b = G_outer (I + S_b G_outer)^-1::

    U = [X y]' V^-1 [X y] = sum_r(...) - sum_b T_b' H_b T_b     log|V| = sum_r log|V_r| + sum_b log|I + S_b G_outer|

No inverse of G is taken, so a variance of exactly zero is an ordinary value. With C = X' V^-1 X + P0 the criterion is

    -2 l = (N - p) log 2 pi + log|V| + log|C| + (y - X beta)' V^-1 (y - X beta) + (beta - b0)' P0 (beta - b0)

(the constant counts N for ML and for a full-rank prior). One Cholesky root of C bordered by X' V^-1 y + P0 b0 and
y' V^-1 y + b0' P0 b0 has both log|C| and, squared in its last corner, the two quadratic forms.

Where it is to be improved, with a = V^-1 (y - X beta), V_i = dV/d theta_i and P = V^-1 - V^-1 X C^-1 X' V^-1,

    score_i = tr(P V_i) - a' V_i a           average information_ij = a' V_i P V_j a

(Gilmour, Thompson & Cullis, 1995, Biometrics 51, 1440-1450: average information; Searle, Casella & McCulloch, 1992,
Variance Components, ch. 6: REML; Harville, 1977, JASA 72, 320-338.) Of V_i a all that is wanted are sums over groups of
S a and T' a. V is linear, V = sum_m theta_m V_m + s V_s, so V_s a = (y - X beta - sum_m theta_m V_m a) / s, and the
noise's part follows from the others'. The steps from there are taken in `newton`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.reml.sums import CrossProducts

Array = NDArray[np.float64]
_LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of the fixed coefficients: precision (K, p, p), mean (K, p); and what follows from it alone.

    bordered (K, p + 1, p + 1): what it adds to [X y]' V^-1 [X y]; level (K,): what it adds to the restricted criterion.
    """

    precision: Array
    mean: Array
    bordered: Array
    level: Array

    @classmethod
    def made(cls, precision: Array, mean: Array) -> Prior:
        """From precision (K, p, p) and mean (K, p)."""
        right = (precision @ mean[:, :, None])[:, :, 0]
        corner = np.sum(mean * right, axis=1)
        bordered = np.concatenate([precision, right[:, None]], axis=1)
        last = np.concatenate([right, corner[:, None]], axis=1)[:, :, None]
        level = np.array([_level(one) for one in precision])
        return cls(precision, mean, np.concatenate([bordered, last], axis=2), level)

    @property
    def outputs(self) -> int:
        """Of how many outputs."""
        return len(self.mean)

    def of(self, outputs: NDArray[np.intp] | slice) -> Prior:
        """The same for some of the outputs."""
        return Prior(self.precision[outputs], self.mean[outputs], self.bordered[outputs], self.level[outputs])


def _level(p0: Array) -> float:
    """What a prior's precision (p, p) alone adds to the restricted criterion."""
    flat = len(p0) - int(np.linalg.matrix_rank(p0, hermitian=True)) if p0.any() else len(p0)
    return -(float(np.linalg.slogdet(p0)[1]) if flat == 0 else 0.0) - flat * _LOG_2PI


@dataclass(frozen=True, slots=True)
class State:
    """All that one evaluation of the criterion (K,) leaves behind; NaN where the arithmetic broke down.

    u (K, p + 1, p + 1), s (K, q, q, R), t (K, q, L, R), and s_b, t_b, h_b for outer groups, as above; root: Cholesky's
    of the bordered C.
    """

    criterion: Array
    u: Array
    s: Array
    t: Array
    s_b: Array
    t_b: Array
    h_b: Array
    root: Array

    def of(self, outputs: NDArray[np.intp]) -> State:
        """The same for some of the outputs."""
        if len(outputs) == len(self.criterion):
            return self
        return State(*(getattr(self, name)[outputs] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class Solution:
    """The coefficients beta (K, p), their covariance k_inv (K, p, p), c = (-beta, 1), and Z' a of both levels' groups
    (K, q, R), (K, q, B)."""

    beta: Array
    k_inv: Array
    c: Array
    a_r: Array
    a_b: Array


def _dot(a: Array, b: Array) -> Array:
    """Products of matrices whose groups stand last: (K, i, j, G) by (K, j, k, G) -> (K, i, k, G)."""
    return np.asarray(np.einsum("mijg,mjkg->mikg", a, b))


def _turned(g: Array, values: Array) -> Array:
    """Matrices (K, i, q) times what stands in groups, values (K, q, L, G): (K, i, L, G)."""
    out: Array = g @ values.reshape(*values.shape[:2], -1)
    return out.reshape(len(out), -1, *values.shape[2:])


def _gram(a: Array, b: Array) -> Array:
    """Sum over groups of a_mig b_mjg: (K, i, j)."""
    return np.asarray(a @ b.swapaxes(-1, -2))


def small_inverse(m: Array) -> tuple[Array, Array]:
    """Inverse and log determinant of small matrices whose groups stand last (K, q, q, G); closed for q = 2."""
    if m.shape[1] == 2:
        det = m[:, 0, 0] * m[:, 1, 1]
        det -= m[:, 0, 1] * m[:, 1, 0]
        one = 1.0 / det
        out = np.empty_like(m)
        np.multiply(m[:, 1, 1], one, out=out[:, 0, 0])
        np.multiply(m[:, 0, 0], one, out=out[:, 1, 1])
        np.negative(one, out=one)
        np.multiply(m[:, 0, 1], one, out=out[:, 0, 1])
        np.multiply(m[:, 1, 0], one, out=out[:, 1, 0])
        return out, np.log(det)
    stacked = np.moveaxis(m, -1, 1)
    inverse = np.asarray(np.linalg.inv(stacked), dtype=np.float64)
    return np.moveaxis(inverse, 1, -1), np.linalg.slogdet(stacked)[1]


def _plus_eye(m: Array) -> Array:
    """I + m in place, for matrices whose groups stand last."""
    for i in range(m.shape[1]):
        m[:, i, i] += 1.0
    return m


def evaluate(data: CrossProducts, outer: Array, inner: Array, noise: Array, prior: Prior, reml: bool) -> State:
    """The criterion at covariances outer, inner (K, q, q) and noise (K,), and all it leaves behind."""
    one = noise[:, None, None]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        f, logdet = small_inverse(_plus_eye(_turned_right(data.zz, inner / one)))
        f /= one[..., None]
        s = _dot(f, data.zz)
        t = _dot(f, data.zd)
        u = data.dd / one - data.across(data.zd, _turned(inner / one, t))
        s_b, t_b = data.per_outer(s), data.per_outer(t)
        w_b, logdet_b = small_inverse(_plus_eye(_turned_right(s_b, outer)))
        h_b = _turned(outer, w_b)
        u -= data.across(t_b, _dot(h_b, t_b))
        root = _roots_of(u + prior.bordered)
        corner = np.diagonal(root, axis1=1, axis2=2)
        criterion = data.rows * (np.log(noise) + _LOG_2PI) - data.log_weights + corner[:, -1] ** 2
        criterion += logdet.sum(axis=-1) + logdet_b.sum(axis=-1)
        if reml:
            criterion += 2.0 * np.log(corner[:, :-1]).sum(axis=1) + prior.level
    return State(criterion, u, s, t, s_b, t_b, h_b, root)


def _turned_right(values: Array, g: Array) -> Array:
    """What stands in groups, symmetric values (K, q, q, G), times matrices g (K, q, q)."""
    return _turned(g.swapaxes(-1, -2), values).swapaxes(1, 2)


def _roots_of(k: Array) -> Array:
    """Cholesky roots (K, p + 1, p + 1) of the bordered C; NaN where C itself has none.

    Where the prior and the terms leave nothing of y the border's own part is zero, and rounding may put it below.
    """
    try:
        return np.asarray(np.linalg.cholesky(k), dtype=np.float64)
    except np.linalg.LinAlgError:
        if len(k) > 1:
            return np.concatenate([_roots_of(one[None]) for one in k])
    try:
        root = np.asarray(np.linalg.cholesky(k[0, :-1, :-1]), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.full_like(k, np.nan)
    border = np.linalg.solve(root, k[0, :-1, -1])
    out = np.zeros_like(k)
    out[0, :-1, :-1], out[0, -1, :-1] = root, border
    out[0, -1, -1] = np.sqrt(max(float(k[0, -1, -1] - border @ border), 0.0))
    return out


def solve(data: CrossProducts, state: State, prior: Prior) -> Solution:
    """The coefficients at a state of the variances, and what the groups have left over."""
    p = data.p
    half = np.asarray(np.linalg.inv(state.root[:, :p, :p]), dtype=np.float64)
    k_inv = half.swapaxes(1, 2) @ half
    beta = (half.swapaxes(1, 2) @ state.root[:, p, :p, None])[:, :, 0]
    c = np.concatenate([-beta, np.ones((len(beta), 1))], axis=1)
    t_c, t_bc = data.dotted(state.t, c), data.dotted(state.t_b, c)
    lean = _dot(state.h_b, t_bc[:, :, None])
    a_b = t_bc - _dot(state.s_b, lean)[:, :, 0]
    a_r = t_c - _dot(state.s, data.members(lean))[:, :, 0]
    return Solution(beta, k_inv, c, a_r, a_b)


def symmetric_basis(mask: NDArray[np.bool_]) -> Array:
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


def score_and_information(
    data: CrossProducts,
    st: State,
    at: Solution,
    noise: Array,
    covs: tuple[Array, Array],
    bases: tuple[Array, Array],
    prior: Prior,
    reml: bool,
) -> tuple[Array, Array, tuple[Array, Array]]:
    """Score (K, m) and average information (K, m, m) of (outer entries, inner entries, noise), and the two gradient
    matrices (K, q, q). covs: the outer and the inner covariance; bases: of either, the free entries (m, q, q)."""
    traces = _traces(data, st, at, reml)
    owns = _gram(at.a_b, at.a_b), _gram(at.a_r, at.a_r)
    grads = traces[0] - owns[0], traces[1] - owns[1]
    quad = np.einsum("mi,mij,mj->m", at.c, st.u, at.c)
    # tr(PV) and a'Va are known, so the noise's share is what the others leave
    score_n = data.rows - quad - (np.sum(at.k_inv * st.u[:, :-1, :-1], axis=(1, 2)) if reml else 0.0)
    for cov, grad in zip(covs, grads, strict=True):
        score_n -= np.sum(cov * grad, axis=(1, 2))
    score = [*(_coordinates(base, grad) for base, grad in zip(bases, grads, strict=True)), (score_n / noise)[:, None]]
    theta = np.concatenate([_coordinates(np.tril(base), cov) for base, cov in zip(bases, covs, strict=True)], axis=1)
    own = np.concatenate([_coordinates(base, one) for base, one in zip(bases, owns, strict=True)], axis=1)
    fvf, k = _working(data, st, at, bases)
    # the noise's row from V_s a = (V a - sum theta_i V_i a) / s; P V a = a - V^-1 X C^-1 X' a, X' a = P0 (beta - b0)
    ki = at.k_inv @ k
    pull = (prior.precision @ (at.beta - prior.mean)[:, :, None])[:, :, 0]
    n = fvf.shape[1]
    information = np.empty((len(noise), n + 1, n + 1))
    information[:, :n, :n] = fvf - k.swapaxes(1, 2) @ ki
    whole_row = own - np.einsum("mp,mpi->mi", pull, ki)
    row = (whole_row - np.einsum("mi,mij->mj", theta, information[:, :n, :n])) / noise[:, None]
    corner = (quad - np.einsum("mp,mpr,mr->m", pull, at.k_inv, pull) - np.sum(theta * whole_row, axis=1)) / noise
    information[:, :n, n] = information[:, n, :n] = row
    information[:, n, n] = (corner - np.sum(theta * row, axis=1)) / noise
    return np.concatenate(score, axis=1), information, grads


def _traces(data: CrossProducts, st: State, at: Solution, reml: bool) -> tuple[Array, Array]:
    """Sums over outer and over inner groups of Z' P Z (K, q, q): of a matrix E as in V_i, tr(P V_i) = tr(E Z' P Z)."""

    def summed(s: Array, t: Array, h: Array, hx: Array) -> Array:
        """With the outer groups' h and h t_b said for each group."""
        flat = (len(s), data.q, -1)
        out: Array = s.sum(axis=-1) - _gram(_dot(s, h).reshape(flat), s.reshape(flat))
        if reml:
            rest = _dot(s, hx)
            np.subtract(t[:, :, :-1], rest, out=rest)
            out -= data.folded(rest, at.k_inv)
        return out

    hx = _dot(st.h_b, st.t_b[:, :, :-1])
    outer = summed(st.s_b, st.t_b, st.h_b, hx)
    return outer, summed(st.s, st.t, data.members(st.h_b), data.members(hx))


def _working(data: CrossProducts, st: State, at: Solution, bases: tuple[Array, Array]) -> tuple[Array, Array]:
    """Of f_i = V_i a = Z E_i a, E_i the basis matrix of an entry: f_i' V^-1 f_j (K, n, n) and X' V^-1 f_i (K, p, n).

    The outer entries come first, then the inner. E_i a is the same for an outer group's members where i is an outer
    entry; summed over its inner groups, Z' V_r^-1 f_i is v_i.
    """
    base_b, base_r = bases
    many, q, n_b = len(st.s), data.q, len(base_b)
    sa = (st.s[:, :, :, None] * at.a_r[:, None, None]).reshape(many, q**3, -1)
    inner_v = np.einsum("mijkg,njk->ming", data.per_outer(sa).reshape(many, q, q, q, -1), base_r)
    outer_h = np.einsum("nij,mjg->ming", base_b, at.a_b)
    v = np.concatenate([_dot(st.s_b, outer_h), inner_v], axis=2)
    hv = _dot(st.h_b, v)
    fvf = -_gram(v, hv).sum(axis=1)
    across = _gram(outer_h, v).sum(axis=1)
    fvf[:, :n_b] += across
    fvf[:, n_b:, :n_b] += across[:, :, n_b:].swapaxes(1, 2)
    fvf[:, n_b:, n_b:] += np.einsum("mlijk,nli,ojk->mno", _gram(at.a_r, sa).reshape(many, q, q, q, q), base_r, base_r)
    lean = np.concatenate([outer_h, np.zeros_like(inner_v)], axis=2) - hv
    k = data.across(st.t_b, lean, terms=False)[:, :-1]
    k[:, :, n_b:] += np.einsum("mpij,nij->mpn", data.paired(st.t, at.a_r)[:, :-1], base_r)
    return fvf, k


def _coordinates(basis: Array, values: Array) -> Array:
    """Matrices (K, q, q) in terms of a basis (m, q, q): (K, m)."""
    return np.asarray(np.einsum("nij,mij->mn", basis, values))
