"""The report: everything the log can say, on one page with its pictures."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from trimfit.base.answers import Advice
from trimfit.base.errors import InputError, TrimfitError, unwritable
from trimfit.base.iso_dates import own_minute, text_of
from trimfit.base.natural_order import as_counted
from trimfit.base.normal import hz_interval, interval
from trimfit.base.pitch import OUTPUTS, hz_from_cents, hz_width_cents
from trimfit.base.records import Order
from trimfit.log.journal import Journal
from trimfit.regression.coefficients import type_terms
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.movement.coefficients import movement_terms
from trimfit.regression.movement.process import BASIS, SEEDS
from trimfit.regression.outputs import GAP
from trimfit.regression.second_opinion import second_opinions
from trimfit.review.results import (
    ChanterMap,
    FinishedReed,
    GapError,
    OpenOrder,
    ReedStory,
    Report,
    RunMap,
    RunReed,
    StartSpread,
    TypeResponse,
    Validation,
    ValidationRow,
)
from trimfit.review.statistics.repeatability import NoteRepeatability, PooledSd, bench_repeatability
from trimfit.review.statistics.tolerance_interval import tolerance_interval
from trimfit.session.demo_shop import demo_shop
from trimfit.session.fit import VALIDATION
from trimfit.session.open_log import Bench, Seen
from trimfit.session.reading_frame import frame_of
from trimfit.session.session import Session
from trimfit.verbs.allot import pitch_curve
from trimfit.verbs.ask import advise, as_left, open_orders, see_all, work_order
from trimfit.verbs.predict import next_notes_hz
from trimfit.verbs.reviews.batch_charts import batch_charts
from trimfit.verbs.reviews.batches import batch_review, drift_limits
from trimfit.verbs.reviews.chanters import chanter_review, with_stock
from trimfit.verbs.reviews.reed_in_time import in_time
from trimfit.verbs.reviews.reed_story import story_of
from trimfit.verbs.wording import gaps_of, left_lying

if TYPE_CHECKING:
    import pandas as pd

MOST_STORIES = 6
LEAST_STARTS = 5


def write_report(session: Session, folder: Path, *, shop: str = "", at_s: float | None = None) -> list[Path]:
    """Write `index.html` and its pictures into `folder`; returns the paths, the page first.

    at_s: reeds as of that moment, as for `ask.ask_reed`. Same log, same moment, same bytes.

    InputError for a log without a reed, or a folder that cannot be written.
    """
    from trimfit.review.page import build

    fresh = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)  # a folder that cannot be is found out before the work
        build.refuse_foreign(folder)
    except OSError as error:
        raise unwritable(folder, error) from error
    try:
        report = findings_of(session, shop=shop, at_s=at_s)
    except TrimfitError:
        if fresh:
            folder.rmdir()
        raise
    whole, done = _pictures(report), 0

    def picture(title: str) -> None:
        nonlocal done
        session.progress("drawing the pictures", done, whole)
        done = min(done + 1, whole)

    try:
        paths = build.write(folder, report, picture)
    except OSError as error:
        raise unwritable(folder, error) from error
    session.progress("drawing the pictures", whole, whole)
    return paths


def _pictures(report: Report) -> int:
    """How many pictures the page will want, about; for the progress line."""
    from trimfit.review.page.bench_sections import MOST_CHANTER_PICTURES
    from trimfit.review.page.shop_sections import MOST_CHARTS
    from trimfit.review.page.work_sections import MOST_RUNS

    return max(
        min(len(report.runs), MOST_RUNS)
        + len(report.stories)
        + sum(bool(story.in_time) for story in report.stories)
        + min(len(report.charts), MOST_CHARTS)
        + min(len(report.chanters), MOST_CHANTER_PICTURES)
        + 4,
        1,
    )


def findings_of(session: Session, *, shop: str = "", at_s: float | None = None) -> Report:
    """All findings of a log, for the page; at_s: reeds as of that moment."""
    journal, tell = session.journal, session.progress
    reeds = journal.count("reed")
    if not reeds:
        raise InputError("the log holds no reed yet", str(journal.path), "log or import reeds first")
    session.fit_if_due()
    bench = session.bench(at_s)
    tell("reading the log", 0, 1)
    frame = frame_of(journal)
    tell("reading the log", 1, 1)
    settings = bench.settings
    limits = drift_limits(settings)
    invented = _is_invented(journal)
    parts: dict[str, Any] = {}
    if len(frame):
        tell("judging batches and chanters", 0, 2)
        judged = batch_review(journal, bench.model, frame, settings)
        tell("judging batches and chanters", 1, 2)
        parts["batches"], parts["charts"] = judged.found, tuple(batch_charts(judged))
        said_away = {name for name, one in journal.chanters().items() if one.at_hand == "no"}
        parts["chanters"] = tuple(
            replace(one, away=one.chanter in said_away)
            for one in with_stock(bench, chanter_review(journal, bench.model, frame))
        )
        tell("judging batches and chanters", 2, 2)
        parts["types"] = tuple(_types(bench.model))
        parts["starts"] = tuple(_starts(frame))
        parts["opinions"] = tuple(second_opinions(bench.model, frame))
        with suppress(InputError):  # no reed was read twice as it stood
            parts["repeatability"] = tuple(_repeatability(bench.model, frame))
    until = _last_time(journal)
    orders = _open_orders(session, at_s)
    one_pitch = pitch_curve(session, bench)
    runs, stories = _in_hand(bench, parts.get("chanters", ()), {one.order: one for one in orders})
    finished, in_all = _finished(bench)
    return Report(
        shop=shop or ("the demo shop" if invented else ""),
        invented=invented,
        as_of=own_minute(text_of(bench.at_s)),
        log_until=until,
        reeds=reeds,
        readings=journal.count("reading"),
        trims=journal.count("trim"),
        runs=tuple(runs),
        orders=tuple(orders),
        one_pitch=one_pitch,
        finished=tuple(finished),
        finished_in_all=in_all,
        stories=tuple(stories),
        drift_limits=limits,
        validation=_validation(journal),
        **parts,
    )


def _is_invented(journal: Journal) -> bool:
    """Whether the log's reeds are those of the demo shop."""
    try:
        text = (demo_shop() / "reeds.csv").read_text(encoding="utf-8")
    except (TrimfitError, OSError):
        return False
    demo = {(row["reed"], row["reed_type"], row["batch"]) for row in csv.DictReader(text.splitlines())}
    return bool(demo) and set(journal.columns("reed", ["reed", "reed_type", "batch"])) <= demo


