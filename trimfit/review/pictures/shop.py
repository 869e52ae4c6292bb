"""Pictures of the shop: batches in the order of making, control charts, what each type answers, predicted and found."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from trimfit.base import pitch
from trimfit.base.plain_words import counted
from trimfit.base.units import Interval
from trimfit.review.pictures.style import (
    LIGHT,
    Axes,
    Figure,
    Looks,
    Picture,
    interval_x,
    intervals_y,
    key_below,
    marks,
    name_points,
    plain,
    sheet,
    type_looks,
    whole_numbers,
)
from trimfit.review.results import BatchDrift, Chart, ChartPoint, DriftLimits, TypeResponse, Validation, ValidationRow
from trimfit.review.safe_names import file_stem, sentence, short

if TYPE_CHECKING:
    from trimfit.regression.coefficients import Term

MOST_BATCHES, MOST_BINS, MOST_DRIFTED, MOST_NAMED = 120, 60, 40, 12
MOST_CHART_POINTS, MOST_MISSES, MOST_TYPES, MOST_TICKED = 150, 140, 6, 8
OUTPUT_WORDS = {
    "gap": "gap",
    **pitch.OUTPUT_WORDS,
    "bottom": "bottom hand",
    "top": "top hand",
    "all": "all notes",
}
# Term -> heading, axis label, outputs drawn in this order.
TERM_WORDS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "per_mm": ("The first half millimetre", "cents per mm", ("f", "e", "gap", "crow")),
    "per_stroke": ("A stroke on the lips", "cents per stroke", ("f", "e", "gap", "crow", "low_a")),
    "per_kpa": ("Blowing harder", "cents per kPa", ("bottom", "top")),
    "per_degc": ("A warmer room", "cents per °C", ("all", "gap", "crow", "low_a")),
}


def batches(found: Sequence[BatchDrift], limits: DriftLimits, looks: Looks | None = None) -> Picture:
    """Batches in the order of making: where they start, how they answer a cut, how they settle. looks: of the page's
    types."""
    made = sorted(found, key=lambda batch: (batch.made_index, batch.made_on or "", batch.reed_type, batch.batch))
    looks = looks or type_looks(batch.reed_type for batch in made)
    drifted = sorted((b for b in made if b.drifted), key=lambda b: (-b.chance_drifted, b.batch))
    if drifted:
        names = ", ".join(short(batch.batch, 24) for batch in drifted[:5])
        more = f" and {len(drifted) - 5} more" if len(drifted) > 5 else ""
        caption = (
            f"Filled and named: {names}{more} left the norm of the type, which is the zero line, by more "
            "than the grey band, and more than batches here differ in the ordinary way."
        )
    else:
        unsure = sum(batch.unsure for batch in made)
        caption = (
            "No batch is called drifted: of none is it sure that it left the norm of its type, the zero line, by more "
            "than the grey band and by more than batches here differ in the ordinary way."
        ) + (f" Of {unsure} too little was read to say." if unsure else "")
    thinned = len(made) > MOST_BATCHES
    if thinned:
        caption += (
            f" Of {len(made)} batches the rest are drawn as a ribbon that holds nine in ten of them at each place."
        )
        if len(drifted) > MOST_DRIFTED:
            caption += f" The {MOST_DRIFTED} surest drifted ones are marked."
    settles = any(batch.settle_cents_per_week is not None for batch in made)

    def draw(narrow: bool) -> Figure:
        panels: list[tuple[str, str, float]] = [
            ("start_shift_cents", "starts sharp (+) or flat\n(cents)", limits.start_cents),
            ("response_shift_pct", "answers a cut more (+)\nor less (%)", limits.response_pct),
        ]
        if settles:
            settle_limit = limits.settle_cents_per_week
            panels.append(("settle_shift_cents_per_week", "moves by itself\n(cents a week)", settle_limit))
        figure, fields = sheet(
            narrow,
            len(panels),
            1,
            height_in=1.6 * len(panels) + 0.9,
            narrow_height_in=1.8 * len(panels) + 1.0,
            sharex=True,
            height_ratios=[2.0, 2.0, 1.0] if settles else None,
        )
        shown = [_known(made, key) for key, _, _ in panels]
        for axes, known, (_, label, limit) in zip(fields, shown, panels, strict=True):
            axes.axhspan(-limit, limit, color=LIGHT["mute"], alpha=0.13, linewidth=0)
            axes.axhline(0.0, color=LIGHT["mute"], linewidth=1.0)
            _batch_panel(axes, known, drifted, thinned, looks)
            reach = _reach(known, limit)
            axes.set_ylim(-reach, reach)
            axes.set_ylabel(label, fontsize=8.5)
        fields[-1].set_xlabel(_in_which_order(made))
        if len(made) <= MOST_TICKED:
            names = [plain(batch.batch, 8 if len(made) > 6 else 12) for batch in made]
            fields[-1].set_xticks(range(1, len(made) + 1), names)
        else:
            whole_numbers(fields[-1])
        key_below(figure, fields[0], 2 if narrow else 4)
        for axes, known in zip(fields, shown, strict=True):
            spots = [(x, value.mean, plain(batch.batch, 12)) for x, batch, value in _of(known, drifted[:MOST_NAMED])]
            name_points(axes, spots, bold=True, avoid=[] if thinned else [(x, value.mean) for x, _, value in known])
        return figure

    listing = " ".join(f"{short(batch.batch, 30)}: {sentence(batch.why)}" for batch in drifted[:8])
    title = _in_which_order(made)
    return Picture("batches", title[0].upper() + title[1:], caption, f"{caption} {listing}", draw)


def _in_which_order(made: Sequence[BatchDrift]) -> str:
    """In what order batches stand side by side: the day of making of some may not be known."""
    dated = sum(1 for batch in made if batch.made_on)
    if not dated:
        return "batches by name, no day of making known"
    rest = "" if dated == len(made) else ", undated ones last"
    return f"batches in the order of making{rest}"


_Known = tuple[float, BatchDrift, Interval]
"""A batch with its place in the order of making and its deviation from the norm of its type in one respect."""


def _known(made: Sequence[BatchDrift], key: str) -> list[_Known]:
    """What a panel shows: the batches of which it is known."""
    values = [(float(x), batch, getattr(batch, key)) for x, batch in enumerate(made, start=1)]
    return [one for one in values if one[2] is not None]


def _of(known: Sequence[_Known], batches: Sequence[BatchDrift]) -> list[_Known]:
    """Those of these batches, in their order."""
    at = {id(one[1]): one for one in known}
    return [at[id(batch)] for batch in batches if id(batch) in at]


def _reach(known: Sequence[_Known], limit: float) -> float:
    """How far a panel reaches either way: all means are inside, and the drifted ones' bars; the bars of the least known
    batches may run out."""
    if not known:
        return 1.3 * limit
    ends = [max(abs(value.low), abs(value.high)) for _, _, value in known]
    far = [1.05 * end for end, (_, batch, _) in zip(ends, known, strict=True) if batch.drifted]
    means = [abs(value.mean) for _, _, value in known]
    return max(1.3 * limit, 1.2 * max(means), 1.05 * float(np.percentile(ends, 75)), *far)


def _batch_panel(
    axes: Axes, known: Sequence[_Known], drifted: Sequence[BatchDrift], thinned: bool, looks: Looks
) -> None:
    rest = [one for one in known if not one[1].drifted]
    if thinned and rest:
        at = np.array([x for x, _, _ in rest])
        means = np.array([value.mean for _, _, value in rest])
        bins = np.array_split(np.arange(len(at)), min(MOST_BINS, len(at)))
        middle = [float(at[part].mean()) for part in bins]
        low, high = ([float(np.percentile(means[part], share)) for part in bins] for share in (5, 95))
        axes.fill_between(middle, low, high, color=LIGHT["sand"], alpha=0.5, linewidth=0, label="nine in ten batches")
        medians = [float(np.median(means[part])) for part in bins]
        axes.plot(middle, medians, color=LIGHT["ink"], linewidth=1.0, label="their middle")
    elif rest:
        intervals_y(axes, [x for x, _, _ in rest], [value for _, _, value in rest], "mute", 0.9, 0.6)
        for name in sorted({batch.reed_type for _, batch, _ in rest}):
            role, marker = looks[name]
            mine = [(x, value.mean) for x, batch, value in rest if batch.reed_type == name]
            places, means_of = [x for x, _ in mine], [mean for _, mean in mine]
            marks(axes, places, means_of, marker, role, size=5.5, face="paper", label=plain(name))
    far = _of(known, drifted[:MOST_DRIFTED])
    if far:
        width, alpha, size = (0.9, 0.6, 4.5) if len(far) > 15 else (1.6, 1.0, 6.5)
        x, values = [x for x, _, _ in far], [value for _, _, value in far]
        intervals_y(axes, x, values, "past", width, alpha)
        y = [value.mean for value in values]
        marks(axes, x, y, "D", "past", size=size, zorder=5, label="called drifted")


def _batch_made(point: ChartPoint) -> str:
    return short(point.label, 20) + (f" (made {point.made_on})" if point.made_on else "")


def _changed_where(chart: Chart) -> str:
    """Where the change is that a chart signals. An average or a sum goes beyond its limits by all batches since it left
    the centre: the first of them and the last beyond, of the latest such run."""
    if chart.kind not in ("ewma", "cusum"):
        return "Something changed there."
    last = max(i for i, point in enumerate(chart.points) if point.signal)
    end = chart.points[last]
    down = end.value < chart.centre
    if end.second is not None and end.lower is not None:
        down = end.second < end.lower

    def off_centre(point: ChartPoint) -> bool:
        value = point.value if point.second is None or not down else point.second
        return value < chart.centre if down else value > chart.centre

    first = last
    while first > 0 and off_centre(chart.points[first - 1]):
        first -= 1
    if first == last:
        return f"It left the centre with {short(end.label, 20)} alone."
    run = f"from {_batch_made(chart.points[first])} to {_batch_made(end)}"
    return f"The latest run that led beyond them is of {last - first + 1} batches, {run}. Something changed in it."


def control_chart(chart: Chart, index: int = 0, looks: Looks | None = None) -> Picture:
    """A control chart: points in the order of making, centre, limits, and the points that signal. looks: of the page's
    types."""
    role, marker = (looks or type_looks([chart.reed_type]))[chart.reed_type]
    points = chart.points[-MOST_CHART_POINTS:]
    first = len(chart.points) - len(points) + 1
    signals = [point for point in points if point.signal]
    if signals:
        named = ", ".join(_batch_made(point) for point in signals[:5])
        more = f" and {len(signals) - 5} more" if len(signals) > 5 else ""
        caption = f"Ringed points lie beyond the dashed limits: {named}{more}. {_changed_where(chart)}"
    else:
        caption = "All points lie within the dashed limits: nothing but chance is seen."
    if chart.why:
        caption = f"{sentence(chart.why)} {caption}"
    if first > 1:
        caption += f" The latest {len(points)} of {len(chart.points)} points are drawn."
    kinds = {"individuals": "each batch", "ewma": "moving average (EWMA)", "cusum": "sum (CUSUM)"}

    def draw(narrow: bool) -> Figure:
        figure, (axes,) = sheet(narrow, height_in=3.3, narrow_height_in=3.6)
        at = list(range(first, first + len(points)))
        axes.axhline(chart.centre, color=LIGHT["mute"], linewidth=1.1, label="centre")
        for side, label in (("upper", "limits"), ("lower", None)):
            limit = [np.nan if getattr(point, side) is None else float(getattr(point, side)) for point in points]
            if not np.all(np.isnan(limit)):
                axes.step(at, limit, where="mid", color=LIGHT["past"], linestyle="--", linewidth=1.1, label=label)
        two = any(point.second is not None for point in points)
        size = 4.5 if len(points) <= 60 else 2.5
        look: dict[str, Any]
        label = "upward sum" if two else kinds.get(chart.kind, chart.kind)
        marks(axes, at, [p.value for p in points], f"{marker}-", role, size=size, linewidth=1.1, label=label)
        if two:
            second = [np.nan if p.second is None else p.second for p in points]
            look = {"size": size, "face": "paper", "linewidth": 1.1}
            marks(axes, at, second, f"{marker}--", role, label="downward sum", **look)
        spots: list[tuple[float, float, str]] = []
        for x, point in zip(at, points, strict=True):
            if point.signal:
                beyond = point.second is not None and point.lower is not None and point.second < point.lower
                spots.append(
                    (float(x), float(point.second) if beyond and point.second else point.value, plain(point.label, 12))
                )
        if spots:
            look = {"size": 9.5, "face": "none", "markeredgewidth": 1.8, "zorder": 5}
            marks(axes, [s[0] for s in spots], [s[1] for s in spots], "o", "past", label="signal", **look)
        axes.margins(y=0.14)
        axes.set_xlabel(f"batches of this type {'in the order of making' if chart.dated else 'by name, undated'}")
        axes.set_ylabel(f"{plain(chart.what, 30)}\n({plain(chart.unit, 20)})")
        whole_numbers(axes)
        key_below(figure, axes, 2 if narrow else 5)
        name_points(axes, spots[:MOST_NAMED], bold=True)
        return figure

    kind = kinds.get(chart.kind, chart.kind)
    title = f"{plain(chart.reed_type, 30)}: {plain(chart.what, 30)}, {plain(kind, 50)}"
    words = f"{counted(len(chart.points), 'batch', 'batches')} of {short(chart.reed_type, 40)}. {caption}"
    return Picture(f"chart-{index + 1:02d}-{file_stem(chart.reed_type)[:30]}", title, caption, words, draw)


def responses(types: Sequence[TypeResponse], looks: Looks | None = None) -> Picture:
    """What a millimetre, a stroke, a kilopascal and a degree do, output by output and type beside type, with intervals.
    looks: of the page's types."""
    shown = sorted(types, key=lambda kind: (-kind.reeds, kind.reed_type))[:MOST_TYPES]
    looks = looks or type_looks(kind.reed_type for kind in shown)
    terms = [term for term in TERM_WORDS if any(_drawn(kind, term) for kind in shown)]
    caption = (
        "Marks are what was learned, bars how sure (nine in ten); a hollow mark rests on an assumption. "
        "Right of zero goes sharp. A millimetre sharpens F and flattens E: that is how the gap closes."
    )
    if len(types) > len(shown):
        caption += f" The {len(shown)} types with most reeds are shown of {len(types)}."

    def draw(narrow: bool) -> Figure:
        counts = [sum(len(_drawn(kind, term)) for kind in shown) for term in terms]
        if narrow:
            ratios = [max(2.0, count + 1.0) for count in counts]
            figure, fields = sheet(
                True, len(terms), 1, narrow_height_in=0.6 + 0.2 * sum(ratios) + 0.85 * len(terms), height_ratios=ratios
            )
        else:
            rows = (len(terms) + 1) // 2
            ratios = [max(2.0, 1.0 + max(counts[2 * row : 2 * row + 2])) for row in range(rows)]
            figure, fields = sheet(
                False,
                rows,
                2 if len(terms) > 1 else 1,
                height_in=0.5 + 0.2 * sum(ratios) + 0.85 * rows,
                height_ratios=ratios,
            )
        for axes, term in zip(fields, terms, strict=False):
            _response_panel(axes, shown, term, looks)
        for axes in fields[len(terms) :]:
            axes.remove()
        return figure

    words = " ".join(_response_words(kind) for kind in shown)
    return Picture("responses", "How each type answers", caption, f"{caption} {words}", draw)


