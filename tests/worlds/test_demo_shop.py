"""The demo shop: made by its script to the byte, inside the log's bounds, and holding what its page says."""

from __future__ import annotations

import csv
import importlib
import math
import subprocess
import sys
from collections import Counter
from pathlib import Path
from random import Random

import pytest

from trimfit.base.pitch import NOTES, as_low_a_cents, cents_from_440
from trimfit.base.units import BOUNDS

DEMO = Path(__file__).parents[2] / "datasets_demo"
NAMES = ("orders", "chanters", "reeds", "readings", "trims", "events", "outcomes")
COLUMN_BOUNDS = {"g_octave_hz": "note_hz", "target_pitch_hz": "as_low_a_hz", "meeting_pitch_hz": "as_low_a_hz"}
COLUMN_BOUNDS |= {"working_crow_hz": "crow_hz"} | {f"{note}_hz": "note_hz" for note in NOTES}


def rows(name: str) -> list[dict[str, str]]:
    with (DEMO / "shop" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def gap_cents(row: dict[str, str]) -> float:
    return as_low_a_cents("f", float(row["f_hz"])) - as_low_a_cents("e", float(row["e_hz"]))


def test_script_rewrites_the_same_bytes(tmp_path: Path) -> None:
    script = str(DEMO / "make_shop.py")
    subprocess.run([sys.executable, "-W", "error", "-B", script, str(tmp_path)], check=True, timeout=60)
    made = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    kept = {path.name: path.read_bytes() for path in (DEMO / "shop").glob("*.csv")}
    assert sorted(made) == sorted(f"{name}.csv" for name in NAMES)
    assert made == kept


def test_sizes_are_those_its_page_tells() -> None:
    counts = {name: len(rows(name)) for name in NAMES}
    page = (DEMO / "README.md").read_text(encoding="utf-8")
    assert "This shop is invented" in page
    told = (
        "13 orders, 5 chanters, 400 reeds of 24 batches and 3 types, 1,847 readings, 963 trims, 6 events, 295 outcomes"
    )
    assert told in page
    assert counts == {
        "orders": 13, "chanters": 5, "reeds": 400, "readings": 1847, "trims": 963, "events": 6, "outcomes": 295,
    }  # fmt: skip
    reeds = rows("reeds")
    assert len({row["batch"] for row in reeds}) == 24
    assert len({row["reed_type"] for row in reeds}) == 3


@pytest.mark.parametrize("name", NAMES)
def test_every_number_is_one_the_log_can_hold(name: str) -> None:
    checked = 0
    for row in rows(name):
        for column, text in row.items():
            bounds = BOUNDS.get(COLUMN_BOUNDS.get(column, column))
            if text and bounds:
                assert bounds[0] <= float(text) <= bounds[1], row
                checked += 1
            if text and column.removesuffix("_hz") in NOTES:
                low, high = BOUNDS["as_low_a_hz"]
                assert low <= 440 * 2 ** (as_low_a_cents(column.removesuffix("_hz"), float(text)) / 1200) <= high, row
    assert checked > 0 or name in ("events", "outcomes")


def test_keys_are_unique_and_names_refer_to_something() -> None:
    reeds, chanters, orders = ({row[key] for row in rows(f"{key}s")} for key in ("reed", "chanter", "order"))
    assert len(reeds) == 400
    for name, when in (("readings", "taken_at"), ("trims", "done_at"), ("events", "at"), ("outcomes", "at")):
        keys = Counter((row["reed"], row[when]) for row in rows(name))
        assert max(keys.values()) == 1
        assert {reed for reed, _ in keys} <= reeds
    assert {row["chanter"] for row in rows("readings")} <= chanters | {""}
    assert {row["order"] for row in rows("reeds")} <= orders | {""}


def test_the_two_batches_drifted() -> None:
    batch_of = {row["reed"]: (row["reed_type"], row["batch"]) for row in rows("reeds")}
    crow: dict[tuple[str, str], list[float]] = {}
    for row in rows("readings"):
        if not row["chanter"]:  # a blank's crow, taken before any trim
            crow.setdefault(batch_of[row["reed"]], []).append(cents_from_440(float(row["crow_hz"])))
    mean = {key: sum(values) / len(values) for key, values in crow.items()}
    sharpest = max(mean, key=lambda key: mean[key])
    siblings = [value for key, value in mean.items() if key[0] == sharpest[0] and key != sharpest]
    assert sharpest[1] == "B-17"
    assert 30 < mean[sharpest] - sum(siblings) / len(siblings) < 50

    removed = Counter[str]()
    for row in rows("trims"):
        removed[row["reed"]] += float(row["length_mm"] or 0)
    gaps: dict[str, list[float]] = {}
    for row in rows("readings"):
        if row["f_hz"]:
            gaps.setdefault(row["reed"], []).append(gap_cents(row))
    answers: dict[tuple[str, str], list[float]] = {}
    for reed, seen in gaps.items():
        if removed[reed] > 0.3:
            answers.setdefault(batch_of[reed], []).append((seen[-1] - seen[0]) / removed[reed])
    middle = {key: sorted(values)[len(values) // 2] for key, values in answers.items() if len(values) > 5}
    soft = {key: value for key, value in middle.items() if key[0] == "soft moulded"}
    strongest = max(soft, key=lambda key: soft[key])
    others = [value for key, value in soft.items() if key != strongest]
    assert strongest[1] == "B-12"
    assert 1.2 < soft[strongest] / (sum(others) / len(others)) < 1.7


def test_the_slips_stand_where_the_page_says() -> None:
    readings = {(row["reed"], row["taken_at"]): row for row in rows("readings")}
    assert float(readings["R-0031", "2025-02-15T18:06"]["temperature_c"]) == 7.2
    assert gap_cents(next(row for key, row in readings.items() if key[0] == "R-0123" and row["f_hz"])) < -300
    assert any(row["f_hz"] == "736.9" for key, row in readings.items() if key[0] == "R-0074")
    strayed = [gap_cents(row) for key, row in readings.items() if key[0] == "R-0140" and key[1] > "2025-08-20"][:2]
    assert strayed[1] < strayed[0] - 15  # though a cut lies between
    tilted = next(row for key, row in readings.items() if key[0] == "R-0369" and key[1] > "2026-09-01")
    assert float(tilted["high_a_hz"]) / 2 - float(tilted["low_a_hz"]) > 3


def test_run_in_progress() -> None:
    gone = {row["reed"] for row in rows("outcomes")}
    read = {row["reed"] for row in rows("readings") if row["f_hz"]}
    due = {row["order"]: row["due_on"] for row in rows("orders") if row["due_on"] > "2026-09-18"}
    assert len(due) == 3
    in_hand = [row for row in rows("reeds") if row["order"] in due and row["reed"] not in gone]
    assert len(in_hand) >= 24
    assert sum(row["reed"] not in read for row in in_hand) >= 3
    stock = [row["reed"] for row in rows("reeds") if not row["order"]]
    trimmed = {row["reed"] for row in rows("trims")}
    crows = {row["reed"] for row in rows("readings") if row["crow_hz"]}
    assert len(stock) >= 40
    assert not trimmed & set(stock)
    assert set(stock) <= crows
    assert any(row["target_pitch_hz"] and row["pressure_kpa"] for row in rows("orders"))


def idle_changes(reed_type: str, column: str) -> list[float]:
    """Changes in cents of a reed's F-E gap or crow between days with neither a trim nor an event between them."""
    types = {row["reed"]: row["reed_type"] for row in rows("reeds")}
    worked = [(row["reed"], row["done_at"]) for row in rows("trims")] + [(r["reed"], r["at"]) for r in rows("events")]
    last: dict[tuple[str, str], tuple[str, float]] = {}
    found = []
    for row in rows("readings"):
        reed, at = row["reed"], row["taken_at"]
        if types[reed] != reed_type or row["taped"] or not row[f"{column}_hz"] or row["remark"]:
            continue
        value = gap_cents(row) if column == "f" else cents_from_440(float(row["crow_hz"]))
        before = last.get((reed, row["chanter"]))
        if before and before[0][:10] < at[:10] and not any(r == reed and before[0] < t < at for r, t in worked):
            found.append(value - before[1])
        last[reed, row["chanter"]] = at, value
    return found


def test_reeds_move_with_no_work_done_on_them_and_cane_the_most() -> None:
    def middle(changes: list[float]) -> float:
        """Standard deviation of normal changes with this median size: slips do not bend it."""
        return sorted(abs(change) for change in changes)[len(changes) // 2] / 0.6745

    kinds = ("broad cane", "hard moulded", "soft moulded")
    gap, crow = ({kind: idle_changes(kind, column) for kind in kinds} for column in ("f", "crow"))
    assert sum(len(changes) for changes in gap.values()) > 60
    assert all(middle(gap[kind]) > 0.9 * 2**0.5 * 2**0.5 for kind in kinds)  # two notes, two readings, 0.9 cents each
    assert middle(crow["broad cane"]) > max(middle(crow["hard moulded"]), middle(crow["soft moulded"]))
    assert all(middle(crow[kind]) > 3.0 * 2**0.5 for kind in kinds)  # two readings of 3 cents each


def test_a_month_moves_a_reed_by_what_its_page_tells(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(DEMO))
    physics, movement = (importlib.import_module(name) for name in ("shop_physics", "shop_movement"))
    rng = Random(5)
    pipe = physics.make_pipes(rng)["CH-07 plain"]
    told = {"broad cane": (7.0, 2.3, 1.5), "hard moulded": (2.0, 1.0, 1.0), "soft moulded": (2.0, 1.0, 1.0)}
    for kind in physics.KINDS:
        batch = physics.Batch("B", kind, 0, 0.0, 1.0, 0.0, 0.0, 1.0)
        squares = []
        for number in range(400):
            blank = physics.make_blank(rng, f"M-{number}", batch)
            blank.removed_mm = 0.8
            start = 60 + 400 * rng.random()
            level = [
                (blank.crow_cents(day), blank.gap_cents(pipe, day), blank.notes_cents(pipe, day)["low_a"])
                for day in (start, start + 30)
            ]
            squares.append([(after - before) ** 2 for before, after in zip(*level, strict=True)])
        sizes = [(sum(column) / len(squares)) ** 0.5 for column in zip(*squares, strict=True)]
        assert sizes == pytest.approx(told[kind.name], rel=0.2)
    at_constant = movement.settled(movement.CUT_DAYS, movement.CUT_DAYS)
    assert at_constant == pytest.approx(1 - math.exp(-1))  # an exponential has then 5 % left after three times as long
    assert 1 - movement.settled(3 * movement.CUT_DAYS, movement.CUT_DAYS) > 0.13


def test_mishaps_are_logged_in_the_shops_words_but_for_one() -> None:
    events = rows("events")
    assert {row["event"] for row in events} == {"soaked", "dropped"}
    assert {row["reed"] for row in events} <= {row["reed"] for row in rows("trims")}
    last = events[-1]
    assert last["at"] > max(row["taken_at"] for row in rows("readings") if row["reed"] == last["reed"])
    assert last["reed"] not in {row["reed"] for row in rows("outcomes")}
    unlogged = "R-0208"
    assert unlogged not in {row["reed"] for row in events}
    before, after = [row for row in rows("readings") if row["reed"] == unlogged and row["chanter"]][:2]
    rise = {key: cents_from_440(float(after[key])) - cents_from_440(float(before[key])) for key in ("crow_hz", "e_hz")}
    first = next(row for row in rows("trims") if row["reed"] == unlogged)
    assert rise["crow_hz"] < 100 * float(
        first["length_mm"]
    )  # length / stiffness alone would have raised it by 150 a mm
    assert rise["e_hz"] > 5  # which a trim lowers


def test_one_chanter_has_its_high_g_carved_wide() -> None:
    over: dict[str, list[float]] = {}
    for row in rows("readings"):
        if row["high_g_hz"] and "high_g" not in row["taped"]:
            cents = [as_low_a_cents(note, float(row[f"{note}_hz"])) for note in ("high_g", "low_a")]
            over.setdefault(row["chanter"], []).append(cents[0] - cents[1])
    middle = {chanter: sorted(values)[len(values) // 2] for chanter, values in over.items()}
    carved = middle.pop("CH-18 spare")
    assert len(middle) == 4
    assert carved - sum(middle.values()) / 4 > 12.0
