"""How much of a log a fit takes, so that it needs no more than about a gigabyte whatever the log is like.

A shop of ordinary size is taken whole. Beyond that: the most read types have coefficients of their own, and a reed of
another is taken as one of a type never seen, with its batch's readings; notes in the least read of very many
chanters that one batch was read in count for nothing; and the joint pass rests on the reeds last read whose sums fit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trimfit.regression.design import Rows, take_rows
from trimfit.regression.outputs import K
from trimfit.regression.priors import C_TERMS, OWN, P

MOST_TYPES = 20
"""So many types, the most read, have coefficients of their own: their covariance grows with the square."""
MOST_CHANTERS = 40
"""So many have offsets of their own on the fitted model, the most read ones; what is learned of another stays in its
batch."""
MOST_MET = 60
"""So many chanters that one batch was read in have offsets."""
MOST_SUMS_BYTES = 700e6
"""Memory for the sums of one fit: the reeds read last are taken, as many as fit in."""
MOST_CROSS_BYTES = 60e6
"""Of [X y]' W [X y], outer group by outer group, for as many outputs as are fitted at once."""


def _most_read_first(
    code: NDArray[np.intp], names: tuple[str, ...], most: int
) -> tuple[NDArray[np.intp], tuple[str, ...]]:
    """Another code for each of these names such that the `most` read ones come first, as they stood, then the others,
    the most read first (and -1 for none, the last); the names of these `most`. code (n,): of the rows."""
    by_count = np.argsort(-np.bincount(code[code >= 0], minlength=len(names)), kind="stable")
    order = np.r_[np.sort(by_count[:most]), by_count[most:]]
    new = np.empty(len(names) + 1, dtype=np.intp)
    new[order], new[-1] = np.arange(len(names)), -1
    return new, tuple(names[i] for i in order[:most])


def most_read_types_first(rows: Rows, types: tuple[str, ...]) -> tuple[Rows, tuple[str, ...]]:
    """The rows with types' codes such that the MOST_TYPES most read ones come first, and the names of these."""
    if len(types) <= MOST_TYPES:
        return rows, types
    new, names = _most_read_first(rows.type_code, types, MOST_TYPES)
    batches = tuple((int(new[t]), name) for t, name in rows.batches)
    return replace(rows, type_code=new[rows.type_code], batches=batches), names


def most_read_chanters_first(rows: Rows, chanters: tuple[str, ...]) -> tuple[Rows, tuple[str, ...]]:
    """The rows with chanters' codes such that the MOST_CHANTERS that the fitted model has room for come first, and the
    names of these."""
    if len(chanters) <= MOST_CHANTERS:
        return rows, chanters
    new, names = _most_read_first(rows.chanter_code, chanters, MOST_CHANTERS)
    return replace(rows, chanter_code=new[rows.chanter_code]), names


def of_types(rows: Rows, n_types: int) -> Rows:
    """The rows of the first so many types alone."""
    at = np.flatnonzero(rows.type_code < n_types)
    return rows if len(at) == len(rows) else take_rows(rows, at)


def _met(rows: Rows) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """How many chanters each batch (B,) met, and of each row (n,) the rank of its chanter in its batch, the most read
    first; -1 for a row without one."""
    rank = np.full(len(rows), -1, dtype=np.intp)
    met = np.zeros(len(rows.batches), dtype=np.intp)
    on = np.flatnonzero(rows.chanter_code >= 0)
    if not len(on):
        return met, rank
    width = int(rows.chanter_code.max()) + 1
    pairs, of_row, count = np.unique(
        rows.batch_code[on] * width + rows.chanter_code[on], return_inverse=True, return_counts=True
    )
    batch = pairs // width
    order = np.lexsort((pairs, -count, batch))
    nth = np.empty(len(pairs), dtype=np.intp)
    nth[order] = np.arange(len(pairs)) - np.searchsorted(batch[order], batch[order])
    rank[on] = nth[of_row.reshape(-1)]
    np.add.at(met, batch, 1)
    return met, rank


def of_fewer_chanters(rows: Rows) -> Rows:
    """The rows without the notes that a batch was read in beyond its MOST_MET most read chanters."""
    _, rank = _met(rows)
    if rank.max(initial=-1) < MOST_MET:
        return rows
    y = rows.y.copy()
    y[rank >= MOST_MET, 1:] = np.nan
    return replace(rows, y=y, chanter_code=np.where(rank >= MOST_MET, -1, rows.chanter_code))


def among_the_most_read(rows: Rows) -> NDArray[np.bool_]:
    """Which rows (n,) the univariate fits take: of very many batches, those in the chanters that each read the most."""
    batches = len(np.unique(rows.batch_code))
    terms = np.sqrt(MOST_CROSS_BYTES / (8.0 * K * max(batches, 1))) - P - 1
    return np.asarray(_met(rows)[1] < max(terms // C_TERMS, 2))


def affordable(rows: Rows) -> Rows:
    """The rows of the reeds last read, as many as have sums (`batch.batch_sums`) that take MOST_SUMS_BYTES in all.

    rows: in the order in which they came to the log; of one reed at least all are taken.
    """
    _, first = np.unique(rows.reed_code, return_index=True)
    batch = rows.batch_code[first]
    wide = OWN + K * (P + C_TERMS * _met(rows)[0][batch])
    # gain, inverse and moments of each reed; precision and residuals of a row; sums and posterior of a reed's batch
    size = np.bincount(rows.reed_code)
    needed = 2.0 * OWN * wide + OWN**2 + size * (3.0 * K**2 + wide)
    last = np.zeros(len(size), dtype=np.intp)
    np.maximum.at(last, rows.reed_code, np.arange(len(rows)))
    order = np.argsort(-last)
    opens = np.zeros(len(size), dtype=bool)
    opens[order[np.unique(batch[order], return_index=True)[1]]] = True
    so_far = 8.0 * np.cumsum((needed + np.where(opens, 3.0 * wide**2, 0.0))[order])
    taken = np.zeros(len(size), dtype=bool)
    taken[order] = so_far <= MOST_SUMS_BYTES
    taken[order[0]] = True
    at = np.flatnonzero(taken[rows.reed_code])
    return rows if len(at) == len(rows) else take_rows(rows, at)
