"""What was learned, as one value: plain numbers, the coding, and the fingerprint of the rows it rests on."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trimfit.base.errors import LogError
from trimfit.base.pitch import OUTPUTS
from trimfit.regression.chanters.kinds import Hierarchy, assumed_hierarchy
from trimfit.regression.chanters.stated import ASSUMED_ERRORS
from trimfit.regression.design import Coding
from trimfit.regression.movement.process import Movement, assumed_movement
from trimfit.regression.priors import C_TERMS, REGRESSORS

__all__ = ["FittedModel", "model_from_bytes", "model_to_bytes"]

Array = NDArray[np.float64]
K, P = len(OUTPUTS), len(REGRESSORS)
FORMAT = 15


@dataclass(frozen=True, slots=True)
class FittedModel:
    """The learned response of one shop.

    coef (P,) and coef_cov (P, P): types' coefficients, type by type, regressor by regressor, output by output, then
    two times ten offsets a chanter (plain, and in proportion to the type's slope). P = 60 T + 20 (C + kinds + gauge) +
    10 tapes.
    new_type_mean (60,) and new_type_cov (60, 60): a type never seen.
    batch_cov, reed_cov (30, 30): deviations in start, slope and bend; noise_cov (10, 10): one reading's errors.
    reed_scale, noise_scale (T,): a type's reeds' and readings' variances over the shop's. chanter_cov (20, 20): a
    chanter never seen, of no kind; hierarchy: the kinds, whose coefficients (20 each) follow the chanters' in `coef`,
    and the gauge's after them; tapes: (chanter, output) of each tape, whose coefficients (10) come last; stated_sd:
    errors of a stated meeting pitch and crow, cents. reeds, batches (T,): how many each type's coefficients rest on.
    low_weight: entry -> weights (10,) of readings that count for less. movement: how reeds move with no work done on
    them; jumped: entries of the readings before which the reed had moved of a sudden; wait_days: from a cut to the next
    reading, usually; again_days: from a reading to the next of the same state. reading_stretch (10,), gap_stretch: what
    a next reading's error variance is over a sound one's (unsound ones included). cut_error_pct, cut_error_mm: what a
    cut really takes, where the log tells. fit_seq, since_seq, strikes, scale: the log it was fitted on (of a long log,
    the reeds last read at or after since_seq); last_seq: up to where its coefficients have followed since (`refresh`).
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
    jumped: tuple[str, ...] = ()
    wait_days: float = 0.0
    again_days: float = 0.0
    reading_stretch: Array = field(default_factory=lambda: np.ones(K))
    gap_stretch: float = 1.0
    wild_share: float = 0.01
    cut_error_pct: float | None = None
    cut_error_mm: float | None = None
    readings: int = 0
    strikes: int = 0
    hierarchy: Hierarchy = field(default_factory=assumed_hierarchy)
    stated_sd: tuple[float, float] = ASSUMED_ERRORS
    tapes: tuple[tuple[int, int], ...] = ()
    scale: tuple[str, ...] = ()
    last_seq: int = 0
    since_seq: int = 0
    fit_seq: int = 0
    criterion: float = 0.0

    @property
    def n_types(self) -> int:
        """How many reed types the fitted model knows."""
        return len(self.coding.types)

    def type_slice(self, code: int) -> slice:
        """Where a type's sixty coefficients stand in `coef`."""
        return slice(P * K * code, P * K * (code + 1))

    def chanter_slice(self, code: int) -> slice:
        """Where a chanter's two times ten offsets stand in `coef`."""
        first = P * K * self.n_types + C_TERMS * K * code
        return slice(first, first + C_TERMS * K)

    @property
    def kinds_slice(self) -> slice:
        """Where the kinds' and the gauge's coefficients stand in `coef`, in the order of `hierarchy`."""
        first = self.chanter_slice(len(self.coding.chanters)).start
        return slice(first, first + self.hierarchy.size)

    @property
    def gauge_coef(self) -> tuple[Array, Array]:
        """Mean (20,) and covariance (20, 20) of the gauge's coefficients per mm; nothing where none was measured."""
        if not self.hierarchy.gauged:
            return np.zeros(C_TERMS * K), np.zeros((C_TERMS * K,) * 2)
        at = slice(self.kinds_slice.stop - C_TERMS * K, self.kinds_slice.stop)
        return self.coef[at], self.coef_cov[at, at]

    def tape_slice(self, number: int) -> slice:
        """Where a tape's ten coefficients stand in `coef`, of which only its own note's is not nothing."""
        first = self.kinds_slice.stop + K * number
        return slice(first, first + K)

    def tape_cents(self, number: int) -> tuple[float, float]:
        """What a tape does to its note, cents: mean and standard deviation."""
        at = self.tape_slice(number).start + self.tapes[number][1]
        return float(self.coef[at]), float(np.sqrt(self.coef_cov[at, at]))

    def type_coef(self, code: int) -> Array:
        """A type's coefficients (6, 10), in cents per unit of each regressor; the population's for code -1."""
        flat = self.new_type_mean if code < 0 else self.coef[self.type_slice(code)]
        return flat.reshape(P, K)

    def on_log(
        self,
        last_seq: int,
        since_seq: int,
        strikes: int,
        scale: tuple[str, ...],
        error: tuple[float, float] | None = None,
    ) -> FittedModel:
        """The same fitted model with the fingerprint of the log it was fitted on, and the execution error found there.

        last_seq: the latest entry it holds; since_seq: it holds the reeds last read at or after it; strikes: how many
        entries were struck; scale: the ratios in force.
        """
        pct, constant = error or (None, None)
        return replace(
            self,
            last_seq=last_seq,
            fit_seq=last_seq,
            since_seq=since_seq,
            strikes=strikes,
            scale=scale,
            cut_error_pct=pct,
            cut_error_mm=constant,
        )


_ARRAYS = (
    "coef",
    "coef_cov",
    "new_type_mean",
    "new_type_cov",
    "batch_cov",
    "reed_cov",
    "noise_cov",
    "reed_scale",
    "noise_scale",
    "chanter_cov",
    "reeds",
    "batches",
    "reading_stretch",
)
_HIERARCHY = ("within", "between", "kind_of")


_MOVEMENT = tuple(item.name for item in fields(Movement))


def model_to_bytes(model: FittedModel) -> bytes:
    """The fitted model as bytes: one line of JSON, then the arrays (_ARRAYS and so on) as little-endian doubles."""
    values = [getattr(model, name) for name in _ARRAYS] + [getattr(model.movement, name) for name in _MOVEMENT]
    values += [getattr(model.hierarchy, name) for name in _HIERARCHY]
    arrays = [np.ascontiguousarray(value, dtype="<f8") for value in values]
    head = {
        "format": FORMAT,
        "shapes": [list(a.shape) for a in arrays],
        "types": model.coding.types,
        "chanters": model.coding.chanters,
        "curves": model.coding.curves.tolist(),
        "slope_ratio": model.coding.slope_ratio.tolist(),
        "pressure_kpa": model.coding.pressure_kpa,
        "temperature_c": model.coding.temperature_c,
        "balance_cents": model.coding.balance_cents,
        "hand_cents_per_kpa": model.coding.hand_cents_per_kpa,
        "away": model.coding.away,
        "owners_weight": model.coding.owners_weight,
        "kinds": model.hierarchy.kinds,
        "gauge_mm": [None if np.isnan(mm) else mm for mm in model.hierarchy.gauge_mm.tolist()],
        "middle_mm": model.hierarchy.middle_mm if model.hierarchy.gauged else None,
        "stated_sd": model.stated_sd,
        "tapes": model.tapes,
        "low_weight": model.low_weight,
        "jumped": model.jumped,
        "wait_days": model.wait_days,
        "again_days": model.again_days,
        "gap_stretch": model.gap_stretch,
        "wild_share": model.wild_share,
        "cut_error_pct": model.cut_error_pct,
        "cut_error_mm": model.cut_error_mm,
        "strikes": model.strikes,
        "scale": model.scale,
        "readings": model.readings,
        "last_seq": model.last_seq,
        "since_seq": model.since_seq,
        "fit_seq": model.fit_seq,
        "criterion": model.criterion,
    }
    out = io.BytesIO()
    out.write(json.dumps(head, ensure_ascii=True).encode() + b"\n")
    for a in arrays:
        out.write(a.tobytes())
    return out.getvalue()


def model_from_bytes(data: bytes) -> FittedModel:
    """Read `model_to_bytes` back.

    Raises LogError for bytes of another format, or that hold what is no number: the fit is then simply made anew.
    """
    try:
        at = data.find(b"\n") + 1  # the arrays are read where they lie: they may be megabytes
        head = json.loads(data[:at])
        if head["format"] != FORMAT:
            raise ValueError("format")
        found: dict[str, Array] = {}
        for name, shape in zip((*_ARRAYS, *_MOVEMENT, *_HIERARCHY), head["shapes"], strict=True):
            size = int(np.prod(shape)) if shape else 1
            found[name] = np.frombuffer(data, dtype="<f8", count=size, offset=at).reshape(shape)
            at += 8 * size
        if at != len(data):
            raise ValueError("length")
        if not all(np.isfinite(values).all() for values in found.values()):
            raise ValueError("numbers")
        return _model_of(head, found)
    except (ValueError, KeyError, TypeError) as error:
        raise LogError("what was learned cannot be read", "the log", "run `trimfit learn`") from error


def _model_of(head: dict[str, Any], found: dict[str, Array]) -> FittedModel:
    coding = Coding(
        tuple(head["types"]),
        tuple(head["chanters"]),
        np.array(head["curves"], dtype=float),
        np.array(head["slope_ratio"], dtype=float),
        head["pressure_kpa"],
        head["temperature_c"],
        head["balance_cents"],
        head["hand_cents_per_kpa"],
        tuple(head["away"]),
        head["owners_weight"],
    )
    gauge_mm = np.array([np.nan if mm is None else mm for mm in head["gauge_mm"]], dtype=float)
    kind_of = found["kind_of"].astype(np.intp)
    hierarchy = Hierarchy(
        tuple(head["kinds"]),
        kind_of,
        gauge_mm,
        float("nan") if head["middle_mm"] is None else float(head["middle_mm"]),
        found["within"],
        found["between"],
    )
    return FittedModel(
        coding=coding,
        hierarchy=hierarchy,
        stated_sd=tuple(head["stated_sd"]),
        tapes=tuple((int(chanter), int(output)) for chanter, output in head["tapes"]),
        coef=found["coef"],
        coef_cov=found["coef_cov"],
        new_type_mean=found["new_type_mean"],
        new_type_cov=found["new_type_cov"],
        batch_cov=found["batch_cov"],
        reed_cov=found["reed_cov"],
        noise_cov=found["noise_cov"],
        reed_scale=found["reed_scale"],
        noise_scale=found["noise_scale"],
        chanter_cov=found["chanter_cov"],
        reeds=found["reeds"].astype(np.intp),
        batches=found["batches"].astype(np.intp),
        low_weight=head["low_weight"],
        movement=Movement(**{name: found[name] for name in _MOVEMENT}),
        jumped=tuple(head["jumped"]),
        wait_days=head["wait_days"],
        again_days=head["again_days"],
        reading_stretch=found["reading_stretch"],
        gap_stretch=head["gap_stretch"],
        wild_share=head["wild_share"],
        cut_error_pct=head["cut_error_pct"],
        cut_error_mm=head["cut_error_mm"],
        strikes=head["strikes"],
        scale=tuple(head["scale"]),
        readings=head["readings"],
        last_seq=head["last_seq"],
        since_seq=head["since_seq"],
        fit_seq=head["fit_seq"],
        criterion=head["criterion"],
    )
