"""Chanters lean on their kind, kinds on the shop: the prior of all chanters' offsets, and its variances learned.

A chanter c has two vectors of offsets over the ten outputs, laid end to end in theta_c (20,) (`priors.CHANTER_TERMS`).
With k its kind and g_c how much further the bore gauge enters it than the shop's middle chanter, in mm (0 where nobody
measured),

    theta_c = kappa_k + g_c gamma + delta_c,    kappa_k ~ N(0, between),  delta_c ~ N(0, within),
                                                gamma ~ N(GAUGE_MEAN, GAUGE_SPREAD).

A chanter of no kind is alone in one of its own: delta_c ~ N(0, within + between). The mean of the shop's kinds is in
the types' starts. Each of the two covariances is

    sum over the two vectors of   common² 1 1' (notes) + own² I (notes but E and F) + gap² / 2 I (E and F),

six variances each, which are learned once a chanter has a kind (`learned`), the assumed ones counting for SEED chanters
or kinds; in a log without kinds their sum is learned (`fitting.steps`) and split as it is split before. The gauge's
coefficients keep their prior's width: a shop measures few gauges.

The derivation of `learned`: of the readings only the information L and vector l about all chanters' offsets are kept,
types' coefficients integrated out. With Pi the prior covariance of the offsets and mu their mean, the log of the
marginal likelihood is -1/2 log |I + Pi L| + quadratic, its derivative along Pi = sum_j v_j J_j

    d/dv_j = -1/2 tr(G J_j) + 1/2 z' J_j z,    G = L (I + Pi L)^-1,    z = (I + L Pi)^-1 (l - L mu),

and v_j <- sqrt((v_j² z' J_j z + n s²) / (tr(G J_j) + n / v_j)) raises it together with the log of an inverse gamma
prior of n degrees about s² at each step. Source: Zhou, Hu, Qiao & Lange (2019), MM algorithms for variance components
models, J. Comput. Graph. Statist. 28, 350 (from memory). Checked against one dense covariance of the readings in
tests/regression/chanters/test_kinds.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import OUTPUTS, cents_from_440
from trimfit.base.records import Chanter
from trimfit.regression.priors import C_TERMS, CHANTER_TERMS, GAUGE_MEAN, GAUGE_SPREAD, KIND_SHARE, chanter_spread

__all__ = [
    "ChanterFacts",
    "Hierarchy",
    "assumed_hierarchy",
    "facts_of",
    "hierarchy_of",
    "learned",
    "prior_of_offsets",
    "same_kinds",
    "split_of",
    "unseen_offsets",
]

Array = NDArray[np.float64]
K = len(OUTPUTS)
WIDE = C_TERMS * K
E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
SEED = 4.0
"""The assumed variances count for so many chanters within kinds, and for so many kinds."""
STEPS = 12


@dataclass(frozen=True, slots=True)
class ChanterFacts:
    """What the log says of a chanter in words: its kind, how far the bore gauge enters (mm), and the meeting pitch and
    working crow that were stated of it, cents from 440 Hz."""

    kind: str | None = None
    gauge_mm: float | None = None
    meeting_cents: float | None = None
    crow_cents: float | None = None


def facts_of(chanter: Chanter) -> ChanterFacts:
    """What a chanter's entry in the log says of it in words."""
    pitch, crow = chanter.meeting_pitch_hz, chanter.working_crow_hz
    return ChanterFacts(
        chanter.kind,
        chanter.bore_gauge_mm,
        cents_from_440(pitch) if pitch else None,
        cents_from_440(crow) if crow else None,
    )


@dataclass(frozen=True, slots=True)
class Hierarchy:
    """Kinds of the chanters that a fitted model knows, and their prior before any reading.

    kinds (M): their names; kind_of (C,): the kind of each chanter, -1 for none; gauge_mm (C,): its bore gauge, NaN
    where not measured; middle_mm: the shop's middle one, from which gauges count, NaN where none was measured; within,
    between (20, 20): covariances among the chanters of a kind, and among kinds.
    """

    kinds: tuple[str, ...]
    kind_of: NDArray[np.intp]
    gauge_mm: Array
    middle_mm: float
    within: Array
    between: Array

    @property
    def gauged(self) -> bool:
        """Whether a gauge was measured, so that the gauge's coefficients are among those of the model."""
        return bool(np.isfinite(self.middle_mm))

    @property
    def size(self) -> int:
        """How many coefficients follow those of the chanters: 20 for each kind, then 20 of the gauge."""
        return WIDE * (len(self.kinds) + self.gauged)

    def over_mm(self, gauge_mm: float | None) -> float:
        """How much further the gauge enters a chanter than the shop's middle one, mm; 0 where one was not measured."""
        known = gauge_mm is not None and np.isfinite(gauge_mm) and self.gauged
        return float(gauge_mm) - self.middle_mm if known and gauge_mm is not None else 0.0


