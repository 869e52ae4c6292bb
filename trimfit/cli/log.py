"""`log`: one entry at a time, durable when it is acknowledged."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trimfit.cli.context import Json, app, session_of
from trimfit.cli.output.entry_words import log_and_say

if TYPE_CHECKING:
    from trimfit.verbs.log import EntryResult

At = Annotated[
    str | None,
    typer.Option(
        "--at",
        help="When, by this machine's clock: 14:05, 'yesterday 9:05' or 2026-03-01T14:05; now if not said.",
        metavar="TIME",
    ),
]
After = Annotated[
    str | None,
    typer.Option("--after", help="Right after this entry of the reed, by its id; in place of --at.", metavar="ENTRY"),
]
Remark = Annotated[str | None, typer.Option("--remark", help="Anything worth keeping.", metavar="TEXT")]
ReedName = Annotated[str, typer.Argument(help="The reed's name.", metavar="REED")]

_verbs = typer.Typer(
    help="Log one entry. A reading, a trim, an event, a reed, a chanter, an order, an outcome, a wrong entry "
    "corrected or struck, another name of a reed.\n\nExample: trimfit log reading R-0412 f=782.1 e=705.9 crow=C+22",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(_verbs, name="log")


def _log(
    context: typer.Context,
    as_json: bool,
    verb: Callable[..., EntryResult],
    *words: Any,
    create: bool = False,
    checked_after: bool = False,
    **said: Any,
) -> None:
    """Log by `verb(session, *words, **said, sure=…)` and print what was logged; see `log_and_say`."""
    with session_of(context, as_json, create=create) as session:
        log_and_say(partial(verb, session, *words, **said), as_json, checked_after=checked_after)


def _given(**fields: Any) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value is not None}


def _value(option: str, text: str | None, unit: str = "") -> float | str | None:
    """A number typed after an option, in its `unit` or another of that sort; a blank stays, to take a value back."""
    from trimfit.base.errors import InputError
    from trimfit.base.units import parse_hz, parse_length_mm, parse_number

    if text is None or not text.strip():
        return text
    try:
        return {"hz": parse_hz, "mm": parse_length_mm}.get(unit, parse_number)(text)
    except InputError as error:
        raise InputError(error.what, option, error.remedy) from error


@_verbs.command()
def reading(
    context: typer.Context,
    reed: ReedName,
    words: Annotated[
        list[str],
        typer.Argument(
            help="What was read, as f=782.1 e=705.9 a=468.2 A=936.1 crow=C+22: sounding hertz of the notes "
            "g a b c d e f G A, go for the overblown low G, and the crow.",
            metavar="NAME=VALUE…",
        ),
    ],
    at: At = None,
    after: After = None,
    chanter: Annotated[
        str | None, typer.Option("--chanter", help="The chanter it was read in.", metavar="NAME")
    ] = None,
    pressure: Annotated[
        str | None, typer.Option("--pressure", help="6.5 kPa, 65 mbar, 26 inH2O, 660 mmH2O.", metavar="P")
    ] = None,
    temperature: Annotated[str | None, typer.Option("--temperature", help="21 C or 70 F.", metavar="T")] = None,
    humidity: Annotated[str | None, typer.Option("--humidity", help="Per cent.", metavar="PCT")] = None,
    taped: Annotated[
        str | None, typer.Option("--taped", help="Notes whose holes carry tape, as 'f high_g'.", metavar="NOTES")
    ] = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log a reading of a reed: only what was taken, in any order.

    Example: trimfit log reading R-0412 f=782.1 e=705.9 a=468.2 A=936.1 crow=C+22 --pressure "26 inH2O"
    """
    from trimfit.verbs import log

    said: dict[str, Any] = {
        "at": at,
        "after": after,
        "chanter": chanter,
        "pressure": pressure,
        "temperature": temperature,
    }
    said |= {"humidity": humidity, "taped": taped, "remark": remark}
    _log(context, as_json, log.log_reading, reed, words, checked_after=True, **said)