def _last_time(journal: Journal) -> str:
    latest = (float("-inf"), "")
    for kind, column in (("reading", "taken_at"), ("trim", "done_at"), ("event", "at"), ("outcome", "at")):
        latest = max([latest, *((at_s, text) for at_s, text in journal.columns(kind, ["at_s", column]))])
    return own_minute(latest[1]) if latest[1] else ""


def _open_orders(session: Session, at_s: float | None) -> list[OpenOrder]:
    """The orders that still want something, as the work list has them."""
    found = open_orders(session, at_s=at_s)
    return [OpenOrder(one.order, one.chanter, one.line(), one.overdue, one.in_work) for one in found]


def _finished(bench: Bench) -> tuple[list[FinishedReed], int]:
    """The reeds that left the bench last, the order that one left for last first; and how many ever left."""
    from trimfit.review.page.page_parts import MOST_ROWS

    left: dict[str, float] = {}
    for reed, at_s in bench.journal.columns("outcome", ["reed", "at_s"]):
        left[reed] = max(at_s, left.get(reed, at_s))
    known = {reed for (reed,) in bench.journal.columns("reed", ["reed"])}
    ranked = sorted((reed for reed in left if reed in known), key=lambda reed: (-left[reed], as_counted(reed)))
    histories = {h.reed.record.reed: h for h in bench.journal.of_reeds(ranked[:MOST_ROWS], until_s=bench.until_s)}
    seen = {one.name: one for one in see_all(bench, histories.values(), step="looking back at finished reeds")}
    newest: dict[str, float] = {}
    out = []
    for name, history in histories.items():
        if history.outcome is None:
            continue
        order = history.order.order if history.order is not None else None
        newest[order or ""] = max(left[name], newest.get(order or "", left[name]))
        chanter = bench.aim(seen[name]).chanter
        there = tuple(one for one in history.readings if one.record.chanter == chanter)
        gaps = gaps_of(replace(history, readings=there), bench.scale)
        out.append(
            FinishedReed(
                reed=name,
                order=order,
                outcome=history.outcome.record.outcome,
                left_at=own_minute(history.outcome.record.at),
                removed_mm=seen[name].removed_mm,
                cuts=sum(1 for trim in history.trims if trim.record.length_mm),
                last_gap_cents=gaps[-1][0] - gaps[-1][1] if gaps else None,
                meet_pitch_hz=advise(*as_left(bench, seen[name])).meet_pitch_hz if gaps else None,
            )
        )
    out.sort(key=lambda one: (-newest[one.order or ""], one.order or "", as_counted(one.reed)))
    return out, len(ranked)


