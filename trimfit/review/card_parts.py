"""What every printed A6 card is set with: words in lines, a strip of cents, and the files it becomes."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from pathlib import Path

from trimfit.base.units import Interval
from trimfit.review.pictures.style import LIGHT, Axes, Figure, pdf_bytes, png_bytes, style
from trimfit.review.safe_names import refuse_link

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
    for line in textwrap.wrap(words, 64 if bold else 70):
        put_text(axes, LEFT, top, line, size=7.2, bold=bold)
        top += 3.7
    return top


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
