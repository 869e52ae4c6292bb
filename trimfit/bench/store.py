"""The log's file: opened, brought up to date, read at one moment, written in whole transactions.

SQLite with a write-ahead file and full synchronisation: what is committed survives a dead battery, readers never wait
for a writer, writers wait for one another. Failures come out as one line that says what to do.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from trimfit.bench import schema
from trimfit.errors import LogError, TrimfitError

__all__ = ["Store", "held_here", "translated"]

Self = TypeVar("Self", bound="Store")
# How long a writer waits for another before it gives up; an import of a decade takes a fraction of this.
PATIENCE_S = 120.0


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

    def __init__(self, path: Path, *, create: bool = False) -> None:
        """Open the log at `path`, bring an older one up to date; with `create`, make one that is not there.

        Raises LogError if it is not there (without `create`), is not a log, or was written by a newer trimfit;
        TrimfitError if it cannot be read or written.
        """
        self.path = Path(path)
        self.read_only = False
        self._depth = 0
        with translated(self.path):
            if self.path.exists():
                if not held_here(self.path):
                    schema.header_version(self.path)
            elif not create:
                raise LogError(
                    "there is no log here", str(self.path), "import a folder or log an entry, or name it with --log"
                )
            elif not self.path.parent.is_dir():
                raise LogError("the folder for the log is not there", str(self.path.parent), "make it first")
            self._connection = self._open(create)
            self._file: tuple[int, int] | None = _identity(self.path)
            _HELD[self._file] += 1

    def _open(self, create: bool) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path, timeout=PATIENCE_S, isolation_level=None, cached_statements=256)
        try:
            connection.execute("PRAGMA recursive_triggers = ON")
            connection.execute("PRAGMA synchronous = FULL")
            _patiently(lambda: schema.bring_up_to_date(connection, self.path, create=create))
            if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                # Another process may be using the file this moment; then one of the next to open it does this.
                with contextlib.suppress(sqlite3.OperationalError):
                    connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            connection.close()
            if "readonly" in str(error) or "unable to open" in str(error):
                return self._open_to_read(error)
            raise
        except BaseException:
            connection.close()
            raise
        return connection

    def _open_to_read(self, error: sqlite3.OperationalError) -> sqlite3.Connection:
        """A log in a folder that cannot be written is still read; writing it then says so."""
        from urllib.parse import quote

        if not self.path.exists():
            raise error
        # Without a write-ahead file beside it the log is whole in itself, and no process can be writing it here.
        still = "" if self.path.with_name(self.path.name + "-wal").exists() else "&immutable=1"
        uri = f"file:{quote(str(self.path.absolute()))}?mode=ro{still}"
        connection = sqlite3.connect(uri, uri=True, isolation_level=None)
        try:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
        except sqlite3.Error:
            connection.close()
            raise
        if version != schema.newest():
            connection.close()
            raise TrimfitError(
                "the log is of an earlier schema and cannot be written", str(self.path), "copy it where you may write"
            )
        self.read_only = True
        return connection

    def close(self) -> None:
        """Close the file; a closed log answers nothing more."""
        self._connection.close()
        if self._file is not None:
            _HELD[self._file] -= 1
            self._file = None

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
            yield self._connection
            return
        if self.read_only:
            raise TrimfitError(*_no_leave(self.path))
        with translated(self.path):
            _patiently(lambda: self._connection.execute("BEGIN IMMEDIATE"))
            self._depth = 1
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("ROLLBACK")
                self.undone()
                raise
            finally:
                self._depth = 0

    def undone(self) -> None:
        """Called when a transaction was undone: forget what was read in it."""

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Several queries that all see the log as it is at one moment."""
        if self._depth:
            yield self._connection
            return
        with translated(self.path):
            self._connection.execute("BEGIN")
            self._depth = 1
            try:
                yield self._connection
            finally:
                self._depth = 0
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("COMMIT")


def _patiently(step: Callable[[], object]) -> None:
    """Do a step that may find the log busy; SQLite waits by itself, save where it would risk a deadlock."""
    deadline = time.monotonic() + PATIENCE_S
    while True:
        try:
            step()
            return
        except sqlite3.OperationalError as error:
            busy = "locked" in str(error) or "busy" in str(error)
            if not busy or time.monotonic() > deadline:
                raise
            time.sleep(0.01)


def _no_leave(path: Path) -> tuple[str, str, str]:
    return "the log cannot be written here", str(path), "allow writing to it and its folder"


@contextlib.contextmanager
def translated(path: Path) -> Iterator[None]:
    """SQLite's and the system's failures as one line that says what to do; nothing was written when one is seen."""
    try:
        yield
    except sqlite3.Error as error:
        text = str(error)
        where = str(path)
        if "locked" in text or "busy" in text:
            raise TrimfitError("another process keeps the log busy", where, "try again when it is done") from error
        if "readonly" in text or "unable to open" in text:
            raise TrimfitError(*_no_leave(path)) from error
        if "full" in text:
            raise TrimfitError("the disk is full; nothing was logged", where, "make room and try again") from error
        if "I/O" in text:
            what = "the log's files cannot be read or written: a full or failing disk, or they were moved"
            raise TrimfitError(what, where, "make room, then run `trimfit check`") from error
        if "not a database" in text:
            raise LogError("is not a trimfit log", where, "say where the log is with --log") from error
        if "malformed" in text or "corrupt" in text:
            remedy = "keep it, and go on with a backup copy or an export"
            raise TrimfitError("the log is damaged", where, remedy) from error
        raise
    except IsADirectoryError as error:
        raise LogError("is a folder, not a log", str(path), "name a file with --log") from error
    except OSError as error:
        raise TrimfitError(error.strerror or str(error), str(path), "check the path and its permissions") from error
