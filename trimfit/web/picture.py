"""F and E of one reed over the length taken off, as a small SVG that the page redraws as a cut is planned.

The same marks as the report's picture of a reed: F round and solid, E square and dashed. The stylesheet gives the
colours, light and dark.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from trimfit.review.results import FanPoint, ReedStory

WIDTH, HEIGHT = 440, 300
LEFT, RIGHT, TOP, BOTTOM = 46, 12, 12, 44


@dataclass(frozen=True, slots=True)
class _Scale:
    """From mm and Hz to the picture's own units."""

    least_mm: float
    most_mm: float
    least_hz: float
    most_hz: float

    def x(self, mm: float) -> float:
        share = (mm - self.least_mm) / (self.most_mm - self.least_mm)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def y(self, hz: float) -> float:
        share = (hz - self.least_hz) / (self.most_hz - self.least_hz)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)


def gap_after_cents(fan: Sequence[FanPoint], removed_mm: float) -> float | None:
    """F less E in cents when `removed_mm` in all has come off, between the fan's points; None beyond its ends."""
    for one, two in pairwise(fan):
        if one.removed_mm <= removed_mm <= two.removed_mm:
            share = (removed_mm - one.removed_mm) / (two.removed_mm - one.removed_mm)
            gaps = [1200.0 * math.log2(point.f_hz.mean / point.e_hz.mean) for point in (one, two)]
            return gaps[0] + share * (gaps[1] - gaps[0])
    return None


def fe_picture(story: ReedStory, plan_mm: float = 0.0) -> Markup:
    """The picture, with a line where the reed stands now and one at `plan_mm` more; empty where nothing was read."""
    if not story.fan:
        return Markup("")
    scale = _scale_of(story, plan_mm)
    parts = [*_axes(scale), *_fan(story.fan, scale), *_read(story, scale)]
    now, then = scale.x(story.removed_mm), scale.x(story.removed_mm + plan_mm)
    floor = HEIGHT - BOTTOM
    parts.append(f'<line class="now" x1="{now:.1f}" x2="{now:.1f}" y1="{TOP}" y2="{floor}"/>')
    parts.append(f'<line class="plan" data-plan x1="{then:.1f}" x2="{then:.1f}" y1="{TOP}" y2="{floor}"/>')
    if story.target_pitch_hz:
        y = scale.y(story.target_pitch_hz)
        parts.append(f'<line class="target" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
    fan = [[round(at.removed_mm, 4), round(at.f_hz.mean, 3), round(at.e_hz.mean, 3)] for at in story.fan]
    shown = {
        "fan": fan,
        "now_mm": round(story.removed_mm, 4),
        "left": LEFT,
        "per_mm": (scale.x(1.0) - scale.x(0.0)),
        "least_mm": scale.least_mm,
        "right": WIDTH - RIGHT,
    }
    label = (
        f"F and E of the reed as low A over the length off: {story.removed_mm:.2f} mm now, "
        f"{story.removed_mm + plan_mm:.2f} mm after the cut"
    )
    drawn = f'<svg class="fe" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}" data-fe="%s">'
    drawn += "".join(parts) + "</svg>"
    return Markup(drawn) % json.dumps(shown)  # noqa: S704 - numbers and words of this file


def _scale_of(story: ReedStory, plan_mm: float) -> _Scale:
    lengths = [point.removed_mm for point in story.points] + [at.removed_mm for at in story.fan]
    lengths.append(story.removed_mm + plan_mm)
    heights = [hz for point in story.points for hz in (point.f_hz, point.e_hz) if hz is not None]
    heights += [end for at in story.fan for span in (at.f_hz, at.e_hz) for end in (span.low, span.high)]
    heights += [story.target_pitch_hz] if story.target_pitch_hz else []
    room_hz = max(0.06 * (max(heights) - min(heights)), 0.5)
    least = min(lengths)
    return _Scale(least, max(max(lengths), least + 0.1), min(heights) - room_hz, max(heights) + room_hz)


def _axes(scale: _Scale) -> list[str]:
    parts = []
    floor = HEIGHT - BOTTOM
    for mm in _ticks(scale.least_mm, scale.most_mm, 4):
        x = scale.x(mm)
        parts.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{floor}"/>')
        parts.append(f'<text x="{x:.1f}" y="{floor + 18}" text-anchor="middle">{mm:.2f}</text>')
    for hz in _ticks(scale.least_hz, scale.most_hz, 5):
        y = scale.y(hz)
        parts.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{y + 5:.1f}" text-anchor="end">{hz:g}</text>')
    parts.append(f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - 6}" text-anchor="end">mm off in all; Hz as low A</text>')
    return parts


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers between two ends, at most `most` of them and one."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(step for step in (power, 2 * power, 5 * power, 10 * power) if step >= rough)
    return [step * k for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def _fan(fan: Sequence[FanPoint], scale: _Scale) -> list[str]:
    parts = []
    for role in ("e", "f"):
        spans = [(scale.x(at.removed_mm), getattr(at, f"{role}_hz")) for at in fan]
        upper = [f"{x:.1f},{scale.y(span.high):.1f}" for x, span in spans]
        lower = [f"{x:.1f},{scale.y(span.low):.1f}" for x, span in reversed(spans)]
        middle = [f"{x:.1f},{scale.y(span.mean):.1f}" for x, span in spans]
        parts.append(f'<polygon class="reach {role}" points="{" ".join(upper + lower)}"/>')
        parts.append(f'<polyline class="line {role}" points="{" ".join(middle)}"/>')
        x, span = spans[0]
        parts.append(f'<text class="{role}" x="{x + 8:.1f}" y="{scale.y(span.mean) - 8:.1f}">{role.upper()}</text>')
    return parts


def _read(story: ReedStory, scale: _Scale) -> list[str]:
    parts = []
    for point in story.points:
        x, doubt = scale.x(point.removed_mm), " doubt" if point.doubt else ""
        if point.f_hz is not None:
            parts.append(f'<circle class="mark f{doubt}" cx="{x:.1f}" cy="{scale.y(point.f_hz):.1f}" r="6"/>')
        if point.e_hz is not None:
            y = scale.y(point.e_hz)
            parts.append(f'<rect class="mark e{doubt}" x="{x - 5:.1f}" y="{y - 5:.1f}" width="10" height="10"/>')
    return parts