@_verbs.command()
def trim(
    context: typer.Context,
    reed: ReedName,
    amount: Annotated[str | None, typer.Argument(help="The same as --length.", metavar="MM")] = None,
    length: Annotated[
        str | None, typer.Option("--length", help="Length taken off, in mm; or 6thou, 0.006in.", metavar="MM")
    ] = None,
    lip: Annotated[str | None, typer.Option("--lip", help="Strokes of lip work.", metavar="N")] = None,
    asked: Annotated[str | None, typer.Option("--asked", help="Length that was meant, in mm.", metavar="MM")] = None,
    at: At = None,
    after: After = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log what was taken off a reed: length, lip strokes, or both.

    Example: trimfit log trim R-0412 --length 0.15 --lip 2 --asked 0.15
    """
    from trimfit.base.errors import InputError
    from trimfit.verbs import log

    if amount is not None and length is not None:
        raise InputError(f"two lengths, {amount[:20]} and {length[:20]}", "log trim", "say one")
    length = amount if length is None else length

    said: dict[str, Any] = {"length": length, "lip": lip, "asked": asked, "at": at, "after": after, "remark": remark}
    _log(context, as_json, log.log_trim, reed, **said)


@_verbs.command()
def reed(
    context: typer.Context,
    name: ReedName,
    reed_type: Annotated[str | None, typer.Option("--type", help="Its type.", metavar="TYPE")] = None,
    batch: Annotated[str | None, typer.Option("--batch", help="The batch it was made in.", metavar="NAME")] = None,
    made_on: Annotated[str | None, typer.Option("--made-on", help="As 2026-03-01.", metavar="DATE")] = None,
    blade: Annotated[str | None, typer.Option("--blade", help="Free blade length when new, mm.", metavar="MM")] = None,
    weight: Annotated[
        str | None, typer.Option("--weight", help="How hard it is to blow, in your word.", metavar="WORD")
    ] = None,
    order: Annotated[str | None, typer.Option("--order", help="The order it is for.", metavar="ORDER")] = None,
    remark: Remark = None,
    move: Annotated[bool, typer.Option("--move", help="Its type or batch in the log is wrong: change it.")] = False,
    as_json: Json = False,
) -> None:
    """Log a reed, or revise what is known of one. What is not said stays, an empty value takes one back.

    R-1..R-24 is all of them at once. Example: trimfit log reed R-1..R-24 --type moulded --batch B-17

    Example: trimfit log reed R-0412 --type moulded --batch B-17 --blade 23.1 --order O-12
    """
    from trimfit.base.natural_order import counted_out
    from trimfit.verbs import log

    given = _given(
        reed_type=reed_type,
        batch=batch,
        made_on=made_on,
        blade_mm=_value("--blade", blade, "mm"),
        weight=weight,
        order=order,
        remark=remark,
    )
    names = counted_out(name)
    verb, about = (log.log_reed, name) if names is None else (log.log_reeds, names)
    _log(context, as_json, verb, about, given, move=move, create=True)


@_verbs.command()
def chanter(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="The chanter's name.", metavar="CHANTER")],
    kind: Annotated[
        str | None, typer.Option("--kind", help="Your word for chanters made alike.", metavar="WORD")
    ] = None,
    at_hand: Annotated[
        str | None, typer.Option("--at-hand", help="yes, or no: it is with its owner.", metavar="YES|NO")
    ] = None,
    meeting_pitch: Annotated[
        str | None, typer.Option("--meeting-pitch", help="Where E and F meet, Hz as low A, if known.", metavar="HZ")
    ] = None,
    working_crow: Annotated[
        str | None, typer.Option("--working-crow", help="The crow it asks for: C+22 or hertz.", metavar="CROW")
    ] = None,
    crow_type: Annotated[
        str | None, typer.Option("--crow-type", help="The reed type that this crow is of.", metavar="TYPE")
    ] = None,
    bore_gauge: Annotated[
        str | None, typer.Option("--bore-gauge", help="How far the bore gauge enters, mm.", metavar="MM")
    ] = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log a chanter, or revise what is known of one. What is not said stays, an empty value takes one back.

    Example: trimfit log chanter CH-7 --meeting-pitch 474 --working-crow C+22
    """
    from trimfit.base.pitch import parse_crow_hz
    from trimfit.verbs import log

    crow = parse_crow_hz(working_crow) if working_crow and working_crow.strip() else working_crow
    given = _given(
        kind=kind,
        at_hand=at_hand,
        meeting_pitch_hz=_value("--meeting-pitch", meeting_pitch, "hz"),
        working_crow_hz=crow,
        working_crow_type=crow_type,
        bore_gauge_mm=_value("--bore-gauge", bore_gauge, "mm"),
        remark=remark,
    )
    _log(context, as_json, log.log_chanter, name, given, create=True)


@_verbs.command()
def order(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="The order's name.", metavar="ORDER")],
    chanter: Annotated[str | None, typer.Option("--chanter", help="The chanter it is for.", metavar="NAME")] = None,
    target_pitch: Annotated[
        str | None,
        typer.Option("--target-pitch", help="Hz as low A; left out: wherever E and F meet.", metavar="HZ"),
    ] = None,
    quantity: Annotated[str | None, typer.Option("--quantity", help="How many reeds.", metavar="N")] = None,
    pressure: Annotated[
        str | None, typer.Option("--pressure", help="The player's: 6.5 kPa, 26 inH2O …", metavar="P")
    ] = None,
    weight: Annotated[
        str | None, typer.Option("--weight", help="How hard to blow its reeds are to be.", metavar="WORD")
    ] = None,
    due_on: Annotated[str | None, typer.Option("--due", help="As 2026-03-01.", metavar="DATE")] = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log an order, or revise what is known of one. What is not said stays, an empty value takes one back.

    Example: trimfit log order O-12 --chanter CH-7 --quantity 12 --due 2026-04-01
    """
    from trimfit.base.units import parse_pressure_kpa
    from trimfit.verbs import log

    given = _given(
        chanter=chanter,
        target_pitch_hz=_value("--target-pitch", target_pitch, "hz"),
        quantity=_value("--quantity", quantity),
        pressure_kpa=parse_pressure_kpa(pressure) if pressure and pressure.strip() else pressure,
        weight=weight,
        due_on=due_on,
        remark=remark,
    )
    _log(context, as_json, log.log_order, name, given, create=True)


@_verbs.command()
def event(
    context: typer.Context,
    reed: ReedName,
    words: Annotated[
        list[str], typer.Argument(help="What it was: soaked, dropped, bridle moved, faces sanded.", metavar="EVENT…")
    ],
    at: At = None,
    after: After = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log what happened to a reed besides a trim. F and E may stand anywhere after it.

    How the reed answers a cut stays known. Read it again before the next cut. "came back flat" (or sharp) of a reed
    that was sent away is counted as evidence of the chanter that it went to.

    Example: trimfit log event R-0412 soaked
    """
    from trimfit.verbs import log

    _log(context, as_json, log.log_event, reed, words, at=at, after=after, remark=remark)


