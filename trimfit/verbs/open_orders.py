"""How far each order has come that is not done."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trimfit.session.orders import Progress
    from trimfit.session.session import Session

__all__ = ["open_orders"]


def open_orders(session: Session, today: str) -> list[Progress]:
    """The orders that still want something, soonest due first; not those a year overdue that nobody works at."""
    from trimfit.session.orders import order_progress

    long_ago = f"{int(today[:4]) - 1:04d}{today[4:]}"
    found = [one for one in order_progress(session.journal, today) if one.is_open]
    return [one for one in found if one.in_work or not one.due_on or one.due_on >= long_ago]
