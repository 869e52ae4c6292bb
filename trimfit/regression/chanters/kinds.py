"""Chanters lean on their kind, kinds on the shop: the prior of all chanters' offsets, and its variances learned.

A chanter c has two vectors of offsets over the ten outputs, laid end to end in theta_c (20,) (`priors.CHANTER_TERMS`).
With k its kind and g_c how much further the bore gauge enters it than the shop's middle chanter, in mm,

    theta_c = kappa_k + g_c gamma + delta_c,    kappa_k ~ N(0, between),  delta_c ~ N(0, within),
                                                gamma ~ N(GAUGE_MEAN, GAUGE_SPREAD).

Where nobody measured, g_c ~ N(m_k, s²) as the gauges of its kind are: the offsets then have m_k gamma and, beside what
is not known of kappa and delta, s² E[gamma gamma'], which ties the gap to the pitch as the gauge ties both.

A chanter of no kind is alone in one of its own: delta_c ~ N(0, within + between). The mean of the shop's kinds is in
the types' starts. With a = (1/2 at F, -1/2 at E), in which the gap lies, and B = [1 a] of the nine notes in each of the
two vectors (18, 4), each of the two covariances is

    B S B' + own² (I - 2 a a'),    S (4, 4): of what all notes share (the pitch) and of the gap, in both vectors;
                                   own²: of what each note has besides, one variance for each vector

S is a whole covariance, for chanters that are flat may ask for another crow than sharp ones do: what is known of one's
pitch tells of its gap. It is learned once a shop has three chanters (`learned`); at the end of the fit its correlations
are shrunk by what chance makes of them among so few (`less_tied`). The gauge's coefficients keep their prior's width,
which is in proportion to how far the shop's gauges differ, for a gauge's taper is its maker's: a shop measures few of
them.

The prior of a covariance S (d, d) is a matrix F distribution about the assumed S_0, with the least degrees of freedom
that make it proper. Its density over log S is in proportion to |S|^(d/2) |I + S S_0^-1|^-d, highest at S_0; that of one
standard deviation (d = 1) is half-Cauchy. It falls off slowly to both sides, so a shop whose chanters differ little, or
much, overrules it with few of them. Sources: Gelman (2006), Bayesian Analysis 1, 515; Mulder & Pericchi (2018), The
matrix-F prior, Bayesian Analysis 13, 1193 (both from memory).

The derivation of `learned`: of the readings only the information L and vector l about all chanters' offsets are kept,
types' coefficients integrated out. With Pi the prior covariance of the offsets and mu their mean, the log of the
marginal likelihood is -1/2 log |I + Pi L| + quadratic, its differential

    -1/2 tr(G dPi) + 1/2 z' dPi z,    G = L (I + Pi L)^-1,    z = (I + L Pi)^-1 (l - L mu).

Of one level (chanters within kinds, or kinds), let e_g be the sum of B' z over the chanters of its group g, M the sum
of e_g e_g', and A that of B' G B over all pairs of chanters of one group. Then the S of least

    tr(S A) + tr(S^-1 S_t M S_t) - d log |S| + 2 d tr((S_0 + S_t)^-1 S)

raises the likelihood times the prior at each step from S_t: log |I + Pi L| and log |S_0 + S| lie under their tangents
at S_t, and z' S z over the fraction. Its derivative is nil where

    S A' S - d S = S_t M S_t,    A' = A + 2 d (S_0 + S_t)^-1

which a Cholesky factor C of A' and the symmetric X = C' S C solve: X² - d X = C' S_t M S_t C, eigenvalue by eigenvalue.
An own² is the same with one row. Source: Zhou, Hu, Qiao & Lange
(2019), MM algorithms for variance components models, J. Comput. Graph. Statist. 28, 350 (from memory). Checked against
one dense covariance of the readings in tests/regression/chanters/test_kinds.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trimfit.base.pitch import cents_from_440
from trimfit.base.records import Chanter
from trimfit.regression.chanters.sent_reeds import SentReed
from trimfit.regression.outputs import E_NOTE, F_NOTE, GAP, Array, K, positive
from trimfit.regression.priors import (
    C_TERMS,
    CHANTER_TERMS,
    GAUGE_MEAN,
    GAUGE_SPREAD,
    KIND_SHARE,
    USUAL_GAUGE_MM,
    WIDE,
    chanter_spread,
)

NOTES = K - 1
NOTED = np.concatenate([np.arange(i * K + 1, (i + 1) * K) for i in range(C_TERMS)])
STEPS = 4
"""Steps at each of the fit's EM steps (`fitting.steps`): together they are enough."""


