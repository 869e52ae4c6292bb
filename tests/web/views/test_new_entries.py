"""What is new to the log, by forms."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.web.visitor import Visitor, serving
from trimfit.base.errors import InputError
from trimfit.log.journal import Journal
from trimfit.session.session import Session
from trimfit.web.views.new_entries import counted_names


def test_names_are_counted_up_from_their_last_number() -> None:
    assert counted_names("R-0098", 3) == ["R-0098", "R-0099", "R-0100"]
    assert counted_names("B7 cane 9a", 2) == ["B7 cane 9a", "B7 cane 10a"]
    assert counted_names("one", 1) == ["one"]
    for first, count in (("one", 2), ("R-1", 0), ("R-1", 501)):
        with pytest.raises(InputError):
            counted_names(first, count)


def test_a_shop_begins_by_the_page_alone(tmp_path: Path) -> None:
    log = tmp_path / "new.trimfit"
    with Session(log, create=True):
        pass
    with serving(log) as visitor:
        as_json = {"Accept": "application/json"}
        chanter = {"name": "CH-1", "working_crow_hz": "C+22", "meeting_pitch_hz": "474", "bore_gauge_mm": "41"}
        assert visitor.enter("/new/chanter", chanter, as_json).json["kind"] == "chanter"
        order = {"name": "O-1", "chanter": "CH-1", "quantity": "2", "due_on": "2026-12-01", "pressure_kpa": "26 inH2O"}
        assert visitor.enter("/new/order", order, as_json).json["kind"] == "order"
        reeds = {"name": "R-1", "count": "3", "reed_type": "cane", "batch": "B-1", "order": "O-1", "blade_mm": "23.1"}
        assert [one["about"] for one in visitor.enter("/new/reeds", reeds, as_json).json] == ["R-1", "R-2", "R-3"]
        assert {one["reed"] for one in visitor.ask("/")} == {"R-1", "R-2", "R-3"}
        with Journal(log) as journal:
            made = journal.of_reed("R-3")
        assert made.reed.record.blade_mm == pytest.approx(23.1)
        assert made.order is not None
        assert made.order.pressure_kpa == pytest.approx(6.476, abs=1e-3)
        assert made.chanter is not None
        assert made.chanter.working_crow_hz == pytest.approx(529.9, abs=0.1)


def test_a_chanter_that_is_at_hand_is_said_to_be_so_in_the_form(visitor: Visitor) -> None:
    """Was: by an option of the command, which the page has not."""
    said = " ".join(visitor.enter("/new/chanter", {"name": "Band 9"}).text.replace("</p><p>", " ").split())
    assert "if it is at the bench, choose At hand: yes, and log it again" in said
    assert "--at-hand" not in said
    again = visitor.enter("/new/chanter", {"name": "Band 9", "at_hand": "yes"})
    assert again.status == 200
    assert "taken to be away" not in again.text


def test_a_crow_type_without_the_crow_is_refused_by_the_fields_name(visitor: Visitor) -> None:
    said = visitor.enter("/new/chanter", {"name": "Band 9", "working_crow_type": "moulded"})
    assert said.status == 422
    assert "fill in Crow it asks for, such as C+22" in said.text
    assert "--working-crow" not in said.text


def test_only_a_form_of_this_page_is_opened_once_more(look: Visitor) -> None:
    assert look.see("/new/order").status == 200
    assert look.see("/new/zzz").status == 404


def test_reeds_are_logged_all_or_none(visitor: Visitor, log: Path) -> None:
    with Journal(log) as journal:
        before = journal.count("reed")
    # one of the names is in the log with another batch
    sent = visitor.enter("/new/reeds", {"name": "R-0350", "count": "9", "reed_type": "x", "batch": "y"})
    assert sent.status == 422
    assert "Not logged" in sent.text
    assert 'value="R-0350"' in sent.text
    with Journal(log) as journal:
        assert journal.count("reed") == before


def test_a_script_is_told_what_each_form_takes(visitor: Visitor) -> None:
    forms = visitor.ask("/new")
    assert set(forms) == {"reeds", "chanter", "order"}
    text = visitor.see("/new").text
    assert all(f'name="{field}"' in text for fields in forms.values() for field in fields)


def test_what_cannot_be_read_is_named_by_its_field(visitor: Visitor) -> None:
    sent = visitor.enter("/new/chanter", {"name": "CH-99", "meeting_pitch_hz": "high"})
    assert sent.status == 422
    assert "Meeting pitch" in sent.text


@pytest.mark.parametrize("what", ["reeds", "chanter", "order"])
def test_script_in_every_field_is_text(visitor: Visitor, what: str) -> None:
    bad = "<script>alert(1)</script>"
    fields = visitor.see("/new").fields(f"/new/{what}")
    for form in (dict.fromkeys(fields, bad), {"name": bad, "reed_type": bad, "batch": bad, "remark": bad}):
        assert "<script>alert" not in visitor.enter(f"/new/{what}", form).text
