"""Sections of the page about the bench: runs in hand, reeds on the way, chanters."""

from __future__ import annotations

from trimfit.base.pitch import crow_label
from trimfit.review.page.html_pieces import named, paragraph, table, text
from trimfit.review.page.page_parts import MOST_ROWS, Folio, between, left_out, missing, number, percent
from trimfit.review.pictures import bench, reed_in_time
from trimfit.review.results import Report, RunReed
from trimfit.review.safe_names import sentence, short

__all__ = ["chanters", "finished", "runs", "stories"]

MOST_RUNS, MOST_STORIES, MOST_CHANTER_PICTURES = 4, 6, 3
LONGEST_WHY = 600
_TAGS = {"trim": "cut", "read-again": "mute", "finished": "good", "past": "", "no-fit": "mute"}


def runs(findings: Report, folio: Folio) -> list[str]:
    """The reeds in hand, order by order: a chart of gap against pitch and the work list."""
    runs = [run for run in findings.runs if run.reeds]
    idle = [one for one in findings.orders if not one.in_work]
    none_yet = [
        paragraph(f"Order {named(one.order, 60)}, chanter {named(one.chanter, 60)}: {text(one.progress)}.")
        for one in idle[:MOST_ROWS]
    ]
    if not runs and not idle:
        return [
            missing(
                "No reed is in hand for an order.",
                "Log an order (<code>trimfit log order</code>) and name it on its reeds.",
            )
        ]
    parts = []
    for run in runs[:MOST_RUNS]:
        head = f"<h3>Order {named(run.order, 60)}, chanter {named(run.chanter, 60)}</h3>"
        wanted = f"{run.quantity} wanted" if run.quantity else ""
        due = f"due {text(run.due_on, 30)}" if run.due_on else ""
        facts = [text(run.progress)] if run.progress else [wanted, due]
        facts.append(
            f"pitch ordered {run.target_pitch_hz:.1f} Hz" if run.target_pitch_hz else "pitch: wherever F and E meet"
        )
        reeds, rows = run.reeds, []
        for reed in reeds[:MOST_ROWS]:
            work = " and ".join(
                part
                for part in (
                    f"{reed.length_mm:.2f} mm" if reed.length_mm else "",
                    f"{reed.lip_strokes} lip strokes" if reed.lip_strokes else "",
                )
                if part
            )
            rows.append(
                (
                    named(reed.reed, 40),
                    f'<span class="tag {_TAGS[reed.action]}">{_do(reed)}</span>'
                    + (f' <span class="r">{work}</span>' if work else ""),
                    between(reed.gap_cents),
                    f"{reed.pitch_hz.mean:.1f}" if reed.pitch_hz is not None else "–",
                    percent(reed.chance_past) if reed.gap_cents is not None or reed.action == "trim" else "–",
                    text(reed.why, LONGEST_WHY) if reed.why else "",
                )
            )
        heads = ("reed", "do", "gap now, cents", "pitch as low A, Hz", "chance past", "why")
        caption = f"The work list of order {short(run.order, 60)}"
        parts += [
            head,
            paragraph("; ".join(fact for fact in facts if fact) + ".", "quiet"),
            folio.picture(bench.run_map(run)),
        ]
        parts += [
            table(caption, heads, rows, words=(0, 1, 5)),
            left_out(MOST_ROWS, len(reeds), "reeds", "trimfit ask --all"),
        ]
    parts.append(left_out(MOST_RUNS, len(runs), "orders", "trimfit ask --all"))
    return parts + none_yet


def _do(reed: RunReed) -> str:
    """What to do with a reed; one that was never read is not read *again*."""
    return "read it" if reed.action == "read-again" and reed.gap_cents is None else bench.ACTION_WORDS[reed.action]


def finished(findings: Report, folio: Folio) -> list[str]:
    """The reeds that have left the bench, those of the latest order first."""
    if not findings.finished:
        return [
            missing(
                "No reed has left the bench yet.", "Say so when one does: <code>trimfit log outcome REED good</code>."
            )
        ]
    words = {"good": ("good", "good"), "lost": ("", "lost"), "to-stock": ("mute", "to stock")}
    rows = []
    for reed in findings.finished[:MOST_ROWS]:
        tag, said = words.get(reed.outcome, ("mute", reed.outcome))
        gap = number(reed.last_gap_cents, "+.0f") if reed.last_gap_cents is not None else "–"
        rows.append(
            (
                named(reed.reed, 40),
                named(reed.order, 40) if reed.order else "–",
                f'<span class="tag {tag}">{text(said, 20)}</span>',
                f"{reed.removed_mm:.2f}",
                f"{reed.cuts}",
                gap,
                between(reed.meet_pitch_hz, ".1f"),
                f'<span class="r">{text(reed.left_at, 20)}</span>',
            )
        )
    heads = ("reed", "order", "left as", "mm off", "cuts", "last gap read, cents", "meets at, Hz", "when")
    return [
        table("Reeds that have left the bench, the latest order first", heads, rows, words=(0, 1, 2, 7)),
        left_out(len(rows), findings.finished_in_all, "reeds", "trimfit review reed REED"),
    ]


