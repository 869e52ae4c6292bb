"""Control charts of a log's batches, type by type in the order of making: start, answer to a cut, reading error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trimfit.base.plain_words import signed
from trimfit.review.results import Chart, ChartPoint
from trimfit.review.statistics.control_charts import arl_ewma_under_drift, cusum_chart, ewma_chart, follow_level
from trimfit.verbs.reviews.batches import BatchReview

LEAST_BATCHES = 8
"""Fewer points do not set a chart: common practice, no source."""
WIDTH, EWMA_WEIGHT = 3.0, 0.2
CUSUM_SLACK, CUSUM_DECISION = 0.5, 5.0
"""In standard deviations of a point; silent for some 465 points on average while nothing moves (`arl_cusum`)."""
WALKS, SURE_LOG_RATIO = (0.0, 0.01, 0.03, 0.1, 0.3, 1.0), 1.353
"""Variance of a step of the level over that of a batch about it; half the chi-squared that one in ten exceeds."""
STATED_DRIFT_SDS = 0.5
"""The drift whose run length is stated: half of what single batches scatter by, with every batch."""


def batch_charts(review: BatchReview) -> list[Chart]:
    """Charts of every type with at least eight batches read: each start, its running mean, the running sum of the
    answers to a cut, and the reading error. Centres and spreads are the robust ones (`review.statistics.drift`), not a
    moving range, which a batch that is off would widen."""
    evidence = review.evidence
    out = []
    for code in np.unique(evidence.type_code):
        places = [i for i in np.flatnonzero(evidence.type_code == code) if np.isfinite(evidence.variance[i, 0])]
        if len(places) < LEAST_BATCHES:
            continue
        places.sort(key=lambda i: (review.made.get(evidence.names[i], "9999"), evidence.names[i]))
        at = np.array(places, dtype=np.intp)
        dated = any(evidence.names[i] in review.made for i in places)
        for chart in _of_type(review, at):
            made = (review.made.get((chart.reed_type, point.label), "") for point in chart.points)
            points = tuple(replace(point, made_on=on) for point, on in zip(chart.points, made, strict=True))
            out.append(replace(chart, dated=dated, points=points))
    return out


def _of_type(review: BatchReview, at: NDArray[np.intp]) -> list[Chart]:
    evidence = review.evidence
    code = int(evidence.type_code[at[0]])
    reed_type = evidence.names[at[0]][0]
    labels = [evidence.names[i][1] for i in at]
    start = evidence.estimate[at, 0] - review.crow.norm_of[at]
    start_sd = np.sqrt(evidence.variance[at, 0] + review.crow.scale[code] ** 2)
    each = _points(labels, start, -WIDTH * start_sd, WIDTH * start_sd)
    # one batch far off is the first chart's to tell; in those that look for a slow drift it counts as one at the limit
    held = np.clip(start, -WIDTH * start_sd, WIDTH * start_sd)
    mean = ewma_chart(held, 0.0, start_sd, weight=EWMA_WEIGHT, width=WIDTH)
    why = "A worn mould or drying cane moves many batches a little, one way."
    why += f"{_level(held, start_sd)} {_run_length(start_sd)}"
    norm = "Each batch's crow when new, less its type's norm."
    moving = _points(labels, mean.points, mean.low, mean.high)
    charts = [
        Chart(reed_type, "start (crow)", "cents", "individuals", 0.0, each, norm),
        Chart(reed_type, "start (crow)", "cents", "ewma", 0.0, moving, why),
    ]
    slope = review.pct_of(at)
    known = np.isfinite(slope[1])
    if known.sum() >= LEAST_BATCHES:
        z = np.clip(slope[0][known] / np.sqrt(slope[1][known] + review.response.scale[code] ** 2), -WIDTH, WIDTH)
        sums = cusum_chart(z, 0.0, slack=CUSUM_SLACK, decision=CUSUM_DECISION)
        signals = set(sums.signals_up) | set(sums.signals_down)
        limits = -CUSUM_DECISION, CUSUM_DECISION
        points = tuple(
            ChartPoint(label, float(sums.upper[i]), *limits, i in signals, -float(sums.lower[i]))
            for i, label in enumerate(np.array(labels, dtype=object)[known])
        )
        why = "Adds up how much more, and how much less, batches answer a cut than their type."
        charts.append(Chart(reed_type, "answer to a cut", "standard deviations", "cusum", 0.0, points, why))
    charts += _reading_error(reed_type, labels, evidence.reading_ms[at], evidence.reading_df[at])
    return charts


def _level(start: NDArray[np.float64], start_sd: NDArray[np.float64]) -> str:
    """How far a type's level has wandered from its first batch to its last, in words; nothing where chance will do.

    The level walks (`control_charts.follow_level`), the batches scatter about it as they are known to; the walk's
    step is the likeliest of a few, and is reported if that is likelier than none beyond one chance in twenty
    (likelihood ratio on the boundary: Self & Liang, J. Am. Stat. Assoc. 82 (1987) 605).
    """
    scatter = float(np.median(start_sd)) ** 2
    tracks = [follow_level(start, scatter, share * scatter) for share in WALKS]
    level, likelihood = max(tracks, key=lambda track: track[1])
    if likelihood - tracks[0][1] < SURE_LOG_RATIO:
        return ""
    moved = float(level[-1] - level[0])
    return f" The level of its batches has moved by {signed(moved)} cents since the first.".replace("-", "\u2212")


def _run_length(start_sd: NDArray[np.float64]) -> str:
    """How soon the running mean sees a steady drift, once the norm is known, in words
    (`control_charts.arl_ewma_under_drift`)."""
    sd = float(np.median(start_sd))
    cents = max(round(STATED_DRIFT_SDS * sd), 1)
    batches = arl_ewma_under_drift(EWMA_WEIGHT, WIDTH, cents / sd)
    said = f"Once the norm is known, a drift of {cents} cents with every batch is seen after"
    return f"{said} {batches:.0f} batches on average."


def _reading_error(
    reed_type: str, labels: list[str], square: NDArray[np.float64], df: NDArray[np.float64]
) -> list[Chart]:
    """The gap's reading error by batch, with limits by chi-squared at the chances of three sigma either way."""
    from scipy.special import gammainccinv, gammaincinv  # chi-squared's ends; scipy.stats takes long to load

    has_spread = df >= 4
    if has_spread.sum() < LEAST_BATCHES:
        return []
    pooled = float(np.median(square[has_spread] / (1.0 - 2.0 / (9.0 * df[has_spread])) ** 3))
    low = np.sqrt(pooled * 2.0 * gammaincinv(0.5 * df[has_spread], 0.00135) / df[has_spread])
    high = np.sqrt(pooled * 2.0 * gammainccinv(0.5 * df[has_spread], 0.00135) / df[has_spread])
    names = [label for label, one in zip(labels, has_spread, strict=True) if one]
    points = _points(names, np.sqrt(square[has_spread]), low, high)
    why = "How far gap readings of a batch lie from each reed's own line."
    return [Chart(reed_type, "reading error of the gap", "cents", "individuals", float(np.sqrt(pooled)), points, why)]


def _points(
    labels: list[str], values: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> tuple[ChartPoint, ...]:
    """The points of a chart with their limits; those beyond them signal."""
    return tuple(
        ChartPoint(label, float(v), float(lo), float(hi), bool(v < lo or v > hi))
        for label, v, lo, hi in zip(labels, values, low, high, strict=True)
    )
