"""The checksum that stands before every derived value of a log: a value that does not match it is derived anew.

Entries have their own (`identity`); what was learned from them is worth no word of its own, only another fit.
"""

from __future__ import annotations

from hashlib import blake2b

MARK = b"sum1"
SIZE = 16


def sealed(key: str, value: bytes) -> bytes:
    """A value as it is kept under a key: a mark, the checksum of both, the value."""
    return MARK + _checksum(key, value) + value


def unsealed(key: str, kept: bytes) -> bytes | None:
    """The value that was kept under a key; None where it is no longer that, or was kept without a checksum."""
    value = kept[len(MARK) + SIZE :]
    return value if kept[: len(MARK) + SIZE] == MARK + _checksum(key, value) else None


def seal_of(kept: bytes) -> bytes:
    """The mark and checksum that stand before a value as it is kept."""
    return kept[: len(MARK) + SIZE]


def is_older(kept: bytes) -> bool:
    """Whether a value was kept before values had checksums: each began with a line of JSON then."""
    return kept.startswith(b"{")


def _checksum(key: str, value: bytes) -> bytes:
    return blake2b(key.encode() + b"\0" + value, digest_size=SIZE).digest()
