"""From rows to a FitCard: coding, robust weights, covariances by REML, then one exact joint pass.

The steps, in order:

1. gross slips are set aside by a robust line per type and output (median absolute deviation);
2. REML of the gap on straight length; its variances and readings give the types' curves (`curve`), its slopes the
   types' ratios;
3. REML of every output and every pair along the curves; the three covariances (`covariance`);
4. the joint pass: every batch's information about all coefficients at once (`joint`), exact with holes; deletion
   residuals give the cells' weights; EM steps move the covariances (these include the antisymmetric parts that
   polarization cannot see) and find each type's own scale; the last pass is the posterior that the card keeps.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trimfit.errors import TrimfitError
from trimfit.learn.card import FitCard
from trimfit.learn.covariance import (
    SLIP_WEIGHT,
    ContrastFits,
    assemble,
    contrast,
    fit_combinations,
    fit_contrasts,
    shrink_correlation,
)
from trimfit.learn.curve import KNOTS_MM, UNIT_MM, GapRows, curve_prior, fit_curves, scaled
from trimfit.learn.design import Coding, Rows, balance_weight, sort_rows, take_rows
from trimfit.learn.joint import (
    BatchSums,
    Posterior,
    batch_sums,
    cell_residuals,
    deletion,
    left_out_readings,
    marginal,
    posterior_of,
    reed_moments,
    resummed,
    row_precision,
    sound_weights,
    standardised,
)
from trimfit.learn.newton import MixedFit, Start
from trimfit.learn.priors import (
    C_TERMS,
    CHANTER_TERMS,
    RANDOM,
    REGRESSORS,
    SEEDS,
    Spread,
    assumed_noise,
    assumed_reed_cov,
    chanter_spread,
    regressor_prior,
)
from trimfit.learn.unconfirmed import FEW_WILD, wild_share
from trimfit.pitch import OUTPUTS

__all__ = ["coefficient_prior", "fit_card", "most_read_first", "prior_card"]

Array = NDArray[np.float64]
Tell = Callable[[str, int, int], None]
K, M = len(OUTPUTS), len(REGRESSORS)
OWN = len(RANDOM) * K
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
LIP, PRESSURE, TEMPERATURE = (REGRESSORS.index(name) for name in ("lip", "pressure", "temperature"))
LEAST_CURVE_ROWS = 8
GROSS_MADS = 6.0
SETTLED_CENTS = 1e-9
"""A robust line that moves less (in cents, and cents a mm) from one round to the next is found."""
LEAST_WEIGHT = 1e-4
EM_STEPS = 4
ROUNDS = 2
"""REML is done again once slips have been found and their weights lowered."""
MOST_CHANTERS = 40
"""So many have offsets of their own on the card, the most read ones; what is learned of another stays in its batch."""
MOST_REML_CHANTERS = 100
"""REML leaves rows on any further chanter out: the joint pass, where a stranger costs nothing, has them all."""
MOST_COVARIANCE_READINGS = 6000
"""The covariances rest on the latest whole batches up to so many readings, type by type; the coefficients on all."""


def _quiet(step: str, done: int, whole: int) -> None:
    return None


def coefficient_prior(n_types: int) -> tuple[Array, Array]:
    """Prior of the types' coefficients: mean (6T, K), covariance (6T, 6T, K, K); type, then regressor."""
    mean, shop, own = regressor_prior(n_types)
    cov = np.zeros((n_types, M, n_types, M, K, K))
    for j in range(M):
        for s in range(n_types):
            for t in range(n_types):
                cov[s, j, t, j] = shop[j] + (own[j] if s == t else 0.0)
    return np.tile(mean, (n_types, 1)), cov.reshape(n_types * M, n_types * M, K, K)


def _stack(mean: Array, cov: Array) -> tuple[Array, Array]:
    """The prior as one vector (T 6 K,) and matrix over (type, regressor, output)."""
    size = mean.shape[0] * K
    return mean.reshape(size), cov.transpose(0, 2, 1, 3).reshape(size, size)


def prior_card(types: tuple[str, ...], pressure_kpa: float, temperature_c: float, balance_cents: float) -> FitCard:
    """What is believed with no data at all: assumptions only, for the named types (at least one place is kept)."""
    names = types or ("",)
    coding = Coding(
        names,
        (),
        np.tile(scaled(curve_prior()[0]), (len(names), 1)),
        np.ones(len(names)),
        pressure_kpa,
        temperature_c,
        balance_cents,
    )
    mean, cov = _stack(*coefficient_prior(len(names)))
    one_mean, one_cov = _stack(*coefficient_prior(1))
    batch_cov, reed_cov = assumed_reed_cov()
    return FitCard(
        coding=coding,
        coef=mean,
        coef_cov=cov,
        new_type_mean=one_mean,
        new_type_cov=one_cov,
        batch_cov=batch_cov,
        reed_cov=reed_cov,
        noise_cov=assumed_noise(),
        reed_scale=np.ones(len(names)),
        noise_scale=np.ones(len(names)),
        chanter_cov=chanter_spread(),
        reeds=np.zeros(len(names), dtype=np.intp),
        batches=np.zeros(len(names), dtype=np.intp),
        low_weight={},
    )


