"""Sections of the page about the shop: batches, control charts, what types do, how far to trust it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from trimfit.base.plain_words import counted
from trimfit.review.page.html_pieces import bullets, folded, named, paragraph, table, text
from trimfit.review.page.page_parts import LONGEST_WHY, MOST_ROWS, Folio, between, left_out, missing, number, percent
from trimfit.review.pictures import shop
from trimfit.review.results import (
    FEW_HELD_OUT,
    BatchDrift,
    Report,
    StartSpread,
    TypeResponse,
    held_out_words,
)
from trimfit.review.safe_names import sentence

if TYPE_CHECKING:
    from trimfit.regression.coefficients import Term
    from trimfit.review.statistics.repeatability import NoteRepeatability

MOST_CHARTS, MOST_REASONED = 6, 8


def most_drifted(found: Sequence[BatchDrift]) -> list[BatchDrift]:
    """Batches, the most drifted first; of one chance: as they came."""
    return sorted(found, key=lambda batch: -batch.chance_drifted)


def batches(findings: Report, folio: Folio) -> list[str]:
    """The batches, most drifted first, and where each starts and how it answers."""
    if not findings.batches:
        return []
    ranked = most_drifted(findings.batches)
    limits = findings.drift_limits
    intro = (
        f"A batch counts as off when it starts more than {limits.start_cents:g} cents of crow from its type's norm, "
        f"when its gap starts so far off that it wants as much length more or less as {limits.gap_start_cents:g} cents "
        "of crow do, when it "
        f"answers a cut by more than {limits.response_pct:g} % differently, or when it moves more than "
        f"{limits.settle_cents_per_week:g} cents a week with no work done on it. It is called drifted where that "
        "is sure and where it stands out from how batches here differ in the ordinary way."
    )
    heads = (
        "batch",
        "type",
        "made",
        "reeds",
        "start, cents off",
        "answer to a cut, % off",
        "settling, cents a week off",
        "chance it is off",
        "in words",
    )
    drifted, rest = ([one for one in ranked if one.drifted is wanted] for wanted in (True, False))

    def listed(caption: str, found: list[BatchDrift]) -> list[str]:
        rows = [_batch_row(batch) for batch in found[:MOST_ROWS]]
        return [
            table(caption, heads, rows, words=(0, 1, 2, 8), broad=True),
            left_out(MOST_ROWS, len(found), "batches", "trimfit review batches"),
        ]

    many = f"{len(rest)} {'batch' if len(rest) == 1 else 'batches'}"
    none = [paragraph(f"None of {many} is called drifted.")]
    return [
        *(listed("Drifted batches, each against its type's norm", drifted) if drifted else none),
        paragraph(intro, "quiet"),
        folio.picture(shop.batches(findings.batches, limits, folio.looks)),
        folded(
            f"{many} not called drifted, the most likely first",
            listed("Batches not called drifted", rest) if rest else [],
        ),
    ]


def _batch_row(batch: BatchDrift) -> tuple[str, ...]:
    ends = [
        f"{count} ended {word}" for count, word in ((batch.ended_past, "past"), (batch.ended_short, "short")) if count
    ]
    why = text(sentence(batch.why, 600), 600) + (f" {'; '.join(ends)}." if ends else "")
    tag = ' <span class="tag">drifted</span>' if batch.drifted else ""
    return (
        named(batch.batch, 40) + tag,
        named(batch.reed_type, 30),
        f'<span class="r">{text(batch.made_on, 10)}</span>' if batch.made_on else "–",
        f"{batch.reeds}",
        between(batch.start_shift_cents),
        between(batch.response_shift_pct),
        between(batch.settle_shift_cents_per_week, "+.1f"),
        percent(batch.chance_drifted),
        why,
    )


def charts(findings: Report, folio: Folio) -> list[str]:
    """Control charts of the batches in the order they were made."""
    charts = [(place, chart) for place, chart in enumerate(findings.charts) if chart.points]
    if not charts:
        return []
    signal = [(place, chart) for place, chart in charts if any(point.signal for point in chart.points)]
    quiet = [chart for _, chart in charts if not any(point.signal for point in chart.points)]
    named_quiet = ", ".join(f"{named(chart.reed_type, 30)} ({text(chart.what, 40)})" for chart in quiet[:MOST_ROWS])
    more = f" and {len(quiet) - MOST_ROWS} more" if len(quiet) > MOST_ROWS else ""
    parts = [paragraph("A slow drift that no single batch shows can be seen over many batches.")]
    if not signal:
        none = f"None of {len(charts)} {'chart' if len(charts) == 1 else 'charts'} signals: {named_quiet}{more}."
        return [*parts, paragraph(none)]
    pictures = [folio.picture(shop.control_chart(chart, place, folio.looks)) for place, chart in signal[:MOST_CHARTS]]
    left = len(signal) - len(pictures)
    if left:
        pictures.append(paragraph(f"{left} more charts that signal are left out.", "quiet"))
    if quiet:
        show = f"{len(quiet)} more {'chart shows' if len(quiet) == 1 else 'charts show'} no signal"
        pictures.append(paragraph(f"{show}: {named_quiet}{more}.", "quiet"))
    return [*parts, folded(f"{len(signal)} of {len(charts)} charts signal{'' if len(signal) != 1 else 's'}", pictures)]


def types(findings: Report, folio: Folio) -> list[str]:
    """How each reed type answers to length, lips, pressure and warmth."""
    known = [kind for kind in findings.types if kind.coefficients]
    if not known:
        return []
    kinds = sorted(known, key=lambda kind: (-kind.reeds, kind.reed_type))
    lines = _reasons(kinds[:MOST_REASONED], findings.starts)
    parts = [bullets(lines) if lines else ""]
    if any(one.term in shop.TERM_WORDS for kind in known for one in kind.coefficients):
        parts.append(folio.picture(shop.responses(known, folio.looks)))
    if findings.starts:
        spread = [
            (
                named(s.reed_type, 30),
                f"{text(s.what, 30)}, {text(s.unit, 16)}",
                f"{s.reeds}",
                number(s.mean, ".1f"),
                f"{number(s.low, '.1f')} to {number(s.high, '.1f')}" if not s.too_wide else "too few reeds to say",
                f"{s.content_pct:g} % of reeds, {s.confidence_pct:g} % sure",
            )
            for s in findings.starts[:MOST_ROWS]
        ]
        parts.append(
            folded(
                "Where new reeds start",
                [table("New reeds", ("type", "of", "reeds", "mean", "from … to", "holds"), spread, words=(0, 1, 5))],
            )
        )
    return parts


def movement(findings: Report) -> list[str]:
    """How the reeds of each type move with no work done: a sentence a type, then the figures."""
    moving = [(kind, kind.movement) for kind in findings.types if kind.movement is not None]
    if not moving:
        return []
    lines = [text(sentence(kind.means, 300), 300) for kind, _ in moving[:MOST_REASONED]]
    rows = [
        (
            named(kind.reed_type, 30),
            between(moves.walk_gap_cents_per_sqrt_day, ".1f"),
            between(moves.walk_crow_cents_per_sqrt_day, ".1f"),
            between(moves.settle_age_gap_interval_cents, "+.1f") + "*" * ("age" in moves.settle_assumed),
            between(moves.settle_work_gap_interval_cents, "+.1f") + "*" * ("work" in moves.settle_assumed),
            f"{moves.sitting_gap_cents:.1f}",
            f"{100.0 * moves.jumps_per_day:.1f}",
            f"{moves.spans:,}",
        )
        for kind, moves in moving[:MOST_ROWS]
    ]
    heads = (
        "type",
        "gap walks, cents per √day",
        "crow walks, cents per √day",
        "gap settles with age, cents",
        "gap settles after work, cents",
        "error of a sitting, cents of gap",
        "jumps in 100 days",
        "idle spans",
    )
    figures = [
        table("How reeds move with no work done", heads, rows, words=(0,), broad=True),
        left_out(MOST_ROWS, len(moving), "types", "trimfit learn"),
    ]
    if any(not moves.walk_gap_cents_per_sqrt_day.low for _, moves in moving[:MOST_ROWS]):
        figures.append(paragraph("A walk from 0: what was read does not tell it from none."))
    if any(moves.settle_assumed for _, moves in moving[:MOST_ROWS]):
        figures.append(paragraph("* assumed so far: what was read tells little or nothing of it."))
    return [bullets(lines), folded("The figures", figures)]


def appendix(findings: Report, folio: Folio) -> list[str]:
    """What the sentences above rest on: every number learned, errors on batches left out, the bench's own error."""
    parts = _learned(findings) + _predicted(findings, folio) + _second_opinion(findings) + _reading_error(findings)
    return [folded("What was learned, how close predictions were, and the bench's reading error", parts)]


