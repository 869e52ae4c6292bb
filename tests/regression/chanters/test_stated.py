"""What was stated of a chanter: a crow of a named type, of a type that nobody named, and the errors of statements."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.regression.chanters.test_kinds import dense
from tests.regression.dense_shop import C_TERMS, K, M, no_rows
from trimfit.regression.chanters.kinds import ChanterFacts
from trimfit.regression.chanters.stated import OfType, crow_types, stated_errors, stated_offsets, with_stated
from trimfit.regression.posterior.reed import batch_states

Array = NDArray[np.float64]
WIDE = C_TERMS * K
OWN, OTHER = OfType(0.5, 0, 1.0), OfType(0.5, M * K, 1.6)


def two_types() -> tuple[Array, Array]:
    """Coefficients of two types and a chanter's offsets (the gap's unknown by 9 cents): mean and covariance. The second
    type closes the gap faster, so that its crow there is lower."""
    mean, sd = np.zeros(2 * M * K + WIDE), np.full(2 * M * K + WIDE, 0.05)
    for at, closes in ((0, 50.0), (M * K, 80.0)):
        mean[at : at + K], mean[at + K : at + 2 * K] = 95.0, 10.0
        mean[at], mean[at + K] = 400.0, 150.0
        mean[at + 7], mean[at + 6] = 75.0, 115.0
        mean[at + K + 7], mean[at + K + 6] = 10.0 + 0.5 * closes, 10.0 - 0.5 * closes
        sd[[at, at + 7]] = 3.0, 1.0
    sd[2 * M * K + 7] = 9.0
    return mean, np.diag(sd**2)


def test_a_crow_of_another_type_is_dense_conditioning_on_that_types_coefficients() -> None:
    """The typical reed of the other type has the stated crow where its gap is nought: one row over both, exactly."""
    _, _, model = dense()
    model = replace(model, reeds=np.array([30, 20]))
    fact = ChanterFacts("long", 42.5, None, float(model.coef[M * K] + 0.4 * model.coef[M * K + K]), "other")
    model = replace(model, coding=replace(model.coding, types=(model.coding.types[0], "other")))
    new = len(model.coding.chanters)
    names = (*model.coding.chanters, "new")

    def blank(told: ChanterFacts) -> tuple[Array, Array]:
        _, state, _ = batch_states(
            model, no_rows(), model.coding, 0, in_fit=np.zeros(0, dtype=bool), extra_chanters=[0, new],
            chanter_names=names, facts={new: told},
        )  # fmt: skip
        return state.mean, state.cov

    # the same vector with the other type's coefficients last: asked about as that type, tied by the model's covariance
    before, cov = blank(replace(fact, crow_cents=None))
    kinds = np.arange(model.kinds_slice.start, model.kinds_slice.stop)
    old = np.r_[np.arange(M * K), np.arange(model.chanter_slice(0).start, model.chanter_slice(0).stop)]
    other = np.arange(M * K, 2 * M * K)
    lead = np.zeros((WIDE, len(kinds)))
    lead[:, :WIDE], lead[:, WIDE:] = np.eye(WIDE), 2.5 * np.eye(WIDE)
    ours = np.vstack([np.eye(len(model.coef))[old], lead @ np.eye(len(model.coef))[kinds]])
    theirs = np.eye(len(model.coef))[other]
    size = len(ours)
    tie = ours @ model.coef_cov @ theirs.T
    whole = np.block([[cov[:size, :size], tie], [tie.T, theirs @ model.coef_cov @ theirs.T]])
    mean = np.r_[before[:size], model.coef[other]]
    at = np.r_[np.arange(size, size + M * K), np.arange(size - WIDE, size)]
    ((row, value, error),) = stated_offsets(mean[at], float(model.coding.slope_ratio[1]), fact, model.stated_sd)
    wide = np.zeros(len(mean))
    wide[at] = row
    reach = whole @ wide
    spread = wide @ reach + error
    found_mean, found = blank(fact)
    np.testing.assert_allclose(found_mean[:size], (mean + reach * (value - wide @ mean) / spread)[:size], atol=1e-9)
    expected = (whole - np.outer(reach, reach) / spread)[:size, :size]
    apart = np.r_[
        np.arange(3 * K), np.arange(4 * K, size)
    ]  # what strokes do to one reed goes with what they do on average
    each = np.ix_(apart, apart)
    np.testing.assert_allclose(found[:size, :size][each], expected[each], rtol=1e-9, atol=1e-9)
    assert np.abs(reach[size - WIDE : size]).max() > 0.1


@pytest.mark.parametrize("crow_cents", [475.0, 520.0])
def test_a_crow_of_a_type_that_nobody_named_has_the_moments_of_the_mixture(crow_cents: float) -> None:
    """By drawing what is not known and weighing each draw by the chance of such a statement, of either type."""
    mean, cov = two_types()
    fact, errors = ChanterFacts(None, None, None, crow_cents), (3.0, 10.0)
    found, found_cov = with_stated(mean, cov, 2 * M * K, fact, OWN, [OWN, OTHER], errors)
    rng = np.random.default_rng(6)
    draws = mean + rng.standard_normal((100_000, len(mean))) * np.sqrt(np.diag(cov))
    weight = np.zeros(len(draws))
    for of in (OWN, OTHER):
        at = np.r_[of.first + np.arange(M * K), 2 * M * K + np.arange(WIDE)]
        ((row, value, error),) = stated_offsets(mean[at], of.slope_ratio, fact, errors)
        per_cent = np.sqrt(error) / errors[1]
        off = (value - draws[:, at] @ row) / per_cent
        weight += of.chance * np.exp(-0.5 * (off / errors[1]) ** 2)
    weight /= weight.sum()
    gap = 2 * M * K + 7
    middle = weight @ draws[:, gap]
    assert found[gap] == pytest.approx(middle, abs=0.1)
    assert found_cov[gap, gap] == pytest.approx(weight @ (draws[:, gap] - middle) ** 2, rel=0.04)


def test_of_which_types_a_crow_may_be() -> None:
    types, reeds = ("cane", "moulded", "new"), np.array([30, 10, 0])
    crow = ChanterFacts(crow_cents=500.0)
    assert crow_types(types, reeds, ChanterFacts(), 0) == {}
    assert crow_types(types, reeds, replace(crow, crow_type="moulded"), 0) == {1: 1.0}
    assert crow_types(types, reeds, replace(crow, crow_type="never met"), 0) == {}
    assert crow_types(types, reeds, crow, 1) == {0: 0.375, 1: 0.625}
    assert crow_types(types, reeds, crow, -1) == {0: 0.375, 1: 0.125, -1: 0.5}
    assert crow_types(("",), np.zeros(1, dtype=np.intp), crow, -1) == {-1: 1.0}


def test_a_crow_of_a_type_never_met_tells_nothing() -> None:
    mean, cov = two_types()
    fact = ChanterFacts(crow_cents=500.0, crow_type="never met")
    same, same_cov = with_stated(mean, cov, 2 * M * K, fact, OWN, [], (3.0, 10.0))
    assert (same == mean).all()
    assert (same_cov == cov).all()


@pytest.mark.parametrize(("pitch_sd", "crow_sd", "said"), [(1.5, 8.0, False), (8.0, 30.0, True)])
def test_errors_of_stated_pitches_and_crows_are_found_again(pitch_sd: float, crow_sd: float, said: bool) -> None:
    """Forty chanters known to a cent, each with a stated pitch and crow that err by known standard deviations; of two
    types the crow is of either, and somebody says of which, or nobody."""
    rng = np.random.default_rng(5)
    mean, _ = two_types()
    size, own, other = len(mean), OWN, OTHER
    checks = []
    for i in range(40):
        offsets = np.r_[0.0, rng.normal(0.0, 10.0) + rng.normal(0.0, 3.0, 9), np.zeros(K)]
        here = np.r_[mean[: 2 * M * K], offsets]
        gap = 40.0 - offsets[7] + offsets[6]
        pitch = 95.0 + 0.5 * (offsets[7] + offsets[6]) + 10.0 * gap / 50.0
        crow = 400.0 + 150.0 * gap / (50.0 if i % 2 else 80.0)
        fact = ChanterFacts(None, None, pitch + rng.normal(0.0, pitch_sd), crow + rng.normal(0.0, crow_sd))
        types = [own, other] if not said else [own] if i % 2 else [other]
        checks.append((fact, here, 1e-4 * np.eye(size), own, types))
        exact = ChanterFacts(None, None, pitch, 400.0 + 150.0 * gap / 50.0)
        at = np.r_[np.arange(M * K), np.arange(2 * M * K, size)]
        for row, value, _ in stated_offsets(here[at], 1.0, exact):
            assert row @ here[at] == pytest.approx(value, abs=1e-9)
    np.testing.assert_allclose(stated_errors(checks), (pitch_sd, crow_sd), rtol=0.25)
    assert stated_errors([]) == pytest.approx((3.0, 10.0), rel=0.02)