def _median(values: Array) -> float:
    """The median of (n,) numbers, n > 0: numpy's own looks for NaN and reduces at length, a dozen times the work."""
    middle = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, middle)[middle])
    ends = np.partition(values, [middle - 1, middle])
    return float(ends[middle - 1] + ends[middle]) / 2.0


def _gross_weights(rows: Rows) -> Array:
    """Next to no weight for cells far (6 MADs) from a robust line in length per type and output; 1 elsewhere (n, K).

    Each chanter's own pitch is taken off first, by its median.
    """
    weight = np.ones_like(rows.y)
    level = np.zeros_like(rows.y)
    ridge = np.diag([1e-9, 1e-3])
    for c in np.unique(rows.chanter_code):
        on = np.flatnonzero(rows.chanter_code == c)
        if c >= 0 and len(on) >= 8:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", RuntimeWarning)  # a note that was never taken on this chanter
                level[on, 1:] = np.nan_to_num(np.nanmedian(rows.y[on, 1:], axis=0))
    for t in np.unique(rows.type_code):
        mine = np.flatnonzero(rows.type_code == t)
        for k in range(K):
            at = mine[np.isfinite(rows.y[mine, k])]
            if len(at) < 8:
                continue
            x, y = rows.removed_mm[at], rows.y[at, k] - level[at, k]
            design = np.stack([np.ones_like(x), x])
            line = np.array([_median(y), 0.0])
            for _ in range(15):
                rest = y - line[0] - line[1] * x
                scale = max(1.4826 * _median(np.abs(rest - _median(rest))), 2.0)
                w = 1.0 / np.maximum(1.0, np.abs(rest) / (1.5 * scale)) ** 2
                weighed = design * w
                last, line = line, np.linalg.solve(weighed @ design.T + ridge, weighed @ y)
                if np.max(np.abs(line - last)) < SETTLED_CENTS:
                    break
            rest = y - line[0] - line[1] * x
            scale = max(1.4826 * _median(np.abs(rest)), 4.0)
            weight[at[np.abs(rest) > GROSS_MADS * scale], k] = LEAST_WEIGHT
    return weight


@dataclass(slots=True)
class _Globals:
    """Covariances in work, and the posterior of all coefficients under them."""

    batch_cov: Array
    reed_cov: Array
    noise_cov: Array
    reed_scale: Array
    noise_scale: Array
    chanter_cov: Array
    coef: Array
    coef_cov: Array


@dataclass(frozen=True, slots=True)
class _Piece:
    """One batch's rows: where they stand, which coefficients of the card they meet, its type; x with the offsets of
    `strangers` chanters before all else, which the card has no room for: they are the batch's own, like its deviations.
    """

    at: slice
    type_code: int
    local: NDArray[np.intp]
    x: Array
    psi: Array
    reed_of: NDArray[np.intp]
    strangers: int

    def own_cov(self, g: _Globals) -> Array:
        """Prior of what is this batch's own: its deviations, then the strangers' offsets."""
        if not self.strangers:
            return g.batch_cov
        wide = C_TERMS * K
        out = np.zeros((OWN + wide * self.strangers,) * 2)
        out[:OWN, :OWN] = g.batch_cov
        for c in range(self.strangers):
            part = slice(OWN + wide * c, OWN + wide * (c + 1))
            out[part, part] = g.chanter_cov
        return out


def _pieces(rows: Rows, coding: Coding, n_types: int) -> list[_Piece]:
    x6 = coding.regressors(rows.removed_mm, rows.lip, rows.kpa, rows.deg_c, rows.type_code)
    psi = coding.random_part(x6, rows.type_code)
    edges = np.flatnonzero(np.r_[True, np.diff(rows.batch_code) != 0, True]).tolist()
    wide = C_TERMS * K
    out = []
    for lo, hi in pairwise(edges):
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
        first = M * K * t
        local = np.concatenate(
            [np.arange(first + K * j, first + K * (j + 1)) for j in met_terms]
            + [np.arange(M * K * n_types + wide * c, M * K * n_types + wide * (c + 1)) for c in known]
        ).astype(np.intp)
        reed_of = rows.reed_code[at] - rows.reed_code[lo]
        x = np.concatenate([*hot[0], x6[at][:, met_terms], *hot[1]], axis=1)
        out.append(_Piece(at, t, local, x, psi[at], reed_of, len(strangers)))
    return out


