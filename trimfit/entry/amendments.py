"""An entry with some of its values typed anew: what `log amend` and `fix` put in the place of a wrong one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from trimfit.base.column_words import key_of
from trimfit.base.errors import InputError, short
from trimfit.base.records import Event, Outcome, Reading, Trim
from trimfit.entry.line_parser import parse_reading, parse_trim
from trimfit.entry.parsed_lines import FIELD_OF, with_said
from trimfit.entry.tokens import TRIM_WORDS, line_of, says_a_chanter, split_words
from trimfit.log.entry_kinds import OUTCOMES

Amendable = Reading | Trim | Event | Outcome
_TIMES = ("at", "taken_at", "done_at")
_SAY = {
    "reading": "say what is right, such as f=779.1 or chanter=CH-7; f= takes a value back",
    "trim": "say what is right, such as length=0.65 or lip=2; lip= takes a value back",
    "event": "say what is right: its word, or remark=TEXT",
    "outcome": f"say what is right: {', '.join(OUTCOMES)}, or remark=TEXT",
}


def amended(
    record: Amendable, words: Sequence[str], *, scale: Mapping[str, Fraction], reference_hz: float | None = None
) -> Amendable:
    """The record with what `words` say put in its place: `length=0.65`, `0.65`, `f=779.1`, `lip=` (takes it back).

    words: as typed, one a value or a whole line. scale: the shop's just ratios; reference_hz: the pitch as low A that
    cents are counted from. Raises InputError for words that say nothing of such an entry, and for its reed and its
    time, which stay.
    """
    kind = type(record).__name__.lower()
    # What is joined by hand, `f= 779.1`, is no blank.
    said = list(words) if len(words) != 1 or says_a_chanter(words[0]) else split_words(words[0])
    for word in said:
        name = word.partition("=")[0].lower()
        if name in _TIMES or name == "reed":
            what = f"an amended {kind} keeps its reed and its time"
            raise InputError(what, short(word), "strike it, and log it anew with --at or --after")
    blank = {said[i][:-1] for i in _blanks(said)}
    rest = line_of([word for i, word in enumerate(said) if i not in _blanks(said)])
    if not said:
        raise InputError("nothing is amended", kind, _SAY[kind])
    if isinstance(record, Reading):
        return _reading(record, rest, blank, scale, reference_hz)
    if isinstance(record, Trim):
        return _trim(record, rest, blank)
    return _by_word(record, rest, blank, kind)


def _blanks(said: Sequence[str]) -> set[int]:
    """The places of the words that take a value back: `lip=`, with no value after it."""
    return {
        i
        for i, word in enumerate(said)
        if word.endswith("=") and len(word) > 1 and (i + 1 == len(said) or "=" in said[i + 1])
    }


def _reading(
    record: Reading, rest: str, blank: set[str], scale: Mapping[str, Fraction], reference_hz: float | None
) -> Reading:
    line = parse_reading(rest, scale=scale, reference_hz=reference_hz, mode="sounding", partial=True)
    notes, changes = dict(record.notes_hz), _no_remark(blank)
    for name in blank:
        key = key_of(name)
        if key is None or key[0] == "reference":
            raise InputError(f"{short(name)!r} is no word of a reading", "", _SAY["reading"])
        if key[0] in scale:
            notes.pop(key[0], None)
        else:
            changes[FIELD_OF.get(key[0], key[0])] = () if key[0] == "taped" else None
    return with_said(replace(record, notes_hz=notes, **changes), line)


def _trim(record: Trim, rest: str, blank: set[str]) -> Trim:
    line = parse_trim(rest, partial=True)
    changes = _no_remark(blank)
    for name in blank:
        column = TRIM_WORDS.get(name.lower())
        if column is None:
            raise InputError(f"{short(name)!r} is no word of a trim", "", _SAY["trim"])
        changes[column] = None
    return with_said(replace(record, **changes), line)


def _by_word(record: Event | Outcome, rest: str, blank: set[str], kind: str) -> Event | Outcome:
    """An event or an outcome: its word, with or without `event=` before it, and its remark."""
    if wrong := [name for name in blank if name.lower() != "remark"]:
        raise InputError(f"{short(wrong[0])!r} cannot be blank", "", _SAY[kind])
    changes = _no_remark(blank)
    head, remark, text = rest.partition("remark=")
    if remark:
        changes["remark"] = text.strip('" ') or None
    head = " ".join(head.split()).removeprefix(f"{kind}=").strip('" ')
    if "=" in head:
        raise InputError(f"{short(head)!r} is no word of an {kind}", "", _SAY[kind])
    if head:
        changes[kind] = head
    return replace(record, **changes)


def _no_remark(blank: set[str]) -> dict[str, Any]:
    return {"remark": None} if "remark" in blank else {}
