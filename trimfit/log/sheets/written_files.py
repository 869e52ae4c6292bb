"""Which files of a CSV folder an export may write over: what an export wrote there, and what the log took in since.

The hidden file `.trimfit-export` beside them has a line for each: its SHA-256, its name and, of a file that was edited
and then imported, the log that took it in and how many writes that log had seen (table `identity`).
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path

from trimfit.base.errors import InputError, command
from trimfit.log.journal import Journal
from trimfit.log.sheets.extra_files import EXTRA

NAME = ".trimfit-export"


def digests(folder: Path, files: Mapping[str, Path]) -> dict[str, str]:
    """The SHA-256 of each of some files, by name; of files in a folder into which no export ever wrote, nothing."""
    return {name: _digest(path) for name, path in files.items()} if _of_an_export(folder) else {}


def note_taken_in(folder: Path, taken: Mapping[str, str], journal: Journal) -> None:
    """Note that a log holds what is in these files, by name and SHA-256; nothing where the folder is not to be written:
    then no export goes there either."""
    fresh = set(taken.items()) - _known(folder, journal) if taken else set()
    if fresh:
        log, writes = _who(journal)
        with contextlib.suppress(OSError), (folder / NAME).open("a", encoding="utf-8") as file:
            file.writelines(f"{digest} {name} {log} {writes}\n" for name, digest in sorted(fresh))


def refuse_to_lose(folder: Path, draft: Path, names: Iterable[str], journal: Journal) -> None:
    """Raise InputError where a file in the folder is neither what the draft of it says, nor what an export wrote, nor
    what the log took in: what somebody wrote into it would be lost."""
    known = _known(folder, journal)
    there = {name: _digest(folder / name) for name in names if (folder / name).exists()}
    lost = [name for name, digest in there.items() if (name, digest) not in known and digest != _digest(draft / name)]
    if not lost:
        return
    more = f" (and {', '.join(lost[1:])})" if lost[1:] else ""
    if _of_an_export(folder):
        what = f"is not as an export wrote it{more}, and this log has not taken it in"
        remedy = f"take it in: {command('import', str(folder))}; or export into another folder, or say --force"
    else:
        what, remedy = f"no export wrote this file{more}", "export into another folder, or say --force"
    raise InputError(what, str(folder / lost[0]), remedy)


def note_written(folder: Path, draft: Path, names: Iterable[str]) -> None:
    """Write into the draft what its files are, and what those are whose place they take: an export may be killed while
    it puts one after the other in place."""
    each = {(name, _digest(place / name)) for name in names for place in (folder, draft) if (place / name).exists()}
    (draft / NAME).write_text("".join(f"{digest} {name}\n" for name, digest in sorted(each)), encoding="utf-8")


def _of_an_export(folder: Path) -> bool:
    """Whether an export wrote into a folder, be it of an earlier trimfit, which left no note but files of its own."""
    return any((folder / name).exists() for name in (NAME, *EXTRA))


def _known(folder: Path, journal: Journal) -> set[tuple[str, str]]:
    """The names and SHA-256 of what an export wrote or this log took in."""
    try:
        lines = (folder / NAME).read_text(encoding="utf-8", errors="replace").splitlines()
    except (FileNotFoundError, NotADirectoryError):
        return set()
    log, writes = _who(journal)
    found = set()
    for row in map(str.split, lines):
        taken_in = len(row) == 4 and row[2] == log and row[3].isdecimal() and int(row[3]) <= writes
        if len(row) == 2 or taken_in:
            found.add((row[1], row[0]))
    return found


def _who(journal: Journal) -> tuple[str, int]:
    with journal.reading() as connection:
        log, writes = connection.execute("SELECT log, writes FROM identity").fetchone()
    return log, writes


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