def _learned(findings: Report) -> list[str]:
    """Every number learned of a type, as a table."""
    kinds = sorted((k for k in findings.types if k.coefficients), key=lambda kind: (-kind.reeds, kind.reed_type))
    rows = []
    for kind in kinds[:MOST_ROWS]:
        for one in sorted(kind.coefficients, key=lambda c: (c.term, c.output)):
            unit = {"curvature": "cents per mm²"}.get(one.term) or shop.TERM_WORDS.get(one.term, ("", one.term, ()))[1]
            rows.append(
                (
                    named(kind.reed_type, 30),
                    text(shop.OUTPUT_WORDS.get(one.output, one.output), 30),
                    text(unit, 30),
                    between(one.value, "+.2f" if abs(one.value.mean) < 10.0 else "+.1f"),
                    "assumed" if one.assumed else "learned",
                )
            )
    if not rows:
        return []
    most = 3 * MOST_ROWS
    return [
        table("The numbers learned", ("type", "of", "unit", "value", "rests on"), rows[:most], words=(0, 1, 2, 4)),
        left_out(most, len(rows), "numbers", "trimfit learn"),
    ]


def _reasons(kinds: list[TypeResponse], starts: Sequence[StartSpread]) -> list[str]:
    """What was learned, as sentences, matter by matter and type beside type; what is assumed says so."""
    found = {kind.reed_type: {(one.output, one.term): one for one in kind.coefficients} for kind in kinds}

    def learned(output: str, term: str) -> list[tuple[str, Term]]:
        known = [(name, one[output, term]) for name, one in found.items() if (output, term) in one]
        return sorted(known, key=lambda pair: -abs(pair[1].value.mean))

    def listed(output: str, term: str, times: float = 1.0, form: str = ".1f", unit: str = "") -> str:
        """`7.8 cents in hard moulded, 5.9 in soft moulded and 4.0 in broad cane`; the largest first."""
        said = [
            f"{number(times * c.value.mean, form)}{'' if place else unit} in {named(name, 30)}"
            + " (an assumption so far)" * c.assumed
            for place, (name, c) in enumerate(learned(output, term))
        ]
        return " and ".join([", ".join(said[:-1]), said[-1]] if len(said) > 1 else said)

    lines = []
    cents = " cents"
    if learned("gap", "per_mm"):
        closes = listed("gap", "per_mm", 0.1, unit=cents)
        lines.append(f"Length: over the first half millimetre a tenth closes the gap by {closes}.")
        bends = [one["gap", "curvature"].value for one in found.values() if ("gap", "curvature") in one]
        if bends and all(bend.low > 0 for bend in bends):
            lines.append(
                "The second half millimetre closes the gap by more than the first: be bolder at first than at last."
            )
    if learned("top", "per_kpa") and learned("bottom", "per_kpa"):
        lines.append(
            f"Blowing: a kilopascal more sharpens the top hand by {listed('top', 'per_kpa', unit=cents)}; the bottom "
            f"hand by {listed('bottom', 'per_kpa', unit=cents)}."
        )
        hands = [(one["top", "per_kpa"].value, one["bottom", "per_kpa"].value) for one in found.values()
                 if ("top", "per_kpa") in one and ("bottom", "per_kpa") in one]  # fmt: skip
        if hands and all(top.low > bottom.high for top, bottom in hands):
            lines.append("So a player who blows harder than the bench plays the top hand sharp of the bottom hand.")
    lips = learned("crow", "per_stroke")
    if lips and learned("low_a", "per_stroke") and not all(c.assumed for _, c in lips):  # of work never done, nothing
        gap_too = (
            f"; the gap by {listed('gap', 'per_stroke', 10.0, '+.0f', cents)}" if learned("gap", "per_stroke") else ""
        )
        lines.append(
            f"Lips: ten strokes move the crow by {listed('crow', 'per_stroke', 10.0, '+.0f', cents)}; low A by "
            f"{listed('low_a', 'per_stroke', 10.0, '+.0f', cents)}{gap_too}."
        )
    if learned("all", "per_degc"):
        of_gap = learned("gap", "per_degc")
        hardly = " The gap hardly feels it." if of_gap and max(abs(5 * c.value.mean) for _, c in of_gap) < 1.0 else ""
        lines.append(
            f"Warmth: five degrees more sharpen all notes by {listed('all', 'per_degc', 5.0, '.0f', cents)}.{hardly}"
        )
    for what in ("crow", "gap"):
        spread = [s for s in starts if s.what == what and s.reed_type in found and not s.too_wide]
        spans = [
            f"{number(s.low, '.0f')} to {number(s.high, '.0f')}{f' {text(s.unit, 16)}' if place == 0 else ''} in "
            f"{named(s.reed_type, 30)}"
            for place, s in enumerate(spread)
        ]
        if spread:
            share, sure = spread[0].content_pct, spread[0].confidence_pct
            lines.append(
                f"New reeds: {share:g} in a hundred have a {what} of {'; '.join(spans)} ({sure:g} % sure of it)."
            )
        few = [f"{s.reeds} {named(s.reed_type, 30)}" for s in starts if s.what == what and s.too_wide]
        if few:
            lines.append(f"Too few new reeds were read to say how far their {what} spreads: {', '.join(few)}.")
    return lines


