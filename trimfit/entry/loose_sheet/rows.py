"""The rows of a loose sheet as reeds, readings, trims and outcomes, cell by cell; what cannot be read is noted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from typing import Any, TypeVar

from trimfit.base.errors import InputError, short
from trimfit.entry.loose_sheet.amounts import DECIMALS, Amounts, crow_in_words, no_finer
from trimfit.entry.loose_sheet.contents import OUTCOME_WORDS, looks_like_a_date, said_in
from trimfit.entry.loose_sheet.guesses import Notes
from trimfit.entry.loose_sheet.heads import NOTHING, READING_ROLES, TRIM_ROLES, Column
from trimfit.entry.loose_sheet.visits import Event, Slot
from trimfit.entry.loose_sheet.written_dates import UP_TO_TODAY, Day, in_years, newest_first, read_clock, read_day
from trimfit.log.column_values import from_text, number_text
from trimfit.log.entry_kinds import KINDS, UNNAMED

DITTO = {'"', "''", "do", "do.", "ditto", "〃", "”", "“", '-"-'}
SUMS = ("total", "totals", "sum", "mean", "average", "avg", "count")
CONDITIONS = ("pressure_kpa", "temperature_c", "humidity_pct")
Values = dict[str, object]
T = TypeVar("T")


@dataclass(slots=True)
class SheetRows:
    """Goes down the rows of a sheet once. `reeds`: the columns of reeds.csv by name; `events`: in the sheet's order."""

    columns: Sequence[Column]
    slots: Sequence[Slot]
    whole: Sequence[Column]
    amounts: Amounts
    scale: Mapping[str, Fraction]
    notes: Notes
    today: date
    month_first: bool = False
    reeds: dict[str, Values] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    orders: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    order_cells: dict[str, set[tuple[int, int]]] = field(default_factory=lambda: defaultdict(set))
    _above: dict[int, str] = field(default_factory=dict)
    _reed: str = ""
    _day: str = ""
    _type_above: Values = field(default_factory=dict)
    _years: dict[tuple[int, int], tuple[int, str]] = field(default_factory=dict)
    _row_dates: dict[int, date] = field(default_factory=dict)
    _carried: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))
    _seen: dict[tuple[object, ...], int] = field(default_factory=dict)

    def read(self, rows: Sequence[tuple[int, Sequence[str]]]) -> None:
        """Read all rows, each with its number in the sheet."""
        rows, turned = self._oldest_first(rows)
        self._fill_years(rows, turned=turned)
        for number, row in rows:
            self._row(number, row)
        for what, repeated in self._carried.items():
            numbers = [*dict.fromkeys(repeated)]
            shown = ", ".join(map(str, numbers[:10])) + (f" and {len(numbers) - 10} more" if len(numbers) > 10 else "")
            self.notes.guess("blank cells", f"row{'s' * (len(numbers) > 1)} {shown}", what)
        self._say_outcomes_in_remarks(rows)
        for attribute in ("reed_type", "batch"):
            without = [name for name, values in self.reeds.items() if values.get(attribute) is None]
            for name in without:
                self.reeds[name][attribute] = UNNAMED
            if without:
                shown = ", ".join(without[:5]) + (" …" if len(without) > 5 else "")
                word = attribute.replace("_", " ")
                what = (
                    f"the sheet does not say it of {len(without)} ({shown}): {UNNAMED!r} was put, and a log that "
                    "knows the reed keeps what it has; else mend it in reeds.csv"
                )
                self.notes.guess(word, "", what)

    # -- one row ----------------------------------------------------------------------------------------------

    def _row(self, number: int, row: Sequence[str]) -> None:
        cells = {c.place: self._cell(number, c, row[c.place]) for c in self.columns}
        filled = [c for c in self.columns if cells[c.place]]
        if not filled:
            return
        if cells[filled[0].place].lower().rstrip(":") in SUMS:
            self._lose(number, filled, cells[filled[0].place], "looks like a sum", "take the row out")
            return
        reed = self._of_row("reed", cells)
        if reed and looks_like_a_date(reed):
            self._lose(number, filled, reed, "stands where the reed's name should", "give the reed a column")
            return
        if reed is None:
            reed = self._reed
            if reed:
                self._carried["no reed is named: that of the row above"].append(number)
        if not reed:
            self._lose(number, filled, "", "the row names no reed", "name the reed")
            return
        self._reed = reed
        self._of_reed(number, reed, cells)
        day, clock = self._moment(number, self.whole, cells)
        remark, parts = self._remark(cells), 0
        for slot in self.slots:
            kept = self._slot(number, reed, slot, cells, day, clock, remark if len(self.slots) == 1 else None)
            # A row's time is that of its first visit.
            parts, clock = parts + kept, None if kept else clock
        self._outcome(number, reed, cells, day)
        if remark and (len(self.slots) > 1 or not parts):
            self.reeds[reed]["remark"] = remark

    def _lose(self, number: int, filled: Sequence[Column], cell: str, what: str, remedy: str) -> None:
        """Note that cells of a row were not read, with what is wrong with the row."""
        self.notes.lost_cells.update((number, column.place) for column in filled)
        self.notes.cannot(number, filled[0].place, "", cell, what, remedy)

    def _cell(self, number: int, column: Column, text: str) -> str:
        if text.lower() in NOTHING:
            return ""
        if text.lower() in DITTO:
            self._carried["ditto marks: what stands above"].append(number)
            return self._above.get(column.place, "")
        self._above[column.place] = text
        return text

    def _of_row(self, role: str, cells: Mapping[int, str]) -> str | None:
        column = next((c for c in self.whole if c.role == role and cells[c.place]), None)
        return cells[column.place] if column else None

    def _say_outcomes_in_remarks(self, rows: Sequence[tuple[int, Sequence[str]]]) -> None:
        remarks = [c.place for c in self.whole if c.role == "remark"]
        words = [row[place] for _, row in rows for place in remarks if row[place].lower() in OUTCOME_WORDS]
        if words:
            shown = ", ".join(dict.fromkeys(words[:2])) + (" …" if len({*words}) > 2 else "")
            cells = f"{len(words)} cells are outcome words" if len(words) > 1 else "1 cell is an outcome word"
            stay = "stay remarks" if len(words) > 1 else "stays a remark"
            what = f"{cells} ({shown}) and {stay}; head a column outcome to have them taken"
            self.notes.guess("note", "", what)

    def _remark(self, cells: Mapping[int, str]) -> str | None:
        return "; ".join(cells[c.place] for c in self.whole if c.role == "remark" and cells[c.place]) or None

    def _of_reed(self, number: int, reed: str, cells: Mapping[int, str]) -> None:
        """Type, batch and whatever else a row says of its reed."""
        fresh = reed not in self.reeds
        known = self.reeds.setdefault(reed, {"reed": reed})
        for column in self.whole:
            name, cell = column.role, cells[column.place]
            if name not in KINDS["reed"].index or name in ("reed", "remark"):
                continue
            if not cell:
                if fresh and name in ("reed_type", "batch") and self._type_above.get(name):
                    known[name] = self._type_above[name]
                    self._carried[f"no {name.replace('_', ' ')}: that of the row above"].append(number)
                continue
            value = self._value(number, column, cell)
            if value is None:
                continue
            if name in ("reed_type", "batch"):
                self._type_above[name] = value
            if known.get(name) not in (None, value):
                what = f"another row says {short(known[name])!r} of this reed"
                self.notes.cannot(number, column.place, column.name, cell, what, "mend one of them")
                continue
            known[name] = value
            chanter = self._of_row("chanter", cells)
            if name == "order":
                self.orders[str(value)] |= {chanter} if chanter else set()
                self.order_cells[str(value)].add((number, column.place))

    def _value(self, number: int, column: Column, cell: str) -> object:
        """What a cell says of its reed or of a reading's conditions, as the log keeps it; None, and a note, if that
        cannot be read."""
        if column.role == "made_on":
            return self._try(number, column, cell, lambda: self._dated(number, column, self._day_of(cell), cell))
        if column.role in (*CONDITIONS, "blade_mm"):
            return self._try(number, column, cell, self.amounts.read, column, cell)
        kind = next(kind for kind in (KINDS["reed"], KINDS["reading"]) if column.role in kind.index)
        return self._try(number, column, cell, from_text, kind.columns[kind.index[column.role]], cell)

    # -- when ----------------------------------------------------------------------------------------------

    def _day_of(self, cell: str) -> Day:
        return read_day(cell, month_first=self.month_first)

    def _maybe_day(self, cell: str) -> Day | None:
        try:
            return self._day_of(cell)
        except InputError:
            return None

    def _moment(
        self, number: int, columns: Sequence[Column], cells: Mapping[int, str]
    ) -> tuple[str | None, str | None]:
        """Date and clock time that some columns say; None for a date that is there and cannot be read."""
        day, clock = "", None
        for column in columns:
            cell = cells[column.place]
            if column.role == "day" and cell:
                found = self._try(number, column, cell, self._day_of, cell)
                if found is None:
                    return None, None
                day, clock = self._dated(number, column, found, cell), found.clock or clock
            elif column.role == "clock" and cell:
                said = self._try(number, column, cell, read_clock, cell)
                clock = str(said) if said else clock
        return day, clock

    def _dates(self, rows: Sequence[tuple[int, Sequence[str]]]) -> list[tuple[tuple[int, int], Day, str]]:
        """The dates of all rows: row and place, what is written or repeated there, and the reed."""
        days = [c.place for c in self.columns if c.role == "day"]
        named = next((c.place for c in self.whole if c.role == "reed"), None)
        found, reed, above = [], "", dict.fromkeys(days, "")
        for number, row in rows:
            cell = "" if named is None else row[named]
            reed = reed if cell.lower() in {*NOTHING, *DITTO} else cell
            for place in days:
                above[place] = cell = above[place] if row[place].lower() in DITTO else row[place]
                if day := self._maybe_day(cell):
                    found.append(((number, place), day, reed))
        return found

    def _oldest_first(
        self, rows: Sequence[tuple[int, Sequence[str]]]
    ) -> tuple[Sequence[tuple[int, Sequence[str]]], bool]:
        """The rows in time; whether they were turned round for it, as where each has its date, the newest first."""
        days = [column for column in self.columns if column.role == "day"]
        if len(days) != 1 or days[0].visit is not None:
            return rows, False
        if any(self._maybe_day(row[days[0].place]) is None for _, row in rows):
            return rows, False
        if not newest_first([(day, reed) for _, day, reed in self._dates(rows)], self.today):
            return rows, False
        said = "the newest row stands first: rows of one day were taken from the bottom up"
        self.notes.guess("visits", "", said)
        return rows[::-1], True

    def _fill_years(self, rows: Sequence[tuple[int, Sequence[str]]], *, turned: bool) -> None:
        """The year of every date, by row and place; of one over the heads, row 0."""
        dates = self._dates(rows)
        heads = [
            (slot.columns[0].place, next((c.day for c in slot.columns if c.day), ""))
            for slot in self.slots
            if slot.columns
        ]
        above = [((0, place), day, "") for place, text in heads if (day := self._maybe_day(text))]
        for found, round_about in ((above, False), (dates, turned)):
            years = in_years([(day, reed) for _, day, reed in found], self.today, turned=round_about)
            self._years |= {place: year for (place, _, _), year in zip(found, years, strict=True)}
        for (number, place), day, _ in dates:
            self._row_dates.setdefault(number, day.on(self._years[number, place][0]))

    def _dated(self, number: int, column: Column, found: Day, cell: str) -> str:
        """A date in full, with its guesses noted. number: its row, 0 over the heads."""
        year, how = found.year, ""
        if year is None and (number, column.place) in self._years:
            year, how = self._years[number, column.place]
        elif year is None:
            by = self._row_dates.get(number)
            year, how = found.last_before(by or self.today), "the last such day up to the row's" if by else UP_TO_TODAY
        if how:
            self.notes.guess_rule("dates", column.name, f"a date without a year is of {year}, {how}", repr(cell))
        iso = found.iso(year)
        if "first" in found.rule and found.rule != "the year first":
            rule = f"dates in numbers are read with {found.rule}"
            self.notes.guess_rule("dates", column.name, rule, f"{cell!r} is {iso}")
        return iso

    # -- what was read and cut ---------------------------------------------------------------------------------

    def _slot(
        self,
        number: int,
        reed: str,
        slot: Slot,
        cells: Mapping[int, str],
        day: str | None,
        clock: str | None,
        remark: str | None,
    ) -> int:
        """The reading and the trim of one visit; how many there were."""
        filled = [c for c in slot.columns if cells[c.place] and c.role in (*READING_ROLES, *TRIM_ROLES, "readings")]
        if not filled:
            return 0
        own_day, own_clock = self._moment(number, slot.columns, cells)
        above = next((c.day for c in slot.columns if c.day), "")
        if above:
            day = self._dated(0, slot.columns[0], self._day_of(above), above)
        day = own_day or day if own_day is not None else None
        clock = own_clock or clock
        values: dict[str, Values] = {"reading": {}, "trim": {}}
        reference = next((c for c in self.whole if c.role == "reference_hz" and cells[c.place]), None)
        for column in filled:
            cell = cells[column.place]
            self._try(number, column, cell, self._take, column, cell, values, reference, cells)
        if day is None or not (day or self._day or self._has_no_days()):
            if day is not None:
                self._lose(number, filled, "", "the row has no date, and none stands above", "date it")
            else:
                lost = ", ".join(f"{column.name} {short(cells[column.place])!r}" for column in filled)
                what = f"left out with its date: {lost}"
                self.notes.cannot(number, filled[0].place, "", "", what, "mend the date")
            self.notes.lost_cells.update((number, column.place) for column in filled)
            return 0
        if not day and self._has_no_days():
            day = self.today.isoformat()
            what = f"no column was taken for dates: {day}, today, was put for all; mend it before importing"
            self.notes.guess("dates", "", what)
        elif not day:
            day = self._day
            self._carried["no date: that of the row above"].append(number)
        self._day = day
        if values["reading"]:
            if chanter := next((c.chanter for c in filled if c.chanter), ""):
                values["reading"]["chanter"] = chanter
            self._conditions(number, (*self.whole, *slot.columns), cells, values["reading"])
        kept = 0
        for part in slot.parts:
            said = values[part]
            if part == "trim" and not any(said.get(name) for name in ("length_mm", "lip_strokes")):
                continue
            if said:
                if remark and kept == 0:
                    said["remark"] = "; ".join(str(word) for word in (said.get("remark"), remark) if word)
                kept += self._event(Event(reed, part, day, str(said.pop("clock", "") or "") or clock, number, said))
                clock = None  # a row's time is that of the first thing done
        return kept

    def _has_no_days(self) -> bool:
        return not any(column.role == "day" or column.day for column in self.columns)

    def _event(self, event: Event) -> int:
        same = (event.reed, event.kind, event.day, event.clock, *sorted((k, str(v)) for k, v in event.values.items()))
        first = self._seen.setdefault(same, event.row)
        if first != event.row and event.kind == "reading":
            self.notes.guess(
                "repeated rows", f"row {event.row}", f"says the same {event.kind} as row {first}: kept once"
            )
            return 0
        self.events.append(event)
        return 1

    def _take(
        self, column: Column, cell: str, values: dict[str, Values], reference: Column | None, cells: Mapping[int, str]
    ) -> bool:
        """Put what a cell says among the values of its visit. Raises InputError."""
        if column.role == "readings":
            self._said(column, cell, values)
            return True
        reference_hz = self.amounts.read(reference, cells[reference.place]) if reference else None
        name = column.role if column.role in TRIM_ROLES else f"{column.role}_hz"
        part = values["trim" if column.role in TRIM_ROLES else "reading"]
        before = part.get(name)
        try:
            part[name] = self.amounts.read(column, cell, reference_hz)
        except InputError:
            if not cell[0].isalpha():
                raise
            # A cell may name its value even where the head does: `F 757` under F, `crow C` under crow.
            found: dict[str, Values] = {"reading": {}, "trim": {}}
            try:
                self._said(column, cell, found)
            except InputError:
                found = {}
            if not found or [*found["reading"], *found["trim"]] != [name]:
                raise
            part[name] = {**found["reading"], **found["trim"]}[name]
        if isinstance(before, float) and before != part[name]:
            part[name] = before
            raise InputError(f"is a second {name} of one visit, after {number_text(before)}", remedy="mend one of them")
        return True

    def _said(self, column: Column, cell: str, values: dict[str, Values]) -> None:
        reading, trim = said_in(cell, self.scale)
        if reading is not None:
            if reading.crow_hz is not None:
                said = f"the crow in {short(cell)!r} is {crow_in_words(reading.crow_hz)}"
                self.notes.guess("crow words", column.name, said)
            kept = replace(reading, crow_hz=reading.crow_hz and round(reading.crow_hz, 2))
            row = dict(zip(KINDS["reading"].names, KINDS["reading"].row(kept), strict=True))
            row["taped"] = " ".join(reading.taped)
            row |= {name: no_finer(name, value) for name in DECIMALS if isinstance(value := row[name], float)}
            values["reading"].update({name: value for name, value in row.items() if value not in (None, "")})
            if odd := [note for note, how in reading.heard.items() if how != "sounding"]:
                what = f"{', '.join(odd)}: hertz as low A, by its size: {short(cell)!r}"
                self.notes.guess("units", column.name, what)
        if trim is not None:
            done = {name: getattr(trim, name) for name in (*TRIM_ROLES, "remark")}
            values["trim"].update({name: value for name, value in done.items() if value not in (None, "")})

    def _conditions(self, number: int, columns: Sequence[Column], cells: Mapping[int, str], values: Values) -> None:
        """Chanter, pressure, air and taped notes of a reading; a chanter that stands above its heads stays."""
        above = values.get("chanter")
        for column in columns:
            cell = cells[column.place]
            if not cell or column.role not in (*CONDITIONS, "chanter", "taped"):
                continue
            value = self._value(number, column, cell)
            if column.role == "chanter" and above and value not in (None, above):
                what = f"the head above says {short(above)!r} of this reading"
                self.notes.cannot(number, column.place, column.name, cell, what, "mend one of them")
            elif value is not None:
                values[column.role] = value

    def _outcome(self, number: int, reed: str, cells: Mapping[int, str], day: str | None) -> None:
        for column in self.columns:
            cell = cells[column.place]
            if column.role != "outcome" or not cell:
                continue
            outcome = OUTCOME_WORDS.get(cell.lower())
            day = day or self._day
            if outcome is None or not day:
                what = "is no outcome that is known here" if outcome is None else "has no date"
                self.notes.cannot(number, column.place, column.name, cell, what, "say good, lost or to-stock")
                continue
            if cell.lower() != outcome:
                self.notes.guess("outcome words", column.name, f"{cell!r} is {outcome}")
            self._event(Event(reed, "outcome", day, None, number, {"outcome": outcome}))

    def _try(self, number: int, column: Column, cell: str, read: Callable[..., T], *given: Any) -> T | None:
        """What `read` makes of a cell; None, and a note in place of any guess about it, where it cannot."""
        guesses = len(self.notes.guesses)
        try:
            return read(*given)
        except InputError as error:
            fault = error.faults[0] if error.faults else None
            what, remedy = (fault.what, fault.remedy) if fault else (error.what, error.remedy)
            said = what.removeprefix(f"{short(cell)!r} ").removeprefix(f"{cell} ")
            del self.notes.guesses[guesses:]
            self.notes.cannot(number, column.place, column.name, cell, said, remedy or "mend the cell")
            return None
