"""`check`: the log's integrity, and the marks on its entries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from trimfit.base.progress import Progress
from trimfit.entry.doubt_marks import Mark, accepted, bad_values, in_conflict, renamed_apart, rule_marks, struck_names
from trimfit.log.entry_kinds import KINDS
from trimfit.log.file.integrity import damage, learned_damage
from trimfit.log.instants import MADE_AT
from trimfit.log.journal import Journal
from trimfit.log.queries import is_replaced
from trimfit.session.fit import kept_model, outlier_marks


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check found: damage (none in a sound log), marks on entries, and how many entries of each kind count.

    struck: how many entries were struck; replaced: how many of them since another stands in their place.
    learned: damage to what was learned from the entries alone, which `learn` makes anew; unlearned: how many readings
    there are where nothing was learned of them yet, so that none was weighed against the others."""

    damage: tuple[str, ...]
    marks: tuple[Mark, ...]
    entries: Mapping[str, int] = field(default_factory=dict)
    learned: tuple[str, ...] = ()
    struck: int = 0
    replaced: int = 0
    unlearned: int = 0

    @property
    def standing(self) -> int:
        """How many entries count, without strikes of others and accepted doubts about them."""
        return sum(count for kind, count in self.entries.items() if kind not in ("strike", "mark"))


def marks(journal: Journal) -> list[Mark]:
    """Every mark on the log's entries, those of readings that the last fit found nothing else to bear out among them;
    a doubt that was accepted at entry is not said a second time by a rule."""
    found: dict[tuple[str, str], Mark] = {}
    for source in (bad_values, accepted, struck_names, rule_marks, outlier_marks):
        for mark in source(journal):
            found.setdefault((mark.entry, mark.kind), mark)
    return list(found.values())


def check(log: Path, progress: Progress | None = None) -> Checked:
    """Go through the whole log: is it sound, and which of its entries carry a mark."""
    with Journal(log) as journal:
        found = damage(journal, progress)
        if found:
            return Checked(tuple(found), ())
        entries = {name: journal.count(name) for name in KINDS}
        # The zone that a log was given when it was made is nobody's entry, here as in an import.
        entries["setting"] -= sum(at == MADE_AT for (at,) in journal.columns("setting", ["set_at"]))
        conflicts = in_conflict(journal.conflicts())
        why = dict(journal.columns("strike", ["struck", "why"]))
        struck, replaced = len(why), sum(is_replaced(one) for one in why.values())
        apart = renamed_apart(journal)
        marked = (*conflicts, *apart, *marks(journal))
        unlearned = entries["reading"] if kept_model(journal) is None else 0
        return Checked((), marked, entries, tuple(learned_damage(journal)), struck, replaced, unlearned)
