"""A sheet's cells as texts, whichever program kept it: CSV as text, other spreadsheets by pandas."""

from __future__ import annotations

import csv
import io
from datetime import datetime, time
from pathlib import Path
from typing import Any

from trimfit.base.errors import InputError
from trimfit.entry.loose_sheet.guesses import Notes
from trimfit.log.column_values import number_text

# Ending of a spreadsheet file -> the package that pandas reads it by, and the name it is imported by.
READERS = {
    ".xlsx": ("openpyxl", "openpyxl"),
    ".xlsm": ("openpyxl", "openpyxl"),
    ".ods": ("odfpy", "odf"),
    ".xls": ("xlrd", "xlrd"),
}
SEPARATORS = {"\t": "tab", ";": "semicolon", "|": "upright bar", ",": "comma"}
MOST_BYTES = 50_000_000
MOST_COLUMNS = 500
END = "\x1f"


def read_table(path: Path, notes: Notes) -> tuple[tuple[str, ...], ...]:
    """The rows of a CSV, TSV or spreadsheet file, blank ones included, all of one width; cells without outer blanks.

    Raises InputError for what cannot be read, with what to do.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError as error:
        raise InputError("there is no such file", str(path), "check the path of the sheet") from error
    except OSError as error:
        raise InputError(error.strerror or "cannot be read", str(path), "name a CSV file") from error
    if len(raw) > MOST_BYTES:
        raise InputError(f"is {len(raw) // 1_000_000:,} MB long", str(path), "a draft is for one sheet of a shop")
    ending = path.suffix.lower()
    found = _spreadsheet(path, raw, notes) if ending in READERS else _text(path, raw, notes)
    rows = tuple(tuple(_cell(value) for value in row) for row in found)
    if not any(any(row) for row in rows):
        raise InputError("holds nothing", str(path), "name the sheet that the readings are in")
    return rows


def _spreadsheet(path: Path, raw: bytes, notes: Notes) -> list[list[Any]]:
    from importlib.util import find_spec

    import pandas as pd

    package, module = READERS[path.suffix.lower()]
    if find_spec(module) is None:
        what = f"reading {path.suffix.lower()} files needs the package {package}, which is not installed"
        raise InputError(what, str(path), f"pip install {package}, or save the sheet as CSV")
    try:
        frames = pd.read_excel(io.BytesIO(raw), sheet_name=None, header=None, dtype=object)
    except Exception as error:  # each reader has faults of its own
        raise InputError("cannot be read as a spreadsheet", str(path), "save the sheet as CSV") from error
    first, *others = frames
    if others:
        notes.guess("sheet", "", f"only the first sheet, {first!r}, was read; not {', '.join(map(repr, others))}")
    rows: list[list[Any]] = frames[first].astype(object).where(frames[first].notna(), "").to_numpy().tolist()
    return rows


def _text(path: Path, raw: bytes, notes: Notes) -> list[list[str]]:
    text = _decoded(path, raw, notes)
    text = text.replace("\r\n", "\n").replace("\r", "\n").removesuffix("\n")
    lines = [line for line in text.split("\n") if line.strip()]
    separator = next((mark for mark in SEPARATORS if sum(mark in line for line in lines) > 0.6 * len(lines)), ",")
    if separator != ",":
        notes.guess("sheet", "", f"cells are kept apart by {SEPARATORS[separator]}s")
    try:
        # The line put after the last tells whether a quotation mark before it was never closed.
        *rows, end = csv.reader(io.StringIO(f"{text}\n{END}", newline=""), delimiter=separator)
        what = "" if end == [END] else "a quotation mark is opened and never closed"
    except csv.Error as error:
        what = str(error)
    if what:
        raise InputError(f"cannot be read as CSV ({what})", str(path), "save the sheet anew as CSV")
    width = max(map(len, rows))
    if width > MOST_COLUMNS:
        raise InputError(f"has {width:,} columns", str(path), "is this the sheet? A draft takes up to 500")
    return [row + [""] * (width - len(row)) for row in rows]


def _decoded(path: Path, raw: bytes, notes: Notes) -> str:
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        notes.guess(
            "sheet", "", "the file is not UTF-8: its letters were taken for Windows-1252; look at names with accents"
        )
        text = raw.decode("cp1252", errors="replace")
    if "\0" in text:
        raise InputError("is not a text file", str(path), "save the sheet as CSV")
    return text


def _cell(value: Any) -> str:
    """A cell as it would be typed: dates as ISO 8601, whole numbers without a point."""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(timespec="minutes")
    if isinstance(value, time):
        return value.isoformat(timespec="minutes")
    if isinstance(value, float):
        return number_text(value)
    return " ".join(str(value).split())
