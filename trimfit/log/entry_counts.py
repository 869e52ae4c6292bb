"""How many entries an import, an export or a merge went through, and what became of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trimfit.log.settings import Apart


@dataclass(frozen=True, slots=True)
class Counts:
    """What an import or a merge did: entries new to the log, entries it knew, entries it could not let count.

    `by_kind`: new and known, by file for an import or an export (`trims.csv`; each row is counted once, a struck entry
    and its strike in `struck.csv`), by kind for a merge or a backup (`trim`, `strike`).

    `settings`: of a merge, those that the two logs have different, and of which this log's stand; of an import into a
    log that held anything, those that it changed, with what they were. `joined`: reeds that a merge took for one, of
    which the two logs have nothing in common but that they were logged alike.
    """

    new: int = 0
    known: int = 0
    refused: int = 0
    by_kind: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    conflicts: tuple[Conflict, ...] = ()
    renamed: tuple[Renamed, ...] = ()
    notices: tuple[str, ...] = ()
    settings: tuple[Apart, ...] = ()
    joined: tuple[str, ...] = ()

    @classmethod
    def of(cls, by_kind: Mapping[str, tuple[int, int]], **more: Any) -> Counts:
        """The counts of entries new and known by kind, summed up."""
        new, known = (sum(pair[i] for pair in by_kind.values()) for i in (0, 1))
        return cls(new, known, by_kind=by_kind, **more)


@dataclass(frozen=True, slots=True)
class Renamed:
    """A reed renamed: from which name to which, its entry now, what went along by kind, and what may have had to.

    `joins`: where this log had a reed of the new name, which is one with it now: the name that that one had before.
    """

    reed: str
    new_name: str
    entry: str
    moved: Mapping[str, int]
    unsure: tuple[str, ...] = ()
    joins: str | None = None


@dataclass(frozen=True, slots=True)
class Conflict:
    """Entries of one key and different content: `kept` counts, `aside` stand aside until one is struck.

    `said`: by entry, what it says of the columns in which they differ. `why`: by entry that stands aside, the rule by
    which `kept` counts before it, as `for it has an order`.
    """

    kind: str
    key: str
    kept: str
    aside: tuple[str, ...]
    differs: tuple[str, ...]
    said: Mapping[str, str] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)
