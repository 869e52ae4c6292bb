"""Names as a person counts them: R-9 before R-10, and R-1..R-24 for all between."""

from __future__ import annotations

import re

from trimfit.base.errors import InputError, short

MOST = 1000


def as_counted(name: str) -> tuple[tuple[int, int, str], ...]:
    """A key that puts names in the order of counting: 2 before 10, R-9 before R-10."""
    parts = re.split(r"([0-9]+)", name)
    return tuple((0, int(part), part) if i % 2 else (1, 0, part) for i, part in enumerate(parts))


def counted_out(text: str) -> list[str] | None:
    """The names from one to another that differ in the number at their end: `R-1..R-24`, `R-01..24`.

    None for a text that is no range. Raises InputError for one without numbers, one that counts down or to another
    name, and one of more than a thousand names.
    """
    found = re.fullmatch(r"(.*?)([0-9]{1,9})\.\.(.*?)([0-9]{1,9})", text.strip())
    if found is None and re.fullmatch(r"[^.]+\.\.[^.]+", text.strip()):
        raise InputError(f"{short(text)!r} is no range of names", remedy="number them, as R-1..R-24, or name each")
    if found is None:
        return None
    first, last = int(found[2]), int(found[4])
    if found[3] not in ("", found[1]) or not first < last < first + MOST:
        what = f"{short(text)!r} is no range of names"
        raise InputError(what, remedy=f"count up, at most {MOST:,} names, as R-1..R-24")
    width = len(found[2]) if found[2].startswith("0") else 0
    return [f"{found[1]}{number:0{width}d}" for number in range(first, last + 1)]


def refuse_range(name: str) -> None:
    """InputError for one reed's new name that `counted_out` takes for several."""
    if counted_out(name) is not None:
        raise InputError(f"{short(name)!r} names several reeds", remedy="say one name, without .. between numbers")
