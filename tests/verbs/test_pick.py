"""How many reeds an order is short, and how many to start: said in one way, whoever asks."""

from __future__ import annotations

import pytest

from trimfit.verbs.pick import shortage_words


@pytest.mark.parametrize(
    ("wanted", "in_hand", "to_start", "send", "said"),
    [
        (19, 16, 10, None, "you are 3 short; expect some of the 16 in hand to fail: start 10"),
        (16, 16, 5, None, "16 in hand for 16; expect some of the 16 in hand to fail: start 5"),
        (3, 0, 3, None, "you are 3 short: start 3"),
        (3, 4, 20, 24, "4 in hand for 3; its chanter is away, so that 24 would be sent in all: start 20"),
        (3, 0, None, None, "you are 3 short; hardly any of these would be good"),
        (0, 2, 0, None, "none is wanted"),
        (None, 2, None, None, "the order names no number"),
    ],
)
def test_how_many_an_order_is_short(
    wanted: int | None, in_hand: int, to_start: int | None, send: int | None, said: str
) -> None:
    assert shortage_words(wanted, in_hand, to_start, send) == said
