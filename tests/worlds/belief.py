"""A filter that knows the bench's physics and population exactly: the yardstick for a learner's foretelling.

Weighted draws of the reed's deviates given all its readings. Prior: the reed's type with a batch never seen. Draws come
from Student proposals round the maximum of the posterior (damped least squares), plus the population itself where slips
make the posterior lumpy, and are weighted by prior times exact likelihood: only Monte Carlo error is left (a slip that
gives a neighbour's reading is the one thing taken as normal).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.worlds.frames import frame_row
from tests.worlds.physics import LATENTS, Array, Kind, Physics, Pipe
from trimfit.base.pitch import OUTPUTS

__all__ = ["KnowingBelief", "Sighting", "sightings"]

DOF = 8.0
STEP = 1e-3


@dataclass(frozen=True)
class Sighting:
    """One reading as the filter takes it: cents less what blowing and warmth add, (10,), NaN for holes."""

    cents: Array
    removed_mm: float
    strokes: float
    pipe: Pipe


def sightings(physics: Physics, kind: Kind, readings: Sequence[Mapping[str, object]]) -> list[Sighting]:
    """Readings of a live reed as sightings; the type's blowing and warmth slopes are known."""
    seen = []
    for reading in readings:
        row = frame_row(reading)
        cents = np.array([float(str(row[f"{name}_cents"])) for name in OUTPUTS])
        cents -= physics.conditions_cents(kind, float(str(row["pressure_kpa"])), float(str(row["temperature_c"])))
        pipe = physics.pipe(str(row["chanter"])) if row["chanter"] else physics.pipes[0]
        seen.append(Sighting(cents, float(str(row["removed_mm"])), float(str(row["lip_strokes"])), pipe))
    return seen


def _outputs(physics: Physics, kind: Kind, sight: Sighting, u: Array) -> Array:
    return physics.outputs_cents(u, sight.removed_mm, sight.strokes, kind, sight.pipe)


def log_posterior(physics: Physics, kind: Kind, seen: Sequence[Sighting], u: Array) -> Array:
    """Unnormalised log posterior of each draw (n, d)."""
    total: Array = -0.5 * (u**2).sum(axis=1)
    for sight in seen:
        predicted = _outputs(physics, kind, sight, u)
        log_density = physics.noise.log_likelihood(sight.cents - predicted)
        if physics.noise.slip_share:
            log_density = _with_slips(physics, kind, sight, predicted, log_density)
        total = total + log_density
    return total


def _with_slips(physics: Physics, kind: Kind, sight: Sighting, predicted: Array, clean: Array) -> Array:
    """The clean log density mixed with that of a mistyped digit, of E and F swapped, of a neighbour's reading.

    The first two are only worked out where the reading looks like one: a mistyped digit is 30 cents off or more.
    """
    noise, share = physics.noise, physics.noise.slip_share
    errors = sight.cents - predicted
    best = errors[int(np.argmax(clean))]
    log_slips: list[Array] = [np.full(len(clean), _neighbour_log_density(physics, kind, sight))]
    if float(np.nanmax(np.abs(best - np.nanmedian(best)))) > 15.0:
        log_slips.append(noise.log_likelihood_mistyped(errors))
    if _swapped(sight):
        log_slips.append(noise.log_likelihood(_unswapped(sight).cents - predicted))
    total: Array = np.log1p(-share) + clean
    for log_slip in log_slips:
        total = np.logaddexp(total, np.log(share / 3.0) + log_slip)
    return total


def _unswapped(sight: Sighting) -> Sighting:
    """The reading with E and F written in each other's columns put right (their ratio is 10/9)."""
    apart = 1200.0 * np.log2(10.0 / 9.0)
    e, f = OUTPUTS.index("e"), OUTPUTS.index("f")
    cents = sight.cents.copy()
    cents[e], cents[f] = sight.cents[f] + apart, sight.cents[e] - apart
    return replace(sight, cents=cents)


def _swapped(sight: Sighting) -> bool:
    gap = sight.cents[OUTPUTS.index("f")] - sight.cents[OUTPUTS.index("e")]
    return bool(gap < -200.0)


