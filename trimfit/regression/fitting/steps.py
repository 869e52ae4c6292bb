"""From rows to a fitted model: coding, robust weights, covariances by REML, then one exact joint pass.

The steps, in order:

1. `outliers`: cells far from a robust line per type and output (six robust standard deviations) are set aside;
2. REML of the gap on straight length (`reml`); its variances and readings give the types' curves (`curve`), its slopes
   the types' ratios;
3. `covariances`: univariate REML of every output and of every pair's difference along the curves. The three covariances
   follow by polarization, cov(a, b) = (var a + var b - var(a - b)) / 2; correlations that rest on little are shrunk;
4. between two rounds of steps 2 and 3 (ROUNDS), MOVEMENT_ROUNDS times in turn: the cells' weights by deletion residuals
   (`em_iterations.reweigh`); how reeds move with no work done, from their idle spans, by EM (`movement.process`); and
   the readings' error, into which REML had put that movement, made smaller by as much (`em_iterations.along_movement`);
5. EM_STEPS joint passes (`posterior.batch`): every batch's information about all coefficients at once, exact with
   holes; the weights anew; an EM step of the covariances, which have the antisymmetric parts that polarization cannot
   see; in the last but one, how much worse or better each type is read (`em_iterations.noise_scales`);
6. the last pass is the posterior of the coefficients that the fitted model keeps.

What each number in these steps stands for, and what its double would change: `python -m tests.worlds.constants`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import TrimfitError
from trimfit.base.progress import Progress, quiet
from trimfit.regression.chanters.kinds import (
    ChanterFacts,
    away_codes,
    hierarchy_of,
    learned,
    less_tied,
    prior_of_offsets,
)
from trimfit.regression.chanters.stated import OfType, crow_types, stated_errors
from trimfit.regression.curve import KNOTS_MM, UNIT_MM, GapRows, curve_prior, fit_curves, scaled
from trimfit.regression.design import Coding, Rows, base_weight, sort_rows, take_rows, tapes_of, with_tape
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.bounds import (
    affordable,
    among_the_most_read,
    most_read_chanters_first,
    most_read_types_first,
    of_fewer_chanters,
    of_types,
)
from trimfit.regression.fitting.covariances import (
    OUTLIER_WEIGHT,
    ContrastFits,
    assemble,
    blended,
    few_reeds,
    fit_combinations,
    fit_contrasts,
    shrink_correlation,
)
from trimfit.regression.fitting.em_iterations import (
    Globals,
    along_movement,
    em_step,
    joint_pass,
    noise_scales,
    owners_weight,
    pieces_of,
    reading_stretch,
    rescaled,
    reweigh,
    sums_again,
)
from trimfit.regression.fitting.outliers import lowered, outlier_weights
from trimfit.regression.movement.process import (
    MEASURE,
    SITTING_DAYS,
    Movement,
    assumed_movement,
    event_since_first,
    idle_spans,
    learned_movement,
    settled,
    unsettled,
)
from trimfit.regression.outputs import E_NOTE, F_NOTE, GAP, Array, K, block_diagonal, edges_of, gap_of
from trimfit.regression.priors import (
    CHANTER_TERMS,
    OWN,
    REGRESSORS,
    SEEDS,
    WIDE,
    P,
    assumed_batch_cov,
    assumed_noise,
    assumed_reed_cov,
    chanter_spread,
    regressor_prior,
    slope_ratio,
    tape_prior,
)
from trimfit.regression.reml.newton import MixedFit, Start

LIP, PRESSURE, TEMPERATURE = (REGRESSORS.index(name) for name in ("lip", "pressure", "temperature"))
LEAST_CURVE_ROWS = 8
"""Cells of a type that its curve needs: fewer say nothing beyond the shop's."""
LEAST_WAITS = 5
"""Spans with no work between two readings that movement needs before it is learned at all."""
EM_STEPS = 4
"""EM steps of the covariances after REML."""
MOVEMENT_ROUNDS = 4
"""Rounds of movement against noise: each takes from the errors what the other explains."""
NORMAL_MULTIPLE = 0.95
"""What `along_movement` makes of normal errors and, within a few hundredths, of those with ordinary tails."""
LEAST_ERROR_SHARE = 0.05
"""However much the reeds move, so much of what REML calls errors of readings is left to them."""
ROUNDS = 2
"""REML is done again once slips have been found and their weights lowered."""
MOST_REML_CHANTERS = 100
"""REML leaves rows on any further chanter out: the joint pass, where a stranger costs nothing, has them all."""
MOST_COVARIANCE_READINGS = 6000
"""The covariances rest on the latest whole batches up to so many readings, type by type; the coefficients on all."""


