"""Weight, crow and trim by least squares: against means and t intervals worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trimfit.base.pitch import cents_from_440
from trimfit.regression.readings.weights import WeighedReed, weight_terms


def reeds(rng: np.random.Generator, word: str, crow_hz: float, trim_mm: float, count: int) -> list[WeighedReed]:
    return [
        WeighedReed("cane", word, crow_hz + float(rng.normal(0.0, 3.0)), trim_mm + float(rng.normal(0.0, 0.1)))
        for _ in range(count)
    ]


def test_each_weight_has_its_mean_and_the_interval_of_one_common_variance() -> None:
    rng = np.random.default_rng(2)
    easy, hard = reeds(rng, "easy", 540.0, 0.4, 8), reeds(rng, "hard", 520.0, 0.9, 12)
    found = weight_terms([*easy, *hard, *reeds(rng, "odd", 500.0, 0.5, 3)])
    assert [(one.weight, one.reeds) for one in found] == [("hard", 12), ("easy", 8)]
    sums = [np.array([one.trim_mm for one in kind]) for kind in (hard, easy)]
    variance = sum(float(((x - x.mean()) ** 2).sum()) for x in sums) / 18
    reach = float(stats.t.ppf(0.95, 18)) * np.sqrt(variance / 12)
    assert found[0].trim_mm.mean == pytest.approx(sums[0].mean())
    assert found[0].trim_mm.high - found[0].trim_mm.mean == pytest.approx(reach)
    crow = np.mean([cents_from_440(one.crow_hz) for one in easy])
    assert cents_from_440(found[1].crow_hz.mean) == pytest.approx(crow)
    whole = np.concatenate(sums)
    assert found[0].trim_explained == pytest.approx(1.0 - variance * 18 / float(((whole - whole.mean()) ** 2).sum()))


def test_nothing_is_said_of_one_weight_or_of_few_reeds() -> None:
    rng = np.random.default_rng(3)
    assert weight_terms(reeds(rng, "easy", 540.0, 0.4, 20)) == []
    assert weight_terms([*reeds(rng, "easy", 540.0, 0.4, 20), *reeds(rng, "hard", 520.0, 0.9, 4)]) == []
    assert weight_terms([]) == []
