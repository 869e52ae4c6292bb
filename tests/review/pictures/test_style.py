"""Pictures: units on every axis, nothing clipped, colour never alone, long logs thinned, the same bytes again."""

from __future__ import annotations

import dataclasses
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from functools import cache
from pathlib import Path

import pytest

from tests.review import made_up_report
from trimfit.base.units import Interval
from trimfit.regression.coefficients import Term
from trimfit.review.pictures import bench, shop, style
from trimfit.review.results import DriftLimits, TypeResponse, Validation

NASTY = made_up_report.NASTY
PICTURES = {
    "story": bench.reed_story(made_up_report.story()),
    "story, crow only": bench.reed_story(made_up_report.story("R-1", points=0, fan=False)),
    "story, lips only": bench.reed_story(made_up_report.story("R-1", cut_mm=0.0, points=1)),
    "story, long name": bench.reed_story(made_up_report.story(NASTY[2])),
    "run of 60": bench.run_map(made_up_report.run()),
    "run of one": bench.run_map(made_up_report.run("solo", 1)),
    "run of 600": bench.run_map(made_up_report.run("big", 600)),
    "run of nasty names": bench.run_map(made_up_report.run(NASTY[0], 24, NASTY)),
    "chanters": bench.chanters_map(made_up_report.report(NASTY).chanters),
    "chanter": bench.chanter_crows(made_up_report.chanter()),
    "chanter, nothing known": bench.chanter_crows(dataclasses.replace(made_up_report.chanter(), points=(), asked=())),
    "batches": shop.batches(made_up_report.batches(), DriftLimits()),
    "one batch": shop.batches(made_up_report.batches(1, 0), DriftLimits()),
    "2400 batches": shop.batches(made_up_report.batches(2400, 150), DriftLimits()),
    "chart": shop.control_chart(made_up_report.chart()),
    "chart of sums": shop.control_chart(made_up_report.chart("cusum", 400)),
    "chart of three": shop.control_chart(made_up_report.chart("ewma", 3)),
    "types": shop.responses(made_up_report.types()),
    "one term": shop.responses([TypeResponse("cane", 1, (Term("gap", "per_mm", Interval(70.0, 20.0, 120.0), True),))]),
    "many types": shop.responses(made_up_report.types(20)),
    "validation": shop.validation(made_up_report.validation()),
    "validation, misses only": shop.validation(Validation((), (("gap", ((-10.0, 1.0, -2.0), (-4.0, -2.0, 0.5))),))),
    "validation, one miss": shop.validation(Validation((), (("gap", ((-10.0, 0.0, 0.0),)),))),
}
UNIT = re.compile(r"\((Hz|mm|cents|%|cents a week|points|cents at A = 440)\)|^cents per|batches.* order of making")


@cache
def both(name: str) -> list[style.Figure]:
    """The picture wide and narrow, laid out."""
    with style.style():
        sheets = [PICTURES[name].draw(narrow) for narrow in (False, True)]
        for drawn in sheets:
            style.settle(drawn)
            drawn.draw_without_rendering()  # the key finds its place only as it is drawn
    return sheets


def wide_svg(picture: style.Picture) -> str:
    """The picture wide, as it stands on the page; no time goes into its other shapes."""
    with style.style():
        drawn = picture.draw(False)
        style.settle(drawn)
        return style._svg(drawn)


@pytest.mark.parametrize("name", PICTURES)
def test_every_axis_says_its_unit_and_nothing_is_clipped(name: str) -> None:
    for drawn in both(name):
        assert drawn.axes
        shared = len({round(axes.get_position().x0, 2) for axes in drawn.axes}) == 1
        for place, axes in enumerate(drawn.axes):
            hidden = shared and place < len(drawn.axes) - 1 and not axes.get_xlabel()
            assert hidden or UNIT.search(axes.get_xlabel()), axes.get_xlabel()
            words = [tick.get_text() for tick in axes.get_yticklabels()]
            named = any(re.search("[A-Za-z]", word) for word in words)
            assert named or UNIT.search(axes.get_ylabel()), axes.get_ylabel()
        unseen = undrawn_ticks(drawn)
        room = drawn.bbox.padded(1.0)
        for text in drawn.findobj(lambda artist: hasattr(artist, "get_text")):
            if text.get_text() and text.get_visible() and id(text) not in unseen:
                box = text.get_window_extent()
                assert room.contains(box.x0, box.y0), text.get_text()
                assert room.contains(box.x1, box.y1), text.get_text()


