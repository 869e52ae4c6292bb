"""Orders on the page: progress, blanks, allotment, and putting reeds to orders, by the verbs of the command line."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.opened import lose_most_blanks, on
from tests.web.visitor import Visitor, serving
from trimfit.cli.output.answers import plain
from trimfit.log.journal import Journal
from trimfit.verbs.allot import allot
from trimfit.verbs.pick import Picked, picked

ORDER = "O-12"


def test_each_open_order_says_how_far_it_has_come_and_leads_on(look: Visitor) -> None:
    text = look.see("/orders").text
    assert "24 wanted by 2026-10-16, 5 good, 4 lost, 12 in work" in text
    assert f'href="/blanks?order={ORDER}"' in text
    assert f'href="/tickets?order={ORDER}"' in text
    assert {one["order"] for one in look.ask("/orders")} >= {ORDER, "O-11"}


def test_reeds_can_be_chosen_where_as_many_are_in_work_as_are_wanted(demo_log: Path, tmp_path: Path) -> None:
    """More are to be started since some fail."""
    with serving(Path(shutil.copy(demo_log, tmp_path / "demo.trimfit"))) as visitor:
        orders = {one["order"]: one for one in visitor.ask("/orders")}
        assert orders["O-11"]["in_work"] == orders["O-11"]["quantity"]
        assert visitor.see("/orders").text.count("Choose reeds") == len(orders)


@pytest.fixture(scope="module")
def shop(demo_log: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo shop with a quarter of its blanks; nothing is logged in it."""
    log = Path(shutil.copy(demo_log, tmp_path_factory.mktemp("orders") / "demo.trimfit"))
    with Journal(log) as journal:
        lose_most_blanks(journal)
    return log


@pytest.fixture(scope="module")
def look(shop: Path) -> Iterator[Visitor]:
    """A visitor to its page."""
    with serving(shop) as visitor:
        yield visitor


@pytest.fixture
def log(shop: Path, tmp_path: Path) -> Path:
    """A copy of it to write into, with a quarter of these blanks."""
    log = Path(shutil.copy(shop, tmp_path / "demo.trimfit"))
    with Journal(log) as journal:
        lose_most_blanks(journal)
    return log


@pytest.fixture(scope="module")
def found(shop: Path) -> Picked:
    """What the command line picks for the order."""
    return on(shop, picked, ORDER)


def test_blanks_and_allotment_as_json_are_what_pick_and_allot_print(visitor: Visitor, log: Path) -> None:
    assert visitor.ask("/blanks", order=ORDER) == plain(on(log, picked, ORDER).blanks)
    assert visitor.ask("/allot") == plain(on(log, allot))
    assert visitor.ask("/allot", order=ORDER) == plain(on(log, allot, [ORDER]))


def test_as_many_blanks_are_marked_as_are_to_be_started(look: Visitor, found: Picked) -> None:
    text = look.see("/blanks", order=ORDER).text
    assert found.to_start
    assert text.count(" checked") == found.to_start
    assert found.need is not None
    assert f"The run: {found.need.hours()}." in text
    assert found.shortage()[1:] in " ".join(text.split())  # names as they are: was all in small letters
    assert f"good, {found.blanks[0].minutes:.0f} minutes" in " ".join(text.split())
    assert look.see("/blanks", order=ORDER, all="1").text.count('type="checkbox"') == len(found.blanks)
    assert look.see("/blanks", order="O-none").status == 404


def test_the_marked_blanks_are_put_to_the_order_once(visitor: Visitor, log: Path) -> None:
    free = [one["reed"] for one in visitor.ask("/blanks", order=ORDER) if one["order"] != ORDER][:2]
    body = f"order={ORDER}&reed={free[0]}&reed={free[1]}".encode()
    usual = {"Origin": f"http://{visitor.host}", "Content-Type": "application/x-www-form-urlencoded"}
    first = visitor.send("POST", "/put", body, usual | {"Accept": "application/json"})
    assert first.json == {"taken": free}
    assert visitor.send("POST", "/put", body, usual | {"Accept": "application/json"}).json == {"taken": []}
    assert "in their orders already" in visitor.send("POST", "/put", body, usual).text
    with Journal(log) as journal:
        assert set(free) <= set(journal.reeds_of_order(ORDER))


def test_an_allotment_is_taken_as_it_was_shown(visitor: Visitor, log: Path) -> None:
    shown = [(one["reed"], one["order"]) for one in visitor.ask("/allot")["allotted"]]
    assert shown
    text = visitor.see("/allot").text
    assert text.count('name="reed"') == len(shown)
    body = "&".join(f"reed={reed}&order={order}" for reed, order in shown).encode()
    usual = {"Origin": f"http://{visitor.host}", "Content-Type": "application/x-www-form-urlencoded"}
    assert "Put to their orders" in visitor.send("POST", "/put", body, usual).text
    with Journal(log) as journal:
        for reed, order in shown:
            assert reed in journal.reeds_of_order(order)


def test_nothing_marked_is_said(visitor: Visitor) -> None:
    sent = visitor.enter("/put", {"order": ORDER})
    assert sent.status == 422
    assert "no reed was marked" in sent.text


@pytest.mark.parametrize(
    ("body", "said"),
    [("reed=R-1", "1 reed and 0 orders"), ("reed=R-1&reed=R-2" + 3 * f"&order={ORDER}", "2 reeds and 3 orders")],
)
def test_as_many_orders_as_reeds_or_one_are_put(look: Visitor, body: str, said: str) -> None:
    usual = {"Origin": f"http://{look.host}", "Content-Type": "application/x-www-form-urlencoded"}
    sent = look.send("POST", "/put", body.encode(), usual | {"Accept": "application/json"})
    assert sent.status == 422
    assert sent.json == {"error": [f"{said}; give one order for all, or one after each reed"]}
