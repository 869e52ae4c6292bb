"""How much of a log a fit takes: all of an ordinary one, and of an odd one so much that it stays under a gigabyte."""

from __future__ import annotations

import resource
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.opened import current_model, on
from trimfit.base.pitch import OUTPUTS
from trimfit.base.records import Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.regression import validation
from trimfit.regression.design import Rows
from trimfit.regression.fitting import bounds
from trimfit.regression.fitting.steps import fit_model
from trimfit.regression.posterior import batch as posterior_batch
from trimfit.verbs.ask import ask_reed
from trimfit.verbs.predict import predict

K = len(OUTPUTS)


def odd_rows(readings: int, types: int, chanters: int, of_a_reed: int, of_a_batch: int) -> Rows:
    """So many readings, so many of each reed; reeds of so many to a batch, batches of the types in turn, each reading
    in a chanter by lot."""
    rng = np.random.default_rng(1)
    reed = np.arange(readings) // of_a_reed
    batch = reed // of_a_batch
    kind = (batch % types).astype(np.intp)
    step = np.arange(readings) % of_a_reed
    removed = 0.05 * np.minimum(step * 10 // max(of_a_reed // 6, 1), 60)
    start, slope = rng.normal(0, 6, (reed[-1] + 1, K)), rng.normal(50, 8, reed[-1] + 1)
    y = 110.0 + start[reed] + rng.normal(0, 1.5, (readings, K))
    half = (slope[reed] * removed - 45.0) / 2
    y[:, 0] += 150 + 150 * removed
    y[:, OUTPUTS.index("f")] += half
    y[:, OUTPUTS.index("e")] -= half
    none = np.full(readings, np.nan)
    first = np.unique(batch, return_index=True)[1]
    return Rows(
        y,
        removed,
        np.zeros(readings),
        none,
        none,
        kind,
        batch.astype(np.intp),
        reed.astype(np.intp),
        rng.integers(0, chanters, readings).astype(np.intp),
        tuple((int(kind[i]), str(n)) for n, i in enumerate(first)),
        tuple(map(str, range(int(reed[-1]) + 1))),
        np.ones((readings, K)),
        np.arange(readings).astype(object),
    )


def names(letter: str, many: int) -> tuple[str, ...]:
    return tuple(f"{letter}{i}" for i in range(many))


def test_an_ordinary_log_is_taken_whole() -> None:
    rows = odd_rows(20_000, 12, 5, 5, 20)
    assert bounds.most_read_types_first(rows, names("t", 12))[0] is rows
    assert bounds.of_types(rows, 12) is rows
    assert bounds.of_fewer_chanters(rows) is rows
    assert bounds.affordable(rows) is rows
    assert bounds.among_the_most_read(rows).all()


def test_the_most_read_types_have_the_first_codes_and_keep_their_rows() -> None:
    rows = odd_rows(900, 30, 2, 3, 5)
    rows = replace(rows, y=rows.y + rows.type_code[:, None])
    count = np.bincount(rows.type_code, minlength=30)
    coded, kept = bounds.most_read_types_first(rows, names("t", 30))
    assert len(kept) == bounds.MOST_TYPES
    for code, name in enumerate(kept):
        assert (coded.type_code == code).sum() == count[int(name[1:])] >= np.sort(count)[-bounds.MOST_TYPES]
        assert np.array_equal(coded.type_code == code, rows.type_code == int(name[1:]))
    assert {t for t, _ in bounds.of_types(coded, 20).batches} >= set(range(20))
    assert bounds.of_types(coded, 20).type_code.max() == 19


def test_of_the_chanters_of_one_batch_the_most_read_keep_their_notes() -> None:
    rows = odd_rows(400, 1, 80, 400, 1)
    fewer = bounds.of_fewer_chanters(rows)
    count = np.bincount(rows.chanter_code, minlength=80)
    kept = np.unique(fewer.chanter_code[fewer.chanter_code >= 0])
    assert len(kept) == bounds.MOST_MET
    assert count[kept].min() >= np.delete(count, kept).max()
    gone = fewer.chanter_code < 0
    assert np.isnan(fewer.y[gone, 1:]).all()
    assert np.isfinite(fewer.y[:, 0]).all()


def test_of_too_long_a_log_the_reeds_last_read_are_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = odd_rows(3000, 2, 3, 5, 10)
    monkeypatch.setattr(bounds, "MOST_SUMS_BYTES", 20e6)
    taken = bounds.affordable(rows)
    assert 100 < len(taken) < 2000
    assert np.array_equal(taken.label, rows.label[-len(taken) :])
    monkeypatch.setattr(bounds, "MOST_SUMS_BYTES", 0.0)
    assert len(bounds.affordable(rows)) == 5


def test_sums_of_few_rows_at_once_are_the_sums(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = odd_rows(120, 1, 3, 40, 3)
    fits = []
    for at_once in (posterior_batch.AT_ONCE, 1000):
        monkeypatch.setattr(posterior_batch, "AT_ONCE", at_once)
        fits.append(fit_model(rows, ("t",), names("c", 3), pressure_kpa=6.0, temperature_c=20.0, balance_cents=3.7))
    assert np.allclose(fits[0].coef, fits[1].coef, rtol=1e-6, atol=1e-6)
    assert np.allclose(fits[0].coef_cov, fits[1].coef_cov, rtol=1e-6, atol=1e-8)


def test_held_out_reeds_are_followed_a_few_at_once_as_well_as_all(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = odd_rows(200, 1, 2, 5, 8)
    model = fit_model(rows, ("t",), names("c", 2), pressure_kpa=6.0, temperature_c=20.0, balance_cents=3.7)
    whole = validation.held_out(model, rows)
    monkeypatch.setattr(validation, "MOST_NUMBERS", 1)
    assert np.allclose(validation.held_out(model, rows).predicted, whole.predicted, equal_nan=True)


def test_a_reed_of_a_type_hardly_read_is_asked_after_and_no_fit_is_due_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bounds, "MOST_TYPES", 2)
    log = tmp_path / "log"
    with Journal(log, create=True) as journal:
        for i in range(12):
            kind = ("a", "a", "b", "b", "b", "rare")[i % 6]
            journal.append(Reed(f"R-{i}", kind, kind + "1"))
            for j in range(3):
                notes = {"f": 770.0 + 2 * j + i / 10, "e": 705.0 - 2 * j, "low_a": 470.0 + i, "high_a": 940.0 + 2 * i}
                journal.append(Reading(f"R-{i}", f"2026-03-0{j + 1}T10:{i:02d}", None, 510.0 + 10 * j, notes))
                journal.append(Trim(f"R-{i}", f"2026-03-0{j + 1}T11:{i:02d}", 0.1))
        model = current_model(journal)
        assert model.coding.types == ("a", "b")
        assert model.readings == 30
        monkeypatch.setattr("trimfit.session.fit._fit", lambda *_: pytest.fail("a fit that is not due"))
        current_model(journal)
    assert on(log, ask_reed, "R-5").gap_read
    (told,) = on(log, predict, [("R-5", 0.1, 0.0)])
    assert told.gap_cents.high - told.gap_cents.low < 60.0


ODD = [
    (20_000, 1_000, 5, 5, 4),
    (2_000, 1, 500, 2_000, 1),
    (20_000, 3, 500, 5, 50),
    (20_000, 3, 500, 2, 1),
    (300_000, 3, 5, 5, 30),
    (20_000, 300, 40, 5, 20),
    (20_000, 1, 500, 2_000, 1),
]


@pytest.mark.slow
@pytest.mark.parametrize("shape", ODD)
def test_a_fit_takes_no_more_than_a_gigabyte(shape: tuple[int, int, int, int, int]) -> None:
    """readings, types, chanters, readings of a reed, reeds of a batch: the most memory held above what was before."""
    words = [sys.executable, "-m", "tests.regression.fitting.test_bounds", *map(str, shape)]
    run = subprocess.run(words, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[3])
    assert float(run.stdout) < 1024.0


def main(readings: int, types: int, chanters: int, of_a_reed: int, of_a_batch: int) -> None:
    """Print how many MB a fit and its held-out errors took above what the process held before."""
    rows = odd_rows(readings, types, chanters, of_a_reed, of_a_batch)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    every, names_of = bounds.most_read_types_first(rows, names("t", types))
    model = fit_model(
        rows, names("t", types), names("c", chanters), pressure_kpa=6.0, temperature_c=20.0, balance_cents=3.7
    )
    assert model.coding.types == names_of
    validation.held_out(model, bounds.affordable(bounds.of_types(every, len(names_of))))
    print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024.0)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
