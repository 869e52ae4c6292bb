"""Rows summed into two nested levels of groups, for many outputs at once: all that a mixed model's criterion needs.

With row weights w, and the K outputs y of one set of rows, each inner group r has, formed once and for every output,

    zz_r = Z_r' W Z_r (q, q)    zd_r = Z_r' W [X y] (q, p+1)    dd = [X y]' W [X y] (p+1, p+1)

Outputs that were taken on the same rows with the same weights share zz and the part of zd and dd without y.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import TrimfitError

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class CrossProducts:
    """Sums over groups of K outputs; inner groups are sorted so that an outer group's members stand together.

    zz (K, q, q, R), zd (K, q, L, R) with y last, dd (K, p+1, p+1); `outer_start` (B,) first inner group of each outer
    group; `outer_of` (R,) its outer group; `rows` (K,) how many have weight; `log_weights` (K,) = sum log w. Groups
    stand last, so that the algebra of many small matrices is arithmetic on long vectors.

    An outer group may meet few of the fixed terms: zd (K, q, L, R) holds those alone, `columns` (B, L) says which they
    are of the p + 1 (y last). A group that meets fewer than L - 1 has columns of zeros, which may be called anything.
    Outer groups stand by size, so that those of one size are one block (`runs`: first and end among the outer groups,
    size), whatever order they were given in.
    """

    zz: Array
    zd: Array
    dd: Array
    outer_start: Codes
    outer_of: Codes
    rows: NDArray[np.intp]
    log_weights: Array
    columns: Codes
    runs: tuple[tuple[int, int, int], ...]

    @property
    def outputs(self) -> int:
        """How many outputs there are."""
        return int(self.zd.shape[0])

    @property
    def q(self) -> int:
        """How many random coefficients a group has."""
        return int(self.zd.shape[1])

    @property
    def p(self) -> int:
        """How many fixed coefficients there are."""
        return int(self.dd.shape[-1] - 1)

    def of(self, outputs: Codes | slice) -> CrossProducts:
        """The same for some of the outputs."""
        return replace(
            self,
            zz=self.zz[outputs],
            zd=self.zd[outputs],
            dd=self.dd[outputs],
            rows=self.rows[outputs],
            log_weights=self.log_weights[outputs],
        )

    def per_outer(self, values: Array) -> Array:
        """Values (…, R) of the inner groups, summed over each outer group's (…, B)."""
        return np.asarray(np.add.reduceat(values, self.outer_start, axis=-1))

    def members(self, values: Array) -> Array:
        """Values (…, B) of the outer groups, said for each of their inner groups (…, R)."""
        return np.repeat(values, np.diff(self.outer_start, append=len(self.outer_of)), axis=-1)

    def blocks(self, values: Array) -> list[Array]:
        """Values (K, q, L, G) of groups, inner or outer, as views (K, q, b, L, g): b outer groups of g each."""
        if values.shape[-1] == len(self.outer_start) != len(self.outer_of):
            return [np.moveaxis(values, -1, 2)[..., None]]
        out = []
        for first, end, size in self.runs:
            lo = int(self.outer_start[first])
            part = values[..., lo : lo + (end - first) * size]
            out.append(np.moveaxis(part.reshape(*values.shape[:-1], end - first, size), -2, 2))
        return out

    def across(self, a: Array, b: Array, *, terms: bool = True) -> Array:
        """Sum over groups of a' b: a (K, q, L, G), b (K, q, L or m, G), G inner groups or outer ones.

        Returns (K, p + 1, p + 1) where b's columns are `terms` as a's are, else (K, p + 1, m).
        """
        found = [
            (one @ other.swapaxes(-1, -2)).sum(axis=1)
            for one, other in zip(self.blocks(a), self.blocks(b), strict=True)
        ]
        return _laid(np.concatenate(found, axis=1), self.columns, self.p + 1, terms=terms)

    def paired(self, t: Array, a: Array) -> Array:
        """Sum over groups of t_il a_j: t (K, q, L, G), a (K, q, G) -> (K, p + 1, q, q)."""
        found = [
            one @ np.moveaxis(other[:, :, :, 0], 1, -1)[:, None]
            for one, other in zip(self.blocks(t), self.blocks(a[:, :, None]), strict=True)
        ]
        met = np.moveaxis(np.concatenate(found, axis=2), 1, 3)
        wide = met.reshape(*met.shape[:3], -1)
        return _laid(wide, self.columns, self.p + 1, terms=False).reshape(len(t), -1, self.q, self.q)

    def folded(self, d: Array, k: Array) -> Array:
        """Sum over groups of d k d' (K, q, q): d (K, q, L - 1, G), k (K, p, p)."""
        met = self.columns[:, :-1]
        mine = k[:, met[:, :, None], met[:, None, :]]
        out, at = np.zeros((len(d), self.q, self.q)), 0
        for part in self.blocks(d):
            here = mine[:, at : at + part.shape[2]]
            at += part.shape[2]
            for i in range(self.q):
                for j in range(i + 1):
                    found = np.sum((part[:, i] @ part[:, j].swapaxes(-1, -2)) * here, axis=(1, 2, 3))
                    out[:, i, j] += found
                    if j < i:
                        out[:, j, i] += found
        return out

    def dotted(self, t: Array, c: Array) -> Array:
        """t (K, q, L, G) times a vector c (K, p + 1): (K, q, G)."""
        mine = c[:, None, self.columns][..., None, :]
        parts, at = [], 0
        for part in self.blocks(t):
            here = mine[:, :, at : at + part.shape[2]]
            at += part.shape[2]
            parts.append((here @ part).reshape(*t.shape[:2], -1))
        return np.concatenate(parts, axis=-1)