def undrawn_ticks(drawn: style.Figure) -> set[int]:
    """Labels of ticks beyond the ends of their axis: kept by matplotlib, not drawn."""
    unseen: set[int] = set()
    for axes in [*drawn.axes, *(child for field in drawn.axes for child in field.child_axes)]:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            slack = 1e-9 * (high - low)
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                if not low - slack <= tick.get_loc() <= high + slack:
                    unseen |= {id(tick.label1), id(tick.label2)}
    return unseen


@pytest.mark.parametrize("name", PICTURES)
def test_a_caption_says_what_to_see(name: str) -> None:
    picture = PICTURES[name]
    assert picture.caption.endswith(".")
    assert len(picture.caption.split()) > 6
    assert picture.words != picture.caption
    assert len(picture.title) < 100
    assert re.fullmatch(r"[A-Za-z0-9_-]+", picture.key)


def test_names_beside_points_never_cross_one_another() -> None:
    for drawn in both("run of 60"):
        axes = drawn.axes[0]
        boxes = [text.get_window_extent() for text in axes.texts]
        assert len(boxes) > 15
        crossing = [
            (a, b) for i, a in enumerate(boxes) for b in boxes[:i] if a.shrunk(0.9, 0.8).overlaps(b.shrunk(0.9, 0.8))
        ]
        assert not crossing


@pytest.mark.parametrize("name", ["run of nasty names", "chanters", "types", "batches", "story, long name"])
def test_svg_is_sound_and_holds_only_the_stylesheets_colours(name: str) -> None:
    for svg in map(style._svg, both(name)):
        root = ElementTree.fromstring(svg)  # raises on markup that is not well formed
        tags = {element.tag.split("}")[-1] for element in root.iter()}
        assert "script" not in tags
        assert "image" not in tags
        in_tags = " ".join(re.findall(r"<[^>]*>", svg))
        assert set(re.findall(r"#[0-9a-f]{6}\b", in_tags)) <= set(style.LIGHT.values())


def test_inline_svg_takes_roles_for_colours_and_ids_of_its_own() -> None:
    name = ' id="a" url(#b) #ad4516 style="fill:red" '
    picture = bench.run_map(made_up_report.run("o", 1, (name,)))
    inline = style.inline_svg(wide_svg(picture), "p1w", "a < b", 'words & "more"', "pic wide")
    tags = re.findall(r"<[^>]*>", inline)
    assert not re.search(r"#[0-9a-f]{6}\b", " ".join(tags))
    assert "var(--ink)" in inline
    ids = re.findall(r' id="([^"]*)"', " ".join(tags))
    assert len(ids) == len(set(ids)) > 2
    assert all(one.startswith("p1w-") for one in ids)
    assert set(re.findall(r'(?:url\(#|href="#)([^)"]+)', " ".join(tags))) <= set(ids)
    assert '<title id="p1w-t">a &lt; b</title>' in inline
    assert "words &amp; &quot;more&quot;" in inline
    # The name of the reed is a word of the picture, shortened, and was not taken for markup.
    assert 'id="a" ur…red"' in inline


