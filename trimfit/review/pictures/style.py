"""The stylesheet of every picture, and the way from a drawn sheet to SVG, PNG and PDF. The only file with matplotlib.

Colours have roles, and a page may give a role another value (dark paper): `inline_svg` turns each role's colour
into a CSS variable. Colour never carries a meaning alone: shape, dash or filling says the same.
The same sheet gives the same bytes: no dates, no program versions, fixed salt for ids.
"""

from __future__ import annotations

import gc
import html
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any

import matplotlib
import matplotlib.style
from matplotlib.axes import Axes as Axes
from matplotlib.figure import Figure as Figure  # for all that draws: the one file with matplotlib
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.textpath import text_to_path
from matplotlib.ticker import MaxNLocator

from trimfit.base.units import Interval
from trimfit.review.safe_names import short

# Role -> colour. Light is what pictures are drawn in; dark is what the page swaps in on dark paper.
LIGHT = {
    "paper": "#fcf9f3",
    "ink": "#2b2620",
    "mute": "#675e53",
    "grid": "#e2dacd",
    "f": "#ad4516",
    "e": "#1c5d9b",
    "cut": "#6d3f8c",
    "good": "#226b4d",
    "past": "#97183f",
    "sand": "#c9b48b",
    "teal": "#0f7480",
    "ochre": "#8a6500",
    "plum": "#7b3b6d",
    "moss": "#56701c",
    "slate": "#4c5a6b",
    "brown": "#6f4a34",
}
DARK = {
    "paper": "#1c1916",
    "ink": "#ece5d9",
    "mute": "#b8ad9e",
    "grid": "#3b352e",
    "f": "#f3a273",
    "e": "#8bc0f2",
    "cut": "#cda9e8",
    "good": "#82cfa9",
    "past": "#f590ad",
    "sand": "#7d6b48",
    "teal": "#6cc9d4",
    "ochre": "#dfb84f",
    "plum": "#dba0cc",
    "moss": "#b5cf72",
    "slate": "#a9bacd",
    "brown": "#d2a98f",
}
# Reed types: role and marker, always together, and neither that of F, E or of an advice.
TYPE_SERIES: tuple[tuple[str, str], ...] = (
    ("teal", "^"),
    ("ochre", "P"),
    ("plum", "h"),
    ("moss", "<"),
    ("slate", "*"),
    ("brown", ">"),
)
Looks = Mapping[str, tuple[str, str]]
WIDE_IN, NARROW_IN, A6_IN = 7.4, 4.1, (105 / 25.4, 148 / 25.4)
_FONT = "DejaVu Sans"
_RC: dict[Any, Any] = {
    "font.family": [_FONT],
    "font.size": 9.5,
    "text.color": LIGHT["ink"],
    "text.parse_math": False,
    "axes.edgecolor": LIGHT["mute"],
    "axes.labelcolor": LIGHT["ink"],
    "axes.titlecolor": LIGHT["ink"],
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.5,
    "axes.facecolor": LIGHT["paper"],
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "axes.formatter.useoffset": False,
    "axes.formatter.use_mathtext": False,
    "grid.color": LIGHT["grid"],
    "grid.linewidth": 0.7,
    "xtick.color": LIGHT["mute"],
    "ytick.color": LIGHT["mute"],
    "xtick.labelcolor": LIGHT["ink"],
    "ytick.labelcolor": LIGHT["ink"],
    "xtick.labelsize": 9,
    "ytick.labelsize": 9,
    "figure.facecolor": LIGHT["paper"],
    "savefig.facecolor": LIGHT["paper"],
    "figure.constrained_layout.h_pad": 0.1,
    "figure.constrained_layout.w_pad": 0.1,
    "legend.frameon": False,
    "legend.fontsize": 9,
    "legend.handlelength": 1.6,
    "legend.columnspacing": 1.4,
    "legend.borderaxespad": 0.2,
    "hatch.linewidth": 0.6,
    "hatch.color": LIGHT["sand"],
    "lines.linewidth": 1.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "trimfit",
    "pdf.compression": 6,
    "path.simplify": True,
}


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture not yet drawn. `key`: file stem; `caption`: the sentence that says what to see; `words`: what the
    picture shows, for those who cannot see it; `draw(narrow)`: draws the sheet, inside `style()`."""

    key: str
    title: str
    caption: str
    words: str
    draw: Callable[[bool], Figure]


@dataclass(frozen=True, slots=True)
class Rendered:
    """A picture in its finished forms: SVG wide and narrow (text), PNG of the wide one (bytes)."""

    wide_svg: str
    narrow_svg: str
    png: bytes


def type_looks(names: Iterable[str]) -> Looks:
    """Role and marker of each reed type, by the order of their names: one look a type on all pictures of a page."""
    return {name: TYPE_SERIES[index % len(TYPE_SERIES)] for index, name in enumerate(sorted(set(names)))}


def settle(figure: Figure) -> None:
    """Lay the sheet out once and for all, so that neither naming points nor saving does it again."""
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
        figure.set_layout_engine(None)  # "none" would leave a stand-in, for which saving draws once more


@contextmanager
def style() -> Iterator[None]:
    """The stylesheet, in force inside the block whatever the user's own matplotlib settings are."""
    with matplotlib.style.context("default"), matplotlib.rc_context(_RC):
        yield


