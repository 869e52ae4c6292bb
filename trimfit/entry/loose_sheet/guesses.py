"""What a draft had to guess and could not read, as records and as the text that goes into its folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from trimfit.base.errors import short

# So many unread cells of one column with one reason are listed one by one.
MOST_ALIKE = 10


@dataclass(frozen=True, slots=True)
class Guess:
    """One thing that the sheet does not say for certain: what it is about, the column or row, how it was taken."""

    about: str
    where: str
    what: str


@dataclass(frozen=True, slots=True)
class Unread:
    """One cell, or a column or row as a whole (row 0, or a blank cell), that did not go into the folder, and why."""

    row: int
    column: str
    cell: str
    what: str
    remedy: str

    def line(self) -> str:
        """`row 7, E: '7O3' is not a number; …`."""
        where = ", ".join(part for part in (f"row {self.row}" if self.row else "", self.column) if part)
        cell = f"{short(self.cell)!r} " if self.cell else ""
        return f"{where}: {cell}{self.what}; {self.remedy}"


@dataclass(slots=True)
class Notes:
    """The guesses and unread cells of a draft under way."""

    guesses: list[Guess] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    lost_cells: set[tuple[int, int]] = field(default_factory=set)

    def guess(self, about: str, where: str, what: str) -> None:
        """Note a guess, once."""
        found = Guess(about, where, what)
        if found not in self.guesses:
            self.guesses.append(found)

    def guess_rule(self, about: str, where: str, rule: str, example: str) -> None:
        """Note a rule that was gone by, with the first example of it in a column."""
        if not any(guess.where == where and guess.what.startswith(rule) for guess in self.guesses):
            self.guess(about, where, f"{rule}: {example}")

    def cannot(self, row: int, place: int, column: str, cell: str, what: str, remedy: str) -> None:
        """Note a cell that was not read; row from 1, place from 0."""
        self.unread.append(Unread(row, column, cell, what, remedy))
        self.lost_cells.add((row, place))


def page_lines(sheet: str, notes: Notes, files: Mapping[str, int], cells: int, takes: Sequence[str]) -> Iterator[str]:
    """The text of the page: files and rows, guesses by what they are about, cells not read, what an import would say.

    cells: how many cells of the sheet hold something, heads aside. takes: the lines of a trial import.
    """
    read = cells - len(notes.lost_cells)
    yield f"Draft of {sheet}: nothing is logged. Look this over, mend the CSV files beside it, then import the folder."
    written = ", ".join(f"{name} ({rows:,} row{'s' * (rows != 1)})" for name, rows in files.items())
    yield f"{read:,} of {cells:,} cells were read into {written}."
    yield from takes
    yield ""
    yield "Guesses" if notes.guesses else "Nothing had to be guessed."
    for about in dict.fromkeys(guess.about for guess in notes.guesses):
        yield f"  {about}"
        yield from (
            f"    {g.where}: {g.what}" if g.where else f"    {g.what}" for g in notes.guesses if g.about == about
        )
    yield ""
    yield "Not read" if notes.unread else "Everything was read."
    alike: dict[tuple[str, str], list[Unread]] = {}
    for unread in notes.unread:
        alike.setdefault((unread.column, unread.remedy), []).append(unread)
    for (column, remedy), same in alike.items():
        yield from (f"  {unread.line()}" for unread in same[:MOST_ALIKE])
        if len(same) > MOST_ALIKE:
            rows = f"rows {same[MOST_ALIKE].row:,} to {same[-1].row:,}"
            yield f"  {column}: {len(same) - MOST_ALIKE:,} more like these, {rows}; {remedy}"
