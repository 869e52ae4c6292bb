"""The main job on real data: lasers as "reeds" whose "gap" closes when their current has risen by ten per cent.

Meeker & Escobar (1998), table C.17, example 13.10: 15 units, 17 readings each, published crossing hours. For each unit
the population comes from the other fourteen (project's engine), the unit's first readings are believed as a reed's are
(project's joint pass, the population's own uncertainty included), and its crossing is foretold (project's crossing).
"""

from __future__ import annotations

import numpy as np
import pytest
from published import table

from trimfit.learn import lines
from trimfit.learn.joint import batch_posterior, batch_sums, reed_moments, row_precision
from trimfit.learn.mixed import MixedFit, cross_products, fit_mixed
from trimfit.plan.crossing import CrossingBelief, crossing_belief, crossings

UNITS = tuple(range(1, 16))
KILOHOURS = 1000.0


def _others(unit: int) -> MixedFit:
    rows = table("degradation_gaas_laser")
    rows = rows[rows["unit"] != unit]
    x = lines.powers(rows["hours"] / KILOHOURS, 1)
    codes = np.unique(rows["unit"], return_inverse=True)[1].astype(np.intp)
    sums = cross_products(x, x, rows["percent_increase"].to_numpy(), codes, np.zeros(14, dtype=np.intp))
    return fit_mixed(sums, outer_free=np.zeros((2, 2), bool))


def _foretell(unit: int, n_readings: int, share: float) -> CrossingBelief:
    """Crossing of ten per cent, in thousand hours, from the first readings of a unit."""
    fit = _others(unit)
    rows = table("degradation_gaas_laser")
    first = rows[rows["unit"] == unit].head(n_readings)
    line = lines.powers(first["hours"] / KILOHOURS, 1)
    values = first[["percent_increase"]].to_numpy()
    precision, weighted = row_precision(values, np.ones_like(values), np.array([[fit.noise]]))
    sums = batch_sums(line, line, precision, weighted, np.zeros(n_readings, np.intp), fit.inner_cov)
    prior = np.linalg.inv(fit.beta_cov)
    known = batch_posterior(sums.m[0], sums.mv[0], np.zeros((2, 2)), prior, prior @ fit.beta)
    own, _, tie, free = (part[0] for part in reed_moments(sums, known))
    # own deviation = free − tie · (batch, population); the unit's line is population + own deviation
    reach = np.hstack([np.zeros((2, 2)), np.eye(2)]) - tie
    return crossing_belief(known.mean[2:] + own, reach @ known.cov @ reach.T + free, 10.0, share=share)


def _published_kilohours() -> np.ndarray:
    return table("degradation_gaas_laser_crossings")["pseudo_failure_h_published"].to_numpy() / KILOHOURS


def _alone(unit: int, n_readings: int) -> float:
    """The naive rule: the unit's own line through its first readings, nothing known of the others."""
    rows = table("degradation_gaas_laser")
    first = rows[rows["unit"] == unit].head(n_readings)
    return float(
        crossings(*lines.straight_line(first["hours"] / KILOHOURS, first["percent_increase"]).coefficients, 10)
    )


def _rms(foretold: list[float]) -> float:
    return float(np.sqrt(np.mean((np.array(foretold) / _published_kilohours() - 1) ** 2)))


# Readings used; of 15 published crossings, how many lie in the 90 % interval; relative error (root mean square) of the
# foretold crossing; the same for the naive rule. Our own figures, kept so that a change is seen.
SHOWN = [(3, 11, 0.197, 0.268), (5, 11, 0.117, 0.124), (8, 7, 0.087, 0.085)]


@pytest.mark.parametrize(("n_readings", "held", "error", "naive_error"), SHOWN)
def test_crossings_foretold_from_the_first_readings(
    n_readings: int, held: int, error: float, naive_error: float
) -> None:
    """Error falls with each reading, and pooling helps most where readings are fewest. Coverage falls short of 90 %,
    and more so with more readings: a laser's rise runs on from where it stood, so its departures from a line are no
    independent reading errors, as a reed's are taken to be. What the model says of itself holds where that does."""
    beliefs = [_foretell(unit, n_readings, 0.9) for unit in UNITS]
    inside = sum(b.low <= t <= b.high for b, t in zip(beliefs, _published_kilohours(), strict=True))
    assert inside == held
    assert _rms([belief.median for belief in beliefs]) == pytest.approx(error, abs=6e-4)
    assert _rms([_alone(unit, n_readings) for unit in UNITS]) == pytest.approx(naive_error, abs=6e-4)


def test_before_any_reading_the_population_holds_every_crossing() -> None:
    """A unit never read: population, spread among units and doubt about both. 14 or 15 of 15 is what 95 % promises."""
    held = 0
    for unit, hours in zip(UNITS, _published_kilohours(), strict=True):
        fit = _others(unit)
        belief = crossing_belief(fit.beta, fit.beta_cov + fit.inner_cov, 10.0, share=0.95)
        held += belief.low <= hours <= belief.high
    assert held in (14, 15)
