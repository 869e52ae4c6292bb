"""What is assumed of a shop, a type and a chanter before anything is logged. Wide, stated, and called assumptions.

No published slope of note pitch per millimetre of reed removed is known for this instrument; all sizes below are
"common practice, no source" but for two: what a millimetre does to the crow, from the beam law (f ~ 1/L², 2 * 1200 /
(ln 2 * 23 mm) = 150.5 cents per mm of a blade of 23 mm), and the temperature's from the speed of sound
(600 log2((T+1)/T) = 2.95 cents per °C at 20 °C).

Each regressor's ten coefficients (crow, then the nine notes as low A) have a prior mean and a covariance of one shape:
the crow alone, and the notes = a part they share + a part of their own + what takes F up and E down, d = e_F - e_E::

    Q = diag(crow_sd², 0, ...) + common_sd² 1 1' (notes) + own_sd² I (notes) + apart_sd² d d'

so the gap F - E has variance 2 own_sd² + 4 apart_sd². A type's coefficients are the shop's plus the type's own
departure, with a second Q.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trimfit.base.pitch import OUTPUTS
from trimfit.regression.outputs import E_NOTE, F_NOTE, Array, K, block_diagonal

REGRESSORS = ("start", "length", "bend", "lip", "pressure", "temperature")
"""Columns of the design: 1, g(x), g(x)², lip strokes, kPa over the bench's, °C over the bench's."""
P = len(REGRESSORS)
_F_AGAINST_E = np.zeros(K)
_F_AGAINST_E[[F_NOTE, E_NOTE]] = 1.0, -1.0


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of one Q: crow alone, the part the notes share, each note's own, and how far F goes up and E
    down together."""

    crow: float
    common: float
    own: float
    apart: float = 0.0

    def matrix(self) -> Array:
        """Q (10, 10), in the square of the coefficient's unit."""
        q = np.full((K, K), self.common**2) + self.own**2 * np.eye(K)
        q += self.apart**2 * np.outer(_F_AGAINST_E, _F_AGAINST_E)
        q[0, :] = q[:, 0] = 0.0
        q[0, 0] = self.crow**2
        return q


def _mean(crow: float, notes: float, f_over: float = 0.0, top_over: float = 0.0) -> Array:
    out = np.full(K, notes)
    out[0] = crow
    out[F_NOTE] += f_over / 2.0
    out[E_NOTE] -= f_over / 2.0
    for note in ("e", "f", "high_g", "high_a"):
        out[OUTPUTS.index(note)] += top_over
    return out


# regressor: (mean, shop's spread, a type's departure); cents, per mm, per mm², per stroke, per kPa, per °C.
_PRIOR: dict[str, tuple[Array, Spread, Spread]] = {
    "start": (_mean(400.0, 95.0, f_over=-40.0), Spread(150.0, 60.0, 25.0), Spread(70.0, 25.0, 12.0)),
    "length": (_mean(150.0, 10.0, f_over=50.0), Spread(80.0, 25.0, 25.0), Spread(50.0, 15.0, 15.0)),
    "bend": (_mean(0.0, 0.0), Spread(30.0, 5.0, 7.0), Spread(15.0, 3.0, 4.0)),
    "lip": (_mean(0.0, 0.0), Spread(6.0, 3.0, 2.0), Spread(3.0, 1.5, 1.0)),
    "pressure": (_mean(0.0, 4.0, top_over=1.0), Spread(3.0, 4.0, 1.5), Spread(2.0, 2.0, 1.0)),
    "temperature": (_mean(0.0, 2.95), Spread(1.5, 0.4, 0.15), Spread(0.5, 0.2, 0.1)),
}
CHANTER_TERMS = (Spread(0.01, 18.0, 4.0), Spread(0.01, 3.0, 6.0))
"""A chanter moves the notes, never the crow: once by an offset that all types share (its own pitch), once in proportion
to the type's slope (the crow it asks for: so much more or less length, whatever a type makes of a length)."""
C_TERMS = len(CHANTER_TERMS)
WIDE = C_TERMS * K
KIND_SHARE = {"common": 0.7, "own": 0.5}
"""Which part of chanters' variances lies between kinds, before any is known: of the part that the notes share (pitch),
and of each note's own (the crow it asks for, and how its holes are cut)."""
STATED_PITCH_CENTS, STATED_CROW_CENTS = 3.0, 10.0
"""Standard deviations of a stated meeting pitch and of a stated crow about what they state, before any was checked."""
MEETING_CENTS = 105.0, 35.0
"""Mean and standard deviation of chanters' meeting pitches: nine in ten of them from 452 to 483 Hz. Common practice, no
source."""
REED_MEETING_CENTS = 6.0
"""Standard deviation of a reed's meeting pitch about its chanter's ("a hertz or two"): its own, and its type's. Common
practice, no source."""
OWNERS_WEIGHT = 0.25
"""What a reading counts for that an owner took in a chanter that is away, before any was checked: as one with twice the
error of a reading at the bench."""
TAPE_CENTS, TAPE_SD_CENTS = -20.0, 15.0
"""What tape on a note's hole does to it before any was read: it lowers the note, by an amount that nobody measured."""
RANDOM = ("start", "length", "bend")
"""What a batch and a reed have of their own: deviations in these regressors' coefficients."""
OWN = len(RANDOM) * K
REED_SPREAD = {
    "start": Spread(25.0, 6.0, 6.0),
    "length": Spread(30.0, 6.0, 8.0),
    "bend": Spread(7.5, 0.4, 0.4, apart=1.24),
}
"""Bend: a reed whose every further millimetre does less does so to all it moves, each by the same share of its slope.
A twentieth of the gap's slope is 2.5 cents a mm², of the pitch's 0.5. Few
readings tell how one reed bends, so that this counts for much (SEEDS)."""
BATCH_SHARE = {"start": 0.4, "length": 0.4, "bend": 0.15}
"""Batches' variance over that of the reeds within one: their assumption follows what the reeds are found to be. (Were
it in cents, two batches' worth of a wide one would lie over all that thirty batches tell of a shop that varies little.)
"""
STROKE_SHARE, STROKE_TIE = 0.25, 0.5
"""What a stroke does differs from reed to reed by about this share of it, alike on all notes, with a correlation of so
much between crow and notes…"""
STROKE_LEAST = Spread(0.1, 0.07, 0.07)
"""… and by no less than this, in cents a stroke (a tenth of a cent of gap)."""
FEW_REEDS = 10.0
"""Reeds that the assumed spread of batches counts for, beside the shop's own."""
READING_SPREAD = Spread(3.0, 2.0, 1.0)
"""Standard deviations of a reading: crow, notes together, each note alone. Assumed; common practice, no source."""
# How many reeds, batches the assumed variances count for; how many cells the shop's noise, where a type's is learned. A
# bend of its own shows in few reeds: it counts for more. In an EM step starts and slopes count as those of reeds and
# batches that were read as the log's are (`em_iterations.as_read`), bends as those of ones that are known exactly.
SEEDS = {"reed": 3.0, "batch": 2.0, "reed bend": 60.0, "batch bend": 30.0, "noise": 100.0}


