"""The small picture of F and E."""

from __future__ import annotations

import math
import re

import pytest

from trimfit.base.units import Interval
from trimfit.review.pictures.style import DARK, LIGHT
from trimfit.review.results import FanPoint, ReedStory, StoryPoint
from trimfit.web import picture
from trimfit.web.app import _STATIC


def _story() -> ReedStory:
    fan = tuple(
        FanPoint(mm, Interval(f, f - 1, f + 1), Interval(e, e - 1, e + 1))
        for mm, f, e in [(0.2, 466.0, 474.0), (0.3, 469.0, 473.0), (0.4, 472.0, 472.0)]
    )
    points = (StoryPoint(0.0, 460.0, 476.0), StoryPoint(0.2, 466.0, 474.0, doubt="a slip"))
    return ReedStory("R<1>", "cane", "B-1", removed_mm=0.2, points=points, fan=fan)


def test_the_line_of_a_planned_cut_stands_at_its_length() -> None:
    def x_of(kind: str, svg: str) -> float:
        return float(re.search(rf'class="{kind}"[^>]* x1="([\d.]+)"', svg)[1])  # type: ignore[index]

    svg = str(picture.fe_picture(_story(), 0.1))
    floor = picture.LEFT
    reach = picture.WIDTH - picture.LEFT - picture.RIGHT
    assert x_of("now", svg) == pytest.approx(floor + 0.2 / 0.4 * reach, abs=0.1)
    assert x_of("plan", svg) == pytest.approx(floor + 0.3 / 0.4 * reach, abs=0.1)


def test_readings_are_drawn_and_those_in_doubt_hollow() -> None:
    svg = str(picture.fe_picture(_story()))
    assert svg.count("<circle") == 2
    assert svg.count("<rect") == 2
    assert svg.count(" doubt") == 2
    assert "R<1>" not in svg


def test_the_gap_after_a_cut_lies_between_the_predicted_ones() -> None:
    fan = _story().fan
    ends = [1200 * math.log2(f / e) for f, e in ((466.0, 474.0), (469.0, 473.0))]
    assert picture.gap_after_cents(fan, 0.25) == pytest.approx(sum(ends) / 2)
    assert picture.gap_after_cents(fan, 0.4) == pytest.approx(0.0)
    assert picture.gap_after_cents(fan, 0.41) is None


def test_a_reed_in_no_chanter_has_no_picture() -> None:
    assert str(picture.fe_picture(ReedStory("R", "t", "b"))) == ""


def test_the_page_has_the_colours_of_the_report() -> None:
    light, _, dark = (_STATIC / "bench.css").read_text(encoding="utf-8").partition("prefers-color-scheme: dark")
    for css, report in ((light, LIGHT), (dark, DARK)):
        named = dict(re.findall(r"--(\w+): (#\w+)", css))
        assert {"paper", "ink", "f", "e", "cut", "past"} <= named.keys() & report.keys()
        assert {role: colour for role, colour in named.items() if report.get(role, colour) != colour} == {}
