"""The ticket: one A6 page, the same bytes again, and no more claimed than known."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from tests.review import made_up_report
from trimfit.base.units import Interval
from trimfit.review import ticket
from trimfit.review.card_parts import RIGHT
from trimfit.review.pictures import style
from trimfit.review.results import Ticket, TicketNote

BARE = Ticket("R-1", "cane", "B-1")


def nasty() -> Ticket:
    """A ticket with the longest and oddest words in every place."""
    return dataclasses.replace(
        made_up_report.ticket(made_up_report.NASTY[2] + made_up_report.NASTY[1]),
        reed_type=made_up_report.NASTY[2],
        batch=made_up_report.NASTY[1],
        order=made_up_report.NASTY[0],
        chanter=made_up_report.NASTY[2],
        read_at="2031-03-03T10:12:00.123456+01:00 and more",
        target_pitch_hz=473.0,
        aim_hz=469.0,
        cautions=made_up_report.NASTY * 2,
    )


def words(one: Ticket) -> list[str]:
    """All that is written on the card."""
    with style.style():
        return [text.get_text() for text in ticket.draw(one).axes[0].texts]


def test_pdf_is_one_a6_page_without_dates_and_png_has_its_shape(tmp_path: Path) -> None:
    pdf, png = ticket.write(tmp_path / "new folder", made_up_report.ticket())
    content = pdf.read_bytes()
    assert content.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type /Page\b", content)) == 1
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", content)
    assert box
    assert float(box[1]) == pytest.approx(105 / 25.4 * 72, abs=0.1)
    assert float(box[2]) == pytest.approx(148 / 25.4 * 72, abs=0.1)
    for word in (b"CreationDate", b"ModDate", b"Producer", b"atplotlib"):
        assert word not in content
    image = png.read_bytes()
    assert image.startswith(b"\x89PNG")
    assert (int.from_bytes(image[16:20], "big"), int.from_bytes(image[20:24], "big")) == (826, 1165)
    assert b"tEXt" not in image


def test_the_same_ticket_gives_the_same_bytes() -> None:
    one = nasty()
    assert ticket.pdf_and_png(one) == ticket.pdf_and_png(one)


@pytest.mark.parametrize("name", made_up_report.NASTY)
def test_files_stay_in_the_folder(name: str, tmp_path: Path) -> None:
    for path in ticket.write(tmp_path, dataclasses.replace(BARE, reed=name)):
        assert path.parent == tmp_path
        assert re.fullmatch(r"ticket-[A-Za-z0-9_-]+\.(pdf|png)", path.name)


@pytest.mark.parametrize("one", [made_up_report.ticket(), nasty(), BARE], ids=["full", "nasty", "bare"])
def test_nothing_is_clipped_and_no_line_crosses_another(one: Ticket) -> None:
    with style.style():
        card = ticket.draw(one)
        card.draw_without_rendering()
        boxes = [(text.get_text(), text.get_window_extent().shrunk(0.99, 0.6)) for text in card.axes[0].texts]
    for said, box in boxes:
        assert 0 <= box.x0 < box.x1 <= card.bbox.x1, said
        assert 0 <= box.y0 < box.y1 <= card.bbox.y1, said
    crossing = [(a, b) for i, (a, one_box) in enumerate(boxes) for b, two in boxes[:i] if one_box.overlaps(two)]
    assert crossing == []


def test_the_card_says_what_the_shop_wants_to_know() -> None:
    said = words(made_up_report.ticket())
    for line in (
        "Reed R-0412",
        "cane, batch B-17",
        "band 9",
        "Ch-3",
        "473.8 Hz (473.2 to 474.4)",
        "C#-42, 541 Hz (538 to 544)",
        "6.4 kPa, 20.5 °C",
        "How to check it",
        "Rests on 4 readings, the last of 2031-03-03 10:12.",
    ):
        assert line in said
    # F stands at 473.6 Hz as low A by all readings: 1200 log2(473.6 / 473.8) = −0.73 cents from the aim.
    assert said[said.index("F") + 1 : said.index("F") + 3] == ["473.6", "−1"]
    # High G was not read since the last cut: in brackets, and the strip says so.
    assert "(472.0)" in said
    assert "Hollow: not read since the last work. Ranges: 9 in 10." in said
    # nobody has to guess what a low G overblown is: 473.8 Hz times 16/9
    assert "blown so hard that it jumps an octave up, should read 842.3" in " ".join(said)


def test_the_table_shows_the_gap_that_the_verdict_tells() -> None:
    """F and E as last read may differ from what all readings say: the card has one source for both."""
    said = words(made_up_report.ticket())
    f_hz, e_hz = (float(said[said.index(name) + 1]) for name in ("F", "E"))
    one = made_up_report.ticket()
    by_all = {note.note: note.predicted_hz.mean for note in one.notes if note.predicted_hz is not None}
    assert (f_hz, e_hz) == (round(by_all["f"], 1), round(by_all["e"], 1))
    assert all(note.read_hz != note.predicted_hz.mean for note in one.notes if note.predicted_hz is not None)


def test_the_card_says_what_was_blown_what_was_ordered_and_for_what_its_figures_are() -> None:
    def said(**more: float | None) -> dict[str, str]:
        found = words(dataclasses.replace(BARE, **more))  # type: ignore[arg-type]
        names = ("pressure ordered", "blown at", "figures are for")
        return {name: found[found.index(name) + 1] for name in names if name in found}

    assert said(ordered_kpa=6.5) == {"pressure ordered": "6.5 kPa", "blown at": "pressure not said"}
    assert said(ordered_kpa=6.5, pressure_kpa=6.5, read_kpa=6.5) == {"blown at": "6.5 kPa"}
    taken = said(ordered_kpa=7.5, pressure_kpa=7.5, read_kpa=7.0, temperature_c=20.0, read_c=23.0)
    assert taken == {
        "pressure ordered": "7.5 kPa",
        "blown at": "7.0 kPa, 23.0 °C",
        "figures are for": "7.5 kPa, 20.0 °C",
    }


def test_a_value_that_is_not_what_was_read_stands_in_brackets() -> None:
    by_all = Interval(471.5, 467.5, 475.5)
    for read_hz, shown in ((471.9, "471.5"), (475.2, "(471.5)"), (None, "(471.5)")):
        card = words(dataclasses.replace(BARE, notes=(TicketNote("e", read_hz, by_all),)))
        assert shown in card
        assert any(line.startswith("Brackets: ") for line in card) == shown.startswith("(")


def test_a_bare_ticket_claims_nothing() -> None:
    said = words(BARE)
    assert {
        "none",
        "not said",
        "not known",
        "not read",
        "pressure not said",
        "No note was read.",
        "Rests on 0 readings.",
    } <= set(said)
    assert ticket.verdict(BARE) == "F and E were not read: nothing is known of where they meet."


@pytest.mark.parametrize(
    ("gap", "begins"),
    [
        (Interval(-0.6, -3.0, 1.8), "F and E meet to 1 Hz"),
        (Interval(-3.0, -6.0, 0.0), "F less E is −3 cents (−6 to 0): 65 % within 1 Hz."),
        (Interval(0.0, -9.0, 9.0), "F less E is 0 cents (−9 to +9): 50 % within 1 Hz."),
        (Interval(-8.0, -15.0, -1.0), "F less E is −8 cents (−15 to −1): 15 % within 1 Hz."),
        (Interval(-20.0, -24.0, -16.0), "Not yet there: F less E is −20 cents"),
        (Interval(9.0, 6.0, 12.0), "Past for this chanter"),
    ],
)
def test_the_verdict_is_no_surer_than_the_interval(gap: Interval, begins: str) -> None:
    assert ticket.verdict(dataclasses.replace(BARE, gap_cents=gap, aim_hz=470.0)).startswith(begins)


def test_without_an_aim_no_cents_are_given() -> None:
    said = words(dataclasses.replace(BARE, notes=(TicketNote("e", 473.0), TicketNote("b"))))
    assert "473.0" in said
    assert "–" in said
    assert "B" not in said


def test_how_to_check_says_what_a_meter_should_show() -> None:
    # as the table has them: E 474.0 and F 473.6 Hz as low A, times 3/2 and 5/3
    assert "With low A at 473.8 Hz, E should read 711.0 and F 789.3." in ticket.how_to_check(made_up_report.ticket())
    lower = tuple(
        dataclasses.replace(one, predicted_hz=Interval(473.1, 472.6, 473.6)) if one.note == "low_a" else one
        for one in made_up_report.ticket().notes
    )
    one = dataclasses.replace(made_up_report.ticket(), notes=lower)
    assert "With low A at 473.1 Hz, E should read 711.0 and F 789.3." in ticket.how_to_check(one)
    assert "It is finished when E divided by 1.5 and F by 1.667 give the same, to 1 Hz." in ticket.how_to_check(BARE)


def test_the_check_of_an_unfinished_reed_says_what_its_table_says() -> None:
    notes = tuple(TicketNote(key, hz, Interval(hz, hz - 1.0, hz + 1.0)) for key, hz in (("e", 475.3), ("f", 459.0)))
    one = dataclasses.replace(BARE, gap_cents=Interval(-61.0, -74.0, -47.0), aim_hz=470.0, notes=notes)
    assert ticket.how_to_check(one)[2:] == ["As it is now, E should read 713.0 and F 765.0."]
    away = dataclasses.replace(
        one, aim_hz=None, read_in="the one at hand", gap_here_cents=Interval(-50.0, -60.0, -40.0)
    )
    assert "As it is now, F as low A should read 61 cents under E." in ticket.how_to_check(away)


def test_where_f_and_e_were_not_read_the_card_says_what_the_crow_predicts() -> None:
    one = dataclasses.replace(
        BARE, gap_cents=Interval(-40.0, -60.0, -20.0), meet_pitch_hz=Interval(471.0, 466.0, 477.0), unread_by="its crow"
    )
    said = " ".join(words(one))
    assert "F and E were not read in this chanter; by its crow F less E should be −40 cents (−60 to −20)." in said
    assert "471 Hz (466 to 477), by its crow" in said
    assert "It is finished when" in said


def test_no_line_of_a_paragraph_runs_past_the_right_margin() -> None:
    wide = "Mind: only 3 MOULDED WWW reeds learned from yet, WWWW may have moved by " * 3
    with style.style():
        card = ticket.draw(dataclasses.replace(made_up_report.ticket(), cautions=(wide, "W" * 90)))
        card.set_dpi(200)
        card.draw_without_rendering()
        right = RIGHT / 105.0 * card.bbox.x1
        over = [text.get_text() for text in card.axes[0].texts if text.get_window_extent().x1 > right + 2.0]
    assert over == []


def test_a_caution_is_written_in_full_or_breaks_off_at_the_end_of_a_part() -> None:
    told = "seat it afresh and read it before giving it up; " * 4
    said = " ".join(words(dataclasses.replace(BARE, cautions=(told.strip(),))))
    assert f"Mind: {told.strip()}" in said
    full = words(dataclasses.replace(made_up_report.ticket(), cautions=(told * 2,) * 3))
    assert "More is said by: trimfit review reed." in full
    assert not any("…" in line for line in full)
    parts = [f"part {number} of what is to be known before it is played" for number in range(20)]
    cut = " ".join(words(dataclasses.replace(made_up_report.ticket(), cautions=("; ".join(parts),))))
    assert "Mind: part 0 of" in cut
    assert all(f"{part.partition(' of')[0]} of" not in cut or part in cut for part in parts)
    assert "part 19" not in cut


def test_the_pitches_of_the_check_agree_as_they_are_printed() -> None:
    rounded = dataclasses.replace(made_up_report.ticket(), aim_hz=473.96, notes=())
    assert "E should read 711.0 and F 790.0." in ticket.how_to_check(rounded)


def test_of_a_note_that_was_never_read_the_check_says_nothing() -> None:
    one = made_up_report.ticket()
    some = dataclasses.replace(one, notes=tuple(note for note in one.notes if note.note in ("e", "f")))
    assert ticket.how_to_check(some)[2:] == ["E should read 711.0 and F 789.3."]


def test_the_check_of_a_past_reed_promises_no_agreement() -> None:
    past = dataclasses.replace(made_up_report.ticket(), gap_cents=Interval(15.2, 12.0, 18.4))
    steps = " ".join(ticket.how_to_check(past))
    assert "F as low A should read 15 cents over E: this reed does not play in tune in this chanter." in steps
    assert "should agree" not in steps
    assert "Past for this chanter" in ticket.verdict(past)


def test_the_card_of_a_reed_that_is_not_finished_is_no_word_to_its_player() -> None:
    gap = Interval(-44.0, -50.0, -38.0)
    done = dataclasses.replace(
        made_up_report.ticket(), chanter="Heron", read_in="Otter", gap_cents=gap, gap_here_cents=gap
    )
    work = dataclasses.replace(done, unfinished=True, cautions=("work is not done: next cut 0.20 mm",))
    assert "How to check it" in words(done)
    said = words(work)
    assert "Not finished: do not send" in said
    assert "Mind: work is not done: next cut 0.20 mm" in said
    assert not any(word in " ".join(said) for word in ("your chanter", "send it back", "How to check"))
    assert "In Heron it should be -44" in ticket.verdict(work).replace("−", "-")
    assert "Not finished: do not send" not in words(done)


@pytest.mark.parametrize(
    ("gap", "pitch_hz", "heading"),
    [
        (Interval(-20.0, -22.0, -18.0), None, "F and E do not meet: do not send"),
        (Interval(-5.0, -7.0, -3.0), None, "F and E may not meet: read it again"),
        (Interval(12.0, 10.0, 14.0), None, "F and E do not meet: do not send"),
        (Interval(-1.0, -3.0, 1.0), 464.0, "Not at the pitch ordered: do not send"),
        (Interval(-1.0, -3.0, 1.0), 470.5, ""),
        (Interval(-1.0, -3.0, 1.0), None, ""),
    ],
)
def test_a_reed_called_good_that_is_not_as_ordered_is_not_to_be_sent(
    gap: Interval, pitch_hz: float | None, heading: str
) -> None:
    """Was: nothing but "Not yet there" of a gap, and of the pitch not a word."""
    meets = Interval(470.1, 469.4, 470.8)
    good = dataclasses.replace(
        made_up_report.ticket(), gap_cents=gap, meet_pitch_hz=meets, target_pitch_hz=pitch_hz, aim_hz=pitch_hz or 470.1
    )
    assert ticket.do_not_send(good) == heading
    assert (heading in words(good)) == bool(heading)
    assert ("do not send" in " ".join(words(good))) == ("do not send" in heading)
    said = "It meets at 470.1 Hz, not at the 464.0 Hz ordered."
    assert (said in ticket.verdict(good)) == ("pitch" in heading)
    predicted = dataclasses.replace(good, unread_by="its crow")
    assert ticket.do_not_send(predicted) == "", "by a prediction alone nothing is held back"


def test_how_to_check_names_the_pressure_where_it_is_known() -> None:
    assert any("6.4 kPa at about 20 °C" in step for step in ticket.how_to_check(made_up_report.ticket()))
    assert any(step.startswith("Blow steadily") for step in ticket.how_to_check(BARE))
