"""Sections of the page about single reeds on the way and about chanters."""

from __future__ import annotations

from collections.abc import Sequence

from trimfit.base.pitch import NOTES, OUTPUT_WORDS, crow_label
from trimfit.base.plain_words import counted
from trimfit.review.page.html_pieces import folded, named, paragraph, table, text
from trimfit.review.page.page_parts import (
    LONGEST_WHY,
    MOST_ROWS,
    Folio,
    between,
    left_out,
    work_words,
)
from trimfit.review.pictures import bench, reed_in_time
from trimfit.review.results import NOTES_WORDS, ChanterMap, ReedStory, Report, TypeMeets
from trimfit.review.safe_names import sentence, short

MOST_STORIES, MOST_CHANTER_PICTURES, MOST_NOTED = 6, 3, 12


def stories(findings: Report, folio: Folio) -> list[str]:
    """F and E of single reeds closing in on the meeting point, with the cut that is advised."""
    shown = [story for story in findings.stories if story.points or story.fan]
    if not shown:
        return []
    return [
        paragraph(
            "Order by order: the reeds to cut that were read most often, and one reed each that is past, to be read "
            "again, finished or no fit. <code>trimfit review reed REED</code> shows any other.",
            "quiet",
        ),
        *(_story(story, folio) for story in shown[:MOST_STORIES]),
        left_out(MOST_STORIES, len(shown), "reeds", "trimfit review reed REED"),
    ]


def _story(story: ReedStory, folio: Folio) -> str:
    """One reed: its next step in sight, its pictures and reasons folded away."""
    advice, step = story.advice, ""
    parts = [folio.picture(bench.reed_story(story))]
    if story.in_time:
        parts.append(folio.picture(reed_in_time.reed_in_time(story)))
    if advice is not None:
        work = work_words(advice)
        step = f": {bench.ACTION_WORDS[advice.action]}{f' {work}' if work else ''}"
        why = advice.because() or advice.why
        if why:
            parts.append(paragraph(text(sentence(why, LONGEST_WHY), LONGEST_WHY)))
    parts += [
        paragraph(
            f"In doubt, {text(point.taken_at, 40)}: {text(sentence(point.doubt, LONGEST_WHY), LONGEST_WHY)}", "quiet"
        )
        for point in [point for point in story.points if point.doubt][:3]
    ]
    return folded(f"{named(story.reed, 40)}{step}", parts)


def _stock(one: ChanterMap) -> str:
    """Stock for a chanter, as `pick` has it, and how much more there is."""
    order = f"for {named(one.stock_for, 24)}: " if one.stock_for and one.stock else ""
    shown = one.stock_words(6)
    more = one.stock_more + len(one.stock) - len(shown) if one.stock else 0
    said = order + ", ".join(f'<span class="r">{named(said, 60)}</span>' for said in shown)
    return said + (f"; and {more} more" if more else "")


def _meets_words(met: TypeMeets) -> str:
    """Where reeds of one type meet, and how many they are."""
    return f"{counted(met.reeds, 'reed')}, meeting at {between(met.meet_pitch_hz, '.1f')} Hz"


