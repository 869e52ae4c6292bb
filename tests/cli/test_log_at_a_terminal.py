"""`log` typed at a terminal asks about what is in doubt, and a script is never asked."""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path

import pexpect
import pytest

from tests.cli.typed_words import run
from trimfit.base.errors import command
from trimfit.base.records import Reading, Reed
from trimfit.cli.output.entry_words import doubt_lines
from trimfit.log.journal import Journal
from trimfit.session.session import Session
from trimfit.verbs.ask import ask_all, ask_reed
from trimfit.verbs.log import log_event, log_reading, log_trim, strike
from trimfit.verbs.predict import predict


@pytest.fixture
def log(tmp_path: Path) -> Path:
    with Journal(tmp_path / "bench.trimfit", create=True) as journal:
        journal.append(Reed("R-1", "moulded", "M-1"))
    return tmp_path / "bench.trimfit"


def typed(log: Path, *words: str, answer: str = "", prompt: str = "y log it as typed, n do not log it: ") -> str:
    child = pexpect.spawn(
        sys.executable,
        ["-m", "trimfit", "--log", str(log), "log", *words],
        env={**os.environ, "TERM": "dumb"},
        encoding="utf-8",
        timeout=60,
        dimensions=(24, 200),
    )
    if answer:
        child.expect_exact(prompt)
        asked = child.before
        for unknown in ("s", "what"):  # is asked again
            child.sendline(unknown)
            child.expect_exact(prompt)
        child.sendline(answer)
    else:
        asked = ""
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    return asked + child.before


def cuts(log: Path) -> list[float | None]:
    with Journal(log) as journal:
        return [one.record.length_mm for one in journal.of_reed("R-1").trims]


def test_a_slip_is_asked_about_and_dropped_or_kept(log: Path) -> None:
    said = typed(log, "trim", "R-1", "--length", "1,2", answer="no")
    assert "? 1.2 mm is longer" in said
    assert "not logged" in said
    assert cuts(log) == []
    assert "kept and marked" in typed(log, "trim", "R-1", "--length", "1,2", answer="y")
    assert cuts(log) == [1.2]


def test_the_long_way_asks_too(log: Path) -> None:
    said = typed(log, "reed", "r1", "--type", "moulded", "--batch", "M-1", answer="no")
    assert "did you mean R-1?" in said
    with Journal(log) as journal:
        assert list(journal.reeds()) == ["R-1"]


def test_json_is_never_asked(log: Path) -> None:
    assert '"trim-long"' in typed(log, "trim", "R-1", "--length", "1.2", "--json")
    assert cuts(log) == [1.2]


def test_a_reading_far_off_is_asked_about_and_the_reed_said_to_have_moved(demo_log: Path, tmp_path: Path) -> None:
    path = tmp_path / "log"
    shutil.copy(demo_log, path)
    with Journal(path) as journal:
        reeds = journal.of_reeds(None, open_only=True)
        whole = {"e", "f", "low_a", "high_a"}
        balanced = [  # of a reed that sat badly it would be asked to seat it afresh
            history
            for history in reeds
            if history.readings
            and whole <= (notes_hz := history.readings[-1].record.notes_hz).keys()
            and abs(notes_hz["high_a"] / 2.0 - notes_hz["low_a"]) < 0.5
        ]
        history = next(one for one in balanced if one.trims and one.readings[-1].at_s > one.trims[-1].at_s)
        last = history.readings[-1].record
    off = {
        note: 2.0 ** (cents / 1200.0) for note, cents in (("e", -20.0), ("f", 20.0), ("low_a", 0.0), ("high_a", 0.0))
    }
    words = [f"{note}={last.notes_hz[note] * factor:.1f}" for note, factor in off.items()]
    call = ["reading", last.reed, *words]
    prompt = "r strike it, m it has moved, y keep it marked: "
    said = typed(path, *call, answer="r", prompt=prompt)
    assert "cents over what was predicted against E: misread, or has the reed moved?" in said
    assert said.index("reading of ") < said.index("misread, or")
    assert "struck; type it again as it should be" in said
    with Journal(path) as journal:
        assert len(journal.of_reed(last.reed).readings) == len(history.readings)
        assert journal.count("strike") == 1
    with Session(path) as session:  # a script is asked nothing, and presses no key
        kept = log_reading(session, last.reed, words)
        lines = doubt_lines(kept)
        assert not any("?" in line or "(r)" in line for line in lines)
        assert command("log", "amend", kept.entry) in " ".join(lines)
        moved = next(line for line in lines if "log event" in line).partition("trimfit ")[2].split()
        log_event(session, moved[2], moved[3:4], after=moved[5])
        story = session.journal.of_reed(last.reed)
        assert story.events[-1].record.event == "moved"
        assert history.readings[-1].at_s < story.events[-1].at_s < story.readings[-1].at_s
        strike(session, story.events[-1].entry)
        strike(session, kept.entry)
    typed(path, *call, answer="m", prompt=prompt)
    with Journal(path) as journal:
        now = journal.of_reed(last.reed)
    assert len(now.readings) == len(history.readings) + 1
    assert [one.record.event for one in now.events] == ["moved"]
    assert (now.readings[-1].doubts, now.readings[-1].at_s) == ((), now.events[-1].at_s)