def regressor_prior() -> tuple[Array, Array, Array]:
    """Prior of the types' coefficients, pooled in the shop.

    Returns mean (6, 10); shop covariance (6, 10, 10), shared by all types; own covariance (6, 10, 10) of a type.
    The covariance of types s, t is shop + own if s = t, else shop.
    """
    mean = np.stack([_PRIOR[name][0] for name in REGRESSORS])
    shop = np.stack([_PRIOR[name][1].matrix() for name in REGRESSORS])
    own = np.stack([_PRIOR[name][2].matrix() for name in REGRESSORS])
    return mean, shop, own


def chanter_spread(terms: tuple[Spread, ...] = CHANTER_TERMS) -> Array:
    """Covariance (20, 20) of a chanter's two offset vectors."""
    return block_diagonal([term.matrix() for term in terms])


USUAL_GAUGE_MM = 1.0
"""How far a bore gauge's ends lie from the shop's middle one, before it was put into several chanters."""
GAUGE_MEAN = np.concatenate([_mean(0.0, -6.0), np.zeros(K)])
"""What a gauge that enters by the usual difference further does to a chanter's offsets (20,): flatter, by a third of
what chanters differ."""
GAUGE_SPREAD = chanter_spread((Spread(0.01, 10.0, 2.0), Spread(0.01, 1.5, 3.0)))
"""… and how little that is known, (20, 20): half of what chanters differ (CHANTER_TERMS)."""


def tape_prior(output: int) -> tuple[Array, Array]:
    """Mean (10,) and covariance (10, 10) of what tape on the hole of one output's note does: nothing to the others."""
    mean, cov = np.zeros(K), 1e-4 * np.eye(K)
    mean[output], cov[output, output] = TAPE_CENTS, TAPE_SD_CENTS**2
    return mean, cov


def assumed_reed_cov() -> Array:
    """Reeds' covariance (30, 30), within a batch, of the deviations of RANDOM where nothing is known yet."""
    return block_diagonal([REED_SPREAD[name].matrix() for name in RANDOM])


def assumed_batch_cov(reed_cov: Array, assumed: Array, reeds: float) -> Array:
    """Batches' covariance (30, 30) where nothing is known but the reeds': a share of that, term by term.

    reed_cov (30, 30): found in so many reeds; assumed (30, 30): the reeds' before any was seen, which counts for
    FEW_REEDS here, so that a shop of a dozen reeds is not led by them to think its batches alike.
    """
    root = np.repeat(np.sqrt([BATCH_SHARE[name] for name in RANDOM]), K)
    return np.asarray((reeds * reed_cov + FEW_REEDS * assumed) / (reeds + FEW_REEDS) * np.outer(root, root))


def slope_ratio(gap_slopes: npt.ArrayLike) -> float:
    """What the assumed spreads of slopes, which are for a gap that closes 50 cents a mm, are multiplied by in a shop
    whose types close by so much."""
    return float(np.clip(np.mean(np.abs(gap_slopes)) / 50.0, 0.3, 3.0)) if np.size(gap_slopes) else 1.0


def stroke_spread(per_stroke: Array) -> Array:
    """Covariance (10, 10) of what a stroke does to one reed less what it does to its type, per_stroke (10,)."""
    tie = np.ones((K, K))
    tie[0, 1:] = tie[1:, 0] = STROKE_TIE
    return np.asarray(STROKE_SHARE**2 * tie * np.outer(per_stroke, per_stroke) + STROKE_LEAST.matrix())


def assumed_noise() -> Array:
    """Covariance (10, 10) of one reading's errors where nothing is known yet: own errors and the shared seating."""
    return READING_SPREAD.matrix()
