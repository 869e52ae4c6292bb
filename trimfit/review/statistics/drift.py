"""Which batches have drifted: off the norm of their type, by more than the shop cares about, and out of the ordinary.

Each batch b brings an estimate d_b of one deviation (crow at zero trim, gap at zero trim, answer to a cut, settling)
with its variance s_b², from its own readings alone. Batches differ in the ordinary way too, so a batch is taken to be

    ordinary, with chance 1 - p:   d_b = m_t + N(0, tau²) + N(0, s_b²)
    off,      with chance p:       d_b = m_t + N(0, tau² + w²) + N(0, s_b²),        w = 3 max(limit, tau)

with m_t the norm of its type, one for all its batches. The ordinary spread tau is the yardstick. Estimated as a plain
standard deviation it would grow with every batch that is off, and hide it; here a batch that looks off is explained by
w, and weighs next to nothing in tau and in m_t. That is the contaminated normal of Tukey (1960) in the form of Box &
Tiao, Biometrika 55 (1968) 119. tau and p are not fixed: all is averaged over a grid of both, weighed by likelihood and
priors, so that a yardstick that is itself unsure makes the tails of the ordinary longer, as Student's are. Each type
has its tau: nine in ten have their shop's, the tenth its own, a factor of two away (`_posterior`: without that, a type
whose batches vary a lot would have them called by the dozen). The shop's is six tenths of the limit, ± a fifth (a
factor of two for one shop in ten; for settling of 2.7 downward, since batches may settle all alike); p has Beta(6, 25),
one batch in five. m_t is found by expectation-maximization at each point of the grid and integrated out about it
(Laplace). Each batch is judged against the norm of the others, whose variance is added to its own. What all this does
on make-believe shops of several physics is measured by `python -m tests.worlds.drift` (reports/drifting.md).

Two chances come of it. The one that is stated is P(|deviation| > limit): that the batch is off its type's norm by more
than the shop cares about, however it came to be. The other, `odd`, is P(off and |deviation| > limit): that it is so and
out of the ordinary besides. Both hold the multiplicity, for tau and p are learned from all batches. Where the ordinary
spread of a shop's batches is near to what the shop cares about, many good ones lie beyond the limit, and the first
chance says so; to call them all drifted would be to call the shop's every day a fault. So a batch is called drifted
where both agree (`called`): from the surest down while the mean of (1 - chance) over those called, the expected share
of false calls, stays within 1 - c; and of these the ones that are twice as likely as not out of the ordinary. Source:
Efron, Large-Scale Inference (2010), ch. 2 and 5; Newton, Noueiry, Sarkar & Ahlquist, Biostatistics 5 (2004) 155.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from trimfit.base.units import Interval

if TYPE_CHECKING:
    import pandas as pd

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.intp]
SHARES = np.array([0.003, 0.01, 0.025, 0.05, 0.09, 0.15, 0.25, 0.4])
SHARE_PRIOR = (6.0, 25.0)
SPREADS = 25
USUAL_SPREAD = 0.6
"""Of the limit: a shop cares about what is out of its ordinary, so what it cares about tells how far that goes."""
SPREAD_LOG_SD, LOOSE_LOG_SD, LOOSE = 0.2, 0.7, 0.1
"""Log tau lies so near to that, and a type's to its shop's; one shop, and one type, in ten is not so well behaved."""
EM_STEPS = 25
KNOWN = 1e12
"""The information on a norm that is known from elsewhere."""
FIRST_WEEKS_DAYS = 28.0
FAR_SDS = 6.0
AS_USUAL = 0.1
"""Up to this chance of being off in any one respect a batch is said to be as its type's batches are."""
LEAST_CHANCE = 0.75
LEAST_ODD = 2.0 / 3.0
"""Twice as likely as not."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One respect, judged: arrays over B batches, in the unit of the estimates.

    mean, low, high: deviation from the type's norm, 90 %; chance: that the batch is off by more than the limit; odd:
    that it is so and out of the ordinary; shows: whether its readings could show a deviation of the limit's size (their
    standard error is within it), or show one by twice their error all the same; norm_of (B,): m_t of
    each batch; scale (T,): the geometric mean of the posterior of each type's tau.
    """

    mean: Array
    low: Array
    high: Array
    chance: Array
    odd: Array
    shows: npt.NDArray[np.bool_]
    norm_of: Array
    scale: Array


