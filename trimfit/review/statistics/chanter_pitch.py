"""What a chanter asks for: the pitch at which F and E meet in it, and the crow that reeds of a type have there.

A reading at some gap predicts the meeting point by the type's learned ratios (cents of pitch, or of crow, for each
cent of gap); the further from it, the less it says, since a reed's own ratio differs from its type's. So each reading
counts by the variance

    Var = reading error of the value + ratio² · reading error of the gap + (own² + ratio's sd²) · gap²

(`own`: how far a reed's ratio strays from its type's), and readings of one reed are taken
together. What is not known of a type's ratio is common to all its reeds, so that many uncut ones tell no more of it
than one: with W a reed's weight in the pooled value, it adds (sum of W · ratio's sd · gap)² for each type. Reeds of one
batch are alike, so ten reeds of one batch tell less than ten of ten: a reed's value is the chanter's + its batch's +
its own + error,

    value ~ m + N(0, batch²) + N(0, reed²) + N(0, var),

with both spreads found from all the shop's chanters together (`spread_of`: within and between batches, by moments, as
in an analysis of variance) and held to what is usual by as much as a few reeds and batches would: a chanter known from
two readings gets a wide answer, not none. Its pitch is then held to where chanters are known to lie
(`held`). The interval is Student's, with the degrees of freedom of Satterthwaite (Biometrics Bulletin 2 (1946) 110) for
a variance made of two found ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trimfit.base.pitch import hz_from_cents
from trimfit.base.units import Interval

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.intp]
SEED_REEDS, SEED_BATCHES = 6.0, 4.0
"""What is usual counts for as many degrees of freedom within and between batches."""
FAR_SDS, MEDIAN_TO_SD, LEAST_TO_WIDEN = 5.0, 1.4826, 10
OWN_PITCH, OWN_CROW = 0.12, 0.25
"""How far a reed's own course strays from its type's: cents of pitch a cent of gap, and share of the crow's ratio."""


@dataclass(frozen=True, slots=True)
class ReedSpread:
    """How reeds' values vary: standard deviations among reeds of a batch and among batches, cents, and the degrees of
    freedom that each rests on."""

    reed_sd: float
    batch_sd: float
    reed_df: float = SEED_REEDS
    batch_df: float = SEED_BATCHES


PITCH_SPREAD, CROW_SPREAD = ReedSpread(2.6, 1.5), ReedSpread(17.0, 10.0)
"""How far reeds of one make move a chanter's meeting pitch ("a hertz or two") and the crow they have there, before
anything is read: common practice, no source."""


@dataclass(frozen=True, slots=True)
class ReedValues:
    """One value a reed, arrays (R,): in cents from 440 Hz, its variance, and the code of the reed's batch; and shared
    (R, T), its error for one standard deviation of each type's ratio, cents."""

    value: Array
    var: Array
    batch: Codes
    shared: Array


@dataclass(frozen=True, slots=True)
class Pooled:
    """A pooled value: mean and variance of it, its degrees of freedom, the scatter of single reeds about it (a standard
    deviation), how many reeds and of how many batches."""

    mean: float
    var: float
    df: float
    reed_sd: float
    reeds: int
    batches: int

    @property
    def half(self) -> float:
        """Half the width of the 90 % interval, cents."""
        from scipy.special import stdtrit

        return float(stdtrit(self.df, 0.95)) * math.sqrt(self.var)


def at_meeting(
    value: Array, gap: Array, ratio: Array, value_var: Array, gap_var: Array, own: Array
) -> tuple[Array, Array]:
    """A value (n,) taken along `ratio` (n,) to gap zero, and its variance; all in cents. `own`: cents a cent of gap."""
    return value - ratio * gap, value_var + ratio**2 * gap_var + (own * gap) ** 2


def reed_means(value: Array, var: Array, reed: Codes, batch: Codes, shared: Array, kind: Codes) -> ReedValues:
    """Readings (n,) of each reed taken together, in the order of the reeds' codes; shared, kind (n,): a reading's error
    for one standard deviation of its type's ratio, and the type's code."""
    _, first, back = np.unique(reed, return_index=True, return_inverse=True)
    types, column = np.unique(kind, return_inverse=True)
    weight = np.bincount(back, 1.0 / var)
    common = np.zeros((len(weight), len(types)))
    np.add.at(common, (back, column), shared / var)
    return ReedValues(np.bincount(back, value / var) / weight, 1.0 / weight, batch[first], common / weight[:, None])


def pitch_at_meeting(
    pitch: Array, gap: Array, ratio: Array, ratio_sd: Array, pitch_var: Array, gap_var: Array,
    reed: Codes, batch: Codes, kind: Codes,
) -> ReedValues:  # fmt: skip
    """Each reed's pitch at the meeting point, from readings of E and F in one chanter (n,), cents from 440 Hz."""
    value, var = at_meeting(pitch, gap, ratio, pitch_var, gap_var, np.hypot(OWN_PITCH, ratio_sd))
    return reed_means(value, var, reed, batch, ratio_sd * gap, kind)


def crow_at_meeting(
    crow: Array, gap: Array, ratio: Array, ratio_sd: Array, crow_var: Array, gap_var: Array,
    reed: Codes, batch: Codes, kind: Codes,
) -> ReedValues:  # fmt: skip
    """Each reed's crow at the meeting point, from readings of one type's reeds in a chanter (n,), cents from 440 Hz."""
    value, var = at_meeting(crow, gap, ratio, crow_var, gap_var, np.hypot(OWN_CROW * ratio, ratio_sd))
    return reed_means(value, var, reed, batch, ratio_sd * gap, kind)


