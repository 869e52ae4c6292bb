"""Tickets to print."""

from __future__ import annotations

from tests.web.visitor import Visitor


def test_an_order_has_a_card_for_each_of_its_reeds(look: Visitor) -> None:
    order = look.ask("/")[0]["order"]
    files = look.ask("/tickets", order=order)["files"]
    assert files
    text = look.see("/tickets", order=order).text
    assert text.count("<img") == len(files)
    card = look.see(files[0])
    assert card.headers["content-type"] == "image/png"
    assert card.body.startswith(b"\x89PNG")


def test_an_order_that_is_not_there_is_said_in_words(look: Visitor) -> None:
    assert look.see("/tickets", order="O-none").status == 404
    assert look.see("/tickets/card.png", reed="nobody").status == 404
    refused = look.see("/tickets", accept="application/json")
    assert (refused.status, "no reed to write a ticket of" in refused.text) == (404, True)
    assert look.see("/tickets", reed="nobody").status == 404
