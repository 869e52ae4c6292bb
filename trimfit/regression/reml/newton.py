"""Fits of the mixed model: damped Newton steps, many outputs side by side, each with its own damping and its own end.

Steps are taken on the lower triangular roots L, G = L L', and on the log of the noise: G cannot leave the positive
semidefinite cone, and a variance whose best value is zero gets there in a few steps (see `_in_roots`). A step that does
not lower an output's criterion is refused and tried again, shorter. An output that has come to its end leaves the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import TrimfitError
from trimfit.regression.reml.criterion import Prior, State, evaluate, score_and_information, solve, symmetric_basis
from trimfit.regression.reml.sums import CrossProducts

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
Mask = NDArray[np.bool_]
Whole = TypeVar("Whole", CrossProducts, Prior)
Start = tuple[Array, Array, float | None]
"""Where a fit begins: outer and inner covariance (q, q), noise. With no noise the two are a shape alone: of the right
kind, but of a size that the rows have yet to say."""
_Begin = tuple[Array, Array, float]
AT_ONCE = 400_000
"""So many numbers of T are worked on side by side: what the processor holds close by."""
MOST_TRIES = 12
"""Tries of one Newton step, each damped more, before the fit stands."""
LEAST_DAMPING = 0.05
"""Of a step tried again, where the curvature's diagonal is 1: less would hardly be another step."""


@dataclass(frozen=True, slots=True)
class MixedFit:
    """The fit. beta (p,), beta_cov (p, p); outer_cov, inner_cov (q, q); noise (variance).

    `criterion` is -2 log (restricted) likelihood; `steps` taken; `converged`.
    """

    beta: Array
    beta_cov: Array
    outer_cov: Array
    inner_cov: Array
    noise: float
    criterion: float
    steps: int
    converged: bool


@dataclass(slots=True)
class _Place:
    """Where K outputs stand: roots of the outer and the inner covariance (K, q, q), noise (K,)."""

    outer: Array
    inner: Array
    noise: Array

    def of(self, outputs: Codes) -> _Place:
        return _Place(self.outer[outputs], self.inner[outputs], self.noise[outputs])

    def put(self, outputs: Codes, other: _Place) -> None:
        self.outer[outputs], self.inner[outputs], self.noise[outputs] = other.outer, other.inner, other.noise

    def covs(self) -> tuple[Array, Array]:
        return self.outer @ self.outer.swapaxes(1, 2), self.inner @ self.inner.swapaxes(1, 2)


class _Free(NamedTuple):
    """Which entries of the two covariances may differ from zero: masks (q, q), their places, basis matrices."""

    masks: tuple[Mask, Mask]
    spots: tuple[Codes, Codes]
    bases: tuple[Array, Array]


