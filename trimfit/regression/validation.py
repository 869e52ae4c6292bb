"""Held-out error and coverage: every batch predicted as if it had never been seen.

Under the fit's covariances a batch's information is known exactly, so leaving it out is a subtraction
(`reed.batch_states(forget=True)`) and not a new fit. Each reed of the batch is then followed alone: from its first
readings the next one is predicted, found, and counted in. No reed and no batch stands on both sides of the coefficients
(Roberts et al., 2017, Ecography 40, 913-929).

Still known from the whole fit, the batch's own readings among them: the covariances, the movement and the curves, which
a single batch hardly moves, which of the batch's readings are slips (their weights) and where its reeds jumped, and by
how much the errors of a next reading are stretched (`reading_stretch`, `gap_stretch`). The stretch is set so that nine
in ten of these same readings, each left out in its turn, lie inside the 90 % interval: coverage is partly tuned on what
it scores.
Readings count with the weights and the errors that `batch_states` gives them.

Two naive rules stand beside it: the last reading plus the type's average slope (over the first half millimetre: what a
maker does with one figure in the head; of the state that has not seen the batch), and plus the reed's own last slope
where it has one. They are compared on the readings that they can predict too: those of an output that was read before.
A first gap, predicted from the crow alone, is counted by itself; beside it stands the mean first gap of the type's
other batches.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import pairwise
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import OUTPUTS
from trimfit.regression.curve import UNIT_MM
from trimfit.regression.design import Rows, sort_rows, take_rows
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.bounds import of_fewer_chanters, of_types
from trimfit.regression.movement.process import BASIS, N_DIRECTIONS, Levels, levels_of, moved_before, settled, unsettled
from trimfit.regression.outputs import E_NOTE, F_NOTE, GAP, Array, K, edges_of, gap_of
from trimfit.regression.posterior.batch import patterns_of, reading_noise
from trimfit.regression.posterior.reed import ReedState, batch_states

SCORED = ("gap", *OUTPUTS)
COVERAGES = (50, 80, 90, 95)
_Z = {percent: NormalDist().inv_cdf(0.5 + percent / 200.0) for percent in COVERAGES}
LEAST_CUT_MM = 0.02
"""A shorter step is no cut: the naive rules are not scored on it."""
NOT_TAKEN = 1e12
"""Variance (cents²) of the error of a cell that was not taken."""
MOST_APART = 3
"""Errors are shown by so many readings before; more are counted together."""
MOST_OF_A_REED = 30
"""So many readings of a reed, its first, are predicted one after another."""
MOST_NUMBERS = 10_000_000
"""So many are worked on at once, or one reed's."""


@dataclass(frozen=True, slots=True)
class HeldOut:
    """One row a predicted reading. type_code, before (n,): readings of the reed before it; found, predicted, sd,
    type_rule, slope_rule (n, 11): the gap, then the ten outputs, in cents; NaN where there is none. gaps_before (n,):
    readings of both F and E before it; batch (n,): its batch's code."""

    type_code: NDArray[np.intp]
    before: NDArray[np.intp]
    observed: Array
    predicted: Array
    sd: Array
    type_rule: Array
    slope_rule: Array
    gaps_before: NDArray[np.intp]
    batch: NDArray[np.intp]


def _with_gap(y: Array) -> Array:
    """The gap before the ten outputs (…, 10); of F and E alone, whatever else was not taken."""
    return np.concatenate([gap_of(y)[..., None], y], axis=-1)


