"""Each note of each chanter at the meeting point: how far from the meeting pitch, and how far from its kind.

Both are read off the fitted model. With phi the coefficients of one reed type and the chanter's offsets, g the length
at which the typical reed of that type meets there, t its terms (1, g, g², 0, 0, 0, 1, s) and p the mean of E and F, a
note's offset is t x (e_k - p) phi; g moves with the offsets too, so its row has the note's slope over the gap's taken
off along the gap. Its interval is the coefficients' posterior; what single reeds depart from their type is not in it.

Against its kind: the offsets of all chanters have one Gaussian prior (`kinds.prior_of_offsets`), with precision Q,
mean mu, posterior mean m and covariance V. Were note k of chanter c off by an amount that the prior knows nothing of,
its estimate and variance by generalised least squares would be

    delta = e' Q (m - mu) / i,    1 / i,    i = e' (Q - Q V Q) e,

e the unit vector of that note in the chanter's plain offsets: every other note of the chanter, the other chanters of
its kind, and how much notes differ in the ordinary way are all allowed for. delta sqrt(i) is standard normal for an
ordinary note. A few notes that are far off widen the learned spread and the kind's mean, so candidates are taken one by
one, the farthest off first, against the middle of all (the median of the absolute values), and each is left free from
then on. Then each candidate is held against the notes of its name that are no candidates (their mean square, with that
of all the shop's notes for SHOP_NOTES of them; Student's distribution), and those stay that the step-down procedure of
Holm (1979; statsmodels `multipletests`) rejects among all notes of all chanters at FALSE_CHANCE: while it spares one,
the least sure of them goes back to the ordinary ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import NOTES
from trimfit.regression.chanters.kinds import prior_of_offsets
from trimfit.regression.curve import bent_mm
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.outputs import GAP, PITCH, Array, K, contrast
from trimfit.regression.priors import WIDE, P

FALSE_CHANCE = 0.2
"""The chance that an ordinary note is called unusual, in all chanters of a shop together."""
SHOP_NOTES = 15.0
"""Beside the notes of its own name, those of all names count for so many."""
FEWEST_NOTES = 72
"""Fewer (of eight chanters) do not tell that notes are off by less than the learned spread says."""
LEAST_CENTS = 5.0
"""A note less off than this is not spoken of, however surely it is off: no ear would have it recut."""
CARVED_CENTS = 100.0
"""How far off by itself a note may be before anything is read of it, as a standard deviation: a semitone."""
LEAST_SLOPE = 5.0  # cents of gap a mm: no reed is taken to answer less
NORMAL_MEDIAN = 0.6745


@dataclass(frozen=True, slots=True)
class NoteOffset:
    """One note of a chanter at the meeting point, as low A, cents: mean and standard deviation of how far it lies from
    the meeting pitch, and from what its kind (or the shop's chanters) would have it at; whether that is unusual."""

    note: str
    offset_cents: float
    offset_sd_cents: float
    unusual_cents: float
    unusual_sd_cents: float
    unusual: bool


def chanter_notes(model: FittedModel) -> dict[str, tuple[NoteOffset, ...]]:
    """The notes of every chanter that the fitted model knows, seen through the reed type with the most reeds."""
    chanters = model.coding.chanters
    if not chanters or not model.readings:
        return {}
    pull, info = _against_kind(model)
    called = _called(pull, info) if len(chanters) > 1 else np.empty(0, dtype=np.intp)
    delta, variance = _given(pull, info, called)
    ordinary = np.tile(np.diag(model.hierarchy.within)[1:K], len(chanters))
    apart = np.maximum(variance - ordinary, 0.1 * variance)
    # A note that was hardly ever read would lie anywhere at all.
    share = CARVED_CENTS**2 / (CARVED_CENTS**2 + apart)
    delta, sd = delta * share, np.sqrt(apart * share).reshape(-1, K - 1)
    unusual = np.isin(np.arange(len(delta)), called).reshape(-1, K - 1)
    delta = delta.reshape(-1, K - 1)
    t = int(np.argmax(model.reeds))
    out = {}
    for c, name in enumerate(chanters):
        mean, error = _from_pitch(model, t, c)
        out[name] = tuple(
            NoteOffset(note, float(mean[k]), float(error[k]), float(delta[c, k]), float(sd[c, k]), bool(unusual[c, k]))
            for k, note in enumerate(NOTES)
        )
    return out


def _against_kind(model: FittedModel) -> tuple[Array, Array]:
    """e' Q (m - mu) of every note of every chanter (9 C,), and E' (Q - Q V Q) E of all of them (9 C, 9 C)."""
    mu, q = prior_of_offsets(model.hierarchy)
    whole = slice(model.chanter_slice(0).start, model.kinds_slice.stop)
    m, v = model.coef[whole], model.coef_cov[whole, whole]
    count = len(model.coding.chanters)
    at = (WIDE * np.arange(count)[:, None] + np.arange(1, K)).reshape(-1)
    pull = (q @ (m - mu))[at]
    wide = q[at]
    return pull, q[np.ix_(at, at)] - wide @ v @ wide.T


def _given(pull: Array, info: Array, called: NDArray[np.intp]) -> tuple[Array, Array]:
    """How far each note lies off (n,), and the variance of that, with the called notes free: each called one with all
    the others, each other one with all the called ones."""
    delta, variance = np.empty(len(pull)), np.empty(len(pull))
    others = np.setdiff1d(np.arange(len(pull)), called)
    free = np.linalg.inv(info[np.ix_(called, called)])
    delta[called], variance[called] = free @ pull[called], np.diag(free)
    across = info[np.ix_(others, called)]
    rest = np.maximum(info[others, others] - np.einsum("ac,cd,ad->a", across, free, across), 1e-12)
    delta[others], variance[others] = (pull[others] - across @ free @ pull[called]) / rest, 1.0 / rest
    return delta, variance


def _called(pull: Array, info: Array) -> NDArray[np.intp]:
    """The unusual notes: candidates one by one, the farthest off first, then those of them that hold together."""
    from scipy.special import ndtr, stdtr

    count = len(pull)
    called = np.empty(0, dtype=np.intp)
    while len(called) < count // 4:
        delta, variance = _given(pull, info, called)
        left = np.setdiff1d(np.arange(count), called)
        z = np.abs(delta[left]) / np.sqrt(variance[left])
        middle = float(np.median(z)) / NORMAL_MEDIAN if count >= FEWEST_NOTES else 1.0
        most = int(np.argmax(z))
        if count * 2.0 * ndtr(-z[most] / max(middle, 1e-9)) > 1.0:
            break
        called = np.append(called, left[most])
    while len(called):
        delta, variance = _given(pull, info, called)
        z = delta / np.sqrt(variance)
        left = np.setdiff1d(np.arange(count), called)
        whole = float(np.mean(z[left] ** 2)) if count >= FEWEST_NOTES else 1.0
        keep = []
        for one in called.tolist():
            alike = left[left % (K - 1) == one % (K - 1)]
            freedom = len(alike) + SHOP_NOTES
            own = (float(np.sum(z[alike] ** 2)) + SHOP_NOTES * whole) / freedom
            own = own if count >= FEWEST_NOTES else max(own, 1.0)
            keep.append(2.0 * stdtr(freedom, -abs(z[one]) / np.sqrt(own)))
        p = np.where(np.abs(delta[called]) >= LEAST_CENTS, np.array(keep), 1.0)
        if _holm(p, count).all():
            break
        called = np.delete(called, int(np.argmax(p)))
    return called


def _holm(p: Array, count: int) -> NDArray[np.bool_]:
    """Which of these p-values, of `count` in all, Holm's procedure rejects at FALSE_CHANCE; the others count as 1."""
    from statsmodels.stats.multitest import multipletests

    return np.asarray(multipletests(np.r_[p, np.ones(count - len(p))], FALSE_CHANCE, method="holm")[0][: len(p)])


def _from_pitch(model: FittedModel, t: int, c: int) -> tuple[Array, Array]:
    """Of each note (9,): how far it lies from the pitch where the typical reed of type t meets in chanter c, and the
    standard deviation of that."""
    at = np.r_[model.type_slice(t), model.chanter_slice(c)]
    mean, cov = model.coef[at], model.coef_cov[np.ix_(at, at)]
    terms, along = _meeting(model, t, mean)
    slope = max(float(GAP @ along), LEAST_SLOPE)
    rows = []
    for k in range(1, K):
        pick = contrast(k) - PITCH
        rows.append(np.kron(terms, pick - float(pick @ along) / slope * GAP))
    row = np.array(rows)
    return row @ mean, np.sqrt(np.maximum(np.einsum("an,nm,am->a", row, cov, row), 0.0))


def _meeting(model: FittedModel, t: int, mean: Array) -> tuple[Array, Array]:
    """The terms (8,) of the typical reed of type t where it meets, mean (80,), and the outputs' slopes (10,) there."""
    ratio = float(model.coding.slope_ratio[t])
    beta = mean[: P * K].reshape(P, K)
    offset = mean[P * K : P * K + K] + ratio * mean[P * K + K :]
    x = np.linspace(0.0, 4.0, 401)
    g = bent_mm(x, np.tile(model.coding.curves[t], (len(x), 1)))
    gap = GAP @ (beta[0] + offset) + g * (GAP @ beta[1]) + g * g * (GAP @ beta[2])
    met = float(g[int(np.argmin(np.abs(gap)))])
    return np.array([1.0, met, met * met, 0.0, 0.0, 0.0, 1.0, ratio]), beta[1] + 2.0 * met * beta[2]


def crow_over_kind_cents(model: FittedModel, chanter: str) -> float:
    """How much sharper a crow the chanter asks for than its kind (or the shop's chanters), cents, seen through the reed
    type with the most reeds."""
    t, c, h = int(np.argmax(model.reeds)), model.coding.chanters.index(chanter), model.hierarchy
    own = model.coef[model.chanter_slice(c)].copy()
    kinds = model.coef[model.kinds_slice].reshape(-1, WIDE)
    if h.kind_of[c] >= 0:
        own -= kinds[h.kind_of[c]]
    if h.gauged:
        own -= h.over_mm(float(h.gauge_mm[c]), int(h.kind_of[c]))[0] * kinds[-1]
    _, along = _meeting(model, t, model.coef[np.r_[model.type_slice(t), model.chanter_slice(c)]])
    offset = own[:K] + float(model.coding.slope_ratio[t]) * own[K:]
    slope = max(float(GAP @ along), LEAST_SLOPE)
    return -float(GAP @ offset) * float(along[0]) / slope
