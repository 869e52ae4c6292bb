"""Chanters in kinds against one dense Gaussian, and their variances against the dense likelihood and what was drawn."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.regression.dense_shop import C_TERMS, K, M, Unknowns, before, card_of, cells, no_rows, plain_rows, small_shop
from trimfit.base.records import Chanter
from trimfit.regression.chanters.kinds import (
    ChanterFacts,
    Hierarchy,
    _covariance,
    _parts,
    assumed_hierarchy,
    facts_of,
    hierarchy_of,
    learned,
    less_tied,
    prior_of_offsets,
    same_kinds,
    split_of,
)
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
PER_MM = ((1.0**2 + 0.5**2 + 0.0**2 + 1.0**2) / 4.0) ** -0.5
"""The gauges of FACTS lie so far from the middle one, 40 mm, beside the one that is assumed to lie 1 mm from it."""


def hierarchy() -> Hierarchy:
    return hierarchy_of(NAMES, FACTS, chanter_spread())


def by_definition(h: Hierarchy, facts: list[ChanterFacts]) -> tuple[Array, Array]:
    """Mean and covariance of chanters' offsets, then of the coefficient of "long" and of the gauge, term by term."""
    n = len(facts)
    places = [*facts, "long", "gauge"]
    mean, cov = np.zeros((n + 2, WIDE)), np.zeros((n + 2, WIDE, n + 2, WIDE))
    over = [0.0 if f.gauge_mm is None else f.gauge_mm - 40.0 for f in facts] + [0.0, 1.0]
    for i, one in enumerate(places):
        mean[i] = over[i] * PER_MM * GAUGE_MEAN
        for j, other in enumerate(places):
            kinds = [one if isinstance(one, str) else one.kind, other if isinstance(other, str) else other.kind]
            alike = kinds[0] == kinds[1] and kinds[0] not in (None, "gauge")
            both = over[i] * over[j] * PER_MM**2 * GAUGE_SPREAD + alike * h.between
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
    _, blank, _ = batch_states(
        model, no_rows(), model.coding, 0, in_fit=np.zeros(0, dtype=bool), extra_chanters=[1, 3, 4, 5, 6],
        chanter_names=names, facts={3 + i: fact for i, fact in enumerate(UNSEEN)},
    )  # fmt: skip
    at = np.r_[np.arange(M * K), np.arange(found.chanter_at(1).start, found.chanter_at(1).stop)]
    at = np.r_[at, np.arange(unseen.start, unseen.stop)]
    theirs, mine = np.s_[M * K : M * K + 5 * WIDE], np.s_[M * K :]
    np.testing.assert_allclose(blank.mean[theirs], found.mean[at][mine], **TIGHT)
    between = found.cov[np.ix_(at, at)][mine, mine]
    gamma, unknown = found.mean[-WIDE:], found.cov[-WIDE:, -WIDE:]
    for place in (2, 4):  # of these two nobody measured the gauge, and of their kinds none: it may be any of the shop's
        part = slice(WIDE * place, WIDE * (place + 1))
        between[part, part] += (np.outer(gamma, gamma) + unknown) / PER_MM**2
    np.testing.assert_allclose(blank.cov[theirs, theirs], between, rtol=1e-7, atol=1e-7)
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


def test_the_gauge_of_a_chanter_not_measured_is_as_those_of_its_kind_are() -> None:
    """Four kinds of six chanters, 2 mm apart from kind to kind and 0.5 mm within: the mean of a kind's six, and what
    one more lies from it, by one-way analysis of variance (Searle, Casella & McCulloch, 1992, ch. 3)."""
    rng = np.random.default_rng(3)
    of_kinds = 40.0 + np.repeat(rng.normal(0.0, 2.0, 4), 6) + rng.normal(0.0, 0.5, 24)
    facts = {f"c{i}": ChanterFacts(f"k{i // 6}", mm) for i, mm in enumerate(of_kinds.tolist())}
    h = hierarchy_of(tuple(facts), facts, chanter_spread())
    within = np.var(of_kinds.reshape(4, 6), axis=1, ddof=1).mean()
    for kind in range(4):
        mean, variance = h.over_mm(None, kind)
        assert mean == pytest.approx(of_kinds[6 * kind : 6 * kind + 6].mean() - h.middle_mm, abs=0.1)
        assert variance == pytest.approx(within * 7.0 / 6.0, abs=0.04 * np.var(of_kinds))
    assert h.over_mm(None, -1) == (0.0, pytest.approx(np.mean((of_kinds - h.middle_mm) ** 2), rel=0.1))
    assert h.over_mm(41.0, 0) == (41.0 - h.middle_mm, 0.0)


