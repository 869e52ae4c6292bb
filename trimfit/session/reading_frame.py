"""All readings that count, as the estimator's frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from trimfit.log.journal import Journal


def frame_of(journal: Journal, *, most_readings: int | None = None) -> pd.DataFrame:
    """All readings that count as the estimator's frame (with `entry`, `seq`, `g_octave_cents`), or those of the reeds
    last read, until `most_readings` are reached."""
    import pandas as pd

    from trimfit.base.pitch import NOTES
    from trimfit.regression.readings.frame import bench_frame

    names = ["seq", "entry", "reed", "at_s", "chanter", "crow_hz", *(f"{note}_hz" for note in NOTES)]
    names += ["g_octave_hz", "pressure_kpa", "temperature_c", "taped"]
    of = None if most_readings is None else journal.last_read(most_readings)
    readings = pd.DataFrame(journal.columns("reading", names, reeds=of), columns=names)
    if most_readings is not None and len(readings) > most_readings:
        last = readings.groupby("reed")["seq"].agg(["max", "size"]).sort_values("max", ascending=False)
        keep = last.index[last["size"].cumsum() <= most_readings]
        readings = readings[readings["reed"].isin(keep)]
        of = [str(reed) for reed in keep]
    reeds = journal.columns("reed", ["reed", "reed_type", "batch", "made_on"], reeds=of)
    trims = journal.columns("trim", ["reed", "at_s", "length_mm", "lip_strokes"], reeds=of)
    events = journal.columns("event", ["reed", "at_s"], reeds=of)
    outcomes = journal.columns("outcome", ["reed", "at_s"], reeds=of)
    return bench_frame(readings, reeds, trims, events, outcomes, journal.scale())
