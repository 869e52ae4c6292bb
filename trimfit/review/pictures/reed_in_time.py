"""The picture of one reed against time: F and E as read, what the log said of them meanwhile, cuts and events."""

from __future__ import annotations

from trimfit.base.plain_words import counted
from trimfit.review.pictures.bench import read_marks
from trimfit.review.pictures.style import LIGHT, Axes, Figure, Picture, band, key_below, plain, sheet
from trimfit.review.results import ReedStory, TimeMark
from trimfit.review.safe_names import file_stem, short

MOST_NAMED = 8


def reed_in_time(story: ReedStory) -> Picture:
    """F and E of one reed as low A over the days: read, and as the log had them, wider while the reed lay."""
    cuts = sum(mark.cut for mark in story.marks)
    events = [mark for mark in story.marks if not mark.cut]
    caption = (
        "F (round marks) and E (square marks) as read. The bands hold nine times in ten: narrow after a reading, wider "
        "while the reed lies with no work done."
    )
    if cuts:
        caption += " Upright lines are cuts."
    if events:
        named = ", ".join(dict.fromkeys(short(mark.words, 30) for mark in events[:MOST_NAMED]))
        caption += f" Dotted lines are events: {named}."
    logged = f"{counted(len(story.points), 'reading')}, {counted(cuts, 'cut')}"
    words = f"Reed {short(story.reed, 60)} against time, {logged}. {caption}"

    def draw(narrow: bool) -> Figure:
        figure, (axes,) = sheet(narrow, height_in=3.7, narrow_height_in=4.2)
        days = [point.day for point in story.in_time]
        read = [(point.day, point) for point in story.points if point.day is not None]
        for note, dash in (("f", "-"), ("e", "--")):
            spans = [getattr(point, f"{note}_hz") for point in story.in_time]
            band(axes, days, spans, note, dash, f"{note.upper()}, what the log says")
            read_marks(axes, note, read, 6.0)
        for mark in story.marks:
            _mark(axes, mark)
        _dates(axes, narrow)
        axes.set_ylabel("pitch as low A (Hz)")
        key_below(figure, axes, 2 if narrow else 4)
        return figure

    stem = f"reed-{file_stem(story.reed)}-in-time"
    return Picture(stem, f"Reed {plain(story.reed, 40)} against time", caption, words, draw)


def _mark(axes: Axes, mark: TimeMark) -> None:
    """An upright line: whole for a cut; dotted, with its name at the head, for an event."""
    if mark.cut:
        axes.axvline(mark.day, color=LIGHT["cut"], linewidth=1.0, zorder=1)
        return
    axes.axvline(mark.day, color=LIGHT["ink"], linewidth=1.2, linestyle=":", zorder=1)
    axes.annotate(
        plain(mark.words, 22),
        (mark.day, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(3, -3),
        textcoords="offset points",
        ha="left",
        va="top",
        rotation=90,
        color=LIGHT["mute"],
        fontsize=8.5,
    )


def _dates(axes: Axes, narrow: bool) -> None:
    """Days as dates along the level axis."""
    from datetime import datetime, timedelta

    low, high = axes.get_xlim()
    most = 4 if narrow else 7
    step = next((s for s in (1, 2, 3, 7, 14, 28, 56, 91, 182, 365) if (high - low) / s <= most), 0)
    step = step or round((high - low) / most)
    first = int(-(-low // step)) * step
    ticks: list[float] = [*range(first, int(high) + 1, step)]
    ticks = [tick for tick in ticks if low <= tick <= high] or [0.5 * (low + high)]
    start = datetime(1970, 1, 1)
    axes.set_xticks(ticks, [f"{start + timedelta(days=tick):%Y-%m-%d}" for tick in ticks])
    axes.set_xlim(low, high)
    axes.set_xlabel("day")
