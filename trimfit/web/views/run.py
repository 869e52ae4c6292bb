"""The run: every reed that waits, most urgent first, and what to do with it now."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from trimfit.verbs.ask import DONE, ask_all
from trimfit.web.replies import desk_of, page, wants_json
from trimfit.web.work_list import Waiting

__all__ = ["run"]


async def run(request: Request) -> Response:
    """The work list as far as it is worked out; as JSON, whole, what `ask --all --json` prints."""
    desk = desk_of(request)
    if wants_json(request):
        return page(request, "", await desk.review(ask_all), {})
    found, progress = await desk.work_list()
    todo: dict[str, list[Waiting]] = {}
    done: dict[str, list[Waiting]] = {}
    for waiting in found:
        ended = waiting.advice is not None and waiting.advice.action in DONE
        (done if ended else todo).setdefault(waiting.order, []).append(waiting)
    unknown = sum(1 for waiting in found if waiting.advice is None)
    context = {
        "todo": todo,
        "done": done,
        "orders": {one.order: one for one in progress},
        "reeds": len(found),
        "unknown": unknown,
    }
    return page(request, "run.html", None, context)
