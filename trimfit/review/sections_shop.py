"""Sections of the page about the shop: batches, control charts, what types do, how far to trust it."""

from __future__ import annotations

from trimfit.review import draw_shop
from trimfit.review.findings import BatchDrift, Report, TypeResponse
from trimfit.review.folio import MOST_ROWS, Folio, between, missing, number, percent, rest
from trimfit.review.markup import named, paragraph, table, text
from trimfit.review.names import sentence

__all__ = ["batches", "charts", "types", "validation"]

MOST_CHARTS = 6


def batches(findings: Report, folio: Folio) -> list[str]:
    """The batches, most drifted first, and where each starts and how it answers."""
    if not findings.batches:
        return [
            missing(
                "No batch can be judged yet.",
                "It takes at least one batch with readings; name the batch when a reed is logged.",
            )
        ]
    ranked = sorted(findings.batches, key=lambda b: (-b.chance_drifted, b.reed_type, b.batch))
    limits = findings.drift_limits
    intro = (
        f"A batch counts as off when it starts more than {limits.start_cents:g} cents from its type's norm, "
        f"answers a cut by more than {limits.response_pct:g} % differently, or moves more than "
        f"{limits.settle_cents_per_week:g} cents a week with no work done on it."
    )
    heads = (
        "batch",
        "type",
        "made",
        "reeds",
        "start, cents",
        "answer to a cut, %",
        "settling, cents a week",
        "chance it is off",
        "in words",
    )
    rows = [_batch_row(batch) for batch in ranked[:MOST_ROWS]]
    return [
        paragraph(intro),
        folio.picture(draw_shop.batches(findings.batches, limits)),
        table("Batches, most drifted first, each against its type's norm", heads, rows, words=(0, 1, 2, 8)),
        rest(MOST_ROWS, len(ranked), "batches", "trimfit review batches"),
    ]


def _batch_row(batch: BatchDrift) -> tuple[str, ...]:
    ends = [
        f"{count} ended {word}" for count, word in ((batch.ended_past, "past"), (batch.ended_short, "short")) if count
    ]
    why = text(sentence(batch.why), 200) + (f" {'; '.join(ends)}." if ends else "")
    tag = ' <span class="tag">drifted</span>' if batch.drifted else ""
    return (
        named(batch.batch, 40) + tag,
        named(batch.reed_type, 30),
        f'<span class="r">{text(batch.made_on, 10)}</span>' if batch.made_on else "–",
        f"{batch.reeds}",
        between(batch.start_shift_cents),
        between(batch.response_shift_pct),
        between(batch.settle_cents_per_week, "+.1f"),
        percent(batch.chance_drifted),
        why,
    )


def charts(findings: Report, folio: Folio) -> list[str]:
    """Control charts of the batches in the order they were made."""
    charts = [(place, chart) for place, chart in enumerate(findings.charts) if chart.points]
    if not charts:
        return [
            missing(
                "There are no control charts yet.",
                "They need some eight batches of one type with readings, and the day each was made.",
            )
        ]
    charts.sort(key=lambda one: (not any(point.signal for point in one[1].points), one[0]))
    parts = [paragraph("A slow drift hides in the single batch and shows in the row. Charts that signal come first.")]
    parts += [folio.picture(draw_shop.control_chart(chart, place)) for place, chart in charts[:MOST_CHARTS]]
    left = len(charts) - MOST_CHARTS
    if left > 0:
        quiet = not any(point.signal for _, chart in charts[MOST_CHARTS:] for point in chart.points)
        parts.append(
            paragraph(f"{left} more charts are left out{', none of which signals' if quiet else ''}.", "quiet")
        )
    return parts


