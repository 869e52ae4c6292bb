"""A first reading far outside its type is a slip until a second one bears it out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tests.regression.dense_shop import K, before, card_of, part_of, small_shop
from trimfit.regression.movement.explanations import LatestSitting, _less, explained, latest_sitting
from trimfit.regression.movement.process import assumed_movement, settled
from trimfit.regression.outputs import block_diagonal
from trimfit.regression.posterior.reed import Moment, ReedState, batch_states

E, F = 6, 7


def sitting_of(
    *swapped: float, owner: bool = False, days: float = 0.0, first: int = 0, crow_off: float | None = None
) -> tuple[ReedState, LatestSitting | None]:
    """A new reed after readings of one sitting, of which some have F and E taken for each other (True), or an F
    that is so many cents off, and that sitting.

    owner: they were taken in a chanter that is with its owner. days: how long the reed has lain since. first: so many
    sound readings were taken ten days before the others. crow_off: the last reading is of the crow alone, and off by so
    many cents.
    """
    shop = small_shop(8, batches=(0,), reeds=2, holes=0.0, chanters=1)
    model = replace(card_of(shop, before(shop)), movement=assumed_movement(2), jumped=(), low_weight={}, readings=0)
    swapped, n = (*(0.0,) * first, *swapped), first + len(swapped)
    y = np.tile(np.r_[400.0, np.full(K - 1, 110.0)], (n, 1))
    y[:, F] -= 20.0
    y[:, E] += 20.0
    y += (np.linalg.cholesky(model.noise_cov) @ np.random.default_rng(3).standard_normal((K, n))).T
    for row, slip in zip(y, swapped, strict=True):
        if slip is not True:
            row[F] += slip
        else:  # the note that is F's by name lies 204 cents higher: each output is in cents from its own just note
            row[F], row[E] = row[E] - 204.0, row[F] + 204.0
    if crow_off is not None:
        y[-1, 1:], y[-1, 0] = np.nan, y[-1, 0] + crow_off
    rows = replace(
        part_of(shop.rows, np.zeros(n, dtype=np.intp)), y=y, removed_mm=np.zeros(n), lip=np.zeros(n),
        day=0.01 * np.arange(n) + 10.0 * (np.arange(n) >= first), since_work=np.zeros((n, 2)),
        made_day=np.full(n, np.nan),
        event=np.zeros(n, dtype=bool), jump=np.zeros(n), reeds=("one",), reed_code=np.zeros(n, dtype=np.intp),
        chanter_code=np.full(n, 0 if owner else -1), weight=np.ones((n, K)),
    )  # fmt: skip
    coding = replace(model.coding, away=(0,), owners_weight=0.25) if owner else model.coding
    now = Moment(rows.day[-1:] + days, settled(rows)[-1:], np.zeros((1, 2)))
    (state,), _, weighed = batch_states(
        model,
        rows,
        coding,
        0,
        in_fit=np.zeros(n, dtype=bool),
        extra_chanters=[0] if owner else [],
        chanter_names=("Far",),
        now=now,
    )
    return state, latest_sitting(state, weighed, coding, ("Far",), 0, settled(rows)[-1])


def gaps_seen(*swapped: float, days: float = 0.0) -> tuple[float, float, NDArray[np.float64]]:
    """Mean and sd of the reed's F - E, and the chances of the other explanations."""
    state, latest = sitting_of(*swapped, days=days)
    assert latest is not None
    state, others = explained(state, latest, 0.01)
    contrast = np.zeros(len(state.mean))
    contrast[F], contrast[E] = 1.0, -1.0
    sd = float(np.sqrt(contrast @ state.cov @ contrast))
    return float(contrast @ state.mean), sd, np.array([one.chance for one in others])


def test_f_and_e_taken_for_each_other_tell_next_to_nothing() -> None:
    _, sound_sd, others = gaps_seen(False)
    assert sound_sd < 5.0
    assert others.sum() < 0.2
    mean, sd, _ = gaps_seen(True)
    assert sd > 3.0 * sound_sd
    assert mean > -200.0  # as read, it is some 370 cents under


def test_a_crow_alone_that_is_a_semitone_off_is_a_slip_and_moves_no_reed() -> None:
    """Was: the reed had jumped by as much as its crow said, and a sound one was called past."""
    gaps = []
    for off in (0.0, 100.0, -100.0):
        state, latest = sitting_of(0.0, first=2, crow_off=off)
        assert latest is not None
        likeliest, _ = explained(state, latest, 0.01)
        assert bool(likeliest.set_aside) == (off != 0.0)
        gaps.append(float(likeliest.mean[F] - likeliest.mean[E]))
    assert max(abs(gap - gaps[0]) for gap in gaps) < 4.0


def test_two_that_agree_are_believed_however_far_they_lie() -> None:
    mean, sd, _ = gaps_seen(True, True)
    assert mean < -300.0
    assert sd < 10.0


def test_a_sound_reading_after_a_slip_is_followed() -> None:
    mean, sd, _ = gaps_seen(True, False)
    assert abs(mean + 40.0) < 8.0
    assert sd < 5.0


def test_two_that_are_wrong_in_their_own_ways_are_both_set_aside() -> None:
    """Was: one could be wrong, and the other was averaged with the sound ones."""
    mean, _, _ = gaps_seen(0.0, 0.0, -60.0, -250.0)
    assert abs(mean + 40.0) < 8.0


def test_two_that_contradict_each_other_are_weighed_alike_while_the_reed_lies() -> None:
    """Was: once their sitting was over, they were taken as the fit had weighed them, and the doubt was gone."""
    hour = 1.0 / 24.0
    at_once, later = (gaps_seen(0.0, 14.0, days=days) for days in (5.9 * hour, 6.1 * hour))
    assert at_once[2].sum() > 0.2
    assert abs(later[0] - at_once[0]) < 0.5
    np.testing.assert_allclose(later[2], at_once[2], atol=0.02)


def test_what_the_readings_of_a_sitting_that_is_over_told_is_taken_out_again() -> None:
    """With its errors as they were counted, what they share among them, the reed is as if it had not been read."""
    state, latest = sitting_of(0.0, 0.0, 0.0, days=3.0, first=3)
    assert latest is not None
    assert len(latest.cents) == 3
    design, cents = np.concatenate(latest.designs), np.concatenate(latest.cents)
    before = _less(state, design, cents, block_diagonal(latest.counted) + latest.shared, 0.9999)
    never, _ = sitting_of(days=13.02, first=3)
    output = state.design(0.0, 0.0, None)
    sds = [np.sqrt(np.diag(output @ one.cov @ output.T)) for one in (state, before, never)]
    assert (sds[0] < 0.9 * sds[2]).all()
    np.testing.assert_allclose(sds[1], sds[2], rtol=0.02)


def test_a_sound_reading_of_an_owner_errs_by_what_it_is_counted_with() -> None:
    _, latest = sitting_of(False, owner=True)
    _, of_the_bench = sitting_of(False)
    assert latest is not None and of_the_bench is not None  # noqa: PT018
    np.testing.assert_allclose(latest.sound[0], latest.counted[0])
    assert latest.sound[0][F, F] > 2.0 * of_the_bench.sound[0][F, F]