@dataclass(frozen=True, slots=True)
class ChanterFacts:
    """What the log says of a chanter in words: its kind, how far the bore gauge enters (mm), the meeting pitch and
    working crow that were stated of it, cents from 440 Hz, the reed type of that crow; whether it is said to be
    with its owner; and what came of reeds that were sent to it."""

    kind: str | None = None
    gauge_mm: float | None = None
    meeting_cents: float | None = None
    crow_cents: float | None = None
    crow_type: str | None = None
    away: bool = False
    sent: tuple[SentReed, ...] = ()


def facts_of(chanter: Chanter) -> ChanterFacts:
    """What a chanter's entry in the log says of it in words."""
    pitch, crow = chanter.meeting_pitch_hz, chanter.working_crow_hz
    return ChanterFacts(
        chanter.kind,
        chanter.bore_gauge_mm,
        cents_from_440(pitch) if pitch else None,
        cents_from_440(crow) if crow else None,
        chanter.working_crow_type,
        chanter.at_hand == "no",
    )


def away_codes(chanters: Sequence[str], facts: Mapping[str, ChanterFacts]) -> tuple[int, ...]:
    """The codes of those of these chanters that are said to be with their owners."""
    return tuple(code for code, name in enumerate(chanters) if name in facts and facts[name].away)


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
    def per_mm(self) -> float:
        """One over how far the gauge's ends usually lie from the middle one, 1/mm: what the shop's gauges say of it and
        what is assumed (USUAL_GAUGE_MM), which counts for one of them."""
        off = self.gauge_mm[np.isfinite(self.gauge_mm)] - self.middle_mm
        return float(np.sqrt((len(off) + 1) / (np.sum(off**2) + USUAL_GAUGE_MM**2)))

    @property
    def size(self) -> int:
        """How many coefficients follow those of the chanters: 20 for each kind, then 20 of the gauge."""
        return WIDE * (len(self.kinds) + self.gauged)

    def over_mm(self, gauge_mm: float | None, kind: int) -> tuple[float, float]:
        """How much further the gauge enters a chanter than the shop's middle one, mm: mean and variance.

        gauge_mm: what was measured, None or NaN for nothing; kind: its number, -1 for none or one with no gauge. Of a
        chanter not measured: its kind's middle, shrunk toward the shop's by how the gauges vary within kinds.
        """
        if not self.gauged:
            return 0.0, 0.0
        if gauge_mm is not None and np.isfinite(gauge_mm):
            return float(gauge_mm) - self.middle_mm, 0.0
        whole = 1.0 / self.per_mm**2
        off = self.gauge_mm - self.middle_mm
        of_kinds = [off[np.isfinite(off) & (self.kind_of == k)] for k in range(len(self.kinds))]
        count = len(of_kinds[kind]) if kind >= 0 else 0
        if not count:
            return 0.0, whole
        squares = sum(float(np.sum((one - one.mean()) ** 2)) for one in of_kinds if len(one))
        assumed = (1.0 - KIND_SHARE["common"]) * whole
        within = min((squares + assumed) / (sum(len(one) - 1 for one in of_kinds if len(one)) + 1), whole)
        between = max(whole - within, 1e-6 * whole)
        left = within * between / (count * between + within)
        return float(of_kinds[kind].mean()) * (1.0 - left / between), within + left


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
        over, _ = h.over_mm(float(h.gauge_mm[c]), kind)
        ties = [(c, 1.0)] + ([(chanters + kind, -1.0)] if kind >= 0 else []) + ([(places - 1, -over)] if over else [])
        for i, left in ties:
            for j, right in ties:
                precision[i, :, j, :] += left * right * (within if kind >= 0 else alone)
        mean[c] = over * h.per_mm * GAUGE_MEAN
    for k in range(kinds):
        precision[chanters + k, :, chanters + k, :] += np.linalg.inv(h.between)
    if h.gauged:
        precision[-1, :, -1, :] += np.linalg.inv(h.per_mm**2 * GAUGE_SPREAD)
        mean[-1] = h.per_mm * GAUGE_MEAN
    return mean.reshape(-1), precision.reshape(places * WIDE, places * WIDE)


