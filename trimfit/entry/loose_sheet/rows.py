"""The rows of a loose sheet as reeds, readings, trims and outcomes, cell by cell; what cannot be read is noted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from typing import Any, TypeVar

from trimfit.base.errors import InputError, short
from trimfit.base.pitch import crow_label
from trimfit.entry.loose_sheet.amounts import DECIMALS, Amounts, no_finer
from trimfit.entry.loose_sheet.contents import OUTCOME_WORDS, looks_like_a_date, said_in
from trimfit.entry.loose_sheet.guesses import Notes
from trimfit.entry.loose_sheet.heads import NOTHING, READING_ROLES, TRIM_ROLES, Column
from trimfit.entry.loose_sheet.visits import Event, Slot
from trimfit.entry.loose_sheet.written_dates import Day, read_clock, read_day
from trimfit.log.column_values import from_text
from trimfit.log.entry_kinds import KINDS, UNNAMED

DITTO = {'"', "''", "do", "do.", "ditto", "〃", "”", "“", '-"-'}
SUMS = ("total", "totals", "sum", "mean", "average", "avg", "count")
CONDITIONS = ("pressure_kpa", "temperature_c", "humidity_pct")
Values = dict[str, object]
T = TypeVar("T")


# Dates of two reeds that stand side by side are mostly nearer to each other than this: half a year.
NEAR_DAYS = 183


def _on(day: Day, year: int) -> date:
    """A date in a year; 29 February of a year that has none is the day before here."""
    return date(year, day.month, min(day.day, 28) if day.month == 2 else day.day)


def _runs_back(one: date, after: date, *, same_reed: bool) -> bool:
    """Whether a date is later than the one after it: of the same reed by a day, of two, which need not stand in the
    order of time, by more than half a year."""
    return (one - after).days > (0 if same_reed else NEAR_DAYS)


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
    _year_full: int | None = None
    _dated_last: tuple[date, str] | None = None
    _years_before: dict[tuple[int, int], tuple[int, bool]] = field(default_factory=dict)
    _carried: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))
    _seen: dict[tuple[object, ...], int] = field(default_factory=dict)

    def read(self, rows: Sequence[tuple[int, Sequence[str]]]) -> None:
        """Read all rows, each with its number in the sheet."""
        self._look_ahead(rows)
        for number, row in rows:
            self._row(number, row)
        for what, repeated in self._carried.items():
            numbers = [*dict.fromkeys(repeated)]
            shown = ", ".join(map(str, numbers[:10])) + (f" and {len(numbers) - 10} more" if len(numbers) > 10 else "")
            self.notes.guess("blank cells", f"row{'s' * (len(numbers) > 1)} {shown}", what)
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

    def _look_ahead(self, rows: Sequence[tuple[int, Sequence[str]]]) -> None:
        """The years of the dates before the first full one: none is of a later year than the date after it, and it is
        of the year before where it would run back otherwise (`_runs_back`)."""
        days = [c for c in self.columns if c.role == "day"]
        named = next((c.place for c in self.whole if c.role == "reed"), None)
        found: list[tuple[tuple[int, int], Day, str]] = []
        reed = ""
        for number, row in rows:
            cell = "" if named is None else row[named]
            reed = reed if cell.lower() in {*NOTHING, *DITTO} else cell
            found += [((number, c.place), day, reed) for c in days if (day := self._maybe_day(row[c.place]))]
        first = next((i for i, (_, day, _) in enumerate(found) if day.year), None)
        if first is None:
            return
        (_, full, reed_after) = found[first]
        after = _on(full, full.year or 0)
        for place, day, reed in reversed(found[:first]):
            back = _runs_back(_on(day, after.year), after, same_reed=reed == reed_after)
            after, reed_after = _on(day, after.year - back), reed
            self._years_before[place] = after.year, after.year < (full.year or 0)
        self._year_full = full.year

    def _dated(self, number: int, column: Column, found: Day, cell: str) -> str:
        """A date in full, with its guesses noted."""
        year = found.year
        if year is None:
            year, how = self._year_of(number, column, found)
            self.notes.guess_rule("dates", column.name, f"a date without a year is of {year}, {how}", repr(cell))
        elif column.role == "day":
            self._year_full = year
        if column.role == "day":
            self._dated_last = _on(found, year), self._reed
        iso = found.iso(year)
        if "first" in found.rule and found.rule != "the year first":
            rule = f"dates of three numbers are read with {found.rule}"
            self.notes.guess_rule("dates", column.name, rule, f"{cell!r} is {iso}")
        return iso

    def _year_of(self, number: int, column: Column, found: Day) -> tuple[int, str]:
        """The year of a date that says none, and why it is that one."""
        no_back = "so that dates do not run back"
        if (number, column.place) in self._years_before:
            year, earlier = self._years_before[number, column.place]
            return (
                year,
                f"before the first full date, {no_back}" if earlier else "the year of the first full date after it",
            )
        if self._year_full is None:
            return found.last_before(self.today), "the last such day up to today"
        if column.role != "day" or self._dated_last is None:
            return self._year_full, "the year of the nearest full date"
        last, reed = self._dated_last
        back = _runs_back(last, _on(found, last.year), same_reed=reed == self._reed)
        if back and _on(found, last.year + 1) <= self.today:
            return last.year + 1, f"the year after that of the date before it, {no_back}"
        full = last.year == self._year_full
        return last.year, f"the year of the {'full date' if full else 'date'} before it"

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
            day = self._dated(number, slot.columns[0], self._day_of(above), above)
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
        if not day and self._day:
            day = self._day
            self._carried["no date: that of the row above"].append(number)
        elif not day:
            day = self.today.isoformat()
            self.notes.guess(
                "dates", "", f"the sheet has no dates: {day}, today, was put for all; mend it before importing"
            )
        self._day = day
        if values["reading"]:
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
        return True

    def _said(self, column: Column, cell: str, values: dict[str, Values]) -> None:
        reading, trim = said_in(cell, self.scale)
        if reading is not None:
            if reading.crow_hz is not None:
                said = f"{crow_label(reading.crow_hz)}, {reading.crow_hz:.1f} Hz"
                self.notes.guess("crow words", column.name, f"the crow in {short(cell)!r} is {said}")
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
        """Chanter, pressure, air and taped notes of a reading."""
        for column in columns:
            cell = cells[column.place]
            if not cell or column.role not in (*CONDITIONS, "chanter", "taped"):
                continue
            value = self._value(number, column, cell)
            if value is not None:
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
        """What `read` makes of a cell; None, and a note, where it cannot."""
        try:
            return read(*given)
        except InputError as error:
            fault = error.faults[0] if error.faults else None
            what, remedy = (fault.what, fault.remedy) if fault else (error.what, error.remedy)
            said = what.removeprefix(f"{short(cell)!r} ")
            self.notes.cannot(number, column.place, column.name, cell, said, remedy or "mend the cell")
            return None