def coefficient_prior(n_types: int) -> tuple[Array, Array]:
    """Prior of the types' coefficients: mean (6T, K), covariance (6T, 6T, K, K); type, then regressor."""
    mean, shop, own = regressor_prior()
    cov = np.zeros((n_types, P, n_types, P, K, K))
    for j in range(P):
        cov[:, j, :, j] = shop[j] + np.eye(n_types)[:, :, None, None] * own[j]
    return np.tile(mean, (n_types, 1)), cov.reshape(n_types * P, n_types * P, K, K)


def _stack(mean: Array, cov: Array) -> tuple[Array, Array]:
    """The prior as one vector (T 6 K,) and matrix over (type, regressor, output)."""
    size = mean.shape[0] * K
    return mean.reshape(size), cov.transpose(0, 2, 1, 3).reshape(size, size)


def prior_model(types: tuple[str, ...], pressure_kpa: float, temperature_c: float, balance_cents: float) -> FittedModel:
    """The model with no data at all: assumptions only, for the named types (at least one place is kept)."""
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
    reed_cov = assumed_reed_cov()
    return FittedModel(
        coding=coding,
        coef=mean,
        coef_cov=cov,
        new_type_mean=one_mean,
        new_type_cov=one_cov,
        batch_cov=assumed_batch_cov(reed_cov, reed_cov, 0.0),
        reed_cov=reed_cov,
        noise_cov=assumed_noise(),
        reed_scale=np.ones(len(names)),
        noise_scale=np.ones(len(names)),
        chanter_cov=chanter_spread(),
        movement=assumed_movement(len(names)),
        reeds=np.zeros(len(names), dtype=np.intp),
        batches=np.zeros(len(names), dtype=np.intp),
        low_weight={},
    )


def _stated_errors(
    g: Globals, coding: Coding, reeds: NDArray[np.intp], facts: Mapping[str, ChanterFacts]
) -> tuple[float, float]:
    """How far stated pitches and crows lie from what was read; pitches seen through the type with the most reeds."""
    usual, checks = int(np.argmax(reeds)), []
    first = P * K * len(coding.types)
    for c, name in enumerate(coding.chanters):
        fact = facts.get(name)
        if fact is not None and (fact.meeting_cents is not None or fact.crow_cents is not None):
            chances = crow_types(coding.types, reeds, fact, usual)
            of = {t: OfType(chance, P * K * t, float(coding.slope_ratio[t])) for t, chance in chances.items()}
            own = OfType(1.0, P * K * usual, float(coding.slope_ratio[usual]))
            offsets = first + WIDE * c + np.arange(WIDE)
            at = np.r_[np.arange(first), offsets]
            checks.append((fact, g.coef[at], g.coef_cov[np.ix_(at, at)], own, list(of.values())))
    return stated_errors(checks)


def _coding_from_gap(coding: Coding, rows: Rows, gap: MixedFit | None, n_types: int) -> Coding:
    """Curves and slope ratios of the types from the gap: its slopes and variances on the curves of `coding`."""
    if gap is None:
        return coding
    beta = gap.beta[: n_types * P].reshape(n_types, P)
    slope = np.maximum(beta[:, 1] + beta[:, 2] * UNIT_MM, 2.0)
    ratio = slope / float(np.exp(np.mean(np.log(slope))))
    ratio = np.clip(ratio, 0.2, 5.0)
    own = gap.outer_cov + gap.inner_cov + np.diag([1.0, 1.0])
    mine = [_gap_rows(rows, coding, t) for t in range(n_types)]
    curves, whole_sd_mm = fit_curves(mine, [own * np.outer([1.0, r], [1.0, r]) for r in ratio], gap.noise)
    return replace(coding, curves=curves, slope_ratio=ratio, whole_sd_mm=whole_sd_mm)