def unseen_offsets(h: Hierarchy, facts: Sequence[ChanterFacts], gauge: tuple[Array, Array]) -> tuple[Array, Array]:
    """Chanters that no reading met, from the model's kinds and gauge: lead (20 m, size), cov (20 m, 20 m).

    Their offsets are lead @ (kinds' and gauge's coefficients) + N(0, cov). Two of one kind that the model does not
    know share that kind. gauge: mean (20,) and covariance (20, 20) of the gauge's coefficients, where `h` has them.
    """
    m = len(facts)
    lead = np.zeros((m, WIDE, h.size // WIDE, WIDE))
    cov = np.zeros((m, WIDE, m, WIDE))
    for i, fact in enumerate(facts):
        kind = h.kinds.index(fact.kind) if fact.kind in h.kinds else -1
        over, unknown = h.over_mm(fact.gauge_mm, kind)
        if kind >= 0:
            lead[i, :, kind, :] = np.eye(WIDE)
        if over:
            lead[i, :, -1, :] = over * np.eye(WIDE)
        cov[i, :, i, :] += h.within
        if unknown:
            cov[i, :, i, :] += unknown * (np.outer(gauge[0], gauge[0]) + gauge[1])
        for j, other in enumerate(facts):
            alike = fact.kind == other.kind and fact.kind is not None if i != j else True
            if alike and fact.kind not in h.kinds:
                cov[i, :, j, :] += h.between
    return lead.reshape(m * WIDE, h.size), cov.reshape(m * WIDE, m * WIDE)


def _basis() -> tuple[Array, Array]:
    """B (18, 4) over the nine notes of both vectors, and own notes' covariances (2, 18, 18) of variance 1."""
    apart = 0.5 * GAP[1:]
    one = np.stack([np.ones(NOTES), apart], axis=1)
    own = np.zeros((C_TERMS, C_TERMS * NOTES, C_TERMS * NOTES))
    for i in range(C_TERMS):
        part = slice(i * NOTES, (i + 1) * NOTES)
        own[i, part, part] = np.eye(NOTES) - 2.0 * np.outer(apart, apart)
    return np.asarray(np.kron(np.eye(C_TERMS), one), dtype=np.float64), own


def _parts(cov: Array) -> tuple[Array, Array]:
    """S (4, 4) and the notes' own variances (2,) of a covariance (20, 20); both at least a trifle."""
    others = [k for k in range(1, K) if k not in (E_NOTE, F_NOTE)]
    pick, own = np.zeros((2 * C_TERMS, WIDE)), np.zeros(C_TERMS)
    for i in range(C_TERMS):
        block = cov[i * K : (i + 1) * K, i * K : (i + 1) * K][np.ix_(others, others)]
        own[i] = (np.trace(block) - (block.sum() - np.trace(block)) / (len(others) - 1)) / len(others)
        pick[2 * i, [i * K + k for k in others]] = 1.0 / len(others)
        pick[2 * i + 1, i * K : (i + 1) * K] = GAP
    tied = pick @ cov @ pick.T
    tied[::2, ::2] -= np.diag(own) / len(others)
    return positive(tied, 1e-6), np.maximum(own, 1e-6)


def _covariance(tied: Array, own: Array) -> Array:
    """The covariance (20, 20) of S (4, 4) and own variances (2,); the crow's is the assumed one."""
    basis, of_own = _basis()
    out = np.zeros((WIDE, WIDE))
    out[np.ix_(NOTED, NOTED)] = basis @ tied @ basis.T + np.einsum("i,ikl->kl", own, of_own)
    for i, term in enumerate(CHANTER_TERMS):
        out[i * K, i * K] = term.crow**2
    return out


def _raised(now: Array, moment: Array, trace: Array, assumed: Array) -> Array:
    """The next S (..., d, d), positive definite, where S A' S - d S = S_t M S_t.

    now: S_t; moment: M; trace: A; assumed: S_0.
    """
    d = now.shape[-1]
    root = np.linalg.cholesky(trace + 2.0 * d * np.linalg.inv(assumed + now)).swapaxes(-1, -2)
    reach = root @ now
    values, vectors = np.linalg.eigh(reach @ moment @ reach.swapaxes(-1, -2))
    values = 0.5 * (d + np.sqrt(d * d + 4.0 * np.maximum(values, 0.0)))
    half = np.linalg.solve(root, vectors * np.sqrt(values)[..., None, :])
    return np.asarray(half @ half.swapaxes(-1, -2))


def learned(h: Hierarchy, mean: Array, cov: Array, met: NDArray[np.bool_]) -> Hierarchy:
    """The hierarchy with its variances moved toward those of the highest marginal likelihood times their prior.

    mean (n,), cov (n, n): the posterior of the coefficients in the order of `prior_of_offsets`, under h; met (C,):
    which chanters any reading met, for the others tell nothing. Fewer than three chanters give h back.
    """
    if len(met) < 3:
        return h
    basis, of_own = _basis()
    known = np.flatnonzero(met)
    chanters, wide, kind_of = len(known), len(NOTED), h.kind_of[known]
    at = (WIDE * known[:, None] + NOTED).reshape(-1)
    over = h.per_mm * np.array([h.over_mm(float(h.gauge_mm[c]), int(h.kind_of[c]))[0] for c in known])
    of_gauge = np.kron(np.outer(over, over), GAUGE_SPREAD[np.ix_(NOTED, NOTED)])
    mu = np.kron(over, GAUGE_MEAN[NOTED])
    alone = np.where(kind_of >= 0, kind_of, len(h.kinds) + np.arange(chanters))
    masks = np.eye(chanters), (alone[:, None] == alone[None, :]).astype(float)
    levels = [_parts(h.within), _parts(h.between)]
    assumed = assumed_hierarchy()
    usual = [_parts(assumed.within), _parts(assumed.between)]

    def prior() -> Array:
        notes = [basis @ tied @ basis.T + np.einsum("i,ikl->kl", own, of_own) for tied, own in levels]
        return of_gauge + np.kron(masks[0], notes[0]) + np.kron(masks[1], notes[1])

    precision, before = np.linalg.inv(cov[np.ix_(at, at)]), np.linalg.inv(prior())
    info = precision - before
    info = 0.5 * (info + info.T)
    vector = precision @ mean[at] - before @ mu
    for _ in range(STEPS):
        told = np.column_stack([info, vector - info @ mu])
        found = np.linalg.solve(np.eye(len(at)) + info @ prior(), told).reshape(chanters, wide, -1)
        gain, z = found[:, :, :-1].reshape(chanters, wide, chanters, wide), found[:, :, -1]
        for level, mask in enumerate(masks):
            trace = np.einsum("cd,ckdl->kl", mask, gain)
            moment = z.T @ mask @ z
            tied, own = levels[level]
            tied = _raised(tied, basis.T @ moment @ basis, basis.T @ trace @ basis, usual[level][0])
            square, freedom = (np.einsum("ikl,kl->i", of_own, one) for one in (moment, trace))
            each = (part[:, None, None] for part in (own, square, freedom, usual[level][1]))
            own = _raised(*each)[:, 0, 0]
            levels[level] = tied, own
    return replace(h, within=_covariance(*levels[0]), between=_covariance(*levels[1]))


def less_tied(h: Hierarchy) -> Hierarchy:
    """The hierarchy with the correlations of S, in both levels, shrunk toward none by what chance makes of them among
    so few chanters, or kinds: r by 1 - (1 - r²)² / (n r²), the variance of r over its square, and never past none.

    The likelihood's best r is taken for the true one by whatever rests on it: unshrunk, a pitch that tells nothing of
    the gap makes it worse known (`python -m tests.worlds.pipes 12 away`).
    """
    chanters, kinds = len(h.kind_of), len(h.kinds)
    out = []
    for cov, n in ((h.within, chanters - kinds), (h.between, kinds)):
        tied, own = _parts(cov)
        sd = np.sqrt(np.diag(tied))
        r = tied / np.outer(sd, sd)
        kept = np.clip(1.0 - (1.0 - r**2) ** 2 / np.maximum(n * r**2, 1e-12), 0.0, 1.0)
        r = np.where(np.eye(len(r)) > 0, 1.0, r * kept)
        out.append(_covariance(positive(r, 1e-3) * np.outer(sd, sd), own))
    return replace(h, within=out[0], between=out[1])
