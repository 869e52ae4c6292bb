"""One reed as a bench wants it in front of it: its story, the answer, its picture, and what is usually read of it."""

from __future__ import annotations

from dataclasses import dataclass

from trimfit.base.column_words import key_of
from trimfit.base.records import Reed
from trimfit.review.results import ReedStory
from trimfit.session.session import Session
from trimfit.verbs.reviews.reed_story import ReedReview, review_of, story_of


@dataclass(frozen=True, slots=True)
class ReedForm:
    """What a form for a reading of a reed needs to know: its record; and by key what the shop usually reads of a reed,
    in the shop's order (setting `line_order`)."""

    record: Reed
    usual: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReedSheet:
    """review: its story and the answer, as `review reed` has them; story: F and E over the length taken off."""

    review: ReedReview
    story: ReedStory


def reed_form(session: Session, reed: str) -> ReedForm:
    """The form of one reed; nothing is worked out. InputError for a reed that the log does not know."""
    keys = [key_of(word) for word in session.settings.line_order.split()]
    return ReedForm(session.journal.reed_named(reed), tuple(key[0] for key in keys if key is not None))


def reed_sheet(session: Session, reed: str) -> ReedSheet:
    """The sheet of one reed. InputError for a reed that the log does not know."""
    record = session.journal.reed_named(reed)
    session.fit_if_due()
    with session.reading():
        bench = session.bench()
        seen = bench.see_reed(record)
        review = review_of(bench, seen)
        return ReedSheet(review, story_of(bench, seen, review.advice))
