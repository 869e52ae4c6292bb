"""One reed as a bench wants it in front of it: its story, the answer, its picture, and what is usually read of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trimfit.base.records import ReedHistory
from trimfit.review.results import ReedStory
from trimfit.verbs.reviews.reed_story import ReedReview

if TYPE_CHECKING:
    from trimfit.session.session import Session

__all__ = ["ReedSheet", "reed_sheet"]

USUAL = ("crow", "low_a", "e", "f", "high_a")
"""What is read of a reed where nobody has read anything yet: F and E, the A's that say whether it is balanced, the
crow."""


@dataclass(frozen=True, slots=True)
class ReedSheet:
    """review: its story and the answer, as `review reed` has them; story: F and E over the length taken off.

    usual: the outputs that its last reading with notes had, by key, else those of `USUAL`; pressure_kpa and
    temperature_c: as that reading has them, None where it names none.
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
        _usual(seen.history),
        last.pressure_kpa if last is not None else None,
        last.temperature_c if last is not None else None,
    )


def _usual(history: ReedHistory) -> tuple[str, ...]:
    from trimfit.base.pitch import OUTPUTS

    for logged in reversed(history.readings):
        reading = logged.record
        if {"f", "e"} <= reading.notes_hz.keys():
            read = {*reading.notes_hz, *(["crow"] if reading.crow_hz else [])}
            return tuple(name for name in OUTPUTS if name in read)
    return USUAL
