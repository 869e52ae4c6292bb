"""One reed on the page: the same verbs as the command line, by forms that need no script."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.opened import on
from tests.web.visitor import Visitor, serving
from trimfit.cli.output.answers import plain
from trimfit.log.journal import Journal
from trimfit.verbs.ask import ask_reed
from trimfit.verbs.reviews.reed_story import review_reed

REED = "R-0353"
READING = {"reed": REED, "f": "779.1", "e": "702.6", "low_a": "468.2", "high_a": "936.1", "crow": "C+22"}


def test_the_page_of_a_reed_as_json_is_what_ask_prints(look: Visitor, demo_log: Path) -> None:
    assert look.ask("/reed", name=REED) == plain(on(demo_log, ask_reed, REED))


def test_the_page_shows_the_answer_the_picture_the_form_and_the_story(look: Visitor, demo_log: Path) -> None:
    text = look.see("/reed", name=REED).text
    advice = on(demo_log, ask_reed, REED)
    assert f"take off {advice.length_mm:.2f}\N{NO-BREAK SPACE}mm" in text
    assert 'class="line f"' in text
    assert "Mind the blade" in text
    assert 'name="f"' in text
    with Journal(demo_log) as journal:
        assert journal.of_reed(REED).readings[-1].entry in text


def test_a_reed_that_is_not_there_is_said_in_words(look: Visitor) -> None:
    answer = look.see("/reed", name="R-9999")
    assert answer.status == 404
    assert "R-9999" in answer.text
    assert "is not in the log" in answer.text


def test_a_reading_is_logged_as_the_command_logs_it(visitor: Visitor, log: Path) -> None:
    sent = visitor.enter("/reed/reading", READING | {"pressure": "6.5 kPa", "remark": 'said "so" f=1'})
    assert sent.status in (200, 303), sent.text
    with Journal(log) as journal:
        reading = journal.of_reed(REED).readings[-1].record
    assert reading.notes_hz == pytest.approx({"f": 779.1, "e": 702.6, "low_a": 468.2, "high_a": 936.1})
    assert reading.pressure_kpa == 6.5
    assert reading.remark == 'said "so" f=1'
    assert reading.crow_hz == pytest.approx(529.9, abs=0.1)


def test_a_script_may_name_notes_as_the_command_does_and_each_once(visitor: Visitor, log: Path) -> None:
    short = {"reed": REED, "f": "779.1", "a": "468.2", "A": "936.1", "g": "416.2", "G": "819.3", "go": "833"}
    assert visitor.enter("/reed/reading", short, {"Accept": "application/json"}).status == 200
    with Journal(log) as journal:
        reading = journal.of_reed(REED).readings[-1].record
    assert reading.notes_hz == {"f": 779.1, "low_a": 468.2, "high_a": 936.1, "low_g": 416.2, "high_g": 819.3}
    assert reading.g_octave_hz == 833.0
    both = visitor.enter(
        "/reed/reading", {"reed": REED, "low_a": "468.2", "a": "468.3"}, {"Accept": "application/json"}
    )
    assert both.status == 422
    assert "given twice" in both.json["error"][0]


def test_a_reading_that_cannot_be_is_said_and_nothing_typed_is_lost(visitor: Visitor, log: Path) -> None:
    with Journal(log) as journal:
        before = journal.last_seq()
    sent = visitor.enter("/reed/reading", READING | {"f": "seven", "remark": "wet <day>"})
    assert sent.status == 422
    assert "Not logged" in sent.text
    assert 'value="702.6"' in sent.text
    assert 'value="wet &lt;day&gt;"' in sent.text
    with Journal(log) as journal:
        assert journal.last_seq() == before


def test_a_length_that_is_none_is_said_in_the_words_of_the_page(visitor: Visitor) -> None:
    sent = visitor.enter("/reed/trim", {"reed": REED, "length": "abc"})
    assert sent.status == 422
    assert "Other amount, mm: " in sent.text
    assert "--length" not in sent.text


def test_a_doubtful_reading_is_kept_and_asked_about_and_can_be_taken_back(visitor: Visitor, log: Path) -> None:
    sent = visitor.enter("/reed/reading", READING | {"f": "719.1"})
    assert sent.status == 200
    assert "in doubt" in sent.text
    strike = sent.fields("/reed/strike")
    with Journal(log) as journal:
        assert journal.of_reed(REED).readings[-1].entry == strike["entry"]
    visitor.follow("/reed/strike", strike)
    with Journal(log) as journal:
        assert journal.of_reed(REED).readings[-1].entry != strike["entry"]


def test_a_page_whose_answer_takes_long_has_its_form_and_what_is_in_doubt(log: Path) -> None:
    with serving(log, patience_s=0.0) as visitor:
        page = visitor.see("/reed", name=REED)
        assert page.status == 200
        assert "data-again" in page.text
        assert page.fields("/reed/reading")["reed"] == REED
        sent = visitor.enter("/reed/reading", READING | {"f": "719.1"})
        assert "working it out" in sent.text
        assert "in doubt" in sent.text
        assert sent.fields("/reed/strike")["entry"]
        refused = visitor.enter("/reed/reading", READING | {"f": "seven"})
        assert (refused.status, "Not logged" in refused.text) == (422, True)
        assert visitor.see("/reed", name="R-9999").status == 404


def test_the_cut_as_advised_is_one_tap(visitor: Visitor, log: Path) -> None:
    advice = on(log, ask_reed, REED)
    fields = visitor.see("/reed", name=REED).fields("/reed/trim")
    visitor.follow("/reed/trim", fields)
    with Journal(log) as journal:
        trim = journal.of_reed(REED).trims[-1].record
    assert (trim.length_mm, trim.asked_mm) == (pytest.approx(advice.length_mm), pytest.approx(advice.length_mm))


def test_undo_takes_back_the_entry_that_was_shown(visitor: Visitor, log: Path) -> None:
    page = visitor.follow("/reed/event", {"reed": REED, "event": "soaked"})
    undo = page.fields("/reed/strike")
    visitor.follow("/reed/event", {"reed": REED, "event": "dropped"})
    visitor.follow("/reed/strike", undo)
    with Journal(log) as journal:
        assert [one.record.event for one in journal.of_reed(REED).events] == ["dropped"]


def test_undo_is_of_the_entry_that_the_command_calls_the_last(visitor: Visitor, log: Path) -> None:
    visitor.follow("/reed/event", {"reed": REED, "event": "soaked", "at": "2026-09-10T10:00"})
    visitor.enter("/reed/event", {"reed": REED, "event": "dropped", "at": "2062-01-05T10:00"})
    page = visitor.see("/reed", name=REED)
    undo = page.fields("/reed/strike")
    assert "Undo: event of 2062-01-05 10:00" in page.text
    with Journal(log) as journal:
        assert journal.last_of(REED) == undo["entry"]


def test_an_outcome_folds_the_forms_away(visitor: Visitor, log: Path) -> None:
    page = visitor.follow("/reed/outcome", {"reed": REED, "outcome": "lost"})
    assert "It left the bench: lost" in page.text
    assert 'action="/reed/reading"' not in page.text


def test_a_planned_cut_is_drawn_without_a_script(look: Visitor) -> None:
    page = look.see("/reed", name=REED, plan="0.25")
    assert "With 0.25 mm more off, at once: F " in page.text
    assert "Not logged" in look.see("/reed", name=REED, plan="a lot").text


def test_forms_answer_scripts_as_the_commands_do(visitor: Visitor) -> None:
    sent = visitor.enter("/reed/trim", {"reed": REED, "length": "0.1"}, {"Accept": "application/json"})
    assert sent.json["kind"] == "trim"
    assert sent.json["about"] == REED
    wrong = visitor.enter("/reed/trim", {"reed": REED, "length": "x"}, {"Accept": "application/json"})
    assert wrong.status == 422
    assert wrong.json["error"]


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/reed/reading", dict.fromkeys(READING, "<script>alert(1)</script>")),
        ("/reed/event", {"event": "<script>alert(1)</script>", "remark": "<script>alert(1)</script>"}),
        ("/reed/trim", {"length": "0.1", "remark": "<script>alert(1)</script>"}),
        ("/reed/outcome", {"outcome": "lost", "remark": "<script>alert(1)</script>"}),
        ("/reed/strike", {"entry": "<script>alert(1)</script>", "why": "<script>alert(1)</script>"}),
    ],
)
def test_script_in_every_field_is_text(visitor: Visitor, path: str, fields: dict[str, str]) -> None:
    first = visitor.enter(path, fields | {"reed": REED})
    again = visitor.see("/reed", name=REED)
    assert "<script>alert" not in first.text + again.text


def test_a_form_sent_twice_is_one_entry(visitor: Visitor, log: Path) -> None:
    form = visitor.see("/reed", name=REED).fields("/reed/reading") | READING
    first = visitor.enter("/reed/reading", form, {"Accept": "application/json"}).json
    again = visitor.enter("/reed/reading", form, {"Accept": "application/json"}).json
    assert (first["new"], again["new"]) == (True, False)
    assert again["entry"] == first["entry"]
    other = visitor.see("/reed", name=REED).fields("/reed/reading") | READING
    assert visitor.enter("/reed/reading", other, {"Accept": "application/json"}).json["entry"] != first["entry"]


def test_a_form_sent_again_after_the_page_was_begun_anew_is_answered_as_before(log: Path) -> None:
    as_json = {"Accept": "application/json"}
    with serving(log) as visitor:
        form = visitor.see("/reed", name=REED).fields("/reed/reading") | READING | {"f": "700.1"}
        first = visitor.enter("/reed/reading", form, as_json).json
    with serving(log) as visitor:
        again = visitor.enter("/reed/reading", form, as_json).json
        page = visitor.enter("/reed/reading", form)
    assert first["read"]
    assert first["doubts"]
    assert again == first | {"new": False}
    assert page.status == 200  # the doubts stand there, as they did


def test_a_form_that_was_refused_may_be_sent_again_mended(visitor: Visitor) -> None:
    form = visitor.see("/reed", name=REED).fields("/reed/reading") | READING
    assert visitor.enter("/reed/reading", form | {"f": "seven"}).status == 422
    assert visitor.enter("/reed/reading", form, {"Accept": "application/json"}).json["new"]


def test_a_form_that_waited_for_the_net_is_of_when_it_was_typed(visitor: Visitor, log: Path) -> None:
    visitor.enter("/reed/event", {"reed": REED, "event": "soaked", "waited_s": "600"})
    visitor.enter("/reed/event", {"reed": REED, "event": "dropped", "waited_s": "2"})
    with Journal(log) as journal:
        soaked, dropped = journal.of_reed(REED).events
    assert dropped.at_s - soaked.at_s == pytest.approx(600.0, abs=30.0)


def test_what_was_meant_is_one_tap(visitor: Visitor, log: Path) -> None:
    sent = visitor.enter("/reed/trim", {"reed": REED, "length": "39", "advised": "0.39"})
    if sent.status == 422:  # no blade is so long: it is refused, and what was typed stays
        assert 'value="39"' in sent.text
    slip = visitor.enter("/reed/trim", {"reed": REED, "length": "3.9", "advised": "0.39"})
    assert slip.status == 200, slip.text
    fields = slip.fields("/reed/amend")
    visitor.follow("/reed/amend", fields)
    with Journal(log) as journal:
        assert journal.of_reed(REED).trims[-1].record.length_mm == pytest.approx(0.39)


def test_an_entry_is_amended_in_its_place(visitor: Visitor, log: Path) -> None:
    with Journal(log) as journal:
        before = journal.of_reed(REED).readings[-1]
    visitor.follow("/reed/amend", {"reed": REED, "entry": before.entry, "words": "f=762.9 remark=windy"})
    with Journal(log) as journal:
        after = journal.of_reed(REED).readings[-1]
    assert after.record.notes_hz["f"] == pytest.approx(762.9)
    assert after.record.taken_at == before.record.taken_at


def test_the_hint_of_what_is_right_fits_the_entry(visitor: Visitor) -> None:
    visitor.enter("/reed/event", {"reed": REED, "event": "soaked"})
    visitor.enter("/reed/outcome", {"reed": REED, "outcome": "good"})
    page = visitor.see("/reed", name=REED).text
    hints = {
        what: hint
        for what, hint in re.findall(
            r"<strong>(\w+)</strong>(?:(?!</li>).)*?What is right, as ([^<]+)</span>", page, flags=re.S
        )
    }
    assert hints["reading"] == "f=779.1 crow=C+22"
    assert hints["trim"] == "length=0.15 lip=2"
    assert hints["event"] == "dropped, or remark=TEXT"
    assert hints["outcome"] == "lost, or remark=TEXT"


def test_a_reed_that_moved_is_logged_before_its_reading(visitor: Visitor, log: Path) -> None:
    with Journal(log) as journal:
        last = journal.of_reed(REED).readings[-1]
    visitor.follow("/reed/moved", {"reed": REED, "entry": last.entry})
    with Journal(log) as journal:
        history = journal.of_reed(REED)
    assert [(one.record.event, one.record.at) for one in history.events] == [("moved", last.record.taken_at)]
    assert history.readings[-1].entry == last.entry


def test_two_people_at_one_reed_lose_nothing(visitor: Visitor, log: Path) -> None:
    here, there = visitor.see("/reed", name=REED), visitor.see("/reed", name=REED)
    visitor.follow("/reed/trim", here.fields("/reed/trim"))
    visitor.enter("/reed/reading", there.fields("/reed/reading") | READING)
    with Journal(log) as journal:
        history = journal.of_reed(REED)
    assert history.trims[-1].at_s < history.readings[-1].at_s


def test_the_fields_stand_in_the_shops_order(log: Path, demo_log: Path) -> None:
    with Journal(log) as journal:
        journal.set_setting("line_order", "A e f crow")
    with serving(log) as visitor:
        text = visitor.see("/reed", name=REED).text
    places = [text.index(f'name="{key}"') for key in ("high_a", "e", "f", "crow", "low_a")]
    assert places == sorted(places)


def test_the_story_as_json_is_what_review_reed_prints(look: Visitor, demo_log: Path) -> None:
    assert look.ask("/reed/story", name=REED) == plain(on(demo_log, review_reed, REED))


def test_a_field_that_the_form_has_not_is_refused_by_its_name(visitor: Visitor, log: Path) -> None:
    with Journal(log) as journal:
        before = journal.last_seq()
    sent = visitor.enter("/reed/reading", READING | {"presure": "6.5 kPa"})
    assert sent.status == 422
    assert "presure: is no field of this form; did you mean pressure?" in sent.text
    with Journal(log) as journal:
        assert journal.last_seq() == before


def test_a_field_given_twice_is_refused(visitor: Visitor, log: Path) -> None:
    """The last was taken: a reed of another page was cut."""
    with Journal(log) as journal:
        before = journal.last_seq()
    usual = {"Origin": f"http://{visitor.host}", "Content-Type": "application/x-www-form-urlencoded"}
    script = usual | {"Accept": "application/json"}
    for path, body in {
        "/reed/trim": f"reed=R-0280&reed={REED}&length=0.1",
        "/reed/reading": f"reed={REED}&f=773&f=780",
        "/new/order": "name=O-9&name=O-10&chanter=Heron",
    }.items():
        sent = visitor.send("POST", path, body.encode(), script)
        assert (sent.status, "is given twice" in sent.json["error"][0]) == (422, True)
    with Journal(log) as journal:
        assert journal.last_seq() == before


@pytest.mark.parametrize(
    ("path", "more"), [("/reed/amend", {"words": "f=762.9"}), ("/reed/strike", {}), ("/reed/moved", {})]
)
def test_only_an_entry_of_the_reed_is_corrected(visitor: Visitor, log: Path, path: str, more: dict[str, str]) -> None:
    with Journal(log) as journal:
        before, entry = journal.last_seq(), journal.of_reed(REED).readings[-1].entry
    sent = visitor.enter(path, {"reed": "R-0316", "entry": entry, **more}, {"Accept": "application/json"})
    said = f"{entry}: is an entry of {REED}, not of R-0316; name the reed that it is of"
    assert (sent.status, sent.json) == (422, {"error": [said]})
    with Journal(log) as journal:
        assert journal.last_seq() == before
