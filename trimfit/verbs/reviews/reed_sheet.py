"""One reed as a bench wants it in front of it: its story, the answer, its picture, and what is usually read of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trimfit.review.results import ReedStory
from trimfit.verbs.reviews.reed_story import ReedReview

if TYPE_CHECKING:
    from trimfit.session.session import Session

__all__ = ["ReedSheet", "reed_sheet"]


@dataclass(frozen=True, slots=True)
class ReedSheet:
    """review: its story and the answer, as `review reed` has them; story: F and E over the length taken off.

    usual: what the shop reads of a reed, by key, in the shop's order (setting `line_order`); pressure_kpa and
    temperature_c: as its last reading with notes has them, None where it names none.
    """

    review: ReedReview
    story: ReedStory
    usual: tuple[str, ...]
    pressure_kpa: float | None
    temperature_c: float | None


def reed_sheet(session: Session, reed: str) -> ReedSheet:
    """The sheet of one reed. InputError for a reed that the log does not know."""
    from trimfit.verbs.reviews.reed_story import review_of, story_of

    record = session.journal.of_reed(reed).reed.record
    session.fit_if_due()
    with session.reading():
        bench = session.bench()
        seen = bench.see_reed(record)
        review = review_of(bench, seen)
        story = story_of(bench, seen, review.advice)
    last = next((one.record for one in reversed(seen.history.readings) if one.record.notes_hz), None)
    return ReedSheet(
        review,
        story,
        _usual(session.settings.line_order),
        last.pressure_kpa if last is not None else None,
        last.temperature_c if last is not None else None,
    )


def _usual(line_order: str) -> tuple[str, ...]:
    from trimfit.base.column_words import key_of

    keys = [key_of(word) for word in line_order.split()]
    return tuple(key[0] for key in keys if key is not None)
