"""What is said of one logged entry, or one reed asked after. Free of typer, so that `fast_path` can say the same."""

from __future__ import annotations

import sys
from functools import partial
from typing import TYPE_CHECKING, Any

from trimfit.base.errors import command, short
from trimfit.cli.output.screen import prose, prose_width, say

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from trimfit.base.answers import Advice
    from trimfit.base.records import Doubt
    from trimfit.session.session import Session
    from trimfit.verbs.log import EntryResult, Verdict

KEEP = ("y", "yes", "keep")
NAMED = ("reed", "order", "chanter")  # of other kinds an entry is about a reed or an entry


def advice_in_words(advice: Advice) -> list[str]:
    """The answer of `ask REED` as lines: what to do, then what it rests on."""
    from trimfit.base.plain_words import plain_name
    from trimfit.verbs.wording import advice_lines, first_lines

    lines = advice_lines(advice, prose_width())
    head = f"{plain_name(advice.reed)}  {lines[0].removeprefix('> ')}"
    return [*first_lines(advice, prose_width()), head, *lines[1:]]


def moment_asked(at: str | None) -> float | None:
    """The instant that --at names (`asked_s`); stderr says which it is where its hour came twice."""
    from trimfit.base.iso_dates import asked_s, came_twice, typed_time

    if at is not None and (twice := came_twice(at, typed_time(at))):
        say(twice, err=True)
    return asked_s(at)


def log_and_say(
    session: Session, verb: Callable[..., EntryResult], *words: object, as_json: bool, **given: Any
) -> None:
    """Log by `verb(session, *words, **given)` and print what was logged, or dropped.

    At a terminal what is in doubt is asked about first, where the verb takes `sure`. Scripts are never asked: with
    --json, or where a pipe or a file stands in for the terminal, all is kept and marked. What a verb that takes `saved`
    and `ask` has saved is said at once, and a person is asked about the rest then.
    """
    person = not as_json and sys.stdin.isatty() and sys.stdout.isatty()
    takes = verb.__kwdefaults__ or {}
    said_at_once = "saved" in takes and not as_json
    if said_at_once:
        given["saved"] = lambda kept: say(*saved_lines(kept))
        given["ask"] = is_it_right if person else None
    log_it = partial(verb, session, *words, **given)
    kept = _asked_before(log_it) if person and "sure" in takes else log_it()
    if kept is None:
        say("not logged; type it again as it should be")
    elif as_json:
        from trimfit.cli.output.answers import json_text

        say(json_text(in_json(kept)))
    elif kept.taken_back:
        say("struck; type it again as it should be")
    else:
        say(*([] if said_at_once else saved_lines(kept)), *doubt_lines(kept))


def _asked_before(log_it: Callable[..., EntryResult]) -> EntryResult | None:
    """What was logged; None where a person was asked about a doubt, and dropped it."""
    from trimfit.verbs.log import Doubtful

    try:
        return log_it(sure=False)
    except Doubtful as doubtful:
        answer = _answer(doubtful.doubts, "y log it as typed, n do not log it: ", (*KEEP, "n", "no", "drop"))
        # Left at the question: a measured reading is not thrown away, and nobody has said yes to anything else.
        if answer in KEEP or (answer is None and doubtful.measured):
            return log_it(sure=True)
        return None


def is_it_right(doubts: Sequence[Doubt]) -> Verdict:
    """Ask a person about doubts on an entry that is in the log; no answer leaves it there, marked."""
    moved = may_have_moved(doubts)
    wrong = ("n", "no", "drop", *(("r", "read") if moved else ()))
    answer = _answer(
        doubts,
        "r strike it, m it has moved, y keep it marked: " if moved else "y keep it as typed, n strike it: ",
        (*KEEP, *wrong, *(("m", "moved", "") if moved else ())),
    )
    if answer in ("m", "moved"):
        return "moved"
    return "wrong" if answer in wrong else "keep"


def may_have_moved(doubts: Sequence[Doubt]) -> bool:
    """Whether a reading was misread, or the reed has moved."""
    return any(doubt.kind == "misread-or-moved" for doubt in doubts)


def _answer(doubts: Sequence[Doubt], question: str, known: Collection[str]) -> str | None:
    """What a person answers, one of those known, in small letters; None where the question is left."""
    say(*(f"? {' '.join(doubt.sentence.split())}" for doubt in doubts))
    try:
        while (answer := input(question).strip().lower()) not in known:
            pass
        return answer
    except (EOFError, KeyboardInterrupt):
        sys.stdout.write("\n")
        return None


def in_json(kept: EntryResult) -> dict[str, Any]:
    """The answer of a `log` verb under --json."""
    return {
        "entry": kept.entry,
        "kind": kept.kind,
        "about": kept.about,
        "new": kept.new,
        "doubt": " ".join(one.sentence for one in kept.doubts) or None,
        "doubts": [{"kind": one.kind, "column": one.column, "sentence": one.sentence} for one in kept.doubts],
        "instead_of": kept.instead_of,
        "note": kept.note or None,
        "read": kept.read.lstrip(" :") or None,
        "sentence": f"{kept.kind} {'' if kept.kind in NAMED else 'of '}{kept.about}{kept.read}",
        **({"entries": list(kept.entries)} if kept.entries else {}),
    }


def saved_lines(kept: EntryResult) -> list[str]:
    """What is in the log now, as lines: the entry, and what was understood."""
    about = short(kept.about)
    of = "" if kept.kind in NAMED else "of "
    known = "" if kept.new else " (in the log already)"
    lines = [f"{kept.entry}  {kept.kind} {of}{about}{known}"]
    if kept.read:
        # What was understood is looked at, and not the id.
        lines = [f"{kept.kind} of {about}{kept.read}{known}  {kept.entry}"]
    if kept.instead_of:
        lines.append(f"it replaces {kept.instead_of}, which stays readable")
    return [line for said in (*lines, *kept.note.splitlines()) for line in prose(said)]


def doubt_lines(kept: EntryResult) -> list[str]:
    """What is in doubt about it, as lines, and what can be done."""
    # Whether it was misread is asked where somebody can answer; here follows what to type.
    said = [one.sentence.partition(":")[0] if may_have_moved([one]) else one.sentence for one in kept.doubts]
    lines = [line for sentence in said for line in prose(f"doubt: {' '.join(sentence.split())}")]
    strike = command("log", "strike", kept.entry)
    if may_have_moved(kept.doubts):
        after = ("--after", kept.follows) if kept.follows else ("--at", "TIME")
        moved = command("log", "event", kept.about, "moved", *after)
        lines += prose(f"kept and marked; if it was misread: {command('log', 'amend', kept.entry)} …")
        lines += [*prose(f"or: {strike}"), *prose(f"if the reed had moved before it: {moved}")]
    elif lines and kept.entries:
        remedy = command(*kept.remedy or ("log", "strike", "ENTRY"))
        lines += prose(f"kept and marked, each of them; if it is wrong: {remedy}")
        if kept.remedy and any(one.kind == "batch-types" for one in kept.doubts):
            lines += prose(f"or, if its batch is: {command(*kept.remedy[:3], '--batch', 'BATCH', '--move')}")
        lines += [] if kept.remedy else prose(f"each ENTRY is listed by: {command('check')}")
    elif lines:
        lines += prose(f"kept and marked; if it is wrong: {strike}")
    return lines
