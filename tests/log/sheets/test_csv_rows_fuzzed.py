"""What the fuzz scripts of tests/fuzz found, each as the smallest case."""

from __future__ import annotations

from pathlib import Path

import pytest

from trimfit.base.errors import InputError
from trimfit.entry.line_parser import parse_reading
from trimfit.log.journal import Journal
from trimfit.log.sheets.folder_import import import_folder

REEDS = "reed,reed_type,batch,made_on\nR-1,cane,17,\nR-2,cane,18,17\n"
OUTCOMES = "reed,at,outcome\nR-1,2026-01-01,good\nR-1,2026-01-02,R-1\n"


# A batch's name seen in one row was taken for a date, a reed's for an outcome, without a look at it.
@pytest.mark.parametrize(
    ("file", "content", "fault"),
    [
        ("reeds.csv", REEDS, "reeds.csv:3: made_on: '17' is not a date"),
        ("outcomes.csv", OUTCOMES, "outcomes.csv:3: outcome: 'R-1' is no outcome"),
    ],
    ids=["date", "outcome"],
)
def test_a_name_seen_before_is_no_value_of_another_column(tmp_path: Path, file: str, content: str, fault: str) -> None:
    folder = tmp_path / "sheets"
    folder.mkdir()
    (folder / "reeds.csv").write_text("reed,reed_type,batch\nR-1,cane,17\n")
    (folder / file).write_text(content)
    with Journal(tmp_path / "bench.trimfit", create=True) as journal:
        with pytest.raises(InputError) as caught:
            import_folder(journal, folder)
        assert fault in "\n".join(caught.value.lines())
        assert journal.count("reed") == 0


# A note of 0 Hz was the only one whose meaning was plain, so that the others were looked for about 0 Hz.
@pytest.mark.parametrize("line", ["b 0 c 543", "c 543 b 0", "c 543 b 0.0000001", "c 543 b 99999", "c 543 b 0 hz"])
def test_what_is_no_pitch_says_nothing_of_the_other_notes(line: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_reading(line)
    assert [fault.column for fault in caught.value.faults] == ["b"]
    assert "out of bounds" in caught.value.faults[0].what


# A note said twice, first as 0 Hz: the first was taken for what the second could mean.
@pytest.mark.parametrize("line", ["b 0 b 543", "b 543 b 0", "b 5 b 0 b 5 b 543"])
def test_a_note_said_twice_is_a_fault_whatever_the_first_was(line: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_reading(line)
    assert {fault.column for fault in caught.value.faults} == {"b"}
    assert any("twice" in fault.what for fault in caught.value.faults)
