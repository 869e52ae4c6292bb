"""Fuzzes the typed line: a reading, a trim, a crow. Run by hand; see README.md in this folder."""

from __future__ import annotations

import math
import sys

import atheris

with atheris.instrument_imports():
    from trimfit.base import column_words
    from trimfit.base.errors import InputError
    from trimfit.base.pitch import parse_crow_hz
    from trimfit.base.units import BOUNDS, parse_pressure_kpa, parse_temperature_c
    from trimfit.entry import line_parser, tokens

MODES: tuple[column_words.ValueMeaning, ...] = ("auto", "sounding", "as low A", "cents")


def check_reading(text: str, mode: column_words.ValueMeaning, reference_hz: float | None) -> None:
    """A reading whose every value can be meant, or an InputError with a line for each fault."""
    said: list[str] = []
    try:
        line = line_parser.parse_reading(text, mode=mode, reference_hz=reference_hz)
    except InputError as error:
        said = error.lines()
    if said:
        assert all(one.strip() for one in said)
        return
    low, high = BOUNDS["note_hz"]
    assert all(low <= hz <= high for hz in line.notes_hz.values()), line
    assert line.pressure_kpa is None or math.isfinite(line.pressure_kpa), line
    assert line.crow_hz is None or BOUNDS["crow_hz"][0] <= line.crow_hz <= BOUNDS["crow_hz"][1], line
    line.merged(line).reading("R", "2026-01-01")


def check_others(text: str) -> None:
    """Trims, crows, pressures and temperatures: a finite value or an InputError."""
    try:
        trim = line_parser.parse_trim(text)
        assert 0 < (trim.length_mm or 0.0) + (trim.lip_strokes or 0.0) < 1000, trim
    except InputError:
        pass
    for parser in (parse_crow_hz, parse_pressure_kpa, parse_temperature_c):
        try:
            assert math.isfinite(parser(text)), text
        except InputError:
            pass
    for word in tokens.split_words(text):
        tokens.begins_a_trim(word)
        tokens.names_a_column(word)


def one_input(data: bytes) -> None:
    """One made-up input."""
    source = atheris.FuzzedDataProvider(data)
    mode = MODES[source.ConsumeIntInRange(0, 3)]
    reference_hz = 470.0 if source.ConsumeBool() else None
    text = source.ConsumeUnicode(300)
    check_reading(text, mode, reference_hz)
    check_others(text)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