def held_out(model: FittedModel, rows: Rows) -> HeldOut:
    """Predict every reading but each reed's first, its batch left out of the fit; rows: the fit's own, chanters coded
    as `bounds.most_read_chanters_first` does. Raises nothing; without a reed read twice the arrays are empty."""
    rows = sort_rows(of_fewer_chanters(of_types(rows, model.n_types)))
    parts: list[HeldOut] = []
    names = tuple(str(code) for code in range(int(rows.chanter_code.max(initial=-1)) + 1))
    for first, last in pairwise(edges_of(rows.batch_code).tolist()):
        mine = take_rows(rows, np.arange(first, last))
        t = int(mine.type_code[0])
        every = np.ones(len(mine), dtype=bool)
        _, unseen, mine = batch_states(model, mine, model.coding, t, in_fit=every, chanter_names=names, forget=True)
        logged = mine.y
        mine = replace(mine, y=unsettled(logged, mine, model.movement))
        terms = _terms(model, mine, [int(name) for name in unseen.chanters])
        of_reed = edges_of(mine.reed_code)
        count = np.minimum(np.diff(of_reed), MOST_OF_A_REED)
        for size in np.unique(count[count > 1]):
            at = of_reed[:-1][count == size][:, None] + np.arange(size)[None, :]
            reeds = max(MOST_NUMBERS // (int(size) ** 2 * (terms.shape[1] ** 2 + 4 * K * K)), 1)
            parts += [
                _followed(model, mine, logged, unseen, terms, at[i : i + reeds]) for i in range(0, len(at), reeds)
            ]
    if not parts:
        empty, none = np.zeros((0, K + 1)), np.zeros(0, dtype=np.intp)
        return HeldOut(none, none, empty, empty, empty, empty, empty, none, none)
    return HeldOut(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(HeldOut)))


def _terms(model: FittedModel, rows: Rows, chanters: list[int]) -> Array:
    """What each row multiplies the state's blocks of ten by (n, d / 10); chanters: the codes whose offsets it holds."""
    x = model.coding.regressors(rows.removed_mm, rows.lip, rows.kpa, rows.deg_c, rows.type_code)
    scales = model.coding.chanter_part(rows.type_code)
    return np.concatenate([x, *[(rows.chanter_code == c)[:, None] * scales for c in chanters]], axis=1)


def _followed(
    model: FittedModel, rows: Rows, logged: Array, unseen: ReedState, terms: Array, at: NDArray[np.intp]
) -> HeldOut:
    """Reeds of one batch that were read equally often: each reading predicted from those before it; at (R, n): the
    rows. The rows' y is `unsettled`; logged (n, K), as it was read, is what is observed and what the naive rules know.

    One Cholesky root of all readings of a reed holds every forecast: with V = S + noise = L L', and the readings before
    j written <, the mean of reading j given them is the state's plus L_j< L_<^-1 r_<, its variance S_jj - L_j< L_j<'.
    A cell that was not taken has an error so large that it says nothing.
    """
    reeds, n = at.shape
    t = int(rows.type_code[0])
    d, y = terms[at], rows.y[at]
    coef = slice(0, d.shape[2] * K)
    blocks = unseen.cov[coef, coef].reshape(d.shape[2], K, d.shape[2], K).transpose(0, 2, 1, 3).reshape(-1, K * K)
    pairs = (d[:, :, None, :, None] * d[:, None, :, None, :]).reshape(reeds * n * n, -1)
    spread = (pairs @ blocks).reshape(reeds, n, n, K, K)
    movement = model.movement.of(t)
    flat, reed_of = at.reshape(-1), np.repeat(np.arange(reeds), n)
    moved = moved_before(rows.jump[flat], rows.event[flat], movement.jump)
    levels = levels_of(rows.day[flat], settled(rows)[flat], moved, reed_of, movement)
    spread += _moved(levels, at.shape)
    prior = d @ unseen.mean[coef].reshape(-1, K)
    taken = np.isfinite(y)
    noise = _noise(taken.reshape(-1, K), rows.weight[at].reshape(-1, K), unseen.noise_cov).reshape(reeds, n, K, K)
    whole = spread.copy()
    whole[:, np.arange(n), np.arange(n)] += noise
    lower = np.linalg.cholesky(whole.transpose(0, 1, 3, 2, 4).reshape(reeds, n * K, n * K))
    rest = np.where(taken, y - prior, 0.0)[..., None]
    freed = np.zeros((reeds, n * K, 1))
    stretch = np.sqrt(np.outer(model.reading_stretch, model.reading_stretch))
    own = np.diag(unseen.noise_cov * stretch)
    own_gap = model.gap_stretch * (GAP @ unseen.noise_cov @ GAP)
    mean, sd = prior.copy(), np.zeros((reeds, n, K + 1))
    for j in range(n):
        here, known = slice(j * K, (j + 1) * K), lower[:, j * K : (j + 1) * K, : j * K]
        shift = known @ freed[:, : j * K]
        freed[:, here] = np.linalg.solve(lower[:, here, here], rest[:, j] - shift)
        mean[:, j] += shift[:, :, 0]
        cov = spread[:, j, j] - known @ known.transpose(0, 2, 1)
        variance = np.concatenate([((cov @ GAP) @ GAP + own_gap)[:, None], np.einsum("rkk->rk", cov) + own], axis=1)
        sd[:, j] = np.sqrt(variance)
    read = logged[at]
    mean += np.where(taken, read - y, 0.0)  # the settling that was expected by then
    by_type, by_reed = _naive(read, rows.removed_mm[at], mean_slope(unseen))
    any_taken = taken.any(axis=2)
    before: NDArray[np.intp] = np.cumsum(any_taken, axis=1) - any_taken
    both = taken[:, :, F_NOTE] & taken[:, :, E_NOTE]
    gaps_before: NDArray[np.intp] = np.cumsum(both, axis=1) - both
    kept = any_taken & (before > 0)
    return HeldOut(
        np.full(int(kept.sum()), t, dtype=np.intp),
        before[kept].astype(np.intp),
        _with_gap(read[kept]),
        _with_gap(mean[kept]),
        sd[kept],
        _with_gap(by_type[kept]),
        _with_gap(by_reed[kept]),
        gaps_before[kept].astype(np.intp),
        np.full(int(kept.sum()), rows.batch_code[0], dtype=np.intp),
    )


