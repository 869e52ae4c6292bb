"""A chanter that is away: what gap to work to in one at hand, so that the reed is good where it is going.

With H the gap read in the chanter at hand and A the gap in the one that is away, both of one reed, the posterior is
jointly Gaussian: the reed is the same, the two chanters' offsets differ by an amount known only so well. `aim.see`
splits

    A = X + e,    X: what readings at the bench can tell,    e ~ N(0, tau²): what they cannot, whatever is cut or read.

Cutting moves H, X and A alike. Where the work stops, X = u, the reed is past there with the chance that e is over t - u
(t the tolerance) and flat with the chance that it is under -t - u, and the expected cost is

    C(u) = lost Phi((u - t) / tau) + flat Phi((-t - u) / tau) + rise E(-t - u - e)+

A reed that arrives sharp is lost; one that arrives flat can be brought up by its owner or sent back, which costs
`flat`, and the more the flatter it is. `best_stop` is the u of least cost: under zero, and the further the less is
known. Not C(u) alone decides, but the policy's table with this cost at its end (`policy_table.ending`): cuts and
readings are worth their minutes only where they lower it, so that each reed ends.

Where more reeds are put to an order than it wants, e is one and the same for all of them, being the chanters': reeds at
one u are within tolerance together or not at all. Their aims u_1 < u_2 < ... are spaced so that the chance of enough of
them within is greatest. Given e each is within by itself with the chance

    p_i(e) = r (Phi((t - u_i - e) / s) - Phi((-t - u_i - e) / s)),    s: what the bench leaves unknown of one reed,

r being the chance that a reed can still be brought to its aim; one that stands over it already (X > u_i) stays where it
stands, which is put in the place of u_i (`standing`). Work does not end on the gap it goes toward: a cut that falls
short by little is not worth another. Where it ends, a mean d off that and with the standard deviation s, is the normal
law that has the policy's own chances (`left`), so that each reed is worked toward u_i - d. How many are within has a
Poisson binomial law (`expected_cost.with_one_more`), and its upper tail is integrated over e. Where the order names a
pitch, r is times the chance of being on it given the chanter's pitch (`forecast.on_pitch`), and the tail is integrated
over that too, which is taken to be independent of e.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from trimfit.planner.aim import AimPosterior
from trimfit.planner.expected_cost import with_one_more
from trimfit.planner.policy_table import LADDER, Costs, PolicyTable, ending, finish_cost, first_rung
from trimfit.planner.quantities import even_nodes, normal_between, normal_cdf
from trimfit.regression.outputs import Array

FLATTEST_CENTS = 30.0
"""A reed that arrives so much flatter than the tolerance is worth no more than a lost one: no owner brings up a blank
(assumed; in between the cost rises evenly)."""
SD_STEP = 1.15
"""What is not known is rounded to this ratio, so that near ones share a policy."""
FAR_TOLERANCES, LEAST_WITHIN, LEAST_LEFT = 15.0, 0.02, 0.45
"""A reed so many tolerances from where its work goes has it all before it; one less likely than the second to end
within tolerance of it has passed it; the third is the share of a reading's error to which a gap is known at best, as in
the policy's grid (`policy_table.state_grids`)."""
PAST_COUNTS = 0.03
"""What the share that ends past counts beside the chance of enough: of a hundred reeds three more past weigh as much as
a tenth of a point of that chance (a judgement: it decides between aims that give enough alike)."""
MOST_SENT = 24
CHANCE_NODES = 61
Now = tuple[Array, Array]
"""The gap there (cents) of each reed as it stands, by what readings at the bench can tell, and its standard deviation;
further reeds are like the last."""
UNWORKED: Now = np.array([-1e3]), np.ones(1)
"""A reed of which so much has to come off yet that it can be brought to any aim."""
SendingLaw = tuple[float, float, float]
"""Standard deviations (cents) of what is not known of the chanters, and of where the work on each reed ends; and the
tolerance (cents)."""
OnPitch = tuple[Array, Array]
ANY_PITCH: OnPitch = np.ones(1), np.ones(1)
"""Chance (K,) of a reed to be on the pitch ordered, on nodes of its chanter's pitch, and their weights (K,); without a
pitch ordered it is 1."""