def types(findings: Report, folio: Folio) -> list[str]:
    """How each reed type answers to length, lips, pressure and warmth."""
    known = [kind for kind in findings.types if kind.coefficients]
    if not known:
        return [
            missing(
                "Nothing is learned of a reed type yet.",
                "Log readings before and after a trim, then <code>trimfit learn</code>.",
            )
        ]
    kinds = sorted(known, key=lambda kind: (-kind.reeds, kind.reed_type))
    lines = [line for kind in kinds[:8] for line in _reasons(kind)]
    rows = []
    for kind in kinds[:MOST_ROWS]:
        for one in sorted(kind.coefficients, key=lambda c: (c.term, c.output)):
            unit = {"curvature": "cents per mm²"}.get(one.term) or draw_shop.TERM_WORDS.get(
                one.term, ("", one.term, ())
            )[1]
            rows.append(
                (
                    named(kind.reed_type, 30),
                    text(draw_shop.OUTPUT_WORDS.get(one.output, one.output), 30),
                    text(unit, 30),
                    between(one.value, "+.2f" if abs(one.value.mean) < 10.0 else "+.1f"),
                    "assumed" if one.assumed else "learned",
                )
            )
    parts = [f'<ul class="glance">{"".join(f"<li>{line}</li>" for line in lines)}</ul>' if lines else ""]
    if any(one.term in draw_shop.TERM_WORDS for kind in known for one in kind.coefficients):
        parts.append(folio.picture(draw_shop.responses(known)))
    most = 3 * MOST_ROWS
    parts.append(
        table("The numbers learned", ("type", "of", "unit", "value", "rests on"), rows[:most], words=(0, 1, 2, 4))
    )
    parts.append(rest(most, len(rows), "numbers", "trimfit learn"))
    if findings.starts:
        spread = [
            (
                named(s.reed_type, 30),
                text(s.what, 30),
                f"{s.reeds}",
                number(s.mean, ".1f"),
                f"{number(s.low, '.1f')} to {number(s.high, '.1f')} {text(s.unit, 16)}",
                f"{s.content_pct:g} % of reeds, {s.confidence_pct:g} % sure",
            )
            for s in findings.starts[:MOST_ROWS]
        ]
        parts.append(
            table(
                "Where new reeds start", ("type", "of", "reeds", "mean", "from … to", "holds"), spread, words=(0, 1, 5)
            )
        )
    return parts


def _reasons(kind: TypeResponse) -> list[str]:
    """What was learned of a type, as sentences; what is assumed says so."""
    found = {(one.output, one.term): one for one in kind.coefficients}
    name = named(kind.reed_type, 30)
    lines = []
    gap = found.get(("gap", "per_mm"))
    if gap:
        lines.append(
            f"{name}: a tenth of a millimetre closes the gap by {gap.value.mean / 10:.1f} cents{_assumed(gap.assumed)}."
        )
    bottom, top = found.get(("bottom", "per_kpa")), found.get(("top", "per_kpa"))
    if bottom and top:
        lines.append(
            f"{name}: a kilopascal more sharpens the bottom hand by {bottom.value.mean:.1f} cents and the top hand by "
            f"{top.value.mean:.1f}{_assumed(bottom.assumed or top.assumed)}."
        )
    warm = found.get(("all", "per_degc"))
    if warm:
        lines.append(f"{name}: five degrees warmer, {5 * warm.value.mean:.0f} cents sharper{_assumed(warm.assumed)}.")
    return lines


def _assumed(assumed: bool) -> str:
    return " (an assumption so far)" if assumed else ""


def validation(findings: Report, folio: Folio) -> list[str]:
    """Foretold against found on batches left out, and how often the intervals held."""
    parts = []
    found = findings.validation
    if found is None or not (found.rows or found.pairs):
        parts.append(
            missing(
                "Nothing was foretold and then found yet.",
                "It takes two batches with trims between readings; then <code>trimfit learn</code>.",
            )
        )
    else:
        parts.append(folio.picture(draw_shop.validation(found)))
        rows = []
        for row in sorted(found.rows, key=lambda r: (r.reed_type, r.output))[:MOST_ROWS]:
            held = "; ".join(f"{one.stated_pct:g} % → {one.found_pct:.0f} %" for one in row.coverage)
            rows.append(
                (
                    text(draw_shop.OUTPUT_WORDS.get(row.output, row.output), 30),
                    named(row.reed_type, 30) if row.reed_type else "all",
                    f"{row.readings:,}",
                    *(
                        f"{v:.1f}" if v is not None else "–"
                        for v in (row.error_cents, row.type_average_error_cents, row.last_slope_error_cents)
                    ),
                    held or "–",
                )
            )
        heads = (
            "of",
            "type",
            "readings",
            "error, cents",
            "by type's average",
            "by reed's last slope",
            "promised → held",
        )
        parts += [
            table("Batches the fit had not seen", heads, rows, words=(0, 1, 6)),
            rest(MOST_ROWS, len(found.rows), "rows", "trimfit learn"),
        ]
    if findings.repeatability:
        read_rows = [
            (
                text(draw_shop.OUTPUT_WORDS.get(r.output, r.output), 30),
                f"{r.readings:,}",
                *(
                    f"{v:.1f}" if v is not None else "–"
                    for v in (r.same_sitting_cents, r.other_sitting_cents, r.other_conditions_cents)
                ),
                f"{r.readings_for_1_cent}" if r.readings_for_1_cent else "–",
            )
            for r in findings.repeatability
        ]
        read_heads = (
            "of",
            "readings",
            "same sitting, cents",
            "another sitting",
            "other pressure or warmth",
            "readings to see 1 cent",
        )
        parts.append(table("The bench's own reading error (standard deviation)", read_heads, read_rows))
    else:
        parts.append(
            missing(
                "The bench's own reading error is not known.", "Read one reed several times without a trim between."
            )
        )
    return parts
