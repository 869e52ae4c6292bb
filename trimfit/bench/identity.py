"""What makes an entry itself: an id drawn from its content, so that one row is one entry on every bench."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from trimfit.bench.kinds import Kind

try:
    # hashlib's own blake2b, without loading the cryptography library behind hashlib's other hashes.
    from _blake2 import blake2b
except ImportError:  # an interpreter that keeps it elsewhere
    from hashlib import blake2b

__all__ = ["entry_id"]

_encode = json.JSONEncoder(ensure_ascii=True, sort_keys=True, separators=(",", ":"), allow_nan=False).encode
# 80 bits: among ten million entries the chance that any two share an id is about 4e-11.
ID_BYTES = 10
_LETTERS = "abcdefghijklmnopqrstuvwxyz234567"  # base 32 of RFC 4648, five bits a letter


def entry_id(kind: Kind, values: Sequence[Any], generation: int = 0) -> str:
    """The id of a row: a hash of its kind, its values that are not blank, and how often it was re-entered.

    values: in the order of `kind.columns`, numbers of real columns as float. The id is the kind's prefix and
    sixteen letters and digits, and is the same on every machine.
    """
    content = {name: value for name, value in zip(kind.names, values, strict=True) if value is not None}
    text = _encode([kind.name, generation, content])
    number = int.from_bytes(blake2b(text.encode("ascii"), digest_size=ID_BYTES).digest(), "big")
    letters = [_LETTERS[number >> shift & 31] for shift in range(8 * ID_BYTES - 5, -1, -5)]
    return f"{kind.prefix}-{''.join(letters)}"
