"""The log's file: opened, brought up to date, read at one moment, written in whole transactions.

SQLite with a rollback journal and full synchronisation: what is committed is in the log's own file at one moment, where
a copy of the file has it, and survives a dead battery; nothing lies beside the log but while a write goes on. (With a
write-ahead file a commit is durable before it is in the log's own file.) Writers wait for one another, and at a commit
for those who read at that moment; so nobody reads for long (`still`).
"""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from trimfit.base.errors import LogError, TrimfitError, command
from trimfit.base.progress import brought_up_to_date, waits
from trimfit.log.file import schema

Self = TypeVar("Self", bound="Store")
# How long a writer waits for another before it gives up; an import of a decade takes a fraction of this.
PATIENCE_S = 120.0
TOLD_AFTER_S = 3.0
"""And so long before it is said that it waits."""

_START_AGAIN = "leave, look which file is the log, and start again: what was typed last may not be in it"

_HELD: Counter[tuple[int, int]] = Counter()
"""How many stores of this process hold each file open. Closing any other handle of such a file drops its locks."""


def _identity(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino


def held_here(path: Path) -> bool:
    """Whether this process has the log at `path` open already; it may then be read over a connection only."""
    return _HELD[_identity(path)] > 0


class Store:
    """One open log file. Use it as a context manager."""

    def __init__(self, path: Path, *, create: bool = False, told: bool = True) -> None:
        """Open the log at `path`, bring an older one up to date; with `create`, make one that is not there. told:
        whether it is told that an older one was brought up to date.

        Raises LogError if it is not there (without `create`), is not a log, was written by a newer trimfit, or has the
        side file of another log beside it; TrimfitError if it cannot be read or written.
        """
        self.path = Path(path)
        self.read_only = False
        self._depth = 0
        self._writing = False
        self._version = 0
        self._to_close = contextlib.ExitStack()
        self._file: tuple[int, int] | None = None
        self._as_it_was: Path | None = None
        with opening(self.path):
            held = look_before(self.path)
            if not self.path.exists():
                if not create:
                    raise LogError(
                        "there is no log here", str(self.path), "import a folder or log an entry, or name it with --log"
                    )
                if not self.path.parent.is_dir():
                    raise LogError("the folder for the log is not there", str(self.path.parent), "make it first")
            self._connection = self._open(create, held)
            self.read_only = self.read_only or not _may_write(self.path)
            self._file = _identity(self.path)
            _HELD[self._file] += 1
            try:
                self._log, self._writes = self._who()
                if self._as_it_was is not None:
                    self.brought_up_to_date()
            except BaseException:
                self.close()
                raise
        if self._as_it_was is not None and told:
            brought_up_to_date(self.path, self._as_it_was)

    def _bring_up_to_date(self, connection: sqlite3.Connection, create: bool) -> None:
        self._as_it_was = schema.bring_up_to_date(connection, self.path, create=create) or self._as_it_was

    def _open(self, create: bool, held: bool) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path, timeout=PATIENCE_S, isolation_level=None, cached_statements=256)
        try:
            connection.execute("PRAGMA recursive_triggers = ON")
            connection.execute("PRAGMA synchronous = EXTRA")
            # Others read while a long transaction goes on; its pages go into the file only at its end.
            connection.execute("PRAGMA cache_spill = OFF")
            _patiently(lambda: self._bring_up_to_date(connection, create))
            # An earlier trimfit kept entries in a write-ahead file beside the log; they go into the log itself.
            _patiently(lambda: connection.execute("PRAGMA journal_mode = DELETE"))
        except sqlite3.OperationalError as error:
            connection.close()
            text = str(error)
            to_read = "readonly" in text or "unable to open" in text
            # An earlier trimfit's side files in a folder that cannot be written: said to be a fault of the disk.
            to_read |= "I/O" in text and not held and bool(schema.side_files(self.path))
            if self.path.exists() and to_read:
                return self._open_to_read(held)
            raise
        except BaseException:
            connection.close()
            raise
        return connection

    def _open_to_read(self, held: bool) -> sqlite3.Connection:
        """A log in a folder that cannot be written is still read; writing it then says so."""
        from trimfit.log.file.side_files import to_read

        connection = self._to_close.enter_context(to_read(self.path, held=held))
        if connection.execute("PRAGMA user_version").fetchone()[0] != schema.newest():
            self._to_close.close()
            raise TrimfitError(
                "the log is of an earlier schema and cannot be written", str(self.path), "copy it where you may write"
            )
        self.read_only = True
        return connection

    def close(self) -> None:
        """Close the file; a closed log answers nothing more."""
        self._connection.close()
        self._to_close.close()
        if self._file is not None:
            _HELD[self._file] -= 1
            self._file = None

    def _who(self) -> tuple[str, int]:
        """Which log the file holds, and how many writes it has seen."""
        log, writes = self._connection.execute("SELECT log, writes FROM identity").fetchone()
        return log, writes

    def _refuse_another_file(self) -> None:
        """Raises LogError where the path leads to another file than was opened, or to none: entries would be lost."""
        here = None
        with opening(self.path), contextlib.suppress(FileNotFoundError, NotADirectoryError):
            here = _identity(self.path)
        if here != self._file:
            became = "removed" if here is None else "replaced by another file"
            raise LogError(f"the log was {became} while it was open here", str(self.path), _START_AGAIN)

    def _refuse_another_log(self) -> None:
        """Raises LogError where another log's content, or an earlier copy's, was put into the file that was opened."""
        try:
            log, writes = self._who()
        except (sqlite3.OperationalError, TypeError) as error:
            if "no such" not in str(error) and isinstance(error, sqlite3.Error):
                raise
            raise LogError("the log was written over while it was open here", str(self.path), _START_AGAIN) from error
        if log != self._log or writes < self._writes:
            became = "another log" if log != self._log else "an earlier copy of it"
            raise LogError(f"the log was replaced by {became} while it was open here", str(self.path), _START_AGAIN)
        self._writes = writes

    def __enter__(self: Self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextlib.contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """The one way to write: a transaction that nests, is durable when it ends, and is undone by any exception."""
        if self._depth:
            # SQLite refuses to turn a reader whom others have overtaken into a writer.
            if not self._writing:
                raise AssertionError("nothing is written inside a read transaction")
            yield self._connection
            return
        self.refuse_read_only()
        self._refuse_another_file()
        with translated(self.path):
            self._connection.execute("PRAGMA shrink_memory")  # what is read next is in the file, not remembered
            self._begin_to_write()
            self._depth, self._writing = 1, True
            try:
                self._refuse_another_log()
                self._notice_others()
                before = self._connection.total_changes
                yield self._connection
                changed = self._connection.total_changes != before
                if changed:
                    self._connection.execute(
                        "UPDATE identity SET before = stamp, stamp = ?, writes = writes + 1", (schema.stamp(),)
                    )
                self._connection.execute("COMMIT")
                self._writes += changed
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("ROLLBACK")
                self.undone()
                raise
            finally:
                self._depth, self._writing = 0, False
        self._refuse_another_file()

    def _begin_to_write(self) -> None:
        """Begin a transaction once no other program writes; a long wait is told."""
        told_after_s = min(TOLD_AFTER_S, PATIENCE_S)
        self._connection.execute(f"PRAGMA busy_timeout = {1000 * told_after_s:.0f}")
        try:
            _patiently(lambda: self._connection.execute("BEGIN IMMEDIATE"), told_after_s)
        finally:
            self._connection.execute(f"PRAGMA busy_timeout = {1000 * PATIENCE_S:.0f}")

    def refuse_read_only(self) -> None:
        """Raise TrimfitError where the log cannot be written here, for whom it is no use to begin."""
        if self.read_only:
            raise TrimfitError(_NO_LEAVE[0], str(self.path), _NO_LEAVE[1])

    def brought_up_to_date(self) -> None:
        """Called when an older log was brought up to date: work out anew what follows from its entries."""

    def undone(self) -> None:
        """Called when a transaction was undone: forget what was read in it."""

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction stands open here, to read or to write."""
        return self._depth > 0

    def others_wrote(self) -> None:
        """Called when another process wrote since the last transaction: forget what was read before."""

    def version(self) -> int:
        """A number that changes whenever another process wrote into the log."""
        with translated(self.path):
            return int(self._connection.execute("PRAGMA data_version").fetchone()[0])

    def content_version(self) -> tuple[int, int]:
        """Changes whenever anything was written into the log, by another process or by this one."""
        return self.version(), self._connection.total_changes

    def _notice_others(self) -> None:
        version = self.version()
        if version != self._version:
            self._version = version
            self.others_wrote()

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Several queries that all see the log as it is at one moment."""
        if self._depth:
            yield self._connection
            return
        self._refuse_another_file()
        with translated(self.path):
            self._connection.execute("BEGIN")
            self._depth = 1
            try:
                self._notice_others()
                yield self._connection
            finally:
                self._depth = 0
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("COMMIT")

    @contextlib.contextmanager
    def still(self) -> Iterator[sqlite3.Connection]:
        """As `reading`, for what takes long: it reads a copy in memory, and nobody who writes waits for it."""
        if self._depth:
            yield self._connection
            return
        file = self._connection
        with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as copy:
            with self.reading():
                file.backup(copy)
            self._connection = copy
            try:
                with self.reading():
                    yield copy
            finally:
                self._connection = file

    def back_up(self, target: Path) -> None:
        """Write the whole log as it is at this moment into a new file.

        Raises TrimfitError where the log is damaged, OSError where the disk of the new file is full.
        """
        from trimfit.log.file.unfinished_files import backed_up

        with self.reading() as connection:
            try:
                backed_up(connection, target)
            except sqlite3.OperationalError as error:
                if "full" not in str(error):
                    raise
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)) from error  # the log is only read here
        with contextlib.closing(sqlite3.connect(target)) as copy:
            self.refuse_damaged(copy, "no backup was made")

    def refuse_damaged(self, connection: sqlite3.Connection, undone: str) -> None:
        """Raise TrimfitError where the file of this log, or a copy of it, is damaged; `undone`: what was not done."""
        if connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise TrimfitError(f"the log is damaged; {undone}", str(self.path), f"see {command('check')}")


