"""Verbs that answer about reeds: ask, predict."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trimfit.base.errors import Fault, InputError
from trimfit.base.plain_words import away_words, chance_cell, plain_name, signed, whether_away
from trimfit.cli.context import At, Json, Text, app, argument, option, session_of
from trimfit.cli.output.answers import answer, plain, table
from trimfit.cli.output.entry_words import advice_in_words, moment_asked
from trimfit.cli.output.screen import prose

if TYPE_CHECKING:
    from trimfit.base.answers import Advice, PredictedReading
    from trimfit.session.session import Session
    from trimfit.verbs.other_orders import Elsewhere

WHAT_IT_MEANS = (
    "gap in cents, F less E; a dash where F and E were never read; meets Hz at the order's pressure, lip strokes of "
    "later steps not counted; past %, of a cut: the chance that the reed goes past with it; else that it is past now"
)
OTHERS_MEAN = "gap in cents, F less E; meets Hz: lip strokes still to come not counted, though good % counts them"
ENDS = {
    "finished": "finished: leave it as it is and hand it over",
    "past": "past: F is over E here, and no cut brings it back; trimfit ask REED --others says where it may go",
    "no-fit": "no-fit: the blade or the pitch is out of reach; trimfit ask REED --others says where it may go",
}


@app.command()
def ask(
    context: typer.Context,
    reed: Annotated[Text, argument("The reed.", "REED")] = None,
    all_: Annotated[bool, option("--all", "Every reed with an order and no outcome, most urgent first.")] = False,
    order: Annotated[Text, option("--order", "As if it were for this order.", "ORDER")] = None,
    at: At = None,
    others: Annotated[bool, option("--others", "What it would be for each order and chanter.")] = False,
    as_json: Json = False,
) -> None:
    """How much more to take off one reed, or the work list.

    The list's columns: next, what to do; mm and lip, how much of it; gap, F less E in cents, in the order's chanter;
    meets Hz, the pitch as low A where F and E will agree, lip strokes of later steps not counted; past %, the chance
    that the reed is past tolerance after a cut, or left short and past when next read, and where no cut is advised that
    it is past now; cuts left, this one counted, a dash where that is not known.

    What to do: cut, take it off and read again; read first, F and E were never read together; read again, another
    reading is worth more than a cut; finished, leave it as it is and hand it over; past, F is over E and no cut
    brings it back, so it is lost for this order; no-fit, the blade or the pitch asked for is out of reach. Of a reed
    that is past or no fit, trimfit ask REED --others says where it may go. No cut yet: by what is logged no length
    closes the gap, and trimfit ask REED says what to settle first.

    Where the order's chanter is away, the reed is worked in one at hand: the answer says at what gap and crow to stop
    there, and how sure it is of the one that is away.

    A range of the gap is of the gap itself, after a cut by the time of the next step; one by trimfit predict is of a
    reading, whose error it counts, so that either may be the wider.

    --at counts no later reading, trim, event or outcome of a batch, and lists no reed made on a later day. What is
    known of reeds, orders and chanters has no moment, nor what was learned of types and chanters: it is as now.

    Example: trimfit ask R-0412
    """
    from trimfit.verbs import ask as verbs_ask

    if (reed is None) == (not all_):
        raise InputError("say one reed, or --all", "ask", "for example: trimfit ask R-0412")
    if all_ and (order is not None or others):
        option = "--others" if order is None else "--order"
        raise InputError(f"--all and {option} do not go together", "ask", f"say one reed with {option}")
    at_s = moment_asked(at)
    with session_of(context, as_json) as session:
        if reed is not None and others:
            from trimfit.verbs.other_orders import elsewhere

            places = elsewhere(session, reed, at_s=at_s)
            answer(as_json, places, lambda: _places(places))
            return
        if reed is not None:
            advice = verbs_ask.ask_reed(session, reed, order=order, at_s=at_s)
            as_if = [_as_if(advice)] if order is not None else []
            answer(as_json, advice, lambda: [*as_if, *advice_in_words(advice)])
            return
        found = verbs_ask.ask_all(session, at_s=at_s)
        answer(as_json, found, lambda: [*_order_lines(session, at_s), *work_list(found)])


def _as_if(advice: Advice) -> str:
    """For what order and chanter an answer is, where that was asked."""
    target = f" at {advice.target_pitch_hz:.1f} Hz" if advice.target_pitch_hz else ""
    return f"as if for {plain_name(advice.order or '')}, in {plain_name(advice.chanter or '')}{target}:"


def _order_lines(session: Session, at_s: float | None) -> list[str]:
    """One line for each order that still wants something at a moment; now if not said."""
    from trimfit.verbs.ask import open_orders

    orders = open_orders(session, at_s=at_s)
    said = [f"{plain_name(one.order, 24)} in {plain_name(one.chanter, 24)}: {one.line()}" for one in orders]
    return [line for order in said for line in prose(order)]


def _places(places: Sequence[Elsewhere]) -> list[str]:
    """The orders and chanters a reed may go to, as a table, best first."""
    if not places:
        return ["the log knows no order and no chanter"]
    rows = [
        (
            plain_name(one.order or "", 12),
            plain_name(one.chanter, 20),
            signed(one.gap_now_cents.mean) if one.gap_now_cents else "-",
            f"{one.length_mm:.2f}" if one.length_mm is not None else "",
            f"{one.meet_pitch_hz.mean:.{one.meet_pitch_hz.decimals(1)}f}" if one.meet_pitch_hz else "-",
            f"{100 * one.chance_good:.0f}" if one.chance_good is not None else "-",
            one.remark,
        )
        for one in places
    ]
    heads = ("order", "chanter", "gap", "mm to go", "meets Hz", "good %", "")
    return [*table(heads, rows, right=(2, 3, 4, 5), wrap=True), *prose(OTHERS_MEAN)]


def work_list(found: Sequence[Advice]) -> list[str]:
    """The run's work list as a table, one reed a line, and one line that sums it up."""
    if not found:
        return ["no reed waits: none has an order and no outcome"]
    from trimfit.verbs.wording import cuts_cell

    rows = []
    for a in found:
        known = a.gap_read or a.action == "trim"
        rows.append(
            (
                plain_name(a.order or "", 14),
                plain_name(a.reed, 18),
                _next(a),
                f"{a.length_mm:.2f}" if a.action == "trim" and a.length_mm else "",
                str(a.lip_strokes) if a.lip_strokes else "",
                signed(a.gap_now_cents.mean) if a.gap_now_cents and known else "-",
                f"{a.meet_pitch_hz.mean:.{a.meet_pitch_hz.decimals(1)}f}" if a.meet_pitch_hz and known else "-",
                chance_cell(a.chance_past) if known else "-",
                cuts_cell(a.trims_left, known=a.cuts_known),
            )
        )
    heads = ("order", "reed", "next", "mm", "lip", "gap", "meets Hz", "past %", "cuts left")
    todo = [a for a in found if a.action in ("trim", "read-again")]
    unread = sum(1 for a in todo if a.action == "read-again" and not a.gap_read)
    parts = [f"{len(found)} reed{'s' if len(found) != 1 else ''}", f"{len(todo)} with work left"]
    if unread:
        parts[-1] += f" ({unread} of them not read yet)"
    for action in ("finished", "past", "no-fit"):
        if count := sum(1 for a in found if a.action == action):
            parts.append(f"{count} {action}")
    known_left = [a.trims_left for a in todo if a.cuts_known]
    unknown = len(todo) - len(known_left)
    parts += [f"about {sum(known_left):.0f} cuts in all"] if known_left or not unknown else []
    parts += [f"of {unknown} it is not known how many cuts are left"] if unknown else []
    ends = [said for action, said in ENDS.items() if any(a.action == action for a in found)]
    listed = table(heads, rows, right=(3, 4, 5, 6, 7, 8))
    feet = [*_supposed_lines(found), ", ".join(parts), *_away_lines(found), *ends, WHAT_IT_MEANS]
    return [*listed, *(line for foot in feet for line in prose(foot))]


