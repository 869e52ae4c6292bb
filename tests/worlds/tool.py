"""The tool itself on a make-believe shop: a real log, asked through the same functions as `ask` and `predict`.

Everything goes in as CSV and comes out as answers, so that nothing here knows how the posterior is made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import pandas as pd

from tests.opened import on
from tests.worlds.frames import clock
from tests.worlds.shop import READING_COLUMNS, TRIM_COLUMNS, LiveReed, Shop
from trimfit.base.answers import Advice, PredictedReading
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_import import import_folder
from trimfit.verbs.ask import ask_all
from trimfit.verbs.learn import learn
from trimfit.verbs.predict import predict

__all__ = ["LoggedReeds", "advised", "new_log", "predicted"]


def new_log(path: Path, shop: Shop) -> None:
    """A log at `path` with the shop's history, learned from."""
    folder = path.with_suffix(".csv")
    shop.write_csv(folder)
    with Journal(path, create=True) as journal:
        import_folder(journal, folder)
    on(path, learn)


def advised(path: Path, day: float) -> dict[str, Advice]:
    """The next step for every reed that has an order and no outcome, as of a day of the story, by reed."""
    return {advice.reed: advice for advice in on(path, ask_all, at_s=_at_s(day))}


def predicted(path: Path, reeds: Sequence[str], day: float) -> list[PredictedReading]:
    """What the next reading of each reed would show on a day of the story, with no work before it."""
    return on(path, predict, [(reed, 0.0, 0.0) for reed in reeds], at_s=_at_s(day))


def _at_s(day: float) -> float:
    """A day of the story as the log dates it: `clock` by this machine's clock, seconds since 1970 UTC."""
    return datetime.fromisoformat(clock(day)).timestamp()


class LoggedReeds:
    """Live reeds in a log: what they were since told is added to it, entry by entry never twice."""

    def __init__(self, path: Path, reeds: Sequence[LiveReed]) -> None:
        self.path, self.reeds = path, {reed.reed: reed for reed in reeds}
        self._told: dict[str, tuple[int, int]] = dict.fromkeys(self.reeds, (0, 0))
        made = [
            {"reed": r.reed, "reed_type": r.kind.name, "batch": r.batch, "order": f"O-{r.chanter}",
             "made_on": clock(r.made_day)[:10]}
            for r in reeds
        ]  # fmt: skip
        self._add("reeds", made)

    def _add(self, table: str, rows: Sequence[Mapping[str, object]]) -> None:
        if not rows:
            return
        folder = self.path.with_suffix(".more")
        folder.mkdir(exist_ok=True)
        for old in folder.iterdir():
            old.unlink()
        columns = {"readings": READING_COLUMNS, "trims": TRIM_COLUMNS}.get(table)
        frame = pd.DataFrame(list(rows)).reindex(columns=columns) if columns else pd.DataFrame(list(rows))
        frame.to_csv(folder / f"{table}.csv", index=False)
        with Journal(self.path) as journal:
            import_folder(journal, folder)

    def tell(self) -> None:
        """Log what was read and taken off since it was last told."""
        readings: list[dict[str, object]] = []
        trims: list[dict[str, object]] = []
        for name, reed in self.reeds.items():
            read, cut = self._told[name]
            readings += reed.readings[read:]
            trims += reed.trims[cut:]
            self._told[name] = len(reed.readings), len(reed.trims)
        self._add("readings", readings)
        # a cut of which the calliper shows nothing is not logged
        self._add("trims", [trim for trim in trims if trim["length_mm"] or trim["lip_strokes"]])

    def end(self, outcomes: Mapping[str, str]) -> None:
        """Log that some reeds have left the bench, by name."""
        self._add(
            "outcomes",
            [
                {"reed": name, "at": clock(self.reeds[name].day + 1e-3), "outcome": how}
                for name, how in outcomes.items()
            ],
        )