def _may_write(path: Path) -> bool:
    """Whether the log's file and its folder, which each write leaves a file in for a moment, may be written.

    A connection to one that may not opens all the same, and SQLite tells nobody."""
    effective = os.access in os.supports_effective_ids
    file = os.path.realpath(path)
    return all(os.access(place, os.W_OK, effective_ids=effective) for place in (file, os.path.dirname(file)))


def look_before(path: Path) -> bool:
    """Look at a log's file before SQLite does; whether this process has it open already.

    Raises LogError for what is no file, no log, or newer, or has the side file of another log beside it.
    """
    there = path.exists()
    if there and not path.is_file():
        what = "is a folder, not a log" if path.is_dir() else "is no file that can hold a log"
        raise LogError(what, str(path), "name a file with --log")
    if there and held_here(path):
        return True
    if schema.side_files(path):
        from trimfit.log.file.side_files import refuse_foreign

        refuse_foreign(path)
    if there:
        schema.header_version(path)
    return False


def _patiently(step: Callable[[], object], told_after_s: float = PATIENCE_S) -> None:
    """Do a step that may find the log busy; SQLite waits by itself, save where it would risk a deadlock."""
    began_s, told = time.monotonic(), False
    while True:
        try:
            step()
            return
        except sqlite3.OperationalError as error:
            busy = "locked" in str(error) or "busy" in str(error)
            waited_s = time.monotonic() - began_s
            if not busy or waited_s > PATIENCE_S:
                raise
            if waited_s >= told_after_s and not told:
                told = True
                waits()
            time.sleep(0.01)


