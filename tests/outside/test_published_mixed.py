"""The mixed-model engine and the joint update against published fits (MM-1 to MM-12, MU-9).

Sources by data set: sleepstudy: Bates, Maechler, Bolker & Walker, J. Stat. Software 67(1) (2015); pastes, dyestuff,
dyestuff2: Bates (2010), draft book on mixed models (partly from memory); rail, oxide, machines, orthodont: Pinheiro &
Bates (2000). `mixed_model_expected.csv` says of each number whether it was printed, remembered or recomputed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.outside.published import mixed_expected, table
from tests.regression.reml.one_output import fit_mixed
from trimfit.regression.posterior.batch import Terms, batch_posterior, batch_sums, reed_moments, row_precision
from trimfit.regression.reml.newton import MixedFit
from trimfit.regression.reml.sums import cross_products

NONE = {1: np.zeros((1, 1), bool), 2: np.zeros((2, 2), bool)}


def _fit(
    x: np.ndarray,
    z: np.ndarray,
    y: pd.Series,
    inner: pd.Series,
    outer: pd.Series | None = None,
    *,
    reml: bool = True,
    inner_free: np.ndarray | None = None,
) -> MixedFit:
    """Fit by the project's engine; without `outer` every inner group stands alone."""
    by_outer = np.zeros(len(y), dtype=np.intp) if outer is None else np.unique(outer, return_inverse=True)[1]
    pairs = pd.DataFrame({"outer": by_outer, "inner": np.unique(inner, return_inverse=True)[1]})
    names, code = np.unique(pairs.to_numpy(), axis=0, return_inverse=True)
    sums = cross_products(z, x, y.to_numpy(dtype=np.float64), code.reshape(-1).astype(np.intp), names[:, 0])
    q = z.shape[1]
    return fit_mixed(
        sums, reml=reml, outer_free=NONE[q] if outer is None else None, inner_free=inner_free, tolerance=1e-13
    )


def _ones(rows: pd.DataFrame) -> np.ndarray:
    return np.ones((len(rows), 1))


def _line(values: pd.Series) -> np.ndarray:
    return np.column_stack([np.ones(len(values)), values])


def _check(found: dict[str, float], dataset: str, model: str, method: str = "REML") -> None:
    """Every quantity that the table has for this model, each within its own tolerance."""
    expected = mixed_expected(dataset, model, method)
    assert set(found) == set(expected)
    for quantity, (value, tolerance) in expected.items():
        assert found[quantity] == pytest.approx(value, abs=tolerance), quantity


def _sleep(reml: bool = True, z_terms: int = 2, free: np.ndarray | None = None) -> tuple[pd.DataFrame, MixedFit]:
    rows = table("sleepstudy")
    x = _line(rows["Days"])
    return rows, _fit(x, x[:, :z_terms], rows["Reaction"], rows["Subject"], reml=reml, inner_free=free)


def test_line_by_subject() -> None:
    """MM-1: random level and slope, correlated."""
    _, fit = _sleep()
    cov, sd, se = fit.inner_cov, np.sqrt(np.diag(fit.inner_cov)), np.sqrt(np.diag(fit.beta_cov))
    found = {
        "restricted deviance": fit.criterion,
        "estimate, intercept": fit.beta[0],
        "estimate, days": fit.beta[1],
        "standard error, intercept": se[0],
        "standard error, days": se[1],
        "variance of levels": cov[0, 0],
        "variance of slopes": cov[1, 1],
        "covariance of levels and slopes": cov[0, 1],
        "spread of levels": sd[0],
        "spread of slopes": sd[1],
        "correlation of levels and slopes": cov[0, 1] / sd[0] / sd[1],
        "spread of readings": np.sqrt(fit.noise),
        "correlation of the estimates": fit.beta_cov[0, 1] / se[0] / se[1],
    }
    _check(found, "sleepstudy", "line by subject")
    assert fit.converged


