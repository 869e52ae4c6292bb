"""Pictures of the bench: one reed's story, a run's reeds, and what chanters ask for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from trimfit.base.answers import Advice
from trimfit.base.pitch import crow_label
from trimfit.base.plain_words import counted, signed_cents
from trimfit.base.records import Action
from trimfit.base.units import Interval
from trimfit.review.pictures.style import (
    LIGHT,
    Axes,
    Figure,
    Looks,
    Picture,
    band,
    interval_x,
    interval_y,
    intervals_y,
    key_below,
    marks,
    name_points,
    plain,
    sheet,
    type_looks,
)
from trimfit.review.results import (
    ChanterMap,
    CrowPoint,
    FanPoint,
    PitchCurve,
    ReedStory,
    RunMap,
    RunReed,
    StoryPoint,
    hours_words,
)
from trimfit.review.safe_names import file_stem, short

# What to do, in words; and its role, marker and whether the marker is filled.
ACTION_WORDS: dict[Action, str] = {
    "trim": "cut",
    "read-again": "read again",
    "finished": "finished",
    "past": "past",
    "no-fit": "no fit",
}
_ACTION_LOOK: dict[Action, tuple[str, str, bool]] = {
    "trim": ("cut", "v", True),
    "read-again": ("e", "s", False),
    "finished": ("good", "o", True),
    "past": ("past", "X", True),
    "no-fit": ("mute", "D", False),
}
MOST_RUN_REEDS, MOST_CHANTERS, MOST_CROW_POINTS, MOST_SET_NAMES = 300, 40, 300, 4


def hz(value: Interval) -> str:
    """`474.1 Hz (473.6 to 474.7)`."""
    return f"{value.mean:.1f} Hz ({value.low:.1f} to {value.high:.1f})"


def meeting_mm(fan: Sequence[FanPoint], over_hz: float = 0.0) -> float | None:
    """Length off, in mm, at which the fan's mean F reaches its mean E, or lies `over_hz` above it; None if it does not
    on the fan's stretch."""
    for one, two in pairwise(fan):
        before, after = (at.f_hz.mean - at.e_hz.mean - over_hz for at in (one, two))
        if before < 0 <= after:
            share = before / (before - after)
            return one.removed_mm + share * (two.removed_mm - one.removed_mm)
    return None


def reed_story(story: ReedStory) -> Picture:
    """F and E of one reed as low A over the length taken off: read, predicted, the planned cut, the meeting point."""
    advice = story.advice
    cut_mm = advice.length_mm if advice is not None and advice.action == "trim" else 0.0
    lips = advice.lip_strokes if advice is not None and advice.action == "trim" else 0
    caption = _story_sentence(story)
    if cut_mm or lips:
        work = " and ".join(
            part for part in (f"{cut_mm:.2f} mm" if cut_mm else "", counted(lips, "lip stroke") if lips else "") if part
        )
        caption += f" Next: {work}, to the dotted line." if cut_mm else f" Next: {work}."
        if lips:
            caption += " The lines leave the lips alone; the diamond counts their strokes."
        if meeting_mm(story.fan, story.tolerance_hz) is not None:
            caption += f" Where the hatching begins, F is {story.tolerance_hz:g} Hz over E: past."
    elif advice is not None:
        caption += f" Now: {ACTION_WORDS[advice.action]}."
    if story.conditions and story.points:
        caption += f" Readings are taken to {story.conditions}."
    where = f" in {short(story.chanter, 40)}" if story.chanter else ""
    read = counted(len(story.points), "reading") if story.points else f"no reading of F and E{where}"
    words = f"Reed {short(story.reed, 60)}, {read}, {story.removed_mm:.2f} mm off so far. {caption}"

    def draw(narrow: bool) -> Figure:
        figure, (axes,) = sheet(narrow, height_in=4.1, narrow_height_in=4.4)
        for note in ("f", "e"):
            read_marks(axes, note, [(point.removed_mm, point) for point in story.points], 6.5)
        off_mm = [point.removed_mm for point in story.fan]
        if story.fan:
            band(axes, off_mm, [point.f_hz for point in story.fan], "f", "-", "F predicted")
            band(axes, off_mm, [point.e_hz for point in story.fan], "e", "--", "E predicted")
        _story_marks(axes, story, cut_mm)
        if story.target_pitch_hz:
            axes.axhline(
                story.target_pitch_hz, color=LIGHT["good"], linewidth=1.1, dashes=(7, 3), label="pitch ordered"
            )
        axes.set_xlabel("length off in all (mm)")
        axes.set_ylabel("pitch as low A (Hz)")
        key_below(figure, axes, 2 if narrow else 4)
        return figure

    return Picture(f"reed-{file_stem(story.reed)}", f"Reed {plain(story.reed, 40)}", caption, words, draw)


