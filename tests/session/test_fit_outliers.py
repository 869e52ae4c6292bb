"""Readings that all others speak against: named with what in them stands out, and counted for little."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.opened import current_model, on
from trimfit.log.journal import Journal
from trimfit.session.fit import CARD, outlier_marks
from trimfit.session.policies import costs_of
from trimfit.session.session import Session
from trimfit.verbs.check import marks as check_marks
from trimfit.verbs.learn import learn


@pytest.fixture
def shop(small_log: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(small_log, tmp_path / "log"))


def test_one_slipped_note_is_named_and_a_whole_reading_of_another_reed_is_asked_about(shop: Path) -> None:
    with Journal(shop) as journal:
        reeds = [h for h in journal.of_reeds(None) if len(h.readings) > 2 and len(h.readings[-1].record.notes_hz) == 9]
        first, second = (history.readings[-1].record for history in reeds[:2])
        slipped = {**first.notes_hz, "c": first.notes_hz["c"] * 1.06}
        one = journal.append(replace(first, taken_at=f"{first.taken_at[:10]}T19:00", notes_hz=slipped))
        other = {note: hz * 1.08 for note, hz in second.notes_hz.items()}
        whole = journal.append(
            replace(
                second,
                taken_at=f"{second.taken_at[:10]}T19:05",
                notes_hz=other,
                crow_hz=(second.crow_hz or 530.0) * 1.08,
            )
        )
    on(shop, learn)
    with Journal(shop) as journal:
        marks = {mark.entry: mark for mark in outlier_marks(journal)}
    assert marks[one.entry].reed == first.reed
    assert marks[one.entry].sentence == "C lies far from what all other readings predict, and counts for little"
    assert marks[whole.entry].sentence.startswith("the whole reading lies far from")
    assert marks[whole.entry].sentence.endswith("was it another reed?")
    with Journal(shop) as journal:
        journal.amend(one.entry, replace(one.record, notes_hz=first.notes_hz))
        assert whole.entry in {mark.entry for mark in outlier_marks(journal)}
        assert one.entry not in {mark.entry for mark in check_marks(journal)}


def test_two_notes_that_lie_far_off_are_said_of_in_the_plural(shop: Path) -> None:
    with Journal(shop) as journal:
        last = next(
            h for h in journal.of_reeds(None) if len(h.readings) > 2 and len(h.readings[-1].record.notes_hz) == 9
        )
        read = last.readings[-1].record
        slipped = {**read.notes_hz, "c": read.notes_hz["c"] * 1.06, "high_g": read.notes_hz["high_g"] * 0.94}
        two = journal.append(replace(read, taken_at=f"{read.taken_at[:10]}T19:00", notes_hz=slipped))
    on(shop, learn)
    with Journal(shop) as journal:
        (mark,) = [mark for mark in outlier_marks(journal) if mark.entry == two.entry]
    assert mark.sentence == "C and high G lie far from what all other readings predict, and count for little"


def test_without_a_fit_nothing_is_marked(tmp_path: Path) -> None:
    with Journal(tmp_path / "log", create=True) as journal:
        assert outlier_marks(journal) == []


def test_a_log_that_cannot_be_written_is_learned_from_and_nothing_is_kept(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From a backup or a stick: the answer is the same, the fit is made each time."""
    with Journal(shop) as journal:
        good = journal.learned_get(CARD)
        assert good is not None
        journal.learned_put({CARD: b"another format"})
        journal.read_only = True
        monkeypatch.setattr(journal, "learned_put", lambda items: pytest.fail("a log that is read only was written"))
        model = current_model(journal)
        assert model.readings > 200
        assert Session.of(journal).policies.of(costs_of(model, 0, journal.settings())) is not None
        assert journal.learned_get(CARD) == b"another format"