def _neighbour_log_density(physics: Physics, kind: Kind, sight: Sighting) -> float:
    """Log density of the reading if it is some other reed's of the type, at any trim up to 0.8 mm: a normal's."""
    rng = np.random.default_rng(0)
    u = rng.standard_normal((400, len(LATENTS)))
    others = physics.outputs_cents(u, rng.uniform(0.0, 0.8, 400), sight.strokes, kind, sight.pipe)
    others = others + physics.noise.draw(rng, 400)
    taken = ~np.isnan(sight.cents)
    off = sight.cents[taken] - others[:, taken].mean(axis=0)
    cov = np.cov(others[:, taken], rowvar=False).reshape(taken.sum(), taken.sum())
    _, log_det = np.linalg.slogdet(cov)
    return float(-0.5 * (off @ np.linalg.solve(cov, off) + log_det + taken.sum() * np.log(2 * np.pi)))


def _linearise(physics: Physics, kind: Kind, sight: Sighting, at: Array) -> tuple[Array, Array, Array]:
    """Errors (k,), Jacobian (k, d) and error covariance (k, k) of the outputs taken, at deviates (d,)."""
    d = len(at)
    around = np.vstack([at[None, :], at[None, :] + STEP * np.eye(d)])
    predicted = _outputs(physics, kind, sight, around)
    errors = sight.cents - predicted[0]
    taken = ~np.isnan(sight.cents)
    jacobian = (predicted[1:] - predicted[0]).T / STEP
    cov = physics.noise.gaussian_weights(errors)
    return errors[taken], jacobian[taken], cov[np.ix_(taken, taken)]


def _peak(physics: Physics, kind: Kind, seen: Sequence[Sighting]) -> tuple[Array, Array]:
    """Posterior mode (d,) and the inverse of its curvature (d, d), by Gauss-Newton with damped steps."""
    d = len(LATENTS)
    at = np.zeros(d)
    precision = np.eye(d)
    for _ in range(12):
        precision, pull = np.eye(d), -at.copy()
        for sight in seen:
            errors, jacobian, cov = _linearise(physics, kind, sight, at)
            weighted = np.linalg.solve(cov, np.column_stack([jacobian, errors]))
            precision += jacobian.T @ weighted[:, :d]
            pull += jacobian.T @ weighted[:, d]
        step = np.linalg.solve(precision, pull)
        at = at + step * min(1.0, 2.0 / float(np.abs(step).max() + 1e-12))
        if float(np.abs(step).max()) < 0.02:
            break
    return at, np.linalg.inv(precision)


def _weigh(
    physics: Physics,
    kind: Kind,
    seen: Sequence[Sighting],
    rng: np.random.Generator,
    peaks: Sequence[tuple[Array, Array]],
    shares: Array,
    draws: int,
) -> tuple[Array, Array]:
    """Draws (n, d) from a mixture of Student bells (mean, covariance; shares sum to 1), and their weights (n,)."""
    d = len(LATENTS)
    which = np.sort(rng.choice(len(peaks), size=draws, p=shares))
    wide = np.sqrt(DOF / rng.chisquare(DOF, (draws, 1))) * rng.standard_normal((draws, d))
    factors = [np.linalg.cholesky(cov) for _, cov in peaks]
    u = np.vstack([peaks[i][0] + wide[which == i] @ factors[i].T for i in range(len(peaks))])
    log_proposal = np.full(draws, -np.inf)
    for (mean, _), factor, share in zip(peaks, factors, shares, strict=True):
        white = np.linalg.solve(factor, (u - mean).T)
        log_q = -0.5 * (DOF + d) * np.log1p((white**2).sum(axis=0) / DOF) - np.log(np.diag(factor)).sum()
        log_proposal = np.logaddexp(log_proposal, np.log(share) + log_q)
    log_weights = log_posterior(physics, kind, seen, u) - log_proposal
    weights = np.exp(log_weights - log_weights.max())
    return u, weights / weights.sum()