def sheet(
    narrow: bool,
    rows: int = 1,
    columns: int = 1,
    *,
    height_in: float = 4.0,
    narrow_height_in: float = 4.2,
    sharex: bool = False,
    height_ratios: Sequence[float] | None = None,
) -> tuple[Figure, list[Axes]]:
    """An empty sheet with rows × columns fields; a narrow sheet stacks all fields in one column."""
    if narrow:
        rows, columns = rows * columns, 1
    figure = Figure(
        figsize=(NARROW_IN if narrow else WIDE_IN, narrow_height_in if narrow else height_in), layout="constrained"
    )
    ratios = height_ratios if height_ratios is not None and len(height_ratios) == rows else None
    fields = figure.subplots(rows, columns, squeeze=False, sharex=sharex, height_ratios=ratios)
    return figure, list(fields.flat)


def card() -> tuple[Figure, Axes]:
    """An empty A6 card, upright, with one bare field over all of it measured in millimetres from the top left."""
    figure = Figure(figsize=A6_IN)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, 105.0)
    axes.set_ylim(148.0, 0.0)
    axes.set_axis_off()
    return figure, axes


@cache
def _drawable() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties(family=_FONT))).get_charmap())


def text_width_mm(line: str, size_points: float, *, bold: bool = False) -> float:
    """How wide a line of text is set in the pictures' font, inside their style."""
    font = FontProperties(size=size_points, weight="bold" if bold else "normal")
    width_points, _, _ = text_to_path.get_text_width_height_descent(line, font, False)
    return float(width_points) * 25.4 / 72.0


def plain(text: str, limit: int = 22) -> str:
    """`text` on one line of at most `limit` characters, with a hollow box for what the pictures' font cannot draw."""
    line = short(text, limit).replace("\u200c", "").replace("\u200d", "")
    return "".join(character if ord(character) in _drawable() else "\u25a1" for character in line)


def marks(
    axes: Axes,
    x: Sequence[float],
    y: Sequence[float],
    marker: str,
    role: str,
    *,
    size: float = 6.5,
    face: str | None = None,
    **more: Any,
) -> None:
    """Marks of one kind at points (x, y); face: the role of their inside, or `none`, where it is not the marks' own;
    more: what else `Axes.plot` takes."""
    inside = LIGHT.get(face or role, face)
    axes.plot(x, y, marker, color=LIGHT[role], markerfacecolor=inside, markersize=size, **more)


def band(axes: Axes, x: Sequence[float], values: Sequence[Interval], role: str, dash: str, label: str) -> None:
    """Uncertain values along x: a line of their means in the band of their intervals."""
    low, high = [value.low for value in values], [value.high for value in values]
    axes.fill_between(x, low, high, color=LIGHT[role], alpha=0.2, linewidth=0)
    axes.plot(x, [value.mean for value in values], color=LIGHT[role], linestyle=dash, label=label)


def interval_y(axes: Axes, x: float, value: Interval, role: str, width: float = 1.2, alpha: float = 1.0) -> None:
    """An upright bar over an uncertain value's interval."""
    axes.plot([x, x], [value.low, value.high], color=LIGHT[role], linewidth=width, alpha=alpha, solid_capstyle="butt")