def _near(reeds: ReedValues, spread_var: float) -> ReedValues:
    """Without values far out (5 sd about the median): a reading on another chanter than was written."""
    if not len(reeds.value):
        return reeds
    near = np.abs(reeds.value - np.median(reeds.value)) <= FAR_SDS * np.sqrt(reeds.var + spread_var)
    return ReedValues(reeds.value[near], reeds.var[near], reeds.batch[near], reeds.shared[near])


def _alone_var(chanters: Sequence[ReedValues], usual: ReedSpread) -> float:
    """Variance of single reeds about their chanter: the usual one, or that by the median of all distances if larger.

    Values far out are known by it: were it too small, the ends of a wide spread would pass for slips.
    """
    alone = usual.reed_sd**2 + usual.batch_sd**2
    away = [np.abs(reeds.value - np.median(reeds.value)) for reeds in chanters if len(reeds.value) > 2]
    far = np.concatenate(away) if away else np.empty(0)
    return max(alone, float(MEDIAN_TO_SD * np.median(far)) ** 2) if len(far) >= LEAST_TO_WIDEN else alone


def _batch_means(reeds: ReedValues, reed_var: float) -> tuple[Codes, Array, Array, Codes]:
    """Of each batch: how many reeds, weight, weighted mean; and each reed's batch by its place."""
    _, place = np.unique(reeds.batch, return_inverse=True)
    p = 1.0 / (reeds.var + reed_var)
    weight = np.asarray(np.bincount(place, p), dtype=float)
    count = np.bincount(place).astype(np.intp)
    return count, weight, np.bincount(place, p * reeds.value) / weight, place.astype(np.intp)


def spread_of(chanters: Sequence[ReedValues], usual: ReedSpread) -> ReedSpread:
    """The spreads among reeds of a batch and among batches, from all chanters' reeds, each about its own chanter."""
    square, free = usual.reed_df * usual.reed_sd**2, usual.reed_df
    alone = _alone_var(chanters, usual)
    sound = [_near(reeds, alone) for reeds in chanters if len(reeds.value)]
    for reeds in sound:
        count, _, _, place = _batch_means(reeds, usual.reed_sd**2)
        mean = np.bincount(place, reeds.value) / count
        of_errors = float((reeds.var * (1.0 - 1.0 / count[place])).sum())
        square += float(((reeds.value - mean[place]) ** 2).sum()) - of_errors
        free += float(len(reeds.value) - len(count))
    reed_var = max(square / free, 0.1 * usual.reed_sd**2)
    batch_square, batch_free = usual.batch_df * usual.batch_sd**2, usual.batch_df
    for reeds in sound:
        count, weight, mean, _ = _batch_means(reeds, reed_var)
        if len(count) > 1:
            batch_square += float(((mean - mean.mean()) ** 2).sum() - (1.0 - 1.0 / len(count)) * (1.0 / weight).sum())
            batch_free += float(len(count) - 1)
    batch_var = max(batch_square / batch_free, 0.1 * usual.batch_sd**2)
    return ReedSpread(math.sqrt(reed_var), math.sqrt(batch_var), free, batch_free)


def pooled(reeds: ReedValues, spread: ReedSpread) -> Pooled | None:
    """Pool reeds' values into what the chanter asks for; None without a reed. Values far out are left out."""
    reeds = _near(reeds, spread.reed_sd**2 + spread.batch_sd**2)
    if not len(reeds.value):
        return None
    _, weight, mean, place = _batch_means(reeds, spread.reed_sd**2)
    w = 1.0 / (1.0 / weight + spread.batch_sd**2)
    var = 1.0 / float(w.sum())
    of_each = (w * var / weight)[place] / (reeds.var + spread.reed_sd**2)
    of_ratios = float(np.sum((of_each @ reeds.shared) ** 2))
    of_batches = spread.batch_sd**2 * float((w**2).sum()) * var**2
    df = (var + of_ratios) ** 2 / (of_batches**2 / spread.batch_df + (var - of_batches) ** 2 / spread.reed_df)
    alone = math.hypot(spread.reed_sd, spread.batch_sd)
    return Pooled(float(w @ mean) * var, var + of_ratios, df, alone, len(reeds.value), len(mean))


def held(found: Pooled, mean: float, sd: float) -> Pooled:
    """A pooled value held to what is usual, N(mean, sd²) cents, by Bayes' rule: one reed far from meeting says little.

    By Satterthwaite's rule the degrees of freedom grow by (var / new var)².
    """
    var = 1.0 / (1.0 / found.var + 1.0 / sd**2)
    new = var * (found.mean / found.var + mean / sd**2)
    return replace(found, mean=new, var=var, df=found.df * (found.var / var) ** 2)


def hz_interval(found: Pooled) -> Interval:
    """90 % interval in Hz of a pooled value in cents from 440 Hz."""
    return Interval(*(hz_from_cents(found.mean + d) for d in (0.0, -found.half, found.half)))


def far_apart(one: Pooled, other: Pooled) -> bool:
    """Whether two pooled values lie further apart than 1 cent and than their errors allow (about 1 in 100)."""
    apart = abs(one.mean - other.mean)
    return apart > max(1.0, 2.58 * math.sqrt(one.var + other.var))
