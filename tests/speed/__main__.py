"""`python -m tests.speed [--sizes 600,6000,60000] [--repeats 5]`: one table, kept as reports/speed.md, and a picture.

Prints each figure as it is found. With smaller sizes than the full ones the table is printed and nothing is kept.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.speed.figures import Figure, all_figures, growth

FULL = (600, 6000, 60000)
REPORTS = Path(__file__).parents[2] / "reports"


def line(figure: Figure) -> str:
    """A figure as a row of the table."""
    sign = "≥" if figure.at_least else "≤"
    ratio = "" if figure.ratio is None else f"{figure.ratio:.2f}" if figure.ratio < 10 else f"{figure.ratio:.0f}"
    aim = "" if figure.aim is None else f"{sign} {figure.aim:.3g}"
    verdict = "" if figure.ratio is None or figure.aim is None else "yes" if figure.met else "no"
    return f"| {figure.what} | {figure.yardstick} | {ratio} | {aim} | {verdict} | {figure.remark} |"


def growth_lines(sizes: list[int], table: dict[str, list[float]]) -> list[str]:
    """The table of growth."""
    heads = " | ".join(f"{size:,} reeds" for size in sizes)
    lines = [f"| command | {heads} |", "|---|" + "---:|" * len(sizes)]
    lines += [
        f"| `{name}` | " + " | ".join(f"{value:.2f}" for value in values) + " |" for name, values in table.items()
    ]
    return lines


def draw(sizes: list[int], table: dict[str, list[float]], target: Path) -> None:
    """The picture of growth in the stylesheet of all pictures: both axes logarithmic, each command named at its line's
    end, with a line of what linear growth would be."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    from trimfit.review.pictures.style import LIGHT, TYPE_SERIES, key_below, png_bytes, sheet, style

    looks = [*TYPE_SERIES, ("f", "o"), ("e", "s")]
    with style():
        figure, (axes,) = sheet(False, height_in=4.8)
        for (name, values), (role, mark) in zip(table.items(), looks, strict=True):
            axes.plot(sizes, values, marker=mark, color=LIGHT[role], markersize=5.5, label=name)
        low = min(min(values) for values in table.values())
        linear = [low * size / sizes[0] for size in sizes]
        axes.plot(sizes, linear, color=LIGHT["mute"], linewidth=1.0, linestyle="--", label="in step with the log")
        axes.set(xscale="log", yscale="log", xlabel="reeds in the log (five readings each)")
        axes.set_ylabel("time (cold imports of pandas)")
        axes.set_title("A reading and an answer take as long on a decade's log as on a season's")
        axes.set_xticks(sizes, [f"{size:,}" for size in sizes])
        axes.xaxis.set_minor_formatter(NullFormatter())
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        key_below(figure, axes, 5)
    target.write_bytes(png_bytes(figure))


def main() -> None:
    """Measure, print, and keep what was measured in full."""
    words = argparse.ArgumentParser(prog="python -m tests.speed", description=__doc__)
    words.add_argument("--sizes", default=",".join(map(str, FULL)), help="reeds in the logs, the last is the big one")
    words.add_argument("--repeats", type=int, default=5, help="runs of each; medians are compared")
    given = words.parse_args()
    sizes = [int(word) for word in given.sizes.split(",")]
    lines = ["| what | yardstick | ratio | aim | met | remark |", "|---|---|---:|---:|---|---|"]
    print("\n".join(lines), flush=True)
    with tempfile.TemporaryDirectory() as folder:
        for figure in all_figures(Path(folder), sizes[-1], given.repeats):
            lines.append(line(figure))
            print(lines[-1], flush=True)
        (Path(folder) / "growth").mkdir()
        table = growth(Path(folder), sizes, max(given.repeats - 2, 1) if given.repeats < 5 else given.repeats)
    grown = growth_lines(sizes, table)
    print("\n" + "\n".join(grown))
    if tuple(sizes) != FULL:
        return
    page = [
        "# Speed",
        "",
        f"Made by `python -m tests.speed`. Ratios of time on the processor, medians of {given.repeats} runs taken in",
        "turns with the yardstick's, in one run. Aims stated in seconds of a two-core machine on which the cold import",
        "of pandas took 204 ms are said in such imports. The package is compiled beforehand, as an installed one is.",
        "",
        "`learn` rests on the latest 20,000 readings, its covariances on 6,000 of them in whole batches: past those",
        "sizes it leaves older readings out, so that its time does not grow, though it differs from log to log. On a",
        "machine that others use, short commands differ by a tenth or more from run to run.",
        "",
        *lines,
        "",
        "## Growth",
        "",
        "Times of each command in cold imports of pandas; a tenth of the reeds, 600 at most, are in hand. Each log is",
        "made anew, and timed after the table above: the same command on a log of the same size differs by a tenth",
        "or two.",
        "",
        *grown,
        "",
        "![Time of each command on logs of 600, 6,000 and 60,000 reeds](growth_of_time.png)",
    ]
    (REPORTS / "speed.md").write_text("\n".join(page) + "\n", encoding="utf-8")
    draw(sizes, table, REPORTS / "growth_of_time.png")


if __name__ == "__main__":
    main()