def _supposed_lines(found: Sequence[Advice]) -> list[str]:
    """What to settle before the marked cuts, once a chanter that is only supposed to be away."""
    supposed: dict[str, bool] = {}
    for one in found:
        if one.is_it_away and one.action not in ENDS:
            supposed[one.chanter or ""] = supposed.get(one.chanter or "", False) or one.action == "trim"
    return [f"{'* ' if cut else ''}{whether_away([name], 'reeds')}" for name, cut in supposed.items()]


def _away_lines(found: Sequence[Advice]) -> list[str]:
    """For each reed whose chanter is away, once its F and E were read: where it stands in the one at hand, and where
    to stop there."""
    from trimfit.verbs.wording import stop_words

    return [
        f"{plain_name(a.reed, 18)} for {plain_name(a.chanter or '', 24)}, which "
        f"{away_words(supposed=bool(a.is_it_away))}: in "
        f"{plain_name(a.here['chanter'], 24)} gap {signed(a.here['gap_now_cents'].mean)}, " + stop_words(a.here)
        for a in found
        if a.here is not None and (a.action == "trim" or (a.action == "read-again" and a.gap_read))
    ]


def _next(advice: Advice) -> str:
    """What to do, in two words: a reed that was never read is kept apart from one that is to be read once more."""
    if advice.action == "read-again" and not advice.closes and advice.gap_now_cents:
        return "no cut yet"
    if advice.action == "read-again":
        return "read again" if advice.gap_read and not advice.first_in else "read first"
    if advice.action == "trim":
        return "cut *" if advice.is_it_away else "cut"
    return advice.action


