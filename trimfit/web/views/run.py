"""The run: every reed that waits, most urgent first, and what to do with it now."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from starlette.requests import Request
from starlette.responses import Response

from trimfit.session.session import Session
from trimfit.verbs.ask import DONE, ask_all
from trimfit.web.replies import desk_of, page, wants_json
from trimfit.web.work_list import Waiting


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
        "counts": _counts(found),
        "first_steps": () if found else await desk.look(_first_steps),
    }
    return page(request, "run.html", None, context)


def _counts(found: Sequence[Waiting]) -> list[str]:
    """How much there is to do: `9 to cut`, `19 to read`."""
    actions = Counter(waiting.advice.action for waiting in found if waiting.advice is not None)
    counts = ((actions["trim"], "to cut"), (actions["read-again"], "to read"))
    return [f"{count} {word}" for count, word in counts if count]


def _first_steps(session: Session) -> list[tuple[str, str]]:
    """What a log needs before a reed can wait in it and does not have yet: its name, and its place on the page New."""
    steps = (("chanter", "a chanter", "chanter"), ("order", "an order for it", "order"), ("reed", "its reeds", "reeds"))
    return [(word, place) for kind, word, place in steps if not session.journal.count(kind)]