def away_costs(costs: Costs, beyond_sd_cents: float, lost_minutes: float, flat_minutes: float) -> Costs:
    """The costs of an order whose chanter is away. lost_minutes, flat_minutes: of a reed that arrives sharp, and of one
    that arrives flat; costs: the type's for chanters at hand."""
    sd = SD_STEP ** round(math.log(max(beyond_sd_cents, 0.3)) / math.log(SD_STEP))
    sd = round(sd, 2)
    lost = LADDER[first_rung(lost_minutes)]
    rise = round(max(lost - flat_minutes, 0.0) / FLATTEST_CENTS, 3)
    open_end = replace(costs, outside_minutes=flat_minutes, beyond_sd_cents=sd, rise_minutes=rise)
    return replace(open_end, stop_cents=round(best_stop(open_end, lost_minutes), 2))


def best_stop(costs: Costs, lost_minutes: float) -> float:
    """The gap there, cents, at which it is cheapest to stop, with nothing left to learn of the reed here."""
    t, sd = costs.tolerance_cents, costs.beyond_sd_cents
    gaps = np.linspace(-t - 4.0 * sd - FLATTEST_CENTS, t, 2001)
    past, short, under = ending(costs, gaps - costs.stop_cents, np.zeros_like(gaps))
    return float(gaps[np.argmin(finish_cost(past, short, costs, first_rung(lost_minutes), under))])


def chance_of_so_many(
    aims_cents: Array,
    wanted: int,
    beyond_sd_cents: float,
    own_sd_cents: float,
    tolerance_cents: float,
    reach: float | Array = 1.0,
) -> Array:
    """Chance that at least `wanted` of the reeds are within tolerance, of sets of aims (..., n), cents; shape (...).
    reach: the chance of each that it can be brought to its aim, one or (..., n, 1)."""
    aims = np.asarray(aims_cents, dtype=np.float64)
    within, _, weight = _ends(aims, beyond_sd_cents, own_sd_cents, tolerance_cents, reach)
    # so many of the reeds seen yet are within: 0 .. wanted, the last one for all more
    count = np.zeros((*aims.shape[:-1], wanted + 1, CHANCE_NODES))
    count[..., 0, :] = 1.0
    for i in range(aims.shape[-1]):
        count = with_one_more(count, within[..., i, :])
    return np.asarray(count[..., -1, :] @ weight)


def left(within: Array, past: Array, costs: Costs) -> tuple[Array, Array]:
    """Where work ends: mean, less the gap it goes toward, and standard deviation (any shape, cents), what is not known
    of the chanter not counted in.

    within, past: the policy's chances of ending so, in a chanter whose gap u it goes toward and of which b is not
    known. With z their quantiles,

        z(past) = (u + d - t) / S,   z(short) = (-t - u - d) / S   gives   S = -2 t / (z(past) + z(short)),

    d from either, and the standard deviation of the reed itself sqrt(S² - b²).
    """
    from scipy.special import ndtri

    t = costs.tolerance_cents
    over, under = (ndtri(np.clip(chance, 1e-6, 1.0 - 1e-6)) for chance in (past, 1.0 - within - past))
    whole = 2.0 * t / np.maximum(-over - under, 1e-6)
    own = np.sqrt(np.maximum(whole**2 - costs.beyond_sd_cents**2, (LEAST_LEFT * costs.reading_sd_cents) ** 2))
    return 0.5 * (over - under) * whole - costs.stop_cents, own


