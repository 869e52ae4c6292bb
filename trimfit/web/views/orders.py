"""The open orders: how far each has come, which reeds of the stock would go to them, and putting them there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from trimfit.base.errors import InputError
from trimfit.base.plain_words import counted
from trimfit.verbs.allot import Allotment, Allotted, allot
from trimfit.verbs.ask import open_orders
from trimfit.verbs.pick import picked, put_to
from trimfit.web.replies import desk_of, form_of, page, wants_json


async def orders(request: Request) -> Response:
    """The open orders, soonest due first."""
    return await _orders(request)


async def _orders(request: Request, *, taken: Sequence[str] | None = None) -> Response:
    found = await desk_of(request).look(open_orders)
    return page(request, "orders.html", found, {"orders": found, "taken": taken})


async def blanks(request: Request) -> Response:
    """Blanks for one order, best first; as JSON what `pick ORDER --json` prints. `all`: not only those near the
    quantity."""
    found = await desk_of(request).review(picked, request.query_params.get("order", ""))
    start, shown = found.start_and_shown(everything=bool(request.query_params.get("all")))
    ticked = {one.reed for one in found.free()[: start or 0]}
    context = {"found": found, "shown": shown, "ticked": ticked}
    return page(request, "blanks.html", found.blanks, context)


async def allotment(request: Request) -> Response:
    """Which reed for which order, for the orders named or for all; as JSON what `allot --json` prints."""
    names = tuple(request.query_params.getlist("order"))
    found = await desk_of(request).review(allot, names)
    return page(request, "allotment.html", found, {"found": found, "by_order": _by_order(found), "names": names})


def _by_order(found: Allotment) -> dict[str, list[Allotted]]:
    out: dict[str, list[Allotted]] = {}
    for one in found.allotted:
        out.setdefault(one.order, []).append(one)
    return out


async def put(request: Request) -> Response:
    """Put the reeds that were shown to their orders (fields `reed` and `order` in turn; one `order` for all)."""
    form = await form_of(request, (), lists=("reed", "order"))
    reeds, names = form.every("reed"), form.every("order")
    if not reeds:
        raise InputError("no reed was marked", "", "go back, mark the reeds and send it again")
    if len(names) not in (1, len(reeds)):
        came = f"{counted(len(reeds), 'reed')} and {counted(len(names), 'order')}"
        raise InputError(came, "", "give one order for all, or one after each reed")
    pairs = list(zip(reeds, names if len(names) == len(reeds) else names * len(reeds), strict=True))
    taken: list[str] = await desk_of(request).enter(put_to, pairs)
    if wants_json(request):
        answer: dict[str, Any] = {"taken": taken}
        return page(request, "", answer, {})
    return await _orders(request, taken=taken)
