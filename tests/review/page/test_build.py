"""The page: self-contained, sound markup, every name escaped, small for a decade's log, the same bytes again."""

from __future__ import annotations

import dataclasses
import os
import re
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from tests import demo_made
from tests.review import made_up_report
from tests.review.conftest import EMPTY
from trimfit.base.records import Action, Order
from trimfit.base.units import Interval
from trimfit.review.page import build, html_pieces, page_parts
from trimfit.review.pictures import shop, style
from trimfit.review.results import (
    ChanterMap,
    ChartPoint,
    DriftLimits,
    FinishedReed,
    OpenOrder,
    Report,
    RunMap,
    RunReed,
    StartSpread,
    Validation,
    ValidationRow,
)

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Reader(HTMLParser):
    """Reads a page and keeps what the tests ask about; `faults` holds tags that do not match."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.faults: list[str] = []
        self.words: list[tuple[str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and data.strip():
            self.words.append((self.open[-1], data))

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def read(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    reader.close()
    return reader


def write(folder: Path) -> list[Path]:
    """The paths of a report in which nasty names stand wherever a name can, a picture of each kind drawn."""
    with patch.object(page_parts, "render", demo_made.first_of_each_kind()):
        return build.write(folder, made_up_report.report(made_up_report.NASTY))


def write_few(folder: Path) -> list[Path]:
    """The paths of the same report, of whose pictures those alone are drawn that take the least time."""
    draw = demo_made.first_of_each_kind()

    def render(picture: style.Picture) -> style.Rendered:
        drawn = picture.key.startswith(("reed-", "run-", "chanter-", "chart-"))
        return draw(picture) if drawn else style.Rendered(EMPTY, EMPTY, b"")

    with patch.object(page_parts, "render", render):
        return build.write(folder, made_up_report.report(made_up_report.NASTY))


@pytest.fixture(scope="module")
def nasty(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, list[Path]]:
    """The page of that report, and the paths written."""

    def make(folder: Path) -> None:
        paths = write(folder / "a" / "report")
        (folder / "paths").write_text("\n".join(map(str, paths)), encoding="utf-8")

    made = demo_made.once(tmp_path_factory, "nasty-report", make)
    paths = [Path(line) for line in (made / "paths").read_text(encoding="utf-8").split("\n")]
    return paths[0].read_text(encoding="utf-8"), paths


def test_markup_is_sound(nasty: tuple[str, list[Path]]) -> None:
    reader = read(nasty[0])
    assert reader.faults == []
    assert reader.open == []
    ids = [attributes["id"] for _, attributes in reader.tags if attributes.get("id")]
    assert len(ids) == len(set(ids))
    targets = {str(link["href"])[1:] for link in reader.of("a")} | {
        one for svg in reader.of("svg") for one in str(svg["aria-labelledby"]).split()
    }
    assert targets <= set(ids)
    used = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', " ".join(re.findall(r"<[^>]*>", nasty[0]))))
    assert used <= set(ids)


def test_nothing_is_fetched_and_nothing_runs(nasty: tuple[str, list[Path]]) -> None:
    reader = read(nasty[0])
    tags = {tag for tag, _ in reader.tags}
    assert not tags & {"script", "img", "iframe", "object", "embed", "image", "foreignobject"}
    for _, attributes in reader.tags:
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href", "xlink:href"):
            assert str(attributes.get(name) or "#").startswith(("#", "data:,"))
    assert "@import" not in nasty[0]
    assert not re.search(r"url\((?!#)", " ".join(re.findall(r"<[^>]*>", nasty[0])))


def test_names_are_words_and_never_markup(nasty: tuple[str, list[Path]]) -> None:
    words = " ".join(word for _, word in read(nasty[0]).words)
    assert "<script>alert('reed')</script>" in words
    assert "=1+1evil" in words
    assert "(no name)" in words
    assert "--><!-- ]]>" in words
    assert "\u202e" not in nasty[0]
    assert "\x00" not in nasty[0]
    assert "\x1b" not in nasty[0]
    assert max(len(word) for word in re.split(r"\s", words)) < 200


def test_pictures_say_what_they_show(nasty: tuple[str, list[Path]]) -> None:
    reader = read(nasty[0])
    svgs = reader.of("svg")
    assert len(svgs) == 2 * len(reader.of("figure")) > 20
    assert all(svg["role"] == "img" and svg["viewbox"] for svg in svgs)
    assert len(reader.of("title")) == len(svgs) + 1
    assert len(reader.of("desc")) == len(svgs)
    assert len(reader.of("figcaption")) == len(reader.of("figure"))
    for key in (svg["aria-labelledby"] for svg in svgs):
        assert key


def test_tables_have_captions_and_headings(nasty: tuple[str, list[Path]]) -> None:
    reader = read(nasty[0])
    assert len(reader.of("table")) == len(reader.of("caption")) > 5
    assert all(cell.get("scope") in ("col", "row") for cell in reader.of("th"))
    levels = [int(tag[1]) for tag, _ in reader.tags if tag in ("h1", "h2", "h3")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_files_stay_in_the_folder(nasty: tuple[str, list[Path]]) -> None:
    _, paths = nasty
    folder = paths[0].parent
    assert paths[0].name == "index.html"
    for path in paths[1:]:
        assert path.parent == folder / "pictures"
        assert re.fullmatch(r"[A-Za-z0-9_-]+\.(png|svg)", path.name)
        assert path.stat().st_size > 1000
    assert len({path.name.casefold() for path in paths}) == len(paths)
    assert {path for path in folder.rglob("*") if path.is_file()} == set(paths)


def test_light_dark_print_and_narrow_are_provided_for(nasty: tuple[str, list[Path]]) -> None:
    sheet = nasty[0][nasty[0].index("<style>") : nasty[0].index("</style>")]
    assert "prefers-color-scheme:dark" in sheet
    assert "@media print" in sheet
    assert "max-width:40rem" in sheet
    used = set(re.findall(r"var\(--([a-z]+)", nasty[0]))
    assert used <= set(re.findall(r"--([a-z]+):#", sheet))


def test_an_empty_report_says_what_is_missing_and_how_to_get_it(tmp_path: Path) -> None:
    paths = build.write(tmp_path, Report())
    text = paths[0].read_text(encoding="utf-8")
    reader = read(text)
    assert paths == [tmp_path / "index.html"]
    assert reader.faults == []
    assert len(reader.of("section")) == 13
    for words in ("trimfit log order", "trimfit log reading", "trimfit learn", "--chanter"):
        assert words in text
    assert text.count('class="note"') >= 9
    assert "invented" not in text


@pytest.mark.usefixtures("undrawn")
def test_finished_reeds_overdue_orders_and_unread_reeds() -> None:
    left = FinishedReed("R-7", "band 9", "good", "2031-03-08 17:20", 0.61, 4, -1.4, Interval(473.8, 473.2, 474.4))
    gone = FinishedReed("R-8", None, "lost", "2031-03-07 09:00")
    late = OpenOrder("band 9", "Ch-3", "8 wanted by 2031-03-01, 1 good, none in work (overdue)", True)
    unread = RunReed(made_up_report.run_advice("R-9", "read-again", reason="not read yet: take F and E"), None, None)
    whole = made_up_report.run("band 9", 1)
    past = RunReed(made_up_report.run_advice("R-10", "past", reason="F is over E"), None, None)
    run = dataclasses.replace(whole, reeds=(*whole.reeds, unread, past), progress="8 wanted")
    text, pictures = build.build(
        Report(
            as_of="2031-03-10 08:15",
            log_until="2031-03-09 17:40",
            runs=(run,),
            orders=(late,),
            finished=(left, gone),
            finished_in_all=70,
        )
    )
    words = " ".join(" ".join(word for _, word in read(text).words).split())
    for said in (
        "As of 2031-03-10 08:15: 0 reeds, 0 readings, 0 trims, the last entry of 2031-03-09 17:40.",
        "1 order is overdue .",
        "band 9 , chanter Ch-3 : 8 wanted by 2031-03-01, 1 good, none in work.",
        "Of 3 reeds in hand, in 1 order: 1 for a cut, 1 for a first reading of F and E, 1 past; see What to do",
        "70 reeds have left the bench",
        "R-7 band 9 good 0.61 4 \u22121 473.8 (473.2 to 474.4) 2031-03-08 17:20",
        "R-8 – lost 0.00 0 – – 2031-03-07 09:00",
        "68 more reeds are left out here",
        "R-9 read – – – not read yet: take F and E",
        "2 were never read with F and E, and cannot be drawn.",
    ):
        assert said in words
    assert list(pictures) == ["run-band-9-" + next(iter(pictures)).rsplit("-", 1)[1]]


@pytest.mark.usefixtures("undrawn")
def test_the_batches_picture_and_their_table_subtract_the_same_norm() -> None:
    """Was: the table said how fast a batch settles, the picture how much faster than its type."""
    (one,) = made_up_report.batches(1, 0)
    settling = dataclasses.replace(one, settle_cents_per_week=Interval(3.0, 2.5, 3.5), settle_norm_cents_per_week=2.0)
    text, _ = build.build(Report(batches=(settling,)))
    assert "+1.0 <span" in text.partition("Batches not called drifted")[2]
    with style.style():
        axes = shop.batches((settling,), DriftLimits()).draw(False).axes[2]
    assert [list(line.get_ydata()) for line in axes.lines if line.get_label() == settling.reed_type] == [[1.0]]


@pytest.mark.usefixtures("undrawn")
def test_every_limit_of_a_batch_is_named_the_gaps_start_too() -> None:
    """Was: of the gap's start, which counts as well, not a word."""
    text, _ = build.build(
        Report(batches=tuple(made_up_report.batches(1, 0)), drift_limits=DriftLimits(11.0, 13.0, 4.0))
    )
    said = text.partition("A batch counts as off when ")[2].partition("</p>")[0]
    assert "11 cents of crow from its type's norm" in said.replace("&#39;", "'")
    assert "as much length more or less as 22 cents of crow" in said
    assert "13 % differently" in said
    assert "4 cents a week" in said


