"""The standard errors of the boxes' page are over the shops, whose boxes are not independent."""

from __future__ import annotations

from tests.worlds.allotting import Box, Outcome, mean_se, saved
from trimfit.planner.forecast import Forecast

MINUTES = {1: 20.0, 2: 26.0, 101: 17.0, 102: 31.0}


def boxes_of(each: int, minutes: dict[int, float] = MINUTES) -> list[Box]:
    """Boxes of four shops, those of one shop all alike."""
    made = []
    for shop, taken in minutes.items():
        reeds = [Outcome(Forecast(*[0.0] * len(Forecast.__dataclass_fields__)), 2, 4, taken > 30.0, True, taken)] * 3
        made += [Box("beam" if shop < 100 else "heavy", shop, "own pitch", "allotted", reeds, 0, 0.0)] * each
    return made


def test_boxes_of_a_shop_that_are_all_alike_say_no_more_than_one_of_them() -> None:
    # by hand: mean 23.5, deviations -3.5, 2.5, -6.5, 7.5, their sample standard deviation 6.245; over root four, 3.12
    assert mean_se(boxes_of(1), "minutes") == mean_se(boxes_of(5), "minutes") == "23.50 ± 3.12"
    assert mean_se(boxes_of(2), "past", 100.0) == "25.00 ± 25.00"
    flat = dict.fromkeys(MINUTES, 25.0)
    assert saved(boxes_of(1), boxes_of(1, flat)) == saved(boxes_of(5), boxes_of(5, flat)) == "6 ± 12 %"


def test_where_none_went_past_no_error_is_given() -> None:
    assert mean_se(boxes_of(2, {1: 20.0, 2: 26.0}), "past", 100.0) == "0.00"
