"""How long a reed will lie before its next reading."""

from __future__ import annotations

import pytest

from trimfit.base.records import Logged, Reading, Reed, ReedHistory, Trim
from trimfit.session.pace import days_to_next

DAY_S = 86_400.0


def history(read_days: list[float], cut_days: list[float], crow_days: tuple[float, ...] = ()) -> ReedHistory:
    """A reed whose F and E were read on some days, before which its crow alone was, and cut on others."""

    def logged(kind: type, day: float, **values: object) -> Logged:  # type: ignore[type-arg]
        return Logged(f"{kind.__name__}-{day}", 0, day * DAY_S, kind("R-1", "2026-03-01T10:00", **values))

    both = {"notes_hz": {"e": 705.0, "f": 770.0}}
    return ReedHistory(
        Logged("reed", 0, 0.0, Reed("R-1", "cane", "b")),
        readings=tuple(
            [logged(Reading, day, crow_hz=530.0) for day in crow_days]
            + [logged(Reading, day, **both) for day in read_days]
        ),
        trims=tuple(logged(Trim, day, length_mm=0.1) for day in cut_days),
    )


def test_a_reed_never_read_twice_lies_as_long_as_is_usual_in_the_shop() -> None:
    assert days_to_next(history([], []), 3.0, work=True) == 3.0
    assert days_to_next(history([1.0], []), 3.0, work=False) == 3.0


def test_a_reed_s_own_visits_outweigh_the_shop_s_usual_wait() -> None:
    weekly = history([0.0, 7.0, 14.0, 21.0], [0.01, 7.01, 14.01])
    assert days_to_next(weekly, 1.0, work=True) == pytest.approx(7.0)
    assert days_to_next(weekly, 1.0, work=False) == pytest.approx(7.0)  # never left without work: as after work


def test_one_wait_of_its_own_counts_as_much_as_the_shop_s() -> None:
    assert days_to_next(history([0.0, 7.0], [0.01]), 1.0, work=True) == pytest.approx(4.0)
    assert days_to_next(history([0.0, 7.0, 14.0], [0.01, 7.01]), 1.0, work=True) == pytest.approx(7.0)


def test_how_long_a_blank_lay_on_the_shelf_is_no_visit_of_it() -> None:
    assert days_to_next(history([214.0], [], (0.0,)), 4.0, work=True) == 4.0
    assert days_to_next(history([214.0, 215.0], [], (0.0, 100.0)), 4.0, work=False) == pytest.approx(2.5)


def test_waits_with_work_and_without_are_told_apart_and_one_holiday_changes_nothing() -> None:
    reed = history([0.0, 2.0, 4.0, 5.0, 40.0, 42.0], [0.01, 2.01, 5.01, 40.01])
    assert days_to_next(reed, 2.0, work=True) == pytest.approx(2.0)
    assert days_to_next(reed, 3.0, work=False) == 2.0


def test_the_readings_of_one_sitting_are_no_wait() -> None:
    assert days_to_next(history([0.0, 0.02, 0.04, 0.06], [0.01, 0.03, 0.05]), 1.0, work=True) == 0.0