@pytest.mark.usefixtures("undrawn")
def test_readings_and_sittings_that_tell_a_level_are_told_apart() -> None:
    """Was: 6 in both rows, once of readings and once of sittings."""
    one = made_up_report.reading_error("gap", 1.3, 1.9, 1.8, 6)
    text, _ = build.build(
        Report(repeatability=(one, dataclasses.replace(one, output="crow", readings_in_sitting=None)))
    )
    assert re.findall(r'data-head="known to ± 1 cent after">([^<]*)', text) == ["6 readings", "6 sittings"]


@pytest.mark.usefixtures("undrawn")
def test_what_to_do_is_one_list_across_orders_with_nothing_left_to_do_last() -> None:
    def reed(name: str, action: Action, *work: Any, then_hz: tuple[float, ...] = ()) -> RunReed:
        advice = made_up_report.run_advice(name, action, *work, batch="B-1")
        return RunReed(advice, Interval(-9.0, -12.0, -6.0), Interval(470.0, 469.0, 471.0), *then_hz)

    one = RunMap(Order("first", "Ch-1"), (reed("a", "finished"), reed("b", "read-again", then_hz=(781.02, 706.0))))
    two = RunMap(Order("second", "Ch-2", due_on="2031-04-01"), (reed("c", "trim", 0.3, 2),))
    text, _ = build.build(Report(runs=(one, two)))
    table = text[text.index("<caption>What to do") :].partition("</table>")[0]
    rows = [" ".join(re.sub(r"<[^>]*>", " ", row).split()) for row in table.split("<tr>")[2:]]
    assert rows == [
        "b B-1 first – read again – – 781.0 706.0",
        "c B-1 second 2031-04-01 cut 0.30 2 – –",
        "a B-1 first – finished – – – –",
    ]
    assert [text.index(f'id="{key}-h"') for key in ("work", "batches", "orders", "finished", "numbers")] == sorted(
        text.index(f'id="{key}-h"') for key in ("work", "batches", "orders", "finished", "numbers")
    )


