"""What to ask the owner of a chanter that is away, the letter that asks for it, and the ticket with the reed."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.typed_words import Typed
from tests.opened import lose_most_blanks, on
from tests.verbs.test_ask import reading
from tests.verbs.test_ask_away import by_letter  # noqa: F401
from trimfit.base.errors import InputError
from trimfit.base.records import Chanter, Event, Order, Outcome, Reading, Reed
from trimfit.log.journal import Journal
from trimfit.review.customer_letter import letter
from trimfit.review.ticket import how_to_check, verdict
from trimfit.session.session import Session
from trimfit.verbs.ask import advise
from trimfit.verbs.learn import learn
from trimfit.verbs.pick import pick
from trimfit.verbs.rehearse import rehearse_order
from trimfit.verbs.reviews import owner_answers
from trimfit.verbs.reviews.chanter_notes import tapes_of_chanter
from trimfit.verbs.reviews.chanters import chanters
from trimfit.verbs.reviews.owner_answers import Narrowing, first_ask, letter_for, owners_answers, told_most
from trimfit.verbs.reviews.ticket import ticket_of


def crow_forgotten(path: Path) -> None:
    """The log as if the owner had said nothing of a crow."""
    with Journal(path) as journal:
        journal.strike(journal.entry_of("chanter", "Far").entry, "misheard")  # type: ignore[union-attr]
        journal.append(Chanter("Far", kind="long bore", at_hand="no"))


def test_the_crow_of_a_working_reed_narrows_most(by_letter: Path) -> None:  # noqa: F811
    crow_forgotten(by_letter)
    found = on(by_letter, owners_answers)
    assert list(found) == ["Far"]
    first, *rest = found["Far"]
    assert first.answer == "crow"
    assert first.gap_sd_then_cents < first.gap_sd_cents
    assert {one.answer for one in rest} == {"pitch", "pressure"}
    assert all(one.gap_sd_then_cents <= one.gap_sd_cents + 1e-9 for one in found["Far"])


def test_an_answer_that_tells_next_to_nothing_is_not_made_much_of() -> None:
    assert told_most([Narrowing("pitch", 9.6, 9.58, "cane")]) == (
        "its gap there is known to ± 15.8 cents (nine in ten) for cane reeds; nothing that its owner can tell would "
        "narrow that by much: a reed sent and read there would"
    )
    assert (
        told_most([Narrowing("crow", 8.0, 4.0, "cane")])
        == "ask for the crow: for a fresh cane reed ± 13 cents of gap there (nine in ten) become ± 7"
    )
    little = told_most([Narrowing("crow", 14.1, 12.9)])
    assert little.startswith(
        "no answer helps much now, and a reed sent and read there would; the best is the crow: ± 23"
    )
    assert little.endswith("become ± 21")


def test_how_well_it_is_known_is_said_where_nothing_is_left_to_ask_for(by_letter: Path) -> None:  # noqa: F811
    with Journal(by_letter) as journal:
        for kind, name in (("chanter", "Far"), ("order", "letter")):
            journal.strike(journal.entry_of(kind, name).entry, "more is known")  # type: ignore[union-attr]
        known = Chanter("Far", kind="long bore", at_hand="no", working_crow_hz=560.0, meeting_pitch_hz=478.0)
        journal.append(known)
        journal.append(Order("letter", "Far", quantity=1, pressure_kpa=6.5))
    said = Typed(by_letter).say("review", "chanters", "Far")
    assert "its gap there is known to ±" in " ".join(said.split())
    assert said.startswith("Far (long bore): stated to meet at 478.0 Hz, never read with E and F")
    assert "1. " not in on(by_letter, letter_for, "letter")


def test_what_is_known_already_is_not_asked(by_letter: Path) -> None:  # noqa: F811
    text = on(by_letter, letter_for, "letter")
    assert Typed(by_letter).say("review", "ticket", "--letter", "letter").rstrip() == text.rstrip()
    folder = by_letter.parent / "out"
    said = Typed(by_letter).say("review", "ticket", "--letter", "letter", "--out", str(folder))
    assert said.strip() == str(folder / "letter-letter.txt")
    assert (folder / "letter-letter.txt").read_text(encoding="utf-8").rstrip() == text.rstrip()
    assert "The crow of a reed" not in text
    assert "The pitch it plays at" in text
    assert "F and E agree within about 4 cents, leave the reed as it is." in text.replace("\n", " ")
    assert "If F is sharp of E by more, send it back" in text.replace("\n", " ")
    assert max(map(len, text.splitlines())) <= 72
    crow_forgotten(by_letter)
    assert "1. The crow of a reed" in on(by_letter, letter_for, "letter")


def test_the_letter_says_that_the_first_tells_most_only_where_it_does() -> None:
    assert "The first tells the most." in letter("far", "Far 1", ["crow", "gauge"], 3.7)
    assert "tells the most" not in letter("far", "Far 1", ["gauge"], 3.7, "reed")
    assert Narrowing("gauge", 7.0, 6.5).is_little
    assert not Narrowing("crow", 7.0, 5.0).is_little


def test_rehearse_and_the_letter_ask_for_what_helps_most(by_letter: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: F811
    """Was: the letter led with questions that tell little, where rehearse said that a reed read there would help."""

    def said(now: float, then: float) -> tuple[str, str]:
        monkeypatch.setattr(owner_answers, "what_to_ask", lambda *_: [Narrowing("gauge", now, then)])
        with Session(by_letter) as session:
            return first_ask(session.bench(), session.journal.orders()["letter"], "cane"), letter_for(session, "letter")

    advice, text = said(7.0, 5.0)
    assert advice.startswith("First ask the player: ")
    assert "Above all ask for the gauge: " in advice
    assert text.index("1. How far the bore gauge") < text.index("When reeds come")
    advice, text = said(7.0, 6.5)
    assert advice.startswith("Before many are made, send one: no answer helps")
    # a command that stands last leaves whole sentences when it is put on a line of its own
    assert advice.endswith(". The letter that asks for it: trimfit review ticket --letter letter")
    assert text.startswith("Order letter, chanter Far\n\nWe send a first reed")
    assert text.index("When reeds come") < text.index("1. How far the bore gauge")
    advice, text = said(2.0, 1.9)
    assert advice == ""
    assert text.startswith("Order letter, chanter Far\n\nWhen reeds come")


def test_a_reed_that_was_sent_is_not_promised_again(by_letter: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: F811
    """Was: `We send a first reed before we make the others`, of an order one of whose reeds had come back."""
    monkeypatch.setattr(owner_answers, "what_to_ask", lambda *_: [Narrowing("gauge", 7.0, 6.5)])

    def said() -> tuple[str, str]:
        with Session(by_letter) as session:
            text = letter_for(session, "letter").replace("\n", " ")
            return text, first_ask(session.bench(), session.journal.orders()["letter"], "moulded")

    def log(*entries: Reed | Reading | Outcome | Event) -> None:
        with Journal(by_letter) as journal:
            for entry in entries:
                journal.append(entry)

    assert "We send a first reed before we make the others. Tell us its F and E" in said()[0]
    log(reading("R", "2026-02-01T10:00", -3.0), Outcome("R", "2026-02-01T11:00", "good"))
    text, advice = said()
    assert "We send a first reed" not in text
    assert "You have R from us. Tell us its F and E" in text
    assert advice.startswith("Before more are made, have R read there: ")
    log(reading("R", "2026-02-05T10:00", -12.0, chanter="Far"))
    text, advice = said()
    assert "We go by what you told us of R. Tell us of the next reed that you have from us its F and E" in text
    assert advice.startswith("Before many are made, send another: ")
    log(Event("R", "2026-02-06T10:00", "came back flat"))
    assert "R came back to us. We go by what you told us of R. Tell us of the next reed" in said()[0]
    log(Reed("S", "moulded", "A", order="letter"), Outcome("S", "2026-02-07T10:00", "good"))
    log(Reed("T", "moulded", "A", order="letter"), Outcome("T", "2026-02-07T10:00", "good"))
    assert "You have S and T from us. Tell us of each its F and E" in said()[0]


def test_only_the_gauge_that_the_shop_sent_is_asked_for() -> None:
    text = " ".join(letter("far", "Far 1", ["gauge"], 3.7).split())
    assert "the bore gauge that we sent enters the bore" in text
    assert "your gauge" not in text


def test_a_letter_is_for_a_chanter_that_is_away(by_letter: Path) -> None:  # noqa: F811
    with Journal(by_letter) as journal:
        journal.append(Order("near", "Old"))
    with pytest.raises(InputError, match="Old is at hand"):
        on(by_letter, letter_for, "near")


def test_the_ticket_says_what_was_read_here_and_what_to_expect_there(by_letter: Path) -> None:  # noqa: F811
    with Journal(by_letter) as journal:
        journal.append(reading("R", "2026-02-01T10:00", -8.0, chanter="Old"))
    with Session(by_letter) as session:
        bench = session.bench(1769940000.0)
        seen = bench.see_reed(session.journal.of_reed("R").reed.record)
        card = ticket_of(bench, seen, advise(bench, seen))
    assert (card.chanter, card.read_in) == ("Far", "Old")
    assert card.gap_here_cents is not None
    assert card.gap_here_cents.mean == pytest.approx(-8.0, abs=4.0)
    said = verdict(card)
    assert said.startswith("In Old F less E is \N{MINUS SIGN}")
    assert "In Far it should be" in said
    assert (card.unfinished, how_to_check(card)) == (True, [])
    card = replace(card, unfinished=False)
    assert "In your chanter it should be" in verdict(card)
    done = verdict(replace(card, chance_within=0.72, chance_past=0.09))
    assert done.endswith("72 % within 1 Hz, 9 % sharp.")
    (arrival,) = (step for step in how_to_check(card) if "F sharp of E by more: send it back" in step)
    assert arrival.startswith("F and E within about 4 cents: leave it. F flat of E by more: ")
    wider = how_to_check(replace(card, tolerance_hz=2.0))[-1]
    assert wider.startswith("F and E within about 7 cents: leave it. ")
    assert not any("F sharp of E" in step for step in how_to_check(replace(card, read_in=None)))


def test_a_ticket_for_a_chanter_that_is_away_claims_no_chanter_it_was_not_read_in(by_letter: Path) -> None:  # noqa: F811
    with Journal(by_letter) as journal:
        journal.append(reading("past 0", "2026-02-01T10:00", -8.0, chanter="Old", taped=("f",)))
    on(by_letter, learn)
    with Session(by_letter) as session:
        bench = session.bench(1769940000.0)
        assert tapes_of_chanter(bench.model, "Old")
        seen = bench.see_reed(session.journal.of_reed("R").reed.record)
        card = ticket_of(bench, seen, advise(bench, seen))
    assert (card.chanter, card.read_in, card.notes) == ("Far", None, ())
    assert not any("tape" in caution for caution in card.cautions)


def test_of_which_type_a_crow_is_is_asked_where_the_shop_makes_several(by_letter: Path) -> None:  # noqa: F811
    with Journal(by_letter) as journal:
        for number in range(5):
            journal.append(Reed(f"cane {number}", "cane", "C", blade_mm=22.0))
            journal.append(reading(f"cane {number}", f"2026-01-1{number}T10:00", -20.0, chanter="Old"))
    on(by_letter, learn)
    asked = on(by_letter, owners_answers)["Far"]
    assert {one.answer for one in asked} == {"reed type of the crow", "pitch", "pressure"}
    assert "Of what sort the reed is" in on(by_letter, letter_for, "letter")

    def says(reed_type: str) -> None:
        with Journal(by_letter) as journal:
            journal.strike(journal.entry_of("chanter", "Far").entry, "he says")  # type: ignore[union-attr]
            told = Chanter("Far", kind="long bore", at_hand="no", working_crow_hz=560.0, working_crow_type=reed_type)
            journal.append(told)

    says("a type of which the log has no reed")
    assert on(by_letter, owners_answers)["Far"][0].answer == "reed type of the crow"
    says("moulded")
    assert {one.answer for one in on(by_letter, owners_answers)["Far"]} == {"pitch", "pressure"}
    says("new here")
    with Journal(by_letter) as journal:
        journal.append(Reed("first", "new here", "N", blade_mm=22.0))
    assert {one.answer for one in on(by_letter, owners_answers)["Far"]} == {"pitch", "pressure"}


def test_what_an_answer_tells_is_of_the_reeds_that_pick_offers_first_on_every_screen(
    demo_log: Path, tmp_path: Path
) -> None:
    """Was: ± 21 cents, of the type that the shop knows best and that was not named, beside shares of reeds that are
    known to ± 13 there."""
    log = Path(shutil.copy(demo_log, tmp_path / "log"))
    with Session(log) as session:
        lose_most_blanks(session.journal)
        session.journal.append(Chanter("Far", at_hand="no"))
        session.journal.append(Order("letter", "Far", quantity=5))
        offered = pick(session, "letter")[0].reed_type
        (note,) = rehearse_order(session, "letter").notes
        asked = owners_answers(session, chanters(session, "Far"))["Far"]
        assert offered != owners_answers(session)["Far"][0].reed_type
    assert {one.reed_type for one in asked} == {offered}
    assert f"Above all {told_most(asked)}" in note
    assert f"for a fresh {offered} reed ±" in note
