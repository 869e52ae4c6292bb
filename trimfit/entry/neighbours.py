"""What a reading should show, all outputs together, and whether it reads rather like another reed.

Outputs of one reed stand in firm relations to one another (crow, E and F predict each other), so that a reading typed
under a neighbour's name may fit each output by itself and yet be impossible as a whole. It is asked about when it is
unlikely as a whole for its own reed (five in a hundred honest ones are), and another reed of the batch at the bench
explains it better by `BETTER` in log density. It is passed over where a reading just as predicted of that other reed
would be a likely one of its own: nothing tells two apart that both near the meeting point. The other is named only if
all that was given was read of it before, in the same chanter, and lies where it is predicted of that reed, each value
and all together: where a reed stands is wide before it is read, and its gap alone is then like many. Densities are
Student's with few degrees of freedom: one wild note, which no reed explains, then weighs little for any of them.

A whole reading is also far off where the reed has moved: then gap and pitch are off together with the crow
(`off_as_a_whole`). F, E and the crow are held against their joint prediction too, by the same spreads as the range that
is printed before a reading. Of honest readings fewer than 1 in 100 are asked about (`tests/entry/test_neighbours.py`).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DEGREES = 4.0
BETTER = 4.0
# A gap or a pitch so many standard deviations off is asked about: of honest readings 1 in 8,000 for each, if Gaussian.
FAR_SD = 4.0
# Every value given lies so near what is predicted of a reed that is named.
LIKE_SD = 2.0
# Where one value alone leaves no more than this of the squared distance that a move explains, that value is in doubt.
ONE_VALUE_LEAVES = 1.0
# Upper 2 in 1,000 points of chi-square by degrees of freedom 1 to 3 (any table of it): F, E and the crow together.
_FAR_TOGETHER = (9.550, 12.429, 14.796)
# Upper 5 per cent points of chi-square by degrees of freedom 1 to 10 (any table of it).
_FAR = (3.841, 5.991, 7.815, 9.488, 11.070, 12.592, 14.067, 15.507, 16.919, 18.307)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Joint:
    """A Gaussian over outputs (`crow`, notes as low A) of the next reading, in cents from 440 Hz.

    mean_cents (m,), cov_cents2 (m, m), in the order of `outputs`.
    """

    outputs: tuple[str, ...]
    mean_cents: NDArray[np.float64]
    cov_cents2: NDArray[np.float64]

    def each(self) -> dict[str, tuple[float, float]]:
        """Mean and standard deviation of each output by itself."""
        sd = self.cov_cents2.diagonal() ** 0.5
        return dict(zip(self.outputs, zip(self.mean_cents.tolist(), sd.tolist(), strict=True), strict=True))

    def distance2_and_log_det(self, now: Mapping[str, float], outputs: Iterable[str]) -> tuple[float, float]:
        """Squared Mahalanobis distance of `now` over some outputs, and the log determinant of their covariance."""
        import numpy as np

        root, off = self._whitened(now, tuple(outputs))
        return float(off @ off), float(2.0 * np.log(root.diagonal()).sum())

    def explained2(self, now: Mapping[str, float], shifts: Sequence[Mapping[str, float]]) -> float:
        """How much of the squared distance of `now` shifts along these directions, by any amounts, take away."""
        import numpy as np

        names = tuple(name for name in self.outputs if name in now)
        root, off = self._whitened(now, names)
        ways = np.linalg.solve(root, np.array([[shift.get(name, 0.0) for shift in shifts] for name in names]))
        taken = ways @ np.linalg.lstsq(ways, off, rcond=1e-6)[0]
        return float(taken @ taken)

    def off_sd(self, now: Mapping[str, float], weights: Mapping[str, float]) -> tuple[float, float]:
        """How far a weighted sum of outputs lies from what is predicted of it, in cents and in standard deviations."""
        import numpy as np

        at = [self.outputs.index(name) for name in weights]
        weight = np.array(list(weights.values()))
        off = float(weight @ (np.array([now[name] for name in weights]) - self.mean_cents[at]))
        variance = float(weight @ self.cov_cents2[np.ix_(at, at)] @ weight)
        return off, off / max(variance, 1e-6) ** 0.5

    def _whitened(
        self, now: Mapping[str, float], names: Sequence[str]
    ) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
        """The lower Cholesky factor of the covariance of some outputs (m, m), and it solved for how far `now` is
        off."""
        import numpy as np

        at = [self.outputs.index(name) for name in names]
        root = np.linalg.cholesky(self.cov_cents2[np.ix_(at, at)])
        return root, np.linalg.solve(root, np.array([now[name] for name in names]) - self.mean_cents[at])


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ExpectedReading:
    """What a reading should show under its own conditions: for its reed, and for others still at the bench by name.

    `read`: which outputs were read of each of those before, notes in the same chanter.
    """

    own: Joint
    others: Mapping[str, Joint] = field(default_factory=dict)
    read: Mapping[str, Collection[str]] = field(default_factory=dict)


def reads_like(now: Mapping[str, float], foreseen: ExpectedReading) -> str | None:
    """The other reed that a reading (outputs in cents as low A) is more likely of than of its own; None if it is of
    none. An empty name where it is more likely of another, and none is like it in all that was given."""
    found: list[tuple[float, str]] = []
    own: dict[tuple[str, ...], tuple[float, float]] = {}
    for name, joint in foreseen.others.items():
        shared = tuple(o for o in joint.outputs if o in now and o in foreseen.own.outputs)
        if not shared:
            continue
        if shared not in own:
            own[shared] = foreseen.own.distance2_and_log_det(now, shared)
        if own[shared][0] <= _FAR[len(shared) - 1]:
            continue
        predicted = dict(zip(joint.outputs, joint.mean_cents.tolist(), strict=True))
        if foreseen.own.distance2_and_log_det(predicted, shared)[0] <= _FAR[len(shared) - 1]:
            continue
        there = joint.distance2_and_log_det(now, shared)
        better = _log_density(there, len(shared)) - _log_density(own[shared], len(shared))
        if better > BETTER:
            each = joint.each()
            like = there[0] <= _FAR[len(shared) - 1] and now.keys() <= set(foreseen.read.get(name, ()))
            like = like and all(abs(now[o] - each[o][0]) <= LIKE_SD * each[o][1] for o in shared)
            found.append((better, name if like else ""))
    return max(found, key=lambda one: (bool(one[1]), one[0]))[1] if found else None


def off_as_a_whole(now: Mapping[str, float], joint: Joint, *, one_value: bool = False) -> tuple[str, float] | None:
    """`gap` or `pitch` (`crow` where these are as predicted), and by how many cents it is off, of a reading far off: by
    gap or pitch alone, or by F, E and crow together.

    None for other readings. now: outputs in cents as low A; one_value: count those too that one wrong value explains.
    """
    read = {name: cents for name, cents in now.items() if name in joint.outputs}
    notes = [name for name in read if name != "crow"]
    if len(notes) < 2:
        return None
    weights = {"pitch": {name: 1.0 / len(notes) for name in notes}}
    if {"f", "e"} <= read.keys():
        weights["gap"] = {"f": 1.0, "e": -1.0}
    off = {what: joint.off_sd(read, of) for what, of in weights.items()}
    what = max(off, key=lambda name: abs(off[name][1]))
    answered = [name for name in ("f", "e", "crow") if name in read]
    together = answered and joint.distance2_and_log_det(read, answered)[0] > _FAR_TOGETHER[len(answered) - 1]
    if abs(off[what][1]) <= FAR_SD and not together:
        return None
    if abs(off[what][1]) < LIKE_SD and "crow" in read:  # the notes by themselves are as predicted
        what, off["crow"] = "crow", joint.off_sd(read, {"crow": 1.0})
    if one_value:
        return what, off[what][0]
    moves = [dict.fromkeys(notes, 1.0), {"f": 0.5, "e": -0.5}, {"crow": 1.0}]
    moved = joint.explained2(read, moves)
    if any(joint.explained2(read, [{name: 1.0}]) > moved - ONE_VALUE_LEAVES for name in read):
        return None
    return what, off[what][0]


def _log_density(found: tuple[float, float], outputs: int) -> float:
    """Student's log density up to what depends on the number of outputs alone."""
    distance2, log_det = found
    return -0.5 * log_det - 0.5 * (DEGREES + outputs) * math.log1p(distance2 / DEGREES)
