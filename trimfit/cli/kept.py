"""What is said of one logged entry, or one reed asked after. Free of typer, so that `quick` can say the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trimfit.desk.logbook import Kept
    from trimfit.records import Advice

__all__ = ["advice_in_words", "as_json", "in_words"]


def advice_in_words(advice: Advice) -> list[str]:
    """The answer of `ask REED` as lines: what to do, then what it rests on."""
    from trimfit.desk.said import advice_lines, plain_name

    lines = advice_lines(advice)
    return [f"{plain_name(advice.reed)}  {lines[0].removeprefix('> ')}", *lines[1:]]


def as_json(kept: Kept) -> dict[str, Any]:
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
    }


def in_words(kept: Kept) -> list[str]:
    """The answer of a `log` verb as lines: the entry's id first, then what is doubtful and what can be done."""
    about = " ".join(kept.about.split())[:60]
    of = "" if kept.kind in ("reed", "order", "chanter") else "of "
    lines = [f"{kept.entry}  {kept.kind} {of}{about}" + ("" if kept.new else " (in the log already)")]
    if kept.instead_of:
        lines.append(f"in place of {kept.instead_of}, which is struck")
    if kept.note:
        lines.append(kept.note)
    lines += [f"doubt: {' '.join(one.sentence.split())}" for one in kept.doubts]
    if kept.doubts:
        lines.append(f"kept and marked; if it is wrong: trimfit log strike {kept.entry} --why …")
    return lines