def test_what_is_long_is_folded_and_charts_without_a_signal_are_not_drawn(nasty: tuple[str, list[Path]]) -> None:
    folded = re.sub(r"<details>.*?</details>", "", nasty[0], flags=re.S)
    assert "<table" not in folded[folded.index('id="finished"') :]
    assert len(re.findall("<figure", folded)) <= 3
    quiet = dataclasses.replace(made_up_report.chart("ewma", 12), points=(ChartPoint("B-1", 1.0, -3.0, 3.0),))
    text, pictures = build.build(Report(charts=(quiet,)))
    assert f"None of 1 chart signals: {quiet.reed_type} ({quiet.what})." in re.sub("<[^>]*>", "", text)
    loud = made_up_report.chart("ewma", 12)
    assert any(point.signal for point in loud.points)
    text, _ = build.build(Report(charts=(loud, quiet, dataclasses.replace(quiet, reed_type="ridge", what="slope"))))
    assert f"2 more charts show no signal: {quiet.reed_type} ({quiet.what}), ridge (slope)." in re.sub(
        "<[^>]*>", "", text
    )
    assert not pictures


@pytest.mark.usefixtures("undrawn")
def test_batches_without_a_day_of_making_claim_no_order_of_making() -> None:
    undated = tuple(dataclasses.replace(one, made_on=None) for one in made_up_report.batches(2, 0))
    text, _ = build.build(Report(batches=undated))
    assert "Batches by name, no day of making known" in text
    assert "order of making" not in text


