"""Settings that two benches have different, and values in a log that nobody can have typed."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from tests.opened import on
from trimfit.base.errors import LogError
from trimfit.base.records import Chanter, Order, Reading, Reed, Settings
from trimfit.cli.app import app
from trimfit.log import settings as log_settings
from trimfit.log.column_values import number_text
from trimfit.log.entry_counts import Counts
from trimfit.log.entry_kinds import KINDS
from trimfit.log.entry_rows import entry_id, insert_sql, stored
from trimfit.log.file.integrity import damage
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.verbs import check
from trimfit.verbs import settings as verbs_settings
from trimfit.verbs.ask import ask_reed
from trimfit.verbs.log import log_reading, strike

NUMBERS = [field.name for field in dataclasses.fields(Settings) if field.type == "float"]


def bench(path: Path, **values: str) -> Path:
    with Journal(path, create=True) as journal:
        journal.append(Chanter("CH-1"))
        journal.append(Order("O-1", "CH-1"))
        journal.append(Reed("R-1", "moulded", "B-1", blade_mm=23.0, order="O-1"))
        for name, value in values.items():
            journal.set_setting(name, value)
    return path


def merged(path: Path, other: Path) -> Counts:
    with Journal(path, create=True) as journal:
        counts = merge_logs(journal, other)
        assert damage(journal) == []
    return counts


def in_force(path: Path) -> Settings:
    with Journal(path) as journal:
        return journal.settings()


def doctored(path: Path, kind_name: str, values: Sequence[Any]) -> str:
    """Put a row into a log behind the program's back, with the id that its content has; the id."""
    kind = KINDS[kind_name]
    entry = entry_id(kind, values)
    with Journal(path) as journal, journal.writing() as connection:
        connection.execute(insert_sql(kind), stored(kind, values, journal.last_seq() + 1, entry, 0, "UTC"))
    return entry


def test_this_benches_settings_stand_until_somebody_settles_them(tmp_path: Path) -> None:
    ours = bench(tmp_path / "ours", minutes_per_cut="4")
    theirs = bench(tmp_path / "theirs", tolerance_hz="8", chance_past_ceiling="0.5", minutes_per_cut="4")
    before = in_force(ours)
    for _ in range(2):  # at every merge, until it is settled
        counts = merged(ours, theirs)
        assert in_force(ours) == before
        assert counts.refused == 2
        assert counts.settings == (
            log_settings.Apart("tolerance_hz", "1", "8"),
            log_settings.Apart("chance_past_ceiling", "0.01", "0.5"),
        )
    with Journal(ours) as journal:
        journal.set_setting("tolerance_hz", "8")
    with Journal(theirs) as journal:
        journal.set_setting("chance_past_ceiling", "0.01")
    counts = merged(ours, theirs)
    assert (counts.refused, counts.settings) == (0, ())
    assert in_force(ours) == in_force(theirs) == dataclasses.replace(before, tolerance_hz=8.0)


def test_a_strike_at_another_bench_takes_no_setting_back_here(tmp_path: Path) -> None:
    ours = bench(tmp_path / "ours")
    with Journal(ours) as journal:
        entry = journal.set_setting("tolerance_hz", "0.5")
    theirs = tmp_path / "theirs"
    merged(theirs, ours)
    on(theirs, strike, entry)
    assert in_force(theirs).tolerance_hz == 1.0
    counts = merged(ours, theirs)
    assert in_force(ours).tolerance_hz == 0.5
    assert counts.settings == (log_settings.Apart("tolerance_hz", "0.5", "1"),)


def test_a_log_that_holds_nothing_takes_the_settings_of_the_shop(tmp_path: Path) -> None:
    theirs = bench(tmp_path / "theirs", tolerance_hz="0.5")
    assert merged(tmp_path / "new", theirs).settings == ()
    assert in_force(tmp_path / "new").tolerance_hz == 0.5


