"""Rows of the log as its tables hold them, and what is said of one."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from trimfit.base import iso_dates
from trimfit.base.errors import short
from trimfit.log.entry_kinds import Kind
from trimfit.log.queries import quoted


def instant_of(kind: Kind, values: Sequence[Any], zone: str) -> float | None:
    """A row's instant in seconds since 1970 UTC, None for kinds without a time. zone: the shop's."""
    return None if kind.time is None else iso_dates.at_s(str(values[kind.index[kind.time]]), zone)


def stored(kind: Kind, values: Sequence[Any], seq: int, entry: str, generation: int, zone: str) -> tuple[Any, ...]:
    """A row as its table holds it. zone: the shop's."""
    instant = () if kind.time is None else (instant_of(kind, values, zone),)
    return (seq, entry, generation, *values, *instant)


def insert_sql(kind: Kind) -> str:
    """The statement that takes what `stored` gives."""
    names = ("seq", "entry", "generation", *kind.names, *(("at_s",) if kind.time else ()))
    return f"INSERT INTO {kind.table} ({quoted(names)}) VALUES ({', '.join('?' * len(names))})"


def key_words(kind: Kind, values: Sequence[Any]) -> str:
    """What a row is about, in words: `R-1 at 2026-03-01T10:00`, `R-1 at 2026-03-01T10:00 soaked`."""
    words = [str(values[kind.index[name]]) for name in kind.key if name != "at_s"]
    return " ".join(words if kind.time is None else [words[0], "at", str(values[kind.index[kind.time]]), *words[1:]])


def differences(kind: Kind, ours: Sequence[Any], theirs: Sequence[Any]) -> str:
    """Which columns differ between a row and the one in the log, in words."""
    pairs = [
        f"{name} {_shown(there)}, not {_shown(here)}"
        for name, here, there in zip(kind.names, ours, theirs, strict=True)
        if here != there
    ]
    return ", ".join(pairs)


def _shown(value: object) -> str:
    if isinstance(value, float):
        value = f"{value:.6g}"  # as `fix` lists values; the row keeps them all
    return "blank" if value is None else short(value)


try:
    # hashlib's own blake2b, without loading the cryptography library behind hashlib's other hashes.
    from _blake2 import blake2b
except ImportError:  # an interpreter that keeps it elsewhere
    from hashlib import blake2b

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
