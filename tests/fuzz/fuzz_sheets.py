"""Fuzzes the reader of CSV files, kind by kind. Run by hand; see README.md in this folder."""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports():
    from trimfit.base.pitch import DEFAULT_RATIOS
    from trimfit.log.column_values import canonical, limits
    from trimfit.log.entry_kinds import FILED, KINDS, Kind
    from trimfit.log.sheets.csv_rows import Faults, RowReader, Sheet, heads_of

FOLDER = Path(tempfile.mkdtemp(prefix="sheets-"))
SEPARATORS = (",", ";", "\t")


def read_all(kind: Kind, content: bytes) -> None:
    """Every row is a row the log can keep, or there is a fault; every fault says what and what would be right."""
    path = FOLDER / kind.file
    path.write_bytes(content)
    faults = Faults()
    sheet = Sheet(path, faults, *heads_of(kind))
    try:
        if sheet.usable:
            reader = RowReader(kind, sheet, dict(DEFAULT_RATIOS), "UTC")
            for line, cells in sheet.rows():
                check_row(kind, reader, line, cells, faults)
    finally:
        sheet.close()
    faults.close_file()
    for fault in faults.found:
        assert fault.where, fault
        assert fault.what, fault
        assert "\n" not in fault.where, fault


def check_row(kind: Kind, reader: RowReader, line: int, cells: list[str], faults: Faults) -> None:
    """One row of the file."""
    before = len(faults.found)
    values, at_s, good = reader.read(line, cells)
    if not good:
        assert len(faults.found) > before or not faults.found, "a bad row without a fault"
        return
    assert at_s is None or math.isfinite(at_s)
    for column, value in zip(kind.columns, values, strict=True):
        if isinstance(value, float):
            low, high = limits(column)
            assert low <= value <= high, (column.name, value)
    if kind.name != "trim":
        canonical(kind, values)


def one_input(data: bytes) -> None:
    """One made-up file: half of the time under a head line that a spreadsheet would write."""
    source = atheris.FuzzedDataProvider(data)
    kind = KINDS[FILED[source.ConsumeIntInRange(0, len(FILED) - 1)]]
    separator = SEPARATORS[source.ConsumeIntInRange(0, 2)]
    head = b""
    if source.ConsumeBool():
        head = (separator.join(heads_of(kind)[0]) + "\r\n").encode()
    read_all(kind, head + source.ConsumeBytes(source.remaining_bytes()))


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
