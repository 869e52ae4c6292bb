"""Passes over all batches under the covariances in work: the coefficients' posterior, the cells' weights, EM steps.

One pass sums each batch's rows (`batch.batch_sums`), gathers what they say of all coefficients, and looks back at each
batch given all the others: its deletion residuals weigh its cells, its moments move the covariances.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.chanters.kinds import Hierarchy
from trimfit.regression.design import Coding, Rows, balance_weight, owners
from trimfit.regression.fitting.outliers import LEAST_WEIGHT
from trimfit.regression.movement.jumps import jumps_before
from trimfit.regression.movement.process import (
    MEASURE,
    N_DIRECTIONS,
    SITTING_DAYS,
    Movement,
    after_event,
    levels_of,
    moved_before,
    settled,
)
from trimfit.regression.movement.wild_readings import FEW_WILD, wild_share
from trimfit.regression.outputs import GAP, Array, K, block_diagonal, edges_of
from trimfit.regression.posterior.batch import (
    BatchSums,
    Deletion,
    Posterior,
    Terms,
    batch_sums,
    deletion,
    marginal,
    posterior_of,
    reed_moments,
    row_precision,
    sound_weights,
)
from trimfit.regression.priors import OWN, SEEDS, WIDE, P, assumed_batch_cov

LEAST_STRETCH = 0.9
"""A next reading is never said to be much better than a sound one."""
COPIED = 0.5
"""An output whose errors are mostly smaller than this share of what REML says is a copy of another one."""
LEAST_CELLS = 30
"""Fewer tell nothing of how good readings are."""
WILDEST = 2.5
"""No reading counts for more than so many times the usual one when a type's errors are measured."""
FARTHEST = 9.0
"""The same where one direction alone is looked at: three standard deviations."""
OWNERS_CELLS, LEAST_OWNERS = 40.0, 0.02
"""The assumed weight of owners' readings counts for so many of their cells; they count for no less than the second."""
OWNERS_ROUNDS = 8
"""In the shop of its test that weight stands to four decimals before so many rounds, whether owners err as the bench
does or five times as much."""
FREE = 1e6
"""Times their covariance, reeds' own terms are as good as free."""


@dataclass(slots=True)
class Globals:
    """Covariances in work, how reeds move (None: not at all), and the posterior of all coefficients under them."""

    batch_cov: Array
    reed_cov: Array
    noise_cov: Array
    reed_scale: Array
    noise_scale: Array
    chanter_cov: Array
    coef: Array
    coef_cov: Array
    movement: Movement | None = None
    hierarchy: Hierarchy | None = None


@dataclass(frozen=True, slots=True)
class Piece:
    """One batch's rows: where they stand, its type, which coefficients of the fitted model they meet; among its terms
    the offsets of `strangers` chanters come before all other coefficients: the fitted model has no room for these, and
    they are the batch's own, like its deviations."""

    at: slice
    type_code: int
    local: NDArray[np.intp]
    terms: Terms
    reed_of: NDArray[np.intp]
    strangers: int

    def own_cov(self, g: Globals) -> Array:
        """Prior of what is this batch's own: its deviations, then the strangers' offsets."""
        return block_diagonal([g.batch_cov, *[g.chanter_cov] * self.strangers]) if self.strangers else g.batch_cov


