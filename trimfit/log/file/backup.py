"""A whole copy of a log under another name, made while others log; nothing that is not in the copy is written over."""

from __future__ import annotations

import os
from pathlib import Path

from trimfit.base.errors import InputError, LogError, command, unwritable
from trimfit.base.plain_words import counted
from trimfit.base.records import Settings
from trimfit.log import settings
from trimfit.log.entry_counts import Counts
from trimfit.log.entry_kinds import KINDS, Kind
from trimfit.log.file import schema
from trimfit.log.file.side_files import to_read
from trimfit.log.file.store import opening, translated
from trimfit.log.file.unfinished_files import draft_beside, sync_folder
from trimfit.log.instants import given
from trimfit.log.journal import Journal
from trimfit.log.queries import UNSTRUCK, count_of


def back_up(journal: Journal, target: Path) -> Counts:
    """Write the log into `target`, whole or not at all; entries that an earlier backup there had count as known.

    Raises InputError for a target that is no trimfit log, is the log itself, or holds what this log lacks: an entry, or
    another value of a setting (an older value that it has put away is no loss).
    """
    known = _entries_there(journal, target) if os.path.lexists(target) else {}
    if not target.parent.is_dir():
        raise InputError("the folder for the backup is not there", str(target.parent), "make it first")
    try:
        with translated(target), draft_beside(target) as folder:
            draft = folder / "log"
            journal.back_up(draft)
            with Journal(draft) as copy, copy.reading() as connection:
                whole = {kind.name: count_of(connection, kind) - given(connection, kind) for kind in KINDS.values()}
            draft.replace(target)
    except OSError as error:
        raise unwritable(target, error) from error
    sync_folder(target.parent)
    by_kind = {name: (count - known.get(name, 0), known.get(name, 0)) for name, count in whole.items()}
    return Counts.of(by_kind)


def _entries_there(journal: Journal, target: Path) -> dict[str, int]:
    """How many entries of each kind a backup holds that is to be written over; InputError where it may not be."""
    another = "name another file"
    if target.is_symlink() or not target.is_file():
        raise InputError("is no file that a backup made, and is not written over", str(target), another)
    if target.samefile(journal.path):
        raise InputError("is the log itself", str(target), another)
    try:
        version = schema.header_version(target)
    except LogError as error:
        raise InputError(f"{error.what}, and is not written over", str(target), another) from error
    if version is None:
        raise InputError("is not a trimfit log, and is not written over", str(target), another)
    if schema.side_files(target):
        raise InputError("is in use, or was cut off in the middle of a write", str(target), another)
    found = {}
    with opening(target), to_read(target) as connection:
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
        for kind in (one for one in KINDS.values() if one.table in tables):
            entries = [entry for (entry,) in connection.execute(f"SELECT entry FROM {kind.table}")]
            found[kind.name] = len(entries) - given(connection, kind)
            if kind.name == "setting":
                query = f"SELECT setting, value FROM settings WHERE {UNSTRUCK} ORDER BY at_s, entry"
                theirs = settings.settings_from(connection.execute(query).fetchall())
                fresh = dict(connection.execute("SELECT entry, setting FROM settings").fetchall())
                for entry in journal.which_are_known(kind, entries):
                    del fresh[entry]
                _refuse_other_settings(journal, theirs, {*fresh.values()}, target)
            else:
                _refuse_more(journal, kind, entries, target)
    return found


def _refuse_other_settings(journal: Journal, theirs: Settings, fresh: set[str], target: Path) -> None:
    """InputError for a setting that was set in the target alone, to another value than this log's."""
    for one in settings.apart(journal.settings(), theirs):
        if one.setting not in fresh:
            continue
        what = f"says {one.setting} {one.there}, this log {one.here}, and is not written over"
        remedy = f"name another file, or give both one value: {command('settings', one.setting, one.there)}"
        raise InputError(what, str(target), remedy)


def _refuse_more(journal: Journal, kind: Kind, entries: list[str], target: Path) -> None:
    lacking = len(set(entries) - journal.which_are_known(kind, entries))
    if lacking:
        what = (
            f"holds {counted(lacking, 'entry', 'entries')} ({kind.name}) that this log lacks, and is not written over"
        )
        raise InputError(what, str(target), "name another file, or merge it first")
