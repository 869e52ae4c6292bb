"""The run: every reed that waits, most urgent first, and what to do with it now."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from trimfit.base.answers import Advice
from trimfit.verbs.ask import ask_all, open_orders
from trimfit.web.replies import desk_of, page

__all__ = ["run"]


async def run(request: Request) -> Response:
    """The work list; as JSON what `ask --all --json` prints."""
    desk = desk_of(request)
    found = await desk.answer(ask_all)
    orders = {one.order: one for one in await desk.answer(open_orders)}
    todo: dict[str, list[Advice]] = {}
    done: dict[str, list[Advice]] = {}
    for advice in found:
        waits = advice.action in ("trim", "read-again")
        (todo if waits else done).setdefault(advice.order or "", []).append(advice)
    context = {"todo": todo, "done": done, "orders": orders, "reeds": len(found)}
    return page(request, "run.html", found, context)