@pytest.mark.usefixtures("undrawn")
def test_one_type_is_not_told_twice_and_no_line_is_claimed_that_is_not_drawn() -> None:
    found = dataclasses.replace(made_up_report.validation(), misses=())
    rows = tuple(row for row in found.rows if row.output == "gap")
    text, _ = build.build(Report(validation=dataclasses.replace(found, rows=rows)))
    table = text[text.index("<caption>Each batch left out of the coefficients") :]
    assert table[: table.index("</table>")].count("<tr>") == 2  # its heads and the one row
    assert "zero line" not in text


def test_the_same_findings_give_the_same_bytes_in_another_process(
    nasty: tuple[str, list[Path]], tmp_path: Path
) -> None:
    """The page without its pictures, and the pictures of four kinds, each byte for byte."""
    here = nasty[1]
    code = (
        "import pathlib, sys; sys.path.insert(0, sys.argv[1]); "
        "from tests.review.page import test_build; test_build.write_few(pathlib.Path(sys.argv[2]))"
    )
    environment = {**os.environ, "PYTHONHASHSEED": "77", "TZ": "Pacific/Auckland", "SOURCE_DATE_EPOCH": "86400"}
    there = tmp_path / "there"
    subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parents[3]), str(there)], check=True, env=environment
    )
    again = [there / path.relative_to(here[0].parent) for path in here]
    drawn = [(one, other) for one, other in zip(here[1:], again[1:], strict=True) if other.stat().st_size > len(EMPTY)]
    assert len(drawn) > 15
    for one, other in drawn:
        assert other.read_bytes() == one.read_bytes(), one.name
    page, other_page = (
        re.sub("<svg.*?</svg>", "", at[0].read_text(encoding="utf-8"), flags=re.S) for at in (here, again)
    )
    assert len(page) > 10_000
    assert other_page == page


@pytest.mark.usefixtures("undrawn")
def test_two_reeds_of_like_names_keep_their_own_pictures() -> None:
    report = Report(stories=(made_up_report.story("r-1"), made_up_report.story("R-1"), made_up_report.story("r-1")))
    _, pictures = build.build(report)
    assert len({key.casefold() for key in pictures}) == 3


