"""Small pieces of HTML, from templates: text made safe, tables, figures with both their sheets, parts that fold.

No words of the trade."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from trimfit.review.pictures.style import DARK, LIGHT, Picture, Rendered, inline_svg
from trimfit.review.safe_names import short

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


ONE_LINE_LETTERS = 12
"""A name of so many letters is not broken at its hyphens."""


@cache
def _templates() -> Environment:
    """The page's templates; what a template is given is escaped unless it is markup already."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(loader=PackageLoader("trimfit.review.page"), autoescape=True, undefined=StrictUndefined)


@cache
def _pieces() -> Any:  # a template's macros are attributes that only the template knows
    return _templates().get_template("pieces.html").module


def ready(markup: str) -> Markup:
    """Markup that templates take as it is: names and texts in it have been through `text` or `named`."""
    from markupsafe import Markup

    return Markup(markup)  # noqa: S704


def rendered(template: str, **given: object) -> str:
    """A whole template with what it is given. Strings are escaped; hand in markup through `ready`."""
    return _templates().get_template(template).render(**given)


def text(value: str, limit: int = 400) -> str:
    """Any text as safe HTML on one line."""
    from markupsafe import escape

    return str(escape(short(value, limit)))


def named(name: str, limit: int = 60) -> str:
    """A name as safe HTML, kept apart from the reading direction of its surroundings; a short one on one line."""
    whole = ' class="r"' if len(name) <= ONE_LINE_LETTERS and not name.count(" ") else ""
    return f"<bdi{whole}>{text(name, limit)}</bdi>"


def paragraph(markup: str, css_class: str = "") -> str:
    """A paragraph of ready markup."""
    return str(_pieces().paragraph(ready(markup), css_class))


def bullets(lines: Iterable[str]) -> str:
    """A list of ready markup, a line each."""
    return str(_pieces().bullets([ready(line) for line in lines]))


def folded(summary: str, parts: Iterable[str]) -> str:
    """Ready markup that is folded away under its summary; empty where there is nothing to fold."""
    inside = "\n".join(part for part in parts if part)
    return str(_pieces().folded(ready(summary), ready(inside))) if inside else ""


def table(
    caption: str,
    heads: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    words: Sequence[int] = (0,),
    broad: bool = False,
    leading: int = 0,
) -> str:
    """A table of ready markup; the first cell of a row is its heading, columns in `words` are set left.

    On a narrow screen each row becomes a paragraph, and each cell says its column's name; a `broad` table does so on a
    tablet's too. leading: so many of the first cells stand there on lines of their own.
    """
    cells = [[ready(cell) for cell in row] for row in rows]
    return str(_pieces().table(caption, heads, cells, words, broad, leading))


def figure(picture: Picture, drawn: Rendered, key: str) -> str:
    """A picture with its caption; the sheet for wide or for narrow screens is chosen by the stylesheet."""
    wide = inline_svg(drawn.wide_svg, f"{key}w", picture.title, picture.words, "pic wide")
    narrow = inline_svg(drawn.narrow_svg, f"{key}n", picture.title, picture.words, "pic narrow")
    return str(_pieces().figure(key, picture.title, picture.caption, ready(wide), ready(narrow)))


def stylesheet() -> str:
    """The page's stylesheet with the pictures' colours in it, as ready markup."""
    light, dark = ("; ".join(f"--{role}:{colour}" for role, colour in palette.items()) for palette in (LIGHT, DARK))
    return rendered("page.css", light=light, dark=dark)