def _sums(piece: _Piece, rows: Rows, g: _Globals) -> BatchSums:
    noise = g.noise_cov * g.noise_scale[piece.type_code]
    w, wy = row_precision(rows.y[piece.at], rows.weight[piece.at], noise)
    return batch_sums(piece.psi, piece.x, w, wy, piece.reed_of, g.reed_cov * g.reed_scale[piece.type_code], total=True)


def _sums_again(rows: Rows, before: Rows, pieces: list[_Piece], g: _Globals, found: list[BatchSums]) -> list[BatchSums]:
    """The sums, `found` for the rows as they were `before` under the same covariances, with the weights of these."""
    out = []
    for piece, sums in zip(pieces, found, strict=True):
        weight = rows.weight[piece.at]
        changed = (weight != before.weight[piece.at]).any(axis=1)
        noise = g.noise_cov * g.noise_scale[piece.type_code]
        w, wy = row_precision(rows.y[piece.at][changed], weight[changed], noise)
        out.append(resummed(sums, changed, w, wy))
    return out


def _joint_pass(
    rows: Rows, pieces: list[_Piece], g: _Globals, prior: tuple[Array, Array], found: list[BatchSums] | None = None
) -> list[BatchSums]:
    """Set the posterior of all coefficients in `g` under its covariances; prior = (mean, precision). Gives the sums.

    found: the sums, where they are at hand.
    """
    k = prior[1].copy()
    right = prior[1] @ prior[0]
    met = np.zeros(len(right), dtype=bool)
    found = [_sums(piece, rows, g) for piece in pieces] if found is None else found
    for piece, sums in zip(pieces, found, strict=True):
        info, vector = marginal(sums.m[0], sums.mv[0], piece.own_cov(g))
        k[np.ix_(piece.local, piece.local)] += info
        right[piece.local] += vector
        met[piece.local] = True
    # what no row meets, and is tied to nothing met, is as it was before: it makes no other inverse larger
    while (tied := met | prior[1][met].any(axis=0)).sum() > met.sum():
        met = tied
    g.coef_cov = np.zeros_like(k)
    for part in (met, ~met):
        at = np.ix_(part, part)
        g.coef_cov[at] = _inverse(0.5 * (k[at] + k[at].T))
    g.coef = g.coef_cov @ right
    return found


def _inverse(k: Array) -> Array:
    """Inverse of a positive definite matrix, exactly symmetric."""
    out = np.asarray(np.linalg.inv(k), dtype=np.float64)
    return 0.5 * (out + out.T)


def _batch_views(
    rows: Rows, pieces: list[_Piece], g: _Globals, found: list[BatchSums] | None = None
) -> Iterator[tuple[_Piece, BatchSums, Posterior]]:
    """Each batch's sums with the belief about its omega given everything (its own rows counted once).

    found: the sums, where they are at hand for these weights and covariances.
    """
    for number, piece in enumerate(pieces):
        sums = _sums(piece, rows, g) if found is None else found[number]
        cov_phi = g.coef_cov[np.ix_(piece.local, piece.local)]
        yield piece, sums, posterior_of(sums.m[0], sums.mv[0], piece.own_cov(g), g.coef[piece.local], cov_phi)


def _reweigh(rows: Rows, pieces: list[_Piece], g: _Globals, base: Array, found: list[BatchSums]) -> Rows:
    """The rows with cell weights from the deletion residuals, times the weights they came with; found: their sums."""
    views = [
        (piece, sums, post, deletion(sums, post, rows.y[piece.at]))
        for piece, sums, post in _batch_views(rows, pieces, g, found)
    ]
    z = np.concatenate([standardised(*gone, rows.y[piece.at]) for piece, _, _, gone in views])
    # slips blow REML's noise up before they are found: measure them by the middle of the residuals instead
    full = np.abs(z) / np.sqrt(np.maximum(rows.weight / base, LEAST_WEIGHT))
    middle = np.array(
        [np.quantile(v, 0.683) if len(v := full[np.isfinite(full[:, k]), k]) >= 30 else 1.0 for k in range(K)]
    )
    middle = np.clip(middle, 0.1, 1.0)
    weight = base.copy()
    for piece, sums, post, gone in views:
        noise, at = g.noise_cov * g.noise_scale[piece.type_code], piece.at
        weight[at] *= sound_weights(sums, post, rows.y[at], noise, base[at], rows.weight[at], middle, gone)
    return replace(rows, weight=np.maximum(weight, LEAST_WEIGHT))


