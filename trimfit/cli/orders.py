"""Verbs that look ahead for an order: pick, allot, rehearse."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer
from typer import Option

from trimfit.base.plain_words import chance_words, counted, plain_name, share_cell, share_words, signed
from trimfit.cli.context import At, Json, app, argument, option, session_of
from trimfit.cli.output.answers import answer, plain, table
from trimfit.cli.output.entry_words import moment_asked
from trimfit.cli.output.screen import prose

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trimfit.verbs.allot import Allotment
    from trimfit.verbs.pick import Pick, Picked
    from trimfit.verbs.rehearse import Rehearsal, WhatIf


@app.command()
def pick(
    context: typer.Context,
    order: Annotated[str, argument("The order.", "ORDER")],
    all_: Annotated[
        bool, option("--all", "List every blank, not only those near the quantity, as --json does.")
    ] = False,
    at: At = None,
    take: Annotated[
        int | None, Option("--take", help="Put the first so many free blanks to the order.", min=1, metavar="N")
    ] = None,
    as_json: Json = False,
) -> None:
    """Which untrimmed blanks to start an order with, best first.

    Best is the blank that is expected to cost the fewest minutes: those of its cuts and readings, and what the settings
    say that a reed lost or left outside the tolerance costs. trimfit allot goes by the same minutes. Of the same
    minutes, the one with less to come off is first, then by name.

    Example: trimfit pick O-12
    """
    from trimfit.verbs import pick as verbs_pick

    with session_of(context, as_json) as session:
        found = verbs_pick.picked(session, order, at_s=moment_asked(at))
        taken = verbs_pick.take(session, found, take) if take is not None else []
    name = plain_name(found.order.order, 24)

    def words() -> list[str]:
        notes = [line for note in found.notes for line in prose(note)]
        if not found.blanks:
            none = "no untrimmed blank is free for this order; first log reeds that have no order"
            return [*notes, none, *prose(f"{name}: {found.shortage()}")]
        if take is not None:
            return [*notes, *prose(f"to {name} now: {', '.join(plain_name(one, 24) for one in taken)}")]
        return [*notes, *_blanks(found, name, everything=all_)]

    answer(as_json, found.blanks if take is None else {"order": found.order.order, "taken": taken}, words)


def _blanks(found: Picked, order: str, *, everything: bool) -> list[str]:
    """The blanks as a table, a rule under those that the order wants, and how many are not shown."""
    start, shown = found.start_and_shown(everything=everything)
    # what is to be said of many blanks is said once, under the table
    remarks = {text: f"({i})" for i, text in enumerate(dict.fromkeys(one.remark for one in shown if one.remark), 1)}
    heads = ("reed", "type", "mm off", "cuts", "good %", "minutes", "crow read", "")
    lines = table(heads, [_row(one, remarks) for one in shown], right=(2, 3, 4, 5))
    free = [row for row, one in enumerate(shown, 1) if not one.started]
    ruled = start is not None and 0 < start < len(free)
    if start is not None and ruled:
        lines.insert(1 + free[start - 1], "-" * max(len(line) for line in lines))
    more = len(found.blanks) - len(shown)
    unseen = f"; {more} not shown (--all shows them)" if more else ""
    notes = [line for text, mark in remarks.items() for line in prose(f"{mark} {plain_name(text, 400)}", "    ")]
    listed = prose(f"{found.counted()}, the fewest minutes first{unseen}", "    ")
    listed += prose("minutes: expected for one reed, what a lost reed costs counted", "    ")
    run = found.need.hours() if found.need is not None and found.need.wanted else ""
    listed += prose(f"the run: {run}", "    ") if run else []
    listed += ["above the line: start these"] if ruled else []
    return [*lines, *listed, *prose(f"{order}: {found.shortage()}"), *notes]


def _row(one: Pick, remarks: dict[str, str]) -> tuple[str, ...]:
    from trimfit.base.pitch import crow_label

    return (
        plain_name(one.reed, 18),
        plain_name(one.reed_type, 16),
        f"{one.length_mm:.2f}" if one.cuts_known else "-",
        f"{one.trims:.1f}" if one.cuts_known else "-",
        f"{100 * one.chance_good:.0f}",
        f"{one.minutes:.0f}",
        crow_label(one.crow_hz) if one.crow_hz else "",
        " ".join(part for part in ("in work" if one.started else "", remarks.get(one.remark, "")) if part),
    )


@app.command()
def allot(
    context: typer.Context,
    orders: Annotated[list[str] | None, argument("Orders; all open ones if none is named.", "ORDER…")] = None,
    begun: Annotated[bool, option("--begun", "Count reeds that were cut already, too.")] = False,
    pitch_from: Annotated[float | None, option("--pitch-from", "The lowest pitch in Hz to try for all.", "HZ")] = None,
    pitch_to: Annotated[float | None, option("--pitch-to", "The highest pitch in Hz to try for all.", "HZ")] = None,
    at: At = None,
    take: Annotated[bool, option("--take", "Put the reeds to their orders.")] = False,
    as_json: Json = False,
) -> None:
    """Which reed of the stock for which order, at the least cost.

    Example: trimfit allot O-12 O-13
    """
    from trimfit.base.errors import InputError
    from trimfit.verbs import allot as verbs_allot

    if (pitch_from is None) != (pitch_to is None):
        raise InputError("one end of the pitches is missing", "--pitch-from", "give --pitch-from and --pitch-to")
    pitches = (pitch_from, pitch_to) if pitch_from is not None and pitch_to is not None else None
    with session_of(context, as_json) as session:
        found = verbs_allot.allot(session, orders or (), begun=begun, pitches_hz=pitches, at_s=moment_asked(at))
        taken = verbs_allot.take_allotted(session, found) if take else None
    said = found if taken is None else {**plain(found), "taken": taken}
    answer(as_json, said, lambda: [*_allotment(found, named=bool(orders)), *_put(taken)])


def _put(taken: Sequence[str] | None) -> list[str]:
    if taken is None:
        return []
    return prose(f"put to their orders now: {', '.join(plain_name(name, 24) for name in taken) or 'nothing new'}")


def _allotment(found: Allotment, *, named: bool) -> list[str]:
    """The allotted reeds as a table, then what is short and what is spare, and why. named: of orders that were named
    alone."""
    from collections import Counter

    from trimfit.base.pitch import crow_label

    lines = [line for note in found.notes for line in prose(note)]
    if not found.allotted and not found.short:
        which = "none of these orders wants" if named else "no open order wants"
        return [*lines, f"{which} more reeds than are in hand", *_starts(found)]
    rows = [
        (
            plain_name(one.order, 14),
            plain_name(one.chanter, 60),
            plain_name(one.reed, 14),
            crow_label(one.crow_hz) if one.crow_hz else "",
            f"{one.length_mm:.2f}" if one.cuts_known else "-",
            f"{one.trims:.1f}" if one.cuts_known else "-",
            f"{one.meet_pitch_hz.mean:.{one.meet_pitch_hz.decimals(1)}f}",
            f"{100 * one.chance_good:.0f}",
        )
        for one in found.allotted
    ]
    heads = ("order", "chanter", "reed", "crow read", "mm", "cuts", "meets Hz", "good %")
    lines += table(heads, rows, right=(4, 5, 6, 7), shorten=1) if rows else []
    good = sum(one.chance_good for one in found.allotted)
    lines += prose(f"{counted(len(rows), 'reed')}, {good:.1f} expected good; {found.hours_words()}")
    if found.empty:
        lines.append(f"{counted(found.empty, 'place')} {'stays' if found.empty == 1 else 'stay'} empty")
    alike: dict[str, list[str]] = {}
    for one in found.short:
        alike.setdefault(f"{one.wanted}, found {one.found}: {one.why}", []).append(plain_name(one.order, 24))
    for what, orders in alike.items():
        wants = "wants" if len(orders) == 1 else "each want"
        lines += prose(f"short: {', '.join(orders)} {wants} {what}")
    if found.spare:
        whys = ", ".join(f"{count} {why}" for why, count in Counter(found.spare_why).most_common())
        lines += prose(f"spare: {counted(len(found.spare), 'reed')} ({whys})")
    lines += _starts(found)
    if found.pitches:
        lines += prose(_one_pitch(found))
    marked = [one for one in found.allotted if "nobody said whether" in one.why]
    if marked:
        lines += prose(f"weight not known: {', '.join(plain_name(one.reed, 24) for one in marked)}")
    return lines


def _starts(found: Allotment) -> list[str]:
    words = found.starts_words()
    return prose(words) if words else []


def _one_pitch(found: Allotment) -> str:
    """Which pitch costs least for all these orders, beside the ends of those tried."""
    if found.best_pitch_hz is None:
        low, high = found.pitches[0].pitch_hz, found.pitches[-1].pitch_hz
        return f"all at one pitch: at none from {low:.1f} to {high:.1f} Hz is a reed likely to end good"
    from trimfit.review.results import hours_words

    best = min(found.pitches, key=lambda one: one.minutes)
    ends = {one.pitch_hz: one for one in (found.pitches[0], best, found.pitches[-1])}
    each = "; ".join(
        f"{one.pitch_hz:.1f} Hz {one.good:.1f} good, {hours_words(one.bench_minutes, one.minutes, one.empty)}"
        for one in ends.values()
    )
    said = f"all at one pitch: {best.pitch_hz:.1f} Hz costs least ({each})"
    return f"{said}; the reeds above are those for each order's own pitch, and not for that one"


@app.command()
def rehearse(
    context: typer.Context,
    order: Annotated[str, argument("The order.", "ORDER")],
    at: At = None,
    as_json: Json = False,
) -> None:
    """What an order's run will give, before a blade is touched.

    Shares of reeds are whole per cents, with a decimal only where they scatter by under half a per cent by how each
    reed may end (and, of a chanter that is away, by what is not known of it). The scatter stands under the table.
    For cuts, readings and minutes --json gives the part that comes of the reeds' differences: nought for one reed.

    Example: trimfit rehearse O-12
    """
    from trimfit.verbs.rehearse import rehearse_order

    with session_of(context, as_json) as session:
        run = rehearse_order(session, order, at_s=moment_asked(at))
    answer(as_json, run, lambda: _run_lines(run))


def _run_lines(run: Rehearsal) -> list[str]:
    name = plain_name(run.order)
    lines = [line for note in run.notes for line in prose(note)]
    if run.wanted is not None:
        done = [f"{run.done_good} good"] + ([f"{run.done_lost} lost"] if run.done_lost else [])
        done += [f"{run.came_back} came back"] if run.came_back else []
        lines.append(f"{name}: {run.wanted} wanted; {', '.join(done)}, {run.in_hand} in hand; {run.reeds} still wanted")
    if run.reeds == 0:
        return [*lines, "  nothing more is wanted"]
    # the words name two numbers where the run is of two sorts of reeds
    of_two = 0 < (run.in_hand or run.free_blanks) < run.draws
    lines.append(f"{name}: {run.on}, {run.draws} in all" if of_two else f"{name}: {run.on}")
    already = (
        f" ({share_words(run.past_already, run.past_se)} thought past now, before any cut)"
        if run.past_already > 0.5 * run.past
        else ""
    )
    rest = max(1.0 - run.good - run.past, 0.0)
    off = " (mostly off the pitch ordered)" if run.off_pitch > 0.5 * rest else ""
    good, past = share_words(run.good, run.good_se), share_words(run.past, run.past_se)
    neither = share_words(rest, max(run.good_se, run.past_se))
    sent = f"of {run.sent_reeds} sent: " if run.of_sent else ""
    lines += prose(f"  {sent}good {good}, past {past}{already}, neither {neither}{off}", "    ")
    lines.append(f"  {run.trims_per_reed:.1f} cuts and {run.readings_per_reed:.1f} readings a reed")
    if run.pitch_doubt:
        lines += prose(f"  {run.shortage}", "    ")
    elif run.to_start is None:
        lines += prose(
            "  hardly any of these would be good: choose other blanks or another chanter (trimfit pick)", "    "
        )
    else:
        sure = f" ({chance_words(run.chance_enough)} sure)" if run.chance_enough is not None else ""
        lines += prose(f"  {run.hours_words()}; {run.shortage}{sure}", "    ")
    if run.send_reeds and run.aim_offsets_cents:
        stops = [signed(cents) for cents in run.aim_offsets_cents]
        there = plain_name(run.chanter, 24)
        each = f"worked to gaps in {there} of {', '.join(stops)} cents"
        each = f"each worked to a gap of {stops[0]} cents in {there}" if len(set(stops)) == 1 else each
        lines += prose(
            f"  by what is known of its chanter, {counted(run.send_reeds, 'reed')}, {each}: of "
            f"{run.send_reeds} sent {_fit(run)}; of fewer, trimfit ask says where each is best stopped",
            "    ",
        )
    rows = []
    ways: list[tuple[str, Rehearsal | WhatIf]] = [("as it stands", run), *((one.change, one) for one in run.what_if)]
    for change, r in ways:
        shares = share_cell(r.good, run.good_se), share_cell(r.past, run.past_se)
        figures = (r.trims_per_reed, r.readings_per_reed, r.minutes / 60)
        rows.append((change, *shares, *(f"{figure:.1f}" for figure in figures)))
    heads = ("what if", "good %", "past %", "cuts", "readings", "hours")
    scatter = [f"{100.0 * se:.{1 if se < 0.005 else 0}f}" for se in (run.good_se, run.past_se)]
    reeds = run.sent_reeds or run.draws
    shared = run.of_sent or run.off_pitch > 0.0
    why = "how each may end" + (" and what is not known of the chanter" if shared else "")
    each = " in each row, their stops chosen anew for it;" if run.of_sent else ","
    legend = (
        f"of {counted(reeds, 'reed')}{each} as it stands, good % scatters by {scatter[0]} and past "
        f"% by {scatter[1]} (standard deviations), by {why}; hours: of work alone"
    )
    alike = [
        one.change
        for one in run.what_if
        if abs(one.good - run.good) < run.good_se and abs(one.past - run.past) < run.past_se
    ]
    if alike:
        legend += f"; both shares change by less than that with {', or with '.join(alike)}: one run hardly shows it"
    return [*lines, *table(heads, rows, right=(1, 2, 3, 4, 5)), *prose(legend)]


def _fit(run: Rehearsal) -> str:
    """`about 6 fit; 94 % that at least 4 do`: of the reeds sent to a chanter that is away."""
    about = max(round(run.expected_within or 0.0), 1)
    said = f"about {about} fit{'s' if about == 1 else ''}"
    if not run.chance_enough:
        return said
    return f"{said}; {chance_words(run.chance_enough)} that at least {run.reeds} do{'es' if run.reeds == 1 else ''}"