def test_a_gauge_that_enters_further_means_a_flatter_chanter() -> None:
    facts = {"less": ChanterFacts(None, 39.0), "more": ChanterFacts(None, 41.0)}
    mean, _ = prior_of_offsets(hierarchy_of(tuple(facts), facts, chanter_spread()))
    less, more, _ = mean.reshape(-1, C_TERMS, K)[:, 0]
    notes = slice(1, None)  # of the outputs the crow is the first
    assert (more[notes] < less[notes] - 5.0).all()


TRUE = {
    "within": ((6.0, 4.5, 1.0, 3.0), 0.6, (3.0, 1.0)),
    "between": ((14.0, 9.0, 1.0, 1.5), 0.0, (1.5, 1.0)),
}
"""Standard deviations of pitch and gap, in both vectors; the correlation of pitch and the second gap; notes' own."""


def drawn(rng: np.random.Generator, kinds: int, each: int, error: float) -> tuple[Hierarchy, Array, Array, Array]:
    """Offsets of chanters by known covariances, each note read with `error`: a hierarchy, the posterior mean and
    covariance under its assumed ones, and what was read."""
    names = tuple(f"c{i}" for i in range(kinds * each))
    facts = {name: ChanterFacts(f"k{i // each}") for i, name in enumerate(names)}
    h = hierarchy_of(names, facts, chanter_spread())
    parts = {}
    for level, count in (("within", kinds * each), ("between", kinds)):
        sd, tie, own = TRUE[level]
        correlation = np.eye(4)
        correlation[0, 3] = correlation[3, 0] = tie
        shared = rng.multivariate_normal(np.zeros(4), correlation * np.outer(sd, sd), count)
        parts[level] = np.zeros((count, C_TERMS, K))
        for i in range(C_TERMS):
            notes = rng.normal(0.0, own[i], (count, K))
            notes[:, [6, 7]] = notes[:, [6, 7]].mean(axis=1, keepdims=True)
            notes[:, 7] += 0.5 * shared[:, 2 * i + 1]
            notes[:, 6] -= 0.5 * shared[:, 2 * i + 1]
            parts[level][:, i] = notes + shared[:, 2 * i : 2 * i + 1]
        parts[level][..., 0] = 0.0
    theta = parts["within"] + np.repeat(parts["between"], each, axis=0)
    y = (theta + rng.normal(0.0, error, theta.shape)).reshape(-1)
    mean, precision = prior_of_offsets(h)
    info = np.zeros(len(mean))
    info[: len(y)] = 1.0 / error**2
    cov = np.linalg.inv(precision + np.diag(info))
    return h, cov @ (precision @ mean + np.r_[y / error**2, np.zeros(len(mean) - len(y))]), cov, y


def shared_part(cov: Array) -> tuple[Array, Array]:
    """Covariance (4, 4) of what notes share and of the gap in both vectors, and notes' own variances (2,), read off
    single cells of a covariance (20, 20)."""
    pick = np.zeros((4, 2 * K))
    pick[0, 1], pick[2, K + 1] = 1.0, 1.0
    pick[1, [7, 6]], pick[3, [K + 7, K + 6]] = (1.0, -1.0), (1.0, -1.0)
    shared = pick @ cov @ pick.T
    shared[0, 0], shared[2, 2] = cov[1, 2], cov[K + 1, K + 2]
    return shared, np.array([cov[1, 1] - cov[1, 2], cov[K + 1, K + 1] - cov[K + 1, K + 2]])


def stepped(h: Hierarchy, mean: Array, cov: Array) -> tuple[Hierarchy, Array, Array]:
    """The hierarchy learned once more, and the posterior under it."""
    new = learned(h, mean, cov, np.ones(len(h.kind_of), dtype=bool))
    old_mean, old = prior_of_offsets(h)
    new_mean, precision = prior_of_offsets(new)
    info, vector = np.linalg.inv(cov) - old, np.linalg.solve(cov, mean) - old @ old_mean
    cov = np.linalg.inv(info + precision)
    return new, cov @ (vector + precision @ new_mean), cov


def test_variances_within_and_between_kinds_are_found_again_and_how_pitch_goes_with_gap() -> None:
    h, mean, cov, _ = drawn(np.random.default_rng(1), kinds=8, each=5, error=0.5)
    for _ in range(2):
        h, mean, cov = stepped(h, mean, cov)
    shared, own = shared_part(h.within)
    sd = np.sqrt(np.diag(shared))
    np.testing.assert_allclose(sd, TRUE["within"][0], rtol=0.3)
    np.testing.assert_allclose(np.sqrt(own), TRUE["within"][2], rtol=0.3)
    assert shared[0, 3] / (sd[0] * sd[3]) == pytest.approx(0.6, abs=0.2)
    assert abs(shared[0, 1] / (sd[0] * sd[1])) < 0.25
    np.testing.assert_allclose(np.sqrt(np.diag(shared_part(h.between)[0]))[:2], TRUE["between"][0][:2], rtol=0.5)