@pytest.mark.usefixtures("undrawn")
def test_progress_is_told_and_missing_parts_do_no_harm() -> None:
    told: list[str] = []
    report = made_up_report.report()
    bare = dataclasses.replace(report.chanters[0], meet_pitch_hz=None, asked=(), points=(), g_octave=None)
    text, pictures = build.build(
        Report(
            chanters=(bare,),
            batches=made_up_report.batches(1, 0),
            runs=(made_up_report.run("o", 0), made_up_report.run("p", 1)),
        ),
        told.append,
    )
    assert len(told) == len(pictures) == 2
    assert read(text).faults == []
    assert "None of 1 batch is called drifted" in text


def test_numbers_have_a_true_minus_and_no_signed_zero_and_claim_no_certainty() -> None:
    assert page_parts.between(Interval(-38.2, -46.0, 0.04)) == '\u221238 <span class="r">(\u221246 to 0)</span>'
    assert page_parts.between(Interval(0.0, float("-inf"), float("inf"))) == page_parts.between(None) == "–"
    assert [page_parts.percent(chance) for chance in (0.0, 0.004, 0.5, 0.999, 1.0)] == [
        "under 0.1\u00a0%",
        "0.4\u00a0%",
        "50\u00a0%",
        "over 99\u00a0%",
        "over 99\u00a0%",
    ]


def decade() -> Report:
    """A decade's findings: every list far longer than what is shown."""
    whole = made_up_report.report()
    chanters = tuple(made_up_report.chanter(f"Ch-{i}", 466.0 + i % 13, 520.0 + i % 40) for i in range(300))
    return dataclasses.replace(
        whole,
        reeds=60_000,
        runs=tuple(made_up_report.run(f"order {i}", 600) for i in range(12)),
        stories=tuple(made_up_report.story(f"R-{i}") for i in range(600)),
        batches=made_up_report.batches(2400, 150),
        charts=tuple(made_up_report.chart("ewma", 800) for _ in range(20)),
        chanters=tuple(dataclasses.replace(one, points=one.points * 20) for one in chanters),
        types=made_up_report.types(30),
        validation=made_up_report.validation(20_000),
    )


@pytest.mark.slow
def test_a_decades_page_is_under_three_megabytes_and_says_what_is_left_out() -> None:
    text, pictures = build.build(decade())
    assert len(text.encode("utf-8")) < 3_000_000
    assert len(pictures) <= 26
    for words in (
        "90 more batches",
        "2,190 more batches",
        "8 more orders",
        "594 more reeds",
        "540 more reeds",
        "7,140 more reeds",
        "240 more chanters",
        "more charts that signal are left out",
    ):
        assert words in text


# A window is never narrower than some 500 pixels, a frame may be: the page is opened in a frame of the width wanted,
# measures itself, and tells the page around it.
MEASURE = """<script>addEventListener("load", function () {
  var most = 0, pictures = 0;
  document.querySelectorAll("body *").forEach(function (n) {
    var box = n.getBoundingClientRect();
    if (n.tagName == "svg" && box.width > 0) { pictures += 1; }
    if (!n.closest("svg *") && !n.closest("thead")) { most = Math.max(most, box.right + scrollX); } });
  parent.postMessage([innerWidth, document.documentElement.scrollWidth, Math.ceil(most), pictures].join(" "), "*"); });
</script>"""
FRAME = """<!DOCTYPE html><meta charset="utf-8"><link rel="icon" href="data:,"><script>addEventListener("message",
function (told) { document.documentElement.setAttribute("data-measured", told.data); });</script>
<iframe src="inner.html" style="width:%dpx;height:900px;border:0"></iframe>"""