def fit_many(
    data: CrossProducts,
    *,
    reml: bool = True,
    outer_free: Mask | None = None,
    inner_free: Mask | None = None,
    prior_precision: Array | None = None,
    prior_mean: Array | None = None,
    starts: Sequence[Start] | None = None,
    tolerance: float = 1e-9,
    most_steps: int = 60,
    least_noise: float = 0.0,
) -> list[MixedFit]:
    """Fit the variances of each output, then its coefficients.

    outer_free, inner_free (q, q) say which entries of the two covariances may differ from zero (default: all; a level
    that is not wanted gets all False). prior_precision (K, p, p) and prior_mean (K, p) of the fixed coefficients.
    starts: where each output is to begin; shapes, unless all have a noise. `tolerance` is on the criterion's last fall,
    in its own units per unit of (1 + |criterion|). least_noise: where the rows are too few to tell noise from effects
    the likelihood has no greatest value, as the noise goes to zero; it is held to this variance. Raises TrimfitError
    for fixed terms that cannot be separated.
    """
    q, p, many = data.q, data.p, data.outputs
    masks = (
        np.ones((q, q), bool) if outer_free is None else outer_free,
        np.ones((q, q), bool) if inner_free is None else inner_free,
    )
    free = _Free(
        masks,
        (np.argwhere(np.tril(masks[0])), np.argwhere(np.tril(masks[1]))),
        (symmetric_basis(masks[0]), symmetric_basis(masks[1])),
    )
    prior = Prior.made(
        np.zeros((many, p, p)) if prior_precision is None else prior_precision,
        np.zeros((many, p)) if prior_mean is None else prior_mean,
    )
    width = max(AT_ONCE // max(data.zd[0].size, 1), 1)
    fits: list[MixedFit] = []
    for first in range(0, many, width):
        block = slice(first, first + width)
        mine, known = (data, prior) if width >= many else (data.of(block), prior.of(block))
        begin = _starting_values(mine, free, known, None if starts is None else starts[block])
        fits += _Descent(mine, known, free, reml, least_noise, begin).run(tolerance, most_steps)
    return fits


class _Descent:
    """The fits of one block of outputs in work. Outputs go by their numbers; what is kept of each stands there."""

    def __init__(
        self, data: CrossProducts, prior: Prior, free: _Free, reml: bool, least_noise: float, begin: list[_Begin]
    ) -> None:
        self.data, self.prior, self.free, self.reml, self.least_noise = data, prior, free, reml, least_noise
        self.place = _Place(
            np.stack([_root(outer) for outer, _, _ in begin]),
            np.stack([_root(inner) for _, inner, _ in begin]),
            np.maximum(np.array([noise for _, _, noise in begin]), least_noise),
        )
        many, q, m = data.outputs, data.q, len(free.bases[0]) + len(free.bases[1]) + 1
        self.criterion, self.damping = np.full(many, np.nan), np.full(many, 1e-3)
        self.steps, self.tries = np.zeros(many, dtype=np.intp), np.zeros(many, dtype=np.intp)
        self.converged = np.zeros(many, dtype=bool)
        # the step from each place: its gradient and curvature, in units of `size`, the latter by its eigenvectors
        self.size, self.slope, self.values = np.empty((many, m)), np.empty((many, m)), np.empty((many, m))
        self.vectors = np.empty((many, m, m))
        self.grads = np.empty((many, q, q)), np.empty((many, q, q))
        self.found: list[MixedFit | None] = [None] * many

    def run(self, tolerance: float, most_steps: int) -> list[MixedFit]:
        """Step until each output has come to its end, or has taken `most_steps`."""
        data, prior, going = self.data, self.prior, np.arange(self.data.outputs)
        self._look(going, data, prior, self._here(going, data, prior))
        while len(going):
            trial = self._moved(going)
            there = evaluate(data, *trial.covs(), trial.noise, prior, self.reml)
            fell = self.criterion[going] - there.criterion
            better = fell >= 0.0  # NaN is not
            self._accept(going, better, trial, there)
            # a step is over when it is taken, or given up; an output is at its end when it gains nothing by one
            over = better | (self.tries[going] >= MOST_TRIES)
            self.tries[going[over]] = 0
            self.steps[going] += over
            ended = over & (np.where(better, fell, 0.0) <= tolerance * (1.0 + np.abs(self.criterion[going])))
            left = np.array([bool(end) and self._leave_boundary(int(k)) for k, end in zip(going, ended, strict=True)])
            self.converged[going[ended & ~left]] = True
            gone = (ended & ~left) | (over & (self.steps[going] >= most_steps))
            for some, anew in ((better & ~left, False), (left | (gone & ~better), True)):
                for work, mask in ((self._look, some & ~gone), (self._finish, some & gone)):
                    if mask.any():
                        at = np.flatnonzero(mask)
                        part = _part(data, at), _part(prior, at)
                        work(going[at], *part, self._here(going[at], *part) if anew else there.of(at))
            if gone.any():
                stay = np.flatnonzero(~gone)
                data, prior, going = _part(data, stay), _part(prior, stay), going[stay]
        return [fit for fit in self.found if fit is not None]

    def _here(self, outputs: Codes, data: CrossProducts, prior: Prior) -> State:
        """The state where these outputs stand; data, prior: theirs."""
        place = self.place.of(outputs)
        state = evaluate(data, *place.covs(), place.noise, prior, self.reml)
        if not np.isfinite(state.criterion).all():
            raise TrimfitError(
                "the fixed terms cannot be separated", "the mixed-model engine", "give them a prior or drop one"
            )
        self.criterion[outputs] = state.criterion
        return state

    def _look(self, outputs: Codes, data: CrossProducts, prior: Prior, state: State) -> None:
        """Keep what the next step from a state needs: gradient and curvature."""
        place = self.place.of(outputs)
        at = solve(data, state, prior)
        score, information, grads = score_and_information(
            data, state, at, place.noise, place.covs(), self.free.bases, prior, self.reml
        )
        slope, curve = _in_roots(place, self.free.spots, score, information, grads)
        own = np.abs(np.diagonal(curve, axis1=1, axis2=2))
        size = np.sqrt(np.maximum(own, 1e-12 * own.max(axis=1, keepdims=True) + 1e-300))
        values, vectors = np.linalg.eigh(curve / (size[:, :, None] * size[:, None, :]))
        self.size[outputs], self.slope[outputs] = size, slope
        self.values[outputs], self.vectors[outputs] = values, vectors
        for kept, found in zip(self.grads, grads, strict=True):
            kept[outputs] = found

    def _moved(self, outputs: Codes) -> _Place:
        """Where a damped step takes these outputs."""
        lifted = np.maximum(np.abs(self.values[outputs]), 1e-8) + self.damping[outputs][:, None]
        size, vectors = self.size[outputs], self.vectors[outputs]
        along = np.einsum("mij,mi->mj", vectors, self.slope[outputs] / size) / lifted
        move = -np.einsum("mij,mj->mi", vectors, along) / size
        place = self.place.of(outputs)
        first = 0
        for root, spots in zip((place.outer, place.inner), self.free.spots, strict=True):
            root[:, spots[:, 0], spots[:, 1]] += move[:, first : first + len(spots)]
            first += len(spots)
        noise = place.noise * np.exp(np.clip(move[:, -1], -2.0, 2.0))
        return _Place(place.outer, place.inner, np.maximum(noise, self.least_noise))

    def _accept(self, outputs: Codes, better: Mask, trial: _Place, there: State) -> None:
        """Take the steps that lowered the criterion; let the others be shorter the next time."""
        taken, refused = outputs[better], outputs[~better]
        self.place.put(taken, trial.of(np.flatnonzero(better)))
        self.criterion[taken] = there.criterion[better]
        self.damping[taken] = np.maximum(self.damping[taken] * 0.1, 1e-9)
        self.tries[outputs] += 1
        self.damping[refused] = np.maximum(self.damping[refused] * 8.0, LEAST_DAMPING)

    def _leave_boundary(self, k: int) -> bool:
        """Where a covariance is singular but the criterion falls off the boundary, step off it; whether any did."""
        left = False
        for roots, grad, free in zip((self.place.outer, self.place.inner), self.grads, self.free.masks, strict=True):
            if not free.any():
                continue
            g = roots[k] @ roots[k].T
            scale = np.where(np.diag(g) > 0, np.sqrt(np.maximum(np.diag(g), 1e-300)), 1.0)
            values, vectors = np.linalg.eigh(g / np.outer(scale, scale))
            null = vectors[:, 0] * np.diag(free)
            if values[0] < 1e-7 and float((null * scale) @ grad[k] @ (null * scale)) < -1e-3:
                roots[k] = _root(g + 1e-3 * np.outer(null * scale, null * scale))
                left = True
        return left

    def _finish(self, outputs: Codes, data: CrossProducts, prior: Prior, state: State) -> None:
        """Keep the fits of outputs that have come to their end in this state."""
        place = self.place.of(outputs)
        outer, inner = place.covs()
        at = solve(data, state, prior)
        for i, k in enumerate(outputs):
            self.found[k] = MixedFit(
                at.beta[i],
                at.k_inv[i],
                outer[i],
                inner[i],
                float(place.noise[i]),
                float(state.criterion[i]),
                int(self.steps[k]),
                bool(self.converged[k]),
            )


def _part(whole: Whole, at: Codes) -> Whole:
    """Some of the outputs in work; the whole where they are all."""
    return whole if len(at) == whole.outputs else whole.of(at)


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
    place: _Place, spots: tuple[Codes, Codes], score: Array, information: Array, grads: tuple[Array, Array]
) -> tuple[Array, Array]:
    """Gradient (K, m) and curvature (K, m, m) in the entries of the two roots L and the log of the noise.

    With C the criterion and D = dC/dG, dC/dL = 2 D L. The curvature is J' AI J plus the part from G's own second
    derivative, 2 D in each column of L: on the boundary this part is what brings a root's entry to zero in few steps.
    """
    jacobian, more = np.zeros_like(information), np.zeros_like(information)
    first = 0
    for root, where, grad in zip((place.outer, place.inner), spots, grads, strict=True):
        i, j = where.T[:, :, None]  # entries of G down, entries of L across
        a, c = where.T[:, None, :]
        part = slice(first, first + len(where))
        jacobian[:, part, part] = (i == a) * root[:, j, c] + (j == a) * root[:, i, c]
        more[:, part, part] = np.where(j == c, 2.0 * grad[:, i, a], 0.0)
        first += len(where)
    jacobian[:, -1, -1] = place.noise
    more[:, -1, -1] = score[:, -1] * place.noise
    curve = jacobian.swapaxes(1, 2) @ information @ jacobian + more
    return np.einsum("mij,mi->mj", jacobian, score), curve