def _drawn(kind: TypeResponse, term: str) -> list[Term]:
    order = TERM_WORDS[term][2]
    mine = [one for one in kind.coefficients if one.term == term and one.output in order]
    return sorted(mine, key=lambda one: order.index(one.output))


def _response_panel(axes: Axes, shown: Sequence[TypeResponse], term: str, looks: Looks) -> None:
    heading, unit, outputs = TERM_WORDS[term]
    axes.set_title(heading)
    row, ticks, names = 0.0, [], []
    for output in outputs:
        found = [(kind.reed_type, one) for kind in shown for one in _drawn(kind, term) if one.output == output]
        for name, one in found:
            role, marker = looks[name]
            interval_x(axes, row, one.value, role, 2.0, 0.85)
            marks(axes, [one.value.mean], [row], marker, role, size=6, face="paper" if one.assumed else role, zorder=4)
            ticks.append(row)
            names.append(f"{OUTPUT_WORDS.get(one.output, one.output)} · {plain(name, 12)}")
            row += 1.0
        row += 0.5 if found else 0.0
    axes.axvline(0.0, color=LIGHT["mute"], linewidth=1.0)
    axes.set_yticks(ticks, names, fontsize=8.5)
    axes.set_ylim(row - 0.2, -0.8)
    axes.grid(False, axis="y")
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel(unit)


