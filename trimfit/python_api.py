"""The log from Python: frames in, frames out. What `trimfit.open_log` gives; each call is what a verb does."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trimfit.base.answers import Advice, PredictedReading
from trimfit.base.errors import Fault, InputError, LogError, nearest, short
from trimfit.base.pitch import NOTES
from trimfit.base.progress import Progress, quiet
from trimfit.base.units import Interval

if TYPE_CHECKING:
    import pandas as pd

    from trimfit.log.entry_counts import Counts
    from trimfit.regression.fitted_model import FittedModel
    from trimfit.session.session import Session
    from trimfit.verbs.allot import Allotment
    from trimfit.verbs.rehearse import Rehearsal

__all__ = ["OpenLog", "frame_of_answers", "open_log"]

TABLES = ("chanters", "orders", "reeds", "readings", "trims", "events", "outcomes")


def open_log(path: str | Path, *, create: bool = False) -> OpenLog:
    """The log at `path`; with `create`, one that is made if there is none.

    Raises LogError if there is none, if the file is no log, or if it was written by a newer trimfit.
    """
    from trimfit.log.journal import Journal

    where = Path(path)
    try:
        with Journal(where, create=create and not where.exists()):
            return OpenLog(where)
    except LogError as error:
        # what to do at a command line is nothing that can be done here
        remedy = "give the path of a log, or create=True to make one" if "--log" in error.remedy else error.remedy
        raise type(error)(error.what, error.where, remedy) from error


def _moment_s(at: str | None) -> float | None:
    """The instant of an argument `at` (`asked_s`)."""
    from trimfit.base.iso_dates import asked_s

    try:
        return asked_s(at if at is None else _name(at, "at"))
    except InputError as error:
        raise InputError(error.what, "at", error.remedy) from error


def _name(name: str, where: str) -> str:
    """A name or a time as it was given. InputError for what is no text."""
    if not isinstance(name, str):
        raise InputError(f"{short(repr(name))} is no text", where, "give it in quotes")
    return name


def _frame(table: pd.DataFrame, where: str) -> pd.DataFrame:
    """A table as it was given. InputError for what is no frame of pandas."""
    import pandas as pd

    if not isinstance(table, pd.DataFrame):
        raise InputError(f"a {type(table).__name__} is no frame", where, "give a pandas DataFrame")
    return table


def _amounts(plan: pd.DataFrame, name: str) -> list[float]:
    """A plan's column of amounts, 0 where there is none. InputError for a cell that is no number."""
    found = []
    for row, cell in plan[name].fillna(0.0).items():
        try:
            found.append(float(cell))
        except (TypeError, ValueError):
            raise InputError(f"{short(repr(cell))} is no number", f"row {row}: {name}", "give a number") from None
    return found


def _in_words_of_frames(fault: Fault, tables: Mapping[str, pd.DataFrame], folder: Path) -> Fault:
    """A fault of the CSV files that frames were written to, in the frames' own words: `trims row 0` for `trims.csv:2`,
    the row by its frame's index."""
    here = fault.where.partition(".csv")[0]

    def row(table: str, line: str) -> str:
        return f"{table} row {_index_of(tables[table], folder / f'{table}.csv', int(line))}" if line != "1" else table

    def said(text: str) -> str:
        files = rf"\b({'|'.join(TABLES)})\.csv"
        text = re.sub(files + r":(\d+)", lambda found: row(found[1], found[2]), text)
        text = re.sub(r"\bline (\d+)", lambda found: row(here, found[1]), re.sub(files, r"\1", text))
        for ours, theirs in (("this file", "this table"), ("the file", "the table"), ("the folder", "the frames")):
            text = text.replace(ours, theirs)
        return text.partition("; a decimal comma")[0]

    return Fault(said(fault.where), fault.column, said(fault.what), said(fault.remedy))


def _index_of(table: pd.DataFrame, path: Path, line: int) -> object:
    """The index of the row of a frame that begins on a line of the CSV file it was written to."""
    import csv

    with path.open(newline="", encoding="utf-8") as file:
        reader = csv.reader(file)
        row = sum(1 for _ in reader if reader.line_num < line) - 1
    return table.index[row]


