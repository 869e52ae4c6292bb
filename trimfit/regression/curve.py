"""A type's curve: how much a removed length counts. One monotone curve a type, the same for all outputs.

The log of the curve's slope is piecewise linear between KNOTS_MM (level beyond the last), so that

    g(x) = integral_0^x exp h(s) ds

is monotone whatever h is, has a closed form on every piece, and so has its inverse. h is scaled so that g(UNIT_MM) =
UNIT_MM: a slope per mm of g is then the mean slope over the first half millimetre. A straight line is h = 0; the beam
law f ~ 1/(L - x)² is h ~ x / L; an answer that tires has h falling; a tip that counts for less has h low at first.

What h may be before any reading is a Gaussian over the knots: a tilt, a start that counts for more or less, and smooth
departures; part of each is shared by all types of the shop (`curve_prior`). From the log it is found by `fit_curves`:
the gap's likelihood with each reed's own start and slope integrated out (their variances come from a REML fit on
straight length), each type by Newton's method, then the types pooled by what they share. What is left of curvature
after that is the regressor g², for each output apart, with its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.outputs import Array, positive

KNOTS_MM = np.array([0.0, 0.08, 0.18, 0.32, 0.5, 0.75, 1.1, 1.6, 2.4])
"""Where the curve may bend: close together at first, as reeds answer the first cuts most."""
UNIT_MM = 0.5
"""A type's slope is its mean slope over this length: what first cuts take."""
TILT_PER_MM, ONSET, SMOOTH = 0.45, 0.45, 0.12
"""Standard deviations of h: its tilt, its start (which dies off over ONSET_MM), and smooth departures from both."""
ONSET_MM, SMOOTH_MM = 0.1, 0.4
"""Lengths over which the start dies off and the smooth departures change."""
SHARED = 0.7
"""Of the prior variance so much is shared by the types of a shop. All of these: common practice, no source."""
KEPT = 4
"""Principal shapes of h that a fit moves: those left out hold under 1 % of its prior variance."""
_STEP = 0.05
"""Step of the numerical derivative, in standard deviations of a shape."""
_ROUNDS = 6
"""Newton rounds of a curve at most."""
MOST_LOG_SD = 0.5
"""A slope of the gap is never taken to be less known than this: within a factor of two or so (common practice, no
source)."""
LEAST_SLOPE_CENTS = 5.0
"""In cents a mm: no slope of the gap is taken to be less."""


def slope_law(mean: Array, variance: Array) -> tuple[Array, Array]:
    """The lognormal law of a slope of the gap, cents a mm, that the fit knows by mean and variance (n,): its mean, and
    the standard deviation of its log (n,). Length off closes the gap: no slope is below nothing."""
    mean = np.maximum(mean, LEAST_SLOPE_CENTS)
    return mean, np.minimum(np.sqrt(np.log1p(variance / mean**2)), MOST_LOG_SD)


def _pieces(log_slope: Array) -> tuple[Array, Array]:
    """Tilt of h on each piece (…, Q; 0 beyond the last knot) and g at the knots (…, Q)."""
    # one curve is asked of over and over, point by point, and a shop has few
    return _known_pieces(log_slope.tobytes()) if log_slope.ndim == 1 else _worked_out(log_slope)


@lru_cache(maxsize=64)
def _known_pieces(curve: bytes) -> tuple[Array, Array]:
    return _worked_out(np.frombuffer(curve, dtype=np.float64))


def _worked_out(log_slope: Array) -> tuple[Array, Array]:
    width = np.diff(KNOTS_MM)
    tilt = np.concatenate([np.diff(log_slope, axis=-1) / width, np.zeros((*log_slope.shape[:-1], 1))], axis=-1)
    part = np.exp(log_slope[..., :-1]) * _grown(tilt[..., :-1], width)
    at = np.concatenate([np.zeros((*log_slope.shape[:-1], 1)), np.cumsum(part, axis=-1)], axis=-1)
    return tilt, at


def _grown(tilt: Array, t: Array) -> Array:
    """Integral of exp(tilt s) over 0 … t."""
    flat = np.abs(tilt) < 1e-9
    safe = np.where(flat, 1.0, tilt)
    return np.asarray(np.where(flat, t, np.expm1(safe * t) / safe))


def _at(values: Array, piece: NDArray[np.intp]) -> Array:
    """values (Q,) or (n, Q) at the piece (n,) of each row."""
    return values[piece] if values.ndim == 1 else values[np.arange(len(piece)), piece]


