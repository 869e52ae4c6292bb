"""Why a reed's readings contradict each other: one of them is wrong, or the reed moved of a sudden.

With V the covariance of a reed's readings given all others (`batch.reed_block`) and r their errors, an explanation
adds U C U' to V: a jump before sitting k adds the covariance of a jump to all readings from k on (U = BASIS in their
rows), a wild reading adds WILD - 1 times its own errors, a cell that was mistyped adds SLIP_CENTS² to it. The
log-likelihood gains

    g = ½ b' (I + C M)^-1 C b - ½ log |I + C M|,      b = U' V^-1 r,   M = U' V^-1 U

(Woodbury and the matrix determinant lemma), to which the log of the prior odds is added. The best explanation is taken
while it is better than none, and V counts it from then on. The statistics b'M^-1 b are the auxiliary residuals of
Harvey & Koopman (1992), J. Business & Economic Statistics 10, 377; de Jong & Penzer (1998), JASA 93, 796.
"""

from __future__ import annotations

import math

import numpy as np

from trimfit.regression.movement.process import BASIS, N_DIRECTIONS, SITTING_DAYS, Levels, TypeMovement
from trimfit.regression.movement.wild_readings import WILD
from trimfit.regression.outputs import Array
from trimfit.regression.posterior.batch import BatchSums, Posterior, reading_noise, reed_block

WILD_SHARE, CELL_SHARE = 0.01, 0.002
"""Prior chances that a reading is wild as a whole, and that one of its notes was mistyped."""
SLIP_CENTS = 30.0
"""Standard deviation of a mistyped note, cents: a digit wrong in the third place."""
LOWERED = 0.9
"""Readings that count for less than this as a whole are asked whether the reed has moved."""
FARTHEST_JUMP = 20.0
"""A jump farther out than this (chi-squared with three degrees of freedom: one in 6,000) is none."""
MOST_EXPLANATIONS = 3
"""So many jumps, wild readings and slips of one reed are named, the likeliest first."""
MOST_ROWS = 24
"""A reed's last so many readings are looked at."""


def gain(b: Array, m: Array, cov: Array) -> float:
    """What the log-likelihood gains by adding U cov U' to V: b (c,) = U' V^-1 r, m (c, c) = U' V^-1 U, cov (c, c)."""
    inner = np.eye(len(b)) + cov @ m
    sign, log_det = np.linalg.slogdet(inner)
    if sign <= 0:
        return -math.inf
    return float(0.5 * b @ np.linalg.solve(inner, cov @ b) - 0.5 * log_det)


def jumps_before(
    sums: BatchSums,
    post: Posterior,
    y: Array,
    day: Array,
    noise_cov: Array,
    base: Array,
    weight: Array,
    jump: Array,
    movement: TypeMovement,
) -> Array:
    """Before which rows of a batch the reed had jumped (n,): 1 or 0, at the first row of a sitting.

    y, base, weight (n, K): cents, the weights that readings come with, and those that they would get if no reed had
    moved; day (n,); noise_cov (K, K); jump (n,): what `sums` were formed with.
    """
    out = jump.copy()
    if sums.levels is None or movement.jumps_per_day <= 0.0:
        return out
    whole = _whole(y, weight / base)
    doubted = set(sums.reed_of[(whole < LOWERED) | (jump > 0)].tolist())
    for reed in sorted(doubted):
        at = np.flatnonzero(sums.reed_of == reed)
        if sums.levels.sitting[at[-1]] == sums.levels.sitting[at[0]]:
            continue
        out[at] = _explained(sums, sums.levels, post, y, day, noise_cov, base, jump, movement, reed)
    return out


