"""Twelve loose sheets of an invented shop, each kept in another manner, and what each of them says.

`data/NAME.said.txt` was written with the sheet, from the same made-up numbers, one entry a line: kind, reed, when,
values; `unread` lines name the cells that no reader can be sure of. Factors: NIST SP 811, appendix B.8; ratios: 5/3,
3/2 and 2.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from datetime import date
from pathlib import Path

import pytest

from trimfit.entry.loose_sheet.folder_draft import Draft, draft_sheet
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_import import import_folder

DATA = Path(__file__).parent / "data"
SHEETS = sorted(path for path in DATA.iterdir() if not path.name.endswith(".said.txt"))
TODAY = date(2026, 11, 28)
WHEN = {"reading": "taken_at", "trim": "done_at", "outcome": "at"}
Entries = dict[tuple[str, str], list[tuple[str, dict[str, str]]]]


def said(sheet: Path) -> tuple[Entries, set[tuple[int, str]]]:
    """What a sheet says: (kind, reed) -> (when, values) in time; and row and column of cells that cannot be read."""
    entries: Entries = defaultdict(list)
    unread = set()
    for line in (DATA / f"{sheet.stem}.said.txt").read_text(encoding="utf-8").splitlines():
        kind, reed, at, values = line.split("|")
        if kind == "unread":
            unread.add((int(reed), at))
        else:
            entries[kind, reed].append((at, dict(word.split("=") for word in values.split(";") if word)))
    return entries, unread


def written(folder: Path) -> Entries:
    """What a drafted folder holds, in the same form."""
    entries: Entries = defaultdict(list)
    for kind in ("reed", *WHEN):
        path = folder / f"{kind}s.csv"
        if not path.exists():
            continue
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                values = {k: v for k, v in row.items() if v and k not in ("reed", WHEN.get(kind))}
                entries[kind, row["reed"]].append((row.get(WHEN.get(kind, ""), ""), values))
    for rows in entries.values():
        rows.sort(key=lambda row: row[0])
    return entries


def same(wanted: str, found: str) -> bool:
    try:
        return float(found) == pytest.approx(float(wanted), rel=1e-5)
    except ValueError:
        return wanted == found


def compared(wanted: Entries, found: Entries) -> tuple[int, int, list[str]]:
    """How many values are wanted, how many of them were read rightly, and what was read that the sheet does not say."""
    values, right, wrong = 0, 0, []
    for key in wanted.keys() | found.keys():
        theirs, ours = wanted.get(key, []), found.get(key, [])
        for i in range(max(len(theirs), len(ours))):
            at, want = theirs[i] if i < len(theirs) else ("", {})
            when, have = ours[i] if i < len(ours) else ("", {})
            values += len(want) + bool(at)
            right += bool(at) and when.startswith(at)
            right += sum(name in have and same(value, have[name]) for name, value in want.items())
            wrong += [f"{key} {i + 1}: {n} {v}" for n, v in have.items() if n not in want or not same(want[n], v)]
            wrong += [f"{key} {i + 1}: when {when}"] if when and not when.startswith(at or "never") else []
    return values, right, wrong


def drafted(sheet: Path, folder: Path) -> Draft:
    return draft_sheet(sheet, folder, today=TODAY)


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda path: path.stem)
def test_nothing_is_read_wrongly_and_what_is_not_read_is_named(sheet: Path, tmp_path: Path) -> None:
    draft = drafted(sheet, tmp_path / "folder")
    wanted, unread = said(sheet)
    values, right, wrong = compared(wanted, written(tmp_path / "folder"))
    assert not wrong
    assert {(cell.row, cell.column) for cell in draft.unread} == unread
    assert right >= 0.95 * values
    page = (tmp_path / "folder" / "guesses.txt").read_text(encoding="utf-8")
    assert all(cell.line() in page for cell in draft.unread)
    assert all(guess.what in page for guess in draft.guesses)


def test_there_are_twelve_sheets_and_of_all_their_values_95_percent_are_read(tmp_path: Path) -> None:
    totals = [0, 0]
    for sheet in SHEETS:
        drafted(sheet, tmp_path / sheet.stem)
        values, right, _ = compared(said(sheet)[0], written(tmp_path / sheet.stem))
        totals = [totals[0] + values, totals[1] + right]
    assert len(SHEETS) == 12
    assert totals[1] >= 0.95 * totals[0] > 950


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda path: path.stem)
def test_an_import_takes_what_was_drafted_and_keeps_the_order_of_the_sheet(sheet: Path, tmp_path: Path) -> None:
    draft = drafted(sheet, tmp_path / "folder")
    assert draft.faults == ()
    with Journal(tmp_path / "log", create=True) as journal:
        counts = import_folder(journal, tmp_path / "folder")
        assert counts.new == draft.entries
        order: dict[str, list[str]] = defaultdict(list)
        for (kind, reed), entries in written(tmp_path / "folder").items():
            order[reed] += [f"{at} {kind}" for at, _ in entries if at]
    lines = (DATA / f"{sheet.stem}.said.txt").read_text(encoding="utf-8").splitlines()
    for reed, mine in order.items():
        meant = [line.split("|")[0] for line in lines if line.split("|")[1] == reed and line.split("|")[0] in WHEN]
        assert [word.split()[1] for word in sorted(mine)] == meant, reed
