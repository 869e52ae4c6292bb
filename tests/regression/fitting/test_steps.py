"""The fit as a whole, on a make-believe shop whose physics is not the fitted model's (tests/worlds)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.worlds.physics import USUAL_TRIM_MM
from tests.worlds.shop import World, shop_of
from trimfit.base.errors import TrimfitError
from trimfit.base.pitch import OUTPUTS
from trimfit.regression.curve import bent_one_mm
from trimfit.regression.design import rows_from_frame
from trimfit.regression.fitted_model import FittedModel, model_from_bytes, model_to_bytes
from trimfit.regression.fitting.steps import fit_model, prior_model
from trimfit.regression.movement.process import BASIS
from trimfit.regression.outputs import PITCH

E_NOTE, F_NOTE = OUTPUTS.index("e"), OUTPUTS.index("f")
SLIPS = [(column, size) for size in (1200.0, -3986.0, 60.0) for column in ("e_cents", "f_cents", "crow_cents")]


def fit(frame: pd.DataFrame) -> FittedModel:
    return fit_model(*rows_from_frame(frame), pressure_kpa=6.0, temperature_c=20.0, balance_cents=3.7)


def gap_sd(cov: np.ndarray) -> float:
    pick = np.zeros(len(OUTPUTS))
    pick[F_NOTE], pick[E_NOTE] = 1.0, -1.0
    return float(np.sqrt(pick @ cov @ pick))


@pytest.fixture(scope="module")
def frame() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    found = World("beam", rng).history(rng, 48).frame
    found["entry"] = [f"entry {i}" for i in range(len(found))]
    return found


@pytest.fixture(scope="module")
def model(frame: pd.DataFrame) -> FittedModel:
    return fit(frame)


def test_a_fit_is_sound_and_comes_back_from_its_bytes(frame: pd.DataFrame, model: FittedModel) -> None:
    for cov in (
        model.coef_cov,
        model.batch_cov,
        model.reed_cov,
        model.noise_cov,
        model.chanter_cov,
        model.new_type_cov,
    ):
        assert np.linalg.eigvalsh(cov).min() > 0
    assert model.reeds.sum() == frame["reed"].nunique()
    assert model.readings == len(frame)
    assert 0.9 < gap_sd(model.noise_cov) < 1.7
    assert model_to_bytes(model_from_bytes(model_to_bytes(model))) == model_to_bytes(model)
    for code in range(model.n_types):
        coef = model.type_coef(code)
        assert coef[1, F_NOTE] > coef[1, E_NOTE]  # shortening brings F up against E
        assert coef[1, 0] > 50.0  # and sharpens the crow
        assert coef[5, F_NOTE] == pytest.approx(2.95, abs=1.0)


def test_a_shop_whose_two_as_always_agree_to_the_cent_is_learned_from(frame: pd.DataFrame, model: FittedModel) -> None:
    """Whoever writes the high A as twice the low A leaves a difference without any error at all."""
    same = frame.head(len(frame) // 3).assign(high_a_cents=frame["low_a_cents"])
    found = fit(same)
    assert np.isfinite(found.coef).all()
    assert np.linalg.eigvalsh(found.noise_cov).min() > 0
    assert gap_sd(found.noise_cov) == pytest.approx(gap_sd(model.noise_cov), rel=0.15)


def test_the_first_readings_of_a_shop_are_learned_from(frame: pd.DataFrame) -> None:
    found = fit(frame.iloc[:26])
    assert np.isfinite(found.coef).all()
    assert 0.05 < gap_sd(found.noise_cov) < 6.0


def test_mistyped_readings_bend_nothing_and_are_named(frame: pd.DataFrame, model: FittedModel) -> None:
    """Octaves, dropped digits and wrong notes in one reading of forty: the covariances stay, the entries are found."""
    spoiled = frame.copy()
    full = np.flatnonzero(frame[["e_cents", "f_cents", "crow_cents"]].notna().all(axis=1))
    hit = np.random.default_rng(0).choice(full, len(SLIPS), replace=False)
    for at, (column, size) in zip(hit, SLIPS, strict=True):
        spoiled.iloc[at, spoiled.columns.get_loc(column)] += size
    found = fit(spoiled)
    assert gap_sd(found.noise_cov) == pytest.approx(gap_sd(model.noise_cov), rel=0.08)
    np.testing.assert_allclose(np.sqrt(np.diag(found.noise_cov)), np.sqrt(np.diag(model.noise_cov)), rtol=0.12)
    for part in (slice(0, 10), slice(10, 20)):
        assert gap_sd(found.reed_cov[part, part]) == pytest.approx(gap_sd(model.reed_cov[part, part]), rel=0.15)
    moved = np.abs(found.coef - model.coef) / np.sqrt(np.diag(model.coef_cov))
    assert moved.max() < 1.0
    named = {f"entry {at}" for at in hit}
    assert len(named & set(found.low_weight)) >= len(SLIPS) - 1
    assert len(set(found.low_weight) - named - set(model.low_weight)) <= 2


def test_order_and_names_of_rows_do_not_matter(frame: pd.DataFrame) -> None:
    """But for the order in which sums are rounded: on some processors it moves them by a hundredth of their error."""
    some = frame[frame["reed"].isin(sorted(frame["reed"].unique())[:9])]
    first = fit(some)
    other = some.sample(frac=1.0, random_state=1)
    other = other.assign(reed="<" + other["reed"].astype(str) + ">", batch=other["batch"].astype(str) + " late")
    second = fit(other)
    moved = np.abs(second.coef - first.coef) / np.sqrt(np.diag(first.coef_cov))
    assert moved.max() < 0.05
    sd = np.sqrt(np.diag(first.reed_cov))
    assert (np.abs(second.reed_cov - first.reed_cov) / np.outer(sd, sd)).max() < 0.01


@pytest.mark.parametrize("rows", [1, 2, 7])
def test_a_handful_of_readings_is_enough_to_begin(frame: pd.DataFrame, rows: int) -> None:
    few = frame.iloc[:rows]
    model = fit(few)
    for cov in (model.coef_cov, model.batch_cov, model.reed_cov, model.noise_cov):
        assert np.all(np.isfinite(cov))
        assert np.linalg.eigvalsh(cov).min() > 0
    wide = prior_model(model.coding.types, 6.0, 20.0, 3.7)
    slope = slice(20, 30)
    assert np.all(np.diag(model.coef_cov)[slope] <= 1.01 * np.diag(wide.coef_cov)[slope])


def test_crows_alone_and_nothing_at_all(frame: pd.DataFrame) -> None:
    crows = frame.head(len(frame) // 2).copy()
    crows.loc[:, [f"{note}_cents" for note in OUTPUTS[1:]]] = np.nan
    model = fit(crows)
    assert model.type_coef(0)[1, 0] > 50.0
    wide = prior_model(model.coding.types, 6.0, 20.0, 3.7)
    assert gap_sd(model.noise_cov) == pytest.approx(gap_sd(wide.noise_cov), rel=0.05)  # an assumption still
    with pytest.raises(TrimfitError, match="no reading to learn from"):
        fit(frame.iloc[:0])
    crows["crow_cents"] = np.nan
    with pytest.raises(TrimfitError, match="no reading to learn from"):
        fit(crows)


def test_reeds_are_learned_to_stray_as_far_as_they_do() -> None:
    """The crow when new is read to two cents, so the spread of the reeds about their batches is all but known."""
    rng = np.random.default_rng(9)
    world = World("saturating", rng)
    reeds = world.past_reeds(rng, 60, batches_per_type=2)
    model = fit(shop_of(world, reeds, outcomes=True).frame)
    crow = np.array([float(reed.physics.crow_cents(reed.u, 0.0, 0.0, reed.kind)[0]) for reed in reeds])
    batch = np.unique([reed.batch for reed in reeds], return_inverse=True)[1]
    own = crow - (np.bincount(batch, crow) / np.bincount(batch))[batch]
    truly = np.sqrt((own**2).sum() / (len(own) - batch.max() - 1))
    assert np.sqrt(model.reed_cov[0, 0]) == pytest.approx(truly, rel=0.08)


@pytest.mark.parametrize(("reeds", "batches_per_type"), [(18, 1), pytest.param(60, 3, marks=pytest.mark.slow)])
def test_a_small_shop_learns_that_the_crow_tells_the_gap(reeds: int, batches_per_type: int) -> None:
    """On this bench new reeds' crow and gap go together at 0.75 (`Physics.crow_tells_gap`); `pick` lives on it."""
    found = []
    for seed in range(2):
        world = World("saturating", np.random.default_rng(seed))
        past = world.history(np.random.default_rng(seed + 50), reeds, batches_per_type=batches_per_type)
        cov = fit(past.frame).reed_cov[: len(OUTPUTS), : len(OUTPUTS)]
        with_crow = cov[F_NOTE, 0] - cov[E_NOTE, 0]
        found.append(with_crow / (np.sqrt(cov[0, 0]) * gap_sd(cov)))
    # two shops' mean strays from the truth by about 1 / sqrt(2 x 18); assumptions, which know of no tie, pull it down
    assert 0.45 < np.mean(found) < 0.9