def _whole(y: Array, share: Array) -> Array:
    """What most of a reading's cells count for (n,): the upper median of share (n, K) over those taken; 1 for none."""
    taken = np.isfinite(y)
    ranked = np.sort(np.where(taken, share, np.inf), axis=1)
    count = taken.sum(axis=1)
    middle = ranked[np.arange(len(y)), np.minimum(count // 2, y.shape[1] - 1)]
    return np.where(np.isfinite(middle), middle, 1.0)


def _explained(
    sums: BatchSums,
    levels: Levels,
    post: Posterior,
    y: Array,
    day: Array,
    noise_cov: Array,
    base: Array,
    jump: Array,
    movement: TypeMovement,
    reed: int,
) -> Array:
    """`jumps_before` of one reed's rows."""
    rows, pull, inverse = reed_block(sums, post, y, reed)
    k = y.shape[1]
    seen = (np.isfinite(y[rows]) & (np.einsum("nkk->nk", sums.w[rows]) > 0)).reshape(-1)
    seen[: max(len(rows) - MOST_ROWS, 0) * k] = False
    at = np.flatnonzero(seen)
    row_of, cell_of = at // k, at % k
    out = np.zeros(len(rows))
    if not len(at):
        return out
    whole = np.linalg.pinv(inverse[np.ix_(at, at)], hermitian=True)
    error = whole @ pull[at]
    # as if each reading counted with the weight it came with, and the reed had never jumped
    each = []
    for i in sorted(set(row_of.tolist())):
        here = np.flatnonzero(row_of == i)
        cells = cell_of[here]
        own = reading_noise(base[rows[i]][None, cells], noise_cov[np.ix_(cells, cells)])[0]
        whole[np.ix_(here, here)] += own - np.linalg.inv(sums.w[rows[i]][np.ix_(cells, cells)])
        each.append((here, own))
    sitting = levels.sitting[rows]
    starts = [int(i) for i in np.flatnonzero(np.diff(sitting) != 0) + 1]
    lift = BASIS[cell_of]
    for i in starts:
        if jump[rows[i]] > 0:
            shown = lift * (row_of >= i)[:, None]
            whole -= jump[rows[i]] * shown @ movement.jump @ shown.T
    whole = 0.5 * (whole + whole.T)
    for _ in range(MOST_EXPLANATIONS):
        precision = np.asarray(np.linalg.inv(whole), dtype=np.float64)
        scaled_error = precision @ error
        best, added, jumped = 0.0, None, -1
        for i in starts:
            days = float(day[rows[i]] - day[rows[i - 1]])
            chance = movement.chance_of_jump(max(days, SITTING_DAYS))
            shown = lift * (row_of >= i)[:, None]
            b, m = shown.T @ scaled_error, shown.T @ precision @ shown
            size = np.linalg.solve(np.eye(N_DIRECTIONS) + movement.jump @ m, movement.jump @ b)
            if size @ np.linalg.solve(movement.jump, size) > FARTHEST_JUMP:
                continue  # no reed jumps so far: it was another reed
            found = gain(b, m, movement.jump)
            found += math.log(chance / (1.0 - chance)) if 0.0 < chance < 1.0 else 0.0
            if found > best and not out[i]:
                best, added, jumped = found, shown @ movement.jump @ shown.T, i
        for here, own in each:
            spot, wild = np.ix_(here, here), np.asarray((WILD - 1.0) * own)
            found = gain(scaled_error[here], precision[spot], wild) + math.log(WILD_SHARE / (1.0 - WILD_SHARE))
            if found > best:
                best, jumped, added = found, -1, np.zeros_like(whole)
                added[spot] = wild
        squares = np.diag(precision)
        slips = 0.5 * scaled_error**2 * SLIP_CENTS**2 / (1.0 + squares * SLIP_CENTS**2)
        slips += math.log(CELL_SHARE) - 0.5 * np.log1p(squares * SLIP_CENTS**2)
        worst = int(np.argmax(slips))
        if slips[worst] > best:
            best, jumped, added = float(slips[worst]), -1, np.zeros_like(whole)
            added[worst, worst] = SLIP_CENTS**2
        if added is None:
            break
        if jumped >= 0:
            out[jumped] = 1.0
        whole = whole + added
    return out
