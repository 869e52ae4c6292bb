"""What is new to the log: reeds, one or many at once, a chanter, an order."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from trimfit.base.errors import InputError, short
from trimfit.base.plain_words import plain_name
from trimfit.cli.output.entry_words import doubt_lines, in_json, saved_lines
from trimfit.session.session import Session
from trimfit.verbs.log import (
    SAY_AT_HAND,
    SAY_CROW,
    EntryResult,
    fields_of,
    log_chanter,
    log_each_reed,
    log_order,
    reeds_as_one,
)
from trimfit.web.replies import Form, desk_of, form_of, page, wants_json

MOST_REEDS = 500
REED_FIELDS = ("reed_type", "batch", "made_on", "blade_mm", "weight", "order", "remark")
CHANTER_FIELDS = (
    "kind", "at_hand", "meeting_pitch_hz", "working_crow_hz", "working_crow_type", "bore_gauge_mm", "remark",
)  # fmt: skip
ORDER_FIELDS = ("chanter", "quantity", "due_on", "target_pitch_hz", "pressure_kpa", "weight", "remark")
FORMS: Mapping[str, tuple[str, ...]] = {"reeds": REED_FIELDS, "order": ORDER_FIELDS, "chanter": CHANTER_FIELDS}
LATEST, MOST_NAMES = 5000, 40
"""Names are suggested from so many of the latest entries, at most so many of a kind."""
LABELS = {
    "reed_type": "Type",
    "batch": "Batch",
    "made_on": "Made on",
    "blade_mm": "Blade when new, mm",
    "weight": "Weight, in your word",
    "order": "Order",
    "remark": "Remark",
    "kind": "Kind, in your word",
    "at_hand": "At hand",
    "meeting_pitch_hz": "Meeting pitch, Hz",
    "working_crow_hz": "Crow it asks for",
    "working_crow_type": "Type of that crow",
    "bore_gauge_mm": "Bore gauge enters, mm",
    "chanter": "Chanter",
    "quantity": "How many",
    "due_on": "Due on",
    "target_pitch_hz": "Pitch wanted, Hz",
    "pressure_kpa": "Player's pressure",
}
_LAST_NUMBER = re.compile(r"^(.*?)(\d+)(\D*)$", re.DOTALL)


def _known(session: Session) -> dict[str, tuple[str, ...]]:
    """Names that the log knows, by the field they may be meant in; of reeds, those in the latest entries."""
    journal = session.journal
    chanters, orders = journal.chanters(), journal.orders()
    latest = journal.columns("reed", ["reed_type", "batch", "weight"], after_seq=max(journal.last_seq() - LATEST, 0))
    types, batches, weights = zip(*reversed(latest), strict=True) if latest else ((), (), ())
    named: dict[str, Iterable[str | None]] = {
        "chanter": chanters,
        "order": reversed(orders),
        "reed_type": types,
        "batch": batches,
        "kind": [one.kind for one in chanters.values()],
        "weight": [*weights, *(one.weight for one in orders.values())],
    }
    return {key: tuple(dict.fromkeys(name for name in names if name))[:MOST_NAMES] for key, names in named.items()}


async def new(request: Request) -> Response:
    """The forms, also where one of them led; as JSON the fields of each that may be filled in besides its name."""
    if request.path_params.get("what", "order") not in FORMS:
        raise HTTPException(404)
    return await _forms(request)


async def _forms(
    request: Request,
    what: str = "",
    *,
    typed: Mapping[str, str] | None = None,
    wrong: Sequence[str] = (),
    kept: Sequence[EntryResult] = (),
    status: int = 200,
) -> Response:
    """The forms; `what` was sent: what was `typed` in it stands there again, or it was `kept`."""
    known = await desk_of(request).look(_known)
    filled: dict[str, Mapping[str, str]] = {what: typed or {}}
    if kept and what == "chanter":
        filled = {"order": {"chanter": kept[0].about}}
    if kept and what == "order":
        filled = {"reeds": {"order": kept[0].about}}
    context = {
        "forms": FORMS if known["chanter"] else dict(reversed(list(FORMS.items()))),
        "labels": LABELS,
        "known": known,
        "filled": filled,
        "wrong": wrong,
        "what": what,
        "kept": kept,
        "said": _said(kept),
    }
    return page(request, "new.html", FORMS, context, status=status)


def _said(kept: Sequence[EntryResult]) -> list[str]:
    if len(kept) < 2:
        return [line for one in kept for line in (*saved_lines(one), *doubt_lines(one))]
    names = f"{plain_name(kept[0].about)} to {plain_name(kept[-1].about)}"
    return [f"{len(kept)} reeds, {names}", *doubt_lines(reeds_as_one(kept))]


async def enter_reeds(request: Request) -> Response:
    """Log reeds that are alike, all or none; as JSON a list of what `log reed --json` prints."""
    return await _entered(
        request, "reeds", lambda session, form: log_each_reed(session, _names(form), _given(form, REED_FIELDS))
    )


async def enter_chanter(request: Request) -> Response:
    """Log a chanter or revise it; as JSON what `log chanter --json` prints."""

    def log_it(session: Session, form: Form) -> list[EntryResult]:
        try:
            kept = log_chanter(session, _name(form), _given(form, CHANTER_FIELDS))
        except InputError as error:
            if error.remedy != SAY_CROW:
                raise
            remedy = f"fill in {LABELS['working_crow_hz']}, such as C+22"
            raise InputError(error.what, error.where, remedy) from error
        in_form = f"choose {LABELS['at_hand']}: yes, and log it again"
        return [replace(kept, note=kept.note.replace(SAY_AT_HAND, in_form))]

    return await _entered(request, "chanter", log_it)


async def enter_order(request: Request) -> Response:
    """Log an order or revise it; as JSON what `log order --json` prints."""
    return await _entered(
        request, "order", lambda session, form: [log_order(session, _name(form), _given(form, ORDER_FIELDS))]
    )


async def _entered(request: Request, what: str, verb: Callable[[Session, Form], list[EntryResult]]) -> Response:
    form = await form_of(request, ("name", *(["count"] if what == "reeds" else []), *FORMS[what]))
    try:
        kept = await desk_of(request).enter(verb, form)
    except InputError as error:
        if wants_json(request):
            raise
        return await _forms(request, what, typed=form.fields, wrong=error.lines(), status=422)
    if wants_json(request):
        found = [in_json(one) for one in kept]
        return page(request, "", found if what == "reeds" else found[0], {})
    return await _forms(request, what, kept=kept)


def counted_names(first: str, count: int) -> list[str]:
    """So many names, counted up from the first: `R-0098` and 3 are R-0098, R-0099, R-0100; the last number counts.

    InputError for more than can be meant, and for several reeds of a name without a number.
    """
    if not 1 <= count <= MOST_REEDS:
        raise InputError(f"{count} reeds at once", "How many", f"say 1 to {MOST_REEDS}")
    if count == 1:
        return [first]
    parts = _LAST_NUMBER.match(first)
    if parts is None:
        raise InputError("has no number to count up from", short(first), "name the first reed with a number at its end")
    before, number, after = parts.groups()
    return [f"{before}{int(number) + k:0{len(number)}d}{after}" for k in range(count)]


def _names(form: Form) -> list[str]:
    count = form.text("count") or "1"
    return counted_names(_name(form), int(count) if count.isascii() and count.isdigit() and len(count) < 6 else 0)


def _name(form: Form) -> str:
    if not form.text("name"):
        raise InputError("there is no name", "Name", "say what it is called")
    return form.text("name")


def _given(form: Form, fields: Sequence[str]) -> dict[str, Any]:
    """What was filled in, by column."""
    return fields_of({key: form.given(key) for key in fields}, LABELS)
