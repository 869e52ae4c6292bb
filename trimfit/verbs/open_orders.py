"""How far each order has come that is not done."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trimfit.session.orders import Progress

__all__ = ["open_orders"]


def open_orders(path: Path, today: str) -> list[Progress]:
    """The orders that still want something, soonest due first; not those a year overdue that nobody works at."""
    from trimfit.log.journal import Journal
    from trimfit.session.orders import order_progress

    long_ago = f"{int(today[:4]) - 1:04d}{today[4:]}"
    with Journal(path) as journal:
        found = [one for one in order_progress(journal, today) if one.is_open]
    return [one for one in found if one.in_work or not one.due_on or one.due_on >= long_ago]
