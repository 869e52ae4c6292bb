"""The server: a socket on this machine, or with `share` on the workshop's network, and the page behind it."""

from __future__ import annotations

import socket
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from trimfit.base.errors import InputError, TrimfitError
from trimfit.session.session import Session
from trimfit.web.desk import Desk
from trimfit.web.device_keys import Keys
from trimfit.web.views.coming_in import door_address

HERE, EVERYWHERE = "127.0.0.1", "0.0.0.0"  # noqa: S104 - only where --share asks for it
MOST_AT_ONCE = 64
KEEP_OPEN_S = 15


def serve(log: Path, port: int, *, share: bool, announce: Callable[[str], None]) -> None:
    """Serve the page of the log at `log` until the process is told to stop.

    announce: called with the address once it can be opened. share: others of the network may come in, by a key that
    is part of the address and works once. Raises InputError where the port is taken, TrimfitError where it may not be
    used, and whatever opening the log does.
    """
    with Session(log, create=True):
        pass  # what is wrong with the log is said here, and not on every page
    keys = Keys() if share else None
    with closing(_listening(EVERYWHERE if share else HERE, port)) as listening:
        desk = Desk(log)  # with a port: else the process would end only when its list is worked out
        try:
            desk.list_anew()  # the first page is opened in a moment
            bound = listening.getsockname()[1]
            base = f"http://{_own_address() if share else HERE}:{bound}/"
            announce(base if keys is None else door_address(base, keys.new(lasting=True)))
            from trimfit.web.app import bench_page  # whoever comes before it is loaded waits at the socket

            page_server(bench_page(desk, keys)).run(sockets=[listening])
        finally:
            desk.close()


def page_server(app: ASGIApp) -> uvicorn.Server:
    """A server for the page, with bounds on what it takes and nothing that it writes by itself."""
    return uvicorn.Server(
        uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ws="none",
            lifespan="off",
            limit_concurrency=MOST_AT_ONCE,
            timeout_keep_alive=KEEP_OPEN_S,
            timeout_graceful_shutdown=5,
            h11_max_incomplete_event_size=32 * 1024,
        )
    )


def _listening(host: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(MOST_AT_ONCE)
    except PermissionError as error:
        made.close()
        raise TrimfitError("may not be used by you", f"port {port}", "say another with --port, above 1023") from error
    except OSError as error:
        made.close()
        raise InputError("is taken", f"port {port}", "end what uses it, or say another with --port") from error
    return made


def _own_address() -> str:
    """This machine's address on the workshop's network: the one it would send from. Nothing is sent to find it."""
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: an address that is nobody's
        except OSError:
            return HERE
        return str(probe.getsockname()[0])