@_verbs.command()
def outcome(
    context: typer.Context,
    reed: ReedName,
    outcome: Annotated[str, typer.Argument(help="good, lost or to-stock.", metavar="OUTCOME")],
    at: At = None,
    after: After = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log that a reed has left the bench: good, lost, or to-stock.

    Example: trimfit log outcome R-0412 good
    """
    from trimfit.verbs import log

    _log(context, as_json, log.log_outcome, reed, outcome, at=at, after=after, remark=remark)


@_verbs.command()
def strike(
    context: typer.Context,
    entry: Annotated[
        str | None, typer.Argument(help="The entry's id, or its first letters; with --last a reed.", metavar="ENTRY")
    ] = None,
    why: Annotated[str | None, typer.Option("--why", help="What was wrong.", metavar="TEXT")] = None,
    last: Annotated[bool, typer.Option("--last", help="The entry logged last, of REED if one is named.")] = False,
    at: At = None,
    as_json: Json = False,
) -> None:
    """Take a wrong entry back. It stays in the log and in exports with the reason, and counts no more.

    Example: trimfit log strike rea-k3v7q2m9 --why "read in the wrong chanter"

    Example: trimfit log strike --last R-0412
    """
    from trimfit.base.errors import InputError
    from trimfit.verbs import log

    if entry is None and not last:
        raise InputError("no entry is named", "log strike", "give its id, or say --last, or --last REED")
    said = log.TAKEN_BACK if why is None else why
    what: dict[str, Any] = {"entry": None, "last_of": entry} if last else {"entry": entry}
    _log(context, as_json, lambda session, sure: log.strike(session, why=said, at=at, **what))


@_verbs.command()
def amend(
    context: typer.Context,
    entry: Annotated[str, typer.Argument(help="The entry's id, or its first letters.", metavar="ENTRY")],
    words: Annotated[
        list[str],
        typer.Argument(
            help="What is right, as length=0.65, or f=779.1 chanter=CH-7; lip= takes a value back.",
            metavar="NAME=VALUE…",
        ),
    ],
    as_json: Json = False,
) -> None:
    """Correct a wrong reading, trim, event or outcome in its place.

    What is not said stays, and so do its reed and its time, so that the order of the reed's entries is the same. The
    wrong entry is struck. trimfit review reed REED lists a reed's entries with their ids.

    Example: trimfit log amend tri-k3v7q2m9 length=0.65
    """
    from trimfit.verbs.corrections.amend import amend_entry

    _log(context, as_json, amend_entry, entry, words)


@_verbs.command()
def rename(
    context: typer.Context,
    reed: ReedName,
    new: Annotated[str, typer.Argument(help="Its name from now on.", metavar="NEW")],
    entries: Annotated[
        list[str] | None,
        typer.Option("--entry", help="Rename this entry only; may be said again for more.", metavar="ENTRY"),
    ] = None,
    join: Annotated[bool, typer.Option("--join", help="NEW is in the log, and is the same reed.")] = False,
    as_json: Json = False,
) -> None:
    """Give a reed another name. Where another bench has a reed of this name, or the name was a slip.

    The reed and all that was logged of it are struck ("renamed NEW") and entered again under the new name, all at once.
    Other benches learn of it when logs are merged. For a reed that comes from another bench's log:
    trimfit merge OTHER_LOG --rename REED=NEW.

    Example: trimfit log rename R-0412 R-0412b
    """
    from trimfit.verbs import log

    _log(context, as_json, lambda session, sure: log.rename(session, reed, new, only=entries or (), join=join))
