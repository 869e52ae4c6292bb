"""The clock at the bench: what is typed is on the machine's clock, wherever the machine stands."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from typer.testing import CliRunner

from tests.cli.typed_words import Typed
from trimfit.base.errors import InputError
from trimfit.base.iso_dates import local_now
from trimfit.base.records import Reed
from trimfit.cli.app import app
from trimfit.cli.output.entry_words import moment_asked
from trimfit.entry.entry_times import entries_of
from trimfit.log.journal import Journal


def trimfit(log: Path, *words: str, zone: str = "America/New_York") -> str:
    """What the command says on a machine of a zone."""
    done = subprocess.run(
        [sys.executable, "-m", "trimfit", "--log", str(log), *words],
        env={**{name: value for name, value in os.environ.items() if name != "TRIMFIT_NOW"}, "TZ": zone},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize("zone", ["America/New_York", "Pacific/Auckland", "EST5EDT,M3.2.0,M11.1.0"])
def test_a_cut_typed_with_the_clock_stands_after_the_reading_before_it(tmp_path: Path, zone: str) -> None:
    log = tmp_path / "log"
    trimfit(log, "log", "reed", "R-1", "--type", "cane", "--batch", "B", zone=zone)
    trimfit(log, "log", "reading", "R-1", "f=757", "e=703", zone=zone)
    here = datetime.now(UTC).astimezone(ZoneInfo(zone) if "," not in zone else ZoneInfo("America/New_York"))
    soon = here + timedelta(minutes=2)
    trimfit(log, "log", "trim", "R-1", "--length", "0.3", "--at", f"{soon:%Y-%m-%dT%H:%M}", zone=zone)
    with Journal(log) as journal:
        history = journal.of_reed("R-1")
    trim = history.trims[0]
    assert history.readings[0].at_s < trim.at_s
    assert trim.record.done_at == soon.isoformat(timespec="minutes")
    # The bench's own clock is the judge: no more than the two minutes, and those typed.
    assert 0 < trim.at_s - datetime.now(UTC).timestamp() < 121


@pytest.fixture
def bench(tmp_path: Path) -> Typed:
    """A log with one reed, on a machine whose clock stands at 14:40."""
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Reed("R-1", "cane", "B"))
    return Typed(tmp_path / "log")


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRIMFIT_NOW", "2026-11-28T14:40:25+00:00")


def order(bench: Typed) -> list[str]:
    with Journal(bench.log) as journal:
        return [one.entry for one in entries_of(journal.of_reed("R-1"))]


def test_a_mistyped_year_is_doubted_and_moves_nothing(bench: Typed) -> None:
    first = bench.json("log", "reading", "R-1", "f=757", "e=703", "--at", "2062-11-28T10:16")
    assert first["doubts"] == [
        {
            "kind": "time-ahead",
            "column": "taken_at",
            "sentence": "2062-11-28 10:16 is over 35 years ahead of now; is the date right?",
        }
    ]
    trim = bench.json("log", "trim", "R-1", "0.3")
    assert (
        trim["note"]
        == "before the reading of 2062-11-28 10:16; to put it elsewhere, strike it and log it with --after ENTRY"
    )
    again = bench.json("log", "reading", "R-1", "f=758", "e=703")
    assert order(bench) == [trim["entry"], again["entry"], first["entry"]]
    with Journal(bench.log) as journal:
        history = journal.of_reed("R-1")
    assert history.trims[0].record.done_at == "2026-11-28T14:40:25.000+00:00"
    assert history.readings[0].record.taken_at == "2026-11-28T14:40:25.001+00:00"
    assert [mark["kind"] for mark in bench.json("check")["marks"]] == ["time-ahead", "no-chanter"]


def test_an_hour_that_is_still_to_come_is_doubted(bench: Typed) -> None:
    """Was said and kept without a mark; a later outcome of now then had no effect, and nothing said why."""
    said = bench.json("log", "outcome", "R-1", "lost", "--at", "15:10")
    assert [(one["kind"], one["column"], one["sentence"]) for one in said["doubts"]] == [
        ("time-ahead", "at", "2026-11-28 15:10 is still to come; is the time right?")
    ]
    assert said["note"] is None
    read = bench.say("log", "reading", "R-1", "f=757", "--at", "15:20")
    assert "doubt: 2026-11-28 15:20 is still to come; is the time right?" in read
    assert "kept and marked; if it is wrong: trimfit log strike rea-" in read
    assert {mark["kind"] for mark in bench.json("check")["marks"]} >= {"time-ahead"}
    # The clocks of two benches may stand minutes apart.
    assert "still to come" not in bench.say("log", "trim", "R-1", "0.3", "--at", "14:45")


def test_a_year_in_a_sheet_that_is_yet_to_come_is_marked(bench: Typed, tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "trims.csv").write_text("reed,done_at,length_mm\nR-1,2062-11-28T10:00,0.2\nR-1,2026-11-29T10:00,0.2\n")
    assert [doubt["kind"] for doubt in bench.json("import", str(folder))["doubts"]] == ["time-ahead"]


def test_a_time_of_minutes_stands_after_what_is_of_that_minute(bench: Typed) -> None:
    reading = bench.json("log", "reading", "R-1", "f=757", "e=703")["entry"]
    trim = bench.json("log", "trim", "R-1", "0.3", "--at", "14:40")
    assert trim["note"] == "after the reading of 14:40; to put it elsewhere, strike it and log it with --after ENTRY"
    second = bench.json("log", "reading", "R-1", "f=759", "e=703", "--at", "14:40")["entry"]
    # What is typed twice is one entry, wherever it was put.
    assert not bench.json("log", "trim", "R-1", "0.3", "--at", "14:40")["new"]
    assert order(bench) == [reading, trim["entry"], second]


def test_a_day_alone_before_others_is_told_too(bench: Typed) -> None:
    bench.say("log", "reading", "R-1", "f=757", "e=703", "--at", "2026-11-22T10:00")
    assert "before the reading of 2026-11-22 10:00; to put it" in bench.say(
        "log", "trim", "R-1", "0.3", "--at", "2026-11-21"
    )
    assert "before" not in bench.say("log", "trim", "R-1", "0.2", "--at", "2026-11-23")


def test_an_entry_before_others_is_told_and_may_be_put_elsewhere(bench: Typed, tmp_path: Path) -> None:
    early = bench.json("log", "reading", "R-1", "f=757", "e=703", "--at", "yesterday 9:05")["entry"]
    late = bench.json("log", "reading", "R-1", "f=759", "e=703", "--at", "14:30")["entry"]
    said = " ".join(bench.say("log", "trim", "R-1", "0.3", "--at", "14:29").split())
    assert "before the reading of 14:30; to put it elsewhere, strike it and log it with --after ENTRY" in said
    bench.say("log", "strike", bench.json("log", "trim", "R-1", "0.3", "--at", "14:29")["entry"])
    trim = bench.json("log", "trim", "R-1", "0.3", "--after", late[:10])
    assert trim["note"] == "after the reading of 14:30"
    bench.say("log", "strike", trim["entry"])
    trim = bench.json("log", "trim", "R-1", "0.3", "--after", early)
    assert trim["note"] == "after the reading of 2026-11-27 09:05 and before the reading of 14:30"
    # Between two entries of neighbouring milliseconds there is room still.
    more = bench.json("log", "trim", "R-1", "0.1", "--after", early)["entry"]
    lost = bench.json("log", "outcome", "R-1", "lost", "--after", late)["entry"]
    assert order(bench) == [early, more, trim["entry"], late, lost]
    bench.say("export", str(tmp_path / "out"))
    other = Typed(tmp_path / "other")
    other.say("import", str(tmp_path / "out"))
    assert order(other) == order(bench)
    third = Typed(tmp_path / "third")
    third.say("merge", str(bench.log))
    assert order(third) == order(bench)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["--after", "rea-nosuch"],
            "--after rea-nosuch: no entry of this reed has this id; see trimfit review reed R-1",
        ),
        (["--at", "2026-13-01"], "--at: '2026-13-01' is an impossible time"),
        (["--after", "rea-nosuch", "--at", "14:00"], "both say when it was done; say --at or --after"),
    ],
)
def test_what_cannot_be_placed_is_refused(bench: Typed, words: list[str], said: str) -> None:
    result = CliRunner().invoke(app, ["log", "trim", "R-1", "0.3", *words], env={"TRIMFIT_LOG": str(bench.log)})
    assert isinstance(result.exception, InputError)
    assert said in result.exception.line()


def test_after_a_struck_entry_says_that_it_was_struck(bench: Typed) -> None:
    wrong = bench.json("log", "reading", "R-1", "f=760", "e=701")["entry"]
    right = bench.json("log", "amend", wrong, "f=761")["entry"]
    said = bench.refused("log", "trim", "R-1", "0.3", "--after", wrong)
    assert said.startswith(f"{wrong}: was struck before (amended")
    assert said.endswith(f"{right} in its place counts")
    bench.say("log", "strike", right, "--why", "wrong chanter")
    said = bench.refused("log", "trim", "R-1", "0.3", "--after", right[:10])
    assert f"{right}: was struck before (wrong chanter)" in said


def test_times_of_another_clock_are_said_with_their_offset(bench: Typed, tmp_path: Path) -> None:
    """Was: 12:00 in UTC stood "before the reading of 10:00", that of the shop's zone."""
    bench.say("settings", "time_zone", "America/New_York")
    (tmp_path / "shop").mkdir()
    (tmp_path / "shop" / "readings.csv").write_text("reed,taken_at,f_hz,e_hz\nR-1,2026-11-28T08:00,757,703\n")
    bench.say("import", str(tmp_path / "shop"))
    note = bench.json("log", "trim", "R-1", "0.3", "--at", "12:00")["note"]
    assert note.startswith("before the reading of 08:00-0500; to put it elsewhere")
    assert bench.json("log", "strike", "--last", "R-1")["note"].startswith(
        "the reading of R-1 of 2026-11-28 08:00-0500: E 703, F 757"
    )
    assert "trim of R-1 of 2026-11-28 12:00: 0.3 mm" in bench.json("log", "strike", "--last", "R-1")["note"]
    (tmp_path / "shop" / "outcomes.csv").write_text("reed,at,outcome\nR-1,2026-11-28T07:00,good\n")
    bench.say("import", str(tmp_path / "shop"))
    (doubt,) = bench.json("log", "trim", "R-1", "0.2", "--at", "12:30")["doubts"]
    assert doubt["sentence"].startswith("R-1 had left the bench good (2026-11-28 07:00-0500); ")


