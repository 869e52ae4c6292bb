"""How far each order has come: what is wanted, what has left the bench, what is in work, and whether it is overdue."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trimfit.base.errors import FEW_NAMES, InputError, nearest, short
from trimfit.base.iso_dates import own_minute, text_of
from trimfit.base.plain_words import MOST_NAMED, whether_away
from trimfit.base.records import Order, ReedHistory

if TYPE_CHECKING:
    from trimfit.log.journal import Journal
    from trimfit.session.open_log import Bench


CAME_BACK = re.compile(r"\b(?:came|come|comes|sent) back\b|\barrived (?:flat|sharp)\b", re.IGNORECASE)


def came_back(history: ReedHistory) -> str:
    """The event by which a reed that was called good came back since, as `came back flat, 2026-09-20 10:00`; empty for
    others."""
    outcome = history.outcome
    if outcome is None or outcome.record.outcome != "good":
        return ""
    later = [one.record for one in history.events if one.at_s >= outcome.at_s and CAME_BACK.search(one.record.event)]
    return f"{short(later[-1].event)}, {own_minute(later[-1].at)}" if later else ""


@dataclass(frozen=True, slots=True)
class Progress:
    """One order's reeds, counted. `good`: those that came back since are not among them; `overdue`: its day has gone by
    and it still wants reeds."""

    order: str
    chanter: str
    quantity: int | None
    due_on: str | None
    good: int
    lost: int
    to_stock: int
    in_work: int
    overdue: bool
    came_back: int = 0

    @property
    def wanted(self) -> int | None:
        """Good reeds still wanted; None where no quantity was said."""
        return None if self.quantity is None else max(self.quantity - self.good, 0)

    @property
    def is_open(self) -> bool:
        """Whether there is anything left to do for it; without a number said, until its reeds have left the bench."""
        if self.quantity is None:
            return self.in_work > 0 or not (self.good or self.lost or self.to_stock or self.came_back)
        return self.in_work > 0 or self.good < self.quantity

    @property
    def has_reeds(self) -> bool:
        """Whether any reed is in work for it, or has left the bench."""
        return bool(self.in_work or self.good or self.lost or self.to_stock or self.came_back)

    def line(self) -> str:
        """`28 wanted by 2026-12-20, 5 good, 1 lost, 11 in work (overdue)`."""
        wanted = "no number said" if self.quantity is None else f"{self.quantity} wanted"
        parts = [wanted + (f" by {self.due_on}" if self.due_on else "")]
        parts += [
            f"{count} {word}"
            for count, word in (
                (self.good, "good"),
                (self.came_back, "came back"),
                (self.lost, "lost"),
                (self.to_stock, "put to stock"),
            )
            if count
        ]
        parts.append(f"{self.in_work} in work" if self.in_work else "none in work")
        return ", ".join(parts) + (" (overdue)" if self.overdue else "")


def order_progress(journal: Journal, today: str, until_s: float | None = None) -> list[Progress]:
    """Every order of the log, soonest due first. today: this day as year-month-day; until_s: as its reeds stood at that
    instant (seconds since 1970 UTC), without those made on a later day; now if not said."""
    orders = journal.orders()
    made_by = None if until_s is None else text_of(until_s)[:10]
    order_of = {
        reed: order
        for reed, order, made_on in journal.columns("reed", ["reed", "order", "made_on"])
        if order in orders and (made_by is None or (made_on or "") <= made_by)
    }
    last: dict[str, tuple[float, str]] = {}
    for reed, outcome, at_s in journal.columns("outcome", ["reed", "outcome", "at_s"]):
        if until_s is not None and at_s > until_s:
            continue
        if reed in order_of and at_s >= last.get(reed, (float("-inf"), ""))[0]:
            last[reed] = (at_s, outcome)
    for reed, event, at_s in journal.columns("event", ["reed", "event", "at_s"]):
        if reed in last and last[reed][1] == "good" and at_s >= last[reed][0] and CAME_BACK.search(event):
            if until_s is None or at_s <= until_s:
                last[reed] = (last[reed][0], "came back")
    counted: dict[str, dict[str, int]] = {name: {} for name in orders}
    for reed, order in order_of.items():
        word = last[reed][1] if reed in last else "in work"
        counted[order][word] = counted[order].get(word, 0) + 1
    found = [progress_of(orders[name], counts, today) for name, counts in counted.items()]
    return sorted(found, key=lambda one: (one.due_on or "9999", one.order))


def progress_of(order: Order, counts: dict[str, int], today: str) -> Progress:
    """One order's progress, from how many of its reeds are `good`, `came back`, `lost`, `to-stock` and `in work`."""
    good = counts.get("good", 0)
    wants = order.quantity is None or good < order.quantity
    return Progress(
        order.order,
        order.chanter,
        order.quantity,
        order.due_on,
        good,
        counts.get("lost", 0),
        counts.get("to-stock", 0),
        counts.get("in work", 0),
        bool(order.due_on and order.due_on < today and wants and (order.quantity or counts.get("in work", 0))),
        counts.get("came back", 0),
    )