@pytest.mark.slow
def test_a_shop_that_varies_little_in_pitch_is_not_believed_to_vary_more() -> None:
    """New reeds' pitch there strays by 2.47 cents (level 2, middle 1, a trim's rise 1.05), after a usual trim by 2.24,
    far less than is assumed before any log; a reading of it is off by 2.13 (seat 2, notes 0.65, tilt), tails or none.
    Found over these six shops: 2.17 ± 0.07 (an eighth under), after a trim 2.29 ± 0.07, readings 2.25 ± 0.01.
    """
    spread, trimmed, noise = [], [], []
    for seed in (5, 6, 7):
        for bench in ("saturating", "heavy"):
            world = World(bench, np.random.default_rng(seed))
            model = fit(world.history(np.random.default_rng([seed, 1]), 240, batches_per_type=7).frame)
            for code, ratio in enumerate(model.coding.slope_ratio):
                length = bent_one_mm(USUAL_TRIM_MM, model.coding.curves[code])
                both = model.batch_cov + model.reed_cov * model.reed_scale[code]
                for cut, strays in ((0.0, spread), (length, trimmed)):
                    pick = np.kron([1.0, ratio * cut, ratio * cut**2], PITCH)
                    strays.append(np.sqrt(pick @ both @ pick))
            error = model.noise_cov * model.noise_scale.mean() + BASIS @ model.movement.sitting.mean(axis=0) @ BASIS.T
            noise.append(np.sqrt(PITCH @ error @ PITCH))
    assert np.mean(spread) == pytest.approx(2.47, rel=0.15)
    assert np.mean(trimmed) == pytest.approx(2.24, rel=0.08)
    assert np.mean(noise) == pytest.approx(2.13, rel=0.07)


