"""One reed: the answer, its picture, and the forms by which a reading, a cut and everything else is logged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from trimfit.base.answers import Advice
from trimfit.base.column_words import BY_CASE, G_OCTAVE, key_of
from trimfit.base.errors import InputError, short
from trimfit.base.iso_dates import now_s, text_of
from trimfit.base.pitch import OUTPUTS
from trimfit.base.records import Reed
from trimfit.base.units import parse_length_mm
from trimfit.cli.output.entry_words import in_json
from trimfit.entry.entry_times import ELSEWHERE
from trimfit.entry.tokens import split_words
from trimfit.session.policies import cut_error_of
from trimfit.session.session import Session
from trimfit.verbs import log
from trimfit.verbs.ask import ask_reed
from trimfit.verbs.corrections.amend import amend_entry, moved_before
from trimfit.verbs.log import EntryResult
from trimfit.verbs.reviews.reed_story import review_reed, sheet_of
from trimfit.verbs.sitting.held_entries import is_same_cut, may_have_moved, meant
from trimfit.web.desk import NotYet
from trimfit.web.picture import fe_picture, gap_after_cents
from trimfit.web.replies import Form, desk_of, form_of, page, see, wants_json
from trimfit.web.words import wrong_lines

FIELDS = (*OUTPUTS, G_OCTAVE)
"""What a reading may hold, by the words of a typed line."""
SHORT = (*BY_CASE, "go")
"""Shorter words for some of them, as a script may send them."""
OPTIONS = ("chanter", "pressure", "temperature", "humidity", "taped", "remark")
SENT = ("reed", "token")
"""What every form here holds besides its own fields: whose it is, and which one."""
MOST_PLANNED_MM = 3.0
LEAST_WAIT_S, MOST_WAIT_S = 60.0, 7 * 86_400.0
"""A form that waited less is of now; a longer wait is a clock that was set."""


async def reed(request: Request) -> Response:
    """One reed; as JSON what `ask REED --json` prints. `plan`: a cut to look at, in mm."""
    name = request.query_params.get("name", "")
    if wants_json(request):
        return page(request, "", await desk_of(request).review(ask_reed, name), {})
    return await _reed_page(request, name)


async def story(request: Request) -> Response:
    """One reed with its story; as JSON what `review reed REED --json` prints."""
    if not wants_json(request):
        return await reed(request)
    return page(request, "", await desk_of(request).review(review_reed, request.query_params.get("name", "")), {})


async def _reed_page(
    request: Request,
    name: str,
    *,
    typed: Mapping[str, str] | None = None,
    wrong: Sequence[str] = (),
    kept: EntryResult | None = None,
    status: int = 200,
) -> Response:
    desk = desk_of(request)
    record, usual, last = await desk.look(_seen_at_once, name)
    context: dict[str, Any] = {
        "reed": record.reed,
        "record": record,
        "fields": [*usual, *(key for key in FIELDS if key not in usual)],
        "usual": len(usual),
        "typed": typed or {},
        "wrong": wrong,
        "kept": kept,
        "meant": meant(kept.doubts) if kept is not None else {},
        "may_have_moved": kept is not None and may_have_moved(kept.doubts),
    }
    try:
        review, drawn = await desk.answer(sheet_of, name)
    except NotYet as wait:
        return page(request, "reed_waiting.html", None, context | {"wait": wait.step}, status=status)
    plan_mm, faults = _planned_mm(request.query_params.get("plan", ""), review.advice)
    context |= {
        "review": review,
        "advice": review.advice,
        "picture": fe_picture(drawn, plan_mm),
        "plan_mm": plan_mm,
        "gap_after_cents": gap_after_cents(drawn.fan, drawn.removed_mm + plan_mm),
        "wrong": [*wrong, *faults],
        "last": last,
    }
    return page(request, "reed.html", review.advice, context, status=status)


def _seen_at_once(session: Session, reed: str) -> tuple[Reed, tuple[str, ...], dict[str, str]]:
    """A reed; by key what the shop usually reads of one, in the shop's order (setting `line_order`); and its last
    entry, which undo takes back, if it has any. Nothing is worked out. InputError for a reed that the log does not
    know."""
    journal = session.journal
    keys = [key_of(word) for word in session.settings.line_order.split()]
    last = {}
    with suppress(InputError):
        entry = journal.last_of(reed)
        kind, row = journal.row_of(entry)
        last = {"entry": entry, "what": kind.name, "at": str(row[kind.index[kind.time or ""]])}
    return journal.reed_named(reed), tuple(key[0] for key in keys if key is not None), last


def _planned_mm(text: str, advice: Advice) -> tuple[float, list[str]]:
    """The cut that the picture shows: as asked for, else the one advised."""
    if not text.strip():
        return (advice.length_mm if advice.action == "trim" else 0.0), []
    try:
        plan_mm = parse_length_mm(text)
    except InputError as error:
        return 0.0, [error.line()]
    if not 0.0 <= plan_mm <= MOST_PLANNED_MM:
        return 0.0, [f"{plan_mm:g} mm is no cut to plan; say 0 to {MOST_PLANNED_MM:g} mm"]
    return plan_mm, []


async def enter_reading(request: Request) -> Response:
    """Log a reading; as JSON what `log reading --json` prints."""
    form = await form_of(request, (*SENT, *FIELDS, *SHORT, *OPTIONS, "at"))
    words = [f"{key}={_one_value(form.text(key))}" for key in (*FIELDS, *SHORT) if form.text(key)]
    options = {key: form.given(key) for key in OPTIONS}
    return await _entered(request, form, log.log_reading, form.text("reed"), words, at=_when(form), **options)


def _one_value(text: str) -> str:
    """A field's text as one value of a typed line: what is in a field never becomes another."""
    return text.replace('"', "")


