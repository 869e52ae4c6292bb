"""A reading typed under a neighbour's name: asked about more often than not, while honest readings pass."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.entry.neighbour_counts import WAYS, measure
from tests.opened import on
from tests.verbs.sitting.fakes import ToldAnswers, play, seated, shop_log
from trimfit.base.pitch import DEFAULT_RATIOS, OUTPUTS, cents_from_440, hz_from_cents
from trimfit.base.records import Chanter, Logged, Reading, Reed, ReedHistory, Trim
from trimfit.entry.neighbours import ExpectedReading, Joint, reads_like
from trimfit.entry.plain_prediction import KEY, TypeNumbers, numbers_from_bytes, numbers_to_bytes, plain_prediction
from trimfit.log.journal import Journal
from trimfit.verbs import log as verbs_log

# Asked about without need: at most so many honest readings (stated in `entry.neighbours`).
FALSE_ALARMS = 1 / 200
SQUARE = [[1.0 if i == j else 0.0 for j in range(10)] for i in range(10)]
NUMBERS = TypeNumbers(
    1.0,
    [[100.0 + 10.0 * i + 20.0 * mm for i in range(10)] for mm in range(3)],
    [-2.0] * 10,
    [5.0] * 10,
    [3.0] * 10,
    [[400.0 * x for x in row] for row in SQUARE],
    [[25.0 * x for x in row] for row in SQUARE],
    [[4.0 * x for x in row] for row in SQUARE],
)


@given(st.integers(1, 10), st.integers(0, 2**32 - 1))
def test_distance_and_determinant_are_those_of_linear_algebra(m: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((10, 12))
    cov, mean, now = root @ root.T, rng.standard_normal(10), rng.standard_normal(10)
    joint = Joint(OUTPUTS, mean.tolist(), cov.tolist())
    at = rng.permutation(10)[:m]
    distance2, log_det = joint.distance2_and_log_det(
        dict(zip(OUTPUTS, now.tolist(), strict=True)), [OUTPUTS[i] for i in at]
    )
    off, part = (now - mean)[at], cov[np.ix_(at, at)]
    assert distance2 == pytest.approx(float(off @ np.linalg.solve(part, off)), rel=1e-6)
    assert log_det == pytest.approx(float(np.linalg.slogdet(part)[1]), rel=1e-6, abs=1e-6)
    assert joint.each()["f"] == pytest.approx((mean[OUTPUTS.index("f")], math.sqrt(cov[7, 7])))


def pair(apart_cents: float) -> ExpectedReading:
    """E and F of two reeds: all within 20 cents, E and F of one reed within 2 of one another."""
    cov = [[402.0, 400.0], [400.0, 402.0]]
    return ExpectedReading(Joint(("e", "f"), [0.0, 0.0], cov), {"R-2": Joint(("e", "f"), [0.0, apart_cents], cov)})


def test_what_is_possible_note_by_note_and_impossible_together() -> None:
    assert reads_like({"e": 5.0, "f": 20.0}, pair(15.0)) == "R-2"
    assert reads_like({"e": 5.0, "f": 6.0}, pair(15.0)) is None
    assert reads_like({"e": 5.0}, pair(15.0)) is None
    assert reads_like({"crow": 5.0}, pair(15.0)) is None
    # One wild note, which no reed explains, is not the neighbour's.
    assert reads_like({"e": 5.0, "f": 400.0}, pair(15.0)) is None


def test_a_neighbours_reading_is_asked_about_at_the_bench(tmp_path: Path) -> None:
    predicted = {"f": (109.0, 20.0), "e": (119.0, 20.0)}
    cov = [[402.0, 400.0], [400.0, 402.0]]
    beside = {"R-2": Joint(("f", "e"), [80.0, 119.0], [[2.0, 0.0], [0.0, 2.0]])}
    f_hz, e_hz = hz_from_cents(80.0) * 5 / 3, hz_from_cents(119.0) * 3 / 2
    with shop_log(tmp_path / "log") as journal:
        answers = ToldAnswers(None, predicted, beside=beside, cov=cov)
        sitting = seated(journal, answers, reeds=["R-1"])
        list(sitting.open())
        said = play(sitting, f"f {f_hz:.2f} e {e_hz:.2f}")
        assert said == ["? This reads like R-2, not like R-1; was it R-1 that was read?"]
        assert "not logged" in play(sitting, "no")
        play(sitting, f"f {f_hz:.2f} e {e_hz:.2f}", "y")
        (logged,) = journal.of_reed("R-1").readings
        assert logged.doubts == ("other-reed: This reads like R-2, not like R-1; was it R-1 that was read?",)


def story(*steps: Reading | Trim, name: str = "R-1") -> ReedHistory:
    readings = [Logged(f"rea-{i}", i, float(i), one) for i, one in enumerate(steps) if isinstance(one, Reading)]
    trims = [Logged(f"tri-{i}", i, float(i), one) for i, one in enumerate(steps) if isinstance(one, Trim)]
    return ReedHistory(Logged("ree-1", 0, 0.0, Reed(name, "cane", "B")), tuple(readings), tuple(trims))


def taken(**more: object) -> Reading:
    return Reading("R-1", "2026-03-01", "CH-1", notes_hz={"f": 780.0}, **more)  # type: ignore[arg-type]


def test_a_forecast_is_the_last_reading_moved_along_its_types_curve() -> None:
    before = taken(pressure_kpa=6.0, temperature_c=20.0)
    history = story(Trim("R-1", "t", 0.5), before, Trim("R-1", "t", 0.25, 2.0))
    seen = plain_prediction(NUMBERS, taken(pressure_kpa=6.5, temperature_c=22.0), history, [], DEFAULT_RATIOS)
    assert seen is not None
    assert seen.own.outputs == ("f",)
    f_cents = cents_from_440(780.0 * 3 / 5)
    mean, sd = seen.own.each()["f"]
    assert mean == pytest.approx(f_cents + 0.25 * 20.0 - 2 * 2.0 + 0.5 * 5.0 + 2 * 3.0)
    assert sd**2 == pytest.approx(
        8.0 + (0.25**2 + 0.02**2) * 25.0 + 0.25 * ((2 * 2) ** 2 + (0.5 * 5) ** 2 + (2 * 3) ** 2)
    )


def test_a_forecast_of_a_blank_is_its_types_mean_and_another_chanter_has_none() -> None:
    seen = plain_prediction(NUMBERS, taken(crow_hz=530.0), story(Trim("R-1", "t", 2.5)), [], DEFAULT_RATIOS)
    assert seen is not None
    # Only what the reading holds is predicted.
    assert seen.own.outputs == ("crow", "f")
    assert seen.own.each()["crow"] == pytest.approx((150.0, math.sqrt(404.0 + 2.5**2 * 25.0)))
    assert (
        plain_prediction(
            NUMBERS, Reading("R-1", "t", "CH-2", notes_hz={"f": 780.0}), story(taken()), [], DEFAULT_RATIOS
        )
        is None
    )
    # A crow is the same in every chanter.
    crow = plain_prediction(
        NUMBERS, Reading("R-1", "t", crow_hz=530.0), story(taken(crow_hz=525.0)), [], DEFAULT_RATIOS
    )
    assert crow is not None


def test_numbers_come_back_and_another_format_is_none() -> None:
    kept = numbers_to_bytes(NUMBERS)
    found = numbers_from_bytes(kept)
    assert found is not None
    assert numbers_to_bytes(found) == kept
    assert (found.step_mm, found.curve) == (NUMBERS.step_mm, NUMBERS.curve)
    assert numbers_from_bytes(kept.replace(b'"format":1', b'"format":0')) is None


def test_a_logged_reading_is_held_against_the_forecast(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with Journal(log, create=True) as journal:
        journal.append(Chanter("CH-1"))
        journal.append(Reed("R-1", "cane", "B"))
        journal.append(taken())
    assert on(log, verbs_log.log_reading, "R-1", ["f=790"], chanter="CH-1", at="2026-03-02").doubts == ()
    with Journal(log) as journal:
        journal.learned_put({KEY + "cane": numbers_to_bytes(NUMBERS)})
    (doubt,) = on(log, verbs_log.log_reading, "R-1", ["f=800"], at="2026-03-03").doubts
    assert (doubt.kind, doubt.sentence) == ("unforetold", "F is 22 cents over what was predicted; is it right?")
    with Journal(log) as journal:
        assert len(journal.of_reed("R-1").readings[-1].doubts) == 1


def test_reeds_beside_are_those_of_the_batch_still_at_the_bench(tmp_path: Path) -> None:
    with shop_log(tmp_path / "log") as journal:
        for day, name in enumerate(("R-1", "R-3", "R-2"), 1):
            journal.append(Reading(name, f"2026-03-0{day}", crow_hz=530.0))
        journal.append(Reed("R-4", "moulded", "M-2"))
        journal.append(Reading("R-4", "2026-03-01", crow_hz=530.0))
        one = journal.of_reed("R-1").reed.record
        assert [other.reed.record.reed for other in journal.beside(one, 9)] == ["R-2", "R-3"]
        assert [other.reed.record.reed for other in journal.beside(one, 1)] == ["R-2"]
        on(journal.path, verbs_log.log_outcome, "R-2", "good")
        assert [other.reed.record.reed for other in journal.beside(one, 9)] == ["R-3"]


def test_most_neighbours_readings_are_asked_about_and_few_honest_ones() -> None:
    found = measure("beam", 11, past=90, reeds=24, turns=3)
    assert found.tried["neighbour"] > 30
    assert found.share("neighbour", WAYS[0]) < 0.25
    assert found.share("neighbour", WAYS[1]) > 0.5
    assert found.share("neighbour", WAYS[2]) > 0.15
    assert all(found.asked["honest", way] <= 2 for way in WAYS)


@pytest.mark.slow
def test_false_alarms_keep_to_what_is_stated_on_two_benches() -> None:
    both = [measure(name, seed, reeds=132) for name, seed in (("beam", 7), ("heavy", 7))]
    tried = sum(one.tried["honest"] for one in both)
    assert tried > 1000
    for way in WAYS[1:]:
        assert sum(one.asked["honest", way] for one in both) <= FALSE_ALARMS * tried
    for one in both:
        assert one.tried["neighbour"] >= 200
        assert one.share("neighbour", WAYS[1]) > 0.6 > 0.15 > one.share("neighbour", WAYS[0])
        assert one.share("neighbour", WAYS[2]) > 0.3
