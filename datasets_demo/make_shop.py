"""Writes the invented shop's log as CSV: `python datasets_demo/make_shop.py [FOLDER]`, default `shop` beside it.

The same bytes on every run. What is hidden in it is told in README.md; how the reeds sound is in shop_physics.py,
how they move by themselves in shop_movement.py.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from shop_movement import WEATHER
from shop_physics import (
    KINDS,
    NOTES,
    Air,
    Batch,
    Blank,
    Pipe,
    Seat,
    make_blank,
    make_pipes,
    normal,
    seat,
    sound,
)

SEED = 20260918
FIRST_DAY = datetime(2025, 1, 6)
SHARP_START, STRONG_ANSWER = "B-17", "B-12"  # the two batches that drifted
SPARE_BLANKS = {SHARP_START: 4, STRONG_ANSWER: 3}
RULE_OF_THUMB_CENTS_PER_MM = 60.0
CLOSED_ORDERS = (
    "CH-07 plain", "CH-15 set of twelve", "CH-03 old flat", "CH-11 sharp solo", "CH-07 plain", "CH-18 spare",
    "CH-15 set of twelve", "CH-07 plain", "CH-03 old flat", "CH-11 sharp solo",
)  # fmt: skip
OPEN_ORDERS = (
    # order, chanter, target_pitch_hz, quantity, pressure_kpa, due_on, remark
    ("O-11", "CH-03 old flat", "", 8, "", "2026-10-02", "asks for a sharp crow"),
    ("O-12", "CH-07 plain", "", 24, "", "2026-10-16", "half of them may come in a week early"),
    ("O-13", "CH-11 sharp solo", 477.7, 4, 6.9, "2026-11-06", "the player blows hard and wants it a little flatter"),
)
# Open order -> (batch, visits to the bench, what the last visit was): how far each of its reeds has come.
IN_HAND = {
    "O-11": (
        ("B-22", 3, "read"), ("B-22", 2, "cut"), ("B-22", 2, "read"), ("B-19", 2, "read"), ("B-19", 1, "read"),
        ("B-23", 1, "cut"), ("B-23", 1, "read"), ("B-17", 1, "read"),
    ),
    "O-12": (
        ("B-21", 9, "good"), ("B-21", 9, "good"), ("B-21", 9, "good"), ("B-21", 9, "good"), ("B-22", 9, "good"),
        ("B-21", 4, "read"), ("B-21", 3, "read"), ("B-21", 3, "cut"), ("B-21", 2, "read"), ("B-22", 3, "read"),
        ("B-22", 2, "slipped"), ("B-22", 1, "read"), ("B-12", 2, "read"), ("B-12", 1, "read"), ("B-17", 2, "read"),
        ("B-17", 1, "read"), ("B-20", 1, "read"), ("B-23", 2, "unbalanced"), ("B-23", 1, "cut"), ("B-23", 0, "crow"),
        ("B-24", 0, "crow"),
    ),
    "O-13": (
        ("B-23", 3, "read"), ("B-23", 2, "read"), ("B-24", 1, "read"), ("B-24", 1, "cut"), ("B-20", 0, "crow"),
    ),
}  # fmt: skip
# Reed -> (trims before it, what befell it, cents that its crow and its notes moved by, whether it was logged).
MISHAPS = {
    "R-0052": (1, "soaked", -24.0, -5.0, True),
    "R-0110": (1, "dropped", 13.0, 3.0, True),
    "R-0157": (2, "soaked", -20.0, -4.0, True),
    "R-0240": (1, "dropped", -12.0, 4.0, True),
    "R-0302": (1, "soaked", -22.0, -4.0, True),
    "R-0208": (1, "dropped", -32.0, 6.0, False),
    "R-0367": (1, "soaked", -18.0, -4.0, True),
}
HEADERS = {
    "orders": "order,chanter,target_pitch_hz,quantity,pressure_kpa,due_on,remark",
    "chanters": "chanter,meeting_pitch_hz,working_crow_hz,bore_gauge_mm,remark",
    "reeds": "reed,reed_type,batch,made_on,blade_mm,order,remark",
    "readings": "reed,taken_at,chanter,crow_hz,"
    + ",".join(f"{note}_hz" for note in NOTES)
    + ",g_octave_hz,pressure_kpa,temperature_c,humidity_pct,taped,remark",
    "trims": "reed,done_at,length_mm,lip_strokes,asked_mm,remark",
    "events": "reed,at,event,remark",
    "outcomes": "reed,at,outcome,remark",
}


@dataclass
class Sitting:
    """An evening at the bench: its clock and its air."""

    clock: datetime
    temperature_c: float
    humidity_pct: int

    def pass_minutes(self, minutes: int) -> str:
        """Let time go by; the new time as text."""
        self.clock += timedelta(minutes=minutes)
        return self.clock.strftime("%Y-%m-%dT%H:%M")


@dataclass
class Shop:
    """The shop while its story is told: the random source, its chanters, the rows written so far."""

    rng: Random
    pipes: dict[str, Pipe]
    rows: dict[str, list[dict[str, object]]] = field(default_factory=lambda: {name: [] for name in HEADERS})

    def sitting(self, day: float, hour: int = 17) -> Sitting:
        """An evening: warm in summer, cool in winter, no two alike."""
        at = FIRST_DAY + timedelta(days=round(day), hours=hour)
        summer = 1.0 - abs(at.timetuple().tm_yday - 200) / 91.0
        air_c, dither = 19.5 + 2.5 * summer + normal(self.rng, 1.1), normal(self.rng, 3.0)
        return Sitting(at, air_c, round(58 + 7 * WEATHER.at(round(day) + hour / 24) + dither))

    def read(
        self, sitting: Sitting, blank: Blank, chanter: str | None, *, sat: Seat | None = None, aim_kpa: float = 6.0
    ) -> dict[str, object]:
        """Take a reading and log it: a crow alone without a chanter, else what the hand cared to take."""
        rng = self.rng
        at = sitting.pass_minutes(2)
        sitting.temperature_c += normal(rng, 0.08)
        air = Air((sitting.clock - FIRST_DAY) / timedelta(days=1), aim_kpa + normal(rng, 0.25), sitting.temperature_c)
        values = sound(rng, blank, self.pipes[chanter] if chanter else None, air, sat or seat(rng))
        row: dict[str, object] = {"reed": blank.name, "taken_at": at, "temperature_c": f"{air.temperature_c:.1f}"}
        row["humidity_pct"] = sitting.humidity_pct
        taken = {"crow"} if chanter is None else self.choose_notes()
        for name in taken:
            row[f"{name}_hz"] = f"{values[name]:.1f}"
        if chanter is not None:
            row |= {"chanter": chanter, "pressure_kpa": f"{air.pressure_kpa:.2f}"}
        self.rows["readings"].append(row)
        return row

    def choose_notes(self) -> set[str]:
        """What the hand takes: mostly all nine and the crow, at times A, E and F only, now and then the G octave."""
        short = self.rng.random() < 0.22
        taken = {"low_a", "e", "f", "high_a"} if short else set(NOTES)
        if self.rng.random() < (0.5 if short else 0.88):
            taken.add("crow")
        if not short and self.rng.random() < 0.3:
            taken.add("g_octave")
        return taken

    def cut(self, sitting: Sitting, blank: Blank, asked_mm: float, *, strokes: int = 0, slip_mm: float = 0.0) -> None:
        """Take length off and ease the lips: the blade takes what was asked ± 3 % and 0.006 mm."""
        taken = max(asked_mm * (1.0 + normal(self.rng, 0.03)) + normal(self.rng, 0.006) + slip_mm, 0.005)
        taken = round(taken, 3)
        blank.removed_mm += taken
        blank.strokes += strokes
        day = (sitting.clock - FIRST_DAY) / timedelta(days=1)
        blank.movement.cut_days.append(day)
        row: dict[str, object] = {"reed": blank.name, "done_at": sitting.pass_minutes(3), "length_mm": f"{taken:.3f}"}
        row |= {"lip_strokes": strokes or "", "remark": "blade slipped" if slip_mm else ""}
        if sitting.clock > FIRST_DAY + timedelta(days=90):  # what was meant is only noted since then
            row["asked_mm"] = f"{asked_mm:.2f}"
        self.rows["trims"].append(row)
        self.mishap(blank, sitting.clock.replace(hour=8, minute=40) + timedelta(days=1))

    def mishap(self, blank: Blank, at: datetime) -> None:
        """The morning after a trim: what befalls this reed then, if anything; logged if the hand thought of it."""
        trims, event, crow_cents, pitch_cents, logged = MISHAPS.get(blank.name, (0, "", 0.0, 0.0, False))
        if len(blank.movement.cut_days) != trims:
            return
        blank.movement.knocks.append(((at - FIRST_DAY) / timedelta(days=1), crow_cents, pitch_cents))
        if logged:
            self.rows["events"].append({"reed": blank.name, "at": at.strftime("%Y-%m-%dT%H:%M"), "event": event})

    def close(self, sitting: Sitting, blank: Blank, outcome: str, remark: str = "") -> None:
        """The reed leaves the bench."""
        row: dict[str, object] = {"reed": blank.name, "at": sitting.pass_minutes(1), "outcome": outcome}
        self.rows["outcomes"].append(row | {"remark": remark})


def read_gap_cents(row: dict[str, object]) -> float:
    """The F-E gap that a logged reading shows."""
    from math import log2

    return 1200.0 * log2(float(str(row["f_hz"])) / (5 / 3) / (float(str(row["e_hz"])) / (3 / 2)))


def make_batches(rng: Random) -> list[Batch]:
    """Twenty-four batches, three types in turn, one every 24 days; two of them off the norm."""
    batches = []
    for index in range(24):
        name = f"B-{index + 1:02d}"
        batches.append(
            Batch(
                name=name,
                kind=KINDS[index % 3],
                made_day=24 * index,
                crow_cents=normal(rng, 7.0) + (40.0 if name == SHARP_START else 0.0),
                answer=1.0 + normal(rng, 0.05) + (0.4 if name == STRONG_ANSWER else 0.0),
                asks_cents=normal(rng, 5.0),
                pitch_cents=normal(rng, 1.0),
                settle=max(1.0 + normal(rng, 0.4), 0.0),
            )
        )
    return batches


def make_reeds(shop: Shop, batches: list[Batch]) -> dict[str, list[Blank]]:
    """Four hundred reeds; three in five have their crow taken within days of being made, or later as stock."""
    reeds: dict[str, list[Blank]] = {}
    number = 0
    for index, batch in enumerate(batches):
        made = [make_blank(shop.rng, f"R-{number + k + 1:04d}", batch) for k in range(17 if index % 3 else 16)]
        number += len(made)
        made_on = (FIRST_DAY + timedelta(days=batch.made_day)).strftime("%Y-%m-%d")
        sitting = shop.sitting(batch.made_day + 3, hour=10)
        for blank in made:
            row: dict[str, object] = {"reed": blank.name, "reed_type": batch.kind.name, "batch": batch.name}
            shop.rows["reeds"].append(row | {"made_on": made_on, "blade_mm": f"{blank.blade_mm:.2f}"})
            if shop.rng.random() < 0.6 or index >= 20:
                shop.read(sitting, blank, None)
        reeds[batch.name] = made
    return reeds


def visit(shop: Shop, sitting: Sitting, blank: Blank, chanter: str, *, first: bool, aim_kpa: float = 6.0) -> str:
    """A reed's turn at the bench, as a careful hand gives it: read, and take off 0.6 of what seems to be wanting.

    Returns `cut`, `aside` (read and left to settle), `good` or `lost`.
    """
    rng = shop.rng
    sat = seat(rng)
    row = shop.read(sitting, blank, chanter, sat=sat, aim_kpa=aim_kpa)
    if rng.random() < 0.07:  # again at once, the reed not moved: it shares the seating
        row = shop.read(sitting, blank, chanter, sat=sat, aim_kpa=aim_kpa)
    gap = read_gap_cents(row)
    if gap > -2.7:
        return "lost" if gap > 4.5 else "good"
    if rng.random() < 0.06:
        return "aside"
    asked = max(round(0.6 * -gap / RULE_OF_THUMB_CENTS_PER_MM, 2), 0.02)
    strokes = 1 + int(4 * rng.random()) if rng.random() < (0.3 if first else 0.12) else 0
    shop.cut(sitting, blank, asked, strokes=strokes)
    return "cut"


def farewell(shop: Shop, sitting: Sitting, blank: Blank, chanter: str, outcome: str) -> None:
    """A finished reed's last reading: at times on a second chanter, at times with a note taped; then it goes."""
    rng = shop.rng
    if rng.random() < 0.08:
        other = [name for name in shop.pipes if name != chanter][int(4 * rng.random())]
        shop.read(sitting, blank, other)
    if outcome == "good" and rng.random() < 0.06:
        row = shop.read(sitting, blank, chanter)
        taped = ["f"] if rng.random() < 0.6 else ["f", "high_g"]
        for note in taped:
            if f"{note}_hz" in row:
                row[f"{note}_hz"] = f"{float(str(row[f'{note}_hz'])) * 2 ** (-7 / 1200):.1f}"
        row["taped"] = " ".join(taped)
    sharp_pipe = chanter != "CH-03 old flat"
    if outcome == "lost" and sharp_pipe and rng.random() < 0.5:
        shop.close(sitting, blank, "to-stock", "gone past here; may do for CH-03")
    else:
        shop.close(sitting, blank, outcome)