def _density(rest: Array, variance: Array) -> Array:
    out: Array = np.exp(-0.5 * rest**2 / variance) / np.sqrt(2.0 * np.pi * variance)
    return np.maximum(out, 1e-300)


def judge(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    group: Codes,
    limit: float,
    *,
    below: float = SPREAD_LOG_SD,
    norm_of: Array | None = None,
) -> Judged:
    """Judge batches in one respect (the module's docstring).

    estimate, variance (B,): variance is inf where nothing tells, and the batch then keeps the prior; group (B,): codes
    of the types; limit: what the shop cares about. All in one unit (the variance in its square). below: how far tau
    may lie under what is usual before anything is known (standard deviation of its log). norm_of (B,): where the norms
    are known from elsewhere, and the estimates are deviations from them.
    """
    from scipy.special import ndtr

    d, s2 = np.asarray(estimate, dtype=float), np.asarray(variance, dtype=float)
    groups = int(group.max(initial=0)) + 1
    finite = np.isfinite(s2) & np.isfinite(d)
    d = np.where(finite, d, 0.0)
    tau = limit * np.geomspace(0.05, 6.0, SPREADS)
    spread = np.repeat(tau, len(SHARES))[:, None]
    share = np.tile(SHARES, SPREADS)[:, None]
    wide2 = (3.0 * np.maximum(limit, spread)) ** 2
    hot = np.zeros((int(finite.sum()), groups))
    hot[np.arange(len(hot)), group[finite]] = 1.0
    mine, own = d[finite][None, :], s2[finite][None, :]
    usual, odd = own + spread**2, own + spread**2 + wide2

    def weighed(norm: Array) -> tuple[Array, Array, Array]:
        """About these norms (G, T): density of each batch, its weight in the norm, and the weights' sums by type."""
        rest = mine - norm[:, group[finite]]
        p_usual, p_odd = (1.0 - share) * _density(rest, usual), share * _density(rest, odd)
        is_odd = p_odd / (p_usual + p_odd)
        weight = (1.0 - is_odd) / usual + is_odd / odd
        return p_usual + p_odd, weight, weight @ hot + 1.0 / (2.0 * limit) ** 2

    norm = np.tile([float(np.median(d[finite & (group == t)])) if (finite & (group == t)).any() else 0.0
                    for t in range(groups)], (len(spread), 1))  # fmt: skip
    if norm_of is not None:
        norm = np.zeros_like(norm)
    for _ in range(EM_STEPS if norm_of is None else 0):
        _, weight, total = weighed(norm)
        before, norm = norm, ((weight * mine) @ hot) / total
        if np.max(np.abs(norm - before), initial=0.0) < 2e-3 * limit:
            break
    density, weight, total = weighed(norm)
    if norm_of is not None:
        total = np.full_like(total, KNOWN)
    # the norms integrated out about their best values (Laplace), else a spread found about fitted norms is too small
    weights, scale = _posterior(np.log(density) @ hot - 0.5 * np.log(total), tau, limit, below)
    # each batch is judged against the norm of the others: its own pull on the norm is taken out again
    pull = np.zeros((len(spread), len(d)))
    pull[:, finite] = weight
    others = total[:, group] - pull
    rest = (d[None, :] - norm[:, group]) * total[:, group] / others
    s2_all = np.where(finite, s2, 1e12)[None, :] + 1.0 / others
    usual, odd = s2_all + spread**2, s2_all + spread**2 + wide2
    p_usual, p_odd = (1.0 - share) * _density(rest, usual), share * _density(rest, odd)
    is_odd = np.where(finite, p_odd / (p_usual + p_odd), share)
    weight = weights[:, group]

    def posterior(prior_var: Array) -> tuple[Array, Array]:
        keep = prior_var / (prior_var + s2_all)
        return keep * rest, keep * s2_all

    parts = [(weight * (1.0 - is_odd), *posterior(spread**2)), (weight * is_odd, *posterior(spread**2 + wide2))]
    ways = []
    for part, mean, var in parts:
        sd = np.sqrt(np.maximum(var, 1e-12))
        ways.append((part * (ndtr((mean - limit) / sd) + ndtr((-limit - mean) / sd))).sum(axis=0))
    chance, odd = ways[0] + ways[1], ways[1]
    middle, low, high = _mean_and_ends(parts)
    norms, error = (weights * norm).sum(axis=0), np.sqrt(s2)
    shows = finite & ((error <= limit) | (np.abs(d - norms[group]) > limit + 2.0 * np.where(finite, error, 0.0)))
    return Judged(middle, low, high, chance, odd, shows, norms[group] if norm_of is None else norm_of, scale)