def pieces_of(rows: Rows, coding: Coding, n_types: int, tapes: tuple[Array, int] | None = None) -> list[Piece]:
    """The rows, sorted by batch and reed, batch by batch.

    tapes: what each row multiplies the tapes' coefficients by (n, tapes), and where the first of these stands.
    """
    x6 = coding.regressors(rows.removed_mm, rows.lip, rows.kpa, rows.deg_c, rows.type_code)
    psi = coding.random_part(x6, rows.type_code)
    out = []
    for lo, hi in pairwise(edges_of(rows.batch_code).tolist()):
        at = slice(lo, hi)
        t = int(rows.type_code[lo])
        met = np.unique(rows.chanter_code[at])
        known = met[(met >= 0) & (met < len(coding.chanters))]
        strangers = met[met >= len(coding.chanters)]
        scales = coding.chanter_part(rows.type_code[at])
        hot = [
            [(rows.chanter_code[at] == c).astype(float)[:, None] * scales for c in some] for some in (strangers, known)
        ]
        met_terms = np.flatnonzero(x6[at].any(axis=0))  # few batches know of lips, or of any odd weather
        worn = np.flatnonzero(tapes[0][at].any(axis=0)) if tapes else np.empty(0, dtype=np.intp)
        first = P * K * t
        local = np.concatenate(
            [np.arange(first + K * j, first + K * (j + 1)) for j in met_terms]
            + [np.arange(P * K * n_types + WIDE * c, P * K * n_types + WIDE * (c + 1)) for c in known]
            + [np.arange(tapes[1] + K * number, tapes[1] + K * (number + 1)) for number in worn if tapes]
        ).astype(np.intp)
        reed_of = rows.reed_code[at] - rows.reed_code[lo]
        taped = [tapes[0][at][:, worn]] if tapes else []
        x = np.concatenate([*hot[0], x6[at][:, met_terms], *hot[1], *taped], axis=1)
        out.append(Piece(at, t, local, Terms.of(psi[at], x), reed_of, len(strangers)))
    return out


def _sums(rows: Rows, pieces: Sequence[Piece], g: Globals) -> Iterator[BatchSums]:
    """The sums of these batches."""
    w, wy = row_precision(rows.y, rows.weight, g.noise_cov)
    settle = settled(rows)
    for piece in pieces:
        at, t, levels = piece.at, piece.type_code, None
        if g.movement is not None:
            moved = moved_before(rows.jump[at], rows.event[at], g.movement.jump)
            levels = levels_of(rows.day[at], settle[at], moved, piece.reed_of, g.movement.of(t))
        scale, reed_cov = g.noise_scale[t], g.reed_cov * g.reed_scale[t]
        yield batch_sums(piece.terms, w[at] / scale, wy[at] / scale, piece.reed_of, reed_cov, levels)


def batch_information(piece: Piece, rows: Rows, g: Globals) -> tuple[Array, Array]:
    """What a batch's rows say of the coefficients that it meets (`piece.local`): information and vector."""
    (sums,) = _sums(rows, [piece], g)
    return marginal(sums.m, sums.mv, piece.own_cov(g))


def sums_again(rows: Rows, before: Rows, pieces: list[Piece], g: Globals, found: list[BatchSums]) -> list[BatchSums]:
    """The sums, `found` for the rows as they were `before` under the same covariances, with the weights (and jumps) of
    these."""

    def same(at: slice) -> bool:
        return bool((rows.weight[at] == before.weight[at]).all() and (rows.jump[at] == before.jump[at]).all())

    anew = _sums(rows, [piece for piece in pieces if not same(piece.at)], g)
    return [sums if same(piece.at) else next(anew) for piece, sums in zip(pieces, found, strict=True)]


def joint_pass(
    rows: Rows, pieces: list[Piece], g: Globals, prior: tuple[Array, Array], found: list[BatchSums] | None = None
) -> list[BatchSums]:
    """Set the posterior of all coefficients in `g` under its covariances; prior = (mean, precision). Gives the sums.

    found: the sums, where they are at hand.
    """
    k = prior[1].copy()
    right = prior[1] @ prior[0]
    met = np.zeros(len(right), dtype=bool)
    found = list(_sums(rows, pieces, g)) if found is None else found
    for piece, sums in zip(pieces, found, strict=True):
        info, vector = marginal(sums.m, sums.mv, piece.own_cov(g))
        k[np.ix_(piece.local, piece.local)] += info
        right[piece.local] += vector
        met[piece.local] = True
    # what no row meets, and is tied to nothing met, is as it was before: it makes no other inverse larger
    ties = prior[1] != 0.0
    while (tied := met | ties[met].any(axis=0)).sum() > met.sum():
        met = tied
    g.coef_cov = np.zeros_like(k)
    for part in (met, ~met):
        at = np.ix_(part, part)
        inverse = np.linalg.inv(0.5 * (k[at] + k[at].T))
        g.coef_cov[at] = 0.5 * (inverse + inverse.T)
    g.coef = g.coef_cov @ right
    return found