def split_of(total: Array) -> tuple[Array, Array]:
    """A covariance (20, 20) of chanters of unknown kind as the assumed shares: within kinds, and between them."""
    share = np.zeros((WIDE, WIDE))
    for i in range(C_TERMS):
        part = slice(i * K, (i + 1) * K)
        block = total[part, part]
        common = block[1:, 1:]
        shared = (common.sum() - np.trace(common)) / ((K - 1) * (K - 2))
        alike = np.zeros((K, K))
        alike[1:, 1:] = max(shared, 0.0)
        own = np.diag(np.diag(block - alike))
        share[part, part] = KIND_SHARE["common"] * alike + KIND_SHARE["own"] * own
    return total - share, share


def assumed_hierarchy() -> Hierarchy:
    """No chanter, no kind: the assumed variances alone."""
    within, between = split_of(chanter_spread())
    return Hierarchy((), np.empty(0, dtype=np.intp), np.empty(0), float("nan"), within, between)


def hierarchy_of(chanters: Sequence[str], facts: Mapping[str, ChanterFacts], total: Array) -> Hierarchy:
    """The kinds and gauges of these chanters; total (20, 20): the covariance of a chanter of unknown kind."""
    known = [facts.get(name, ChanterFacts()) for name in chanters]
    kinds = tuple(sorted({fact.kind for fact in known if fact.kind}))
    kind_of = np.array([kinds.index(fact.kind) if fact.kind else -1 for fact in known], dtype=np.intp)
    gauge = np.array([np.nan if fact.gauge_mm is None else fact.gauge_mm for fact in known], dtype=float)
    middle = float(np.median(gauge[np.isfinite(gauge)])) if np.isfinite(gauge).any() else float("nan")
    return Hierarchy(kinds, kind_of, gauge, middle, *split_of(total))


def same_kinds(h: Hierarchy, chanters: Sequence[str], records: Mapping[str, Chanter]) -> bool:
    """Whether these chanters have the kinds and gauges with which they were fitted."""
    for c, name in enumerate(chanters):
        record = records.get(name)
        kind = h.kinds[h.kind_of[c]] if h.kind_of[c] >= 0 else None
        gauge = None if np.isnan(h.gauge_mm[c]) else float(h.gauge_mm[c])
        if record is not None and (record.kind, record.bore_gauge_mm) != (kind, gauge):
            return False
    return True


def prior_of_offsets(h: Hierarchy) -> tuple[Array, Array]:
    """Mean (n,) and precision (n, n) of the chanters' offsets, the kinds' and the gauge's coefficients, in that order.

    Each chanter's departure from its kind and gauge is one Gaussian, so that the precision is a sum over chanters of
    J' cov^-1 J with J = (1 for the chanter, -1 for its kind, -g for the gauge).
    """
    chanters, kinds = len(h.kind_of), len(h.kinds)
    places = chanters + kinds + h.gauged
    precision = np.zeros((places, WIDE, places, WIDE))
    within, alone = np.linalg.inv(h.within), np.linalg.inv(h.within + h.between)
    mean = np.zeros((places, WIDE))
    for c, kind in enumerate(h.kind_of.tolist()):
        over = h.over_mm(float(h.gauge_mm[c]))
        ties = [(c, 1.0)] + ([(chanters + kind, -1.0)] if kind >= 0 else []) + ([(places - 1, -over)] if over else [])
        for i, left in ties:
            for j, right in ties:
                precision[i, :, j, :] += left * right * (within if kind >= 0 else alone)
        mean[c] = over * GAUGE_MEAN
    for k in range(kinds):
        precision[chanters + k, :, chanters + k, :] += np.linalg.inv(h.between)
    if h.gauged:
        precision[-1, :, -1, :] += np.linalg.inv(GAUGE_SPREAD)
        mean[-1] = GAUGE_MEAN
    return mean.reshape(-1), precision.reshape(places * WIDE, places * WIDE)


