"""An address as a square code for a camera (QR code, ISO/IEC 18004), by segno."""

from __future__ import annotations

import io

import segno
from markupsafe import Markup


def square_svg(address: str) -> Markup:
    """The code as SVG, dark on white whatever the page's own colours are: cameras want it so."""
    code = segno.make(address, error="m", micro=False)
    drawn = code.svg_inline(scale=6, border=4, dark="#000", light="#fff", svgclass="square", omitsize=True)
    return Markup(drawn)  # noqa: S704 - squares, and no text of the address


def square_text(address: str) -> str:
    """The code for a terminal, two rows of it a line."""
    out = io.StringIO()
    segno.make(address, error="l", micro=False).terminal(out, compact=True, border=2)
    return out.getvalue()
