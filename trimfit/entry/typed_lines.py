"""What a typed line says, once it is understood: a reading or a trim that does not yet know its reed and its time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace

from trimfit.base.column_words import G_OCTAVE, ValueMeaning
from trimfit.base.records import Reading, Trim

FIELD_OF = {
    "crow": "crow_hz",
    "pressure": "pressure_kpa",
    "temperature": "temperature_c",
    "humidity": "humidity_pct",
    "reference": "reference_hz",
    G_OCTAVE: "g_octave_hz",
}
"""The field that a typed word's value goes to, where that has another name."""
_SHARED = ("crow_hz", "g_octave_hz", "pressure_kpa", "temperature_c", "humidity_pct", "taped", "remark")


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """What a line of the bench says: sounding hertz of what was taken, and how each note's value was understood.

    reference_hz: the pitch as low A that the line itself gives for its cents, if it does.
    """

    crow_hz: float | None = None
    notes_hz: Mapping[str, float] = field(default_factory=dict)
    g_octave_hz: float | None = None
    pressure_kpa: float | None = None
    temperature_c: float | None = None
    humidity_pct: float | None = None
    taped: tuple[str, ...] = ()
    chanter: str | None = None
    at: str | None = None
    remark: str | None = None
    reference_hz: float | None = None
    heard: Mapping[str, ValueMeaning] = field(default_factory=dict)

    def reading(self, reed: str, taken_at: str, chanter: str | None = None) -> Reading:
        """The Reading that this line is, of `reed`, taken at `taken_at`, in its own chanter or `chanter`."""
        said = {name: getattr(self, name) for name in _SHARED}
        return Reading(reed, taken_at, self.chanter or chanter, notes_hz=dict(self.notes_hz), **said)

    def merged(self, newer: ReadingLine) -> ReadingLine:
        """This line with whatever `newer` says put in its place: how a slip is mended without typing all again."""
        changes: dict[str, object] = {
            item.name: getattr(newer, item.name)
            for item in fields(self)
            if item.name not in ("notes_hz", "heard") and getattr(newer, item.name) not in (None, ())
        }
        changes["notes_hz"] = {**self.notes_hz, **newer.notes_hz}
        changes["heard"] = {**self.heard, **newer.heard}
        return replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class TrimLine:
    """What a line says was taken off: length in mm and/or lip strokes, and the length that was meant."""

    length_mm: float | None = None
    lip_strokes: float | None = None
    asked_mm: float | None = None
    at: str | None = None
    remark: str | None = None

    def trim(self, reed: str, done_at: str) -> Trim:
        """The Trim that this line is, of `reed`, done at `done_at`."""
        return Trim(reed, done_at, self.length_mm, self.lip_strokes, self.asked_mm, self.remark)
