"""The draft of a loose sheet: dates as people write them, what is asked for instead of guessed, and any text at all."""

from __future__ import annotations

import re
from datetime import date
from itertools import permutations, product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.errors import InputError
from trimfit.entry.loose_sheet import table
from trimfit.entry.loose_sheet.folder_draft import Draft, draft_sheet
from trimfit.entry.loose_sheet.written_dates import read_clock, read_day
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_import import import_folder

TODAY = date(2026, 11, 28)


def draft(folder: Path, text: str | bytes, name: str = "sheet.csv", **more: bool) -> Draft:
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    return draft_sheet(folder / name, folder / "out", today=TODAY, **more)


def rows_of(folder: Path, file: str) -> list[str]:
    return (folder / "out" / file).read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize(
    ("text", "iso", "clock"),
    [
        ("2026-11-24", "2026-11-24", None),
        ("2026/11/24", "2026-11-24", None),
        ("2026-11-24T14:05", "2026-11-24", "14:05"),
        ("24/11/26", "2026-11-24", None),
        ("24.11.2026 9:05", "2026-11-24", "09:05"),
        ("3-4-26", "2026-04-03", None),
        ("24 Nov 26", "2026-11-24", None),
        ("24-nov-2026", "2026-11-24", None),
        ("Tue 24th November 2026", "2026-11-24", None),
        ("Nov 24, 2026 2:05 pm", "2026-11-24", "14:05"),
        ("24Nov26", "2026-11-24", None),
    ],
)
def test_a_date_in_many_hands(text: str, iso: str, clock: str | None) -> None:
    found = read_day(text)
    assert (found.iso(found.year or 0), found.clock) == (iso, clock)


@pytest.mark.parametrize(
    "text", ["11/24/26", "31/2/26", "24", "24 Foo", "", "2026-13-01", "0/0/0", "24.11.26.1", "١/٢/٢٦"]
)
def test_no_date_is_made_of_what_is_none(text: str) -> None:
    with pytest.raises(InputError):
        read_day(text)


def test_the_month_comes_first_only_where_it_is_said() -> None:
    assert read_day("3/4/26", month_first=True).iso(2026) == "2026-03-04"
    with pytest.raises(InputError, match="no date with the month first"):
        read_day("24/11/26", month_first=True)
    with pytest.raises(InputError, match="--month-first"):
        read_day("11/24/26")


@pytest.mark.parametrize(
    ("text", "clock"), [("14:05", "14:05"), ("9.05", "09:05"), ("2 pm", "14:00"), ("12:30am", "00:30")]
)
def test_a_time_of_day_in_many_hands(text: str, clock: str) -> None:
    assert read_clock(text) == clock


def test_a_date_without_a_year_is_the_last_one_or_has_the_year_above(tmp_path: Path) -> None:
    sheet = "reed,date,F\n1,24 Nov,778\n2,30 Nov,779\n3,5 Jan 2025,777\n4,6 Jan,776\n"
    draft(tmp_path / "a", sheet.replace(" 2025", ""))
    assert [row.split(",")[1] for row in rows_of(tmp_path / "a", "readings.csv")[1:]] == [
        "2025-11-24", "2025-11-30", "2026-01-05", "2026-01-06",
    ]  # fmt: skip
    made = draft(tmp_path / "b", sheet)
    assert rows_of(tmp_path / "b", "readings.csv")[4].split(",")[1] == "2025-01-06"
    guesses = " ".join(guess.what for guess in made.guesses)
    assert (
        "without a year is of 2024, before that of the full date after it, so that dates do not run back: '24 Nov'"
        in guesses
    )
    assert "without a year is of 2025, the year of the full date before it: '6 Jan'" in guesses
    assert [row.split(",")[1] for row in rows_of(tmp_path / "b", "readings.csv")[1:3]] == ["2024-11-24", "2024-11-30"]


def test_a_date_without_a_year_never_puts_a_reed_s_visits_in_another_order(tmp_path: Path) -> None:
    """Between reeds a sheet need not go by dates: the nearest year is taken."""
    days = ["1,24 Nov", "2,20 Nov", "2,10 Nov 2025", "1,1 Nov", "3,28 Dec", "3,3 Jan", "4,2 Jan", "4,1 Jan", "5,30 Jan"]
    made = draft(tmp_path / "a", "reed,date,F\n" + "".join(f"{day},77{i}\n" for i, day in enumerate(days)))
    assert [row.split(",")[1] for row in rows_of(tmp_path / "a", "readings.csv")[1:]] == [
        "2024-11-24", "2024-11-20", "2025-11-10", "2025-11-01", "2025-12-28", "2026-01-03", "2026-01-02", "2026-01-01",
        "2026-01-30",
    ]  # fmt: skip
    guesses = " ".join(guess.what for guess in made.guesses)
    assert "is of 2026, the year after that of the date before it, so that dates do not run back: '3 Jan'" in guesses


