"""What the trade knows, in signs and sizes: common practice, no source, except where a law is named.

The learned signs come from the demo shop, whose make-believe physics is not the model that is fitted.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.opened import current_model
from trimfit.base import acoustics, pitch
from trimfit.base.pitch import NOTES, OUTPUTS
from trimfit.base.records import Logged, Reading, Reed, ReedHistory, Settings
from trimfit.entry.checks import reading_doubts
from trimfit.log.journal import Journal
from trimfit.regression.chanters.kinds import ChanterFacts
from trimfit.regression.design import rows_from_frame
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.steps import prior_model
from trimfit.regression.posterior.reed import batch_states
from trimfit.regression.priors import REGRESSORS
from trimfit.regression.readings.frame import bench_frame
from trimfit.review.statistics.repeatability import bench_repeatability

SHOP = Path(__file__).parents[2] / "datasets_demo" / "shop"
CONDITIONS = {"pressure_kpa": 6.0, "temperature_c": 20.0, "balance_cents": 3.7}


def test_crows_and_what_lies_between_them() -> None:
    """A crow 30 cents sharp of C is 532.4 Hz, 30 flat of D is 577.2 Hz; 140 cents are about 4 % of a blade (beam law,
    Thomson, appendix D.3)."""
    sharp_c, flat_d = pitch.parse_crow_hz("C+30"), pitch.parse_crow_hz("D-30")
    assert (sharp_c, flat_d) == (pytest.approx(532.4, abs=0.05), pytest.approx(577.2, abs=0.05))
    assert (pitch.crow_label(532.4), pitch.crow_label(577.2)) == ("C+30", "D-30")
    apart = pitch.cents_from_440(flat_d) - pitch.cents_from_440(sharp_c)
    assert apart == pytest.approx(140.0, abs=1e-9)


def test_two_hertz() -> None:
    """Two hertz at 470 are 7.4 cents; one, a good reed's tolerance, 3.7."""
    assert pitch.hz_width_cents(2.0, 470.0) == pytest.approx(7.4, abs=0.05)
    assert pitch.hz_width_cents(1.0, 470.0) == pytest.approx(3.7, abs=0.05)


@pytest.fixture(scope="module")
def shop() -> pd.DataFrame:
    readings, trims, reeds = (pd.read_csv(SHOP / f"{name}.csv") for name in ("readings", "trims", "reeds"))
    for table, column in ((readings, "taken_at"), (trims, "done_at")):
        times = pd.to_datetime(table[column], utc=True, format="ISO8601")
        table["at_s"] = (times - pd.Timestamp(0, tz="UTC")).dt.total_seconds()
    trims = trims[["reed", "at_s", "length_mm", "lip_strokes"]].fillna(0.0)
    of_reeds = [(*row, None) for row in reeds[["reed", "reed_type", "batch"]].astype(str).itertuples(index=False)]
    return bench_frame(readings, of_reeds, list(trims.itertuples(index=False)))


@pytest.fixture(scope="module")
def learned(demo_log: Path) -> FittedModel:
    with Journal(demo_log) as journal:
        return current_model(journal)


def _coefficients(model: FittedModel, regressor: str) -> dict[str, dict[str, float]]:
    """Mean coefficient by reed type and output."""
    at = REGRESSORS.index(regressor)
    return {
        name: dict(zip(OUTPUTS, model.coef[model.type_slice(i)].reshape(len(REGRESSORS), -1)[at].tolist(), strict=True))
        for i, name in enumerate(model.coding.types)
    }


@pytest.fixture(scope="module", params=["assumed", "learned"])
def model(request: pytest.FixtureRequest, learned: FittedModel) -> FittedModel:
    """What is believed before any reading, and after the demo shop's."""
    return learned if request.param == "learned" else prior_model(("any",), *CONDITIONS.values())


def test_shortening_raises_f_and_lowers_e_and_raises_the_crow(model: FittedModel) -> None:
    for slope in _coefficients(model, "length").values():
        assert slope["f"] > 0 > slope["e"]
        assert slope["crow"] > slope["f"] - slope["e"]


def test_a_new_reed_has_f_flat_and_e_sharp(model: FittedModel) -> None:
    for start in _coefficients(model, "start").values():
        assert start["f"] < start["e"]


def test_the_top_hand_rises_more_with_pressure(model: FittedModel) -> None:
    for slope in _coefficients(model, "pressure").values():
        top, bottom = (np.mean([slope[note] for note in notes]) for notes in (NOTES[5:], NOTES[:5]))
        assert top > bottom > 0


def test_cane_is_steeper_with_pressure_than_moulded(learned: FittedModel) -> None:
    slope = {name: np.mean(list(notes.values())[1:]) for name, notes in _coefficients(learned, "pressure").items()}
    cane = slope.pop("broad cane")
    assert len(slope) == 2
    assert all(cane > moulded for moulded in slope.values())


