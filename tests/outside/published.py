"""Published tables, as kept in `data/` (its PROVENANCE.md names source and terms of each)."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pandas as pd

DATA = Path(__file__).parent / "data"


@cache
def _read(name: str) -> pd.DataFrame:
    return pd.read_csv(DATA / f"{name}.csv")


def table(name: str) -> pd.DataFrame:
    """A table by its file name without `.csv`; a fresh copy, so that one test cannot bend another's."""
    return _read(name).copy()


def mixed_expected(dataset: str, model: str, method: str) -> dict[str, tuple[float, float]]:
    """Recomputed value and absolute tolerance by quantity, for one mixed model of `mixed_model_expected.csv`."""
    rows = table("mixed_model_expected")
    rows = rows[(rows["dataset"] == dataset) & (rows["model"] == model) & (rows["method"] == method)]
    if rows.empty:
        raise KeyError((dataset, model, method))
    return {row.quantity: (row.value_recomputed, row.tolerance_abs) for row in rows.itertuples()}


def certified(dataset: str) -> pd.DataFrame:
    """Certified estimates of one NIST StRD regression, one row a coefficient, in order."""
    rows = table("strd_certified")
    return rows[rows["dataset"] == dataset].reset_index(drop=True)