def _em(
    rows: Rows,
    pieces: list[_Piece],
    g: _Globals,
    assumed: tuple[Array, Array],
    n_types: int,
    found: list[BatchSums],
) -> None:
    """One EM step for batch and reed covariances and the types' scales; assumptions count as a few groups.

    found: the rows' sums."""
    batch_sum, reed_sum = np.zeros((OWN, OWN)), np.zeros((OWN, OWN))
    type_sum = np.zeros((n_types, OWN, OWN))
    type_n = np.zeros(n_types)
    for piece, sums, post in _batch_views(rows, pieces, g, found):
        u = post.mean[:OWN]
        batch_sum += np.outer(u, u) + post.cov[:OWN, :OWN]
        mean, cov = reed_moments(sums, post)
        mine = mean.T @ mean + cov.sum(axis=0)
        reed_sum += mine / g.reed_scale[piece.type_code]
        type_sum[piece.type_code] += mine
        type_n[piece.type_code] += len(mean)
    n_reeds, n_batches = float(type_n.sum()), float(len(pieces))
    g.batch_cov = _seeded(batch_sum, n_batches, assumed[0], SEEDS["batch"], SEEDS["batch bend"])
    g.reed_cov = _seeded(reed_sum, n_reeds, assumed[1], SEEDS["reed"], SEEDS["reed bend"])
    inverse = np.linalg.inv(g.reed_cov)
    raw = np.array([np.sum(inverse * s) for s in type_sum]) / OWN
    # told against the shop's own middle: what the assumptions add makes every type look less than the whole, and were
    # that taken for a scale, the reeds' covariance would shrink with each step
    raw *= n_reeds / max(float(raw.sum()), 1e-9)
    seed = 20.0
    g.reed_scale = np.clip((raw + seed) / (type_n + seed), 0.25, 4.0)
    g.reed_scale /= float(np.exp(np.average(np.log(g.reed_scale), weights=np.maximum(type_n, 1e-9))))


def _seeded(total: Array, count: float, assumed: Array, seed: float, bend_seed: float) -> Array:
    """Covariance (3K, 3K) from a sum over `count` groups and the assumed one, which counts for `seed` groups in start
    and slope and for `bend_seed` in the bend; positive definite, for each seed adds a positive part and the bend's
    rows and columns are scaled together."""
    more = np.r_[np.full(2 * K, seed), np.full(OWN - 2 * K, bend_seed)]
    root = 1.0 / np.sqrt(count + more)
    out: Array = (total + assumed * np.sqrt(np.outer(more, more))) * np.outer(root, root)
    return out


def _noise_scales(rows: Rows, pieces: list[_Piece], g: _Globals, n_types: int) -> Array:
    """Each type's reading variance over the shop's, from the deletion residuals' middle (a robust spread)."""
    z2: list[list[Array]] = [[] for _ in range(n_types)]
    for piece, sums, post in _batch_views(rows, pieces, g):
        z = cell_residuals(sums, post, rows.y[piece.at])
        z2[piece.type_code].append(np.abs(z[np.isfinite(z)]))
    out = np.ones(n_types)
    for t, parts in enumerate(z2):
        values = np.concatenate(parts) if parts else np.empty(0)
        if len(values) >= 30:
            ratio = (float(np.quantile(values, 0.683))) ** 2
            out[t] = g.noise_scale[t] * (ratio * len(values) + 100.0) / (len(values) + 100.0)
    return np.clip(out, 0.3, 3.0)


