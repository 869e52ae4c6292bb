"""The picture of one reed against time, and the page's section on how reeds move."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from tests.review import made_up_report
from trimfit.review.page import build
from trimfit.review.pictures import reed_in_time
from trimfit.review.pictures.style import render


def test_the_picture_names_days_cuts_and_events() -> None:
    picture = reed_in_time.reed_in_time(made_up_report.against_time(made_up_report.story()))
    drawn = render(picture)
    for svg in (drawn.wide_svg, drawn.narrow_svg):
        assert "soaked" in svg
        assert "2030-03-" in svg  # day 21975 since 1970 is 2030-03-02
        assert "pitch as low A (Hz)" in svg
    assert "2 cuts" in picture.words
    assert "events: soaked" in picture.caption
    assert picture.key != made_up_report.story().reed


@pytest.mark.parametrize(("days", "fewest"), [(0.3, 1), (4.0, 2), (4000.0, 3)])
def test_a_reed_whose_band_spans_years_or_hours_has_days_that_can_be_told_apart(days: float, fewest: int) -> None:
    story = made_up_report.against_time(made_up_report.story())
    first = replace(story.in_time[0], day=21975.4)  # 2030-03-02
    last = replace(first, day=first.day + days)
    drawn = render(reed_in_time.reed_in_time(replace(story, points=(), in_time=(first, last), marks=())))
    for svg, most in ((drawn.wide_svg, 8), (drawn.narrow_svg, 5)):
        named = re.findall(r"2\d{3}-\d\d-\d\d", svg.partition("</metadata>")[2] or svg)
        assert fewest <= len(set(named)) <= most
        assert "2030-03-02" <= min(named)
        assert max(named) <= str(date(2030, 3, 2) + timedelta(days=days + 1.0))


@pytest.mark.usefixtures("undrawn")
def test_the_page_says_how_reeds_move_and_leaves_out_what_is_not_known() -> None:
    said, drawn = build.build(made_up_report.report())
    assert (
        "a reed left for a week is known to ± 3 cents of gap (nine in ten), beside the error of its reading and jumps"
        in said
    )
    assert sum(key.endswith("-in-time") for key in drawn) == 3
    still = tuple(replace(kind, movement=None) for kind in made_up_report.types())
    without = replace(made_up_report.report(), types=still, stories=(made_up_report.story(),))
    said, drawn = build.build(without)
    assert "Nothing is known of how reeds move by themselves." in said
    assert not any(key.endswith("-in-time") for key in drawn)
