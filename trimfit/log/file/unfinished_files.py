"""What is not whole yet lies in a folder of its own, under a name that nothing else has; only ours are cleared away."""

from __future__ import annotations

import contextlib
import functools
import glob
import hashlib
import os
import platform
import re
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from trimfit.base.errors import unwritable

_MOST_LETTERS = 40  # of the name it is a draft of: with the rest, within the length that a file system takes
_NAME = re.compile(r"\.(?P<machine>[0-9a-f]{8})-(?P<pid>[0-9]{1,7})-[0-9a-f]{16}\.draft")


@functools.cache
def _machine() -> str:
    """This machine and, on it, this set of process numbers; a folder may be shared with other machines."""
    marks = [platform.node()]
    with contextlib.suppress(OSError):
        marks.append(Path("/etc/machine-id").read_text())
    with contextlib.suppress(OSError):
        marks.append(os.readlink("/proc/self/ns/pid"))
    return hashlib.sha256("\0".join(marks).encode()).hexdigest()[:8]


@contextlib.contextmanager
def draft_beside(place: Path) -> Iterator[Path]:
    """A new, empty folder beside `place`, hidden, and gone with all in it at the end. Raises OSError if it cannot be.

    Such folders that a process of this machine left when it was killed are cleared away before.
    """
    clear_away(place)
    folder = place.parent / f"{_stem(place)}.{_machine()}-{os.getpid()}-{os.urandom(8).hex()}.draft"
    folder.mkdir(0o700)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def filled_whole(folder: Path) -> Iterator[Path]:
    """A draft folder whose files go into `folder`, made if need be, once all of them are written.

    Raises InputError where they cannot be written; a folder that was made for them is taken away then.
    """
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with draft_beside(folder / "export") as draft:
            yield draft
            for path in sorted(draft.iterdir()):
                path.replace(folder / path.name)
    except BaseException as error:
        if made:
            shutil.rmtree(folder, ignore_errors=True)
        if isinstance(error, OSError):
            raise unwritable(folder, error) from error
        raise


def _stem(place: Path) -> str:
    return f".{place.name[:_MOST_LETTERS]}"


def clear_away(place: Path) -> None:
    """Take away the drafts of `place` that processes of this machine left beside it when they were killed."""
    stem = _stem(place)
    for path in place.parent.glob(f"{glob.escape(stem)}.*.draft"):
        ours = _NAME.fullmatch(path.name[len(stem) :])
        if ours is None or ours["machine"] != _machine() or path.is_symlink() or not path.is_dir():
            continue
        if not _runs(int(ours["pid"])):
            shutil.rmtree(path, ignore_errors=True)


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def put_in_place(draft: Path, place: Path) -> bool:
    """Give a whole draft its name, unless something has it already; whether it has the name now."""
    try:
        os.link(draft, place)
    except FileExistsError:
        return False
    except OSError:  # a file system without hard links
        if os.path.lexists(place):
            return False
        draft.rename(place)
    sync_folder(place.parent)
    return True


def sync_folder(folder: Path) -> None:
    """Make a new name in a folder as durable as the file it names, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def backed_up(source: sqlite3.Connection, target: Path) -> None:
    """Write all that `source` holds into a new file at `target`, durably, with nothing beside it."""
    with contextlib.closing(sqlite3.connect(target)) as copy:
        source.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")
    with target.open("rb+") as file:
        os.fsync(file.fileno())
    sync_folder(target.parent)
