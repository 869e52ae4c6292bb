"""The reports' shops are independent, as their standard errors over the shops take them to be."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.reported_figures import REPORTS, rows_of
from tests.worlds import allotting, asking, growth, proof, staying, visits
from tests.worlds.constants import constants
from tests.worlds.shop import World


class ShopsKnown(Exception):
    """Which shops a report is of is known; none need be played."""


def _stop(*_: Any, **__: Any) -> None:
    raise ShopsKnown


@pytest.mark.parametrize(
    ("module", "write", "work"),
    [
        (proof, lambda: proof.played(1000, None), "side_by_side"),
        (asking, lambda: asking.write(2), "side_by_side"),
        (growth, lambda: growth.main([]), "write"),
        (allotting, lambda: allotting.main([]), "report"),
    ],
)
def test_no_two_shops_of_a_report_draw_the_same_reeds(
    module: Any, write: Callable[[], object], work: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    shops: list[tuple[str, int]] = []

    def one_shop(name: str, seed: int, *_: object) -> list[Any]:
        shops.append((name, seed))
        return []

    def given(_: object, shops_given: Any) -> None:
        shops.extend(shop[:2] for shop in shops_given)
        raise ShopsKnown

    monkeypatch.setattr(module, work, given if work == "side_by_side" else _stop)
    for name in ("in_one_shop", "boxes_of"):
        monkeypatch.setattr(module, name, one_shop, raising=False)
    if module is growth:
        monkeypatch.setattr(growth, "summed", lambda _: growth.pd.DataFrame())
    with pytest.raises(ShopsKnown):
        write()
    assert len(shops) >= 4
    assert len({seed for _, seed in shops}) == len(shops)


def test_of_one_seed_the_benches_draw_the_same_reeds_and_of_seeds_of_their_own_they_do_not() -> None:
    def wanting(name: str, seed: int) -> list[float]:
        world = World(name, np.random.default_rng(seed))
        return [reed.true_gap_cents() for reed in world.new_reeds(np.random.default_rng(seed), 60, 20)]

    first, other = "saturating", "multiplicative"
    own = dict(proof.shops_of((first, other), 1))
    assert np.corrcoef(wanting(first, 1), wanting(other, 1))[0, 1] > 0.8
    assert abs(np.corrcoef(wanting(first, own[first]), wanting(other, own[other]))[0, 1]) < 0.6


def test_what_is_said_under_a_table_is_what_stands_in_it() -> None:
    lain = pd.DataFrame(rows_of("staying", "gap coverage %"))
    chances = pd.DataFrame(rows_of("visits", "over the ceiling")).astype({"cuts": int})
    said = {
        "foretelling": proof.gap_held([row["gap"] for row in rows_of("foretelling", "low_g")]),
        "staying": staying.least_held(lain, pd.DataFrame(rows_of("staying", "gap, cane"))),
        "visits": visits.stated_and_found(chances),
    }
    for report, sentence in said.items():
        assert f"\n\n{sentence}\n\n" in (REPORTS / f"{report}.md").read_text(encoding="utf-8"), sentence
    assert proof.gap_held(["91.0 ± 0.2", "89.9 ± 0.1"]) == (
        "Of the gap it held 89.9 to 91.0 in a hundred: less than the 90 stated on 1 of the 2 benches."
    )


def test_the_page_of_constants_has_those_that_are_there() -> None:
    """A constant that came after the page was made was missing from it."""
    listed = [
        (row["constant"].strip("`"), row["file"]) for row in rows_of("constants", "constant", "gap error doubled")
    ]
    there = [(one.name, one.module.removeprefix("trimfit.regression.")) for one in constants()]
    assert listed == there


def test_shops_that_agree_by_luck_do_not_make_a_share_exact() -> None:
    assert proof.with_error(2.0, [2.0, 2.0, 2.0, 2.0], 400) == "2.0 ± 0.7"
    assert proof.with_error(2.0, [0.0, 0.0, 0.0, 8.0], 400) == "2.0 ± 2.0"
