"""`check`: the log's integrity, and the marks on its entries."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from trimfit.base.progress import Progress

if TYPE_CHECKING:
    from trimfit.entry.marks import Mark
    from trimfit.log.journal import Journal


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check found: damage (none in a sound log), marks on entries, and how many entries of each kind count."""

    damage: tuple[str, ...]
    marks: tuple[Mark, ...]
    entries: Mapping[str, int] = field(default_factory=dict)


def _by_rules(journal: Journal) -> list[Mark]:
    from trimfit.entry import marks as entry_marks

    return [
        *entry_marks.bad_values(journal),
        *entry_marks.accepted(journal),
        *entry_marks.struck_names(journal),
        *entry_marks.rule_marks(journal),
    ]


def _by_the_fit(journal: Journal) -> list[Mark]:
    """Readings that nothing else bears out, as the last fit found them; none before there is one."""
    from trimfit.session.fit import outlier_marks

    return outlier_marks(journal)


# Each gives marks on entries of an open log; those that need what was learned are added here.
MARK_SOURCES: list[Callable[[Journal], list[Mark]]] = [_by_rules, _by_the_fit]


def marks(journal: Journal) -> list[Mark]:
    """Every mark on the log's entries; a doubt that was accepted at entry is not said a second time by a rule."""
    found: dict[tuple[str, str], Mark] = {}
    for source in MARK_SOURCES:
        for mark in source(journal):
            found.setdefault((mark.entry, mark.kind), mark)
    return list(found.values())


def check(log: Path, progress: Progress | None = None) -> Checked:
    """Go through the whole log: is it sound, and which of its entries carry a mark."""
    from trimfit.entry import marks as entry_marks
    from trimfit.log.entry_kinds import KINDS
    from trimfit.log.file.integrity import damage
    from trimfit.log.journal import Journal

    with Journal(log) as journal:
        found = damage(journal, progress)
        if found:
            return Checked(tuple(found), ())
        entries = {name: journal.count(name) for name in KINDS}
        conflicts = entry_marks.in_conflict(journal.conflicts())
        return Checked((), (*conflicts, *marks(journal)), entries)
