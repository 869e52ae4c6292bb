"""Sections of the page for a Monday morning: what to do, reed by reed, the orders, and the reeds that left."""

from __future__ import annotations

from trimfit.base.plain_words import counted
from trimfit.review.page.html_pieces import bullets, folded, named, paragraph, table, text
from trimfit.review.page.page_parts import (
    LONGEST_WHY,
    MOST_ROWS,
    Folio,
    between,
    left_out,
    number,
    percent,
    work_words,
)
from trimfit.review.pictures import bench
from trimfit.review.results import Report, RunMap, RunReed
from trimfit.review.safe_names import short

MOST_RUNS = 4
_TAGS = {"trim": "cut", "read-again": "mute", "finished": "good", "past": "", "no-fit": "mute"}
_LEFT = {"good": ("good", "good"), "lost": ("", "lost"), "to-stock": ("mute", "to stock")}
_NOTHING_TO_DO = ("finished", "past", "no-fit")


def work(findings: Report) -> list[str]:
    """One list across the orders: soonest due first, those with nothing left to do last."""
    listed = [(run, reed) for run in findings.runs for reed in run.reeds]
    if not listed:
        return []
    listed.sort(key=lambda pair: pair[1].advice.action in _NOTHING_TO_DO)
    rows = [_work_row(run, reed) for run, reed in listed[:MOST_ROWS]]
    away = any(reed.advice.here and reed.f_then_hz is not None for _, reed in listed)
    stands_in = "; for a chanter that is away, in the one that stands in for it" if away else ""
    heads = ("reed", "batch", "order", "due", "do", "mm", "lip", "F then, Hz", "E then, Hz")
    return [
        table(
            "What to do, the soonest due first, then those with nothing left to do", heads, rows, words=(0, 1, 2, 3, 4)
        ),
        left_out(MOST_ROWS, len(listed), "reeds", "trimfit ask --all"),
        paragraph(
            "<em>F then</em> and <em>E then</em>: what the next reading should show, sounding, after the cut or as the "
            f"reed is{stands_in}. Why, and how sure, stands under <a href='#orders'>Orders</a>.",
            "quiet",
        ),
    ]


def _work_row(run: RunMap, reed: RunReed) -> tuple[str, ...]:
    advice, due_on = reed.advice, run.order.due_on
    return (
        named(advice.reed, 40),
        named(advice.batch, 24) if advice.batch else "–",
        named(run.order.order, 40),
        f'<span class="r">{text(due_on, 10)}</span>' if due_on else "–",
        _tag(reed),
        f"{advice.length_mm:.2f}" if advice.length_mm else "–",
        f"{advice.lip_strokes}" if advice.lip_strokes else "–",
        *("–" if hz is None else f"{hz:.1f}" for hz in (reed.f_then_hz, reed.e_then_hz)),
    )


def _tag(reed: RunReed) -> str:
    """What to do with a reed; one that was never read is not read *again*."""
    action = reed.advice.action
    words = "read" if action == "read-again" and reed.gap_cents is None else bench.ACTION_WORDS[action]
    return f'<span class="tag {_TAGS[action]}">{words}</span>'


def overdue(findings: Report) -> list[str]:
    """The orders whose day has gone by, soonest due first."""
    late = [one for one in findings.orders if one.overdue]
    lines = [
        f"{named(one.order, 60)}, chanter {named(one.chanter, 60)}: {text(one.progress.removesuffix(' (overdue)'))}."
        for one in late[:MOST_ROWS]
    ]
    return [bullets(lines), left_out(MOST_ROWS, len(late), "orders", "trimfit ask --all")]


def orders(findings: Report, folio: Folio) -> list[str]:
    """Order by order: how far it has come, a picture of gap against pitch, and each reed's figures and reason."""
    runs = [run for run in findings.runs if run.reeds]
    idle = [one for one in findings.orders if not one.in_work and not one.overdue]
    parts = []
    if findings.one_pitch is not None:
        curve = findings.one_pitch
        head = f"One pitch for {len(curve.orders)} orders: {curve.best.pitch_hz:.1f} Hz costs least"
        parts.append(folded(head, [folio.picture(bench.one_pitch(curve))]))
    parts += [_order(run, folio) for run in runs[:MOST_RUNS]]
    parts.append(left_out(MOST_RUNS, len(runs), "orders", "trimfit ask --all"))
    parts += [
        paragraph(f"Order {named(one.order, 60)}, chanter {named(one.chanter, 60)}: {text(one.progress)}.")
        for one in idle[:MOST_ROWS]
    ]
    return parts


def _order(run: RunMap, folio: Folio) -> str:
    """One order, its head in sight and the rest folded away."""
    order = run.order
    wanted = f"{order.quantity} wanted" if order.quantity else ""
    due = f"due {text(order.due_on, 30)}" if order.due_on else ""
    facts = [text(run.progress)] if run.progress else [wanted, due]
    target_hz = order.target_pitch_hz
    facts.append(f"pitch ordered {target_hz:.1f} Hz" if target_hz else "pitch: where F and E meet")
    rows = [
        (
            named(reed.advice.reed, 40),
            _tag(reed) + (f' <span class="r">{work}</span>' if (work := work_words(reed.advice)) else ""),
            between(reed.gap_cents),
            f"{reed.pitch_hz.mean:.1f}" if reed.pitch_hz is not None else "–",
            percent(reed.advice.chance_past) if reed.gap_cents is not None or reed.advice.action == "trim" else "–",
            text(reed.why, LONGEST_WHY) if reed.why else "–",
        )
        for reed in run.reeds[:MOST_ROWS]
    ]
    heads = ("reed", "do", "gap now, cents", "pitch now as low A, Hz", "chance past", "why")
    whole = "; ".join(fact for fact in facts if fact)
    head = f"Order {named(order.order, 60)}, chanter {named(order.chanter, 60)}: {whole}"
    return folded(
        head,
        [
            folio.picture(bench.run_map(run)) if any(bench.is_drawn(reed) for reed in run.reeds) else "",
            table(f"The reeds of order {short(order.order, 60)}", heads, rows, words=(0, 1, 5)),
            left_out(MOST_ROWS, len(run.reeds), "reeds", "trimfit ask --all"),
        ],
    )


def finished(findings: Report) -> list[str]:
    """The reeds that have left the bench, those of the latest order first."""
    if not findings.finished:
        return []
    rows = []
    for reed in findings.finished[:MOST_ROWS]:
        tag, words = _LEFT.get(reed.outcome, ("mute", reed.outcome))
        gap = number(reed.last_gap_cents, "+.0f") if reed.last_gap_cents is not None else "–"
        rows.append(
            (
                named(reed.reed, 40),
                named(reed.order, 40) if reed.order else "–",
                f'<span class="tag {tag}">{text(words, 20)}</span>',
                f"{reed.removed_mm:.2f}",
                f"{reed.cuts}",
                gap,
                between(reed.meet_pitch_hz, ".1f"),
                f'<span class="r">{text(reed.left_at, 20)}</span>',
            )
        )
    heads = (
        "reed",
        "order",
        "left as",
        "mm off",
        "cuts",
        "last gap read, cents",
        "F and E meet at, Hz, as it left",
        "when",
    )
    return [
        folded(
            f"{counted(findings.finished_in_all, 'reed')}, the latest order first",
            [
                table("Reeds that have left the bench", heads, rows, words=(0, 1, 2, 7), broad=True),
                left_out(len(rows), findings.finished_in_all, "reeds", "trimfit review reed REED"),
            ],
        )
    ]