def a_person_reads(days: list[str]) -> list[date]:
    """All years that can be, in either order of the rows, none past today: those that take the shortest time."""
    known = [read_day(text) for text in days]
    best = []
    for years in product(*([day.year] if day.year else range(2023, 2027) for day in known)):
        dates = [date(year or 0, day.month, day.day) for day, year in zip(known, years, strict=True)]
        if max(dates) <= TODAY and dates in (sorted(dates), sorted(dates, reverse=True)):
            best.append(((max(dates) - min(dates)).days, TODAY - max(dates), dates))
    return min(best)[2]


def is_true(reason: str, at: int, days: list[str], dates: list[date]) -> bool:
    """Whether what is said of a date's year is so, looked up in the sheet."""
    full = [bool(read_day(text).year) for text in days]
    year = dates[at].year
    above = next((dates[i].year for i in reversed(range(at)) if full[i]), None)
    below = next((dates[i].year for i in range(at + 1, len(days)) if full[i]), None)
    beside = {"before": dates[at - 1].year if at else 0, "after": dates[at + 1].year if at + 1 < len(days) else 0}
    return {
        "the last such day up to today": year == read_day(days[at]).last_before(TODAY),
        "the year of the full date before it": year == above,
        "the year of the full date after it": year == below,
        "the year of the date before it": year == beside["before"],
        "the year of the date after it": year == beside["after"],
        "so that dates do not run back": year < read_day(days[at]).last_before(TODAY),
        "before that of the full date before it, so that dates do not run back": year < (above or 0),
        "before that of the full date after it, so that dates do not run back": year < (below or 0),
        "the year after that of the date before it, so that dates do not run back": year - 1 == beside["before"],
        "the year after that of the date after it, so that dates do not run back": year - 1 == beside["after"],
    }[reason]


@pytest.mark.parametrize("reeds", ["one", "several"])
@pytest.mark.parametrize("turned", [False, True], ids=["oldest first", "newest first"])
@pytest.mark.parametrize("full", [[0], [1], [2], [3], [0, 3], [0, 1, 2, 3], []], ids=str)
@pytest.mark.parametrize(
    "days",
    [
        ["24 Nov 2026", "26 Nov 2026", "26 Nov 2026", "27 Nov 2026"],
        ["24 Nov 2025", "24 Dec 2025", "3 Jan 2026", "4 Jan 2026"],
        ["20 Dec 2025", "3 Jan 2026", "3 Jan 2026", "5 Jan 2026"],
        ["20 Dec 2024", "22 Dec 2024", "31 Dec 2024", "3 Jan 2025"],
        ["2 Mar 2026", "5 May 2026", "6 May 2026", "1 Jul 2026"],
    ],
    ids=lambda days: days[0],
)
def test_dates_without_a_year_are_those_that_a_person_reads(
    tmp_path: Path, days: list[str], full: list[int], *, turned: bool, reeds: str
) -> None:
    """A full date at the top, at the bottom, in the middle, everywhere and nowhere; over New Year; either way round."""
    days = [day if i in full else day[:-5] for i, day in enumerate(days)]
    days = days[::-1] if turned else days
    rows = [f"{1 if reeds == 'one' else i},{day},{750 + i}" for i, day in enumerate(days)]
    made = draft(tmp_path, "\n".join(["reed,date,F", *rows]))
    read = {row.split(",")[3]: row.split(",")[1][:10] for row in rows_of(tmp_path, "readings.csv")[1:]}
    dates = [date.fromisoformat(read[f"{750 + i}"]) for i in range(len(days))]
    assert dates == a_person_reads(days)
    assert any("the newest row stands first" in guess.what for guess in made.guesses) == turned
    for guess in made.guesses:
        rule, _, cell = guess.what.rpartition(": ")
        if rule.startswith("a date without a year"):
            year, _, reason = rule.removeprefix("a date without a year is of ").partition(", ")
            of = [i for i, day in enumerate(days) if repr(day) == cell and str(dates[i].year) == year]
            assert any(is_true(reason, i, days, dates) for i in of), guess.what