def run_closed_order(shop: Shop, order: str, chanter: str, blanks: list[Blank], start_day: float) -> None:
    """Work an order through: an evening for each half of its reeds, a few days apart, until all have left."""
    waiting, day, seen = list(blanks), start_day, set[str]()
    while waiting:
        half = (len(waiting) + 1) // 2
        still: list[Blank] = []
        for evening, part in enumerate((waiting[:half], waiting[half:])):
            sitting = shop.sitting(day + evening)
            for blank in part:
                result = visit(shop, sitting, blank, chanter, first=blank.name not in seen)
                seen.add(blank.name)
                if result == "good" and shop.rng.random() < 0.12:  # left a while, to see whether it moves
                    still.append(blank)
                elif result in ("good", "lost"):
                    farewell(shop, sitting, blank, chanter, result)
                else:
                    still.append(blank)
        waiting, day = still, day + 3 + int(3 * shop.rng.random())
    due = (FIRST_DAY + timedelta(days=start_day + 35)).strftime("%Y-%m-%d")
    row: dict[str, object] = {"order": order, "chanter": chanter, "quantity": len(blanks) - 4, "due_on": due}
    shop.rows["orders"].append(row)


def run_open_order(shop: Shop, order: str, chanter: str, states: list[tuple[Blank, int, str]], aim_kpa: float) -> None:
    """Bring the reeds of the run in progress to where they stand on the story's last day."""
    for turn in range(9):
        sitting = shop.sitting(601 + 2 * turn, hour={"O-11": 14, "O-12": 17, "O-13": 20}[order])
        for blank, visits, state in states:
            last = turn == visits - 1
            if turn >= visits:
                continue
            if last and state in ("read", "slipped", "unbalanced"):
                sat = seat(shop.rng)
                sat = Seat(sat.shift_cents, 16.0) if state == "unbalanced" else sat
                shop.read(sitting, blank, chanter, sat=sat, aim_kpa=aim_kpa)
                continue
            slipping = state == "slipped" and turn == visits - 2
            if slipping:
                row = shop.read(sitting, blank, chanter, aim_kpa=aim_kpa)
                shop.cut(sitting, blank, round(0.6 * -read_gap_cents(row) / 60.0, 2), slip_mm=0.55)
                continue
            result = visit(shop, sitting, blank, chanter, first=turn == 0, aim_kpa=aim_kpa)
            if state == "good" and result in ("good", "lost"):
                shop.close(sitting, blank, result)
                states[[entry[0] for entry in states].index(blank)] = (blank, 0, "gone")