def unseen_offsets(h: Hierarchy, facts: Sequence[ChanterFacts]) -> tuple[Array, Array]:
    """Chanters that no reading met, from the model's kinds and gauge: lead (20 m, size), cov (20 m, 20 m).

    Their offsets are lead @ (kinds' and gauge's coefficients) + N(0, cov). Two of one kind that the model does not
    know share that kind.
    """
    m = len(facts)
    lead = np.zeros((m, WIDE, h.size // WIDE, WIDE))
    cov = np.zeros((m, WIDE, m, WIDE))
    for i, fact in enumerate(facts):
        if fact.kind in h.kinds:
            lead[i, :, h.kinds.index(str(fact.kind)), :] = np.eye(WIDE)
        if over := h.over_mm(fact.gauge_mm):
            lead[i, :, -1, :] = over * np.eye(WIDE)
        cov[i, :, i, :] += h.within
        for j, other in enumerate(facts):
            alike = fact.kind == other.kind and fact.kind is not None if i != j else True
            if alike and fact.kind not in h.kinds:
                cov[i, :, j, :] += h.between
    return lead.reshape(m * WIDE, h.size), cov.reshape(m * WIDE, m * WIDE)


def _parts(cov: Array) -> Array:
    """The six variances of a covariance (20, 20): of each vector the common part, the notes' own, that of the gap."""
    out = []
    others = [k for k in range(1, K) if k not in (E_NOTE, F_NOTE)]
    for i in range(C_TERMS):
        block = cov[i * K : (i + 1) * K, i * K : (i + 1) * K]
        common = float(np.mean([block[j, k] for j in others for k in others if j != k]))
        own = float(np.mean([block[k, k] for k in others])) - common
        gap = float(block[E_NOTE, E_NOTE] + block[F_NOTE, F_NOTE] - 2.0 * block[E_NOTE, F_NOTE])
        out += [max(common, 1e-6), max(own, 1e-6), max(gap, 1e-6)]
    return np.array(out)


def _bases() -> list[Array]:
    """What each of the six variances multiplies, over the nine notes: (vector, (9, 9))."""
    inside = np.isin(np.arange(1, K), (E_NOTE, F_NOTE)).astype(float)
    return [np.ones((K - 1, K - 1)), np.diag(1.0 - inside), 0.5 * np.diag(inside)] * C_TERMS


def _covariance(variances: Array) -> Array:
    """The covariance (20, 20) of six variances; the crow's is the assumed one."""
    out = np.zeros((WIDE, WIDE))
    for number, (variance, base) in enumerate(zip(variances, _bases(), strict=True)):
        notes = slice((number // 3) * K + 1, (number // 3 + 1) * K)
        out[notes, notes] += variance * base
    for i, term in enumerate(CHANTER_TERMS):
        out[i * K, i * K] = term.crow**2
    return out


def learned(h: Hierarchy, mean: Array, cov: Array) -> Hierarchy:
    """The hierarchy with its variances moved toward those of the highest marginal likelihood and the assumed ones.

    mean (n,), cov (n, n): the posterior of the coefficients in the order of `prior_of_offsets`, under h. A log without
    kinds gives h back.
    """
    chanters = len(h.kind_of)
    if not h.kinds or chanters < 3:
        return h
    notes = np.concatenate([np.arange(i * K + 1, (i + 1) * K) for i in range(C_TERMS)])
    at = (WIDE * np.arange(chanters)[:, None] + notes).reshape(-1)
    over = np.array([h.over_mm(float(mm)) for mm in h.gauge_mm])
    of_gauge = np.kron(np.outer(over, over), GAUGE_SPREAD[np.ix_(notes, notes)])
    mu = np.kron(over, GAUGE_MEAN[notes])
    alone = np.where(h.kind_of >= 0, h.kind_of, len(h.kinds) + np.arange(chanters))
    masks = [np.eye(chanters)] * 6 + [(alone[:, None] == alone[None, :]).astype(float)] * 6
    bases = _bases() * 2
    wide = len(notes)
    spots = [slice((number % 6) // 3 * (K - 1), ((number % 6) // 3 + 1) * (K - 1)) for number in range(12)]

    def prior(v: Array) -> Array:
        out = of_gauge.reshape(chanters, wide, chanters, wide).copy()
        for variance, mask, base, spot in zip(v, masks, bases, spots, strict=True):
            out[:, spot, :, spot] += variance * np.einsum("cd,kl->ckdl", mask, base)
        return np.asarray(out.reshape(chanters * wide, chanters * wide))

    v = np.concatenate([_parts(h.within), _parts(h.between)])
    assumed = assumed_hierarchy()
    usual = np.concatenate([_parts(assumed.within), _parts(assumed.between)])
    precision, before = np.linalg.inv(cov[np.ix_(at, at)]), np.linalg.inv(prior(v))
    info = precision - before
    info = 0.5 * (info + info.T)
    vector = precision @ mean[at] - before @ mu
    for _ in range(STEPS):
        inner = np.linalg.inv(np.eye(len(at)) + prior(v) @ info)
        gain = (info @ inner).reshape(chanters, wide, chanters, wide)
        z = (inner.T @ (vector - info @ mu)).reshape(chanters, wide)
        for j, (mask, base, spot) in enumerate(zip(masks, bases, spots, strict=True)):
            square = float(np.einsum("cd,ck,kl,dl->", mask, z[:, spot], base, z[:, spot], optimize=True))
            trace = float(np.einsum("cd,ckdl,kl->", mask, gain[:, spot, :, spot], base, optimize=True))
            v[j] = np.sqrt((v[j] ** 2 * square + SEED * usual[j]) / (trace + SEED / v[j]))
    return replace(h, within=_covariance(v[:6]), between=_covariance(v[6:]))
