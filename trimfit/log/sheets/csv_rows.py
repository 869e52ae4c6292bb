"""One CSV file as a spreadsheet writes it: its encoding, separators and heads, and its rows as values of a kind.

Whatever is wrong is collected as `file:line: column: what is wrong; what would be right`, and reading goes on.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import islice
from math import nan
from pathlib import Path

from trimfit.base import iso_dates
from trimfit.base.column_words import ROLE_OF, key_of
from trimfit.base.errors import Fault, InputError, nearest, short
from trimfit.base.pitch import NOTES, parse_crow_hz
from trimfit.base.units import BOUNDS, UNIT_KEYS, parse_number, unit_key
from trimfit.log.column_values import WIDEST_CENTS, folded_name, from_text, hz_by_cents, limits, number_value
from trimfit.log.entry_kinds import FILED, KINDS, Column, Kind, Value

TIMES = ("taken_at", "done_at", "at")
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
# A file of garbage has a fault in every line; past this many the rest are counted, not kept.
MOST_FAULTS_A_FILE = 5000
_CSV_ERRORS = {
    "unexpected end of data": "a quotation mark is opened and never closed",
    "field larger": "a cell of more than 100,000 characters, or a quotation mark that is never closed",
    "expected after": "text after a closing quotation mark",
}


@dataclass(slots=True)
class Faults:
    """The faults of an import so far. rows: file and line of the rows that hold one or more."""

    found: list[Fault] = field(default_factory=list)
    rows: set[tuple[str, int]] = field(default_factory=set)
    _file: str = ""
    _in_file: int = 0

    def add(self, file: str, line: int, column: str, what: str, remedy: str) -> None:
        """Note one fault at a line of a file (line 0: of the file as a whole)."""
        if file != self._file:
            self.close_file()
            self._file, self._in_file = file, 0
        self._in_file += 1
        if line > 1:
            self.rows.add((file, line))
        if self._in_file <= MOST_FAULTS_A_FILE:
            self.found.append(Fault(f"{file}:{line}" if line else file, column, what, remedy))

    def close_file(self) -> None:
        """Say how many faults of the last file were left out, if any."""
        left = self._in_file - MOST_FAULTS_A_FILE
        if left > 0:
            what = f"{left:,} more faults come after these {MOST_FAULTS_A_FILE:,}"
            self.found.append(Fault(self._file, "", what, "mend these first"))
        self._file, self._in_file = "", 0

    def __bool__(self) -> bool:
        return bool(self.found)


@dataclass(frozen=True, slots=True)
class _Bytes:
    """What a look at a file's bytes shows: its lines, and whether they are clean UTF-8 text."""

    lines: int
    clean: bool
    wide: bool


def _look(path: Path) -> _Bytes:
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    lines, clean, wide, chunk = 1, True, None, b" "
    with path.open("rb") as file:
        while chunk:
            chunk = file.read(1 << 20)
            wide = chunk[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) if wide is None else wide
            lines += chunk.count(b"\n")
            try:
                clean = clean and b"\0" not in chunk and decoder.decode(chunk, final=not chunk) is not None
            except UnicodeDecodeError:
                clean = False
    return _Bytes(lines, clean, bool(wide))


def heads_of(kind: Kind) -> tuple[list[str], list[str]]:
    """The columns a file of this kind may have, and those it must have."""
    may = list(kind.names)
    if kind.name == "reading":
        may += ["crow", *(f"{note}_cents" for note in NOTES), "reference_hz"]
    return may, [column.name for column in kind.columns if column.required]


def _elsewhere(head: str, here: str) -> str:
    """Which other file of the folder has a column of this name, as a remedy; nothing if none has."""
    found = [KINDS[name].file for name in FILED if head in heads_of(KINDS[name])[0] and KINDS[name].file != here]
    return f"it belongs in {found[0]}, one row for each" if found else ""


def _by_its_word(head: str, may: Sequence[str]) -> str:
    """Which column a head means by the words that people use, a unit after them left out (`took mm`), as a remedy."""
    *words, last = re.sub(r"[_,()\[\]]", " ", head).split() or [""]
    if not words or unit_key(last) not in UNIT_KEYS:
        words.append(last)
    role = ROLE_OF.get(" ".join(words), "")
    names = TIMES if role in ("day", "clock") else (role,)
    return next((f"did you mean {name}?" for name in names if name in may), "")


