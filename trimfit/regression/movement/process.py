"""How a reed's level moves with no work done on it, and the covariance that this puts between its readings.

A reed's level moves in three directions of output space: the crow, the gap (F up, E down by half of it each) and the
pitch (all notes alike). BASIS turns cents along them into cents of the ten outputs. With t the time in days, the level
of a reed at its sitting s is, over that at its first sitting,

    w_s = settle' (c_s - c_1) + (the reed's own part of it) + W(t_s) + jumps,      W(t) - W(t') ~ N(0, walk (t - t'))

and all readings of sitting s share an error h_s ~ N(0, sitting). c (2,) says how far a reed has settled: since it was
made, 1 - exp(-age / AGE_DAYS), and since each time it was worked, the sum of 1 - exp(-t / SETTLE_DAYS). So that

    Cov(w_s, w_t) = walk min(t_s, t_t) + sum_k (c_sk - c_1k)(c_tk - c_1k) settle_cov_k + jumps up to min(s, t)
    Cov(z_s, z_t) = Cov(w_s, w_t) + [s = t] sitting,           z_s = w_s + h_s

A jump is an increment with the covariance `jump` between two sittings; the chance of one in d days is
1 - exp(-jumps_per_day d). An event that was logged is an increment with the covariance EVENT.

Learned (`learned_movement`) from idle spans: two sittings of one reed, one after the other, with no work and no event
between. Their difference D, in the three directions, is

    D ~ N(settle' dc, dt walk + 2 sitting + dc² settle_cov + N (1/n + 1/n'))           N: one reading's errors

or wider by a jump, or by WILD - 1 times the readings' errors: a mixture of three, fitted by expectation-maximization,
the assumed covariances counting as a few spans each. Sources: Durbin & Koopman (2012), Time Series Analysis by State
Space Methods, ch. 2 (local level) and 7 (EM); the heavy tails: Fisch, Eckley & Fearnhead (2020), arXiv:2007.03238.
The assumed sizes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.design import SETTLE_DAYS, Rows
from trimfit.regression.movement.wild_readings import WILD
from trimfit.regression.outputs import CROW, E_NOTE, F_NOTE, GAP, PITCH, Array, contrast, edges_of, gap_of, positive

DIRECTIONS = ("crow", "gap", "pitch")
N_DIRECTIONS = len(DIRECTIONS)
BASIS = np.stack([contrast(CROW), 0.5 * GAP, 1.0 - contrast(CROW)], axis=1)
MEASURE = np.stack([contrast(CROW), GAP, PITCH])
"""The three directions read off the ten outputs: MEASURE BASIS is the identity."""
SITTING_DAYS = 0.25
"""Readings of one reed closer together than this share a sitting."""
AGE_DAYS = 12.0
"""How fast a reed settles after it was made (after it was worked: SETTLE_DAYS)."""
MOST_SITTINGS = 40
"""A reed's sittings before its last so many share one level."""


def _covariance(crow: float, gap: float, pitch: float, tie: float) -> Array:
    """Covariance (3, 3) of these standard deviations, every pair with the same correlation."""
    sd = np.array([crow, gap, pitch])
    return np.asarray(np.outer(sd, sd) * np.where(np.eye(N_DIRECTIONS) > 0, 1.0, tie))


WALK = _covariance(1.8, 0.6, 0.9, 0.3)
"""Random walk, cents per √day of crow, gap, pitch. Assumed; common practice, no source."""
SITTING = _covariance(1.2, 0.5, 1.0, 0.2)
"""What all readings of one sitting share, cents. Assumed; common practice, no source."""
SETTLE = np.stack([_covariance(4.0, 1.5, 2.0, 0.3), _covariance(3.0, 1.2, 1.5, 0.3)])
"""Settling still to come after the making and after a work, cents. Assumed; common practice, no source."""
JUMP = _covariance(20.0, 9.0, 8.0, 0.3)
"""A sudden jump, cents. Assumed; common practice, no source."""
EVENT = _covariance(60.0, 30.0, 30.0, 0.0)
"""A logged event may move the level by any amount: so wide that readings after it decide, cents."""
JUMPS_PER_DAY = 0.006
"""Chance of a jump in a day: one in half a year. Assumed; common practice, no source."""
SEEDS = {"shop": 6.0, "type": 5.0, "settle": 6.0, "jump": 4.0}
"""How many spans an assumed covariance counts for: the assumption in the shop's, the shop's in a type's."""
JUMP_DAYS = 100.0
"""How many days the assumed rate of jumps counts for."""
WILD_SHARE = 0.005
"""The chance of an idle span without a jump that the readings on both its sides are wild together (`learned_movement`).
Assumed; common practice, no source."""
EM_STEPS = 60
"""EM steps at most for the shop's movement; it ends earlier where a step changes little."""


