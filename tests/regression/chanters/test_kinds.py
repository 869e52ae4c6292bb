"""Chanters in kinds against one dense Gaussian, and their variances against the dense likelihood and what was drawn."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from tests.regression.dense_shop import C_TERMS, K, M, Unknowns, before, card_of, cells, plain_rows, small_shop
from trimfit.base.records import Chanter
from trimfit.regression.chanters.kinds import (
    ChanterFacts,
    Hierarchy,
    assumed_hierarchy,
    facts_of,
    hierarchy_of,
    learned,
    prior_of_offsets,
    same_kinds,
    split_of,
)
from trimfit.regression.chanters.stated import stated_errors, stated_offsets
from trimfit.regression.fitted_model import FittedModel, model_from_bytes, model_to_bytes
from trimfit.regression.fitting.em_iterations import Globals, joint_pass, pieces_of
from trimfit.regression.fitting.steps import _full_prior, coefficient_prior
from trimfit.regression.posterior.reed import batch_states
from trimfit.regression.priors import GAUGE_MEAN, GAUGE_SPREAD, chanter_spread

Array = NDArray[np.float64]
WIDE = C_TERMS * K
TIGHT = {"rtol": 1e-8, "atol": 1e-8}
NAMES = ("chanter 0", "chanter 1", "chanter 2")
FACTS = {
    "chanter 0": ChanterFacts("long", 41.0),
    "chanter 1": ChanterFacts("long", 39.5),
    "chanter 2": ChanterFacts(None, 40.0),
}
UNSEEN = (ChanterFacts("long", 42.5), ChanterFacts("short", None), ChanterFacts("short", 38.0), ChanterFacts())


def hierarchy() -> Hierarchy:
    return hierarchy_of(NAMES, FACTS, chanter_spread())


def by_definition(h: Hierarchy, facts: list[ChanterFacts]) -> tuple[Array, Array]:
    """Mean and covariance of chanters' offsets, then of the coefficient of "long" and of the gauge, term by term."""
    n = len(facts)
    places = [*facts, "long", "gauge"]
    mean, cov = np.zeros((n + 2, WIDE)), np.zeros((n + 2, WIDE, n + 2, WIDE))
    over = [0.0 if f.gauge_mm is None else f.gauge_mm - 40.0 for f in facts] + [0.0, 1.0]
    for i, one in enumerate(places):
        mean[i] = over[i] * GAUGE_MEAN
        for j, other in enumerate(places):
            kinds = [one if isinstance(one, str) else one.kind, other if isinstance(other, str) else other.kind]
            alike = kinds[0] == kinds[1] and kinds[0] not in (None, "gauge")
            both = over[i] * over[j] * GAUGE_SPREAD + alike * h.between
            if i == j and not isinstance(one, str):
                both = both + h.within + (0.0 if one.kind else 1.0) * h.between
            cov[i, :, j, :] = both
    size = (n + 2) * WIDE
    return mean.reshape(-1), cov.reshape(size, size)


def test_the_precision_is_that_of_the_definition() -> None:
    h = hierarchy()
    assert (h.kinds, h.middle_mm, h.size) == (("long",), 40.0, 2 * WIDE)
    mean, precision = prior_of_offsets(h)
    expected_mean, expected = by_definition(h, list(FACTS.values()))
    np.testing.assert_allclose(mean, expected_mean, **TIGHT)
    np.testing.assert_allclose(precision @ expected, np.eye(len(mean)), atol=1e-8)


def test_a_split_adds_up_and_chanters_of_no_kind_are_as_they_were() -> None:
    within, between = split_of(chanter_spread())
    np.testing.assert_allclose(within + between, chanter_spread(), **TIGHT)
    assert min(np.linalg.eigvalsh(within).min(), np.linalg.eigvalsh(between).min()) > 0
    plain = hierarchy_of(("a", "b"), {}, chanter_spread())
    mean, precision = prior_of_offsets(plain)
    np.testing.assert_allclose(precision, np.linalg.inv(np.kron(np.eye(2), chanter_spread())), rtol=1e-7, atol=1e-9)
    assert not mean.any()


