"""A wrong entry corrected in its place: the same reed and instant, the old one struck, in one transaction; and a
reading that seemed wrong and was right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from trimfit.base.errors import InputError, command
from trimfit.base.records import Doubt, Event, Outcome, Reading, Trim

if TYPE_CHECKING:
    from trimfit.entry.amendments import Amendable
    from trimfit.log.journal import Journal
    from trimfit.session.session import Session
    from trimfit.verbs.log import EntryResult


def amend_entry(
    session: Session, entry: str, words: Sequence[str], *, last: bool = False, sure: bool = True
) -> EntryResult:
    """Put a corrected entry in the place of a wrong one: `length=0.65`, `f=779.1 chanter=CH-7`, `lip=` (no strokes).

    entry: its id, or the first letters of it; `last`: a reed, whose last entry in time is meant. `sure` false: what is
    in doubt is not logged, and raises Doubtful. Raises InputError for an entry that is struck or that has no values of
    this sort, and for words that say nothing of it.
    """
    from trimfit.verbs.log import Doubtful, EntryResult, entered_after, entry_in_words, what_was_read, what_was_taken

    journal = session.journal
    with journal.writing():
        meant = journal.last_of(entry) if last else entry
        try:
            old, before, record = amended_record(journal, meant, words)
        except InputError as error:
            if last:
                error.also = f"the last entry in time is as it was: {meant}, the {entry_in_words(journal, meant)}"
            raise
        kind, reed = type(record).__name__.lower(), record.reed
        if record == before:
            return EntryResult(old, kind, reed, new=False, note="nothing to amend: it says so already")
        history, note = journal.of_reed(reed), entered_after(journal, entry, old) if last else ""
        doubts = amendment_doubts(session, record, old)
        if doubts and not sure:
            raise Doubtful(doubts)
        kept = journal.amend(old, record, doubts=doubts)
        read = f": {getattr(record, kind)}" if not isinstance(record, Reading | Trim) else ""
        if isinstance(record, Reading):
            read = what_was_read(record, journal, history, said=True)
        elif isinstance(record, Trim):
            read = what_was_taken(record)
        return EntryResult(kept.entry, kind, reed, doubts=tuple(doubts), instead_of=old, note=note, read=read)


def amended_record(journal: Journal, entry: str, words: Sequence[str]) -> tuple[str, Amendable, Amendable]:
    """The id of the entry that is meant, its record, and the record as `words` correct it. InputError as above."""
    from trimfit.entry.amendments import amended
    from trimfit.log.entry_kinds import OF_A_REED
    from trimfit.verbs.log import reference_hz

    old = journal.find(entry)
    kind, values = journal.row_of(old)
    if kind.name not in OF_A_REED:
        verb = ("settings",) if kind.name == "setting" else ("log", kind.name)
        remedy = f"say what is right with {command(*verb, journal.name_of(old))} …"
        raise InputError(f"{'an' if kind.name == 'order' else 'a'} {kind.name} is not amended", old, remedy)
    journal.refuse_struck(old)
    record: Amendable = kind.from_row(values)
    counted_from_hz = reference_hz(journal.of_reed(record.reed))
    return old, record, amended(record, words, scale=journal.scale(), reference_hz=counted_from_hz)


def amendment_doubts(session: Session, record: Amendable, old: str) -> list[Doubt]:
    """What is doubtful in the corrected record of entry `old`, seen from what the log had of the reed before it."""
    from trimfit.entry.checks import MOVED, outcome_doubts, reading_doubts
    from trimfit.entry.entry_times import without
    from trimfit.session.expected_reading import expected_reading
    from trimfit.verbs.log import cut_doubts

    journal = session.journal
    settings, history = journal.settings(), journal.of_reed(record.reed)
    if isinstance(record, Reading):
        then = without(history, old, before=True)
        expected = expected_reading(session, record, old)
        found = reading_doubts(record, then, settings, foreseen=expected)
        # Whether the reed has moved was asked when it was read; here the values are in question.
        return [
            replace(one, kind="far-off", sentence=f"{one.sentence.partition(':')[0]}; is it right?")
            if one.kind == MOVED
            else one
            for one in found
        ]
    then = without(history, old)
    if isinstance(record, Trim):
        return cut_doubts(journal, record, then, but=old)
    return outcome_doubts(record, then, settings) if isinstance(record, Outcome) else []


def moved_before(session: Session, entry: str) -> EntryResult:
    """Log that a reed was not as it was when a reading of it was taken: an event at that moment, before the reading.

    InputError for an entry that is no reading, or is struck.
    """
    from trimfit.verbs.log import after_event, keep

    journal = session.journal
    with journal.writing():
        found = journal.find(entry)
        kind, values = journal.row_of(found)
        record = kind.from_row(values)
        if not isinstance(record, Reading):
            raise InputError(f"is a {kind.name}, not a reading", found, "log an event of the reed instead")
        journal.refuse_struck(found)
        kept = keep(journal, Event(record.reed, record.taken_at, "moved"), record.reed)
        return replace(kept, note=after_event(journal, kept), read=": moved")