def test_maximum_likelihood_and_nested_models() -> None:
    """MM-2: likelihood ratios 42.08 and 0.06."""
    _, full = _sleep(reml=False)
    cov = full.inner_cov
    found = {
        "deviance": full.criterion,
        "Akaike's criterion": full.criterion + 2 * 6,
        "Schwarz's criterion": full.criterion + 6 * np.log(180),
        "variance of levels": cov[0, 0],
        "variance of slopes": cov[1, 1],
        "correlation of levels and slopes": cov[0, 1] / np.sqrt(cov[0, 0] * cov[1, 1]),
        "spread of readings": np.sqrt(full.noise),
    }
    _check(found, "sleepstudy", "line by subject", "ML")
    _, apart = _sleep(reml=False, free=np.eye(2, dtype=bool))
    _check({"deviance": apart.criterion}, "sleepstudy", "line by subject, uncorrelated", "ML")
    _, level = _sleep(reml=False, z_terms=1)
    _check({"deviance": level.criterion}, "sleepstudy", "level by subject", "ML")
    assert level.criterion - apart.criterion == pytest.approx(42.08, abs=0.01)
    assert apart.criterion - full.criterion == pytest.approx(0.06, abs=0.01)


def test_simpler_models_by_restricted_likelihood() -> None:
    _, apart = _sleep(free=np.eye(2, dtype=bool))
    sd = np.sqrt(np.diag(apart.inner_cov))
    found = {"restricted deviance": apart.criterion, "spread of levels": sd[0], "spread of slopes": sd[1]}
    _check({**found, "spread of readings": np.sqrt(apart.noise)}, "sleepstudy", "line by subject, uncorrelated")
    assert apart.inner_cov[0, 1] == 0.0
    _, level = _sleep(z_terms=1)
    found = {"restricted deviance": level.criterion, "spread of levels": float(np.sqrt(level.inner_cov[0, 0]))}
    _check({**found, "spread of readings": np.sqrt(level.noise)}, "sleepstudy", "level by subject")


def _believed(rows: pd.DataFrame, fit: MixedFit) -> tuple[np.ndarray, np.ndarray]:
    """Level and slope of one subject by the joint pass that reeds go through: mean (2,), covariance (2, 2)."""
    if rows.empty:
        return np.zeros(2), fit.inner_cov
    rest = rows[["Reaction"]].to_numpy() - _line(rows["Days"]) @ fit.beta[:, None]
    precision, weighted = row_precision(rest, np.ones_like(rest), np.array([[fit.noise]]))
    terms = Terms.of(_line(rows["Days"]), np.ones((len(rows), 1)))
    sums = batch_sums(terms, precision, weighted, np.zeros(len(rows), np.intp), fit.inner_cov)
    # The population is taken as known: a coefficient that cannot move, and no deviation of a batch.
    known = batch_posterior(sums.m, sums.mv, np.zeros((2, 2)), np.eye(1) * 1e15, np.zeros(1))
    mean, cov = reed_moments(sums, known)
    return mean[0], cov[0]


def test_one_reading_at_a_time_is_all_at_once() -> None:
    """MM-4, MM-3: subject 308 after each reading, and every subject after all, by the reeds' own update."""
    rows, fit = _sleep()
    one = rows[rows["Subject"] == 308].sort_values("Days")
    for state in table("sleepstudy_308_sequential").itertuples():
        mean, cov = _believed(one[one["Days"] <= state.after_day], fit)
        assert mean == pytest.approx([state.b0, state.b1], abs=1e-3)
        assert [cov[0, 0], cov[0, 1], cov[1, 1]] == pytest.approx(
            [state.var_b0, state.cov_b0b1, state.var_b1], abs=2e-3
        )
    each = table("sleepstudy_blup").set_index("Subject")
    assert sorted(rows["Subject"].unique()) == each.index.tolist()
    for name, subject in rows.groupby("Subject"):
        assert _believed(subject, fit)[0] == pytest.approx(each.loc[name, ["b0", "b1"]].to_numpy(float), abs=1e-3)