def test_a_reading_in_doubt_by_itself_is_asked_about_before_it_is_logged(log: Path) -> None:
    call = ["reading", "R-1", "a=470", "A=945", "f=770"]
    assert "not logged" in typed(log, *call, answer="no")
    with Journal(log) as journal:
        assert (journal.count("reading"), journal.count("strike")) == (0, 0)
    assert "kept and marked" in typed(log, *call, answer="y")


@pytest.fixture
def asked(demo_log: Path, tmp_path: Path) -> tuple[Path, str, str]:
    """The learned demo shop, a reed that wants a last small cut, and what is to come off it. Its gap is within what an
    outcome alone is not doubted for: it was cut to 6 cents under, and read as that was predicted."""
    log = Path(shutil.copy(demo_log, tmp_path / "demo.trimfit"))
    with Session(log) as session:
        advice = next(one for one in ask_all(session) if one.action == "trim" and one.gap_read)
        gap, need = advice.gap_now_cents, advice.need_mm
        assert gap is not None
        assert need is not None
        taken_mm = need.mean * (1.0 + 6.0 / gap.mean)
        log_trim(session, advice.reed, length=f"{taken_mm:.2f}", at="2026-09-18T16:30")
        (found,) = predict(session, [(advice.reed, 0.0, 0.0)])
        words = [f"{note}={found.notes_hz[note].mean:.1f}" for note in ("f", "e")]
        for minute in (40, 43):
            log_reading(session, advice.reed, words, at=f"2026-09-18T16:{minute}")
        advice = ask_reed(session, advice.reed)
    assert advice.action == "trim"
    return log, advice.reed, f"by the advice {advice.length_mm:.2f} mm had still to come off"


def test_work_that_is_left_on_a_reed_called_good_is_doubtful_as_in_a_sitting(asked: tuple[Path, str, str]) -> None:
    log, reed, left = asked
    said = typed(log, "outcome", reed, "good", answer="n", prompt="y keep it as typed, n strike it: ")
    assert f"? {left}" in " ".join(said.split())
    assert "struck; type it again" in said
    with Journal(log) as journal:
        assert journal.of_reed(reed).outcome is None
    said = typed(log, "outcome", reed, "good", answer="y", prompt="y keep it as typed, n strike it: ")
    assert "kept and marked" in said
    with Journal(log) as journal:
        assert journal.of_reed(reed).outcome is not None
        assert any(doubt.startswith("good-unfinished:") for _, doubt in journal.accepted_doubts())


def test_a_script_that_calls_a_reed_good_is_answered_and_told(asked: tuple[Path, str, str]) -> None:
    log, reed, left = asked
    done = run(log, "log", "outcome", reed, "good", "--json")
    assert done.returncode == 0
    answer = json.loads(done.stdout)
    assert (answer["new"], answer["doubt"]) == (True, left)
    assert [doubt["kind"] for doubt in answer["doubts"]] == ["good-unfinished"]
    again = run(log, "log", "outcome", reed, "good")
    assert (again.returncode, "already" in again.stdout) == (0, True)
    assert "doubt" not in run(log, "log", "outcome", reed, "to-stock").stdout


def test_nothing_is_fitted_or_solved_to_tell_whether_work_was_left(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading of F and E that agree, nothing learned, no plan worked out: the outcome is logged, and no more said."""
    monkeypatch.setattr("trimfit.session.policies.Policies._solve", None)
    monkeypatch.setattr("trimfit.session.session.Session.fit_if_due", None)
    with Journal(log) as journal:
        journal.append(Reading("R-1", "2026-03-01T10:00", None, None, {"f": 783.3, "e": 705.0}))
    done = run(log, "log", "outcome", "R-1", "good", "--at", "2026-03-01T10:05")
    assert done.returncode == 0, done.stderr
    assert "outcome of R-1" in done.stdout
    assert "doubt" not in done.stdout
