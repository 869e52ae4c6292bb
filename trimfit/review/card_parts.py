"""What every printed A6 card is set with: words in lines, a strip of cents, and the files it becomes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from trimfit.base.units import Interval
from trimfit.review.pictures.style import LIGHT, Axes, Figure, pdf_bytes, png_bytes, style, text_width_mm
from trimfit.review.safe_names import refuse_link

_SIZE = 7.2
"""Of the letters of a paragraph, points."""
LEFT, RIGHT, STRIP_LEFT, STRIP_RIGHT = 8.0, 97.0, 62.0, 96.0
"""Edges of the words and of the strip, mm."""


def put_text(
    axes: Axes, x: float, y: float, words: str, *, size: float, bold: bool = False, role: str = "ink", ha: str = "left"
) -> None:
    """Words on one line that stands at y; x, y in mm from the top left, size in points."""
    axes.text(
        x,
        y,
        words,
        fontsize=size,
        fontweight="bold" if bold else "normal",
        color=LIGHT[role],
        ha=ha,
        va="baseline",
        clip_on=True,
    )


def paragraph(axes: Axes, top: float, words: str, *, bold: bool = False) -> float:
    """Words set in lines that fit the card; returns where the next line stands, mm."""
    for line in lines_that_fit(words, bold=bold):
        put_text(axes, LEFT, top, line, size=_SIZE, bold=bold)
        top += 3.7
    return top


def lines_that_fit(words: str, *, bold: bool = False) -> list[str]:
    """Words in lines that end before the right margin, by the widths of their letters; a word that is longer than a
    line is broken. Called inside the pictures' style."""

    def fits(line: str) -> bool:
        return text_width_mm(line, _SIZE, bold=bold) <= RIGHT - LEFT

    lines, waiting = [""], words.split()[::-1]
    while waiting:
        word = waiting.pop()
        longer = f"{lines[-1]} {word}".strip()
        if fits(longer):
            lines[-1] = longer
        elif lines[-1]:
            lines.append("")
            waiting.append(word)
        else:
            most = next(count for count in range(len(word) - 1, 0, -1) if count == 1 or fits(word[:count]))
            lines[-1] = word[:most]
            waiting.append(word[most:])
    return lines


def whole_parts(text: str, room: int, more: str) -> list[str]:
    """A text of parts with `;` between them in so many lines at most: as many whole parts as there is room for, and
    where some are left out, the line `more`."""
    parts = text.split("; ")
    for kept in range(len(parts), 0, -1):
        lines = lines_that_fit("; ".join(parts[:kept])) + ([more] if kept < len(parts) else [])
        if len(lines) <= room:
            return lines
    return [more] if room > 0 else []


def between(value: Interval, unit: str, most: int) -> str:
    """A value with its interval, as `469.2 Hz (468.1 to 470.3)`, with as many decimals as are known, `most` at most."""
    mean, low, high = (f"{x:.{value.decimals(most)}f}" for x in (value.mean, value.low, value.high))
    return f"{mean} {unit} ({low} to {high})"


def pdf_and_png(draw: Callable[[], Figure]) -> tuple[bytes, bytes]:
    """A card as PDF (105 × 148 mm) and as PNG. draw: makes its figure, called inside the pictures' style."""
    with style():
        figure = draw()
        return pdf_bytes(figure), png_bytes(figure, dpi=200)


def write_files(folder: Path, name: str, contents: tuple[bytes, bytes]) -> list[Path]:
    """Write NAME.pdf and NAME.png into `folder`, made if needed. Raises OSError where it cannot be written."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{name}.{ending}" for ending in ("pdf", "png")]
    for path, content in zip(paths, contents, strict=True):
        refuse_link(path)
        path.write_bytes(content)
    return paths
