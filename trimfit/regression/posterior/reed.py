"""A fitted model and a batch's readings -> the posterior of each reed: one Gaussian over its own coefficients.

The fitted model's coefficients already hold what the batch's readings up to the fit have added. To count every reading
once, that information is taken out again (it is known exactly, from the same rows and weights), and the batch's
readings up to now, old and new, are put in: entries made since the fit, a sibling's included, count at once.

A reed's state (d,) is: start (10), length (10), bend (10), lip (10), pressure (10), temperature (10), then for each
chanter of interest its two offset vectors (20), then the error (3) that all readings of the present sitting share, and
how far the level has moved since the sitting before (3). It is the state at a moment: start holds where the reed's
level has moved to by then (`movement`). Start, length and bend hold the batch's and the reed's own deviations,
and lip what a stroke does to this reed: how far the reeds of a type differ in that is assumed (`priors.stroke_spread`),
for a log has too few strokes to tell, but what they did to this reed is learned from its readings. All in cents per
unit of the regressors of `priors.REGRESSORS`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import TrimfitError
from trimfit.regression.chanters.kinds import ChanterFacts, unseen_offsets
from trimfit.regression.chanters.sent_reeds import with_sent
from trimfit.regression.chanters.stated import OfType, crow_types, with_stated
from trimfit.regression.curve import bent_one_mm, scaled
from trimfit.regression.design import Coding, Rows, base_weight, with_tape
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.movement.jumps import jumps_before
from trimfit.regression.movement.process import (
    BASIS,
    DIRECTIONS,
    N_DIRECTIONS,
    SITTING_DAYS,
    Levels,
    TypeMovement,
    after_event,
    levels_of,
    moved_before,
    settling,
    sittings_of,
    unsettled,
)
from trimfit.regression.outputs import GAP, Array, K, block_diagonal, edges_of, numbered, scaled_inverse
from trimfit.regression.posterior.batch import (
    BatchSums,
    Posterior,
    Terms,
    batch_posterior,
    batch_sums,
    deletion,
    marginal,
    posterior_of,
    reed_means,
    row_precision,
    sound_weights,
)
from trimfit.regression.priors import C_TERMS, REGRESSORS, WIDE, P, stroke_spread, tape_prior
from trimfit.regression.priors import OWN as FITTED_TERMS

LIP = REGRESSORS.index("lip")
GAP_DIRECTION = DIRECTIONS.index("gap")
OWN = FITTED_TERMS + K
"""A batch's and a reed's own terms here: those of the fit, and what a stroke does to this reed. (A fit's many reeds
hardly have strokes enough to tell; on the bench it may be most of what is not known of a reed's pitch.)"""


@dataclass(frozen=True, slots=True)
class ReedState:
    """Posterior about one reed: mean (d,), cov (d, d), and how its type is coded.

    `chanters` names the chanters whose offsets follow the sixty coefficients; noise_cov (10, 10) is one reading's.
    idle_days: since the last reading, 0 while its sitting lasts; sittings: how many there were up to the moment, with
    one that begins then; movement: its type's; unsettled (2,): how far it has yet to settle by age, and by work done.
    set_aside: entries of the latest readings that are wild, or a slip, by this explanation (`movement.explanations`).
    """

    mean: Array
    cov: Array
    chanters: tuple[str, ...]
    curve: Array
    slope_ratio: float
    pressure_kpa: float
    temperature_c: float
    noise_cov: Array
    idle_days: float = 0.0
    sittings: int = 1
    movement: TypeMovement | None = None
    unsettled: Array = field(default_factory=lambda: np.zeros(2))
    set_aside: tuple[str, ...] = ()

    @property
    def sitting_at(self) -> slice:
        """Where the error that the present sitting's readings share stands in the state."""
        return slice(len(self.mean) - 2 * N_DIRECTIONS, len(self.mean) - N_DIRECTIONS)

    def design(
        self,
        removed_mm: float,
        lip: float,
        chanter: str | None,
        kpa: float | None = None,
        deg_c: float | None = None,
        *,
        as_read: bool = False,
    ) -> Array:
        """The matrix (10, d) that turns the state into the ten outputs under these conditions.

        Conditions left out are the bench's usual ones. as_read: with the error that this sitting's readings share. A
        chanter that the state does not hold raises TrimfitError.
        """
        if chanter is not None:
            self._held(chanter)
        terms = self.terms(removed_mm, lip, self.chanters, chanter, kpa, deg_c)
        # the terms times the identity over outputs: what `np.kron` says, at a tenth of its time
        out: Array = (np.eye(K)[:, None, :] * terms[None, :, None]).reshape(K, -1)
        if len(self.mean) == out.shape[1]:
            return out  # a state that knows of no sittings
        return np.concatenate([out, BASIS if as_read else np.zeros_like(BASIS), np.zeros_like(BASIS)], axis=1)

    def terms(
        self,
        removed_mm: float,
        lip: float,
        chanters: Sequence[str],
        chanter: str | None,
        kpa: float | None,
        deg_c: float | None,
    ) -> Array:
        """What the six regressors and the two offsets of each of these chanters are multiplied by (6 + 2C,) in one of
        them; conditions left out are the bench's usual ones."""
        g = bent_one_mm(removed_mm, self.curve)
        air = [
            0.0 if kpa is None else kpa - self.pressure_kpa,
            0.0 if deg_c is None else deg_c - self.temperature_c,
        ]
        here = [scale * (name == chanter) for name in chanters for scale in (1.0, self.slope_ratio)]
        return np.array([1.0, g, g * g, lip, *air, *here])

    def _held(self, chanter: str) -> int:
        """The place of a chanter among those that the state holds; TrimfitError for one that it does not."""
        if chanter not in self.chanters:
            raise TrimfitError(f"chanter {chanter!r} was not asked about", "the posterior")
        return self.chanters.index(chanter)

    def picked(self, picks: Array, chanters: Sequence[str]) -> tuple[Array, Array, Array]:
        """Two outputs, or two sums of outputs, of each block of coefficients: mean (2B,), cov (2B, 2B), and covariance
        (2B, 3) with the error that the sitting's readings share.

        picks (2, 10): the sums; blocks: the six regressors, then two of each of these chanters. A chanter that the
        state does not hold raises TrimfitError.
        """
        offsets = [P + C_TERMS * self._held(name) + term for name in chanters for term in range(C_TERMS)]
        blocks = np.r_[np.arange(P), np.array(offsets, dtype=np.intp)]
        used = np.flatnonzero(picks.any(axis=0))
        at = (blocks[:, None] * K + used).reshape(-1)
        turn = np.kron(np.eye(len(blocks)), picks[:, used])
        shared = np.zeros((len(turn), N_DIRECTIONS))
        if self.movement is not None:
            shared = turn @ self.cov[at, self.sitting_at]
        return turn @ self.mean[at], turn @ self.cov[np.ix_(at, at)] @ turn.T, shared

    def outputs(self, design: Array) -> tuple[Array, Array]:
        """Mean (m,) and covariance (m, m) of the true values under a design (m, d)."""
        return design @ self.mean, design @ self.cov @ design.T

    def moved(self, cov: Array, *, since: bool = True) -> ReedState:
        """The state if the level has moved by an unknown amount more, or less where that was counted: cov (3, 3).

        since: since the sitting before, and not earlier.
        """
        lift = np.zeros((len(self.mean), N_DIRECTIONS))
        lift[:K] = BASIS
        lift[-N_DIRECTIONS:] = since * np.eye(N_DIRECTIONS)
        return replace(self, cov=self.cov + lift @ cov @ lift.T)

    def moved_gap(self) -> tuple[float, float] | None:
        """How far the gap has moved by itself since the sitting before, cents: mean and standard deviation; None where
        there was none before."""
        if self.sittings < 2:
            return None
        at = len(self.mean) - N_DIRECTIONS + GAP_DIRECTION
        return float(self.mean[at]), float(np.sqrt(max(self.cov[at, at], 0.0)))

    def updated(self, design: Array, values: Array, noise: Array) -> ReedState:
        """The state after one more reading: design (m, d), values (m,), noise (m, m). The same kind of object."""
        spread = design @ self.cov @ design.T + noise
        gain = np.linalg.solve(spread, design @ self.cov).T
        mean = self.mean + gain @ (values - design @ self.mean)
        keep = np.eye(len(self.mean)) - gain @ design
        cov = keep @ self.cov @ keep.T + gain @ noise @ gain.T
        return replace(self, mean=mean, cov=0.5 * (cov + cov.T))


@dataclass(frozen=True, slots=True)
class Moment:
    """The moment that reeds are asked about: the day (R,), no earlier than a reed's last reading, and how far each has
    settled then (R, 2), and how far it is not yet (R, 2); the last two for a reed with no reading (2,). event: whether
    an event came after a reed's last reading (R,); of none where it is empty."""

    day: Array
    settle: Array
    unsettled: Array
    blank_settle: Array = field(default_factory=lambda: np.zeros(2))
    blank_unsettled: Array = field(default_factory=lambda: np.zeros(2))
    event: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))