def _reading_stretch(
    rows: Rows, found: list[tuple[_Piece, BatchSums]], g: _Globals, coding: Coding
) -> tuple[Array, float]:
    """What a next reading's error variance is over that of a sound one: (K + 1,), each output, then the gap.

    The covariances are those of sound readings, for that is what a reed's belief should lean on; the next reading may
    be an unsound one (A's not balanced, a tail). From each reading left out whole: the variance multiplier at which
    nine in ten lie within 1.645 standard deviations, held to 1 by as much as a hundred readings would. The share of
    wild readings (`unconfirmed`) comes from the same gaps, where the A's said nothing against the reading.
    """
    probe = np.vstack([np.eye(K), contrast(F_NOTE, E_NOTE)])
    errors: list[list[tuple[Array, Array, Array]]] = [[] for _ in probe]
    balanced: list[NDArray[np.bool_]] = []
    for piece, sums, post in _batch_views(rows, [piece for piece, _ in found], g, [sums for _, sums in found]):
        own = np.einsum("pk,kl,pl->p", probe, g.noise_cov * g.noise_scale[piece.type_code], probe)
        even = balance_weight(rows.y[piece.at], rows.kpa[piece.at], coding) == 1.0
        for miss, spread, taken, which in left_out_readings(sums, post, rows.y[piece.at]):
            for k in np.flatnonzero((probe[:, np.setdiff1d(np.arange(K), taken)] == 0).all(axis=1)).tolist():
                m = probe[k, taken]
                known = np.maximum(spread @ m @ m, 0.0)
                errors[k].append((miss @ m, known, np.full(len(miss), own[k])))
                if k == len(probe) - 1:
                    balanced.append(even[which])
    out = np.ones(len(probe))
    share = FEW_WILD
    if balanced:
        at = np.concatenate(balanced)
        share = wild_share(*(np.concatenate(parts)[at] for parts in zip(*errors[-1], strict=True)))
    for k in range(len(probe)):
        if sum(len(part[0]) for part in errors[k]) < 30:
            continue
        e, c, r = (np.concatenate(parts) for parts in zip(*errors[k], strict=True))
        low, high = 0.1, 50.0
        for _ in range(40):
            middle = float(np.sqrt(low * high))
            low, high = (low, middle) if np.mean(np.abs(e) <= 1.645 * np.sqrt(c + middle * r)) > 0.9 else (middle, high)
        n = float(len(e))
        out[k] = float(np.exp(np.log(middle) * n / (n + 100.0)))
    return np.maximum(out, 0.7), share


def _chanter_spread(offsets: list[tuple[Array, Array]]) -> Array:
    """Spread of chanters' two offset vectors (20, 20), from their posterior means (20,) and covariances (20, 20).

    Each has a part that the notes share and a part of each note; the assumption counts as four chanters.
    """
    if len(offsets) < 3:
        return chanter_spread()
    terms = []
    n, seed, count = K - 1, 4.0, float(len(offsets))
    for i, assumed in enumerate(CHANTER_TERMS):
        notes = slice(i * K + 1, (i + 1) * K)
        second = np.mean([np.outer(m[notes], m[notes]) + c[notes, notes] for m, c in offsets], axis=0)
        common = (second.sum() - np.trace(second)) / (n * (n - 1))
        own = np.trace(second) / n - common
        common = (count * max(common, 0.0) + seed * assumed.common**2) / (count + seed)
        own = (count * max(own, 0.0) + seed * assumed.own**2) / (count + seed)
        terms.append(Spread(assumed.crow, float(np.sqrt(common)), float(np.sqrt(own))))
    return chanter_spread(tuple(terms))


def _coding_from_gap(coding: Coding, rows: Rows, gap: MixedFit | None, n_types: int) -> Coding:
    """Curves and slope ratios of the types from the gap: its slopes and variances on the curves of `coding`."""
    if gap is None:
        return coding
    beta = gap.beta[: n_types * M].reshape(n_types, M)
    slope = np.maximum(beta[:, 1] + beta[:, 2] * UNIT_MM, 2.0)
    ratio = slope / float(np.exp(np.mean(np.log(slope))))
    ratio = np.clip(ratio, 0.2, 5.0)
    own = gap.outer_cov + gap.inner_cov + np.diag([1.0, 1.0])
    mine = [_gap_rows(rows, coding, t) for t in range(n_types)]
    curves = fit_curves(mine, [own * np.outer([1.0, r], [1.0, r]) for r in ratio], gap.noise)
    return replace(coding, curves=curves, slope_ratio=ratio)


def _gap_rows(rows: Rows, coding: Coding, type_code: int) -> GapRows | None:
    """A type's gap readings for its curve, with lips, conditions and chanters beside; None for too few of them."""
    gap = rows.y[:, F_NOTE] - rows.y[:, E_NOTE]
    weight = np.minimum(rows.weight[:, E_NOTE], rows.weight[:, F_NOTE])
    at = np.flatnonzero((rows.type_code == type_code) & np.isfinite(gap) & (weight > SLIP_WEIGHT))
    if len(at) < LEAST_CURVE_ROWS:
        return None
    codes = np.unique(rows.chanter_code[at])
    on = (rows.chanter_code[at][:, None] == codes[codes >= 0]).astype(float)
    kpa, deg_c = rows.kpa[at] - coding.pressure_kpa, rows.deg_c[at] - coding.temperature_c
    other = np.column_stack([rows.lip[at], np.nan_to_num(kpa), np.nan_to_num(deg_c), on])
    m = contrast(F_NOTE, E_NOTE)
    _, shop, own = regressor_prior(1)
    spread = [float(m @ (shop[j] + own[j]) @ m) for j in (LIP, PRESSURE, TEMPERATURE)]
    chanter = sum(float(m @ term.matrix() @ m) for term in CHANTER_TERMS)
    precision = 1.0 / np.array(spread + [chanter] * on.shape[1])
    first = np.flatnonzero(np.r_[True, np.diff(rows.reed_code[at]) != 0])
    return GapRows(gap[at], weight[at], rows.removed_mm[at], other, precision, first)


