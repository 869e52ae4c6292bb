"""All readings that count, as the estimator's frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from trimfit.log.journal import Journal


def frame_of(journal: Journal, *, most_readings: int | None = None) -> pd.DataFrame:
    """All readings that count as the estimator's frame (with `entry`, `seq`, `g_octave_cents`), or those of the reeds
    last read, until `most_readings` are reached."""
    import numpy as np
    import pandas as pd

    from trimfit.base.pitch import NOTES
    from trimfit.regression.readings.frame import bench_frame, cents_of_hz

    names = ["seq", "entry", "reed", "at_s", "chanter", "crow_hz", *(f"{note}_hz" for note in NOTES)]
    names += ["g_octave_hz", "pressure_kpa", "temperature_c", "taped"]
    of = None if most_readings is None else journal.last_read(most_readings)
    readings = pd.DataFrame(journal.columns("reading", names, reeds=of), columns=names)
    if most_readings is not None and len(readings) > most_readings:
        last = readings.groupby("reed")["seq"].agg(["max", "size"]).sort_values("max", ascending=False)
        keep = last.index[last["size"].cumsum() <= most_readings]
        readings = readings[readings["reed"].isin(keep)]
        of = [str(reed) for reed in keep]
    trims = pd.DataFrame(
        journal.columns("trim", ["reed", "at_s", "length_mm", "lip_strokes"], reeds=of),
        columns=["reed", "done_at", "length_mm", "lip_strokes"],
    )
    events = pd.DataFrame(journal.columns("event", ["reed", "at_s"], reeds=of), columns=["reed", "at"])
    of_reed = ["reed", "reed_type", "batch", "made_on"]
    reeds = pd.DataFrame(journal.columns("reed", of_reed, reeds=of), columns=of_reed)
    for column in names[5:]:
        if column.endswith(("_hz", "_kpa", "_c")):
            readings[column] = readings[column].astype(float)
    for column in ("length_mm", "lip_strokes"):
        trims[column] = trims[column].astype(float)
    readings = readings.rename(columns={"at_s": "taken_at"}).astype({"taken_at": float})
    trims, events = trims.astype({"done_at": float}), events.astype({"at": float})
    frame = bench_frame(readings, trims, reeds, journal.scale(), events=events)
    kept = readings[readings["reed"].isin(set(reeds["reed"]))].reset_index(drop=True)
    frame["seq"] = kept["seq"].to_numpy()
    frame["g_octave_cents"] = cents_of_hz(kept["g_octave_hz"].to_numpy(dtype=float))
    frame["chanter"] = frame["chanter"].where(frame["chanter"].notna(), None)
    return frame.replace([np.inf, -np.inf], np.nan)