def luminance(colour: str) -> float:
    """Relative luminance of `#rrggbb`: WCAG 2.2, definition of relative luminance (from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("palette", [style.LIGHT, style.DARK], ids=["light", "dark"])
@pytest.mark.parametrize("role", ["ink", "mute", "f", "e", "cut", "good", "past"])
def test_words_and_marks_stand_out_from_the_paper_by_a_formula_from_memory(palette: dict[str, str], role: str) -> None:
    lighter, darker = sorted((luminance(palette[role]), luminance(palette["paper"])), reverse=True)
    assert (lighter + 0.05) / (darker + 0.05) >= 4.5


def test_contrast_of_black_on_white_is_21() -> None:
    assert (luminance("#ffffff") + 0.05) / (luminance("#000000") + 0.05) == pytest.approx(21.0)


def test_light_and_dark_have_the_same_roles_and_no_colour_twice() -> None:
    assert style.LIGHT.keys() == style.DARK.keys()
    assert len(set(style.LIGHT.values())) == len(style.LIGHT)


def test_shape_carries_the_meaning_where_colour_does() -> None:
    assert len({marker for _, marker in style.TYPE_SERIES}) == len(style.TYPE_SERIES)
    looks = bench._ACTION_LOOK.values()
    assert len({(marker, filled) for _, marker, filled in looks}) == len(looks) == 5


def test_a_decade_is_thinned_and_the_caption_says_so() -> None:
    many = PICTURES["2400 batches"]
    assert "2400 batches" in many.caption
    assert len(wide_svg(many)) < 120_000
    assert "300 are left out" in PICTURES["run of 600"].caption
    assert "The latest 150 of 400 points" in PICTURES["chart of sums"].caption
    big = shop.validation(made_up_report.validation(20_000))
    assert "Of up to 20,000 readings of each, about 140 are drawn" in big.caption
    assert len(wide_svg(big)) < 120_000


def test_one_batch_hardly_known_does_not_flatten_the_others() -> None:
    vague = dataclasses.replace(made_up_report.batches()[3], start_shift_cents=Interval(2.0, -900.0, 900.0))
    with style.style():
        drawn = shop.batches((*made_up_report.batches(), vague), DriftLimits()).draw(False)
    low, high = drawn.axes[0].get_ylim()
    assert -low == high < 100.0
    assert all(abs(batch.start_shift_cents.mean) < high for batch in made_up_report.batches())


def test_meeting_point_of_the_fan() -> None:
    # F 471 + 12 d and E 475.4 − 7 d meet where 19 d = 4.4.
    assert bench.meeting_mm(made_up_report.story().fan) == pytest.approx(0.4 + 4.4 / 19.0)
    assert bench.meeting_mm(made_up_report.story().fan[:3]) is None
    assert bench.meeting_mm(()) is None


def test_story_caption_names_the_cut_and_the_meeting_pitch() -> None:
    caption = PICTURES["story"].caption
    assert "0.15 mm" in caption
    assert "473.8 Hz (473.1 to 474.5)" in caption


def test_glyphs_that_the_font_lacks_become_boxes() -> None:
    assert style.plain("🎶 reed") == "□ reed"
    assert style.plain("cane ½ é") == "cane ½ é"


def test_a_picture_has_no_date_and_the_same_bytes_again_whatever_the_users_own_settings() -> None:
    import matplotlib

    plain = style.render(PICTURES["chart of three"])
    assert "metadata" not in plain.wide_svg
    assert "DOCTYPE" not in plain.wide_svg
    assert b"tEXt" not in plain.png
    assert plain.png.startswith(b"\x89PNG")
    with matplotlib.rc_context({"font.size": 30, "svg.hashsalt": "other", "axes.facecolor": "black"}):
        assert style.render(PICTURES["chart of three"]) == plain


def test_the_drawing_library_says_nothing_of_its_own_on_stderr(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("x")
    done = subprocess.run(
        [sys.executable, "-c", "import trimfit.review.pictures.style"],
        env={**os.environ, "MPLCONFIGDIR": str(blocked / "in")},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""


def test_names_of_marks_that_lie_close_together_are_all_written() -> None:
    with style.style():
        _, (axes,) = style.sheet(True, height_in=4.5)
        axes.plot([0.0, 1.0], [0.0, 1.0], ".")
        close = [(0.5 + 0.01 * (i % 3), 0.5 + 0.01 * (i // 3), f"R-{i:04d}") for i in range(9)]
        assert style.name_points(axes, close) == 9
