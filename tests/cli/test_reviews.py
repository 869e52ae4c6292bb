"""review and report as commands, on the demo shop: answers, JSON keys, exit codes, files."""

from __future__ import annotations

import json
import re
import shutil
import time
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.typed_words import Typed, run
from tests.opened import bench_on
from trimfit.base.iso_dates import local_minute, local_minutes, own_minute
from trimfit.base.pitch import OUTPUTS, cents_from_440, hz_from_cents
from trimfit.base.records import Chanter, Event, Order, Outcome, Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.review.results import Ticket
from trimfit.review.ticket import how_to_check
from trimfit.verbs.ask import advise
from trimfit.verbs.reviews.ticket import ticket_of

BATCH_KEYS = [
    "batch",
    "reed_type",
    "reeds",
    "start_shift_cents",
    "response_shift_pct",
    "settle_cents_per_week",
    "chance_drifted",
    "drifted",
    "why",
]


def answer(log: Path, *words: str | Path) -> object:
    """The JSON of a command that must succeed, with nothing else said."""
    done = run(log, *words, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    return json.loads(done.stdout)


def test_batches_of_the_demo_name_the_two_that_were_made_to_be_off(demo_log: Path) -> None:
    found = answer(demo_log, "review", "batches")
    assert isinstance(found, list)
    assert len(found) == 24
    assert [list(one)[:9] for one in found] == [BATCH_KEYS] * 24
    assert {one["batch"] for one in found[:2]} == {"B-12", "B-17"}
    assert [one["drifted"] for one in found] == [True, True, *[False] * 22]
    assert [one["chance_drifted"] for one in found] == sorted((one["chance_drifted"] for one in found), reverse=True)
    by_name = {one["batch"]: one for one in found}
    start, slope = by_name["B-17"]["start_shift_cents"], by_name["B-12"]["response_shift_pct"]
    assert start["low"] < 40.0 < start["high"]  # made to start 40 cents sharp
    assert 15.0 < slope["low"] < 40.0 < slope["high"]  # made to answer a cut 40 % more; the shop cares about 15
    assert by_name["B-17"]["why"].startswith("starts 4")
    assert "cents sharp of its type; by its gap and answer, expect 0." in by_name["B-17"]["why"]
    cane = [one["settle_cents_per_week"]["mean"] for one in found if one["reed_type"] == "broad cane"]
    hard = [one["settle_cents_per_week"]["mean"] for one in found if one["reed_type"] == "hard moulded"]
    assert sum(cane) / len(cane) > sum(hard) / len(hard) + 0.5  # the cane settles most
    assert max(hard) < 1.0
    assert not any(one["ended_short"] for one in found)
    assert sum(one["ended_past"] for one in found) == 6  # all that were lost
    said = run(demo_log, "review", "batches").stdout
    assert said.splitlines()[0].split()[:3] == ["batch", "type", "reeds"]
    assert max(map(len, said.splitlines())) <= 80
    for line in said.splitlines()[1:25]:  # the week of the table is what is off the type's, on the page and in the JSON
        batch, week = line.split()[0], re.split(r"  +", line)[5]
        assert abs(float(week) - by_name[batch]["settle_shift_cents_per_week"]["mean"]) <= 0.051


def test_a_reed_called_good_is_short_only_in_the_chanter_it_was_for(tmp_path: Path, demo_log: Path) -> None:
    """R-0022 met in its order's chanter and was then tried in a spare one, where it is short."""
    log = tmp_path / "log"
    shutil.copy(demo_log, log)

    def short(gap_cents: float, chanter: str, minute: int) -> int:
        f_hz = round(700.0 * (10.0 / 9.0) * 2.0 ** (gap_cents / 1200.0), 2)
        with Journal(log) as journal:
            journal.append(Reading("R-0022", f"2025-02-20T17:{minute}", chanter, None, {"f": f_hz, "e": 700.0}))
        found = answer(log, "review", "batches")
        return next(one["ended_short"] for one in found if one["batch"] == "B-02")  # type: ignore[union-attr]

    assert short(-20.0, "CH-18 spare", 30) == 0
    assert short(-20.0, "CH-07 plain", 31) == 1


def test_chanters_of_the_demo(demo_log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = answer(demo_log, "review", "chanters")
    assert isinstance(found, list)
    by_name = {one["chanter"]: one for one in found}
    assert len(by_name) == 5
    flat, sharp = by_name["CH-03 old flat"], by_name["CH-11 sharp solo"]
    assert flat["meeting_pitch_hz"]["high"] < 468.0 < 476.0 < sharp["meeting_pitch_hz"]["low"]

    def crow(one: dict[str, object]) -> float:
        asked = one["crow_asked"]
        assert isinstance(asked, list)
        return float(next(ask["crow_hz"]["mean"] for ask in asked if ask["reed_type"] == "hard moulded"))

    assert crow(flat) > crow(sharp) + 10.0  # the flat chanter asks for a sharper reed
    assert by_name["CH-07 plain"]["g_octave"]["agrees"] is True
    assert all(one["suits"] for one in found)
    for one in found:
        notes = one["notes"]
        assert isinstance(notes, list)
        assert [set(note) for note in notes] == [{"note", "offset_cents", "unusual_cents", "unusual"}] * 9
        by_note = {note["note"]: note["offset_cents"] for note in notes}
        assert abs(by_note["f"]["mean"]) + abs(by_note["e"]["mean"]) < 1e-6  # both are the meeting pitch, by its name
        assert by_note["low_a"]["low"] < by_note["low_a"]["mean"] < by_note["low_a"]["high"]
        assert one["kind"] is None
    sheet = run(demo_log, "review", "chanters", "CH-07 plain").stdout
    assert "cents from the meeting pitch" in sheet
    assert sheet.rstrip().endswith("In cents; + is sharp.")
    assert "CH-11" not in sheet
    unknown = run(demo_log, "review", "chanters", "CH-7 plain")
    assert (unknown.returncode, unknown.stdout) == (2, "")
    assert "knows no chanter 'CH-7 plain'; did you mean CH-07 plain?" in unknown.stderr
    monkeypatch.setattr("trimfit.verbs.reviews.chanters.MOST_WITH_STOCK", 1)  # the stock of each was asked after above
    said = run(demo_log, "review", "chanters").stdout
    assert "the evidence agrees:" in said
    assert " Hz (6.0 kPa, 19.3 °C); " in said


def test_a_chanter_read_twice_has_a_wide_answer(tmp_path: Path, small_log: Path) -> None:
    log = tmp_path / "log"
    shutil.copy(small_log, log)
    with Journal(log) as journal:
        journal.append(Chanter("CH-once"))
        journal.append(Reed("R-few", "soft moulded", "B-new"))
        for minute in (0, 5):
            notes = {"e": 704.0, "f": 781.6, "low_a": 469.2, "high_a": 938.5}
            journal.append(Reading("R-few", f"2026-09-20T10:0{minute}", "CH-once", 540.0, notes))
    found = answer(log, "review", "chanters", "CH-once")
    assert isinstance(found, list)
    (one,) = found
    width = one["meeting_pitch_hz"]["high"] - one["meeting_pitch_hz"]["low"]
    assert (one["readings"], one["reeds"]) == (2, 1)
    assert 2.0 < width < 8.0
    assert "so it is wide" in one["why"]


def test_repeatability_of_the_demo(demo_log: Path) -> None:
    found = answer(demo_log, "review", "repeatability")
    assert isinstance(found, list)
    by_name = {one["output"]: one for one in found}
    assert len(by_name) == 11
    assert by_name["gap"]["total_cents"]["low"] < 1.5 < 1.3 + by_name["gap"]["total_cents"]["mean"]
    assert 2.5 < by_name["crow"]["total_cents"]["mean"] < 3.7  # made to be read to 3 cents
    said = run(demo_log, "review", "repeatability").stdout
    assert "gap: a reading errs by 1." in said
    legend = " ".join(said.splitlines()).partition("standard deviations in cents; ")[2]
    assert [f"{name}: " in legend for name in ("sittings", "air", "next day")] == [True] * 3
    assert max(map(len, said.splitlines())) <= 80


def test_one_reed_s_story_in_order_of_time_with_what_was_struck(tmp_path: Path, demo_log: Path) -> None:
    log = tmp_path / "log"
    shutil.copy(demo_log, log)
    with Journal(log) as journal:
        wrong = next(
            one.entry for one in journal.of_reed("R-0140").readings if one.record.taken_at == "2025-08-20T17:39"
        )
        journal.strike(wrong, "it was R-0141", "2025-09-10T09:00")
        journal.append(Event("R-0140", "2025-08-24T17:40", "soaked", "overnight"))
    found = answer(log, "review", "reed", "R-0140", "--ticket", tmp_path / "cards")
    assert isinstance(found, dict)
    times = [event["at"] for event in found["events"]]
    assert times == sorted(times)
    struck = [event for event in found["events"] if event["struck"] is not None]
    assert [(event["entry"], event["what"], event["struck"]) for event in struck] == [
        (wrong, "reading", "it was R-0141")
    ]
    assert (found["outcome"], found["order"], found["advice"]["reed"]) == ("good", "O-05", "R-0140")
    assert found["removed_mm"] == pytest.approx(0.507)
    assert [Path(path).name for path in found["ticket"]] == ["ticket-R-0140.pdf", "ticket-R-0140.png"]
    said = Typed(log).say("review", "reed", "R-0140")
    assert "STRUCK: it was R-0141" in said
    assert "2025-08-24 17:40  event: soaked: overnight  [eve-" in said
    assert max(map(len, said.splitlines())) <= 80


def test_a_story_tells_every_outcome_and_ids_that_strike_takes(tmp_path: Path, demo_log: Path) -> None:
    log = tmp_path / "log"
    shutil.copy(demo_log, log)
    with Journal(log) as journal:
        journal.append(Outcome("R-0140", "2025-09-11T09:00:12.345+00:00", "good", "again"))
    said = run(log, "review", "reed", "R-0140").stdout
    lines = [line for line in said.splitlines() if "outcome:" in line]
    assert ["a later one stands" in line for line in lines] == [True, False]
    assert re.search(r"^2025-09-11 \d\d:00(\+0000)?  outcome: good: again  \[out-[a-z2-7]+\]$", lines[1])
    short = lines[1].rsplit("[", 1)[1].rstrip("]")
    struck = run(log, "log", "strike", short, "--why", "said twice")
    assert (struck.returncode, struck.stderr) == (0, "")
    after = run(log, "review", "reed", "R-0140").stdout
    assert "good: again; STRUCK: said twice" in after
    assert "a later one stands" not in after


def test_times_to_the_minute_as_this_machine_s_clock_says_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC-1")
    time.tzset()
    try:
        assert local_minute("2026-11-25T10:17:57.350+01:00") == "2026-11-25 10:17"
        assert local_minute("2026-11-25T10:17:57.350+02:00") == "2026-11-25 10:17+0200"
        assert own_minute("2026-11-25T10:17:57.350+02:00") == local_minute("2026-11-25T10:17") == "2026-11-25 10:17"
        assert local_minute("2026-11-25") == "2026-11-25"
        alike = ["2026-11-25T10:17+01:00", "2026-11-25T10:18", "2026-11-26", "some day"]
        assert local_minutes(alike, "Europe/Berlin") == [local_minute(text) for text in alike]
        assert local_minutes(alike, "UTC") == [
            "2026-11-25 10:17+0100",
            "2026-11-25 10:18+0000",
            "2026-11-26",
            "some day",
        ]
        assert own_minute("some day") == "some day"
    finally:
        monkeypatch.undo()
        time.tzset()


def test_an_hour_that_came_twice_is_shown_with_its_offset(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        twice = ["2026-10-25T01:30+02:00", "2026-10-25T02:30+02:00", "2026-10-25T02:30:01.5+01:00"]
        said = ["2026-10-25 01:30", "2026-10-25 02:30+0200", "2026-10-25 02:30+0100"]
        assert local_minutes(twice, "Europe/Berlin") == said
    finally:
        monkeypatch.undo()
        time.tzset()


def test_several_tickets_and_an_order_s(tmp_path: Path, demo_log: Path) -> None:
    found = answer(demo_log, "review", "ticket", "R-0351", "R-0140", "R-0351", "--out", tmp_path / "two")
    assert isinstance(found, dict)
    assert [Path(path).stem for path in found["files"]] == ["ticket-R-0351"] * 2 + ["ticket-R-0140"] * 2
    both = [(card["reed"], card["files"]) for card in found["tickets"]]
    assert both == [("R-0351", found["files"][:2]), ("R-0140", found["files"][2:])]
    whole = answer(demo_log, "review", "ticket", "--order", "O-13", "--out", tmp_path / "all")
    assert isinstance(whole, dict)
    with Journal(demo_log) as journal:
        mine = sorted(reed for reed, order in journal.columns("reed", ["reed", "order"]) if order == "O-13")
    assert [Path(path).stem for path in whole["files"][::2]] == [f"ticket-{reed}" for reed in mine]
    none = run(demo_log, "review", "ticket")
    assert (none.returncode, none.stderr) == (2, none.stderr)
    assert "no reed to write a ticket of" in none.stderr


def test_a_ticket_claims_no_air_and_no_note_that_nobody_took(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with Journal(log, create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(Order("first", "Old", pressure_kpa=6.5))
        journal.append(Reed("1", "cane", "A", order="first"))
        notes = {"e": 708.0, "f": 780.0, "low_a": 471.8, "high_a": 943.7}
        journal.append(Reading("1", "2026-11-20T10:00", "Old", 520.0, notes))
        bench = bench_on(journal)
        seen = bench.see_batch("cane", "A")["1"]
        model = ticket_of(bench, seen, advise(bench, seen))
    assert (model.pressure_kpa, model.temperature_c) == (None, None)
    assert [(one.note, round(one.read_hz or 0.0, 1)) for one in model.notes] == [
        ("low_a", 471.8),
        ("e", 472.0),
        ("f", 468.0),
        ("high_a", 471.9),
    ]
    assert any("6.5 kPa" in caution for caution in model.cautions)


@pytest.mark.parametrize("at_hand", ["yes", "no"])
@pytest.mark.parametrize("ordered_kpa", [7.5, None])
def test_a_ticket_is_said_for_the_pressure_ordered_or_the_usual_one_and_names_what_was_blown(
    tmp_path: Path, at_hand: str, ordered_kpa: float | None
) -> None:
    """Was: of a chanter that is away, the bench's usual pressure as ordered, as blown and as what to blow."""
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(Chanter("Mine", at_hand=at_hand))
        journal.append(Order("first", "Mine", pressure_kpa=ordered_kpa))
        journal.append(Reed("1", "cane", "A", order="first"))
        notes = {"e": 708.0, "f": 786.0, "low_a": 471.8, "high_a": 943.7}
        read_in = "Old" if at_hand == "no" else "Mine"
        for at, kpa in (("2026-11-20T10:00", 6.0), ("2026-11-20T10:05", 7.1)):
            journal.append(Reading("1", at, read_in, 520.0, notes, pressure_kpa=kpa))
        bench = bench_on(journal)
        seen = bench.see_batch("cane", "A")["1"]
        card = ticket_of(bench, seen, advise(bench, seen))
    assert bench.settings.bench_pressure_kpa not in (7.1, 7.5)
    asked = ordered_kpa or bench.settings.bench_pressure_kpa
    assert (card.read_in, card.read_kpa, card.pressure_kpa) == ("Old" if at_hand == "no" else None, 7.1, asked)
    assert f"Blow {asked} kPa; let the reed warm first." in how_to_check(replace(card, unfinished=False))
    # what was read, taken to the pressure by as much as the model has a note move
    per_kpa = seen.state.mean[4 * len(OUTPUTS) : 5 * len(OUTPUTS)]
    for note in card.notes:
        moved = float(per_kpa[OUTPUTS.index(note.note)]) * (asked - 7.1)
        as_low_a = notes[note.note] / bench.scale[note.note]
        assert note.read_hz == pytest.approx(hz_from_cents(cents_from_440(as_low_a) + moved), abs=1e-6)
    # the gap of the verdict is that of the table
    gap = card.gap_here_cents if at_hand == "no" else card.gap_cents
    by_all = {one.note: one.predicted_hz.mean for one in card.notes if one.predicted_hz is not None}
    assert gap is not None
    assert gap.mean == pytest.approx(cents_from_440(by_all["f"]) - cents_from_440(by_all["e"]), abs=0.05)


def test_a_ticket_says_of_e_and_of_f_each_where_it_was_last_read_off(tmp_path: Path, demo_log: Path) -> None:
    log = tmp_path / "log"
    shutil.copy(demo_log, log)
    with Journal(log) as journal:
        last = next(
            one.record for one in reversed(journal.of_reed("R-0338").readings) if {"e", "f"} <= set(one.record.notes_hz)
        )
        flat = {note: hz * {"e": 1.012, "f": 0.985}.get(note, 1.0) for note, hz in last.notes_hz.items()}
        soon = datetime.fromisoformat(last.taken_at) + timedelta(minutes=10)  # too soon for the reed to have moved
        journal.append(replace(last, taken_at=soon.isoformat(timespec="minutes"), notes_hz=flat))
        bench = bench_on(journal)
        record = journal.of_reed("R-0338").reed.record
        seen = bench.see_batch(record.reed_type, record.batch)["R-0338"]
        advice = advise(bench, seen)
        card = ticket_of(bench, seen, advice)
    (said,) = (caution for caution in card.cautions if "than expected" in caution)
    assert re.fullmatch(
        r"as low A, last read E \d\.\d Hz higher and F \d\d?\.\d Hz lower than expected: read it again", said
    )
    off = {note.note: note.off_hz(card.tolerance_hz) for note in card.notes}
    assert off["e"] > 0 > off["f"]
    assert card.gap_cents == advice.gap_now_cents


def test_a_ticket_counts_every_reading_since_the_last_work_and_a_reed_called_good_has_no_work_left(
    tmp_path: Path,
) -> None:
    log = tmp_path / "log"
    with Journal(log, create=True) as journal:
        journal.append(Chanter("Old"))
        journal.append(Order("first", "Old"))
        journal.append(Reed("1", "cane", "A", order="first"))
        notes = {"e": 708.0, "f": 772.0, "low_a": 471.8, "high_a": 943.7}
        journal.append(Reading("1", "2026-11-20T10:00", "Old", 520.0, notes))
        journal.append(Trim("1", "2026-11-20T10:10", 0.05))
        notes = {"e": 707.0, "f": 775.0, "low_a": 471.8, "high_a": 943.6}
        journal.append(Reading("1", "2026-11-20T10:20", "Old", 525.0, notes))
        journal.append(Reading("1", "2026-11-20T10:21", "Old", None, {"e": 707.1, "f": 775.2}))

        def card() -> Ticket:
            bench = bench_on(journal)
            seen = bench.see_batch("cane", "A")["1"]
            return ticket_of(bench, seen, advise(bench, seen))

        before = card()
        journal.append(Outcome("1", "2026-11-20T11:00", "good"))
        good = card()
    assert {one.note for one in before.notes if one.read_hz is not None} == {"low_a", "e", "f", "high_a"}
    assert any("work is not done" in caution for caution in before.cautions)
    assert (before.unfinished, good.unfinished) == (True, False)
    assert not any("work is not done" in caution for caution in good.cautions)
    cents = {one.note: cents_from_440(one.predicted_hz.mean) for one in good.notes if one.predicted_hz is not None}
    assert good.gap_cents is not None
    assert cents["f"] - cents["e"] == pytest.approx(good.gap_cents.mean, abs=1e-4)


def test_ticket(tmp_path: Path, demo_log: Path) -> None:
    found = answer(demo_log, "review", "ticket", "R-0338", "--out", tmp_path / "cards")
    assert isinstance(found, dict)
    pdf, png = (Path(path).read_bytes() for path in found["files"])
    assert pdf.startswith(b"%PDF")
    assert png.startswith(b"\x89PNG")
    again = answer(demo_log, "review", "ticket", "R-0338", "--out", tmp_path / "again")
    assert isinstance(again, dict)
    assert [Path(path).read_bytes() for path in again["files"]] == [pdf, png]
    blank = answer(demo_log, "review", "ticket", "R-0399", "--out", tmp_path / "cards")
    assert isinstance(blank, dict)
    assert len(blank["files"]) == 2


def test_report_is_one_page_with_its_pictures(made_demo: Path) -> None:
    folder = made_demo / "trimfit-demo" / "report"
    page = (folder / "index.html").read_text(encoding="utf-8")
    pictures = sorted(path.name for path in (folder / "pictures").iterdir())
    assert {"batches.png", "batches.svg", "chanters.png", "validation.svg", "responses.png"} <= set(pictures)
    reeds = [name for name in pictures if name.startswith("reed-")]
    in_time = sum("-in-time" in name for name in reeds)
    assert len(reeds) - in_time == 12
    assert 6 <= in_time <= 12  # a reed of one visit has none
    assert sum(name.startswith("run-O-") for name in pictures) == 6
    for words in (
        "The shop, its reeds and all numbers on this page are invented",
        "cents sharp of its type; by its gap and answer, expect 0.",
        "of 9 <a href='#charts'>control charts</a> signal",
        "A second opinion",
        "Where new reeds start",
        "Each batch left out of the coefficients",
    ):
        assert words in page
    size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    assert size < 3_500_000


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("review", "reed", "R-0l40"), "R-0"),
        (("review", "ticket", "nobody"), "nobody"),
        (
            ("review", "ticket", "R-0140", "--out", "FILE"),
            "file: is a file, not a folder; name a folder you may write to",
        ),
        (
            ("review", "chanters", "CH-03 old flat", "--sheet", "FILE"),
            "file: is a file, not a folder; name a folder you may write to",
        ),
        (
            ("review", "ticket", "R-0140", "--letter", "O-12"),
            "is a text and no card",
        ),
        (("report", "FILE"), "file: is a file, not a folder; name a folder you may write to"),
        (("report", "FILE/in"), "file: is a file, not a folder; name a folder you may write to"),
    ],
)
def test_a_wrong_request_is_one_line_and_exit_2(
    words: tuple[str, ...], said: str, tmp_path: Path, demo_log: Path
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("x")
    done = run(demo_log, *(word.replace("FILE", str(blocked)) for word in words))
    assert done.returncode == 2
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_an_empty_log_and_a_log_with_reeds_alone(tmp_path: Path) -> None:
    log = tmp_path / "log"
    Journal(log, create=True).close()
    assert answer(log, "review", "batches") == []
    assert answer(log, "review", "chanters") == []
    assert run(log, "review", "repeatability").returncode == 2
    empty = run(log, "report", tmp_path / "page")
    assert (empty.returncode, len(empty.stderr.strip().splitlines())) == (2, 1)
    assert "no reed yet" in empty.stderr
    with Journal(log) as journal:
        journal.append(Reed("<b>R 1</b>", "cane", "B & 1", "2026-01-02"))
        journal.append(Reed("R-2", "cane", "B & 1", "2026-01-02"))
    found = answer(log, "review", "batches")
    assert isinstance(found, list)
    assert [(one["batch"], one["reeds"], one["drifted"]) for one in found] == [("B & 1", 2, False)]
    assert found[0]["why"] == "no reading yet; only its type's norm is known"
    page = answer(log, "report", tmp_path / "page")
    assert isinstance(page, dict)
    text = Path(page["page"]).read_text(encoding="utf-8")
    assert "B &amp; 1" in text or "No batch" in text
    assert "<b>R 1</b>" not in text
    assert isinstance(answer(log, "review", "reed", "R-2"), dict)
    assert isinstance(answer(log, "review", "ticket", "R-2", "--out", tmp_path), dict)


def test_help_of_each_verb_has_an_example(demo_log: Path) -> None:
    for verb in (("review", "batches"), ("review", "chanters"), ("review", "repeatability"), ("review", "reed"),
                 ("review", "ticket"), ("report",)):  # fmt: skip
        assert f"Example: trimfit {' '.join(verb)}" in " ".join(run(demo_log, *verb, "--help").stdout.split())


def test_a_story_says_no_digits_that_a_change_of_unit_made(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with Journal(log, create=True) as journal:
        journal.append(Reed("R-1", "moulded", "B-1"))
    run(log, "log", "chanter", "Heron")
    words = ("f=772.3", "e=+3.2c", "ref=474", "--chanter", "Heron", "--pressure", "26 inH2O", "--temperature", "70 F")
    assert run(log, "log", "reading", "R-1", *words).returncode == 0
    assert run(log, "log", "trim", "R-1", "--length", "6 thou").returncode == 0
    said = " ".join(run(log, "review", "reed", "R-1").stdout.split())
    assert "reading: E 712.3, F 772.3, in Heron, 6.48 kPa, 21.1 °C; gap" in said
    assert "trim: 0.152 mm [" in said


def test_what_was_read_with_tape_alone_is_said_so_and_marks_stand_with_every_entry(tmp_path: Path) -> None:
    """Was: F and E were never read; the story hid the tape, and the marks of an outcome and of the reed itself."""
    log = tmp_path / "log"
    run(log, "log", "chanter", "Heron")
    for name in ("R-1", "r-1"):
        run(log, "log", "reed", name, "--type", "moulded", "--batch", "B-1")
    read = run(log, "log", "reading", "r-1", "f=750", "e=702", "A=936", "--chanter", "Heron", "--taped", "f").stdout
    assert "r-1 in Heron: E, F (taped) and high A" in read
    assert "its F and E were never read together untaped" in " ".join(run(log, "ask", "r-1").stdout.split())
    assert "never read with E and F untaped" in " ".join(run(log, "review", "chanters").stdout.split())
    good = " ".join(run(log, "log", "outcome", "r-1", "good").stdout.split())
    assert "r-1 was never read with F and E untaped" in good
    said = " ".join(run(log, "review", "reed", "r-1").stdout.split())
    assert "E 702, F 750 taped, high A 936, in Heron" in said
    assert "outcome: good; in doubt: good-unread: r-1 was never read with F and E untaped; is it good?" in said
    assert "chanter Heron; in doubt: name-alike: " in said


def test_times_of_a_story_are_those_of_the_clock_they_were_logged_by(tmp_path: Path) -> None:
    """Was: times are this machine's, in the help."""
    log = tmp_path / "log"
    with Journal(log, create=True) as journal:
        journal.append(Reed("R-1", "moulded", "B-1"))
        for time in ("2026-03-01T10:00", "2026-03-01T11:00+00:00", "2026-03-01T12:00-08:00"):
            journal.append(Event("R-1", time, "soaked"))
    said = run(log, "review", "reed", "R-1").stdout
    assert [line.partition("  event")[0] for line in said.splitlines() if "event: soaked" in line] == [
        "2026-03-01 10:00+0000",
        "2026-03-01 11:00+0000",
        "2026-03-01 12:00-0800",
    ]
    told = " ".join(run(log, "review", "reed", "--help").stdout.split())
    assert (
        "on the clock by which it was logged. Its offset from UTC stands with it where it was logged with one" in told
    )
