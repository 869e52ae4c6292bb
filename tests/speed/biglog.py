"""A make-believe shop's log of any length as a CSV folder: seeded, and written in seconds.

Four reed types, batches of thirty, five readings and four cuts a reed, a few chanters that most reeds are read on and
many that are seldom met. Levels and slopes by type, batch and reed, offsets by chanter, errors by reading and by note.
All invented; the shapes are those of `trimfit.regression.priors`, so that the fit meets nothing it could not have made.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trimfit.base.pitch import DEFAULT_RATIOS, NOTES, OUTPUTS

__all__ = ["BATCH", "READINGS", "BigLog", "frame_of", "make", "write"]

BATCH, READINGS = 30, 5
TYPES = ("broad", "narrow", "ridge", "moulded")
# Cents a millimetre of crow, then of low G … high A; and levels when new, crow and notes from 440 Hz.
SLOPE = np.array([75.0, 12.0, 14.0, 16.0, 18.0, 20.0, 8.0, 58.0, 22.0, 14.0])
LEVEL = np.array([310.0, 96.0, 98.0, 98.0, 99.0, 99.0, 118.0, 78.0, 97.0, 98.0])
ANSWER = np.array([0.75, 1.0, 1.15, 1.5])
KAPPA = 0.02
FIRST = np.datetime64("2016-01-04T08:00")


@dataclass(frozen=True, slots=True)
class BigLog:
    """One shop's log as arrays, a row a reading. y (n, 10): outputs in cents from 440 Hz, notes as low A."""

    reeds: int
    reed: np.ndarray[Any, Any]
    step: np.ndarray[Any, Any]
    batch_of: np.ndarray[Any, Any]
    type_of: np.ndarray[Any, Any]
    chanter_of: np.ndarray[Any, Any]
    removed_mm: np.ndarray[Any, Any]
    cut_mm: np.ndarray[Any, Any]
    y: np.ndarray[Any, Any]
    chanters: int
    open_reeds: int


