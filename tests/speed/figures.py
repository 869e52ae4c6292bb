"""The figures of speed, each a ratio to a yardstick run beside it.

Where the aim was stated in seconds of a certain two-core machine, on which the cold import of pandas took 204 ms, the
yardstick is that import: so many seconds are so many imports.
"""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tests.speed.biglog import frame_of, make, write
from tests.speed.stopwatch import call_s, compiled, python, spawn, turns

__all__ = ["Figure", "Shop", "all_figures", "growth", "reml_figures"]

IMPORT_PANDAS_S = 0.204


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table: what was timed, against what, the ratio (None: not measured, and why), the aim if any."""

    what: str
    yardstick: str
    ratio: float | None
    aim: float | None
    at_least: bool = False
    remark: str = ""

    @property
    def met(self) -> bool:
        """Whether the aim was reached."""
        if self.ratio is None or self.aim is None:
            return False
        return self.ratio >= self.aim if self.at_least else self.ratio <= self.aim


class Shop:
    """A make-believe shop of one size in a folder: its CSV files and its log, made at need."""

    def __init__(self, folder: Path, reeds: int) -> None:
        compiled()
        self.reeds, self.csv, self.log = reeds, folder / f"csv-{reeds}", folder / f"{reeds}.trimfit"
        write(make(reeds), self.csv)
        self.read_on = f"R-{reeds - 5:06d}"
        self.order = f"O-{(reeds - 1) // 25:05d}"
        self._clock = itertools.count()

    def trimfit(self, *words: str) -> list[str]:
        """A command on this shop's log."""
        return python("-m", "trimfit", "--log", str(self.log), *words)

    def imported(self) -> Shop:
        """The shop with all its files taken in."""
        if not self.log.exists():
            spawn(self.trimfit("import", str(self.csv)))
        return self

    def learned(self) -> Shop:
        """The shop with a fit."""
        spawn(self.imported().trimfit("learn"))
        return self

    def one_reading(self) -> list[str]:
        """A command that logs a reading never logged before."""
        minute, at = self._next_minute()
        return self.trimfit("log", "reading", self.read_on, f"f={770 + minute % 5}", "e=703", "a=468", "--at", at)

    def one_trim(self) -> list[str]:
        """A command that logs a trim never logged before."""
        _, at = self._next_minute()
        return self.trimfit("log", "trim", self.read_on, "--length", "0.01", "--at", at)

    def _next_minute(self) -> tuple[int, str]:
        minute = next(self._clock)
        return minute, f"2027-01-{1 + minute // 1440:02d}T{minute // 60 % 24:02d}:{minute % 60:02d}"


def cold(code: str) -> Callable[[], float]:
    """A cold interpreter that runs a line of code and ends."""
    return lambda: spawn(python("-c", code)).cpu_s


