"""The filters that know the population, by which what is said of chanters that are away is measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.worlds.away import AT_HAND_OF_KIND, BENCHES, Place
from tests.worlds.physics import Kind, Multiplicative
from tests.worlds.population import (
    GAUGE_MM_PER_CENT,
    GAUGE_SD_MM,
    STATED_CROW_CENTS,
    STATED_PITCH_CENTS,
    TYPE_SD,
    WITHIN,
    Known,
    Stated,
    all_known,
    asked_crow_cents,
    gap_shift_cents,
    known_by_log,
)

OF_KIND = np.array([-8.0, 20.0])
"""A kind's meeting pitch and asked crow, cents from the usual."""


@pytest.mark.parametrize(
    "stated",
    [Stated(), Stated(crow_cents=350.0, types=(1,)), Stated(-15.0, crow_cents=350.0, types=(0,)),
     Stated(gauge_cents=-2.0), Stated(crow_cents=350.0, types=(0, 1, 2))],
)  # fmt: skip
def test_what_is_stated_of_a_chanter_is_weighed_as_draws_of_chanters_are(stated: Stated) -> None:
    rng = np.random.default_rng(2)
    physics = Multiplicative(rng)
    pitch, crow = rng.multivariate_normal(OF_KIND, WITHIN, 400_000).T
    weight = np.ones(len(crow))
    of_gauge = GAUGE_SD_MM / GAUGE_MM_PER_CENT
    for value, error in ((stated.pitch_cents, STATED_PITCH_CENTS), (stated.gauge_cents, of_gauge)):
        if value is not None:
            weight *= np.exp(-0.5 * ((pitch - value) / error) ** 2)
    if stated.crow_cents is not None:

        def asked(kind: Kind, crow_cents: float) -> float:
            shift = {kind.name: float(gap_shift_cents(kind, crow_cents))}
            return asked_crow_cents(physics, kind, replace(physics.pipes[0], gap_shift_cents=shift))

        of_types = np.zeros(len(crow))
        for kind in [physics.kinds[number] for number in stated.types]:
            said = np.interp(crow, [-60.0, 100.0], [asked(kind, -60.0), asked(kind, 100.0)])
            of_types += np.exp(-0.5 * ((said - stated.crow_cents) / STATED_CROW_CENTS) ** 2)
        weight *= of_types
    error = float(np.std(crow) / np.sqrt(weight.sum() ** 2 / np.sum(weight**2)))
    known = all_known(physics, OF_KIND[None], np.zeros((0, 2)))
    assert known.crow_away(0, stated) == pytest.approx(np.average(crow, weights=weight), abs=4.0 * error + 0.05)


def test_what_a_log_tells_of_chanters_and_kinds() -> None:
    """Some 4 cents is what eighteen reeds in each leave unknown of a crow, each type's ten batches apart by as much as
    reeds are. A chanter of a kind is by itself 14 cents from its kind, and five tell a kind's mean to some 6; who knows
    no kind and no type errs more, and by as much as it says."""
    place = Place(BENCHES[0], 3, 360)
    pipes, kind_of = [made.pipe for made in place.own], np.array([made.kind for made in place.own])
    own = np.array([place.means[made.kind] + made.own_cents for made in place.own])

    def errors(known: Known) -> tuple[float, float]:
        off = [known.crow_at_hand(number) - crow for number, crow in enumerate(own[:, 1])]
        kinds = [known.crow_away(number, Stated()) - crow for number, crow in enumerate(place.means[:, 1])]
        return float(np.sqrt(np.mean(np.square(off)))), float(np.sqrt(np.mean(np.square(kinds))))

    frame, physics = place.shop.frame, place.world.physics
    kinds_known = known_by_log(physics, frame, pipes, kind_of, (place.means, np.full(2, 1e-3)))
    apart = np.array([place.bench.kind_pitch_cents, place.bench.kind_crow_cents])
    nothing_known = known_by_log(physics, frame, pipes, kind_of, (np.zeros_like(place.means), apart), TYPE_SD)
    at_hand, of_kinds = errors(kinds_known)
    assert 2.0 < at_hand < 6.0
    assert of_kinds < 0.1
    at_hand_less, of_kinds_less = errors(nothing_known)
    assert at_hand < at_hand_less
    crows = 2 * np.arange(len(pipes)) + 1
    off = nothing_known.mean[crows] - own[:, 1]
    z2 = float(off @ np.linalg.solve(nothing_known.cov[np.ix_(crows, crows)], off))
    assert AT_HAND_OF_KIND < z2 < 2.0 * len(pipes)
    assert 2.0 < of_kinds_less < 14.0