def stories(findings: Report, folio: Folio) -> list[str]:
    """F and E of single reeds closing in on the meeting point, with the cut that is advised."""
    shown = [story for story in findings.stories if story.points or story.fan]
    if not shown:
        return [
            missing(
                "No reed with a reading of F and E is on the bench.",
                "Take one: <code>trimfit log reading REED f=… e=…</code>.",
            )
        ]
    parts = [
        paragraph(
            "Shown are, order by order, the reeds about to be cut that were read most often, and one each of those "
            "past, to be read again, finished or no fit. <code>trimfit review reed REED</code> tells of any.",
            "quiet",
        )
    ]
    for story in shown[:MOST_STORIES]:
        parts.append(folio.picture(bench.reed_story(story)))
        if story.in_time:
            parts.append(folio.picture(reed_in_time.reed_in_time(story)))
        if story.advice is not None:
            said = "; ".join(part for part in (story.advice.reason or story.advice.why, *story.advice.notes) if part)
            if said:
                parts.append(paragraph(f"{named(story.reed, 40)}: {text(sentence(said, LONGEST_WHY), LONGEST_WHY)}"))
        doubts = [point for point in story.points if point.doubt]
        for point in doubts[:3]:
            parts.append(
                paragraph(
                    f"In doubt, {text(point.taken_at, 40)}: {text(sentence(point.doubt, LONGEST_WHY), LONGEST_WHY)}",
                    "quiet",
                )
            )
    return [*parts, left_out(MOST_STORIES, len(shown), "reeds", "trimfit review reed REED")]


def chanters(findings: Report, folio: Folio) -> list[str]:
    """What each chanter asks for: its meeting pitch and the crow by reed type."""
    if not findings.chanters:
        return [missing("No chanter has a reading yet.", "Name the chanter on a reading: <code>--chanter</code>.")]
    ranked = sorted(findings.chanters, key=lambda one: (-one.readings, one.chanter))
    rows = []
    for one in ranked[:MOST_ROWS]:
        asked = "<br>".join(
            f"{named(ask.reed_type, 24)}: {crow_label(ask.crow_hz.mean)}, {between(ask.crow_hz, '.0f')} Hz"
            for ask in one.asked
        )
        g_octave = one.g_octave
        witness = "–"
        if g_octave is not None:
            witness = f"{between(g_octave.offset_hz, '+.1f')} Hz, {'agrees' if g_octave.agrees else 'disagrees'}"
        rows.append(
            (
                named(one.chanter, 40),
                f"{one.readings}",
                between(one.meet_pitch_hz, ".1f"),
                f'<span class="r">{one.told_pitch_hz:.1f}</span>' if one.told_pitch_hz else "–",
                asked or "–",
                witness,
                ", ".join(f'<span class="r">{named(reed, 24)}</span>' for reed in one.suits[:6]) or "–",
                text(sentence(one.why, LONGEST_WHY), LONGEST_WHY),
            )
        )
    said_at = next((one.pressure_kpa for one in ranked if one.pressure_kpa), None)
    kpa = f" at {said_at:.1f} kPa" if said_at else ""
    heads = (
        "chanter",
        "readings",
        f"meets at, Hz{kpa}",
        "stated, Hz",
        "crow it asks for",
        "G octave from low A",
        "stock that suits",
        "in words",
    )
    parts = []
    if any(one.meet_pitch_hz and one.asked for one in findings.chanters):
        parts.append(folio.picture(bench.chanters_map(findings.chanters)))
    parts += [
        table("What each chanter asks for", heads, rows, words=(0, 4, 5, 6, 7)),
        left_out(MOST_ROWS, len(ranked), "chanters", "trimfit review chanters"),
    ]
    with_points = [one for one in ranked if one.points]
    parts += [folio.picture(bench.chanter_crows(one)) for one in with_points[:MOST_CHANTER_PICTURES]]
    return [*parts, left_out(MOST_CHANTER_PICTURES, len(with_points), "chanters' pictures", "trimfit review chanters")]
