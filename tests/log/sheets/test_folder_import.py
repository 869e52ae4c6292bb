"""A CSV folder into the log and out of it: what is read, what is refused and how it is said, bytes that come back."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimfit.base.errors import InputError
from trimfit.base.pitch import parse_crow_hz
from trimfit.base.records import Chanter, Doubt, Reading, Reed, Trim
from trimfit.log.column_values import guard, number_text, unguard
from trimfit.log.entry_counts import Counts
from trimfit.log.journal import Journal
from trimfit.log.merging.merge import merge_logs
from trimfit.log.sheets.folder_export import export_folder
from trimfit.log.sheets.folder_import import FILES, MOST_SOUGHT, import_folder

SHOP = {
    "chanters.csv": "chanter,meeting_pitch_hz\nCH-1,474\n",
    "orders.csv": "order,chanter,quantity\nO-1,CH-1,12\n",
    "reeds.csv": "reed,reed_type,batch,blade_mm,order\nR-1,moulded,B-1,23.0,O-1\nR-2,moulded,B-1,,\n",
    "readings.csv": "reed,taken_at,chanter,crow_hz,e_hz,f_hz\nR-1,2026-03-01T10:00,CH-1,532.4,703,780\n",
    "trims.csv": "reed,done_at,length_mm,lip_strokes\nR-1,2026-03-01T10:05,0.15,2\n",
    "events.csv": "reed,at,event\nR-1,2026-03-02,bridle moved\n",
    "outcomes.csv": "reed,at,outcome\nR-2,2026-03-01,to-stock\n",
}


def lay(folder: Path, files: dict[str, str | bytes]) -> Path:
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    return folder


def take(log: Path, folder: Path) -> Counts:
    with Journal(log, create=True) as journal:
        return import_folder(journal, folder)


def put(log: Path, folder: Path) -> dict[str, bytes]:
    with Journal(log) as journal:
        export_folder(journal, folder)
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def faults_of(tmp_path: Path, files: dict[str, str | bytes], before: dict[str, str | bytes] | None = None) -> list[str]:
    """The lines said about a folder, once it is sure that nothing of it was kept."""
    log = tmp_path / "log"
    if before:
        take(log, lay(tmp_path / "before", before))
    with Journal(log, create=True) as journal:
        last = journal.last_seq()
        with pytest.raises(InputError) as caught:
            import_folder(journal, lay(tmp_path / "bad", files))
        assert journal.last_seq() == last
    return caught.value.lines()


def test_cells_may_say_their_unit_and_crows_and_taped_notes_their_words(tmp_path: Path) -> None:
    """The same numbers as `SHOP` has, in other units (NIST SP 811, appendix B.8) and words."""
    heads = "reed,taken_at,chanter,crow_hz,e_hz,f_hz,pressure_kpa,temperature_c,humidity_pct,taped\n"
    plain = heads + "R-1,2026-03-01T10:00,CH-1,532.3973992564887,703,780,7.4726673,21,55,low_g high_g\n"
    words = heads + "R-1,2026-03-01T10:00,CH-1,30 sharp of C,703 Hz,780hz,30inH2O,69.8 F,55 %,g G\n"
    cuts = "reed,done_at,length_mm,asked_mm\n"
    take(
        tmp_path / "log",
        lay(tmp_path / "plain", {**SHOP, "readings.csv": plain, "trims.csv": f"{cuts}R-1,2026-03-02,0.1524,0.3048\n"}),
    )
    lay(tmp_path / "words", {"readings.csv": words, "trims.csv": f"{cuts}R-1,2026-03-02,6 thou,0.012in\n"})
    assert take(tmp_path / "log", tmp_path / "words") == Counts(
        0, 2, 0, {"readings.csv": (0, 1), "trims.csv": (0, 1)}, ()
    )


def test_a_column_named_by_a_note_alone_is_taken_where_its_numbers_are_sounding_hertz(tmp_path: Path) -> None:
    take(tmp_path / "log", lay(tmp_path / "shop", dict(SHOP)))
    bare = "reed,taken_at,chanter,crow,E,f\nR-1,2026-03-01T10:00,CH-1,532.4 Hz,703,780\n"
    counts = take(tmp_path / "log", lay(tmp_path / "bare", {"readings.csv": bare}))
    assert (counts.new, counts.known) == (0, 1)
    assert counts.notices == (
        "readings.csv: column 'E' was taken for e_hz: its numbers are sounding hertz",
        "readings.csv: column 'f' was taken for f_hz: its numbers are sounding hertz",
    )


@pytest.mark.parametrize(
    ("heads", "cells", "said"),
    [
        (
            "F",
            "467",
            "F: is no column of this file, and '467' on line 2 is no sounding hertz of that note; name it f_hz",
        ),
        (
            "b",
            "470",
            "b: is no column of this file, and its numbers may be sounding hertz or hertz as low A; name it b_hz",
        ),
        (
            "A",
            "470",
            "A: is no column of this file, and '470' on line 2 is no sounding hertz of that note; name it high_a",
        ),
        ("f,f_hz", "780,780", "f: is no column of this file; did you mean f_hz?"),
        ("a_hz", "470", "a_hz: is no column of this file; did you mean low_a_hz?"),
        ("A_cents", "4", "a_cents: is no column of this file; did you mean high_a_cents?"),
    ],
)
def test_a_column_named_by_a_note_alone_is_asked_about_where_its_numbers_may_be_something_else(
    tmp_path: Path, heads: str, cells: str, said: str
) -> None:
    (line,) = faults_of(tmp_path, {**SHOP, "readings.csv": f"reed,taken_at,{heads}\nR-1,2026-02-28,{cells}\n"})
    assert line.startswith(f"readings.csv:1: {said}")


def test_the_rows_under_a_wrong_head_are_looked_at_too(tmp_path: Path) -> None:
    rows = "reed,taken_at,chanter,f_hzz,e_hz,f_cents\nR-1,2026-03-01,CH-1,780,loud,4\nR-9,soon,CH-1,780,700,4\n"
    reeds = "reed,reed_typ,batch\nR-1,moulded,B\nR-2,moulded,B\n"
    assert [
        line.partition(";")[0] for line in faults_of(tmp_path, {**SHOP, "reeds.csv": reeds, "readings.csv": rows})
    ] == [
        "reeds.csv:1: reed_typ: is no column of this file",
        "reeds.csv:1: reed_type: this column is missing",
        "readings.csv:1: f_hzz: is no column of this file",
        "readings.csv:2: e_hz: 'loud' is not a number",
        "readings.csv:3: taken_at: 'soon' is not a time",
        "readings.csv:3: reed: unknown reed 'R-9'",
    ]


def test_what_is_empty_is_named_beside_what_is_wrong(tmp_path: Path) -> None:
    """Was: an empty cell was hidden by another fault of its row, a row without an amount by a wrong head."""
    trims = "reed,done_at,length_mm,length,remark\nR-1,2026-03-01,,,none\nR-1,soon,,,\nR-1,2026-03-02,,0.1,\n"
    outcomes = "reed,at,outcome\nR-1,,great\n"
    said = faults_of(tmp_path, {**SHOP, "trims.csv": trims, "outcomes.csv": outcomes})
    assert [line.partition(";")[0] for line in said] == [
        "trims.csv:1: length: is no column of this file",
        "trims.csv:2: length_mm: nothing was taken off",
        "trims.csv:3: done_at: 'soon' is not a time",
        "trims.csv:3: length_mm: nothing was taken off",
        "outcomes.csv:2: outcome: 'great' is no outcome",
        "outcomes.csv:2: at: is empty",
    ]


def test_chanters_that_nothing_knows_are_one_fault_with_the_file_to_add(tmp_path: Path) -> None:
    rows = "".join(f"R-1,2026-03-{day:02d},CH-1,780\n" for day in range(1, 29))
    reading = "reed,taken_at,chanter,f_hz\n" + rows + 'R-2,2026-03-01,"=new, blue",779\n'
    shop = {"reeds.csv": SHOP["reeds.csv"].replace("O-1", ""), "readings.csv": reading}
    with Journal(tmp_path / "log", create=True) as journal:
        with pytest.raises(InputError) as caught:
            import_folder(journal, lay(tmp_path / "shop", dict(shop)))
        (fault,) = caught.value.faults
        assert fault.line() == (
            "readings.csv:2: chanter: neither the folder nor the log has chanter 'CH-1', '=new, blue', named on 29 "
            "rows; mend the name, or add chanters.csv with these lines"
        )
        assert getattr(caught.value, "rows", 0) == 29
        (tmp_path / "shop" / "chanters.csv").write_text("\n".join(fault.copy))
        assert import_folder(journal, tmp_path / "shop").new == 33


def test_a_time_that_a_spreadsheet_wrote_anew_is_the_same_time(tmp_path: Path) -> None:
    """With seconds, with `/` and a blank: entries, struck ones and marks are those of the log."""
    log = tmp_path / "a"
    take(log, lay(tmp_path / "shop", dict(SHOP)))
    with Journal(log) as journal:
        trim = journal.of_reed("R-1").trims[0]
        journal.strike(trim.entry, "slip")
        journal.append(trim.record, doubts=[Doubt("odd", "length_mm", "is it?")])
    whole = put(log, tmp_path / "out")
    for i, (old, new) in enumerate(((b"T10:05", b"T10:05:00"), (b"2026-03-01T10:05,", b"2026/03/01 10:05,"))):
        saved = {name: text.replace(old, new) for name, text in whole.items() if name != "marks.csv"}
        lay(tmp_path / f"saved{i}", {**saved, "marks.csv": whole["marks.csv"]})
        assert take(log, tmp_path / f"saved{i}").new == 0
        take(tmp_path / f"fresh{i}", tmp_path / f"saved{i}")
        again = put(tmp_path / f"fresh{i}", tmp_path / f"again{i}")
        assert again["struck.csv"] == whole["struck.csv"]
        assert again["marks.csv"].count(b"odd: is it?") == 1


def test_twice_in_adds_nothing_and_out_in_out_gives_the_same_bytes(tmp_path: Path) -> None:
    shop = lay(tmp_path / "shop", dict(SHOP))
    assert take(tmp_path / "a", shop) == Counts(
        8, 0, 0, {name: (2 if name == "reeds.csv" else 1, 0) for name in SHOP}, ()
    )
    again = take(tmp_path / "a", shop)
    assert (again.new, again.known) == (0, 8)
    first = put(tmp_path / "a", tmp_path / "out1")
    assert sorted(first) == sorted([*FILES, ".trimfit-export"])
    assert take(tmp_path / "b", tmp_path / "out1").new == 8
    assert put(tmp_path / "b", tmp_path / "out2") == first
    assert first["readings.csv"].splitlines()[1] == b"R-1,2026-03-01T10:00,CH-1,532.4,,,,,,703,780,,,,,,,,"


def test_strikes_reentries_marks_and_settings_go_out_and_come_back(tmp_path: Path) -> None:
    log = tmp_path / "a"
    take(log, lay(tmp_path / "shop", dict(SHOP)))
    with Journal(log) as journal:
        wrong = journal.of_reed("R-1").readings[0]
        journal.strike(wrong.entry, '=read in the wrong chanter, "I\nthink"')
        again = journal.append(wrong.record, doubts=[Doubt("odd", "f_hz", "is it?")])
        journal.strike(again.entry, "no")
        third = journal.append(wrong.record)
        trim = journal.of_reed("R-1").trims[0]
        journal.strike(trim.entry, "another reed")
        chanter = journal.append(Chanter("CH-2"))
        journal.strike(chanter.entry, "sold")
        journal.set_setting("ratio_d", "27/20")
        journal.set_setting("tolerance_hz", "0.5")
        bad = journal.set_setting("tolerance_hz", "5")
        journal.strike(bad, "too wide")
        before = journal.of_reeds()
    first = put(log, tmp_path / "out1")
    with Journal(log) as journal:
        out = export_folder(journal, tmp_path / "out1")
    counts = take(tmp_path / "b", tmp_path / "out1")
    assert counts.known == 0
    # A row is counted once, in and out.
    assert counts.new == out.new + out.known
    assert {file: new for file, (new, _) in counts.by_kind.items()} == {
        file: sum(rows) for file, rows in out.by_kind.items() if sum(rows)
    }
    assert put(tmp_path / "b", tmp_path / "out2") == first
    assert take(tmp_path / "b", tmp_path / "out1").new == 0
    assert take(log, tmp_path / "out2").new == 0
    with Journal(tmp_path / "b") as journal:
        after = journal.of_reeds()
        assert [entry.readings[0].entry for entry in after if entry.readings] == [third.entry]
        assert [entry.reed.record for entry in after] == [entry.reed.record for entry in before]
        assert journal.settings().tolerance_hz == 0.5
        assert journal.settings().ratio_d == "27/20"
        assert journal.count("strike") == 5
    struck = first["struck.csv"].decode()
    assert wrong.entry in struck
    assert "'=read in the wrong chanter" in struck
    assert first["readings.csv"].count(b"\n") == 2
    assert first["trims.csv"].count(b"\n") == 1


def test_a_struck_row_does_not_come_in_again_from_the_shops_own_sheet(tmp_path: Path) -> None:
    shop = lay(tmp_path / "shop", dict(SHOP))
    take(tmp_path / "a", shop)
    with Journal(tmp_path / "a") as journal:
        journal.strike(journal.of_reed("R-1").readings[0].entry, "slip")
    counts = take(tmp_path / "a", shop)
    assert (counts.new, counts.known) == (0, 8)
    with Journal(tmp_path / "a") as journal:
        assert journal.of_reed("R-1").readings == ()


def test_rows_stand_in_order_of_time_however_they_came(tmp_path: Path) -> None:
    rows = [f"R-1,2026-03-0{day}T10:00,{530 + day}\n" for day in (3, 1, 2)]
    for name, order in (("a", rows), ("b", rows[::-1])):
        reeds = "reed,reed_type,batch\nR-1,T,B\n"
        lay(tmp_path / name, {"reeds.csv": reeds, "readings.csv": "reed,taken_at,crow_hz\n" + "".join(order)})
        take(tmp_path / f"{name}.log", tmp_path / name)
    assert put(tmp_path / "a.log", tmp_path / "outa") == put(tmp_path / "b.log", tmp_path / "outb")


@pytest.mark.parametrize(
    "readings",
    [
        b"taken_at,f_hz,reed,e_hz,crow_hz,chanter\n2026-03-01T10:00,780,R-1,703,532.4,CH-1\n",
        b"\xef\xbb\xbfreed,taken_at,chanter,crow_hz,e_hz,f_hz\r\nR-1,2026-03-01T10:00,CH-1,532.4,703,780\r\n",
        b"reed;taken_at;chanter;crow_hz;e_hz;f_hz\nR-1;2026-03-01T10:00;CH-1;532,4;703,0;780\n",
        b"reed\ttaken_at\tchanter\tcrow_hz\te_hz\tf_hz\nR-1\t2026-03-01T10:00\tCH-1\t532.4\t703\t7.8e2\n",
        b'"reed","taken_at","chanter","crow_hz","e_hz","f_hz"\n"R-1","2026-03-01T10:00","CH-1","532.4","703","780"',
        b" Reed ,TAKEN_AT,chanter,crow_hz,e_hz,f_hz,\n\n R-1 , 2026-03-01T10:00 ,CH-1, 532.4 ,703,780,\n,,,,,,\n",
        b"reed,taken_at,chanter,crow,e_hz,f_hz\nR-1,2026-03-01T10:00,CH-1,532.4 Hz,703,780\n",
    ],
)
def test_the_ways_a_spreadsheet_writes_one_row(tmp_path: Path, readings: bytes) -> None:
    take(tmp_path / "plain", lay(tmp_path / "shop", dict(SHOP)))
    take(tmp_path / "other", lay(tmp_path / "shop2", {**SHOP, "readings.csv": readings}))
    assert put(tmp_path / "other", tmp_path / "out2") == put(tmp_path / "plain", tmp_path / "out")


def test_crow_as_a_note_and_notes_in_cents(tmp_path: Path) -> None:
    text = "reed,taken_at,crow,e_cents,f_cents,low_a_hz,reference_hz\nR-1,2026-03-01T10:00,C+22,-12,0,468.2,474\n"
    take(tmp_path / "log", lay(tmp_path / "shop", {**SHOP, "readings.csv": text}))
    with Journal(tmp_path / "log") as journal:
        record = journal.of_reed("R-1").readings[0].record
    assert record.crow_hz == parse_crow_hz("C+22")
    assert record.notes_hz["f"] == pytest.approx(474 * 5 / 3)
    assert record.notes_hz["e"] == pytest.approx(474 * 1.5 * 2 ** (-12 / 1200))
    assert record.notes_hz["low_a"] == 468.2


def test_cents_count_from_the_shops_own_ratio(tmp_path: Path) -> None:
    files = {
        **SHOP,
        "settings.csv": "setting,set_at,value\nratio_low_g,2026-01-01,7/8\n",
        "readings.csv": "reed,taken_at,low_g_cents,reference_hz\nR-1,2026-03-01T10:00,0,474\n",
    }
    take(tmp_path / "log", lay(tmp_path / "shop", files))
    with Journal(tmp_path / "log") as journal:
        assert journal.of_reed("R-1").readings[0].record.notes_hz["low_g"] == pytest.approx(474 * 7 / 8)


def test_a_file_with_fewer_columns_says_nothing_against_the_log(tmp_path: Path) -> None:
    take(tmp_path / "log", lay(tmp_path / "shop", dict(SHOP)))
    fewer = {"reeds.csv": "reed,reed_type,batch\nR-1,moulded,B-1\nR-2,moulded,B-1\n"}
    counts = take(tmp_path / "log", lay(tmp_path / "fewer", fewer))
    assert (counts.new, counts.known) == (0, 2)


READ = "reed,taken_at,chanter,crow_hz,e_hz,f_hz\n"
CUT = "reed,done_at,length_mm,lip_strokes\n"
REED = "reed,reed_type,batch,blade_mm,order\n"


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        (
            "readings.csv",
            "reed,taken_at,f_hzz\n",
            ["readings.csv:1: f_hzz: is no column of this file; did you mean f_hz?"],
        ),
        (
            "readings.csv",
            "reed,f_hz\n",
            ["readings.csv:1: taken_at: this column is missing; the file needs reed, taken_at"],
        ),
        ("readings.csv", "reed,taken_at,reed\n", ["readings.csv:1: reed: stands twice"]),
        ("readings.csv", "", ["readings.csv: is empty"]),
        (
            "readings.csv",
            READ + "R-1,2026-03-01,CH-1,532,703,780,9\n",
            ["readings.csv:2: 7 cells where the head line names 6"],
        ),
        ("readings.csv", READ + "R-1,2026-03-01\n", ["readings.csv:2: chanter: the row ends after 2 of 6 cells"]),
        (
            "readings.csv",
            READ + "R-9,2026-03-01,CH-1,532,703,780\n",
            ["readings.csv:2: reed: unknown reed 'R-9'; did you mean R-"],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-03-01,CH-9,532,703,780\n",
            ["readings.csv:2: chanter: unknown chanter 'CH-9'"],
        ),
        ("reeds.csv", REED + "R-1,moulded,B-1,,O-9\nR-2,moulded,B-1,,\n", ["reeds.csv:2: order: unknown order 'O-9'"]),
        (
            "orders.csv",
            "order,chanter\nO-1,CH-7\n",
            ["orders.csv:2: chanter: unknown chanter 'CH-7'; did you mean CH-1?"],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-03-01,CH-1,loud,703,780\n",
            ["readings.csv:2: crow_hz: 'loud' is not a number"],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-03-01,CH-1,nan,inf,-780\n",
            ["crow_hz: 'nan' is not a number", "e_hz: 'inf' is not a number", "f_hz: -780 is out of bounds; give"],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-03-01,CH-1,5324,7030,7800\n",
            [
                "did you mean 532.4, a digit too many",
                "did you mean 703, a digit too many",
                "did you mean 780, a digit too many",
            ],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-03-01,CH-1,1_000,703,٧٨٠.٠٠٠٠٠٠٠٠٠٠٠٠٠٠x\n",
            ["crow_hz: '1_000' is not", "f_hz: "],
        ),
        (
            "readings.csv",
            READ + 'R-1,2026-03-01,CH-1,"532,4",703,780\n',
            ["crow_hz: '532,4' is not a number; write a decimal point"],
        ),
        (
            "readings.csv",
            "reed\ttaken_at\tcrow_hz\nR-1\t2026-03-01T10:00\t532,4\n",
            ["crow_hz: '532,4' is not a number; write a decimal point"],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-02-30,CH-1,532,703,780\n",
            ["readings.csv:2: taken_at: '2026-02-30' is an impossible time"],
        ),
        (
            "readings.csv",
            READ + "R-1,01/03/2026,CH-1,532,703,780\n",
            ["taken_at: '01/03/2026' is not a time; write it as 2026-"],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-03-01,CH-1,,,\nR-1,2026-03-02,CH-1,,,780\n",
            ["readings.csv:2: nothing was read; give a note or the crow"],
        ),
        (
            "readings.csv",
            READ + "R-1,,CH-1,532,703,780\n,2026-03-01,CH-1,532,703,780\n",
            ["readings.csv:2: taken_at: is empty", "readings.csv:3: reed: is empty"],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-03-01,CH-1,532,703,780\n" * 2,
            ["readings.csv:3: reed: the same reed and taken_at as line 2"],
        ),
        (
            "readings.csv",
            READ + "R-1,2026-03-01T10:00,CH-1,532,703,780\nR-1,2026-03-01T12:00+02:00,CH-1,533,703,780\n",
            ["readings.csv:3: reed: the same reed and taken_at as line 2"],
        ),
        (
            "readings.csv",
            READ + 'R-1,2026-03-01,CH-1,532,703,"780\n',
            ["readings.csv:2: a quotation mark is opened and never closed"],
        ),
        (
            "readings.csv",
            READ.encode() + b"R-1,2026-03-01,CH-1,532,703,7\x0080\n",
            ["readings.csv:2: f_hz: '7\\x0080' is not a number"],
        ),
        (
            "readings.csv",
            READ.encode() + b"R-\xff,2026-03-01,CH-1,532,703,780\n",
            ["readings.csv:2: reed: holds bytes that are not UTF-8"],
        ),
        ("readings.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256)), ["readings.csv:1: "]),
        ("readings.csv", READ.encode("utf-16"), ["readings.csv: is UTF-16 text; save it as CSV in UTF-8"]),
        (
            "readings.csv",
            "reed,taken_at,crow,crow_hz\nR-1,2026-03-01T10:00,C+22,532\n",
            ["crow: crow and crow_hz are both given"],
        ),
        (
            "readings.csv",
            "reed,taken_at,crow\nR-1,2026-03-01,H+22\n",
            ["readings.csv:2: crow: 'H+22' is no crow; say a note"],
        ),
        (
            "readings.csv",
            "reed,taken_at,f_cents\nR-1,2026-03-01,-3\n",
            ["readings.csv:2: reference_hz: is empty; cents need"],
        ),
        (
            "readings.csv",
            "reed,taken_at,f_cents,reference_hz\nR-1,2026-03-01,780,474\n",
            ["f_cents: 780 cents is out of bounds"],
        ),
        (
            "readings.csv",
            "reed,taken_at,f_cents,f_hz,reference_hz\nR-1,2026-03-01,3,780,474\n",
            ["f_cents and f_hz are both given"],
        ),
        (
            "readings.csv",
            "reed,taken_at,taped\nR-1,2026-03-01,f hi_g\n",
            ["taped: 'hi_g' is no note; did you mean high_g?"],
        ),
        ("events.csv", "reed,at,event\nR-1,2026-03-01,\n", ["events.csv:2: event: is empty"]),
        (
            "events.csv",
            "reed,at,event,remark\nR-1,2026-03-01,soaked,\nR-1,2026-03-01,dropped,\nR-1,2026-03-01,soaked,long\n",
            ["events.csv:4: reed: the same reed, at and event as line 2"],
        ),
        (
            "trims.csv",
            CUT + "R-1,2026-03-01,,\n",
            ["trims.csv:2: length_mm: nothing was taken off"],
        ),
        (
            "trims.csv",
            CUT + "R-1,2026-03-01,0,\nR-1,2026-03-02,,0\nR-1,2026-03-03,0,1\n",
            [f"trims.csv:{line}: length_mm: nothing was taken off" for line in (2, 3)],
        ),
        ("trims.csv", CUT + "R-1,2026-03-01,-0.1,\n", ["trims.csv:2: length_mm: -0.1 is out of bounds"]),
        (
            "trims.csv",
            CUT + "R-1,2026-03-02,12,\nR-1,2026-03-01,11.5,\n",
            ["trims.csv:2: length_mm: 23.5 mm taken off in all is past the blade of 23 mm; did you mean 1.2?"],
        ),
        (
            "reeds.csv",
            REED + "R-1,moulded,B-1,23,\nR-2,moulded,B-1,,\nR-1,moulded,B-2,23,\n",
            ["reeds.csv:4: reed: 'R-1' is in batch 'B-2' here and in 'B-1' on line 2; a reed belongs to one batch"],
        ),
        (
            "reeds.csv",
            REED + "R-1,moulded,,230,\nR-2,,B-1,,\n",
            [
                "reeds.csv:2: blade_mm: 230 is out of bounds; give 5 to 60: did you mean 23",
                "reeds.csv:2: batch: is empty",
                "reeds.csv:3: reed_type: is empty",
            ],
        ),
        (
            "outcomes.csv",
            "reed,at,outcome\nR-1,2026-03-01,fine\n",
            ["outcomes.csv:2: outcome: 'fine' is no outcome; say good"],
        ),
        (
            "orders.csv",
            "order,chanter,quantity,due_on\nO-1,CH-1,1.5,soon\n",
            ["orders.csv:2: quantity: 1.5 is not a whole number", "orders.csv:2: due_on: 'soon' is not a date"],
        ),
        (
            "settings.csv",
            "setting,set_at,value\ntolerance,2026-03-01,1\n",
            ["settings.csv:2: value: 'tolerance' is no setting"],
        ),
        (
            "struck.csv",
            "entry,kind,generation,why,struck_at,reed\nrea-x,reading,0,w,2026-03-01,R-1\n",
            ["struck.csv:2: taken_at: is empty"],
        ),
        (
            "struck.csv",
            "entry,kind,generation,why,struck_at,chanter\ncha-x,chanter,0,w,2026-03-01,CH-8\n",
            ["struck.csv:2: entry: the id does not belong to what the row says"],
        ),
        (
            "struck.csv",
            "entry,kind,generation,why,struck_at\nx,thing,0,w,2026-03-01\n",
            ["struck.csv:2: kind: 'thing' is no kind"],
        ),
        (
            "marks.csv",
            "entry,kind,about,generation,doubt\nrea-x,,,0,odd\n",
            ["marks.csv:2: entry: 'rea-x' is no entry"],
        ),
    ],
)
def test_each_fault_is_said_with_its_place_and_the_way_out(
    tmp_path: Path, name: str, text: str | bytes, says: list[str]
) -> None:
    lines = faults_of(tmp_path, {**SHOP, name: text})
    for words in says:
        assert any(words in line for line in lines), lines
    assert all(line.startswith(name) for line in lines), lines
    assert all(line.isprintable() for line in lines)


def test_all_faults_of_all_files_are_said_at_once(tmp_path: Path) -> None:
    lines = faults_of(
        tmp_path,
        {
            "chanters.csv": "chanter,meeting_pitch_hz\nCH-1,4740\n",
            "reeds.csv": REED + "R-1,moulded,B-1,23,\nR-1,moulded,B-1,23,\n",
            "readings.csv": READ + "R-1,2026-02-28,CH-1,532,703,780\nR-1,x,CH-1,y,z,780\n",
            "trims.csv": CUT + "R-1,2026-03-01,15,\nR-1,2026-03-02,15,\n",
        },
    )
    assert [line.split(": ")[0] + " " + line.split(": ")[1] for line in lines] == [
        "chanters.csv:2 meeting_pitch_hz",
        "reeds.csv:3 reed",
        "readings.csv:3 crow_hz",
        "readings.csv:3 e_hz",
        "readings.csv:3 taken_at",
        "trims.csv:3 length_mm",
    ]


def test_a_file_that_cannot_be_read_blames_nobody_else(tmp_path: Path) -> None:
    lines = faults_of(tmp_path, {**SHOP, "reeds.csv": "reeds,reed_type,batch\nR-1,moulded,B-1\n"})
    assert [line.split(":")[0] for line in lines] == ["reeds.csv", "reeds.csv"]


def test_garbage_of_many_lines_is_counted_not_listed_for_ever(tmp_path: Path) -> None:
    lines = faults_of(tmp_path, {**SHOP, "readings.csv": READ + "R-1,when,CH-1,x,703,780\n" * 4000})
    assert len(lines) == 5001
    assert lines[-1] == "readings.csv: 3,000 more faults come after these 5,000; mend these first"


def test_a_row_that_is_in_the_log_with_other_content(tmp_path: Path) -> None:
    bad = {"readings.csv": READ + "R-1,2026-03-01T10:00,CH-1,532.4,703,781\n"}
    (line,) = faults_of(tmp_path, bad, dict(SHOP))
    assert line.startswith("readings.csv:2: reed: the log has this reading with f_hz 780, not 781; ")
    entry = line.split("log strike ")[1].split()[0]
    with Journal(tmp_path / "log") as journal:
        assert journal.of_reed("R-1").readings[0].entry == entry
        journal.strike(entry, "digit")
        assert import_folder(journal, tmp_path / "bad").new == 1


def test_trims_in_the_log_count_toward_the_blade_and_known_ones_only_once(tmp_path: Path) -> None:
    most = {**SHOP, "trims.csv": CUT + "R-1,2026-03-01T10:05,12,\n"}
    take(tmp_path / "log", lay(tmp_path / "most", most))
    assert take(tmp_path / "log", tmp_path / "most").new == 0
    (line,) = faults_of(tmp_path, {"trims.csv": CUT + "R-1,2026-03-02,11,\n"})
    assert "23 mm taken off in all is past the blade of 23 mm" in line


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda folder: folder / "none", "there is no such folder"),
        (lambda folder: lay(folder / "a", {"readings.csv": READ}) / "readings.csv", "is a file, not a folder"),
        (lambda folder: lay(folder / "b", {"notes.txt": "x"}), "holds none of the CSV files"),
        (lambda folder: lay(folder / "c", {"reading.csv": READ}), "did you mean readings.csv"),
    ],
)
def test_folders_that_are_none(tmp_path: Path, make: object, match: str) -> None:
    with Journal(tmp_path / "log", create=True) as journal, pytest.raises(InputError, match=match):
        import_folder(journal, make(tmp_path))  # type: ignore[operator]


def test_files_in_capitals_are_taken(tmp_path: Path) -> None:
    assert take(tmp_path / "log", lay(tmp_path / "shop", {"Chanters.CSV": "chanter\nCH-1\n"})).new == 1


def test_an_export_does_not_write_over_a_shops_own_sheet(tmp_path: Path) -> None:
    shop = lay(tmp_path / "shop", dict(SHOP))
    take(tmp_path / "log", shop)
    with Journal(tmp_path / "log") as journal:
        with pytest.raises(InputError, match="no export wrote this file"):
            export_folder(journal, shop)
        assert {path.name: path.read_text() for path in shop.iterdir()} == SHOP
        with pytest.raises(InputError, match="is a file"):
            export_folder(journal, shop / "reeds.csv")
        assert export_folder(journal, shop, force=True).new == 8
        assert export_folder(journal, shop).known == 8


NAMES = [
    "=1+1",
    "+1",
    "-1",
    "@x",
    "'=1+1",
    "''@",
    "'plain",
    "-",
    '=HYPERLINK("x")',
    "'\tx",
    "a,b",
    'a"b',
    "a\rb",
    "c\nd",
    "e\r\nf",
    "x'; DROP TABLE reeds",
    "../../x",
    "<script>",
    "🎶",
    "n" * 10_000,
    "0.15",
    "nan",
    ";",
    "\ufeffx",
    "1e5",
    "é",
    "é",
]


def test_names_of_every_sort_go_out_safe_and_come_back_unchanged(tmp_path: Path) -> None:
    with Journal(tmp_path / "a", create=True) as journal:
        for name in NAMES:
            journal.append(Reed(name, name, name, remark=name))
            journal.append(Reading(name, "2026-03-01", crow_hz=532.0))
            journal.append(Trim(name, "2026-03-02", length_mm=0.1, remark=name))
    out = put(tmp_path / "a", tmp_path / "out")
    for cell in out["reeds.csv"].decode().split("\n")[1].split(","):
        assert cell[:1] not in tuple("=+-@")
    take(tmp_path / "b", tmp_path / "out")
    with Journal(tmp_path / "b") as journal:
        assert {*journal.reeds()} == {" ".join(name.split()) for name in NAMES}
        assert {one.remark for one in journal.reeds().values()} == {*NAMES}
    assert put(tmp_path / "b", tmp_path / "out2") == out


def test_kinds_weights_and_chanters_away_go_round_unchanged(tmp_path: Path) -> None:
    folder = {
        "chanters.csv": "chanter,kind,at_hand,working_crow_hz,working_crow_type\n"
        "CH-1,long bore,no,30 sharp of C,moulded\nCH-2,=cmd,yes,,\n",
        "orders.csv": "order,chanter,weight\nO-1,CH-1,medium\n",
        "reeds.csv": "reed,reed_type,batch,weight\nR-1,moulded,B-1,medium\nR-2,moulded,B-1,\n",
    }
    take(tmp_path / "a", lay(tmp_path / "shop", folder))
    with Journal(tmp_path / "a") as journal:
        assert journal.chanters() == {
            "CH-1": Chanter(
                "CH-1", "long bore", "no", working_crow_hz=parse_crow_hz("C+30"), working_crow_type="moulded"
            ),
            "CH-2": Chanter("CH-2", "=cmd", "yes"),
        }
        assert journal.orders()["O-1"].weight == "medium"
        assert [reed.weight for reed in journal.reeds().values()] == ["medium", None]
    out = put(tmp_path / "a", tmp_path / "out")
    take(tmp_path / "b", tmp_path / "out")
    with Journal(tmp_path / "c", create=True) as journal:
        merge_logs(journal, tmp_path / "a")
    assert put(tmp_path / "b", tmp_path / "out2") == put(tmp_path / "c", tmp_path / "out3") == out


def test_a_chanter_of_a_kind_that_was_struck_goes_round_beside_the_kinds_of_entries(tmp_path: Path) -> None:
    with Journal(tmp_path / "a", create=True) as journal:
        struck = journal.append(Chanter("CH-1", "long bore", "no"))
        journal.strike(struck.entry, "sold", at="2026-03-02T09:00")
    out = put(tmp_path / "a", tmp_path / "out")
    take(tmp_path / "b", tmp_path / "out")
    assert put(tmp_path / "b", tmp_path / "out2") == out
    with Journal(tmp_path / "b") as journal:
        assert journal.chanters() == {}
        journal.append(Chanter("CH-1", "long bore", "no"))
        assert journal.chanters()["CH-1"].kind == "long bore"


@pytest.mark.parametrize("then", ["", "kind,at_hand,"], ids=["before there were kinds", "before crows had types"])
def test_a_folder_that_an_earlier_program_exported_is_written_over_once_taken_in(tmp_path: Path, then: str) -> None:
    take(tmp_path / "a", lay(tmp_path / "shop", dict(SHOP)))
    put(tmp_path / "a", tmp_path / "out")
    (tmp_path / "out" / ".trimfit-export").unlink()
    earlier = f"chanter,{then}meeting_pitch_hz,working_crow_hz,bore_gauge_mm,remark\n"
    (tmp_path / "out" / "chanters.csv").write_text(earlier)
    with pytest.raises(InputError, match="this log has not taken it in"):  # nobody can say if it was edited
        put(tmp_path / "a", tmp_path / "out")
    assert take(tmp_path / "a", tmp_path / "out").new == 0
    assert b"working_crow_type" in put(tmp_path / "a", tmp_path / "out")["chanters.csv"]


@pytest.mark.parametrize("word", ["maybe", "Yes", "1", "away"])
def test_at_hand_is_yes_or_no_and_nothing_else(tmp_path: Path, word: str) -> None:
    said = faults_of(tmp_path, {**SHOP, "chanters.csv": f"chanter,at_hand\nCH-1,{word}\n"})
    assert said == [f"chanters.csv:2: at_hand: {word!r} is neither yes nor no; say yes, no, or leave it blank"]


anything = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)
nasty = st.text(st.sampled_from("'=+-@\t\r\n,;\" x\ufeff"), max_size=6)


@settings(max_examples=400)
@given(anything | nasty)
def test_the_guard_is_taken_off_exactly(text: str) -> None:
    assert unguard(guard(text)) == text
    assert guard(text)[:1] not in tuple("=+-@\t\r")


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_are_written_as_short_as_they_read_back(value: float) -> None:
    text = number_text(value)
    assert float(text) == value
    assert not text.endswith(".0")


@settings(max_examples=12, deadline=None)
@given(st.lists(st.tuples(anything | nasty, anything | nasty), max_size=12))
def test_any_names_and_remarks_go_out_and_come_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str]]
) -> None:
    folder = tmp_path_factory.mktemp("names")
    kept: dict[str, str | None] = {}
    with Journal(folder / "a", create=True) as journal:
        for name, remark in rows:
            folded = " ".join(name.split())
            if folded and folded not in kept:
                journal.append(Reed(name, name, "B", remark=remark))
                kept[folded] = remark.strip() or None
    out = put(folder / "a", folder / "out")
    take(folder / "b", folder / "out")
    with Journal(folder / "b") as journal:
        assert {name: entry.remark for name, entry in journal.reeds().items()} == kept
    assert put(folder / "b", folder / "out2") == out


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300) | st.text(st.sampled_from("reedtaken_at,;\t\"'\r\n0123456789.RCH-=é\0 "), max_size=200))
def test_any_bytes_as_readings_are_taken_or_refused_whole(
    tmp_path_factory: pytest.TempPathFactory, content: bytes | str
) -> None:
    folder = tmp_path_factory.mktemp("bytes")
    lay(folder / "shop", {"reeds.csv": "reed,reed_type,batch\nR,T,B\n", "readings.csv": content})
    with Journal(folder / "log", create=True) as journal:
        lines = ["taken"]
        try:
            import_folder(journal, folder / "shop")
        except InputError as error:
            lines = error.lines()
        assert lines
        assert journal.count("reed") == (lines == ["taken"])


def test_long_steps_say_how_far_they_are(tmp_path: Path) -> None:
    said: list[tuple[str, int, int]] = []
    with Journal(tmp_path / "log", create=True) as journal:
        import_folder(journal, lay(tmp_path / "shop", dict(SHOP)), lambda *step: said.append(step))
        rows = "".join(
            f"R-1,2026-{1 + i // 2000:02d}-01T{i // 60 % 24:02d}:{i % 60:02d}:{i // 1440:02d},530\n"
            for i in range(21000)
        )
        lay(tmp_path / "more", {"readings.csv": "reed,taken_at,crow_hz\n" + rows})
        import_folder(journal, tmp_path / "more", lambda *step: said.append(step))
        export_folder(journal, tmp_path / "out", lambda *step: said.append(step))
    assert {step for step, _, _ in said} == {*(f"import {name}" for name in SHOP), "export readings.csv"}
    assert all(0 <= done <= whole for _, done, whole in said)
    assert ("import readings.csv", 21002, 21002) in said


def test_extras_with_faults_change_nothing(tmp_path: Path) -> None:
    log = tmp_path / "a"
    take(log, lay(tmp_path / "shop", dict(SHOP)))
    with Journal(log) as journal:
        journal.strike(journal.of_reed("R-1").readings[0].entry, "slip")
    whole = put(log, tmp_path / "out")
    for name, old, new, says in [
        ("struck.csv", b"slip", b"", "struck.csv:2: why: "),
        ("struck.csv", b",0,slip", b",x,slip", "struck.csv:2: generation: 'x' is not a number"),
        ("struck.csv", b"entry,", b"entries,", "struck.csv:1: entries: is no column"),
        ("marks.csv", b"about,", b"", "marks.csv:1: about: this column is missing"),
        ("settings.csv", b"setting,", b"settings,", "settings.csv:1: settings: is no column"),
    ]:
        folder = lay(tmp_path / f"bad{says[:9]}{len(new)}", dict(whole))
        content = whole[name].replace(old, new, 1)
        (folder / name).write_bytes(content)
        with Journal(tmp_path / "b", create=True) as journal:
            with pytest.raises(InputError) as caught:
                import_folder(journal, folder)
            assert journal.last_seq() == 0
        assert any(line.startswith(says) for line in caught.value.lines()), caught.value.lines()


def test_a_later_sheet_revises_what_is_known_of_orders_chanters_and_reeds(tmp_path: Path) -> None:
    """A blank gets its order, an order another day: the old entry is struck, the new one stands."""
    first, later = tmp_path / "first", tmp_path / "later"
    for folder in (first, later):
        folder.mkdir()
    (first / "chanters.csv").write_text("chanter,bore_gauge_mm\nCH-1,38\n")
    (first / "orders.csv").write_text("order,chanter,quantity,due_on\nO-1,CH-1,4,2026-03-01\n")
    (first / "reeds.csv").write_text("reed,reed_type,batch,order\nR-1,cane,B-1,\n")
    (later / "chanters.csv").write_text("chanter,meeting_pitch_hz\nCH-1,473\n")
    (later / "orders.csv").write_text("order,chanter,quantity,due_on\nO-1,CH-1,6,2026-03-09\n")
    (later / "reeds.csv").write_text("reed,reed_type,batch,order\nR-1,cane,B-1,O-1\n")
    with Journal(tmp_path / "log.trimfit", create=True) as journal:
        import_folder(journal, first)
        counts = import_folder(journal, later)
        assert (counts.new, counts.known) == (3, 0)
        assert journal.orders()["O-1"].quantity == 6
        assert journal.chanters()["CH-1"] == Chanter("CH-1", meeting_pitch_hz=473.0, bore_gauge_mm=38.0)
        assert journal.reeds()["R-1"].order == "O-1"
        for folder in (later, first):
            again = import_folder(journal, folder)
            assert (again.new, again.known) == (0, 3)
        assert journal.orders()["O-1"].quantity == 6
        (later / "reeds.csv").write_text("reed,reed_type,batch,order\nR-1,cane,B-2,O-1\n")
        with pytest.raises(InputError) as caught:
            import_folder(journal, later)
        assert "batch" in caught.value.lines()[0]


def test_the_name_that_was_meant_is_found_among_very_many(tmp_path: Path) -> None:
    """In a folder of 7,000 reeds for the first unknown names, and in the log of them for one."""
    names = [f"{word}-{i:04d}" for i in range(1_000) for word in ("ash", "box", "elm", "fir", "oak", "yew", "zan")]
    reeds = "reed,reed_type,batch\n" + "".join(f"{name},moulded,B-1\n" for name in names)
    cuts = "reed,done_at,length_mm\n"
    slips = "".join(f"zn-{i:04d},2026-03-02,0.1\n" for i in range(100))
    said = faults_of(tmp_path, {"reeds.csv": reeds, "trims.csv": cuts + slips})
    assert len(said) == 100
    assert said[0] == "trims.csv:2: reed: unknown reed 'zn-0000'; did you mean zan-0000? or add it to reeds.csv"
    # a list of all the folder's names is looked through for so many, and no more
    assert [line.endswith("? or add it to reeds.csv") for line in said] == [True] * MOST_SOUGHT + [False] * 50
    take(tmp_path / "log", lay(tmp_path / "good", {"reeds.csv": reeds}))
    with Journal(tmp_path / "log") as journal, pytest.raises(InputError, match=r"did you mean zan-0999\?"):
        journal.of_reed("zn-0999")


def test_a_head_that_is_no_column_holds_no_other_fault_back(tmp_path: Path) -> None:
    rows = "R-1,2026-02-28,780,x\nR-1,2026-02-28,781,\nR-1,2026-02-27,,y\n"
    said = faults_of(tmp_path, {**SHOP, "readings.csv": f"reed,taken_at,f_hz,wind\n{rows}"})
    assert [line.partition(":")[2][:7] for line in said] == ["1: wind", "3: reed"]
    assert "the same reed and taken_at as line 2" in said[1]
