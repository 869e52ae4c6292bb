"""Verbs that take whole logs in and out: import, export, draft, merge, check, settings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trimfit.base.errors import InputError, command, short
from trimfit.base.plain_words import counted
from trimfit.cli.context import Json, Text, app, argument, log_path, may_make_log, option, progress_of
from trimfit.cli.output.answers import answer, json_text, plain, table
from trimfit.cli.output.failures import print_error
from trimfit.cli.output.screen import prose, say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from trimfit.verbs.check import Checked
    from trimfit.verbs.import_export import Taken

# What the shop's settings mean; the unit is shown by the name's end.
MEANINGS = {
    "ratio_low_g": "just ratio of low G to low A",
    "ratio_d": "just ratio of D to low A",
    "ratio_high_g": "just ratio of high G to low A",
    "tolerance_hz": "a reed is good with F and E no further apart, as low A",
    "balance_tolerance_hz": "the A's balance if no further apart, as low A",
    "tool_step_mm": "lengths are advised in steps of this",
    "least_blade_mm": "no cut leaves less blade",
    "chance_past_ceiling": "most chance that cuts ever take a reed past, for chanters at the bench; 0.01 is 1 in 100",
    "minutes_per_cut": "what a cut costs",
    "minutes_per_reading": "what a reading costs",
    "cost_lost_minutes": "what a lost reed costs",
    "cost_outside_minutes": "what a reed left outside the tolerance costs",
    "cost_flat_minutes": "what a reed costs that arrives flat at a chanter that is away",
    "cut_error_mm": "standard deviation of a cut about what was asked: the fixed part, mm",
    "cut_error_pct": "and the part in proportion to the cut, %",
    "bench_pressure_kpa": "what readings without a pressure were blown at",
    "bench_temperature_c": "what readings without a temperature were taken at",
    "drift_start_cents": "a batch is called drifted for its start only if that is further off",
    "drift_response_pct": "for how it answers a cut only if that is further off",
    "drift_settle_cents_per_week": "and for how it settles only if that is faster",
    "drift_chance": "of the batches called drifted, this share at least is to be so",
    "time_zone": "times without an offset are on its clock: a name, an offset such as +01:00, or a rule",
    "line_order": "numbers typed without names at the bench are these, in this order",
}
UNITS = (
    ("_cents_per_week", "cents a week"),
    ("_hz", "Hz"),
    ("_mm", "mm"),
    ("_kpa", "kPa"),
    ("_c", "°C"),
    ("_pct", "%"),
    ("_cents", "cents"),
)
# How many marks are shown on the screen; --json and `check` give all of them.
MARKS_SHOWN = 10
# And of what the database itself says of a damaged file.
FILE_FAULTS_SHOWN = 2


def _counts(taken: Taken) -> dict[str, Any]:
    counts = taken.counts
    return {
        "new": counts.new,
        "known": counts.known,
        "refused": counts.refused,
        "by_kind": {name: {"new": new, "known": known} for name, (new, known) in counts.by_kind.items()},
    }


def _counted(taken: Taken, verb: str, where: object) -> list[str]:
    """What was taken in, in all and file by file."""
    counts = taken.counts
    by_kind = [(name, new, known) for name, (new, known) in counts.by_kind.items() if new or known]
    # what a merge counts as refused is said in lines of its own
    refused = f", {counts.refused:,} refused" if verb == "import" else ""
    return [
        f"{verb} {where}: {counts.new:,} new, {counts.known:,} known{refused}",
        *(f"  {_file_or_kind(name)}: {new:,} new, {known:,} known" for name, new, known in by_kind),
    ]


def _written(taken: Taken, verb: str, where: object) -> list[str]:
    """What was written, in all and file by file."""
    counts = taken.counts
    there = f", {counts.known:,} of them as they lay there already" if counts.known else ""
    return [
        f"{verb} {where}: {counted(counts.new + counts.known, 'entry', 'entries')} written{there}",
        *(f"  {_file_or_kind(name)}: {sum(both):,}" for name, both in counts.by_kind.items() if sum(both)),
    ]


def _file_or_kind(name: str) -> str:
    # of a merge or a backup each entry is one, what was struck and a reed that was logged anew too
    return name if "." in name else f"{name} entries"


def _marked(taken: Taken, words: str) -> list[str]:
    """The first marks, and how many more there are."""
    if not taken.marks:
        return []
    shown, more = taken.marks[:MARKS_SHOWN], len(taken.marks) - MARKS_SHOWN
    return [
        f"{len(taken.marks):,} {words if len(taken.marks) != 1 else words.replace('marks', 'mark', 1)}:",
        *(f"  {mark.entry}  {short(mark.reed)}  {' '.join(mark.sentence.split())}" for mark in shown),
        *([f"  … and {more:,} more: {command('check')}"] if more > 0 else []),
    ]


def _went(moved: Mapping[str, int]) -> str:
    """What went along with a reed's new name: `1 reed, 3 readings`."""
    return ", ".join(f"{count:,} {kind}{'' if count == 1 else 's'}" for kind, count in moved.items())


