"""Times: the machine's clock as typed, the shop's zone for times without an offset, and what is never guessed."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base import iso_dates, time_zones
from trimfit.base.errors import InputError
from trimfit.base.records import Reading, Reed, Trim
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import import_folder
from trimfit.verbs.settings import set_setting

NEW_YORK = "America/New_York"
# North and south of the equator, half an hour of daylight saving, a day that has no midnight, and no change at all.
ZONES = [NEW_YORK, "Europe/London", "Pacific/Auckland", "Australia/Lord_Howe", "America/Santiago", "Asia/Kolkata"]


@contextmanager
def machine_in(zone: str) -> Iterator[None]:
    """A machine whose clock is a zone's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", zone)
        time.tzset()
        try:
            yield
        finally:
            patch.undo()
            time.tzset()


def changes(zone: str, year: int) -> list[datetime]:
    """The hours of a year, UTC, in which a zone's clocks are changed."""
    at = [datetime(year, 1, 1, tzinfo=UTC) + timedelta(hours=hour) for hour in range(8760)]
    offsets = [one.astimezone(ZoneInfo(zone)).utcoffset() for one in at]
    return [one for one, here, then in zip(at, offsets, offsets[1:], strict=False) if here != then]


DAYS = [(zone, change) for zone in ZONES for year in (2024, 2026) for change in changes(zone, year)]


def instants(zone: str, clock: datetime) -> list[float]:
    """Every instant at which a zone's clock shows this, by going through the instants about it."""
    about = [clock.replace(tzinfo=UTC) + timedelta(minutes=by) for by in range(-15 * 60, 15 * 60, 15)]
    shown = [(one, one.astimezone(ZoneInfo(zone)).replace(tzinfo=None)) for one in about]
    return [one.timestamp() for one, here in shown if here == clock]


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(DAYS), st.integers(-16, 16), st.booleans())
def test_a_typed_time_is_what_the_clock_showed_on_days_when_clocks_change(
    day: tuple[str, datetime], quarters: int, soon: bool
) -> None:
    """Judge: the table of zones, read from instants to clocks and never back."""
    zone, change = day
    clock = change.astimezone(ZoneInfo(zone)).replace(tzinfo=None) + timedelta(minutes=15 * quarters)
    there = instants(zone, clock)
    now = datetime.fromtimestamp((there or [change.timestamp()])[0] + (60.0 if soon else 86_400.0), UTC)
    with machine_in(zone):
        if not there:
            with pytest.raises(InputError, match="clocks here left out") as refused:
                iso_dates.typed_time(f"{clock:%Y-%m-%dT%H:%M}", now.isoformat())
            offered = refused.value.remedy.rsplit(" as ", 1)[1]
            assert iso_dates.parse_time(offered) == offered
            return
        text = iso_dates.typed_time(f"{clock:%Y-%m-%dT%H:%M}", now.isoformat())
    assert iso_dates.has_offset(text)
    assert text.startswith(f"{clock:%Y-%m-%dT%H:%M}")
    # Of an hour that came twice: the later one, unless that is still to come.
    assert iso_dates.at_s(text) == max(one for one in there if one <= now.timestamp())


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(DAYS), st.integers(-16, 16))
def test_a_time_without_an_offset_is_the_shops_and_the_first_where_an_hour_came_twice(
    day: tuple[str, datetime], quarters: int
) -> None:
    """RFC 5545, section 3.3.5: the first of two; by the offset before the change where the clocks left it out."""
    zone, change = day
    clock = change.astimezone(ZoneInfo(zone)).replace(tzinfo=None) + timedelta(minutes=15 * quarters)
    there = instants(zone, clock)
    instant = iso_dates.at_s(f"{clock:%Y-%m-%dT%H:%M}", zone)
    before = change.astimezone(ZoneInfo(zone)).utcoffset()
    assert before is not None
    assert instant == (min(there) if there else (clock.replace(tzinfo=UTC) - before).timestamp())