@pytest.mark.slow
def test_no_type_is_believed_to_be_read_better_than_it_is() -> None:
    """Read alike on the bench (gap to 1.35 cents: notes 0.92, tilt), though one answers a cut twice as strongly and its
    reeds are believed to vary too much for that; and one that is read worse is found out."""
    found, worse = [], []
    for seed in (1, 2):
        world = World("multiplicative", np.random.default_rng(seed))
        past = world.history(np.random.default_rng([seed, 4]), 240, batches_per_type=7).frame
        model = fit(past)
        errors = zip(model.noise_scale, model.movement.sitting, strict=False)
        found.append([gap_sd(model.noise_cov * scale + BASIS @ sitting @ BASIS.T) for scale, sitting in errors])
        often = past["reed_type"] == "moulded two"
        more = world.physics.noise.draw(np.random.default_rng(seed), len(past)) * often.to_numpy()[:, None]
        columns = [f"{output}_cents" for output in OUTPUTS]
        scale = fit(past.assign(**dict(zip(columns, (past[columns] + more).to_numpy().T, strict=True)))).noise_scale
        at = rows_from_frame(past)[1].index("moulded two")
        worse.append(scale[at] / np.delete(scale, at).mean())
    np.testing.assert_allclose(np.mean(found, axis=0), 1.35, rtol=0.07)
    # twice the variance; the worst of its cells count for less before it is known
    assert 1.5 < np.mean(worse) < 2.2


def test_a_type_hardly_read_has_the_shops_reading_error(frame: pd.DataFrame) -> None:
    rare = "moulded one"
    some = frame.head(len(frame) // 2)
    few = some[(some["reed_type"] != rare) | (some["reed_type"] == rare).cumsum().le(2)]
    _, types, _ = rows_from_frame(few)
    assert fit(few).noise_scale[types.index(rare)] == 1.0


def test_what_events_did_is_no_error_of_readings(frame: pd.DataFrame, model: FittedModel) -> None:
    """Was: where every other reed had been soaked once, the gap's reading error came out twice what it is, or sound
    readings were called wild."""
    rng = np.random.default_rng(8)
    hit = frame.sort_values(["reed", "taken_day"], kind="stable").reset_index(drop=True)
    hit["event"] = False
    for _, rows in list(hit.groupby("reed", sort=True))[::2]:
        if len(rows) < 3:
            continue
        after = rows.index[len(rows) // 2 :]
        hit.loc[after[0], "event"] = True
        gap, pitch = 20.0 * rng.standard_normal(), 10.0 * rng.standard_normal()
        for name in (column for column in hit.columns if column.endswith("_cents")):
            part = {"f_cents": 0.5, "e_cents": -0.5, "crow_cents": 2.0}.get(name, 0.0)
            hit.loc[after, name] += pitch + part * gap
    assert hit["event"].sum() > 15
    found = fit(hit)
    assert gap_sd(found.noise_cov) == pytest.approx(gap_sd(model.noise_cov), rel=0.2)
    assert found.noise_cov[0, 0] == pytest.approx(model.noise_cov[0, 0], rel=0.5)
    assert gap_sd(found.reed_cov[:10, :10]) == pytest.approx(gap_sd(model.reed_cov[:10, :10]), rel=0.35)
    assert len(found.low_weight) <= len(model.low_weight) + 3
