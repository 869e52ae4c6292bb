"""Entries of one reed that were taken back: what they said, when, and why they were struck."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trimfit.log.entry_kinds import KINDS, OF_A_REED

if TYPE_CHECKING:
    from trimfit.log.journal import Journal


@dataclass(frozen=True, slots=True)
class StruckEntry:
    """One entry taken back. `at`, `at_s`: its own time, as logged and as an instant; `record`: what was logged."""

    kind: str
    entry: str
    at: str
    at_s: float
    why: str
    record: Any


def struck_of_reed(journal: Journal, reed: str) -> list[StruckEntry]:
    """The struck readings, trims, events and outcomes of a reed, in order of their own time; reads its rows only."""
    out = []
    with journal.reading() as connection:
        for name in OF_A_REED:
            kind = KINDS[name]
            columns = ", ".join(f't."{column}"' for column in kind.names)
            query = (
                f"SELECT s.why, t.entry, t.at_s, {columns} FROM {kind.table} t JOIN strikes s ON s.struck = t.entry "
                "WHERE t.reed = ?"
            )
            for why, entry, at_s, *values in connection.execute(query, (reed,)):
                at = str(values[kind.index[kind.time or ""]])
                out.append(StruckEntry(name, entry, at, float(at_s), why, kind.from_row(tuple(values))))
    return sorted(out, key=lambda one: (one.at_s, one.entry))