def command_figures(shop: Shop, repeats: int) -> Iterator[Figure]:
    """Commands of a person at the bench, and those over the whole log."""
    log = f"{shop.reeds * 5:,} readings"

    def of(what: str, stick: str, work: Callable[[], float], code: str, aim: float, scale: float = 1.0) -> Figure:
        base, found = turns(cold(code), work, repeats)
        return Figure(what, stick, found / base / scale, aim)

    def seconds(what: str, work: Callable[[], float], limit_s: float) -> Figure:
        aim = limit_s / IMPORT_PANDAS_S
        return of(what, "cold import of pandas", work, "import pandas", aim)

    def ask() -> float:
        return spawn(shop.trimfit("ask", shop.read_on)).cpu_s

    ask()
    yield of(f"`ask REED`, log of {log}", "cold import of numpy, typer", ask, "import numpy, typer", 1.8)
    help_s = lambda: spawn(python("-m", "trimfit", "--help")).cpu_s  # noqa: E731
    yield of("`--help`", "cold import of typer", help_s, "import typer", 2.0)
    reading = lambda: spawn(shop.one_reading()).cpu_s  # noqa: E731
    trim = lambda: spawn(shop.one_trim()).cpu_s  # noqa: E731
    yield of("`log trim`, durable", "cold import of typer, sqlite3", trim, "import typer, sqlite3", 1.5)
    yield of("`log reading`, durable, then checked", "cold import of numpy, typer", reading, "import numpy, typer", 1.8)
    yield seconds(f"`learn`, log of {log}", lambda: spawn(shop.trimfit("learn")).cpu_s, 5.0)
    waiting = min(600, shop.reeds // 10)
    yield seconds(f"`ask --all`, {waiting} reeds in hand", lambda: spawn(shop.trimfit("ask", "--all")).cpu_s, 2.0)
    rehearse = lambda: spawn(shop.trimfit("rehearse", shop.order)).cpu_s  # noqa: E731
    solved = "its policy was solved and kept before; solving it comes on top of the first answer for an order"
    yield replace(seconds("`rehearse`, 1,000 reeds and what-ifs", rehearse, 5.0), remark=solved)


def report_figures(shop: Shop, repeats: int) -> Iterator[Figure]:
    """The page of the whole log."""
    folder = shop.csv.parent / "page"

    def page() -> float:
        shutil.rmtree(folder, ignore_errors=True)
        return spawn(shop.trimfit("report", str(folder))).cpu_s

    base, found = turns(cold("import pandas"), page, repeats)
    size_mb = (folder / "index.html").stat().st_size / 1e6
    yield Figure(
        f"`report`, log of {shop.reeds * 5:,} readings",
        "cold import of pandas",
        found / base,
        20.0 / IMPORT_PANDAS_S,
        remark=f"page of {size_mb:.1f} MB (aim: 3 at most)",
    )


def import_figures(shop: Shop, repeats: int) -> Iterator[Figure]:
    """A folder taken in, against the barest way of getting the same rows into a table."""
    memory: list[float] = []

    def bare() -> float:
        target = shop.csv.parent / "bare.sqlite"
        target.unlink(missing_ok=True)
        code = (
            "import sys, sqlite3, pandas\n"
            "rows = pandas.read_csv(sys.argv[1])\n"
            "log = sqlite3.connect(sys.argv[2])\n"
            "log.execute(f'CREATE TABLE readings ({\", \".join(rows.columns)})')\n"
            "marks = ', '.join('?' * len(rows.columns))\n"
            "log.executemany(f'INSERT INTO readings VALUES ({marks})', rows.itertuples(index=False, name=None))\n"
            "log.commit()"
        )
        return spawn(python("-c", code, str(shop.csv / "readings.csv"), str(target))).cpu_s

    def ours() -> float:
        target = shop.csv.parent / "taken.trimfit"
        for path in target.parent.glob("taken.trimfit*"):
            path.unlink()
        run = spawn(python("-m", "trimfit", "--log", str(target), "import", str(shop.csv)))
        memory.append(run.memory_mb)
        return run.cpu_s

    base, found = turns(bare, ours, repeats)
    yield Figure(
        f"`import`, {shop.reeds * 5:,} readings (and their trims, reeds, orders, outcomes)",
        "pandas.read_csv and executemany of the readings",
        found / base,
        15.0,
        remark=f"{max(memory):.0f} MB at most (aim: 500)",
    )


def outputs_of(reeds: int) -> tuple[Any, dict[str, Any], Any, Any]:
    """A simulated bench: frame, eleven outputs by name (the ten and the gap), reed of each row, batch of each reed."""
    log = make(reeds, chanters=1)
    frame = frame_of(log)
    outputs = {name: frame[name].to_numpy() for name in frame.columns if name.endswith("_cents")}
    outputs["gap_cents"] = outputs["f_cents"] - outputs["e_cents"]
    return frame, outputs, log.reed, log.batch_of


def fit_all(x_mm: Any, outputs: dict[str, Any], reed: Any, batch_of: Any) -> dict[str, float]:
    """The project's REML of all outputs; the criteria."""
    from trimfit.regression.reml.newton import fit_many
    from trimfit.regression.reml.sums import cross_products

    x = np.column_stack([np.ones_like(x_mm), x_mm, x_mm**2])
    sums = cross_products(x[:, :2], x, np.column_stack(list(outputs.values())), reed, batch_of)
    return {name: fit.criterion for name, fit in zip(outputs, fit_many(sums, tolerance=1e-8), strict=True)}


def reml_figures(reeds: int, aim: float, repeats: int) -> Iterator[Figure]:
    """REML of eleven outputs against a general-purpose engine: the same model, the same rows, each output by itself."""
    what = f"REML of 11 outputs, {reeds:,} reeds, times quicker"
    try:
        import mixedlm
    except ImportError:
        yield Figure(what, "mixedlm", None, aim, True, "not measured: the package mixedlm is not installed here")
        return
    frame, outputs, reed, batch_of = outputs_of(reeds)
    x_mm = frame["removed_mm"].to_numpy()
    table = frame[["reed", "batch"]].assign(x=x_mm, x2=x_mm**2, **outputs)
    theirs: dict[str, float] = {}

    def general() -> None:
        for name in outputs:
            fit = mixedlm.lmer(f"{name} ~ x + x2 + (1 + x | batch) + (1 + x | reed)", table)
            theirs[name] = float(mixedlm.REMLcrit(fit))

    ours = fit_all(x_mm, outputs, reed, batch_of)
    base, found = turns(
        lambda: call_s(general), lambda: call_s(lambda: fit_all(x_mm, outputs, reed, batch_of)), repeats
    )
    apart = max(abs(ours[name] / theirs[name] - 1.0) for name in outputs)
    worse = max(ours[name] - theirs[name] for name in outputs)
    remark = f"criteria apart by {apart:.0e} of themselves at most; ours higher by {worse:.4f} at most"
    yield Figure(what, "mixedlm, one output after another", base / found, aim, True, remark)


def joint_figures(reeds: int, repeats: int) -> Iterator[Figure]:
    """What the joint covariance of all outputs costs beside REML of the single outputs, on the rows both rest on."""
    from trimfit.regression.design import rows_from_frame
    from trimfit.regression.fitting import steps

    rows, types, chanters = rows_from_frame(frame_of(make(reeds)))
    given = {"pressure_kpa": 6.0, "temperature_c": 20.0, "balance_cents": 3.7}
    single, pairs = 0.0, 0.0
    plain, put_together = steps.fit_combinations, (steps.assemble, steps.shrink_correlation)

    def timed(rows: Any, x: Any, psi: Any, outer_of: Any, m: Any, *rest: Any) -> Any:
        nonlocal single, pairs
        fits: list[Any] = []
        took = call_s(lambda: fits.append(plain(rows, x, psi, outer_of, m, *rest)))
        if np.count_nonzero(m) == len(m):
            single += took
        else:
            pairs += took
        return fits[0]

    def joined(work: Callable[..., Any]) -> Callable[..., Any]:
        def timed_too(*words: Any, **named: Any) -> Any:
            nonlocal pairs
            out: list[Any] = []
            pairs += call_s(lambda: out.append(work(*words, **named)))
            return out[0]

        return timed_too

    shares, wholes = [], []
    try:
        steps.fit_combinations = timed
        steps.assemble, steps.shrink_correlation = (joined(work) for work in put_together)
        for _ in range(repeats):
            single = pairs = 0.0
            whole = call_s(lambda: steps.fit_model(rows, types, chanters, **given))
            shares.append(pairs / single)
            wholes.append((whole - single) / single)
    finally:
        steps.fit_combinations = plain
        steps.assemble, steps.shrink_correlation = put_together
    stick = "REML of the ten outputs, in the same fit"
    yield Figure(f"the joint covariance on top, {reeds:,} reeds", stick, float(np.median(shares)), 5.0)
    remark = "finding slips, EM steps, coefficients and chanters besides"
    yield Figure(f"all of the joint fit on top, {reeds:,} reeds", stick, float(np.median(wholes)), None, remark=remark)


def all_figures(folder: Path, reeds: int, repeats: int) -> Iterator[Figure]:
    """Every figure; `reeds`: how long the big log is."""
    shop = Shop(folder, reeds).learned()
    yield from command_figures(shop, repeats)
    yield from import_figures(shop, repeats)
    yield from joint_figures(min(reeds, 600), repeats)
    yield from reml_figures(min(reeds, 600), 10.0, repeats)
    if reeds > 600:
        yield from reml_figures(reeds, 40.0, repeats)
    yield from report_figures(shop, repeats)


GROWING = ("import", "learn", "ask", "log reading", "ask --all", "rehearse", "export", "check")


def growth(folder: Path, sizes: list[int], repeats: int) -> dict[str, list[float]]:
    """Each command's time at each size, in cold imports of pandas of the same run."""
    table: dict[str, list[float]] = {name: [] for name in GROWING}
    for reeds in sizes:
        shop = Shop(folder / "growth", reeds)

        def fresh(shop: Shop = shop) -> float:
            for path in shop.log.parent.glob(f"{shop.log.name}*"):
                path.unlink()
            return spawn(shop.trimfit("import", str(shop.csv))).cpu_s

        work: dict[str, Callable[[], float]] = {
            "import": fresh,
            "learn": lambda shop=shop: spawn(shop.trimfit("learn")).cpu_s,  # type: ignore[misc]
            "ask": lambda shop=shop: spawn(shop.trimfit("ask", shop.read_on)).cpu_s,  # type: ignore[misc]
            "log reading": lambda shop=shop: spawn(shop.one_reading()).cpu_s,  # type: ignore[misc]
            "ask --all": lambda shop=shop: spawn(shop.trimfit("ask", "--all")).cpu_s,  # type: ignore[misc]
            "rehearse": lambda shop=shop: spawn(shop.trimfit("rehearse", shop.order)).cpu_s,  # type: ignore[misc]
            "export": lambda shop=shop: spawn(shop.trimfit("export", str(shop.csv.parent / "out"))).cpu_s,  # type: ignore[misc]
            "check": lambda shop=shop: spawn(shop.trimfit("check")).cpu_s,  # type: ignore[misc]
        }
        for name in GROWING:
            base, found = turns(cold("import pandas"), work[name], repeats)
            table[name].append(found / base)
    return table
