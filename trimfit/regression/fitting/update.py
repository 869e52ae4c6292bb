"""A fitted model brought up to date with what was logged since: the coefficients follow, by the changed batches alone.

Between two fits the covariances, curves and scales stay. Under them the coefficients' posterior is a sum over batches,
so that only the batches with new readings have to be looked at: what such a batch had added to the fitted model is
taken out, and what it tells now is put in. With C the coefficients' covariance and c their mean, and D, v the sum over
these batches of information and vector now less before, all of it on the coefficients l that they meet
(Woodbury; Golub & Van Loan, Matrix Computations, section 2.1.4),

    C' = C - C_l (I + D C_ll)^-1 D C_l'        c' = c + C'_l (v - D c_l)

It is what the joint pass over all rows would give under the same covariances and weights
(tests/regression/fitting/test_update.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.design import Rows, base_weight, take_rows, with_tape
from trimfit.regression.fitted_model import FittedModel
from trimfit.regression.fitting.em_iterations import Globals, batch_information, pieces_of
from trimfit.regression.fitting.outliers import lowered
from trimfit.regression.movement.process import unsettled
from trimfit.regression.outputs import Array
from trimfit.regression.posterior.reed import batch_states


@dataclass(frozen=True, slots=True)
class Changed:
    """One batch with readings that the fitted model has not seen: all its rows, reeds standing together, of a type
    that the fitted model knows; in_fit (n,): which the fitted model has seen; chanters: the names their codes stand
    for, the fitted model's first."""

    rows: Rows
    in_fit: NDArray[np.bool_]
    chanters: tuple[str, ...]


def refreshed(model: FittedModel, changed: Sequence[Changed], last_seq: int) -> FittedModel:
    """The fitted model with these batches' new readings in its coefficients; last_seq: the latest entry that it then
    holds.

    New readings are weighed as a question would weigh them, and what counts for less is kept with the fitted model.
    """
    g = Globals(
        model.batch_cov, model.reed_cov, model.noise_cov, model.reed_scale, model.noise_scale, model.chanter_cov,
        model.coef, model.coef_cov, model.movement, model.hierarchy,
    )  # fmt: skip
    information: list[tuple[NDArray[np.intp], Array, Array]] = []
    reeds, batches, low = model.reeds.copy(), model.batches.copy(), dict(model.low_weight)
    jumped = list(model.jumped)
    for one in changed:
        rows, code = one.rows, int(one.rows.type_code[0])
        _, _, weighed = batch_states(
            model, rows, model.coding, code, in_fit=one.in_fit, chanter_names=one.chanters, forget=False,
            only=np.zeros(len(rows.reeds), dtype=bool),
        )  # fmt: skip
        jumped += [str(label) for label in rows.label[~one.in_fit & (weighed.jump > 0)]]
        new = take_rows(weighed, np.flatnonzero(~one.in_fit))
        low |= lowered(new, base_weight(new, model.coding))
        # as it will be read back: what is taken out one day is then what was put in
        weight = np.array([low.get(str(label), kept) for label, kept in zip(rows.label, weighed.weight, strict=True)])
        y, taped = (unsettled(values, rows, model.movement) for values in (rows.y, rows.taped))
        rows = replace(rows, y=y, taped=taped, weight=weight, jump=weighed.jump)
        information.append(_batch_information(g, rows, model, 1.0))
        if one.in_fit.any():
            information.append(_batch_information(g, take_rows(rows, np.flatnonzero(one.in_fit)), model, -1.0))
        known = len(np.unique(rows.reed_code[one.in_fit]))
        reeds[code] += len(rows.reeds) - known
        batches[code] += not known
    coef, coef_cov = _put_in(model.coef, model.coef_cov, information)
    return replace(
        model, coef=coef, coef_cov=coef_cov, reeds=reeds, batches=batches, low_weight=low, jumped=tuple(jumped),
        last_seq=last_seq,
    )  # fmt: skip


def _batch_information(
    g: Globals, rows: Rows, model: FittedModel, sign: float
) -> tuple[NDArray[np.intp], Array, Array]:
    """The coefficients that one batch's rows meet, and what they tell of them, times sign."""
    rows, on = with_tape(rows, model.tapes)
    (piece,) = pieces_of(rows, model.coding, model.n_types, (on, model.kinds_slice.stop))
    info, vector = batch_information(piece, rows, g)
    return piece.local, sign * info, sign * vector


def _put_in(
    coef: Array, cov: Array, information: Sequence[tuple[NDArray[np.intp], Array, Array]]
) -> tuple[Array, Array]:
    """Mean (P,) and covariance (P, P) of the coefficients with this information put in; all at once, as the sum may
    take out more than one batch by itself could spare."""
    if not information:
        return coef, cov
    at = np.unique(np.concatenate([local for local, _, _ in information]))
    info, vector = np.zeros((len(at), len(at))), np.zeros(len(at))
    for local, more, right in information:
        here = np.searchsorted(at, local)
        info[np.ix_(here, here)] += more
        vector[here] += right
    reach = cov[:, at]
    inner = np.linalg.solve(np.eye(len(at)) + info @ reach[at], info)
    new = cov - reach @ (0.5 * (inner + inner.T)) @ reach.T
    return coef + new[:, at] @ (vector - info @ coef[at]), 0.5 * (new + new.T)