def mean_slope(unseen: ReedState) -> Array:
    """Mean slopes (K,) over the first half millimetre, cents a mm, of a reed of which nothing was read: its type's."""
    return np.asarray(unseen.mean[K : 2 * K] + UNIT_MM * unseen.mean[2 * K : 3 * K])


def _noise(taken: NDArray[np.bool_], weight: Array, noise_cov: Array) -> Array:
    """Covariance (m, K, K) of the errors of readings: of cells taken (m, K) as `reading_noise` has it by their weights
    (m, K), of the others NOT_TAKEN."""
    out: Array = np.eye(K) * np.where(taken, 0.0, NOT_TAKEN)[:, :, None]
    for cells, rows in patterns_of(taken):
        out[np.ix_(rows, cells, cells)] = reading_noise(weight[np.ix_(rows, cells)], noise_cov[np.ix_(cells, cells)])
    return out


def _moved(levels: Levels, shape: tuple[int, ...]) -> Array:
    """What movement puts between the readings of each reed: (R, n, n, K, K); shape (R, n)."""
    reeds, n = shape
    shows = levels.slots[np.repeat(np.arange(reeds), n), levels.sitting].reshape(reeds, n, -1)
    blocks = levels.cov.reshape(reeds, -1, N_DIRECTIONS, shows.shape[2], N_DIRECTIONS)
    between = np.einsum("rib,rbpcq,rjc->rijpq", shows, blocks, shows, optimize=True)
    return np.asarray(BASIS @ between @ BASIS.T)


def _naive(y: Array, removed_mm: Array, slopes: Array) -> tuple[Array, Array]:
    """What the two naive rules predict: the last reading of each output plus a slope times the length cut since.

    y (R, n, K), removed_mm (R, n), slopes (K,) of the type; returns (R, n, K) by the type's and the reed's own slope.
    """
    by_type, by_reed = np.full_like(y, np.nan), np.full_like(y, np.nan)
    mm = np.repeat(removed_mm[:, :, None], y.shape[2], axis=2)
    for i in range(1, y.shape[1]):
        last_y, last_mm = (np.full_like(y[:, 0], np.nan) for _ in range(2))
        for j in range(i):
            held = np.isfinite(y[:, j])
            last_y, last_mm = np.where(held, y[:, j], last_y), np.where(held, mm[:, j], last_mm)
        own = np.broadcast_to(slopes, last_y.shape)
        for j in range(i):
            before = last_mm - mm[:, j]
            held = np.isfinite(y[:, j]) & (before > LEAST_CUT_MM)
            own = np.where(held, (last_y - y[:, j]) / np.where(held, before, 1.0), own)
        cut = mm[:, i] - last_mm
        by_type[:, i], by_reed[:, i] = last_y + slopes * cut, last_y + own * cut
    return by_type, by_reed