def _gap_rows(rows: Rows, coding: Coding, type_code: int) -> GapRows | None:
    """A type's gap readings for its curve, with lips, conditions and chanters beside; None for too few of them."""
    gap = gap_of(rows.y)
    weight = np.minimum(rows.weight[:, E_NOTE], rows.weight[:, F_NOTE])
    weight = np.where(event_since_first(rows.event, rows.reed_code), 0.0, weight)
    at = np.flatnonzero((rows.type_code == type_code) & np.isfinite(gap) & (weight > OUTLIER_WEIGHT))
    if len(at) < LEAST_CURVE_ROWS:
        return None
    codes = np.unique(rows.chanter_code[at])
    on = (rows.chanter_code[at][:, None] == codes[codes >= 0]).astype(float)
    kpa, deg_c = rows.kpa[at] - coding.pressure_kpa, rows.deg_c[at] - coding.temperature_c
    other = np.column_stack([rows.lip[at], np.nan_to_num(kpa), np.nan_to_num(deg_c), on])
    _, shop, own = regressor_prior()
    spread = [float(GAP @ (shop[j] + own[j]) @ GAP) for j in (LIP, PRESSURE, TEMPERATURE)]
    chanter = sum(float(GAP @ term.matrix() @ GAP) for term in CHANTER_TERMS)
    precision = 1.0 / np.array(spread + [chanter] * on.shape[1])
    return GapRows(gap[at], weight[at], rows.removed_mm[at], other, precision, edges_of(rows.reed_code[at])[:-1])


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


def _full_prior(
    prior: tuple[Array, Array], g: Globals, n_chanters: int, tapes: Sequence[tuple[int, int]] = ()
) -> tuple[Array, Array]:
    """Mean (P,) and precision (P, P) of all the fitted model's coefficients: the types' (`coefficient_prior`), then the
    chanters', kinds' and gauge's (`chanters.kinds`), then the tapes'."""
    mean, cov = _stack(*prior)
    of_chanters, tied = prior_of_offsets(g.hierarchy or hierarchy_of([""] * n_chanters, {}, g.chanter_cov))
    of_tapes = [tape_prior(output) for _, output in tapes]
    means = np.concatenate([mean, of_chanters, *(one for one, _ in of_tapes)])
    return means, block_diagonal([np.linalg.inv(cov), tied, *(np.linalg.inv(one) for _, one in of_tapes)])


