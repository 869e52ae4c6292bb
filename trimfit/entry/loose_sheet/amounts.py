"""The numbers of a loose sheet: in which unit a column is, and each cell as the number that the log keeps."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction
from statistics import median

from trimfit.base.errors import InputError
from trimfit.base.pitch import crow_label, parse_crow_hz
from trimfit.base.units import BOUNDS, BY_UNIT, parse_hz, parse_number
from trimfit.entry.loose_sheet.contents import numbers_in
from trimfit.entry.loose_sheet.guesses import Notes
from trimfit.entry.loose_sheet.heads import HUNDREDTHS, NOTE_ROLES, NOTHING, Column
from trimfit.log.column_values import USUAL_LOW_A_HZ, WIDEST_CENTS, hz_by_cents, limits, note_ratio, number_value
from trimfit.log.entry_kinds import KINDS

Scale = Mapping[str, Fraction]
READING, TRIM, REED = KINDS["reading"], KINDS["trim"], KINDS["reed"]
# A bare number is in the first of these whose range holds the middle of its column.
PRESSURES = (("kPa", 0.5, 20.0), ("inH2O", 20.0, 50.0), ("mbar", 50.0, 150.0), ("mmH2O", 150.0, 1500.0))
# The unit of a column whose head says mm of what no cuts are: the length left, or hundredths.
UNSURE = "?"
IN_WORDS = {
    "sounding": "sounding hertz",
    "as low A": "hertz as low A",
    "cents": "cents from the note's just target",
}
LONGEST_BARE_MM, SHORTEST_BARE_MM = 3.0, 0.05
# As finely as a gauge or a thermometer of another unit is read.
DECIMALS = {"temperature_c": 1, "pressure_kpa": 4}


def _parse_of(column: Column) -> Callable[[str], float]:
    return parse_hz if column.role in NOTE_ROLES else parse_number


def _cells(column: Column, rows: Sequence[Sequence[str]]) -> list[str]:
    return [row[column.place] for row in rows if row[column.place].lower() not in NOTHING]


def settle_notes(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], notes: Notes
) -> tuple[list[Column], dict[int, str]]:
    """The columns, with a head `A` taken for low A where its numbers are, and how each note column's numbers are meant:
    `sounding`, `as low A` or `cents`, by place."""
    meant = {c.place: _note_unit(c, _cells(c, rows)) for c in columns if c.role in NOTE_ROLES}
    decided = [how for how in meant.values() if how in ("sounding", "as low A")]
    usual = max(decided, key=decided.count) if decided else "sounding"
    low, high = BOUNDS["as_low_a_hz"]
    found = []
    for column in columns:
        numbers = numbers_in(_cells(column, rows), parse_hz) if column.role in NOTE_ROLES else []
        no_low_a = not any(c.role == "low_a" for c in columns)
        if column.title == "A" and column.role == "high_a" and no_low_a and usual == "sounding" and numbers:
            if low <= median(numbers) <= high:
                column = replace(column, role="low_a")
                meant[column.place] = "sounding"
                notes.guess("columns", "column 'A'", f"taken for low A: its numbers are about {median(numbers):.4g} Hz")
        if numbers:
            meant[column.place] = meant[column.place] or usual
        found.append(column)
    return found, meant


def _note_unit(column: Column, cells: Sequence[str]) -> str:
    """How a note column's numbers are meant, by its head or its numbers; blank if these may be either sort of hertz."""
    if column.unit:
        return {"hz": "sounding", "aslowa": "as low A", "cents": "cents", "ct": "cents"}.get(column.unit, "sounding")
    numbers = numbers_in(cells, parse_hz)
    if not numbers:
        return ""

    def share(low: float, high: float) -> float:
        return sum(low <= number <= high for number in numbers) / len(numbers)

    if share(-150.0, 150.0) >= 0.8:
        return "cents"
    sounding = share(*limits(READING.columns[READING.index[f"{column.role}_hz"]])) >= 0.7
    as_low_a = column.role != "low_a" and share(*BOUNDS["as_low_a_hz"]) >= 0.7
    return "" if sounding and as_low_a else "as low A" if as_low_a else "sounding"


