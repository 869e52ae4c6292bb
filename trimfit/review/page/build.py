"""Findings and figures -> one page that needs nothing but itself: no network, no script. Same findings, same bytes.

Long logs are cut to what a person reads: each table and row of pictures says how many were left out.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from trimfit.base.errors import InputError
from trimfit.review.page import bench_sections, shop_sections
from trimfit.review.page.html_pieces import STYLESHEET, named, paragraph, text
from trimfit.review.page.page_parts import Folio, missing
from trimfit.review.pictures.style import Rendered
from trimfit.review.results import Report
from trimfit.review.safe_names import refuse_link, sentence, short

__all__ = ["build", "write"]

MOST_LATE = 5
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
    folio = Folio(progress)
    folio.section("glance", "At a glance", _glance(findings))
    folio.section("runs", "Runs in hand", bench_sections.runs(findings, folio))
    folio.section("finished", "Orders done: reeds finished", bench_sections.finished(findings, folio))
    folio.section("reeds", "Reeds on the way", bench_sections.stories(findings, folio))
    folio.section("batches", "Batches", shop_sections.batches(findings, folio))
    folio.section("charts", "Over time", shop_sections.charts(findings, folio))
    folio.section("chanters", "Chanters", bench_sections.chanters(findings, folio))
    folio.section("types", "What each reed type does", shop_sections.types(findings, folio))
    folio.section("movement", "How reeds move with no work done", shop_sections.movement(findings))
    folio.section("validation", "How far to trust it", shop_sections.trust(findings))
    folio.section("words", "Words used here", [_WORDS])
    folio.section("numbers", "Appendix: the numbers", shop_sections.appendix(findings, folio))
    return _page(findings, folio), folio.drawn


def _page(findings: Report, folio: Folio) -> str:
    shop = f" of {named(findings.shop, 60)}" if findings.shop else ""
    title = f"Reed review of {short(findings.shop, 60)}" if findings.shop else "Reed review"
    counts = f"{findings.reeds:,} reeds, {findings.readings:,} readings, {findings.trims:,} trims"
    until = f", the last entry of {text(findings.log_until, 40)}" if findings.log_until else ""
    invented = (
        paragraph("<strong>The shop, its reeds and all numbers on this page are invented.</strong>", "note")
        if findings.invented
        else ""
    )
    contents = "\n".join(f'<li><a href="#{key}">{head}</a></li>' for key, head, _ in folio.sections)
    body = "\n".join(
        f'<section id="{key}" aria-labelledby="{key}-h">\n<h2 id="{key}-h">{head}</h2>\n{inside}\n</section>'
        for key, head, inside in folio.sections
    )
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<link rel="icon" href="data:,">
<title>{text(title)}</title>
<style>
{STYLESHEET}
</style>
</head>
<body>
<a class="skip" href="#main">To the findings</a>
<header>
<h1>Reed review{shop}</h1>
<p class="quiet">{counts}{until}. Intervals hold nine times in ten unless they say otherwise.</p>
{invented}
</header>
<nav aria-label="Contents">
<ol>
{contents}
</ol>
</nav>
<main id="main">
{body}
</main>
<footer><p>Written by trimfit from the shop's own log. Every picture lies beside this page in the folder
<code>pictures</code>, as PNG and SVG.</p></footer>
</body>
</html>
"""


def _glance(findings: Report) -> list[str]:
    lines = []
    late = [one for one in findings.orders if one.overdue]
    for order in late[:MOST_LATE]:
        lines.append(f"Order {named(order.order, 40)} is overdue: {text(order.progress.removesuffix(' (overdue)'))}.")
    if len(late) > MOST_LATE:
        lines.append(f"{len(late) - MOST_LATE} more orders are overdue; see <code>trimfit ask --all</code>.")
    reeds = [reed for run in findings.runs for reed in run.reeds]
    waiting = sum(reed.action == "trim" for reed in reeds)
    unread = sum(reed.action == "read-again" and reed.gap_cents is None for reed in reeds)
    again = sum(reed.action == "read-again" for reed in reeds) - unread
    if findings.runs:
        kinds = ((waiting, "for a cut"), (unread, "for a first reading of F and E"), (again, "for another reading"))
        parts = [f"{count} {what}" for count, what in kinds if count] or ["none waits for a cut or a reading"]
        in_hand = (
            f"{_counted(len(reeds), 'reed', 'reeds')} in hand, in {_counted(len(findings.runs), 'order', 'orders')}"
        )
        lines.append(f"Of {in_hand}: {', '.join(parts)}.")
    if findings.finished_in_all:
        lines.append(
            f"{_counted(findings.finished_in_all, 'reed has', 'reeds have')} left the bench; "
            "see <a href='#finished'>Orders done</a>."
        )
    drifted = sorted((b for b in findings.batches if b.drifted), key=lambda b: (-b.chance_drifted, b.batch))
    for batch in drifted[:3]:
        lines.append(f"Batch {named(batch.batch, 40)} has drifted: {text(sentence(batch.why, 600), 600)}")
    if len(drifted) > 3:
        lines.append(f"{len(drifted) - 3} more batches have drifted; see <a href='#batches'>Batches</a>.")
    if findings.batches and not drifted:
        lines.append(f"None of {len(findings.batches)} batches is called drifted.")
    signalled = [chart for chart in findings.charts if any(point.signal for point in chart.points)]
    if signalled:
        lines.append(
            f"{len(signalled)} of {len(findings.charts)} control charts signal; see <a href='#charts'>Over time</a>."
        )
    unsure = [c for c in findings.chanters if c.meet_pitch_hz and c.meet_pitch_hz.high - c.meet_pitch_hz.low > 4.0]
    if unsure:
        lines.append(
            f"{len(unsure)} chanters are known to no better than two hertz either way: "
            "take a reed to the meeting point."
        )
    if not lines:
        return [
            missing(
                "The log holds nothing to review yet.",
                "Log a reed and its first reading: <code>trimfit log reed</code>, <code>trimfit log reading</code>.",
            )
        ]
    return [f'<ul class="glance">{"".join(f"<li>{line}</li>" for line in lines)}</ul>']


def _counted(count: int, one: str, many: str) -> str:
    return f"{count:,} {one if count == 1 else many}"


_WORDS = """<dl>
<dt>as low A</dt><dd>A note's sounding frequency over its just ratio. All notes of a chanter in tune read the same.</dd>
<dt>gap</dt><dd>F as low A less E as low A, in cents. Below zero the reed still wants length off.
Nothing can be put back.</dd>
<dt>meeting point</dt><dd>Where F and E read the same as low A. Its pitch is chiefly the chanter's own.</dd>
<dt>crow</dt><dd>The reed sounded alone, said in hertz or as a note and cents at A = 440.</dd>
<dt>past</dt><dd>The gap is above zero by more than the tolerance: the reed is lost for that chanter.</dd>
<dt>drifted</dt><dd>A batch that is off the norm of its type by more than the shop cares about, as good as surely.</dd>
</dl>"""