def _story_sentence(story: ReedStory) -> str:
    """What to see of F and E; marks where a reading is drawn."""
    round_, square = ("round marks, ", "square marks, ") if story.points else ("", "")
    meets = f" at {hz(story.meet_pitch_hz)}" if story.meet_pitch_hz else ""
    if story.advice is not None and story.advice.action == "past":
        return f"F ({round_}solid line) has come up past E ({square}dashed line); they met{meets}."
    return f"F ({round_}solid line) comes up and E ({square}dashed line) comes down until they meet{meets}."


def read_marks(axes: Axes, note: str, points: Sequence[tuple[float, StoryPoint]], size: float) -> None:
    """F or E (`f`, `e`) as it was read, each at its place on the level axis; hollow where the reading is in doubt."""
    for doubted in (False, True):
        read = [
            (x, value)
            for x, point in points
            if (value := getattr(point, f"{note}_hz")) is not None and bool(point.doubt) == doubted
        ]
        if read:
            x, y = zip(*read, strict=True)
            label = f"{note.upper()} read, in doubt" if doubted else f"{note.upper()} read"
            look: dict[str, Any] = {"size": size, "zorder": 4, "markeredgewidth": 1.4}
            marks(axes, x, y, "o" if note == "f" else "s", note, face="paper" if doubted else note, label=label, **look)