def _crow_held(findings: Report) -> str:
    """How often the 90 % intervals of the crow held, the least and the most of the types, after the gap's; or empty."""
    rows = findings.validation.rows if findings.validation is not None else ()
    crows = [row for row in rows if row.output == "crow" and row.reed_type and row.predicted_readings >= FEW_HELD_OUT]
    shares = [dict(row.coverage)[90.0] for row in crows if 90.0 in dict(row.coverage)]
    if not shares:
        return ""
    low, high = (f"{share:.0f}" for share in (min(shares), max(shares)))
    return f", of the crow {low} %" if low == high else f", of the crow {low} to {high} %, type by type"


def trust(findings: Report) -> list[str]:
    """How far off what is predicted has been, and how well the bench reads, in sentences."""
    parts = []
    found = findings.validation
    gap = next((row for row in shop.pooled(found.rows) if row.output == "gap"), None) if found is not None else None
    if gap is None:
        parts.append(
            missing(
                "How close predictions of the gap come is not known yet.",
                "<code>trimfit learn</code> tells, once the F and E of a reed were read before and after a cut.",
            )
        )
    else:
        held = dict(gap.coverage).get(90.0)
        share = ""
        if held is not None and gap.readings >= FEW_HELD_OUT:
            crow_held = _crow_held(findings)
            share = f" Coverage of the 90 % intervals, of all readings predicted: {held:.0f} % of the gap{crow_held}."
        errors = gap.error_cents, gap.type_average_error_cents
        words = held_out_words(gap.readings, *errors, gap.learned_readings)
        parts.append(paragraph(" ".join(words) + share))
        crow = next((one for one in found.by_gap_readings if one.readings_before == 0), None) if found else None
        if crow is not None:
            rule = crow.rule_error_cents
            beside = "" if rule is None else f"; by the mean first gap of the type's other batches, {rule:.1f}"
            parts.append(
                paragraph(
                    f"A first gap, predicted from the crow alone, was missed by {crow.error_cents:.1f} cents{beside} "
                    f"({counted(crow.readings, 'reading')})."
                )
            )
    own = next((one for one in findings.repeatability if one.output == "gap"), None)
    if own is None:
        parts.append(
            missing(
                "The bench's own reading error is not known.", "Read one reed several times without a trim between."
            )
        )
    else:
        errs, sitting = own.total_cents.mean, " within a sitting" if own.of_one_sitting else ""
        said = (
            f"A single reading of the gap on this bench errs by {errs:.1f} cents{sitting}, two times in three by less."
        )
        if math.isnan(own.within_cents.mean):
            said = f"Readings of the gap on two days differ as if each erred by {errs:.1f} cents, what a reed moves "
            said += "meanwhile counted in."
        parts.append(paragraph(said))
    if gap is not None or own is not None:
        parts.append(paragraph("The <a href='#numbers'>appendix</a> has the figures behind this.", "quiet"))
    return parts