def make(reeds: int, *, seed: int = 7, open_reeds: int | None = None, chanters: int | None = None) -> BigLog:
    """Draw a log of so many reeds. open_reeds: how many of the last have an order and no outcome."""
    rng = np.random.default_rng(seed)
    n_batches = -(-reeds // BATCH)
    n_chanters = max(6, reeds // 100) if chanters is None else chanters
    batch_of = np.arange(reeds) // BATCH
    type_of = np.arange(n_batches) % len(TYPES)
    answer = ANSWER[type_of[batch_of]]
    k = len(OUTPUTS)

    def draw(rows: int, common: float, own: float, crow: float) -> np.ndarray[Any, Any]:
        out = common * rng.standard_normal((rows, 1)) + own * rng.standard_normal((rows, k))
        out[:, 0] = crow * rng.standard_normal(rows)
        return out

    start = draw(n_batches, 6.0, 3.0, 15.0)[batch_of] + draw(reeds, 5.0, 3.0, 15.0)
    spread = 1.0 + 0.08 * rng.standard_normal((n_batches, 1))[batch_of] + 0.15 * rng.standard_normal((reeds, 1))
    slope = np.maximum(spread, 0.4) * answer[:, None] * SLOPE + draw(reeds, 1.0, 1.0, 4.0)
    offsets = draw(n_chanters, 15.0, 4.0, 0.0)
    # the reed is seated until the A's agree
    for part in (start, slope, offsets):
        part[:, OUTPUTS.index("high_a")] = part[:, OUTPUTS.index("low_a")]
    # an order's reeds go to one chanter; a few chanters have most orders
    popular = 1.0 / (1.0 + np.arange(n_chanters))
    of_order = rng.choice(n_chanters, size=-(-reeds // 25), p=popular / popular.sum())
    chanter_of = of_order[np.arange(reeds) // 25]
    wanted = 40.0 / (50.0 * answer)
    share = np.array([0.0, 0.5, 0.8, 0.93, 0.98])
    step = np.tile(np.arange(READINGS), reeds)
    reed = np.repeat(np.arange(reeds), READINGS)
    removed = np.round(wanted[:, None] * share * rng.uniform(0.85, 1.15, (reeds, 1)), 3)
    cut = np.diff(removed, axis=1, prepend=0.0)
    x = removed.reshape(-1)
    g = np.expm1(2.0 * KAPPA * x) / (2.0 * KAPPA)
    y = LEVEL + start[reed] + slope[reed] * g[:, None] + offsets[chanter_of[reed]]
    y += draw(len(x), 1.5, 0.9, 3.0)
    return BigLog(
        reeds,
        reed,
        step,
        batch_of,
        type_of,
        chanter_of,
        x,
        cut.reshape(-1),
        y,
        n_chanters,
        min(600, reeds // 10) if open_reeds is None else open_reeds,
    )


def frame_of(log: BigLog) -> pd.DataFrame:
    """The estimator's frame, a row a reading."""
    batch = log.batch_of[log.reed]
    frame = pd.DataFrame(
        {
            "reed": np.char.mod("R-%06d", log.reed),
            "reed_type": np.array(TYPES)[log.type_of[batch]],
            "batch": np.char.mod("B-%05d", batch),
            "chanter": np.char.mod("CH-%04d", log.chanter_of[log.reed]),
            "removed_mm": log.removed_mm,
            "lip_strokes": 0.0,
            "pressure_kpa": np.nan,
            "temperature_c": np.nan,
        }
    )
    for k, output in enumerate(OUTPUTS):
        frame[f"{output}_cents"] = log.y[:, k]
    return frame


def write(log: BigLog, folder: Path) -> None:
    """The log as the CSV folder that `import` takes."""
    folder.mkdir(parents=True, exist_ok=True)
    names = np.char.mod("R-%06d", np.arange(log.reeds))
    order = np.arange(log.reeds) // 25
    n_orders = int(order[-1]) + 1
    batch_day = (FIRST + (log.batch_of * 2880).astype("timedelta64[m]")).astype("datetime64[m]")

    def save(name: str, columns: dict[str, Any]) -> None:
        pd.DataFrame(columns).to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")

    save("chanters", {"chanter": np.char.mod("CH-%04d", np.arange(log.chanters))})
    chanter_of_order = log.chanter_of[np.arange(n_orders) * 25]
    save(
        "orders",
        {
            "order": np.char.mod("O-%05d", np.arange(n_orders)),
            "chanter": np.char.mod("CH-%04d", chanter_of_order),
            "quantity": 25,
        },
    )
    save(
        "reeds",
        {
            "reed": names,
            "reed_type": np.array(TYPES)[log.type_of[log.batch_of]],
            "batch": np.char.mod("B-%05d", log.batch_of),
            "blade_mm": 24.0,
            "order": np.char.mod("O-%05d", order),
        },
    )
    minute = (log.reed % BATCH) * 60 + log.step * 10
    when = batch_day[log.reed] + minute.astype("timedelta64[m]")
    # an open reed has come one to three readings far
    far = np.where(np.arange(log.reeds) >= log.reeds - log.open_reeds, 1 + np.arange(log.reeds) % 3, READINGS)
    there = log.step < far[log.reed]
    columns: dict[str, Any] = {
        "reed": names[log.reed],
        "taken_at": np.datetime_as_string(when),
        "chanter": np.char.mod("CH-%04d", log.chanter_of[log.reed]),
        "crow_hz": np.round(440.0 * 2.0 ** (log.y[:, 0] / 1200.0), 1),
    }
    for k, note in enumerate(NOTES, 1):
        columns[f"{note}_hz"] = np.round(440.0 * 2.0 ** (log.y[:, k] / 1200.0) * float(DEFAULT_RATIOS[note]), 2)
    pd.DataFrame(columns)[there].to_csv(folder / "readings.csv", index=False, lineterminator="\n")
    cut = there & (log.cut_mm > 0)
    pd.DataFrame(
        {
            "reed": names[log.reed],
            "done_at": np.datetime_as_string(when - np.timedelta64(5, "m")),
            "length_mm": np.round(log.cut_mm, 3),
        }
    )[cut].to_csv(folder / "trims.csv", index=False, lineterminator="\n")
    done = np.arange(log.reeds) < log.reeds - log.open_reeds
    last = batch_day + np.timedelta64(40, "h")
    save(
        "outcomes",
        {"reed": names[done], "at": np.datetime_as_string(last[done]), "outcome": "good"},
    )
