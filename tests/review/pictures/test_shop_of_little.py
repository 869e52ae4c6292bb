"""Pictures of shops that know little: what is missing is left out or said, and nothing is drawn that is not known."""

from __future__ import annotations

import dataclasses

import pytest

from tests.review import made_up_report
from trimfit.base.units import Interval
from trimfit.regression.coefficients import Term
from trimfit.review.page import build
from trimfit.review.pictures import bench, shop, style
from trimfit.review.results import Chart, ChartPoint, DriftLimits, Report, TypeResponse


def drawn(picture: style.Picture, narrow: bool = False) -> style.Figure:
    with style.style():
        return picture.draw(narrow)


def key_words(figure: style.Figure) -> set[str]:
    """What the keys of a picture name."""
    labels = {label for axes in figure.axes for label in axes.get_legend_handles_labels()[1]}
    return {str(label) for label in labels}


def test_batches_that_never_rested_have_no_panel_for_moving_by_themselves() -> None:
    still = tuple(dataclasses.replace(batch, settle_cents_per_week=None) for batch in made_up_report.batches(9, 1))
    figure = drawn(shop.batches(still, DriftLimits()))
    assert len(figure.axes) == 2
    assert not any("week" in axes.get_ylabel() for axes in figure.axes)
    assert len(drawn(shop.batches(made_up_report.batches(9, 1), DriftLimits())).axes) == 3


def test_where_every_batch_drifted_no_key_speaks_of_others() -> None:
    drifted = tuple(dataclasses.replace(batch, drifted=True) for batch in made_up_report.batches(4, 1))
    assert key_words(drawn(shop.batches(drifted, DriftLimits()))) == {"called drifted"}


@pytest.mark.parametrize(("drifted", "said"), [(20, False), (100, True)])
def test_of_very_many_drifted_batches_the_surest_are_marked_and_it_is_said(drifted: int, said: bool) -> None:
    made = made_up_report.batches(400, drifted)
    assert ("surest drifted ones are marked" in shop.batches(made, DriftLimits()).caption) is said


def test_a_chart_without_a_word_or_with_one_limit() -> None:
    chart = made_up_report.chart()
    bare = dataclasses.replace(chart, why="")
    assert shop.control_chart(chart).caption.endswith(shop.control_chart(bare).caption)
    points = tuple(dataclasses.replace(point, lower=None) for point in chart.points)
    dashed = [line for line in drawn(shop.control_chart(chart)).axes[0].lines if line.get_linestyle() == "--"]
    one_limit = dataclasses.replace(chart, points=points)
    left = [line for line in drawn(shop.control_chart(one_limit)).axes[0].lines if line.get_linestyle() == "--"]
    assert (len(dashed), len(left)) == (2, 1)


@pytest.mark.parametrize("down", [False, True])
def test_a_signal_of_a_sum_or_an_average_names_the_first_and_the_last_batch_of_its_run(down: bool) -> None:
    def chart(kind: str) -> Chart:
        points = []
        for i, far in enumerate((0.0, 1.0, 0.0, 2.0, 4.0, 6.0, 5.5, 4.0)):
            value, second = (0.5, -far) if down else (far, -0.5)
            if kind != "cusum":
                value, second = (second if down else value), None
            points.append(ChartPoint(f"B-{i}", value, -5.0, 5.0, far > 5.0, second, f"2030-01-0{i + 1}"))
        return Chart("cane", "start", "cents", kind, 0.0, tuple(points))

    for kind in ("cusum", "ewma"):
        run = "is of 4 batches, from B-3 (made 2030-01-04) to B-6 (made 2030-01-07)."
        assert run in shop.control_chart(chart(kind)).caption
    each = shop.control_chart(chart("individuals")).caption
    assert each.endswith("B-5 (made 2030-01-06), B-6 (made 2030-01-07). Something changed there.")


