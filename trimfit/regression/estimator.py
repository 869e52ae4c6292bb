"""The response of a shop's reeds as an estimator with scikit-learn's manners: frames in, frames out.

`fit` learns the whole shop at once (`steps.fit_model`); `predict` predicts readings. A row is predicted from what the
training frame says of its own reed, of its batch and of its type, each only as far as it stood there: a reed never
seen leans on its batch, a batch never seen on its type, a type never seen on the shop's other types.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from trimfit.base.errors import InputError
from trimfit.base.pitch import OUTPUTS, hz_width_cents
from trimfit.regression.design import Rows, rows_from_frame, sort_rows, take_rows
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import fit_model
from trimfit.regression.outputs import GAP, Array, K
from trimfit.regression.posterior.reed import ReedState, batch_states, known_coding

if TYPE_CHECKING:
    import pandas as pd

NO_CHANTER = "a chanter that no row names"
MIDDLE_PITCH_HZ = 470.0
"""The pitch at which a tolerance in hertz as low A is turned into cents."""


class ReedResponse(BaseEstimator):  # type: ignore[misc]
    """How the reeds of a shop answer to length, lip work, chanter, pressure and temperature.

    Parameters
    ----------
    pressure_kpa, temperature_c : the bench's usual conditions; they stand in where a reading logged none.
    balance_hz : how far low A and high A may disagree, in hertz as low A, before a reading counts for less.
    tell : called as `tell(step, done, whole)` during the fit; None for silence.

    Attributes, after `fit`
    -----------------------
    fitted_model_ : FittedModel
        what was learned: coefficients, covariances, weights of doubtful readings.
    feature_names_in_ : (n_columns,) array of str
        the columns of the training frame.
    n_features_in_ : int
        how many there were.

    The frame
    ---------
    One row a reading. Needed: `reed`, `reed_type`, `batch`, `removed_mm` (length off so far, mm). Used where there:
    `chanter`, `lip_strokes` (so far), `pressure_kpa`, `temperature_c`, `entry` (a name for the reading), `taken_day`
    (days since 1970, in all rows or in none), `made_day` (noon of the day the reed was made), `work_count`,
    `work_fading` and `event` (as in `design.Rows`), and the ten outputs `crow_cents`, `low_g_cents`, … `high_a_cents`:
    cents from 440 Hz, the notes as low A; NaN where not taken. A note read with tape on its hole stands in
    `low_g_taped_cents`, … `high_a_taped_cents` instead, counted alike.
    `trimfit.open_log(path).frame()` gives such a frame.

    A worked example stands in datasets_demo/example_session.py.
    """

    def __init__(
        self,
        pressure_kpa: float = 6.0,
        temperature_c: float = 20.0,
        balance_hz: float = 1.0,
        tell: Callable[[str, int, int], None] | None = None,
    ) -> None:
        self.pressure_kpa = pressure_kpa
        self.temperature_c = temperature_c
        self.balance_hz = balance_hz
        self.tell = tell

    def fit(self, frame: pd.DataFrame, y: object = None) -> ReedResponse:
        """Learn from a frame of readings (n_readings rows); `y` is not used, the outputs are columns of the frame.

        Raises InputError for a frame without rows, or without one of the needed columns.
        """
        if not len(frame):
            raise InputError("the frame holds no reading", "fit", "give at least one row")
        rows, types, chanters = rows_from_frame(frame)
        self.fitted_model_: FittedModel = fit_model(
            rows,
            types,
            chanters,
            pressure_kpa=self.pressure_kpa,
            temperature_c=self.temperature_c,
            balance_cents=hz_width_cents(self.balance_hz, MIDDLE_PITCH_HZ),
            tell=self.tell or (lambda *_: None),
        )
        rows, self._types, _ = rows_from_frame(frame, self.fitted_model_.coding)
        self._rows = sort_rows(rows)
        self.feature_names_in_ = np.array([str(column) for column in frame.columns], dtype=object)
        self.n_features_in_ = len(self.feature_names_in_)
        return self

    def predict(self, frame: pd.DataFrame, return_std: bool = False) -> pd.DataFrame:
        """Predict the readings of a frame (its output columns are not looked at, and may be missing).

        Returns a frame with the same index: the ten `<output>_cents` (cents from 440 Hz, notes as low A) and
        `gap_cents` (F less E); with return_std also `<output>_std_cents` and `gap_std_cents`, the standard deviations
        of a next reading about them: of what is not known of the reed, and of one reading's error. A row that names no
        chanter is predicted in one never met, which widens its notes.

        Raises InputError for a missing column, sklearn's NotFittedError before `fit`.
        """
        import pandas as pd

        check_is_fitted(self, "fitted_model_")
        rows, types, chanters = rows_from_frame(frame, self.fitted_model_.coding)
        mean, variance = np.empty((len(rows), K + 1)), np.empty((len(rows), K + 1))
        for batch in range(len(rows.batches)):
            at = np.flatnonzero(rows.batch_code == batch)
            mean[at], variance[at] = self._predict_rows(rows, at, types, chanters)
        names = [*OUTPUTS, "gap"]
        out = {f"{name}_cents": mean[:, k] for k, name in enumerate(names)}
        if return_std:
            out |= {f"{name}_std_cents": np.sqrt(variance[:, k]) for k, name in enumerate(names)}
        return pd.DataFrame(out, index=frame.index)

    def score(self, frame: pd.DataFrame, y: object = None) -> float:
        """Minus the mean absolute error of the predicted gap, in cents, over the rows whose gap was read: 0 is perfect.

        The mean absolute error, since a mistyped reading in the frame must not decide. Raises InputError where no row
        has both F and E.
        """
        f_less_e = frame["f_cents"] - frame["e_cents"] if {"f_cents", "e_cents"} <= set(frame.columns) else None
        if f_less_e is None or not f_less_e.notna().any():
            raise InputError("no row has both F and E", "score", "give readings with f_cents and e_cents")
        return -float((self.predict(frame)["gap_cents"] - f_less_e).abs().mean())

    def _predict_rows(
        self, rows: Rows, at: NDArray[np.intp], types: tuple[str, ...], chanters: tuple[str, ...]
    ) -> tuple[Array, Array]:
        """Mean and variance (n, 11) of the rows `at`, all of one batch: the ten outputs, then the gap."""
        model, code = self.fitted_model_, int(rows.type_code[at[0]])
        # a row that names no chanter is predicted in one never met
        names = (*chanters, NO_CHANTER)
        asked = np.where(rows.chanter_code[at] >= 0, rows.chanter_code[at], len(chanters))
        states, blank = self._states(rows.batches[rows.batch_code[at[0]]], code, asked, types, names)
        stretch = np.sqrt(np.outer(model.reading_stretch, model.reading_stretch))
        probe = np.vstack([np.eye(K), GAP])
        mean, variance = np.empty((len(at), len(probe))), np.empty((len(at), len(probe)))
        for place, i in enumerate(at):
            state = states.get(rows.reeds[rows.reed_code[i]], blank)
            kpa, deg_c = (float(v) if np.isfinite(v) else None for v in (rows.kpa[i], rows.deg_c[i]))
            found, cov = state.outputs(
                state.design(float(rows.removed_mm[i]), float(rows.lip[i]), names[asked[place]], kpa, deg_c)
            )
            mean[place] = probe @ found
            variance[place, :-1] = np.diag(cov + state.noise_cov * stretch)
            variance[place, -1] = GAP @ cov @ GAP + model.gap_stretch * (GAP @ state.noise_cov @ GAP)
        return mean, variance

    def _states(
        self,
        batch: tuple[int, str],
        code: int,
        asked: NDArray[np.intp],
        types: tuple[str, ...],
        chanters: tuple[str, ...],
    ) -> tuple[dict[str, ReedState], ReedState]:
        """Posterior about each reed of a batch that was in training, and about one that was not."""
        named = [(self._types[t], name) for t, name in self._rows.batches]
        mine = (types[batch[0]], batch[1])
        trained = named.index(mine) if mine in named else -1
        own = take_rows(self._rows, np.flatnonzero(self._rows.batch_code == trained))
        states, blank, _ = batch_states(
            self.fitted_model_,
            own,
            known_coding(self.fitted_model_, types),
            code,
            in_fit=np.ones(len(own), dtype=bool),
            extra_chanters=[int(c) for c in np.unique(asked)],
            chanter_names=chanters,
        )
        return dict(zip(own.reeds, states, strict=True)), blank