def _mean_and_ends(parts: Sequence[tuple[Array, Array, Array]]) -> tuple[Array, Array, Array]:
    """Mean and 90 % ends (B,) of the deviation of each batch, from how it may have come to be: shares, means and
    variances (G, B) each. The grid's mixture of each kind is taken together by its first two moments."""
    from scipy.special import ndtr

    kinds = []
    for part, mean, var in parts:
        mass = np.maximum(part.sum(axis=0), 1e-300)
        centre = (part * mean).sum(axis=0) / mass
        kinds.append((mass, centre, (part * (var + (mean - centre) ** 2)).sum(axis=0) / mass))
    masses, centres, variances = (np.stack(column) for column in zip(*kinds, strict=True))
    mass, sds = masses.sum(axis=0), np.sqrt(np.maximum(variances, 1e-12))
    reach = 8.0 * np.sqrt(variances.max(axis=0) + 1e-12)
    ends = []
    for level in (0.05, 0.95):
        low, high = centres.min(axis=0) - reach, centres.max(axis=0) + reach
        for _ in range(50):
            half = 0.5 * (low + high)
            below = (masses / mass * ndtr((half - centres) / sds)).sum(axis=0) < level
            low, high = np.where(below, half, low), np.where(below, high, half)
        ends.append(0.5 * (low + high))
    return (masses * centres).sum(axis=0) / mass, ends[0], ends[1]


def _bell(at: Array, above: float, below: float) -> Array:
    """A normal density about 0 with another width on either side."""
    return np.asarray(np.exp(-0.5 * (at / np.where(at > 0.0, above, below)) ** 2) / (above + below))


def _posterior(fit: Array, tau: Array, limit: float, below: float) -> tuple[Array, Array]:
    """The posterior of each type's tau and of p: weights (G, T) over the grid of both, and tau's geometric
    mean (T,).

    fit (G, T): log likelihood of each type's batches on the grid. The types' log tau lie about a common one, which is
    summed over, and share one p.
    """
    types, shares = fit.shape[1], len(SHARES)
    of_type = fit.reshape(len(tau), shares, types)
    of_type = np.exp(of_type - of_type.max(axis=(0, 1)))
    step = np.log(tau)
    above = step - np.log(USUAL_SPREAD * limit)
    common = (1.0 - LOOSE) * _bell(above, SPREAD_LOG_SD, max(below, SPREAD_LOG_SD))
    common += LOOSE * _bell(above, LOOSE_LOG_SD, max(below, LOOSE_LOG_SD))
    about = _bell(step[None, :] - step[:, None], LOOSE_LOG_SD, LOOSE_LOG_SD)
    about = (1.0 - LOOSE) * np.eye(len(tau)) + LOOSE * about / about.sum(axis=1, keepdims=True)
    a, b = SHARE_PRIOR
    edges = np.r_[0.0, np.sqrt(SHARES[1:] * SHARES[:-1]), 1.0]
    prior = common[:, None] * (SHARES ** (a - 1) * (1.0 - SHARES) ** (b - 1) * np.diff(edges))[None, :]
    at = np.maximum(np.einsum("cs,spt->cpt", about, of_type), 1e-300)
    log_top = np.log(prior) + np.log(at).sum(axis=2)
    top = np.exp(log_top - log_top.max())
    weight = np.einsum("cpt,cs->spt", top[:, :, None] / at, about) * of_type
    weight /= weight.sum(axis=(0, 1))
    scale = np.exp(np.einsum("spt,s->t", weight, step))
    return weight.reshape(len(tau) * shares, types), scale