def test_chanters_that_no_reading_met_tell_nothing() -> None:
    h, _, _, y = drawn(np.random.default_rng(3), kinds=3, each=3, error=1.0)
    met = np.arange(len(h.kind_of)) % 3 > 0
    prior_mean, precision = prior_of_offsets(h)
    info, told = np.zeros(len(prior_mean)), np.repeat(met, WIDE)
    info[: len(y)] = told
    cov = np.linalg.inv(precision + np.diag(info))
    mean = cov @ (precision @ prior_mean + np.r_[np.where(told, y, 0.0), np.zeros(len(prior_mean) - len(y))])
    some, every = (learned(h, mean, cov, taken) for taken in (met, np.ones_like(met)))
    np.testing.assert_allclose(some.within, every.within, rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(some.between, every.between, rtol=1e-6, atol=1e-6)
    assert np.abs(some.within - h.within).max() > 1.0


def test_learned_covariances_are_at_the_top_of_the_dense_likelihood() -> None:
    """Each step raises it, and where it ends no direction of the shared covariances or own variances goes up."""
    h, mean, cov, y = drawn(np.random.default_rng(2), kinds=2, each=3, error=1.0)
    assumed = assumed_hierarchy()
    usual = [shared_part(assumed.within), shared_part(assumed.between)]
    apart = np.zeros(9)
    apart[6], apart[5] = 0.5, -0.5
    basis = np.kron(np.eye(2), np.stack([np.ones(9), apart], axis=1))
    notes = np.r_[np.arange(1, K), np.arange(K + 1, 2 * K)]

    def loss(levels: list[tuple[Array, Array]]) -> float:
        out, prior = np.kron(np.eye(6 * C_TERMS), np.diag(np.r_[1e-4, np.zeros(K - 1)])), 0.0
        for (shared, own), (shared_0, own_0), mask in zip(
            levels, usual, (np.eye(6), np.kron(np.eye(2), np.ones((3, 3)))), strict=True
        ):
            block = np.zeros((WIDE, WIDE))
            free = np.kron(np.diag(own), np.eye(9) - 2.0 * np.outer(apart, apart))
            block[np.ix_(notes, notes)] = basis @ shared @ basis.T + free
            out += np.kron(mask, block)
            for part, part_0 in (
                (shared, shared_0),
                *((np.diag([a]), np.diag([b])) for a, b in zip(own, own_0, strict=True)),
            ):
                d = len(part)
                prior += d * (2.0 * np.linalg.slogdet(part + part_0)[1] - np.linalg.slogdet(part)[1])
        total = out + np.eye(6 * WIDE)
        return 0.5 * (float(np.linalg.slogdet(total)[1] + y @ np.linalg.solve(total, y)) + prior)

    losses = []
    for _ in range(40):
        losses.append(loss([shared_part(h.within), shared_part(h.between)]))
        h, mean, cov = stepped(h, mean, cov)
    assert np.all(np.diff(losses) < 1e-7)
    top = [shared_part(h.within), shared_part(h.between)]
    rng, step = np.random.default_rng(4), 1e-4
    for _ in range(12):
        turn = [rng.standard_normal((4, 4)) for _ in top]
        lift = [rng.standard_normal(2) for _ in top]
        up, down = (
            loss(
                [
                    ((np.eye(4) + s * step * a) @ shared @ (np.eye(4) + s * step * a).T, own * np.exp(s * step * b))
                    for (shared, own), a, b in zip(top, turn, lift, strict=True)
                ]
            )
            for s in (1.0, -1.0)
        )
        assert (up - down) / (2.0 * step) == pytest.approx(0.0, abs=5e-3)


def test_how_pitch_goes_with_gap_is_believed_as_far_as_so_few_chanters_show_it() -> None:
    """Of two hundred chanters a correlation of 0.7 stays; of four, 0.3 is what chance gives; variances stay."""
    for n, r, least, most in ((200, 0.7, 0.69, 0.7), (200, 0.02, 0.0, 0.0), (4, 0.3, 0.0, 0.0), (12, 0.7, 0.6, 0.69)):
        spread = assumed_hierarchy()
        tied, own = _parts(spread.within)
        tied[0, 1] = tied[1, 0] = r * np.sqrt(tied[0, 0] * tied[1, 1])
        before = replace(spread, within=_covariance(tied, own), kind_of=np.full(n, -1))
        after = less_tied(before)
        found, _ = _parts(after.within)
        np.testing.assert_allclose(np.diag(found), np.diag(tied), rtol=1e-6)
        assert least - 1e-6 <= found[0, 1] / np.sqrt(found[0, 0] * found[1, 1]) <= most + 1e-6
        assert np.linalg.eigvalsh(after.within).min() > 0.0