@app.command("import")
def import_(
    context: typer.Context,
    folder: Annotated[Path, argument("The folder that holds the CSV files.", "FOLDER")],
    as_json: Json = False,
) -> None:
    """Take a folder of CSV files into the log. All of it goes in, or nothing and every fault is named.

    Rows that the log knows already add nothing.

    Example: trimfit import shop_csv
    """
    from trimfit.verbs import import_export

    try:
        with may_make_log(context) as log:
            taken = import_export.import_folder(log, folder, progress_of(as_json))
    except InputError as error:
        rows = getattr(error, "rows", None)
        if rows is None or not as_json:
            raise
        print_error(error)
        say(json_text({"new": 0, "known": 0, "refused": rows, "faults": error.faults}))
        raise typer.Exit(error.exit_code) from error
    counts = taken.counts
    changed = [{"setting": one.setting, "now": one.here, "was": one.there} for one in counts.settings]
    doubts = {"doubts": taken.marks, "passed_over": taken.passed_over, "notices": counts.notices}
    found = {**_counts(taken), **doubts, "renamed": counts.renamed, "settings_changed": changed}
    answer(as_json, found, lambda: _imported(taken, folder))


def _imported(taken: Taken, folder: Path) -> list[str]:
    counts = taken.counts
    lines = _counted(taken, "import", folder)
    lines += [f"  {one.setting} is {one.here} now, and was {one.there}" for one in counts.settings]
    lines += [
        f"  {short(one.reed)} was renamed {short(one.new_name)}, and has what was said of it: {_went(one.moved)}"
        for one in counts.renamed
    ]
    lines += [f"  {notice}" for notice in counts.notices]
    if taken.passed_over:
        shown = ", ".join(short(name) for name in taken.passed_over)
        lines.append(f"  not taken, being no file of a log folder: {shown}")
    return lines + _marked(taken, "marks of doubt on entries, which were kept")


