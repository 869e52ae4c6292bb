"""The run on the page is `ask --all`."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

from tests.opened import on
from tests.web.visitor import Visitor, serving
from trimfit.base.answers import Advice
from trimfit.cli.output.answers import plain
from trimfit.log.journal import Journal
from trimfit.session.session import Session
from trimfit.verbs.log import log_chanter
from trimfit.web.desk import Desk
from trimfit.web.work_list import WorkList


def filled_in(visitor: Visitor) -> str:
    """The page of the run once all its advice was worked out."""
    for _ in range(200):
        text = visitor.see("/").text
        if "being worked out" not in text:
            return text
        time.sleep(0.2)
    raise AssertionError(text)


def test_the_run_as_json_is_what_ask_all_prints(look: Visitor, demo_advice: list[Advice]) -> None:
    assert look.ask("/") == plain(demo_advice)


def test_the_run_shows_each_reed_with_what_to_do_those_done_folded(look: Visitor, demo_advice: list[Advice]) -> None:
    text = filled_in(look)
    waiting, _, folded = text.partition("<summary>")
    for advice in demo_advice:
        assert f">{advice.reed}<" in (waiting if advice.action in ("trim", "read-again") else folded)
    assert "take off" in waiting
    assert len(text.encode()) < 100_000
    row = max(re.findall("<li>.*?</li>", waiting), key=len)
    assert 600 * len(row.encode()) < 95_000  # a large shop's list is one page, too


def test_reeds_whose_advice_is_not_known_yet_are_listed_at_once_and_filled_in(
    log: Path, demo_advice: list[Advice], monkeypatch: pytest.MonkeyPatch
) -> None:
    with serving(log) as visitor:
        first = visitor.see("/").text
        reeds = re.findall(r'class="who">([^<]*)<', first)
        assert sorted(reeds) == sorted(one.reed for one in demo_advice)
        assert first.count('class="do">being worked out') == len(reeds)
        assert "data-again" in first
        whole = filled_in(visitor)
        assert "data-again" not in whole
        reed = reeds[0]
        with monkeypatch.context() as held:
            held.setattr(Desk, "list_anew", lambda _: None)
            visitor.follow("/reed/event", {"reed": reed, "event": "soaked"})
            after = visitor.see("/").text
        assert 'class="do">being worked out' in after.partition(f'class="who">{reed}<')[2].partition("</li>")[0]
        assert after.count('class="do">being worked out') == 1
        filled_in(visitor)


def test_the_list_filled_in_is_that_of_ask_all(log: Path, demo_advice: list[Advice]) -> None:
    with Session(log) as session:
        work_list = WorkList()
        work_list.work_out(session, lambda: False)
        found, _ = work_list.look(session)
        assert [one.advice for one in found] == demo_advice


def test_an_empty_shop_has_a_page_that_says_so(tmp_path: Path) -> None:
    log = tmp_path / "new.trimfit"
    on(log, log_chanter, "CH-1", {}, create=True)
    with serving(log) as visitor:
        assert "No reed waits" in visitor.see("/").text
        assert visitor.ask("/") == []


def test_a_page_that_is_not_there_is_said_in_words(look: Visitor) -> None:
    answer = look.see("/no-such-page")
    assert answer.status == 404
    assert "there is no such page" in answer.text
    assert look.see("/no-such-page", accept="application/json").json["error"]


def test_script_in_a_name_is_text(tmp_path: Path, demo_log: Path) -> None:
    log = tmp_path / "demo.trimfit"
    log.write_bytes(demo_log.read_bytes())
    name = "<script>alert('x')</script>\"'&"
    with Journal(log) as journal:
        from trimfit.base.records import Chanter, Order, Reed

        journal.append(Chanter(name))
        journal.append(Order(name, name, due_on="2026-01-01"))
        journal.append(Reed(name, name, name, order=name))
    with serving(log) as visitor:
        for text in (visitor.see("/").text, visitor.see("/reed", name=name).text):
            assert "<script>alert" not in text
            assert "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;" in text
