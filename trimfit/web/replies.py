"""One page: its template for a person, its JSON for a script; forms; and what is said when something is wrong."""

from __future__ import annotations

import secrets
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from functools import cache
from typing import Any
from urllib.parse import parse_qsl, urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from trimfit.base.errors import InputError, TrimfitError, nearest, short
from trimfit.cli.output.answers import json_text
from trimfit.web.desk import Desk, NotYet

MOST_FIELDS = 2000
WRONG_METHOD = "a page is read with GET, a form is sent with POST"


def desk_of(request: Request) -> Desk:
    """The log behind this page."""
    desk: Desk = request.app.state.desk
    return desk


def wants_json(request: Request) -> bool:
    """Whether a script asks: `Accept` names JSON and no page."""
    accepted = request.headers.get("accept", "")
    return "application/json" in accepted and "text/html" not in accepted


def page(
    request: Request, template: str, answer: Any, context: Mapping[str, Any], *, status: int = 200, refresh_s: int = 0
) -> Response:
    """The page as HTML from its template and context, or `answer` as the JSON that the command prints."""
    if wants_json(request):
        return Response(json_text(answer) + "\n", status, media_type="application/json")
    shared = request.app.state.keys is not None
    text = (
        _templates()
        .get_template(template)
        .render(context, shared=shared, here=request.url.path, refresh_s=refresh_s, token=fresh_token)
    )
    return HTMLResponse(text, status)


@cache
def _templates() -> Environment:
    from trimfit.web import words

    made = Environment(
        loader=PackageLoader("trimfit.web"),
        autoescape=True,  # every name is text, whatever stands in it
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= words.FILTERS
    made.globals |= words.GLOBALS
    return made


def fresh_token() -> str:
    """A name for one form: what is sent twice under it is one entry."""
    return secrets.token_urlsafe(12)


def see(path: str, **query: str) -> Response:
    """Send the browser on to a page, after a form: a page reloaded sends nothing again."""
    return RedirectResponse(f"{path}?{urlencode(query)}" if query else path, 303)


class Form:
    """The fields of a form as they were typed, blanks at their ends taken off."""

    def __init__(self, pairs: Sequence[tuple[str, str]]) -> None:
        self.fields: Mapping[str, str] = dict(pairs)
        self._pairs = pairs

    def every(self, name: str) -> list[str]:
        """The texts of all fields of this name, in the form's order."""
        return [text.strip() for key, text in self._pairs if key == name]

    def text(self, name: str) -> str:
        """A field's text, empty where it was not filled in or is not in the form."""
        return self.fields.get(name, "").strip()

    def given(self, name: str) -> str | None:
        """A field's text, None where there is none."""
        return self.text(name) or None


async def form_of(request: Request, fields: Collection[str], *, lists: Collection[str] = ()) -> Form:
    """The form that was sent. Raises HTTPException for what is no form of these pages, InputError for a field that is
    none of `fields` or `lists`, nor `waited_s` (how long the page kept it), and for one given twice that is no list."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise HTTPException(415, "this is no form of the bench; send the page's own form")
    try:
        pairs = parse_qsl(
            (await request.body()).decode("utf-8"), keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"
        )
    except (ValueError, UnicodeDecodeError) as error:
        raise HTTPException(400, "the form cannot be read; send it again from its page") from error
    for name, times in Counter(name for name, _ in pairs).items():
        if name not in (*fields, *lists, "waited_s"):
            raise InputError("is no field of this form", short(name), nearest(name, sorted((*fields, *lists))))
        if times > 1 and name not in lists:
            raise InputError("is given twice", name, "say it once")
    return Form(pairs)


async def said_wrong(request: Request, error: Exception) -> Response:
    """What is wrong, where, and what to do, as a page or as JSON; never a traceback."""
    if isinstance(error, NotYet):
        answer = {"wait": error.step or "working it out"}
        return page(request, "wait.html", answer, answer, status=503, refresh_s=3)
    if isinstance(error, TrimfitError):
        lines = error.lines() if isinstance(error, InputError) else [error.line()]
        if request.method == "POST":  # the fields have the names of the command's options
            lines = [line.removeprefix("--") for line in lines]
        status = (422 if request.method == "POST" else 404) if isinstance(error, InputError) else 500
    elif isinstance(error, HTTPException):
        lines, status = [str(error.detail)], error.status_code
        ours = {404: "there is no such page; go back to the first one", 405: WRONG_METHOD}
        lines = [ours.get(status, lines[0])]
    else:
        lines, status = [f"{type(error).__name__}: {error}; the log is unharmed; go back and try again"], 500
    lines = [short(line, 600) for line in lines]
    return page(request, "wrong.html", {"error": lines}, {"lines": lines}, status=status)