def _when(form: Form) -> str | None:
    """The time of an entry: as typed; else, of a form that waited for the net, as long ago as the page says it did."""
    if form.text("at"):
        return form.text("at")
    try:
        waited_s = float(form.text("waited_s") or 0.0)
    except ValueError:
        return None
    return text_of(now_s() - waited_s) if LEAST_WAIT_S <= waited_s <= MOST_WAIT_S else None


async def enter_trim(request: Request) -> Response:
    """Log a cut, lip work, or both; as JSON what `log trim --json` prints."""
    form = await form_of(request, (*SENT, "length", "lip", "asked", "advised", "remark", "at"))
    options = {key: form.given(key) for key in ("length", "lip", "remark")}
    options |= {"asked": form.given("asked"), "advised": form.text("advised")}
    return await _entered(request, form, _log_trim, form.text("reed"), at=_when(form), **options)


def _log_trim(session: Session, reed: str, *, asked: str | None, advised: str, **options: Any) -> EntryResult:
    asked = asked or _asked(session, options["length"] or "", advised)
    return log.log_trim(session, reed, asked=asked, **options)


def _asked(session: Session, length: str, advised: str) -> str | None:
    """The advised length, as what was asked for, where what was taken is near enough to be that cut."""
    try:
        taken_mm, advised_mm = parse_length_mm(length), parse_length_mm(advised)
    except InputError:
        return None  # what is wrong with the length itself is said when it is logged
    hand = cut_error_of(session.model, session.settings)
    return advised if is_same_cut(taken_mm, advised_mm, hand) else None


async def enter_event(request: Request) -> Response:
    """Log what happened to a reed besides a trim; as JSON what `log event --json` prints."""
    form = await form_of(request, (*SENT, "event", "remark", "at"))
    words, remark = [form.text("event")], form.given("remark")
    return await _entered(request, form, log.log_event, form.text("reed"), words, at=_when(form), remark=remark)


async def enter_outcome(request: Request) -> Response:
    """Log that a reed has left the bench; as JSON what `log outcome --json` prints."""
    form = await form_of(request, (*SENT, "outcome", "remark", "at"))
    word, remark = form.text("outcome"), form.given("remark")
    return await _entered(request, form, log.log_outcome, form.text("reed"), word, at=_when(form), remark=remark)


async def strike(request: Request) -> Response:
    """Take an entry of a reed back; as JSON what `log strike --json` prints."""
    form = await form_of(request, (*SENT, "entry", "why"))
    return await _corrected(request, form, log.strike, why=form.given("why"))


async def amend(request: Request) -> Response:
    """Put a corrected entry in the place of a wrong one; as JSON what `log amend --json` prints."""
    form = await form_of(request, (*SENT, "entry", "words"))
    return await _corrected(request, form, amend_entry, split_words(form.text("words")))


async def moved(request: Request) -> Response:
    """A reading in doubt was right: the reed had moved before it; as JSON what `log event --json` prints."""
    form = await form_of(request, (*SENT, "entry"))
    return await _corrected(request, form, moved_before)


async def _corrected(request: Request, form: Form, verb: Any, *words: Any, **options: Any) -> Response:
    """What a verb did with an entry of the form's reed."""
    return await _entered(request, form, _of_its_reed, form.text("reed"), verb, form.text("entry"), *words, **options)


def _of_its_reed(session: Session, reed: str, verb: Any, entry: str, *words: Any, **options: Any) -> EntryResult:
    """As the verb; InputError for an entry that is not one of the reed, where one is named."""
    found = session.journal.find(entry)
    whose = session.journal.name_of(found)
    if reed and whose != reed:
        raise InputError(f"is an entry of {short(whose)}, not of {short(reed)}", found, "name the reed that it is of")
    kept: EntryResult = verb(session, found, *words, **options)
    return kept


async def _entered(request: Request, form: Form, verb: Any, *words: Any, **options: Any) -> Response:
    """What was logged, on the reed's page; what cannot be is said there, with all that was typed."""
    name = form.text("reed")
    try:
        kept: EntryResult = await desk_of(request).enter_once(form.text("token"), verb, *words, **options)
    except InputError as error:
        if wants_json(request):
            raise
        return await _reed_page(request, name, typed=form.fields, wrong=wrong_lines(error), status=422)
    if wants_json(request):
        kept = replace(kept, note=kept.note.removesuffix(ELSEWHERE))  # a form has no such field
        return page(request, "", in_json(kept), {})
    if kept.doubts:
        return await _reed_page(request, name, kept=kept)
    return see("/reed", name=name)