@dataclass(frozen=True)
class KnowingBelief:
    """Weighted draws of one reed's deviates. u: (n, d); weights: (n,), sum 1."""

    physics: Physics
    kind: Kind
    pipe: Pipe
    u: Array
    weights: Array

    @staticmethod
    def after(
        physics: Physics,
        kind: Kind,
        pipe: Pipe,
        readings: Sequence[Mapping[str, object]],
        rng: np.random.Generator,
        *,
        draws: int = 2000,
    ) -> KnowingBelief:
        """The belief after all of a reed's readings (none: the population itself). `pipe`: whose gap is asked about."""
        seen = sightings(physics, kind, readings)
        d = len(LATENTS)
        if not seen:
            return KnowingBelief(physics, kind, pipe, rng.standard_normal((draws, d)), np.full(draws, 1.0 / draws))
        mended = seen
        if physics.noise.slip_share:
            mended = [_unswapped(sight) if _swapped(sight) else sight for sight in seen]
        peaks = [_peak(physics, kind, mended)]
        if physics.noise.slip_share and len(seen) > 1:  # the last reading, or the first, may be the slip
            peaks += [_peak(physics, kind, mended[:-1]), _peak(physics, kind, mended[1:])]
        shares = np.array([1.0] if len(peaks) == 1 else [0.7, 0.15, 0.15])
        if physics.noise.slip_share:
            peaks.append((np.zeros(d), np.eye(d)))
            shares = np.append(0.95 * shares, 0.05)
        u, weights = _weigh(physics, kind, seen, rng, peaks, shares, draws)
        for _ in range(3):  # where the posterior is far from a bell, propose again from what the draws have shown
            if 1.0 / (weights**2).sum() > 0.25 * draws:
                break
            mean = weights @ u
            spread = (u - mean).T @ ((u - mean) * weights[:, None])
            peaks = [(mean, 0.9 * spread + 0.1 * np.diag(np.diag(spread)) + 1e-6 * np.eye(d)), *peaks]
            shares = np.concatenate([[0.6], 0.4 * shares])
            u, weights = _weigh(physics, kind, seen, rng, peaks, shares, draws)
        return KnowingBelief(physics, kind, pipe, u, weights)

    @property
    def effective_draws(self) -> float:
        """How many equal draws the weighted ones are worth."""
        return float(1.0 / (self.weights**2).sum())

    def gap_cents(self, x: float | Array, strokes: float) -> Array:
        """True gap of each draw at a length removed and strokes, shape (n,)."""
        return self.physics.gap_cents(self.u, x, strokes, self.kind, self.pipe)

    def pitch_cents(self, x: float | Array, strokes: float) -> Array:
        """True pitch of each draw, shape (n,)."""
        return self.physics.middle_cents(self.u, x, strokes, self.kind, self.pipe)

    def meeting_mm(self, from_mm: float, strokes: float, *, within_mm: float = 4.0) -> Array:
        """Length removed at which each draw's gap is zero, between `from_mm` and `within_mm` more, shape (n,)."""
        low = np.full(len(self.u), from_mm)
        high = low + within_mm
        for _ in range(14):
            middle = 0.5 * (low + high)
            short = self.gap_cents(middle, strokes) < 0
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        return np.asarray(low)

    def mean(self, values: Array) -> float:
        """Weighted mean over draws."""
        return float(self.weights @ values)

    def quantiles(self, values: Array, at: Sequence[float]) -> Array:
        """Weighted quantiles over draws."""
        order = np.argsort(values)
        heights = np.cumsum(self.weights[order]) - 0.5 * self.weights[order]
        return np.interp(np.asarray(at), heights, values[order])

    def predict(
        self, rng: np.random.Generator, x: float, strokes: float, conditions: Array | None = None
    ) -> tuple[Array, Array]:
        """The next reading at x and strokes: means (11,) and draws (n, 11), reading error included.

        Columns: the ten OUTPUTS, then the gap F - E. `conditions` (10,) is added (see Physics.conditions_cents).
        """
        true = self.physics.outputs_cents(self.u, x, strokes, self.kind, self.pipe)
        if conditions is not None:
            true = true + conditions
        read = true + self.physics.noise.draw(rng, len(true))
        f, e = OUTPUTS.index("f"), OUTPUTS.index("e")
        true = np.column_stack([true, true[:, f] - true[:, e]])
        return self.weights @ true, np.column_stack([read, read[:, f] - read[:, e]])