def _laid(met: Array, columns: Codes, size: int, *, terms: bool) -> Array:
    """Sums (K, B, L, L or m) of outer groups, put where their terms, columns (B, L), stand among all: (K, size, size or
    m). terms: the last axis holds terms too."""
    width = size if terms else met.shape[3]
    along = columns if terms else np.arange(width)[None]
    place = (columns[:, :, None] * width + along[:, None, :]).reshape(-1)
    every = (np.arange(len(met))[:, None] * (size * width) + place).reshape(-1)
    laid = np.bincount(every, weights=met.reshape(-1), minlength=len(met) * size * width)
    return np.asarray(laid, dtype=np.float64).reshape(len(met), size, width)


def cross_products(
    z: Array,
    x: Array,
    y: Array,
    inner: Codes,
    outer_of: Codes,
    weights: Array | None = None,
    columns: tuple[Codes, int] | None = None,
) -> CrossProducts:
    """Sum the rows into groups.

    z (n, q), x (n, p), y (n,) or (n, K); inner (n,) the inner group of each row, 0..R-1; outer_of (R,) the outer group
    of each inner group, not decreasing; weights (n,) or (n, K), a row of weight 0 does not count, nor does a y of NaN.
    columns: for an x that holds only the terms its outer group meets (n, L - 1), which of p terms they are, (B, L - 1),
    and p; without it each meets all. Raises TrimfitError when no row counts for one of the outputs.
    """
    y = y[:, None] if y.ndim == 1 else y
    alike = _alike(y, weights)
    if not all((weight > 0).any() for weight, _ in alike):
        raise TrimfitError("no reading to fit", remedy="log readings first")
    keep = np.stack([weight > 0 for weight, _ in alike]).any(axis=0)
    at, p = np.flatnonzero(keep), x.shape[1]
    columns = columns or (np.tile(np.arange(p), (int(outer_of[-1]) + 1, 1)), p)
    size = np.bincount(outer_of[np.unique(inner[at])], minlength=len(columns[0]))
    order = at[np.lexsort((inner[at], outer_of[inner[at]], size[outer_of[inner[at]]]))]
    alike = [(weight[order], outputs) for weight, outputs in alike]
    return _summed(z[order], x[order], y[order], inner[order], outer_of, alike, columns)


Alike = list[tuple[Array, list[int]]]
"""Weights (n,), 0 where a row does not count, and the outputs that have them."""


def _alike(y: Array, weights: Array | None) -> Alike:
    """The outputs of y (n, K) in groups whose rows have the same weights: None, (n,) or (n, K)."""
    taken = np.isfinite(y)
    whole = [bool(column.all()) for column in taken.T]
    found: Alike = []
    for k in range(y.shape[1]):
        w = np.ones(len(y)) if weights is None else weights if weights.ndim == 1 else weights[:, k]
        w = w if whole[k] else np.where(taken[:, k], w, 0.0)
        for weight, outputs in found:
            if np.array_equal(w, weight):
                outputs.append(k)
                break
        else:
            found.append((w, [k]))
    return found


def _summed(
    z: Array, x: Array, y: Array, inner: Codes, outer_of: Codes, alike: Alike, columns: tuple[Codes, int]
) -> CrossProducts:
    """`cross_products` of rows in the order in which groups stand, each of which counts for some output."""
    start = np.flatnonzero(np.diff(inner, prepend=-1))
    outer = outer_of[inner[start]]
    outer_start = np.flatnonzero(np.diff(outer, prepend=-1))
    count = np.diff(outer_start, append=len(start))
    many, q, wide = y.shape[1], z.shape[1], x.shape[1]
    zt, xt, yt = np.ascontiguousarray(z.T), np.ascontiguousarray(x.T), np.ascontiguousarray(y.T)
    zz, zd = np.empty((many, q, q, len(start))), np.empty((many, q, wide + 1, len(start)))
    rows, log_weights = np.empty(many, dtype=np.intp), np.empty(many)
    met, p = columns[0][outer[outer_start]], columns[1]
    edges = [*start[outer_start].tolist(), len(y)]
    dd = np.empty((many, len(edges) - 1, wide + 1, wide + 1))
    for weight, outputs in alike:
        counts = weight > 0
        rows[outputs] = np.count_nonzero(counts)
        log_weights[outputs] = np.log(weight[counts]).sum()
        wz, wx = zt * weight, x * weight[:, None]
        zz[outputs] = np.add.reduceat(wz[:, None] * zt[None], start, axis=2)
        zd[outputs, :, :wide] = np.add.reduceat(wz[:, None] * xt[None], start, axis=2)
        mine = np.where(counts, yt[outputs], 0.0)
        for k, values in zip(outputs, mine, strict=True):
            zd[k, :, wide] = np.add.reduceat(wz * values, start, axis=1)
        for b, (i, j) in enumerate(pairwise(edges)):
            dd[outputs, b, :wide, :wide] = wx[i:j].T @ x[i:j]
            dd[outputs, b, :wide, wide] = dd[outputs, b, wide, :wide] = mine[:, i:j] @ wx[i:j]
            dd[outputs, b, wide, wide] = mine[:, i:j] ** 2 @ weight[i:j]
    named = np.column_stack([met, np.full(len(met), p)])
    turn = np.flatnonzero(np.diff(count, prepend=-1)).tolist()
    return CrossProducts(
        zz,
        zd,
        _laid(dd, named, p + 1, terms=True),
        outer_start,
        np.repeat(np.arange(len(count)), count),
        rows,
        log_weights,
        named,
        tuple((a, b, int(count[a])) for a, b in pairwise([*turn, len(count)])),
    )