def test_warmth_raises_every_note_alike(model: FittedModel) -> None:
    """About 3 cents per °C: the speed of sound, ISO 9613-1."""
    for slope in _coefficients(model, "temperature").values():
        assert np.mean([slope[note] for note in NOTES]) == pytest.approx(acoustics.cents_per_degree(), abs=0.5)
        assert slope["f"] - slope["e"] == pytest.approx(0.0, abs=0.3)


def test_a_chanter_that_asks_for_a_sharper_crow_needs_a_shorter_reed() -> None:
    """An old, flat chanter may need a sharper reed: told so, the same blank is predicted a wider gap on it."""
    chanters = ("old and flat", "usual")
    model = prior_model(("any",), *CONDITIONS.values())
    frame = pd.DataFrame(
        {"reed": ["K-1"], "reed_type": ["any"], "batch": ["b"], "removed_mm": [0.0], "crow_cents": [250.0]}
    )
    rows, _, _ = rows_from_frame(frame, model.coding)
    facts = {
        code: ChanterFacts(
            meeting_cents=pitch.cents_from_440(hz), crow_cents=pitch.cents_from_440(pitch.parse_crow_hz(crow))
        )
        for code, (hz, crow) in enumerate([(462.0, "D-30"), (474.0, "C+30")])
    }
    (state,), _, _ = batch_states(
        model,
        rows,
        model.coding,
        0,
        in_fit=np.zeros(1, bool),
        extra_chanters=(0, 1),
        chanter_names=chanters,
        facts=facts,
    )
    e, f = OUTPUTS.index("e"), OUTPUTS.index("f")
    gap, low_a = {}, {}
    for name in chanters:
        mean, _ = state.outputs(state.design(0.0, 0.0, name))
        gap[name], low_a[name] = mean[f] - mean[e], mean[OUTPUTS.index("low_a")]
    assert gap["old and flat"] < gap["usual"] < 0
    assert low_a["old and flat"] < low_a["usual"]


@pytest.mark.parametrize(("octave_under_hz", "doubted"), [(2.5, False), (-2.5, True)])
def test_g_octave_under_the_as_goes_with_a_reed_that_wants_to_be_sharper(octave_under_hz: float, doubted: bool) -> None:
    """F three hertz under E: an overblown low G two or three hertz under the A's agrees, one over them contradicts."""
    scale = pitch.ratios()
    as_low_a = {"low_a": 470.0, "high_a": 470.0, "f": 468.5, "e": 471.5}
    notes = {note: hz * float(scale[note]) for note, hz in as_low_a.items()}
    octave = 2 * float(scale["low_g"]) * (470.0 - octave_under_hz)
    reading = Reading("K-1", "2026-01-02T10:00", notes_hz=notes, g_octave_hz=octave, pressure_kpa=6.0)
    history = ReedHistory(Logged("x", 1, 0.0, Reed("K-1", "any", "b")))
    kinds = [doubt.kind for doubt in reading_doubts(reading, history, Settings())]
    assert kinds == (["g-octave"] if doubted else [])


def test_the_demo_bench_reads_as_it_was_made(shop: pd.DataFrame, learned: FittedModel) -> None:
    """Invented with 0.9 cents for a note, 2 cents of seating that a sitting's notes share and 0.8 of the day's own; the
    crow with 3 cents and 1.2 of the day's, the gap with 0.5 of the day's: the study of repeated readings finds that
    back, pressures taken out by the learned slopes. Days mostly differ in their air too, so that a part of the day's
    seating goes under conditions; some 80 pairs of days, all notes alike, tell it to 8 %."""
    found = {item.output: item for item in bench_repeatability(shop, cents_per_kpa=_coefficients(learned, "pressure"))}
    notes = [found[note] for note in NOTES]
    whole = np.mean([np.hypot(note.total_cents.mean, note.condition_cents) for note in notes])
    assert whole == pytest.approx(np.sqrt(0.9**2 + 2.0**2 + 0.8**2), abs=0.4)
    assert 0.9 < np.mean([note.sitting_cents for note in notes]) < 2.4
    # A reading on another day errs by its sitting's error and its own, and by nothing twice.
    for note in notes:
        both = np.hypot(note.within_cents.mean, note.sitting_cents)
        assert note.total_cents.mean == pytest.approx(both, abs=0.05)
    assert found["gap"].total_cents.mean == pytest.approx(np.hypot(0.9 * 2**0.5, 0.5), abs=0.25)
    assert found["crow"].total_cents.mean == pytest.approx(np.hypot(3.0, 1.2), abs=0.4)
