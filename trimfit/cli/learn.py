"""The verb that learns: coefficients per type, variance parts, and how well batches never seen were predicted."""

from __future__ import annotations

import math
from typing import Annotated, Any

import typer

from trimfit.base.errors import command
from trimfit.base.plain_words import counted, numeral, plain_name
from trimfit.cli.context import Json, app, option, session_of
from trimfit.cli.output.answers import answer, table
from trimfit.cli.output.screen import prose

MOST_APART = 3
"""Readings before, from which on all are counted together."""
SHOWN = ("gap", "crow", "e", "f", "high_a")
ASSUMED = "* assumed so far: what was read tells little or nothing of it"


@app.command()
def learn(
    context: typer.Context,
    second_opinion: Annotated[
        bool, option("--second-opinion", "Beside it, a plain mixed model of each type's gap.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Fit the log and say how each reed type answers. Says too what varies, and how close predictions were.

    Nobody has to: `ask` brings the fit up to date when it is due.

    Example: trimfit learn
    """
    from trimfit.verbs.learn import learn as learn_log
    from trimfit.verbs.learn import report_of

    with session_of(context, as_json) as session:
        found = report_of(learn_log(session, second_opinion=second_opinion), session.settings.tool_step_mm)
    answer(as_json, found, lambda: _lines(found))


def _span(value: dict[str, float], digits: int = 1) -> str:
    mean, low, high = (numeral(value[name], f".{digits}f") for name in ("mean", "low", "high"))
    return f"{mean} ({low} to {high})"


def _cents(value: float | None) -> str:
    return f"{value:.1f}" if value is not None else ""


def _share(share: float, readings: int) -> str:
    """A share p of n readings in a hundred and half of its 90 % interval, 1.64 sqrt(p (1 - p) / n), `<1` where that
    rounds to none; `too few` under FEW_HELD_OUT readings.

    Where it is none or all of them, the half is that of p = 1 / (n + 1) or n / (n + 1).
    """
    from trimfit.base.normal import Z90
    from trimfit.review.results import FEW_HELD_OUT

    if readings < FEW_HELD_OUT:
        return "too few"
    inside = min(max(share, 1.0 / (readings + 1)), readings / (readings + 1))
    half = 100 * Z90 * math.sqrt(inside * (1.0 - inside) / readings)
    return f"{100 * share:.0f} ± {f'{half:.0f}' if half >= 0.5 else '<1'}"


def _lines(found: dict[str, Any]) -> list[str]:
    lines = [line for said in _plain_lines(found) for line in prose(said)]
    lines += ["", f"learned from {counted(found['readings'], 'reading')}, crows alone counted"]
    for kind in found["types"]:
        lines.append("")
        few = "" if kind["reeds"] >= 10 else ": few, so much of this is the shop's"
        reeds, batches = kind["reeds"], kind["batches"]
        known = f"{reeds} reed{'' if reeds == 1 else 's'} in {batches} batch{'' if batches == 1 else 'es'}"
        lines.append(f"{kind['reed_type']}: {known}{few}")
        lines += _coefficients(kind["outputs"])
    if found["types"]:
        lines += [
            "",
            *prose(
                "half a millimetre off in all changes a value by half of per mm; a whole one by per mm and half of "
                "per mm²"
            ),
        ]
    lines += _movement_lines(found["types"])
    lines += _cut_lines(found)
    lines += _weight_lines(found["weights"])
    lines += ["", "what varies (standard deviations, cents; slopes in cents per mm)"]
    varying = ("gap", "crow", "pitch", "gap_per_mm", "crow_per_mm")
    parts = [
        (part["part"], *(_cents(part[name]) + "*" * (name in part["assumed"]) for name in varying))
        for part in found["variance"]
    ]
    names = ("gap", "crow", "pitch", "gap per mm", "crow per mm")
    lines += table(("part", *names), parts, right=(1, 2, 3, 4, 5))
    lines += [ASSUMED] if any(part["assumed"] for part in found["variance"]) else []
    lines += prose(
        "reading: what no other part explains, also over cuts, what a curve misses among it; how one state is read "
        f"twice, once any was: {command('review', 'repeatability')}"
    )
    lines += _held_out_lines(found["held_out"])
    lines += _by_readings_lines(found["held_out"])
    if "second_opinion" in found:
        lines += ["", "second opinion: a mixed model of the gap alone, type by type (cents)"]
        lines += [line for one in found["second_opinion"] for line in prose(one["words"])]
    return lines


def _held_out_lines(held_out: list[dict[str, Any]]) -> list[str]:
    """How far predictions were off, and how often intervals held, as two tables; none where nothing was predicted."""
    from trimfit.base.pitch import OUTPUT_WORDS

    held = [
        ((OUTPUT_WORDS.get(row["output"], row["output"]), plain_name(row["reed_type"] or "all types", 24)), row)
        for row in held_out
        if row["output"] in SHOWN and (row["output"] in ("gap", "crow") or not row["reed_type"])
    ]
    if not held:
        return []
    lines = ["", "predicted against found, each batch left out"]
    lines += prose(
        "error, type slope, last slope: root mean squares in cents, of those readings that all three predict "
        "(compared; each row without its own slips)"
    )
    rules = ("compared_rmse", "naive_rmse", "last_slope_rmse")
    errors = [(*what, f"{row['compared_readings']}", *(_cents(row[name]) for name in rules)) for what, row in held]
    lines += table(("output", "type", "compared", "error", "type slope", "last slope"), errors, right=(2, 3, 4, 5))
    lines += [
        "",
        *prose(
            "coverage: how many in a hundred of all readings predicted fell inside the intervals so called "
            "(±: half of the 90 % interval, each reading by itself)"
        ),
    ]
    inside = [
        (
            *what,
            f"{row['readings']}",
            *(_share(row[f"coverage{c}"], row["readings"]) for c in (50, 80, 90, 95)),
        )
        for what, row in held
    ]
    lines += table(("output", "type", "readings", "50 %", "80 %", "90 %", "95 %"), inside, right=(2, 3, 4, 5, 6))
    return lines


def _coefficients(outputs: dict[str, dict[str, Any]]) -> list[str]:
    """A type's coefficients as two tables, of length and of all else; those assumed are marked, and a line under them
    says what the mark means."""
    from trimfit.base.pitch import OUTPUT_WORDS

    digits_of = {"per_mm": 1, "curvature": 1, "per_stroke": 2, "per_kpa": 1, "per_degc": 2}

    def cell(output: dict[str, Any], term: str) -> str:
        return _span(output[term], digits_of[term]) + ("*" if term in output["assumed"] else "")

    def part(terms: dict[str, str]) -> list[str]:
        rows = [(OUTPUT_WORDS.get(name, name), *(cell(outputs[name], term) for term in terms)) for name in SHOWN]
        return table(("cents", *terms.values()), rows)

    lines = part({"per_mm": "per mm", "curvature": "and per mm²"})
    lines += part({"per_stroke": "per lip stroke", "per_kpa": "per kPa", "per_degc": "per °C"})
    return lines + ([ASSUMED] if any(outputs[name]["assumed"] for name in SHOWN) else [])


def _plain_lines(found: dict[str, Any]) -> list[str]:
    """What a maker asks first, in three sentences: what a cut does, how far off predictions are, and beside the simple
    rule."""
    from trimfit.review.results import held_out_words

    slopes = []
    for kind in found["types"]:
        gap = kind["outputs"]["gap"]
        mm, so_far = gap["per_mm"], " (assumed so far)" if "per_mm" in gap["assumed"] else ""
        cents = f"{0.1 * mm['mean']:.1f} cents ({0.1 * mm['low']:.1f} to {0.1 * mm['high']:.1f})"
        slopes.append(f"{cents} in {plain_name(kind['reed_type'], 24)}{so_far}")
    held: dict[str, Any] = next((row for row in found["held_out"] if _is_gap_of_all(row)), {})
    return [
        f"Over the first half millimetre a tenth closes the gap by {', '.join(slopes)}.",
        *held_out_words(
            held.get("compared_readings") or 0,
            held.get("compared_rmse"),
            held.get("naive_rmse"),
            held.get("learned_readings") or 0,
        ),
    ]


def _is_gap_of_all(row: dict[str, Any]) -> bool:
    return row["output"] == "gap" and not row["reed_type"]


def _cut_lines(found: dict[str, Any]) -> list[str]:
    """How far cuts come out off what was asked, and a step of lengths that is no finer than that."""
    pct, constant_mm, step_mm = found["cut_error_pct"], found["cut_error_mm"], found["coarser_step_mm"]
    if pct is None or constant_mm is None:
        return []
    lines = ["", f"cuts come out off what was asked by {constant_mm:.3f} mm and {pct:.0f} % (standard deviations)"]
    if step_mm is not None:
        step = command("settings", "tool_step_mm", f"{step_mm:g}")
        lines += prose(f"lengths need be no finer than that: {step}")
    return lines


def _by_readings_lines(held_out: list[dict[str, Any]]) -> list[str]:
    """The gap's error by how often F and E were read before, the first gap from the crow alone among them."""
    apart: list[dict[str, Any]] = next((row["by_gap_readings"] for row in held_out if row["output"] == "gap"), [])
    if not apart:
        return []
    rows = []
    for one in apart:
        before = one["gap_readings_before"]
        times = "crow alone" if before == 0 else f"{before} or more" if before == MOST_APART else f"{before}"
        rule = "the type's average slope" if before else "its other batches' mean first gap"
        rows.append((times, f"{one['readings']}", f"{one['rmse']:.1f}", _cents(one["naive_rmse"]) or "-", rule))
    lines = ["", "the gap by how often F and E were read before (errors in cents)"]
    lines += prose(
        "each row without its own slips, so that together they are not quite the readings compared above, none "
        "of which is predicted from the crow alone"
    )
    return lines + table(("read before", "readings", "error", "beside", "which is"), rows, right=(1, 2, 3))


def _movement_lines(types: list[dict[str, Any]]) -> list[str]:
    """How the reeds of each type move with no work done: a table, then what it means, a sentence a type."""
    from trimfit.verbs.wording import left_lying

    rows = [
        (
            plain_name(kind["reed_type"], 18),
            *(_span(m[f"walk_{name}_cents_per_sqrt_day"]) for name in ("gap", "crow")),
            f"{m['sitting_gap_cents']:.1f}",
            str(m["spans"]),
        )
        for kind in types
        if (m := kind["movement"])
    ]
    if not rows:
        return []
    heads = ("type", "gap per √day", "crow per √day", "sitting", "spans")
    lines = ["", "How reeds move with no work done (cents)"]
    lines += table(heads, rows, right=(3, 4))
    lines += prose(
        "sitting: what the readings of one sitting share (standard deviation, gap); spans: visits with no work since "
        "the one before; from 0: what was read does not tell it from none"
    )
    settles = [
        (
            plain_name(kind["reed_type"], 18),
            *(
                _span(m[f"settle_{by}_gap_interval_cents"]) + ("*" if by in m["settle_assumed"] else "")
                for by in ("age", "work")
            ),
        )
        for kind in types
        if (m := kind["movement"])
    ]
    lines += table(("the gap settles in all, by", "age", "work"), settles)
    lines += [ASSUMED] if any(kind["movement"]["settle_assumed"] for kind in types if kind["movement"]) else []
    for kind in types:
        m = kind["movement"]
        lines += prose(left_lying(kind["reed_type"], m["left_week_gap_cents"], assumed=m["assumed"]))
    return lines


def _weight_lines(weights: list[dict[str, Any]]) -> list[str]:
    """How weight, crow and trim go together, a line for each type and weight; nothing where too few reeds tell."""
    if not weights:
        return []
    rows = [
        (
            plain_name(one["reed_type"], 14),
            plain_name(one["weight"], 10),
            str(one["reeds"]),
            _span(one["crow_hz"], 0),
            _span(one["trim_mm"], 2),
            f"{100 * one['trim_explained']:.0f}",
        )
        for one in weights
    ]
    heads = ("type", "weight", "reeds", "crow Hz", "mm off in all", "by weight")
    lines = [
        "",
        "weight, crow and trim of reeds that ended good and whose crow was read (means)",
        *table(heads, rows, right=(2, 5)),
    ]
    return lines + prose(
        "brackets: 90 % interval of the mean; crow: as first read; by weight: so many hundredths of the trim's "
        "variance go with weight"
    )
