"""When what was learned is learned anew, and when the readings since simply count: nobody has to run a fit."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Literal

import numpy as np
import pytest

from tests.opened import append_all, current_model, on
from trimfit.base.errors import InputError
from trimfit.base.progress import quiet
from trimfit.base.records import Chanter, Outcome, Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.regression.fitting import steps
from trimfit.session.fit import CARD, _fit
from trimfit.session.reading_frame import frame_of
from trimfit.verbs.learn import learn
from trimfit.verbs.log import log_chanter


def read(reed: int, visit: int, *, reed_type: str = "") -> Reading:
    rng = Random(100 * reed + visit)
    off = [rng.gauss(0.0, 0.6) for _ in range(5)]
    notes = {"f": 778.0 + 2.0 * visit + off[0], "e": 712.0 - 1.5 * visit + off[1]}
    notes |= {"low_a": 472.0 + off[3], "high_a": 944.0 + off[3] + off[4]}
    at = f"2026-03-{visit + 1:02d}T10:{reed:02d}"
    return Reading(f"{reed_type}R-{reed}", at, "CH-1", 520.0 + visit + 3.0 * off[2], notes)


@pytest.fixture(scope="module")
def learned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve reeds of two batches, read twice with a cut between: 24 readings, learned."""
    path = tmp_path_factory.mktemp("due") / "log"
    with Journal(path, create=True) as journal:
        journal.append(Chanter("CH-1", meeting_pitch_hz=474.0))
        for i in range(12):
            journal.append(Reed(f"R-{i}", "cane", f"B-{i % 2}"))
            journal.append(read(i, 0))
            journal.append(Trim(f"R-{i}", f"2026-03-01T11:{i:02d}", 0.15))
            journal.append(read(i, 1))
    on(path, learn)
    return path


@pytest.fixture
def log(learned: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(learned, tmp_path / "log"))


def test_a_few_readings_count_without_a_fit_and_many_bring_one(log: Path) -> None:
    with Journal(log) as journal:
        kept = current_model(journal)
        assert kept.readings == 24
        append_all(journal, [read(i, visit) for i in range(12) for visit in (2,)])
        assert current_model(journal).fit_seq == kept.fit_seq == kept.last_seq
        append_all(journal, [read(i, visit) for i in range(8) for visit in (3,)])
        anew = current_model(journal)
        assert anew.fit_seq == anew.last_seq == journal.last_seq()
        assert anew.readings == 24 + 12 + 8


def test_between_fits_the_coefficients_follow_by_the_changed_batches(log: Path) -> None:
    with Journal(log) as journal:
        kept = current_model(journal)
        append_all(journal, [read(i, 2) for i in range(9)])
        assert current_model(journal).last_seq == kept.last_seq, "nine readings only count for their own batch"
        journal.append(read(9, 2))
        after = current_model(journal)
        assert after.last_seq == journal.last_seq()
        assert after.fit_seq == kept.fit_seq
        assert after.readings == 24
        moved = np.abs(after.coef - kept.coef) / np.sqrt(np.diag(kept.coef_cov))
        assert moved.max() > 0.05
        assert np.trace(after.coef_cov) < np.trace(kept.coef_cov)
    with Journal(log) as journal:
        assert current_model(journal).last_seq == after.last_seq, "it was kept in the log"