def read_plan(path: Path) -> tuple[list[tuple[str, float, float]], list[str]]:
    """A plan file (reed,length_mm,lip_strokes), and where each row of it stands, as `file:line`. InputError with every
    fault, as `file:line: column: …`."""
    import csv

    from trimfit.base.units import parse_length_mm, parse_number, within
    from trimfit.verbs.predict import check_plan_columns

    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror or str(error) if isinstance(error, OSError) else "it is not UTF-8 text"
        remedy = "give a CSV file with columns reed,length_mm"
        raise InputError(f"cannot be read ({reason})", str(path), remedy) from error
    rows = list(csv.reader(text.splitlines(), delimiter=";" if ";" in text.partition("\n")[0] else ","))
    heads = [cell.strip() for cell in rows[0]] if rows else []
    check_plan_columns(heads, str(path))
    faults, out, places = [], [], []
    for number, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        cells = dict(zip(heads, row, strict=False))
        values = {"length_mm": 0.0, "lip_strokes": 0.0}
        if not cells.get("reed", "").strip():
            faults.append(Fault(f"{path}:{number}", "reed", "is empty", "name a reed"))
        for name in values:
            word = cells.get(name, "").strip()
            if word:
                try:
                    values[name] = within(name, parse_length_mm(word) if name == "length_mm" else parse_number(word))
                except InputError as error:
                    faults.append(Fault(f"{path}:{number}", name, error.what, error.remedy))
        out.append((cells.get("reed", "").strip(), values["length_mm"], values["lip_strokes"]))
        places.append(f"{path}:{number}")
    if faults:
        raise InputError(f"{len(faults)} faults", str(path), faults=faults)
    return out, places


