"""`demo`: the invented demo shop taken into a log of its own, learned, asked and reviewed, in one folder."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from trimfit.base.answers import Advice
from trimfit.base.errors import InputError, unwritable
from trimfit.base.iso_dates import asked_s
from trimfit.base.progress import Progress
from trimfit.review.results import BatchDrift
from trimfit.session.demo_shop import demo_shop
from trimfit.session.session import Session
from trimfit.verbs import ask, import_export, learn
from trimfit.verbs.check import marks
from trimfit.verbs.import_export import Taken
from trimfit.verbs.reviews import batches as reviews_batches
from trimfit.verbs.reviews import report

MARK = "about-this-demo.txt"
LOG, REPORT = "demo.trimfit", "report"
SHOP = "The demo shop (invented)"
ABOUT = """\
This folder was made by `trimfit demo`, and is made anew whenever that runs again.
The shop in it is invented: its reeds, chanters, orders, dates and numbers come out of a script.

demo.trimfit   the log
report/        the report: open index.html, the pictures stand beside it
"""


@dataclass(frozen=True, slots=True)
class Demo:
    """What the demo made and found: where it lies, what was taken in, the work list, the batches, one full answer.

    as_of: the day of the log's last reading, which the answers are for. marks: how many `check` lists."""

    folder: Path
    log: Path
    page: Path
    pictures: int
    taken: Taken
    work: tuple[Advice, ...]
    batches: tuple[BatchDrift, ...]
    asked: Advice | None
    as_of: str = ""
    marks: int = 0

    @property
    def drifted(self) -> tuple[BatchDrift, ...]:
        """The batches called drifted, most drifted first."""
        return tuple(batch for batch in self.batches if batch.drifted)


def _fresh(folder: Path) -> None:
    """An empty folder to work in; one that the demo made before is cleared of what the demo made."""
    if folder.exists() and not folder.is_dir():
        raise InputError("is no folder", str(folder), "name a folder that the demo may make")
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / MARK).is_file():
            raise InputError(
                "is there already, and no demo made it", str(folder), "name another folder: trimfit demo FOLDER"
            )
        for end in ("", "-journal", "-wal", "-shm"):
            (folder / f"{LOG}{end}").unlink(missing_ok=True)
        if (folder / REPORT).is_dir() and not (folder / REPORT).is_symlink():
            shutil.rmtree(folder / REPORT)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARK).write_text(ABOUT, encoding="utf-8")


def make(folder: Path, progress: Progress) -> Demo:
    """The whole demo in `folder`: import, learn, ask, review, report. progress: hears of long steps.

    Raises InputError for a folder that is there already and was not made by the demo, or that cannot be written.
    """
    shop = demo_shop()
    try:
        _fresh(folder)
    except OSError as error:
        raise unwritable(folder, error) from error
    log = folder / LOG
    taken = import_export.import_folder(log, shop, progress)
    with Session(log, progress=progress) as session:
        learn.learn(session)
        as_of = str(max(session.journal.columns("reading", ["at_s", "taken_at"]))[1])[:10]
        at_s = asked_s(as_of)
        work = ask.ask_all(session, at_s=at_s)
        batches = reviews_batches.batches(session)
        pages = report.write_report(session, folder / REPORT, shop=SHOP, at_s=at_s)
        found = len(marks(session.journal))
    asked = next((advice for advice in work if advice.action == "trim"), None)
    return Demo(folder, log, pages[0], len(pages) - 1, taken, tuple(work), tuple(batches), asked, as_of, found)