def _covariances(
    rows: Rows,
    base: Array,
    straight: Coding,
    prior: tuple[Array, Array],
    facts: Mapping[str, ChanterFacts],
    tell: Progress,
) -> tuple[Globals, Coding, Rows]:
    """REML and EM of the covariances from these rows: with the curves, and the rows' weights.

    straight: the coding with no curves yet. REML knows no event: what was read of a reed after one is left to EM, which
    does; else what events did would be called an error of readings, and a spread of reeds.
    """
    n_types, n_chanters = len(straight.types), len(straight.chanters)
    outer_of = np.zeros(len(rows.reeds), dtype=np.intp)
    outer_of[rows.reed_code] = rows.batch_code
    n_reeds, n_batches = len(rows.reeds), len(np.unique(rows.batch_code))
    few = (rows.chanter_code < MOST_REML_CHANTERS) & among_the_most_read(rows)
    few &= ~event_since_first(rows.event, rows.reed_code)
    as_read, sound = rows.y, outlier_weights(rows)
    movement, multiple, apart = assumed_movement(n_types), np.ones(len(MEASURE)), assumed_noise()

    def sizes(noise_cov: Array) -> Array:
        """Variances of a reading's errors in the three directions of movement."""
        return np.asarray(np.diag(MEASURE @ noise_cov @ MEASURE.T))

    def curves() -> Coding:
        (gap,) = reml(straight)(GAP[None], [None])
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
    pieces = pieces_of(rows, coding, n_types)

    def found(round_number: int, last: ContrastFits) -> tuple[ContrastFits, Globals, Array]:
        step = f"each output and pair, round {round_number} of {ROUNDS}"
        fits = fit_contrasts(rows, reml(coding), last, lambda a, b: tell(step, a, b))
        assumed = assumed_reed_cov()
        gap_fit = fits.get((E_NOTE, F_NOTE))
        if gap_fit is not None:
            ratio = slope_ratio(gap_fit.beta[1 : n_types * P : P])
            resize = np.r_[np.ones(K), np.full(OWN - K, ratio)]
            assumed = assumed * np.outer(resize, resize)
        n, two = float(len(rows)), slice(0, 2 * K)  # start and slope; a bend of a reed's own is left to the joint pass
        seen = assumed.copy()
        seen[two, two] = assemble(fits, lambda f: f.inner_cov, assumed[two, two])
        reed_cov = blended(_shrunk(seen, 0.5 * n_reeds), n_reeds, assumed, SEEDS["reed"])
        likely = assumed_batch_cov(reed_cov, assumed, n_reeds)
        seen = likely.copy()
        seen[two, two] = assemble(fits, lambda f: f.outer_cov, likely[two, two])
        batch_cov = blended(_shrunk(seen, 0.7 * n_batches, reed_cov), n_batches, likely, SEEDS["batch"])
        seen = assemble(fits, lambda f: np.array([[f.noise]]), assumed_noise())
        noise_cov = blended(shrink_correlation(seen, 0.5 * n, floor=0.08), n, assumed_noise(), 10.0)
        start = Globals(
            batch_cov,
            reed_cov,
            noise_cov,
            np.ones(n_types),
            np.ones(n_types),
            chanter_spread(),
            np.empty(0),
            np.empty(0),
            movement,
            hierarchy_of(straight.chanters, facts, chanter_spread()),
        )
        return fits, start, assumed

    fits, g, assumed = found(1, {})
    for round_number in range(2, ROUNDS + 1):
        # REML had put the movement into the readings' errors: slips and jumps are found, the movement is learned and
        # the errors are made smaller in turn, until those found among a reed's readings are as large as those assumed
        noise_cov, multiple = g.noise_cov, np.ones(len(multiple))
        for _ in range(MOVEMENT_ROUNDS):
            sums = joint_pass(rows, pieces, g, _full_prior(prior, g, n_chanters))
            rows = reweigh(rows, pieces, g, base, sums)
            movement = g.movement = movement_of(replace(rows, y=as_read), sound, coding, g, n_types)
            rows = replace(rows, y=unsettled(as_read, rows, movement))
            found_multiple = along_movement(rows, pieces, g) / NORMAL_MULTIPLE
            multiple = np.clip(multiple * found_multiple, LEAST_ERROR_SHARE, 1.0)
            apart = g.noise_cov = rescaled(noise_cov, multiple)
        # a slip bends a curve as it blows up a variance: both anew, now that slips are found
        coding = curves()
        pieces = pieces_of(rows, coding, n_types)
        fits, g, assumed = found(round_number, fits)
    # REML anew, its slips now weighed, may have found smaller errors by itself
    g.noise_cov = rescaled(g.noise_cov, np.clip(sizes(apart) / sizes(g.noise_cov), LEAST_ERROR_SHARE, 1.0))
    for step in range(EM_STEPS):
        tell("the joint response", step, EM_STEPS + 2)
        sums = joint_pass(rows, pieces, g, _full_prior(prior, g, n_chanters))
        before, rows = rows, reweigh(rows, pieces, g, base, sums)
        em_step(rows, pieces, g, assumed, n_types, sums_again(rows, before, pieces, g, sums))
        first, h = P * K * n_types, g.hierarchy or hierarchy_of(straight.chanters, facts, g.chanter_cov)
        met = np.isin(np.arange(n_chanters), rows.chanter_code)
        g.hierarchy = learned(h, g.coef[first:], g.coef_cov[first:, first:], met)
        g.chanter_cov = g.hierarchy.within + g.hierarchy.between
        if step == EM_STEPS - 2:
            g.noise_cov, g.noise_scale = noise_scales(rows, pieces, g, n_types)
    g.hierarchy = less_tied(g.hierarchy) if g.hierarchy is not None else None
    # the reeds' is left as EM has it (its assumed groups are regularisation enough): shrunk with all the weak ones, the
    # few correlations that `pick` and the first cut rest on, crow with gap and start with slope, would all but vanish
    g.batch_cov = _shrunk(g.batch_cov, 0.7 * n_batches, g.reed_cov)
    return g, coding, rows


