"""The page in a real browser, by taps and the keypad alone. Run by hand: `pytest -m browser tests/web`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.outside.keystrokes import typed_s
from tests.web.chromium import THERE, Page, chromium
from tests.web.visitor import Visitor, serving
from trimfit.log.journal import Journal
from trimfit.session.session import Session

pytestmark = pytest.mark.browser
WIDTHS = [(360, 740), (1280, 800)]
PATHS = ["/", "/reed?name=R-0353", "/new", "/orders", "/allot", "/blanks?order=O-12", "/batches", "/chanters"]
PATHS += ["/repeatability", "/tickets?reed=R-0353", "/nowhere"]
# F and E of a reed that is cut to its place, Hz sounding at 470 Hz as low A; a, A and crow beside them.
READINGS = [("7680", "7120"), ("7780", "7085"), ("7832", "7052")]


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    """A browser's page."""
    with chromium(tmp_path) as found:
        yield found


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Visitor]:
    """A shop of six reeds, just made."""
    log = tmp_path / "six.trimfit"
    with Session(log, create=True):
        pass
    with serving(log) as visitor:
        assert visitor.enter("/new/chanter", {"name": "CH-1"}).status == 200
        assert visitor.enter("/new/order", {"name": "O-1", "chanter": "CH-1", "quantity": "6"}).status == 200
        reeds = {"name": "R-1", "count": "6", "reed_type": "cane", "batch": "B-1", "order": "O-1"}
        assert visitor.enter("/new/reeds", reeds).status == 200
        yield visitor


def _fits(page: Page) -> None:
    """Nothing reaches over the edge, and every target is at least as large as a thumb."""
    assert page.run("document.documentElement.scrollWidth <= innerWidth"), "the page is wider than the screen"
    small = page.run(
        "[...document.querySelectorAll('a, button, input, summary')].filter((e) => e.offsetParent && "
        "!e.closest('p') && e.type !== 'hidden' && !e.classList.contains('skip')).map((e) => "
        "[e.getBoundingClientRect(), e.outerHTML.slice(0, 80)]).filter(([b]) => b.width > 0 && "
        "(b.height < 47.5 || b.width < 47.5)).map(([, html]) => html)"
    )
    assert small == []


def _read(page: Page, f: str, e: str) -> None:
    """Type a reading on the keypad, in the shop's order: f e a A crow; under 15 s by the keystroke-level model."""
    before = page.taps
    for digits in (f, e, "4700", "9400"):
        for digit in digits:
            page.tap_words("[data-keypad] button", digit)
    for key in ("C", "+", "2", "2"):
        page.tap(f"[...document.querySelectorAll('[data-keypad] button')].find((e) => e.textContent === '{key}')")
    entries = page.run("document.querySelectorAll('.story time').length")
    page.tap_words("[data-reading] button.main", "Log the reading")
    assert typed_s(page.taps - before, numbers=5) < 15.0
    page.until(f"document.querySelectorAll('.story time').length > {entries} || document.querySelector('.doubt')")


def _write(page: Page, form: str, fields: dict[str, str]) -> None:
    """Fill a form of the page New in, and send it by a tap."""
    for name, text in fields.items():
        field = f"document.querySelector('form[action=\"/new/{form}\"] [name={name}]')"
        page.run(f"{field}.value = {text!r}")
    page.run("window.old = true")
    page.tap(f"document.querySelector('form[action=\"/new/{form}\"] button.main')")
    page.until(f"!window.old && {THERE} && document.body.innerText.includes('Logged.')")
    _fits(page)


def test_from_an_empty_folder_to_a_ticket(page: Page, tmp_path: Path) -> None:
    log = tmp_path / "bench.trimfit"
    with Session(log, create=True):
        pass
    with serving(log) as visitor:
        page.shape(360, 740)
        for path in ("orders", "batches", "chanters", "repeatability", "tickets", "allot", "new", ""):
            page.open(f"http://{visitor.host}/{path}")
            page.until("!document.querySelector('[data-again]')")
            _fits(page)
        assert "This log is empty" in page.run("document.body.innerText")
        page.tap_words("a", "a chanter")
        page.until(f"{THERE} && document.querySelector('section')?.id === 'chanter'")
        _write(page, "chanter", {"name": "CH-1"})
        page.tap_words("a", "An order for it")
        _write(page, "order", {"name": "O-1", "quantity": "2"})
        page.tap_words("a", "New reeds for it")
        _write(page, "reeds", {"name": "R-1", "count": "2", "reed_type": "cane", "batch": "B-1"})
        page.tap_words("a", "Go to R-1")
        page.until(f"{THERE} && document.querySelector('.answer .do')?.innerText.includes('read it first')")
        _read(page, *READINGS[0])
        page.until("document.querySelector('.answer button.main')")
        page.tap_words(".answer button.main", "Cut as advised")
        page.until("document.querySelector('.story summary')?.innerText.includes('trim')")
        page.tap_words("a", "Its ticket")
        page.until("document.images.length === 1 && document.images[0].naturalWidth > 0")
        assert page.faults == []