def batch_views(
    rows: Rows, pieces: list[Piece], g: Globals, found: list[BatchSums] | None = None
) -> Iterator[tuple[Piece, BatchSums, Posterior]]:
    """Each batch's sums with the posterior about its omega given everything (its own rows counted once).

    found: the sums, where they are at hand for these weights and covariances.
    """
    for piece, sums in zip(pieces, _sums(rows, pieces, g) if found is None else found, strict=True):
        cov_phi = g.coef_cov[np.ix_(piece.local, piece.local)]
        yield piece, sums, posterior_of(sums.m, sums.mv, piece.own_cov(g), g.coef[piece.local], cov_phi)


def _left_out(rows: Rows, pieces: list[Piece], g: Globals, found: list[BatchSums] | None = None) -> Deletion:
    """What all other readings leave of each of these batches', one batch after another; found: as for `batch_views`."""
    views = batch_views(rows, pieces, g, found)
    return Deletion.joined([deletion(sums, post, rows.y[piece.at]) for piece, sums, post in views])


def _rows_of(pieces: Sequence[Piece]) -> NDArray[np.intp]:
    """The numbers of the rows of these batches, one batch after another."""
    return np.concatenate([np.arange(piece.at.start, piece.at.stop) for piece in pieces])


def reweigh(rows: Rows, pieces: list[Piece], g: Globals, base: Array, found: list[BatchSums]) -> Rows:
    """The rows with cell weights from the deletion residuals, times the weights they came with; found: their sums."""
    views = list(batch_views(rows, pieces, g, found))
    gone = Deletion.joined([deletion(sums, post, rows.y[piece.at]) for piece, sums, post in views])
    # slips blow REML's noise up before they are found: measure them by the median of the residuals instead
    full = np.abs(gone.cell_residuals()) / np.sqrt(np.maximum(rows.weight / base, LEAST_WEIGHT))
    middle = np.array(
        [np.quantile(v, 0.683) if len(v := full[np.isfinite(full[:, k]), k]) >= 30 else 1.0 for k in range(K)]
    )
    middle = np.clip(middle, 0.1, 1.0)
    noise = g.noise_cov * g.noise_scale[rows.type_code][:, None, None]
    event = after_event(rows.event, rows.reed_code)
    fresh, jump = sound_weights(gone, rows.reed_code, noise, base, rows.weight, middle, event), rows.jump.copy()
    for piece, sums, post in views:
        if g.movement is not None:
            at = piece.at
            jump[at] = jumps_before(
                sums, post, rows.y[at], rows.day[at], noise[at.start], base[at], fresh[at] * base[at], rows.jump[at],
                g.movement.of(piece.type_code),
            )  # fmt: skip
    # what a jump explains is no fault of the readings: they are judged anew with it
    fresh[np.isin(rows.reed_code, rows.reed_code[jump != rows.jump])] = 1.0
    return replace(rows, weight=np.maximum(base * fresh, LEAST_WEIGHT), jump=jump)