def movement_of(rows: Rows, sound: Array, coding: Coding, g: Globals, n_types: int) -> Movement:
    """How reeds move, from the idle spans among these rows (as they were read) under the coefficients in `g`; sound
    (n, K): the cells' `outlier_weights`."""
    x = coding.regressors(rows.removed_mm, rows.lip, rows.kpa, rows.deg_c, rows.type_code)
    coef = g.coef[: P * K * n_types].reshape(n_types, P, K)[rows.type_code]
    # what length and strokes do is alike for both sittings of a span: the conditions alone are taken off
    residual = rows.y - np.einsum("nj,njk->nk", x[:, PRESSURE:], coef[:, PRESSURE:])
    state = np.column_stack([rows.removed_mm, rows.lip, rows.chanter_code])
    spans = idle_spans(residual, sound, rows.day, settled(rows), state, rows.event, rows.reed_code, rows.type_code)
    return learned_movement(spans, g.noise_cov, n_types)


def _shrunk(cov: Array, groups: float, target: Array | None = None) -> Array:
    """`shrink_correlation` of start and slope (2K of the 3K); the bend, of which little is ever seen, goes with neither
    (its many unseen correlations would count as noise and have those of start and slope shrunk with them)."""
    two, rest = slice(0, 2 * K), slice(2 * K, OWN)
    shrunk = shrink_correlation(cov[two, two], groups, None if target is None else target[two, two])
    return block_diagonal([shrunk, cov[rest, rest]])


