"""Which entry a form of the local page became: a form that is sent again, by a net that dropped or a hand that tapped
twice, is the same entry.

No part of what benches share: it is neither exported nor merged, and is forgotten after a month.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from trimfit.base.errors import InputError
from trimfit.base.iso_dates import DAY_S, now_s

if TYPE_CHECKING:
    from trimfit.log.journal import Journal

KEPT_S = 31 * DAY_S
SHORTEST_TOKEN, LONGEST_TOKEN = 8, 64


def entry_of_form(journal: Journal, token: str) -> tuple[str, str | None] | None:
    """The entry that the form of this token became, and what its sender was answered, if that was kept; None where it
    was not logged yet."""
    if not SHORTEST_TOKEN <= len(token) <= LONGEST_TOKEN:
        what = f"the form's token has {len(token)} characters, not {SHORTEST_TOKEN} to {LONGEST_TOKEN}"
        raise InputError(what, "", "load its page again and send it from there")
    with journal.reading() as connection:
        row = connection.execute("SELECT entry, answer FROM forms WHERE token = ?", (token,)).fetchone()
    return (str(row[0]), row[1]) if row else None


def keep_form(journal: Journal, token: str, entry: str, answer: str) -> None:
    """Keep which entry a form became, and the answer; in the transaction in which the entry is logged."""
    with journal.writing() as connection:
        connection.execute("DELETE FROM forms WHERE at_s < ?", (now_s() - KEPT_S,))
        connection.execute("INSERT INTO forms VALUES (?, ?, ?, ?)", (token, entry, now_s(), answer))
