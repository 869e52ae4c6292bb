"""`demo`: all of it on the invented demo shop, in a folder of its own."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from shlex import join, quote
from typing import TYPE_CHECKING, Annotated, Any

from trimfit.base.plain_words import plain_name
from trimfit.cli.context import Json, app, argument, here, progress_of
from trimfit.cli.output.answers import answer
from trimfit.cli.output.screen import prose

if TYPE_CHECKING:
    from trimfit.verbs.demo import Demo

DEFAULT_FOLDER = Path("trimfit-demo")


@app.command()
def demo(
    folder: Annotated[
        Path, argument("Folder to make; one that a demo made before is made anew.", "FOLDER")
    ] = DEFAULT_FOLDER,
    as_json: Json = False,
) -> None:
    """See all of it on an invented shop. Import, learn, the work list, drifted batches, one answer, the report.

    Example: trimfit demo
    """
    from trimfit.verbs import demo as verbs_demo

    made = verbs_demo.make(folder, progress_of(as_json))
    answer(as_json, _as_json(made), lambda: _lines(made, _how_called()))


def _as_json(made: Demo) -> dict[str, Any]:
    counts = made.taken.counts
    of_batch = ("batch", "reed_type", "reeds", "chance_drifted", "why")
    return {
        "folder": str(made.folder),
        "log": str(made.log),
        "page": str(made.page),
        "pictures": made.pictures,
        **{name: getattr(counts, name) for name in ("new", "known", "refused")},
        "doubtful": made.marks,
        "work": made.work,
        "drifted": [{name: getattr(batch, name) for name in of_batch} for batch in made.drifted],
        "ask": made.asked,
    }


def _how_called() -> str:
    """How the person may call trimfit again: by its name if the shell finds it, else as it was called now."""
    if shutil.which("trimfit"):
        return "trimfit"
    if Path(sys.argv[0]).stem == "trimfit":
        return quote(sys.argv[0])
    python = Path(sys.executable)
    # a name that the shell finds elsewhere is another Python's
    found = shutil.which(python.name)
    called = python.name if found and Path(found) == python else str(here(python))
    return f"{quote(called)} -m trimfit"


def _lines(made: Demo, called: str) -> list[str]:
    from trimfit.cli.ask import work_list
    from trimfit.cli.output.entry_words import advice_in_words

    counts = made.taken.counts
    reeds = counts.by_kind.get("reeds.csv", (0, 0))[0]
    readings = counts.by_kind.get("readings.csv", (0, 0))[0]
    lines = [
        "This shop is invented; its log is like one that a spreadsheet kept.",
        f"Taken in: {reeds:,} reeds, {readings:,} readings, {counts.new:,} entries in all, "
        f"with {made.marks} marks of doubt: trimfit check lists them.",
        "",
        f"The run in hand on {made.as_of}, most urgent first",
        *work_list(made.work),
        "",
        f"Drifted batches: {len(made.drifted)} of {len(made.batches)}",
    ]
    for batch in made.drifted:
        lines += prose(f"  {plain_name(batch.batch)} ({plain_name(batch.reed_type)}): {batch.why}", "    ")
    if made.asked is not None:
        lines += ["", "One reed in full", *advice_in_words(made.asked)]
    one = made.asked.reed if made.asked is not None else "REED"
    lines += [
        "",
        "Where it is",
        f"  {made.log}  the log",
        f"  {made.page}  the report, with {made.pictures} picture files beside it",
        "",
        "What to type next",
        f"  {called} {join(['--log', str(made.log), 'ask', one, '--at', made.as_of])}",
        f"  {called} {join(['--log', str(made.log), 'review', 'reed', one, '--at', made.as_of])}",
        f"  TRIMFIT_NOW={made.as_of}T23:59 {called} {join(['--log', str(made.log), 'bench'])}",
        f"  TRIMFIT_NOW={made.as_of}T23:59 {called} {join(['--log', str(made.log), 'serve'])}",
        f"{made.as_of} is the shop's day: answers as of today say that each reed lay since.",
    ]
    return lines