@pytest.mark.parametrize(("width", "height"), WIDTHS)
def test_a_shop_of_six_reeds_from_first_reading_to_ticket(
    page: Page, shop: Visitor, tmp_path: Path, width: int, height: int
) -> None:
    page.shape(width, height)
    most = 0
    for k in range(1, 7):
        page.open(f"http://{shop.host}/")
        _fits(page)
        before = page.taps
        named = f"[...document.querySelectorAll('a.reed')].find((e) => e.querySelector('.who').textContent === 'R-{k}')"
        page.tap(named)
        page.until(f"document.readyState === 'complete' && document.querySelector('h1')?.textContent === 'R-{k}'")
        _fits(page)
        for f, e in READINGS:
            _read(page, f, e)
            if page.run("!!document.querySelector('.doubt')"):
                page.tap_words(".doubt a", "It is right")
                page.until("!document.querySelector('.doubt')")
            if not page.run("!!document.querySelector('.answer button.main')"):
                break
            page.tap_words(".answer button.main", "Cut as advised")
            page.until("document.querySelector('.story summary')?.innerText.includes('trim')")
            most = max(most, page.taps - before)
            before = page.taps
        page.tap_words("button", "Good")
        page.until("document.body.innerText.includes('left the bench') || document.querySelector('.doubt')")
    page.open(f"http://{shop.host}/tickets?order=O-1")
    page.until("[...document.images].length === 6")
    assert page.faults == []
    assert 0 < most <= 30, f"{most} taps for a reading with its cut"
    with Journal(tmp_path / "six.trimfit") as journal:
        assert journal.count("outcome") == 6
        assert journal.of_reed("R-1").readings[0].record.notes_hz["f"] == pytest.approx(768.0)


def test_two_browsers_at_once_on_one_reed(page: Page, shop: Visitor, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    with chromium(tmp_path / "other") as other:
        for one in (page, other):
            one.shape(360, 740)
            one.open(f"http://{shop.host}/reed?name=R-1")
        _read(page, *READINGS[0])
        _read(other, *READINGS[1])
        other.until("document.querySelectorAll('.story time').length === 2")
    with Journal(tmp_path / "six.trimfit") as journal:
        assert len(journal.of_reed("R-1").readings) == 2


def test_a_net_that_drops_in_mid_entry_loses_nothing_and_doubles_nothing(
    page: Page, shop: Visitor, tmp_path: Path
) -> None:
    page.shape(360, 740)
    page.open(f"http://{shop.host}/reed?name=R-1")
    page.offline(True)
    for digits in ("7680", "7120"):
        for digit in digits:
            page.tap_words("[data-keypad] button", digit)
    page.tap_words("[data-reading] button.main", "Log the reading")
    page.until("!document.getElementById('unsent').hidden")
    page.offline(False)
    page.until("document.querySelectorAll('.story time').length === 1 || document.querySelector('.doubt')")
    page.until("document.getElementById('unsent').hidden")
    with Journal(tmp_path / "six.trimfit") as journal:
        assert len(journal.of_reed("R-1").readings) == 1


def test_the_planned_cut_is_redrawn_as_it_is_typed(page: Page, log: Path) -> None:
    with serving(log) as visitor:
        page.shape(1280, 800)
        page.open(f"http://{visitor.host}/reed?name=R-0353")
        before = page.run("document.querySelector('[data-plan]').getAttribute('x1')")
        page.tap("document.querySelector('input[data-kind=mm]')")
        for digit in ("1", "2"):
            page.tap_words("[data-keypad] button", digit)
        page.until("document.querySelector('[data-after]').textContent.includes('0.12 mm')")
        assert page.run("document.querySelector('[data-plan]').getAttribute('x1')") != before
        assert page.faults == []


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(("width", "height"), [*WIDTHS, (768, 1024)])
def test_every_screen_fits_light_and_dark(page: Page, look: Visitor, path: str, width: int, height: int) -> None:
    for dark in (False, True):
        page.shape(width, height, dark=dark)
        page.open(f"http://{look.host}{path}")
        _fits(page)
    expected = "404 (Not Found)" if path == "/nowhere" else "nothing"  # which a browser writes down
    assert [fault for fault in page.faults if expected not in fault] == []