def known_coding(model: FittedModel, types: Sequence[str]) -> Coding:
    """The fitted model's coding with room for types it does not know: their curve and slope ratio are the shop's
    median."""
    extra = len(types) - model.n_types
    if extra <= 0:
        return model.coding
    return replace(
        model.coding,
        types=tuple(types),
        curves=np.vstack([model.coding.curves, np.tile(scaled(np.median(model.coding.curves, axis=0)), (extra, 1))]),
        slope_ratio=np.r_[model.coding.slope_ratio, np.ones(extra)],
    )


def _local_prior(
    model: FittedModel,
    type_code: int,
    chanter_codes: Sequence[int],
    facts: Mapping[int, ChanterFacts],
    tapes: Sequence[tuple[int, int]],
) -> tuple[Array, Array]:
    """Mean (P,) and covariance (P, P) of a type's sixty coefficients, the named chanters' offsets and these tapes.

    Codes beyond the fitted model's are a type, or a chanter, never seen: the one leans on the shop's types, the other
    on its kind and its gauge. facts: chanter code -> what was said of it in words.
    """
    known_type = 0 <= type_code < model.n_types and (len(model.coding.types) > 1 or model.coding.types[0] != "")
    known = len(model.coding.chanters)
    unseen = [number for number, code in enumerate(chanter_codes) if code >= known]
    asked = type_code if known_type else -1
    stated = {n: facts[code] for n, code in enumerate(chanter_codes) if code in facts}
    of_crow = {n: crow_types(model.coding.types, model.reeds, fact, asked) for n, fact in stated.items()}
    others = sorted({code for types in of_crow.values() for code in types} - {asked, -1})
    first = P * K + WIDE * len(chanter_codes)
    last = first + K * len(tapes)
    size = last + P * K * len(others)
    # where each block of coefficients that the fitted model holds begins here, and where it stands there
    blocks = [(0, model.type_slice(type_code))] if known_type else []
    blocks += [(P * K + WIDE * n, model.chanter_slice(code)) for n, code in enumerate(chanter_codes) if code < known]
    worn = [(n, model.tapes.index(tape)) for n, tape in enumerate(tapes) if tape in model.tapes]
    blocks += [(first + K * n, model.tape_slice(number)) for n, number in worn]
    blocks += [(last + P * K * n, model.type_slice(code)) for n, code in enumerate(others)]
    held = [np.arange(begin, begin + at.stop - at.start) for begin, at in blocks]
    here = np.concatenate([np.arange(0), *held])
    there = [np.arange(at.start, at.stop) for at in [*(at for _, at in blocks), *[model.kinds_slice] * bool(unseen)]]
    used = np.concatenate([np.arange(0), *there])
    lead, mean, cov = np.zeros((size, len(used))), np.zeros(size), np.zeros((size, size))
    lead[here, np.arange(len(here))] = 1.0
    if not known_type:
        mean[: P * K], cov[: P * K, : P * K] = model.new_type_mean, model.new_type_cov
    for number, tape in enumerate(tapes):
        if tape not in model.tapes:
            mine = slice(first + K * number, first + K * (number + 1))
            mean[mine], cov[mine, mine] = tape_prior(tape[1])
    if unseen:
        spots = np.concatenate([P * K + WIDE * number + np.arange(WIDE) for number in unseen])
        said = [facts.get(chanter_codes[number], ChanterFacts()) for number in unseen]
        lead[spots, len(here) :], cov[np.ix_(spots, spots)] = unseen_offsets(model.hierarchy, said, model.gauge_coef)
    mean += lead @ model.coef[used]
    cov += lead @ model.coef_cov[np.ix_(used, used)] @ lead.T
    ratio = float(model.coding.slope_ratio[type_code]) if known_type else 1.0
    for number, fact in stated.items():
        types = [
            OfType(chance, last + P * K * others.index(code), float(model.coding.slope_ratio[code]))
            if code in others
            else OfType(chance, 0, ratio)
            for code, chance in of_crow[number].items()
        ]
        offsets = P * K + WIDE * number
        mean, cov = with_stated(mean, cov, offsets, fact, OfType(1.0, 0, ratio), types, model.stated_sd)
        if fact.sent:
            starts = {code: P * K + WIDE * n for n, code in enumerate(chanter_codes)}
            error_cents = _gap_error_cents(model, asked)
            mean, cov = with_sent(mean, cov, starts, chanter_codes[number], fact.sent, error_cents)
    mean, cov = mean[:last], cov[:last, :last]
    return mean, 0.5 * (cov + cov.T)


