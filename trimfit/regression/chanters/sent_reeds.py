"""What came of reeds sent to a chanter that is away, as evidence of its gap.

A reed left with a last reading r of its gap in a chanter at hand. With h and a the gap's offsets there and in the
chanter that is away (plain, and in proportion to the slope of the reed's type), its gap on arrival was

    d = r + a - h + e,    e: what that reading erred by.

Nobody wrote d down, but only on which side of the tolerance t it lay: |d| <= t of one that was good, d < -t of one that
came back flat, d > t of one that came back sharp. Of such words a share w says nothing (a reed may be logged `good` as
it is sent, before anybody blew it): the likelihood of d is w + (1 - w) [d in there]. With d ~ N(m, v) before, and P, u,
q the chance of that interval and the mean and variance of d in it, d has afterwards

    mean = (w m + (1 - w) P u) / Z,    Z = w + (1 - w) P,
    mean square = (w (v + m²) + (1 - w) P (q + u²)) / Z

and all that is jointly Gaussian with d follows by its regression on d: the projection of assumed density filtering.
Sources: Johnson, Kotz & Balakrishnan (1994), section 10.1 (the truncated normal); Minka (2001), UAI 17, 362 (both from
memory). Checked by draws in tests/regression/chanters/test_sent_reeds.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from trimfit.regression.outputs import GAP, Array, K

Came = Literal["good", "flat", "sharp"]
UNTOLD: dict[Came, float] = {"good": 0.5, "flat": 0.05, "sharp": 0.05}
"""The share of such words that say nothing of the reed in that chanter (assumed)."""


@dataclass(frozen=True, slots=True)
class SentReed:
    """A reed that was sent: the chanter at hand of its last reading (code), its type's slope ratio, the gap read there
    (cents), what came of it, and the tolerance (cents)."""

    read_in: int
    slope_ratio: float
    gap_cents: float
    came: Came
    tolerance_cents: float


def with_sent(
    mean: Array, cov: Array, offsets: Mapping[int, int], away: int, sent: Sequence[SentReed], error_cents: float
) -> tuple[Array, Array]:
    """Mean (n,) and covariance (n, n) of offsets given what came of reeds sent to one chanter.

    offsets: where the offsets (20) of each chanter stand, by code; away: the code of the chanter they went to; a reed
    last read in a chanter that has none there tells nothing. error_cents: standard deviation of a gap reading.
    """
    for reed in sent:
        if reed.read_in not in offsets:
            continue
        row = np.zeros(len(mean))
        for code, sign in ((away, 1.0), (reed.read_in, -1.0)):
            first = offsets[code]
            row[first : first + 2 * K] += sign * np.r_[GAP, reed.slope_ratio * GAP]
        reach = cov @ row
        before, spread = reed.gap_cents + float(row @ mean), float(row @ reach) + error_cents**2
        after, left = _moments(before, spread, reed)
        mean = mean + reach * ((after - before) / spread)
        cov = cov - np.outer(reach, reach) * ((spread - left) / spread**2)
    return mean, cov


def _moments(mean: float, variance: float, reed: SentReed) -> tuple[float, float]:
    """Mean and variance of the gap on arrival, which was N(mean, variance) before it was known what came of it."""
    sd, t, untold = math.sqrt(variance), reed.tolerance_cents, UNTOLD[reed.came]
    low = {"good": -t, "flat": -math.inf, "sharp": t}[reed.came]
    high = {"good": t, "flat": -t, "sharp": math.inf}[reed.came]
    a, b = (low - mean) / sd, (high - mean) / sd
    chance = _between(a, b)
    at_a, at_b = (0.0 if math.isinf(z) else math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) for z in (a, b))
    # chance times the mean, and the mean square, of the deviate within the interval
    first = at_a - at_b
    second = chance + (0.0 if math.isinf(a) else a * at_a) - (0.0 if math.isinf(b) else b * at_b)
    whole = untold + (1.0 - untold) * chance
    shift = (1.0 - untold) * first / whole
    square = (untold + (1.0 - untold) * second) / whole
    return mean + sd * shift, variance * (square - shift * shift)


def _between(a: float, b: float) -> float:
    """The chance of a standard normal deviate between a and b, exact in either tail."""
    if a > 0.0:
        a, b = -b, -a
    return 0.5 * (math.erfc(-b / math.sqrt(2.0)) - math.erfc(-a / math.sqrt(2.0)))
