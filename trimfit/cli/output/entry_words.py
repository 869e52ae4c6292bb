"""What is said of one logged entry, or one reed asked after. Free of typer, so that `fast_path` can say the same."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from trimfit.base.errors import short

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from trimfit.base.answers import Advice
    from trimfit.base.records import Doubt
    from trimfit.verbs.log import EntryResult, Verdict

NAMED = ("reed", "order", "chanter")  # of other kinds an entry is about a reed or an entry


def advice_in_words(advice: Advice) -> list[str]:
    """The answer of `ask REED` as lines: what to do, then what it rests on."""
    from trimfit.base.plain_words import plain_name
    from trimfit.cli.output.screen import prose_width
    from trimfit.verbs.wording import advice_lines

    lines = advice_lines(advice, prose_width())
    return [f"{plain_name(advice.reed)}  {lines[0].removeprefix('> ')}", *lines[1:]]


def log_and_say(log_it: Callable[..., EntryResult], as_json: bool, *, checked_after: bool = False) -> None:
    """Log by `log_it(sure=…)` and print what was logged, or dropped.

    At a terminal what is in doubt is asked about first. Scripts are never asked: with --json, or where a pipe or a file
    stands in for the terminal, all is kept and marked. checked_after: `log_it` takes `saved` and `ask` too, and what it
    saved is said at once; of the rest a person is asked then.
    """
    person = not as_json and sys.stdin.isatty() and sys.stdout.isatty()
    more: dict[str, Any] = {}
    if checked_after and not as_json:
        more["saved"] = lambda kept: _print(saved_lines(kept))
        more["ask"] = is_it_right if person else None
    kept = _logged(log_it, person, more)
    if kept is None:
        _print(["not logged; type it again as it should be"])
    elif as_json:
        from trimfit.cli.output.json_values import json_text

        _print([json_text(in_json(kept))])
    elif kept.taken_back:
        _print(["struck; type it again as it should be"])
    else:
        _print([*([] if more else saved_lines(kept)), *doubt_lines(kept)])


def _logged(log_it: Callable[..., EntryResult], person: bool, more: dict[str, Any]) -> EntryResult | None:
    """What was logged; None where a person was asked about a doubt, and dropped it."""
    if not person:
        return log_it(sure=True, **more)
    from trimfit.verbs.log import Doubtful

    try:
        return log_it(sure=False, **more)
    except Doubtful as doubtful:
        answer = _answer(doubtful.doubts, "y as typed, n drop it: ")
        # Left at the question: a measured reading is not thrown away, and nobody has said yes to anything else.
        if answer in ("y", "yes", "keep") or (answer is None and doubtful.measured):
            return log_it(sure=True, **more)
        return None


def is_it_right(doubts: Sequence[Doubt]) -> Verdict:
    """Ask a person about doubts on an entry that is in the log; no answer leaves it there, marked."""
    moved = any(doubt.kind == "misread-or-moved" for doubt in doubts)
    answer = _answer(doubts, "r, m, or y to keep it marked: " if moved else "y as typed, n take it back: ")
    if moved and answer in ("m", "moved"):
        return "moved"
    return "wrong" if answer in ("n", "no", "r", "read", "drop") else "keep"


def _answer(doubts: Sequence[Doubt], question: str) -> str | None:
    """What a person answers, in small letters; None where the question is left."""
    _print([f"? {' '.join(doubt.sentence.split())}" for doubt in doubts])
    try:
        return input(question).strip().lower()
    except (EOFError, KeyboardInterrupt):
        sys.stdout.write("\n")
        return None


def _print(lines: Sequence[str]) -> None:
    if lines:
        sys.stdout.write("\n".join(lines) + "\n")
        sys.stdout.flush()


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
        "read": kept.read or None,
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
        lines.append(f"in place of {kept.instead_of}, which is struck")
    return [*lines, *kept.note.splitlines()]


def doubt_lines(kept: EntryResult) -> list[str]:
    """What is in doubt about it, as lines, and what can be done."""
    lines = [f"doubt: {' '.join(doubt.sentence.split())}" for doubt in kept.doubts]
    return [*lines, f"kept and marked; if it is wrong: trimfit log strike {kept.entry}"] if lines else []