def frame_of_answers(answers: Iterable[Any], of: type[Any] | None = None) -> pd.DataFrame:
    """Frozen answers (Advice, Predicted, BatchDrift …) as a frame, a row each. of: the class of the answers, which
    names the columns where there are none.

    An interval `x_cents` becomes three columns: `x_cents` (its mean), `low_x_cents` and `high_x_cents`; the notes
    of a Predicted become `low_g_hz` … `high_a_hz`.
    """
    import pandas as pd

    rows = []
    for answer in answers:
        row: dict[str, Any] = {}
        for field in dataclasses.fields(answer):
            value = getattr(answer, field.name)
            if isinstance(value, Mapping):
                stem, _, unit = field.name.rpartition("_")
                for name, item in value.items():
                    _put(row, f"{name}_{unit}" if stem else str(name), item)
            else:
                _put(row, field.name, value, str(field.type))
        rows.append(row)
    return pd.DataFrame(rows, columns=None if rows or of is None else _columns(of))


def _columns(of: type[Any]) -> list[str]:
    """The columns that answers of a class have, by the types of its fields."""
    row: dict[str, Any] = {}
    for field in dataclasses.fields(of):
        if str(field.type) == "Mapping[str, Interval]":
            for note in NOTES:
                _put(row, f"{note}_{field.name.rpartition('_')[2]}", None, "Interval")
        else:
            _put(row, field.name, None, str(field.type))
    return list(row)


def _put(row: dict[str, Any], name: str, value: Any, written: str = "") -> None:
    """Put a value, or the three of an interval, into a row. written: the type of its field."""
    if isinstance(value, Interval):
        row |= {name: value.mean, f"low_{name}": value.low, f"high_{name}": value.high}
    elif value is None and written.startswith("Interval"):
        row |= dict.fromkeys((name, f"low_{name}", f"high_{name}"))
    else:
        row[name] = value


def _as_text(column: pd.Series[Any]) -> Any:
    """A column whose pandas timestamps are ISO 8601 text: dates where all of it are midnights without an offset, as of
    a column of days; else times, to the fraction of a second that they have."""
    import pandas as pd

    if column.dtype.kind not in "OM":
        return column
    there = column.dropna()
    if not any(isinstance(one, datetime) for one in there):
        return column
    days = all(isinstance(one, datetime) and one.tzinfo is None and one == pd.Timestamp(one.date()) for one in there)
    said = [
        None if pd.isna(one) else one if not isinstance(one, datetime) else one.isoformat()[: 10 if days else None]
        for one in column
    ]
    return pd.Series(said, index=column.index, dtype=object)


