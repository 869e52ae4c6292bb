"""Rows of the log as its tables hold them, and what is said of one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from trimfit.bench import times
from trimfit.bench.history import quoted
from trimfit.bench.kinds import Kind

__all__ = ["differences", "insert_sql", "instant_of", "key_words", "stored"]


def instant_of(kind: Kind, values: Sequence[Any], zone: str) -> float | None:
    """A row's instant in seconds since 1970 UTC, None for kinds without a time. zone: the shop's."""
    return None if kind.time is None else times.at_s(str(values[kind.index[kind.time]]), zone)


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
    return "blank" if value is None else str(value)[:40]
