"""What chanters ask for: pooled numbers by themselves, and on simulated shops whose chanters are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.opened import on
from tests.worlds.shop import LiveReed, World, shop_of, trim_by_hand
from trimfit.base.pitch import cents_from_440, hz_from_cents
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_import import import_folder
from trimfit.review.results import ChanterMap
from trimfit.review.statistics import chanter_pitch as numbers
from trimfit.verbs.reviews.chanters import chanters


def test_a_reading_counts_by_how_near_it_came() -> None:
    gap = np.array([-2.0, -40.0])
    one = np.ones(2)
    value, var = numbers.at_meeting(np.array([100.0, 97.0]), gap, 0.05 * one, 4.0 * one, 2.0 * one, 0.12 * one)
    assert value == pytest.approx([100.1, 99.0])
    assert var[1] > 5.0 * var[0]


def values(value: np.ndarray, var: float | np.ndarray, batch: np.ndarray | None = None) -> numbers.ReedValues:
    """One value a reed; each reed of a batch of its own unless told."""
    batches = np.arange(len(value)) if batch is None else batch
    known = np.zeros((len(value), 1))
    return numbers.ReedValues(value, np.broadcast_to(var, value.shape), batches.astype(np.intp), known)


def test_what_is_not_known_of_a_type_s_ratio_is_not_averaged_away() -> None:
    """Uncut reeds 50 cents under, their type's ratio known to 0.4: six tell no more of where F and E meet than one; the
    spread of what six reeds say, over draws of the ratio, is what is stated."""
    rng = np.random.default_rng(7)
    stated, means = [], []
    for _ in range(400):
        gap = -50.0 + rng.normal(0.0, 3.0, 6)
        ratio = rng.normal(0.1, 0.4)
        pitch = 120.0 + ratio * gap + rng.normal(0.0, 2.6, 6) + rng.normal(0.0, 1.5, 6)
        one, reed, zero = np.ones(6), np.arange(6), np.zeros(6, dtype=np.intp)
        found = numbers.pooled(
            numbers.pitch_at_meeting(pitch, gap, 0.1 * one, 0.4 * one, one, one, reed, reed, zero), numbers.PITCH_SPREAD
        )
        assert found is not None
        stated.append(np.sqrt(found.var))
        means.append(found.mean)
    assert np.mean(stated) == pytest.approx(np.std(means), rel=0.15)
    assert np.mean(stated) > 0.9 * 0.4 * 50.0


def test_few_reeds_give_a_wide_answer_and_many_a_narrow_one() -> None:
    rng = np.random.default_rng(1)
    widths = []
    for count in (1, 2, 30):
        found = numbers.pooled(values(120.0 + rng.normal(0.0, 3.0, count), 4.0), numbers.PITCH_SPREAD)
        assert found is not None
        span = numbers.hz_interval(found)
        widths.append(span.high - span.low)
        assert span.low < span.mean < span.high
    assert widths[0] > 2.5  # hertz
    assert widths[0] > widths[1] > 3.0 * widths[2]
    assert numbers.pooled(values(np.empty(0), 1.0), numbers.PITCH_SPREAD) is None


def test_twenty_reeds_of_one_batch_tell_less_than_twenty_of_ten() -> None:
    value = np.linspace(-3.0, 3.0, 20)
    one = numbers.pooled(values(value, 4.0, np.zeros(20)), numbers.PITCH_SPREAD)
    ten = numbers.pooled(values(value, 4.0, np.arange(20) % 10), numbers.PITCH_SPREAD)
    assert one is not None
    assert ten is not None
    assert one.half > 1.7 * ten.half
    assert one.half > numbers.PITCH_SPREAD.batch_sd


def test_spreads_are_found_from_all_chanters_together() -> None:
    rng = np.random.default_rng(3)
    cells = []
    for chanter in range(60):
        batch = np.repeat(np.arange(3), 4)
        truth = 100.0 * chanter + rng.normal(0.0, 6.0, 3)[batch] + rng.normal(0.0, 10.0, 12)
        cells.append(values(truth + rng.normal(0.0, 2.0, 12), 4.0, batch))
    found = numbers.spread_of(cells, numbers.CROW_SPREAD)
    assert found.reed_sd == pytest.approx(10.0, rel=0.1)
    assert found.batch_sd == pytest.approx(6.0, rel=0.25)
    none = numbers.spread_of([], numbers.CROW_SPREAD)
    assert (none.reed_sd, none.batch_sd) == pytest.approx((numbers.CROW_SPREAD.reed_sd, numbers.CROW_SPREAD.batch_sd))


def test_the_ends_of_a_wide_spread_are_no_slips() -> None:
    """Reeds that stray twice and a half as far as is usual; the usual spread's limit would cut their tails off."""
    rng = np.random.default_rng(4)
    cells = []
    for chanter in range(40):
        batch = np.repeat(np.arange(4), 5)
        truth = 500.0 * chanter + rng.normal(0.0, 25.0, 4)[batch] + rng.normal(0.0, 42.0, 20)
        cells.append(values(truth + rng.normal(0.0, 2.0, 20), 4.0, batch))
    found = numbers.spread_of(cells, numbers.CROW_SPREAD)
    assert found.reed_sd == pytest.approx(42.0, rel=0.06)
    assert found.batch_sd == pytest.approx(25.0, rel=0.25)
    slip = [numbers.ReedValues(np.r_[c.value[:-1], c.value[-1] + 900.0], c.var, c.batch, c.shared) for c in cells[:4]]
    assert numbers.spread_of([*slip, *cells[4:]], numbers.CROW_SPREAD).reed_sd == pytest.approx(42.0, rel=0.08)


