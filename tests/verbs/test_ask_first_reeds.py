"""The first reeds of a shop without a history: what is learned from next to nothing must still be sane advice.

Played against make-believe reeds that answer along a straight line, by other figures than are assumed at first.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.opened import current_model, on
from trimfit.base.pitch import hz_from_cents
from trimfit.base.records import Chanter, Order, Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.verbs.ask import ask_all, ask_reed
from trimfit.verbs.rehearse import rehearse_order

AS_E, AS_F = 3 / 2, 5 / 3
CLOSE_CENTS = 3.7


class MadeUp:
    """A reed whose gap closes by a slope of its own, read with an error of about a cent."""

    def __init__(self, name: str, start_cents: float, slope: float, rng: np.random.Generator) -> None:
        self.name, self.start, self.slope, self.rng = name, start_cents, slope, rng
        self.removed, self.clock = 0.0, 0

    @property
    def gap(self) -> float:
        return self.start + self.slope * self.removed

    def at(self) -> str:
        self.clock += 1
        return f"2026-03-{1 + self.clock // 20:02d}T10:{self.clock % 20:02d}:00"

    def read(self, journal: Journal) -> None:
        gap = self.gap + self.rng.standard_normal()
        middle = 110.0 + 5.0 * self.removed + self.rng.standard_normal()
        e, f, a = middle - gap / 2, middle + gap / 2, middle
        notes = {
            "e": round(hz_from_cents(e) * AS_E, 1),
            "f": round(hz_from_cents(f) * AS_F, 1),
            "low_a": round(hz_from_cents(a), 1),
            "high_a": round(2 * hz_from_cents(a), 1),
        }
        crow = hz_from_cents(250.0 + 130.0 * self.removed + 3 * self.rng.standard_normal())
        journal.append(Reading(self.name, self.at(), "Old", round(crow, 1), notes))

    def cut(self, journal: Journal, length_mm: float) -> None:
        taken = round(max(length_mm + 0.01 * self.rng.standard_normal(), 0.01), 2)
        self.removed += taken
        journal.append(Trim(self.name, self.at(), length_mm=taken, asked_mm=length_mm))


def shop(path: Path, reeds: int, order: Order | None = None) -> list[MadeUp]:
    rng = np.random.default_rng(11)
    made = [MadeUp(str(i + 1), rng.uniform(-60, -25), rng.uniform(32, 75), rng) for i in range(reeds)]
    with Journal(path, create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(order or Order("band", "Old", quantity=reeds))
        for one in made:
            journal.append(Reed(one.name, "moulded", "A", blade_mm=22.0, order="band"))
    return made


def last_s(path: Path, reed: str) -> float:
    """The instant of the reed's last entry."""
    with Journal(path) as journal:
        history = journal.of_reed(reed)
    return max(entry.at_s for entry in (*history.readings, *history.trims))


def test_a_shops_first_eight_reeds_are_brought_home(tmp_path: Path) -> None:
    path = tmp_path / "log"
    cuts, past, home = 0, 0, 0
    for one in shop(path, 8):
        with Journal(path) as journal:
            one.read(journal)
        since_work = 1
        for _ in range(20):
            advice = on(path, ask_reed, one.name, at_s=last_s(path, one.name))
            if advice.action not in ("trim", "read-again"):
                break
            with Journal(path) as journal:
                if advice.action == "trim":
                    assert advice.length_mm > 0.015
                    one.cut(journal, advice.length_mm)
                    cuts, since_work = cuts + 1, 0
                one.read(journal)
                since_work += 1
            assert since_work <= 4, "the same state was to be read for ever"
        past += one.gap > CLOSE_CENTS
        home += abs(one.gap) <= CLOSE_CENTS
    assert past == 0
    assert home >= 7
    assert cuts <= 4 * 8


def test_a_long_way_off_and_hardly_known_a_knife_and_no_more_readings(tmp_path: Path) -> None:
    """Two reeds cut twice each, and a third read over and over: a reading more tells nothing that a cut would not."""
    path = tmp_path / "log"
    first, second, third = shop(path, 3)
    with Journal(path) as journal:
        for one in (first, second):
            one.start, one.slope = -54.0, 55.0
            for length in (0.3, 0.3, None):
                one.read(journal)
                if length is not None:
                    one.cut(journal, length)
        third.start = -54.0
        for _ in range(2):
            third.read(journal)
    assert on(path, ask_reed, "3", at_s=last_s(path, "3")).action == "trim"


def test_crows_alone_and_nothing_ever_cut(tmp_path: Path) -> None:
    """A box of blanks, crows only, then some of them read in the chanter: all of it answered, nothing without bound."""
    path = tmp_path / "log"
    made = shop(path, 12, Order("band", "Old", quantity=12, target_pitch_hz=476.0, pressure_kpa=6.7))
    with Journal(path) as journal:
        for i, one in enumerate(made):
            journal.append(Reading(one.name, one.at(), None, 515.0 + i))
        current_model(journal)
    assert {advice.action for advice in on(path, ask_all)} == {"read-again"}
    with Journal(path) as journal:
        for one in made[:7]:
            one.read(journal)
    for advice in on(path, ask_all):
        meets = advice.meet_pitch_hz
        assert meets is not None
        assert advice.gap_after_cents is not None
        assert 330 < meets.low <= meets.mean <= meets.high < 640
        assert advice.gap_after_cents.low <= advice.gap_after_cents.mean <= advice.gap_after_cents.high
        assert advice.length_mm < 1.0
    with np.errstate(all="raise", under="ignore"):
        run = on(path, rehearse_order, "band")
    assert math.isfinite(run.trims_per_reed)


@pytest.mark.parametrize("order", [("1", "2"), ("2", "1")])
def test_names_are_nothing_to_the_advice(tmp_path: Path, order: tuple[str, str]) -> None:
    """Two reeds with the same readings are told the same, whatever they are called."""
    path = tmp_path / "log"
    made = {one.name: one for one in shop(path, 2)}
    with Journal(path, create=True) as journal:
        for name in order:
            one = made[name]
            one.start, one.slope, one.rng = -40.0, 50.0, np.random.default_rng(4)
            one.read(journal)
            one.cut(journal, 0.3)
            one.read(journal)
    first, second = (on(path, ask_reed, name) for name in ("1", "2"))
    assert (first.action, first.length_mm) == (second.action, second.length_mm)
    assert first.chance_past == pytest.approx(second.chance_past, abs=1e-6)
