"""What a reading about to be logged should show: the house's belief of its reed and of the reeds beside it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from trimfit.records import Reading, ReedHistory

if TYPE_CHECKING:
    from collections.abc import Mapping
    from fractions import Fraction

    from trimfit.bench.foreseen import Foreseen
    from trimfit.bench.journal import Journal
    from trimfit.learn.card import FitCard

__all__ = ["forecast", "foresee", "type_numbers"]

STEP_MM, STEPS = 0.2, 21
MOST_BESIDE = 24
"""So many reeds of the batch are thought of, the last read first."""


def foresee(path: Path, reading: Reading) -> Foreseen:
    """What a reading of a reed should show at its own time, in its own chanter, pressure and temperature, all outputs
    together: for its reed, and for the others of the batch that were read and were still at the bench then."""
    import numpy as np

    from trimfit.bench.foreseen import Foreseen, Joint
    from trimfit.bench.journal import Journal
    from trimfit.bench.times import at_s
    from trimfit.desk.beliefs import Bench
    from trimfit.pitch import OUTPUTS

    with Journal(path) as journal:
        record = journal.of_reed(reading.reed).reed.record
        bench = Bench(journal, at_s=at_s(reading.taken_at))
        seen = bench.see_batch(record.reed_type, record.batch, [reading.chanter] if reading.chanter else [])
        stretch = np.sqrt(np.outer(bench.card.reading_stretch, bench.card.reading_stretch))
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
        return Foreseen(own, joints)


def forecast(journal: Journal, reading: Reading, history: ReedHistory) -> Foreseen | None:
    """The same from plain numbers kept at the last fit, without numpy; None before there was one."""
    from trimfit.bench.forecast import KEY, foresee, numbers_from_bytes

    kept = journal.learned_get(KEY + history.reed.record.reed_type)
    if kept is None:
        return None
    numbers = numbers_from_bytes(kept)
    if numbers is None:
        return None
    beside = journal.beside(history.reed.record, MOST_BESIDE)
    return foresee(numbers, reading, history, beside, journal.scale())


def type_numbers(card: FitCard, scale: Mapping[str, Fraction]) -> dict[str, bytes]:
    """Each type's plain numbers, by the key that the log keeps them under."""
    import numpy as np

    from trimfit.bench.forecast import KEY, TypeNumbers, numbers_to_bytes
    from trimfit.learn.histories import rows_of
    from trimfit.learn.predict import batch_states, known_coding
    from trimfit.pitch import OUTPUTS

    k = len(OUTPUTS)
    stretch = np.sqrt(np.outer(card.reading_stretch, card.reading_stretch))
    found = {}
    for code, name in enumerate(card.coding.types):
        rows = rows_of((), code, card.coding.chanters, scale)
        coding = known_coding(card, card.coding.types)
        _, blank, _ = batch_states(card, rows, coding, code, in_fit=np.zeros(0, dtype=bool))

        def design(mm: float, lip: float = 0.0, kpa: float = 0.0, deg_c: float = 0.0, blank=blank):  # type: ignore[no-untyped-def]
            return blank.design(mm, lip, None, blank.pressure_kpa + kpa, blank.temperature_c + deg_c)

        start = design(0.0)
        _, level = blank.outputs(start)
        _, slope = blank.outputs(design(1.0) - start)
        lip, kpa, deg_c = (
            (blank.outputs(there - start)[0]).tolist()
            for there in (design(0.0, lip=1.0), design(0.0, kpa=1.0), design(0.0, deg_c=1.0))
        )
        curve = [blank.outputs(design(i * STEP_MM))[0].round(2).tolist() for i in range(STEPS)]
        numbers = TypeNumbers(
            STEP_MM,
            curve,
            [round(x, 3) for x in lip],
            [round(x, 3) for x in kpa],
            [round(x, 3) for x in deg_c],
            (level + card.chanter_cov[:k, :k]).round(3).tolist(),
            slope.round(3).tolist(),
            (blank.noise_cov * stretch).round(4).tolist(),
        )
        found[KEY + name] = numbers_to_bytes(numbers)
    return found