def chanters(findings: Report, folio: Folio) -> list[str]:
    """What each chanter asks for: its meeting pitch and the crow by reed type."""
    if not findings.chanters:
        return []
    ranked = sorted(findings.chanters, key=lambda one: (-one.readings, one.chanter))
    rows = []
    for one in ranked[:MOST_ROWS]:
        meets = {met.reed_type: met for met in one.by_type if len(one.by_type) > 1}
        asked = "<br>".join(
            f"{named(ask.reed_type, 24)}: {crow_label(ask.crow_hz.mean)}, {between(ask.crow_hz, '.0f')} Hz"
            + (f"; {_meets_words(met)}" if (met := meets.pop(ask.reed_type, None)) else "")
            for ask in one.asked
        )
        asked = "<br>".join([asked] * bool(asked) + [f"{named(k, 24)}: {_meets_words(m)}" for k, m in meets.items()])
        g_octave = one.g_octave
        witness = "–"
        if g_octave is not None:
            witness = f"{between(g_octave.offset_hz, '+.1f')} Hz, {'agrees' if g_octave.agrees else 'disagrees'}"
        rows.append(
            (
                named(one.chanter, 40),
                between(one.meet_pitch_hz, ".1f"),
                asked or "–",
                text(told, 60) if (told := one.told_words()) else "–",
                witness,
                f"{one.readings}",
                text(sentence(one.why, LONGEST_WHY), LONGEST_WHY),
            )
        )
    air = ranked[0].air_words()
    heads = (
        "chanter",
        f"meets at, Hz{f' ({air})' if air else ''}",
        "crow it asks for",
        "stated",
        "G octave from low A",
        "readings",
        "in words",
    )
    parts = []
    if any(one.meet_pitch_hz and one.asked for one in findings.chanters):
        parts.append(folio.picture(bench.chanters_map(findings.chanters, folio.looks)))
    parts += [
        table("What each chanter asks for", heads, rows, words=(0, 2, 3, 4, 6), broad=True, leading=2),
        left_out(MOST_ROWS, len(ranked), "chanters", "trimfit review chanters"),
    ]
    stock = [(named(one.chanter, 40), said) for one in ranked[:MOST_ROWS] if (said := _stock(one))]
    caption = "Stock as pick has it: mm to come off, chance that it ends good"
    suits = [table(caption, ("chanter", "stock"), stock, words=(0, 1))] if stock else []
    parts.append(folded("Stock that suits each chanter", suits))
    parts += _notes(ranked)
    with_points = [one for one in ranked if one.points]
    pictures = [folio.picture(bench.chanter_crows(one, folio.looks)) for one in with_points[:MOST_CHANTER_PICTURES]]
    pictures.append(left_out(MOST_CHANTER_PICTURES, len(with_points), "of such pictures"))
    return [*parts, folded("Gap against crow in each chanter", pictures)]


def _notes(ranked: Sequence[ChanterMap]) -> list[str]:
    """Chanter by chanter its notes: in sight what is to be said of them, the figures folded away."""
    told = [one for one in ranked if one.of_notes]
    told.sort(key=lambda one: not any(note.unusual for note in one.notes))
    parts = [
        folded(
            f"{named(one.chanter, 40)}: {text(sentence(one.of_notes, LONGEST_WHY), LONGEST_WHY)}",
            [paragraph(NOTES_WORDS), _note_table(one)],
        )
        for one in told[:MOST_NOTED]
    ]
    parts.append(left_out(MOST_NOTED, len(told), "chanters with such notes", "trimfit review chanters"))
    rest = [one for one in ranked if one.notes and not one.of_notes]
    parts.append(
        folded(
            f"{len(rest)} {'chanter' if len(rest) == 1 else 'chanters'} with no note off",
            [
                paragraph(NOTES_WORDS) if rest else "",
                *(_note_table(one) for one in rest[:MOST_NOTED]),
                left_out(MOST_NOTED, len(rest), "chanters", "trimfit review chanters"),
            ],
        )
    )
    return parts


def _note_table(one: ChanterMap) -> str:
    others = "its kind" if one.kind else "the shop's"
    heads = ("note", "cents from the meeting pitch", f"against {others}, cents")
    rows = [
        (
            OUTPUT_WORDS[note.note] + (' <span class="tag">unusual</span>' if note.unusual else ""),
            "meet there" if note.note in ("e", "f") else between(note.offset_cents),
            between(note.unusual_cents),
        )
        for note in sorted(one.notes, key=lambda note: tuple(NOTES).index(note.note))
    ]
    return table(f"The notes of {short(one.chanter, 40)}, as low A at the meeting point", heads, rows)
