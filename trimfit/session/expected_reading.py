"""What a reading about to be logged should show: the posterior of its reed and of the reeds beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trimfit.base.records import Reading, ReedHistory

if TYPE_CHECKING:
    from trimfit.entry.neighbours import ExpectedReading
    from trimfit.log.journal import Journal
    from trimfit.session.session import Session

__all__ = ["expected_reading", "plain_expected_reading"]

MOST_BESIDE = 24
"""So many reeds of the batch are thought of, the last read first."""


def expected_reading(session: Session, reading: Reading) -> ExpectedReading:
    """What a reading of a reed should show at its own time, in its own chanter, pressure and temperature, all outputs
    together: for its reed, and for the others of the batch that were read and were still at the bench then."""
    import numpy as np

    from trimfit.base.dates import at_s
    from trimfit.base.pitch import OUTPUTS
    from trimfit.entry.neighbours import ExpectedReading, Joint

    with session.reading():
        record = session.journal.of_reed(reading.reed).reed.record
        bench = session.bench(at_s(reading.taken_at))
        seen = bench.see_batch(record.reed_type, record.batch, [reading.chanter] if reading.chanter else [])
        stretch = np.sqrt(np.outer(bench.model.reading_stretch, bench.model.reading_stretch))
        joints = {}
        for name, one in seen.items():
            if name != reading.reed and (not one.history.readings or one.history.outcome is not None):
                continue
            chanter = reading.chanter if reading.chanter in one.state.chanters else None
            design = one.state.design(
                one.removed_mm, one.lip_strokes, chanter, reading.pressure_kpa, reading.temperature_c, as_read=True
            )
            mean, cov = one.state.outputs(design)
            cov = cov + one.state.noise_cov * stretch
            joints[name] = Joint(OUTPUTS, mean.tolist(), cov.tolist())
        own = joints.pop(reading.reed)
        return ExpectedReading(own, joints)


def plain_expected_reading(journal: Journal, reading: Reading, history: ReedHistory) -> ExpectedReading | None:
    """The same from plain numbers kept at the last fit, without numpy; None before there was one."""
    from trimfit.entry.plain_prediction import KEY, numbers_from_bytes, plain_prediction

    kept = journal.learned_get(KEY + history.reed.record.reed_type)
    if kept is None:
        return None
    numbers = numbers_from_bytes(kept)
    if numbers is None:
        return None
    beside = journal.beside(history.reed.record, MOST_BESIDE)
    return plain_prediction(numbers, reading, history, beside, journal.scale())