def typical_state(model: FittedModel, coding: Coding, type_code: int, chanter: str, fact: ChanterFacts) -> ReedState:
    """The posterior of a type's typical reed in a chanter: no deviation of a batch's or a reed's own is in it.

    coding: `known_coding` with room for the type; fact: what was stated of the chanter.
    """
    known = model.coding.chanters
    code = known.index(chanter) if chanter in known else len(known)
    mean, cov = _local_prior(model, type_code, [code], {code: fact}, [])
    ratio = float(coding.slope_ratio[type_code])
    air = coding.pressure_kpa, coding.temperature_c
    return ReedState(mean, cov, (chanter,), coding.curves[type_code], ratio, *air, model.noise_cov)


def _gap_error_cents(model: FittedModel, type_code: int) -> float:
    """Standard deviation of the error of a gap reading of a type, that of its sitting included."""
    sitting = model.movement.of(type_code).sitting[GAP_DIRECTION, GAP_DIRECTION]
    return float(np.sqrt(model.scales_of(type_code)[0] * GAP @ model.noise_cov @ GAP + sitting))


def _without(
    info: Array, vector: Array, sums: BatchSums, batch_cov: Array, strangers: NDArray[np.bool_], chanter_cov: Array
) -> tuple[Array, Array]:
    """Coefficient information (P, P), vector (P,) less what these sums had added to it; kept positive definite.

    strangers (P,): coefficients that are not the fitted model's, being of chanters it has no room for. Of these the
    fitted model has no place for: what the readings say of the others was added with them integrated out, as the
    batch's own."""
    m, v, own_cov = sums.m, sums.mv, batch_cov
    if strangers.any():
        order = np.r_[
            np.arange(FITTED_TERMS), FITTED_TERMS + np.flatnonzero(strangers), FITTED_TERMS + np.flatnonzero(~strangers)
        ]
        m, v = m[np.ix_(order, order)], v[order]
        own_cov = block_diagonal([batch_cov, *[chanter_cov] * (int(strangers.sum()) // WIDE)])
    added, moved = marginal(m, v, own_cov)
    known = np.flatnonzero(~strangers)
    less, right = info.copy(), vector.copy()
    less[np.ix_(known, known)] -= added
    right[known] -= moved
    less = 0.5 * (less + less.T)
    try:
        np.linalg.cholesky(less)
    except np.linalg.LinAlgError:
        # more was taken out than was in: in those directions nothing is left, and the mean stays where it was
        values, vectors = np.linalg.eigh(less)
        least = 1e-9 * values[-1]
        along, before = vectors.T @ right, vectors.T @ np.linalg.solve(info, vector)
        right = vectors @ np.where(values < least, least * before, along)
        less = (vectors * np.maximum(values, least)) @ vectors.T
    return less, right


class _Batch:
    """One batch's readings as the sums of `batch` take them: as the fit counted those that it had seen, and all as they
    count now, weighed as they are found (weight (n, K), jump (n,))."""

    def __init__(
        self,
        model: FittedModel,
        rows: Rows,
        coding: Coding,
        type_code: int,
        codes: Sequence[int],
        tapes: Sequence[tuple[int, int]],
        in_fit: NDArray[np.bool_],
        now: Moment | None,
        per_stroke: Array,
    ) -> None:
        """codes: of the chanters that the rows met; tapes: those that a note was read with; in_fit (n,); now: None for
        each reed's last reading; per_stroke (10,): what a stroke does to the type."""
        self.model, self.rows, self.in_fit = model, rows, in_fit
        self.known_type = type_code < model.n_types
        noise_scale, reed_scale = model.scales_of(type_code)
        self.noise, self.counted_cov = model.noise_cov * noise_scale, model.reed_cov * reed_scale
        self.own_cov = block_diagonal([self.counted_cov * model.reed_stretch**2, stroke_spread(per_stroke)])
        self.batch_cov = block_diagonal([model.batch_cov, np.zeros((K, K))])
        self.movement = model.movement.of(type_code)
        types = np.full(len(rows), type_code, dtype=np.intp)
        with_tapes, taped = with_tape(rows, tapes)
        self.y = unsettled(with_tapes.y, replace(rows, type_code=types), model.movement)
        x6 = coding.regressors(rows.removed_mm, rows.lip, rows.kpa, rows.deg_c, types)
        self.psi = coding.random_part(x6, types)
        scales = coding.chanter_part(types)
        on = [(rows.chanter_code == c).astype(float)[:, None] * scales for c in codes]
        self.x = np.concatenate([x6, *on, taped], axis=1)
        # what was read with a tape that the fitted model knows nothing of was no part of the fit
        in_model = np.array([tape in model.tapes for tape in tapes], dtype=bool)
        self.fit_x, self.fit_y = np.concatenate([x6, *on, taped * in_model], axis=1), self.y.copy()
        for number in np.flatnonzero(~in_model).tolist():
            self.fit_y[taped[:, number] > 0, tapes[number][1]] = np.nan
        # coefficients that are not the fitted model's, being of chanters it has no room for
        self.strangers = np.zeros(self.x.shape[1] * K, dtype=bool)
        for number, code in enumerate(codes):
            at = P * K + WIDE * number
            self.strangers[at : at + WIDE] = code >= len(model.coding.chanters)
        # what the fit held counts as it did then, wherever its chanter is now
        self.base = np.where(in_fit[:, None], base_weight(rows, model.coding), base_weight(rows, coding))
        self.weight, self.jump = self.base.copy(), np.zeros(len(rows))
        jumped = set(model.jumped)
        for i in np.flatnonzero(in_fit):
            label = str(rows.label[i])
            self.weight[i] = model.low_weight.get(label, self.weight[i])
            self.jump[i] = float(label in jumped)
        self.settle, unsettled_then = settling(rows.day, rows.made_day, rows.since_work)
        self.ends = edges_of(rows.reed_code)[1:] - 1
        self.now = now or Moment(rows.day[self.ends], self.settle[self.ends], unsettled_then[self.ends])
        nothing_new = in_fit.all() and self.known_type and not self.strangers.any() and bool(in_model.all())
        self.as_fitted = nothing_new and model.reed_stretch == 1.0 and not rows.lip.any()

    def _as_counted(self, pick: NDArray[np.bool_]) -> BatchSums:
        """The sums of some rows as the fit counted them."""
        w, wy = row_precision(self.fit_y[pick], self.weight[pick], self.noise)
        reed_of, levels = self._levels(pick, None)
        return batch_sums(Terms.of(self.psi[pick], self.fit_x[pick]), w, wy, reed_of, self.counted_cov, levels)

    def _sums(self) -> BatchSums:
        """The sums of all rows as they count now, with what a stroke does, and levels as of the moment asked about."""
        now, none = self.now, np.zeros(len(self.now.day), dtype=bool)
        w, wy = row_precision(self.y, self.weight, self.noise)
        at = now.day, now.settle, now.event if len(now.event) else none
        reed_of, levels = self._levels(np.ones(len(self.rows), dtype=bool), at)
        psi = np.column_stack([self.psi, self.rows.lip])
        return batch_sums(Terms.of(psi, self.x), w, wy, reed_of, self.own_cov, levels)

    def _levels(
        self, pick: NDArray[np.bool_], at: tuple[Array, Array, NDArray[np.bool_]] | None
    ) -> tuple[NDArray[np.intp], Levels]:
        rows, reed_of = self.rows, numbered(self.rows.reed_code[pick])
        steps = moved_before(self.jump[pick], rows.event[pick], self.movement.jump)
        return reed_of, levels_of(rows.day[pick], self.settle[pick], steps, reed_of, self.movement, at)

    def before(self, mean: Array, cov: Array) -> tuple[Array, Array]:
        """Information and vector of the coefficients, N(mean, cov) by the fitted model, less what these readings added
        to it."""
        info = scaled_inverse(cov)
        if not self.in_fit.any() or not self.known_type:
            return info, info @ mean
        counted = self._as_counted(self.in_fit)
        return _without(info, info @ mean, counted, self.model.batch_cov, self.strangers, self.model.chanter_cov)

    def posterior(self, mean: Array, cov: Array) -> tuple[BatchSums, Posterior]:
        """The sums and the posterior of coefficients that were N(mean, cov) by the fitted model; weighs the readings
        that are new since the fit."""
        sums = self._sums()
        if self.as_fitted:  # what would be taken out is what would be put in
            return sums, posterior_of(sums.m, sums.mv, self.batch_cov, mean, cov)
        before = self.before(mean, cov)
        post = batch_posterior(sums.m, sums.mv, self.batch_cov, *before)
        for _ in range(0 if self.in_fit.all() else 5):
            if not self._weighed(sums, post):
                break
            sums = self._sums()
            post = batch_posterior(sums.m, sums.mv, self.batch_cov, *before)
        return sums, post

    def _weighed(self, sums: BatchSums, post: Posterior) -> bool:
        """Weigh the readings that the fit had not seen, and look for jumps before them; whether that changed any."""
        rows, base = self.rows, self.base
        event = after_event(rows.event, rows.reed_code)
        gone = deletion(sums, post, self.y)
        fresh = base * sound_weights(gone, sums.reed_of, self.noise, base, self.weight, moved=event)
        moved = jumps_before(sums, post, self.y, rows.day, self.noise, base, fresh, self.jump, self.movement)
        moved[self.in_fit] = self.jump[self.in_fit]
        anew = np.isin(rows.reed_code, rows.reed_code[moved != self.jump])
        fresh = np.maximum(np.where(anew[:, None], base, fresh), 1e-4)
        fresh[self.in_fit] = self.weight[self.in_fit]
        if np.max(np.abs(fresh - self.weight)) < 1e-3 and (moved == self.jump).all():
            return False
        self.weight, self.jump = fresh, moved
        return True


def batch_states(
    model: FittedModel,
    rows: Rows,
    coding: Coding,
    type_code: int,
    *,
    in_fit: NDArray[np.bool_],
    extra_chanters: Sequence[int] = (),
    chanter_names: Sequence[str] = (),
    facts: Mapping[int, ChanterFacts] | None = None,
    forget: bool = False,
    only: NDArray[np.bool_] | None = None,
    now: Moment | None = None,
) -> tuple[list[ReedState], ReedState, Rows]:
    """The posterior of every reed of one batch, given all its readings up to now.

    rows: the batch's readings, reeds standing together, coded by `coding` (known_coding); in_fit (n,): which of them
    the fitted model has already seen; extra_chanters: codes of chanters to be asked about though no row met them;
    chanter_names: the names codes stand for; facts: what was said of chanters, by code; only (R,): the reeds whose
    states are wanted, all of them without it; now: the moment asked about, each reed's last reading without it.
    forget: take the readings out of what the fitted model holds and put none in: the state of a reed with no reading is
    then the posterior had the batch never been seen (no states of its reeds).

    Returns these states in the order of rows.reeds, the state of a reed of this batch with no reading, and the rows
    with the cells' weights (n, 10), and the jumps, that were found.
    """
    # sets and not `unique`, here and in `batch.patterns_of`: its first call loads masked arrays, a fifth of an answer
    codes = sorted({c for c in rows.chanter_code.tolist() if c >= 0})
    every = sorted({*codes, *extra_chanters})
    tapes = sorted({(int(rows.chanter_code[i]), k) for i, k in np.argwhere(np.isfinite(rows.taped)).tolist()})
    tapes = [tape for tape in tapes if tape[0] >= 0]
    prior_mean, prior_cov = _local_prior(model, type_code, every, facts or {}, tapes)
    # chanters that no row met are left out of the sums, and follow from what is found of the rest
    here = np.r_[
        np.ones(P * K, dtype=bool), np.repeat(np.isin(every, codes), WIDE), np.ones(K * len(tapes), dtype=bool)
    ]
    mean, cov = prior_mean[here], prior_cov[np.ix_(here, here)]
    per_stroke = prior_mean[LIP * K : (LIP + 1) * K]
    batch = _Batch(model, rows, coding, type_code, codes, tapes, in_fit, now, per_stroke)
    movement, now, ends = batch.movement, batch.now, batch.ends
    d = OWN + len(mean)
    means, q, own = np.zeros((0, OWN)), np.zeros((0, OWN, d)), np.zeros((0, OWN, OWN))
    if len(rows) and not forget:
        sums, post = batch.posterior(mean, cov)
        if only is not None:
            sums = replace(sums, own=sums.own[only], free=sums.free[only], q=sums.q[only])
        means, q, own = reed_means(sums, post), sums.q @ sums.shows, sums.own
    elif len(rows):
        post = batch_posterior(np.zeros((d, d)), np.zeros(d), batch.batch_cov, *batch.before(mean, cov))
    else:
        post = posterior_of(np.zeros((d, d)), np.zeros(d), batch.batch_cov, mean, cov)
    if not here.all():
        post = _extended(post, prior_mean, prior_cov, here)
        wide = np.zeros((len(q), q.shape[1], len(post.mean)))
        wide[:, :, np.r_[np.ones(OWN, dtype=bool), here]] = q
        q = wide
    names = tuple(chanter_names[c] for c in every)
    ratio = float(coding.slope_ratio[type_code])
    # the tapes are behind what is asked of a reed: it is without them
    of_tapes = slice(P * K + WIDE * len(every), P * K + WIDE * len(every) + K * len(tapes))
    kept = np.delete(np.arange(len(prior_mean) + 2 * N_DIRECTIONS), of_tapes)

    def state(
        v: tuple[Array, Array, Array], settles: tuple[Array, Array, Array], idle_days: float, sittings: int
    ) -> ReedState:
        settle_now, unsettled_now, settled_since = settles
        full_mean, full_cov = _merged(post, ratio, *v)
        full_mean, full_cov = full_mean[kept], full_cov[np.ix_(kept, kept)]
        full_mean[:K] += BASIS @ (settle_now @ movement.settle)
        full_mean[-N_DIRECTIONS:] += settled_since @ movement.settle
        curve, air = coding.curves[type_code], (coding.pressure_kpa, coding.temperature_c)
        return ReedState(
            full_mean, full_cov, names, curve, ratio, *air, batch.noise, idle_days, sittings, movement, unsettled_now
        )

    idle = now.day - rows.day[ends]
    idle = np.where(idle > SITTING_DAYS, idle, 0.0)
    sitting = sittings_of(rows.day, rows.reed_code, (rows.event != 0) | (batch.jump > 0))
    several = sitting[ends] + 1 + (idle > 0)
    settled_since = now.settle - batch.settle[_before(ends, sitting, idle)]
    picked = np.flatnonzero(only) if only is not None else np.arange(len(means))
    states = [
        state(
            (means[r], q[r], own[r]),
            (now.settle[i], now.unsettled[i], settled_since[i]),
            float(idle[i]),
            int(several[i]),
        )
        for r, i in enumerate(picked.tolist())
    ]
    still = np.zeros((N_DIRECTIONS, N_DIRECTIONS))
    blank_own = block_diagonal([batch.own_cov, still, movement.sitting, still])
    blank_q = np.zeros((len(blank_own), len(post.mean)))
    blank_settling = now.blank_settle, now.blank_unsettled, np.zeros(2)
    blank = state((np.zeros(len(blank_own)), blank_q, blank_own), blank_settling, 0.0, 1)
    return states, blank, replace(rows, weight=batch.weight, jump=batch.jump)


def _before(ends: NDArray[np.intp], sitting: NDArray[np.intp], idle: Array) -> NDArray[np.intp]:
    """The first row of each reed's sitting before the moment asked about (R,): of its last one, or of the one before
    that while the last one lasts (idle (R,) is 0 then). ends (R,): the reeds' last rows; sitting (n,)."""
    out = np.zeros(len(ends), dtype=np.intp)
    start = 0
    for r, end in enumerate(ends.tolist()):
        wanted = max(int(sitting[end]) - int(idle[r] == 0), 0)
        out[r] = start + int(np.flatnonzero(sitting[start : end + 1] == wanted)[0])
        start = end + 1
    return out


def _extended(post: Posterior, mean: Array, cov: Array, here: NDArray[np.bool_]) -> Posterior:
    """A batch's posterior with coefficients added that no reading of it touched.

    mean (P,), cov (P, P): of all coefficients before the readings; here (P,): which of them `post` holds. The others
    given these are what they were: N(mean + G (these - mean), cov - G cov'), with G = cov(others, these) / cov(these).
    """
    own = len(post.mean) - int(here.sum())
    tie = cov[np.ix_(~here, here)] @ scaled_inverse(cov[np.ix_(here, here)])
    held = np.r_[np.ones(own, dtype=bool), here]
    out_mean, out_cov = np.empty(len(held)), np.empty((len(held), len(held)))
    out_mean[held] = post.mean
    out_mean[~held] = mean[~here] + tie @ (post.mean[own:] - mean[here])
    across = tie @ post.cov[own:]
    out_cov[np.ix_(held, held)] = post.cov
    out_cov[np.ix_(~held, held)], out_cov[np.ix_(held, ~held)] = across, across.T
    rest = cov[np.ix_(~here, ~here)] + (across[:, own:] - cov[np.ix_(~here, here)]) @ tie.T
    out_cov[np.ix_(~held, ~held)] = 0.5 * (rest + rest.T)
    return Posterior(out_mean, out_cov)


def _merged(post: Posterior, ratio: float, v_mean: Array, v_q: Array, v_own: Array) -> tuple[Array, Array]:
    """A reed's coefficients with the batch's (in `post`) and its own terms added in, then the sitting's error (3) and
    the movement since the sitting before (3): mean (P + 6,) and cov (P + 6, P + 6).

    v_mean (o,), v_q (o, d), v_own (o, o): its own terms are `free - q omega` (`batch.BatchSums`): the deviations
    (4K), of which slopes and bends count `ratio` times, then the blocks of `process.levels_of`, of which the level now
    goes to the start. Only the first 4K coefficients have anything added: only their rows are worked out.
    """
    lift = np.r_[np.ones(K), np.full(FITTED_TERMS - K, ratio), np.ones(K)]
    more = 2 * N_DIRECTIONS
    # what the own terms are multiplied by: to the first 4K coefficients, then to the error and the movement
    to = np.zeros((OWN + more, len(v_mean)))
    to[:OWN, :OWN] = np.diag(lift)
    to[:K, OWN : OWN + N_DIRECTIONS] = BASIS
    to[OWN:, OWN + N_DIRECTIONS : OWN + N_DIRECTIONS + more] = np.eye(more)
    reach = -to @ v_q
    reach[:OWN, :OWN] += np.diag(lift)
    reach[:OWN, OWN : 2 * OWN] += np.eye(OWN)
    size = len(post.mean) - OWN
    mean = np.concatenate([post.mean[OWN:], np.zeros(more)])
    mean[:OWN] += lift * post.mean[:OWN]
    worked = np.r_[np.arange(OWN), np.arange(size, size + more)]
    mean[worked] += to @ v_mean
    row = reach @ post.cov
    cov = np.zeros((size + more, size + more))
    cov[:size, :size] = post.cov[OWN:, OWN:]
    cov[worked, :size] = row[:, OWN:]
    cov[:size, worked] = row[:, OWN:].T
    top = row @ reach.T + to @ v_own @ to.T
    cov[np.ix_(worked, worked)] = 0.5 * (top + top.T)
    return mean, cov