def most_read_first(rows: Rows, chanters: tuple[str, ...]) -> tuple[Rows, tuple[str, ...]]:
    """The rows with chanters' codes such that those the card has room for come first, and the names of these.

    The others' codes follow, the most read ones first.
    """
    if len(chanters) <= MOST_CHANTERS:
        return rows, chanters
    count = np.bincount(rows.chanter_code[rows.chanter_code >= 0], minlength=len(chanters))
    by_count = np.argsort(-count, kind="stable")
    order = np.r_[np.sort(by_count[:MOST_CHANTERS]), by_count[MOST_CHANTERS:]]
    code = np.empty(len(chanters) + 1, dtype=np.intp)
    code[order], code[-1] = np.arange(len(chanters)), -1
    return replace(rows, chanter_code=code[rows.chanter_code]), tuple(chanters[i] for i in order[:MOST_CHANTERS])


def _newest_batches(rows: Rows) -> NDArray[np.bool_]:
    """Which batches (B,) the covariances rest on: the latest of each type in turn, MOST_COVARIANCE_READINGS in all.

    rows: in the order in which they came to the log.
    """
    n_batches = len(rows.batches)
    size = np.bincount(rows.batch_code, minlength=n_batches)
    last = np.zeros(n_batches, dtype=np.intp)
    np.maximum.at(last, rows.batch_code, np.arange(len(rows)))
    type_of = np.array([t for t, _ in rows.batches], dtype=np.intp)
    turn = np.zeros(n_batches, dtype=np.intp)
    for t in np.unique(type_of):
        mine = np.flatnonzero(type_of == t)
        turn[mine[np.argsort(-last[mine])]] = np.arange(len(mine))
    order = np.lexsort((-last, turn))
    taken = np.zeros(n_batches, dtype=bool)
    taken[order] = np.cumsum(size[order]) <= MOST_COVARIANCE_READINGS
    taken[order[0]] = True
    return taken


def _full_prior(prior: tuple[Array, Array], g: _Globals, n_chanters: int) -> tuple[Array, Array]:
    """Mean (P,) and precision (P, P) of all the card's coefficients: the types' (`coefficient_prior`), chanters'."""
    mean, cov = _stack(*prior)
    wide = C_TERMS * K
    size = len(mean) + wide * n_chanters
    precision = np.zeros((size, size))
    precision[: len(mean), : len(mean)] = np.linalg.inv(cov)
    one = np.linalg.inv(g.chanter_cov)
    for c in range(n_chanters):
        part = slice(len(mean) + wide * c, len(mean) + wide * (c + 1))
        precision[part, part] = one
    return np.concatenate([mean, np.zeros(wide * n_chanters)]), precision


