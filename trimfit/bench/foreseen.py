"""What a reading should show, all outputs together, and whether it reads rather like another reed.

Outputs of one reed stand in firm relations to one another (crow, E and F foretell each other), so that a reading typed
under a neighbour's name may lie within what is foretold of each output by itself and yet be impossible as a whole. It
is asked about when the reading as a whole is unlikely for its own reed (five in a hundred honest ones are), and another
reed of the batch that is still at the bench explains it better by `Foreseen.better` in log density. Densities are
Student's with few degrees of freedom: one wild note, which no reed explains, then weighs little for any of them.

Of honest readings fewer than 1 in 200 are asked about: `tests/desk/test_neighbours.py` holds it to that.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

__all__ = ["Foreseen", "Joint", "reads_like"]

DEGREES = 4.0
BETTER = 4.0
# Upper 5 per cent points of chi-square by degrees of freedom 1 to 10 (any table of it).
_FAR = (3.841, 5.991, 7.815, 9.488, 11.070, 12.592, 14.067, 15.507, 16.919, 18.307)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Joint:
    """A Gaussian over outputs (`crow`, notes as low A) of the next reading, in cents from 440 Hz.

    mean_cents (m,), cov_cents2 (m, m), in the order of `outputs`. Plain numbers: the bench knows no numpy.
    """

    outputs: tuple[str, ...]
    mean_cents: Sequence[float]
    cov_cents2: Sequence[Sequence[float]]

    def each(self) -> dict[str, tuple[float, float]]:
        """Mean and standard deviation of each output by itself."""
        return {name: (self.mean_cents[i], math.sqrt(self.cov_cents2[i][i])) for i, name in enumerate(self.outputs)}

    def distance2_and_log_det(self, now: Mapping[str, float], outputs: Iterable[str]) -> tuple[float, float]:
        """Squared Mahalanobis distance of `now` over some outputs, and the log determinant of their covariance."""
        at = [self.outputs.index(name) for name in outputs]
        off = [now[self.outputs[i]] - self.mean_cents[i] for i in at]
        lower: list[list[float]] = []
        distance2 = log_det = 0.0
        solved: list[float] = []
        for row, i in enumerate(at):
            line: list[float] = []
            for column in range(row):
                other = lower[column]
                told = sum(a * b for a, b in zip(line, other, strict=False))
                line.append((self.cov_cents2[i][at[column]] - told) / other[column])
            left = max(self.cov_cents2[i][i] - sum(a * a for a in line), 1e-6)
            z = (off[row] - sum(a * b for a, b in zip(line, solved, strict=True))) / math.sqrt(left)
            lower.append([*line, math.sqrt(left)])
            solved.append(z)
            distance2 += z * z
            log_det += math.log(left)
        return distance2, log_det


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Foreseen:
    """What a reading should show under its own conditions: for its reed, and for others still at the bench by name.

    better: by how much another must explain it better, in log density, to be asked about.
    """

    own: Joint
    others: Mapping[str, Joint] = field(default_factory=dict)
    better: float = BETTER


def reads_like(now: Mapping[str, float], foreseen: Foreseen) -> str | None:
    """The other reed that a reading (outputs in cents as low A) is more likely of than of its own; None if none is."""
    best: tuple[float, str] | None = None
    own: dict[tuple[str, ...], tuple[float, float]] = {}
    for name, joint in foreseen.others.items():
        shared = tuple(o for o in joint.outputs if o in now and o in foreseen.own.outputs)
        if not shared:
            continue
        if shared not in own:
            own[shared] = foreseen.own.distance2_and_log_det(now, shared)
        if own[shared][0] <= _FAR[len(shared) - 1]:
            continue
        there = joint.distance2_and_log_det(now, shared)
        better = _log_density(there, len(shared)) - _log_density(own[shared], len(shared))
        if better > foreseen.better and (best is None or better > best[0]):
            best = better, name
    return best[1] if best else None


def _log_density(found: tuple[float, float], outputs: int) -> float:
    """Student's log density up to what depends on the number of outputs alone."""
    distance2, log_det = found
    return -0.5 * log_det - 0.5 * (DEGREES + outputs) * math.log1p(distance2 / DEGREES)
