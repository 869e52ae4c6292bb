"""What a reading should show: the one predictor of the next reading, for all checks of what is logged."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from trimfit.base.iso_dates import at_s
from trimfit.base.pitch import OUTPUTS
from trimfit.base.records import Reading, ReedHistory
from trimfit.entry.neighbours import ExpectedReading, Joint

if TYPE_CHECKING:
    from trimfit.session.session import Session


def expected_reading(session: Session, reading: Reading, entry: str = "") -> ExpectedReading:
    """What a reading of a reed should show at its own time, in its own chanter, pressure and temperature, all outputs
    together: for its reed, and for the others of the batch that were read and were still at the bench then.

    It rests on the fitted model as it is kept, however old, and fits nothing. entry: the reading's own, where it is in
    the log already; it is left out.
    """
    with session.reading():
        record = session.journal.reed_named(reading.reed)
        bench = session.bench(at_s(reading.taken_at, session.settings.time_zone))
        histories = [_without(history, entry) for history in bench.histories_of(record.reed_type, record.batch)]
        asked = {h.reed.record.reed for h in histories if h.readings and h.outcome is None} | {reading.reed}
        chanters = [reading.chanter] if reading.chanter else []
        posteriors = bench.see_histories(record.reed_type, histories, chanters, only=asked)
        stretch = np.sqrt(np.outer(bench.model.reading_stretch, bench.model.reading_stretch))
        joints = {}
        for name, seen in posteriors.items():
            chanter = reading.chanter if reading.chanter in seen.state.chanters else None
            design = seen.state.design(
                seen.removed_mm, seen.lip_strokes, chanter, reading.pressure_kpa, reading.temperature_c, as_read=True
            )
            mean, cov = seen.state.outputs(design)
            joints[name] = Joint(OUTPUTS, mean, cov + seen.state.noise_cov * stretch)
        own = joints.pop(reading.reed)
        read = {
            h.reed.record.reed: _outputs_read(h, reading.chanter) for h in histories if h.reed.record.reed in joints
        }
        return ExpectedReading(own, joints, read)


def _outputs_read(history: ReedHistory, chanter: str | None) -> set[str]:
    """The outputs that were read of a reed: the crow, and notes in this chanter."""
    readings = [one.record for one in history.readings]
    notes = {note for one in readings if one.chanter == chanter for note in one.notes_hz}
    return notes | ({"crow"} if any(one.crow_hz for one in readings) else set())


def _without(history: ReedHistory, entry: str) -> ReedHistory:
    return replace(history, readings=tuple(one for one in history.readings if one.entry != entry)) if entry else history
