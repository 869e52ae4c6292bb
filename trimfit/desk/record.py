"""Keeping the record: folders and logs taken in and out, the shop's settings, the check. Single entries: `logbook`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from trimfit.errors import InputError, TrimfitError

if TYPE_CHECKING:
    from trimfit.bench.counts import Counts
    from trimfit.bench.doubts import Mark
    from trimfit.bench.draft.draft import Draft
    from trimfit.bench.journal import Journal

__all__ = [
    "MARK_SOURCES",
    "Checked",
    "Taken",
    "back_up",
    "check",
    "draft",
    "export_folder",
    "import_folder",
    "marks",
    "merge_log",
    "set_setting",
    "set_time_zone",
    "settings",
]

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Taken:
    """What an import, an export or a merge did; `passed_over`: CSV files of the folder that are no files of a log."""

    counts: Counts
    marks: tuple[Mark, ...] = ()
    passed_over: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check found: damage (none in a sound log), marks on entries, and how many entries of each kind count."""

    damage: tuple[str, ...]
    marks: tuple[Mark, ...]
    entries: Mapping[str, int] = field(default_factory=dict)


# Folders and logs


def import_folder(log: Path, folder: Path, progress: Progress | None = None) -> Taken:
    """Take a CSV folder into the log, which is made if it is not there; all of it or nothing.

    Raises InputError with every fault of the folder; then no log was made and none was changed.
    """
    from trimfit.bench.folder import files_of, passed_over
    from trimfit.bench.scratch import clear_away

    files_of(Path(folder))
    clear_away(log)
    taken = None if log.exists() else _import_into_new(log, folder, progress)
    return replace(taken or _import_into(log, folder, progress), passed_over=tuple(passed_over(folder)))


def _import_into(log: Path, folder: Path, progress: Progress | None) -> Taken:
    from trimfit.bench import doubts
    from trimfit.bench.folder import import_folder
    from trimfit.bench.journal import Journal

    with Journal(log, create=True) as journal:
        before = journal.last_seq()
        counts = import_folder(journal, folder, progress)
        marks = doubts.rule_marks(journal, after_seq=before) if counts.new else []
    return Taken(counts, tuple(marks))


def _import_into_new(log: Path, folder: Path, progress: Progress | None) -> Taken | None:
    """Make the log beside its place and put it there whole, so that an import that fails leaves no log behind.

    None if another process put a log there meanwhile.
    """
    from trimfit.bench.scratch import draft_beside, put_in_place
    from trimfit.bench.store import look_before, named_as

    look_before(log)
    try:
        with draft_beside(log) as drafts:
            draft = drafts / "log"
            with named_as(draft, log):
                taken = _import_into(draft, folder, progress)
            return taken if put_in_place(draft, log) else None
    except OSError as error:
        raise TrimfitError(
            error.strerror or str(error), str(log), "nothing was imported; check the path and its permissions"
        ) from error


def back_up(log: Path, target: Path) -> Taken:
    """Write a whole copy of the log into a file. Raises InputError for what is not to be written over."""
    from trimfit.bench.backup import back_up
    from trimfit.bench.journal import Journal

    with Journal(log) as journal:
        return Taken(back_up(journal, Path(target)))


def export_folder(log: Path, folder: Path, progress: Progress | None = None, *, force: bool = False) -> Taken:
    """Write the whole log into a CSV folder. `force`: also over files that no export wrote."""
    from trimfit.bench.export import export_folder
    from trimfit.bench.journal import Journal

    with Journal(log) as journal:
        return Taken(export_folder(journal, folder, progress, force=force))


def merge_log(
    log: Path, other: Path, progress: Progress | None = None, *, renames: Mapping[str, str] | None = None
) -> Taken:
    """Take another bench's log into this one; what is in conflict comes back as marks, with the way out.

    renames: names of reeds of the other log -> what they are to be called, where that is another reed's name here.
    """
    from trimfit.bench import doubts
    from trimfit.bench.journal import Journal

    if not Path(other).exists():
        raise InputError("there is no log here", str(other), "check the path of the other log")
    with Journal(log, create=True) as journal:
        before = journal.last_seq()
        counts = journal.merge(other, progress, renames=renames)
        theirs = {entry: Path(other).name for entry in journal.since(before, counts.conflicts)}
    return Taken(counts, tuple(doubts.in_conflict(counts.conflicts, theirs)))


def draft(sheet: Path, folder: Path, log: Path, *, month_first: bool = False, force: bool = False) -> Draft:
    """Write the CSV folder that a loose sheet says, to look over; nothing is logged. The log, if there is one, gives
    the shop's ratios. Raises InputError where the sheet cannot be read or the folder is taken."""
    from datetime import date

    from trimfit.bench.draft.draft import draft_sheet
    from trimfit.bench.journal import Journal
    from trimfit.pitch import DEFAULT_RATIOS

    scale = DEFAULT_RATIOS
    if log.exists():
        with Journal(log) as journal:
            scale = journal.scale()
    today = date.today()
    return draft_sheet(sheet, folder, today=today, scale=scale, month_first=month_first, force=force)


# Settings and the check


def settings(log: Path) -> dict[str, str]:
    """Every shop setting with its value as it is typed; the defaults where there is no log yet."""
    from trimfit.bench import shop
    from trimfit.bench.journal import Journal
    from trimfit.bench.zones import machine_zone
    from trimfit.records import Settings

    in_force = Settings(time_zone=machine_zone())
    if log.exists():
        with Journal(log) as journal:
            in_force = journal.settings()
    return {name: shop.text_of(in_force, name) for name in shop.NAMES}


def set_time_zone(log: Path, value: str) -> tuple[str, tuple[str, ...]]:
    """Set the shop's zone; its value as kept, and the reeds whose entries stand in another order since."""
    from trimfit.bench.journal import Journal

    with Journal(log, create=True) as journal:
        journal.set_setting("time_zone", value)
        return journal.settings().time_zone, journal.reordered


def set_setting(log: Path, name: str, value: str) -> str:
    """Set a shop setting, for all benches that share the log; its value as kept."""
    from trimfit.bench import shop
    from trimfit.bench.journal import Journal

    shop.checked(name, value)
    with Journal(log, create=True) as journal:
        journal.set_setting(name, value)
        return shop.text_of(journal.settings(), name)


def _by_rules(journal: Journal) -> list[Mark]:
    from trimfit.bench import doubts

    return [
        *doubts.bad_values(journal),
        *doubts.accepted(journal),
        *doubts.struck_names(journal),
        *doubts.rule_marks(journal),
    ]


def _by_the_fit(journal: Journal) -> list[Mark]:
    """Readings that nothing else bears out, as the last fit found them; none before there is one."""
    from trimfit.desk.learning import unborne

    return unborne(journal)


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
    from trimfit.bench import doubts
    from trimfit.bench.journal import Journal
    from trimfit.bench.kinds import KINDS
    from trimfit.bench.soundness import damage

    with Journal(log) as journal:
        found = damage(journal, progress)
        if found:
            return Checked(tuple(found), ())
        entries = {name: journal.count(name) for name in KINDS}
        conflicts = doubts.in_conflict(journal.conflicts())
        return Checked((), (*conflicts, *marks(journal)), entries)
