"""A chanter's own sheet: what it asks for and where each of its notes lies, one A6 page as PDF and PNG."""

from __future__ import annotations

from pathlib import Path

from trimfit.base.pitch import NOTES, crow_label
from trimfit.review.card_parts import (
    LEFT,
    RIGHT,
    STRIP_LEFT,
    STRIP_RIGHT,
    between,
    paragraph,
    pdf_and_png,
    put_text,
    whole_parts,
    write_files,
)
from trimfit.review.page.page_parts import number
from trimfit.review.pictures.shop import OUTPUT_WORDS
from trimfit.review.pictures.style import LIGHT, Axes, Figure, card, plain
from trimfit.review.results import ChanterMap, ChanterNote
from trimfit.review.safe_names import file_stem

_ROW_MM, _STRIP_CENTS, _FIRST_COLUMN_MM = 5.4, 25.0, 35.0
_LAST_LINE_MM = 138.0
_MOST_TYPES = 5
_KEY = "Marks: at the meeting point; large: unusual. Bars, brackets: nine times in ten."


def write(folder: Path, chanter: ChanterMap, stem: str = "") -> list[Path]:
    """Write `chanter-NAME.pdf` and `chanter-NAME.png` into `folder`, made if needed; the same sheet, the same bytes.
    stem: the chanter's, among several.

    Raises OSError where the folder cannot be written.
    """
    return write_files(folder, f"chanter-{stem or file_stem(chanter.chanter)}", pdf_and_png(lambda: draw(chanter)))


def draw(chanter: ChanterMap) -> Figure:
    """The sheet, to be drawn inside `style.style()`."""
    figure, axes = card()
    axes.plot([LEFT, RIGHT], [6.0, 6.0], color=LIGHT["sand"], linewidth=3.0)
    put_text(axes, LEFT, 14.0, f"Chanter {plain(chanter.chanter, 20)}", size=15.0, bold=True)
    kind = f"kind {plain(chanter.kind, 40)}" if chanter.kind else "of no kind that was named"
    put_text(axes, LEFT, 19.2, kind, size=8.5, role="mute")
    top = 25.6
    for name, value in _facts(chanter):
        put_text(axes, LEFT, top, name, size=7.5, role="mute")
        put_text(axes, 40.0, top, value, size=8.2, bold=name == "meets at")
        top += 4.5
    top = _notes(axes, chanter, top + 2.0)
    room = max(int((_LAST_LINE_MM - top - 4.0) / 3.7), 1)
    top += 4.4
    for line in whole_parts(plain(chanter.why, 10_000), room, "More is said by: trimfit review chanters."):
        top = paragraph(axes, top, line)
    reeds = f"{chanter.reeds} reed{'' if chanter.reeds == 1 else 's'}"
    counted = " (F and E with no tape, no slip)" if chanter.readings else ""
    rests = f"Rests on {chanter.readings} reading{'' if chanter.readings == 1 else 's'} of {reeds}{counted}."
    put_text(axes, LEFT, 143.0, rests, size=6.3, role="mute")
    put_text(axes, LEFT, 145.8, _KEY, size=6.3, role="mute")
    return figure


def _facts(chanter: ChanterMap) -> list[tuple[str, str]]:
    """Name and value of each line in the head of the sheet; what is not known says so."""
    meets = between(chanter.meet_pitch_hz, "Hz", 1) if chanter.meet_pitch_hz else "not known"
    facts = [("meets at", meets)]
    if told := chanter.told_words():
        facts.append(("stated", plain(told, 44)))
    if chanter.air_words():
        facts.append(("blown at", chanter.air_words()))
    for asked in chanter.asked[:_MOST_TYPES]:
        crow = f"{crow_label(asked.crow_hz.mean)}, {between(asked.crow_hz, 'Hz', 0)}"
        facts.append((f"crow, {plain(asked.reed_type, 14)}", crow))
    return facts


def _notes(axes: Axes, chanter: ChanterMap, top: float) -> float:
    """Note by note, cents from the meeting pitch and against its kind, with a strip; where the next line stands."""
    by_key = {note.note: note for note in chanter.notes}
    notes = [by_key[key] for key in NOTES if key in by_key]
    if not notes:
        return paragraph(axes, top + 3.0, "No note was read in it.")
    against = "its kind" if chanter.kind else "the shop's"
    heads = (
        (LEFT, "left", "note"),
        (_FIRST_COLUMN_MM, "right", "cents from pitch"),
        (59.0, "right", f"against {against}"),
    )
    for x, ha, words in heads:
        put_text(axes, x, top + 3.0, words, size=6.6, role="mute", ha=ha)
    middle, scale = (STRIP_LEFT + STRIP_RIGHT) / 2, (STRIP_RIGHT - STRIP_LEFT) / (2 * _STRIP_CENTS)
    foot = top + 5.0 + _ROW_MM * len(notes)
    for cents in (-20, -10, 0, 10, 20):
        x = middle + cents * scale
        axes.plot([x, x], [top + 5.0, foot], color=LIGHT["good" if cents == 0 else "grid"], linewidth=0.8)
        put_text(axes, x, top + 3.0, number(cents, "+.0f"), size=6.2, role="mute", ha="center")
    for place, note in enumerate(notes):
        _note_row(axes, note, top + 5.0 + _ROW_MM * (place + 0.5), middle, scale)
    return foot


def _note_row(axes: Axes, note: ChanterNote, y: float, middle: float, scale: float) -> None:
    off, role = note.offset_cents, {"f": "f", "e": "e"}.get(note.note, "ink")
    put_text(axes, LEFT, y + 1.1, OUTPUT_WORDS[note.note], size=8.0, bold=note.unusual)
    put_text(axes, _FIRST_COLUMN_MM, y + 1.1, number(off.mean, "+.1f"), size=8.0, bold=note.unusual, ha="right")
    unusual = number(note.unusual_cents.mean, "+.1f") + (" !" if note.unusual else "")
    put_text(axes, 59.0, y + 1.1, unusual, size=8.0, bold=note.unusual, ha="right")
    low, mean, high = (min(_STRIP_CENTS, max(-_STRIP_CENTS, cents)) for cents in (off.low, off.mean, off.high))
    axes.plot([middle + scale * low, middle + scale * high], [y, y], color=LIGHT["mute"], linewidth=1.2)
    marker = "o" if abs(off.mean) <= _STRIP_CENTS else ">" if off.mean > 0 else "<"
    axes.plot([middle + scale * mean], [y], marker, color=LIGHT[role], markersize=6.4 if note.unusual else 4.2)