def _covariances(
    rows: Rows, base: Array, straight: Coding, prior: tuple[Array, Array], tell: Tell
) -> tuple[_Globals, Coding, Rows, float]:
    """REML and EM of the covariances from these rows: with the curves, the rows' weights, the gap's criterion.

    straight: the coding with no curves yet.
    """
    n_types, n_chanters = len(straight.types), len(straight.chanters)
    outer_of = np.zeros(len(rows.reeds), dtype=np.intp)
    outer_of[rows.reed_code] = rows.batch_code
    n_reeds, n_batches = len(rows.reeds), len(np.unique(rows.batch_code))
    few = rows.chanter_code < MOST_REML_CHANTERS

    def curves() -> Coding:
        (gap,) = reml(straight)(contrast(F_NOTE, E_NOTE)[None], [None])
        return _coding_from_gap(straight, rows, gap, n_types)

    def reml(code: Coding) -> Callable[[Array, list[Start | None]], list[MixedFit | None]]:
        x = code.regressors(rows.removed_mm, rows.lip, rows.kpa, rows.deg_c, rows.type_code)
        psi = code.random_part(x, rows.type_code)
        scales = code.chanter_part(rows.type_code)
        used = rows
        if not few.all():
            weight, chanter = np.where(few[:, None], rows.weight, 0.0), np.where(few, rows.chanter_code, -1)
            used = replace(rows, weight=weight, chanter_code=chanter)
        spread = chanter_spread()
        return lambda m, starts: fit_combinations(used, x, psi[:, :2], outer_of, m, prior, spread, scales, starts)

    tell("the types' curves", 0, 1)
    coding = curves()
    pieces = _pieces(rows, coding, n_types)

    def found(
        round_number: int, last: ContrastFits | None
    ) -> tuple[ContrastFits, _Globals, tuple[Array, Array], float]:
        step = f"each output and pair, round {round_number} of {ROUNDS}"
        fits = fit_contrasts(rows, reml(coding), last, lambda a, b: tell(step, a, b))
        assumed = assumed_reed_cov()
        gap_fit = fits.pair.get((E_NOTE, F_NOTE))
        if gap_fit is not None:
            # the assumed slopes' spreads are for a shop whose gap closes 50 cents a mm
            ratio = float(np.clip(np.mean(np.abs(gap_fit.beta[1 : n_types * M : M])) / 50.0, 0.3, 3.0))
            resize = np.r_[np.ones(K), np.full(OWN - K, ratio)]
            assumed = assumed[0] * np.outer(resize, resize), assumed[1] * np.outer(resize, resize)
        reed_cov, batch_cov = assumed[1].copy(), assumed[0].copy()
        two = slice(0, 2 * K)  # start and slope; a bend of a reed's own is left to the joint pass
        reed_cov[two, two] = assemble(fits, lambda f: f.inner_cov, assumed[1][two, two], SEEDS["reed"], n_reeds)
        batch_cov[two, two] = assemble(fits, lambda f: f.outer_cov, assumed[0][two, two], SEEDS["batch"], n_batches)
        noise_cov = assemble(fits, lambda f: np.array([[f.noise]]), assumed_noise(), 10.0, float(len(rows)))
        reed_cov = _shrunk(reed_cov, 0.5 * n_reeds)
        start = _Globals(
            _shrunk(batch_cov, 0.7 * n_batches, reed_cov),
            reed_cov,
            shrink_correlation(noise_cov, 0.5 * len(rows), floor=0.08),
            np.ones(n_types),
            np.ones(n_types),
            chanter_spread(),
            np.empty(0),
            np.empty(0),
        )
        return fits, start, assumed, gap_fit.criterion if gap_fit is not None else 0.0

    fits, g, assumed, criterion = found(1, None)
    for round_number in range(2, ROUNDS + 1):
        sums = None
        for _ in range(2):
            sums = _joint_pass(rows, pieces, g, _full_prior(prior, g, n_chanters), sums)
            before, rows = rows, _reweigh(rows, pieces, g, base, sums)
            sums = _sums_again(rows, before, pieces, g, sums)
        # a slip bends a curve as it blows up a variance: both anew, now that slips are found
        coding = curves()
        pieces = _pieces(rows, coding, n_types)
        fits, g, assumed, criterion = found(round_number, fits)
    for step in range(EM_STEPS):
        tell("the joint response", step, EM_STEPS + 2)
        sums = _joint_pass(rows, pieces, g, _full_prior(prior, g, n_chanters))
        before, rows = rows, _reweigh(rows, pieces, g, base, sums)
        _em(rows, pieces, g, assumed, n_types, _sums_again(rows, before, pieces, g, sums))
        places = [slice(c, c + C_TERMS * K) for c in range(M * K * n_types, len(g.coef), C_TERMS * K)]
        g.chanter_cov = _chanter_spread([(g.coef[part], g.coef_cov[part, part]) for part in places])
        if step == EM_STEPS - 2:
            g.noise_scale = _noise_scales(rows, pieces, g, n_types)
    g.reed_cov = _shrunk(g.reed_cov, 0.5 * n_reeds)
    g.batch_cov = _shrunk(g.batch_cov, 0.7 * n_batches, g.reed_cov)
    return g, coding, rows, criterion


def _shrunk(cov: Array, groups: float, target: Array | None = None) -> Array:
    """`shrink_correlation` of start and slope (2K of the 3K); the bend, of which little is ever seen, goes with neither
    (its many unseen correlations would count as noise and have those of start and slope shrunk with them)."""
    two = slice(0, 2 * K)
    out = np.zeros_like(cov)
    out[two, two] = shrink_correlation(cov[two, two], groups, None if target is None else target[two, two])
    rest = slice(2 * K, OWN)
    out[rest, rest] = cov[rest, rest]
    return out


