"""`learn` at a terminal: what a maker asks first stands first, and the report after it knows the same errors."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.typed_words import run
from tests.opened import meeting_log, small_shop
from trimfit.base.records import Reading
from trimfit.cli.learn import _share
from trimfit.log.journal import Journal
from trimfit.review.results import FEW_HELD_OUT, held_out_words
from trimfit.verbs.reviews.report import _validation

RULE = "the simple rule, the last reading plus the type's average slope"


@pytest.mark.parametrize(
    ("error", "rule", "said"),
    [(2.5, 3.7, "better than"), (3.7, 2.5, "worse than"), (2.55, 2.5, "about as good as")],
)
def test_the_simple_rule_stands_beside_the_error_also_where_it_is_better(error: float, rule: float, said: str) -> None:
    first, second = held_out_words(721, error, rule, 700)
    assert first == (
        f"A gap read again was predicted to {error:.1f} cents, its batch left out of the coefficients (root mean "
        "square of 721 readings; those that a rule missed wildly are left out)."
    )
    assert second.startswith(f"That is {said} the simple rule")
    assert "Few" not in second
    first, second = held_out_words(7, error, rule, 7)
    assert first.endswith("Few, so these figures may change much.")
    not_yet = (
        f"Whether that beats {RULE}, is not known yet: it takes 20 such readings of types with two batches or more."
    )
    assert second == held_out_words(721, error, rule, 19)[1] == not_yet


@pytest.mark.parametrize(
    ("error", "rule", "first", "second"),
    [
        (0.03, 0.001, "under 0.1", f"about as good as {RULE}: under 0.1"),
        (0.14, 0.06, "0.1", f"about as good as {RULE}: 0.1"),
        (0.03, 0.4, "under 0.1", f"better than {RULE}: 0.4"),
    ],
)
def test_of_errors_that_are_alike_as_shown_neither_is_worse(error: float, rule: float, first: str, second: str) -> None:
    """Was: predicted to 0.0 cents, worse than the simple rule: 0.0 cents."""
    said = held_out_words(721, error, rule, 700)
    assert said[0].startswith(f"A gap read again was predicted to {first} cents, ")
    assert said[1] == f"That is {second} cents."


def test_a_share_of_none_or_all_has_the_error_of_one_in_one_more() -> None:
    assert _share(0.0, FEW_HELD_OUT - 1) == "too few"
    assert _share(0.97, 9000) == "97 ± <1"
    assert _share(0.5, 25) == "50 ± 16"  # 1.645 standard errors of 10
    assert (_share(0.0, 24), _share(1.0, 24)) == ("0 ± 7", "100 ± 7")  # of 25, one or all but one: sqrt(.04 .96 / 24)


def test_of_a_small_log_the_first_lines_and_the_report_know_how_far_off_the_gap_was(tmp_path: Path) -> None:
    """One batch, no note read but F, E and the A's: a gap needs no more."""
    log = tmp_path / "log"
    small_shop(log, 3, lambda i: 0.1 + 0.01 * i)
    with Journal(log) as journal:
        for minute in (1, 2):  # again within a minute, and still on one day
            journal.append(Reading("R-0", f"2026-09-13T10:0{minute}", "near", None, {"f": 780.0, "e": 701.0}))
    done = run(log, "learn")
    assert done.returncode == 0
    said = " ".join(done.stdout.split())
    assert said.startswith("Over the first half millimetre a tenth closes the gap by ")
    assert "A gap read again was predicted to" in said
    assert f"Whether that beats {RULE}, is not known yet" in said
    assert "compared error type slope last slope" in said
    assert "readings 50 % 80 % 90 % 95 %" in said
    assert "not quite the readings compared above, none of which is predicted from the crow alone" in said
    assert "assumed: no reed was read on two different days with no work between" in said
    assert "second opinion" not in said
    with Journal(log) as journal:
        found = _validation(journal)
    assert found is not None
    (gap,) = (row for row in found.rows if row.output == "gap" and not row.reed_type)
    assert gap.readings
    assert gap.predicted_readings >= gap.readings


def test_what_is_assumed_is_marked_and_the_mark_explained(tmp_path: Path) -> None:
    """No stroke was ever logged: nothing that was read tells what one does. Every cut was: what a millimetre does to
    the gap is learned."""
    log = tmp_path / "log"
    small_shop(log, 4, lambda _: 0.2)
    lines = run(log, "learn", "--second-opinion").stdout.splitlines()
    assert lines[-1] == "ridge: too few readings for a second opinion"
    of_length, of_all_else = [line for line in lines if line.startswith("gap ")][:2]
    cells = [cell for gap in (of_length, of_all_else) for cell in gap.split("  ")[1:] if cell]
    marked = [cell.endswith("*") for cell in cells]
    after = lines[lines.index(of_all_else) :]
    assert next(line for line in after if line.startswith("*")).startswith("* assumed so far")
    assumed = json.loads(run(log, "learn", "--json").stdout)["types"][0]["outputs"]["gap"]["assumed"]
    assert marked == [term in assumed for term in ("per_mm", "curvature", "per_stroke", "per_kpa", "per_degc")]
    assert (marked[0], marked[2]) == (False, True)


def test_what_varies_and_how_reeds_settle_are_marked_where_they_are_the_assumption_still(tmp_path: Path) -> None:
    log = tmp_path / "log"
    meeting_log(log, None, readings=1)
    found = json.loads(run(log, "learn", "--json").stdout)
    assumed = {part["part"]: part["assumed"] for part in found["variance"]}
    assert assumed["reading"] == ["gap", "crow", "pitch"]
    assert assumed["chanter"] == ["gap", "pitch"]
    assert {"gap_per_mm", "crow_per_mm"} <= set(assumed["reed"])
    assert "gap" not in assumed["reed"]
    said = run(log, "learn").stdout
    varying = said.split("what varies")[1].splitlines()
    row = next(line for line in varying if line.startswith("reed "))
    assert row.count("*") == len(assumed["reed"])
    settles = next(line for line in said.split("the gap settles in all")[1].splitlines() if line.startswith("ridge"))
    assert settles.count("*") == 2
    assert "crows alone counted" in said


def test_check_says_where_no_reading_was_weighed_against_the_others_yet(tmp_path: Path) -> None:
    log = tmp_path / "log"
    meeting_log(log, None, readings=1)
    assert "no reading was weighed against the others yet" in run(log, "check").stdout
    run(log, "learn")
    assert "weighed" not in run(log, "check").stdout
