"""The files that SQLite puts beside a log: whose they are, before SQLite takes them for the log's own.

A process that is killed while it writes leaves `<log>-journal` (the pages as they were before the entry that was under
way) or, beside a log of an earlier trimfit, `<log>-wal` (entries that are not in the log's own file yet). Whoever
opens the log next puts them into it, whichever log that is: after `rm` of the log or over a backup that was put in its
place, that makes a malformed log, or one with two histories. So each write stamps the log (table `identity`), and a
side file is taken only where its stamp and the log's follow one another; one that says nothing is tried on a copy.
Neither kind is thrown away here: the one may be wanted to mend the log that it belongs to, the other holds entries.

Formats: sqlite.org/fileformat2.html, sections 1.3 (the header), 3 (the rollback journal).
"""

from __future__ import annotations

import contextlib
import re
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

from trimfit.base.errors import LogError
from trimfit.log.file.schema import side_files

_JOURNAL_MAGIC = bytes.fromhex("d9d505f920a163d7")
_STAMPED = re.compile(rb"([0-9a-f]{16})([0-9a-f]{16})([0-9a-f]{16})")
_LOOKS, _PAUSE_S = 8, 0.1  # another process may be writing between two looks


class _Stamp(NamedTuple):
    """A row of the log's identity, as bytes."""

    log: bytes
    stamp: bytes
    before: bytes


def refuse_foreign(path: Path) -> None:
    """Raises LogError for a side file that is not this log's, which is where there is no log, too.

    Not for a file that this process holds open (`store.held_here`).
    """
    for _ in range(_LOOKS):
        strange = [side for side in side_files(path) if not _is_its_own(path, side)]
        if not strange:
            return
        time.sleep(_PAUSE_S)
    raise LogError(
        f"beside it lies {strange[0].name}, left by another log of this name that was cut off while it was written",
        str(path),
        f"put that log back and open it once; if it is gone for good, take {strange[0].name} away",
    )


def _is_its_own(path: Path, side: Path) -> bool:
    if not path.exists() or not path.stat().st_size:
        return False
    if side.name.endswith("-wal"):
        return _in_wal_mode(path) and _sound_with_it(path)
    in_journal = _stamp_in_journal(path, side)
    log = _stamp_of(path)
    if in_journal is None or log is None:
        return _sound_with_it(path)
    if in_journal != _stamp_in_journal(path, side):
        return False  # another process is at work: look again
    return in_journal.log == log.log and in_journal.stamp in (log.stamp, log.before)


def _in_wal_mode(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(20)[18:20] == b"\2\2"


def _as_it_lies(path: Path) -> sqlite3.Connection:
    """The log's own file without its side files, as if nobody could write it."""
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro&immutable=1", uri=True, isolation_level=None)


def _stamp_of(path: Path) -> _Stamp | None:
    with contextlib.closing(_as_it_lies(path)) as connection, contextlib.suppress(sqlite3.Error):
        row = connection.execute("SELECT log, stamp, before FROM identity").fetchone()
        return _Stamp(*(text.encode() for text in row)) if row else None
    return None


def _stamp_in_journal(path: Path, side: Path) -> _Stamp | None:
    """The stamp that the log had before the write that the journal would undo; None if the journal does not say."""
    with contextlib.closing(_as_it_lies(path)) as connection, contextlib.suppress(sqlite3.Error):
        row = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'identity'").fetchone()
        page = None if row is None else _page_in_journal(side, row[0])
        if page is not None:
            cell = int.from_bytes(page[8:10], "big")  # a leaf of one row: its one cell pointer stands at 8
            found = _STAMPED.search(page[cell : cell + 80])
            return _Stamp(*found.groups()) if found else None
    return None


def _page_in_journal(side: Path, number: int) -> bytes | None:
    try:
        with side.open("rb") as file:
            head = file.read(28)
            if head[:8] != _JOURNAL_MAGIC or len(head) < 28:
                return None
            sector, size = int.from_bytes(head[20:24], "big"), int.from_bytes(head[24:28], "big")
            at = sector
            while True:
                file.seek(at)
                word = file.read(4)
                if len(word) < 4:
                    return None
                if int.from_bytes(word, "big") == number:
                    page = file.read(size)
                    return page if len(page) == size else None
                at += 4 + size + 4
    except OSError:
        return None


def _sound_with_it(path: Path) -> bool:
    """Whether a copy of the log is a sound database once SQLite has put the side files' copies into it."""
    with contextlib.suppress(OSError, sqlite3.Error), tempfile.TemporaryDirectory() as folder:
        with contextlib.closing(sqlite3.connect(_copied(path, Path(folder)))) as connection:
            return bool(connection.execute("PRAGMA integrity_check(1)").fetchone()[0] == "ok")
    return False


def _copied(path: Path, folder: Path) -> Path:
    """The log's files as they lie, side files included, copied into a folder; the log's copy."""
    copy = folder / "log"
    shutil.copyfile(path, copy)
    for side in side_files(path):
        shutil.copyfile(side, f"{copy}-{side.name.rpartition('-')[2]}")
    return copy


@contextlib.contextmanager
def to_read(path: Path, *, held: bool = False) -> Iterator[sqlite3.Connection]:
    """A connection that reads all that is in a log and changes no byte of it nor of its folder.

    held: this process has it open. Where side files cannot be read in their place, the log is read as a copy of all.
    """
    uri = f"file:{quote(str(path.absolute()))}?mode=ro"
    if not held and not side_files(path) and _in_wal_mode(path):
        uri += "&immutable=1"  # whole in itself: nothing to make a side file for
    connection = sqlite3.connect(uri, uri=True, isolation_level=None)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        if held or not side_files(path):
            raise
        with tempfile.TemporaryDirectory() as folder:
            copied = sqlite3.connect(_copied(path, Path(folder)), isolation_level=None)
            with contextlib.closing(copied):
                copied.execute("PRAGMA query_only = ON")
                yield copied
        return
    with contextlib.closing(connection):
        yield connection
