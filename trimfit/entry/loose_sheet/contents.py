"""What a column without a head is, by what stands in it; and cells that name their values themselves, as `F 757`."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from difflib import get_close_matches
from fractions import Fraction

from trimfit.base.column_words import ROLE_OF
from trimfit.base.errors import InputError, short
from trimfit.base.pitch import parse_crow_hz
from trimfit.base.units import parse_number
from trimfit.entry.line_parser import parse_reading, parse_trim
from trimfit.entry.loose_sheet.guesses import Notes
from trimfit.entry.loose_sheet.heads import NOTHING, Column, note_and_rest
from trimfit.entry.loose_sheet.written_dates import read_clock, read_day
from trimfit.entry.parsed_lines import ReadingLine, TrimLine

OUTCOME_WORDS: Mapping[str, str] = {
    **dict.fromkeys(("good", "ok", "okay", "fine", "done", "finished", "yes", "✓"), "good"),
    **dict.fromkeys(("lost", "past", "scrap", "scrapped", "dead", "binned", "spoiled"), "lost"),
    **dict.fromkeys(("to-stock", "to stock", "stock", "spare", "shelf"), "to-stock"),
}
_TRIM_BEGINS = re.compile(r"\b(?:took|taken|cut|trimmed|trim|off|lip)\b", re.IGNORECASE)
_NAMED = re.compile(r"\s*(?:[A-Za-z_]+|g8ve?|low\s\w+|high\s\w+)[\s=:]*[+\-−]?[\dA-G].*", re.ASCII | re.IGNORECASE)
# Ranges of sounding hertz, sets of chanters from 455 to 485 Hz as low A: E by 3/2, F by 5/3.
_E_HZ, _F_HZ = (675.0, 735.0), (740.0, 815.0)
_CUT_MM = (0.02, 1.5)
# So large a share of a column's cells shows what it is.
MOST = 0.8


def said_in(cell: str, scale: Mapping[str, Fraction]) -> tuple[ReadingLine | None, TrimLine | None]:
    """The reading and the trim that a cell says in the words of the bench: `F 757 E 703`, `crow C`, `took 0.12 lip 2`.

    Raises InputError where a word of it says nothing, or only its number is there.
    """
    if not _NAMED.fullmatch(cell) or _share([cell], parse_crow_hz):
        raise InputError("does not name what it is", remedy="write it as F 757, crow C+22 or took 0.12")
    text = re.sub(r"(?i)\b(low|high)\s+(?=[ag]\b)", r"\1_", cell).replace(":", " ")
    begins = _TRIM_BEGINS.search(text)
    read, cut = (text[: begins.start()], text[begins.start() :]) if begins else (text, "")
    cut = re.sub(r"(?i)^(?:taken|trimmed|off)(?:\s+off)?\b", "took", cut)
    reading = parse_reading(read, scale=scale) if read.strip(" ,;") else None
    return reading, parse_trim(re.sub(r"(?i)\boff\b", "", cut)) if cut else None


def _share(cells: Sequence[str], fits: Callable[[str], object]) -> float:
    good = 0
    for cell in cells:
        with suppress(InputError):
            good += fits(cell) is not False
    return good / len(cells)


def numbers_in(cells: Sequence[str], parse: Callable[[str], float] = parse_number) -> list[float]:
    """The numbers among some cells."""
    found = []
    for cell in cells:
        with suppress(InputError):
            found.append(parse(cell))
    return found


def looks_like_a_date(cell: str) -> bool:
    """Whether a cell can be meant as a date and hardly as anything else."""
    return _share([cell], _date) > 0


def _date(cell: str) -> object:
    return bool(re.search(r"[-/]|[a-z]{3}|\..*\.", cell, re.IGNORECASE)) and read_day(cell)


def _crow_word(cell: str) -> object:
    return cell[:1].isalpha() and len(cell) > 1 and parse_crow_hz(cell)


def told_by_contents(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], scale: Mapping[str, Fraction], notes: Notes
) -> list[Column]:
    """The columns; those of unknown role are recognised by their cells where these leave no doubt, and noted."""
    headless = not any(column.title for column in columns)
    taken = {column.role for column in columns if column.role not in ("", "readings")}
    found = []
    # Where no head names the reed, the first column that says nothing of itself is it, its number maybe.
    reed = "reed" in taken
    for column in columns:
        cells = [row[column.place] for row in rows if row[column.place].lower() not in NOTHING]
        role = column.role
        if not role and cells:
            role, such = _role_by_cells(cells, scale, taken, headed=bool(column.title), numbers=headless and reed)
            part = len(such) / len(cells)
            why = f"{'all' if part == 1 else 'nearly all' if part >= MOST else 'most of'} its cells are such"
            if not role and column.title and (column.unit or not note_and_rest(column.title)[0]):
                role, why = _role_by_spelling(column.title, cells, taken), "its head is spelled nearly so"
                such = [cell for cell in cells if numbers_in([cell])]
            if not (role or reed):
                role, why, such = "reed", "no other column is headed so", cells
            if role:
                where = f"column {column.title!r}" if column.title else column.name
                notes.guess("columns", where, f"taken for {role}: {why}; {short((such or cells)[0])!r} is one")
        reed = reed or role == "reed"
        taken |= {role} if role not in ("", "readings") else set()
        found.append(replace(column, role=role))
    return _named_by_order(found, rows, notes) if headless else found


def _role_by_spelling(title: str, cells: Sequence[str], taken: set[str]) -> str:
    """The role whose word a head is most like, of those that no other column has and whose cells these may be."""
    for word in get_close_matches(title.lower(), ROLE_OF, n=6, cutoff=0.7):
        role = ROLE_OF[word]
        free = role not in taken and role != "readings"
        texts = role in ("reed", "reed_type", "batch", "chanter", "order", "weight", "remark")
        numbers = len(numbers_in(cells)) >= 0.8 * len(cells)
        if free and (texts or (numbers and role not in ("day", "clock", "made_on", "taped", "outcome"))):
            return role
    return ""


def _role_by_cells(
    cells: Sequence[str], scale: Mapping[str, Fraction], taken: set[str], *, headed: bool, numbers: bool
) -> tuple[str, Sequence[str]]:
    """The role that some cells show, blank where they show none, and those of them that show it.

    Under a head two dates show it where they are more than half of the cells; `10-2` alone may be a number of a batch.
    """
    tests: list[tuple[str, Callable[[str], object]]] = [
        ("readings", lambda cell: said_in(cell, scale)),
        ("day", _date),
        ("clock", lambda cell: ":" in cell and read_clock(cell)),
        ("crow", _crow_word),
        ("outcome", lambda cell: cell.lower() in OUTCOME_WORDS),
    ]
    for role, fits in tests:
        such = [cell for cell in cells if _share([cell], fits)]
        sure = [cell for cell in such if not re.fullmatch(r"\d+-\d+", cell)]
        dates = role == "day" and headed and 2 * len(sure) > len(cells) > 2
        if role not in taken and (dates or len(such) / len(cells) >= MOST):
            return role, such
    if numbers:
        for role, (low, high) in (("e", _E_HZ), ("f", _F_HZ), ("length_mm", _CUT_MM)):
            within = [cell for cell in cells if any(low <= number <= high for number in numbers_in([cell]))]
            if role not in taken and len(within) >= 0.9 * len(cells) and (role != "length_mm" or "." in "".join(cells)):
                return role, within
    return "", ()


def _named_by_order(columns: list[Column], rows: Sequence[Sequence[str]], notes: Notes) -> list[Column]:
    """Without heads the first columns left over, after the reed, are its type and its batch."""
    left = [c for c in columns if not c.role and any(row[c.place] for row in rows)]
    for column, role in zip(left, ("reed_type", "batch"), strict=False):
        columns[column.place] = replace(column, role=role)
        notes.guess(
            "columns", column.name, f"taken for the {role.replace('_', ' ')}: it stands where that usually does"
        )
    return columns
