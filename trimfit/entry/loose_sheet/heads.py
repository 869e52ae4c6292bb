"""Which column of a loose sheet is what: by the words of its head, and where it has none by what stands in it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from difflib import get_close_matches

from trimfit.base.column_words import ROLE_OF, key_of, note_of
from trimfit.base.errors import InputError, short
from trimfit.base.pitch import NOTES
from trimfit.base.units import UNIT_KEYS, unit_key
from trimfit.entry.loose_sheet.guesses import Notes, Unread
from trimfit.entry.loose_sheet.written_dates import read_day
from trimfit.log.column_values import from_text
from trimfit.log.entry_kinds import KINDS

NOTE_ROLES = (*NOTES, "g_octave")
READING_ROLES = ("crow", *NOTE_ROLES)
TRIM_ROLES = ("length_mm", "lip_strokes", "asked_mm")
HUNDREDTHS = "0.01 mm"
UNITS = {*UNIT_KEYS, "aslowa"}
VISITS = {
    **{"before": 1, "start": 1, "new": 1, "first": 1, "second": 2, "third": 3, "fourth": 4},
    **{"after": 2, "end": 99, "last": 99},
}
_HUNDREDTHS = re.compile(r"\(?(?:0[.,]01|1/100|hundredths?(?:\s+of\s+an?)?)\s*(?:mm)?\)?", re.IGNORECASE)
_VISIT_NUMBER = re.compile(r"(.*?[^\d.,/])[\s#]*\(?(\d{1,2})(?:st|nd|rd|th)?\)?|(\d{1,2})(?:st|nd|rd|th)\s+(.*)")
_VISIT_HEAD = re.compile(r"(?:visit|session|sitting|round|trim|cut|step|day)\s*#?(\d{1,2})", re.IGNORECASE)
_CHANTER_HEAD = re.compile(r"chanter[\s:#]+(.+)", re.IGNORECASE)
CHANTER = KINDS["chanter"].columns[KINDS["chanter"].index["chanter"]]
LAST_HEAD_ROW = 20
# A blank, however a person writes one.
NOTHING = {"", "-", "--", "---", "—", "–", "n/a", "na", "nil", "none", ".", "/"}


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its place (from 0), its head as it stands, what it is (blank: unknown), the unit and the visit that
    its head says (`F2`, `F after`), and the date and the chanter of a head above it."""

    place: int
    title: str
    role: str
    unit: str = ""
    visit: int | None = None
    day: str = ""
    chanter: str = ""

    @property
    def name(self) -> str:
        """The column for people: its head, or its number."""
        return self.title or f"column {self.place + 1}"


def role_of(title: str, *, fuzzy: bool = True) -> tuple[str, str, int | None, str]:
    """What a head names: role (blank if none), unit, visit, and the known word that it is only like, if it is."""
    unit = HUNDREDTHS if _HUNDREDTHS.search(title) else ""
    text = _HUNDREDTHS.sub(" ", title).strip()
    for inside in re.findall(r"[(\[](.*?)[)\]]", text):
        if unit_key(inside.replace("_", "")) in UNITS:
            unit = unit_key(inside.replace("_", ""))
            text = re.sub(r"\s*[(\[]" + re.escape(inside) + r"[)\]]", "", text)
    words = text.replace("_", " ").replace(",", " ").split()
    plain = " ".join(words)
    visit: int | None = None
    for _ in range(4):
        role = _known(plain)
        if role:
            return role, unit, visit, ""
        *front, last = plain.split() or [""]
        if front and not unit and last.lower() != "f" and unit_key(last) in UNITS:
            plain, unit = " ".join(front), unit_key(last)
        elif front and not unit and last.lower() == "f" and _known(" ".join(front)) == "temperature_c":
            plain, unit = " ".join(front), "f"
        elif front and last.lower().strip("()") in VISITS:
            plain, visit = " ".join(front), VISITS[last.lower().strip("()")]
        elif front and front[0].lower() in VISITS:
            visit, plain = VISITS[front[0].lower()], " ".join([*front[1:], last])
        elif match := _VISIT_NUMBER.fullmatch(plain):
            plain, visit = (match[1] or match[4] or "").strip(), int(match[2] or match[3])
        else:
            break
    lower = plain.lower()
    words = [word for word in lower.split() if len(word) >= 3]
    for word in (*words[-1:], *words[:1]):
        if fuzzy and len(words) > 1 and word in ROLE_OF:
            return ROLE_OF[word], unit, visit, word
    if fuzzy and len(lower) >= 4 and (near := get_close_matches(lower, ROLE_OF, n=1, cutoff=0.8)):
        return ROLE_OF[near[0]], unit, visit, near[0]
    return "", unit, visit, ""


