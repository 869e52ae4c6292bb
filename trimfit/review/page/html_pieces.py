"""Small pieces of HTML: text made safe, tables with captions, figures with both their sheets. No words of the trade."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

from trimfit.review.pictures.style import DARK, LIGHT, Picture, Rendered, inline_svg
from trimfit.review.safe_names import short

__all__ = ["STYLESHEET", "figure", "named", "paragraph", "table", "text"]


def text(value: str, limit: int = 400) -> str:
    """Any text as safe HTML on one line."""
    return html.escape(short(value, limit))


def named(name: str, limit: int = 60) -> str:
    """A name as safe HTML, kept apart from the reading direction of its surroundings."""
    return f"<bdi>{text(name, limit)}</bdi>"


def paragraph(markup: str, css_class: str = "") -> str:
    """A paragraph of ready markup."""
    return f'<p class="{css_class}">{markup}</p>' if css_class else f"<p>{markup}</p>"


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]], *, words: Sequence[int] = (0,)) -> str:
    """A table of ready markup; the first cell of a row is its heading, columns in `words` are set left.

    On a narrow screen each row becomes a small card, and each cell says its column's name.
    """
    head = "".join(f'<th scope="col"{_side(place, words)}>{html.escape(name)}</th>' for place, name in enumerate(heads))
    body = []
    for row in rows:
        cells = [f'<th scope="row">{row[0]}</th>']
        for place, cell in enumerate(row[1:], start=1):
            cells.append(f'<td{_side(place, words)} data-head="{html.escape(heads[place])}">{cell}</td>')
        body.append(f"<tr>{''.join(cells)}</tr>")
    rest = "\n".join(body)
    return (
        f"<table><caption>{html.escape(caption)}</caption><thead><tr>{head}</tr></thead>\n"
        f"<tbody>\n{rest}\n</tbody></table>"
    )


def _side(place: int, words: Sequence[int]) -> str:
    return "" if place in words else ' class="n"'


def figure(picture: Picture, drawn: Rendered, key: str) -> str:
    """A picture with its caption; the sheet for wide or for narrow screens is chosen by the stylesheet."""
    wide = inline_svg(drawn.wide_svg, f"{key}w", picture.title, picture.words, "pic wide")
    narrow = inline_svg(drawn.narrow_svg, f"{key}n", picture.title, picture.words, "pic narrow")
    caption = f"<figcaption><b>{html.escape(picture.title)}.</b> {html.escape(picture.caption)}</figcaption>"
    return f'<figure id="{key}">\n{wide}\n{narrow}\n{caption}\n</figure>'


def _roles(palette: dict[str, str]) -> str:
    return ";".join(f"--{role}:{colour}" for role, colour in palette.items())


STYLESHEET = f"""
:root{{color-scheme:light dark;{_roles(LIGHT)}}}
@media (prefers-color-scheme:dark){{:root{{{_roles(DARK)}}}}}
*{{box-sizing:border-box}}
body{{margin:0;background:var(--paper);color:var(--ink);font:1rem/1.55 Charter,Georgia,"DejaVu Serif",serif;
overflow-wrap:anywhere}}
header,nav,main,footer{{max-width:60rem;margin:0 auto;padding:0 1rem}}
header{{padding-top:2rem}}
h1,h2,h3,nav,table,figcaption,.tag{{font-family:"DejaVu Sans",Verdana,sans-serif}}
h1{{font-size:1.7rem;line-height:1.2;margin:0 0 .4rem}}
h2{{font-size:1.25rem;margin:2.6rem 0 .6rem;padding-top:.5rem;border-top:3px double var(--sand)}}
h3{{font-size:1rem;margin:1.6rem 0 .4rem}}
a{{color:var(--e)}}
a:focus-visible{{outline:2px solid var(--e);outline-offset:2px}}
.skip{{position:absolute;left:-99rem}}
.skip:focus{{left:1rem;top:.5rem;background:var(--paper);padding:.4rem}}
.quiet{{color:var(--mute)}}
.note{{border-left:4px solid var(--sand);padding:.3rem .9rem;margin:1rem 0}}
nav ol{{columns:16rem 2;padding-left:1.4rem;margin:.6rem 0;font-size:.9rem}}
nav li{{break-inside:avoid;padding:.1rem 0}}
ul.glance{{padding-left:1.2rem}}
figure{{margin:1.2rem 0 1.8rem;padding:0}}
svg.pic{{display:block;width:100%;height:auto}}
svg.pic.wide{{max-width:50rem}}
svg.pic.narrow{{display:none;max-width:27rem}}
svg.pic text{{font-family:"DejaVu Sans",Verdana,sans-serif}}
svg.pic *{{stroke-linejoin:round;stroke-linecap:butt}}
figcaption{{font-size:.86rem;line-height:1.5;max-width:50rem;margin-top:.3rem}}
table{{border-collapse:collapse;width:100%;font-size:.84rem;margin:1rem 0 1.6rem;font-variant-numeric:tabular-nums}}
caption{{text-align:left;font-weight:bold;padding:.3rem 0}}
th,td{{text-align:left;vertical-align:top;padding:.32rem .5rem;border-bottom:1px solid var(--grid)}}
thead th{{border-bottom:2px solid var(--mute);color:var(--mute)}}
th.n,td.n{{text-align:right}}
thead th{{overflow-wrap:normal}}
tbody th,td:not(.n){{min-width:5.8em}}
td:last-child:not(.n){{min-width:11em}}
.r{{white-space:nowrap}}
.tag{{display:inline-block;font-size:.78rem;font-weight:bold;border:1.5px solid var(--past);color:var(--past);
padding:0 .35rem;border-radius:.2rem;white-space:nowrap}}
.tag.good{{border-color:var(--good);color:var(--good)}}
.tag.cut{{border-color:var(--cut);color:var(--cut)}}
.tag.mute{{border-color:var(--mute);color:var(--mute)}}
dl dt{{font-weight:bold}}dl dd{{margin:0 0 .5rem 1rem}}
footer{{padding-bottom:3rem;font-size:.86rem;color:var(--mute)}}
@media (max-width:40rem){{
svg.pic.wide{{display:none}}svg.pic.narrow{{display:block}}
nav ol{{columns:1}}
table,tbody,tr,th,td,caption{{display:block;width:100%}}
thead{{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}}
tbody tr{{display:grid;grid-template-columns:1fr 1fr;gap:.15rem .9rem;border:1px solid var(--grid);
border-radius:.3rem;padding:.4rem .6rem .5rem;margin-bottom:.6rem}}
th,td,td.n{{border:0;padding:0;text-align:left}}
tbody th,td:last-child{{grid-column:1/-1}}
td:empty{{display:none}}
td::before{{content:attr(data-head);display:block;font-size:.74rem;color:var(--mute)}}
}}
@media print{{
:root{{{_roles(LIGHT)};--paper:#ffffff}}
body{{font-size:10pt}}table{{font-size:7.5pt}}nav,.skip{{display:none}}
svg.pic.wide{{max-width:14.5cm}}svg.pic.narrow{{display:none}}tr td,tr th{{padding:.15rem .3rem}}
figure,tr{{break-inside:avoid}}h2,h3{{break-after:avoid}}
a{{color:inherit;text-decoration:none}}
}}
""".strip()