def make_slips(shop: Shop, reeds: dict[str, list[Blank]]) -> None:
    """The honest slips of a human hand, each once; README.md tells where they stand."""
    readings = shop.rows["readings"]

    def full(reed: str, nth: int) -> dict[str, object]:
        return [row for row in readings if row["reed"] == reed and "low_g_hz" in row][nth]

    dropped = full("R-0031", 1)
    dropped["temperature_c"] = str(dropped["temperature_c"])[1:]
    mistyped = full("R-0074", 1)
    text = str(mistyped["f_hz"])
    mistyped["f_hz"] = text[0] + str((int(text[1]) + 7) % 10) + text[2:]
    swapped = full("R-0123", 0)
    swapped["e_hz"], swapped["f_hz"] = swapped["f_hz"], swapped["e_hz"]
    full("R-0141", 0)["reed"] = "R-0140"


def tell_story(seed: int = SEED) -> Shop:
    """The whole shop, from its first batch to the run in progress."""
    rng = Random(seed)
    shop = Shop(rng, make_pipes(rng))
    batches = make_batches(rng)
    reeds = make_reeds(shop, batches)
    orders_of: dict[str, str] = {}
    for index, chanter in enumerate(CLOSED_ORDERS):
        pair = batches[2 * index : 2 * index + 2]
        blanks = [blank for batch in pair for blank in reeds[batch.name][: -SPARE_BLANKS.get(batch.name, 2)]]
        run_closed_order(shop, f"O-{index + 1:02d}", chanter, blanks, pair[1].made_day + 10)
        orders_of |= {blank.name: f"O-{index + 1:02d}" for blank in blanks}
    free = {name: [b for b in made if b.name not in orders_of] for name, made in reeds.items()}
    for order, chanter, target, quantity, pressure, due, remark in OPEN_ORDERS:
        states = [(free[batch].pop(0), visits, state) for batch, visits, state in IN_HAND[order]]
        orders_of |= {blank.name: order for blank, _, _ in states}
        run_open_order(shop, order, chanter, states, float(pressure or 6.0))
        row: dict[str, object] = {"order": order, "chanter": chanter, "target_pitch_hz": target, "quantity": quantity}
        shop.rows["orders"].append(row | {"pressure_kpa": pressure, "due_on": due, "remark": remark})
    sitting = shop.sitting(619, hour=9)  # the stock is gone through once more: a crow for each blank
    for blank in (blank for left in free.values() for blank in left):
        shop.read(sitting, blank, None)
    for row in shop.rows["reeds"]:
        row["order"] = orders_of.get(str(row["reed"]), "")
    make_slips(shop, reeds)
    told = {"CH-07 plain": ("472.0", ""), "CH-18 spare": ("", "544.0"), "CH-11 sharp solo": ("478.5", "")}
    for pipe in shop.pipes.values():
        meets, crow = told.get(pipe.name, ("", ""))
        row = {"chanter": pipe.name, "meeting_pitch_hz": meets, "working_crow_hz": crow}
        shop.rows["chanters"].append(row | {"bore_gauge_mm": pipe.bore_gauge_mm})
    return shop


def write(shop: Shop, folder: Path) -> None:
    """Write the seven CSV files, rows in order of time, lines ended by a line feed."""
    folder.mkdir(parents=True, exist_ok=True)
    when = {"readings": "taken_at", "trims": "done_at", "events": "at", "outcomes": "at"}
    for name, header in HEADERS.items():
        rows = shop.rows[name]
        if name in when:
            rows = sorted(rows, key=lambda row: (str(row[when[name]]), str(row["reed"])))
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            sheet = csv.DictWriter(file, header.split(","), restval="", lineterminator="\n")
            sheet.writeheader()
            sheet.writerows(rows)


if __name__ == "__main__":
    write(tell_story(), Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("shop"))
