"""The run on the page is `ask --all`."""

from __future__ import annotations

from pathlib import Path

from tests.opened import on
from tests.web.visitor import Visitor, serving
from trimfit.cli.output.json_values import plain
from trimfit.log.journal import Journal
from trimfit.verbs.ask import ask_all
from trimfit.verbs.log import log_chanter


def test_the_run_as_json_is_what_ask_all_prints(look: Visitor, demo_log: Path) -> None:
    assert look.ask("/") == plain(on(demo_log, ask_all))


def test_the_run_shows_each_reed_with_what_to_do_those_done_folded(look: Visitor, demo_log: Path) -> None:
    text = look.see("/").text
    waiting, _, folded = text.partition("<summary>")
    for advice in on(demo_log, ask_all):
        assert f">{advice.reed}<" in (waiting if advice.action in ("trim", "read-again") else folded)
    assert "take off" in waiting
    assert len(text.encode()) < 100_000


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
