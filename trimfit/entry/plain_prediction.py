"""What the next reading should show, from plain numbers kept at the last fit: for `log`, which loads no numpy.

Cruder than what the house believes of a reed (`session.expected_reading`): a reed's last reading, moved along its
type's mean curve by what came off since. It knows no batch and counts no earlier reading, and says so by its
covariance.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from fractions import Fraction

from trimfit.base.pitch import OUTPUTS
from trimfit.base.records import Logged, Reading, ReedHistory
from trimfit.entry.neighbours import ExpectedReading, Joint
from trimfit.entry.typing_slips import outputs_cents, since_event

__all__ = ["KEY", "TypeNumbers", "numbers_from_bytes", "numbers_to_bytes", "plain_prediction"]

KEY = "forecast:"
"""What a type's numbers are kept under, with its name after it."""
FORMAT = 1
# A type's mean answer to pressure, temperature and lip work, as a share of itself: how far a reed's own may stand off.
OWN_SHARE = 0.5
# Forecasts are cruder than posteriors: another reed must explain a reading the better to be asked about.
BETTER = 6.0
# What comes off while nothing is logged: the calliper's error on each side.
LEAST_MM = 0.02

Table = Sequence[Sequence[float]]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class TypeNumbers:
    """One type at the last fit, outputs in the order of `pitch.OUTPUTS`, cents.

    curve: the mean outputs of a blank after 0, step_mm, 2 step_mm … off. per_stroke, per_kpa, per_degc (10,).
    level (10, 10): covariance of a blank of a batch and in a chanter never seen; slope (10, 10): of the answer to one
    mm; reading (10, 10): of one reading's errors.
    """

    step_mm: float
    curve: Table
    per_stroke: Sequence[float]
    per_kpa: Sequence[float]
    per_degc: Sequence[float]
    level: Table
    slope: Table
    reading: Table

    def at(self, removed_mm: float) -> list[float]:
        """The mean outputs after a length off, straight on beyond the table's end."""
        place = removed_mm / self.step_mm
        i = min(int(place), len(self.curve) - 2)
        share = place - i
        return [a + share * (b - a) for a, b in zip(self.curve[i], self.curve[i + 1], strict=True)]


def numbers_to_bytes(numbers: TypeNumbers) -> bytes:
    """A type's numbers as the log keeps them."""
    return json.dumps({"format": FORMAT, **asdict(numbers)}, separators=(",", ":")).encode()


def numbers_from_bytes(kept: bytes) -> TypeNumbers | None:
    """A type's numbers as they were kept; None if they are of another format, or not numbers to foresee by."""
    try:
        told = json.loads(kept)
        if told.pop("format", None) != FORMAT:
            return None
        numbers = TypeNumbers(**told)
        return numbers if _whole(numbers) else None
    except (ValueError, TypeError, AttributeError):
        return None


def _whole(numbers: TypeNumbers) -> bool:
    """Whether every number is there and finite, and every variance above zero."""
    many = len(OUTPUTS)
    tables = [*numbers.curve, *numbers.level, *numbers.slope, *numbers.reading]
    lines = [numbers.per_stroke, numbers.per_kpa, numbers.per_degc, *tables]
    square = (numbers.level, numbers.slope, numbers.reading)
    return (
        math.isfinite(numbers.step_mm)
        and numbers.step_mm > 0
        and len(numbers.curve) > 1
        and all(len(table) == many for table in square)
        and all(len(line) == many and all(map(math.isfinite, line)) for line in lines)
        and all(table[i][i] > 0 for table in (numbers.level, numbers.reading) for i in range(many))
    )


def plain_prediction(
    numbers: TypeNumbers,
    reading: Reading,
    history: ReedHistory,
    beside: Sequence[ReedHistory],
    scale: Mapping[str, Fraction],
) -> ExpectedReading | None:
    """What a reading should show, for its reed and for others of its batch that were read in the same chanter.

    None where nothing of the reed can be told: it was read before, but never in this chanter, or not since an event.
    """
    own = _joint(numbers, reading, history, scale)
    if own is None:
        return None
    others = {one.reed.record.reed: _joint(numbers, reading, one, scale) for one in beside if one.readings}
    return ExpectedReading(own, {name: joint for name, joint in others.items() if joint is not None}, BETTER)


def _joint(numbers: TypeNumbers, reading: Reading, history: ReedHistory, scale: Mapping[str, Fraction]) -> Joint | None:
    """What is predicted, of this or another reed of the batch, of the outputs that the reading holds."""
    removed_mm = sum(one.record.length_mm or 0.0 for one in history.trims)
    strokes = sum(one.record.lip_strokes or 0.0 for one in history.trims)
    held = {*reading.notes_hz, *(("crow",) if reading.crow_hz is not None else ())}
    asked = [i for i, output in enumerate(OUTPUTS) if output in held]
    if not history.readings:
        new = numbers.at(removed_mm)
        blank = [new[i] + strokes * numbers.per_stroke[i] for i in asked]
        share2 = removed_mm**2
        level = [
            [numbers.level[i][j] + numbers.reading[i][j] + share2 * numbers.slope[i][j] for j in asked] for i in asked
        ]
        return Joint(tuple(OUTPUTS[i] for i in asked), blank, level)
    last = _last(reading, since_event(history))
    if last is None:
        return None
    then = outputs_cents(last.record, scale)
    since = [one.record for one in history.trims if one.at_s >= last.at_s]
    before_mm = removed_mm - sum(trim.length_mm or 0.0 for trim in since)
    off = (
        sum(trim.lip_strokes or 0.0 for trim in since),
        _off(reading.pressure_kpa, last.record.pressure_kpa),
        _off(reading.temperature_c, last.record.temperature_c),
    )
    work = [b - a for a, b in zip(numbers.at(before_mm), numbers.at(removed_mm), strict=True)]
    answers = (numbers.per_stroke, numbers.per_kpa, numbers.per_degc)
    other = [(o, a) for o, a in zip(off, answers, strict=True) if o]
    taken = [i for i in asked if OUTPUTS[i] in then]
    mean = [then[OUTPUTS[i]] + work[i] + sum(o * a[i] for o, a in other) for i in taken]
    share2 = (removed_mm - before_mm) ** 2 + LEAST_MM**2
    cov = [
        [
            2.0 * numbers.reading[i][j]
            + share2 * numbers.slope[i][j]
            + sum((OWN_SHARE * o) ** 2 * a[i] * a[j] for o, a in other)
            for j in taken
        ]
        for i in taken
    ]
    return Joint(tuple(OUTPUTS[i] for i in taken), mean, cov)


def _last(reading: Reading, history: ReedHistory) -> Logged[Reading] | None:
    """The last reading in the same chanter that nobody doubted, else the last in it."""
    before = [
        one
        for one in history.readings
        if one.record.chanter == reading.chanter or not (one.record.notes_hz and reading.notes_hz)
    ]
    return next((one for one in reversed(before) if not one.doubts), before[-1] if before else None)


def _off(now: float | None, then: float | None) -> float:
    return now - then if now is not None and then is not None else 0.0