def bent_mm(removed_mm: Array, log_slope: Array) -> Array:
    """g (n,) of removed lengths (n,) mm; log_slope (Q,), or (n, Q) for a curve a row."""
    return bent_and_slope(removed_mm, log_slope)[0]


def bent_one_mm(removed_mm: float, log_slope: Array) -> float:
    """g of one removed length, mm, on one curve (Q,): where a reed stands is asked over and over."""
    return _known_point(removed_mm, log_slope.tobytes())


@lru_cache(maxsize=1024)
def _known_point(removed_mm: float, curve: bytes) -> float:
    return float(bent_mm(np.array([removed_mm]), np.frombuffer(curve, dtype=np.float64))[0])


def slope_at(removed_mm: Array, log_slope: Array) -> Array:
    """The curve's slope (n,) at removed lengths (n,) mm; shapes as in `bent_mm`."""
    return bent_and_slope(removed_mm, log_slope)[1]


def bent_and_slope(removed_mm: Array, log_slope: Array) -> tuple[Array, Array]:
    """`bent_mm` and `slope_at` of the same lengths at once."""
    tilt, at = _pieces(log_slope)
    x = np.maximum(np.asarray(removed_mm, dtype=float), 0.0)
    piece = np.searchsorted(KNOTS_MM, x, side="right") - 1
    beyond, start, m = x - KNOTS_MM[piece], _at(log_slope, piece), _at(tilt, piece)
    return _at(at, piece) + np.exp(start) * _grown(m, beyond), np.exp(start + m * beyond)


def straight_mm(bent: Array, log_slope: Array) -> Array:
    """The removed length (n,) mm whose g is `bent` (n,); shapes as in `bent_mm`. Negative g counts as 0."""
    g = np.maximum(np.asarray(bent, dtype=float), 0.0)
    tilt, at = _pieces(log_slope)
    piece = np.searchsorted(at, g, side="right") - 1 if at.ndim == 1 else (at <= g[:, None]).sum(axis=1) - 1
    m = _at(tilt, piece)
    t = (g - _at(at, piece)) * np.exp(-_at(log_slope, piece))
    flat = np.abs(m) < 1e-9
    safe = np.where(flat, 1.0, m)
    # within a piece the argument is at least what the next knot makes it, so the log is finite
    back = np.where(flat, t, np.log1p(np.maximum(safe * t, -1.0 + 1e-12)) / safe)
    return np.asarray(KNOTS_MM[piece] + back)


def scaled(log_slope: Array) -> Array:
    """The same curves (…, Q), scaled so that g(UNIT_MM) = UNIT_MM."""
    flat = log_slope.reshape(-1, len(KNOTS_MM))
    unit = np.array([bent_mm(np.array([UNIT_MM]), row)[0] for row in flat])
    return np.asarray((flat - np.log(unit / UNIT_MM)[:, None]).reshape(log_slope.shape))


def curve_prior() -> tuple[Array, Array]:
    """Mean (Q,) of h and a root (Q, KEPT): h = mean + root z, z standard normal. The beam law's tilt is the mean."""
    x = KNOTS_MM
    apart = x[:, None] - x[None, :]
    onset = np.exp(-x / ONSET_MM)
    cov = TILT_PER_MM**2 * np.outer(x, x) + ONSET**2 * np.outer(onset, onset)
    cov += SMOOTH**2 * np.exp(-0.5 * (apart / SMOOTH_MM) ** 2)
    # a level is no part of a curve: it is taken off where g is scaled
    level = np.eye(len(x)) - np.outer(np.ones(len(x)), (x == UNIT_MM).astype(float))
    values, vectors = np.linalg.eigh(level @ cov @ level.T)
    root = vectors[:, ::-1][:, :KEPT] * np.sqrt(np.maximum(values[::-1][:KEPT], 0.0))
    return 0.045 * (x - UNIT_MM), root