def em_step(
    rows: Rows,
    pieces: list[Piece],
    g: Globals,
    assumed: Array,
    n_types: int,
    found: list[BatchSums],
) -> None:
    """One EM step for batch and reed covariances and the types' scales; assumptions count as a few groups.

    assumed (30, 30): the reeds' covariance before any is seen; the batches' follows the reeds'. found: the rows' sums.
    """
    batch_sum, reed_sum = np.zeros((OWN, OWN)), np.zeros((OWN, OWN))
    lines = slice(0, 2 * K)  # start and slope
    left_batch, assumed_sum = np.empty((len(pieces), 2 * K, 2 * K)), np.zeros((2 * K, 2 * K))
    type_sum = np.zeros((n_types, OWN, OWN))
    type_n = np.zeros(n_types)
    for number, (piece, sums, post) in enumerate(batch_views(rows, pieces, g, found)):
        u = post.mean[:OWN]
        batch_sum += np.outer(u, u) + post.cov[:OWN, :OWN]
        left_batch[number] = post.cov[lines, lines]
        mean, cov = reed_moments(sums, post)
        mean, cov = mean[:, :OWN], cov[:, :OWN, :OWN]
        mine = mean.T @ mean + cov.sum(axis=0)
        scale = g.reed_scale[piece.type_code]
        reed_sum += mine / scale
        assumed_sum += as_read(assumed[lines, lines], g.reed_cov[lines, lines], cov[:, lines, lines] / scale)
        type_sum[piece.type_code] += mine
        type_n[piece.type_code] += len(mean)
    n_reeds, n_batches = float(type_n.sum()), float(len(pieces))
    seen = block_diagonal([assumed_sum / n_reeds, assumed[2 * K :, 2 * K :]])
    g.reed_cov = _seeded(reed_sum, n_reeds, seen, SEEDS["reed"], SEEDS["reed bend"])
    likely = assumed_batch_cov(g.reed_cov, assumed, n_reeds)
    likely[lines, lines] = as_read(likely[lines, lines], g.batch_cov[lines, lines], left_batch) / n_batches
    g.batch_cov = _seeded(batch_sum, n_batches, likely, SEEDS["batch"], SEEDS["batch bend"])
    inverse = np.linalg.inv(g.reed_cov)
    raw = np.array([np.sum(inverse * s) for s in type_sum]) / OWN
    # held against the shop's own middle: what the assumptions add makes every type look less than the whole, and were
    # that taken for a scale, the reeds' covariance would shrink with each step
    raw *= n_reeds / max(float(raw.sum()), 1e-9)
    seed = 20.0
    g.reed_scale = np.clip((raw + seed) / (type_n + seed), 0.25, 4.0)
    g.reed_scale /= float(np.exp(np.average(np.log(g.reed_scale), weights=np.maximum(type_n, 1e-9))))


def as_read(assumed: Array, cov: Array, left: Array) -> Array:
    """What an EM step would find in reeds, or batches, of the covariance `assumed` (o, o) that were read as these were:
    the sum (o, o) over these of E[v v' | readings], with cov (o, o) in work; left (R, o, o): the covariances of v given
    the readings.

    With v ~ N(0, cov), a reed's mean given its readings has the covariance cov - left. It is G (v + e), of the true v
    and the readings' error e, with G = 1 - left cov^-1. So that where v ~ N(0, assumed) the mean's covariance is

        cov - left + G (assumed - cov) G',       and with what is left of v       E[v v'] = cov + G (assumed - cov) G'.

    A reed that is known exactly has G = 1, and gives `assumed`; one that tells nothing gives `cov` again. EM ends where
    n reeds and s assumed ones, read alike, say the same: cov = (n found + s assumed) / (n + s). (Were each assumed reed
    taken for one that is known exactly, three of them would outweigh hundreds that tell little of some term, as they do
    of how the pitch answers a cut, and its variance would be the assumed one whatever was read. The bend, of which
    reeds tell next to nothing, is held to the assumption in that way.) G falls with cov, of assumed reeds as of read
    ones, so that a variance near 0 stays there: where EM begins must be sound (`covariances.blended`).
    """
    gain = np.eye(len(cov)) - left @ np.linalg.inv(cov)
    return np.asarray(len(left) * cov + (gain @ (assumed - cov) @ gain.transpose(0, 2, 1)).sum(axis=0))


def _seeded(total: Array, count: float, assumed: Array, seed: float, bend_seed: float) -> Array:
    """Covariance (3K, 3K) from a sum over `count` groups and the assumed one, which counts for `seed` groups in start
    and slope and for `bend_seed` in the bend; positive definite, for each seed adds a positive part and the bend's
    rows and columns are scaled together."""
    more = np.r_[np.full(2 * K, seed), np.full(OWN - 2 * K, bend_seed)]
    root = 1.0 / np.sqrt(count + more)
    return np.asarray((total + assumed * np.sqrt(np.outer(more, more))) * np.outer(root, root))


