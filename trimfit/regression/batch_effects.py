"""What each batch's own readings say of how it differs from its type: start and slope, of the crow and of the gap.

Of the ten outputs two contrasts are kept, y = (crow, F - E), so a batch's deviation is u = (crow start, gap start, crow
slope, gap slope). The types' and chanters' learned part is taken off the readings first; what is left of reed r is

    rest_i = psi_i (u + v_r) + e_i,     psi_i = (1, s g(x_i)),   v_r ~ N(0, Sigma_reed),   e_i ~ N(0, R_i)

and with v_r integrated out (the sums of `posterior.batch`, where the algebra is) a batch's reeds add up to an
information J (4, 4) and a vector h (4,): the likelihood of u alone, exp(h'u - u'Ju / 2). No between-batch spread stands
in it, so that a robust one can be put on it later: a fit's own spread is drawn wide by the very batches that are to be
found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.design import Coding, Rows, sort_rows
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.movement.process import event_since_first
from trimfit.regression.outputs import CROW, E_NOTE, F_NOTE, GAP, Array, K, contrast, gap_of
from trimfit.regression.posterior.batch import Terms, batch_sums, row_precision
from trimfit.regression.posterior.reed import known_coding
from trimfit.regression.priors import C_TERMS, assumed_batch_cov, assumed_reed_cov

CROW_AND_GAP = np.stack([contrast(CROW), GAP])
"""(2, 10): the ten outputs -> crow and gap."""
WIDE = 10.0
"""The spread that keeps the sums invertible is so many times the one assumed; its share is taken out again."""


@dataclass(frozen=True, slots=True)
class BatchEvidence:
    """Arrays over B batches, in the order of `names` (type, batch).

    estimate, variance (B, 4): crow start and gap start (cents), crow slope and gap slope (cents per mm), each with the
    others free; variance is inf where nothing tells. type_code (B,); reeds (B,): reeds with a reading; reading_ms (B,)
    and reading_df (B,): mean square of the gap's readings about each reed's own line, in cents², and its degrees.
    """

    names: tuple[tuple[str, str], ...]
    estimate: Array
    variance: Array
    type_code: NDArray[np.intp]
    reeds: NDArray[np.intp]
    reading_ms: Array
    reading_df: Array


def contrasts_of(model: FittedModel, type_code: int) -> Array:
    """A type's coefficients on crow and gap (6, 2); those of a type never seen beyond the fitted model's."""
    return model.type_coef(type_code) @ CROW_AND_GAP.T


def _offsets(model: FittedModel, n_chanters: int) -> tuple[Array, Array]:
    """Chanters' two offsets of crow and gap (C + 1, 2, 2) and covariance of the gap's two (C + 1, 2, 2).

    Chanters never fitted have no offset and the shop's spread; the last place stands for no chanter.
    """
    mean = np.zeros((n_chanters + 1, C_TERMS, 2))
    cov = np.zeros((n_chanters + 1, C_TERMS, C_TERMS))
    gap = np.kron(np.eye(C_TERMS), GAP)
    fresh = gap @ model.chanter_cov @ gap.T
    for code in range(n_chanters):
        if code < len(model.coding.chanters):
            at = model.chanter_slice(code)
            mean[code] = model.coef[at].reshape(C_TERMS, K) @ CROW_AND_GAP.T
            cov[code] = gap @ model.coef_cov[at, at] @ gap.T
        else:
            cov[code] = fresh
    return mean, cov


def conditioned(model: FittedModel, rows: Rows, coding: Coding) -> Array:
    """Crow and gap (n, 2), cents, of readings with what type, length, lips, chanter and air predict taken off."""
    x6 = coding.regressors(rows.removed_mm, rows.lip, rows.kpa, rows.deg_c, rows.type_code)
    y = np.column_stack([rows.y[:, CROW], gap_of(rows.y)])
    offset, _ = _offsets(model, int(rows.chanter_code.max(initial=-1)) + 1)
    for code in np.unique(rows.type_code):
        mine = rows.type_code == code
        y[mine] -= x6[mine] @ contrasts_of(model, int(code))
    shares = coding.chanter_part(rows.type_code)
    return np.asarray(y - np.einsum("nc,nck->nk", shares, offset[rows.chanter_code]))


def batch_evidence(model: FittedModel, rows: Rows, types: tuple[str, ...]) -> BatchEvidence:
    """The evidence of every batch with readings. rows, types: as `design.rows_from_frame(frame, model.coding)` gives.

    Readings that the fit has found wanting keep their lowered weights (by their entry); those after an event that was
    logged since the reed's first reading are left out, for they tell of the event. What is not known of a
    chanter's offset is added to the variance of the gap's start, by the share of the batch's readings taken on it.
    """
    if not len(rows):
        none = np.zeros(0)
        codes = np.zeros(0, dtype=np.intp)
        return BatchEvidence((), np.zeros((0, 4)), np.zeros((0, 4)), codes, codes, none, none)
    coding = known_coding(model, types)
    rows = sort_rows(rows)
    rest = conditioned(model, rows, coding)
    weight = np.ones((len(rows), 2))
    for i, label in enumerate(rows.label):
        low = model.low_weight.get(str(label))
        if low is not None:
            weight[i] = low[CROW], min(low[E_NOTE], low[F_NOTE])
    weight[event_since_first(rows.event, rows.reed_code)] = 0.0
    x6 = coding.regressors(rows.removed_mm, rows.lip, rows.kpa, rows.deg_c, rows.type_code)
    psi = coding.random_part(x6, rows.type_code)[:, :2]
    pick = np.kron(np.eye(2), CROW_AND_GAP)
    noise, reed_cov = CROW_AND_GAP @ model.noise_cov @ CROW_AND_GAP.T, pick @ model.reed_cov[: 2 * K, : 2 * K] @ pick.T
    usual = assumed_batch_cov(assumed_reed_cov(), assumed_reed_cov(), 0.0)[: 2 * K, : 2 * K]
    wide = WIDE * np.sqrt(np.diag(pick @ usual @ pick.T))
    count = len(rows.batches)
    info, vector = np.zeros((count, 4, 4)), np.zeros((count, 4))
    reeds = np.zeros(count, dtype=np.intp)
    for batch, (code, _) in enumerate(rows.batches):
        at = np.flatnonzero(rows.batch_code == batch)
        noise_scale, reed_scale = model.scales_of(code)
        w, wy = row_precision(rest[at], weight[at], noise * noise_scale)
        reed = rows.reed_code[at] - rows.reed_code[at[0]]
        sums = batch_sums(Terms.of(psi[at], np.zeros((len(at), 0))), w, wy, reed, reed_cov * reed_scale)
        info[batch], vector[batch], reeds[batch] = sums.m, sums.mv, len(sums.own)
    estimate, variance = np.zeros((count, 4)), np.full((count, 4), np.inf)
    batch_type = np.array([code for code, _ in rows.batches], dtype=np.intp)
    ratio = coding.slope_ratio[batch_type]
    loose = wide**2
    cov = np.linalg.inv(info + np.diag(1.0 / loose))
    middle = np.einsum("bij,bj->bi", cov, vector)
    own = 1.0 / np.einsum("bii->bi", cov) - 1.0 / loose
    informed = own > 1e-3 / loose
    estimate[informed] = (middle / np.einsum("bii->bi", cov))[informed] / own[informed]
    variance[informed] = 1.0 / own[informed]
    # the random slope is in units of s g: back to cents per mm of this type
    estimate[:, 2:] *= ratio[:, None]
    variance[:, 2:] *= ratio[:, None] ** 2
    variance[:, 1] += _chanter_share(model, rows, coding, count)
    ms, df = _reading_error(rest[:, 1], psi[:, 1], weight[:, 1], rows, count)
    names = tuple((types[code], name) for code, name in rows.batches)
    return BatchEvidence(names, estimate, variance, batch_type, reeds, ms, df)


def _chanter_share(model: FittedModel, rows: Rows, coding: Coding, count: int) -> Array:
    """Variance (B,) that unknown chanter offsets bring into a batch's gap start, cents²."""
    out = np.zeros(count)
    n_chanters = int(rows.chanter_code.max(initial=-1)) + 1
    if not n_chanters:
        return out
    _, cov = _offsets(model, n_chanters)
    on = np.isfinite(rows.y[:, F_NOTE]) & (rows.chanter_code >= 0)
    cells = np.zeros((count, n_chanters))
    np.add.at(cells, (rows.batch_code[on], rows.chanter_code[on]), 1.0)
    share = cells / np.maximum(cells.sum(axis=1, keepdims=True), 1.0)
    batch_type = np.array([code for code, _ in rows.batches], dtype=np.intp)
    terms = coding.chanter_part(batch_type)
    each = np.einsum("bi,cij,bj->bc", terms, cov[:n_chanters], terms)
    out = np.einsum("bc,bc->b", share**2, each)
    return np.asarray(out)