def either(*chances: Array) -> Array:
    """Chance that any of several respects is off, were they independent: 1 - (1 - a)(1 - b) …"""
    return np.asarray(1.0 - np.prod([1.0 - np.asarray(c) for c in chances], axis=0))


def called(chance: Array, sureness: float, odd: Array | None = None) -> npt.NDArray[np.bool_]:
    """Which batches (B,) to call drifted so that, of those called, at most a share 1 - sureness is expected to be good.

    The surest first, as many as that allows, and none whose own chance is under three in four; nor one that is not
    twice as likely as not out of the ordinary, by the chances `odd` (B,).
    """
    order = np.argsort(-chance, kind="stable")
    false_share = np.cumsum(1.0 - chance[order]) / np.arange(1, len(chance) + 1)
    out = np.zeros(len(chance), dtype=bool)
    out[order[(false_share <= 1.0 - sureness + 1e-12) & (chance[order] >= LEAST_CHANCE)]] = True
    return out if odd is None else out & (odd >= LEAST_ODD)


def together(*chances: Array) -> Array:
    """One chance for respects that go together, as crow and gap at the start do: the larger."""
    return np.asarray(np.max(np.stack(chances), axis=0))


def interval_at(judged: Judged, place: int, *, with_norm: bool = False) -> Interval:
    """A batch's deviation (with the norm added, its value) as an interval."""
    add = float(judged.norm_of[place]) if with_norm else 0.0
    return Interval(float(judged.mean[place]) + add, float(judged.low[place]) + add, float(judged.high[place]) + add)


@dataclass(frozen=True, slots=True)
class Settling:
    """How readings' reeds move in one direction, from their types' movement (`regression.movement.process`): arrays
    over n readings.

    settled (n, 2): how far the reed has settled, by age and by work; mean (n, 2), cents that each comes to, and var
    (n, 2), cents², how reeds differ in it; walk (n,) cents² a day; sitting, noise (n,) cents²: the error that a
    sitting's readings share, and one reading's own.
    """

    settled: Array
    mean: Array
    var: Array
    walk: Array
    sitting: Array
    noise: Array