def test_a_subject_never_seen() -> None:
    """MM-5: mean 345.61, variance from the coefficients, the subjects and the reading."""
    _, fit = _sleep()
    at = np.array([1.0, 9.0])
    assert at @ fit.beta == pytest.approx(345.61068, abs=1e-3)
    parts = [at @ fit.beta_cov @ at, at @ fit.inner_cov @ at, fit.noise]
    assert parts == pytest.approx([214.0014, 3625.7724, 654.9410], abs=0.05)
    assert np.sqrt(sum(parts)) == pytest.approx(67.0426, abs=1e-3)


def test_rows_held_out_singly_flatter() -> None:
    """MU-9: each reading predicted from its own subject's others, the population and variances of MM-1 held fixed.

    A subject never seen (test_published_regression: 49.6) is what a new reed is."""
    rows, fit = _sleep()
    errors = []
    for index, row in rows.iterrows():
        others = rows[(rows["Subject"] == row["Subject"]) & (rows.index != index)]
        errors.append(row["Reaction"] - np.array([1.0, row["Days"]]) @ (fit.beta + _believed(others, fit)[0]))
    rmse = float(np.sqrt(np.mean(np.square(errors))))
    assert rmse == pytest.approx(28.3876, abs=2e-3)


def test_two_nested_levels_partly_from_memory() -> None:
    """MM-6: casks in batches, as reeds in batches."""
    rows = table("pastes")
    expected = ("pastes", "level by batch and cask")
    for method in ("REML", "ML"):
        fit = _fit(_ones(rows), _ones(rows), rows["strength"], rows["sample"], rows["batch"], reml=method == "REML")
        found = {
            "standard error, intercept": float(np.sqrt(fit.beta_cov[0, 0])),
            "variance of casks in a batch": fit.inner_cov[0, 0],
            "variance of batches": fit.outer_cov[0, 0],
            "variance of readings": fit.noise,
        }
        own = {"restricted deviance": fit.criterion, "estimate, intercept": fit.beta[0]} if method == "REML" else {}
        _check({**found, **(own or {"deviance": fit.criterion})}, *expected, method)


def test_one_way_partly_from_memory() -> None:
    """MM-7, MM-11."""
    rows = table("dyestuff")
    reml, ml = (_fit(_ones(rows), _ones(rows), rows["Yield"], rows["Batch"], reml=way) for way in (True, False))
    found = {
        "variance of batches": reml.inner_cov[0, 0],
        "variance of readings": reml.noise,
        "standard error, intercept": reml.beta_cov[0, 0] ** 0.5,
    }
    _check(
        {**found, "estimate, intercept": reml.beta[0], "restricted deviance": reml.criterion},
        "dyestuff",
        "level by batch",
    )
    found = {
        "variance of batches": ml.inner_cov[0, 0],
        "variance of readings": ml.noise,
        "standard error, intercept": ml.beta_cov[0, 0] ** 0.5,
    }
    _check({**found, "deviance": ml.criterion}, "dyestuff", "level by batch", "ML")
    rows = table("rail")
    rail = _fit(_ones(rows), _ones(rows), rows["travel"], rows["Rail"])
    found = {
        "spread of rails": rail.inner_cov[0, 0] ** 0.5,
        "spread of readings": rail.noise**0.5,
        "log-likelihood": -rail.criterion / 2,
    }
    _check(
        {**found, "estimate, intercept": rail.beta[0], "standard error, intercept": rail.beta_cov[0, 0] ** 0.5},
        "rail",
        "level by rail",
    )