def order_named(journal: Journal, name: str) -> Order:
    """An order of the log. InputError with the nearest name for one it does not know."""
    orders = journal.orders()
    if not name.strip():
        raise InputError("no order is named", "order", "say which order")
    if name not in orders:
        raise InputError(f"order {short(name)!r} is not in the log", "order", nearest(name, sorted(orders), FEW_NAMES))
    return orders[name]


def a_guess(bench: Bench, chanter: str) -> bool:
    """Whether nobody has stated or read where F and E meet in a chanter."""
    known = bench.at_hand.chanter(chanter)
    return not ((known is not None and known.meeting_pitch_hz) or bench.at_hand.read(chanter))


LEAST_READ = 3
"""Of so many blanks read in a chanter in which nothing was cut a run is worth playing out."""


def read_blanks(where: str) -> str:
    """What to do first in a chanter that nobody has read."""
    return f"read three blanks in {where} first"


def too_little_known(journal: Journal, order: Order) -> tuple[str, str] | None:
    """Why nothing can be said of an order's run, and what to do first, in words; None where enough is known.

    Too little is known where nothing was ever cut and the chanter was hardly read: what a run would give, and how many
    reeds to start, is then a guess.
    """
    if journal.count("trim"):
        return None
    rows = journal.columns("reading", ["reed", "chanter", "f_hz", "e_hz"])
    # one that is away is worked for in a chanter at hand
    away = (order.chanter, "no") in journal.columns("chanter", ["chanter", "at_hand"])
    read = {reed for reed, chanter, f_hz, e_hz in rows if (away or chanter == order.chanter) and f_hz and e_hz}
    if len(read) >= LEAST_READ:
        return None
    where = "a chanter at hand" if away else short(order.chanter)
    why = (
        f"too little is known to play a run out: nothing was ever cut, and {len(read) or 'no'} blank"
        f"{'' if len(read) == 1 else 's'} read in {where} with F and E"
    )
    return why, read_blanks("a chanter at hand" if away else "the chanter")


def chanter_word(bench: Bench, *chanters: str) -> str:
    """What to do about chanters whose pitch nobody has stated or read, and about those that are only supposed to be
    away; empty for others, and for one that somebody said is away."""
    at_hand = bench.at_hand
    supposed = [name for name in dict.fromkeys(chanters) if at_hand.worked_in(name) and at_hand.supposed_away(name)]
    return "; ".join(said for said in (whether_away(supposed, "reeds"), _unread_word(bench, chanters)) if said)


def _unread_word(bench: Bench, chanters: Sequence[str]) -> str:
    """What to do about chanters at hand whose pitch nobody has stated or read; empty for others."""
    unread = [name for name in dict.fromkeys(chanters) if a_guess(bench, name) and not bench.at_hand.worked_in(name)]
    if not unread:
        return ""
    if len(unread) == 1:
        return f"chanter {unread[0]} was never read with F and E: {read_blanks('it')}"
    named = ", ".join(unread[:MOST_NAMED]) + (f" and {len(unread) - MOST_NAMED} more" * (len(unread) > MOST_NAMED))
    return f"chanters {named} were never read with F and E: {read_blanks('each')}"
