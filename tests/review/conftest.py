"""Pages whose words are looked at, without the time that drawing takes."""

from __future__ import annotations

import pytest

from trimfit.review.page import page_parts
from trimfit.review.pictures.style import Picture, Rendered

EMPTY = '<svg viewBox="0 0 1 1"></svg>'


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures stand on the page with title, caption and words, but nothing is drawn in them."""

    def render(picture: Picture) -> Rendered:
        return Rendered(EMPTY, EMPTY, picture.key.encode())

    monkeypatch.setattr(page_parts, "render", render)
