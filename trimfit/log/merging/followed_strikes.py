"""A strike at one bench of what the other bench renamed meanwhile: it holds under the new name, too.

One bench strikes or amends a reading of R-7; the other, which has not heard of it, renames R-7, so that the reading is
struck there as renamed and entered again. Once both are known the entry has strikes of both sorts, and its like under
the new name is struck for the same reason. What follows is worked out from the entries alone, so it is the same at
every bench, whichever way logs came together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from trimfit.log.entry_kinds import KINDS, OF_A_REED, kind_of_entry
from trimfit.log.entry_rows import entry_id
from trimfit.log.merging.rename import as_named
from trimfit.log.queries import new_name

if TYPE_CHECKING:
    from trimfit.log.journal import Journal

_IS_RENAME = "{0}.why >= 'renamed ' AND {0}.why < 'renamed!'"
_BOTH = (
    "SELECT s.struck, s.why, s.struck_at, r.why FROM strikes r JOIN strikes s ON s.struck = r.struck "
    f"WHERE {_IS_RENAME.format('r')} AND NOT ({_IS_RENAME.format('s')}) ORDER BY s.entry, r.entry"
)
_OTHERWISE = f"SELECT 1 FROM strikes s WHERE s.struck = ? AND NOT ({_IS_RENAME.format('s')})"


def follow_strikes(journal: Journal) -> list[str]:
    """Strike what was struck under another name at one bench and renamed at the other; the entries that are struck now.

    A strike that was followed before adds nothing.
    """
    strike = KINDS["strike"]
    done: list[str] = []
    with journal.writing() as connection:
        fresh = True
        while fresh:  # what was renamed twice is followed twice
            fresh = False
            for struck, why, at, renamed in connection.execute(_BOTH).fetchall():
                kind, to = kind_of_entry(struck), new_name(renamed)
                if kind is None or kind.name not in OF_A_REED or to is None:
                    continue
                if not journal.which_are_known(kind, [struck]):
                    continue  # a doctored log may strike what it does not hold
                _, values = journal.row_of(struck)
                entry = entry_id(kind, as_named(kind, values, to))
                if not journal.which_are_known(kind, [entry]) or connection.execute(_OTHERWISE, (entry,)).fetchone():
                    continue
                row = (entry, why, at)
                journal.insert(strike, row, entry_id(strike, row), 0)
                done.append(entry)
                fresh = True
    return done