def fit_model(
    rows: Rows,
    types: tuple[str, ...],
    chanters: tuple[str, ...],
    *,
    pressure_kpa: float,
    temperature_c: float,
    balance_cents: float,
    facts: Mapping[str, ChanterFacts] | None = None,
    tell: Progress = quiet,
) -> FittedModel:
    """Fit the joint response. rows as from `design.rows_from_frame`; types, chanters: the names of their codes; facts:
    what the log says in words of chanters, by name.

    Raises TrimfitError when there is no reading at all.
    """
    if len(rows) == 0 or not np.isfinite(rows.y).any():
        raise TrimfitError("no reading to learn from", remedy="log or import readings first")
    rows, types = most_read_types_first(rows, types)
    n_types = len(types)
    rows, chanters = most_read_chanters_first(of_types(rows, n_types), chanters)
    rows = affordable(of_fewer_chanters(rows))
    newest = _newest_batches(rows)
    rows = sort_rows(rows)
    usual_kpa = float(np.nanmedian(rows.kpa)) if np.isfinite(rows.kpa).any() else pressure_kpa
    usual_c = float(np.nanmedian(rows.deg_c)) if np.isfinite(rows.deg_c).any() else temperature_c
    straight = np.zeros((n_types, len(KNOTS_MM)))
    coding = Coding(types, chanters, straight, np.ones(n_types), usual_kpa, usual_c, balance_cents)
    away = away_codes(chanters, facts or {})
    coding = replace(coding, away=away)
    base = base_weight(rows, coding)
    rows = replace(rows, weight=base * outlier_weights(rows))
    prior = coefficient_prior(n_types)
    at = np.flatnonzero(newest[rows.batch_code])
    core = take_rows(rows, at) if len(at) < len(rows) else rows
    g, coding, core = _covariances(core, base[at], coding, prior, facts or {}, tell)
    tell("the joint response", EM_STEPS + 1, EM_STEPS + 2)
    # of tape nothing else is learned: the covariances rest on the readings without it
    tapes = tapes_of(rows, len(chanters))
    rows, on = with_tape(rows, tapes)
    whole_prior = _full_prior(prior, g, len(chanters), tapes)
    pieces = pieces_of(rows, coding, n_types, (on, len(whole_prior[0]) - K * len(tapes)))
    weight, jump = rows.weight.copy(), rows.jump.copy()
    weight[at], jump[at] = core.weight, core.jump
    if away:
        coding = replace(coding, owners_weight=owners_weight(core, pieces_of(core, coding, n_types), g, coding))
        assumed, base = base, base_weight(rows, coding)
        weight *= base / assumed
    movement = g.movement or assumed_movement(n_types)
    rows = replace(rows, y=unsettled(rows.y, rows, movement), weight=weight, jump=jump)
    sums = None
    for _ in range(1 if len(core) == len(rows) else 2):
        sums = joint_pass(rows, pieces, g, whole_prior, sums)
        before, rows = rows, reweigh(rows, pieces, g, base, sums)
        sums = sums_again(rows, before, pieces, g, sums)
    sums = joint_pass(rows, pieces, g, whole_prior, sums)
    latest = [number for number, piece in enumerate(pieces) if newest[rows.batch_code[piece.at.start]]]
    stretch, wild = reading_stretch(rows, [pieces[i] for i in latest], [sums[i] for i in latest], g, coding)
    tell("the joint response", EM_STEPS + 2, EM_STEPS + 2)
    new_mean, new_cov = _new_type(g, prior, n_types)
    batch_type = np.array([t for t, _ in rows.batches], dtype=np.intp)
    reed_type = np.zeros(len(rows.reeds), dtype=np.intp)
    reed_type[rows.reed_code] = rows.type_code
    return FittedModel(
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
        hierarchy=g.hierarchy or hierarchy_of(chanters, facts or {}, g.chanter_cov),
        tapes=tapes,
        stated_sd=_stated_errors(g, coding, np.bincount(reed_type, minlength=n_types).astype(np.intp), facts or {}),
        reeds=np.bincount(reed_type, minlength=n_types).astype(np.intp),
        batches=np.bincount(batch_type, minlength=n_types).astype(np.intp),
        low_weight=lowered(rows, base),
        readings=len(rows),
        movement=movement,
        reed_stretch=few_reeds(len(np.unique(rows.reed_code[rows.removed_mm > 0.0]))),
        wait_days=_usual_days(rows, work=True),
        again_days=_usual_days(rows, work=False),
        jumped=tuple(str(label) for label in rows.label[rows.jump > 0]),
        reading_stretch=stretch[:-1],
        gap_stretch=float(stretch[-1]),
        wild_share=wild,
    )


def _usual_days(rows: Rows, *, work: bool) -> float:
    """From a reed's reading to its next, with work between or without, the median of them all, in days; 0 where that is
    one sitting, or too few to tell.

    rows: in order of reed and time.
    """
    worked = (np.diff(rows.removed_mm) > 0) | (np.diff(rows.lip) > 0)
    days = np.diff(rows.day)[(worked == work) & (np.diff(rows.reed_code) == 0)]
    wait = float(np.median(days)) if len(days) >= LEAST_WAITS else 0.0
    return wait if wait > SITTING_DAYS else 0.0


def _new_type(g: Globals, prior: tuple[Array, Array], n_types: int) -> tuple[Array, Array]:
    """A type never seen: its coefficients (60,) and covariance, given what the shop's types turned out to be.

    With the prior's covariance C over (types, new), the new type given the types is linear in them; the types' own
    posterior uncertainty is carried through.
    """
    mean, cov = _stack(*coefficient_prior(n_types + 1))
    old = slice(0, P * K * n_types)
    new = slice(P * K * n_types, P * K * (n_types + 1))
    reach = np.linalg.solve(cov[old, old], cov[old, new]).T
    known = g.coef[old]
    new_mean = mean[new] + reach @ (known - mean[old])
    rest = cov[new, new] - reach @ cov[old, new]
    out = rest + reach @ g.coef_cov[old, old] @ reach.T
    return new_mean, 0.5 * (out + out.T)
