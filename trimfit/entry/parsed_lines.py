"""What a typed line says, once it is understood: a reading or a trim that does not yet know its reed and its time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, TypeVar

from trimfit.base.column_words import G_OCTAVE, ValueMeaning
from trimfit.base.records import Reading, Trim

R = TypeVar("R", bound=Reading | Trim)
FIELD_OF = {
    "crow": "crow_hz",
    "pressure": "pressure_kpa",
    "temperature": "temperature_c",
    "humidity": "humidity_pct",
    "reference": "reference_hz",
    G_OCTAVE: "g_octave_hz",
}
"""The field that a typed word's value goes to, where that has another name."""


@dataclass(frozen=True, slots=True)
class ReadingLine(Reading):
    """A reading as a line of the bench says it. `at`: its time as typed; `heard`: how each note's value was understood.

    reference_hz: the pitch as low A that the line itself gives for its cents, if it does.
    """

    reed: str = ""
    taken_at: str = ""
    at: str | None = None
    reference_hz: float | None = None
    heard: Mapping[str, ValueMeaning] = field(default_factory=dict)

    def reading(self, reed: str, taken_at: str, chanter: str | None = None) -> Reading:
        """The Reading that this line is, of `reed`, taken at `taken_at`, in its own chanter or `chanter`."""
        return Reading(
            **_said(self, Reading) | {"reed": reed, "taken_at": taken_at, "chanter": self.chanter or chanter}
        )

    def merged(self, newer: ReadingLine) -> ReadingLine:
        """This line with whatever `newer` says put in its place: how a slip is mended without typing all again."""
        return replace(with_said(self, newer), heard={**self.heard, **newer.heard})


@dataclass(frozen=True, slots=True)
class TrimLine(Trim):
    """A trim as a line says it. `at`: its time as typed."""

    reed: str = ""
    done_at: str = ""
    at: str | None = None

    def trim(self, reed: str, done_at: str) -> Trim:
        """The Trim that this line is, of `reed`, done at `done_at`."""
        return Trim(**_said(self, Trim) | {"reed": reed, "done_at": done_at})


def with_said(record: R, newer: R) -> R:
    """A record with whatever `newer`, a record or line of its sort, says put in its place."""
    changes = {name: value for name, value in _said(newer, type(record)).items() if value not in (None, (), "")}
    if isinstance(record, Reading) and isinstance(newer, Reading):
        changes["notes_hz"] = {**record.notes_hz, **newer.notes_hz}
    return replace(record, **changes)


def _said(line: Reading | Trim, sort: type) -> dict[str, Any]:
    """What a line says, by the fields that a sort of record has."""
    return {item.name: getattr(line, item.name) for item in fields(sort)}