@pytest.mark.parametrize("first", ["reading", "trim", "event"])
def test_after_settles_which_came_first_on_a_day_without_a_time(bench: Typed, tmp_path: Path, first: str) -> None:
    said = {"reading": ["f=760", "e=701"], "trim": ["0.2"], "event": ["soaked"]}
    then = "trim" if first == "reading" else "reading"
    day = bench.json("log", first, "R-1", *said[first], "--at", "2026-11-01")["entry"]
    with pytest.raises(InputError, match=f"instead of --at: trimfit log {then} R-1 … --after {day}"):
        bench.say("log", then, "R-1", *said[then], "--at", "2026-11-01T14:00")
    after = bench.json("log", then, "R-1", *said[then], "--after", day)
    timed, last = order(bench)
    assert last == after["entry"]
    assert timed != day
    assert after["note"].splitlines()[0] == (
        "after the " + {"event": "event 'soaked'"}.get(first, first) + " of 2026-11-01, "
        f"which stands at 00:00 of its day now: {timed}"
    )
    with Journal(bench.log) as journal:
        one, other = entries_of(journal.of_reed("R-1"))
        assert (one.at, other.at) == ("2026-11-01T00:00", "2026-11-01T00:00:00.001+00:00")
    # What goes out comes back: no order in it is unknown.
    bench.say("export", str(tmp_path / "out"))
    Typed(tmp_path / "again").say("import", str(tmp_path / "out"))
    assert "which came first" not in bench.say("check")