@app.command()
def predict(
    context: typer.Context,
    reed: Annotated[Text, argument("The reed.", "REED")] = None,
    length: Annotated[Text, option("--length", "Length to come off, mm.", "MM")] = None,
    lip: Annotated[Text, option("--lip", "Lip strokes; half ones too.", "N")] = None,
    plan: Annotated[Path | None, option("--plan", "CSV: reed,length_mm,lip_strokes.", "FILE")] = None,
    chanter: Annotated[Text, option("--chanter", "In this chanter instead.", "NAME")] = None,
    pressure: Annotated[Text, option("--pressure", "Blown at this pressure: 6.5kPa, 26 inH2O.", "P")] = None,
    temperature: Annotated[Text, option("--temperature", "In air of this temperature: 21C, 70F.", "T")] = None,
    at: At = None,
    as_json: Json = False,
) -> None:
    """What the next reading would show after a trim. In the chanter and air of the reed's last one.

    Its ranges count the error of that reading; trimfit ask says where the gap itself will be, without it.

    Example: trimfit predict R-0412 --length 0.15
    """
    from trimfit.base.units import parse_length_mm, parse_number, parse_pressure_kpa, parse_temperature_c
    from trimfit.verbs import predict as verbs_predict

    if (reed is None) == (plan is None):
        raise InputError("say one reed, or --plan FILE", "predict", "for example: trimfit predict R-0412 --length 0.15")
    if plan is not None and (length is not None or lip is not None):
        raise InputError("--plan says what comes off each reed", "predict", "leave --length and --lip out, or --plan")
    places: list[str] = []
    if plan is not None:
        plans, places = read_plan(plan)
    else:
        mm = parse_length_mm("0" if length is None else length)
        plans = [(str(reed), mm, parse_number("0" if lip is None else lip))]
    with session_of(context, as_json) as session:
        found = verbs_predict.predict(
            session,
            plans,
            places=places,
            chanter=chanter,
            pressure_kpa=parse_pressure_kpa(pressure) if pressure is not None else None,
            temperature_c=parse_temperature_c(temperature) if temperature is not None else None,
            at_s=moment_asked(at),
        )
    answer(as_json, [_flat(item) for item in found], lambda: _predictions(found, plans))


def _predictions(found: Sequence[PredictedReading], plans: Sequence[tuple[str, float, float]]) -> list[str]:
    """What the next readings would show, output by output, and what to know of them."""
    from trimfit.base.pitch import OUTPUT_WORDS

    rows = []
    for item, (_, mm, strokes) in zip(found, plans, strict=True):
        notes = [(f"{OUTPUT_WORDS[note]}, Hz", hz) for note, hz in item.notes_hz.items()]
        for what, span in (("gap, cents", item.gap_cents), ("crow, Hz", item.crow_hz), *notes):
            digits = span.decimals(1)
            number = partial(signed, digits=digits) if what.startswith("gap") else f"{{:.{digits}f}}".format
            ends = f"{number(span.low)} to {number(span.high)}"
            rows.append((plain_name(item.reed, 18), f"{mm:.2f}", f"{strokes:g}", what, number(span.mean), ends))
    airs = list(dict.fromkeys(_air(item) for item in found))
    heads = ("reed", "mm", "lip", "next reading", "mean", "nine in ten")
    warnings = [f"{plain_name(item.reed, 18)}: {item.why}" for item in found if item.why]
    return [*(airs if len(airs) == 1 else []), *table(heads, rows, right=(1, 2, 4)), *warnings]


def _air(item: PredictedReading) -> str:
    """In what the reading would be taken."""
    parts = [f"in {plain_name(item.chanter)}" if item.chanter else "in no chanter that the log names"]
    parts.append(f"at {item.pressure_kpa:.1f} kPa" if item.pressure_kpa else "at the bench's usual pressure")
    parts += [f"in air of {item.temperature_c:.0f} °C"] if item.temperature_c is not None else []
    return f"read {', '.join(parts)}"


def _flat(item: PredictedReading) -> dict[str, Any]:
    out = {"reed": item.reed, "gap_cents": plain(item.gap_cents), "crow_hz": plain(item.crow_hz)}
    out |= {f"{note}_hz": plain(span) for note, span in item.notes_hz.items()}
    return out | {name: plain(getattr(item, name)) for name in ("chanter", "pressure_kpa", "temperature_c", "why")}