def _in_hand(
    bench: Bench, chanters: Sequence[ChanterMap], orders: dict[str, OpenOrder]
) -> tuple[list[RunMap], list[ReedStory]]:
    """Runs and their reeds in the order of the work list, and the stories most worth showing."""
    waiting = bench.journal.of_reeds(None, open_only=True, until_s=bench.until_s)
    every = see_all(bench, waiting, step="working out the answers, batch")
    found = [(seen, advise(bench, seen)) for seen in every]
    good = bench.journal.good_of(sorted({h.order.order for h in waiting if h.order is not None}))
    found.sort(key=lambda pair: work_order(pair[0].history, pair[1], good))
    by_order: dict[Order, list[tuple[Seen, Advice]]] = {}
    for seen, advice in found:
        if seen.history.order is not None:
            by_order.setdefault(seen.history.order, []).append((seen, advice))
    meets = {one.chanter: one.meet_pitch_hz for one in chanters}
    runs = []
    for order, pairs in by_order.items():
        tolerance = hz_width_cents(bench.settings.tolerance_hz, order.target_pitch_hz or 470.0)
        reeds = tuple(_run_reed(bench, seen, advice) for seen, advice in pairs)
        progress = orders[order.order].progress if order.order in orders else ""
        runs.append(RunMap(order, reeds, tolerance, meets.get(order.chanter), progress))
    return runs, [in_time(bench, seen, story_of(bench, seen, advice)) for seen, advice in _worth_showing(found)]


def _run_reed(bench: Bench, seen: Seen, advice: Advice) -> RunReed:
    f_then, e_then = None, None
    if advice.action in ("trim", "read-again") and advice.gap_now_cents is not None:
        f_then, e_then = next_notes_hz(bench, seen, advice, ("f", "e"))
    if not advice.gap_read or advice.gap_now_cents is None:
        return RunReed(advice, None, None, f_then, e_then)
    posterior = bench.posterior(seen, bench.aim(seen))
    gap = interval(float(posterior.mean[0]), math.sqrt(max(float(posterior.cov[0, 0]), 0.0)))
    pitch_var = float(posterior.cov[4, 4] + posterior.beyond[1, 1])
    pitch = hz_interval(float(posterior.mean[4]), math.sqrt(max(pitch_var, 0.0)))
    return RunReed(advice, advice.gap_now_cents or gap, pitch, f_then, e_then)


def _worth_showing(found: Sequence[tuple[Seen, Advice]]) -> list[tuple[Seen, Advice]]:
    """At most six reeds: those about to be cut with most to tell, then one of each other answer, orders in turn."""

    def noted(pair: tuple[Seen, Advice]) -> int:
        return sum(1 for r in pair[0].history.readings if "e" in r.record.notes_hz and "f" in r.record.notes_hz)

    def rank(pair: tuple[Seen, Advice]) -> tuple[Any, ...]:
        lengths = {round(t.at_s) for t in pair[0].history.trims}
        return (-min(noted(pair), len(lengths) + 1), -noted(pair), pair[0].name)

    with_points = sorted((pair for pair in found if noted(pair) >= 1), key=rank)
    others = []
    for action in ("past", "read-again", "finished", "no-fit"):
        others += [pair for pair in with_points if pair[1].action == action][:1]
    turn: dict[str | None, int] = {}
    placed = []
    for pair in with_points:
        if pair[1].action == "trim":
            turn[pair[1].order] = turn.get(pair[1].order, 0) + 1
            placed.append((turn[pair[1].order], pair))
    cuts = [pair for _, pair in sorted(placed, key=lambda one: one[0])]
    chosen = cuts[: MOST_STORIES - min(len(others), 2)]
    chosen += others[: MOST_STORIES - len(chosen)]
    chosen = chosen[:MOST_STORIES]
    return [pair for pair in found if any(pair is one for one in chosen)]


def _types(model: FittedModel) -> list[TypeResponse]:
    wanted = {
        "per_mm": ("gap", "crow", "e", "f", "low_a"),
        "curvature": ("gap", "crow"),
        "per_stroke": ("gap", "crow", "e", "f", "low_a"),
        "per_kpa": ("bottom", "top", "crow", "gap"),
        "per_degc": ("all", "gap", "crow", "low_a"),
    }
    outputs = tuple(dict.fromkeys(name for names in wanted.values() for name in names))
    out = []
    for code, name in enumerate(model.coding.types):
        reeds = int(model.reeds[code])
        if reeds:
            terms = tuple(t for t in type_terms(model, code, outputs) if t.output in wanted[t.term])
            moves = movement_terms(model.movement, code)
            means = left_lying(name, moves.left_week_gap_cents, assumed=moves.assumed)
            out.append(TypeResponse(name, reeds, terms, moves, means))
    return out