def noise_scales(rows: Rows, pieces: list[Piece], g: Globals, n_types: int) -> tuple[Array, Array]:
    """Covariance (K, K) of a sound reading's errors and each type's multiple of it (T,).

    REML's variance is a mean square, and tails make it larger than the errors of most readings: it is narrowed by as
    much as the deletion residuals' middle is narrower than their mean square says (1 where they are normal; were the
    middle held against 1 instead, reeds taken to vary too much would be taken for readings too good). A cell's
    residual given the rest of its reading tells of the cell's own error and not of what all notes of a reading share,
    its seating: the shared part is left as it is.
    A type's multiple is learned from its reeds' readings against each other, their own terms left free.
    """
    z = _left_out(rows, pieces, g).cell_residuals()
    # the median output's; one that is always written down as another's double has no error of its own
    each = [
        float(middle / np.sqrt(np.mean(v**2)))
        for v in (c[np.isfinite(c)] for c in z.T)
        if len(v) >= LEAST_CELLS and (middle := np.quantile(np.abs(v), 0.683)) > COPIED
    ]
    narrow = min(float(np.median(each)) ** 2, 1.0) if each else 1.0
    notes = g.noise_cov[1:, 1:]
    shared = max(float(notes.sum() - np.trace(notes)) / ((K - 1) * (K - 2)), 0.0)
    noise_cov = narrow * g.noise_cov
    noise_cov[1:, 1:] += (1.0 - narrow) * shared

    free = replace(g, reed_cov=FREE * g.reed_cov)
    squares, freedom = _left_out(rows, pieces, free).noise_residuals()
    scale, count = np.ones(n_types), np.zeros(n_types)
    for t in range(n_types):
        mine = rows.type_code == t
        if freedom[mine].sum() >= LEAST_CELLS:
            scale[t], count[t] = g.noise_scale[t] * _multiple(squares[mine], freedom[mine]), freedom[mine].sum()
    if count.any():
        scale /= np.exp(np.average(np.log(scale), weights=count))
    # a type of which too little was read to tell has the shop's
    return noise_cov, np.where(count > 0, np.clip(scale, 0.3, 3.0), 1.0)


def owners_weight(rows: Rows, pieces: list[Piece], g: Globals, coding: Coding) -> float:
    """What a reading in a chanter that is away counts for beside one at the bench: one over the multiple of the errors'
    variance found in these (`noise_residuals`, the reeds' own terms left free); the assumed one counts for
    OWNERS_CELLS degrees of freedom."""
    free = replace(g, reed_cov=FREE * g.reed_cov)
    theirs = owners(rows, coding)
    met = [piece for piece in pieces if theirs[piece.at].any()]
    found = coding.owners_weight
    if not met:
        return found
    mine = theirs[_rows_of(met)]
    for _ in range(OWNERS_ROUNDS):
        # what is far from it at first is taken in part for other rows' errors: again under what was found
        weight = rows.weight * np.where(theirs, found / coding.owners_weight, 1.0)[:, None]
        squares, freedom = (part[mine] for part in _left_out(replace(rows, weight=weight), met, free).noise_residuals())
        total = OWNERS_CELLS * found / coding.owners_weight + float(np.minimum(squares, FARTHEST * freedom).sum())
        found = float(np.clip(found * (OWNERS_CELLS + float(freedom.sum())) / total, LEAST_OWNERS, 1.0))
    return found