def left_from_far(table: PolicyTable, spread: float) -> tuple[float, float]:
    """`left` of a reed that has all its work before it; spread: of its log slope."""
    costs, rung = table.costs, first_rung(table.costs.lost_minutes)
    gap = np.array(-FAR_TOLERANCES * costs.tolerance_cents)
    state = gap, np.array(costs.reading_sd_cents**2), np.array(spread), np.zeros(())
    within, past = (table.look(what, rung, *state) for what in (table.within, table.past))
    mean, sd = left(within, past, costs)
    return float(mean), float(sd)


def at_its_aim(within: float, past: float, posterior: AimPosterior, costs: Costs) -> tuple[float, float]:
    """Chances of ending within tolerance, and past it, of a reed that is worked toward a gap of its own. within, past:
    the policy's, of these costs. A reed that has passed that gap stays where it stands."""
    if within < LEAST_WITHIN:
        end, own = float(posterior.mean[0]), math.sqrt(max(float(posterior.cov[0, 0]), 0.0))
    else:
        mean, sd = left(np.array(within), np.array(past), costs)
        end, own = posterior.stop_cents + float(mean), float(sd)
    whole = max(math.hypot(own, posterior.beyond_sd_cents), 1e-6)
    over, under = normal_cdf((np.array([end, -end]) - costs.tolerance_cents) / whole).tolist()
    return max(1.0 - over - under, 0.0), over


def standing(aims_cents: Sequence[float], now: Now, tolerance_cents: float) -> tuple[Array, Array]:
    """Where so many reeds end (n,), cents, flattest first, that are worked to these aims, the reed that is farthest on
    to the sharpest; and the chance (n,) of each that it does not stand farther on than that by a tolerance."""
    count = len(aims_cents)
    mean, sd = (np.pad(part[:count], (0, max(count - len(part), 0)), mode="edge") for part in now)
    on = np.argsort(mean, kind="stable")
    ends = np.maximum(np.sort(np.asarray(aims_cents, dtype=np.float64)), mean[on])
    return ends, 1.0 - normal_cdf((mean[on] - ends - tolerance_cents) / sd[on])


def _ends(
    aims: Array, beyond_sd_cents: float, own_sd_cents: float, tolerance_cents: float, reach: float | Array
) -> tuple[Array, Array, Array]:
    """Chances that reeds with these aims (..., n) end within tolerance and past it, on nodes of what is not known of
    the chanters (..., n, nodes), and the nodes' weights. A reed that cannot be brought to its aim is past it."""
    z, weight = even_nodes(CHANCE_NODES)
    each, at = np.unique(aims, return_inverse=True)  # of many sets, each of which moves one aim, few are not the same
    off, at = each[:, None] + beyond_sd_cents * z, at.reshape(aims.shape)
    most, least = (tolerance_cents - off) / own_sd_cents, (-tolerance_cents - off) / own_sd_cents
    return reach * normal_between(least, most)[at], 1.0 - reach * normal_cdf(most)[at], weight


