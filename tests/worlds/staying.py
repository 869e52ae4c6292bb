"""What a reading is still worth after some days: `python -m tests.worlds.staying [--shops N] [--reeds N]`.

On benches whose reeds move by themselves (movement.py), reeds of new batches are read, some are cut, and left lying.
After 0, 1, 7 and 30 days they are read again in the air of their last reading. The page says how many of those readings
lay inside the 90 % interval that the log gave for that moment. Read but not logged: the four readings of a reed are
four questions about the same log.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worlds.movement import MOVEMENTS, MovingReed, MovingWorld
from tests.worlds.proof import markdown, rms, share, side_by_side
from tests.worlds.shop import read_gap_cents
from tests.worlds.tool import LoggedReeds, new_log, predicted
from trimfit.base.pitch import cents_from_440

__all__ = ["IDLE_DAYS", "one_shop", "table", "table_by_type"]

IDLE_DAYS = (0, 1, 7, 30)
PHYSICS = ("beam", "saturating", "multiplicative")
READ_DAY, MINUTES_30 = 200.0, 1.0 / 48.0
WORKERS = 2


def left_lying(rng: np.random.Generator, reed: MovingReed, day: float) -> None:
    """One to three days of readings that end on `day`, with cuts on most of them; half are cut on the last day too."""
    earlier = sorted({float(rng.integers(1, 15)) for _ in range(int(rng.integers(0, 3)))}, reverse=True)
    for ago in (*earlier, 0.0):
        if reed.made_day > day - ago - 1.0:
            continue
        reed.rest_until(day - ago + 0.4)
        gap = read_gap_cents(reed.read(rng))
        if gap < -8.0 and rng.random() < (0.67 if ago else 0.5):
            reed.cut(rng, max(round(0.5 * -gap / reed.kind.gap_cents_per_mm, 2), 0.02))
            if not ago:
                reed.read(rng)


def one_shop(physics: str, movement: str, seed: int, count: int) -> pd.DataFrame:
    """A row for each reed and idle time: whether the next reading's gap and crow lay inside, and how wide that was."""
    world = MovingWorld(physics, movement, np.random.default_rng([seed, 1]), seed=seed)
    rng = np.random.default_rng([seed, 2])
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log"
        new_log(path, world.moved_history(rng))
        reeds = world.moving_reeds(rng, count, read_from_day=READ_DAY)
        for reed in reeds:
            left_lying(rng, reed, READ_DAY)
        LoggedReeds(path, reeds).tell()
        for idle in IDLE_DAYS:
            day = READ_DAY + 0.4 + MINUTES_30 + idle
            for reed, stated in zip(reeds, predicted(path, [reed.reed for reed in reeds], day), strict=True):
                last = reed.readings[-1]
                reed.rest_until(day)
                found = reed.read(rng, air=(float(str(last["pressure_kpa"])), float(str(last["temperature_c"]))))
                gap, crow = read_gap_cents(found), float(str(found["crow_hz"]))
                wide = stated.crow_hz
                rows.append(
                    {"movement": movement, "reed_type": reed.kind.name, "idle_days": idle,
                     "gap_held": stated.gap_cents.low <= gap <= stated.gap_cents.high,
                     "crow_held": wide.low <= crow <= wide.high,
                     "gap_error_cents": gap - stated.gap_cents.mean,
                     "gap_reach_cents": stated.gap_cents.high - stated.gap_cents.mean,
                     "crow_error_cents": cents_from_440(crow) - cents_from_440(wide.mean)}
                )  # fmt: skip
    return pd.DataFrame(rows)


def table(found: pd.DataFrame) -> pd.DataFrame:
    """One row a movement and idle time: coverage of gap and crow in per cent with standard error, errors, widths."""
    rows = []
    for (movement, idle), some in found.groupby(["movement", "idle_days"], sort=False):
        row: dict[str, object] = {"movement": movement, "idle days": idle, "readings": len(some)}
        row |= {f"{what} coverage %": share(some[f"{what}_held"]) for what in ("gap", "crow")}
        row |= {f"{what} error, rms cents": f"{rms(some[f'{what}_error_cents']):.2f}" for what in ("gap", "crow")}
        row["gap stated ±, cents"] = f"{some['gap_reach_cents'].mean():.2f}"
        rows.append(row)
    return pd.DataFrame(rows)


