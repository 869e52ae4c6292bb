"""Verbs that look ahead for an order: pick, rehearse."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from trimfit.cli.context import session_of
from trimfit.cli.output.answers import print_json, table

if TYPE_CHECKING:
    from trimfit.verbs.pick import Pick, Picked
    from trimfit.verbs.rehearse import Rehearsal

__all__ = ["register"]

Json = Annotated[bool, typer.Option("--json", help="Answer as JSON on stdout.")]
SHOWN_BEYOND = 6
SHOWN_WITHOUT_NUMBER = 20


def pick(
    context: typer.Context,
    order: Annotated[str, typer.Argument(help="The order.", metavar="ORDER")],
    all_: Annotated[bool, typer.Option("--all", help="List every blank, not only those near the quantity.")] = False,
    at: Annotated[
        str | None,
        typer.Option("--at", help="As of that moment, as 2026-03-01T14:05; now if not said.", metavar="TIME"),
    ] = None,
    take: Annotated[
        int | None, typer.Option("--take", help="Put the first so many free blanks to the order.", min=1, metavar="N")
    ] = None,
    as_json: Json = False,
) -> None:
    """Which untrimmed blanks of the stock to start an order with, best first.

    Example: trimfit pick O-12
    """
    from trimfit.entry.entry_times import asked_s
    from trimfit.verbs import pick as verbs_pick
    from trimfit.verbs.wording import plain_name, wrapped

    with session_of(context, as_json) as session:
        found = verbs_pick.picked(session, order, at_s=asked_s(at))
        taken = verbs_pick.take(session, found, take) if take is not None else []
    if as_json:
        print_json(found.blanks if take is None else {"order": found.order.order, "taken": taken})
        return
    for note in found.notes:
        typer.echo("\n".join(wrapped(note, 80)))
    if not found.blanks:
        typer.echo("no untrimmed blank is free for this order; first log reeds that have no order")
        return
    if take is not None:
        names = ", ".join(plain_name(name, 24) for name in taken)
        typer.echo("\n".join(wrapped(f"to {plain_name(found.order.order, 24)} now: {names}", 80)))
        return
    typer.echo(_blanks(found, everything=all_))


def _blanks(found: Picked, *, everything: bool) -> str:
    """The blanks as a table, a rule under those that the order wants, and how many are not shown."""
    from trimfit.verbs.wording import plain_name, wrapped

    wanted = found.wanted
    most = SHOWN_WITHOUT_NUMBER if wanted is None else wanted + SHOWN_BEYOND
    shown = found.blanks if everything else found.blanks[:most]
    # what is to be said of many blanks is said once, under the table
    remarks = {text: f"({i})" for i, text in enumerate(dict.fromkeys(one.remark for one in shown if one.remark), 1)}
    heads = ("reed", "type", "mm off", "cuts", "good %", "crow", "")
    lines = table(heads, [_row(one, remarks) for one in shown], right=(2, 3, 4)).splitlines()
    if wanted is not None and 0 < wanted < len(shown):
        lines.insert(1 + wanted, "-" * max(len(line) for line in lines))
    more = len(found.blanks) - len(shown)
    order = plain_name(found.order.order, 24)
    says = f"{order} names no number" if wanted is None else f"{order} wants {wanted} besides those good or in work"
    tail = f"{len(found.blanks)} blanks; {says}" + (f"; {more} not shown (--all shows them)" if more else "")
    notes = [line for text, mark in remarks.items() for line in wrapped(f"{mark} {plain_name(text, 400)}", 80, "    ")]
    return "\n".join([*lines, tail, *notes])


def _row(one: Pick, remarks: dict[str, str]) -> tuple[str, ...]:
    from trimfit.base.pitch import crow_label
    from trimfit.verbs.wording import plain_name

    return (
        plain_name(one.reed, 18),
        plain_name(one.reed_type, 16),
        f"{one.length_mm:.2f}",
        f"{one.trims:.1f}",
        f"{100 * one.chance_good:.0f}",
        crow_label(one.crow_hz) if one.crow_hz else "",
        remarks.get(one.remark, ""),
    )


def rehearse(
    context: typer.Context,
    order: Annotated[str, typer.Argument(help="The order.", metavar="ORDER")],
    seed: Annotated[int, typer.Option(help="The same seed gives the same answer.", min=0)] = 1,
    at: Annotated[
        str | None,
        typer.Option("--at", help="As of that moment, as 2026-03-01T14:05; now if not said.", metavar="TIME"),
    ] = None,
    as_json: Json = False,
) -> None:
    """What an order's run will give: played out on reeds drawn from the posterior, before a blade is touched.

    Example: trimfit rehearse O-12
    """
    from trimfit.entry.entry_times import asked_s
    from trimfit.verbs.rehearse import rehearse_order

    with session_of(context, as_json) as session:
        run = rehearse_order(session, order, seed=seed, at_s=asked_s(at))
    if as_json:
        print_json(run)
        return
    typer.echo("\n".join(_run_lines(run)))


def _run_lines(run: Rehearsal) -> list[str]:
    from trimfit.verbs.wording import plain_name, wrapped

    name = plain_name(run.order)
    lines = [line for note in run.notes for line in wrapped(note, 80)]
    if run.wanted is not None:
        done = [f"{run.done_good} good"] + ([f"{run.done_lost} lost"] if run.done_lost else [])
        lines.append(f"{name}: {run.wanted} wanted; {', '.join(done)}, {run.in_hand} in hand; {run.reeds} still wanted")
    if run.reeds == 0:
        return [*lines, "  nothing more is wanted"]
    lines.append(f"{name}: {run.reeds} reeds, played {run.draws:,} times on {run.on}")
    good, past = _share(run.good, run.good_se, run.draws), _share(run.past, run.past_se, run.draws)
    lines.append(f"  good {good}, past {past}")
    lines.append(f"  {run.trims_per_reed:.1f} cuts and {run.readings_per_reed:.1f} readings a reed")
    if run.to_start is None:
        lines.append("  hardly any of these would be good: choose other blanks or another chanter (trimfit pick)")
    else:
        begin = f"start {run.to_start} blanks" if not run.in_hand else f"start {run.to_start} more blanks"
        sure = f" ({100 * run.chance_enough:.0f} % sure)" if run.chance_enough is not None else ""
        lines.append(f"  {run.hours:.1f} hours for the run; {begin} for {run.reeds} good ones{sure}")
    if run.send_reeds and run.aim_offsets_cents and run.chance_one_within is not None:
        aims = ", ".join(f"{cents:+.0f}" for cents in run.aim_offsets_cents)
        lines += wrapped(
            f"  its chanter is away: send {run.send_reeds}, worked to gaps there of {aims} cents; "
            f"{100 * run.chance_one_within:.0f} % that one is within tolerance",
            80,
            "    ",
        )
    rows = [("as it stands", run)] + [(what.change, what) for what in run.what_if]
    return [
        *lines,
        table(
            ("what if", "good %", "past %", "cuts", "readings", "hours"),
            [
                (
                    what,
                    f"{100 * r.good:.1f}",
                    f"{100 * r.past:.1f}",
                    f"{r.trims_per_reed:.1f}",
                    f"{r.readings_per_reed:.1f}",
                    f"{r.minutes / 60:.1f}",
                )
                for what, r in rows
            ],
            right=(1, 2, 3, 4, 5),
        ),
    ]


def _share(share: float, se: float, draws: int) -> str:
    """A share of reeds as played: none or all of so many is no certainty (three in so many: the rule of three)."""
    if share <= 0.0:
        return f"under {300.0 / draws:.1f} %"
    if share >= 1.0:
        return f"over {100.0 - 300.0 / draws:.1f} %"
    return f"{100 * share:.1f} % (± {100 * se:.1f})"


def register(app: typer.Typer) -> None:
    """Add this family's verbs to the command line."""
    app.command()(pick)
    app.command()(rehearse)