class Sheet:
    """One CSV file open for reading, as a context: its heads, and its rows as lists of cells."""

    def __init__(self, path: Path, faults: Faults, may: Sequence[str], must: Sequence[str]) -> None:
        """Look at the file and read its heads; every fault there goes to `faults`, and `usable` becomes false. `cut`:
        its rows can be read, whatever is wrong with its heads; `whole`: each column it must have is there, once."""
        self.path, self.name, self.faults = path, path.name, faults
        self.notices: list[str] = []
        self.heads: list[str] = []
        self.separator = ","
        self.usable = self.cut = self.whole = False
        self.looked = _Bytes(1, True, False)
        try:
            self.looked = _look(path)
            if self.looked.wide:
                faults.add(self.name, 0, "", "is UTF-16 text", "save it as CSV in UTF-8")
                return
            self._file = path.open(newline="", encoding="utf-8-sig", errors="surrogateescape")
            self.usable = self._read_heads(may, must)
        except OSError as error:
            self._cannot_be_read(error)

    def _cannot_be_read(self, error: OSError) -> None:
        what = f"cannot be read ({error.strerror or error})"
        self.faults.add(self.name, 0, "", what, "allow reading it, or take it out of the folder")

    def __enter__(self) -> Sheet:
        return self

    def __exit__(self, *_: object) -> None:
        if hasattr(self, "_file"):
            self._file.close()

    @property
    def decimal_comma(self) -> bool:
        """Only where cells are kept apart by semicolons may a comma stand in a number."""
        return self.separator == ";"

    def _read_heads(self, may: Sequence[str], must: Sequence[str]) -> bool:
        start = self._file.readline(1 << 20)
        if not start.strip():
            self.faults.add(self.name, 0, "", "is empty", f"the first line names the columns: {', '.join(must)} …")
            return False
        if "\0" in start or (not start.isprintable() and any("\ud800" <= letter <= "\udfff" for letter in start)):
            self.faults.add(self.name, 1, "", "is not a text file", "save it as CSV in UTF-8")
            return False
        # The separator that cuts the head line into the most names that are columns.
        self.separator = max(SEPARATORS, key=lambda mark: len({*_cut(start, mark)} & {*may}) * 1000 + start.count(mark))
        self._file.seek(0)
        self._reader = csv.reader(self._file, delimiter=self.separator, strict=True)
        try:
            raw = [head.strip() for head in next(self._reader)]
        except csv.Error as error:
            self.faults.add(self.name, 1, "", _csv_error(error), "mend the line that names the columns")
            return False
        self.heads, self.cut = [head.lower() for head in raw], True
        before = len(self.faults.found)
        self.whole = all(self.heads.count(name) == 1 for name in must)
        self._bare_notes(raw, may)
        self._check_heads(raw, may, must)
        return len(self.faults.found) == before

    def _bare_notes(self, raw: Sequence[str], may: Sequence[str]) -> None:
        """Columns named by a note alone (`f`, `A`) take the name of its hertz, where all numbers fit that and at least
        one of them is no hertz as low A: below a bare `b`, 470 might be either."""
        columns = {column.name: column for column in KINDS["reading"].columns if column.note is not None}
        meant = {i: f"{key_of(head)[0]}_hz" for i, head in enumerate(raw) if head.lower() not in may and key_of(head)}  # type: ignore[index]
        meant = {i: name for i, name in meant.items() if name in may and name in columns and name not in self.heads}
        if not meant:
            return
        misfits: dict[int, tuple[int, str]] = {}
        low, high = BOUNDS["as_low_a_hz"]
        sounding = set(meant.values()) == {"low_a_hz"}
        with self.path.open(newline="", encoding="utf-8-sig", errors="surrogateescape") as file:
            reader = csv.reader(file, delimiter=self.separator)
            for cells in islice(reader, 1, None):
                for i, name in meant.items():
                    if i >= len(cells) or not cells[i].strip():
                        continue
                    try:
                        hz = float(from_text(columns[name], cells[i], decimal_comma=self.decimal_comma) or 0.0)
                        sounding = sounding or not low <= hz <= high
                    except InputError:
                        misfits.setdefault(i, (reader.line_num, cells[i].strip()))
        for i, name in meant.items():
            if i in misfits:
                line, cell = misfits[i]
                said = f"{short(cell)!r} on line {line} is no sounding hertz of that note"
            elif not sounding:
                said = "its numbers may be sounding hertz or hertz as low A"
            else:
                self.notices.append(
                    f"{self.name}: column {raw[i]!r} was taken for {name}: its numbers are sounding hertz"
                )
                self.heads[i] = name
                continue
            self.faults.add(self.name, 1, raw[i], f"is no column of this file, and {said}", f"name it {name} if it is")
            self.heads[i] = ""

    def _check_heads(self, raw: Sequence[str], may: Sequence[str], must: Sequence[str]) -> None:
        for i, head in enumerate(self.heads):
            if head and head not in may:
                stem, unit = re.fullmatch(r"(.*?)(_hz|_cents|)", raw[i], re.IGNORECASE).groups()  # type: ignore[union-attr]
                key = key_of(head) or key_of(stem)  # A and a are two notes
                named = f"{key[0]}{unit.lower() or '_hz'}" if key else ""
                remedy = (
                    (f"did you mean {named}?" if named in may else "")
                    or _by_its_word(head, may)
                    or _elsewhere(head, self.name.lower())
                    or nearest(head, may)
                )
                self.faults.add(self.name, 1, short(head), "is no column of this file", remedy)
            elif head and head in self.heads[:i]:
                self.faults.add(self.name, 1, head, "stands twice in the head line", "take one of them out")
        for name in must:
            if name not in self.heads:
                self.faults.add(self.name, 1, name, "this column is missing", f"the file needs {', '.join(must)}")

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """Each row that is not blank, with the line it begins on; rows of the wrong length become faults."""
        width, reader = len(self.heads), self._reader
        unnamed = [i for i, head in enumerate(self.heads) if not head and self.usable]
        while True:
            line = reader.line_num + 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            except OSError as error:
                self._cannot_be_read(error)
                return
            except csv.Error as error:
                self.faults.add(
                    self.name, line, "", _csv_error(error), 'write " inside a cell as "" and quote the cell'
                )
                continue
            if len(cells) == width and not unnamed:
                if any(cells):
                    yield line, cells
                continue
            if not any(cell.strip() for cell in cells):
                continue
            wanted = width - len(unnamed)
            extra = [*cells[width:], *(cells[i] for i in unnamed if i < len(cells))]
            if shown := next((cell for cell in extra if cell.strip()), ""):
                what = f"{len(cells)} cells where the head line names {wanted}; {short(shown)!r} is extra"
                remedy = f"take it out, or quote a cell that holds a {SEPARATORS[self.separator]}"
                self.faults.add(self.name, line, "", what, remedy)
            elif len(cells) < wanted:
                what = f"the row ends after {len(cells)} of {width} cells"
                self.faults.add(self.name, line, self.heads[len(cells)], what, "fill it up with blank cells")
            else:
                yield line, (cells + [""] * width)[:width]


