"""Verbs that answer about reeds and orders: ask, predict, pick, rehearse."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from trimfit.cli.kept import advice_in_words
from trimfit.cli.show import plain, print_json, progress, table
from trimfit.errors import Fault, InputError
from trimfit.records import Advice

__all__ = ["register", "work_list"]

Json = Annotated[bool, typer.Option("--json", help="Answer as JSON on stdout.")]
WHY_WIDTH = 46


def _log(context: typer.Context) -> Path:
    from trimfit.cli.app import log_path

    return log_path(context)


def ask(
    context: typer.Context,
    reed: Annotated[str | None, typer.Argument(help="The reed.", metavar="REED")] = None,
    all_: Annotated[
        bool, typer.Option("--all", help="Every reed with an order and no outcome, most urgent first.")
    ] = False,
    as_json: Json = False,
) -> None:
    """How much more to take off: one reed's next step, or the run's work list.

    Example: trimfit ask R-0412
    """
    from trimfit.desk import advise

    if (reed is None) == (not all_):
        raise InputError("say one reed, or --all", "ask", "for example: trimfit ask R-0412")
    tell = (lambda *_: None) if as_json else progress
    if reed is not None:
        advice = advise.ask_reed(_log(context), reed, tell)
        if as_json:
            print_json(advice)
        else:
            typer.echo("\n".join(advice_in_words(advice)))
        return
    found = advise.ask_all(_log(context), tell)
    if as_json:
        print_json(found)
        return
    if not found:
        typer.echo("no reed waits: none has an order and no outcome")
        return
    typer.echo(work_list(found))


def work_list(found: Sequence[Advice]) -> str:
    """The run's work list as a table, one reed a line, and one line that sums it up."""
    from trimfit.desk.said import plain_name

    rows = []
    for a in found:
        step = f"{a.length_mm:.2f}" if a.action == "trim" and a.length_mm else ""
        lip = str(a.lip_strokes) if a.lip_strokes else ""
        gap = f"{a.gap_now_cents.mean:+.0f}" if a.gap_now_cents else ""
        pitch = f"{a.meet_pitch_hz.mean:.1f}" if a.meet_pitch_hz else ""
        left = f"{a.trims_left:.1f}" if a.trims_left >= 0.05 else ""
        rows.append(
            (
                plain_name(a.order or "", 14),
                plain_name(a.reed, 18),
                a.action,
                step,
                lip,
                gap,
                pitch,
                f"{100 * a.chance_past:.1f}",
                left,
            )
        )
    heads = ("order", "reed", "next", "mm", "lip", "gap", "meets Hz", "past %", "cuts left")
    todo = [a for a in found if a.trims_left >= 0.05]
    return table(heads, rows, right=(3, 4, 5, 6, 7, 8)) + (
        f"\n{len(found)} reeds, {len(todo)} with work left, about {sum(a.trims_left for a in todo):.0f} cuts in all; "
        "gap in cents, F less E"
    )


def read_plan(path: Path) -> list[tuple[str, float, float]]:
    """A plan file (reed,length_mm,lip_strokes): InputError with every fault, as `file:line: column: …`."""
    from trimfit.units import parse_number, within

    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"cannot be read ({error})", str(path), "give a CSV file with columns reed,length_mm"
        ) from error
    rows = list(csv.reader(text.splitlines(), delimiter=";" if ";" in text.partition("\n")[0] else ","))
    heads = [cell.strip() for cell in rows[0]] if rows else []
    if "reed" not in heads or not {"length_mm", "lip_strokes"} & set(heads):
        raise InputError("has not the columns reed,length_mm,lip_strokes", str(path), "name them in the first line")
    faults, out = [], []
    for number, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        cells = dict(zip(heads, row, strict=False))
        values = {"length_mm": 0.0, "lip_strokes": 0.0}
        if not cells.get("reed", "").strip():
            faults.append(Fault(f"{path}:{number}", "reed", "is empty", "name a reed"))
        for name in values:
            word = cells.get(name, "").strip()
            if word:
                try:
                    values[name] = within(name, parse_number(word))
                except InputError as error:
                    faults.append(Fault(f"{path}:{number}", name, error.what, error.remedy))
        out.append((cells.get("reed", "").strip(), values["length_mm"], values["lip_strokes"]))
    if faults:
        raise InputError(f"{len(faults)} faults", str(path), faults=faults)
    return out