def _known(plain: str) -> str:
    lower = plain.lower().strip(" .:#")
    if lower in ROLE_OF:
        return ROLE_OF[lower]
    for word in (plain, lower, lower.replace(" ", "_"), lower.replace("hi ", "high_").replace("lo ", "low_")):
        key = key_of(word)
        if key is not None and key[0] in NOTE_ROLES:
            return key[0]
    return ""


def note_and_rest(title: str) -> tuple[str, str]:
    """The note that a head of several words begins or ends with, and the rest, which may be a chanter; else blanks."""
    first, _, end = title.partition(" ")
    start, _, last = title.rpartition(" ")
    pairs = ((first, end), (last, start))
    return next(((note, rest) for note, rest in pairs if rest and note_of(note)), ("", ""))


def upright(rows: Sequence[tuple[str, ...]], notes: Notes) -> Sequence[tuple[str, ...]]:
    """The rows, or where the heads stand in the first column (a column a reed), the columns of the sheet as rows."""

    def roles(cells: Sequence[str]) -> set[str]:
        return {role_of(cell, fuzzy=False)[0] for cell in cells} - {""}

    side = roles([row[0] for row in rows])
    if (
        len(side) >= 4
        and len(side - {*NOTE_ROLES}) >= 2
        and len(side) > max(len(roles(row)) for row in rows[:LAST_HEAD_ROW])
    ):
        notes.guess(
            "sheet", "", "its heads stand in the first column: it was turned, and each row named here is a column of it"
        )
        return [tuple(row[place] for row in rows) for place in range(len(rows[0]))]
    return rows


def find_heads(rows: Sequence[Sequence[str]], notes: Notes) -> tuple[list[Column], int]:
    """The columns of a sheet, and the number of rows (title, heads, units) before the first row of data."""
    most, best = 1, -1
    for at, row in enumerate(rows[:LAST_HEAD_ROW]):
        filled = [cell for cell in row if cell]
        known = [place for place, cell in enumerate(row) if cell and role_of(cell, fuzzy=False)[0]]
        enough = 2 * len(known) >= len(filled) or _over_numbers(rows[at + 1 : at + 1 + LAST_HEAD_ROW], known)
        if len(known) > most and enough and not _labelled(filled):
            most, best = len(known), at
    if best < 0:
        best = next((at for at, row in enumerate(rows[:LAST_HEAD_ROW]) if _begins_with_reed(row)), best)
    if best >= 0:
        return _headed(rows, best, notes)
    width = len(rows[0])
    notes.guess("columns", "", "no row of heads was found: the columns were recognised by what stands in them")
    return [Column(place, "", "") for place in range(width)], 0


def _begins_with_reed(row: Sequence[str]) -> bool:
    """Whether a row is headed `reed` or the like in its first cell, and none of its cells is a number or a date."""
    role, _, visit, _ = role_of(row[0], fuzzy=False)
    others = [cell for cell in row[1:] if cell]
    alone = bool(others) or len(row) == 1
    return role == "reed" and visit is None and alone and all(re.match(r"[^\W\d]", cell) for cell in others)


def _over_numbers(below: Sequence[Sequence[str]], places: Sequence[int]) -> bool:
    """Whether three columns or more have numbers below and nothing else: then their heads are heads."""
    filled = [[row[place] for row in below if row[place]] for place in places]
    return sum(bool(cells) and all(re.search(r"\d", cell) for cell in cells) for cells in filled) >= 3