def _compared(*misses: Array) -> NDArray[np.bool_]:
    """Which readings (n,) every rule predicts and none misses wildly; misses (n,) of each."""
    good = np.all([np.isfinite(miss) for miss in misses], axis=0)
    for miss in misses:
        # a slip is no error of the prediction: beyond six robust standard deviations it is left out, for all rules
        size = np.abs(miss[np.isfinite(miss)])
        limit = max(6.0 * 1.4826 * float(np.median(size)), 1e-9) if len(size) else 0.0
        good &= np.abs(miss) <= limit
    return np.asarray(good)


def _rms(*misses: Array) -> tuple[int, list[float | None]]:
    """How many readings are `_compared`, and each rule's root mean square over those."""
    good = _compared(*misses)
    return int(good.sum()), [float(np.sqrt(np.mean(miss[good] ** 2))) if good.any() else None for miss in misses]


def _beside_others(found: HeldOut, mine: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which readings (n,), of those in `mine` (n,), are of a type that has another batch among those."""
    out = np.zeros(len(mine), dtype=bool)
    for code in np.unique(found.type_code[mine]):
        same = mine & (found.type_code == code)
        out |= same & (len(np.unique(found.batch[same])) > 1)
    return out


def summary(found: HeldOut, types: tuple[str, ...]) -> list[dict[str, object]]:
    """Rows of output x type (reed_type empty: all): readings, rmse (of every reading that could be predicted);
    compared_readings, compared_rmse, naive_rmse, last_slope_rmse (of those that the naive rules predict too);
    learned_readings: of those compared, how many are of a type with another batch, without which its slope is assumed;
    coverage50 … 95. Rows of the gap have by_gap_readings too, see `_by_gap_readings`.

    Errors in cents, slips left out alike for every rule; coverages count every reading.
    """
    out: list[dict[str, object]] = []
    for code in (-1, *range(len(types))):
        mine = np.ones(len(found.before), dtype=bool) if code < 0 else found.type_code == code
        for k, output in enumerate(SCORED):
            miss = found.observed[mine, k] - found.predicted[mine, k]
            good = np.isfinite(miss)
            if not good.any():
                continue
            z = np.abs(miss[good] / found.sd[mine, k][good])
            by_type, by_reed = (found.observed[mine, k] - rule[mine, k] for rule in (found.type_rule, found.slope_rule))
            compared, (ours, naive, last) = _rms(miss, by_type, by_reed)
            both = mine.copy()
            both[mine] = _compared(miss, by_type, by_reed)
            row: dict[str, object] = {
                "output": output,
                "reed_type": "" if code < 0 else types[code],
                "readings": int(good.sum()),
                "rmse": _rms(miss)[1][0],
                "compared_readings": compared,
                "compared_rmse": ours,
                "naive_rmse": naive,
                "last_slope_rmse": last,
                "learned_readings": int(_beside_others(found, both).sum()),
            }
            row |= {f"coverage{c}": float(np.mean(z <= _Z[c])) for c in COVERAGES}
            if output == "gap":
                row["by_gap_readings"] = _by_gap_readings(found, mine)
            out.append(row)
    return out


def _by_gap_readings(found: HeldOut, mine: NDArray[np.bool_]) -> list[dict[str, object]]:
    """Errors of the gap by how often F and E were read before: gap_readings_before (0: from the crow alone; the last
    row holds all that were read as often or more), readings, rmse, and naive_rmse (by the type's average slope; before
    any reading, by the mean first gap of the type's other batches, None where there are none)."""
    first = mine & (found.gaps_before == 0) & np.isfinite(found.observed[:, 0])
    rule = found.type_rule[:, 0].copy()
    for batch in np.unique(found.batch[first]):
        here = first & (found.batch == batch)
        others = first & (found.type_code == found.type_code[here][0]) & (found.batch != batch)
        rule[here] = found.observed[others, 0].mean() if others.any() else np.nan
    out: list[dict[str, object]] = []
    for times in range(MOST_APART + 1):
        rows = mine & (found.gaps_before >= times if times == MOST_APART else found.gaps_before == times)
        miss = found.observed[rows, 0] - found.predicted[rows, 0]
        count, (ours, naive) = _rms(miss, found.observed[rows, 0] - rule[rows])
        if not count:
            count, (ours,), naive = *_rms(miss), None
        if count:
            out.append({"gap_readings_before": times, "readings": count, "rmse": ours, "naive_rmse": naive})
    return out