def _starting_values(
    data: CrossProducts, free: _Free, prior: Prior, starts: Sequence[Start] | None = None
) -> list[_Begin]:
    """Where each output begins: as given, else a plain split of the least-squares residual variance.

    As noise what is left where each inner group has coefficients of its own, as far as the rows can tell that. A shape
    gets the rest; without one each level that is wanted gets a third of the whole, slopes scaled.
    """
    whole = [(outer, inner, noise) for outer, inner, noise in starts or () if noise is not None]
    if len(whole) == data.outputs:
        return whole
    p, q = data.p, data.q
    k = data.dd[:, :p, :p]
    ridge = 1e-9 * np.trace(k, axis1=1, axis2=2) / max(p, 1)
    bordered = data.dd + prior.bordered
    bordered[:, :p, :p] += ridge[:, None, None] * np.eye(p)
    spread = np.maximum(_left_over(bordered) / np.maximum(data.rows - p, 1), 1e-12)
    size = np.einsum("miir->mi", data.zz) / data.rows[:, None]
    # coefficients that no row meets have no variance to be found
    shares = np.where(size > 0.0, 0.3 * spread[:, None] / np.where(size > 0.0, size, 1.0) / q, 0.0)
    # as good as free: coefficients of so large a variance
    free_cov = 1e4 * shares[:, :, None] * np.eye(q)
    noise = 0.4 * spread
    within = evaluate(data, np.zeros_like(free_cov), free_cov, noise, prior, True)
    left = data.rows - p - q * len(data.outer_of)
    own = within.root[:, -1, -1] ** 2 * noise
    noise = np.where((left > 0) & np.isfinite(own), (own + 5.0 * noise) / (np.maximum(left, 0) + 5.0), noise)
    if starts is None:
        outer, inner = ([np.diag(np.where(np.diag(mask), one, 0.0)) for one in shares] for mask in free.masks)
        return list(zip(outer, inner, noise.tolist(), strict=True))
    rest = np.maximum(spread - noise, 0.1 * spread)
    shapes = np.array([(outer, inner) for outer, inner, _ in starts])
    trace = np.einsum("mi,mlii->m", size, shapes)
    shapes *= (rest / np.maximum(trace, 1e-12))[:, None, None, None]
    return [(outer, inner, float(one)) for (outer, inner), one in zip(shapes, noise, strict=True)]


def _left_over(whole: Array) -> Array:
    """What a least-squares fit leaves of y'y (K,), from [X y]' [X y] (K, p + 1, p + 1)."""
    beta = np.linalg.solve(whole[:, :-1, :-1], whole[:, :-1, -1:])
    return np.asarray(whole[:, -1, -1] - np.sum(whole[:, :-1, -1] * beta[:, :, 0], axis=1))
