"""Looking back on the page is `review`."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.opened import on
from tests.web.visitor import Visitor, serving
from trimfit.cli.output.answers import plain
from trimfit.cli.reviews import batch_json, chanter_json
from trimfit.session.session import Session
from trimfit.verbs.reviews.batches import batches
from trimfit.verbs.reviews.chanters import chanters
from trimfit.verbs.reviews.owner_answers import owners_answers
from trimfit.verbs.reviews.report import repeatability


def test_batches_are_those_of_the_review(look: Visitor, demo_log: Path) -> None:
    found = on(demo_log, batches)
    assert look.ask("/batches") == [batch_json(one) for one in found]
    text = look.see("/batches").text
    assert all(one.batch in text for one in found)
    assert text.count("<strong>Drifted:</strong>") == sum(one.drifted for one in found)


def test_chanters_are_those_of_the_review(small_log: Path, tmp_path: Path) -> None:
    log = Path(shutil.copy(small_log, tmp_path / "log"))
    found = on(log, chanters)
    assert len(found) > 1
    asked = on(log, owners_answers, found)
    with serving(log) as look:
        answered = look.ask("/chanters")
        text = look.see("/chanters").text
    assert answered == plain([chanter_json(one, asked) for one in found])
    assert all("ask_owner" in one for one in answered)
    assert all(one.chanter in text for one in found)
    assert "/chanters/sheet.png?name=" in text


def test_a_chanter_has_a_sheet_to_print(look: Visitor) -> None:
    sheet = look.see("/chanters/sheet.png", name="CH-07 plain")
    assert sheet.headers["content-type"] == "image/png"
    assert sheet.body.startswith(b"\x89PNG")
    assert look.see("/chanters/sheet.png", name="nobody").status == 404


def test_repeatability_is_that_of_the_review(look: Visitor, demo_log: Path) -> None:
    assert look.ask("/repeatability") == plain(on(demo_log, repeatability))
    assert "In one sitting" in look.see("/repeatability").text


def test_an_empty_log_says_what_is_missing_on_every_screen(tmp_path: Path) -> None:
    log = tmp_path / "new.trimfit"
    with Session(log, create=True):
        pass
    with serving(log) as visitor:
        for path, words in [
            ("/", "This log is empty"),
            ("/orders", "No order is open"),
            ("/allot", "No open order wants a reed"),
            ("/batches", "No batch yet"),
            ("/chanters", "No chanter yet"),
            ("/repeatability", "Not known yet: no reed was read twice"),
        ]:
            answer = visitor.see(path)
            assert (answer.status, words in answer.text) == (200, True), path
