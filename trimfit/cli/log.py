"""`log`: one entry at a time, durable when it is acknowledged."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trimfit.cli.context import Json, Text, Verbs, app, argument, may_make_log, option, session_of
from trimfit.cli.fast_path import options_of
from trimfit.cli.output.entry_words import log_and_say

if TYPE_CHECKING:
    from trimfit.verbs.log import EntryResult

At = Annotated[
    Text,
    option(
        "--at", "When, by this machine's clock: 14:05, 'yesterday 9:05' or 2026-03-01T14:05; now if not said.", "TIME"
    ),
]
After = Annotated[Text, option("--after", "Right after this entry of the reed, by its id; in place of --at.", "ENTRY")]
Remark = Annotated[Text, option("--remark", "Anything worth keeping.", "TEXT")]
ReedName = Annotated[str, argument("The reed's name.", "REED")]

_verbs = Verbs(
    help="Log one entry. A reading, a trim, an event, a reed, a chanter, an order, an outcome, a wrong entry "
    "corrected or struck, another name of a reed.\n\nExample: trimfit log reading R-0412 f=782.1 e=705.9 crow=C+22",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(_verbs, name="log")


def _log(context: typer.Context, verb: Callable[..., EntryResult], *words: Any, **more: Any) -> None:
    """Log by `verb(session, *words, …)` and print what was logged. The call's options go to its keywords of their
    names; `more`: keywords besides."""
    said = context.params
    given = {name: said[name] for name in options_of(verb).values()} | more
    with session_of(context, said["as_json"]) as session:
        log_and_say(session, verb, *words, as_json=said["as_json"], **given)


def _keep(context: typer.Context, verb: Callable[..., EntryResult], names: Any, **more: Any) -> None:
    """Log a reed, a chanter or an order, or revise it, by `verb(session, names, fields, …)`: the call's options are
    fields of the record, by their columns."""
    from trimfit.verbs.log import fields_of

    texts = {name: text for name, text in context.params.items() if name not in ("name", "move", "as_json")}
    flags = {param.name or "": param.opts[0] for param in context.command.params}
    fields, as_json = fields_of(texts, flags), context.params["as_json"]
    with may_make_log(context), session_of(context, as_json, create=True) as session:
        log_and_say(session, verb, names, fields, as_json=as_json, **more)


@_verbs.command()
def reading(
    context: typer.Context,
    reed: ReedName,
    words: Annotated[
        list[str],
        argument(
            "What was read, as f=782.1 e=705.9 a=468.2 A=936.1 crow=C+22: sounding hertz of the notes "
            "g a b c d e f G A, go for the overblown low G, and the crow.",
            "NAME=VALUE…",
        ),
    ],
    at: At = None,
    after: After = None,
    chanter: Annotated[Text, option("--chanter", "The chanter it was read in.", "NAME")] = None,
    pressure: Annotated[Text, option("--pressure", "6.5 kPa, 65 mbar, 26 inH2O, 660 mmH2O.", "P")] = None,
    temperature: Annotated[Text, option("--temperature", "21 C or 70 F.", "T")] = None,
    humidity: Annotated[Text, option("--humidity", "Per cent.", "PCT")] = None,
    taped: Annotated[Text, option("--taped", "Notes whose holes carry tape, as 'f high_g'.", "NOTES")] = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log a reading of a reed: only what was taken, in any order.

    Example: trimfit log reading R-0412 f=782.1 e=705.9 a=468.2 A=936.1 crow=C+22 --pressure "26 inH2O"
    """
    from trimfit.verbs import log

    _log(context, log.log_reading, reed, words)


