"""What stands before every page: which requests are let through at all, and the headers of every answer.

A request is refused that names another host (a foreign name that was pointed at this machine), that another site's
page sends, that shows no pass where the page is shared, or that is larger than any form. What is refused is answered
with one line that says what to do, as plain text or as JSON.
"""

from __future__ import annotations

import asyncio
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from trimfit.web.device_keys import Keys
from trimfit.web.replies import WRONG_METHOD, wants_json

COOKIE = "trimfit_pass"
MOST_BODY_BYTES = 64 * 1024
MOST_READ_BYTES = 1024 * 1024
MOST_ADDRESS_BYTES = 4 * 1024
MOST_HEADER_BYTES = 16 * 1024
BODY_S = 20.0
"""A form that has not come whole by then is dropped."""
OPEN_PATHS = ("/enter", "/static/bench.css")
"""What a device sees before it has come in."""
ON_THIS_MACHINE = ("127.0.0.1", "localhost", "[::1]")
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Frame-Options": "DENY",
    "X-Content-Type-Options": "nosniff",
    # Not `no-referrer`: with it a browser names no origin with a form, and every form would be refused.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class Guard:
    """Wraps the whole application. `keys`: None where the page is for this machine alone."""

    def __init__(self, app: ASGIApp, keys: Keys | None) -> None:
        self.app, self.keys = app, keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request: refuse it, or hand it on with its body bounded."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = _refused(scope, self.keys) if scope["type"] == "http" else (400, "only pages are served here")
        if refusal is None:
            body = await _whole_body(receive, Headers(scope=scope))
            if isinstance(body, bytes):
                await self.app(scope, _of(body, receive), with_headers)
                return
            refusal = body
        status, line = refusal
        as_json = scope["type"] == "http" and wants_json(Request(scope))
        said = JSONResponse({"error": [line]}, status) if as_json else PlainTextResponse(line + "\n", status)
        await said(scope, receive, with_headers)


def pass_cookie(device: str) -> str:
    """The `Set-Cookie` header that a device keeps its pass in: no script sees it, no other site's page sends it."""
    return f"{COOKIE}={device}; Path=/; HttpOnly; SameSite=Strict; Max-Age=2592000"


def _refused(scope: Scope, keys: Keys | None) -> tuple[int, str] | None:
    """Status and words for a request that is not let through, None for one that is."""
    headers = Headers(scope=scope)
    if sum(len(name) + len(value) for name, value in scope["headers"]) > MOST_HEADER_BYTES:
        return 431, "the request's headers are too long; clear this page's cookies in the browser"
    if len(scope["raw_path"]) + len(scope["query_string"]) > MOST_ADDRESS_BYTES:
        return 414, "the address is too long; go back to the first page"
    hosts = _own_hosts(scope, shared=keys is not None)
    host = headers.get("host", "").lower()
    if host not in hosts or len(headers.getlist("host")) != 1:
        return 421, "this is not the address of the bench; open the one that trimfit serve printed"
    if not _from_here(scope["method"], headers, host):
        return 403, "no page of this address sent this; open the bench by its own address and enter it there"
    if scope["method"] not in ("GET", "HEAD", "POST"):
        return 405, WRONG_METHOD
    if keys is not None and scope["path"] not in OPEN_PATHS and not keys.knows(_pass_of(headers)):
        return 403, "this device has not come in; open the address with a key that trimfit serve --share printed"
    return None


def _own_hosts(scope: Scope, *, shared: bool) -> set[str]:
    """The hosts by which this server is rightly called: where the connection came in, and this machine's own names.

    A name that somebody else's page was made to point here is none of them.
    """
    server, port = scope["server"]
    address = f"[{server}]" if ":" in server else server
    on_it = address in ON_THIS_MACHINE
    names = (*ON_THIS_MACHINE,) if on_it else (address,) if shared else ()
    return {f"{name}:{port}" for name in names} | (set(names) if port == 80 else set())


def _from_here(method: str, headers: Headers, host: str) -> bool:
    """Whether a request comes from a page of this server or from the person: nothing that another site's page sends
    is let through but a link that was followed to here."""
    site = headers.get("sec-fetch-site", "none")
    if method in ("GET", "HEAD"):
        followed = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
        return site in ("same-origin", "none") or followed
    return headers.getlist("origin") == [f"http://{host}"] and site in ("same-origin", "none")


def _pass_of(headers: Headers) -> str:
    cookies = SimpleCookie()
    try:
        cookies.load(headers.get("cookie", ""))
    except CookieError:
        return ""
    return cookies[COOKIE].value if COOKIE in cookies else ""


async def _whole_body(receive: Receive, headers: Headers) -> bytes | tuple[int, str]:
    """The request's body, or why it is not taken: too long, or not whole in time.

    One that says its length, and is not far too long, is read to its end and thrown away: to close on a sender who is
    still writing may lose him the answer.
    """
    too_long = (413, f"that is more than a form holds ({MOST_BODY_BYTES // 1024} kB); enter it in parts")
    length = headers.get("content-length", "0")
    if not length.isdigit() or len(length) > 12 or int(length) > MOST_READ_BYTES:
        return too_long
    said = int(length)
    parts, size = [], 0
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    return 400, "the request broke off; send it again"
                part, more = message.get("body", b""), message.get("more_body", False)
                size += len(part)
                if size <= MOST_BODY_BYTES:
                    parts.append(part)
                elif not more or size >= said:
                    return too_long
                if not more:
                    return b"".join(parts)
    except TimeoutError:
        return 408, "the form did not come whole; send it again"


def _of(body: bytes, receive: Receive) -> Receive:
    """A `receive` that hands out a body that was read already, then whatever comes after it."""
    waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return waiting.pop() if waiting else await receive()

    return again
