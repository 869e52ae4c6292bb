"""Coming in, where the page is shared: one key lets one device in; a device that is in can let another in."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from trimfit.web.device_keys import KEY_S, Keys
from trimfit.web.replies import form_of, page, see
from trimfit.web.safety import pass_cookie
from trimfit.web.square_code import square_svg

USED_UP = "this key lets nobody in: it was used, or is too old; ask for another at a device that is in (Devices)"
TO_COME_IN = {"to_come_in": "POST /enter, a form with the field key; send its answer's cookie with every request"}


def _keys(request: Request) -> Keys:
    keys: Keys = request.app.state.keys
    return keys


def door_address(base: str, key: str) -> str:
    """The address that lets one device in."""
    return f"{base}enter?key={key}"


async def at_the_door(request: Request) -> Response:
    """The door. Looking at it uses no key up: a camera that looks ahead at an address lets nobody in."""
    return page(request, "door.html", TO_COME_IN, {"key": request.query_params.get("key", ""), "wrong": ""})


async def come_in(request: Request) -> Response:
    """Use a key up, and give the device its pass."""
    form = await form_of(request, ("key",))
    device = _keys(request).use(form.text("key"))
    if device is None:
        return page(request, "door.html", {"error": [USED_UP]}, {"key": "", "wrong": USED_UP}, status=403)
    response = see("/")
    response.headers["Set-Cookie"] = pass_cookie(device)
    return response


async def devices(request: Request) -> Response:
    """How to let another device in; with POST a fresh key, shown once, with its square code."""
    address, code = "", None
    if request.method == "POST":
        if await request.body():
            await form_of(request, ())
        address = door_address(str(request.base_url), _keys(request).new())
        code = square_svg(address)
    context = {"address": address, "code": code, "minutes": round(KEY_S / 60.0)}
    return page(request, "devices.html", {"address": address}, context)