def intervals_y(
    axes: Axes, places: Sequence[float], values: Sequence[Interval], role: str, width: float = 1.2, alpha: float = 1.0
) -> None:
    """Upright bars over many uncertain values at once: one mark per place."""
    low, high = [value.low for value in values], [value.high for value in values]
    axes.vlines(places, low, high, colors=LIGHT[role], linewidth=width, alpha=alpha)


def interval_x(axes: Axes, y: float, value: Interval, role: str, width: float = 1.2, alpha: float = 1.0) -> None:
    """A level bar over an uncertain value's interval."""
    axes.plot([value.low, value.high], [y, y], color=LIGHT[role], linewidth=width, alpha=alpha, solid_capstyle="butt")


def whole_numbers(axes: Axes) -> None:
    """Ticks at whole numbers only along the level axis."""
    axes.xaxis.set_major_locator(MaxNLocator(nbins=8, integer=True, min_n_ticks=1))


def key_below(figure: Figure, axes: Axes, columns: int) -> None:
    """The key of `axes` under the whole sheet, so that it never lies on a mark; none if nothing is labelled."""
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        figure.legend(handles, labels, loc="outside lower left", ncols=max(1, min(columns, len(labels))))


MOST_FAR = 30
FAR_LINE = {"arrowstyle": "-", "color": LIGHT["mute"], "linewidth": 0.6, "shrinkA": 0.0, "shrinkB": 2.0}


def name_points(
    axes: Axes,
    points: Sequence[tuple[float, float, str]],
    *,
    size: float = 8.0,
    bold: bool = False,
    avoid: Sequence[tuple[float, float]] = (),
    aslant: bool = False,
) -> int:
    """Write names beside points where there is room; returns how many were written.

    Earlier points go first; `aslant` prefers the corners, clear of upright and level bars. A name that would cross
    another name, a point or the field's edge stands further off, with a line to its point; where that does not do
    either, or of more than `MOST_FAR` names, it is left out.
    """
    figure = axes.get_figure()
    if not isinstance(figure, Figure) or not points:
        return 0
    settle(figure)
    canvas = axes.get_window_extent()
    unit = figure.dpi / 72.0
    place = axes.transData.transform
    marks = [tuple(place((x, y))) for x, y, _ in points] + [tuple(place(point)) for point in avoid]
    taken: list[tuple[float, float, float, float]] = []
    gap = 5.0 * unit
    sides = [(gap, 0.0, "left", "center"), (-gap, 0.0, "right", "center")]
    sides += [(0.0, gap, "center", "bottom"), (0.0, -gap, "center", "top")]
    corners = [
        (dx, dy, "left" if dx > 0 else "right", "bottom" if dy > 0 else "top")
        for dy in (gap, -gap)
        for dx in (gap, -gap)
    ]
    places = [(1, *place) for place in (corners + sides if aslant else sides + corners)]
    if len(points) <= MOST_FAR:
        places += [(reach, reach * dx, reach * dy, ha, va) for reach in (3, 5, 8) for dx, dy, ha, va in corners + sides]
    written = 0
    for (x, y, name), (px, py) in zip(points, marks, strict=False):
        width, height = (0.64 if bold else 0.58) * size * unit * len(name), 1.2 * size * unit
        for reach, dx, dy, ha, va in places:
            left = px + dx - {"left": 0.0, "right": width, "center": width / 2}[ha]
            low = py + dy - {"bottom": 0.0, "top": height, "center": height / 2}[va]
            box = (left, low, left + width, low + height)
            inside = box[0] >= canvas.x0 and box[2] <= canvas.x1 and box[1] >= canvas.y0 and box[3] <= canvas.y1
            near = 3.5 * unit
            clear = not any(_cross(box, other) for other in taken) and not any(
                box[0] - near < mx < box[2] + near and box[1] - near < my < box[3] + near
                for mx, my in marks
                if (mx, my) != (px, py)
            )
            if inside and clear:
                axes.annotate(
                    name,
                    (x, y),
                    xytext=(dx / unit, dy / unit),
                    textcoords="offset points",
                    ha=ha,
                    va=va,
                    fontsize=size,
                    fontweight="bold" if bold else "normal",
                    annotation_clip=True,
                    arrowprops=FAR_LINE if reach > 1 else None,
                )
                taken.append(box)
                written += 1
                break
    return written