@dataclass(frozen=True, slots=True)
class TypeMovement:
    """How reeds of one type move. Directions as in DIRECTIONS.

    walk (3, 3), cents² a day; sitting (3, 3), cents²; settle (2, 3): mean cents by age and by work; settle_cov
    (2, 3, 3): reeds' own; jump (3, 3); jumps_per_day; spans: how many idle spans it was learned from.
    """

    walk: Array
    sitting: Array
    settle: Array
    settle_cov: Array
    jump: Array
    jumps_per_day: float
    spans: float

    def chance_of_jump(self, days: float) -> float:
        """Chance of at least one jump in so many days."""
        return float(jump_chance(self.jumps_per_day, np.array(days)))

    def moves_in(self, days: float, unsettled: Array) -> tuple[Array, Array]:
        """How far a reed moves in so many days: mean (3,) and covariance (3, 3), jumps left out.

        unsettled (2,): how far it has yet to settle by age, and since it was worked (one more for work done now).
        """
        share = unsettled * -np.expm1(-days / np.array([AGE_DAYS, SETTLE_DAYS]))
        spread = days * self.walk + np.einsum("k,kij->ij", share**2, self.settle_cov)
        return share @ self.settle, np.asarray(spread)

    def jump_in(self, days: float) -> Array:
        """Covariance (3, 3) of what jumps in so many days did, if there was one."""
        return np.asarray(self.jump * float(jumps_if_any(self.jumps_per_day, np.array(days))))


@dataclass(frozen=True, slots=True)
class Movement:
    """The movement of each type, then of a type not known (T + 1 of each), and the shop's own jump (3, 3).

    walk, sitting (T + 1, 3, 3); settle (T + 1, 2, 3); settle_cov (2, 3, 3); jump (3, 3); jumps_per_day, spans (T + 1,).
    walk_df (T + 1, 3): how many spans that show the walk alone would tell as much of its variance. settle_sd
    (T + 1, 2, 3): standard errors of settle, cents.
    """

    walk: Array
    sitting: Array
    settle: Array
    settle_cov: Array
    jump: Array
    jumps_per_day: Array
    spans: Array
    walk_df: Array
    settle_sd: Array

    def of(self, type_code: int) -> TypeMovement:
        """One type's movement; that of a type not known for a code beyond the last."""
        t = min(type_code, len(self.spans) - 1) if type_code >= 0 else len(self.spans) - 1
        return TypeMovement(
            self.walk[t], self.sitting[t], self.settle[t], self.settle_cov, self.jump, float(self.jumps_per_day[t]),
            float(self.spans[t]),
        )  # fmt: skip


def assumed_movement(n_types: int) -> Movement:
    """What is assumed of every type before any reed was read twice with no work between."""
    n = n_types + 1
    return Movement(
        np.tile(WALK, (n, 1, 1)),
        np.tile(SITTING, (n, 1, 1)),
        np.zeros((n, 2, N_DIRECTIONS)),
        SETTLE.copy(),
        JUMP.copy(),
        np.full(n, JUMPS_PER_DAY),
        np.zeros(n),
        np.zeros((n, N_DIRECTIONS)),
        np.tile(np.sqrt(np.einsum("kii->ki", SETTLE)), (n, 1, 1)),
    )


def settled(rows: Rows) -> Array:
    """How far the reeds had settled at their readings (n, 2): the first of `settling`."""
    return settling(rows.day, rows.made_day, rows.since_work)[0]