@pytest.mark.parametrize("days", [["24 Nov 2026", "24 Dec"], ["24 Dec", "24 Nov 2026"]], ids=lambda days: days[0])
def test_no_date_without_a_year_is_after_today(tmp_path: Path, days: list[str]) -> None:
    made = draft(tmp_path, "reed,date,F\n" + "".join(f"{i},{day},75{i}\n" for i, day in enumerate(days)))
    read = [row.split(",")[1][:10] for row in rows_of(tmp_path, "readings.csv")[1:]]
    assert sorted(read) == ["2025-12-24", "2026-11-24"]
    (guess,) = [guess.what for guess in made.guesses if "without a year" in guess.what]
    reasons = ("the last such day up to today", "before that of the full date after it, so that dates do not run back")
    assert guess in [f"a date without a year is of 2025, {why}: '24 Dec'" for why in reasons]


def test_dates_over_the_heads_of_visits_go_over_new_year(tmp_path: Path) -> None:
    draft(tmp_path, ",24/11/24,,24 Dec,,3 Jan,\nreed,F,took,F,took,F,took\n1,757,0.1,758,0.1,759,0.1\n")
    read = [row.split(",")[1][:10] for row in rows_of(tmp_path, "readings.csv")[1:]]
    assert read == ["2024-11-24", "2024-12-24", "2025-01-03"]