def _labelled(cells: Sequence[str]) -> bool:
    """Whether cells say both a name and a number, as `F 757` does: those are data, unless the number counts visits."""
    return sum(bool(re.fullmatch(r"[A-Za-z ]+[\s=]+\d[\d.,]{2,}.*", cell)) for cell in cells) >= 2


def _headed(rows: Sequence[Sequence[str]], at: int, notes: Notes) -> tuple[list[Column], int]:
    above = rows[at - 1] if at else ("",) * len(rows[at])
    group_visit: int | None = None
    group_day = group_chanter = ""
    found = []
    for place, own_title in enumerate(rows[at]):
        # A head of two rows may stand in the upper one alone.
        title = own_title or above[place]
        if above[place]:
            group_visit, group_day, group_chanter = _group(above[place])
        role, unit, visit, like = role_of(title)
        if like:
            notes.guess("columns", f"column {title!r}", f"taken for {like!r}")
        grouped = role in (*READING_ROLES, *TRIM_ROLES, "readings", "day", "clock")
        visit = visit if visit is not None or not grouped else group_visit
        found.append(Column(place, title, role, unit, visit, group_day * grouped, group_chanter * grouped))
    _say_above(rows[:at], [column for column in found if rows[at][column.place]], notes)
    data = at + 1
    units = [unit_key(cell) for cell in rows[data] if cell] if data < len(rows) else []
    if units and all(unit in UNITS for unit in units):
        found = [replace(column, unit=column.unit or unit_key(rows[data][column.place])) for column in found]
        data += 1
    return found, data


def _group(cell: str) -> tuple[int | None, str, str]:
    """The visit, the date or the chanter that a cell above the heads names; none of them, for any other."""
    if match := _VISIT_HEAD.fullmatch(cell):
        return int(match[1]), "", ""
    if cell.lower() in VISITS:
        return VISITS[cell.lower()], "", ""
    with suppress(InputError):
        read_day(cell)
        return None, cell, ""
    if match := _CHANTER_HEAD.fullmatch(cell):
        with suppress(InputError):
            return None, "", str(from_text(CHANTER, match[1]) or "")
    return None, "", ""


def _say_above(above: Sequence[Sequence[str]], columns: Sequence[Column], notes: Notes) -> None:
    """Note which cells in the rows above the heads were taken for chanters, and which, a title aside, for nothing.

    columns: those with a head of their own below these rows.
    """
    remedy = (
        "say in the row above the heads what it is: 'chanter NAME', a date with its day, 'visit 1'; or leave it out"
    )
    for number, row in enumerate(above, 1):
        starts = [place for place, cell in enumerate(row) if cell]
        if number < len(above) and len(starts) > 1:
            cells = ", ".join(repr(short(row[place])) for place in starts[:5])
            what = f"{cells}{' …' * (len(starts) > 5)} stand above the heads and were not understood"
            notes.unread.append(Unread(number, "", "", what, remedy))
    if not above:
        return
    for place, end in zip(starts, (*starts[1:], len(row)), strict=False):
        under = [column for column in columns if place <= column.place < end]
        read = [column for column in under if column.role in (*READING_ROLES, *TRIM_ROLES, "readings")]
        cell, over = row[place], f"over {', '.join(column.title for column in read[:5])}{' …' * (len(read) > 5)}"
        if read and read[0].chanter:
            notes.guess(
                "columns", f"row {number}", f"{short(cell)!r} {over}: taken for the chanter {read[0].chanter!r}"
            )
        title = place == 0 or any(column.role == "reed" for column in under)
        plain = role_of(cell, fuzzy=False)[0] not in ("", "chanter") or unit_key(cell) in UNITS
        own = any(column.place == place for column in under)
        if read and own and not title and not plain and _group(cell) == (None, "", ""):
            notes.unread.append(Unread(number, "", cell, f"{over}: not understood", remedy))
