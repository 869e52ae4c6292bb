"""A key that sorts names as a person counts: R-9 before R-10."""

from __future__ import annotations

import re

__all__ = ["as_counted"]


def as_counted(name: str) -> tuple[tuple[int, int, str], ...]:
    """A key that puts names in the order of counting: 2 before 10, R-9 before R-10."""
    parts = re.split(r"([0-9]+)", name)
    return tuple((0, int(part), part) if i % 2 else (1, 0, part) for i, part in enumerate(parts))