def browse(text: str, width: int, folder: Path) -> tuple[list[int], list[str]]:
    """Open a page in headless Chromium at a width.

    Returns inner width, scroll width, rightmost edge and number of pictures seen, and the lines on the console.
    """
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    assert chromium, "this test needs Chromium on the machine"
    (folder / "inner.html").write_text(text.replace("</body>", MEASURE + "</body>"), encoding="utf-8")
    (folder / "frame.html").write_text(FRAME % width, encoding="utf-8")
    flags = "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
    flags += " --disable-component-update --disable-sync --enable-logging=stderr --v=0 --dump-dom"
    flags += " --virtual-time-budget=10000 --window-size=1400,1000"
    run = subprocess.run(
        [chromium, *flags.split(), f"--user-data-dir={folder / 'profile'}", (folder / "frame.html").as_uri()],
        capture_output=True,
        text=True,
        timeout=90,
        check=True,
    )
    measured = re.search(r'data-measured="([^"]*)"', run.stdout)
    assert measured, "the page did not load"
    return [int(word) for word in measured[1].split()], [line for line in run.stderr.splitlines() if "CONSOLE" in line]


@pytest.mark.browser
def test_the_browser_check_sees_overflow_and_errors(tmp_path: Path) -> None:
    bad = (
        "<!DOCTYPE html><html><body><div style='width:2000px'>x</div>"
        "<script>console.error('a fault')</script></body></html>"
    )
    (inner, scroll, edge, pictures), console = browse(bad, 360, tmp_path)
    assert (inner, pictures) == (360, 0)
    assert scroll >= 2000
    assert edge >= 2000
    assert any("a fault" in line for line in console)


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 640, 768, 1024, 1280])
def test_chromium_shows_the_page_without_error_or_overflow(
    nasty: tuple[str, list[Path]], width: int, tmp_path: Path
) -> None:
    (inner, scroll, edge, pictures), console = browse(nasty[0].replace("<details>", "<details open>"), width, tmp_path)
    assert console == []
    assert inner == width
    assert scroll <= width
    assert edge <= width
    assert pictures == nasty[0].count("<figure")


@pytest.mark.usefixtures("undrawn")
def test_orders_of_about_one_pitch_are_shown_together_and_each_chanters_notes_in_words() -> None:
    page, drawn = build.build(made_up_report.report())
    assert "one-pitch" in drawn
    text = re.sub(r"<[^>]+>", "", page)
    assert "2 orders that ask for about one pitch (band 9, solo)" in text
    assert "476.0 Hz costs least, 2.5 hours of work, 3.3 with what lost reeds cost" in text
    assert "6.0 of 6 reeds are then expected to end good" in text
    assert "Ch-3: F 14 cents sharp of its kind: carved?" in text
    assert "1 chanter with no note off" in text
    assert text.count("In cents; + is sharp.") == 2
    # on a telephone pitch and crow come first, on lines of their own; the stock is folded away
    asked = page[page.index("What each chanter asks for</caption>") :].partition("</table>")[0]
    own = re.findall(r'<td class="[^"]*\bown\b[^"]*" data-head="([^"]*)">', asked)[:2]
    assert [head.partition(",")[0] for head in own] == ["meets at", "crow it asks for"]
    assert "Stock that suits each chanter" not in asked
    assert "<summary>Stock that suits each chanter" in page
    row = re.search(r"<tr>(?:(?!<tr>).)*>F <span.*?</tr>", page[page.index("The notes of Ch-3") :], flags=re.S)
    assert row is not None
    assert "+14" in row[0]
    assert "(+11 to +17)" in row[0]
    assert "unusual" in row[0]
    bare = dataclasses.replace(made_up_report.report(), one_pitch=None)
    assert "one-pitch" not in build.build(bare)[1]


@pytest.mark.usefixtures("undrawn")
def test_an_order_whose_reeds_were_never_read_has_no_picture_without_a_mark() -> None:
    run = made_up_report.run()
    unread = dataclasses.replace(run.reeds[0], gap_cents=None, pitch_hz=None)
    page, drawn = build.build(dataclasses.replace(Report(), runs=(dataclasses.replace(run, reeds=(unread,)),)))
    assert not any(key.startswith("run-") for key in drawn)
    assert "was never read with F and E, and cannot be drawn" not in page
    _, drawn = build.build(dataclasses.replace(Report(), runs=(run,)))
    assert any(key.startswith("run-") for key in drawn)


