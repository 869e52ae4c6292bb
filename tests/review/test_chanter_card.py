"""A chanter's sheet: one A6 page, the same bytes again, every note on it and the unusual ones named."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.review import made_up_report
from trimfit.base.errors import InputError
from trimfit.base.units import Interval
from trimfit.review import chanter_card
from trimfit.review.pictures import style
from trimfit.review.results import ChanterMap, ChanterNote
from trimfit.verbs.reviews.chanters import write_sheets


def about(mean: float, half: float = 1.5) -> Interval:
    return Interval(mean, mean - half, mean + half)


def sheet_of(name: str = "CH-7") -> ChanterMap:
    """A chanter whose F hole was carved 14 cents sharp and whose high G wants tape."""
    off = {"low_g": -3.0, "low_a": 0.4, "e": 0.0, "f": 14.2, "high_g": 41.0, "high_a": 0.2}
    notes = tuple(
        ChanterNote(note, about(cents), about(0.8 * cents), unusual=note in ("f", "high_g"))
        for note, cents in off.items()
    )
    why = "F 14 cents sharp of its kind: carved? It asks for a crow 54 cents flatter than its kind"
    return replace(made_up_report.chanter(), chanter=name, kind="long bore", notes=notes, why=why)


def words(one: ChanterMap) -> list[str]:
    with style.style():
        return [text.get_text() for text in chanter_card.draw(one).axes[0].texts]


def test_a_sheet_is_one_a6_page_and_the_same_sheet_gives_the_same_bytes(tmp_path: Path) -> None:
    pdf, png = write_sheets([sheet_of()], tmp_path / "new folder")
    assert (pdf.name, png.name) == ("chanter-CH-7.pdf", "chanter-CH-7.png")
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", pdf.read_bytes())
    assert box
    assert [float(side) for side in box.groups()] == pytest.approx([105 / 25.4 * 72, 148 / 25.4 * 72], abs=0.1)
    again = write_sheets([sheet_of()], tmp_path / "again")
    assert [path.read_bytes() for path in again] == [pdf.read_bytes(), png.read_bytes()]


def test_no_word_of_the_sheet_is_printed_over_another() -> None:
    for kind in ("long bore", None):
        with style.style():
            card = chanter_card.draw(replace(sheet_of(), kind=kind))
            card.draw_without_rendering()
            boxes = [(text.get_text(), text.get_window_extent().shrunk(0.99, 0.6)) for text in card.axes[0].texts]
        crossing = [(a, b) for i, (a, one) in enumerate(boxes) for b, two in boxes[:i] if one.overlaps(two)]
        assert crossing == []


def test_every_note_stands_on_the_sheet_and_unusual_ones_are_marked() -> None:
    said = words(sheet_of())
    assert {"+14.2", "+11.4 !", "+41.0", "+32.8 !"} <= set(said)
    assert any("carved?" in line for line in said)
    assert sum(" !" in line for line in said) == 2


def test_a_chanter_of_which_nothing_is_known_says_so() -> None:
    said = words(ChanterMap("CH-9"))
    assert "not known" in said
    assert "No note was read in it." in said
    assert "Rests on 0 readings of 0 reeds." in said


@pytest.mark.parametrize("name", made_up_report.NASTY)
def test_no_words_run_over_the_edge_of_the_sheet(name: str) -> None:
    with style.style():
        one = replace(sheet_of(name), kind=name, why="F 14 cents sharp of its kind: carved? " * 30)
        figure = chanter_card.draw(one)
        figure.draw_without_rendering()
        for text in figure.axes[0].texts:
            assert text.get_window_extent().x1 <= figure.bbox.x1
            assert -1.0 <= text.get_position()[1] <= 147.0


def test_chanters_whose_names_look_alike_as_files_keep_their_own_sheets(tmp_path: Path) -> None:
    assert len({path.name for path in write_sheets([sheet_of("A/1"), sheet_of("A:1")], tmp_path)}) == 4


def test_a_folder_that_cannot_be_written_is_a_fault_with_a_remedy(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(InputError, match="taken: is a file, not a folder; name a folder you may write to"):
        write_sheets([sheet_of()], tmp_path / "taken")
