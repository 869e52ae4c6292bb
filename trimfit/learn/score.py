"""Held-out error and coverage: every batch foretold as if it had never been seen.

Under the fit's covariances a batch's information is known exactly, so leaving it out is a subtraction
(`predict.batch_states(forget=True)`) and not a new fit; the covariances themselves, which a single batch hardly moves,
are kept. Each reed of the batch is then followed alone: from its first readings the next one is foretold, found, and
counted in. No reed and no batch stands on both sides (Roberts et al., 2017, Ecography 40, 913-929).

Two naive rules stand beside it: the last reading plus the type's average slope (what a maker does with one figure in
the head), and plus the reed's own last slope where it has one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trimfit.learn.card import FitCard
from trimfit.learn.design import Rows, sort_rows
from trimfit.learn.predict import batch_states
from trimfit.pitch import OUTPUTS

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COVERAGES", "HeldOut", "held_out", "summary"]

Array = NDArray[np.float64]
K = len(OUTPUTS)
SCORED = ("gap", *OUTPUTS)
COVERAGES = (50, 80, 90, 95)
_Z = {50: 0.67449, 80: 1.28155, 90: 1.64485, 95: 1.95996}
LEAST_CUT_MM = 0.02


@dataclass(frozen=True, slots=True)
class HeldOut:
    """One row a foretold reading. type_code, before (n,): readings of the reed before it; found, foretold, sd,
    type_rule, slope_rule (n, 11): the gap, then the ten outputs, in cents; NaN where there is none."""

    type_code: NDArray[np.intp]
    before: NDArray[np.intp]
    found: Array
    foretold: Array
    sd: Array
    type_rule: Array
    slope_rule: Array


def _with_gap(y: Array) -> Array:
    e, f = OUTPUTS.index("e"), OUTPUTS.index("f")
    return np.concatenate([[y[f] - y[e]], y])


def _pick(rows: Rows, at: NDArray[np.intp]) -> Rows:
    code = np.cumsum(np.r_[True, np.diff(rows.reed_code[at]) != 0]) - 1
    fields = ("y", "removed_mm", "lip", "kpa", "deg_c", "type_code", "batch_code", "chanter_code", "weight", "label")
    return replace(
        rows,
        **{name: getattr(rows, name)[at] for name in fields},
        reed_code=code.astype(np.intp),
        reeds=tuple(rows.reeds[i] for i in dict.fromkeys(rows.reed_code[at].tolist())),
    )


def held_out(card: FitCard, rows: Rows) -> HeldOut:
    """Foretell every reading but each reed's first, its batch left out of the fit; rows: the fit's own."""
    rows = sort_rows(rows)
    stretch = np.sqrt(np.outer(card.reading_stretch, card.reading_stretch))
    e, f = OUTPUTS.index("e"), OUTPUTS.index("f")
    gap = np.zeros(K)
    gap[f], gap[e] = 1.0, -1.0
    out: list[tuple[Any, ...]] = []
    for batch in np.unique(rows.batch_code):
        mine = _pick(rows, np.flatnonzero(rows.batch_code == batch))
        t = int(mine.type_code[0])
        _, unseen, _ = batch_states(
            card,
            mine,
            card.coding,
            t,
            in_fit=np.ones(len(mine), dtype=bool),
            chanter_names=card.coding.chanters,
            forget=True,
        )
        slopes = card.type_coef(t)[1]
        low = [card.low_weight.get(str(label)) for label in mine.label]
        for reed in range(len(mine.reeds)):
            state = unseen
            seen: list[int] = []
            for i in np.flatnonzero(mine.reed_code == reed):
                code = int(mine.chanter_code[i])
                design = state.design(
                    mine.removed_mm[i],
                    mine.lip[i],
                    card.coding.chanters[code] if code >= 0 else None,
                    mine.kpa[i] if np.isfinite(mine.kpa[i]) else None,
                    mine.deg_c[i] if np.isfinite(mine.deg_c[i]) else None,
                )
                y = mine.y[i]
                taken = np.flatnonzero(np.isfinite(y))
                if seen and len(taken):
                    mean, cov = state.outputs(design)
                    total = np.diag(cov + state.noise_cov * stretch)
                    gap_var = float(gap @ cov @ gap + card.gap_stretch * (gap @ state.noise_cov @ gap))
                    type_rule, slope_rule = _naive(mine, seen, int(i), slopes)
                    out.append(
                        (
                            t,
                            len(seen),
                            _with_gap(y),
                            _with_gap(mean),
                            np.sqrt(np.concatenate([[gap_var], total])),
                            type_rule,
                            slope_rule,
                        )
                    )
                if len(taken):
                    weight = np.array(low[i]) if low[i] is not None else np.ones(K)
                    noise = state.noise_cov / np.sqrt(np.outer(np.maximum(weight, 1e-4), np.maximum(weight, 1e-4)))
                    state = state.updated(design[taken], y[taken], noise[np.ix_(taken, taken)])
                    seen.append(int(i))
    if not out:
        empty = np.zeros((0, K + 1))
        none = np.zeros(0, dtype=np.intp)
        return HeldOut(none, none, empty, empty, empty, empty, empty)
    columns = list(zip(*out, strict=True))
    return HeldOut(
        np.array(columns[0], dtype=np.intp),
        np.array(columns[1], dtype=np.intp),
        *(np.array(column, dtype=float) for column in columns[2:]),
    )


def _naive(rows: Rows, seen: list[int], i: int, slopes: Array) -> tuple[Array, Array]:
    """What the two naive rules foretell (11,): the last reading of each output plus a slope times the length cut."""
    by_type, by_reed = np.full(K, np.nan), np.full(K, np.nan)
    for k in range(K):
        had = [j for j in seen if np.isfinite(rows.y[j, k])]
        if not had:
            continue
        last = had[-1]
        cut = rows.removed_mm[i] - rows.removed_mm[last]
        by_type[k] = rows.y[last, k] + slopes[k] * cut
        earlier = [j for j in had if rows.removed_mm[last] - rows.removed_mm[j] > LEAST_CUT_MM]
        by_reed[k] = by_type[k]
        if earlier:
            j = earlier[-1]
            own = (rows.y[last, k] - rows.y[j, k]) / (rows.removed_mm[last] - rows.removed_mm[j])
            by_reed[k] = rows.y[last, k] + own * cut
    return _with_gap(by_type), _with_gap(by_reed)


def _rms(values: Array) -> float | None:
    good = values[np.isfinite(values)]
    if not len(good):
        return None
    # a slip of the pen is no error of the forecast: beyond six middle deviations it is left out, for every rule alike
    limit = max(6.0 * 1.4826 * float(np.median(np.abs(good))), 1e-9)
    return float(np.sqrt(np.mean(good[np.abs(good) <= limit] ** 2)))


def summary(found: HeldOut, types: tuple[str, ...]) -> list[dict[str, object]]:
    """Rows of output x type (reed_type empty: all): readings, rmse, naive_rmse, last_slope_rmse, coverage50 … 95.

    Errors in cents, slips left out alike for every rule; coverages count every reading.
    """
    out: list[dict[str, object]] = []
    for code in (-1, *range(len(types))):
        mine = np.ones(len(found.before), dtype=bool) if code < 0 else found.type_code == code
        for k, output in enumerate(SCORED):
            miss = found.found[mine, k] - found.foretold[mine, k]
            good = np.isfinite(miss)
            if not good.any():
                continue
            z = np.abs(miss[good] / found.sd[mine, k][good])
            row: dict[str, object] = {
                "output": output,
                "reed_type": "" if code < 0 else types[code],
                "readings": int(good.sum()),
                "rmse": _rms(miss),
                "naive_rmse": _rms(found.found[mine, k] - found.type_rule[mine, k]),
                "last_slope_rmse": _rms(found.found[mine, k] - found.slope_rule[mine, k]),
            }
            row |= {f"coverage{c}": float(np.mean(z <= _Z[c])) for c in COVERAGES}
            out.append(row)
    return out


def as_frame(found: HeldOut, types: tuple[str, ...]) -> pd.DataFrame:
    """The held-out readings of the gap as a frame, for pictures and tables of one's own."""
    import pandas as pd

    return pd.DataFrame(
        {
            "reed_type": [types[t] for t in found.type_code],
            "readings_before": found.before,
            "found_gap_cents": found.found[:, 0],
            "foretold_gap_cents": found.foretold[:, 0],
            "sd_gap_cents": found.sd[:, 0],
        }
    )