def predict(
    context: typer.Context,
    reed: Annotated[str | None, typer.Argument(help="The reed.", metavar="REED")] = None,
    length: Annotated[str, typer.Option("--length", help="Length to come off, mm.", metavar="MM")] = "0",
    lip: Annotated[str, typer.Option("--lip", help="Lip strokes.", metavar="N")] = "0",
    plan: Annotated[
        Path | None, typer.Option("--plan", help="CSV: reed,length_mm,lip_strokes.", metavar="FILE")
    ] = None,
    as_json: Json = False,
) -> None:
    """What the next reading would show after a trim, in the chanter and air of the reed's last one.

    Example: trimfit predict R-0412 --length 0.15
    """
    from trimfit.desk import advise
    from trimfit.units import parse_number, within

    if (reed is None) == (plan is None):
        raise InputError("say one reed, or --plan FILE", "predict", "for example: trimfit predict R-0412 --length 0.15")
    if plan is not None:
        plans = read_plan(plan)
    else:
        plans = [
            (
                str(reed),
                within("length_mm", parse_number(length)),
                within("lip_strokes", parse_number(lip)),
            )
        ]
    found = advise.predict(_log(context), plans, (lambda *_: None) if as_json else progress)
    if as_json:
        print_json([_flat(item) for item in found])
        return
    from trimfit.desk.said import plain_name

    rows = []
    for item, (_, mm, strokes) in zip(found, plans, strict=True):
        for what, span in [("gap, cents", item.gap_cents), ("crow, Hz", item.crow_hz)] + [
            (f"{note.replace('_', ' ')}, Hz", hz) for note, hz in item.notes_hz.items()
        ]:
            rows.append(
                (
                    plain_name(item.reed, 18),
                    f"{mm:.2f}",
                    f"{strokes:g}",
                    what,
                    f"{span.mean:.1f}",
                    f"{span.low:.1f} to {span.high:.1f}",
                )
            )
    typer.echo(table(("reed", "mm", "lip", "next reading", "mean", "nine in ten"), rows, right=(1, 2, 4)))


def _flat(item: Any) -> dict[str, Any]:
    out = {"reed": item.reed, "gap_cents": plain(item.gap_cents), "crow_hz": plain(item.crow_hz)}
    return out | {f"{note}_hz": plain(span) for note, span in item.notes_hz.items()}


def pick(
    context: typer.Context,
    order: Annotated[str, typer.Argument(help="The order.", metavar="ORDER")],
    as_json: Json = False,
) -> None:
    """Which untrimmed blanks of the stock to start an order with, best first.

    Example: trimfit pick O-12
    """
    from trimfit.desk.order import pick as pick_for
    from trimfit.desk.said import plain_name
    from trimfit.pitch import crow_label

    found = pick_for(_log(context), order, (lambda *_: None) if as_json else progress)
    if as_json:
        print_json(found)
        return
    if not found:
        typer.echo("no untrimmed blank is free for this order; log reeds without one first")
        return
    rows = [
        (
            plain_name(item.reed, 18),
            f"{item.length_mm:.2f}",
            f"{item.trims:.1f}",
            f"{100 * item.chance_good:.0f}",
            crow_label(item.crow_hz) if item.crow_hz else "",
            plain_name(item.why, 60),
        )
        for item in found
    ]
    typer.echo(table(("reed", "mm off", "cuts", "good %", "crow", "why"), rows, right=(1, 2, 3)))


def rehearse(
    context: typer.Context,
    order: Annotated[str, typer.Argument(help="The order.", metavar="ORDER")],
    seed: Annotated[int, typer.Option(help="The same seed gives the same answer.", min=0)] = 1,
    as_json: Json = False,
) -> None:
    """What an order's run will give: played out on reeds drawn from what is believed, before a blade is touched.

    Example: trimfit rehearse O-12
    """
    from trimfit.desk.order import rehearse_order
    from trimfit.desk.said import plain_name

    run = rehearse_order(_log(context), order, seed=seed, tell=(lambda *_: None) if as_json else progress)
    if as_json:
        print_json(run)
        return
    typer.echo(f"{plain_name(run.order)}: {run.reeds} reeds, played {run.draws:,} times on {run.on}")
    typer.echo(
        f"  good {100 * run.good:.1f} % (give or take {100 * run.good_se:.1f}), past {100 * run.past:.1f} % "
        f"(give or take {100 * run.past_se:.1f})"
    )
    typer.echo(f"  {run.trims_per_reed:.1f} cuts and {run.readings_per_reed:.1f} readings a reed")
    typer.echo(f"  {run.hours:.1f} hours for the run; start {run.blanks_for_quantity} blanks for {run.reeds} good ones")
    rows = [("as it stands", run)] + [(what.change, what) for what in run.what_if]
    typer.echo(
        table(
            ("what if", "good %", "past %", "cuts", "readings", "hours"),
            [
                (
                    name,
                    f"{100 * r.good:.1f}",
                    f"{100 * r.past:.1f}",
                    f"{r.trims_per_reed:.1f}",
                    f"{r.readings_per_reed:.1f}",
                    f"{r.minutes / 60:.1f}",
                )
                for name, r in rows
            ],
            right=(1, 2, 3, 4, 5),
        )
    )


def register(app: typer.Typer) -> None:
    """Add this family's verbs to the command line."""
    app.command()(ask)
    app.command()(predict)
    app.command()(pick)
    app.command()(rehearse)