def test_the_hand_is_learned_from_what_was_asked_and_what_was_taken(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Journal(log) as journal:
        kept = current_model(journal)
        assert kept.cut_error_mm is None  # nobody said what was asked
        monkeypatch.setattr(steps, "fit_model", lambda *_, **__: kept)
        for i in range(36):
            off = 0.04 if i % 2 else -0.04
            journal.append(Trim(f"R-{i % 12}", f"2026-03-05T10:{i:02d}", 0.2 + off, asked_mm=0.2))
        found, _ = _fit(journal, quiet)
    assert found.cut_error_pct is not None
    assert np.hypot(0.01 * found.cut_error_pct * 0.2, found.cut_error_mm) == pytest.approx(0.04, rel=0.1)


def test_strikes_count_fivefold(log: Path) -> None:
    with Journal(log) as journal:
        kept = current_model(journal)
        entries = [entry for (entry,) in journal.columns("reading", ["entry"])]
        journal.strike(entries[0], "typed on the wrong reed")
        assert current_model(journal).last_seq == kept.last_seq
        journal.strike(entries[1], "typed on the wrong reed")
        assert current_model(journal).readings == 22


def test_where_all_readings_were_struck_nothing_is_learned(log: Path) -> None:
    """Was: every answer refused, as if the log held no reading yet."""
    with Journal(log) as journal:
        for (entry,) in journal.columns("reading", ["entry"]):
            journal.strike(entry, "of another shop")
        assert current_model(journal).readings == 0


def test_a_struck_reading_in_a_chanter_that_is_away_decides_nothing_any_more(log: Path) -> None:
    """Was: the stop for that chanter stayed as the wrong reading had it, until twenty more were logged."""
    with Journal(log) as journal:
        journal.append(Chanter("Far", at_hand="no"))
        without = current_model(journal)
        wrong = journal.append(replace(read(0, 3), chanter="Far"))
        assert "Far" in current_model(journal).coding.chanters
        journal.strike(wrong.entry, "wrong chanter")
        again = current_model(journal)
        assert "Far" not in again.coding.chanters
        assert np.array_equal(again.coef, without.coef)


@pytest.mark.parametrize(
    ("setting", "value"), [("ratio_d", "27/20"), ("balance_tolerance_hz", "3"), ("bench_pressure_kpa", "7")]
)
def test_a_setting_that_it_uses_brings_a_fit(log: Path, setting: str, value: str) -> None:
    with Journal(log) as journal:
        kept = current_model(journal)
        journal.set_setting("tolerance_hz", "0.5")
        assert current_model(journal).fitted_with == kept.fitted_with
        assert current_model(journal).last_seq == kept.last_seq
        journal.set_setting(setting, value)
        anew = current_model(journal)
        assert anew.fit_seq == journal.last_seq()
        assert set(anew.fitted_with) - set(kept.fitted_with) == {str(getattr(journal.settings(), setting))}
        # no reading logs a pressure: they were all blown at what the shop says
        assert (anew.coding.pressure_kpa == 7.0) == (setting == "bench_pressure_kpa")


def test_a_chanter_that_is_taken_away_or_comes_back_brings_a_fit(log: Path) -> None:
    """What was read in it counts for less while it is away, and no longer when it is back."""
    with Journal(log) as journal:
        here = current_model(journal)
    on(log, log_chanter, "CH-1", {"at_hand": "no"})
    with Journal(log) as journal:
        away = current_model(journal)
        assert away.coding.away == (0,)
        assert np.trace(away.coef_cov) > np.trace(here.coef_cov)
    on(log, log_chanter, "CH-1", {"at_hand": "yes"})
    with Journal(log) as journal:
        assert np.array_equal(current_model(journal).coef, here.coef)


def test_what_was_read_at_the_bench_before_its_chanter_went_home_counts_as_before(log: Path) -> None:
    """Was: it counted a quarter, and the error of a reading came out too small by as much."""
    with Journal(log) as journal:
        reeds = sorted({reed for (reed,) in journal.columns("reading", ["reed"])})
        append_all(journal, [Outcome(reed, "2026-12-31T12:00", "good") for reed in reeds])
        here = current_model(journal)
    on(log, log_chanter, "CH-1", {"at_hand": "no"})
    with Journal(log) as journal:
        gone = current_model(journal)
    assert gone.coding.away == (0,)
    assert np.array_equal(gone.coef, here.coef)
    assert np.array_equal(gone.noise_cov, here.noise_cov)


def test_a_new_type_of_reed_is_learned_once_it_has_five_readings(log: Path) -> None:
    with Journal(log) as journal:
        append_all(journal, [Reed(f"new-R-{i}", "moulded", "M-1") for i in range(5)])
        append_all(journal, [read(i, 2, reed_type="new-") for i in range(4)])
        assert current_model(journal).coding.types == ("cane",)
        journal.append(read(4, 2, reed_type="new-"))
        assert current_model(journal).coding.types == ("cane", "moulded")


@pytest.mark.parametrize("at_hand", ["yes", "no"])
def test_what_is_read_in_a_new_chanter_or_one_that_is_away_counts_at_once_for_all_reeds(
    log: Path, at_hand: Literal["yes", "no"]
) -> None:
    with Journal(log) as journal:
        journal.append(Chanter("CH-2", at_hand=at_hand))
        journal.append(replace(read(0, 2), chanter="CH-2", notes_hz={}))
        kept = current_model(journal)
        assert "CH-2" not in kept.coding.chanters, "a crow alone tells nothing of a chanter"
        journal.append(replace(read(0, 3), chanter="CH-2"))
        first = current_model(journal)
        assert first.fit_seq == journal.last_seq()
        journal.append(replace(read(1, 3), chanter="CH-2"))
        fit_anew = current_model(journal).fit_seq > first.fit_seq
        assert fit_anew == (at_hand == "no"), "one that comes to the bench will be read more often"


def test_what_cannot_be_read_back_is_learned_anew(log: Path) -> None:
    with Journal(log) as journal:
        good = journal.learned_get(CARD)
        assert good is not None
        journal.learned_put({CARD: good[: len(good) // 2]})
        assert current_model(journal).readings == 24
        assert journal.learned_get(CARD) is not None


def test_nothing_read_is_assumption_and_no_fit(tmp_path: Path) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        assert current_model(journal).readings == 0
    with pytest.raises(InputError, match="holds no reading yet"):
        on(tmp_path / "log", learn)


def test_of_a_long_log_the_reeds_read_last_are_fitted_whole(log: Path) -> None:
    with Journal(log) as journal:
        recent = frame_of(journal, most_readings=7)
        assert recent.groupby("reed").size().to_dict() == {"R-9": 2, "R-10": 2, "R-11": 2}
        assert len(frame_of(journal)) == len(frame_of(journal, most_readings=24)) == 24