def _predicted(findings: Report, folio: Folio) -> list[str]:
    """Predicted against found on batches left out, and how often the intervals held."""
    found = findings.validation
    if found is None or not (found.rows or found.misses):
        return []
    # what a shop's only type does, all types do: said once
    kinds = {row.reed_type for row in found.rows if row.reed_type}
    of_all = {row.output for row in found.rows if not row.reed_type}
    listed = [row for row in found.rows if len(kinds) > 1 or not row.reed_type or row.output not in of_all]
    rows = []
    for row in sorted(listed, key=lambda r: (r.reed_type, r.output))[:MOST_ROWS]:
        held = "; ".join(f"{stated:g} % → {found_pct:.0f} %" for stated, found_pct in row.coverage)
        held = held if row.predicted_readings >= FEW_HELD_OUT else "too few"
        errors = (row.error_cents, row.type_average_error_cents, row.last_slope_error_cents)
        rows.append(
            (
                text(shop.OUTPUT_WORDS.get(row.output, row.output), 30),
                named(row.reed_type, 30) if row.reed_type else "all",
                f"{row.readings:,}",
                *(f"{v:.1f}" if v is not None else "–" for v in errors),
                f"{row.predicted_readings:,}" if row.predicted_readings else "–",
                held or "–",
            )
        )
    rules = ("error, cents", "by type's average slope", "by reed's last slope")
    heads = ("of", "type", "readings compared", *rules, "readings in all", "coverage: stated → found")
    return [
        folio.picture(shop.validation(found)) if any(misses for _, misses in found.misses) else "",
        table("Each batch left out of the coefficients", heads, rows, words=(0, 1, 7), broad=True),
        paragraph(
            "Errors are root mean squares of the readings compared: those that all three rules predict, slips left "
            "out. Coverage counts every reading predicted.",
            "quiet",
        ),
        left_out(MOST_ROWS, len(listed), "rows", "trimfit learn"),
    ]