@settings(max_examples=8, deadline=None)
@given(st.data())
def test_whatever_is_merged_this_benches_settings_stand(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("benches")
    names = ("tolerance_hz", "minutes_per_cut", "least_blade_mm")
    chosen = st.lists(st.tuples(st.sampled_from(names), st.sampled_from(["2", "3"])), max_size=4)
    logs = []
    for name in ("one", "two", "three"):
        logs.append(bench(folder / name))
        with Journal(logs[-1]) as journal:
            for setting, value in data.draw(chosen):
                journal.set_setting(setting, value)
    for _ in range(4):
        ours, theirs = data.draw(st.permutations(logs))[:2]
        before, there = in_force(ours), in_force(theirs)
        counts = merged(ours, theirs)
        assert in_force(ours) == before
        assert in_force(theirs) == there
        assert {one.setting for one in counts.settings} == {
            name for name in names if getattr(before, name) != getattr(there, name)
        }


DOCTORED = {
    "a word for a number": ("setting", ("tolerance_hz", "2026-03-01T10:00", "abc")),
    "a ceiling of one": ("setting", ("chance_past_ceiling", "2026-03-01T10:00", "1")),
    "no number": ("setting", ("cut_error_mm", "2026-03-01T10:00", "nan")),
    "a number without end": ("setting", ("minutes_per_cut", "2026-03-01T10:00", "1e999")),
    "a ratio that is none": ("setting", ("ratio_d", "2026-03-01T10:00", "0/0")),
    "a step of nothing": ("setting", ("tool_step_mm", "2026-03-01T10:00", "0")),
    "a drift of nothing": ("setting", ("drift_start_cents", "2026-03-01T10:00", "0")),
    "a value that is a book": ("setting", ("tolerance_hz", "2026-03-01T10:00", "1" * 200_000)),
    "made once": ("reed", ("R-2", "moulded", "B-1", "once", 23.0, None, None)),
    "due never": ("order", ("O-2", "CH-1", None, None, None, None, "never")),
    "a blade of nothing": ("reed", ("R-2", "moulded", "B-1", None, 0.0, None, None)),
}


@pytest.mark.parametrize(("kind", "values"), DOCTORED.values(), ids=DOCTORED)
def test_a_value_that_cannot_be_is_refused_named_and_struck(
    tmp_path: Path, kind: str, values: tuple[str | float | None, ...]
) -> None:
    path = bench(tmp_path / "log")
    columns = KINDS[kind].names
    entry = doctored(path, kind, [*values, *[None] * (len(columns) - len(values))])
    whole = bench(tmp_path / "whole")
    with Journal(whole) as journal, pytest.raises(LogError, match=entry):
        merge_logs(journal, path)
    # No verb fails for it, and check says which entry it is.
    assert verbs_settings.settings(path)["tolerance_hz"] == "1"
    on(path, log_reading, "R-1", ["a=470", "A=940", "f=770", "e=700"])
    if values[-1] in ("abc", None):  # the slowest of the verbs, for one setting and the words that are no dates
        assert on(path, ask_reed, "R-1").reed == "R-1"
    assert any(mark.entry == entry and mark.kind == "value-bad" for mark in check.check(path).marks)
    on(path, strike, entry)
    assert not any(mark.kind == "value-bad" for mark in check.check(path).marks)
    assert merged(whole, path).new > 0


def test_a_setting_that_cannot_be_gives_way_to_one_that_is_set_anew(tmp_path: Path) -> None:
    path = bench(tmp_path / "log", tolerance_hz="0.5")
    doctored(path, "setting", ("tolerance_hz", "2100-01-01T10:00", "abc"))
    assert in_force(path).tolerance_hz == 0.5
    assert verbs_settings.set_setting(path, "tolerance_hz", "0.7") == ("0.7", ())


ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n)"


def test_a_view_without_end_in_the_place_of_a_table_is_refused_unread(tmp_path: Path) -> None:
    path, whole = bench(tmp_path / "log"), bench(tmp_path / "whole")
    connection = sqlite3.connect(path)
    connection.execute("DROP TABLE marks")
    connection.execute(f"CREATE VIEW marks AS {ENDLESS} SELECT i AS seq, 'mar-' || i AS entry, 0 AS generation, "
                       "'x' AS marked, 'y' AS doubt FROM n")  # fmt: skip
    connection.commit()
    connection.close()
    with Journal(whole) as journal, pytest.raises(LogError, match="marks are no table"):
        merge_logs(journal, path)
    with Journal(path) as journal:
        assert damage(journal) == ["the file: its marks are no table that trimfit made"]


@given(st.sampled_from(NUMBERS), st.floats(allow_nan=True) | st.floats(-1.0, 2.0))
def test_a_stored_number_counts_if_and_only_if_it_can_be_typed(name: str, value: float) -> None:
    low, high = log_settings.limits_of(name)
    text = number_text(value) if abs(value) < 1e300 else repr(value)
    taken = getattr(log_settings.settings_from({name: text}), name)
    assert taken == (value if low <= value <= high else getattr(Settings(), name))


def test_readings_that_are_sound_are_not_called_bad(tmp_path: Path) -> None:
    path = bench(tmp_path / "log")
    with Journal(path) as journal:
        journal.append(Reading("R-1", "2026-03-01", "CH-1", 530.0, {"f": 780.0, "high_a": 940.0}, taped=("f",)))
    assert check.check(path).marks == ()


def test_the_answers_name_the_settings_in_words_and_under_json(tmp_path: Path) -> None:
    def said(log: Path, *words: object) -> str:
        result = CliRunner().invoke(app, ["--log", str(log), *map(str, words)])
        assert result.exit_code == 0, result.exception
        return result.stdout

    ours, theirs = bench(tmp_path / "ours"), bench(tmp_path / "theirs", tolerance_hz="8")
    answer = json.loads(said(ours, "merge", theirs, "--json"))
    assert answer["settings_differ"] == [{"setting": "tolerance_hz", "here": "1", "there": "8"}]
    assert answer["refused"] == 1
    words = said(ours, "merge", theirs)
    assert "tolerance_hz is 1 here and 8 in theirs: 1 stands" in words
    assert f"{ours} settings tolerance_hz 8" in words

    said(theirs, "export", tmp_path / "csv")
    answer = json.loads(said(ours, "import", tmp_path / "csv", "--json"))
    assert answer["settings_changed"] == [{"setting": "tolerance_hz", "now": "8", "was": "1"}]
    assert json.loads(said(ours, "import", tmp_path / "csv", "--json"))["settings_changed"] == []
    assert json.loads(said(tmp_path / "new", "import", tmp_path / "csv", "--json"))["settings_changed"] == []
    assert "settings_differ" in json.loads(said(ours, "merge", theirs, "--json"))
