"""The picture of one reed against time, and the page's section on how reeds move."""

from __future__ import annotations

from dataclasses import replace

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


def test_a_reed_whose_band_spans_years_or_hours_is_drawn_too() -> None:
    story = made_up_report.against_time(made_up_report.story())
    first = story.in_time[0]
    for days in (0.3, 4000.0):
        render(
            reed_in_time.reed_in_time(replace(story, in_time=(first, replace(first, day=first.day + days)), marks=()))
        )


@pytest.mark.usefixtures("undrawn")
def test_the_page_says_how_reeds_move_and_leaves_out_what_is_not_known() -> None:
    said, drawn = build.build(made_up_report.report())
    assert "a reed left for a week is known to ± 3 cents of gap (nine in ten), beside the error of its reading" in said
    assert sum(key.endswith("-in-time") for key in drawn) == 3
    still = tuple(replace(kind, movement=None) for kind in made_up_report.types())
    without = replace(made_up_report.report(), types=still, stories=(made_up_report.story(),))
    said, drawn = build.build(without)
    assert "Nothing is known of how reeds move by themselves." in said
    assert not any(key.endswith("-in-time") for key in drawn)