@pytest.mark.parametrize("rule", ["EST5EDT,M3.2.0,M11.1.0", "<+0530>-5:30"])
def test_a_rule_needs_no_table_of_zones(rule: str, monkeypatch: pytest.MonkeyPatch) -> None:
    like = NEW_YORK if rule.startswith("EST") else "Asia/Kolkata"
    days = [f"2026-{month:02d}-11T10:00" for month in range(1, 13)]
    expected = [iso_dates.at_s(day, like) for day in days]
    import zoneinfo

    time_zones.zone_named.cache_clear()
    zoneinfo.ZoneInfo.clear_cache()
    monkeypatch.setattr(zoneinfo._common, "load_tzdata", _no_table)  # type: ignore[attr-defined]
    zoneinfo.reset_tzpath(to=())
    try:
        assert [iso_dates.at_s(day, rule) for day in days] == expected
        assert time_zones.zone_named("+05:30").utcoffset(None) == timedelta(hours=5, minutes=30)
        with machine_in(rule):
            assert time_zones.machine_zone() == rule
        with pytest.raises(InputError, match="no time zone that this machine knows"):
            time_zones.zone_named("Europe/Vienna")
    finally:
        zoneinfo.reset_tzpath()
        time_zones.zone_named.cache_clear()


def _no_table(key: str) -> bytes:
    raise zones_missing(key)


def zones_missing(key: str) -> KeyError:
    from zoneinfo import ZoneInfoNotFoundError

    return ZoneInfoNotFoundError(key)


@pytest.mark.parametrize("zone", [*ZONES, "UTC", "<-07>7"])
def test_a_new_log_keeps_the_zone_of_the_machine_that_made_it(tmp_path: Path, zone: str) -> None:
    with machine_in(zone), Journal(tmp_path / "log", create=True) as journal:
        journal.append(Reed("R-1", "cane", "B"))
        assert journal.settings().time_zone == zone
    with machine_in("Asia/Tokyo"), Journal(tmp_path / "log") as journal:
        journal.append(Reading("R-1", "2026-07-01T10:00", crow_hz=530.0))
        assert journal.settings().time_zone == zone
        assert journal.of_reed("R-1").readings[0].at_s == iso_dates.at_s("2026-07-01T10:00", zone)
        assert damage(journal) == []


def test_a_folder_carries_its_zone_to_a_machine_elsewhere(tmp_path: Path) -> None:
    with machine_in(NEW_YORK), Journal(tmp_path / "a", create=True) as journal:
        journal.append(Reed("R-1", "cane", "B"))
        journal.append(Reading("R-1", "2026-07-01T10:00", crow_hz=530.0))
        journal.append(Trim("R-1", "2026-07-01T14:30Z", length_mm=0.2))
        export_folder(journal, tmp_path / "out")
    with machine_in("Asia/Tokyo"), Journal(tmp_path / "b", create=True) as journal:
        import_folder(journal, tmp_path / "out")
        history = journal.of_reed("R-1")
        # 10:00 in New York is 14:00 UTC, in Tokyo it would be after the cut by thirteen hours the other way.
        assert history.readings[0].at_s == history.trims[0].at_s - 1800.0
        export_folder(journal, tmp_path / "again")
    for path in (tmp_path / "out").iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes()
    assert b"R-1,2026-07-01T10:00," in (tmp_path / "again" / "readings.csv").read_bytes()
    assert b"R-1,2026-07-01T14:30Z," in (tmp_path / "again" / "trims.csv").read_bytes()


def mixed(path: Path) -> None:
    """A log as an earlier program left it on a machine west of Greenwich: no zone, the typed cut before its reading."""
    with machine_in("UTC"), Journal(path, create=True) as journal:
        journal._zone_set = True  # the earlier program knew none
        journal.append(Reed("R-1", "cane", "B"))
        journal.append(Reed("R-2", "cane", "B"))
        journal.append(Reading("R-1", "2026-01-28T10:14:00.000-05:00", crow_hz=530.0))
        journal.append(Trim("R-1", "2026-01-28T10:16", length_mm=0.3))
        journal.append(Reading("R-2", "2026-01-28T10:14", crow_hz=530.0))
        journal.append(Trim("R-2", "2026-01-28T10:16", length_mm=0.3))


