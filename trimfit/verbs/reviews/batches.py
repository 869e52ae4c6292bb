"""`review batches`: every batch of the log against the norm of all batches of its type, and why in words."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trimfit.base.normal import Z90
from trimfit.base.pitch import hz_width_cents
from trimfit.base.plain_words import cents_words, signed
from trimfit.base.records import Settings
from trimfit.log.journal import Journal
from trimfit.regression.batch_effects import CROW_AND_GAP, BatchEvidence, batch_evidence, conditioned, contrasts_of
from trimfit.regression.design import Rows, rows_from_frame
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.movement.process import settled
from trimfit.regression.posterior.reed import known_coding
from trimfit.review.results import BatchDrift, DriftLimits
from trimfit.review.statistics import drift
from trimfit.review.statistics.drift import Judged, Off, Settling
from trimfit.session.reading_frame import frame_of
from trimfit.session.session import Session

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class BatchReview:
    """All batches, most drifted first, and what the control charts are made from: the evidence of those with readings
    (its order), each respect judged, and each batch's settling norm in the order of `found`."""

    found: tuple[BatchDrift, ...]
    evidence: BatchEvidence
    crow: Judged
    gap: Judged
    response: Judged
    made: dict[tuple[str, str], str]
    gap_slope: NDArray[np.float64]

    def pct_of(self, at: NDArray[np.intp]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Answer to a cut of the batches at these places of the evidence: per cent off the norm, and its variance."""
        pct = 100.0 / self.gap_slope[at]
        estimate, variance = self.evidence.estimate[at, 3], self.evidence.variance[at, 3]
        return estimate * pct - self.response.norm_of[at], variance * pct**2


def drift_limits(settings: Settings) -> DriftLimits:
    """How far off its norm a batch counts as off, by the shop's settings."""
    return DriftLimits(settings.drift_start_cents, settings.drift_response_pct, settings.drift_settle_cents_per_week)


def batches(session: Session) -> list[BatchDrift]:
    """Every batch against its type's norm, most drifted first; those without a reading last."""
    model = session.fit_if_due()
    return list(batch_review(session.journal, model, frame_of(session.journal), session.settings).found)


def batch_review(journal: Journal, model: FittedModel, frame: pd.DataFrame, settings: Settings) -> BatchReview:
    """Judge all batches of a log. frame: as `reading_frame.frame_of` gives it, all readings."""
    reeds = journal.columns("reed", ["reed", "reed_type", "batch", "made_on"])
    made: dict[tuple[str, str], str] = {}
    count: dict[tuple[str, str], int] = {}
    for _, reed_type, batch, made_on in reeds:
        key = (reed_type, batch)
        count[key] = count.get(key, 0) + 1
        if made_on and (key not in made or made_on < made[key]):
            made[key] = made_on
    rows, types, _ = rows_from_frame(frame, model.coding)
    evidence = batch_evidence(model, rows, types)
    names = list(evidence.names) + sorted(key for key in count if key not in set(evidence.names))
    type_names = list(dict.fromkeys([*types, *(t for t, _ in names)]))
    group = np.array([type_names.index(t) for t, _ in names], dtype=np.intp)
    extra = len(names) - len(evidence.names)
    estimate = np.vstack([evidence.estimate, np.zeros((extra, 4))])
    variance = np.vstack([evidence.variance, np.full((extra, 4), np.inf)])
    read = np.r_[evidence.reeds, np.zeros(extra, dtype=np.intp)]

    slopes = np.array([contrasts_of(model, code)[1] for code in range(len(type_names))])
    crow_slope, gap_slope = np.maximum(slopes[group, 0], 20.0), np.maximum(slopes[group, 1], 5.0)
    per_gap = crow_slope / gap_slope
    weights = np.ones((len(rows), 2), dtype=bool)
    for i, label in enumerate(rows.label):
        low = model.low_weight.get(str(label))
        if low is not None:
            weights[i] = low[0] > 0.5, min(np.array(low)[CROW_AND_GAP[1] != 0]) > 0.5
    rest = np.where(weights, conditioned(model, rows, known_coding(model, types)), np.nan)
    scale = np.array([model.noise_scale[c] if c < model.n_types else model.noise_scale.mean() for c in rows.type_code])
    noise = np.einsum("ki,ij,kj->k", CROW_AND_GAP, model.noise_cov, CROW_AND_GAP)
    settle = []
    for k, with_chanter in ((0, False), (1, True)):
        moves = _settling(model, rows, k, noise[k] * scale)
        away, away_var, usual = drift.settling_rates(
            frame, rest[:, k], rows.batch_code, len(names), moves, with_chanter=with_chanter
        )
        factor = np.ones(len(names)) if k == 0 else per_gap
        limit = settings.drift_settle_cents_per_week
        settle.append(drift.judge(away * factor, away_var * factor**2, group, limit, below=1.0, norm_of=usual * factor))
    start = drift.judge(estimate[:, 0], variance[:, 0], group, settings.drift_start_cents)
    gap_limit = drift_limits(settings).gap_start_cents
    gap = drift.judge(estimate[:, 1] * per_gap, variance[:, 1] * per_gap**2, group, gap_limit)
    pct = 100.0 / gap_slope
    usual_gap = [_usual_gap(model, code) for code in range(len(type_names))]
    response = drift.judge(estimate[:, 3] * pct, variance[:, 3] * pct**2, group, settings.drift_response_pct)

    def in_any(of: Callable[[Judged], NDArray[np.float64]]) -> NDArray[np.float64]:
        """The chance of any respect. Every reed is read new and cut, so start and answer count for all; settling only
        where reeds were read again: what nobody looked at would else lift every batch's chance alike."""
        rest = [np.where(one.shows, of(one), 0.0) for one in settle]
        return drift.either(drift.together(of(start), of(gap)), of(response), drift.together(*rest))

    off, odd = in_any(lambda one: one.chance), in_any(lambda one: one.odd)
    drifts = drift.called(off, settings.drift_chance, odd)

    past, short = _ends(journal, frame, settings, float(np.sqrt(noise[1])))
    order = sorted(range(len(names)), key=lambda i: (made.get(names[i], "9999"), names[i]))
    index = {place: number for number, place in enumerate(order, 1)}
    found = []
    for i, (reed_type, batch) in enumerate(names):
        drifted = bool(drifts[i])
        at_start, answer = drift.interval_at(start, i), drift.interval_at(response, i)
        limited = (at_start, settings.drift_start_cents), (answer, settings.drift_response_pct)
        unsure = not drifted and drift.says_too_little(limited)
        offs = _offs(i, start, gap, response, settle, per_gap[i], gap_slope[i], usual_gap[group[i]])
        found.append(
            BatchDrift(
                batch=batch,
                reed_type=reed_type,
                reeds=count.get((reed_type, batch), int(read[i])),
                start_shift_cents=at_start,
                response_shift_pct=answer,
                settle_cents_per_week=drift.interval_at(settle[0], i, with_norm=True),
                chance_drifted=float(off[i]),
                drifted=drifted,
                why=drift.words_of(offs, drifted=drifted, reeds=int(read[i]), unsure=unsure),
                made_on=made.get((reed_type, batch)),
                made_index=index[i],
                ended_past=past.get((reed_type, batch), 0),
                ended_short=short.get((reed_type, batch), 0),
                settle_norm_cents_per_week=float(settle[0].norm_of[i]),
                unsure=unsure,
            )
        )
    has = {name for name, n in zip(names, read, strict=True) if n}
    rank = {name: (-off[i], -odd[i]) for i, name in enumerate(names)}
    found.sort(
        key=lambda b: ((key := (b.reed_type, b.batch)) not in has, *rank[key], b.reed_type, b.made_index, b.batch)
    )
    return BatchReview(tuple(found), evidence, start, gap, response, made, gap_slope)


def _settling(model: FittedModel, rows: Rows, direction: int, noise_var: NDArray[np.float64]) -> Settling:
    """How the readings' reeds move in one of `process.DIRECTIONS`, by the fitted model's movement of their types.

    noise_var (n,): of one reading, cents².
    """
    movement = model.movement
    last = len(movement.spans) - 1
    kind = np.where((rows.type_code < 0) | (rows.type_code > last), last, rows.type_code)
    return Settling(
        settled=settled(rows),
        mean=movement.settle[kind, :, direction],
        var=np.tile(movement.settle_cov[:, direction, direction], (len(rows), 1)),
        walk=movement.walk[kind, direction, direction],
        sitting=movement.sitting[kind, direction, direction],
        noise=noise_var,
    )


def _usual_gap(model: FittedModel, type_code: int) -> float:
    """The gap a new reed of a type has in the shop's middling chanter, cents; well below zero."""
    known = type_code < model.n_types
    ratio = float(model.coding.slope_ratio[type_code]) if known else 1.0
    chanters = range(len(model.coding.chanters))
    offsets = [model.coef[model.chanter_slice(c)].reshape(2, -1) @ CROW_AND_GAP[1] for c in chanters]
    middle = float(np.median([one[0] + ratio * one[1] for one in offsets])) if offsets else 0.0
    return min(float(contrasts_of(model, type_code)[0, 1]) + middle, -5.0)


def _offs(
    i: int,
    start: Judged,
    gap: Judged,
    response: Judged,
    settle: list[Judged],
    per_gap: float,
    gap_slope: float,
    usual_gap: float,
) -> list[Any]:
    """Each respect in which batch i may be off, in words; usual_gap: a new reed's of its type, cents."""
    crow, closer, more = float(start.mean[i]), float(gap.mean[i]), float(response.mean[i])
    usual_mm = -usual_gap / gap_slope
    answers = gap_slope * max(1.0 + more / 100.0, 0.2)
    need_mm = max(-usual_gap - closer / per_gap, 0.0) / answers
    less_mm, times = usual_mm - need_mm, max(1.0 + more / 100.0, 0.0)
    # the start and the answer as if each were known by itself
    gap_half, more_half = (
        0.5 * (of.high - of.low) for of in (drift.interval_at(gap, i), drift.interval_at(response, i))
    )
    half_mm = math.hypot(gap_half / per_gap, need_mm * gap_slope * more_half / 100.0) / answers
    # by where the gap starts and what it makes of a cut, whatever the crow says
    by = "by its gap and answer, expect"
    trim = f"{by} {_less_words(less_mm, half_mm)}" if abs(less_mm) >= 0.02 else ""
    offs = [
        Off(f"starts {cents_words(crow)} {'sharp' if crow > 0 else 'flat'} of its type", float(start.chance[i]), trim),
        Off(
            f"answers a cut {abs(more):.0f} % {'more' if more > 0 else 'less'} than its type",
            float(response.chance[i]),
            f"{trim or f'{by} the usual length to take off'}, and each millimetre to do {times:.1f} times the usual",
        ),
    ]
    if gap.chance[i] > start.chance[i] and start.chance[i] < 0.5:
        side = "nearer to" if closer > 0 else "further from"
        offs[0] = Off(f"starts {side} the meeting point than its crow says", float(gap.chance[i]), trim)
    for which, name in ((settle[0], "its crow"), (settle[1], "its gap, as crow,")):
        if not which.shows[i]:
            continue
        rate, norm = float(which.mean[i] + which.norm_of[i]), float(which.norm_of[i])
        way, known = "rises" if rate >= 0 else "falls", drift.interval_at(which, i, with_norm=True)
        ends = f"{signed(known.low)} to {signed(known.high)}"
        offs.append(
            Off(
                f"{name} {way} {cents_words(rate)} a week with no work done ({ends}; {signed(norm)} is usual)",
                float(which.chance[i]),
                "let it rest before the last cut",
            )
        )
    return offs


def _less_words(less_mm: float, half_mm: float) -> str:
    """`0.17 mm less to take off (0.05 to 0.29)`, with the ends of the 90 % interval; `more` of what is below nought."""
    way, other = ("less", "more") if less_mm > 0 else ("more", "less")
    low, high = abs(less_mm) - half_mm, abs(less_mm) + half_mm
    ends = f"{low:.2f} to {high:.2f}" if low >= 0.0 else f"{-low:.2f} {other} to {high:.2f} {way}"
    return f"{abs(less_mm):.2f} mm {way} to take off ({ends})"


def _ends(
    journal: Journal, frame: pd.DataFrame, settings: Settings, gap_sd: float
) -> tuple[dict[tuple[str, str], int], dict[tuple[str, str], int]]:
    """How many reeds of each batch were lost past the meeting point, and how many called good short of it.

    By the last gap read in the chanter of the reed's order; a reed that was not read there, or has no order, counts as
    neither. Short: under the tolerance by more than a reading's error.
    """
    limit = hz_width_cents(settings.tolerance_hz, 470.0) + Z90 * gap_sd
    gap = frame["f_cents"] - frame["e_cents"]
    chanter_of = dict(journal.columns("order", ["order", "chanter"]))
    meant = {reed: chanter_of.get(order) for reed, order in journal.columns("reed", ["reed", "order"])}
    there = frame["chanter"] == frame["reed"].map(meant)
    known = frame.assign(gap=gap)[gap.notna() & there].sort_values("taken_day", kind="stable")
    last = dict(zip(known["reed"], known["gap"], strict=True))
    home = {reed: (kind, batch) for reed, kind, batch in journal.columns("reed", ["reed", "reed_type", "batch"])}
    past: dict[tuple[str, str], int] = {}
    short: dict[tuple[str, str], int] = {}
    for reed, outcome in journal.columns("outcome", ["reed", "outcome"]):
        if reed not in home:
            continue
        if outcome == "lost" and last.get(reed, -1.0) >= 0.0:
            past[home[reed]] = past.get(home[reed], 0) + 1
        elif outcome == "good" and last.get(reed, 0.0) < -limit:
            short[home[reed]] = short.get(home[reed], 0) + 1
    return past, short