@_verbs.command()
def trim(
    context: typer.Context,
    reed: ReedName,
    amount: Annotated[Text, argument("The same as --length.", "MM")] = None,
    length: Annotated[Text, option("--length", "Length taken off, in mm; or 6thou, 0.006in.", "MM")] = None,
    lip: Annotated[Text, option("--lip", "Strokes of lip work; half ones too.", "N")] = None,
    asked: Annotated[Text, option("--asked", "Length that was meant, in mm.", "MM")] = None,
    at: At = None,
    after: After = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log what was taken off a reed: length, lip strokes, or both.

    Example: trimfit log trim R-0412 --length 0.15 --lip 2 --asked 0.15
    """
    from trimfit.base.errors import InputError, short
    from trimfit.verbs import log

    if amount is not None and length is not None:
        raise InputError(f"two lengths, {short(amount)} and {short(length)}", "log trim", "say one")
    _log(context, log.log_trim, reed, length=amount if length is None else length)


@_verbs.command()
def reed(
    context: typer.Context,
    name: ReedName,
    reed_type: Annotated[Text, option("--type", "Its type.", "TYPE")] = None,
    batch: Annotated[Text, option("--batch", "The batch it was made in.", "NAME")] = None,
    made_on: Annotated[Text, option("--made-on", "As 2026-03-01.", "DATE")] = None,
    blade_mm: Annotated[Text, option("--blade", "Free blade length when new, mm.", "MM")] = None,
    weight: Annotated[Text, option("--weight", "How hard it is to blow, in your word.", "WORD")] = None,
    order: Annotated[Text, option("--order", "The order it is for.", "ORDER")] = None,
    remark: Remark = None,
    move: Annotated[bool, option("--move", "Its type or batch in the log is wrong: change it.")] = False,
    as_json: Json = False,
) -> None:
    """Log a reed, or revise what is known of one. What is not said stays, an empty value takes one back, but for the
    type and the batch: no reed is without.

    R-1..R-24 is all of them at once. Example: trimfit log reed R-1..R-24 --type moulded --batch B-17

    Example: trimfit log reed R-0412 --type moulded --batch B-17 --blade 23.1 --order O-12
    """
    from trimfit.base.natural_order import counted_out
    from trimfit.verbs import log

    names = counted_out(name)
    if names is None:
        _keep(context, log.log_reed, name, move=move)
    else:
        _keep(context, log.log_reeds, names, move=move)


@_verbs.command()
def chanter(
    context: typer.Context,
    name: Annotated[str, argument("The chanter's name.", "CHANTER")],
    kind: Annotated[Text, option("--kind", "Your word for chanters made alike.", "WORD")] = None,
    at_hand: Annotated[Text, option("--at-hand", "yes, or no: it is with its owner.", "YES|NO")] = None,
    meeting_pitch_hz: Annotated[
        Text, option("--meeting-pitch", "Where E and F meet, Hz as low A, if known.", "HZ")
    ] = None,
    working_crow_hz: Annotated[Text, option("--working-crow", "The crow it asks for: C+22 or hertz.", "CROW")] = None,
    working_crow_type: Annotated[Text, option("--crow-type", "The reed type that this crow is of.", "TYPE")] = None,
    bore_gauge_mm: Annotated[Text, option("--bore-gauge", "How far the bore gauge enters, mm.", "MM")] = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log a chanter, or revise what is known of one. What is not said stays, an empty value takes one back.

    Example: trimfit log chanter CH-7 --meeting-pitch 474 --working-crow C+22
    """
    from trimfit.verbs import log

    _keep(context, log.log_chanter, name)


@_verbs.command()
def order(
    context: typer.Context,
    name: Annotated[str, argument("The order's name.", "ORDER")],
    chanter: Annotated[Text, option("--chanter", "The chanter it is for.", "NAME")] = None,
    target_pitch_hz: Annotated[
        Text, option("--target-pitch", "Hz as low A; left out: wherever E and F meet.", "HZ")
    ] = None,
    quantity: Annotated[Text, option("--quantity", "How many reeds.", "N")] = None,
    pressure_kpa: Annotated[Text, option("--pressure", "The player's: 6.5 kPa, 26 inH2O …", "P")] = None,
    weight: Annotated[Text, option("--weight", "How hard to blow its reeds are to be.", "WORD")] = None,
    due_on: Annotated[Text, option("--due", "As 2026-03-01.", "DATE")] = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log an order, or revise what is known of one. What is not said stays, an empty value takes one back, but for the
    chanter: no order is without.

    Example: trimfit log order O-12 --chanter CH-7 --quantity 12 --due 2026-04-01
    """
    from trimfit.verbs import log

    _keep(context, log.log_order, name)


@_verbs.command()
def event(
    context: typer.Context,
    reed: ReedName,
    words: Annotated[list[str], argument("What it was: soaked, dropped, bridle moved, faces sanded.", "EVENT…")],
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

    _log(context, log.log_event, reed, words)


@_verbs.command()
def outcome(
    context: typer.Context,
    reed: ReedName,
    outcome: Annotated[str, argument("good, lost or to-stock.", "OUTCOME")],
    at: At = None,
    after: After = None,
    remark: Remark = None,
    as_json: Json = False,
) -> None:
    """Log that a reed has left the bench: good, lost, or to-stock.

    Example: trimfit log outcome R-0412 good
    """
    from trimfit.verbs import log

    _log(context, log.log_outcome, reed, outcome)


@_verbs.command()
def strike(
    context: typer.Context,
    entry: Annotated[
        Text, argument("The entry's id, or its first letters (6 or more); with --last a reed.", "ENTRY")
    ] = None,
    why: Annotated[Text, option("--why", "What was wrong.", "TEXT")] = None,
    last: Annotated[
        bool, option("--last", "The last entry of REED in time; without REED, the one logged last.")
    ] = False,
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
    _log(context, log.strike, entry, last=last)


@_verbs.command()
def amend(
    context: typer.Context,
    entry: Annotated[str, argument("The entry's id, or its first letters (6 or more); with --last a reed.", "ENTRY")],
    words: Annotated[
        list[str],
        argument("What is right, as length=0.65, or f=779.1 chanter=CH-7; lip= takes a value back.", "NAME=VALUE…"),
    ],
    last: Annotated[bool, option("--last", "The last entry of REED in time.")] = False,
    as_json: Json = False,
) -> None:
    """Correct a wrong reading, trim, event or outcome in its place.

    What is not said stays, and so do its reed and its time, so that the order of the reed's entries is the same. The
    wrong entry is struck. trimfit review reed REED lists a reed's entries with their ids.

    Example: trimfit log amend tri-k3v7q2m9 length=0.65

    Example: trimfit log amend --last R-0412 f=779.1
    """
    from trimfit.verbs.corrections.amend import amend_entry

    _log(context, amend_entry, entry, words, last=last)


@_verbs.command()
def rename(
    context: typer.Context,
    reed: ReedName,
    new: Annotated[str, argument("Its name from now on.", "NEW")],
    entries: Annotated[
        list[str] | None,
        option("--entry", "Give NEW this entry only; may be said again for more.", "ENTRY"),
    ] = None,
    join: Annotated[bool, option("--join", "NEW is in the log, and is the same reed.")] = False,
    as_json: Json = False,
) -> None:
    """Give a reed another name. Where another bench has a reed of this name, or the name was a slip.

    The reed and all that was logged of it are struck ("renamed NEW") and entered again under the new name, all at once.
    Other benches learn of it when logs are merged. For a reed that comes from another bench's log:
    trimfit merge OTHER_LOG --rename REED=NEW.

    Example: trimfit log rename R-0412 R-0412b
    """
    from trimfit.verbs import log

    _log(context, log.rename, reed, new, only=entries or (), join=join)
