"""Names as a person counts them: R-9 before R-10, and R-1..R-24 for all between."""

from __future__ import annotations

import re

__all__ = ["as_counted", "counted_out"]

MOST = 1000


def as_counted(name: str) -> tuple[tuple[int, int, str], ...]:
    """A key that puts names in the order of counting: 2 before 10, R-9 before R-10."""
    parts = re.split(r"([0-9]+)", name)
    return tuple((0, int(part), part) if i % 2 else (1, 0, part) for i, part in enumerate(parts))


def counted_out(text: str) -> list[str] | None:
    """The names from one to another that differ in the number at their end: `R-1..R-24`, `R-01..24`.

    None for a text that is no such range, and for one of more than a thousand names or that counts down.
    """
    found = re.fullmatch(r"(.*?)([0-9]{1,9})\.\.(.*?)([0-9]{1,9})", text.strip())
    if found is None or found[3] not in ("", found[1]):
        return None
    first, last = int(found[2]), int(found[4])
    if not first < last < first + MOST:
        return None
    width = len(found[2]) if found[2].startswith("0") else 0
    return [f"{found[1]}{number:0{width}d}" for number in range(first, last + 1)]