@dataclass(frozen=True, slots=True)
class GapRows:
    """One type's readings of the gap: y (n,) cents, weight (n,), removed_mm (n,), other (n, p) further regressors with
    their prior precisions (p,); reeds stand together, first (R,) is where each begins."""

    y: Array
    weight: Array
    removed_mm: Array
    other: Array
    other_precision: Array
    first: NDArray[np.intp]

    def criterion(self, log_slope: Array, cov: Array, noise: float) -> float:
        """-2 log restricted likelihood, less constants. cov (2, 2): a reed's start and slope; noise: variance.

        With psi = (1, g) and S_r = sum w psi psi' / noise over a reed's rows, V^-1 is the rows' own precision less
        psi (G^-1 + S_r)^-1 psi' (Woodbury), in closed form for 2 x 2.
        """
        g = bent_mm(self.removed_mm, log_slope)
        w = self.weight / noise
        z = np.column_stack([self.other, np.ones_like(g), g, self.y])
        wz = z * w[:, None]
        whole = z.T @ wz
        one = np.add.reduceat(wz, self.first, axis=0)
        by_g = np.add.reduceat(wz * g[:, None], self.first, axis=0)
        p = z.shape[1]
        s11, s12, s22 = one[:, p - 3], one[:, p - 2], by_g[:, p - 2]
        inverse = np.linalg.inv(cov)
        a, b, c = s11 + inverse[0, 0], s12 + inverse[0, 1], s22 + inverse[1, 1]
        det = a * c - b * b
        whole -= one.T @ (one * (c / det)[:, None]) + by_g.T @ (by_g * (a / det)[:, None])
        cross = one.T @ (by_g * (b / det)[:, None])
        whole += cross + cross.T
        x = whole[:-1, :-1] + np.diag(np.r_[self.other_precision, 1e-6, 1e-6])
        right = whole[:-1, -1]
        _, size = np.linalg.slogdet(x)
        rest = whole[-1, -1] - right @ np.linalg.solve(x, right)
        return float(rest + size + np.log(det).sum() + len(det) * np.linalg.slogdet(cov)[1] - np.log(w).sum())


def _newton(rows: GapRows, cov: Array, noise: float, mean: Array, root: Array) -> tuple[Array, Array]:
    """Mode of z (KEPT,) and the likelihood's own curvature there (KEPT, KEPT), the prior's apart."""

    def cost(z: Array) -> float:
        return 0.5 * rows.criterion(scaled(mean + root @ z), cov, noise)

    size = root.shape[1]
    z = np.zeros(size)
    unit = np.eye(size) * _STEP
    here = cost(z)
    bent = np.zeros((size, size))
    for _ in range(_ROUNDS):
        up, down = np.array([cost(z + d) for d in unit]), np.array([cost(z - d) for d in unit])
        slope = (up - down) / (2 * _STEP)
        bent = np.diag((up - 2 * here + down) / _STEP**2)
        for i in range(size):
            for j in range(i):
                both = cost(z + unit[i] + unit[j]) - up[i] - up[j] + here
                bent[i, j] = bent[j, i] = both / _STEP**2
        bent = positive(bent)
        move = -np.linalg.solve(bent + np.eye(size), slope + z)
        step, old = 1.0, here + 0.5 * float(z @ z)
        while step > 0.05:
            then = z + step * move
            new = cost(then)
            if new + 0.5 * float(then @ then) <= old + 1e-9:
                z, here = then, new
                break
            step *= 0.5
        if step <= 0.05 or float(np.max(np.abs(step * move))) < 0.02:
            break
    return z, bent


def fit_curves(rows: list[GapRows | None], cov: list[Array], noise: float) -> tuple[Array, Array]:
    """The types' curves h (T, Q), and how well each g is known at one millimetre: standard deviations (T,), mm.

    cov: each type's (2, 2) of start and slope on straight length; noise: variance.
    Each type's likelihood is taken as Gaussian about its mode; the types share SHARED of the prior's variance, so that
    a type of few readings gets the others' curve. A type without readings (None) gets what the others share.
    """
    mean, root = curve_prior()
    types, size = len(rows), root.shape[1]
    info, right = np.zeros((types * size, types * size)), np.zeros(types * size)
    for t, mine in enumerate(rows):
        if mine is None:
            continue
        z, bent = _newton(mine, cov[t], noise, mean, root)
        part = slice(t * size, (t + 1) * size)
        # at the mode the likelihood's slope is that of the prior, turned round: its own best place is z + bent^-1 z
        info[part, part] = bent
        right[part] = bent @ z + z
    prior = np.kron(SHARED * np.ones((types, types)) + (1.0 - SHARED) * np.eye(types), np.eye(size))
    whole = info + np.linalg.inv(prior)
    known = np.linalg.inv(whole)
    z = np.linalg.solve(whole, right).reshape(types, size)  # by the inverse, rounding would tell in what REML finds

    def whole_mm(z: Array) -> Array:
        return np.array([bent_mm(np.ones(1), curve)[0] for curve in scaled(mean + z @ root.T)])

    slope = np.stack([(whole_mm(z + d) - whole_mm(z - d)) / (2 * _STEP) for d in np.eye(size) * _STEP], axis=1)
    own = np.stack([known[t * size : (t + 1) * size, t * size : (t + 1) * size] for t in range(types)])
    return scaled(mean + z @ root.T), np.sqrt(np.einsum("ti,tij,tj->t", slope, own, slope))
