"""Findings and figures -> one page that needs nothing but itself: no network, no script. Same findings, same bytes.

Long logs are cut to what a person reads: each table and row of pictures says how many were left out.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from trimfit.base.errors import InputError
from trimfit.base.plain_words import counted
from trimfit.review.page import bench_sections, shop_sections, work_sections
from trimfit.review.page.html_pieces import bullets, named, ready, rendered, stylesheet
from trimfit.review.page.page_parts import Folio
from trimfit.review.page.shop_sections import most_drifted
from trimfit.review.pictures.style import Rendered
from trimfit.review.results import Report
from trimfit.review.safe_names import refuse_link, short

MOST_NAMED = 5
_WRITTEN_BY = b'<a class="skip" href="#main">To the findings</a>'  # as it stands in each page


def write(folder: Path, findings: Report, progress: Callable[[str], None] | None = None) -> list[Path]:
    """Write `index.html` and `pictures/*.png`, `pictures/*.svg` into `folder`; returns the paths, the page first.

    folder: made if it is not there; files of the same names are replaced, others are let be.
    progress: called with each picture's title before it is drawn. Raises OSError where the folder cannot be written.
    """
    refuse_foreign(folder)
    page, drawn = build(findings, progress)
    (folder / "pictures").mkdir(parents=True, exist_ok=True)
    written = {folder / "index.html": page.encode("utf-8")}
    for key, picture in drawn.items():
        written[folder / "pictures" / f"{key}.png"] = picture.png
        written[folder / "pictures" / f"{key}.svg"] = picture.wide_svg.encode("utf-8")
    for path, content in written.items():
        refuse_link(path)
        path.write_bytes(content)
    return list(written)


def refuse_foreign(folder: Path) -> None:
    """Raises InputError where a page or pictures would be written over, or through, what no report wrote."""
    page, pictures = folder / "index.html", folder / "pictures"
    for path in (page, pictures):
        refuse_link(path)
    if page.exists() and not (page.is_file() and _WRITTEN_BY in page.read_bytes()):
        raise InputError("no report wrote this file", str(page), "name another folder")
    if not page.exists() and pictures.exists() and any(pictures.iterdir()):
        raise InputError("holds files beside which no report lies", str(pictures), "name another folder")


def build(findings: Report, progress: Callable[[str], None] | None = None) -> tuple[str, dict[str, Rendered]]:
    """The page as text, and each picture in its finished forms by file stem."""
    folio = Folio(progress, _types(findings))
    folio.section("glance", "At a glance", _glance(findings))
    folio.section("work", "What to do", work_sections.work(findings))
    if any(one.overdue for one in findings.orders):
        folio.section("overdue", "Orders overdue", work_sections.overdue(findings))
    folio.section("batches", "Batches", shop_sections.batches(findings, folio))
    folio.section("orders", "Orders", work_sections.orders(findings, folio))
    folio.section("reeds", "Reeds on the way", bench_sections.stories(findings, folio))
    folio.section("chanters", "Chanters", bench_sections.chanters(findings, folio))
    folio.section("types", "What each reed type does", shop_sections.types(findings, folio))
    folio.section("movement", "How reeds move with no work done", shop_sections.movement(findings))
    folio.section("validation", "How far to trust it", shop_sections.trust(findings))
    folio.section("charts", "Control charts", shop_sections.charts(findings, folio))
    folio.section("finished", "Reeds that left the bench", work_sections.finished(findings))
    folio.section("words", "Words used here", [rendered("words.html")])
    folio.section("numbers", "Appendix: the numbers", shop_sections.appendix(findings, folio))
    return _page(findings, folio), folio.drawn


def _types(findings: Report) -> set[str]:
    """Every reed type that some picture of the page may show."""
    names = {kind.reed_type for kind in findings.types} | {batch.reed_type for batch in findings.batches}
    names |= {chart.reed_type for chart in findings.charts}
    for chanter in findings.chanters:
        names |= {one.reed_type for one in chanter.asked} | {one.reed_type for one in chanter.points}
    return names


def _page(findings: Report, folio: Folio) -> str:
    shop = short(findings.shop, 60) if findings.shop else ""
    return rendered(
        "page.html",
        title=f"Reed review of {shop}" if shop else "Reed review",
        stylesheet=ready(stylesheet()),
        shop=ready(named(findings.shop, 60)) if shop else "",
        counts=", ".join(
            counted(count, word)
            for count, word in ((findings.reeds, "reed"), (findings.readings, "reading"), (findings.trims, "trim"))
        ),
        as_of=f"As of {short(findings.as_of, 40)}: " if findings.as_of else "",
        until=f", the last entry of {short(findings.log_until, 40)}" if findings.log_until else "",
        invented=findings.invented,
        sections=[{"key": key, "title": title, "inside": ready(inside)} for key, title, inside in folio.sections],
    )


def _glance(findings: Report) -> list[str]:
    """How many of each thing want something, each with the section that says more."""
    lines = []
    advised = [(reed.advice.action, reed.gap_cents) for run in findings.runs for reed in run.reeds]
    waiting = sum(action == "trim" for action, _ in advised)
    unread = sum(action == "read-again" and gap is None for action, gap in advised)
    again = sum(action == "read-again" for action, _ in advised) - unread
    if findings.runs:
        kinds: list[tuple[int, str]] = [
            (waiting, "for a cut"),
            (unread, "for a first reading of F and E"),
            (again, "for another reading"),
            *(
                (sum(done == action for done, _ in advised), action.replace("-", " "))
                for action in ("finished", "past", "no-fit")
            ),
        ]
        parts = [f"{count} {what}" for count, what in kinds if count]
        in_hand = (
            f"{counted(len(advised), 'reed', 'reeds')} in hand, in {counted(len(findings.runs), 'order', 'orders')}"
        )
        lines.append(f"Of {in_hand}: {', '.join(parts)}; see <a href='#work'>What to do</a>.")
    late = sum(one.overdue for one in findings.orders)
    if late:
        lines.append(f"{counted(late, 'order is', 'orders are')} <a href='#overdue'>overdue</a>.")
    drifted = [batch for batch in findings.batches if batch.drifted]
    if drifted:
        names = ", ".join(named(batch.batch, 40) for batch in most_drifted(drifted)[:MOST_NAMED])
        lines.append(
            f"{len(drifted)} of {counted(len(findings.batches), 'batch has', 'batches have')} "
            f"<a href='#batches'>drifted</a>: {names}{' and others' if len(drifted) > MOST_NAMED else ''}."
        )
    elif findings.batches:
        lines.append(f"None of {counted(len(findings.batches), 'batch', 'batches')} is called drifted.")
    signalled = [chart for chart in findings.charts if any(point.signal for point in chart.points)]
    if signalled:
        signal = "signals" if len(signalled) == 1 else "signal"
        lines.append(f"{len(signalled)} of {len(findings.charts)} <a href='#charts'>control charts</a> {signal}.")
    at_hand = [chanter for chanter in findings.chanters if not chanter.away]
    unsure = [c for c in at_hand if c.meet_pitch_hz and c.meet_pitch_hz.high - c.meet_pitch_hz.low > 4.0]
    unread = sum(c.meet_pitch_hz is None for c in at_hand)
    if unsure or unread:
        lines.append(
            f"{counted(len(unsure) + unread, 'chanter at hand is', 'chanters at hand are')} known to no better than "
            f"± 2 Hz (half of the 90 % interval)"
            f"{f'; F and E were never read in {unread} of them' if unread else ''}: take a reed to "
            "the meeting point."
        )
    if findings.finished_in_all:
        lines.append(
            f"{counted(findings.finished_in_all, 'reed has', 'reeds have')} <a href='#finished'>left the bench</a>."
        )
    return [bullets(lines)] if lines else []