def _reading_error(gap: Array, g: Array, weight: Array, rows: Rows, count: int) -> tuple[Array, Array]:
    """Mean square (B,) of gap readings about each reed's own straight line, and degrees of freedom (B,).

    A reed read at one length only is its own mean. Readings of lowered weight are left out.
    """
    good = np.isfinite(gap) & (weight > 0.5)
    reed, y, x = rows.reed_code[good], gap[good], g[good]
    n_reeds = len(rows.reeds)

    def total(values: Array) -> Array:
        return np.asarray(np.bincount(reed, values, n_reeds), dtype=float)

    n = total(np.ones_like(y))
    safe = np.maximum(n, 1.0)
    x_mid, y_mid = total(x) / safe, total(y) / safe
    dx, dy = x - x_mid[reed], y - y_mid[reed]
    sxx, sxy, syy = total(dx * dx), total(dx * dy), total(dy * dy)
    sloped = sxx > 1e-4
    rss = np.maximum(syy - np.where(sloped, sxy**2 / np.where(sloped, sxx, 1.0), 0.0), 0.0)
    free = np.maximum(n - 1.0 - sloped, 0.0)
    rss = np.where(free > 0, rss, 0.0)
    batch = np.zeros(n_reeds, dtype=np.intp)
    batch[rows.reed_code] = rows.batch_code
    df = np.asarray(np.bincount(batch, free, count), dtype=float)
    return np.bincount(batch, rss, count) / np.maximum(df, 1.0), df