def test_a_day_that_a_reed_was_made_on_is_the_last_up_to_its_row(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,made,date,F\n1,1 Nov,3 Jan 2025,757\n")
    assert "made_on" in rows_of(tmp_path, "reeds.csv")[0]
    assert "2024-11-01" in rows_of(tmp_path, "reeds.csv")[1]
    assert "a date without a year is of 2024, the last such day up to the row's: '1 Nov'" in [
        guess.what for guess in made.guesses
    ]


@pytest.mark.parametrize(
    ("head", "cell", "what", "remedy"),
    [
        ("took", "12", "does not say its unit", "mm, thou or in"),
        ("took", "0.012", "does not say its unit", "mm, thou or in"),
        ("crow", "D flat 20", "may be two crows", "Db+20, or D-20"),
        ("crow", "C 20", "does not say whether 20 cents sharp or flat", "C+20 or C-20"),
        ("E", "7O3", "is not a number", "779.1 Hz"),
        ("E", "1703", "out of bounds", "give 570 to 840"),
        ("E cents", "-12", "cents from no known pitch", "reference_hz"),
        ("pressure", "26 stone", "no unit of pressure", "inH2O"),
        ("outcome", "gone", "no outcome", "good, lost or to-stock"),
        ("tape", "H", "no note", ""),
    ],
)
def test_what_would_be_a_guess_is_asked_for(tmp_path: Path, head: str, cell: str, what: str, remedy: str) -> None:
    made = draft(tmp_path, f"reed,type,batch,date,F,{head}\n1,cane,A,24/11/26,778.2,{cell}\n")
    (unread,) = made.unread
    assert (unread.row, unread.column, unread.cell) == (2, head, cell)
    assert what in unread.line()
    assert remedy in unread.remedy
    assert rows_of(tmp_path, "readings.csv")[1] == "1,2026-11-24,,778.2"


def test_the_details_show_what_is_drafted(tmp_path: Path) -> None:
    page = (Path(__file__).parents[3] / "reports" / "details.md").read_text(encoding="utf-8")
    row, files = re.search(r"A row such as `([^`]+)` becomes\n\n```\n(.*?)```", page, re.DOTALL).groups()  # type: ignore[union-attr]
    draft(tmp_path, row)
    for shown in re.split(r"\n(?=\S)", files.strip()):
        file, *lines = shown.split()
        assert rows_of(tmp_path, file) == lines


def test_a_cell_that_is_refused_bears_no_guess_out(tmp_path: Path) -> None:
    rows = "".join(f"R-{day},moulded,B-1,2026-03-0{day},{f_hz}\n" for day, f_hz in ((1, 757), (2, 759.5)))
    found = draft(tmp_path, f"reed,type,batch,date,F\nR-9,moulded,B-1,2026-03-09,7570\n{rows}")
    assert [one.cell for one in found.unread if one.column == "F"] == ["7570"]
    assert [one.what for one in found.guesses if one.about == "units"] == [
        "sounding hertz, by its numbers, 757 to 759.5"
    ]
    assert "7570" not in " ".join(one.what for one in found.guesses)


def test_a_cell_that_names_another_note_than_its_column_is_refused_and_no_guess(tmp_path: Path) -> None:
    found = draft(tmp_path, "reed,type,batch,date,low A,E\nR-1,moulded,B-1,2026-03-01,A=466,703\n")
    assert [one.cell for one in found.unread] == ["A=466"]
    assert not [one for one in found.guesses if "466" in one.what]


def test_a_column_known_by_nearly_all_its_cells_shows_one_of_them(tmp_path: Path) -> None:
    rows = "".join(f"R-{n},moulded,B-1,2026-03-01,{'soon' if n == 1 else f'C+{n}'},757\n" for n in range(1, 9))
    found = draft(tmp_path, f"reed,type,batch,date,sound,F\n{rows}")
    (crow,) = [one.what for one in found.guesses if one.where == "column 'sound'"]
    assert crow == "taken for crow: nearly all its cells are such; 'C+2' is one"


def test_a_crow_in_words_is_the_same_hertz_wherever_it_is_said(tmp_path: Path) -> None:
    column = draft(tmp_path / "a", "reed,date,crow,F\n1,24/11/26,C,757\n")
    cell = draft(tmp_path / "b", "reed,date,visit\n1,24/11/26,crow C F 757\n")
    said = [guess.what for made in (column, cell) for guess in made.guesses if guess.about == "crow words"]
    assert [what.partition(" is ")[2] for what in said] == ["C, 523.3 Hz"] * 2


def test_every_crow_in_words_is_listed_those_that_begin_with_their_cents_too(tmp_path: Path) -> None:
    """Was: `30 sharp of C` began with a digit and was taken for hertz in the list; and ten crows alone were listed."""
    words = ["30 sharp of C", "20 flat of D", *(f"C+{n}" for n in range(12)), "532 Hz", "532"]
    rows = "".join(f"{n},24/11/26,{word},757\n" for n, word in enumerate(words))
    made = draft(tmp_path, f"reed,date,crow,F\n{rows}")
    (said,) = [guess.what for guess in made.guesses if guess.about == "crow words"]
    assert said.startswith("'30 sharp of C' is C+30, 532.4 Hz; '20 flat of D' is D-20, 580.6 Hz; ")
    assert (said.count(";"), "'532" in said) == (13, False)


def test_outcome_words_among_remarks_are_said_to_stay_so(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,date,F,notes\n1,24/11/26,757,good\n2,24/11/26,757,Lost\n3,24/11/26,757,a chip\n")
    assert [guess.what for guess in made.guesses if guess.about == "note"] == [
        "2 cells are outcome words (good, Lost) and stay remarks; head a column outcome to have them taken"
    ]


def test_what_another_unit_says_is_no_finer_than_it_was_typed(tmp_path: Path) -> None:
    draft(tmp_path / "a", "reed,date,F,temp F,pressure\n1,24/11/26,778.2,70,26 inH2O\n")
    assert rows_of(tmp_path / "a", "readings.csv")[1].endswith(",778.2,6.4763,21.1")
    draft(tmp_path / "b", "reed,date,visit\n1,24/11/26,f 778.2 t 70 F\n")
    assert rows_of(tmp_path / "b", "readings.csv")[1].endswith(",778.2,21.1")


def test_a_row_without_a_reed_or_a_readable_date_is_left_out_and_named(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,date,F\n,24/11/26,778\n1,soon,778\n1,24/11/26,779\n")
    assert [(cell.row, cell.column) for cell in made.unread] == [(2, ""), (3, "date"), (3, "")]
    assert made.unread[-1].line() == "row 3: left out with its date: F '778'; mend the date"
    assert rows_of(tmp_path, "readings.csv")[1:] == ["1,2026-11-24,,779"]
    assert (made.cells, made.read) == (8, 4)


def test_entries_of_one_day_keep_the_order_of_the_sheet_by_times_that_are_said_to_be_made_up(tmp_path: Path) -> None:
    rows = ("1,24/11/26,,778,0.1", "1,24/11/26,14:30,779,0.12", "1,24/11/26,14:31,780,", "2,24/11/26,,777,")
    sheet = "\n".join(("reed,date,time,F,took", *rows))
    made = draft(tmp_path, sheet)
    readings = [row.split(",")[:2] for row in rows_of(tmp_path, "readings.csv")[1:]]
    trims = [row.split(",")[:2] for row in rows_of(tmp_path, "trims.csv")[1:]]
    assert readings == [
        ["1", "2026-11-24T14:28"],
        ["1", "2026-11-24T14:30"],
        ["1", "2026-11-24T14:31"],
        ["2", "2026-11-24"],
    ]
    assert trims == [["1", "2026-11-24T14:29"], ["1", "2026-11-24T14:30:30"]]
    assert any(guess.about == "times" and "made up" in guess.what for guess in made.guesses)
    assert made.faults == ()


def test_a_column_that_is_not_understood_is_named_whole(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,date,F,moon\n1,24/11/26,778,waxing\n2,24/11/26,778,\n")
    (unread,) = made.unread
    assert unread.line().startswith("moon: this column was not understood: one cell, 'waxing'")
    assert made.cells - made.read == 1


def test_what_an_import_would_refuse_is_said(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,date,blade,took\n1,24/11/26,10,6 mm\n1,25/11/26,,7 mm\n")
    assert len(made.faults) == 1
    assert "past the blade" in made.faults[0]
    assert "An import would refuse it" in (tmp_path / "out" / "guesses.txt").read_text()


def test_a_folder_that_holds_a_log_is_never_written_over(tmp_path: Path) -> None:
    draft(tmp_path, "reed,date,F,took\n1,24/11/26,778,0.1\n")
    with pytest.raises(InputError, match=r"holds readings\.csv already.*--force"):
        draft(tmp_path, "reed,date,F\n1,24/11/26,779\n")
    draft(tmp_path, "reed,date,F\n1,24/11/26,779\n", force=True)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["guesses.txt", "readings.csv", "reeds.csv"]
    (tmp_path / "out" / "guesses.txt").unlink()
    with pytest.raises(InputError, match=r"holds readings\.csv already"):
        draft(tmp_path, "reed,date,F\n1,24/11/26,780\n", force=True)
    assert rows_of(tmp_path, "readings.csv")[1:] == ["1,2026-11-24,,779"]


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("none.csv", None, "there is no such file"),
        ("empty.csv", b"", "holds nothing"),
        ("blank.csv", b"\n\n,,\n", "holds nothing"),
        ("binary.csv", bytes(range(256)), "is not a text file"),
        ("quote.csv", b'reed,date\n1,"24/11', "cannot be read as CSV"),
        ("wide.csv", b"," * 900, "has 901 columns"),
        ("book.xls", b"PK", "needs the package nonesuch, which is not installed; pip install nonesuch, or save"),
        ("book.ods", b"PK", "cannot be read as a spreadsheet"),
    ],
)
def test_files_that_are_no_sheet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, content: bytes | None, said: str
) -> None:
    # Whatever is installed where this runs: one reader that is not there, one that is and cannot read the file.
    monkeypatch.setitem(table.READERS, ".xls", ("nonesuch", "nonesuch"))
    monkeypatch.setitem(table.READERS, ".ods", ("pandas", "pandas"))
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError) as caught:
        draft_sheet(tmp_path / name, tmp_path / "out", today=TODAY)
    assert said in caught.value.line()
    assert not (tmp_path / "out").exists()


PIECES = st.sampled_from(
    ["reed", "R-1", "R-2", "type", "batch", "date", "24/11/26", "24 Nov", "29 Feb", "F", "E", "F1", "A", "778.2", "703",
     "467", "-12", "crow", "C+22", "D flat 20", "crow C", "F 757", "took 0.12", "took", "0.12", "6 thou", "12", "good",
     "Total", "-", '"', "do.", "ref", "470", "time", "9:05", "chanter", "taped", "g G", "order", "O-1", "=x", "é",
     "1e999", "nan", "", ""]
)  # fmt: skip
CELLS = st.lists(st.lists(PIECES, min_size=1, max_size=8), min_size=1, max_size=8)
TEXTS = st.one_of(st.text(max_size=120), CELLS.map(lambda rows: "\n".join(",".join(row) for row in rows)))


@settings(max_examples=40, deadline=None)
@given(TEXTS)
def test_any_text_is_drafted_or_refused_in_words(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.mktemp("any")
    try:
        made = draft(folder, text.encode("utf-8", errors="replace"))
    except InputError:
        return
    assert 0 <= made.read <= made.cells
    assert all(cell.line().isprintable() for cell in made.unread)
    # What cannot be imported is a fault of the whole (a cut past the blade, two entries of one time), never of a cell.
    whole = ("past the blade", "which came first is not known", "take one of the two rows out")
    assert all(any(words in fault for words in whole) for fault in made.faults)


def test_heads_may_stand_in_two_rows_or_in_the_first_column(tmp_path: Path) -> None:
    two = "Serial,Cane,Made from batch,Visit 1,,Visit 2,\n,,,Date,F,Cut,F\nA-1,wide,March,1 Nov,772,0.2,778\n"
    draft(tmp_path / "two", two)
    assert rows_of(tmp_path / "two", "reeds.csv") == ["reed,reed_type,batch", "A-1,wide,March"]
    assert [row.split(",")[-1] for row in rows_of(tmp_path / "two", "readings.csv")[1:]] == ["772", "778"]
    side = "Reed no,1,2\nType,cane,cane\nBatch,A,A\nDate,2/11/26,3/11/26\nF,771,775\nE,709,710\nTook,0.1,0.15\n"
    made = draft(tmp_path / "side", side)
    assert rows_of(tmp_path / "side", "readings.csv")[1:] == [
        "1,2026-11-02T12:00,,709,771",
        "2,2026-11-03T12:00,,710,775",
    ]
    assert made.read == made.cells == 14


@pytest.mark.parametrize(
    ("head", "cell", "length_mm"),
    [("Trim 0.01 mm", "12", "0.12"), ("cut (1/100 mm)", "12", "0.12"), ("took thou", "6", "0.1524"),
     ("off in", ".006", "0.1524"), ("took mm", "12", None), ("length mm", "21.5", None)],
)  # fmt: skip
def test_a_cut_is_in_the_unit_of_its_head_and_no_cut_of_a_blade_is_made_of_hundredths(
    tmp_path: Path, head: str, cell: str, length_mm: str | None
) -> None:
    made = draft(tmp_path, f"reed,date,{head}\n1,24/11/26,{cell}\n")
    if length_mm is None:
        assert [unread.remedy for unread in made.unread] == [
            "say in the head what it is: took, and mm, 0.01 mm, thou or in"
        ]
    else:
        assert rows_of(tmp_path, "trims.csv")[1:] == [f"1,2026-11-24,{length_mm}"]


def test_no_reed_is_called_by_a_date(tmp_path: Path) -> None:
    made = draft(tmp_path, "Reed 1\n24/11/26,F 757,E 703\n24/11/26,F 764,E 701\n")
    assert [unread.row for unread in made.unread] == [2, 3]
    assert not (tmp_path / "out" / "readings.csv").exists()


def test_an_order_goes_with_its_chanter_or_is_named(tmp_path: Path) -> None:
    sheet = "reed,order,chanter,date,F\n1,O-1,blue,24/11/26,778\n2,O-2,,24/11/26,779\n"
    made = draft(tmp_path, sheet)
    assert rows_of(tmp_path, "orders.csv") == ["order,chanter", "O-1,blue"]
    assert [(unread.column, unread.cell) for unread in made.unread] == [("order", "O-2")]
    assert made.faults == ()


def test_a_rows_time_is_that_of_its_first_visit(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,date,F before,cut,F after\n1,24/11/26 10:30,770,0.2,777\n")
    assert [row.split(",")[1] for row in rows_of(tmp_path, "readings.csv")[1:]] == [
        "2026-11-24T10:30",
        "2026-11-24T10:32",
    ]
    assert made.faults == ()


def test_a_second_column_for_one_thing_and_one_that_the_log_lacks_are_named(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,type,sort,date,F,colour\n1,cane,wide,24/11/26,778,straw\n")
    assert [unread.column for unread in made.unread] == ["colour", "sort"]
    assert "another column says the same" in made.unread[1].what
    assert rows_of(tmp_path, "reeds.csv")[1].startswith("1,cane,")


def test_three_heads_over_numbers_make_a_row_of_heads_though_most_are_in_another_language(tmp_path: Path) -> None:
    sheet = (
        "Schilf;Typ;Charge;Datum;gekürzt;F;E;crow\n"
        "R-1;moulded;B-1;2026-03-01;0,2;780,1;705,2;C+22\nR-2;moulded;B-1;2026-03-01;0,1;781,1;705,0;C+25\n"
    )
    draft(tmp_path, sheet)
    assert len(rows_of(tmp_path, "reeds.csv")) == len(rows_of(tmp_path, "readings.csv")) == 3
    # Over words they are no heads: a chanter may be called E.
    rows = "R-1;x;y;z;w;F;E;A\nR-2;x;y;z;w;E;F;A\n"
    assert "no row of heads was found" in "\n".join(draft(tmp_path / "words", rows).page)


def test_a_remark_within_a_cell_goes_with_the_cut_that_it_stands_beside(tmp_path: Path) -> None:
    line = "crow C+10 F 760 E 780 cut 0.2 remark chipped corner"
    draft(tmp_path, f"reed,type,batch,date,bench\nR-1,cane,B-1,2026-03-01,{line}\nR-2,cane,B-1,2026-03-01,cut 0.3\n")
    assert rows_of(tmp_path, "trims.csv") == [
        "reed,done_at,length_mm,remark",
        "R-1,2026-03-01T12:01,0.2,chipped corner",
        "R-2,2026-03-01,0.3,",
    ]


def test_cells_that_are_dropped_with_their_order_are_not_counted_as_read(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,date,crow,order\nR-1,2026-11-20,C+10,spring\nR-2,2026-11-20,C+12,spring\n")
    assert [one.cell for one in made.unread] == ["spring"]
    assert (made.cells, made.read) == (8, 6)
    assert "6 of 8 cells were read into" in made.page[1]


def test_a_sheet_of_which_nothing_is_read_is_refused_as_its_import_would_be(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nothing in it could be read"):
        draft(tmp_path, "a,b\n1,2\n")
    assert not (tmp_path / "out").exists()


def test_each_column_is_listed_with_what_it_became(tmp_path: Path) -> None:
    text = "No,Material,Lot,Date,F,took off mm,remark\nR-1,cane,B-1,2026-11-20,780.1,0.2,damp\n"
    (columns,) = [guess.what for guess in draft(tmp_path, text).guesses if guess.about == "columns"]
    assert columns == (
        "'No' is reed; 'Material' is reed_type; 'Lot' is batch; 'Date' is the day; 'F' is f_hz; "
        "'took off mm' is length_mm"
    )


SHEETS = {
    "reeds": "reed,type,batch\nR-1,moulded,B-1\nR-2,moulded,B-1\n",
    "readings": "reed,date,time,F,E\nR-1,2026-11-20,10:00,770.1,705.2\nR-2,2026-11-20,10:10,771.1,705.2\n",
    "trims": "reed,date,time,took mm\nR-1,2026-11-20,10:20,0.2\n",
}


@pytest.mark.parametrize("order", list(permutations(SHEETS)))
def test_three_sheets_of_one_shop_go_in_one_after_another(tmp_path: Path, order: tuple[str, ...]) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        for name in order:
            draft(tmp_path / name, SHEETS[name])
            import_folder(journal, tmp_path / name / "out")
        for name in order:
            assert import_folder(journal, tmp_path / name / "out").new == 0
        history = journal.of_reed("R-1")
    reed = history.reed.record
    assert (reed.reed_type, reed.batch) == ("moulded", "B-1")
    assert (len(history.readings), len(history.trims)) == (1, 1)


@pytest.mark.parametrize(("head", "read"), [("Band ", False), ("Chanter CH-", True)])
def test_a_head_over_a_pair_is_its_chanter_where_it_says_so_and_else_asked_for(
    tmp_path: Path, head: str, *, read: bool
) -> None:
    """Was: dropped without a word, under `Everything was read.`, and no column chanter was there to fill."""
    made = draft(tmp_path, f"Reed,Date,{head}1,,{head}2,\n,,F,E,F,E\n1,24/11/2025,757,703,759,705\n")
    names = ("CH-1", "CH-2") if read else ("", "")
    assert rows_of(tmp_path, "readings.csv") == [
        "reed,taken_at,chanter,e_hz,f_hz",
        f"1,2025-11-24T12:00,{names[0]},703,757",
        f"1,2025-11-24T12:01,{names[1]},705,759",
    ]
    taken = "row 1: 'Chanter CH-1' over F, E: taken for the chanter 'CH-1'"
    assert (taken in "\n".join(made.page), made.doubts == ()) == (read, read)
    asked = [(one.row, one.cell, one.what) for one in made.unread]
    assert asked == ([] if read else [(1, f"Band {n}", "over F, E: not understood") for n in (1, 2)])
    assert read or made.doubts[0].endswith("Fill the column chanter in readings.csv here")


@pytest.mark.parametrize(
    ("sheet", "rows"),
    [
        (",,chanter A,,,chanter B\nreed,date,F1,F2,took2,F1,F2\n1,24/11/26,751,752,0.1,761,762\n",
         ["12:00,A,751", "12:01,B,761", "12:02,A,752", "12:04,B,762"]),
        (",,,chanter A,chanter B\nreed,date,crow,F,E\n1,24/11/26,520,751,702\n",
         ["12:00,A,520,,751", "12:01,B,,702,"]),
    ],
    ids=["visits by number", "no note twice"],
)  # fmt: skip
def test_readings_in_the_chanters_over_their_heads_are_kept_apart(tmp_path: Path, sheet: str, rows: list[str]) -> None:
    made = draft(tmp_path, sheet)
    assert [row.removeprefix("1,2026-11-24T") for row in rows_of(tmp_path, "readings.csv")[1:]] == rows
    assert (made.unread, made.faults) == ((), ())


def test_a_chanter_over_the_heads_and_another_in_the_row_are_named(tmp_path: Path) -> None:
    made = draft(tmp_path, ",,,chanter A\nreed,date,chanter,F\n1,24/11/26,B,751\n2,24/11/26,A,752\n")
    assert [one.line() for one in made.unread] == [
        "row 3, chanter: 'B' the head above says 'A' of this reading; mend one of them"
    ]
    assert [row.split(",")[2] for row in rows_of(tmp_path, "readings.csv")[1:]] == ["A", "A"]


def test_what_stands_above_the_heads_is_named_but_a_title(tmp_path: Path) -> None:
    heads = "Spring reeds,,,,\nShop,north,,,\n,May,,June,\nreed,F,took,F,took\n"
    made = draft(tmp_path, f"{heads}1,757,0.1,758,0.1\n2,758,0.1,759,0.1\n")
    assert [one.line().partition(";")[0] for one in made.unread] == [
        "row 2: 'Shop', 'north' stand above the heads and were not understood",
        "row 3: 'May' over F, took: not understood",
        "row 3: 'June' over F, took: not understood",
    ]
    said = "\n".join(made.page)
    assert f"no column was taken for dates: {TODAY}, today, was put for all" in said
    assert "that of the row above" not in said


def test_a_second_value_for_one_thing_of_a_visit_is_named_and_the_first_kept(tmp_path: Path) -> None:
    """Was: the last one was kept without a word."""
    made = draft(tmp_path, "reed,date,F1,F2,F1\n1,24/11/26,757,758,767\n2,24/11/26,757,758,757\n3,24/11/26,,758,757\n")
    assert [row.split(",")[3] for row in rows_of(tmp_path, "readings.csv")[1:]] == ["757", "758"] * 3
    assert [one.line() for one in made.unread] == [
        "row 2, F1: '767' is a second f_hz of one visit, after 757; mend one of them"
    ]


def test_a_column_of_which_most_cells_are_dates_is_the_date_and_its_bad_cells_are_named(tmp_path: Path) -> None:
    made = draft(tmp_path, "reed,Datum,F\n1,24.11.,757\n2,25.11.,758\n3,32.11.,759\n")
    assert [row.split(",")[1] for row in rows_of(tmp_path, "readings.csv")[1:]] == ["2026-11-24", "2026-11-25"]
    assert (made.unread[0].row, made.unread[0].column, made.unread[0].cell) == (4, "Datum", "32.11.")
    said = [guess.what for guess in made.guesses]
    assert "taken for day: most of its cells are such; '24.11.' is one" in said
    assert "dates in numbers are read with the day first: '24.11.' is 2026-11-24" in said
    made = draft(tmp_path / "shelf", "reed,shelf,F\n1,10-2,757\n2,10-3,758\n3,x,759\n")
    assert [one.column for one in made.unread] == ["shelf"]


def test_a_row_that_begins_with_reed_is_the_row_of_heads(tmp_path: Path) -> None:
    """Was: a reed named `Reed`, of type `When`."""
    heads = "Reed,When,Band F,Band E,Solo F,Solo E,Shaved (mm)"
    made = draft(tmp_path, f"{heads}\n1,2026-02-20,757,703,759,705,0.1\n2,2026-02-30,757,703,759,705,0.1\n")
    assert [row.split(",")[0] for row in rows_of(tmp_path, "reeds.csv")] == ["reed", "1", "2"]
    assert [one.column for one in made.unread] == ["Band F", "Band E", "Solo F", "Solo E", "Shaved (mm)", "When"]
    assert made.unread[0].remedy == "head it F, and if 'Band' is a chanter, put 'chanter Band' over it in a row above"


@pytest.mark.parametrize("head", ["mm", "mm off", "MM taken"])
def test_a_head_of_millimetres_alone_is_the_length_taken_off_and_listed_as_a_guess(tmp_path: Path, head: str) -> None:
    draft(tmp_path, f"reed,date,{head}\n1,2026-03-01,0.2\n2,2026-03-02,0.3\n")
    assert [row.split(",")[0] for row in rows_of(tmp_path, "trims.csv")[1:]] == ["1", "2"]
    assert f"{head!r} is length_mm" in (tmp_path / "out" / "guesses.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "text", ["hello world\nthis is\n", "dear reader,how are you\nthe weather,is fine\n", "a,ok\nb,good\n"]
)
def test_prose_is_no_sheet(tmp_path: Path, text: str) -> None:
    """Was: each line became a reed, and everything was said to be read."""
    with pytest.raises(InputError, match="holds no number and no head that is known") as refused:
        draft(tmp_path, text)
    assert refused.value.remedy == "name a sheet with heads, and a row for each reed"
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("text", "reeds"),
    [("reed\nAnna\nBess\n", ["Anna", "Bess"]), ("Anna,moulded,crow C\n", ["Anna"]), ("R-1\nR-2\n", ["R-1", "R-2"])],
)
def test_names_of_reeds_need_no_number_under_a_head_or_beside_a_crow(
    tmp_path: Path, text: str, reeds: list[str]
) -> None:
    draft(tmp_path, text)
    assert [row.split(",")[0] for row in rows_of(tmp_path, "reeds.csv")[1:]] == reeds


@pytest.mark.parametrize("text", ["hello\n", "\n,1,\n"])
def test_one_cell_is_no_sheet(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match="holds one cell, and no reading"):
        draft(tmp_path, text)
    assert not (tmp_path / "out").exists()