def fit_card(
    rows: Rows,
    types: tuple[str, ...],
    chanters: tuple[str, ...],
    *,
    pressure_kpa: float,
    temperature_c: float,
    balance_cents: float,
    tell: Tell = _quiet,
) -> FitCard:
    """Fit the joint response. rows as from `design.rows_from_frame`; types, chanters: the names of their codes.

    Raises TrimfitError when there is no reading at all.
    """
    if len(rows) == 0 or not np.isfinite(rows.y).any():
        raise TrimfitError("no reading to learn from", remedy="log or import readings first")
    n_types = len(types)
    rows, chanters = most_read_first(rows, chanters)
    newest = _newest_batches(rows)
    rows = sort_rows(rows)
    usual_kpa = float(np.nanmedian(rows.kpa)) if np.isfinite(rows.kpa).any() else pressure_kpa
    usual_c = float(np.nanmedian(rows.deg_c)) if np.isfinite(rows.deg_c).any() else temperature_c
    straight = np.zeros((n_types, len(KNOTS_MM)))
    coding = Coding(types, chanters, straight, np.ones(n_types), usual_kpa, usual_c, balance_cents)
    seat = np.repeat(balance_weight(rows.y, rows.kpa, coding)[:, None], K, axis=1)
    seat[:, 0] = 1.0
    base = np.maximum(seat, 1e-3)
    rows = replace(rows, weight=seat * _gross_weights(rows))
    prior = coefficient_prior(n_types)
    at = np.flatnonzero(newest[rows.batch_code])
    core = take_rows(rows, at) if len(at) < len(rows) else rows
    g, coding, core, criterion = _covariances(core, base[at], coding, prior, tell)
    tell("the joint response", EM_STEPS + 1, EM_STEPS + 2)
    pieces = _pieces(rows, coding, n_types)
    weight = rows.weight.copy()
    weight[at] = core.weight
    rows = replace(rows, weight=weight)
    whole_prior = _full_prior(prior, g, len(chanters))
    sums = None
    for _ in range(1 if len(core) == len(rows) else 2):
        sums = _joint_pass(rows, pieces, g, whole_prior, sums)
        before, rows = rows, _reweigh(rows, pieces, g, base, sums)
        sums = _sums_again(rows, before, pieces, g, sums)
    sums = _joint_pass(rows, pieces, g, whole_prior, sums)
    latest = [(piece, s) for piece, s in zip(pieces, sums, strict=True) if newest[rows.batch_code[piece.at.start]]]
    stretch, wild = _reading_stretch(rows, latest, g, coding)
    tell("the joint response", EM_STEPS + 2, EM_STEPS + 2)
    new_mean, new_cov = _new_type(g, prior, n_types)
    low = {
        str(rows.label[i]): [round(float(v), 4) for v in rows.weight[i]]
        for i in np.flatnonzero((np.where(np.isfinite(rows.y), rows.weight / base, 1.0) < 0.99).any(axis=1))
    }
    batch_type = np.array([t for t, _ in rows.batches], dtype=np.intp)
    reed_type = np.zeros(len(rows.reeds), dtype=np.intp)
    reed_type[rows.reed_code] = rows.type_code
    return FitCard(
        coding=coding,
        coef=g.coef,
        coef_cov=g.coef_cov,
        new_type_mean=new_mean,
        new_type_cov=new_cov,
        batch_cov=g.batch_cov,
        reed_cov=g.reed_cov,
        noise_cov=g.noise_cov,
        reed_scale=g.reed_scale,
        noise_scale=g.noise_scale,
        chanter_cov=g.chanter_cov,
        reeds=np.bincount(reed_type, minlength=n_types).astype(np.intp),
        batches=np.bincount(batch_type, minlength=n_types).astype(np.intp),
        low_weight=low,
        readings=len(rows),
        criterion=criterion,
        reading_stretch=stretch[:-1],
        gap_stretch=float(stretch[-1]),
        wild_share=wild,
    )


def _new_type(g: _Globals, prior: tuple[Array, Array], n_types: int) -> tuple[Array, Array]:
    """A type never seen: its coefficients (60,) and covariance, given what the shop's types turned out to be.

    With the prior's covariance C over (types, new), the new type given the types is linear in them; the types' own
    posterior uncertainty is carried through.
    """
    mean, cov = _stack(*coefficient_prior(n_types + 1))
    old = slice(0, M * K * n_types)
    new = slice(M * K * n_types, M * K * (n_types + 1))
    reach = np.linalg.solve(cov[old, old], cov[old, new]).T
    known = g.coef[old]
    new_mean = mean[new] + reach @ (known - mean[old])
    rest = cov[new, new] - reach @ cov[old, new]
    out = rest + reach @ g.coef_cov[old, old] @ reach.T
    return new_mean, 0.5 * (out + out.T)