def _response_words(kind: TypeResponse) -> str:
    gap = next((one.value for one in kind.coefficients if one.term == "per_mm" and one.output == "gap"), None)
    name = short(kind.reed_type, 40)
    if gap is None:
        return f"{name}: {counted(kind.reeds, 'reed')}."
    half = f"{0.5 * gap.mean:.0f} ({0.5 * gap.low:.0f} to {0.5 * gap.high:.0f})"
    return f"{name}: the first half millimetre closes the gap by {half} cents."


def pooled(rows: Sequence[ValidationRow]) -> list[ValidationRow]:
    """The rows over all types, or, where an output has none, its row with most readings."""
    best: dict[str, ValidationRow] = {}
    for row in sorted(rows, key=lambda one: (one.reed_type != "", -one.readings, one.reed_type)):
        best.setdefault(row.output, row)
    return [best[output] for output in OUTPUT_WORDS if output in best]


def validation(found: Validation) -> Picture:
    """How far predictions of the gap, the crow and low A were off, beside those of the type's average slope."""
    shown = [(output, misses[:: -(-len(misses) // MOST_MISSES)]) for output, misses in found.misses if misses]
    gap = next((row for row in pooled(found.rows) if row.output == "gap"), None)
    caption = (
        "Each batch left out of the coefficients: how far each reading lay from what was predicted (filled), and from "
        "the last reading plus the type's average slope (hollow). The nearer to the zero line, the better."
    )
    if gap is not None and gap.type_average_error_cents is not None:
        caption += (
            f" The gap is missed by {gap.error_cents:.1f} cents, by the type's average slope "
            f"{gap.type_average_error_cents:.1f}, on the same {gap.readings:,} readings (root mean squares)."
        )

    most = max((len(misses) for _, misses in found.misses), default=0)
    if most > MOST_MISSES:
        caption += f" Of up to {most:,} readings of each, about {MOST_MISSES} are drawn."

    def draw(narrow: bool) -> Figure:
        figure, fields = sheet(narrow, 1, len(shown), height_in=3.6, narrow_height_in=2.7 * len(shown) + 0.6)
        for axes, (output, misses) in zip(fields, shown, strict=True):
            _miss_panel(axes, output, misses)
        key_below(figure, fields[0], 1 if narrow else 2)
        return figure

    rows = pooled(found.rows)
    words = " ".join(f"{OUTPUT_WORDS.get(r.output, r.output)}: error {r.error_cents:.1f} cents." for r in rows)
    return Picture("validation", "Predicted and found", caption, f"{caption} {words}", draw)


def _miss_panel(axes: Axes, output: str, misses: Sequence[tuple[float, float, float]]) -> None:
    seen, ours, rule = np.array(misses, dtype=float).T
    axes.axhline(0.0, color=LIGHT["ink"], linewidth=1.0)
    look: dict[str, Any] = {"size": 3.5, "face": "none", "markeredgewidth": 0.7, "alpha": 0.7}
    marks(axes, seen, rule, "o", "mute", label="by the type's average slope", **look)
    marks(axes, seen, ours, "o", "cut", size=3, markeredgewidth=0, alpha=0.7, label="trimfit")
    reach = 1.1 * float(np.percentile(np.abs(np.concatenate([ours, rule])), 99)) or 1.0
    axes.set_ylim(-reach, reach)
    axes.set_title(OUTPUT_WORDS.get(output, output))
    axes.set_xlabel("found (cents)")
    axes.set_ylabel("found − predicted (cents)")