@app.command()
def export(
    context: typer.Context,
    folder: Annotated[Path, argument("The folder to write; made if need be.", "FOLDER")],
    force: Annotated[
        bool, option("--force", "Write over files that no export wrote, or edited ones that were not imported.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Write the whole log as a folder of CSV files. Struck entries, settings and marks kept at entry are included.

    The same log gives the same bytes; files that lay there already and are the same count as known.

    Example: trimfit export shop_csv
    """
    from trimfit.verbs import import_export

    taken = import_export.export_folder(log_path(context), folder, progress_of(as_json), force=force)
    answer(as_json, _counts(taken), lambda: _written(taken, "export", folder))


@app.command()
def draft(
    context: typer.Context,
    sheet: Annotated[Path, argument("A CSV, TSV or spreadsheet file, kept in any manner.", "SHEET")],
    folder: Annotated[Path, argument("The folder to write; made if need be.", "FOLDER")],
    month_first: Annotated[
        bool, option("--month-first", "Dates of three numbers have the month first; else the day.")
    ] = False,
    force: Annotated[bool, option("--force", "Write over an earlier draft.")] = False,
    as_json: Json = False,
) -> None:
    """Make a CSV folder to look over from one loose sheet. The sheet has a row a reed or a row a visit. Nothing
    is logged.

    Columns are recognised by their heads and by what stands in them. Each guess (column, unit, date, crow, order of
    visits, times) and each cell that could not be read is listed, here and in guesses.txt in the folder; then: trimfit
    import.

    Example: trimfit draft my_reeds.csv drafted
    """
    from trimfit.verbs import import_export

    made = import_export.draft(sheet, folder, log_path(context), month_first=month_first, force=force)
    said = {name: value for name, value in plain(made).items() if name != "page"}
    answer(as_json, {"folder": str(folder), **said}, lambda: made.page)


@app.command()
def merge(
    context: typer.Context,
    other: Annotated[Path, argument("The log of another bench; it stays as it is.", "OTHER_LOG")],
    rename: Annotated[
        list[str] | None,
        option(
            "--rename",
            "A reed of the other log that has the name of another reed here, and what to call it; may be said "
            "again for more.",
            "REED=NEW",
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Take the entries of another bench's log into this one. Doing it again adds nothing; the order is free.

    Two benches may have the same thing with different content: then one counts, the other is set aside, and both are
    named with the way out. Two reeds of one name: merge again with --rename R-7=R-7b, and the other
    bench's R-7 and all that was logged of it is R-7b, at that bench too once it merges this log. One's own reed:
    trimfit log rename. Settings that differ: this bench's stand, and each is named until both benches have the same.

    Example: trimfit merge bench2.trimfit
    """
    from trimfit.verbs import import_export

    with may_make_log(context) as log:
        taken = import_export.merge_log(log, other, progress_of(as_json), renames=_pairs(rename or []))
    counts = taken.counts
    besides = {"conflicts": counts.conflicts, "renamed": counts.renamed, "settings_differ": counts.settings}
    besides |= {"joined": counts.joined}
    besides |= {"renamed_apart": tuple(mark for mark in taken.marks if mark.kind == "renamed-apart")}
    answer(as_json, {**_counts(taken), **besides}, lambda: _merged(taken, other))


def _merged(taken: Taken, other: Path) -> list[str]:
    lines = _counted(taken, "merge", other)
    aside = sum(len(conflict.aside) for conflict in taken.counts.conflicts)
    if aside:
        lines.append(f"  set aside, until its conflict is settled: {counted(aside, 'entry', 'entries')}")
    if left_out := taken.counts.refused - aside:
        lines.append(f"  left out, of settings that differ: {counted(left_out, 'entry', 'entries')}")
    lines += [line for one in taken.counts.renamed for line in _renamed(one)]
    if alike := taken.counts.joined:
        shown = ", ".join(map(short, alike[:6])) + (f" and {len(alike) - 6:,} more" if len(alike) > 6 else "")
        both = "is one reed with the one" if len(alike) == 1 else "are each one reed with the one"
        part = command("merge", str(other), "--rename", f"{alike[0]}=NEW")
        lines.append(
            f"{shown} {both} of that name here: both logs have the same type and batch of it, and readings or work of "
            f"their own. If they are two: {part}"
        )
    lines += [
        f"{pair.setting} is {pair.here} here and {pair.there} in {short(other.name)}: {pair.here} "
        f"stands. To settle it: {command('settings', pair.setting, str(pair.there))}, "
        f"or set {pair.here} at that bench"
        for pair in taken.counts.settings
    ]
    return lines + _marked(taken, "in conflict; each says how it is settled (another name for a reed: --rename)")


def _pairs(words: list[str]) -> dict[str, str]:
    """Old and new names out of words such as `R-7=R-7b`."""
    from trimfit.base.natural_order import refuse_range

    found: dict[str, str] = {}
    for word in words:
        old, _, new = (part.strip() for part in word.partition("="))
        if not old or not new:
            raise InputError(f"{short(word)!r} is no pair of names", "--rename", "say --rename REED=NEW")
        refuse_range(new)
        if old in found:
            raise InputError(f"reed {short(old)!r} is named twice", "--rename", "give it one new name")
        found[old] = new
    return found


def _renamed(one: Any) -> list[str]:
    reed, new, lines = short(one.reed), short(one.new_name), []
    if one.moved:
        lines.append(f"renamed {reed} -> {new}: {_went(one.moved)}")
    if one.joins is not None:
        was = f", {short(one.joins)} before" if one.joins != one.new_name else ""
        lines.append(
            f"{reed} is one reed with the {new} that was here{was}. If they are two: log a reed of another name, and "
            f"give it its entries: {command('log', 'rename', one.new_name, 'NAME', '--entry', 'ENTRY')}"
        )
    if one.unsure:
        shown = ", ".join(one.unsure[:6]) + (" …" if len(one.unsure) > 6 else "")
        lines.append(
            f"{reed} was two reeds in this log, and one of them is {new} now. These stay {reed}: {shown}. "
            f"If any is of {new}, merge its bench's log again, or: "
            f"{command('log', 'rename', one.reed, one.new_name, '--entry', 'ENTRY')}"
        )
    return lines


@app.command()
def backup(
    context: typer.Context,
    file: Annotated[Path, argument("The file to write; an earlier backup may be there.", "FILE")],
    as_json: Json = False,
) -> None:
    """Write a whole copy of the log into one file. Whatever else is open or logged meanwhile may go on.

    Entries that an earlier backup there had count as known. A file that is no log, or holds an entry that this log
    lacks, is not written over.

    Example: trimfit backup saturday.trimfit
    """
    from trimfit.verbs import import_export

    taken = import_export.back_up(log_path(context), file)
    answer(as_json, _counts(taken), lambda: _written(taken, "backup", file))


@app.command()
def check(context: typer.Context, as_json: Json = False) -> None:
    """Say if the log is sound, and which entries carry a mark. Exit code 1 if it is damaged.

    Entries that stand are not struck and stand aside for no other: reeds, chanters, orders, readings, trims, events,
    outcomes and settings. Where only what was learned from them is damaged, trimfit learn makes it anew.

    Example: trimfit check
    """
    from trimfit.verbs import check as verbs_check

    found = verbs_check.check(log_path(context), progress_of(as_json))
    damage = (*found.damage, *found.learned)
    said = {"sound": not damage, "damage": damage, "entries": found.entries, "marks": found.marks}
    said |= {"standing": found.standing, "struck": found.struck, "replaced": found.replaced}
    answer(as_json, said, lambda: _checked(found))
    if found.damage and not as_json:
        say("the log is damaged: keep it as it is, and go on with an earlier backup or export", err=True)
    elif damage and not as_json:
        say(f"no entry is damaged; to make what was learned anew: {command('learn')}", err=True)
    if damage:
        raise typer.Exit(1)


def _checked(found: Checked) -> Sequence[str]:
    if damage := (*found.damage, *found.learned):
        of_file = [line for line in damage if line.startswith("the file: ")]
        more = len(of_file) - FILE_FAULTS_SHOWN
        left = [f"the file: {counted(more, 'more such line')}: {command('check', '--json')}"] if more > 0 else []
        others = [line for line in damage if not line.startswith("the file: ")]
        return [*of_file[:FILE_FAULTS_SHOWN], *left, *others]
    standing = counted(found.standing, "entry stands", "entries stand")
    marks = counted(len(found.marks), "mark")
    rows = [[mark.entry, short(mark.reed, 18), mark.kind, mark.sentence] for mark in found.marks]
    listed = table(["entry", "reed", "mark", "why"], rows, wrap=True) if rows else []
    kinds = {mark.entry[:3] for mark in found.marks}
    named = [kind for kind in ("reed", "chanter", "order") if kind[:3] in kinds]
    ways = [f"{'an' if one == 'order' else 'a'} {one} with {command('log', one, one.upper())}" for one in named]
    if kinds - {kind[:3] for kind in named}:
        ways.insert(0, f"with {command('log', 'amend', 'ENTRY')}")
    right = f"{'' if ways[:1] and ways[0].startswith('with') else 'so: '}{', '.join(ways)}"
    foot = prose(
        f"a right entry is left as it is, with its mark; a wrong one is put right {right}, or taken back with "
        f"{command('log', 'strike', 'ENTRY')}"
    )
    replaced = f"{found.replaced:,} replaced, " if found.replaced else ""
    struck = f"{found.struck - found.replaced:,} struck"
    weighed = prose(
        "no reading was weighed against the others yet; after "
        f"{command('learn')} those that nothing bears out have a mark too"
    )
    lines = [f"the log is sound: {standing}, {replaced}{struck}, {marks}", *(weighed if found.unlearned > 1 else [])]
    return [*lines, *listed, *(foot if rows else [])]


@app.command(context_settings={"ignore_unknown_options": True})
def settings(
    context: typer.Context,
    name: Annotated[Text, argument("The setting to set.", "NAME")] = None,
    value: Annotated[list[str] | None, argument("Its new value.", "VALUE…")] = None,
    as_json: Json = False,
) -> None:
    """Show the shop's settings, or set one. A setting holds for every bench that uses this log.

    Example: trimfit settings tolerance_hz 0.8, or: trimfit settings line_order f e a A crow
    """
    from trimfit.verbs import settings as verbs_settings

    reordered: Sequence[str] = ()
    if name is not None and value:
        unit, text = _unit(name), " ".join(value)
        if unit and text.lower().endswith(unit.lower()):  # as it is shown
            text = text[: -len(unit)]
        try:
            with may_make_log(context) as log:
                kept, reordered = verbs_settings.set_setting(log, name, text)
        except InputError as error:
            if unit and error.remedy == "give a number":
                raise InputError(error.what, name, f"give a number, in {unit}") from None
            raise
        shown = {name: kept}
    else:
        shown = verbs_settings.settings(log_path(context))
        if name is not None and name not in shown:
            from trimfit.base.errors import nearest

            raise InputError(f"{short(name)!r} is no setting", "settings", nearest(name, list(shown)))
        shown = {name: shown[name]} if name is not None else shown
    answer(as_json, {key: _typed(text) for key, text in shown.items()}, lambda: _settings(shown, reordered))


def _settings(shown: Mapping[str, str], reordered: Sequence[str]) -> list[str]:
    rows = [[key, f"{_to_six_places(text)} {_unit(key)}", MEANINGS.get(key, "")] for key, text in shown.items()]
    lines = table(["setting", "value", "what it is"], rows, wrap=True)
    if reordered:
        names = ", ".join(short(reed) for reed in reordered[:MARKS_SHOWN])
        more = f" and {len(reordered) - MARKS_SHOWN:,} more" if len(reordered) > MARKS_SHOWN else ""
        lines += prose(f"read so, the entries of {names}{more} stand in another order than before")
    return lines


def _unit(name: str) -> str:
    """A setting's unit, as it ends the name."""
    found = next((unit for ending, unit in UNITS if name.endswith(ending)), "")
    return "min" if "minutes" in name else found


def _to_six_places(text: str) -> str:
    """A setting's value for the screen: what was typed in another unit may have more digits than are known."""
    value = _typed(text)
    return f"{value:.6f}".rstrip("0").rstrip(".") if isinstance(value, float) else text


def _typed(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text
