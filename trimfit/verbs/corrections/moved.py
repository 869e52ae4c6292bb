"""A reading that seemed wrong was right: the reed had moved before it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trimfit.base.errors import InputError
from trimfit.base.records import Event, Reading
from trimfit.verbs.log import AFTER_EVENT, EntryResult

if TYPE_CHECKING:
    from trimfit.session.session import Session


def moved_before(session: Session, entry: str) -> EntryResult:
    """Log that a reed was not as it was when a reading of it was taken: an event at that moment, before the reading.

    InputError for an entry that is no reading, or is struck.
    """
    journal = session.journal
    with journal.writing():
        found = journal.find(entry)
        kind, values = journal.row_of(found)
        record = kind.from_row(values)
        if not isinstance(record, Reading):
            raise InputError(f"is a {kind.name}, not a reading", found, "log an event of the reed instead")
        journal.refuse_struck(found)
        before = journal.last_seq()
        logged = journal.append(Event(record.reed, record.taken_at, "moved"))
        return EntryResult(logged.entry, "event", record.reed, logged.seq > before, note=AFTER_EVENT, read=": moved")