def test_after_is_no_way_out_where_more_of_the_day_lies_between(bench: Typed) -> None:
    """Was: the trim went to 00:00, before readings of that morning."""
    bench.say("log", "reading", "R-1", "f=760", "e=701", "--at", "2026-11-01")
    bench.say("log", "reading", "R-1", "f=762", "e=701", "--at", "2026-11-01T01:30")
    for at in ("2026-11-01T14:00", "2026-11-01"):
        said = bench.refused("log", "trim", "R-1", "0.2", "--at", at)
        assert "which came first is not known" in said
        assert "--after" not in said
    assert "--after" in bench.refused("log", "trim", "R-1", "0.2", "--at", "2026-11-01T01:00")


def test_after_leaves_a_day_alone_where_no_order_is_in_doubt(bench: Typed) -> None:
    day = bench.json("log", "reading", "R-1", "f=760", "e=701", "--at", "2026-11-01")["entry"]
    bench.json("log", "reading", "R-1", "f=762", "e=701", "--after", day)
    assert order(bench)[0] == day


def test_a_clock_that_is_none_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRIMFIT_NOW", "bad")
    with pytest.raises(InputError, match="is not a time") as refused:
        local_now()
    assert refused.value.where == "TRIMFIT_NOW"


def test_of_an_hour_that_came_twice_both_offsets_are_said(
    bench: Typed, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    try:
        said = bench.json("log", "reading", "R-1", "f=757", "e=703", "--at", "2026-11-01T01:30")
        assert said["note"].startswith(
            "that hour came twice: taken as 2026-11-01T01:30-05:00, not 2026-11-01T01:30-04:00"
        )
        # Of the two only the first is past yet.
        monkeypatch.setenv("TRIMFIT_NOW", "2026-11-01T01:40-04:00")
        said = bench.json("log", "trim", "R-1", "0.1", "--at", "1:35")
        assert "taken as 2026-11-01T01:35-04:00, not 2026-11-01T01:35-05:00" in said["note"]
        for at in ("2026-11-01T01:37-04:00", "2026-11-01T00:30"):
            assert "came twice" not in (bench.json("log", "trim", "R-1", "0.1", "--at", at)["note"] or "")
        said = bench.json("log", "strike", "--last", "R-1", "--at", "2026-11-01T01:38")
        assert "taken as 2026-11-01T01:38-04:00, not 2026-11-01T01:38-05:00" in said["note"]
        moment_asked("2026-11-01T01:39")
        assert "came twice: taken as 2026-11-01T01:39-04:00, not" in capsys.readouterr().err
        moment_asked("2026-11-01T01:39-04:00")
        moment_asked("2026-11-01")
        assert not capsys.readouterr().err
    finally:
        monkeypatch.undo()
        time.tzset()
