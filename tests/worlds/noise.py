"""How a make-believe bench misreads: shared seating error, note errors, tilt of an unbalanced seat, tails and slips.

All values in cents. Outputs in the order of `trimfit.base.pitch.OUTPUTS` (crow, then nine notes); NaN where not taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import OUTPUTS

Array = NDArray[np.float64]

# Share of the A's disagreement (high A less low A) that each output takes when the reed sits too deep or too shallow.
TILT = np.array([0.0, -0.6, -0.5, -0.35, -0.2, -0.05, 0.05, 0.40, 0.45, 0.5])


@dataclass(frozen=True)
class Noise:
    """What stands between a reed and its logged reading.

    tail_dof: degrees of freedom of Student errors, None for normal ones (scales are then standard deviations).
    """

    crow_sd_cents: float = 3.0
    note_sd_cents: float = 0.92
    seat_sd_cents: float = 2.0
    tilt_sd_cents: float = 1.0
    unbalanced_share: float = 0.0
    unbalanced_tilt_sd_cents: float = 12.0
    tail_dof: float | None = None
    slip_share: float = 0.0
    pressure_sd_kpa: float = 0.3
    temperature_sd_c: float = 1.5

    @property
    def scales(self) -> Array:
        """Own-error scale of each output, shape (10,)."""
        return np.array([self.crow_sd_cents] + [self.note_sd_cents] * (len(OUTPUTS) - 1))

    def draw(self, rng: np.random.Generator, size: int = 1) -> Array:
        """Errors of `size` readings, shape (size, 10): seat, tilt and own errors; no slips."""
        own = rng.standard_normal((size, 10)) if self.tail_dof is None else rng.standard_t(self.tail_dof, (size, 10))
        errors = own * self.scales
        errors[:, 1:] += self.seat_sd_cents * rng.standard_normal((size, 1))
        unbalanced = rng.random((size, 1)) < self.unbalanced_share
        tilt = np.where(unbalanced, self.unbalanced_tilt_sd_cents, self.tilt_sd_cents)
        return errors + tilt * rng.standard_normal((size, 1)) * TILT

    def covariance(self, *, unbalanced: bool = False) -> Array:
        """Error covariance (10, 10), with a tail's scale taken for a standard deviation."""
        tilt = self.unbalanced_tilt_sd_cents if unbalanced else self.tilt_sd_cents
        shared = np.array([0.0] + [1.0] * 9)
        cov: Array = np.diag(self.scales**2) + self.seat_sd_cents**2 * np.outer(shared, shared)
        return cov + tilt**2 * np.outer(TILT, TILT)

    def log_likelihood(self, errors: Array) -> Array:
        """Log density of each row of `errors` (n, 10), slips left out; all rows have the same holes. Shape (n,)."""
        taken = ~np.isnan(errors[0])
        if self.tail_dof is None:
            log_density = _log_normal(errors[:, taken], self.covariance()[np.ix_(taken, taken)])
            if self.unbalanced_share:
                wide = _log_normal(errors[:, taken], self.covariance(unbalanced=True)[np.ix_(taken, taken)])
                share = self.unbalanced_share
                log_density = np.logaddexp(np.log1p(-share) + log_density, np.log(share) + wide)
        else:
            log_density = self._log_student(errors, taken)
        return log_density

    def _log_student(self, errors: Array, taken: NDArray[np.bool_]) -> Array:
        """Student errors over a normal seat, the seat summed out on a fine grid round the middle of the errors.

        Benches with Student errors seat without tilt (`tilt_sd_cents` 0), so nothing is left out.
        """
        dof, scales = float(self.tail_dof or 1.0), self.scales
        power = -(dof + 1.0) / 2.0
        notes = taken.copy()
        notes[0] = False
        crow = np.zeros(len(errors))
        if taken[0]:
            crow = power * np.log1p((errors[:, 0] / scales[0]) ** 2 / dof) + np.log(0.3675 / scales[0])
        if not notes.any():
            return crow
        heard = errors[:, notes]
        # Weighted between the grid's middle (where the notes agree) and no seat error at all.
        middle = np.median(heard, axis=1) * (1.0 if notes.sum() > 2 else 0.5)
        steps = np.linspace(-3.0, 3.0, 25) if notes.sum() > 2 else np.linspace(-8.0, 8.0, 65)
        seats = middle[:, None] + steps[None, :]
        product = np.ones_like(seats)
        for note in range(heard.shape[1]):
            product *= 1.0 + ((heard[:, note, None] - seats) / scales[1]) ** 2 / dof
        density = product**power * np.exp(-0.5 * (seats / self.seat_sd_cents) ** 2)
        constant = heard.shape[1] * np.log(0.3675 / scales[1]) - np.log(self.seat_sd_cents * np.sqrt(2 * np.pi))
        return crow + constant + np.log(density.sum(axis=1) * (steps[1] - steps[0]) + 1e-300)

    def log_likelihood_mistyped(self, errors: Array) -> Array:
        """As log_likelihood, when one output carries a mistyped digit (even over 440 cents): the one furthest off."""
        middle = np.nanmedian(errors[:, 1:], axis=1) if not np.all(np.isnan(errors[0, 1:])) else np.zeros(len(errors))
        seats = np.column_stack([np.zeros(len(errors)), np.repeat(middle[:, None], 9, axis=1)])
        off = np.abs(errors - seats) / self.scales
        worst = np.argmax(np.nan_to_num(off, nan=-1.0), axis=1)
        rows = np.arange(len(errors))
        mended = errors.copy()
        mended[rows, worst] = seats[rows, worst]
        at_peak = np.log(0.3675 / self.scales[worst])  # Student on three degrees of freedom, at its top
        return self.log_likelihood(mended) - at_peak - np.log(440.0 * np.sum(~np.isnan(errors[0])))

    def gaussian_weights(self, errors: Array) -> Array:
        """A covariance to linearise with for one reading's errors (10,): NaN rows kept out by the caller.

        Student errors get the variance that their size suggests; an unbalanced seat is believed when the A's say so.
        """
        if self.tail_dof is None:
            low_a, high_a = errors[OUTPUTS.index("low_a")], errors[OUTPUTS.index("high_a")]
            apart = abs(high_a - low_a)
            return self.covariance(unbalanced=bool(self.unbalanced_share) and bool(apart > 4.5))
        seat = np.nanmedian(errors[1:]) if not np.all(np.isnan(errors[1:])) else 0.0
        seat *= 1.0 if np.sum(~np.isnan(errors[1:])) > 2 else 0.0
        own = errors - np.array([0.0] + [seat] * 9)
        inflate = (self.tail_dof + np.nan_to_num(own / self.scales) ** 2) / (self.tail_dof + 1.0)
        cov = self.covariance()
        cov[np.diag_indices(10)] += self.scales**2 * (inflate - 1.0)
        return cov


def _log_normal(rows: Array, covariance: Array) -> Array:
    """Log normal density of each row (n, k) with mean zero."""
    factor = np.linalg.cholesky(covariance)
    white = np.linalg.solve(factor, rows.T)
    constant = np.log(np.diag(factor)).sum() + 0.5 * len(covariance) * np.log(2 * np.pi)
    result: Array = -0.5 * (white**2).sum(axis=0) - constant
    return result
