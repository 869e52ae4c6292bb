"""A mixed model of one output."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from trimfit.regression.reml.newton import MixedFit, Start, fit_many
from trimfit.regression.reml.sums import CrossProducts

__all__ = ["fit_mixed"]


def fit_mixed(
    data: CrossProducts,
    *,
    prior_precision: NDArray[Any] | None = None,
    prior_mean: NDArray[Any] | None = None,
    start: Start | None = None,
    **more: Any,
) -> MixedFit:
    """`fit_many` of the sums of one output: prior_precision (p, p), prior_mean (p,), one start."""
    (fit,) = fit_many(
        data,
        prior_precision=None if prior_precision is None else prior_precision[None],
        prior_mean=None if prior_mean is None else prior_mean[None],
        starts=None if start is None else [start],
        **more,
    )
    return fit
