"""Names that cannot be given, names nobody knows, bytes that are no text, and entries told as they come."""

from __future__ import annotations

from pathlib import Path

import pytest

from trimfit.base.errors import InputError
from trimfit.base.records import Chanter, Reading, Reed, Trim
from trimfit.log.journal import Journal
from trimfit.log.merging.rename import rename
from trimfit.log.queries import struck_of_reed
from trimfit.log.sheets.folder_import import import_folder

HEAD = "reed,taken_at,crow_hz,remark\n"
REEDS = "reed,reed_type,batch\nR-1,moulded,B-1\n"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    with Journal(tmp_path / "log", create=True) as journal:
        journal.append(Reed("R-1", "moulded", "B-1"))
        journal.append(Reading("R-1", "2026-03-01T10:00", crow_hz=531.0))
    return tmp_path / "log"


def faults(log: Path, folder: Path, files: dict[str, bytes]) -> list[str]:
    folder.mkdir()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    with Journal(log) as journal:
        before = journal.last_seq()
        with pytest.raises(InputError) as refused:
            import_folder(journal, folder)
        assert journal.last_seq() == before
    return refused.value.lines()


def test_its_own_name_is_no_other_name(log: Path) -> None:
    with Journal(log) as journal, pytest.raises(InputError, match="is its name already") as refused:
        rename(journal, "R-1", "R-1", at="2026-04-01T09:00")
    assert "a name that is free" in refused.value.remedy


def test_white_space_in_a_name_is_one_blank_whichever_way_it_comes_in(log: Path, tmp_path: Path) -> None:
    """A name is shown on one line, so a remedy that names it can be typed."""
    (tmp_path / "shop").mkdir()
    reeds = 'reed,reed_type,batch,remark\nR 2,moulded,"B\n2"," two  blanks\nkept "\n"R\t3",moulded,B  2,\n'
    (tmp_path / "shop" / "reeds.csv").write_text(reeds)
    readings = HEAD + '"R\n3",2026-03-01,530,\n'
    (tmp_path / "shop" / "readings.csv").write_text(readings)
    with Journal(log) as journal:
        import_folder(journal, tmp_path / "shop")
        journal.append(Reed("R \t4", "moulded", "B\n2"))
        journal.append(Trim("R\u00a04", "2026-03-02", 0.1))
        rename(journal, "R  4", "R\n5")
        rows = sorted(journal.columns("reed", ["reed", "batch", "remark"]))
        assert [row for row in rows if row[0] != "R-1"] == [
            ("R 2", "B 2", "two  blanks\nkept"),
            ("R 3", "B 2", None),
            ("R 5", "B 2", None),
        ]
        assert len(journal.of_reed("R\n3").readings) == len(journal.of_reed("R 5").trims) == 1


def test_a_reed_that_no_log_knows_is_not_renamed(log: Path) -> None:
    with Journal(log) as journal, pytest.raises(InputError, match="'R-11' is not in the log") as refused:
        rename(journal, "R-11", "R-12", at="2026-04-01T09:00")
    assert refused.value.remedy == "did you mean R-1?"


@pytest.mark.parametrize(
    ("typed", "remedy"),
    [
        ("CH-07", "did you mean CH-07 plain?"),
        ("ch-07", "did you mean CH-07 plain?"),
        ("old", "did you mean old flat chanter of the band, the second?"),
        ("CH-07 plan", "did you mean CH-07 plain?"),
        ("CH-7 plain", "did you mean CH-07 plain?"),
        ("CH", "did you mean CH-07 plain?"),
        ("Z", "known here: Abbey pipes, CH-07 plain, old flat chanter of the band, the second"),
    ],
)
def test_a_name_that_begins_a_longer_one_finds_it(tmp_path: Path, typed: str, remedy: str) -> None:
    """Was: names were compared within four letters of length only."""
    with Journal(tmp_path / "log", create=True) as journal:
        for name in ("CH-07 plain", "old flat chanter of the band, the second", "Abbey pipes"):
            journal.append(Chanter(name))
        journal.append(Reed("R-1", "moulded", "B-1"))
        with pytest.raises(InputError) as refused:
            journal.append(Reading("R-1", "2026-04-01T09:00", typed, 520.0))
    assert refused.value.remedy == remedy


def test_a_name_like_none_in_the_folder_is_unknown_without_a_guess(log: Path, tmp_path: Path) -> None:
    rows = HEAD + "zzzzzz,2026-03-02T10:00,530,\n"
    (said,) = faults(log, tmp_path / "bad", {"reeds.csv": REEDS.encode(), "readings.csv": rows.encode()})
    assert "unknown reed 'zzzzzz'" in said
    assert "add it to reeds.csv, or mend the name" in said


def test_a_byte_that_is_no_text_is_found_beyond_the_first_megabyte(log: Path, tmp_path: Path) -> None:
    """A file is looked at in pieces; one bad byte far down is refused as one at the top, on its own line."""
    line = "R-1,2026-03-{:02d}T{:02d}:{:02d}:{:02d},530," + "x" * 100 + "\n"
    rows = [line.format(d, h, m, s) for d in range(2, 5) for h in range(24) for m in range(60) for s in (0, 20, 40)]
    assert len("".join(rows)) > (1 << 20)
    whole = (HEAD + "".join(rows)).encode() + b"R-1,2026-04-01T10:00,530,caf\xe9\n"
    (said,) = faults(log, tmp_path / "bad", {"readings.csv": whole})
    assert said.startswith(f"readings.csv:{len(rows) + 2}: remark: holds bytes that are not UTF-8")


def test_blank_rows_and_blank_cents_are_passed_over(log: Path, tmp_path: Path) -> None:
    text = (
        "reed,taken_at,crow_hz,f_cents,reference_hz\n,,,,\nR-1,2026-03-02T10:00,530,,\n\nR-1,2026-03-03T10:00,,4,474\n"
    )
    (tmp_path / "good").mkdir()
    (tmp_path / "good" / "readings.csv").write_text(text, encoding="utf-8")
    with Journal(log) as journal:
        assert import_folder(journal, tmp_path / "good").new == 2
        last = journal.of_reed("R-1").readings[-1].record
    assert last.notes_hz["f"] == pytest.approx(474.0 * 5 / 3 * 2 ** (4 / 1200))


def test_what_was_struck_is_told_with_its_reason_in_order_of_time(log: Path) -> None:
    with Journal(log) as journal:
        cut = journal.append(Trim("R-1", "2026-02-28T09:00", 0.3, asked_mm=0.25))
        reading = journal.of_reed("R-1").readings[0]
        journal.strike(reading.entry, "another reed")
        journal.strike(cut.entry, "never made")
        with journal.reading() as connection:
            found = struck_of_reed(connection, "R-1")
            assert struck_of_reed(connection, "R-2") == []
    assert [(one.kind, one.at, one.record, one.why) for one in found] == [
        ("trim", "2026-02-28T09:00", cut.record, "never made"),
        ("reading", "2026-03-01T10:00", reading.record, "another reed"),
    ]


def test_an_entry_that_is_none_has_no_reed_and_no_name(log: Path) -> None:
    with Journal(log) as journal:
        entry = journal.of_reed("R-1").readings[0].entry
        assert (journal.reed_of_entry(entry), journal.name_of(entry)) == ("R-1", "R-1")
        assert (journal.reed_of_entry("zzz-nothing"), journal.name_of("zzz-nothing")) == ("", "")