def settling_rates(
    frame: pd.DataFrame, values: Array, batch: Codes, count: int, moves: Settling, *, with_chanter: bool
) -> tuple[Array, Array, Array]:
    """How fast a value moves with no work done on the reeds, a week's worth by batch: how far from its type's movement,
    the variance of that, and what the movement says itself, (count,) each.

    frame: one row a reading (reed, chanter, removed_mm, lip_strokes, events_met, taken_day); values (n,): what is
    followed, NaN where not taken; batch (n,): codes; moves: over the same rows. Readings of a reed as it stands, with
    no event logged between them, are one stretch, those of one day one point of it. Each stretch gives a slope over its
    first four weeks (what comes later is flat and would only drown it), with the variance that the movement gives such
    a slope: no spread is estimated here. Variance is inf where nothing tells.
    """
    import pandas as pd

    away, variance, norm = np.zeros(count), np.full(count, np.inf), np.zeros(count)
    keep = np.isfinite(values)
    keys = ["reed", "removed_mm", "lip_strokes", "events_met", *(["chanter"] if with_chanter else [])]
    rows = frame.loc[keep, keys].copy()
    rows["chanter"] = rows["chanter"].fillna("") if with_chanter else ""
    day = frame.loc[keep, "taken_day"].to_numpy(dtype=float)
    rows["point"] = np.floor(day)
    of_row = {"value": values, "noise": moves.noise, "walk": moves.walk, "sitting": moves.sitting}
    of_row |= {f"{name}{k}": getattr(moves, name)[:, k] for name in ("settled", "mean", "var") for k in range(2)}
    for name, column in of_row.items():
        rows[name] = column[keep]
    rows["batch"], rows["day"] = batch[keep], day
    kinds = dict.fromkeys(of_row, "first") | {"value": "median", "batch": "first", "day": "first"}
    points = rows.groupby([*keys, "point"], sort=True, dropna=False).agg(kinds)
    if not len(points):
        return away, variance, norm
    points = points.reset_index()
    stretch = points.groupby(keys, sort=True, dropna=False).ngroup().to_numpy()
    n = int(stretch.max()) + 1
    at = {name: points[name].to_numpy(dtype=float) for name in kinds}
    first = np.full(n, np.inf)
    np.minimum.at(first, stretch, at["day"])
    t = np.minimum(at["day"] - first[stretch], FIRST_WEEKS_DAYS) / 7.0
    dt = t - (np.bincount(stretch, t, n) / np.bincount(stretch, minlength=n))[stretch]
    sxx = np.bincount(stretch, dt * dt, n)
    good = sxx > 1e-6
    # the weight of each point in its stretch's slope; they sum to nothing
    a = dt / np.where(good, sxx, 1.0)[stretch]
    new = np.r_[True, np.diff(stretch) != 0]
    # the walk's increment before a point moves that point and all later ones: their weights' sum is less that before it
    behind = np.cumsum(a) - a
    behind = behind - behind[np.maximum.accumulate(np.where(new, np.arange(len(a)), 0))]
    since = np.where(new, 0.0, np.diff(at["day"], prepend=0.0))
    var = np.bincount(stretch, a**2 * (at["noise"] + at["sitting"]) + behind**2 * since * at["walk"], n)
    usual = np.zeros(n)
    for k in range(2):
        grown = np.bincount(stretch, a * at[f"settled{k}"], n)
        usual += grown * at[f"mean{k}"][new]
        var += grown**2 * at[f"var{k}"][new]
    rate = np.bincount(stretch, a * at["value"], n) - usual
    home = at["batch"][new].astype(np.intp)
    rate, usual, var, home = rate[good], usual[good], var[good], home[good]
    if not len(rate):
        return away, variance, norm
    centre = pd.Series(rate).groupby(home).transform("median").to_numpy()
    near = np.abs(rate - centre) <= FAR_SDS * np.sqrt(var)
    rate, usual, var, home = rate[near], usual[near], var[near], home[near]
    total = np.bincount(home, 1.0 / var, count)
    seen = total > 0
    away[seen] = np.bincount(home, rate / var, count)[seen] / total[seen]
    norm[seen] = np.bincount(home, usual / var, count)[seen] / total[seen]
    variance[seen] = 1.0 / total[seen]
    return away, variance, norm


@dataclass(frozen=True, slots=True)
class Off:
    """One respect of a batch in words: `said` without the type's name, the chance, and what to expect of it."""

    said: str
    chance: float
    expect: str = ""


def says_too_little(shifts: Sequence[tuple[Interval, float]]) -> bool:
    """Whether too little was read to tell a batch off or not off: one of its shifts, each with its limit, may lie
    beyond that on either side."""
    return any(shift.low < -limit and shift.high > limit for shift, limit in shifts)


def words_of(offs: Sequence[Off], *, drifted: bool, reeds: int, unsure: bool = False) -> str:
    """Why: what is off in a batch in one sentence, surest first, what to expect, and on how few reeds it rests. unsure:
    by `says_too_little`."""
    if reeds == 0:
        return "no reading yet; only its type's norm is known"
    ranked = sorted(offs, key=lambda off: -off.chance)
    telling = [off for off in ranked if off.chance >= 0.5] or (ranked[:1] if drifted else [])
    few = f"; only {reeds} reed{'s' if reeds != 1 else ''} read" if reeds < 4 else ""
    if not telling and unsure:
        return f"too little was read to say whether it is as its type's batches are{few}"
    if not telling and ranked[0].chance > AS_USUAL:
        return f"{ranked[0].said}: whether by more than the settings allow is not sure{few}"
    if not telling:
        return f"as its type's batches are{few}"
    expect = next((f"; {off.expect}" for off in telling if off.expect), "")
    if not drifted and telling[0].chance < LEAST_CHANCE:
        return f"perhaps {telling[0].said}, but too little to call it{few}"
    said = " and ".join(off.said for off in (telling if drifted else telling[:1]))
    return f"{said}{'' if drifted else ', as batches here may in the ordinary way'}{expect}{few}"