def _starts(frame: pd.DataFrame) -> list[StartSpread]:
    """Where new reeds of each type start, crow and gap, from readings before any work; one value a reed."""
    new = frame[(frame["removed_mm"] == 0.0) & (frame["lip_strokes"] == 0.0)]
    new = new.assign(gap_cents=new["f_cents"] - new["e_cents"])
    out = []
    for reed_type, mine in new.groupby("reed_type", sort=True):
        for column, what, unit in (("crow_cents", "crow", "Hz"), ("gap_cents", "gap", "cents")):
            reeds = mine.groupby("reed").agg(value=(column, "median"), batch=("batch", "first")).dropna()
            values, batch = reeds["value"].to_numpy(dtype=float), reeds["batch"].to_numpy()
            if len(values) < LEAST_STARTS:
                continue
            middle = np.median(values)
            mad = 1.4826 * float(np.median(np.abs(values - middle)))
            sound = np.abs(values - middle) <= 6.0 * max(mad, 2.0)  # a slip is no reed
            values, found = values[sound], tolerance_interval(values[sound], batch[sound], 0.9, 0.95)
            ends = [found.mean, found.low, found.high]
            if unit == "Hz":
                ends = [hz_from_cents(end) for end in ends]
            out.append(StartSpread(str(reed_type), what, unit, len(values), *ends))
    return out


def repeatability(session: Session) -> list[NoteRepeatability]:
    """The bench's own reading error by note and its parts. InputError where no reed was read twice as it stood."""
    return _repeatability(session.fit_if_due(), frame_of(session.journal))


def _per_kpa(model: FittedModel) -> dict[str, dict[str, float]]:
    """Reed type -> output -> what a kilopascal does to it, cents."""
    return {
        name: {output: float(model.type_coef(code)[4, k]) for k, output in enumerate(OUTPUTS)}
        for code, name in enumerate(model.coding.types)
    }


def _sitting_error(model: FittedModel) -> dict[str, PooledSd]:
    """Of gap and crow the error that a sitting's readings share, by the shop's movement; empty where that is assumed.

    Not of a note: seating brings all notes of a reading up or down together, which in the fit is a reading's own error;
    readings taken at once share it, so that it would be in neither part.
    """
    shop = model.movement.of(-1)
    if not shop.spans:
        return {}
    cov, df = BASIS @ shop.sitting @ BASIS.T, shop.spans + SEEDS["shop"]
    picks = {"crow": np.eye(len(OUTPUTS))[OUTPUTS.index("crow")], "gap": GAP}
    return {name: PooledSd(float(np.sqrt(pick @ cov @ pick)), float(df)) for name, pick in picks.items()}


def _repeatability(model: FittedModel, frame: pd.DataFrame) -> list[NoteRepeatability]:
    return bench_repeatability(frame, cents_per_kpa=_per_kpa(model), sitting_error=_sitting_error(model))


def _validation(journal: Journal) -> Validation | None:
    """Held-out errors as learning kept them; None where there are none."""
    kept = journal.learned_get(VALIDATION)
    if kept is None:
        return None
    found = json.loads(kept)
    out = []
    for row in found["rows"]:
        held = [
            (float(stated), 100.0 * float(row[f"coverage{stated}"]))
            for stated in (50, 80, 90, 95)
            if row.get(f"coverage{stated}") is not None
        ]
        compared = row.get("compared_rmse") is not None
        out.append(
            ValidationRow(
                str(row["output"]),
                str(row.get("reed_type") or ""),
                int(row["compared_readings" if compared else "readings"] or 0),
                float(row["compared_rmse" if compared else "rmse"]),
                row.get("naive_rmse") if compared else None,
                row.get("last_slope_rmse") if compared else None,
                tuple(held),
                int(row["readings"]),
                int(row.get("learned_readings") or 0),
            )
        )
    misses = tuple(
        (output, tuple((seen, seen - ours, seen - rule) for ours, rule, seen in triples))
        for output, triples in found.get("triples", {}).items()
    )
    gap: dict[str, Any] = next((row for row in found["rows"] if row["output"] == "gap"), {})
    by_readings = tuple(
        GapError(one["gap_readings_before"], one["readings"], one["rmse"], one["naive_rmse"])
        for one in gap.get("by_gap_readings", [])
    )
    return Validation(tuple(out), misses, by_readings)
