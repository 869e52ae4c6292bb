"""Whole logs taken in and out: CSV folders, loose sheets, another bench's log, backups."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from trimfit.base.errors import InputError, TrimfitError
from trimfit.base.progress import Progress

if TYPE_CHECKING:
    from trimfit.entry.doubt_marks import Mark
    from trimfit.entry.loose_sheet.folder_draft import Draft
    from trimfit.log.entry_counts import Counts


@dataclass(frozen=True, slots=True)
class Taken:
    """What an import, an export or a merge did; `passed_over`: CSV files of the folder that are no files of a log."""

    counts: Counts
    marks: tuple[Mark, ...] = ()
    passed_over: tuple[str, ...] = ()


def import_folder(log: Path, folder: Path, progress: Progress | None = None) -> Taken:
    """Take a CSV folder into the log, which is made if it is not there; all of it or nothing.

    Raises InputError with every fault of the folder; then no log was made and none was changed.
    """
    from trimfit.log.file.unfinished_files import clear_away
    from trimfit.log.sheets.folder_import import files_of, passed_over

    files_of(Path(folder))
    clear_away(log)
    taken = None if log.exists() else _import_into_new(log, folder, progress)
    return replace(taken or _import_into(log, folder, progress), passed_over=tuple(passed_over(folder)))


def _import_into(log: Path, folder: Path, progress: Progress | None) -> Taken:
    from trimfit.entry import doubt_marks as entry_marks
    from trimfit.log.journal import Journal
    from trimfit.log.sheets.folder_import import import_folder

    with Journal(log, create=True) as journal:
        before = journal.last_seq()
        counts = import_folder(journal, folder, progress)
        marks = entry_marks.rule_marks(journal, after_seq=before) if counts.new else []
    return Taken(counts, tuple(marks))


def _import_into_new(log: Path, folder: Path, progress: Progress | None) -> Taken | None:
    """Make the log beside its place and put it there whole, so that an import that fails leaves no log behind.

    None if another process put a log there meanwhile.
    """
    from trimfit.log.file.schema import MADE_HERE
    from trimfit.log.file.store import look_before, named_as
    from trimfit.log.file.unfinished_files import draft_beside, put_in_place

    look_before(log)
    try:
        with draft_beside(log) as drafts:
            draft = drafts / "log"
            with named_as(draft, log):
                taken = _import_into(draft, folder, progress)
            if not put_in_place(draft, log):
                return None
            MADE_HERE.add(log)
            return taken
    except OSError as error:
        raise TrimfitError(
            error.strerror or str(error), str(log), "nothing was imported; check the path and its permissions"
        ) from error


def was_made_here(log: Path) -> bool:
    """Whether this process made the log, and no other that began at the same time."""
    from trimfit.log.file.schema import MADE_HERE

    return log in MADE_HERE


def take_away_unused(log: Path) -> None:
    """Remove a log that was just made and into which nobody has written since; nothing where it is in use.

    A program that has it open already is told so when it writes (`Store.writing`).
    """
    import sqlite3
    from contextlib import closing, suppress

    from trimfit.log.file.unfinished_files import sync_folder

    address = f"{log.absolute().as_uri()}?mode=rw"
    with (
        suppress(sqlite3.Error, OSError),
        closing(sqlite3.connect(address, uri=True, timeout=0.0, isolation_level=None)) as connection,
    ):
        connection.execute("BEGIN EXCLUSIVE")
        if connection.execute("SELECT writes FROM identity").fetchone() == (0,):
            log.unlink()
            sync_folder(log.absolute().parent)


def back_up(log: Path, target: Path) -> Taken:
    """Write a whole copy of the log into a file. Raises InputError for what is not to be written over."""
    from trimfit.log.file.backup import back_up
    from trimfit.log.journal import Journal

    with Journal(log) as journal:
        return Taken(back_up(journal, Path(target)))


def export_folder(log: Path, folder: Path, progress: Progress | None = None, *, force: bool = False) -> Taken:
    """Write the whole log into a CSV folder. `force`: also over files that no export wrote or that were
    edited since and not imported."""
    from trimfit.log.journal import Journal
    from trimfit.log.sheets.folder_export import export_folder

    with Journal(log) as journal:
        with journal.reading() as connection:
            journal.refuse_damaged(connection, "nothing was exported")
        return Taken(export_folder(journal, folder, progress, force=force))


def merge_log(
    log: Path, other: Path, progress: Progress | None = None, *, renames: Mapping[str, str] | None = None
) -> Taken:
    """Take another bench's log into this one; what is in conflict comes back as marks, with the way out.

    renames: names of reeds of the other log -> what they are to be called, where that is another reed's name here.
    """
    from trimfit.entry import doubt_marks as entry_marks
    from trimfit.log.journal import Journal
    from trimfit.log.merging.merge import merge_logs

    if not Path(other).exists():
        raise InputError("there is no log here", str(other), "check the path of the other log")
    with Journal(log, create=True) as journal:
        before = journal.last_seq()
        counts = merge_logs(journal, other, progress, renames=renames)
        theirs = {entry: str(other) for entry in journal.since(before, counts.conflicts)}
        apart = entry_marks.renamed_apart(journal)
    return Taken(counts, (*entry_marks.in_conflict(counts.conflicts, theirs), *apart))


def draft(sheet: Path, folder: Path, log: Path, *, month_first: bool = False, force: bool = False) -> Draft:
    """Write the CSV folder that a loose sheet says, to look over; nothing is logged. The log, if there is one, gives
    the shop's ratios and zone. Raises InputError where the sheet cannot be read or the folder is taken."""
    from contextlib import suppress
    from datetime import datetime

    from trimfit.base.iso_dates import local_now
    from trimfit.base.pitch import DEFAULT_RATIOS
    from trimfit.base.time_zones import zone_named
    from trimfit.entry.loose_sheet.folder_draft import draft_sheet
    from trimfit.log.journal import Journal

    scale, now = DEFAULT_RATIOS, datetime.fromisoformat(local_now())
    if log.exists():
        with Journal(log) as journal:
            scale = journal.scale()
            with suppress(InputError):  # a zone that this machine does not know
                now = now.astimezone(zone_named(journal.settings().time_zone))
    return draft_sheet(sheet, folder, today=now.date(), scale=scale, month_first=month_first, force=force)