@functools.cache
def dense() -> tuple[Unknowns, slice, FittedModel]:
    """A small shop's posterior with kinds, a gauge and four chanters never read last of all; where these stand; its
    card."""
    shop = small_shop(4, chanters=3)
    start, h = before(shop), hierarchy()
    n = len(start.mean)
    _, cov = by_definition(h, [*FACTS.values(), *UNSEEN])
    mean, _ = by_definition(h, [*FACTS.values(), *UNSEEN])
    first = start.chanter_at(0).start
    size = n + len(mean) - 3 * WIDE
    whole, whole_mean = np.zeros((size, size)), np.zeros(size)
    whole[:n, :n], whole_mean[:n] = start.cov, start.mean
    at = np.r_[np.arange(first, first + 3 * WIDE), np.arange(n, size)]
    whole[np.ix_(at, at)], whole_mean[at] = cov, mean
    wide = replace(start, mean=whole_mean, cov=whole)
    found = wide.conditioned(*cells(shop, wide))
    order = np.r_[np.arange(first + 3 * WIDE), np.arange(size - 2 * WIDE, size)]
    model = card_of(shop, found)
    model = replace(model, coef=found.mean[order], coef_cov=found.cov[np.ix_(order, order)], hierarchy=h)
    return found, slice(n, n + len(UNSEEN) * WIDE), model


def test_chanters_never_read_follow_from_their_kind_and_gauge_as_in_one_dense_gaussian() -> None:
    found, unseen, model = dense()
    names = (*model.coding.chanters, *(f"new {i}" for i in range(len(UNSEEN))))
    rows = replace(small_shop(4, chanters=3).rows)
    none = replace(
        rows, y=rows.y[:0], removed_mm=rows.removed_mm[:0], lip=rows.lip[:0], kpa=rows.kpa[:0], deg_c=rows.deg_c[:0],
        type_code=rows.type_code[:0], batch_code=rows.batch_code[:0], reed_code=rows.reed_code[:0],
        chanter_code=rows.chanter_code[:0], reeds=(), weight=rows.weight[:0], label=rows.label[:0], day=rows.day[:0],
        made_day=rows.made_day[:0], since_work=rows.since_work[:0], event=rows.event[:0], jump=rows.jump[:0],
        taped=rows.taped[:0],
    )  # fmt: skip
    _, blank, _ = batch_states(
        model, none, model.coding, 0, in_fit=np.zeros(0, dtype=bool), extra_chanters=[1, 3, 4, 5, 6],
        chanter_names=names, facts={3 + i: fact for i, fact in enumerate(UNSEEN)},
    )  # fmt: skip
    at = np.r_[np.arange(M * K), np.arange(found.chanter_at(1).start, found.chanter_at(1).stop)]
    at = np.r_[at, np.arange(unseen.start, unseen.stop)]
    theirs, mine = np.s_[M * K : M * K + 5 * WIDE], np.s_[M * K :]
    np.testing.assert_allclose(blank.mean[theirs], found.mean[at][mine], **TIGHT)
    np.testing.assert_allclose(blank.cov[theirs, theirs], found.cov[np.ix_(at, at)][mine, mine], rtol=1e-7, atol=1e-7)
    pressure = np.s_[4 * K : 6 * K]  # what no deviation of a batch or reed is added to
    expected = found.cov[np.ix_(at, at)][pressure, mine]
    np.testing.assert_allclose(blank.cov[pressure, theirs], expected, rtol=1e-7, atol=1e-8)


