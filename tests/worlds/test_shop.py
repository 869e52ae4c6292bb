"""The make-believe benches do what their pages say: sizes, signs, spreads, holes, slips; same seed, same shop."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.worlds.frames import FRAME_COLUMNS
from tests.worlds.physics import LATENTS, PHYSICS
from tests.worlds.shop import WORLD_NAMES, LiveReed, World, read_gap_cents, shop_of
from trimfit.base.pitch import NOTES, OUTPUTS, cents_from_440
from trimfit.base.units import BOUNDS


def make(name: str, seed: int = 1) -> World:
    return World(name, np.random.default_rng(seed))


@pytest.fixture(scope="module", params=WORLD_NAMES)
def world(request: pytest.FixtureRequest) -> World:
    return make(request.param)


def test_history_is_a_shop_of_the_promised_size(world: World) -> None:
    shop = world.history(np.random.default_rng(2))
    per_reed = shop.readings.groupby("reed").size()
    assert len(shop.reeds) == 360
    assert shop.reeds["reed_type"].nunique() == 3
    assert shop.reeds.groupby("reed_type")["batch"].nunique().tolist() == [10, 10, 10]
    assert 3.5 < per_reed.mean() < 6.5
    assert 0.1 < shop.readings["b_hz"].isna().mean() < 0.4
    assert shop.trims["asked_mm"].notna().all()
    assert 0.004 < (shop.trims["length_mm"] - shop.trims["asked_mm"]).std() < 0.02
    assert list(shop.frame.columns) == list(FRAME_COLUMNS)


def test_frame_from_tables_is_the_frame_of_the_live_reeds(world: World) -> None:
    reeds = world.past_reeds(np.random.default_rng(3), 60, batches_per_type=2)
    from_tables = shop_of(world, reeds, outcomes=True).frame
    live = pd.concat([reed.frame() for reed in reeds])
    keys = ["reed", "taken_day"]
    left, right = (table.sort_values(keys).reset_index(drop=True) for table in (from_tables, live))
    assert (left["reed"] == right["reed"]).all()
    for column in FRAME_COLUMNS[4:]:
        close = np.allclose(left[column].astype(float), right[column].astype(float), atol=1e-4, equal_nan=True)
        assert close, column


def test_shortening_raises_f_lowers_e_and_raises_the_crow(world: World) -> None:
    u = np.random.default_rng(4).standard_normal((400, len(LATENTS)))
    for kind in world.physics.kinds:
        pipe = world.physics.pipes[0]
        before, after = (world.physics.outputs_cents(u, x, 0.0, kind, pipe) for x in (0.2, 0.7))
        change = dict(zip(OUTPUTS, (after - before).T, strict=True))
        assert (change["f"] > 0).all()
        assert (change["e"] < 0).mean() > 0.99
        assert (change["crow"] > 0).all()
        assert 50 < change["crow"].mean() < 110


def test_new_reeds_start_flat_with_the_promised_spread(world: World) -> None:
    reeds = world.new_reeds(np.random.default_rng(5), 900, 90)
    for kind in world.physics.kinds:
        mine = [reed for reed in reeds if reed.kind is kind]
        table = pd.DataFrame({"batch": [reed.batch + reed.chanter for reed in mine]})
        table["gap"] = [reed.true_gap_cents() for reed in mine]
        within = np.sqrt(table.groupby("batch")["gap"].var().mean())
        assert -60 < table["gap"].mean() < -25
        assert 6.0 < within < 14.0
    slopes = {
        kind.name: np.median(
            [reed.true_gap_cents(more_mm=0.6) - reed.true_gap_cents() for reed in reeds if reed.kind is kind]
        )
        for kind in world.physics.kinds
    }
    assert 1.7 < slopes["moulded one"] / slopes["cane"] < 2.4


def test_true_trim_closes_the_gap(world: World) -> None:
    reed = world.new_reeds(np.random.default_rng(6), 1)[0]
    need = reed.true_trim_mm()
    assert 0.2 < need < 3.0
    assert reed.true_gap_cents(more_mm=need) == pytest.approx(0.0, abs=1e-6)
    reed.removed_mm += need + 0.3
    assert reed.true_trim_mm() == pytest.approx(-0.3, abs=1e-6)


def test_reading_errors_of_gap_and_crow(world: World) -> None:
    errors = world.physics.noise.draw(np.random.default_rng(7), 20000)
    gap = errors[:, OUTPUTS.index("f")] - errors[:, OUTPUTS.index("e")]
    middle = np.subtract(*np.percentile(gap, [75, 25])) / 1.349
    crow = np.subtract(*np.percentile(errors[:, 0], [75, 25])) / 1.349
    assert 0.95 < middle < 1.75
    assert 2.2 < crow < 3.3
    a_difference = errors[:, OUTPUTS.index("high_a")] - errors[:, OUTPUTS.index("low_a")]
    off_balance = np.mean(np.abs(a_difference) > 5.0)
    assert (off_balance > 0.1) == (world.name == "unbalanced")


def test_same_seed_same_shop() -> None:
    first, again = (make("beam", 9).history(np.random.default_rng(3), 30, batches_per_type=1) for _ in range(2))
    pd.testing.assert_frame_equal(first.readings, again.readings)
    other = make("beam", 9).history(np.random.default_rng(4), 30, batches_per_type=1)
    assert not first.readings["crow_hz"].equals(other.readings["crow_hz"])


def test_csv_folder_holds_numbers_the_log_can_hold(world: World, tmp_path: Path) -> None:
    world.history(np.random.default_rng(8), 60, batches_per_type=2).write_csv(tmp_path)
    readings = pd.read_csv(tmp_path / "readings.csv")
    assert not readings.duplicated(["reed", "taken_at"]).any()
    for note in NOTES:
        values = readings[f"{note}_hz"].dropna()
        assert values.between(*BOUNDS["note_hz"]).all()
    assert readings["crow_hz"].dropna().between(*BOUNDS["crow_hz"]).all()
    assert set(pd.read_csv(tmp_path / "trims.csv")["reed"]) <= set(pd.read_csv(tmp_path / "reeds.csv")["reed"])


def test_slips_come_as_often_as_promised() -> None:
    rng = np.random.default_rng(10)
    reeds = make("heavy").new_reeds(rng, 2500, 50)
    gaps = np.array([read_gap_cents(reed.read(rng)) - reed.true_gap_cents() for reed in reeds])
    assert np.mean(gaps < -250) == pytest.approx(0.005, abs=0.004)
    assert 0.004 < np.mean(np.abs(gaps) > 25) < 0.025


def test_lip_strokes_lower_crow_and_pitch_and_close_the_gap(world: World) -> None:
    u = np.zeros((1, len(LATENTS)))
    for kind in world.physics.kinds:
        pipe = world.physics.pipes[1]
        plain, eased = (world.physics.outputs_cents(u, 0.3, strokes, kind, pipe)[0] for strokes in (0.0, 4.0))
        gap = [row[OUTPUTS.index("f")] - row[OUTPUTS.index("e")] for row in (plain, eased)]
        assert eased[0] < plain[0]
        assert eased[OUTPUTS.index("low_a")] < plain[OUTPUTS.index("low_a")]
        assert gap[1] > gap[0]


def test_pressure_slopes_are_steeper_in_the_top_hand_and_in_cane() -> None:
    physics = PHYSICS["beam"](np.random.default_rng(0))
    changes = {}
    for kind in physics.kinds:
        change = physics.conditions_cents(kind, 7.0, 20.0)
        assert change[OUTPUTS.index("high_g")] > change[OUTPUTS.index("b")] > 0
        changes[kind.cane] = max(changes.get(kind.cane, 0.0), change[OUTPUTS.index("f")])
    assert changes[True] > changes[False]


def test_a_reading_takes_what_was_asked_for() -> None:
    rng = np.random.default_rng(11)
    reed: LiveReed = make("saturating").new_reeds(rng, 1)[0]
    alone = reed.read(rng, what="crow")
    assert [key for key in alone if key.endswith("_hz")] == ["crow_hz"]
    assert alone["chanter"] is None
    short = reed.read(rng, what="short")
    assert {key for key in short if key.endswith("_hz")} == {"low_a_hz", "e_hz", "f_hz", "high_a_hz"}
    elsewhere = reed.read(rng, chanter="CH-02")
    assert elsewhere["chanter"] == "CH-02"
    assert cents_from_440(float(str(elsewhere["low_a_hz"]))) == pytest.approx(reed.true_pitch_cents("CH-02"), abs=15)
    assert len(reed.frame()) == 3
