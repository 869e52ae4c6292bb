"""How many reeds to start: against the binomial law, and at the ends."""

from __future__ import annotations

import itertools
import math

import pytest

from trimfit.base.errors import InputError
from trimfit.planner import expected_cost


def test_costs_of_nothing_are_refused() -> None:
    with pytest.raises(InputError, match="must be above zero"):
        expected_cost.critical_ratio(0.0, 1.0)


@pytest.mark.parametrize(("wanted", "share"), [(1, 0.3), (19, 0.885), (40, 0.97), (6, 0.5)])
def test_reeds_to_start_are_the_least_that_are_enough(wanted: int, share: float) -> None:
    """Against the binomial law summed out: the least number that is enough with the chance of the critical ratio."""
    short, over = 120.0, 9.0
    number, started, sure = expected_cost.reeds_to_start(wanted, [], [share], short, over)

    def enough(n: int) -> float:
        return sum(math.comb(n, k) * share**k * (1.0 - share) ** (n - k) for k in range(wanted, n + 1))

    assert number == started
    assert sure == pytest.approx(enough(number), rel=1e-9)
    assert enough(number) >= expected_cost.critical_ratio(short, over) > enough(number - 1)
    assert expected_cost.reeds_to_start(wanted, [], [share], 2.0 * short, over)[0] >= number


def test_reeds_differ_in_their_chance_and_those_in_hand_count_first() -> None:
    """Against every way in which the reeds can end, summed out."""
    in_hand, blanks, wanted = [0.95, 0.002, 0.9, 0.6], [0.97, 0.9, 0.8], 4

    def enough(good: list[float]) -> float:
        ways = itertools.product((0, 1), repeat=len(good))
        return sum(
            math.prod(p if is_good else 1.0 - p for p, is_good in zip(good, way, strict=True))
            for way in ways
            if sum(way) >= wanted
        )

    number, started, sure = expected_cost.reeds_to_start(wanted, in_hand, blanks, 120.0, 9.0)
    ratio = expected_cost.critical_ratio(120.0, 9.0)
    after = [enough(in_hand + [*blanks, 0.8][:n]) for n in range(5)]
    assert number == len(in_hand) + started
    assert sure == pytest.approx(after[started], rel=1e-9)
    assert after[started] >= ratio > after[started - 1]
    assert expected_cost.reeds_to_start(1, in_hand, blanks, 120.0, 9.0)[:2] == (1, 0)


def test_reeds_to_start_at_the_ends() -> None:
    assert expected_cost.reeds_to_start(0, [], [0.5], 120.0, 9.0) == (0, 0, 1.0)
    assert expected_cost.reeds_to_start(7, [], [1.0], 120.0, 9.0) == (7, 7, 1.0)
    for blanks in ([0.0], []):
        with pytest.raises(InputError, match="none of these would be good"):
            expected_cost.reeds_to_start(7, [], blanks, 120.0, 9.0)
