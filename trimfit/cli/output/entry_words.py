"""What is said of one logged entry, or one reed asked after. Free of typer, so that `quick` can say the same."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from trimfit.base.answers import Advice
    from trimfit.verbs.log import EntryResult

__all__ = ["advice_in_words", "as_json", "in_words", "when_sure"]


def advice_in_words(advice: Advice) -> list[str]:
    """The answer of `ask REED` as lines: what to do, then what it rests on."""
    from trimfit.verbs.wording import advice_lines, plain_name

    lines = advice_lines(advice)
    return [f"{plain_name(advice.reed)}  {lines[0].removeprefix('> ')}", *lines[1:]]


def when_sure(log_it: Callable[..., EntryResult], as_json: bool) -> EntryResult | None:
    """What `log_it(sure=…)` logged; of a reading where the reed has moved, what `log_it(sure=True, moved=True)` logged.

    At a terminal what is in doubt is asked about first; None where it was not kept.

    Scripts are never asked: with --json, or where a pipe or a file stands in for the terminal, all is kept and marked.
    """
    if as_json or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return log_it(sure=True)
    from trimfit.verbs.log import Doubtful

    try:
        return log_it(sure=False)
    except Doubtful as doubtful:
        moved, measured = doubtful.may_have_moved, doubtful.measured
        for doubt in doubtful.doubts:
            sys.stdout.write(f"? {' '.join(doubt.sentence.split())}\n")
    try:
        answer = input("r, m, or y to keep it marked: " if moved else "keep it? y or no: ").strip().lower()
    except (EOFError, KeyboardInterrupt):
        # Left at the question: a measured reading is not thrown away, and nobody has said yes to anything else.
        sys.stdout.write("\n")
        if measured:
            return log_it(sure=True)
        answer = ""
    if answer in ("y", "yes", "keep"):
        return log_it(sure=True)
    if moved and answer in ("m", "moved"):
        return log_it(sure=True, moved=True)
    sys.stdout.write("not logged; type it again as it should be\n")
    return None


def as_json(kept: EntryResult) -> dict[str, Any]:
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
        **({"entries": list(kept.entries)} if kept.entries else {}),
    }


def in_words(kept: EntryResult) -> list[str]:
    """The answer of a `log` verb as lines: the entry, then what is doubtful and what can be done."""
    about = " ".join(kept.about.split())[:60]
    of = "" if kept.kind in ("reed", "order", "chanter") else "of "
    known = "" if kept.new else " (in the log already)"
    lines = [f"{kept.entry}  {kept.kind} {of}{about}{known}"]
    if kept.read:
        # What was understood is looked at, and not the id.
        lines = [f"{kept.kind} of {about}{kept.read}{known}  {kept.entry}"]
    if kept.instead_of:
        lines.append(f"in place of {kept.instead_of}, which is struck")
    if kept.note:
        lines += kept.note.splitlines()
    lines += [f"doubt: {' '.join(one.sentence.split())}" for one in kept.doubts]
    if kept.doubts:
        lines.append(f"kept and marked; if it is wrong: trimfit log strike {kept.entry}")
    return lines
