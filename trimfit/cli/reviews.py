"""Verbs that look back: review batches, chanters, repeatability, reed and ticket; and report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trimfit.base.errors import InputError
from trimfit.base.plain_words import (
    away_words,
    chance_cell,
    counted,
    numeral,
    plain_name,
    signed,
    signed_cents,
    whether_away,
)
from trimfit.cli.context import At, Json, Text, Verbs, app, argument, option, session_of
from trimfit.cli.output.answers import answer, plain, table
from trimfit.cli.output.entry_words import moment_asked
from trimfit.cli.output.screen import prose, prose_width, say

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from trimfit.base.units import Interval
    from trimfit.review.results import BatchDrift, ChanterMap
    from trimfit.verbs.reviews.owner_answers import Narrowing
    from trimfit.verbs.reviews.reed_story import ReedReview

review = Verbs(
    help="What the log shows of batches, chanters, reading error, reeds.\n\nExample: trimfit review batches",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(review, name="review")


def _span(value: Interval | None, form: str = "+.0f") -> str:
    if value is None:
        return ""
    mean, low, high = (numeral(one, form) for one in (value.mean, value.low, value.high))
    return f"{mean} ({low} to {high})"


def _plus_minus(value: Interval) -> str:
    """A mean and half its interval, as `+41 ±8`."""
    return f"{signed(value.mean)} ±{0.5 * (value.high - value.low):.0f}"


@review.command("batches")
def batches(context: typer.Context, as_json: Json = False) -> None:
    """Which batches drifted from their type, most drifted first.

    Start: cents of crow before any trim, off the type's, plus for sharp; a gap that starts off counts where it
    wants more length than twice the crow's limit does. Slope: what a cut does to the gap, off the type's, in per
    cent. Week: how far the crow moves in a week with no work done on the reed, in cents, off what is usual for its
    type. Off %: the chance that one of them is off by more than the settings drift_start_cents, drift_response_pct
    and drift_settle_cents_per_week allow. A batch is called drifted where that is sure and where it stands out from
    how the shop's batches differ in the ordinary way; of those called, at most a share of 1 - drift_chance should
    be within those limits after all. Brackets, and what stands after ±, hold nine times in ten.

    Example: trimfit review batches
    """
    from trimfit.verbs.reviews import batches as reviews_batches

    with session_of(context, as_json) as session:
        found = reviews_batches.batches(session)
    answer(as_json, [batch_json(b) for b in found], lambda: _batches(found))


def _batches(found: Sequence[BatchDrift]) -> list[str]:
    if not found:
        return ["no batch yet: log a reed and name its batch"]
    rows = [
        (
            plain_name(b.batch, 14),
            plain_name(b.reed_type, 14),
            str(b.reeds),
            _plus_minus(b.start_shift_cents),
            _plus_minus(b.response_shift_pct),
            signed(week.mean, 1) if (week := b.settle_shift_cents_per_week) else "",
            chance_cell(b.chance_drifted),
            f"{b.ended_past or 0}/{b.ended_short or 0}",
            "drifted" if b.drifted else "unsure" if b.unsure else "",
        )
        for b in found
    ]
    heads = ("batch", "type", "reeds", "start", "slope %", "week", "off %", "past/short", "")
    said = [
        f"{plain_name(b.batch)}: {b.why}. Start {_span(b.start_shift_cents)} cents, "
        f"slope {_span(b.response_shift_pct)} %"
        for b in found
        if b.drifted
    ]
    return [
        *table(heads, rows, right=(2, 3, 4, 5, 6, 7)),
        "start: cents of crow off the type's; slope: off the type's",
        "±: half of the 90 % interval",
        *prose("week: cents that the crow moves in a week with no work done, off what is usual for its type"),
        "off %: the chance that it is off by more than the settings allow",
        *prose(
            "past/short: reeds lost with F over E; reeds called good with F under E by more than the tolerance and a "
            "reading's error; by the last reading without tape in the chanter of their order"
        ),
        "unsure: too little was read to say whether it is off",
        *(line for text in said for line in prose(text)),
    ]


@review.command("chanters")
def chanters(
    context: typer.Context,
    name: Annotated[Text, argument("One chanter: its sheet, note by note.", "[CHANTER]")] = None,
    sheet: Annotated[Path | None, option("--sheet", "Also write the sheets, A6, into this folder.", "FOLDER")] = None,
    as_json: Json = False,
) -> None:
    """What each chanter asks for, and what stock suits it. Its meeting pitch, and by reed type the crow at the
    meeting point.

    With a name, that chanter's sheet: each note at the meeting point, from the meeting pitch and against its kind.
    Readings count that have F and E, both untaped, and are no slips.

    Example: trimfit review chanters

    Example: trimfit review chanters CH-7 --sheet sheets
    """
    from trimfit.verbs.reviews import chanters as reviews_chanters
    from trimfit.verbs.reviews.owner_answers import owners_answers, supposed_away

    with session_of(context, as_json) as session:
        found = reviews_chanters.chanters(session, name)
        ask_owner = owners_answers(session, found)
        supposed = supposed_away(session, ask_owner)
    paths = reviews_chanters.write_sheets(found, sheet) if sheet is not None else []
    said = [chanter_json(one, ask_owner) for one in found]
    answer(as_json, said, lambda: [*_chanters(found, ask_owner, supposed, notes=name is not None), *map(str, paths)])


def _chanters(
    found: Sequence[ChanterMap], ask_owner: dict[str, list[Narrowing]], supposed: Collection[str], *, notes: bool
) -> list[str]:
    if not found:
        return ["no chanter yet: name it on a reading, or log it"]
    lines: list[str] = []
    for one in found:
        first, *more = _chanter(one, ask_owner.get(one.chanter, []), supposed=one.chanter in supposed)
        lines += [*prose(first, "    "), *(line for text in more for line in prose(f"  {text}", "    "))]
        lines += _notes(one) if notes and one.notes else []
    return lines


def _chanter(one: ChanterMap, asked: list[Narrowing], *, supposed: bool) -> list[str]:
    """What is known of a chanter, a sentence each. asked: what to ask its owner; supposed: that it is away is only
    supposed."""
    from trimfit.base.pitch import crow_label
    from trimfit.verbs.reviews.owner_answers import narrows, told_most

    meets = "" if one.told_pitch_hz else "its meeting pitch is not known yet; "
    if one.meet_pitch_hz:
        air = f" ({one.air_words()})" if one.air_words() else ""
        meets = f"meets at {_span(one.meet_pitch_hz, '.1f')} Hz{air}; "
    kind = f" ({plain_name(one.kind)})" if one.kind else ""
    said = [f"{plain_name(one.chanter)}{kind}: {meets}{one.why}"]
    for of_type in one.by_type:
        met, crow_asked, many = plain_name(of_type.reed_type), of_type.crow, counted(of_type.reeds, "reed")
        where = f"which meet{'s' * (of_type.reeds == 1)} at {_span(of_type.meet_pitch_hz, '.1f')} Hz"
        where = f", {where}" if len(one.by_type) > 1 else ""
        if crow_asked is None:
            said += [f"of {met} only the pitch is known, from {many}{where}"] if where else []
            continue
        crow = f"{crow_label(crow_asked.crow_hz.mean)}, {_span(crow_asked.crow_hz, '.0f')} Hz"
        of = f"{crow_asked.reeds} of " if crow_asked.reeds < of_type.reeds else ""
        said.append(f"asks {met} for a crow of {crow}, from {of}{many}{where}")
    if told := one.told_words(pitch="stated to meet at" not in one.why):
        said.append(f"stated: {plain_name(told, 80)}")
    if one.g_octave is not None:
        said.append(f"G octave {_span(one.g_octave.offset_hz, '+.1f')} Hz from low A at the meeting point")
    if asked:
        said += [whether_away([one.chanter], "a reed")] if supposed else []
        away = away_words(supposed=supposed).removeprefix("is ")
        ask = "; ask by: trimfit review ticket --letter ORDER" if narrows(asked) else ""
        said.append(f"{away}: {told_most(asked)}{ask}")
    if one.stock:
        reeds = ", ".join(plain_name(text, 60) for text in one.stock_words(len(one.stock)))
        picked = ", as pick would have it for an order"
        if one.stock_for:
            picked = f" for {plain_name(one.stock_for, 24)}, as pick has it"
        more = f"; and {one.stock_more} more" if one.stock_more else ""
        said.append(f"stock{picked}, mm to come off and the chance that it ends good: {reeds}{more}")
    elif one.suits:
        names = ", ".join(plain_name(reed, 20) for reed in one.suits)
        said.append(f"stock whose crow suits (with a chanter's name also what pick says of it): {names}")
    return said


def _notes(one: ChanterMap) -> list[str]:
    """Each note of a chanter at the meeting point, as low A."""
    from trimfit.base.pitch import OUTPUT_WORDS
    from trimfit.review.results import NOTES_WORDS

    lean = "its kind" if one.kind else "the shop's"
    rows = [
        (
            OUTPUT_WORDS[note.note],
            "meet there" if note.note in ("e", "f") else _span(note.offset_cents, "+.1f"),
            _span(note.unusual_cents, "+.1f"),
            "unusual" if note.unusual else "",
        )
        for note in one.notes
    ]
    lines = table(("note", "cents from the meeting pitch", f"against {lean}", ""), rows)
    return [*lines, *prose(NOTES_WORDS)]


def batch_json(batch: Any) -> dict[str, Any]:
    """One batch as `review batches --json` has it: what it moves in a week, and (`_shift`) how far that is off the
    usual."""
    hidden = ("made_on", "made_index", "settle_norm_cents_per_week")
    said = {key: value for key, value in plain(batch).items() if key not in hidden}
    return said | {"settle_shift_cents_per_week": plain(batch.settle_shift_cents_per_week)}


def chanter_json(one: Any, ask_owner: Mapping[str, Sequence[Any]]) -> dict[str, Any]:
    """One chanter as `review chanters --json` has it. ask_owner: what to ask of owners, by chanter."""
    from trimfit.base.pitch import crow_label

    asked = [
        {"reed_type": ask.reed_type, "crow_hz": ask.crow_hz, "crow": crow_label(ask.crow_hz.mean), "reeds": ask.reeds}
        for ask in one.asked
    ]
    said: dict[str, Any] = plain(
        {
            "chanter": one.chanter,
            "meeting_pitch_hz": one.meet_pitch_hz,
            **{name: getattr(one, name) for name in ("told_pitch_hz", "told_crow_hz", "told_crow_type")},
            **{name: getattr(one, name) for name in ("pressure_kpa", "readings", "reeds")},
            "crow_asked": asked,
            "meeting_pitch_by_type": [
                {"reed_type": met.reed_type, "meeting_pitch_hz": met.meet_pitch_hz, "reeds": met.reeds}
                for met in one.by_type
            ],
            **{
                name: getattr(one, name)
                for name in ("g_octave", "agrees", "kind", "notes", "suits", "why", "stock", "stock_for", "stock_more")
            },
            "ask_owner": [ask for ask in ask_owner.get(one.chanter, []) if ask.answer],
        }
    )
    return said


@review.command("repeatability")
def repeatability(context: typer.Context, as_json: Json = False) -> None:
    """The bench's own reading error, note by note. Its parts, and after how many readings a level is known to ± 1 cent.

    From readings repeated with no work between, pressure and air allowed for. Standard deviations in cents: within one
    sitting; what another sitting adds; what another pressure or temperature adds (air); and of a reading on another day
    in the same air, which is the first two together. Then how many readings of one sitting, or sittings with one
    reading in each, give the level to ± 1 cent, nine times in ten.

    Of a bench that has read no reed twice there is nothing to say, and the exit code is 2.

    Example: trimfit review repeatability
    """
    from trimfit.verbs.reviews import report as reviews_report

    with session_of(context, as_json) as session:
        found = reviews_report.repeatability(session)
    answer(as_json, found, lambda: _reading_errors(found))


def _reading_errors(found: Sequence[Any]) -> list[str]:
    import math

    from trimfit.base.pitch import OUTPUT_WORDS

    rows = []
    for one in found:
        parts = (one.within_cents.mean, one.sitting_cents, one.condition_cents, one.next_day_cents)
        rows.append(
            (
                OUTPUT_WORDS.get(one.output, one.output),
                str(one.readings),
                *(f"{cents:.1f}" if math.isfinite(cents) else "" for cents in parts),
                str(one.readings_in_sitting or "too many"),
                "" if one.of_one_sitting else str(one.sittings),
            )
        )
    heads = ("of", "readings", "one sitting", "sittings", "air", "next day", "to ± 1 cent", "or sittings")
    said = [f"{one.output}: {one.why}" for one in found if one.output in ("gap", "crow")]
    legend = (
        "standard deviations in cents; sittings: what another sitting adds, of a note with what the reed moved "
        "meanwhile; air: what another pressure or temperature "
        "adds; next day: of a reading on another day in the same air, one sitting and sittings together; readings that "
        "lie far from their fellows are left out, of each by itself; to ± 1 cent: so many readings of one sitting, or "
        "sittings with one reading each, tell the level so; too many: over 50"
    )
    return [
        *table(heads, rows, right=(1, 2, 3, 4, 5, 6, 7)),
        *(line for text in (legend, *said) for line in prose(text)),
    ]


@review.command("reed")
def reed_(
    context: typer.Context,
    reed: Annotated[str, argument("The reed.", "REED")],
    ticket: Annotated[
        Path | None, option("--ticket", "Also write the reed's ticket into this folder.", "FOLDER")
    ] = None,
    at: At = None,
    as_json: Json = False,
) -> None:
    """One reed's story, where it stands, and what to do next. Struck entries are included.

    A reed that was renamed is found by its old name too. Each line ends with the entry's id, for `log strike`. A time
    is to the minute, on the clock by which it was logged. Its offset from UTC stands with it where it was logged with
    one and this machine's is another, and with every time where the clocks were several; one logged without is on the
    shop's clock.

    Example: trimfit review reed R-0412
    """
    from trimfit.verbs.reviews import reed_story
    from trimfit.verbs.reviews import ticket as reviews_ticket

    with session_of(context, as_json) as session:
        at_s = moment_asked(at)
        found = reed_story.review_reed(session, reed, at_s=at_s)
        paths: list[Path] = []
        if ticket is not None:
            paths = reviews_ticket.write_tickets(session, [found.reed], ticket, at_s=at_s)[found.reed]
    said = plain(found) | ({"ticket": [str(path) for path in paths]} if paths else {})
    renamed = prose(f"{plain_name(reed)} has another name now: {plain_name(found.reed)}") if found.reed != reed else []
    answer(as_json, said, lambda: [*renamed, *_story(found), *map(str, paths)])


def _story(found: ReedReview) -> list[str]:
    from trimfit.verbs.wording import advice_lines, first_lines, own_words

    parts = [plain_name(found.reed), f"type {plain_name(found.reed_type)}", f"batch {plain_name(found.batch)}"]
    parts += [f"made {found.made_on}"] if found.made_on else []
    parts += [f"order {plain_name(found.order)}"] if found.order else []
    parts += [f"chanter {plain_name(found.chanter)}"] if found.chanter else []
    lines = prose(", ".join(parts) + ("; in doubt: " + "; ".join(found.doubts) if found.doubts else ""))
    for event in found.events:
        gap = f"; gap {signed_cents(event.gap_cents)}" if event.gap_cents is not None else ""
        doubts = "; in doubt: " + "; ".join(event.doubts) if event.doubts else ""
        struck = (
            f"; {'REPLACED' if event.is_replaced else 'STRUCK'}: {event.struck}" if event.struck is not None else ""
        )
        said = " ".join(f"{event.said}{gap}{doubts}{struck}".split())
        lines += prose(f"{event.minute}  {event.what}: {said}  [{event.short}]", "    ")
    left = f"; left the bench: {found.outcome}" if found.outcome else ""
    strokes = f"{found.lip_strokes:g} lip stroke{'' if found.lip_strokes == 1 else 's'}"
    lines.append(f"now {found.removed_mm:.2f} mm off, {strokes}{left}")
    lines += [*first_lines(found.advice, prose_width()), *advice_lines(found.advice, prose_width())]
    return lines + (prose(f"  {own_words(found.own_lines)}", "    ") if found.own_lines is not None else [])


@review.command("ticket")
def ticket_(
    context: typer.Context,
    reeds: Annotated[list[str] | None, argument("The reeds.", "REED…")] = None,
    order: Annotated[
        Text, option("--order", "All reeds of this order but those lost or put to stock.", "ORDER")
    ] = None,
    out: Annotated[Path | None, option("--out", "Folder to write into; else tickets.", "FOLDER")] = None,
    letter: Annotated[
        Text,
        option("--letter", "No card: a text for this order's customer, what to measure. Printed if no --out.", "ORDER"),
    ] = None,
    at: At = None,
    as_json: Json = False,
) -> None:
    """Write the card that goes with a reed. One A6 page a reed, as PDF and PNG.

    Example: trimfit review ticket R-0412 --out tickets
    """
    from trimfit.verbs.reviews import ticket as reviews_ticket

    if letter is not None:
        if reeds or order is not None:
            raise InputError("is a text and no card", "--letter", "say it without reeds and --order")
        from trimfit.verbs.reviews.owner_answers import letter_for, supposed_away, write_letter

        with session_of(context, as_json) as session:
            text = letter_for(session, letter)
            chanters = [order.chanter for name, order in session.journal.orders().items() if name == letter]
            if supposed := supposed_away(session, chanters):
                say(*prose(whether_away(supposed, "a reed")), err=True)
        files = [str(write_letter(out, letter, text))] if out is not None else []
        answer(as_json, {"order": letter, "letter": text, "files": files}, lambda: files or [text])
        return
    with session_of(context, as_json) as session:
        folder = out or Path("tickets")
        written = reviews_ticket.write_tickets(session, reeds or [], folder, order=order, at_s=moment_asked(at))
    tickets = [{"reed": reed, "files": [str(path) for path in paths]} for reed, paths in written.items()]
    files = [str(path) for paths in written.values() for path in paths]
    one = {"reed": reeds[0]} if reeds and len(reeds) == 1 and order is None else {}
    answer(as_json, one | {"files": files, "tickets": tickets}, lambda: files)


@app.command()
def report(
    context: typer.Context,
    folder: Annotated[Path, argument("Folder for the page and its pictures.", "FOLDER")],
    shop: Annotated[str, option("--shop", "The shop's name, for the heading.", "NAME")] = "",
    at: At = None,
    as_json: Json = False,
) -> None:
    """Write the review as one page with its pictures. Into a folder: index.html, PNG and SVG.

    Of a log without a reed there is no page, and the exit code is 2.

    Example: trimfit report review
    """
    from trimfit.verbs.reviews import report as reviews_report

    with session_of(context, as_json) as session:
        paths = reviews_report.write_report(session, folder, shop=shop, at_s=moment_asked(at))
    page, *pictures = map(str, paths)
    said = [f"{page}, with {len(pictures)} picture files beside it"]
    answer(as_json, {"page": page, "pictures": pictures}, lambda: said)
