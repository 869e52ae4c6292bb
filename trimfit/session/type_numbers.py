"""Each type's plain numbers, kept at a fit for the check of a reading at entry."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from fractions import Fraction

    from trimfit.regression.fitted_model import FittedModel

__all__ = ["type_numbers"]


STEP_MM, STEPS = 0.2, 21


def type_numbers(model: FittedModel, scale: Mapping[str, Fraction]) -> dict[str, bytes]:
    """Each type's plain numbers, by the key that the log keeps them under."""
    import numpy as np

    from trimfit.base.pitch import OUTPUTS
    from trimfit.entry.plain_prediction import KEY, TypeNumbers, numbers_to_bytes
    from trimfit.regression.posterior.reed import batch_states, known_coding
    from trimfit.regression.readings.rows import rows_of

    k = len(OUTPUTS)
    stretch = np.sqrt(np.outer(model.reading_stretch, model.reading_stretch))
    found = {}
    for code, name in enumerate(model.coding.types):
        rows = rows_of((), code, model.coding.chanters, scale)
        coding = known_coding(model, model.coding.types)
        _, blank, _ = batch_states(model, rows, coding, code, in_fit=np.zeros(0, dtype=bool))

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
            (level + model.chanter_cov[:k, :k]).round(3).tolist(),
            slope.round(3).tolist(),
            (blank.noise_cov * stretch).round(4).tolist(),
        )
        found[KEY + name] = numbers_to_bytes(numbers)
    return found
