"""The page as a whole: which address is answered by which view, behind the guard."""

from __future__ import annotations

from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from trimfit.base.errors import TrimfitError
from trimfit.web.desk import Desk, NotYet
from trimfit.web.device_keys import Keys
from trimfit.web.replies import said_wrong
from trimfit.web.safety import Guard
from trimfit.web.views import coming_in, looking_back, new_entries, orders, reed, run, tickets

_STATIC = Path(__file__).with_name("static")


def bench_page(desk: Desk, keys: Keys | None = None) -> ASGIApp:
    """The application. keys: who may come in where the page is shared; None for this machine alone."""
    routes = [
        Route("/", run.run),
        Route("/reed", reed.reed),
        Route("/reed/reading", reed.enter_reading, methods=["POST"]),
        Route("/reed/trim", reed.enter_trim, methods=["POST"]),
        Route("/reed/event", reed.enter_event, methods=["POST"]),
        Route("/reed/outcome", reed.enter_outcome, methods=["POST"]),
        Route("/reed/strike", reed.strike, methods=["POST"]),
        Route("/reed/amend", reed.amend, methods=["POST"]),
        Route("/reed/moved", reed.moved, methods=["POST"]),
        Route("/reed/story", reed.story),
        Route("/new", new_entries.new),
        Route("/new/{what}", new_entries.new),  # where a form led, opened once more
        Route("/new/reeds", new_entries.enter_reeds, methods=["POST"]),
        Route("/new/chanter", new_entries.enter_chanter, methods=["POST"]),
        Route("/new/order", new_entries.enter_order, methods=["POST"]),
        Route("/orders", orders.orders),
        Route("/blanks", orders.blanks),
        Route("/allot", orders.allotment),
        Route("/put", orders.put, methods=["POST"]),
        Route("/batches", looking_back.batches),
        Route("/chanters", looking_back.chanters),
        Route("/chanters/sheet.png", looking_back.chanter_sheet),
        Route("/repeatability", looking_back.repeatability),
        Route("/tickets", tickets.tickets),
        Route("/tickets/card.png", tickets.card),
        Mount("/static", StaticFiles(directory=_STATIC)),
    ]
    if keys is not None:
        routes += [
            Route("/enter", coming_in.at_the_door),
            Route("/enter", coming_in.come_in, methods=["POST"]),
            Route("/devices", coming_in.devices, methods=["GET", "POST"]),
        ]
    handlers = dict.fromkeys((TrimfitError, NotYet, HTTPException, Exception), said_wrong)
    app = Starlette(routes=routes, exception_handlers=handlers)
    app.state.desk, app.state.keys = desk, keys
    return Guard(app, keys)
