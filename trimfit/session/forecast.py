"""The forecast of reeds of the log for aims: what `pick`, `allot`, `rehearse` and `ask` say of one reed in one
chanter."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trimfit.planner.aim import Aim, AimPosterior
    from trimfit.planner.forecast import Forecast
    from trimfit.planner.policy_table import PolicyTable
    from trimfit.session.open_log import Bench, Seen

__all__ = ["forecast_of"]


def forecast_of(bench: Bench, pairs: Sequence[tuple[Seen, Aim]]) -> list[Forecast]:
    """What working each of these reeds to its end for its aim gives, over all explanations of its latest readings."""
    from trimfit.planner.forecast import Case, forecasts, mixed
    from trimfit.session.evidence import gap_readings

    seen_as: list[tuple[list[float], list[AimPosterior]]] = []
    tables: dict[int, tuple[PolicyTable, list[int]]] = {}
    for i, (seen, aim) in enumerate(pairs):
        others = bench.others(seen, aim)
        shares = [1.0 - sum(other.chance for other in others), *(other.chance for other in others)]
        posterior = bench.posterior(seen, aim)
        seen_as.append((shares, [posterior, *(other.posterior for other in others)]))
        table = bench.policy(seen.type_code, posterior=posterior)
        tables.setdefault(id(table), (table, []))[1].append(i)
    out: dict[int, Forecast] = {}
    for table, mine in tables.values():
        unread = {i: not gap_readings(pairs[i][0].history.readings, bench.model) for i in mine}
        longest_mm = {i: bench.longest_cut_mm(pairs[i][0].history.reed.record.reed_type) for i in mine}
        cases = [Case(one, pairs[i][1], unread[i], longest_mm[i]) for i in mine for one in seen_as[i][1]]
        parts = iter(forecasts(cases, table, bench.rules()))
        for i in mine:
            out[i] = mixed(seen_as[i][0], [next(parts) for _ in seen_as[i][0]])
    return [out[i] for i in range(len(pairs))]