def test_an_odd_number_of_terms_leaves_no_empty_field() -> None:
    terms = ("per_mm", "per_kpa", "per_degc")
    outputs = {"per_mm": "gap", "per_kpa": "top", "per_degc": "all"}
    one = TypeResponse("cane", 12, tuple(Term(outputs[term], term, Interval(7.0, 6.0, 8.0), False) for term in terms))
    for narrow in (False, True):
        figure = drawn(shop.responses([one]), narrow)
        assert [axes.get_title(loc="left") for axes in figure.axes] == [shop.TERM_WORDS[term][0] for term in terms]


def test_a_type_whose_gap_is_not_known_is_named_with_its_reeds() -> None:
    one = TypeResponse("cane", 12, (Term("crow", "per_mm", Interval(90.0, 80.0, 100.0), False),))
    words = shop.responses([one]).words
    assert "cane: 12 reeds." in words
    assert "closes the gap" not in words


def test_a_reed_without_advice_has_no_next_step() -> None:
    with_advice, without = made_up_report.story(), dataclasses.replace(made_up_report.story(), advice=None)
    assert "Next: 0.15 mm" in bench.reed_story(with_advice).caption
    unread = bench.reed_story(dataclasses.replace(without, points=()))
    assert "no reading of F and E in" in unread.words
    assert "round marks" not in unread.words
    caption = bench.reed_story(without).caption
    assert "Next:" not in caption
    assert "Now:" not in caption
    texts = [text.get_text() for text in drawn(bench.reed_story(without)).axes[0].texts]
    assert not any(text.startswith("cut ") for text in texts)


def test_a_run_without_a_known_pitch_draws_no_line_for_it() -> None:
    run = dataclasses.replace(made_up_report.run(reeds=20), meet_pitch_hz=None)
    assert not {"meeting pitch", "pitch ordered"} & key_words(drawn(bench.run_map(run)))
    ordered = dataclasses.replace(run, order=dataclasses.replace(run.order, target_pitch_hz=474.0))
    assert "pitch ordered" in key_words(drawn(bench.run_map(ordered)))


def test_a_run_with_nothing_to_trim_names_no_nearest() -> None:
    run = made_up_report.run(reeds=21)
    done = dataclasses.replace(run, reeds=tuple(reed for reed in run.reeds if reed.advice.action != "trim"))
    assert "Nearest to meeting" in bench.run_map(run).words
    assert "Nearest to meeting" not in bench.run_map(done).words


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize(
    ("kept", "said", "not_said"),
    [
        (
            {"per_mm"},
            ("Length: over the first half millimetre a tenth",),
            ("Blowing:", "Lips:", "Warmth:", "be bolder"),
        ),
        ({"per_mm", "curvature"}, ("The second half millimetre closes the gap by more than the first: be bolder",), ()),
        ({"per_kpa"}, ("Blowing: a kilopascal",), ("Length:", "Lips:", "Warmth:")),
        ({"per_degc"}, ("Warmth: five degrees",), ("Length:", "Blowing:", "Lips:", "hardly feels")),
        ({"per_week"}, ("The numbers learned",), ("Length:", "Blowing:", "Lips:", "Warmth:")),
    ],
)
def test_what_types_do_is_said_as_far_as_it_is_known(
    kept: set[str], said: tuple[str, ...], not_said: tuple[str, ...]
) -> None:
    def known(kind: TypeResponse) -> TypeResponse:
        mine = tuple(one for one in kind.coefficients if one.term in kept)
        odd = (Term("gap", "per_week", Interval(1.0, 0.5, 1.5), False),)
        return dataclasses.replace(kind, coefficients=mine or odd)

    text, _ = build.build(Report(types=tuple(known(kind) for kind in made_up_report.types())))
    for words in said:
        assert words in text
    for words in not_said:
        assert words not in text


@pytest.mark.usefixtures("undrawn")
def test_where_new_reeds_start_is_left_out_where_too_few_were_read() -> None:
    text, _ = build.build(Report(types=made_up_report.types()[:1]))
    assert "Where new reeds start" not in text