def _cross(one: tuple[float, float, float, float], two: tuple[float, float, float, float]) -> bool:
    return one[0] < two[2] and two[0] < one[2] and one[1] < two[3] and two[1] < one[3]


def render(picture: Picture) -> Rendered:
    """Draw a picture wide and narrow, and give both as SVG and the wide one as PNG."""
    with style(), _uncollected():
        wide, narrow = picture.draw(False), picture.draw(True)
        settle(wide)
        settle(narrow)
        return Rendered(_svg(wide), _svg(narrow), _png(wide, 132))


@contextmanager
def _uncollected() -> Iterator[None]:
    """No garbage collection meanwhile: a sheet is very many small objects that all live until it is done, and looking
    through them again and again takes a sixth of the time."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def png_bytes(figure: Figure, dpi: int = 132) -> bytes:
    """The sheet as PNG; no date and no program name inside."""
    with style():
        return _png(figure, dpi)


def _png(figure: Figure, dpi: int) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    return buffer.getvalue()


def pdf_bytes(figure: Figure) -> bytes:
    """The sheet as PDF; no dates and no program name inside."""
    buffer = io.BytesIO()
    with style():
        figure.savefig(buffer, format="pdf", metadata={"CreationDate": None, "Creator": None, "Producer": None})
    return buffer.getvalue()


def _svg(figure: Figure) -> str:
    """The sheet as a stand-alone SVG file: words stay words, numbers have two decimals, no metadata."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = buffer.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<!DOCTYPE.*?>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = text.replace("</style>", f"text{{{_SVG_FONT}}}</style>", 1)
    return re.sub(r">\s*\n\s*<", ">\n<", re.sub(r"<[^>]*>", lambda tag: _slim(tag[0]), text))


def _slim(tag: str) -> str:
    """One tag with its coordinates rounded, line ends folded, and what the stylesheet says left out."""
    tag = re.sub(
        r' (d|x|y|points|transform)="([^"]*)"',
        lambda found: f' {found[1]}="{re.sub(_LONG, _two, found[2])}"' if "matrix" not in found[2] else found[0],
        tag,
    )
    tag = re.sub(r' transform="rotate\(-?0 [^"]*"', "", re.sub(r"\s+", " ", tag))
    return tag.replace(f"font-family: '{_FONT}'; ", "").replace(' "/>', '"/>')


_SVG_FONT = f"font-family:'{_FONT}',Verdana,sans-serif"
_LONG = re.compile(r"-?\d+\.\d{3,}")


def _two(number: re.Match[str]) -> str:
    return f"{float(number[0]):.2f}".rstrip("0").rstrip(".")


def inline_svg(svg: str, key: str, title: str, words: str, css_class: str) -> str:
    """A stand-alone SVG made ready to stand inside a page.

    Colours become CSS variables (`--f` and so on, which the page must set), ids get `key` in front or are
    dropped where nothing points at them, and title and description are put inside for those who listen.
    """
    body = re.sub(r"^.*?<svg[^>]*>", "", svg, count=1, flags=re.DOTALL)
    box = re.search(r'viewBox="([^"]*)"', svg)
    body = re.sub(r"<style[^>]*>.*?</style>\s*", "", body, count=1, flags=re.DOTALL)
    body = re.sub(r"<defs>\s*</defs>\s*", "", body)
    wanted = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', body))
    roles = {colour: role for role, colour in LIGHT.items()}

    def dress(found: re.Match[str]) -> str:
        tag = re.sub(r' id="([^"]*)"', lambda i: f' id="{key}-{i[1]}"' if i[1] in wanted else "", found[0])
        tag = re.sub(r'(url\(#|href="#)', rf"\g<1>{key}-", tag).replace("xlink:href", "href")
        return re.sub(r"#[0-9a-f]{6}\b", lambda c: f"var(--{roles[c[0]]})" if c[0] in roles else c[0], tag)

    body = re.sub(r"<[^>]*>", dress, body)
    head = (
        f'<svg class="{css_class}" role="img" aria-labelledby="{key}-t {key}-d" viewBox="{box[1] if box else ""}">'
        f'<title id="{key}-t">{html.escape(title)}</title><desc id="{key}-d">{html.escape(words)}</desc>'
    )
    return head + body.strip().replace("\n", "")