def test_a_variance_of_exactly_nothing_from_memory() -> None:
    """MM-8: Box & Tiao's simulated yields; neither negative nor a crash."""
    rows = table("dyestuff2")
    fit = _fit(_ones(rows), _ones(rows), rows["Yield"], rows["Batch"])
    assert fit.inner_cov[0, 0] >= 0.0
    found = {
        "spread of batches": fit.inner_cov[0, 0] ** 0.5,
        "spread of readings": fit.noise**0.5,
        "estimate, intercept": fit.beta[0],
    }
    _check({**found, "restricted deviance": fit.criterion}, "dyestuff2", "level by batch")
    likely = _fit(_ones(rows), _ones(rows), rows["Yield"], rows["Batch"], reml=False)
    assert likely.criterion == pytest.approx(162.87304, abs=0.01)
    assert likely.noise**0.5 == pytest.approx(3.65323, abs=1e-3)


def test_wafers_in_lots() -> None:
    """MM-9: and what the inner level is worth, a likelihood ratio of 37.11."""
    rows = table("oxide")
    fit = _fit(_ones(rows), _ones(rows), rows["Thickness"], rows["Wafer"], rows["Lot"])
    found = {
        "estimate, intercept": fit.beta[0],
        "standard error, intercept": fit.beta_cov[0, 0] ** 0.5,
        "spread of lots": fit.outer_cov[0, 0] ** 0.5,
        "spread of wafers in a lot": fit.inner_cov[0, 0] ** 0.5,
        "spread of readings": fit.noise**0.5,
        "log-likelihood": -fit.criterion / 2,
    }
    _check(found, "oxide", "level by lot and wafer")
    lots = _fit(_ones(rows), _ones(rows), rows["Thickness"], rows["Lot"])
    assert -lots.criterion / 2 == pytest.approx(-245.5658, abs=1e-3)
    assert lots.criterion - fit.criterion == pytest.approx(37.11, abs=0.01)


def test_treatment_within_group() -> None:
    """MM-10: machines within workers."""
    rows = table("machines")
    x = np.column_stack([np.ones(len(rows)), rows["Machine"] == "B", rows["Machine"] == "C"])
    fit = _fit(x, _ones(rows), rows["score"], rows["Machine"], rows["Worker"])
    found = {
        "spread of workers": fit.outer_cov[0, 0] ** 0.5,
        "spread of machines of a worker": fit.inner_cov[0, 0] ** 0.5,
        "spread of readings": fit.noise**0.5,
        "estimate, intercept": fit.beta[0],
        "estimate, machine B over A": fit.beta[1],
        "estimate, machine C over A": fit.beta[2],
        "log-likelihood": -fit.criterion / 2,
    }
    _check(found, "machines", "level by worker and machine in worker")
    plain = _fit(x, _ones(rows), rows["score"], rows["Worker"])
    found = {"spread of workers": plain.inner_cov[0, 0] ** 0.5, "spread of readings": plain.noise**0.5}
    _check({**found, "log-likelihood": -plain.criterion / 2}, "machines", "level by worker")
    assert plain.criterion - fit.criterion == pytest.approx(71.19, abs=0.01)


def test_a_line_by_type_of_subject_from_memory() -> None:
    """MM-12: a covariate of the group changes its slope, as the reed's type does."""
    rows = table("orthodont")
    line = _line(rows["age"] - 11)
    female = (rows["Sex"] == "Female").to_numpy(dtype=np.float64)
    x = np.column_stack([line[:, 0], female, line[:, 1], female * line[:, 1]])
    fit = _fit(x, line, rows["distance"], rows["Subject"])
    sd = np.sqrt(np.diag(fit.inner_cov))
    found = {
        "spread of levels": sd[0],
        "spread of slopes": sd[1],
        "correlation of levels and slopes": fit.inner_cov[0, 1] / sd[0] / sd[1],
        "spread of readings": fit.noise**0.5,
        "estimate, boys at 11": fit.beta[0],
        "estimate, girls over boys at 11": fit.beta[1],
        "estimate, a year of boys": fit.beta[2],
        "estimate, a year of girls over boys": fit.beta[3],
        "log-likelihood": -fit.criterion / 2,
    }
    _check(found, "orthodont", "line by subject, lines by sex, age from 11")