def test_the_joint_pass_with_kinds_is_dense_conditioning() -> None:
    _, _, model = dense()
    shop = small_shop(4, chanters=3)
    g = Globals(
        shop.batch_cov, shop.reed_cov, shop.noise_cov, shop.reed_scale, shop.noise_scale, chanter_spread(),
        np.empty(0), np.empty(0), shop.movement, model.hierarchy,
    )  # fmt: skip
    rows = plain_rows(shop)
    joint_pass(rows, pieces_of(rows, shop.coding, 2), g, _full_prior(coefficient_prior(2), g, 3))
    np.testing.assert_allclose(g.coef, model.coef, rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(g.coef_cov, model.coef_cov, rtol=1e-6, atol=1e-7)


def test_kinds_are_kept_with_the_fitted_model() -> None:
    model = replace(dense()[2], stated_sd=(2.5, 14.0))
    again = model_from_bytes(model_to_bytes(model))
    assert (again.hierarchy.kinds, again.hierarchy.middle_mm, again.stated_sd) == (("long",), 40.0, (2.5, 14.0))
    for name in ("within", "between", "kind_of", "gauge_mm"):
        np.testing.assert_array_equal(getattr(again.hierarchy, name), getattr(model.hierarchy, name))
    kinds = {name: Chanter(name, kind=fact.kind, bore_gauge_mm=fact.gauge_mm) for name, fact in FACTS.items()}
    assert same_kinds(again.hierarchy, NAMES, kinds)
    assert facts_of(kinds["chanter 0"]) == FACTS["chanter 0"]
    assert not same_kinds(again.hierarchy, NAMES, {**kinds, "chanter 1": Chanter("chanter 1", kind="short")})


SD = {"within": (6.0, 3.0, 4.5, 1.0, 1.0, 1.5), "between": (14.0, 1.5, 9.0, 1.0, 1.0, 1.5)}


def drawn(rng: np.random.Generator, kinds: int, each: int, error: float) -> tuple[Hierarchy, Array, Array, Array]:
    """Offsets of chanters by known variances, each note read with `error`: a hierarchy, the posterior mean and
    covariance under its assumed variances, and what was read."""
    names = tuple(f"c{i}" for i in range(kinds * each))
    facts = {name: ChanterFacts(f"k{i // each}") for i, name in enumerate(names)}
    h = hierarchy_of(names, facts, chanter_spread())
    notes = len(names), C_TERMS, K
    parts = {}
    for level, shape in (("within", notes), ("between", (kinds, *notes[1:]))):
        sd = np.array(SD[level]).reshape(2, 3)
        common, own = rng.standard_normal((*shape[:2], 1)) * sd[:, 0:1], rng.standard_normal(shape) * sd[:, 1:2]
        own[..., [6, 7]] = rng.standard_normal((*shape[:2], 2)) * sd[:, 2:3] / np.sqrt(2.0)
        parts[level] = common + own
        parts[level][..., 0] = 0.0
    theta = parts["within"] + np.repeat(parts["between"], each, axis=0)
    y = (theta + rng.normal(0.0, error, theta.shape)).reshape(-1)
    mean, precision = prior_of_offsets(h)
    info = np.zeros(len(mean))
    info[: len(y)] = 1.0 / error**2
    cov = np.linalg.inv(precision + np.diag(info))
    return h, cov @ (precision @ mean + np.r_[y / error**2, np.zeros(len(mean) - len(y))]), cov, y


def variances(cov: Array) -> list[float]:
    """The six variances of a covariance of chanters' two vectors, read off its cells."""
    out = []
    for i in range(C_TERMS):
        block = cov[i * K : (i + 1) * K, i * K : (i + 1) * K]
        out += [block[1, 2], block[2, 2] - block[1, 2], block[6, 6] + block[7, 7] - 2.0 * block[6, 7]]
    return out


def test_variances_within_and_between_kinds_are_found_again() -> None:
    h, mean, cov, _ = drawn(np.random.default_rng(1), kinds=9, each=4, error=0.5)
    for _ in range(3):
        found = learned(h, mean, cov)
        y_mean, precision = prior_of_offsets(found)
        old_mean, old = prior_of_offsets(h)
        info, vector = np.linalg.inv(cov) - old, np.linalg.solve(cov, mean) - old @ old_mean
        cov = np.linalg.inv(info + precision)
        mean, h = cov @ (vector + precision @ y_mean), found
    sd = {level: np.sqrt(variances(getattr(h, level))) for level in SD}
    np.testing.assert_allclose(sd["within"][:3], SD["within"][:3], rtol=0.2)
    np.testing.assert_allclose(sd["between"][[0, 2]], np.array(SD["between"])[[0, 2]], rtol=0.5)


def test_learned_variances_are_at_the_top_of_the_dense_likelihood() -> None:
    """Each step raises it; after many, no other six and six variances are likelier (Nelder and Mead from there)."""
    h, mean, cov, y = drawn(np.random.default_rng(2), kinds=2, each=3, error=1.0)
    usual = np.array([*variances(assumed_hierarchy().within), *variances(assumed_hierarchy().between)])
    info, old = np.linalg.inv(cov), prior_of_offsets(h)[1]
    information, vector = info - old, info @ mean

    def loss(log_v: Array) -> float:
        v, out = np.exp(log_v), np.zeros((6 * WIDE, 6 * WIDE))
        for number, variance in enumerate(v):
            base, i = np.zeros((WIDE, WIDE)), number % 6 // 3
            notes = np.arange(i * K + 1, (i + 1) * K)
            inner = np.isin(notes - i * K, (6, 7)).astype(float)
            shape = [np.ones((9, 9)), np.diag(1.0 - inner), 0.5 * np.diag(inner)][number % 3]
            base[np.ix_(notes, notes)] = shape
            mask = np.eye(6) if number < 6 else np.kron(np.eye(2), np.ones((3, 3)))
            out += variance * np.kron(mask, base)
        crow = np.kron(np.eye(6 * C_TERMS), np.diag(np.r_[1e-4, np.zeros(K - 1)]))
        total = out + crow + np.eye(6 * WIDE)
        fit = np.linalg.slogdet(total)[1] + float(y @ np.linalg.solve(total, y))
        return 0.5 * fit + 0.5 * float(np.sum(4.0 * (log_v + usual / v)))

    before_v = np.array([*variances(h.within), *variances(h.between)])
    losses = [loss(np.log(before_v))]
    for _ in range(25):
        new = learned(h, mean, cov)
        new_mean, new_prior = prior_of_offsets(new)
        cov = np.linalg.inv(information + new_prior)
        mean, h = cov @ (vector + new_prior @ new_mean), new
        losses.append(loss(np.log([*variances(h.within), *variances(h.between)])))
    assert np.all(np.diff(losses) < 1e-7)
    top = np.log([*variances(h.within), *variances(h.between)])
    step = 1e-3
    slope = [(loss(top + step * e) - loss(top - step * e)) / (2 * step) for e in np.eye(12)]
    np.testing.assert_allclose(slope, 0.0, atol=2e-3)
    better = minimize(loss, top, method="Nelder-Mead", options={"maxfev": 150})
    assert better.fun > losses[-1] - 1e-4


@pytest.mark.parametrize(("pitch_sd", "crow_sd"), [(1.5, 8.0), (8.0, 30.0)])
def test_errors_of_stated_pitches_and_crows_are_found_again(pitch_sd: float, crow_sd: float) -> None:
    """Forty chanters known to a cent, each with a stated pitch and crow that err by known standard deviations."""
    rng = np.random.default_rng(5)
    found, _, model = dense()
    assert len(found.mean) > len(model.coef)
    size = M * K + WIDE
    mean = np.r_[np.zeros(size)]
    mean[:K], mean[K : 2 * K] = 95.0, 10.0
    mean[0], mean[K] = 400.0, 150.0
    mean[7], mean[6], mean[K + 7], mean[K + 6] = 75.0, 115.0, 35.0, -15.0
    checks = []
    for _ in range(40):
        offsets = np.r_[0.0, rng.normal(0.0, 10.0) + rng.normal(0.0, 3.0, 9), np.zeros(K)]
        here = np.r_[mean[: M * K], offsets]
        g = -(here[7] - here[6] + offsets[7] - offsets[6]) / 50.0
        pitch = 0.5 * (here[7] + here[6] + offsets[7] + offsets[6]) + 10.0 * g
        fact = ChanterFacts(None, None, pitch + rng.normal(0.0, pitch_sd), 400.0 + 150.0 * g + rng.normal(0.0, crow_sd))
        checks.append((here, 1e-4 * np.eye(size), 1.0, fact))
        exact = ChanterFacts(None, None, pitch, 400.0 + 150.0 * g)
        for row, value, _ in stated_offsets(here, 1.0, exact):
            assert row @ here == pytest.approx(value, abs=1e-9)
    np.testing.assert_allclose(stated_errors(checks), (pitch_sd, crow_sd), rtol=0.25)
    assert stated_errors([]) == pytest.approx((3.0, 10.0), rel=0.02)