_NO_LEAVE = "the log cannot be written here", "allow writing to it and its folder"
# What SQLite says of a failure -> what is wrong, and what to do.
_FAULTS: tuple[tuple[tuple[str, ...], type[TrimfitError], str, str], ...] = (
    (("locked", "busy"), TrimfitError, "another process keeps the log busy", "try again when it is done"),
    (("readonly", "unable to open"), TrimfitError, *_NO_LEAVE),
    (("full",), TrimfitError, "the disk is full; nothing was logged", "make room and try again"),
    (
        ("I/O",),
        TrimfitError,
        "the log's files cannot be read or written: a full or failing disk, or they were moved",
        "make room, then run `trimfit check`",
    ),
    (("not a database",), LogError, "is not a trimfit log", "say where the log is with --log"),
    (
        ("malformed", "corrupt"),
        TrimfitError,
        "the log is damaged",
        "keep it, and go on with a backup copy or an export",
    ),
)


@contextlib.contextmanager
def named_as(draft: Path, path: Path) -> Iterator[None]:
    """What is wrong with a draft or a copy is said of the log that it is one of."""
    try:
        yield
    except TrimfitError as error:
        if error.where != str(draft):
            raise
        raise type(error)(error.what, str(path), error.remedy) from error


@contextlib.contextmanager
def opening(path: Path) -> Iterator[None]:
    """As `translated`, with the system's failures too: for what is done to the log's file and nothing else."""
    try:
        with translated(path):
            yield
    except OSError as error:
        raise TrimfitError(error.strerror or str(error), str(path), "check the path and its permissions") from error


@contextlib.contextmanager
def translated(path: Path) -> Iterator[None]:
    """SQLite's failures as one line that says what to do; nothing was written when one is seen."""
    try:
        yield
    except sqlite3.Error as error:
        for words, fault, what, remedy in _FAULTS:
            if any(word in str(error) for word in words):
                raise fault(what, str(path), remedy) from error
        raise
