"""How long a chart takes to speak: the average run length (ARL), in points, until the first signal.

Short after a shift and long without one is what a chart is chosen for. Shifts and limits are in standard deviations
of a point. Integral equations are solved by Gauss-Legendre nodes (Crowder, Technometrics 29 (1987) 401; Lucas &
Crosier, Technometrics 24 (1982) 199; Champ & Woodall, Technometrics 29 (1987) 393).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable

import numpy as np
import numpy.typing as npt

from trimfit.base.errors import InputError
from trimfit.review.statistics.control_charts import WESTERN_ELECTRIC

__all__ = ["arl_cusum", "arl_ewma", "arl_ewma_under_drift", "arl_limits", "arl_run_rules", "simulated_run_length"]

Array = npt.NDArray[np.float64]


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi))


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def arl_limits(width: float = 3.0, shift: float = 0.0) -> float:
    """Average run length of plain limits at ± `width`, 1 over the chance of a signal: 370.4 without a shift."""
    return 1.0 / (_normal_cdf(-width - shift) + _normal_cdf(shift - width))


def arl_ewma(weight: float, width: float, shift: float = 0.0, *, n_nodes: int = 80) -> float:
    """Average run length of a moving average with long-run limits at ± width · √(weight / (2 − weight)), from the
    centre, after a shift that was there from the first point."""
    if not 0.0 < weight <= 1.0 or not width > 0.0:
        raise InputError("no such moving average", "run length", "give a weight in (0, 1] and a width above 0")
    limit = width * math.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    at, share = limit * nodes, limit * weights
    kernel = share * _density((at - (1.0 - weight) * at[:, None]) / weight - shift) / weight
    length = np.linalg.solve(np.eye(n_nodes) - kernel, np.ones(n_nodes))
    return float(1.0 + (share * _density(at / weight - shift) / weight) @ length)


def _one_sided_cusum(slack: float, decision: float, shift: float, n_nodes: int) -> float:
    """Run length of the upper sum from 0: an atom at 0, a density on (0, decision]."""
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    at, share = 0.5 * decision * (nodes + 1.0), 0.5 * decision * weights
    start = np.concatenate([[0.0], at])
    matrix = np.empty((n_nodes + 1, n_nodes + 1))
    matrix[:, 0] = [_normal_cdf(slack - shift - place) for place in start]
    matrix[:, 1:] = share * _density(at - start[:, None] + slack - shift)
    return float(np.linalg.solve(np.eye(n_nodes + 1) - matrix, np.ones(n_nodes + 1))[0])


def arl_cusum(slack: float, decision: float, shift: float = 0.0, *, two_sided: bool = True, n_nodes: int = 60) -> float:
    """Average run length of cumulative sums from 0, slack and decision height in sigma; two-sided by
    `1 / ARL = 1 / ARL↑ + 1 / ARL↓` (Kemp 1961). One-sided watches for upward shifts."""
    if slack < 0.0 or not decision > 0.0:
        raise InputError("no such cusum", "run length", "give a slack of 0 or more and a decision height above 0")
    up = _one_sided_cusum(slack, decision, shift, n_nodes)
    if not two_sided:
        return up
    return 1.0 / (1.0 / up + 1.0 / _one_sided_cusum(slack, decision, -shift, n_nodes))


def arl_ewma_under_drift(
    weight: float, width: float, drift: float, *, n_nodes: int = 80, longest: int = 20_000
) -> float:
    """Average run length of the same moving average when the process drifts by `drift` sigma with every point: a
    worn mould, drying cane. The density of the average among charts yet silent is carried from point to point.

    Raises InputError for no drift (use `arl_ewma`) or one so slow that `longest` points do not suffice.
    """
    if drift == 0.0:
        raise InputError("no drift to look for", "run length", "give a drift per point")
    limit = width * math.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    at, share = limit * nodes, limit * weights
    density = _density(at / weight - drift) / weight
    total, silent = 1.0, float(share @ density)
    for point in range(2, longest):
        total += silent
        if silent < 1e-12:
            return total
        step = _density((at[:, None] - (1.0 - weight) * at) / weight - drift * point) / weight
        density = step @ (share * density)
        silent = float(share @ density)
    raise InputError(f"a drift of {drift:g} sigma is too slow to time", "run length", "give a larger drift")


# For each side: how far each of the last four points stood out (0 to 2 sigma), newest first, and the run's length.
_Side = tuple[tuple[int, ...], int]


def _side_after(side: _Side, zone: int, rules: frozenset[int]) -> _Side | None:
    """One side's memory after a point in `zone` (−1 the other side, 0 to 2 beyond that many sigma, 3 beyond three);
    None when a rule has spoken."""
    recent = (zone, *side[0])
    run = side[1] + 1 if zone >= 0 else 0
    for rule in rules:
        looked_at, needed, beyond = WESTERN_ELECTRIC[rule]
        if rule == 4:
            if run >= needed:
                return None
        elif zone >= beyond and sum(z >= beyond for z in recent[:looked_at]) >= needed:
            return None
    return tuple(max(z, 0) for z in recent[:4]), min(run, 7)


def arl_run_rules(rules: Iterable[int] = (1, 2, 3, 4), shift: float = 0.0) -> float:
    """Average run length of the Western Electric rules used together, exactly: a Markov chain whose states are what
    the rules remember. Rules are numbered as in `control_charts.run_rules`. Raises InputError for an unknown rule."""
    wanted = frozenset(rules)
    if not wanted or not wanted <= set(WESTERN_ELECTRIC):
        raise InputError(f"no run rules {sorted(wanted)}", "run length", "rules are numbered 1 to 4")
    edges = [-math.inf, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, math.inf]
    chances = [_normal_cdf(b - shift) - _normal_cdf(a - shift) for a, b in itertools.pairwise(edges)]
    zones = [(-1, 3), (-1, 2), (-1, 1), (-1, 0), (0, -1), (1, -1), (2, -1), (3, -1)]  # (above, below)
    empty: _Side = ((0, 0, 0, 0), 0)
    numbers: dict[tuple[_Side, _Side], int] = {(empty, empty): 0}
    waiting = [(empty, empty)]
    moves: list[tuple[int, int, float]] = []
    while waiting:
        state = waiting.pop()
        for (above, below), chance in zip(zones, chances, strict=True):
            up, down = _side_after(state[0], above, wanted), _side_after(state[1], below, wanted)
            if up is None or down is None:
                continue
            after = (up, down)
            if after not in numbers:
                numbers[after] = len(numbers)
                waiting.append(after)
            moves.append((numbers[state], numbers[after], chance))
    chain = np.eye(len(numbers))
    for here, there, chance in moves:
        chain[here, there] -= chance
    return float(np.linalg.solve(chain, np.ones(len(numbers)))[0])


def simulated_run_length(
    first_signal: Callable[[Array], int | None],
    rng: np.random.Generator,
    *,
    n_runs: int,
    longest: int,
    shift: float = 0.0,
    drift: float = 0.0,
) -> tuple[float, float]:
    """Run length of any chart by play: mean and its standard error over `n_runs` series of standard normal points
    with a shift and a drift per point.

    first_signal: takes a series (longest,) and returns the index of its first signal or None, which counts as
    `longest`: choose that long enough to be rare.
    """
    means = shift + drift * np.arange(1, longest + 1)
    lengths = np.empty(n_runs)
    for run in range(n_runs):
        first = first_signal(rng.standard_normal(longest) + means)
        lengths[run] = longest if first is None else first + 1
    return float(lengths.mean()), float(lengths.std(ddof=1) / math.sqrt(n_runs))