@pytest.mark.usefixtures("undrawn")
def test_where_the_simple_rule_did_better_and_where_readings_are_few_the_page_says_so() -> None:
    def said(readings: int, error: float) -> str:
        rows = (ValidationRow("gap", "", readings, error, 3.0, 3.0, ((90.0, 88.0),), readings + 9, readings),)
        return build.build(dataclasses.replace(Report(), validation=Validation(rows)))[0]

    assert "That is worse than the simple rule" in said(300, 4.0)
    assert "That is better than the simple rule" in said(300, 2.0)
    assert "Few, so these figures may change much. Whether that beats the simple rule" in said(7, 2.0)
    assert "Coverage of the 90 % intervals, of all readings predicted: 88 % of the gap." in said(300, 2.0)
    assert "Coverage of the 90 % intervals, of" not in said(7, 2.0)
    crows = [
        ValidationRow("crow", f"type {of}", 90, 3.0, coverage=((90.0, of),), predicted_readings=90)
        for of in (87.0, 98.0)
    ]
    gap = ValidationRow("gap", "", 300, 2.0, 3.0, 3.0, ((90.0, 93.0),), 309)
    page = build.build(dataclasses.replace(Report(), validation=Validation((gap, *crows))))[0]
    assert "93 % of the gap, of the crow 87 to 98 %, type by type." in page


@pytest.mark.usefixtures("undrawn")
def test_a_batch_of_which_too_little_was_read_says_so() -> None:
    why = "too little was read to say whether it is as its type's batches are"
    batch = dataclasses.replace(made_up_report.batches()[0], drifted=False, unsure=True, why=why)
    page = build.build(dataclasses.replace(Report(), batches=(batch,)))[0]
    words = " ".join(" ".join(word for _, word in read(page).words).split())
    assert "too little was read to say whether it is as its type's batches are." in words
    assert "all lie about the norm" not in page
    assert "Of 1 too little was read to say." in page


@pytest.mark.usefixtures("undrawn")
def test_a_reason_is_told_once_and_what_was_stated_of_a_chanter_and_never_read_is_counted() -> None:
    note = "its last reading's A's are 5 cents apart, so it counts for less"
    advice = made_up_report.run_advice("R-1", "trim", 0.3, notes=(note,))
    advice = dataclasses.replace(advice, why=f"F is 29 cents under E; {note}")
    told = ChanterMap("Far 1", told_pitch_hz=471.0, told_crow_hz=548.0, told_crow_type="hard moulded", why="never read")
    wide = ChanterMap("Ch-9", 3, 2, Interval(470.0, 466.0, 474.0), why="wide")
    story = dataclasses.replace(made_up_report.story(), advice=advice)
    far = ChanterMap("Far 2", away=True, why="never read")
    text, _ = build.build(Report(stories=(story,), chanters=(told, wide, far)))
    words = " ".join(" ".join(word for _, word in read(text).words).split())
    assert words.count(note) == 1
    assert "crow C#-20 (hard moulded), pitch 471.0 Hz" in words
    assert "no name" not in words  # of Ch-9 nothing was stated
    assert "2 chanters at hand are known to no better than" in words
    assert "F and E were never read in 1 of them" in words


@pytest.mark.usefixtures("undrawn")
def test_of_too_few_new_reeds_no_spread_is_said() -> None:
    """Was: 90 in a hundred have a gap of -356 to 268 cents."""
    of_seven = StartSpread("cane", "gap", "cents", 7, -44.0, -356.0, 268.0)
    page, _ = build.build(dataclasses.replace(made_up_report.report(), starts=(of_seven,)))
    assert "Too few new reeds were read to say how far their gap spreads: 7 " in page
    assert "to 268" not in page
    assert not StartSpread("cane", "crow", "Hz", 90, 505.0, 480.0, 530.0).too_wide


def test_a_short_name_is_not_broken_at_its_hyphen() -> None:
    assert html_pieces.named("R-0281") == '<bdi class="r">R-0281</bdi>'
    assert html_pieces.named("CH-03 old flat chanter") == "<bdi>CH-03 old flat chanter</bdi>"