@dataclass(frozen=True, slots=True)
class Amounts:
    """Reads the number cells of a sheet. `meant`: how note columns are meant; `units`: of other columns, by place."""

    scale: Scale
    meant: Mapping[int, str]
    units: Mapping[int, str]

    @classmethod
    def of(
        cls,
        columns: Sequence[Column],
        rows: Sequence[Sequence[str]],
        scale: Scale,
        meant: Mapping[int, str],
        notes: Notes,
    ) -> Amounts:
        """Settle the unit of each column, by its head or by its numbers, and note each that was settled by numbers."""
        units: dict[int, str] = {}
        amounts = cls(scale, meant, units)
        for column in columns:
            unit = column.unit
            cells = _cells(column, rows)
            numbers = numbers_in(cells, _parse_of(column))
            guessed = ""
            if not unit and numbers:
                unit = _unit_by_numbers(column.role, numbers)
                guessed = IN_WORDS[meant[column.place]] if column.role in NOTE_ROLES else unit
            of_cuts = column.role in ("length_mm", "asked_mm") and bool(numbers)
            if unit == "mm" and of_cuts and median(numbers) > LONGEST_BARE_MM:
                unit = UNSURE
            units[column.place] = unit
            if guessed and (read := amounts._numbers_read(column, cells)):
                span = f"{min(read):.5g} to {max(read):.5g}"
                notes.guess("units", column.name, f"{guessed}, by its numbers, {span}")
            if column.role == "crow":
                amounts._say_crows(column, list(dict.fromkeys(cells)), notes)
        return amounts

    def _numbers_read(self, column: Column, cells: Sequence[str]) -> list[float]:
        """The numbers of those cells that are read: one that is refused bears no guess out. All, where none is."""
        read = []
        for cell in cells:
            with suppress(InputError):
                self.read(column, cell, USUAL_LOW_A_HZ)
                read += numbers_in([cell], _parse_of(column))
        return read or numbers_in(cells, _parse_of(column))

    def _say_crows(self, column: Column, cells: Sequence[str], notes: Notes) -> None:
        """Note how each crow in words was understood, those that begin with their cents among them."""
        said = []
        for word in (cell for cell in cells if any(map(str.isalpha, cell.lower().replace("hz", "")))):
            with suppress(InputError):
                self.read(column, word)
                said.append(f"{word!r} is {crow_in_words(parse_crow_hz(word))}")
        if said:
            notes.guess("crow words", column.name, "; ".join(said))

    def read(self, column: Column, cell: str, reference_hz: float | None = None) -> float:
        """A cell as the number that the log keeps, in the log's unit. reference_hz: what cents are counted from.

        Raises InputError for what is no such number.
        """
        if column.role == "crow":
            return _kept("crow_hz", round(parse_crow_hz(cell), 2), self.scale)
        if column.role in NOTE_ROLES:
            return self._note(column, cell, reference_hz)
        unit = self.units.get(column.place, "")
        bare = not cell.strip()[-1:].isalpha() and cell.strip()[-1:] not in ('"', "%", "°")
        text = f"{cell} {unit}" if bare and unit not in ("", "%") else cell
        if column.role in ("length_mm", "asked_mm") and bare and unit in ("", UNSURE):
            what = (
                "does not say its unit, and may be mm or another"
                if not unit
                else "is in a column of mm too long for cuts"
            )
            raise InputError(what, remedy="say in the head what it is: took, and mm, 0.01 mm, thou or in")
        if unit == HUNDREDTHS and bare:
            return _kept(column.role, round(parse_number(cell) / 100.0, 6), self.scale)
        if column.role == "reference_hz":
            low, high = BOUNDS["as_low_a_hz"]
            if not low <= (hz := parse_hz(cell)) <= high:
                raise InputError("is no pitch of a low A", remedy=f"give {low:g} to {high:g} Hz")
            return hz
        parse = BY_UNIT.get(column.role.rpartition("_")[2], parse_number)
        return _kept(column.role, no_finer(column.role, parse(text)), self.scale)

    def _note(self, column: Column, cell: str, reference_hz: float | None) -> float:
        how = self.meant.get(column.place, "sounding")
        if how != "cents":
            hz = parse_hz(cell)
            sounding_hz = round(hz * note_ratio(column.role, self.scale), 3) if how == "as low A" else hz
            return _kept(f"{column.role}_hz", sounding_hz, self.scale)
        cents = parse_number(cell.lower().removesuffix("cents").removesuffix("ct").removesuffix("c"))
        if abs(cents) > WIDEST_CENTS:
            raise InputError("is out of bounds for cents", remedy="give -400 to 400 cents")
        if reference_hz is None:
            raise InputError(
                "is cents from no known pitch", remedy="add a column reference_hz with the low A they count from"
            )
        hz = hz_by_cents(column.role, cents, reference_hz, self.scale)
        return _kept(f"{column.role}_hz", round(hz, 3), self.scale)


def crow_in_words(hz: float) -> str:
    """A crow as its note, with cents, and in hertz: `C+22, 529.9 Hz`."""
    return f"{crow_label(hz)}, {hz:.1f} Hz"


def no_finer(name: str, value: float) -> float:
    """An amount no finer than it was typed, where it comes of another unit: 70 F is 21.1 °C."""
    return round(value, DECIMALS[name]) if name in DECIMALS and value != round(value, 4) else value


def _kept(name: str, value: float, scale: Scale) -> float:
    kind = next(kind for kind in (READING, TRIM, REED) if name in kind.index)
    return float(number_value(kind.columns[kind.index[name]], value, scale) or 0.0)


def _unit_by_numbers(role: str, numbers: Sequence[float]) -> str:
    """The unit that the numbers of a column show, where its head says none; blank where they show none."""
    middle = median(numbers)
    if role in ("length_mm", "asked_mm"):
        cuts = [abs(number) for number in numbers if number]
        return "mm" if cuts and SHORTEST_BARE_MM <= median(cuts) <= LONGEST_BARE_MM else ""
    if role == "blade_mm":
        return "mm"
    if role == "pressure_kpa":
        return next((unit for unit, low, high in PRESSURES if low <= middle <= high), "")
    if role == "temperature_c":
        return "C" if middle <= 45.0 else "F"
    return ""
