"""The cards that go with reeds, to be printed one to a page."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from trimfit.base.errors import InputError
from trimfit.session.session import Session
from trimfit.verbs.reviews.ticket import NO_REED, ticket_picture, tickets_of
from trimfit.web.replies import desk_of, page, wants_json
from trimfit.web.words import link


async def tickets(request: Request) -> Response:
    """The cards of one reed, or of an order's reeds but those lost or put to stock; as JSON their addresses,
    and the command's refusal where there is none."""
    order, reeds = request.query_params.get("order", ""), request.query_params.getlist("reed")
    if order:
        reeds = [*reeds, *await desk_of(request).answer(tickets_of, order)]
    if not reeds and wants_json(request):
        raise InputError(*NO_REED)
    for reed in reeds:
        await desk_of(request).look(known, reed)
    answer = {"files": [link("/tickets/card.png", reed=reed) for reed in reeds]}
    return page(request, "tickets.html", answer, {"order": order, "reeds": reeds})


def known(session: Session, reed: str) -> None:
    """Raise InputError for a reed that the log does not know."""
    session.journal.reed_named(reed)


async def card(request: Request) -> Response:
    """One reed's card as PNG, drawn anew."""
    picture = await desk_of(request).review(ticket_picture, request.query_params.get("reed", ""))
    return Response(picture, media_type="image/png")