def test_a_log_made_before_keeps_its_order_until_somebody_says_otherwise(tmp_path: Path) -> None:
    from trimfit.verbs import check

    mixed(tmp_path / "log")
    with machine_in(NEW_YORK):
        (mark,) = check.check(tmp_path / "log").marks
        assert (mark.reed, mark.kind) == ("R-1", "time-zone")
        assert mark.sentence.endswith(f"trimfit settings time_zone {NEW_YORK}")
        with Journal(tmp_path / "log") as journal:
            journal.append(Reed("R-3", "cane", "B"))
            assert journal.settings().time_zone == "UTC"
            history = journal.of_reed("R-1")
            assert history.trims[0].at_s < history.readings[0].at_s
        assert set_setting(tmp_path / "log", "time_zone", NEW_YORK) == (NEW_YORK, ("R-1",))
        with Journal(tmp_path / "log") as journal:
            history = journal.of_reed("R-1")
            assert history.trims[0].at_s - history.readings[0].at_s == 120.0
            assert damage(journal) == []
            with pytest.raises(Exception, match="never changed"):
                journal._connection.execute("UPDATE readings SET at_s = 0")
        assert not check.check(tmp_path / "log").marks


def test_a_folder_does_not_change_the_order_of_a_logs_entries_by_its_zone(tmp_path: Path) -> None:
    mixed(tmp_path / "log")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "settings.csv").write_text(f"setting,set_at,value\ntime_zone,2026-11-28,{NEW_YORK}\n")
    with Journal(tmp_path / "log") as journal, pytest.raises(InputError) as refused:
        import_folder(journal, tmp_path / "in")
    assert "put the entries of R-1 in another order" in refused.value.lines()[0]


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("14:38", "2026-11-28T14:38-05:00"),
        ("9:05", "2026-11-28T09:05-05:00"),
        ("14:38:20", "2026-11-28T14:38:20-05:00"),
        ("yesterday 9:05", "2026-11-27T09:05-05:00"),
        ("Today, 9:05", "2026-11-28T09:05-05:00"),
        ("2026-07-01 9:05", "2026-07-01T09:05-04:00"),
        ("2026/7/1 9:05", "2026-07-01T09:05-04:00"),
        ("2026.07.01T09:05:10", "2026-07-01T09:05:10-04:00"),
        ("2026-07-01T09:05Z", "2026-07-01T09:05Z"),
        ("2026-07-01", "2026-07-01"),
    ],
)
def test_what_is_typed_is_kept_with_the_machines_offset(typed: str, kept: str) -> None:
    with machine_in(NEW_YORK):
        assert iso_dates.typed_time(typed, "2026-11-28T15:00:00.000-05:00") == kept


@pytest.mark.parametrize("text", ["1/7/2026 9:05", "01.07.2026", "2026-07/01", "26-07-01", "7 Nov", "25:10", "9:5"])
def test_other_forms_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="time"):
        iso_dates.typed_time(text)


def test_years_with_strokes_or_points_are_the_rows_that_the_log_has(tmp_path: Path) -> None:
    heads = "reed,taken_at,crow_hz\n"
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "reeds.csv").write_text("reed,reed_type,batch,made_on\nR-1,cane,B,2026-01-06\n")
    (folder / "readings.csv").write_text(heads + "R-1,2026-03-01T09:05,530\nR-1,2026-03-02,531\n")
    with Journal(tmp_path / "log", create=True) as journal:
        assert import_folder(journal, folder).new == 3
        export_folder(journal, tmp_path / "first")
        (folder / "reeds.csv").write_text("reed,reed_type,batch,made_on\nR-1,cane,B,2026/1/6\n")
        for row in ("2026/03/01 09:05", "2026.3.1 9:05:00", "2026-03-01T09:05:00Z", "2026/03/01T09:05"):
            (folder / "readings.csv").write_text(heads + f"R-1,{row},530\nR-1,2026/03/02,531\n")
            assert import_folder(journal, folder).new == 0
        export_folder(journal, tmp_path / "second")
    for path in (tmp_path / "first").iterdir():
        assert path.read_bytes() == (tmp_path / "second" / path.name).read_bytes()