def _story_marks(axes: Axes, story: ReedStory, cut_mm: float) -> None:
    """The meeting point, the stretch past it, and the planned cut at the foot of the field."""
    left, right = axes.get_xlim()
    low, high = axes.get_ylim()
    low -= 0.14 * (high - low)
    foot = low + 0.05 * (high - low)
    meet, past = meeting_mm(story.fan), meeting_mm(story.fan, story.tolerance_hz)
    if past is None and story.fan and story.fan[0].f_hz.mean - story.fan[0].e_hz.mean > story.tolerance_hz:
        past = story.removed_mm
    if past is not None and right > past:
        axes.axvspan(past, right, facecolor="none", edgecolor=LIGHT["sand"], hatch="////", linewidth=0, zorder=0)
        axes.annotate(
            "past",
            (right, foot),
            xytext=(-5, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            color=LIGHT["mute"],
            bbox={"facecolor": LIGHT["paper"], "edgecolor": "none", "pad": 1.5},
        )
    if meet is not None and story.meet_pitch_hz is not None:
        interval_y(axes, meet, story.meet_pitch_hz, "ink", 2.2)
        marks(axes, [meet], [story.meet_pitch_hz.mean], "D", "ink", size=6, zorder=5, label="meeting point")
    if cut_mm:
        now, then = story.removed_mm, story.removed_mm + cut_mm
        axes.axvline(now, color=LIGHT["cut"], linewidth=1.0, zorder=1)
        axes.axvline(then, color=LIGHT["cut"], linewidth=1.6, linestyle=":", zorder=1)
        axes.annotate(
            "",
            (then, foot),
            (now, foot),
            arrowprops={"arrowstyle": "-|>", "color": LIGHT["cut"], "linewidth": 1.8, "shrinkA": 0, "shrinkB": 0},
        )
        to_left = now - left > 0.3 * (right - left)
        axes.annotate(
            f"cut {cut_mm:.2f} mm",
            (now if to_left else then, foot),
            xytext=(-6 if to_left else 6, 0),
            textcoords="offset points",
            ha="right" if to_left else "left",
            va="center",
            color=LIGHT["cut"],
            fontweight="bold",
            bbox={"facecolor": LIGHT["paper"], "edgecolor": "none", "pad": 1.5},
        )
    axes.set_xlim(left, right)
    axes.set_ylim(low, high)


def is_drawn(reed: RunReed) -> bool:
    """Whether a reed has a mark in its order's picture: its F and E were read."""
    return reed.pitch_hz is not None and reed.gap_cents is not None


def run_map(run: RunMap) -> Picture:
    """All reeds in hand for one order: the gap over the pitch, the mark says what to do."""
    read = [
        _Spot(reed.advice, reed.pitch_hz, reed.gap_cents)
        for reed in sorted(run.reeds, key=lambda reed: reed.advice.action == "finished")
        if reed.pitch_hz is not None and reed.gap_cents is not None
    ]
    shown = read[:MOST_RUN_REEDS]
    target_hz = run.order.target_pitch_hz
    left_out, unread = len(read) - len(shown), len(run.reeds) - len(read)
    counts = {action: sum(spot.advice.action == action for spot in read) for action in ACTION_WORDS}
    tally = ", ".join(f"{count} {ACTION_WORDS[action]}" for action, count in counts.items() if count)
    caption = (
        f"Every mark is a reed; trimming lifts it toward the band round zero, where F and E agree to "
        f"{run.tolerance_cents:.1f} cents. Above the band it is past. Of {len(run.reeds)}: {tally or 'none read'}."
    )
    if unread:
        caption += f" {unread} {'was' if unread == 1 else 'were'} never read with F and E, and cannot be drawn."
    if left_out:
        caption += f" {left_out} are left out of the picture."

    def draw(narrow: bool) -> Figure:
        figure, (axes,) = sheet(narrow, height_in=4.5, narrow_height_in=4.8)
        axes.axhspan(-run.tolerance_cents, run.tolerance_cents, color=LIGHT["good"], alpha=0.16, linewidth=0)
        axes.axhline(0.0, color=LIGHT["good"], linewidth=1.2, label="F and E meet")
        if target_hz:
            axes.axvline(target_hz, color=LIGHT["ink"], linewidth=1.0, dashes=(7, 3), label="pitch ordered")
        elif run.meet_pitch_hz:
            axes.axvspan(run.meet_pitch_hz.low, run.meet_pitch_hz.high, color=LIGHT["sand"], alpha=0.25, linewidth=0)
            axes.axvline(
                run.meet_pitch_hz.mean, color=LIGHT["ink"], linewidth=1.0, dashes=(2, 2), label="meeting pitch"
            )
        if len(shown) <= 80:
            places = [spot.pitch_hz.mean for spot in shown]
            intervals_y(axes, places, [spot.gap_cents for spot in shown], "mute", 0.8, 0.5)
        for action, word in ACTION_WORDS.items():
            mine = [spot for spot in shown if spot.advice.action == action]
            if mine:
                role, marker, filled = _ACTION_LOOK[action]
                x, y = [spot.pitch_hz.mean for spot in mine], [spot.gap_cents.mean for spot in mine]
                label, face = f"{word} ({counts[action]})", role if filled else "paper"
                marks(axes, x, y, marker, role, face=face, markeredgewidth=1.3, label=label, zorder=4)
        axes.margins(x=0.08)
        axes.set_xlabel("pitch as low A now (Hz)")
        axes.set_ylabel("gap: F less E (cents)")
        key_below(figure, axes, 2 if narrow else 4)
        # The past and the finished lie close together where the maker looks: they get their names first.
        urgent = sorted(shown, key=lambda spot: {"past": 0, "finished": 1}.get(spot.advice.action, 2))
        name_points(
            axes,
            [(spot.pitch_hz.mean, spot.gap_cents.mean, plain(spot.advice.reed, 14)) for spot in urgent[:60]]
            if len(shown) <= 80
            else [],
            size=7.5,
            avoid=[(spot.pitch_hz.mean, spot.gap_cents.mean) for spot in shown],
        )
        return figure

    title = f"Order {plain(run.order.order, 30)}, chanter {plain(run.order.chanter, 30)}"
    words = f"Order {short(run.order.order, 60)}. {caption} {_nearest(read)}"
    return Picture(f"run-{file_stem(run.order.order)}", title, caption, words, draw)


@dataclass(frozen=True, slots=True)
class _Spot:
    """A reed of a run that can be drawn: its F and E were read."""

    advice: Advice
    pitch_hz: Interval
    gap_cents: Interval


def _nearest(spots: Sequence[_Spot]) -> str:
    to_trim = [spot for spot in spots if spot.advice.action == "trim"]
    if not to_trim:
        return ""
    near = max(to_trim, key=lambda spot: (spot.gap_cents.mean, spot.advice.reed))
    return f"Nearest to meeting among those to cut: {short(near.advice.reed, 60)}, {signed_cents(near.gap_cents.mean)}."


def one_pitch(curve: PitchCurve) -> Picture:
    """Orders of one set: what each common pitch costs, and how many reeds are expected good at it."""
    best, names = curve.best, ", ".join(short(name, 24) for name in curve.orders[:MOST_SET_NAMES])
    more = len(curve.orders) - MOST_SET_NAMES
    names += f" and {more} more" if more > 0 else ""
    caption = (
        f"{len(curve.orders)} orders that ask for about one pitch ({names}), reeds in hand and in stock put to them "
        f"at the least cost: {best.pitch_hz:.1f} Hz costs least, "
        f"{hours_words(best.bench_minutes, best.minutes, best.empty)}; {best.good:.1f} of {curve.wanted} reeds "
        "are then expected to end good."
    )
    pitches = [one.pitch_hz for one in curve.at]

    def draw(narrow: bool) -> Figure:
        figure, fields = sheet(narrow, 1, 2, height_in=3.3, narrow_height_in=5.6)
        series = (
            ("expected cost (hours)", [one.minutes / 60.0 for one in curve.at], best.minutes / 60.0, "cut", "-"),
            (f"expected good, of {curve.wanted}", [one.good for one in curve.at], best.good, "good", "--"),
        )
        for axes, (title, values, at_best, role, dash) in zip(fields, series, strict=True):
            for number, target in enumerate(sorted(set(curve.targets_hz))):
                label = None if number else "pitch ordered"
                axes.axvline(target, color=LIGHT["ink"], linewidth=1.0, dashes=(7, 3), label=label)
            axes.plot(pitches, values, dash, color=LIGHT[role], zorder=3)
            marks(axes, [best.pitch_hz], [at_best], "o", role, size=7, zorder=4, label="costs least")
            axes.set_ylim(bottom=0.0)
            axes.margins(x=0.04)
            axes.set_title(title)
            axes.set_xlabel("one pitch for all, as low A (Hz)")
        key_below(figure, fields[0], 2)
        return figure

    each = ", ".join(f"{one.pitch_hz:.1f} Hz {one.minutes / 60.0:.1f} hours, {one.good:.1f} good" for one in curve.at)
    return Picture("one-pitch", "One pitch for all", caption, f"{caption} {each}.", draw)


def chanters_map(chanters: Sequence[ChanterMap], looks: Looks | None = None) -> Picture:
    """Each chanter's meeting pitch against the crow it asks for, by reed type. looks: of the page's types."""
    known = [chanter for chanter in chanters if chanter.meet_pitch_hz is not None and chanter.asked]
    known.sort(key=lambda chanter: (-chanter.readings, chanter.chanter))
    shown = known[:MOST_CHANTERS]
    caption = (
        "Each mark is a chanter with one type of reed: across, the pitch they meet at; up, the crow they then have. "
        "A long bar means little is known. A low mark asks for a flatter reed, a high one for a sharper."
    )
    if len(known) > len(shown):
        caption += f" The {len(shown)} chanters read most are shown, {len(known) - len(shown)} are left out."
    looks = looks or type_looks(asked.reed_type for chanter in shown for asked in chanter.asked)

    def draw(narrow: bool) -> Figure:
        figure, (axes,) = sheet(narrow, height_in=4.6, narrow_height_in=4.8)
        labelled: set[str] = set()
        spots: list[tuple[float, float, str]] = []
        for chanter in shown:
            for place, asked in enumerate(sorted(chanter.asked, key=lambda one: one.reed_type)):
                pitch = chanter.meets_with(asked.reed_type)
                if pitch is None:
                    continue
                role, marker = looks[asked.reed_type]
                interval_y(axes, pitch.mean, asked.crow_hz, role, 1.3, 0.8)
                interval_x(axes, asked.crow_hz.mean, pitch, role, 1.3, 0.8)
                label = None if asked.reed_type in labelled else plain(asked.reed_type)
                marks(axes, [pitch.mean], [asked.crow_hz.mean], marker, role, size=7, zorder=4, label=label)
                labelled.add(asked.reed_type)
                spots.append((pitch.mean, asked.crow_hz.mean, plain(chanter.chanter, 20) if place == 0 else ""))
        axes.margins(0.12)
        axes.set_xlabel("meeting pitch as low A (Hz)")
        axes.set_ylabel("crow at the meeting point (Hz)")
        _crow_names(axes, upright=True)
        key_below(figure, axes, 2 if narrow else 4)
        name_points(
            axes,
            [spot for spot in spots if spot[2]],
            avoid=[(spot[0], spot[1]) for spot in spots],
            size=8.0,
            aslant=True,
        )
        return figure

    words = " ".join(
        f"{short(chanter.chanter, 40)}: meets at {hz(chanter.meet_pitch_hz)}."
        for chanter in shown[:12]
        if chanter.meet_pitch_hz is not None
    )
    return Picture("chanters", "What each chanter asks for", caption, f"{caption} {words}", draw)


def _crow_names(axes: Axes, *, upright: bool) -> None:
    """A second scale that says the crow as a note and cents."""
    from trimfit.base.pitch import cents_from_440, hz_from_cents

    low, high = axes.get_ylim() if upright else axes.get_xlim()
    if low <= 0:
        return
    first, last = cents_from_440(low), cents_from_440(high)
    step = next((step for step in (10, 20, 25, 50, 100, 200) if (last - first) / step <= 6), 400)
    ticks = [hz_from_cents(cents) for cents in range(int(first // step + 1) * step, int(last) + 1, step)]
    # Half a semitone up is said from the note below: C+50, not C#-50.
    names = [crow_label(hz_from_cents(cents_from_440(tick) - 1e-6)) for tick in ticks]
    if upright:
        second = axes.secondary_yaxis("right")
        second.set_yticks(ticks, names)
        second.set_ylabel("crow as a note (cents at A = 440)")
    else:
        second = axes.secondary_xaxis("top")
        second.set_xticks(ticks, names)
        second.set_xlabel("crow as a note (cents at A = 440)")


def chanter_crows(chanter: ChanterMap, looks: Looks | None = None) -> Picture:
    """One chanter: gap over crow for each reading in it, and the crow asked for where the gap is nothing. looks: of the
    page's types."""
    points = _thin(chanter.points, MOST_CROW_POINTS)
    here = sorted({p.reed_type for p in points} | {asked.reed_type for asked in chanter.asked})
    looks = looks or type_looks(here)
    asks = "; ".join(
        f"{short(asked.reed_type, 30)} {crow_label(asked.crow_hz.mean)} "
        f"({asked.crow_hz.mean:.0f} Hz, {asked.crow_hz.low:.0f} to {asked.crow_hz.high:.0f})"
        for asked in chanter.asked
    )
    caption = (
        "Where the marks of a reed type come up to the zero line, read the crow below: "
        f"that is the crow this chanter asks of it. {'It asks for ' + asks + '.' if asks else 'None is known yet.'}"
    )
    if len(points) < len(chanter.points):
        caption += f" Of the readings that have a crow, {len(points)} are drawn."

    def draw(narrow: bool) -> Figure:
        figure, (axes,) = sheet(narrow, height_in=3.9, narrow_height_in=4.4)
        axes.axhline(0.0, color=LIGHT["good"], linewidth=1.2)
        for name in here:
            role, marker = looks[name]
            mine = [point for point in points if point.reed_type == name]
            x, y = [p.crow_hz for p in mine], [p.gap_cents for p in mine]
            look: dict[str, Any] = {"size": 5.5, "face": "none", "markeredgewidth": 1.2, "alpha": 0.85}
            marks(axes, x, y, marker, role, label=plain(name), **look)
        for place, asked in enumerate(sorted(chanter.asked, key=lambda one: one.crow_hz.mean)):
            role, marker = looks[asked.reed_type]
            ends = [asked.crow_hz.low, asked.crow_hz.high]
            axes.plot(ends, [0.0, 0.0], color=LIGHT["paper"], linewidth=7.0, solid_capstyle="butt", zorder=5)
            axes.plot(ends, [0.0, 0.0], color=LIGHT[role], linewidth=4.0, solid_capstyle="butt", zorder=6)
            middle = [asked.crow_hz.mean]
            marks(axes, middle, [0.0], marker, role, size=10, markeredgecolor=LIGHT["paper"], zorder=7)
            axes.annotate(
                f"{crow_label(asked.crow_hz.mean)}",
                (asked.crow_hz.mean, 0.0),
                xytext=(0, 9 + 11 * place),
                textcoords="offset points",
                ha="center",
                color=LIGHT[role],
                fontweight="bold",
                fontsize=8.5,
                bbox={"facecolor": LIGHT["paper"], "edgecolor": "none", "alpha": 0.8, "pad": 0.5},
                zorder=8,
            )
        axes.margins(0.08)
        axes.set_xlabel("crow (Hz)")
        axes.set_ylabel("gap: F less E (cents)")
        _crow_names(axes, upright=False)
        key_below(figure, axes, 2 if narrow else 4)
        return figure

    title = f"Chanter {plain(chanter.chanter, 40)}"
    words = f"Chanter {short(chanter.chanter, 60)}, {counted(chanter.readings, 'reading')}. {caption}"
    return Picture(f"chanter-{file_stem(chanter.chanter)}", title, caption, words, draw)


def _thin(points: Sequence[CrowPoint], most: int) -> list[CrowPoint]:
    """At most `most` of the points, evenly through their order."""
    if len(points) <= most:
        return list(points)
    return [points[(index * len(points)) // most] for index in range(most)]