@dataclasses.dataclass(frozen=True, slots=True)
class OpenLog:
    """A log that is there. Nothing is held open between calls, so other benches may log into it meanwhile.

    Each call raises LogError where the log is there no more, besides what it says itself.
    """

    path: Path
    progress: Progress = quiet

    def _session(self) -> Session:
        from trimfit.session.session import Session

        return Session(self.path, progress=self.progress)

    def frame(self) -> pd.DataFrame:
        """All readings that count, a row each, as `ReedResponse` takes them (cents from 440 Hz, notes as low A)."""
        from trimfit.session.reading_frame import frame_of

        with self._session() as session:
            return frame_of(session.journal)

    def add(self, **tables: pd.DataFrame) -> Counts:
        """Log frames with the columns of the CSV folder: `add(reeds=…, readings=…, trims=…)`. All of them or none.

        Rows that the log knows already add nothing. Times may be text or pandas timestamps, which are kept to the
        fraction of a second; a column of midnights alone, without an offset, is one of dates. Raises InputError with
        every fault by table and index (`trims row 0`), for a table that is not one of the folder's or is no frame, and
        where there is none.
        """
        import tempfile

        from trimfit.log.sheets.folder_import import ImportRefused
        from trimfit.verbs.import_export import import_folder

        for name in tables:
            if name not in TABLES:
                raise InputError(f"{name!r} is no table of a log", "add", nearest(name, TABLES))
        if not tables:
            raise InputError("no table is given", "add", f"give one or more of {', '.join(TABLES)}")
        with tempfile.TemporaryDirectory() as folder:
            for name, table in tables.items():
                text = _frame(table, name).copy()
                for i in range(table.shape[1]):
                    text.isetitem(i, _as_text(table.iloc[:, i]))
                text.to_csv(Path(folder) / f"{name}.csv", index=False, lineterminator="\n")
            try:
                return import_folder(self.path, Path(folder), self.progress).counts
            except ImportRefused as error:
                faults = [_in_words_of_frames(fault, tables, Path(folder)) for fault in error.faults]
                raise InputError("the frames were not taken in", "add", faults=faults) from None

    def import_folder(self, folder: str | Path) -> Counts:
        """Take a CSV folder into the log, all or nothing. Raises InputError with every fault."""
        from trimfit.verbs.import_export import import_folder

        return import_folder(self.path, Path(folder), self.progress).counts

    def export_folder(self, folder: str | Path) -> Counts:
        """Write the whole log as a CSV folder. Raises InputError where it cannot be written."""
        from trimfit.verbs.import_export import export_folder

        return export_folder(self.path, Path(folder), self.progress).counts

    def learn(self) -> FittedModel:
        """Fit the log now and keep what was learned in it. Raises InputError if it holds no reading."""
        from trimfit.verbs.learn import learn

        with self._session() as session:
            return learn(session).model

    def ask(self, reed: str, *, at: str | None = None) -> Advice:
        """What to do next with a reed; at: as of that moment (ISO 8601), now if not said.

        Raises InputError for a reed that the log does not know, and for what is no name or no time.
        """
        from trimfit.verbs.ask import ask_reed

        with self._session() as session:
            return ask_reed(session, _name(reed, "reed"), at_s=_moment_s(at))

    def work(self, *, at: str | None = None) -> pd.DataFrame:
        """The run's work list, most urgent first: a row a reed with an order and no outcome; at: as for `ask`.

        Raises InputError for what is no time.
        """
        from trimfit.verbs.ask import ask_all

        with self._session() as session:
            return frame_of_answers(ask_all(session, at_s=_moment_s(at)), Advice)

    def predict(self, plan: pd.DataFrame, *, at: str | None = None) -> pd.DataFrame:
        """What the next reading of each reed would show: a row for each row of `plan`.

        plan: column `reed`, and `length_mm` and/or `lip_strokes` still to come off (0 where missing); at: as
        for `ask`. Raises InputError for an unknown reed or a row without one, for a column that is missing or
        misspelt, for an amount that is no number or out of bounds, for a length past the blade, and for what is no
        frame.
        """
        from trimfit.verbs.predict import PLANNED, check_plan_columns, predict

        check_plan_columns([str(name) for name in _frame(plan, "predict").columns], "predict")
        unnamed = plan.index[plan["reed"].isna()]
        if len(unnamed):
            raise InputError("names no reed", f"row {unnamed[0]}", "name a reed in each row")
        blank = [0.0] * len(plan)
        amounts = [_amounts(plan, name) if name in plan.columns else blank for name in PLANNED]
        plans = list(zip(plan["reed"].astype(str), *amounts, strict=True))
        with self._session() as session:
            found = predict(session, plans, at_s=_moment_s(at))
            return frame_of_answers(found, PredictedReading).set_index(plan.index)

    def pick(self, order: str, *, at: str | None = None) -> pd.DataFrame:
        """Untrimmed blanks of the stock for an order, best first; at: as for `ask`. InputError for an unknown order."""
        from trimfit.verbs.pick import Pick, pick

        with self._session() as session:
            return frame_of_answers(pick(session, _name(order, "order"), at_s=_moment_s(at)), Pick)

    def allot(self, *orders: str, at: str | None = None) -> Allotment:
        """Which reed of the stock for which of these orders (none: all open ones), at the least cost in all; logs
        nothing. at: as for `ask`. Raises InputError for an unknown order."""
        from trimfit.verbs.allot import allot

        with self._session() as session:
            return allot(session, [_name(order, "order") for order in orders], at_s=_moment_s(at))

    def rehearse(self, order: str, *, at: str | None = None) -> Rehearsal:
        """What an order's run will give, before a blade is touched; at: as for `ask`.

        Raises InputError for an unknown order, and where too little is known.
        """
        from trimfit.verbs.rehearse import rehearse_order

        with self._session() as session:
            return rehearse_order(session, _name(order, "order"), at_s=_moment_s(at))

    def batches(self) -> pd.DataFrame:
        """Every batch against its type's norm, most drifted first; of a log without a reading no row, and no error."""
        from trimfit.review.results import BatchDrift
        from trimfit.verbs.reviews.batches import batches

        with self._session() as session:
            return frame_of_answers(batches(session), BatchDrift)

    def report(self, folder: str | Path, *, shop: str = "", at: str | None = None) -> list[Path]:
        """Write the report's page and pictures; their paths, the page first. at: as for `ask`.

        Raises InputError for a log without a reed, for a folder that cannot be written or holds what no report wrote,
        and for what is no time; TrimfitError where the disk is full.
        """
        from trimfit.verbs.reviews.report import write_report

        with self._session() as session:
            return write_report(session, Path(folder), shop=shop, at_s=_moment_s(at))