def settling(day: Array, made_day: Array, since_work: Array) -> tuple[Array, Array]:
    """How far reeds had settled (n, 2): by age, and since each time they were worked; and how far they had yet to, by
    what the first will grow if they are left.

    day, made_day (n,), days since 1970; since_work (n, 2) of `design.work_before`. A reed made on an unknown day counts
    as settled by age.
    """
    age = np.where(np.isfinite(made_day), np.maximum(day - made_day, 0.0), np.inf)
    left = np.exp(-age / AGE_DAYS)
    works, fading = since_work[:, 0], since_work[:, 1]
    return np.column_stack([1.0 - left, works - fading]), np.column_stack([left, fading])


def moved_before(jump: Array, event: NDArray[np.bool_], jump_cov: Array) -> Array:
    """What is added to the covariance of the increment before each row (n, 3, 3) by jumps (n,), of covariance jump_cov
    (3, 3), and by events (n,)."""
    return np.asarray(jump[:, None, None] * jump_cov + event[:, None, None] * EVENT)


def unsettled(y: Array, rows: Rows, movement: Movement) -> Array:
    """Readings y (n, K) less what their reeds are expected to have settled by then."""
    t = np.minimum(np.where(rows.type_code < 0, len(movement.spans), rows.type_code), len(movement.spans) - 1)
    return np.asarray(y - np.einsum("nk,nki->ni", settled(rows), movement.settle[t]) @ BASIS.T)


def sittings_of(day: Array, reed_of: NDArray[np.intp], moved: NDArray[np.bool_]) -> NDArray[np.intp]:
    """The number of each row's sitting (n,) within its reed: 0, 1, …; rows in order of time within their reed.

    moved (n,): whether the reed was moved before the row (an event, a jump). A sitting ends there however little time
    lies between.
    """
    edges = edges_of(reed_of)
    new = moved.copy()
    new[1:] |= np.diff(day) > SITTING_DAYS
    new[edges[:-1]] = True
    count = np.cumsum(new)
    first, last = count[edges[:-1]], count[edges[1:] - 1]
    # a reed's sittings before its last MOST_SITTINGS are one with the first of these
    zero = np.repeat(np.maximum(first, last + 1 - MOST_SITTINGS), np.diff(edges))
    return np.asarray(np.maximum(count - zero, 0), dtype=np.intp)


