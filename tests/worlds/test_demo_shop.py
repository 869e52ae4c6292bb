"""The demo shop: made by its script to the byte, inside the log's bounds, and holding what its page says."""

from __future__ import annotations

import csv
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from trimfit.pitch import NOTES, as_low_a_cents, cents_from_440
from trimfit.units import BOUNDS

DEMO = Path(__file__).parents[2] / "datasets_demo"
NAMES = ("orders", "chanters", "reeds", "readings", "trims", "outcomes")
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
    told = "13 orders, 5 chanters, 400 reeds of 24 batches and 3 types, 1,902 readings, 1,010 trims, 295 outcomes"
    assert told in page
    assert counts == {
        "orders": 13, "chanters": 5, "reeds": 400, "readings": 1902, "trims": 1010, "outcomes": 295,
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
    assert checked > 0 or name == "outcomes"


def test_keys_are_unique_and_names_refer_to_something() -> None:
    reeds, chanters, orders = ({row[key] for row in rows(f"{key}s")} for key in ("reed", "chanter", "order"))
    assert len(reeds) == 400
    for name, when in (("readings", "taken_at"), ("trims", "done_at"), ("outcomes", "at")):
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
    assert any(row["f_hz"] == "741.7" for key, row in readings.items() if key[0] == "R-0074")
    strayed = [gap_cents(row) for key, row in readings.items() if key[0] == "R-0140" and key[1] > "2025-08-24"][:2]
    assert strayed[1] < strayed[0] - 30
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
