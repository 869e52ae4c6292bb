"""The Python face: light to import, frames in and out, the same answers as the command line."""

from __future__ import annotations

import dataclasses
import json
import runpy
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import trimfit
from tests.cli.typed_words import run
from tests.opened import lose_most_blanks
from trimfit.base.answers import Advice, PredictedReading
from trimfit.base.errors import InputError, LogError
from trimfit.base.pitch import NOTES
from trimfit.base.units import Interval
from trimfit.log.journal import Journal
from trimfit.python_api import frame_of_answers
from trimfit.review.results import BatchDrift
from trimfit.verbs.pick import Pick

UNITS = ("_hz", "_cents", "_mm", "_kpa", "_c", "_pct", "_week", "_day", "minutes")
"""What the name of a number ends with that is neither a count nor a chance."""
EXAMPLE = Path(__file__).parents[1] / "datasets_demo" / "example_session.py"


@pytest.fixture
def log(demo_log: Path, tmp_path: Path) -> trimfit.OpenLog:
    """A copy of the demo shop's learned log, to be written to."""
    return trimfit.open_log(shutil.copy(demo_log, tmp_path / "copy.trimfit"))


def test_importing_trimfit_loads_no_room_and_no_library() -> None:
    code = (
        "import sys; before = set(sys.modules); import trimfit; dir(trimfit);"
        "print(sorted(m for m in set(sys.modules) - before if m.startswith('trimfit') or m.split('.')[0] in"
        " {'numpy', 'pandas', 'typer', 'sqlite3', 'sklearn', 'matplotlib'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['trimfit']"


def test_every_public_name_loads_and_no_other() -> None:
    assert set(trimfit.__all__) <= set(dir(trimfit))
    for name in trimfit.__all__:
        assert getattr(trimfit, name).__name__ == name
    with pytest.raises(AttributeError, match="no attribute 'ask'"):
        trimfit.ask  # noqa: B018


def test_opening(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="give the path of a log, or create=True to make one"):
        trimfit.open_log(tmp_path / "none.trimfit")
    made = trimfit.open_log(tmp_path / "new.trimfit", create=True)
    assert len(made.frame()) == 0
    assert trimfit.open_log(made.path).path == made.path
    (tmp_path / "text.trimfit").write_text("no log")
    with pytest.raises(LogError) as refused:
        trimfit.open_log(tmp_path / "text.trimfit", create=True)
    with pytest.raises(InputError) as no_time:
        made.ask("R-1", at="soon")
    assert no_time.value.where == "at"
    assert "--" not in refused.value.line() + no_time.value.line()


def test_frames_of_a_new_shop_go_in_whole_or_not_at_all(tmp_path: Path) -> None:
    log = trimfit.open_log(tmp_path / "new.trimfit", create=True)
    reeds = pd.DataFrame({"reed": ["a", "b"], "reed_type": "t", "batch": "1"})
    day = pd.Timestamp("2026-03-01 10:00")
    readings = pd.DataFrame(
        {"reed": ["a", "b"], "taken_at": [day, day], "f_hz": [770.0, 772.5], "e_hz": [712.0, 711.0]}
    )
    with pytest.raises(InputError):
        log.add(reeds=reeds.head(1), readings=readings)
    assert len(log.frame()) == 0
    assert log.add(reeds=reeds, readings=readings).new == 4
    assert log.add(reeds=reeds, readings=readings).known == 4
    numbers = log.frame().select_dtypes("number").columns
    assert [name for name in numbers if not name.endswith(UNITS)] == [
        "lip_strokes",
        "work_count",
        "work_fading",
        "events_met",
        "seq",
    ]
    found = log.frame().set_index("reed")
    as_low_a = {"f": 772.5 / (5 / 3), "e": 711.0 / 1.5}
    for note, hz in as_low_a.items():
        assert found.loc["b", f"{note}_cents"] == pytest.approx(1200 * np.log2(hz / 440))
    with pytest.raises(InputError, match=r"'reading' is no table of a log.*did you mean readings"):
        log.add(reading=readings)


def test_answers_are_those_of_the_command_line(log: trimfit.OpenLog) -> None:
    def said(*words: str) -> list[dict[str, object]]:
        answer = json.loads(run(log.path, *words, "--json").stdout)
        return answer if isinstance(answer, list) else [answer]

    work = log.work()
    listed = said("ask", "--all")
    assert work["reed"].tolist() == [row["reed"] for row in listed]
    assert work["action"].tolist() == [row["action"] for row in listed]
    np.testing.assert_allclose(work["low_gap_now_cents"], [row["gap_now_cents"]["low"] for row in listed], atol=1e-5)
    reed = listed[5]["reed"]
    assert log.ask(str(reed)).length_mm == listed[5]["length_mm"]
    plan = pd.DataFrame({"reed": [reed, reed], "length_mm": [0.1, None]}, index=["cut", "as it is"])
    predicted = log.predict(plan)
    assert predicted.index.tolist() == ["cut", "as it is"]
    (row,) = said("predict", str(reed), "--length", "0.1")
    assert predicted.loc["cut", "high_f_hz"] == pytest.approx(row["f_hz"]["high"], abs=1e-5)
    assert predicted.loc["cut", "gap_cents"] > predicted.loc["as it is", "gap_cents"]
    with pytest.raises(InputError, match="has not the columns reed"):
        log.predict(plan.rename(columns={"reed": "name"}))
    with pytest.raises(InputError, match="250 is out of bounds"):
        log.predict(plan.assign(lip_strokes=250))
    drifted = log.batches().query("drifted")["batch"].tolist()
    assert sorted(drifted) == ["B-12", "B-17"]


def test_a_folder_goes_out_and_in_again(log: trimfit.OpenLog, tmp_path: Path) -> None:
    log.export_folder(tmp_path / "out")
    again = trimfit.open_log(tmp_path / "again.trimfit", create=True)
    again.import_folder(tmp_path / "out")
    pd.testing.assert_frame_equal(
        again.frame().drop(columns="seq").sort_values("entry", ignore_index=True),
        log.frame().drop(columns="seq").sort_values("entry", ignore_index=True),
    )


def test_blanks_for_an_order_and_what_its_run_gives(log: trimfit.OpenLog) -> None:
    with Journal(log.path) as journal:
        lose_most_blanks(journal)
    blanks = log.pick("O-12")
    assert list(blanks.columns)[:6] == ["reed", "length_mm", "trims", "chance_good", "crow_hz", "why"]
    given = log.rehearse("O-12")
    assert given == log.rehearse("O-12")
    assert 0.5 < given.good <= 1.0
    assert given != log.rehearse("O-12", at="2027-03-01")
    dealt = log.allot("O-12")
    assert {one.order for one in dealt.allotted} == {"O-12"}
    assert dealt != log.allot("O-12", at="2025-06-01")


@pytest.mark.parametrize("answer", [Advice, PredictedReading, Pick, BatchDrift])
def test_each_number_of_an_answer_has_its_unit_in_its_name(answer: type) -> None:
    numbers = [
        one.name for one in dataclasses.fields(answer) if "float" in str(one.type) or "Interval" in str(one.type)
    ]
    assert len(numbers) > 3
    assert [name for name in numbers if not name.endswith(UNITS) and not name.startswith(("chance_", "trims"))] == []


def test_notes_and_intervals_become_columns() -> None:
    span = Interval(2.0, 1.0, 3.0)
    (row,) = frame_of_answers([PredictedReading("a", span, span, {"low_g": span}, "CH-1", 6.0, 20.0)]).to_dict(
        "records"
    )
    assert row == {
        "reed": "a",
        **{f"{end}{name}": value for name in ("gap_cents", "crow_hz", "low_g_hz")
           for end, value in (("", 2.0), ("low_", 1.0), ("high_", 3.0))},
        "chanter": "CH-1", "pressure_kpa": 6.0, "temperature_c": 20.0, "why": "",
    }  # fmt: skip


def test_the_example_session_runs(
    demo_log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", [str(EXAMPLE), shutil.copy(demo_log, tmp_path / "copy.trimfit")])
    runpy.run_path(str(EXAMPLE))
    said = capsys.readouterr().out
    assert said.startswith("0 entries new, 3,529 known")
    assert "1 new; now " in said
    assert "B-17" in said
    assert "B-12" in said


def test_a_column_of_midnights_is_of_dates_and_fractions_of_a_second_stay(tmp_path: Path) -> None:
    log = trimfit.open_log(tmp_path / "new.trimfit", create=True)
    made = [pd.Timestamp("2026-02-01"), pd.NaT]
    reeds = pd.DataFrame({"reed": ["a", "b"], "reed_type": "t", "batch": "1", "made_on": made})
    days = [pd.Timestamp("2026-03-01"), pd.Timestamp("2026-03-02")]
    times = [pd.Timestamp("2026-03-04T10:00:00.25"), pd.Timestamp("2026-03-05")]
    readings = pd.DataFrame({"reed": ["a", "b"], "taken_at": days, "f_hz": 770.0, "e_hz": 712.0})
    trims = pd.DataFrame({"reed": ["a", "b"], "done_at": times, "length_mm": 0.1})
    log.add(reeds=reeds, readings=readings, trims=trims)
    log.export_folder(tmp_path / "out")
    assert pd.read_csv(tmp_path / "out" / "reeds.csv")["made_on"].dropna().tolist() == ["2026-02-01"]
    assert pd.read_csv(tmp_path / "out" / "readings.csv")["taken_at"].tolist() == ["2026-03-01", "2026-03-02"]
    done_at = pd.read_csv(tmp_path / "out" / "trims.csv")["done_at"].tolist()
    assert done_at == ["2026-03-04T10:00:00.250000", "2026-03-05T00:00:00"]


def test_what_is_refused_says_every_fault_and_no_file_of_ours(tmp_path: Path) -> None:
    log = trimfit.open_log(tmp_path / "new.trimfit", create=True)
    reeds = pd.DataFrame({"reed": ["a", "b"], "reed_type": ["t", None], "batch": [None, "1"]})
    with pytest.raises(InputError) as refused:
        log.add(reeds=reeds)
    assert str(refused.value).splitlines() == ["add: the frames were not taken in", *refused.value.lines()]
    assert [line[:12] for line in refused.value.lines()] == ["reeds row 0:", "reeds row 1:"]
    with pytest.raises(InputError, match="no table is given"):
        log.add()
    for plan, said in (
        ({"reed": ["a", None], "length_mm": 0.1}, "row 1: names no reed"),
        ({"reed": ["a"], "lenght_mm": 0.1}, "did you mean length_mm"),
        ({"reed": ["a"], "length_mm": 0.1, "lip_stroke": 1}, "did you mean lip_strokes"),
        ({"reed": ["a"]}, "has not the columns"),
        ({"reed": ["a"], "length_mm": "a bit"}, "row 0: length_mm: 'a bit' is no number"),
    ):
        with pytest.raises(InputError, match=said):
            log.predict(pd.DataFrame(plan))


def test_faults_name_the_table_and_the_index_of_the_row(tmp_path: Path) -> None:
    log = trimfit.open_log(tmp_path / "new.trimfit", create=True)
    trims = pd.DataFrame(
        {"reed": "a", "done_at": "2026-03-01T10:00", "length_mm": 0.1, "remark": "two\nlines"}, ["x", "y"]
    )
    for tables, said in (
        (
            {"trims": trims.assign(length_mm="0,1")},
            "trims row x: length_mm: '0,1' is not a number; write a decimal point",
        ),
        ({"trims": trims}, "trims row y: reed: the same reed and done_at as trims row x; take"),
        (
            {"trims": trims.rename(columns={"length_mm": "f_hz"})},
            "trims: f_hz: is no column of this table; it belongs in r",
        ),
    ):
        tables["reeds"] = pd.DataFrame({"reed": ["a"], "reed_type": "t", "batch": "1"})
        with pytest.raises(InputError) as refused:
            log.add(**tables)
        assert said in str(refused.value)
        assert ".csv" not in str(refused.value)


@pytest.mark.parametrize("wrong", [5, {"reed": ["a"], "length_mm": [0.1]}, None])
def test_what_is_no_name_and_no_frame_is_refused_in_words(tmp_path: Path, wrong: Any) -> None:
    log = trimfit.open_log(tmp_path / "new.trimfit", create=True)
    for call in (log.ask, log.pick, log.rehearse, log.predict, lambda it: log.add(reeds=it)):
        with pytest.raises(InputError, match=r"is no (text|frame); give"):
            call(wrong)
    with pytest.raises(InputError, match="at: 5 is no text"):
        log.work(at=5)  # type: ignore[arg-type]


def test_no_answers_have_the_columns_of_answers(log: trimfit.OpenLog, tmp_path: Path) -> None:
    new = trimfit.open_log(tmp_path / "new.trimfit", create=True)
    assert new.work().columns.tolist() == log.work().columns.tolist()
    assert new.batches().columns.tolist() == log.batches().columns.tolist()
    span = Interval(2.0, 1.0, 3.0)
    one = PredictedReading("a", span, span, dict.fromkeys(NOTES, span), "CH-1", 6.0, 20.0)
    assert frame_of_answers([], PredictedReading).columns.tolist() == frame_of_answers([one]).columns.tolist()
