"""What was learned, as one value: plain numbers, the coding, and the fingerprint of the rows it rests on."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import LogError, command
from trimfit.regression.chanters.kinds import Hierarchy, assumed_hierarchy
from trimfit.regression.chanters.stated import ASSUMED_ERRORS
from trimfit.regression.design import Coding
from trimfit.regression.movement.process import Movement, assumed_movement
from trimfit.regression.outputs import Array, K
from trimfit.regression.priors import WIDE, P

FORMAT = 22


@dataclass(frozen=True, slots=True)
class FittedModel:
    """The learned response of one shop.

    coef (P,) and coef_cov (P, P): types' coefficients, type by type, regressor by regressor, output by output, then
    two times ten offsets a chanter (plain, and in proportion to the type's slope). P = 60 T + 20 (C + kinds + gauge) +
    10 tapes.
    new_type_mean (60,) and new_type_cov (60, 60): a type never seen.
    batch_cov, reed_cov (30, 30): deviations in start, slope and bend; noise_cov (10, 10): one reading's errors.
    reed_scale, noise_scale (T,): a type's reeds' and readings' variances over the shop's. reed_stretch: by how much the
    reeds' standard deviations are widened where a reed is predicted (`covariances.few_reeds`). chanter_cov (20, 20): a
    chanter never seen, of no kind; hierarchy: the kinds, whose coefficients (20 each) follow the chanters' in `coef`,
    and the gauge's after them; tapes: (chanter, output) of each tape, whose coefficients (10) come last; stated_sd:
    errors of a stated meeting pitch and crow, cents. reeds, batches (T,): how many each type's coefficients rest on.
    low_weight: entry -> weights (10,) of readings that count for less. movement: how reeds move with no work done on
    them; jumped: entries of the readings before which the reed had moved of a sudden; wait_days: from a cut to the next
    reading, usually; again_days: from a reading to the next of the same state. reading_stretch (10,), gap_stretch: what
    a next reading's error variance is over a sound one's (unsound ones included). cut_error_pct, cut_error_mm: what a
    cut really takes, where the log tells. fit_seq, since_seq: the log it was fitted on (of a long log, the
    reeds last read at or after since_seq); fitted_with: the shop's settings that a fit uses, in words; last_seq: up to
    where its coefficients have followed since (`refresh`).
    """

    coding: Coding
    coef: Array
    coef_cov: Array
    new_type_mean: Array
    new_type_cov: Array
    batch_cov: Array
    reed_cov: Array
    noise_cov: Array
    reed_scale: Array
    noise_scale: Array
    chanter_cov: Array
    reeds: NDArray[np.intp]
    batches: NDArray[np.intp]
    low_weight: dict[str, list[float]]
    movement: Movement = field(default_factory=lambda: assumed_movement(0))
    reed_stretch: float = 1.0
    jumped: tuple[str, ...] = ()
    wait_days: float = 0.0
    again_days: float = 0.0
    reading_stretch: Array = field(default_factory=lambda: np.ones(K))
    gap_stretch: float = 1.0
    wild_share: float = 0.01
    cut_error_pct: float | None = None
    cut_error_mm: float | None = None
    readings: int = 0
    hierarchy: Hierarchy = field(default_factory=assumed_hierarchy)
    stated_sd: tuple[float, float] = ASSUMED_ERRORS
    tapes: tuple[tuple[int, int], ...] = ()
    fitted_with: tuple[str, ...] = ()
    last_seq: int = 0
    since_seq: int = 0
    fit_seq: int = 0

    @property
    def n_types(self) -> int:
        """How many reed types the fitted model knows."""
        return len(self.coding.types)

    def type_slice(self, code: int) -> slice:
        """Where a type's sixty coefficients stand in `coef`."""
        return slice(P * K * code, P * K * (code + 1))

    def chanter_slice(self, code: int) -> slice:
        """Where a chanter's two times ten offsets stand in `coef`."""
        first = P * K * self.n_types + WIDE * code
        return slice(first, first + WIDE)

    @property
    def kinds_slice(self) -> slice:
        """Where the kinds' and the gauge's coefficients stand in `coef`, in the order of `hierarchy`."""
        first = self.chanter_slice(len(self.coding.chanters)).start
        return slice(first, first + self.hierarchy.size)

    @property
    def gauge_coef(self) -> tuple[Array, Array]:
        """Mean (20,) and covariance (20, 20) of the gauge's coefficients per mm; nothing where none was measured."""
        if not self.hierarchy.gauged:
            return np.zeros(WIDE), np.zeros((WIDE,) * 2)
        at = slice(self.kinds_slice.stop - WIDE, self.kinds_slice.stop)
        return self.coef[at], self.coef_cov[at, at]

    def tape_slice(self, number: int) -> slice:
        """Where a tape's ten coefficients stand in `coef`, of which only its own note's is not nothing."""
        first = self.kinds_slice.stop + K * number
        return slice(first, first + K)

    def tape_cents(self, number: int) -> tuple[float, float]:
        """What a tape does to its note, cents: mean and standard deviation."""
        at = self.tape_slice(number).start + self.tapes[number][1]
        return float(self.coef[at]), float(np.sqrt(self.coef_cov[at, at]))

    def scales_of(self, code: int) -> tuple[float, float]:
        """The variances of a type's readings and of its reeds over the shop's; the mean ones for a type not known."""
        if 0 <= code < self.n_types:
            return float(self.noise_scale[code]), float(self.reed_scale[code])
        return float(np.mean(self.noise_scale)), float(np.mean(self.reed_scale))

    def type_coef(self, code: int) -> Array:
        """A type's coefficients (6, 10), in cents per unit of each regressor; the population's for one not known."""
        flat = self.coef[self.type_slice(code)] if 0 <= code < self.n_types else self.new_type_mean
        return flat.reshape(P, K)


_PARTS: dict[str, Any] = {"coding": Coding, "hierarchy": Hierarchy, "movement": Movement}
# Numbers that may be missing: a chanter was not gauged, or none was.
_MAY_LACK = {"hierarchy.gauge_mm"}


def _leaves(model: FittedModel) -> Iterator[tuple[str, Any]]:
    """Every field that is not itself a record, by its name, or by `part.name` in one of the parts."""
    for item in fields(model):
        value = getattr(model, item.name)
        if item.name in _PARTS:
            yield from ((f"{item.name}.{inner.name}", getattr(value, inner.name)) for inner in fields(value))
        else:
            yield item.name, value


def model_to_bytes(model: FittedModel) -> bytes:
    """The fitted model as bytes: one line of JSON, then its arrays as little-endian doubles or long integers."""
    values = dict(_leaves(model))
    arrays = {
        name: np.ascontiguousarray(value, dtype="<f8" if value.dtype.kind == "f" else "<i8")
        for name, value in values.items()
        if isinstance(value, np.ndarray)
    }
    head = {
        "format": FORMAT,
        "arrays": {name: [array.dtype.str, list(array.shape)] for name, array in arrays.items()},
        "plain": {name: value for name, value in values.items() if name not in arrays},
    }
    body = b"".join(array.tobytes() for array in arrays.values())
    return json.dumps(head, ensure_ascii=True).encode() + b"\n" + body


def model_from_bytes(data: bytes) -> FittedModel:
    """Read `model_to_bytes` back.

    Raises LogError for bytes of another format, or that hold what is no number: the fit is then simply made anew.
    """
    try:
        at = data.find(b"\n") + 1  # the arrays are read where they lie: they may be megabytes
        head = json.loads(data[:at])
        if head["format"] != FORMAT:
            raise ValueError("format")
        values = {name: _tuples(value) for name, value in head["plain"].items()}
        for name, (kind, shape) in head["arrays"].items():
            size = int(np.prod(shape)) if shape else 1
            values[name] = np.frombuffer(data, dtype=np.dtype(kind), count=size, offset=at).reshape(shape)
            at += 8 * size
            if not np.isfinite(values[name]).all() and name not in _MAY_LACK:
                raise ValueError("numbers")
        if at != len(data):
            raise ValueError("length")
        whole: dict[str, Any] = {
            item.name: values[item.name] for item in fields(FittedModel) if item.name not in _PARTS
        }
        for part, kind in _PARTS.items():
            whole[part] = kind(**{inner.name: values[f"{part}.{inner.name}"] for inner in fields(kind)})
        return FittedModel(**whole)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise LogError("what was learned cannot be read", "the log", f"run {command('learn')}") from error


def _tuples(value: object) -> Any:
    """A value of the line of JSON, with tuples for its lists."""
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