def along_movement(rows: Rows, pieces: list[Piece], g: Globals) -> Array:
    """The multiple of the errors' variance found among the readings of one reed (`noise_along`, the reeds' own terms
    left free) in the three directions of movement (3,); 1 where too little was read to tell, or in no two sittings."""
    free = replace(g, reed_cov=FREE * g.reed_cov)
    met = [piece for piece in pieces if np.ptp(rows.day[piece.at]) > SITTING_DAYS]
    if not met:
        return np.ones(N_DIRECTIONS)
    squares, freedom = _left_out(rows, met, free).noise_along(MEASURE)
    enough = freedom.sum(axis=0) >= LEAST_CELLS
    found = [_multiple(squares[:, c], freedom[:, c], FARTHEST) if enough[c] else 1.0 for c in range(N_DIRECTIONS)]
    return np.array(found)


def rescaled(noise_cov: Array, multiple: Array) -> Array:
    """A reading's errors (K, K) with the variances of the crow, of each note's own part and of what all notes share
    multiplied by `multiple` (3,)."""
    crow, own, shared = np.sqrt(multiple)
    notes = np.full((K - 1, K - 1), 1.0 / (K - 1))
    by = np.zeros((K, K))
    by[0, 0] = crow
    by[1:, 1:] = shared * notes + own * (np.eye(K - 1) - notes)
    return np.asarray(by @ noise_cov @ by.T)


def _multiple(squares: Array, freedom: Array, most: float = WILDEST) -> float:
    """Sum of squares over degrees of freedom of readings (n,), none counted for more than `most` times what is usual
    among them: slips hardly move it. Held to 1 by as much as SEEDS["noise"] degrees of freedom would."""
    seed = SEEDS["noise"]
    found = 1.0
    for _ in range(30):
        last, limit = found, most * found * freedom
        found = float((np.minimum(squares, limit).sum() + seed) / (freedom.sum() + seed))
        if abs(found - last) < 1e-4 * last:
            break
    return found


def reading_stretch(
    rows: Rows, pieces: list[Piece], found: list[BatchSums], g: Globals, coding: Coding
) -> tuple[Array, float]:
    """Variance inflation (K + 1,): a next reading's error variance over that of a sound one, by output, then the gap.

    The covariances are those of sound readings, for that is what a reed's posterior should lean on; the next reading
    may be an unsound one (A's not balanced, a tail). From each reading left out whole: the variance multiplier at which
    nine in ten lie within 1.645 standard deviations, held to 1 by as much as a hundred readings would. The share of
    wild readings (`wild`) comes from the same gaps, where the A's said nothing against the reading. found: the sums of
    these batches.
    """
    probe = np.vstack([np.eye(K), GAP])
    errors: list[list[tuple[Array, Array, Array]]] = [[] for _ in probe]
    balanced: list[NDArray[np.bool_]] = []
    at = _rows_of(pieces)
    own = np.outer(g.noise_scale[rows.type_code[at]], np.diag(probe @ g.noise_cov @ probe.T))
    even = balance_weight(rows.y[at], coding) == 1.0
    for taken, which, miss, spread in _left_out(rows, pieces, g, found).left_out():
        for k in np.flatnonzero((probe[:, np.setdiff1d(np.arange(K), taken)] == 0).all(axis=1)).tolist():
            m = probe[k, taken]
            errors[k].append((miss @ m, np.maximum(spread @ m @ m, 0.0), own[which, k]))
            if k == len(probe) - 1:
                balanced.append(even[which])
    out = np.ones(len(probe))
    share = FEW_WILD
    if balanced:
        sound = np.concatenate(balanced)
        share = wild_share(*(np.concatenate(parts)[sound] for parts in zip(*errors[-1], strict=True)))
    for k in range(len(probe)):
        if sum(len(part[0]) for part in errors[k]) < 30:
            continue
        e, c, r = (np.concatenate(parts) for parts in zip(*errors[k], strict=True))
        n = len(e)
        # the multiplier at which each lies just within, and the least one at which more than nine in ten do
        within = np.sort(((e / 1.645) ** 2 - c) / r)[int(0.9 * n)]
        out[k] = float(np.exp(np.log(np.clip(within, 0.1, 50.0)) * n / (n + 100.0)))
    return np.maximum(out, LEAST_STRETCH), share