def shares_sent(
    aims_cents: Array,
    beyond_sd_cents: float,
    own_sd_cents: float,
    tolerance_cents: float,
    reach: float | Array = 1.0,
    pitch: OnPitch = ANY_PITCH,
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Of reeds sent that end at these gaps (n,), cents: the share that is good there, within tolerance and on pitch,
    and the share past it, each with the standard deviation by which that of the n reeds scatters. What is not known of
    the chanters is the same for all, so that they scatter by more than as many reeds each by itself. reach: of all, or
    of each (n,)."""
    aims = np.asarray(aims_cents, dtype=np.float64)
    each = np.broadcast_to(reach, aims.shape)[:, None]
    within, past, weight = _ends(aims, beyond_sd_cents, own_sd_cents, tolerance_cents, each)
    good = within[:, :, None] * pitch[0]
    return share_of(good.reshape(len(aims), -1), np.outer(weight, pitch[1]).reshape(-1)), share_of(past, weight)


def share_of(chances: Array, weight: Array) -> tuple[float, float]:
    """The share of n reeds, each by itself with its chance (n, K) given a node of what they share, weights (K,), and
    the standard deviation by which it scatters."""
    given = chances.mean(axis=0)
    mean = float(given @ weight)
    own = float((chances * (1.0 - chances)).mean(axis=0) @ weight) / len(chances)
    return mean, math.sqrt(float((given - mean) ** 2 @ weight) + own)


def enough_sent(
    aims_cents: Sequence[float] | Array,
    wanted: int,
    beyond_sd_cents: float,
    own_sd_cents: float,
    tolerance_cents: float,
    reach: float | Array = 1.0,
    pitch: OnPitch = ANY_PITCH,
) -> Array:
    """Chance (K,) that at least `wanted` of the reeds sent that end at these gaps (n,), cents, are good there, given
    the nodes of the chanter's pitch. reach: of all, or of each (n,)."""
    every = np.broadcast_to(np.asarray(aims_cents, dtype=np.float64), (len(pitch[0]), len(aims_cents)))
    of = (np.broadcast_to(reach, every.shape) * pitch[0][:, None])[..., None]
    return chance_of_so_many(every, wanted, beyond_sd_cents, own_sd_cents, tolerance_cents, of)


@lru_cache(maxsize=1024)
def spaced_aims(
    count: int,
    wanted: int,
    beyond_sd_cents: float,
    own_sd_cents: float,
    tolerance_cents: float,
) -> tuple[tuple[float, ...], float]:
    """Gaps there (cents, flattest first) to work `count` reeds to, and the chance that `wanted` are then within.

    Evenly spaced aims in as many groups as pay are the start, moved one by one while that raises the chance. Of aims
    that give it alike, as any and their mirror image do, the flatter ones: what is past is lost.
    """
    t, sds = tolerance_cents, (beyond_sd_cents, own_sd_cents)

    def chance(aims: Array) -> Array:
        _, past, weight = _ends(aims, *sds, t, 1.0)
        return chance_of_so_many(aims, wanted, *sds, t) - PAST_COUNTS * np.asarray(past.mean(axis=-2) @ weight)

    starts = []
    for places in range(1, max(count // max(wanted, 1), 1) + 1):
        group = np.arange(count) * places // count - (places - 1) / 2.0
        starts += [group * width for width in np.linspace(0.6, 2.4, 10) * t]
    sets = np.array(starts)
    aims = sets[int(np.argmax(chance(sets)))].astype(np.float64)
    best, step = float(chance(aims)), 0.5 * t
    while step > 0.05 * t:
        moved = aims[None, :] + step * np.concatenate([np.eye(count), -np.eye(count)])
        found = chance(moved)
        at = int(np.argmax(found))
        if float(found[at]) > best + 1e-6:
            aims, best = moved[at], float(found[at])
        else:
            step *= 0.5
    aims = np.sort(aims)
    return tuple(round(float(aim), 2) for aim in aims), float(chance_of_so_many(aims, wanted, *sds, t))


def reeds_to_send(
    wanted: int,
    beyond_sd_cents: float,
    own_sd_cents: float,
    tolerance_cents: float,
    now: Now = UNWORKED,
    chance: float = 0.9,
    pitch: OnPitch = ANY_PITCH,
) -> tuple[tuple[float, ...], float]:
    """The fewest reeds, as their aims (cents), with so much chance of as many as wanted good there; and theirs.

    MOST_SENT at most (and no fewer than wanted), be that chance met or not. Where a pitch is ordered the chance to be
    met is that of the cases in which one more would be on it, as in `expected_cost.reeds_to_start`; the aims are those
    for the gap.
    """
    sds = beyond_sd_cents, own_sd_cents, tolerance_cents
    on, weight = pitch
    for count in range(wanted, max(MOST_SENT, wanted) + 1):
        aims, _ = spaced_aims(count, wanted, *sds)
        ends, reach = standing(aims, now, tolerance_cents)
        each = enough_sent(ends, wanted, *sds, reach, pitch)
        enough = float(each @ weight)
        if float(each @ (weight * on) / max(float(on @ weight), 1e-12)) >= chance:
            break
    return aims, enough
