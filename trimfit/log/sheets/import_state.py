"""An import under way: what it has met so far, handed from file to file."""

from __future__ import annotations

import sqlite3
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from trimfit.base.progress import Progress
from trimfit.log.entry_kinds import Kind, Value
from trimfit.log.journal import Journal
from trimfit.log.queries import holds
from trimfit.log.sheets.csv_rows import Faults


@dataclass(slots=True)
class Intake:
    """An import under way."""

    journal: Journal
    connection: sqlite3.Connection
    progress: Progress | None
    # The names of the folder's files.
    files: frozenset[str] = frozenset()
    faults: Faults = field(default_factory=Faults)
    tally: dict[str, list[int]] = field(default_factory=dict)
    # Names that this folder brings, by kind; kinds whose file could not be read, of which nothing can be said.
    named: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    unreadable: set[str] = field(default_factory=set)
    checked: dict[tuple[str, str], bool] = field(default_factory=dict)
    # Unknown names for which a like one was sought.
    sought: set[tuple[str, str]] = field(default_factory=set)
    struck: set[str] = field(default_factory=set)
    again: set[str] = field(default_factory=set)
    # Names of reeds that reeds.csv holds, where the log has struck any entry.
    brings: set[str] = field(default_factory=set)
    # Names of reeds in this folder -> the names that they have in the log; how many new rows went to a new name.
    names_now: dict[str, str] = field(default_factory=dict)
    moved: dict[tuple[str, str], Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    # Of each reading and piece of work that the log lacked: its number in the log -> its line in its file.
    lines: dict[int, int] = field(default_factory=dict)
    zone: str = "UTC"
    before: int = 0
    seq: int = 0
    unsettled: bool = False
    # What was understood that was not said in the contract's words.
    notices: list[str] = field(default_factory=list)
    # Names that are in neither the log nor the folder, where the folder has no file for them: by the column that names
    # them, each with the rows that do.
    missing: dict[tuple[str, str, str], dict[str, list[int]]] = field(default_factory=dict)

    def count(self, file: str, *, new: bool) -> None:
        """Count a row of a file that can be taken, as new or as known."""
        self.tally.setdefault(file, [0, 0])[0 if new else 1] += 1

    def next_seq(self) -> int:
        """The number of the next entry."""
        self.seq += 1
        return self.seq

    def there(self, kind: Kind, entry: str) -> bool:
        """Whether the log holds an entry, struck or not."""
        return holds(self.connection, kind, entry)

    def add(self, kind: Kind, values: Sequence[Value], entry: str, generation: int = 0) -> bool:
        """Add an entry unless the log holds it; whether it was added."""
        if self.there(kind, entry):
            return False
        self.journal.insert_at(kind, values, self.next_seq(), entry, generation, self.zone)
        return True
