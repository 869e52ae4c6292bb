"""The estimator: scikit-learn's manners, and what a row is predicted from."""

from __future__ import annotations

import pickle

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone
from sklearn.exceptions import NotFittedError
from sklearn.model_selection import GroupKFold, cross_val_score

from tests.worlds.shop import World
from trimfit.base.errors import InputError
from trimfit.base.pitch import OUTPUTS
from trimfit.regression.estimator import ReedResponse

NAMES = [*(f"{name}_cents" for name in OUTPUTS), "gap_cents"]


@pytest.fixture(scope="module")
def frame() -> pd.DataFrame:
    """Readings of 54 reeds of six batches, with holes."""
    return World("beam", np.random.default_rng(1)).history(np.random.default_rng(2), 54, batches_per_type=2).frame


@pytest.fixture(scope="module")
def model(frame: pd.DataFrame) -> ReedResponse:
    return ReedResponse().fit(frame)


def _gap(frame: pd.DataFrame) -> pd.Series:
    return frame["f_cents"] - frame["e_cents"]


def test_answers_in_the_columns_and_on_the_index_it_was_asked_with(model: ReedResponse, frame: pd.DataFrame) -> None:
    asked = frame.sample(20, random_state=3)
    found = model.predict(asked)
    assert list(found.columns) == NAMES
    assert found.index.equals(asked.index)
    assert np.isfinite(found.to_numpy()).all()
    np.testing.assert_allclose(found["gap_cents"], found["f_cents"] - found["e_cents"], atol=1e-9)
    wide = model.predict(asked, return_std=True)
    pd.testing.assert_frame_equal(wide[NAMES], found)
    assert list(wide.columns[11:]) == [name.replace("_cents", "_std_cents") for name in NAMES]
    assert (wide[wide.columns[11:]] > 0.3).all(axis=None)


def test_the_order_of_rows_and_the_output_columns_change_nothing(model: ReedResponse, frame: pd.DataFrame) -> None:
    found = model.predict(frame, return_std=True)
    mixed = frame.sample(frac=1.0, random_state=4)
    blank = mixed.drop(columns=[name for name in NAMES if name in mixed.columns])
    pd.testing.assert_frame_equal(model.predict(blank, return_std=True).loc[frame.index], found)


def test_its_own_reeds_are_foretold_better_than_the_type_could(model: ReedResponse, frame: pd.DataFrame) -> None:
    gap, read = _gap(frame), _gap(frame).notna()
    own = model.predict(frame, return_std=True)
    strange = model.predict(frame.assign(reed="never seen", batch="never seen"), return_std=True)
    miss, miss_strange = (np.median(np.abs(found["gap_cents"] - gap)[read]) for found in (own, strange))
    assert miss < 0.6 * miss_strange
    assert (own["gap_std_cents"] < strange["gap_std_cents"]).all()
    sibling = model.predict(frame.assign(reed="never seen"), return_std=True)
    assert sibling["crow_std_cents"].mean() < strange["crow_std_cents"].mean()
    held = (own["gap_cents"] - gap)[read].abs() < 1.645 * own["gap_std_cents"][read]
    assert 0.86 < held.mean() < 0.99


def test_an_unseen_type_or_chanter_leans_on_the_shop_and_says_how_unsure_it_is(
    model: ReedResponse, frame: pd.DataFrame
) -> None:
    full = frame[frame["chanter"].notna()].head(10)
    known = model.predict(full, return_std=True)
    new_type = model.predict(full.assign(reed="x", batch="x", reed_type="never seen"), return_std=True)
    new_chanter = model.predict(full.assign(chanter="never seen"), return_std=True)
    no_chanter = model.predict(full.assign(chanter=None), return_std=True)
    assert (new_type["gap_std_cents"] > 1.5 * known["gap_std_cents"]).all()
    assert (new_chanter["low_a_std_cents"] > 1.5 * known["low_a_std_cents"]).all()
    np.testing.assert_allclose(new_chanter, no_chanter)
    np.testing.assert_allclose(new_chanter["crow_std_cents"], known["crow_std_cents"], rtol=0.2)


def test_length_off_sharpens_the_crow_and_closes_the_gap(model: ReedResponse, frame: pd.DataFrame) -> None:
    one = frame.head(1)
    shorter = pd.concat([one.assign(removed_mm=mm) for mm in (0.0, 0.2, 0.4)])
    found = model.predict(shorter)
    assert np.diff(found["crow_cents"]).min() > 5.0
    assert np.diff(found["gap_cents"]).min() > 2.0


def test_score_is_minus_the_mean_absolute_error_of_the_gap(model: ReedResponse, frame: pd.DataFrame) -> None:
    expected = -(model.predict(frame)["gap_cents"] - _gap(frame)).abs().mean()
    assert model.score(frame) == pytest.approx(expected)
    with pytest.raises(InputError, match="no row has both F and E"):
        model.score(frame.drop(columns="f_cents"))


def test_parameters_clone_and_pickle(model: ReedResponse, frame: pd.DataFrame) -> None:
    other = ReedResponse(pressure_kpa=7.0, balance_hz=2.0)
    assert other.get_params() == {"pressure_kpa": 7.0, "temperature_c": 20.0, "balance_hz": 2.0, "tell": None}
    twin = clone(other.set_params(temperature_c=18.0))
    assert twin.get_params() == other.get_params()
    with pytest.raises(NotFittedError):
        twin.predict(frame)
    back = pickle.loads(pickle.dumps(model))
    pd.testing.assert_frame_equal(back.predict(frame.head(9)), model.predict(frame.head(9)))
    assert model.n_features_in_ == len(model.feature_names_in_) == frame.shape[1]


def test_scored_batch_by_batch_as_if_each_had_never_been_seen(model: ReedResponse, frame: pd.DataFrame) -> None:
    scores = cross_val_score(ReedResponse(), frame, groups=frame["batch"], cv=GroupKFold(2))
    assert scores.shape == (2,)
    assert np.isfinite(scores).all()
    assert scores.mean() < model.score(frame)  # a batch never seen is predicted worse than one that was
    assert scores.min() > -40.0


def test_tells_how_far_it_is(frame: pd.DataFrame) -> None:
    heard: list[tuple[str, int, int]] = []
    ReedResponse(tell=lambda *step: heard.append(step)).fit(frame.head(30))
    assert heard
    assert all(0 <= done <= whole for _, done, whole in heard)


def test_a_frame_it_cannot_learn_from_is_refused(frame: pd.DataFrame) -> None:
    with pytest.raises(InputError, match="holds no reading"):
        ReedResponse().fit(frame.head(0))
    with pytest.raises(InputError, match="column batch is missing"):
        ReedResponse().fit(frame.drop(columns="batch"))
