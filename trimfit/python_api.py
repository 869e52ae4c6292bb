"""The log from Python: frames in, frames out. What `trimfit.open_log` gives; each call is what a verb does."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trimfit.base.answers import Advice
from trimfit.base.errors import InputError, LogError, nearest
from trimfit.base.progress import Progress, quiet
from trimfit.base.units import Interval

if TYPE_CHECKING:
    import pandas as pd

    from trimfit.log.entry_counts import Counts
    from trimfit.regression.fitted_model import FittedModel
    from trimfit.session.session import Session
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
        return asked_s(at)
    except InputError as error:
        raise InputError(error.what, "at", error.remedy) from error


def frame_of_answers(answers: Iterable[Any]) -> pd.DataFrame:
    """Frozen answers (Advice, Predicted, BatchDrift …) as a frame, a row each.

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
                _put(row, field.name, value)
        rows.append(row)
    return pd.DataFrame(rows)


def _put(row: dict[str, Any], name: str, value: Any) -> None:
    if isinstance(value, Interval):
        row |= {name: value.mean, f"low_{name}": value.low, f"high_{name}": value.high}
    else:
        row[name] = value


@dataclasses.dataclass(frozen=True, slots=True)
class OpenLog:
    """A log that is there. Nothing is held open between calls, so other benches may log into it meanwhile."""

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

        Rows that the log knows already add nothing. Times may be text or pandas timestamps. Raises InputError with
        every fault, as `import` does, and for a table that is not one of the folder's.
        """
        import tempfile

        from trimfit.verbs.import_export import import_folder

        for name in tables:
            if name not in TABLES:
                raise InputError(f"{name!r} is no table of a log", "add", nearest(name, TABLES))
        with tempfile.TemporaryDirectory() as folder:
            for name, table in tables.items():
                table.to_csv(
                    Path(folder) / f"{name}.csv", index=False, lineterminator="\n", date_format="%Y-%m-%dT%H:%M:%S%z"
                )
            return import_folder(self.path, Path(folder), self.progress).counts

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

        Raises InputError for a reed that the log does not know, and for what is no time.
        """
        from trimfit.verbs.ask import ask_reed

        with self._session() as session:
            return ask_reed(session, reed, at_s=_moment_s(at))

    def work(self, *, at: str | None = None) -> pd.DataFrame:
        """The run's work list, most urgent first: a row a reed with an order and no outcome; at: as for `ask`."""
        from trimfit.verbs.ask import ask_all

        with self._session() as session:
            return frame_of_answers(ask_all(session, at_s=_moment_s(at)))

    def predict(self, plan: pd.DataFrame, *, at: str | None = None) -> pd.DataFrame:
        """What the next reading of each reed would show: a row for each row of `plan`.

        plan: column `reed`, and `length_mm` and/or `lip_strokes` still to come off (0 where missing); at: as
        for `ask`. Raises InputError for an unknown reed, a missing column, or a length past the blade.
        """
        from trimfit.verbs.predict import predict

        if "reed" not in plan.columns:
            raise InputError("column reed is missing", "predict", nearest("reed", [str(c) for c in plan.columns]))
        blank = [0.0] * len(plan)
        amounts = [
            plan[name].fillna(0.0).astype(float).tolist() if name in plan.columns else blank
            for name in ("length_mm", "lip_strokes")
        ]
        plans = list(zip(plan["reed"].astype(str), *amounts, strict=True))
        with self._session() as session:
            return frame_of_answers(predict(session, plans, at_s=_moment_s(at))).set_index(plan.index)

    def pick(self, order: str, *, at: str | None = None) -> pd.DataFrame:
        """Untrimmed blanks of the stock for an order, best first; at: as for `ask`. InputError for an unknown order."""
        from trimfit.verbs.pick import pick

        with self._session() as session:
            return frame_of_answers(pick(session, order, at_s=_moment_s(at)))

    def rehearse(self, order: str) -> Rehearsal:
        """What an order's run will give, before a blade is touched."""
        from trimfit.verbs.rehearse import rehearse_order

        with self._session() as session:
            return rehearse_order(session, order)

    def batches(self) -> pd.DataFrame:
        """Every batch against its type's norm, most drifted first."""
        from trimfit.verbs.reviews.batches import batches

        with self._session() as session:
            return frame_of_answers(batches(session))

    def report(self, folder: str | Path, *, shop: str = "", at: str | None = None) -> list[Path]:
        """Write the report's page and pictures; their paths, the page first. at: as for `ask`."""
        from trimfit.verbs.reviews.report import write_report

        with self._session() as session:
            return write_report(session, Path(folder), shop=shop, at_s=_moment_s(at))
