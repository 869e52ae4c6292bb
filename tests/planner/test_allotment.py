"""The assignment against every assignment there is, and against an example of the literature."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.planner.allotment import assigned

minutes = st.one_of(st.floats(0.0, 200.0), st.just(math.inf))


def cheapest(cost: np.ndarray, wanted: list[int], empty: float) -> float:
    """The least cost over all ways to put reeds to orders, each tried."""
    reeds, orders = cost.shape
    best = math.inf
    for way in itertools.product((None, *range(orders)), repeat=reeds):
        taken = [sum(order == o for order in way) for o in range(orders)]
        if all(t <= w for t, w in zip(taken, wanted, strict=True)):
            cost_of = sum(cost[reed, order] for reed, order in enumerate(way) if order is not None)
            best = min(best, cost_of + empty * (sum(wanted) - sum(taken)))
    return best


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_way_to_put_reeds_to_orders_is_cheaper(data: st.DataObject) -> None:
    reeds, orders = data.draw(st.integers(1, 5)), data.draw(st.integers(1, 3))
    cost = np.array(data.draw(st.lists(minutes, min_size=reeds * orders, max_size=reeds * orders)))
    cost = cost.reshape(reeds, orders)
    wanted = data.draw(st.lists(st.integers(0, 3), min_size=orders, max_size=orders))
    empty = data.draw(st.floats(0.0, 150.0))
    way, total = assigned(cost, wanted, empty)
    assert total == pytest.approx(cheapest(cost, wanted, empty), abs=1e-6)
    assert all(way.count(order) <= wanted[order] for order in range(orders))
    own = sum(cost[reed, order] for reed, order in enumerate(way) if order is not None)
    places = sum(wanted) - sum(order is not None for order in way)
    assert total == pytest.approx(own + empty * places, abs=1e-6)


def test_an_assignment_of_a_textbook_from_memory_costs_what_it_says() -> None:
    """Four tasks for four workers, the worked example of the article "Hungarian algorithm" and of many lectures, typed
    from memory: 82 83 69 92 / 77 37 49 92 / 11 69 5 86 / 8 9 98 23, least cost 140 (69 + 37 + 11 + 23)."""
    cost = np.array([[82, 83, 69, 92], [77, 37, 49, 92], [11, 69, 5, 86], [8, 9, 98, 23]], dtype=float)
    way, total = assigned(cost, [1, 1, 1, 1], 1000.0)
    assert (way, total) == ([2, 1, 0, 3], 140.0)
    assert total == cheapest(cost, [1, 1, 1, 1], 1000.0)


def test_a_place_stays_empty_rather_than_cost_more_and_a_forbidden_pair_is_never_taken() -> None:
    way, total = assigned(np.array([[5.0, math.inf], [200.0, 200.0]]), [1, 1], 120.0)
    assert (way, total) == ([0, None], 125.0)
    assert assigned(np.full((2, 1), math.inf), [2], 0.0) == ([None, None], 0.0)
    assert assigned(np.zeros((3, 0)), [], 120.0) == ([None, None, None], 0.0)