def column_of(path: Path, head: str, may: Sequence[str], must: Sequence[str]) -> set[str]:
    """The cells under a head; none where the file cannot be read, which is said when it is taken."""
    with Sheet(path, Faults(), may, must) as sheet:
        at = sheet.heads.index(head) if sheet.usable else 0
        return {folded_name(cells[at]) for _, cells in sheet.rows()} if sheet.usable else set()


def _cut(start: str, mark: str) -> list[str]:
    return [name.strip().strip('"').lower() for name in start.split(mark)]


def _csv_error(error: csv.Error) -> str:
    return next((words for key, words in _CSV_ERRORS.items() if key in str(error)), f"cannot be read as CSV ({error})")


class RowReader:
    """Turns the cells of a sheet's rows into values of one kind."""

    def __init__(
        self, kind: Kind, sheet: Sheet, scale: dict[str, Fraction], zone: str, heads: Mapping[str, str] | None = None
    ) -> None:
        """Settle which cell goes to which column; `scale` is the shop's just ratios, for cents columns, `zone` the
        shop's, for times without an offset; `heads`: the heads of columns that are not their names."""
        self.kind, self.sheet, self.scale, self.zone = kind, sheet, scale, zone
        at = {head: i for i, head in enumerate(sheet.heads) if head}
        self.numbers: list[tuple[int, int, float, float, Column]] = []
        self.texts: list[tuple[int, int, Column]] = []
        self.time: tuple[int, int, Column] | None = None
        for j, column in enumerate(kind.columns):
            i = at.get((heads or {}).get(column.name, column.name), -1)
            if i < 0:
                continue
            if column.sort == "real":
                self.numbers.append((i, j, *limits(column), column))
            elif column.name == kind.time:
                self.time = (i, j, column)
            else:
                self.texts.append((i, j, column))
        self.crow = at.get("crow") if kind.name == "reading" else None
        self.reference = at.get("reference_hz") if kind.name == "reading" else None
        self.cents = [(at[f"{note}_cents"], note) for note in NOTES if kind.name == "reading" and f"{note}_cents" in at]
        self.place = {j: i for i, j, *_ in (*self.numbers, *self.texts, *((self.time,) if self.time else ()))}
        self.required = [(kind.index[c.name], c) for c in kind.columns if c.required]
        self.refers = [(kind.index[c.name], c.name, c.refers) for c in kind.columns if c.refers is not None]
        self.present = set(self.place)
        self.present |= {kind.index["crow_hz"]} if self.crow is not None else set()
        self.present |= {kind.index[f"{note}_hz"] for _, note in self.cents}
        if not sheet.usable:  # of a column whose head is wrong no row is said to be empty, too
            self.required = [one for one in self.required if one[0] in self.present]
            self.cents = self.cents if self.reference is not None else []
        self._seen: dict[str, str] = {}
        self._clean = sheet.looked.clean

    def read(self, line: int, cells: list[str]) -> tuple[list[Value], float | None, bool]:
        """A row's values, its instant (None for kinds without a time), and whether it is without fault."""
        values: list[Value] = [None] * len(self.kind.columns)
        good, at_s = True, None
        for i, j, low, high, column in self.numbers:
            cell = cells[i]
            if cell:
                try:
                    number = float(cell)
                except ValueError:
                    number = nan
                # float() reads more than a number as typed (1_000, digits of other scripts): those go the long way.
                if low <= number <= high and cell.isascii() and "_" not in cell:
                    values[j] = number or 0.0
                else:
                    good &= self._long_way(line, cell, j, column, values)
        seen = self._seen
        for i, j, column in self.texts:
            cell = cells[i]
            if column.sort == "name" and cell in seen:
                values[j] = seen[cell]
            elif cell:
                good &= self._long_way(line, cell, j, column, values)
                if self._clean and column.sort == "name" and values[j] == cell and len(cell) < 200:
                    seen[cell] = cell
        if self.time is not None:
            i, j, column = self.time
            word = iso_dates.as_iso(cells[i])
            if word:
                try:
                    at_s = iso_dates.at_s(word, self.zone)
                    values[j] = word
                except InputError as error:
                    good = self._fault(line, column.name, error)
        if self.crow is not None and cells[self.crow].strip():
            good &= self._crow(line, cells[self.crow], values)
        if self.cents:
            good &= self._from_cents(line, cells, values)
        for j, column in self.required:
            if values[j] is None and (good or (at := self.place.get(j, -1)) < 0 or not cells[at].strip()):
                good = self._fault(line, column.name, InputError("is empty", remedy="every row needs one"))
        return values, at_s, good

    def _fault(self, line: int, column: str, error: InputError) -> bool:
        self.sheet.faults.add(self.sheet.name, line, column, error.what, error.remedy)
        return False

    def _long_way(self, line: int, cell: str, j: int, column: Column, values: list[Value]) -> bool:
        try:
            values[j] = from_text(column, cell, self.scale, decimal_comma=self.sheet.decimal_comma)
        except InputError as error:
            remedy = error.remedy
            if column.sort in ("real", "whole") and "," in cell and not self.sheet.decimal_comma:
                remedy = "write a decimal point; a decimal comma may stand only where semicolons separate the cells"
            return self._fault(line, column.name, InputError(error.what, remedy=remedy))
        return True

    def _crow(self, line: int, cell: str, values: list[Value]) -> bool:
        j = self.kind.index["crow_hz"]
        try:
            if values[j] is not None:
                raise InputError("crow and crow_hz are both given", remedy="leave one of them blank")
            values[j] = number_value(self.kind.columns[j], parse_crow_hz(cell), self.scale)
        except InputError as error:
            return self._fault(line, "crow", error)
        return True

    def _from_cents(self, line: int, cells: list[str], values: list[Value]) -> bool:
        good, comma = True, self.sheet.decimal_comma
        given = [(i, note) for i, note in self.cents if cells[i].strip()]
        if not given:
            return True
        reference = Column("reference_hz", "real", bounds="as_low_a_hz")
        try:
            pitch = from_text(
                reference, cells[self.reference] if self.reference is not None else "", decimal_comma=comma
            )
            if pitch is None:
                raise InputError("is empty", remedy="cents need the low A in hertz that they are counted from")
        except InputError as error:
            return self._fault(line, "reference_hz", error)
        for i, note in given:
            j = self.kind.index[f"{note}_hz"]
            try:
                if values[j] is not None:
                    raise InputError(f"{note}_cents and {note}_hz are both given", remedy="leave one of them blank")
                cents = parse_number(cells[i], decimal_comma=comma)
                if abs(cents) > WIDEST_CENTS:
                    raise InputError(f"{cents:g} cents is out of bounds", remedy="give -400 to 400 cents")
                hz = hz_by_cents(note, cents, float(pitch), self.scale)
                values[j] = number_value(self.kind.columns[j], hz, self.scale)
            except InputError as error:
                good = self._fault(line, f"{note}_cents", error)
        return good