def _second_opinion(findings: Report) -> list[str]:
    """What a plain mixed model of the gap says beside the fit: in words, then in figures."""
    shown = findings.opinions[:MOST_ROWS]
    rows = [
        (named(one.reed_type, 30), what, unit, between(theirs, "+.2f"), between(own, "+.2f"))
        for one in shown
        for what, unit, theirs, own in (
            ("the first half millimetre", "cents per mm", one.per_mm, one.own_per_mm),
            ("a lip stroke", "cents per stroke", one.per_stroke, one.own_per_stroke),
        )
        if theirs is not None and own is not None
    ]
    if not shown:
        return []
    heads = ("type", "of", "unit", "second model", "the fit")
    return [
        paragraph("A second opinion: a mixed model of the gap alone, type by type, fitted by another library."),
        bullets(text(sentence(one.words, LONGEST_WHY), LONGEST_WHY) for one in shown),
        table("The gap by a second model", heads, rows, words=(0, 1, 2)) if rows else "",
    ]


def _readings_needed(one: NoteRepeatability) -> str:
    """After what a level is known to ± 1 cent: readings of one sitting, or sittings where no number of those does."""
    if one.readings_in_sitting is not None:
        return counted(one.readings_in_sitting, "reading")
    return counted(one.sittings, "sitting")


def _reading_error(findings: Report) -> list[str]:
    """The bench's own reading error, as a table."""
    if not findings.repeatability:
        return []
    rows = [
        (
            text(shop.OUTPUT_WORDS.get(r.output, r.output), 30),
            f"{r.readings:,}",
            *(
                f"{cents:.1f}" if math.isfinite(cents) else "–"
                for cents in (
                    r.within_cents.mean,
                    r.next_day_cents,
                    math.hypot(r.next_day_cents, r.condition_cents),
                )
            ),
            _readings_needed(r),
        )
        for r in findings.repeatability
    ]
    heads = (
        "of",
        "readings",
        "same sitting, cents",
        "on another day",
        "and in other air",
        "known to ± 1 cent after",
    )
    return [table("The bench's own reading error (standard deviation)", heads, rows)]