def after_event(event: NDArray[np.bool_], reed_of: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether any event of its reed lies before a row (n,); rows in order of time within their reed. event (n,):
    whether one lies between the row before and it."""
    edges, count = edges_of(reed_of), np.cumsum(event)
    first = edges[:-1]
    return np.asarray(count > np.repeat(count[first] - event[first], np.diff(edges)))


def event_since_first(event: NDArray[np.bool_], reed_of: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether an event of its reed lies between the reed's first row and a row (n,); otherwise as `after_event`."""
    first = np.r_[True, np.diff(reed_of) != 0][: len(reed_of)]
    return after_event(np.asarray(event, dtype=bool) & ~first, reed_of)


@dataclass(frozen=True, slots=True)
class Levels:
    """What the readings of some reeds share in time: effects of each reed's own, three numbers a block.

    sitting (n,): which sitting of its reed a row belongs to; cov (R, 3B, 3B): prior covariance of the reed's B blocks;
    slots (R, S, B): which blocks a sitting's rows show (1 or 0). Without `at`, block s is z_s. With it (`tracked`), the
    blocks are the level w at that moment, the error h of the sitting then, the movement since the sitting before it,
    and z of all earlier sittings.
    """

    sitting: NDArray[np.intp]
    cov: Array
    slots: Array

    @property
    def width(self) -> int:
        """How many numbers a reed has here: 3B."""
        return int(self.cov.shape[1])


def levels_of(
    day: Array,
    settle: Array,
    moved: Array,
    reed_of: NDArray[np.intp],
    type_movement: TypeMovement,
    at: tuple[Array, Array, NDArray[np.bool_]] | None = None,
) -> Levels:
    """The levels of the reeds of one type. day (n,) days, settle (n, 2) as of `settled`, moved (n, 3, 3) of
    `moved_before`; reed_of (n,): 0, 1, … in order, each with rows.

    at: for each reed the day (R,) it is asked about, no earlier than its last row, how far it has settled then (R, 2),
    and whether an event came after its last row (R,).
    """
    sitting = sittings_of(day, reed_of, moved[:, 0, 0] > 0.0)
    ends = edges_of(reed_of)[1:] - 1
    n_reeds, count = len(ends), sitting[ends] + 1
    tracked = at is not None
    width = int(count.max(initial=0)) + tracked
    time, c = np.zeros((n_reeds, width)), np.zeros((n_reeds, width, 2))
    step = np.zeros((n_reeds, width, N_DIRECTIONS, N_DIRECTIONS))
    first = edges_of(reed_of * width + sitting)[:-1]
    time[reed_of[first], sitting[first]] = day[first]
    c[reed_of[first], sitting[first]] = settle[first]
    step[reed_of[first], sitting[first]] = np.add.reduceat(moved, first) if len(first) else moved
    last = count - 1
    if at is not None:
        new = (at[0] - day[ends] > SITTING_DAYS) | at[2]
        last = last + new
        who = np.flatnonzero(new)
        time[who, last[who]], c[who, last[who]] = at[0][who], at[1][who]
        step[who, last[who]] += at[2][who][:, None, None] * EVENT
    after = np.arange(width)[None, :] > last[:, None]
    time = np.where(after, np.take_along_axis(time, last[:, None], axis=1), time)
    c = np.where(after[:, :, None], np.take_along_axis(c, last[:, None, None], axis=1), c)
    step[:, 1:] += np.maximum(np.diff(time, axis=1), 0.0)[:, :, None, None] * type_movement.walk
    step[:, 0] = 0.0
    sums = np.cumsum(step, axis=1)
    order = np.minimum(np.arange(width)[:, None], np.arange(width)[None, :])
    level = sums[:, order]
    dc = c - c[:, :1]
    level = level + np.einsum("rsk,rtk,kab->rstab", dc, dc, type_movement.settle_cov)
    if at is None:
        cov = level.copy()
        cov[:, np.arange(width), np.arange(width)] += type_movement.sitting
        cov[after[:, :, None] | after[:, None, :]] = 0.0
        slots = np.tile(np.eye(width), (n_reeds, 1, 1))
        return Levels(sitting, laid_blocks(cov), slots)
    blocks = 3 + max(width - 1, 0)
    # every block as a sum of levels, and the errors of sittings: [w, h, movement, z_0 ...]
    mix = np.zeros((n_reeds, blocks, width))
    reeds = np.arange(n_reeds)
    mix[reeds, 0, last] = 1.0
    mix[reeds, 2, last] = 1.0
    mix[reeds, 2, np.maximum(last - 1, 0)] -= 1.0
    earlier = np.arange(width - 1)[None, :] < last[:, None]
    mix[:, 3 + np.arange(width - 1), np.arange(width - 1)] = earlier
    cov = np.einsum("rbs,rstij,rct->rbcij", mix, level, mix, optimize=True)
    cov[:, 1, 1] = type_movement.sitting
    old = 3 + np.arange(width - 1)
    cov[:, old, old] += earlier[:, :, None, None] * type_movement.sitting
    slots = np.zeros((n_reeds, width, blocks))
    slots[:, np.arange(width - 1), old] = earlier
    slots[reeds, last, 0] = slots[reeds, last, 1] = 1.0
    return Levels(sitting, laid_blocks(cov), slots)


def laid_blocks(cov: Array) -> Array:
    """(R, B, B, 3, 3) blocks as matrices (R, 3B, 3B)."""
    n, b = cov.shape[:2]
    return np.asarray(cov.transpose(0, 1, 3, 2, 4).reshape(n, b * N_DIRECTIONS, b * N_DIRECTIONS))


@dataclass(frozen=True, slots=True)
class IdleSpans:
    """Pairs of sittings of one reed with no work between.

    type_code (m,); days (m,) between them; moved (m, 3) cents in the three directions, NaN where not read; settle
    (m, 2): how much the reed settled meanwhile; noise (m, 3): 1/n + 1/n' of the readings behind each mean; repeats
    (r, 3): readings of one sitting and state less their mean, scaled to the error of one reading, NaN where not read.
    """

    type_code: NDArray[np.intp]
    days: Array
    moved: Array
    settle: Array
    noise: Array
    repeats: Array


def idle_spans(
    residual: Array,
    weight: Array,
    day: Array,
    settle: Array,
    state: Array,
    event: NDArray[np.bool_],
    reed_of: NDArray[np.intp],
    type_code: NDArray[np.intp],
) -> IdleSpans:
    """The idle spans among readings. Rows in order of reed, then of time.

    residual (n, K): cents less all that conditions and chanters do; weight (n, K): cells under a half are left out;
    day (n,); settle (n, 2); state (n, c): what a reading without work between shares (length, strokes, chanter);
    event (n,): an event lies before the row; reed_of, type_code (n,).
    """
    good = np.where(np.isfinite(residual) & (weight > 0.5), residual, np.nan)
    seen = _measured(good)
    sitting = sittings_of(day, reed_of, event)
    key = np.column_stack([reed_of, sitting, state])
    new = np.r_[True, (np.diff(key, axis=0) != 0).any(axis=1) | event[1:]] if len(key) else np.zeros(0, dtype=bool)
    start = np.flatnonzero(new)
    if not len(start):
        none = np.zeros((0, N_DIRECTIONS))
        return IdleSpans(np.zeros(0, dtype=np.intp), np.zeros(0), none, np.zeros((0, 2)), none, none)
    held = np.isfinite(seen)
    count = np.add.reduceat(held.astype(float), start, axis=0)
    with np.errstate(invalid="ignore"):
        mean = np.add.reduceat(np.where(held, seen, 0.0), start, axis=0) / np.where(count > 0, count, np.nan)
    group = np.cumsum(new) - 1
    left = seen - mean[group]
    left = left * np.sqrt(count / np.maximum(count - 1.0, 1e-9))[group]
    repeats = np.where(count[group] > 1, left, np.nan)
    a, b = start[:-1], start[1:]
    same = (reed_of[a] == reed_of[b]) & (state[a] == state[b]).all(axis=1) & ~event[b] & (sitting[a] != sitting[b])
    at = np.flatnonzero(same)
    moved = mean[at + 1] - mean[at]
    some = np.isfinite(moved).any(axis=1)
    at, moved = at[some], moved[some]
    with np.errstate(divide="ignore"):
        noise = 1.0 / count[at] + 1.0 / count[at + 1]
    return IdleSpans(
        type_code[start[at]], day[start[at + 1]] - day[start[at]], moved, settle[start[at + 1]] - settle[start[at]],
        np.where(np.isfinite(noise), noise, 0.0), repeats[np.isfinite(repeats).any(axis=1)],
    )  # fmt: skip


def _measured(cents: Array) -> Array:
    """Crow, gap and pitch (n, 3) of the outputs (n, K); NaN where one of the notes is missing."""
    return np.column_stack([cents[:, CROW], gap_of(cents), 0.5 * (cents[:, F_NOTE] + cents[:, E_NOTE])])


def reading_noise_3(spans: IdleSpans, noise_cov: Array) -> Array:
    """Covariance (3, 3) of one reading's errors within a sitting: from readings repeated in one state, noise_cov (K, K)
    counting for twenty of them."""
    assumed: Array = MEASURE @ noise_cov @ MEASURE.T
    sd = np.sqrt(np.diag(assumed))
    # as a wild one would be cut down anywhere else
    rest = np.clip(spans.repeats / sd, -3.5, 3.5) * sd
    held = np.isfinite(rest)
    rest = np.where(held, rest, 0.0)
    pairs = held.T.astype(float) @ held
    seed = 20.0
    # each of two readings tells half of a degree of freedom; a mean of the two triangles keeps it positive
    found: Array = (0.5 * rest.T @ rest + seed * assumed) / (0.5 * pairs + seed)
    return positive(found, 1e-3)


def learned_movement(spans: IdleSpans, noise_cov: Array, n_types: int) -> Movement:
    """How each type's reeds move, from their idle spans; noise_cov (K, K): one reading's errors.

    Expectation-maximization. The shop's own figures lean on the assumption and each type's on the shop's, by SEEDS;
    jumps and the spread of settling are the shop's. With no span at all it is the assumption.
    """
    found = assumed_movement(n_types)
    n = len(spans.days)
    if not n:
        return found
    noise = reading_noise_3(spans, noise_cov)
    held = np.isfinite(spans.moved)
    moved = np.where(held, spans.moved, 0.0)
    # a direction that was not read has an error so large that it says nothing
    hole = np.where(held, 0.0, 1e9)[:, :, None] * np.eye(N_DIRECTIONS)
    own = noise[None] * np.sqrt(spans.noise[:, :, None] * spans.noise[:, None, :])
    days, dc, t = spans.days, spans.settle, spans.type_code
    count = np.bincount(t, minlength=n_types).astype(float)
    long = days > SITTING_DAYS
    long_count = np.bincount(t, weights=long, minlength=n_types).astype(float)
    walk, sitting, settle = found.walk[t], found.sitting[t], found.settle[t]
    settle_cov, jump, rate = found.settle_cov, found.jump, JUMPS_PER_DAY
    for _ in range(EM_STEPS):
        base = own + days[:, None, None] * walk + 2.0 * sitting + hole
        base = base + np.einsum("mk,kij->mij", dc**2, settle_cov)
        rest = moved - np.einsum("mk,mki->mi", dc, settle)
        chance, jumps = jump_chance(rate, days), jumps_if_any(rate, days)
        wide = (base, base + jumps[:, None, None] * jump, base + (WILD - 1.0) * own)
        inverse = [np.linalg.inv(c) for c in wide]
        prior = ((1.0 - chance) * (1.0 - WILD_SHARE), chance, (1.0 - chance) * WILD_SHARE)
        log = np.stack([
            np.log(np.maximum(p, 1e-12)) - 0.5 * (np.linalg.slogdet(c)[1] + np.einsum("mi,mij,mj->m", rest, v, rest))
            for p, c, v in zip(prior, wide, inverse, strict=True)
        ])  # fmt: skip
        share = np.exp(log - log.max(axis=0))
        share /= share.sum(axis=0)

        each = _moments(share * long / np.maximum(days, SITTING_DAYS), inverse, days[:, None, None] * walk, rest)
        walks = _pooled(each, t, long_count, WALK)
        each = _moments(share / 2.0, inverse, 2.0 * sitting, rest)
        sittings = _pooled(each, t, count, SITTING)
        with_jump = jumps[:, None, None] * jump
        each = _moments(share[1:2] / jumps, inverse[1:2], with_jump, rest)
        some = float(share[1].sum())
        jump = (each.sum(axis=0) + SEEDS["jump"] * JUMP) / (some + SEEDS["jump"])
        rate = (float((share[1] * jumps).sum()) + JUMP_DAYS * JUMPS_PER_DAY) / (float(days.sum()) + JUMP_DAYS)
        spread = np.empty_like(settle_cov)
        for k in range(2):
            # an amplitude a shows as a dc: the moment of a dc tells dc² times that of a
            size = dc[:, k] ** 2
            each = _moments(share, inverse, size[:, None, None] * settle_cov[k], rest)
            spread[k] = (each.sum(axis=0) + SEEDS["settle"] * SETTLE[k]) / (float(size.sum()) + SEEDS["settle"])
        precision = np.einsum("cm,cmij->mij", share, np.stack(inverse))
        settles, settle_sd = _mean_settling(moved, dc, precision, t, n_types)
        walk, sitting, settle, settle_cov = walks[t], sittings[t], settles[t], spread
    spans_of = np.append(count, float(n))
    df = _walk_df(np.einsum("mii->mi", base), days, t, walks, sittings)
    return Movement(walks, sittings, settles, settle_cov, jump, np.full(n_types + 1, rate), spans_of, df, settle_sd)


def _walk_df(variance: Array, days: Array, type_code: NDArray[np.intp], walks: Array, sittings: Array) -> Array:
    """`Movement.walk_df` (T + 1, 3): by the Fisher information in spans that share their variance S = days w + 2 s + …
    between the walk's w and the sittings' s, a span that shows the walk alone having 1 / (2 w²) of it.

    With I_ww = Σ days² / 2 S², I_ws = Σ days / S² and I_ss = Σ 2 / S² (and what is assumed of s), what is known of w
    while s is not is I_ww - I_ws² / I_ss. variance (m, 3): S of each span; days, type_code (m,); walks, sittings
    (T + 1, 3, 3).
    """
    out = np.zeros((len(walks), N_DIRECTIONS))
    for t in range(len(walks)):
        at = type_code == t if t < len(walks) - 1 else np.ones(len(days), dtype=bool)
        w, s = np.diag(walks[t]), np.diag(sittings[t])
        d, square = days[at, None], variance[at] ** 2
        of_walk, tied = (0.5 * d**2 / square).sum(axis=0), (d / square).sum(axis=0)
        of_sitting = (2.0 / square).sum(axis=0) + 0.5 * SEEDS["type"] / s**2
        out[t] = 2.0 * w**2 * (of_walk - tied**2 / of_sitting)
    return out


def jump_chance(rate: float, days: Array) -> Array:
    """Chance (m,) of at least one jump in so many days (m,), rate: jumps a day."""
    return np.asarray(-np.expm1(-rate * np.maximum(days, 0.0)))


def jumps_if_any(rate: float, days: Array) -> Array:
    """How many jumps (m,) are expected in so many days (m,) if there is one at all."""
    expected = np.maximum(rate * np.maximum(days, 0.0), 1e-9)
    return np.asarray(expected / -np.expm1(-expected))


def _pooled(each: Array, type_code: NDArray[np.intp], count: Array, assumed: Array) -> Array:
    """Covariances (T + 1, 3, 3) of the types, then of a type not known: the shop's leans on the assumption, a type's on
    the shop's. each (m, 3, 3): spans' second moments; type_code (m,); count (T,): how many of a type there are.
    """
    shop = (each.sum(axis=0) + SEEDS["shop"] * assumed) / (float(count.sum()) + SEEDS["shop"])
    own = np.stack([each[type_code == t].sum(axis=0) for t in range(len(count))])
    types = (own + SEEDS["type"] * shop) / (count + SEEDS["type"])[:, None, None]
    return np.concatenate([types, shop[None]])


def _mean_settling(
    moved: Array, dc: Array, precision: Array, type_code: NDArray[np.intp], n_types: int
) -> tuple[Array, Array]:
    """The mean settling (T + 1, 2, 3) of the types, then of a type not known: by weighted least squares, the shop's
    with the spread SETTLE about nothing, a type's with the same about the shop's; and its standard errors, from the
    inverse of the information, a type's with the shop's own carried on (Σ_t + B Σ_shop B', B = Σ_t SETTLE^-1).

    moved (m, 3) cents, dc (m, 2), precision (m, 3, 3) of each span; type_code (m,).
    """
    prior = np.zeros((2, N_DIRECTIONS, 2, N_DIRECTIONS))
    for k in range(2):
        prior[k, :, k] = np.linalg.inv(SETTLE[k])
    flat = prior.reshape(2 * N_DIRECTIONS, 2 * N_DIRECTIONS)

    def solved(at: NDArray[np.bool_], about: Array) -> tuple[Array, Array]:
        info = np.einsum("mk,ml,mij->kilj", dc[at], dc[at], precision[at]).reshape(flat.shape) + flat
        right = np.einsum("mk,mij,mj->ki", dc[at], precision[at], moved[at]).reshape(-1) + flat @ about.reshape(-1)
        cov = np.linalg.inv(info)
        return (cov @ right).reshape(2, N_DIRECTIONS), cov

    shop, shop_cov = solved(np.ones(len(dc), dtype=bool), np.zeros((2, N_DIRECTIONS)))
    means, errors = [], []
    for t in range(n_types):
        mean, cov = solved(type_code == t, shop)
        carried = cov @ flat
        means.append(mean)
        errors.append(np.diag(cov + carried @ shop_cov @ carried.T))
    errors.append(np.diag(shop_cov))
    return np.stack([*means, shop]), np.sqrt(np.stack(errors)).reshape(n_types + 1, 2, N_DIRECTIONS)


def _moments(share: Array, inverse: list[Array], cov: Array, rest: Array) -> Array:
    """Second moments (m, 3, 3) of a part of `rest` (m, 3) that has the covariance cov (m, 3, 3), each component's
    counted by share (c, m); inverse: of the whole covariance (m, 3, 3) under each."""
    out = np.zeros_like(inverse[0])
    for part, precision in zip(share, inverse, strict=True):
        gain = cov @ precision
        mean = (gain @ rest[:, :, None])[:, :, 0]
        out += part[:, None, None] * (mean[:, :, None] * mean[:, None, :] + cov - gain @ cov)
    return out
