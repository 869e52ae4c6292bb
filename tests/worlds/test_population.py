"""The filter that knows the population, by which what is said of chanters that are away is measured."""

from __future__ import annotations

import numpy as np
import pytest

from tests.worlds.away import AT_HAND_OF_KIND, BENCHES, Place
from tests.worlds.population import (
    GAUGE_MM_PER_CENT,
    GAUGE_SD_MM,
    STATED_CROW_CENTS,
    STATED_PITCH_CENTS,
    WITHIN,
    Stated,
    asked_crows,
    crow_given,
)


@pytest.mark.parametrize(
    "stated",
    [Stated(), Stated(crow_cents=(12.0,)), Stated(pitch_cents=-7.0, crow_cents=(12.0,)), Stated(gauge_cents=6.0),
     Stated(crow_cents=(12.0, -25.0, 50.0))],
)  # fmt: skip
def test_what_is_stated_of_a_chanter_is_weighed_as_draws_of_chanters_are(stated: Stated) -> None:
    rng = np.random.default_rng(2)
    pitch, crow = rng.multivariate_normal(np.zeros(2), WITHIN, 400_000).T
    weight = np.ones(len(crow))
    of_gauge = GAUGE_SD_MM / GAUGE_MM_PER_CENT
    for value, error in ((stated.pitch_cents, STATED_PITCH_CENTS), (stated.gauge_cents, of_gauge)):
        if value is not None:
            weight *= np.exp(-0.5 * ((pitch - value) / error) ** 2)
    if stated.crow_cents:
        weight *= sum(np.exp(-0.5 * ((crow - value) / STATED_CROW_CENTS) ** 2) for value in stated.crow_cents)
    error = float(np.std(crow) / np.sqrt(weight.sum() ** 2 / np.sum(weight**2)))
    assert crow_given(stated) == pytest.approx(np.average(crow, weights=weight), abs=4.0 * error)


def test_the_crows_that_chanters_ask_are_found_in_a_log() -> None:
    """Some 4 cents is what eighteen reeds in each leave unknown, each type's ten batches apart by as much as reeds are;
    a chanter of a kind is by itself 14 cents from its kind."""
    place = Place(BENCHES[0], 3, 360)
    kinds = np.repeat(place.means[:, 1], AT_HAND_OF_KIND)
    found = asked_crows(place.world.physics, place.shop.frame, [made.pipe for made in place.own], kinds)
    off = found - kinds - np.array([made.own_cents[1] for made in place.own])
    assert 2.0 < float(np.sqrt(np.mean(off**2))) < 6.0