def test_intervals_hold_what_they_promise_when_the_reeds_are_of_few_batches() -> None:
    """720 chanters with as many reeds and batches as it happens; spreads found from 12 of them at a time."""
    rng = np.random.default_rng(2)
    held: dict[str, list[bool]] = {"few": [], "many": []}
    for _ in range(60):
        cells = []
        for _ in range(12):
            batches, size = int(rng.integers(1, 5)), int(rng.integers(1, 7))
            batch = np.repeat(np.arange(batches), size)
            var = rng.uniform(2.0, 9.0, len(batch))
            value = rng.normal(0.0, 1.5, batches)[batch] + rng.normal(0.0, 3.0, len(batch))
            cells.append(values(value + rng.normal(0.0, np.sqrt(var)), var, batch))
        spread = numbers.spread_of(cells, numbers.PITCH_SPREAD)
        for cell in cells:
            found = numbers.pooled(cell, spread)
            assert found is not None
            held["few" if found.batches <= 2 else "many"].append(abs(found.mean) <= found.half)
    for kind in held.values():
        assert 0.86 < np.mean(kind) < 0.95


def test_a_vague_value_is_held_to_what_is_usual_and_a_known_one_is_not() -> None:
    """Against the product of the two normals on a grid, and Satterthwaite's rule by a numerical derivative."""
    x = np.linspace(-600.0, 800.0, 200_001)
    for sd in (1.0, 35.0, 400.0):
        found = numbers.Pooled(mean=180.0, var=sd**2, df=4.0, reed_sd=3.0, reeds=1, batches=1)
        new = numbers.held(found, 105.0, 35.0)
        density = np.exp(-0.5 * ((x - 180.0) / sd) ** 2 - 0.5 * ((x - 105.0) / 35.0) ** 2)
        density /= density.sum()
        assert new.mean == pytest.approx(float(x @ density), abs=1e-3)
        assert new.var == pytest.approx(float((x - new.mean) ** 2 @ density), rel=1e-3)
        step = 1e-4 * sd**2
        of_more = numbers.held(replace(found, var=sd**2 + step), 105.0, 35.0).var
        var_of_var = ((of_more - new.var) / step) ** 2 * 2.0 * found.var**2 / found.df
        assert new.df == pytest.approx(2.0 * new.var**2 / var_of_var, rel=1e-2)


def test_a_reading_on_another_chanter_than_written_does_not_bend_the_pitch() -> None:
    value = np.r_[np.full(8, 120.0), 60.0] + np.linspace(-2.0, 2.0, 9)
    found = numbers.pooled(values(value, 4.0), numbers.PITCH_SPREAD)
    assert found is not None
    assert found.reeds == 8
    assert found.mean == pytest.approx(120.0, abs=2.0)


def test_chanters_of_a_simulated_shop_are_found_where_they_are(tmp_path: Path) -> None:
    """Meeting pitch and crow against the physics'; a chanter only told of; stock with nothing but a crow."""
    rng = np.random.default_rng(5)
    world = World("saturating", rng)
    reeds = world.new_reeds(rng, 12 * 10, 12)
    for index, reed in enumerate(reeds):
        reed.day = float(index // 10) * 4.0 + 0.7
        trim_by_hand(rng, reed)
    shop = shop_of(world, reeds, outcomes=True)
    stock = world.new_reeds(rng, 6, 1)
    for reed in stock:
        reed.read(rng, what="crow")
    both = shop_of(world, [*reeds, *stock], outcomes=False)
    both.outcomes = shop.outcomes
    both.reeds.loc[both.reeds["reed"].isin({r.reed for r in stock}), "order"] = None
    both.chanters.loc[len(both.chanters)] = ["CH-never"]
    both.chanters["meeting_pitch_hz"] = [None] * (len(both.chanters) - 1) + [470.0]
    both.write_csv(tmp_path / "shop")
    with Journal(tmp_path / "log", create=True) as journal:
        import_folder(journal, tmp_path / "shop")
    found = on(tmp_path / "log", chanters, stock=False)
    for reed in reeds:
        reed.lip_strokes = 0  # what a chanter asks for is said for lips left alone
    assert found[-1].chanter == "CH-never"
    assert found[-1].meet_pitch_hz is None
    assert "stated to meet at 470.0 Hz" in found[-1].why
    read = [one for one in found if one.reeds >= 5]
    assert len(read) >= 3
    for one in read:
        _close_to_the_truth(one, reeds)
        assert set(one.suits) <= {reed.reed for reed in stock}
    assert any(one.suits for one in read)


def _close_to_the_truth(one: ChanterMap, reeds: list[LiveReed]) -> None:
    """Against where the reeds read in it do meet, by their physics, each at the length that closes its own gap."""
    mine = [reed for reed in reeds if reed.chanter == one.chanter and np.isfinite(reed.true_trim_mm())]
    at = [reed.removed_mm + reed.true_trim_mm() for reed in mine]
    pitch = [
        float(reed.physics.middle_cents(reed.u, x, reed.lip_strokes, reed.kind, reed.pipe)[0])
        for reed, x in zip(mine, at, strict=True)
    ]
    assert one.meet_pitch_hz is not None
    assert one.meet_pitch_hz.mean == pytest.approx(hz_from_cents(float(np.mean(pitch))), abs=0.4)
    assert 0.1 < one.meet_pitch_hz.high - one.meet_pitch_hz.low < 2.0
    for ask in one.asked:
        crow = [
            float(reed.physics.crow_cents(reed.u, x, reed.lip_strokes, reed.kind)[0])
            for reed, x in zip(mine, at, strict=True)
            if reed.reed_type == ask.reed_type
        ]
        width = cents_from_440(ask.crow_hz.high) - cents_from_440(ask.crow_hz.low)
        assert abs(cents_from_440(ask.crow_hz.mean) - float(np.mean(crow))) < max(0.75 * width, 4.0)