def least_held(rows: pd.DataFrame, by_type: pd.DataFrame) -> str:
    """What the shares of `table` come to, in a sentence: the least of them, and how many are under what is stated; and
    the least of those of `table_by_type`, at once and after the longest rest."""
    held = [
        (str(row[f"{what} coverage %"]), what, row["movement"], row["idle days"])
        for what in ("gap", "crow")
        for _, row in rows.iterrows()
    ]
    share_held, what, movement, days = min(held, key=lambda one: float(one[0].split()[0]))
    under = sum(float(one.split()[0]) < 90.0 for one, *_ in held)
    return (
        f"Least was held of the {what} (movement: {movement}, idle days: {days}), {share_held} %; {under} of these "
        f"{len(held)} shares are under the 90 stated. By type least was held of {least_of_type(by_type)}; after "
        f"{IDLE_DAYS[-1]} days of {least_of_type(by_type, IDLE_DAYS[-1])}."
    )


def least_of_type(by_type: pd.DataFrame, idle_days: int | None = None) -> str:
    """`the gap of cane (movement: walk, idle days: 30), 82.3 ± 2.8 %`: the least share of `table_by_type`; idle_days:
    of those after so many days."""
    rows = [row for _, row in by_type.iterrows() if idle_days in (None, int(row["idle days"]))]
    shares = [(str(row[head]), str(head), row) for row in rows for head in by_type.columns if ", " in str(head)]
    held, head, row = min(shares, key=lambda one: float(one[0].split()[0]))
    what, name = head.split(", ")
    return f"the {what} of {name} (movement: {row['movement']}, idle days: {row['idle days']}), {held} %"


def table_by_type(found: pd.DataFrame) -> pd.DataFrame:
    """The coverages of `table` for each type."""
    rows = []
    for (movement, idle), some in found.groupby(["movement", "idle_days"], sort=False):
        row: dict[str, object] = {"movement": movement, "idle days": idle}
        for what in ("gap", "crow"):
            row |= {f"{what}, {name}": share(one[f"{what}_held"]) for name, one in some.groupby("reed_type")}
        rows.append(row)
    return pd.DataFrame(rows)


def write(movements: list[str], shops: int, reeds: int) -> str:
    """The page."""
    seeds = range(1, shops + 1)
    given = [(PHYSICS[seed % len(PHYSICS)], movement, seed, reeds) for movement in movements for seed in seeds]
    found = pd.concat(side_by_side(one_shop, given, WORKERS))
    rows, by_type = table(found), table_by_type(found)
    return (
        "# What a reading is worth after some days\n\n"
        f"Made by `python -m tests.worlds.staying --shops {shops} --reeds {reeds} --movement {' '.join(movements)}`:\n"
        f"{shops} shops of each way of moving, {reeds} reeds of new batches left lying in each; no physics is the "
        "fitted model.\nOf the next readings, so many in a hundred lay inside the 90 % interval stated for that moment,"
        " ± the standard error in points, each\n"
        "reading by itself (of none or all: as if it were one of n + 1). Gap stated "
        "±: half of that interval.\n\n"
        f"{markdown(rows)}\n\n{least_held(rows, by_type)}\n\nBy type:\n\n{markdown(by_type)}\n"
    )


def main() -> None:
    """Print the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=6)
    parser.add_argument("--reeds", type=int, default=90)
    parser.add_argument("--movement", nargs="*", default=list(MOVEMENTS), choices=list(MOVEMENTS))
    given = parser.parse_args()
    print(write(given.movement, given.shops, given.reeds))


if __name__ == "__main__":
    main()
